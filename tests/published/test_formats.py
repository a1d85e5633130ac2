"""Outputs against published standards, by validators made elsewhere.

GeoPackage: OGC 12-128r17 (version 1.3) by GDAL's own validator, `validate_gpkg` of gdal-utils.
It is installed with `pip install --no-deps gdal-utils`, because the package depends on GDAL's
bindings, which this validator does not need.
GeoJSON: RFC 7946 by geojson-pydantic and geojson-validator, and what neither looks at by the
checks of tests/write/test_geojson.py. JSON Schema: draft 2020-12 by jsonschema.
"""

from __future__ import annotations

import importlib.util
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from copy import deepcopy
from pathlib import Path
from typing import Any

import geojson_pydantic
import geojson_validator
import jsonschema
import pytest

from lateralline import contract
from lateralline.workspace import Workspace
from tests.support.command import built, written

MakeSite = Callable[..., Any]
SITES: dict[str, dict[str, Any]] = {
    "relative levels": {},
    "named levels": {"vertical": "EPSG:5703"},
    "ellipsoidal heights": {"vertical": "ellipsoidal"},
    "US survey feet": {
        "horizontal": "EPSG:2263",
        "vertical": "EPSG:6360",
        "x": 985_000.0,
        "y": 200_000.0,
    },
    "geographic": {"horizontal": "EPSG:4326", "x": -80.0, "y": 41.0},
    "sketch": {"horizontal": "local", "x": 0.0, "y": 0.0},
}


@pytest.fixture(params=list(SITES), scope="module")
def workspace(
    request: pytest.FixtureRequest, make_site: MakeSite, tmp_path_factory: pytest.TempPathFactory
) -> Workspace:
    sites = [make_site(site_id, **SITES[request.param]) for site_id in ("EX-1", "EX-2")]
    return written(tmp_path_factory.mktemp("formats") / "out", *sites)


def validate_geopackage(path: Path) -> None:
    """Run GDAL's validator with every check it has; warnings count as errors."""
    if importlib.util.find_spec("osgeo_utils") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("gdal-utils is missing: pip install --no-deps gdal-utils")
        pytest.skip("needs gdal-utils: pip install --no-deps gdal-utils")
    options = ["-k", "--extra", "--warning-as-error"]
    command = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", *options, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, ""), done.stdout + done.stderr


def test_geopackage_passes_gdals_validator(workspace: Workspace) -> None:
    validate_geopackage(workspace.asbuilt)


def test_geopackage_with_mixed_levels_passes_too(make_site: MakeSite, tmp_path: Path) -> None:
    """Its CRS was redefined after writing: compound, then 3-D projected, into the plan alone."""
    for vertical in ("EPSG:5703", "ellipsoidal"):
        sites = make_site("EX-1", vertical=vertical), make_site("EX-2")
        validate_geopackage(built(tmp_path / vertical.replace(":", ""), *sites))


def test_the_validator_can_fail(make_site: MakeSite, tmp_path: Path) -> None:
    """A check that cannot fail proves nothing: damage the file and look again."""
    gpkg = built(tmp_path / "out", make_site())
    with closing(sqlite3.connect(gpkg)) as db, db:
        db.execute("UPDATE gpkg_data_column_constraints SET constraint_type = 'any'")
    with pytest.raises(AssertionError, match="Req 108"):
        validate_geopackage(gpkg)


def test_geojson_passes_three_validators(workspace: Workspace) -> None:
    paths = list(workspace.folder.glob("geojson/*.geojson"))
    sketch = json.loads(workspace.manifest.read_text())["crs"] is None
    assert len(paths) == (0 if sketch else len(contract.LAYERS))
    for path in paths:
        layer = json.loads(path.read_text(encoding="utf-8"))
        assert "crs" not in layer  # RFC 7946, section 4
        geojson_pydantic.FeatureCollection.model_validate(layer)
        assert geojson_validator.validate_structure(layer) == {}
        report = geojson_validator.validate_geometries(deepcopy(layer))  # 0.6 nests points deeper
        assert report["invalid"] == {}
        # It calls a seventh decimal (0.01 m) too precise, and names holes and heights: ours.
        ours = {"excessive_coordinate_precision", "holes", "3d_coordinates"}
        assert set(report["problematic"]) <= ours
        schema = json.loads(workspace.json_schema(path.stem).read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.Draft202012Validator(schema).validate(layer)
