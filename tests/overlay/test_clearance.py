"""`lateralline clearance` end to end: records and plans of stated place, so answers are known."""

from __future__ import annotations

import csv
import html
import json
import re
import shutil
import subprocess
import sys
from math import hypot
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from scipy.stats import norm
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.errors import FrameError
from lateralline.overlay.as_built import open_as_built
from lateralline.overlay.files import columns_of
from lateralline.overlay.plan_files import read_plan
from lateralline.overlay.planned import Options
from lateralline.overlay.run import Comparison, compare
from tests.support.places import SAMPLES

MIDDLE = np.array([500_000.0, 4_650_000.0])
#: Ground metres in a grid metre here: the central meridian of UTM.
GROUND = 1 / 0.9996
Z95, PIPE = 1.959964, 0.08


def to_degrees(xy: np.ndarray) -> np.ndarray:
    way = pyproj.Transformer.from_crs("EPSG:32617", "OGC:CRS84", always_xy=True)
    return np.column_stack(way.transform(*(xy + MIDDLE).T))


def run(*arguments: object):
    return CliRunner().invoke(app, ["clearance", *map(str, arguments)])


def lifted(way):
    """Return a way of (n, 2) as one of (n, 3) too, z as it is."""
    return lambda xyz: np.column_stack([way(xyz[:, :2]), xyz[:, 2:]])


def write_plan(path: Path, rows: list[dict], crs: object = "EPSG:32617", move=MIDDLE) -> Path:
    """Write works given in metres from the record's middle."""
    way = move if callable(move) else lambda xy: xy + move
    shapes = [
        shapely.transform(r["geometry"], lifted(way), include_z=r["geometry"].has_z) for r in rows
    ]
    flat = [{k: v for k, v in r.items() if k != "geometry"} for r in rows]
    frame = gpd.GeoDataFrame(flat, geometry=shapes, crs=crs)
    pyogrio.write_dataframe(frame, path)
    return path


def rows_of(record: Path, plan: Path, **given) -> list[dict]:
    options = Options(required_m=given.pop("required_m", 0.3), **given.pop("options", {}))
    return rows_in(compare(open_as_built(record), read_plan(plan, options), **given))


def rows_in(made: Comparison) -> list[dict]:
    columns = columns_of("clearance_pairs", made.pairs)
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def trench(**given) -> dict:
    return {"kind": "trench", "name": "T", "geometry": shapely.box(-1, 0.6, 1, 5)} | given


def post(x: float, y: float, **given) -> dict:
    return {"kind": "post", "name": "P", "radius_m": 0.1, "geometry": shapely.Point(x, y)} | given


# ---- separation and bound ------------------------------------------------------------------


def test_a_trench_beside_the_pipe(make_record, tmp_path: Path) -> None:
    """Deep trench: the wall stands 0.6 m off. σ in plan alone counts: 1.96 × 0.05 m."""
    record = make_record(tmp_path / "a.gpkg")
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)])
    (row,) = rows_of(record, plan)
    assert row["separation_m"] == pytest.approx(0.6 * GROUND - PIPE, abs=1e-4)
    assert row["separation_lower_95_m"] == pytest.approx(0.6 * GROUND - PIPE - Z95 * 0.05, abs=1e-3)
    assert row["levels_by"] == "depth_below_ground"
    below = norm.cdf((0.3 - row["separation_m"]) / 0.05)
    assert row["probability_below_required"] == pytest.approx(below, abs=1e-4)
    assert row["verdict"] == "no_conflict_shown"
    assert "no clearance to dig" in row["what"]


def test_a_trench_above_the_pipe_by_depth(make_record, tmp_path: Path) -> None:
    """Axis 1.5 m down, bottom 1.0 m down: σ is that of level and ground together."""
    record = make_record(tmp_path / "a.gpkg")
    over = trench(geometry=shapely.box(-1, -1, 1, 1), depth_m=1.0)
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [over]))
    sigma = hypot(0.04, 0.02)
    assert row["separation_m"] == pytest.approx(0.5 - PIPE, abs=1e-6)
    assert row["separation_sigma_m"] == pytest.approx(sigma, abs=1e-4)
    assert row["separation_lower_95_m"] == pytest.approx(0.42 - Z95 * sigma, abs=1e-3)
    assert row["pipe_axis_depth_m"] == pytest.approx(1.5)


