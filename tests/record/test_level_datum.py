"""Layers lie in the horizontal CRS by its code; z is the site's level in metres.

Records built before had a compound or 3-D CRS in the file, and z in its unit: they read as ever.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf.filemanagement import readfile
from pyproj import CRS

from lateralline import contract
from lateralline.overlay.as_built import open_as_built
from lateralline.record.lineage import level_systems_of, read_lineage, z_unit_m
from lateralline.record.view import read_record
from lateralline.workspace import Workspace
from lateralline.write.dxf import write_dxf
from tests.support.command import ask, built_samples
from tests.support.command import built as built_sites

MakeSite = Callable[..., Any]
SAMPLES = Path("sample_sites")
SPATIAL = [name for name in contract.LAYERS if contract.load(name).geometry]
US_FT = 1200 / 3937


@pytest.fixture(
    scope="module", params=[("gnss-bend-branch",), ("slope-levels",), ("both",)], ids=lambda p: p[0]
)
def built(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sites of ellipsoidal levels, of a vertical CRS, and both in one batch."""
    names = ("gnss-bend-branch", "slope-levels") if request.param == ("both",) else request.param
    return built_samples(tmp_path_factory.mktemp("built") / "out", *names)


def test_every_layer_has_the_epsg_code_of_the_plan(built: Path) -> None:
    assert set(ask(built, "SELECT srs_id FROM gpkg_geometry_columns")) == {(32617,)}
    contents = "SELECT DISTINCT srs_id FROM gpkg_contents WHERE data_type = 'features'"
    assert ask(built, contents) == [(32617,)]
    assert ask(built, "SELECT count(*) FROM gpkg_spatial_ref_sys WHERE srs_id > 100000") == [(0,)]
    for name in SPATIAL:
        assert pyogrio.read_info(built, layer=name)["crs"] == "EPSG:32617"
        with fiona.open(built, layer=name) as layer:
            assert layer.crs.to_epsg() == 32617


def test_z_is_the_level_of_the_columns(built: Path) -> None:
    band = pyogrio.read_dataframe(built, layer="level_band")
    assert len(band)
    z = shapely.get_z(band.geometry.to_numpy())
    assert z == pytest.approx(band["invert_level_m"].to_numpy(), abs=1e-9)
    lines = pyogrio.read_dataframe(built, layer="pipe_centreline")
    for line, down, up in zip(
        lines.geometry, lines["invert_down_level_m"], lines["invert_up_level_m"], strict=True
    ):
        z = shapely.get_coordinates(line, include_z=True)[[0, -1], 2]
        assert z == pytest.approx([down, up], abs=1e-9)


def test_lineage_says_what_z_counts_from_and_in_what(built: Path) -> None:
    for (site,) in ask(built, "SELECT DISTINCT site_id FROM lineage"):
        view = read_record(built, site)
        (datum,) = set(view.layers["level_band"]["level_datum"])
        said = dict(ask(built, f"SELECT item, value FROM lineage WHERE site_id = '{site}'"))
        assert said["z counts from"] == datum
        assert said["z unit"] == "1"
        assert view.lineage.z_unit_m == 1.0
        assert view.crs is not None
        assert view.crs.to_epsg() == 32617


def test_an_overlay_takes_the_levels_from_lineage(built: Path) -> None:
    found = open_as_built(built)
    assert found.crs is not None
    assert found.crs.to_epsg() == 32617
    systems = {s.to_epsg() for s in found.level_systems if s is not None}
    datums = set(pyogrio.read_dataframe(built, layer="level_band")["level_datum"])
    assert len(systems) == len(datums)
    assert systems <= {4979, 5703}


def test_lengths_are_on_the_ground_and_on_the_grid(built: Path) -> None:
    """UTM lines of a few metres: what a GIS measures is shorter by the combined scale."""
    lines = pyogrio.read_dataframe(built, layer="pipe_centreline")
    assert lines["length_grid_m"].to_numpy() == pytest.approx(lines.length.to_numpy(), rel=1e-12)
    scale = {
        site: float(value)
        for site, value in ask(
            built, "SELECT site_id, value FROM lineage WHERE item = 'combined scale'"
        )
    }
    factor = lines["grid_factor"] / lines["site_id"].map(scale)
    assert factor.to_numpy() == pytest.approx(1.0, rel=1e-9)
    assert set(np.abs(lines["grid_factor"] - 1) > 1e-4) == {True}
    slope = lines["length_grid_m"] / lines["grid_factor"] / lines["length_m"]
    assert ((slope < 1.0 + 1e-9) & (slope > 0.98)).all()
    degrees = json.loads((built.parent / "geojson" / "pipe_centreline.geojson").read_text())
    assert {f["properties"]["length_grid_m"] for f in degrees["features"]} == {None}


