"""The GeoPackage says what its columns mean, claims no CRS it has not, and reads back."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import fiona
import pyogrio
import pytest

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.record import layers
from lateralline.write import geopackage, read_back
from lateralline.write.geopackage import GeoPackageSink
from tests.support.command import ask

MakeSite = Callable[..., Any]
STAMP = datetime(2026, 5, 7, 12, tzinfo=UTC)


def tables_of(site: Any) -> dict[str, Any]:
    return layers.to_tables(site.products, site.record, site.frame)


def write(path: Path, *sites: Any, **closing_options: Any) -> GeoPackageSink:
    sink = GeoPackageSink(path, sites[0].frame.horizontal, stamp=STAMP)
    for site in sites:
        sink.append(tables_of(site))
    sink.close(**closing_options)
    return sink


def test_every_layer_has_title_caution_and_version(make_site: MakeSite, tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    write(path, make_site(), remark="Levels: relative.")
    assert ask(path, "PRAGMA user_version") == [(10300,)]  # GeoPackage 1.3
    rows = ask(path, "SELECT table_name, identifier, description, last_change FROM gpkg_contents")
    rows = [r for r in rows if r[0] != "layer_styles"]  # see test_styles.py
    assert {r[0] for r in rows} == set(contract.LAYERS)
    for name, title, description, changed in rows:
        table = contract.load(name)
        assert title == table.title
        assert description.startswith(table.description)
        assert table.caution in description
        assert description.endswith("Levels: relative.")
        assert changed == "2026-05-07T12:00:00.000Z"


def test_one_site_of_many_is_found_by_an_index(make_site: MakeSite, tmp_path: Path) -> None:
    """SQLite's own plan of a read of one site, layer by layer."""
    path = tmp_path / "a.gpkg"
    write(path, make_site())
    for name in contract.LAYERS:
        (plan,) = ask(path, f"EXPLAIN QUERY PLAN SELECT * FROM {name} WHERE site_id = 'X'")
        assert f"USING INDEX {name}_site_id" in plan[-1], plan


def test_features_that_guide_digging_carry_the_caution_and_no_others() -> None:
    """So do lines, which registers take in. The others have it once, above, if they show pipe."""
    every = {*contract.LAYERS, *contract.OVERLAYS}
    guides = {"pipe_centreline", "tolerance_zone", "tolerance_zone_merged", "position_corridor",
              "clearance_conflicts",
              "clearance_pairs", "planned_works", "unlocated", "tie_tapes", "record_changes",
              "record_departures", "register_matches", "register_moves",
              "main_connections"}  # fmt: skip
    assert {name for name in every if "caution" in contract.load(name).names} == guides
    assert {name for name in every if not contract.load(name).caution} == {
        "adjusted_parameters", "accuracy_evidence", "lineage",
    }  # fmt: skip