def test_levels_of_a_named_system_count_as_levels(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", crs="EPSG:32617+5703")
    over = trench(geometry=shapely.box(-1, -1, 1, 1), level_m=98.5, depth_m=0.2)
    plan = write_plan(tmp_path / "p.gpkg", [over], crs="EPSG:32617+5703")
    (row,) = rows_of(record, plan)
    assert row["levels_by"] == "level"
    assert row["separation_m"] == pytest.approx(0.5 - PIPE, abs=1e-6)
    assert row["separation_sigma_m"] == pytest.approx(0.04, abs=1e-4)


def test_a_plan_s_levels_go_to_what_the_record_s_count_from(make_record, tmp_path: Path) -> None:
    """The file's CRS is horizontal: NAVD88 in metres and the ellipsoid stand in lineage alone."""
    over = trench(geometry=shapely.box(-1, -1, 1, 1), depth_m=0.2)
    ways = {
        "EPSG:5703": ("EPSG:32617+6360", MIDDLE, {"level_ft": 98.5 / 0.3048}),
        "ellipsoidal": ("EPSG:4979", to_degrees, {"level_m": 98.5}),
    }
    for n, (datum, (crs, move, level)) in enumerate(ways.items()):
        record = make_record(tmp_path / f"{n}.gpkg", datum=datum)
        plan = write_plan(tmp_path / f"p{n}.gpkg", [over | level], crs=crs, move=move)
        (row,) = rows_of(record, plan)
        assert row["levels_by"] == "level"
        assert row["separation_m"] == pytest.approx(0.5 - PIPE, abs=1e-6)


def test_levels_without_a_system_count_only_when_said_to(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    over = trench(geometry=shapely.box(-1, -1, 1, 1), level_m=98.5, depth_m=0.2)
    plan = write_plan(tmp_path / "p.gpkg", [over])
    assert rows_of(record, plan)[0]["levels_by"] == "depth_below_ground"
    assert rows_of(record, plan, plan_levels="same")[0]["levels_by"] == "level"
    assert rows_of(record, plan, plan_levels="none")[0]["separation_m"] == pytest.approx(1.22)


def test_a_bore_with_levels_crosses_below(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    line = shapely.LineString([(2, -8, 97.0), (2, 8, 97.4)])
    bore = {"kind": "bore", "name": "B", "diameter_in": 12, "geometry": line}
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [bore]), plan_levels="same")
    grade = 0.4 / (16 * GROUND)
    expected = 0.8 / hypot(1, grade) - 0.1524 - PIPE
    assert row["separation_m"] == pytest.approx(expected, abs=1e-5)
    assert row["chainage_m"] == pytest.approx(12.0 * GROUND, abs=0.02)


def test_no_depth_at_all_is_plan_only_and_said(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [post(0, 0.5)]))
    assert row["levels_by"] == "plan_only"
    assert row["separation_m"] == pytest.approx(0.5 * GROUND - 0.1 - PIPE, abs=1e-4)
    assert "in plan alone" in row["what"]


def test_a_site_of_depths_alone_is_held_by_depth(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", datum="depths only")
    over = trench(geometry=shapely.box(-1, -1, 1, 1), depth_m=1.0)
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [over]))
    assert row["separation_m"] == pytest.approx(0.5 - PIPE, abs=1e-6)
    assert row["separation_lower_95_m"] == pytest.approx(0.42 - Z95 * hypot(0.04, 0.02), abs=1e-3)
    assert np.isnan(row["pipe_axis_level_m"])


def test_the_plans_own_tolerance_and_requirement_are_taken_in(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0, tolerance_m=0.2, required_m=0.25)])
    (row,) = rows_of(record, plan)
    sigma = hypot(0.05, 0.2 / Z95)
    assert row["required_m"] == 0.25
    assert row["separation_lower_95_m"] == pytest.approx(
        0.6 * GROUND - PIPE - Z95 * sigma, abs=1e-3
    )


