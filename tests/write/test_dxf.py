"""The drawing is sound, in its own unit, sized for its scale, and says what it is not."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from ezdxf.enums import InsertUnits
from ezdxf.filemanagement import readfile
from typer.testing import CliRunner

from lateralline import contract
from lateralline.cli import app
from lateralline.errors import FrameError, OutputExistsError, UnknownSiteError
from lateralline.record.symbology import style_of
from lateralline.write.dxf import plain, write_dxf
from lateralline.write.dxf_signs import APPID, layer_colours, linetype_of
from tests.support.command import built

MakeSite = Callable[..., Any]
FEET = 1200 / 3937


def in_feet(make_site: MakeSite, **more: Any) -> Any:
    """A site in US survey feet, its levels in metres above no named datum."""
    return make_site(horizontal="EPSG:3734", x=2_267_000.0, y=888_500.0, z_m=30.48, **more)


@pytest.fixture
def gpkg(make_site: MakeSite, tmp_path: Path) -> Path:
    return built(tmp_path / "out", in_feet(make_site))


def drawn(gpkg: Path, out: Path, **options: Any) -> Any:
    write_dxf(gpkg, out, **options)
    return readfile(out)


def test_the_drawing_is_sound_and_layered_like_the_record(gpkg: Path, tmp_path: Path) -> None:
    doc = drawn(gpkg, tmp_path / "a.dxf")
    auditor = doc.audit()
    assert not auditor.errors
    assert not auditor.fixes
    used = {e.dxf.layer.partition(".")[0] for e in doc.modelspace()}
    meant = set(layer_colours()) & {*contract.LAYERS, "caution", "open_end"}
    assert used == meant
    centreline = doc.layers.get("pipe_centreline.EX-1.line_id ø“0”_ x_y")
    assert centreline.rgb.to_hex() == layer_colours()["pipe_centreline"]


def test_every_feature_says_what_it_is(gpkg: Path, tmp_path: Path) -> None:
    """Extended data of a registered application: site, line, kind and id on every entity."""
    doc = drawn(gpkg, tmp_path / "a.dxf")
    assert APPID in doc.appids
    said = [
        (e, dict(v.split("=", 1) for code, v in e.get_xdata(APPID) if code == 1000))
        for e in doc.modelspace()
    ]
    nodes = pyogrio.read_dataframe(gpkg, layer="pipe_nodes")
    for entity, data in said:
        drawn_as, *ids = entity.dxf.layer.split(".")
        assert "site" in data, (entity.dxf.layer, data)
        assert data["site"] == "EX-1" or drawn_as == "caution"
        assert data["kind"]
        if drawn_as == "caution":
            continue
        assert data["layer"] == drawn_as
        assert data.get("id") or drawn_as == "unlocated"
        named = [data[k] for k in ("site", "line") if k in data]
        assert ids == [re.sub("[|,]", "_", name) for name in named]
        if drawn_as == "open_end":  # a sign beside the layers
            continue
        required = [c.name for c in contract.load(drawn_as).field if c.required]
        assert "line" in data or "line_id" not in required, drawn_as
    told = {(d["id"], d["kind"]) for e, d in said if e.dxf.layer.startswith("pipe_nodes")}
    assert told == set(zip(nodes["node_id"], nodes["kind"], strict=True))
    kinds = {d["kind"] for e, d in said if e.dxftype() == "ELLIPSE"}
    assert kinds == {"ellipse_95"}


def test_each_site_says_what_its_levels_count_from(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    notes = drawn(gpkg, tmp_path / "a.dxf").modelspace().query("MTEXT")
    said = {n.dxf.layer: " ".join(n.plain_text().split()) for n in notes}
    for site in ("EX-1", "EX-2"):
        assert f"Levels of {site}" in said[f"site_note.{site}"]
    assert "stands at each site" in said["caution"]


def test_a_system_without_a_code_is_named_not_spelled_out(
    make_site: MakeSite, tmp_path: Path
) -> None:
    own = pyproj.CRS("EPSG:32617").to_wkt().replace("500000", "500100").replace(
        'NAME["WGS 84 / UTM zone 17N"', 'NAME["Own grid"')  # fmt: skip
    own = re.sub(r',\s*ID\["EPSG",32617\]', "", own).replace("WGS 84 / UTM zone 17N", "Own grid")
    gpkg = built(tmp_path / "out", make_site(), crs=own)
    doc = drawn(gpkg, tmp_path / "a.dxf")
    (note,) = doc.modelspace().query("MTEXT[layer=='caution']")
    assert "Own grid (no code: see lineage)" in " ".join(note.plain_text().split())
    assert "PROJCRS" not in note.plain_text()
    assert dict(doc.header.custom_vars.properties)["CRS"] == "Own grid"


@pytest.mark.parametrize(
    ("place", "code", "measurement"),
    [
        ({}, InsertUnits.Meters, 1),
        ({"horizontal": "EPSG:3734", "x": 2.267e6, "y": 8.885e5}, InsertUnits.USSurveyFeet, 0),
        ({"horizontal": "EPSG:2256", "x": 2.0e6, "y": 5.0e5}, InsertUnits.Feet, 0),
        ({"horizontal": "local", "x": 0.0, "y": 0.0}, InsertUnits.Meters, 1),
    ],
)
def test_units_stand_in_the_header(
    make_site: MakeSite, tmp_path: Path, place: Any, code: InsertUnits, measurement: int
) -> None:
    """Codes of $INSUNITS as ezdxf names them; 21 of the DXF reference is from memory."""
    doc = drawn(built(tmp_path / "out", make_site(**place)), tmp_path / "a.dxf")
    assert doc.header["$INSUNITS"] == code.value
    assert doc.header["$MEASUREMENT"] == measurement
    assert InsertUnits.USSurveyFeet.value == 21


def test_coordinates_are_the_plans_and_levels_go_along_in_its_unit(
    gpkg: Path, tmp_path: Path
) -> None:
    doc = drawn(gpkg, tmp_path / "a.dxf")
    lines = pyogrio.read_dataframe(gpkg, layer="pipe_centreline").geometry
    meant = [shapely.get_coordinates(g, include_z=True) / [1, 1, FEET] for g in lines]
    got = [
        np.array([v.dxf.location for v in p.vertices])
        for p in doc.modelspace().query("POLYLINE[layer?'pipe_centreline.*']")
    ]
    assert len(got) == len(meant) > 0
    for a, b in zip(got, meant, strict=True):
        assert a == pytest.approx(b, rel=1e-12)
    assert got[0][0, 2] == pytest.approx(100.0, abs=1e-3)  # 30.48 m in survey feet


@pytest.mark.parametrize("crs", [None, "EPSG:3734+6360"])
def test_named_levels_in_feet_are_not_converted_twice(
    make_site: MakeSite, tmp_path: Path, crs: str | None
) -> None:
    site = in_feet(make_site, vertical="EPSG:6360")  # NAVD88 height (ftUS)
    doc = drawn(built(tmp_path / "out", site, crs=crs), tmp_path / "a.dxf")
    polyline = doc.modelspace().query("POLYLINE")[0]
    assert polyline.vertices[0].dxf.location.z == pytest.approx(100.0, abs=1e-3)


def test_texts_have_their_height_on_paper(gpkg: Path, tmp_path: Path) -> None:
    """2.5 mm at 1:200 are 0.5 m on the ground, in feet; and half of it at 1:100."""
    heights = {
        scale: drawn(gpkg, tmp_path / f"{scale}.dxf", scale=scale)
        .modelspace()
        .query("MTEXT")[0]
        .dxf.char_height
        for scale in (100.0, 200.0)
    }
    assert heights == pytest.approx({200.0: 0.5 / FEET, 100.0: 0.25 / FEET})


def test_what_is_undecided_is_dashed_and_areas_are_closed(gpkg: Path, tmp_path: Path) -> None:
    space = drawn(gpkg, tmp_path / "a.dxf").modelspace()
    shapes = pyogrio.read_dataframe(gpkg, layer="pipe_segments")["shape"]
    types = [e.dxf.linetype for e in space.query("LWPOLYLINE[layer?'pipe_segments.*']")]
    dashed = linetype_of("pipe_segments", style_of("pipe_segments").rule[-1])
    meant = [dashed if s == "undecided" else "BYLAYER" for s in shapes]
    assert [t.upper() for t in types] == meant
    assert dashed in meant
    for layer in ("tolerance_zone", "position_corridor"):
        rings = space.query(f"LWPOLYLINE[layer?'{layer}.*']")
        polygons = pyogrio.read_dataframe(gpkg, layer=layer).geometry
        assert len(rings) == 2 * len(polygons)  # each has a hole
        assert all(r.closed for r in rings)


def test_the_caution_and_the_system_stand_in_the_drawing(gpkg: Path, tmp_path: Path) -> None:
    doc = drawn(gpkg, tmp_path / "a.dxf")
    (note,) = doc.modelspace().query("MTEXT[layer=='caution']")
    words = " ".join(note.plain_text().split())
    assert contract.load("tolerance_zone").caution in words
    assert "EPSG:3734" in words
    assert "us-ft" in words
    assert dict(doc.header.custom_vars.properties)["CRS"] == "EPSG:3734"


def test_extents_hold_everything(gpkg: Path, tmp_path: Path) -> None:
    from ezdxf import bbox

    doc = drawn(gpkg, tmp_path / "a.dxf")
    box = bbox.extents(doc.modelspace(), fast=True)
    low, high = doc.header["$EXTMIN"], doc.header["$EXTMAX"]
    assert low[0] <= box.extmin.x < box.extmax.x <= high[0]
    assert low[1] <= box.extmin.y < box.extmax.y <= high[1]


def test_equal_records_give_equal_bytes(gpkg: Path, tmp_path: Path) -> None:
    for name in ("a.dxf", "b.dxf"):
        write_dxf(gpkg, tmp_path / name)
    assert (tmp_path / "a.dxf").read_bytes() == (tmp_path / "b.dxf").read_bytes()
    doc = readfile(tmp_path / "a.dxf")  # a set of theirs, in another order in each process
    named = [declared.dxf.name for declared in doc.classes]
    used = sorted(doc.entitydb.dxf_types_in_use() & set(named))
    assert len(used) > 1
    assert named[: len(used)] == used


def test_text_of_the_record_is_taken_literally(gpkg: Path, tmp_path: Path) -> None:
    """What a code of CAD text would be is shown as it was typed."""
    from ezdxf.tools.text import plain_mtext

    for typed in (r"\H3;big", "{C1;red}", r"a\Pb", "x^Iy", r"\\", "ü σ"):
        shown = plain_mtext(plain(typed))
        assert shown in (typed, typed.replace("^", "^ "))
    assert "%%" not in plain("%%d")
    assert plain(None) == ""
    assert plain(float("nan")) == ""


def test_one_site_or_all(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    counts = {
        site: len(drawn(gpkg, tmp_path / f"x{site}.dxf", site=site).modelspace().query("POLYLINE"))
        for site in ("", "EX-2")
    }
    assert counts[""] == 2 * counts["EX-2"] > 0
    with pytest.raises(UnknownSiteError):
        write_dxf(gpkg, tmp_path / "c.dxf", site="EX-9")


def test_degrees_make_no_drawing(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site(), crs="EPSG:4326")
    with pytest.raises(FrameError, match="projected"):
        write_dxf(gpkg, tmp_path / "a.dxf")
    assert not (tmp_path / "a.dxf").exists()


def test_nothing_is_overwritten_unasked(gpkg: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.dxf"
    out.write_text("mine")
    with pytest.raises(OutputExistsError):
        write_dxf(gpkg, out)
    assert out.read_text() == "mine"
    with pytest.raises(OutputExistsError, match="was not written by"):
        write_dxf(gpkg, out, replace=True)
    out.unlink()
    write_dxf(gpkg, out)
    write_dxf(gpkg, out, replace=True)
    assert not list(tmp_path.glob("*kept*"))


def test_gdal_reads_the_drawing_too(gpkg: Path, tmp_path: Path) -> None:
    """A second reader: GDAL finds the same layers and as many centrelines."""
    write_dxf(gpkg, tmp_path / "a.dxf")
    frame = pyogrio.read_dataframe(tmp_path / "a.dxf")
    kinds = frame["Layer"].str.partition(".")[0]
    assert set(kinds) == set(layer_colours()) & {*contract.LAYERS, "caution", "open_end"}
    lines = frame[kinds == "pipe_centreline"]
    assert len(lines) == pyogrio.read_info(gpkg, layer="pipe_centreline")["features"]
    assert lines.geometry.has_z.all()


def test_the_command(gpkg: Path, tmp_path: Path) -> None:
    out = tmp_path / "site.dxf"
    done = CliRunner().invoke(app, ["export", str(gpkg.parent), "-o", str(out), "--scale", "500"])
    assert done.exit_code == 0, done.output
    assert re.search("No clearance to dig", done.output)
    wrong = CliRunner().invoke(app, ["export", str(gpkg.parent), "-o", str(tmp_path / "a.dwg")])
    assert wrong.exit_code == 2
    assert "must end in .dxf or .kml" in wrong.output
