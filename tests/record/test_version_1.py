"""Records of version 1 of the schemas are read as they are, by everything that stands on a record.

The record and the clearance were written by a program of version 1 (`tests/support/v1`).
"""

from __future__ import annotations

import json
import lzma
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from typer.testing import CliRunner

import lateralline
from lateralline import contract, renamed
from lateralline.catalogue import catalogue
from lateralline.cli import app
from lateralline.errors import UnreadableError
from lateralline.overlay.as_built import open_as_built
from lateralline.record.exported import _of_geojson
from lateralline.record.lineage import SCHEMA, schema_version_of
from lateralline.record.reading import read_layer
from lateralline.record.view import read_record
from tests.support.places import ROOT, SAMPLES

V1 = ROOT / "tests" / "support" / "v1"
PLAN = SAMPLES / "planned-works" / "quarry-plan.geojson"


def unpacked(name: str, folder: Path) -> Path:
    path = folder / name
    path.write_bytes(lzma.decompress((V1 / f"{name}.xz").read_bytes()))
    return path


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return unpacked("record.gpkg", tmp_path)


def test_every_layer_has_the_names_of_today_and_the_figures_of_then(record: Path) -> None:
    assert schema_version_of(record) == 1
    for name in contract.LAYERS:
        table = renamed.layer_of_v1(name) or name
        if table not in {str(n) for n, _ in pyogrio.list_layers(record)}:
            continue
        then, now = pyogrio.read_dataframe(record, layer=table), read_layer(record, name)
        columns = renamed.layer_columns(name)
        assert len(now) == len(then)
        placed = [c for c in now.columns if c != "geometry" or c in then]  # findings were a table
        assert [columns.get(c, c) for c in then.columns] == placed
        gone = (set(columns) | set(then.columns)) - set(contract.load(name).names) - {"geometry"}
        assert not gone & set(now.columns) - {"caution"}, name
        for old, new in columns.items():
            if then[old].dtype.kind in "fi":
                np.testing.assert_array_equal(then[old].to_numpy(), now[new].to_numpy())
        for column, values in renamed.layer_values(name).items():
            if column not in now:
                continue
            assert not set(values) & set(now[column])
            known = contract.load(name).column(column).enum
            if column == "code":
                known = tuple(catalogue().entries)
            assert not known or set(filter(None, now[column])) <= set(known)


def test_a_record_of_version_1_is_seen_as_one_of_today(record: Path) -> None:
    view = read_record(record)
    assert {fix.status for fix in view.fixes} <= {"located", "weak", "two_positions", "not_located"}
    assert any(fix.status == "located" for fix in view.fixes)
    assert all(fix.transmitter_depth_m > 0 for fix in view.fixes if fix.status == "located")
    assert all(line.gradient == line.gradient for line in view.centrelines)
    assert any(node.kind == "end_located" for node in view.nodes)
    assert len(view.layers["tolerance_zone"])
    assert view.box[2] - view.box[0] > 5
    assert open_as_built(record).sites == ("QH-022",)
    layer = lateralline.load(record).layers["tolerance_zone"]
    assert set(layer["zone"]) == {"as_located", "with_corridor"}


def corners(record: Path) -> Path:
    """Return a file of points to tape from about the record's site."""
    west, south, east, north = pyogrio.read_dataframe(record, layer="pipe_nodes").total_bounds
    places = ((west, south), (east, south), (west, north), (east, north), (west - 4, south - 4))
    path = record.with_name("corners.csv")
    rows = [f"C{n},{x:.3f},{y:.3f},0.02" for n, (x, y) in enumerate(places)]
    path.write_text("\n".join(["point,x,y,sigma_h", *rows, ""]), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("arguments", "made"),
    [
        (["sheet"], "out.pdf"),
        (["page"], "out.html"),
        (["ties", "--points", "CORNERS"], "out.pdf"),
        (["export"], "out.dxf"),
        (["export"], "out.kml"),
        (["zones", "--rule", "cga"], "out"),
        (["clearance", str(PLAN), "--required", "0.3m"], "out"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_every_command_takes_it(
    record: Path, tmp_path: Path, arguments: list[str], made: str
) -> None:
    command, *rest = [str(corners(record)) if a == "CORNERS" else a for a in arguments]
    result = CliRunner().invoke(app, [command, str(record), *rest, "-o", str(tmp_path / made)])
    assert result.exit_code in ((0, 1) if command == "clearance" else (0,)), result.output
    assert (tmp_path / made).exists()


def test_a_page_shows_a_clearance_of_version_1(record: Path, tmp_path: Path) -> None:
    clearance = unpacked("clearance.gpkg", tmp_path)
    out = tmp_path / "out.html"
    given = ["page", str(record), "--clearance", str(clearance), "-o", str(out)]
    result = CliRunner().invoke(app, given)
    if "another record" in result.output:  # it names the record it was made of by its digest
        pytest.fail(result.output)
    assert result.exit_code == 0, result.output
    assert "no conflict shown" in out.read_text(encoding="utf-8")


def test_a_clearance_of_version_1_goes_into_drawings_with_its_record(
    record: Path, tmp_path: Path
) -> None:
    clearance = unpacked("clearance.gpkg", tmp_path)
    conflicts = pyogrio.read_dataframe(clearance, layer="clearance_conflicts")["work_name"]
    assert "cable trench" in set(conflicts)
    for made in ("out.dxf", "out.kml"):
        given = ["export", str(record), str(clearance), "-o", str(tmp_path / made)]
        result = CliRunner().invoke(app, given)
        assert result.exit_code == 0, result.output
        text = (tmp_path / made).read_text(encoding="utf-8", errors="replace")
        assert [name for name in set(conflicts) if name not in text] == []


def test_longitudes_of_version_1_are_read_under_the_names_of_today(tmp_path: Path) -> None:
    """GeoJSON files beside a GeoPackage are read by name of layer, columns and values."""
    given = {"zone": "tolerance", "frame_shift_95_m": 0.5, "site_id": "A"}
    square = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}
    collection = {"features": [{"geometry": square, "properties": given}]}
    path = tmp_path / "dig_zone.geojson"
    path.write_text(json.dumps(collection), encoding="utf-8")
    (feature,) = _of_geojson("tolerance_zone", path, ())
    assert vars(feature.row) == {"zone": "as_located", "crs_shift_95_m": 0.5, "site_id": "A"}


def test_a_record_of_a_later_version_is_refused_by_its_version(record: Path) -> None:
    with closing(sqlite3.connect(record)) as db, db:
        row = dict.fromkeys(("site_id", "topic", "item", "value"), "")
        row |= {"site_id": "QH-022", "topic": "software", "item": SCHEMA, "value": "3"}
        db.execute(
            f"INSERT INTO lineage ({', '.join(row)}) VALUES (?, ?, ?, ?)", tuple(row.values())
        )
    for read in (read_record, open_as_built):
        with pytest.raises(UnreadableError, match="version 3 of the schemas"):
            read(record)


def test_what_is_built_today_says_its_version(practice: dict[str, Path]) -> None:
    assert {schema_version_of(gpkg) for gpkg in practice.values()} == {contract.SCHEMA_VERSION}