def test_a_pipe_through_a_trench_is_contact(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    over = trench(geometry=shapely.box(-1, -1, 1, 1), depth_m=2.5)
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [over]))
    assert row["separation_m"] == pytest.approx(-1.0 - PIPE, abs=1e-3)
    assert row["probability_contact"] > 0.999
    assert row["verdict"] == "conflict"
    assert "they may touch" in row["what"]


# ---- what is not known ---------------------------------------------------------------------


def test_an_undecided_stretch_counts_from_its_whole_corridor(make_record, tmp_path: Path) -> None:
    """The corridor is 0.8 m wide each side: a deep trench 1.2 m off is 0.4 m from it."""
    record = make_record(tmp_path / "a.gpkg", undecided=True, half_width=0.8)
    deep = trench(geometry=shapely.box(-1, 1.2, 1, 5), depth_m=3.0)
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [deep]))
    assert row["separation_m"] == pytest.approx(1.2 * GROUND - PIPE, abs=1e-4)
    assert row["separation_lower_95_m"] == pytest.approx(0.4 * GROUND - PIPE, abs=2e-3)
    assert row["shape"] == "undecided"
    assert np.isnan(row["probability_below_required"])
    assert "anywhere in its corridor" in row["what"]


def test_a_shallow_trench_over_an_undecided_stretch_counts_to_its_highest(
    make_record, tmp_path: Path
) -> None:
    record = make_record(tmp_path / "a.gpkg", undecided=True, half_width=0.8, sigma_level=0.1)
    over = trench(geometry=shapely.box(-1, -1, 1, 1), depth_m=0.8)
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [over]))
    assert row["separation_lower_95_m"] == pytest.approx(0.7 - Z95 * (0.1 + 0.02) - PIPE, abs=1e-3)


@pytest.mark.parametrize("given", [{"corridor": False, "undecided": True}, {"bounded": False,
                                    "undecided": True}, {"sigma_plan": float("nan"),
                                    "half_width": float("nan"), "corridor": False}])  # fmt: skip
def test_what_nothing_bounds_is_a_conflict(make_record, tmp_path: Path, given: dict) -> None:
    record = make_record(tmp_path / "a.gpkg", **given)
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [post(0, 2.0, depth_m=1.0)]))
    assert row["verdict"] == "conflict"
    assert np.isnan(row["separation_lower_95_m"])
    assert "nothing bounds" in row["what"]


def test_past_the_end_of_a_line_the_pipe_runs_on(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", joins="L0")
    along = trench(geometry=shapely.box(0, 1.0, 12, 2.0), depth_m=3.0, name="on past the end")
    short = trench(geometry=shapely.box(0, 1.0, 9, 2.0), depth_m=3.0, name="short of the end")
    works = [post(11, 0, name="up"), post(-11, 0, name="down"), along, short]
    rows = {r["work_name"]: r for r in rows_of(record, write_plan(tmp_path / "p.gpkg", works))}
    open_ends = {name for name, r in rows.items() if r["open_end"]}
    assert open_ends == {"up", "on past the end"}  # the downstream end is on another line
    for name, r in rows.items():
        assert (r["verdict"] == "conflict") == (name in open_ends)
        assert np.isnan(r["separation_lower_95_m"]) == (name in open_ends)
        assert ("the pipe runs on" in r["what"]) == (name in open_ends)


def test_an_unknown_diameter_is_a_wide_one_and_said(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", inside=float("nan"), outside=float("nan"))
    (row,) = rows_of(record, write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)]))
    assert row["separation_m"] == pytest.approx(0.6 * GROUND - 0.1, abs=1e-4)
    assert row["diameter_assumed"]
    assert "assumed" in row["what"]


# ---- frames --------------------------------------------------------------------------------


def local(lon: float, lat: float):
    crs = f"+proj=tmerc +lon_0={lon} +lat_0={lat} +ellps=GRS80 +k=1"
    return pyproj.CRS(crs)


