"""An output folder is whole, the same every time, and never mixes what does not belong together."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pyogrio
import pyproj
import pytest
import shapely

from lateralline import contract
from lateralline.errors import (
    ContractError,
    FrameError,
    OutputError,
    OutputExistsError,
    ReadBackError,
)
from lateralline.output.proof import sha256
from lateralline.record.view import read_record
from lateralline.workspace import Build, Workspace
from lateralline.write import read_back
from lateralline.write.geojson import GeoJSONSink
from lateralline.write.geopackage import GeoPackageSink
from tests.support.command import written

MakeSite = Callable[..., Any]


def findings_of(workspace: Workspace, site_id: str) -> dict[str, str]:
    """What writing found: code/variant → severity."""
    with closing(sqlite3.connect(workspace.asbuilt)) as db:
        name = "code || coalesce('/' || variant, '')"
        query = f"SELECT {name}, severity FROM findings WHERE stage = 'write' AND site_id = ?"
        rows = dict(db.execute(query, (site_id,)).fetchall())
    return {code: severity for code, severity in rows.items() if not code.startswith("code ø")}


def test_a_build_puts_everything_in_place(make_site: MakeSite, tmp_path: Path) -> None:
    workspace = written(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    files = {p.relative_to(workspace.folder).as_posix() for p in workspace.folder.rglob("*.*")}
    assert files == {
        "asbuilt.gpkg",
        "manifest.json",
        "DATA_DICTIONARY.md",
        *(f"geojson/{n}.geojson" for n in contract.LAYERS),
        *(f"schema/{n}.schema.json" for n in contract.LAYERS),
    }
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    manifest = json.loads(workspace.manifest.read_text(encoding="utf-8"))
    assert [s["id"] for s in manifest["sites"]] == ["EX-1", "EX-2"]
    assert manifest["sites"][0]["inputs"][1]["sha256"] == "b" * 64
    assert manifest["sites"][0]["operations"][0]["accuracy_m"] == 0.0
    assert manifest["layers"]["pipe_nodes"] == 8
    assert manifest["sites"][1]["features"]["pipe_nodes"] == 4
    assert manifest["caution"] == contract.load("tolerance_zone").caution
    assert {"lateralline", "python", "PROJ", "GDAL (writes)"} <= manifest["software"].keys()
    for output in manifest["outputs"]:
        path = workspace.folder / output["path"]
        assert (sha256(path), path.stat().st_size) == (output["sha256"], output["size_bytes"])
    assert {o["path"] for o in manifest["outputs"]} == files - {"manifest.json"}


def test_the_same_sites_give_the_same_files(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With SOURCE_DATE_EPOCH byte for byte; without it all but the time and what carries it."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    a, b = (written(tmp_path / name, make_site(), make_site("EX-2")) for name in "ab")
    for path in (p for p in a.folder.rglob("*") if p.is_file()):
        assert path.read_bytes() == (b.folder / path.relative_to(a.folder)).read_bytes()
    assert json.loads(a.manifest.read_text())["created"] == "2026-05-07T12:00:00Z"
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    later = written(tmp_path / "c", make_site(), make_site("EX-2"))
    timed = ("asbuilt.gpkg",)
    one, other = (json.loads(w.manifest.read_text()) for w in (a, later))
    assert one.pop("created") != other.pop("created")
    assert one.pop("stamp") != other.pop("stamp")
    for manifest in (one, other):
        manifest["outputs"] = [o for o in manifest["outputs"] if o["path"] not in timed]
    assert one == other


def test_no_site_no_output(tmp_path: Path) -> None:
    written(tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_existing_output_needs_replace(make_site: MakeSite, tmp_path: Path) -> None:
    first = written(tmp_path / "out", make_site("EX-1"))
    before = first.manifest.read_bytes()
    with pytest.raises(OutputExistsError):
        written(tmp_path / "out", make_site("EX-2"))
    assert first.manifest.read_bytes() == before
    (first.folder / "notes").mkdir()
    (first.folder / "notes" / "mine.txt").write_text("laid here by a person")
    (first.folder / "asbuilt.gpkg-wal").write_text("left by a map program")
    written(tmp_path / "out", make_site("EX-2"), replace=True)
    assert json.loads(first.manifest.read_text())["sites"][0]["id"] == "EX-2"
    assert (first.folder / "notes" / "mine.txt").read_text() == "laid here by a person"
    assert not (first.folder / "asbuilt.gpkg-wal").exists()


def test_a_folder_of_other_things_is_never_replaced(make_site: MakeSite, tmp_path: Path) -> None:
    (tmp_path / "thesis").mkdir()
    (tmp_path / "thesis" / "chapter1.txt").write_text("years of work")
    with pytest.raises(OutputExistsError, match=r"chapter1\.txt and was not written by"):
        written(tmp_path / "thesis", make_site(), replace=True)
    assert (tmp_path / "thesis" / "chapter1.txt").exists()


@pytest.mark.parametrize(
    ("owner", "method", "error"),
    [
        (GeoPackageSink, "append", OutputError),
        (GeoJSONSink, "take", OutputError),
        (GeoPackageSink, "close", OutputError),
        (GeoJSONSink, "close", OutputError),
        (read_back, "check", ReadBackError),
    ],
)
def test_any_failure_of_writing_leaves_the_old_output(
    make_site: MakeSite,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    owner: object,
    method: str,
    error: type[Exception],
) -> None:
    old = written(tmp_path / "out", make_site("EX-1"))
    before = old.manifest.read_bytes()

    def fail(*_: object, **__: object) -> None:
        raise (ReadBackError if method == "check" else OSError)("no space left on device")

    monkeypatch.setattr(owner, method, fail)
    with pytest.raises(error, match="no space left"):
        written(tmp_path / "out", make_site("EX-2"), replace=True)
    with pytest.raises(error, match="no space left"):
        written(tmp_path / "new", make_site("EX-2"))
    assert old.manifest.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_disk_that_failed_once_ends_the_batch(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A batch catches a site's error and goes on; half a file must not slip through so."""

    def batch() -> None:
        with Workspace(tmp_path / "out").build() as sink:
            one, two = make_site("EX-1"), make_site("EX-2")
            sink.add(one.record, one, one.products)
            with monkeypatch.context() as patch:
                patch.setattr(GeoJSONSink, "take", lambda *_: 1 / 0)
                with pytest.raises(OutputError):
                    sink.add(two.record, two, two.products)
            with pytest.raises(OutputError):
                sink.add(two.record, two, two.products)

    with pytest.raises(OutputError, match="EX-2"):
        batch()
    assert list(tmp_path.iterdir()) == []


