"""What `clearance`, `zones` and `export` refuse, and in which words: never 70, never in silence."""

from __future__ import annotations

import errno
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import ezdxf
import pytest

from lateralline.output import proof
from tests.support.command import run

FOOT, PIPE_M = 0.3048, 0.08


def write(path: Path, *features: tuple[str, object, dict]) -> Path:
    made = [
        {"type": "Feature", "geometry": {"type": kind, "coordinates": at}, "properties": cells}
        for kind, at, cells in features
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": made}))
    return path


def box(x0: float, y0: float, x1: float, y1: float) -> list:
    return [[[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]]]


@pytest.fixture
def foot_sketch(make_record, tmp_path: Path) -> Path:
    """A pipe 20 m long on axes of its own, which the crew taped in feet."""
    return taped(make_record(tmp_path / "a.gpkg", crs=None, middle=(0.0, 0.0)), "ft")


def taped(record: Path, *units: str) -> Path:
    with closing(sqlite3.connect(record)) as db, db:
        db.execute("DELETE FROM lineage WHERE item = 'unit of tape'")
        for unit in units:
            db.execute(
                "INSERT INTO lineage (site_id, topic, item, value) VALUES ('S1', 'settings', "
                "'unit of tape', ?)",
                (unit,),
            )
    return record


# ---- plans on a sketch's own axes ----------------------------------------------------------


def test_a_plan_over_a_foot_sketch_counts_in_feet(foot_sketch: Path, tmp_path: Path) -> None:
    """A trench 2 ft beside the axis; taken for metres it would stand 2 m off."""
    at = box(-6, 2, 6, 5)
    works = write(tmp_path / "p.geojson", ("Polygon", at, {"kind": "trench", "depth_ft": 9}))
    options = ("--required", "12in", "--plan-crs", "local", "--json")
    result = run("clearance", foot_sketch, works, *options)
    (pair,) = json.loads(result.output)["pairs"]
    assert pair["separation_m"] == pytest.approx(2 * FOOT - PIPE_M, abs=1e-6)
    said = json.loads(result.output)["notes"]
    assert any("taken in ft, the unit the sketch was taped in" in note for note in said)


def test_the_unit_said_goes_before_the_sketch_s(foot_sketch: Path, tmp_path: Path) -> None:
    at = box(-6, 0.6, 6, 1)
    works = write(tmp_path / "p.geojson", ("Polygon", at, {"kind": "trench", "depth_m": 3}))
    options = ("--required", "0.3m", "--plan-crs", "local", "--plan-unit", "m", "--json")
    (pair,) = json.loads(run("clearance", foot_sketch, works, *options).output)["pairs"]
    assert pair["separation_m"] == pytest.approx(0.6 - PIPE_M, abs=1e-6)


def test_a_bore_s_levels_on_a_sketch_count_in_its_unit(foot_sketch: Path, tmp_path: Path) -> None:
    """The pipe's axis is at 98 m; 1 m below it the bore is at 97 m = 318.24 ft."""
    z = 97.0 / FOOT
    line = [[0, -30, z], [0, 30, z]]
    works = write(tmp_path / "p.geojson", ("LineString", line, {"kind": "bore", "radius_m": 0.1}))
    options = ("--required", "1in", "--plan-crs", "local", "--plan-levels", "same", "--json")
    (pair,) = json.loads(run("clearance", foot_sketch, works, *options).output)["pairs"]
    assert pair["separation_m"] == pytest.approx(1.0 - 0.1 - PIPE_M, abs=1e-6)


def test_a_drawing_s_own_unit_goes_before_the_sketch_s(foot_sketch: Path, tmp_path: Path) -> None:
    drawing = ezdxf.new()
    drawing.header["$INSUNITS"] = 1  # inches
    drawing.modelspace().add_lwpolyline(
        [(-60, 24), (60, 24), (60, 48), (-60, 48)], close=True, dxfattribs={"layer": "T"}
    )
    drawing.saveas(tmp_path / "p.dxf")
    options = ("--required", "1in", "--plan-crs", "local", "--dxf-layer", "T=trench,depth_m=3")
    result = run("clearance", foot_sketch, tmp_path / "p.dxf", *options, "--json")
    (pair,) = json.loads(result.output)["pairs"]
    assert pair["separation_m"] == pytest.approx(24 * 0.0254 - PIPE_M, abs=1e-6)


def test_sketches_of_several_units_have_none_to_take(foot_sketch: Path, tmp_path: Path) -> None:
    at = box(-6, 2, 6, 5)
    works = write(tmp_path / "p.geojson", ("Polygon", at, {"kind": "trench"}))
    record = taped(foot_sketch, "ft", "m")
    result = run("clearance", record, works, "--required", "12in", "--plan-crs", "local")
    assert result.exit_code == 2
    assert "--plan-unit ft" in result.output


# ---- options that do not apply -------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--plan-unit", "ft"), "leave --plan-unit out"),
        (("--dxf-layer", "A=trench"), "cannot be told by --dxf-layer"),
        (("--plan-levels", "same"), "the plan gives no levels"),
        (("--replace",), "nothing is written"),
    ],
)
def test_an_option_that_does_not_apply_is_refused(
    make_record, tmp_path: Path, options: tuple[str, ...], says: str
) -> None:
    record = make_record(tmp_path / "a.gpkg", crs="OGC:CRS84", per_metre=lambda xy: xy * 1e-5)
    at = box(0, 1e-5, 1e-5, 2e-5)
    works = write(tmp_path / "p.geojson", ("Polygon", at, {"kind": "trench", "depth_m": 1}))
    assert run("clearance", record, works, "--required", "0.3m").exit_code in (0, 1)
    result = run("clearance", record, works, "--required", "0.3m", *options)
    assert result.exit_code == 2, result.output
    assert says in result.output