def test_columns_are_explained_and_constrained(make_site: MakeSite, tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    write(path, make_site())
    columns = ask(path, "SELECT table_name, column_name, title, description FROM gpkg_data_columns")
    declared = [(n, c.name, c.title) for n in contract.LAYERS for c in contract.load(n).field]
    assert sorted(c[:3] for c in columns) == sorted(declared)
    described = {c[:2]: c[3] for c in columns}
    assert described["transmitter_fixes", "transmitter_depth_m"].endswith("Unit: m.")
    values = ask(
        path,
        "SELECT value, c.description FROM gpkg_data_column_constraints c JOIN gpkg_data_columns d "
        "USING (constraint_name) WHERE table_name = 'pipe_segments' AND column_name = 'shape' "
        "ORDER BY c.rowid",
    )
    shape = contract.load("pipe_segments").column("shape")
    assert values == [(v.value, v.description) for v in shape.values]
    (bounds,) = ask(
        path,
        "SELECT min, min_is_inclusive, max, max_is_inclusive FROM gpkg_data_column_constraints "
        "WHERE constraint_name = 'pipe_centreline.inside_diameter_m'",
    )
    assert bounds == (0.0, 0, float("inf"), 1)


def test_a_sketch_is_undefined_cartesian_everywhere(make_site: MakeSite, tmp_path: Path) -> None:
    """srs_id −1 in the tables and in the header of every geometry (bytes 4–7)."""
    path = tmp_path / "a.gpkg"
    sites = (make_site(name, horizontal="local", x=0.0, y=0.0) for name in ("EX-1", "EX-2"))
    write(path, *sites)
    assert set(ask(path, "SELECT srs_id FROM gpkg_geometry_columns")) == {(-1,)}
    spatial = "SELECT srs_id FROM gpkg_contents WHERE data_type = 'features'"
    assert set(ask(path, spatial)) == {(-1,)}
    blobs = ask(path, "SELECT geom FROM pipe_nodes WHERE geom IS NOT NULL")
    assert len(blobs) == 8
    assert {int.from_bytes(b[4:8], "little", signed=True) for (b,) in blobs} == {-1}


@pytest.mark.parametrize("vertical", ["none", "ellipsoidal", "EPSG:5703", "EPSG:6360"])
def test_layers_are_in_the_horizontal_crs_by_its_code(
    make_site: MakeSite, tmp_path: Path, vertical: str
) -> None:
    """Whatever levels count from: a join in a spatial database needs srid 32617 on both sides."""
    path = tmp_path / "a.gpkg"
    sink = write(path, make_site(vertical=vertical))
    assert ask(path, "SELECT DISTINCT srs_id FROM gpkg_geometry_columns") == [(32617,)]
    assert ask(path, "SELECT organization, organization_coordsys_id FROM gpkg_spatial_ref_sys "
               "WHERE srs_id > 0 AND srs_id <> 4326") == [("EPSG", 32617)]  # fmt: skip
    assert pyogrio.read_info(path, layer="pipe_nodes")["crs"] == "EPSG:32617"
    with fiona.open(path, layer="pipe_nodes") as layer:
        assert layer.crs.to_epsg() == 32617
    read_back.check(path, sink.tallies, "WGS 84 / UTM zone 17N")


@pytest.mark.parametrize(("limit", "at"), [("BATCH_ROWS", 10), ("BATCH_SITES", 2)])
def test_sites_are_appended_in_batches(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: str, at: int
) -> None:
    """What waits in memory is bounded, whatever the number of sites; no row is lost."""
    monkeypatch.setattr(geopackage, limit, at)
    path = tmp_path / "a.gpkg"
    sites = [make_site(f"EX-{i}") for i in range(7)]
    sink = GeoPackageSink(path, sites[0].frame.horizontal, stamp=STAMP)
    most = 0
    for site in sites:
        sink.append(tables_of(site))
        most = max(most, sink.waiting_rows("pipe_nodes"))
    assert most < 10
    sink.close()
    rows = ask(path, "SELECT site_id, count(*) FROM pipe_nodes GROUP BY site_id")
    assert rows == [(f"EX-{i}", 4) for i in range(7)]
    read_back.check(path, sink.tallies, "WGS 84 / UTM zone 17N")


def test_layers_without_rows_are_there_with_their_columns(
    make_site: MakeSite, tmp_path: Path
) -> None:
    path = tmp_path / "a.gpkg"
    sink = write(path, make_site(rows=0))
    read_back.check(path, sink.tallies, "WGS 84 / UTM zone 17N")
    assert pyogrio.read_info(path, layer="tolerance_zone")["features"] == 0


@pytest.mark.parametrize(
    ("damage", "complaint"),
    [
        ("DELETE FROM findings WHERE fid = 1", "findings: .*rows=3"),
        ("ALTER TABLE lineage RENAME COLUMN remark TO remarks", "lineage: columns"),
        (
            "UPDATE gpkg_geometry_columns SET z = 0 WHERE table_name = 'pipe_nodes'",
            "pipe_nodes: geo",
        ),
    ],
)
def test_what_reads_back_otherwise_is_an_error(
    make_site: MakeSite, tmp_path: Path, damage: str, complaint: str
) -> None:
    path = tmp_path / "a.gpkg"
    sink = write(path, make_site())
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(damage)
    with pytest.raises(ReadBackError, match=complaint):
        read_back.check(path, sink.tallies, "WGS 84 / UTM zone 17N")


def test_a_coordinate_that_moved_is_found(make_site: MakeSite, tmp_path: Path) -> None:
    """One bit of one ordinate is enough."""
    path = tmp_path / "a.gpkg"
    sink = write(path, make_site())
    sink.tallies["pipe_nodes"].box[1, 0] += 1e-9
    with pytest.raises(ReadBackError, match="pipe_nodes"):
        read_back.check(path, sink.tallies, "WGS 84 / UTM zone 17N")


@pytest.mark.parametrize("meant", [None, "WGS 84 / UTM zone 19N"])
def test_another_crs_than_meant_is_found(
    make_site: MakeSite, tmp_path: Path, meant: str | None
) -> None:
    path = tmp_path / "a.gpkg"
    sink = write(path, make_site())
    with pytest.raises(ReadBackError, match=f"CRS WGS 84 / UTM zone 17N, meant {meant}"):
        read_back.check(path, sink.tallies, meant)