# ---- records built before -------------------------------------------------------------------


def built_before(folder: Path, site: Any, crs: str) -> Path:
    """A record as it was: a compound CRS in the file, z in its unit, no word of z in lineage."""
    asbuilt = built_sites(folder, site, crs=crs)
    with closing(sqlite3.connect(asbuilt)) as db, db:
        gone = db.execute("DELETE FROM lineage WHERE item IN ('z counts from', 'z unit')")
        assert gone.rowcount == 2
    return asbuilt


def test_a_record_in_a_compound_crs_reads_as_one_of_today(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """30.48006096 m are 100 US survey feet in either; the plan's unit is the same foot."""
    where = {"horizontal": "EPSG:3734", "x": 2_267_000.0, "y": 888_500.0}
    site = make_site(vertical="EPSG:6360", z_m=100 * US_FT, **where)
    old = built_before(tmp_path / "old", site, "EPSG:3734+6360")
    with (workspace := Workspace(tmp_path / "new")).build() as build:
        build.add(site.record, site, site.products)
    stored = [pyogrio.read_dataframe(p, layer="pipe_nodes") for p in (old, workspace.asbuilt)]
    assert [f.geometry[0].z for f in stored] == pytest.approx([100.0, 100 * US_FT])
    assert len(CRS(stored[0].crs).axis_info) == 3

    seen = [read_record(p) for p in (old, workspace.asbuilt)]
    assert seen[0].crs == seen[1].crs == CRS("EPSG:3734")
    assert seen[0].corner == seen[1].corner
    assert level_systems_of(old) == level_systems_of(workspace.asbuilt) == [CRS("EPSG:6360")]
    heights = []
    for gpkg in (old, workspace.asbuilt):
        write_dxf(gpkg, tmp_path / f"{gpkg.parent.name}.dxf")
        space = readfile(tmp_path / f"{gpkg.parent.name}.dxf").modelspace()
        heights.append([v.dxf.location.z for v in space.query("POLYLINE")[0].vertices])
    assert heights[0] == pytest.approx(heights[1], abs=1e-6)
    assert heights[0][0] == pytest.approx(100.0, abs=1e-6)


@pytest.mark.parametrize(
    ("said", "crs", "unit_m"),
    [
        ({"z unit": "1"}, "EPSG:3734", 1.0),
        ({"vertical crs": "EPSG:6360"}, "EPSG:3734", US_FT),  # of a batch, in the site's own unit
        ({"vertical crs": "EPSG:5703"}, "EPSG:3734+6360", US_FT),
        ({"vertical crs": "ellipsoidal", "horizontal crs": "EPSG:32617"}, "EPSG:32617", 1.0),
        ({"vertical crs": "relative"}, None, 1.0),
    ],
)
def test_the_unit_of_z_is_stated_or_that_of_the_file(
    said: dict[str, str], crs: str | None, unit_m: float
) -> None:
    lineage = read_lineage(("crs", item, value) for item, value in said.items())
    found = z_unit_m(lineage, None if crs is None else CRS(crs))
    assert np.isclose(found, unit_m, rtol=1e-9)


def test_lineage_has_no_row_that_says_nothing(built: Path) -> None:
    """No zero error, no "none", no sentence that every record would repeat."""
    rows = ask(built, "SELECT topic, item, value FROM lineage")
    items = {item for _, item, _ in rows}
    assert not [row for row in rows if row[0] == "parameter" and row[2] in ("0", "none", "")]
    assert not {"axes", "tape distances", "accuracy gnss_common_m"} & items
    assert {"accuracy gnss_m", "accuracy tape_m", "accuracy tape_ratio", "unit of tape"} <= items