@pytest.mark.parametrize("crs", ["EPSG:4269", "EPSG:3734", "EPSG:26917"])
def test_metres_are_those_of_the_ground_in_any_crs(make_record, tmp_path: Path, crs: str) -> None:
    """One scene, written in degrees, in US survey feet and in metres: the same separation."""
    way = pyproj.Transformer.from_crs(local(-82.0, 40.4), crs, always_xy=True)

    def to_crs(xy: np.ndarray) -> np.ndarray:
        return np.column_stack(way.transform(xy[:, 0], xy[:, 1]))

    record = make_record(tmp_path / "a.gpkg", crs=crs, per_metre=to_crs)
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)], crs=crs, move=to_crs)
    (row,) = rows_of(record, plan)
    assert row["separation_m"] == pytest.approx(0.52, abs=2e-4)
    assert row["separation_lower_95_m"] == pytest.approx(0.52 - Z95 * 0.05, abs=1e-3)
    out = tmp_path / "out"
    assert run(record, plan, "--required", "0.3m", "-o", out).exit_code == 0
    pairs = gpd.read_file(out / "clearance.gpkg", layer="clearance_pairs")
    assert pairs.crs == pyproj.CRS(crs)


def test_the_shift_between_two_datums_is_in_the_error_budget(make_record, tmp_path: Path) -> None:
    """NAD27 to WGS 84 is good to so much only; that accuracy is one σ on each axis."""
    way = pyproj.Transformer.from_crs("EPSG:32617", "EPSG:26717", always_xy=True)

    def to_nad27(xy: np.ndarray) -> np.ndarray:
        return np.column_stack(way.transform(*(xy + MIDDLE).T))

    assert np.abs(to_nad27(np.zeros((1, 2))) - MIDDLE).max() > 100.0
    record = make_record(tmp_path / "a.gpkg")
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)], crs="EPSG:26717", move=to_nad27)
    made = compare(open_as_built(record), read_plan(plan, Options(required_m=0.3)), search_m=20)
    (row,) = rows_in(made)
    assert row["crs_shift_sigma_m"] >= 0.1
    expected = row["separation_m"] - Z95 * hypot(0.05, row["crs_shift_sigma_m"])
    assert row["separation_lower_95_m"] == pytest.approx(expected, abs=2e-3)
    assert row["verdict"] == "conflict"
    assert any("taken in" in note for note in made.notes)


def test_a_bound_and_a_chance_do_not_contradict(make_record, tmp_path: Path) -> None:
    """4 m off in plan, a bore 0.5 m above the pipe is above it still."""
    record = make_record(tmp_path / "a.gpkg")
    line = shapely.LineString([(-1.0, -2.0), (1.0, 2.0)])
    bore = {"kind": "bore", "name": "B", "diameter_m": 0.06, "geometry": line, "depth_m": 0.9}
    plan = write_plan(tmp_path / "p.gpkg", [bore], crs="EPSG:26917")
    (row,) = rows_of(record, plan)
    assert row["crs_shift_sigma_m"] == 4.0
    assert 0.3 < row["separation_lower_95_m"] < 0.6 - 0.03 - PIPE - Z95 * 0.04
    assert np.isnan(row["probability_contact"])
    assert "how likely nobody can tell" in row["what"]
    over = trench(geometry=shapely.box(-1, -1, 1, 1), depth_m=1.5, name="into the pipe")
    near = write_plan(tmp_path / "q.gpkg", [over])
    said = run(record, near, "--required", "0.3m").output
    assert "≤ 0" in said
    assert " none " not in said


def test_no_shift_of_datum_is_not_called_exact(make_record, tmp_path: Path) -> None:
    """Realizations of WGS 84 differ by up to 2 m (EPSG datum 6326, as PROJ's database has it)."""
    record = make_record(tmp_path / "a.gpkg")
    for crs, move in (("EPSG:32617", MIDDLE), ("EPSG:4326", to_degrees)):
        plan = write_plan(tmp_path / f"{crs[5:]}.gpkg", [trench(depth_m=3.0)], crs=crs, move=move)
        works = read_plan(plan, Options(required_m=0.3))
        made = compare(open_as_built(record), works)
        (frame,) = [note for note in made.notes if note.startswith("Coordinate system")]
        assert "exact" not in frame
        assert "realizations differ by up to 2\xa0m" in frame
        stated = compare(open_as_built(record), works, given_sigma_m=0.5)
        assert stated.pairs[0].crs_shift_sigma_m == 0.5
        assert stated.pairs[0].separation_lower_95_m < made.pairs[0].separation_lower_95_m - 0.5
        (frame,) = [note for note in stated.notes if note.startswith("Coordinate system")]
        assert "taken in" in frame