def test_an_accuracy_is_not_stated_where_one_is_published(make_record, tmp_path: Path) -> None:
    """Nor on a sketch, which has no datum. OSGB36 to WGS 84: published to 2 m (EPSG:1314)."""
    record = make_record(
        tmp_path / "a.gpkg", crs="EPSG:27700", middle=(530_000.0, 180_000.0), site="S1"
    )
    at = box(-0.12, 51.5, -0.1199, 51.5001)
    works = write(tmp_path / "p.geojson", ("Polygon", at, {"kind": "trench", "depth_m": 1}))
    result = run("clearance", record, works, "--required", "0.3m", "--shift-accuracy", "1m")
    assert result.exit_code == 2
    assert "--shift-accuracy does not apply" in result.output
    assert run("clearance", record, works, "--required", "0.3m").exit_code in (0, 1)
    sketch = make_record(tmp_path / "b.gpkg", crs=None, middle=(0.0, 0.0))
    local = ("--plan-crs", "local", "--shift-accuracy", "1m", "--required", "0.3m")
    near = write(tmp_path / "q.geojson", ("Polygon", box(0, 1, 1, 2), {"kind": "trench"}))
    result = run("clearance", sketch, near, *local)
    assert result.exit_code == 2
    assert "--shift-accuracy does not apply" in result.output


def test_a_drawing_has_no_attributes_to_name(make_record, tmp_path: Path) -> None:
    ezdxf.new().saveas(tmp_path / "p.dxf")
    record = make_record(tmp_path / "a.gpkg")
    options = ("--required", "0.3m", "--plan-crs", "EPSG:32617", "--column", "depth_m=TIEFE")
    result = run("clearance", record, tmp_path / "p.dxf", *options)
    assert result.exit_code == 2
    assert "cannot be named by --column" in result.output