def test_a_bad_site_is_taken_not_at_all(make_site: MakeSite, tmp_path: Path) -> None:
    good, bad = make_site("EX-1"), make_site("EX-2")
    with Workspace(tmp_path / "out").build() as sink:
        sink.add(good.record, good, good.products)
        with pytest.raises(ContractError):
            sink.add(bad.record, bad, bad.products[1:])
        assert sink.sites == 1
    manifest = json.loads(Workspace(tmp_path / "out").manifest.read_text())
    assert manifest["layers"]["pipe_nodes"] == 4


def test_files_drawn_from_the_geopackage_join_the_same_output(
    make_site: MakeSite, tmp_path: Path
) -> None:
    def draw(workspace: Workspace) -> None:
        assert pyogrio.read_info(workspace.asbuilt, layer="pipe_nodes")["features"] == 4
        (workspace.folder / "pages").mkdir()
        (workspace.folder / "pages" / "EX-1.html").write_text("<p>")

    workspace = written(tmp_path / "out", make_site(), also=draw)
    assert (workspace.folder / "pages" / "EX-1.html").read_text() == "<p>"
    outputs = json.loads(workspace.manifest.read_text())["outputs"]
    assert "pages/EX-1.html" in {o["path"] for o in outputs}


# ---- coordinates --------------------------------------------------------------------------


def test_a_site_in_another_zone_joins_the_first_ones(make_site: MakeSite, tmp_path: Path) -> None:
    """The neighbour stands where pyproj, asked directly, puts it; and is told so."""
    near = pyproj.Transformer.from_crs(32618, 32617, always_xy=True).transform(180_000, 4_500_000)
    first = make_site("EX-1", x=round(near[0]), y=round(near[1]))
    second = make_site("EX-2", horizontal="EPSG:32618", x=180_000.0)
    workspace = written(tmp_path / "out", first, second)
    nodes = pyogrio.read_dataframe(workspace.asbuilt, layer="pipe_nodes")
    assert nodes.crs == pyproj.CRS("EPSG:32617")
    way = pyproj.Transformer.from_crs(32618, 32617, always_xy=True)
    point = nodes[nodes.site_id == "EX-2"].geometry.iloc[0]
    assert (point.x, point.y) == pytest.approx(way.transform(180_010, 4_500_000), abs=1e-6)
    assert findings_of(workspace, "EX-1") == {}
    assert findings_of(workspace, "EX-2") == {"datum-shift-error/other-crs": "info"}


def test_a_crs_asked_for_takes_the_site_levels_along(make_site: MakeSite, tmp_path: Path) -> None:
    """z stays the site's level in metres, in another zone and beside levels booked in feet."""
    site = make_site(vertical="EPSG:6360")
    workspace = written(tmp_path / "out", site, crs="EPSG:32618")
    nodes = pyogrio.read_dataframe(workspace.asbuilt, layer="pipe_nodes")
    assert nodes.crs.to_epsg() == 32618
    assert nodes.geometry[0].z == 100.0
    view = read_record(workspace.asbuilt)
    assert view.lineage.vertical_crs == "EPSG:6360"
    assert view.lineage.z_unit_m == 1.0
    assert lineage_value(workspace, "z counts from") == "EPSG:6360"