def test_a_ballpark_shift_is_refused(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg")
    nowhere = "+proj=utm +zone=17 +ellps=bessel +units=m +no_defs"
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=1.0)], crs=nowhere)
    with pytest.raises(FrameError, match="ballpark"):
        rows_of(record, plan)


def test_a_sketch_takes_a_plan_on_its_own_axes_only(make_record, tmp_path: Path) -> None:
    record = make_record(tmp_path / "a.gpkg", crs=None, middle=(0.0, 0.0))
    mapped = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)])
    with pytest.raises(FrameError, match="sketch"):
        rows_of(record, mapped)


def test_levels_on_several_bases_are_never_the_same(make_record, tmp_path: Path) -> None:
    pipes = ({"site": "S1"}, {"site": "S2", "datum": "site zero"})
    record = make_record(tmp_path / "a.gpkg", pipes)
    plan = write_plan(tmp_path / "p.gpkg", [trench(level_m=98.0, depth_m=1.0)])
    with pytest.raises(FrameError, match="level bases"):
        rows_of(record, plan, plan_levels="same")
    assert {row["levels_by"] for row in rows_of(record, plan)} == {"depth_below_ground"}


# ---- the plan's faults ---------------------------------------------------------------------


def test_every_fault_of_a_plan_is_named_at_once(make_record, tmp_path: Path) -> None:
    bow = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    line = shapely.LineString([(0, 0), (1, 1)])
    columns = ("kind", "depth_m", "radius_m", "diameter_m", "level_ft", "geometry")
    bad = [
        ("trench", "1.2", None, None, None, bow),
        ("trench", "-1", None, None, None, shapely.box(0, 0, 1, 1)),
        ("tranch", "1", None, None, None, shapely.box(0, 0, 1, 1)),
        ("bore", "deep", None, None, None, line),
        ("bore", "1", None, None, None, line),
        ("post", "1", None, None, None, line),
        ("post", "1", "0", None, None, shapely.Point(0, 0)),
        ("pile", "1", "0.2", "0.3", None, shapely.Point(0, 0)),
        ("pile", "inf", "0.2", None, None, shapely.Point(0, 0)),
    ]
    plan = write_plan(tmp_path / "p.gpkg", [dict(zip(columns, row, strict=True)) for row in bad])
    result = run(make_record(tmp_path / "a.gpkg"), plan, "--required", "0.3m")
    assert result.exit_code == 2
    said = " ".join(result.output.split())
    for row in range(1, len(bad) + 1):
        assert f"p.gpkg:{row}:" in said, row
    assert 'got "tranch" — did you mean "trench"?' in said
    assert "half the diameter, 0.15 m" in said


def test_a_length_without_its_unit_is_a_fault(make_record, tmp_path: Path) -> None:
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth=3.0)])
    record = make_record(tmp_path / "a.gpkg")
    result = run(record, plan, "--required", "0.3m")
    assert result.exit_code == 2
    assert "--column depth_m=depth" in result.output
    assert run(record, plan, "--required", "0.3m", "--column", "depth_m=depth").exit_code == 0


def test_no_required_clearance_is_no_default_but_a_fault(make_record, tmp_path: Path) -> None:
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)])
    result = run(make_record(tmp_path / "a.gpkg"), plan)
    assert result.exit_code == 2
    assert "--required" in result.output


@pytest.mark.parametrize("option", [
    ("--required", "0.3"), ("--column", "depth_m"), ("--column", "dept_m=x"),
    ("--dxf-layer", "X=hole"), ("--dxf-layer", "X=bore,wide=3"), ("--plan-unit", "yard"),
    ("--within", "near"),
])  # fmt: skip
def test_wrong_options_are_refused(make_record, tmp_path: Path, option: tuple[str, str]) -> None:
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)])
    assert run(make_record(tmp_path / "a.gpkg"), plan, *option).exit_code == 2