def test_kml_has_no_plot_scale(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    result = run("export", record, "-o", tmp_path / "a.kml", "--scale", "100")
    assert result.exit_code == 2
    assert "plot scale" in result.output


# ---- shapes of a plan ----------------------------------------------------------------------


def test_shapes_of_too_few_points_are_faults_that_name_them(make_record, tmp_path: Path) -> None:
    works = write(
        tmp_path / "p.geojson",
        ("Polygon", [[[0, 0]]], {"kind": "trench", "depth_m": 1}),
        ("LineString", [[0, 0]], {"kind": "bore", "diameter_m": 0.1}),
    )
    result = run("clearance", make_record(tmp_path / "a.gpkg"), works, "--required", "0.3m")
    assert result.exit_code == 2, result.output
    assert "p.geojson:1: geometry must be there" in result.output
    assert "p.geojson:2: geometry must be there" in result.output


@pytest.mark.filterwarnings("ignore:Non closed ring:RuntimeWarning")
def test_an_open_ring_is_closed_and_said(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", crs="OGC:CRS84", per_metre=lambda xy: xy * 1e-5)
    ring = box(0, 1e-5, 1e-5, 2e-5)[0][:-1]
    works = write(tmp_path / "p.geojson", ("Polygon", [ring], {"kind": "trench", "depth_m": 3}))
    result = run("clearance", record, works, "--required", "0.3m", "--json")
    assert result.exit_code in (0, 1), result.output
    said = json.loads(result.output)
    assert len(said["pairs"]) == 1
    assert "Outlines that do not end where they begin were closed: p.geojson:1." in said["notes"]


def test_an_entity_without_a_layer_is_left_and_said(make_record, tmp_path: Path) -> None:
    """An entity of a type nobody knows stands in the drawing as raw tags, with no layer."""
    drawing = ezdxf.new()
    for y in (1.0, 2.0):
        drawing.modelspace().add_line(
            (499_995, 4_650_000 + y), (500_005, 4_650_000 + y), dxfattribs={"layer": "BORE"}
        )
    drawing.saveas(tmp_path / "p.dxf")
    text = (tmp_path / "p.dxf").read_text().replace("\nLINE\n", "\nUNHEARD\n", 1)
    (tmp_path / "p.dxf").write_text(text)
    options = ("--plan-crs", "EPSG:32617", "--dxf-layer", "BORE=bore,diameter_m=0.1,depth_m=1")
    record = make_record(tmp_path / "a.gpkg")
    result = run("clearance", record, tmp_path / "p.dxf", "--required", "0.3m", *options, "--json")
    assert result.exit_code in (0, 1), result.output
    said = json.loads(result.output)
    assert len(said["pairs"]) == 1
    assert "On no layer: 1 entities not looked at." in said["notes"]


# ---- files ---------------------------------------------------------------------------------


def test_a_locked_record_is_said_to_be_locked(
    make_record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proof, "LOCKED_FOR_S", 0.05)
    record = make_record(tmp_path / "a.gpkg")
    works = write(tmp_path / "p.geojson", ("Point", [-81.0, 42.0], {"radius_m": 0.1}))
    with closing(sqlite3.connect(record, isolation_level=None)) as db:
        db.execute("BEGIN EXCLUSIVE")
        for command in (
            ("clearance", record, works, "--required", "0.3m"),
            ("zones", record, "--rule", "cga", "-o", tmp_path / "z"),
            ("export", record, "-o", tmp_path / "a.dxf"),
        ):
            result = run(*command)
            assert result.exit_code == 2, result.output
            assert "is locked by another program" in result.output
    assert run("zones", record, "--rule", "cga", "-o", tmp_path / "z").exit_code == 0


def test_what_is_no_geopackage_is_said_to_be_none(tmp_path: Path) -> None:
    (tmp_path / "a.gpkg").write_text("no database at all, though it is called one" * 40)
    result = run("zones", tmp_path / "a.gpkg", "--rule", "cga", "-o", tmp_path / "z")
    assert result.exit_code == 2
    assert "is no GeoPackage" in result.output


def test_a_full_disk_leaves_nothing_and_is_told(
    make_record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = make_record(tmp_path / "a.gpkg")
    works = write(tmp_path / "p.geojson", ("Point", [-81.0, 42.0], {"radius_m": 0.1}))

    def full(path: Path, *rest: object, **more: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def full_database(path: object, *rest: object, **more: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    for where, broken, why in (
        ("pathlib.Path.write_text", full, "No space left on device"),
        ("lateralline.write.geopackage._describe", full_database, "database or disk is full"),
    ):
        with monkeypatch.context() as patched:
            patched.setattr(where, broken)
            for command in (
                ("zones", record, "--rule", "cga", "-o", tmp_path / "z"),
                ("clearance", record, works, "--required", "0.3m", "-o", tmp_path / "c"),
            ):
                result = run(*command)
                assert result.exit_code == 2, result.output
                assert f"failed: {why}; nothing was put in place" in result.output
    assert {p.name for p in tmp_path.iterdir()} == {"a.gpkg", "p.geojson"}


def test_cards_that_are_not_printed_have_no_paper(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    for option, says in ((("--paper", "letter"), "no cards are printed"),
                         (("--replace",), "nothing is written")):  # fmt: skip
        result = run("ties", record, *option)
        assert result.exit_code == 2
        assert says in result.output


def test_import_points_refuses_what_does_not_apply(tmp_path: Path) -> None:
    points = write(tmp_path / "p.geojson", ("Point", [-81.0, 42.0], {"name": "1"}))
    result = run("import-points", points, "--order", "pnezd", "--dry-run", "--replace")
    assert result.exit_code == 2
    assert "--order does not apply: no file here is read as text" in result.output
    assert "--replace does not apply: --dry-run writes nothing" in result.output