def test_a_vertical_crs_asked_for_transforms_the_levels(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """NAVD88 metres into NAVD88 US survey feet: 100 m are 328.0833 ft (3937/1200)."""
    site = make_site(vertical="EPSG:5703")
    workspace = written(tmp_path / "out", site, crs="EPSG:32617+6360")
    nodes = pyogrio.read_dataframe(workspace.asbuilt, layer="pipe_nodes")
    assert nodes.geometry[0].z == pytest.approx(100 * 3937 / 1200, abs=1e-6)
    assert [part.to_epsg() for part in nodes.crs.sub_crs_list] == [32617, 6360]
    assert lineage_value(workspace, "z counts from") == "EPSG:6360"
    assert float(lineage_value(workspace, "z unit")) == pytest.approx(1200 / 3937)


def lineage_value(workspace: Workspace, item: str) -> str:
    with closing(sqlite3.connect(workspace.asbuilt)) as db:
        (value,) = db.execute("SELECT value FROM lineage WHERE item = ?", (item,)).fetchone()
    return str(value)


def test_levels_are_never_mixed_unsaid(make_site: MakeSite, tmp_path: Path) -> None:
    sites = [make_site("EX-1", vertical="EPSG:5703"), make_site("EX-2")]
    workspace = written(tmp_path / "out", *sites)
    nodes = pyogrio.read_dataframe(workspace.asbuilt, layer="pipe_nodes")
    assert nodes.crs == pyproj.CRS("EPSG:32617")
    assert findings_of(workspace, "EX-1") == {}
    assert findings_of(workspace, "EX-2") == {"levels-mixed/sites": "warning"}
    manifest = json.loads(workspace.manifest.read_text())
    assert manifest["level_bases"] == ["NAVD88 height", "site zero, each site for itself"]
    with closing(sqlite3.connect(workspace.asbuilt)) as db:
        texts = [t for (t,) in db.execute("SELECT description FROM gpkg_contents")]
    assert all("Levels do not share one basis" in t for t in texts)


def test_relative_levels_cannot_be_given_in_a_vertical_crs(
    make_site: MakeSite, tmp_path: Path
) -> None:
    with pytest.raises(FrameError, match="site zero"):
        written(tmp_path / "out", make_site(), crs="EPSG:32617+5703")


def test_a_sketch_is_drawn_without_place_on_the_earth(make_site: MakeSite, tmp_path: Path) -> None:
    sketch = {"horizontal": "local", "x": 0.0, "y": 0.0}
    workspace = written(tmp_path / "out", make_site("EX-1", **sketch), make_site("EX-2", **sketch))
    assert not workspace.geojson("pipe_nodes").exists()
    assert findings_of(workspace, "EX-1") == {}  # place has said that there is no GeoJSON
    assert findings_of(workspace, "EX-2") == {"no-map-position/another-sketch": "info"}
    assert json.loads(workspace.manifest.read_text())["crs"] is None


@pytest.mark.parametrize("sketch_first", [True, False])
def test_a_sketch_and_a_placed_site_do_not_share_a_file(
    make_site: MakeSite, tmp_path: Path, sketch_first: bool
) -> None:
    sites = [make_site("EX-1", horizontal="local", x=0.0, y=0.0), make_site("EX-2")]
    if not sketch_first:
        sites.reverse()

    with Workspace(tmp_path / "out").build() as sink:
        sink.add(sites[0].record, sites[0], sites[0].products)
        with pytest.raises(FrameError, match="on its own"):
            sink.add(sites[1].record, sites[1], sites[1].products)
    assert sink.sites == 1


def test_only_a_ballpark_way_leaves_geojson_out(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lateralline.frames import Frame

    def refuse(*_: object) -> None:
        raise FrameError("only a ballpark operation is available")

    monkeypatch.setattr(Frame, "to_lonlat", refuse)
    workspace = written(tmp_path / "out", make_site())
    assert not workspace.geojson("pipe_nodes").exists()
    assert not workspace.json_schema("pipe_nodes").exists()
    assert findings_of(workspace, "EX-1") == {"no-map-position/reason": "warning"}


def test_an_unknown_crs_is_refused_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match="EPSG:999999"):
        written(tmp_path / "out", crs="EPSG:999999")


def test_geometry_in_geojson_and_geopackage_is_the_same_place(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """Within the rounding of 7 decimals, 0.0056 m in latitude; other GDAL builds included."""
    workspace = written(tmp_path / "out", make_site())
    lonlat = pyogrio.read_dataframe(workspace.geojson("pipe_centreline"))
    grid = pyogrio.read_dataframe(workspace.asbuilt, layer="pipe_centreline")
    moved = lonlat.to_crs(32617)
    for a, b in zip(moved.geometry, shapely.force_2d(grid.geometry), strict=True):
        assert shapely.hausdorff_distance(a, b) < 0.0075


def test_build_is_a_sink_of_the_stages() -> None:
    from lateralline.stages import Sink

    sink: type[Sink] = Build
    assert callable(sink.add)
