"""GeoParquet by area: every row in one file, found by box, read by other readers than ours."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely

from lateralline import api, contract
from lateralline.errors import FrameError, ReadBackError
from lateralline.write import areas as module
from lateralline.write import parquet
from lateralline.write.areas import Areas, UnknownAreasError
from lateralline.write.formats import FORMATS
from tests.support.command import content, run, written
from tests.support.places import SAMPLES

MakeSite = Callable[..., Any]
LAKE = ("geoparquet",)
build = partial(written, formats=LAKE)
#: A city CRS in US survey feet, with places in it.
FEET = {"horizontal": "EPSG:2263", "x": 985_000.0, "y": 200_000.0}
FOOT_M = 1200 / 3937


def apart(make_site: MakeSite, **place: Any) -> tuple[Any, Any]:
    """Two sites forty units from each other."""
    east = place.get("x", 500_000.0)
    return make_site(**place), make_site("EX-2", **{**place, "x": east + 40.0})


def parts(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.parquet"))


@pytest.mark.parametrize(
    ("place", "unit_m"),
    [({}, 1.0), (FEET, FOOT_M), ({"horizontal": "local", "x": -7.0, "y": 0.0}, 1.0)],
)
def test_every_row_is_in_the_file_of_its_square(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: Any, unit_m: float
) -> None:
    monkeypatch.setattr(parquet, "ROWS", 7)  # so that areas go over several readings
    monkeypatch.setattr(module, "ROWS", 7)
    workspace = build(tmp_path / "out", *apart(make_site, **place), areas=Areas(square_m=10.0))
    folder = workspace.folder / "geoparquet"
    divided = 0
    for name in contract.LAYERS:
        meant = pyogrio.read_dataframe(workspace.asbuilt, layer=name)
        declared = [c.name for c in contract.load(name).field]
        if not contract.load(name).geometry:
            assert (folder / f"{name}.parquet").is_file()
            continue
        files = parts(folder / name)
        divided += len(files) > 1
        assert all(pq.ParquetFile(f).metadata.num_rows <= len(meant) for f in files)
        whole = gpd.read_parquet(folder / name)  # all of its files, as one table
        assert whole.crs == (None if meant.crs.is_engineering else meant.crs)
        assert list(whole.columns) == [*declared, "geometry", "area"]
        whole, meant = (f.sort_values("uid", ignore_index=True) for f in (whole, meant))
        assert whole["uid"].tolist() == meant["uid"].tolist()
        assert whole["site_id"].tolist() == meant["site_id"].tolist()
        for one, other in zip(whole.geometry, meant.geometry, strict=True):
            assert (one is None) == (other is None)
            assert one is None or one.equals_exact(other)
        for area, box in zip(whole["area"], shapely.bounds(whole.geometry.array), strict=True):
            assert (area == "none") == bool(np.isnan(box[0]))
            if not np.isnan(box[0]):
                assert re.fullmatch(r"E-?[\d.]+m_N-?[\d.]+m", area)  # metres, where x is feet too
                east, north = (float(c[1:-1]) for c in area.split("_"))
                middle = (box[:2] + box[2:]) / 2.0 * unit_m
                assert (np.array([east, north]) <= middle).all()
                assert (middle < np.array([east, north]) + 10.0 + 1e-9).all()
    assert divided > 4


def test_a_reader_asks_by_box(make_site: MakeSite, tmp_path: Path) -> None:
    """As GeoParquet 1.1 has it: the box of a file, that of each row, and a reader that uses it."""
    workspace = build(tmp_path / "out", make_site(), areas=Areas(square_m=10.0))
    folder = workspace.folder / "geoparquet" / "pipe_segments"
    there = gpd.read_parquet(folder)
    some = there.geometry.iloc[0].bounds
    found = gpd.read_parquet(folder, bbox=some)  # by the column `bbox`, before geometry is read
    boxes = shapely.box(*shapely.bounds(there.geometry.array).T)
    meant = there[shapely.intersects(boxes, shapely.box(*some))]
    assert sorted(found["uid"]) == sorted(meant["uid"])
    assert 0 < len(found) < len(there)
    for path in parts(folder):
        geo = json.loads(pq.read_schema(path).metadata[b"geo"])
        column = geo["columns"]["geometry"]
        held = gpd.read_parquet(path)
        xyz = shapely.get_coordinates(held.geometry.array, include_z=True)
        assert geo["version"] == "1.1.0"
        assert column["bbox"] == [*xyz.min(axis=0), *xyz.max(axis=0)]
        assert column["covering"]["bbox"]["ymax"] == ["bbox", "ymax"]
        group = pq.ParquetFile(path).metadata.row_group(0)  # what it may be left out by
        extremes = {group.column(i).path_in_schema: group.column(i).statistics
                    for i in range(group.num_columns)}  # fmt: skip
        assert extremes["bbox.xmin"].min == xyz[:, 0].min()
        assert extremes["bbox.ymax"].max == xyz[:, 1].max()


def test_areas_are_the_values_of_a_column(make_site: MakeSite, tmp_path: Path) -> None:
    sites = [make_site(name) for name in ("EX-1", "ex-1b", "EX-2")]
    workspace = build(tmp_path / "out", *sites, areas=Areas(column="site_id"))
    for name in contract.LAYERS:
        folder = workspace.folder / "geoparquet" / name
        meant = pyogrio.read_dataframe(workspace.asbuilt, layer=name)
        found = ds.dataset(folder, partitioning="hive")
        of_one = found.to_table(filter=ds.field("area") == "EX-2") if len(meant) else []
        assert len(of_one) == (meant["site_id"] == "EX-2").sum()
        assert found.count_rows() == len(meant)


def test_folders_of_areas_are_apart_whatever_the_values_hold() -> None:
    values = ["", "a/b", "..", "Elm St", "ELM ST", "elm st", "x" * 300, "x" * 299 + "y", "Straße 1",
              "none", "None", "=", "%", "名" * 90]  # fmt: skip
    made = module._folders(values)
    assert list(made) == values
    assert len({name.casefold() for name in made.values()}) == len(values)
    assert all("/" not in name and len(name.encode()) <= 160 for name in made.values())
    assert made[""] == "area=none"


def test_equal_sites_give_equal_bytes_and_the_manifest_knows_them(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    a, b = (build(tmp_path / n, make_site(), areas=Areas(square_m=10.0)).folder for n in "ab")
    assert content(a) == content(b)
    listed = {o["path"] for o in json.loads((a / "manifest.json").read_text())["outputs"]}
    made = {p.relative_to(a).as_posix() for p in parts(a / "geoparquet")}
    assert made <= listed
    assert len(made) > len(contract.LAYERS)


@pytest.mark.parametrize("spoilt", ["layer_rows", "_boxes"])
def test_rows_of_another_area_and_boxes_of_other_rows_are_seen(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spoilt: str
) -> None:
    honest, spoiling = getattr(module, spoilt), [True]

    def other(*given: Any) -> Any:
        made = honest(*given)
        if not spoiling or len(made) < 4:
            return made
        spoiling.clear()  # what is read back is looked at honestly
        return made.take(list(range(len(made)))[::-1])

    monkeypatch.setattr(module, spoilt, other)
    with pytest.raises(ReadBackError, match=r"\w+/area=E\d+m_N\d+m"):
        build(tmp_path / "out", *apart(make_site), areas=Areas(square_m=10.0))
    assert not list(tmp_path.iterdir())


def test_what_cannot_be_divided_so_is_told_before_it_is_built(
    make_site: MakeSite, tmp_path: Path
) -> None:
    degrees = make_site(horizontal="EPSG:4326", x=-80.0, y=41.0)
    for options in ({}, {"crs": "EPSG:4326"}):
        with pytest.raises(FrameError, match=r"squares in metres need a projected CRS.*WGS 84"):
            build(tmp_path / "out", degrees, areas=Areas(square_m=10.0), **options)
    for wrong, why in (
        (Areas(column="lot"), "no column 'lot'.*there are: site_id, asset_id"),
        (Areas(column="owner"), "owner is private"),
        (Areas(square_m=5.0), "at least 10 m; got 5 m"),
        (Areas(square_m=float("nan")), "at least 10 m"),
    ):
        with pytest.raises(UnknownAreasError, match=why):
            build(tmp_path / "out", make_site(), areas=wrong)
    with pytest.raises(ValueError, match="areas divide geoparquet"):
        api.build(SAMPLES / "tape-ties", tmp_path / "out", areas=500.0)
    assert not list(tmp_path.iterdir())


def test_the_command_divides_by_size_or_column(tmp_path: Path) -> None:
    site, out = SAMPLES / "tape-ties", tmp_path / "out"
    for asked, said in (
        (["--areas", "500m"], "goes with --also geoparquet"),
        (["--areas", "500", "--also", "geoparquet"], "a length of zero or more with its unit"),
        (["--areas", "lot", "--also", "geoparquet"], "no column 'lot'"),
    ):
        done = run("build", site, "-o", out, *asked)
        assert done.exit_code == 2
        assert said in " ".join(done.output.split())
        assert not out.exists()
    for asked, name in (("0.5m", ""), ("1000ft", "area=E"), ("parcel", "area=none")):
        done = run("build", site, "-o", out, "--replace", "--also", "geoparquet", "--areas", asked)
        if not name:
            assert done.exit_code == 2
            assert "squares of areas must be at least 10 m; got 0.5 m" in done.output
            continue
        assert done.exit_code in (0, 1), done.output
        made = [p.parent.name for p in parts(out / "geoparquet" / "pipe_nodes")]
        assert made
        assert all(m.startswith(name) for m in made)
    assert "geoparquet" in FORMATS