@pytest.mark.parametrize(
    "content",
    [
        "", "{", "PK", '{"type":"FeatureCollection","features":[]}',
        "  0\nSECTION\n  2\nHEADER\n  9\n$ACADVER\n",
    ],
)  # fmt: skip
def test_what_is_no_plan_is_refused_in_words(make_record, tmp_path: Path, content: str) -> None:
    record = make_record(tmp_path / "a.gpkg")
    for name in ("p.geojson", "p.gpkg", "p.dxf"):
        (tmp_path / name).write_text(content)
        result = run(record, tmp_path / name, "--required", "0.3m", "--plan-crs", "EPSG:32617")
        assert result.exit_code == 2, (name, result.output)
        assert result.exception is None or isinstance(result.exception, SystemExit)


def test_a_plan_somewhere_else_says_how_far(make_record, tmp_path: Path) -> None:
    plan = write_plan(tmp_path / "p.gpkg", [trench(depth_m=3.0)], move=MIDDLE + 5000.0)
    result = run(make_record(tmp_path / "a.gpkg"), plan, "--required", "0.3m")
    assert result.exit_code == 0
    assert "look at the CRS of both" in " ".join(result.output.split())
    assert "no clearance to dig" in result.output


def test_unlisted_pairs_cannot_be_conflicts(make_record, tmp_path: Path) -> None:
    """A short --within lists less, never less than the required clearance reaches."""
    record = make_record(tmp_path / "a.gpkg")
    plan = write_plan(tmp_path / "p.gpkg", [post(0, 1.2, depth_m=4.0), post(3, 2.5, depth_m=4.0)])
    rows = rows_of(record, plan, search_m=0.0, required_m=1.0)
    assert [r["verdict"] for r in rows] == ["conflict"]


# ---- sample plans, drawings and the command ------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("built") / "out"
    site = SAMPLES / "gnss-bend-branch"
    assert CliRunner().invoke(app, ["build", str(site), "-o", str(out), "-q"]).exit_code == 0
    return out


PLAN = SAMPLES / "planned-works" / "quarry-plan.geojson"
DRAWING = SAMPLES / "planned-works" / "quarry-plan.dxf"
USES = (
    "--plan-crs", "EPSG:32617", "--plan-levels", "same",
    "--dxf-layer", "PLAN-BORE=bore,diameter_m=0.16",
    "--dxf-layer", "PLAN-TRENCH=trench,depth_m=1.4",
    "--dxf-layer", "PLAN-POST=post,depth_m=0.9",
)  # fmt: skip


def test_the_sample_plans_are_what_the_code_makes(tmp_path: Path) -> None:
    made = tmp_path / "made"
    code = [sys.executable, "-m", "lateralline.simulate.planned_works", str(made)]
    subprocess.run(code, check=True)
    names = sorted(p.name for p in made.iterdir())
    assert names == sorted(p.name for p in PLAN.parent.iterdir())
    for name in names:
        assert (made / name).read_bytes() == (PLAN.parent / name).read_bytes()


def test_a_picture_shows_every_note_that_is_printed(built: Path, tmp_path: Path) -> None:
    picture = tmp_path / "near.svg"
    given = ("--required", "0.3m", "-o", tmp_path / "near", "--picture", picture)
    result = run(built, PLAN, *given, "--json")
    notes = json.loads(result.output)["notes"]
    assert len(notes) > 6
    texts = re.findall(r"<!-- (.*?) -->", picture.read_text(encoding="utf-8"))  # above its glyphs
    shown = re.sub(r"\W", "", html.unescape("".join(texts)))
    for note in notes:
        assert re.sub(r"\W", "", note) in shown, note


