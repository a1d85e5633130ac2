"""A record without a single level states none, whatever its site.toml says that levels refer to."""

from __future__ import annotations

import csv
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.compute as pc
import pyogrio
import pytest
from pyproj import CRS

from lateralline import contract
from lateralline.batch import run_sites
from lateralline.derive.adapted import LEVELS, NOT_SHOWN
from lateralline.draw.sheet import SheetOptions
from lateralline.frames import DEPTH_ONLY
from lateralline.record.view import read_record
from lateralline.simulate import SCENARIOS
from lateralline.simulate import make_site as make_practice
from lateralline.stages import SiteFailure, SiteResult
from lateralline.workspace import Workspace
from tests.support.finding_names import called

SCENARIO = "slope-levels"  # levelled throughout, in a national vertical system
#: Columns of a level, of a difference of levels, or of what only a level can tell.
OF_LEVELS = re.compile(
    r"(.*_)?level_m|(invert|inside_top|outside_top)_(up|down|lower|upper|sigma)(?!_max).*_m"
    r"|gradient.*|fall|back_fall_shown_80_m|low_point.*|(ipc|upc|adh)_gradient"
)


def without_levels(folder: Path, vertical: str) -> Path:
    """A practice site whose crew levelled nothing, and whose office named a vertical system."""
    make_practice(SCENARIOS[SCENARIO], SCENARIOS[SCENARIO].seed, folder)
    for table in ("control", "marks", "exposures"):
        path = folder / f"{table}.csv"
        with path.open(newline="") as file:
            rows = [
                {k: "" if k in ("z", "sigma_v") else v for k, v in row.items()}
                for row in csv.DictReader(file)
                if row.get("method") != "level"
            ]
        with path.open("w", newline="") as file:
            writer = csv.DictWriter(file, rows[0])
            writer.writeheader()
            writer.writerows(rows)
    toml = folder / "site.toml"
    text, changed = re.subn(r"(?m)^vertical = .*$", f'vertical = "{vertical}"', toml.read_text())
    assert changed == 1
    toml.write_text(text)
    return folder


@pytest.fixture(scope="module", params=["EPSG:5703", "ellipsoidal", "none"])
def built(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    folder = tmp_path_factory.mktemp("unlevelled")
    site = without_levels(folder / "site", request.param)
    workspace = Workspace(folder / "out")
    with workspace.build() as sink:
        (result,) = run_sites([site], sink=sink)
    assert isinstance(result, SiteResult)
    codes = {called(f): f.severity for f in result.findings}
    assert codes.get(
        "level-missing/depths-only" if request.param == "none" else "level-missing/all"
    ) == ("info" if request.param == "none" else "error")
    assert not [f for f in result.findings if f.code in ("back-fall", "gradient-low", "low-point")]
    return workspace


def test_no_layer_holds_a_level_or_a_grade(built: Workspace) -> None:
    seen = set()
    for layer in contract.LAYERS:
        _, table = pyogrio.read_arrow(built.asbuilt, layer=layer)
        for name in table.column_names:
            if name == "level_datum":
                assert set(table[name].to_pylist()) <= {DEPTH_ONLY}
            if not OF_LEVELS.fullmatch(name):
                continue
            seen.add(name)
            allowed = {None, NOT_SHOWN.get(name)}
            assert set(pc.unique(table[name]).to_pylist()) <= allowed, (layer, name)
    assert seen == {*LEVELS, *NOT_SHOWN}


def test_no_file_names_a_vertical_system(built: Workspace) -> None:
    """Neither a compound CRS, nor a lineage row, nor a description, nor the manifest."""
    with closing(sqlite3.connect(built.asbuilt)) as db:
        systems = db.execute(
            "select definition_12_063 from gpkg_spatial_ref_sys where srs_id > 0"
        ).fetchall()
        said = db.execute("select description from gpkg_contents").fetchall()
        rows = db.execute("select * from lineage").fetchall()
        findings = db.execute("select * from findings").fetchall()
    assert all(len(CRS(wkt).axis_info) == 2 for (wkt,) in systems)
    words = json.dumps([said, rows, findings], default=repr) + built.manifest.read_text(
        encoding="utf-8"
    )
    assert not re.search(r"NAVD|EPSG:5703|above the ellipsoid|ellipsoidal height(?!s only)", words)
    statement = next(row for row in rows if "statement" in row and "levels" in row)
    assert any("There are no levels" in str(cell) for cell in statement)


def test_geojson_has_no_third_coordinate(built: Workspace) -> None:
    features = json.loads(built.geojson("transmitter_fixes").read_text())["features"]
    assert {len(f["geometry"]["coordinates"]) for f in features if f["geometry"]} == {2}


def test_the_sheet_prints_no_level(built: Workspace, sheets: Any) -> None:
    site = read_record(built.asbuilt, "")
    said = " ".join(t for page in sheets.words(site, SheetOptions("A4")) for t in page)
    assert "no levels were measured" in said
    for word in ("NAVD", "EPSG:5703", "invert level", "ellipsoidal"):
        assert word not in said


def test_depths_are_left(built: Workspace) -> None:
    """What is left is worth having: a depth does not need a datum."""
    _, table = pyogrio.read_arrow(built.asbuilt, layer="transmitter_fixes")
    depth = np.array(table["transmitter_depth_m"].to_pylist(), dtype=float)
    assert np.isfinite(depth).all()
    assert (depth > 0.2).all()


def test_depths_alone_are_given_in_no_vertical_system(tmp_path: Path) -> None:
    site = without_levels(tmp_path / "site", "EPSG:5703")
    with Workspace(tmp_path / "out").build(crs="EPSG:32617+5703") as sink:
        (result,) = run_sites([site], sink=sink)
    assert isinstance(result, SiteFailure)
    assert "depths only, no levels" in result.message