def test_the_sample_finds_its_conflicts_and_writes_them(built: Path, tmp_path: Path) -> None:
    out, picture = tmp_path / "near", tmp_path / "near.png"
    result = run(built, PLAN, "--required", "0.3m", "-o", out, "--picture", picture)
    assert result.exit_code == 1, result.output
    assert result.output.count("No clearance to dig") == 1
    pairs = gpd.read_file(out / "clearance.gpkg", layer="clearance_pairs")
    bad = gpd.read_file(out / "clearance.gpkg", layer="clearance_conflicts")
    assert set(bad["work_name"]) == {"pile", "cable trench", "fence post 2", "fence post 3"}
    assert set(bad[bad["open_end"]]["work_name"]) == {"fence post 2"}
    assert len(bad) == (pairs["verdict"] == "conflict").sum()
    assert pairs.geometry.has_z.all()
    assert bad.geometry.has_z.all()
    lengths = pairs.geometry.length
    assert (lengths <= pairs["separation_m"] + 0.1 + 0.02).all()  # plan part of axis to surface
    works = gpd.read_file(out / "clearance.gpkg", layer="planned_works")
    assert len(works) == 6
    assert (works["pairs"] > 0).all()
    with (out / "clearance.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == len(pairs)
    for layer in ("planned_works", "clearance_pairs", "clearance_conflicts"):
        document = json.loads((out / "geojson" / f"{layer}.geojson").read_text())
        assert document["caution"]
        assert "crs" not in document
        text = json.dumps(document["features"][0]["geometry"])
        assert shapely.from_geojson(text).has_z is False or not shapely.from_geojson(text).has_z
    assert picture.stat().st_size > 20_000


def test_json_has_every_pair_and_says_what_none_shown_means(built: Path) -> None:
    result = run(built, PLAN, "--required", "12in", "--json")
    document = json.loads(result.output)
    assert document["exit_code"] == result.exit_code == 1
    assert "no clearance to dig" in document["none_shown_means"]
    risks = [p["probability_below_required"] for p in document["pairs"]]
    risks = [1.0 if r is None else r for r in risks]  # what nobody knows comes first
    assert risks == sorted(risks, reverse=True)


def test_a_drawing_says_the_same_as_the_map(built: Path, tmp_path: Path) -> None:
    drawn = json.loads(run(built, DRAWING, "--required", "0.3m", *USES, "--json").output)
    mapped = json.loads(run(built, PLAN, "--required", "0.3m", "--json").output)

    def trench_of(document: dict) -> float:
        return next(p["separation_m"] for p in document["pairs"] if p["kind"] == "trench")

    assert trench_of(drawn) == pytest.approx(trench_of(mapped), abs=3e-3)
    by = {p["work_name"].split()[0]: p["levels_by"] for p in drawn["pairs"]}
    assert by == {
        "PLAN-BORE": "level",
        "PLAN-TRENCH": "depth_below_ground",
        "PLAN-POST": "depth_below_ground",
    }


def test_a_drawing_without_crs_or_in_another_unit_is_refused(built: Path) -> None:
    placeless = run(built, DRAWING, "--required", "0.3m").output
    assert "--plan-crs" in placeless
    assert f"{DRAWING.name}:" not in placeless.replace(f"{DRAWING.name}: ", "")  # of no one row
    feet = run(built, DRAWING, "--required", "0.3m", "--plan-crs", "EPSG:3734")
    assert feet.exit_code == 2
    assert "--plan-unit us-ft" in " ".join(feet.output.split())


def test_a_drawings_unfit_entities_and_unknown_layers_are_faults(
    built: Path, tmp_path: Path
) -> None:
    result = run(
        built, DRAWING, "--required", "0.3m", "--plan-crs", "EPSG:32617",
        "--dxf-layer", "PLAN-POST=trench,depth_m=1", "--dxf-layer", "PLAN-BORE=post,radius_m=0.1",
        "--dxf-layer", "PLAN-TRENCHES=trench",
    )  # fmt: skip
    assert result.exit_code == 2
    said = " ".join(result.output.split())
    assert 'did you mean "PLAN-TRENCH"?' in said
    assert f"{DRAWING.name}: layer must be" in said  # of the file, not of a row
    assert "cannot be a post" in said


def test_nothing_is_written_over_unasked(built: Path, tmp_path: Path) -> None:
    out = tmp_path / "near"
    shutil.copytree(built, out)  # a record, no overlay: never replaced
    assert run(built, PLAN, "--required", "0.3m", "-o", out, "--replace").exit_code == 2
    assert (out / "asbuilt.gpkg").exists()
