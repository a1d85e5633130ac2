"""Practice sites are what they say: marks obey the field, noise is as stated, seeds repeat."""

from __future__ import annotations

import csv
import json
from dataclasses import fields, replace
from pathlib import Path

import magpylib
import numpy as np
import pytest

from lateralline.errors import OutputExistsError
from lateralline.settings import Accuracy, standard_accuracy
from lateralline.simulate import SCENARIOS, make_site
from lateralline.simulate.field import (
    AXIAL_PEAK_ALONG_DEPTHS,
    dipole_field,
    end_null,
    field_direction,
    field_on_ground,
    mid_null,
    moment_of,
    place_marks,
    strongest,
)
from lateralline.simulate.sheet import files_of
from lateralline.simulate.survey import shown, survey
from lateralline.simulate.truth import Kind, Poses, TrueGround, Truth, stand

SILENT = Accuracy(**{f.name: 0.0 for f in fields(Accuracy)})
LEVEL = TrueGround()


def poses(depth: np.ndarray, heading: np.ndarray, tilt: np.ndarray) -> Poses:
    """Transmitters under the origin of a ground whose level there is 0."""
    k = len(depth)
    at = np.column_stack([np.zeros((k, 2)), -depth])
    return Poses(("R",) * k, ("1",) * k, np.zeros(k), np.zeros(k), at, heading, tilt, depth)


def some_poses(count: int, seed: int = 3, tilt_deg: float = 15.0) -> Poses:
    rng = np.random.default_rng(seed)
    tilt = np.radians(rng.uniform(-tilt_deg, tilt_deg, count))
    return poses(rng.uniform(0.4, 4.0, count), rng.uniform(0, 2 * np.pi, count), tilt)


def table(folder: Path, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((folder / name).read_text(encoding="utf-8").splitlines()))


def bare(scenario: str) -> Truth:
    """A named site where only the ground over each transmitter is marked: quick to survey."""
    truth = SCENARIOS[scenario].build(np.random.default_rng(0))
    return replace(truth, crew=replace(truth.crew, kinds=("ground",)))


def along_in_depths(plan: np.ndarray, p: Poses) -> np.ndarray:
    return np.sum((plan - p.xyz_m[:, :2]) * p.along, axis=1) / p.depth_m


def across_in_depths(plan: np.ndarray, p: Poses) -> np.ndarray:
    return np.sum((plan - p.xyz_m[:, :2]) * p.across, axis=1) / p.depth_m


def test_field_is_magpylibs() -> None:
    """Independent forward model: magpylib's dipole, B = μ₀/4π · […]."""
    rng = np.random.default_rng(5)
    points, moment = rng.uniform(-3, 3, (40, 3)), np.array([0.3, -0.5, 0.8])
    dipole = magpylib.misc.Dipole(moment=moment, position=(0.1, 0.2, -1.5))
    ours = dipole_field(points, np.array([0.1, 0.2, -1.5]), moment)
    theirs = dipole.getB(points) / (magpylib.mu_0 / (4 * np.pi))
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)


def test_moment_points_where_the_camera_heads() -> None:
    p = poses(np.ones(3), np.radians([0.0, 90.0, 225.0]), np.radians([0.0, 10.0, -90.0]))
    want = [[0, 1, 0], [np.cos(np.radians(10)), 0, np.sin(np.radians(10))], [0, 0, -1]]
    np.testing.assert_allclose(moment_of(p), want, atol=1e-12)


@pytest.mark.parametrize("grade", [0.0, 0.15])
def test_nulls_obey_the_field(grade: float) -> None:
    """Without noise, an end null has no horizontal field and a mid null no vertical one."""
    p, ground = some_poses(60), TrueGround(0.0, grade, -grade / 2)
    k = len(p.depth_m)
    for side in (-1, 1):
        spot = end_null(p, ground, side, np.zeros((k, 2)))
        assert np.all(np.abs(field_direction(spot, p, ground)[:, :2]) < 1e-9)
        assert np.all(side * along_in_depths(spot, p) > 0)
        assert np.all(np.abs(across_in_depths(spot, p)) < 1e-9)  # in the axis's vertical plane
    spot = mid_null(p, ground, np.zeros(k), np.zeros(k))
    assert np.all(np.abs(field_direction(spot, p, ground)[:, 2]) < 1e-9)


def test_noise_turns_the_field_and_not_the_mark() -> None:
    """A null lies where the field *plus the receiver's error* vanishes."""
    p, rng = some_poses(60), np.random.default_rng(8)
    wrong = rng.normal(0, np.radians(2), (60, 2))
    spot = end_null(p, LEVEL, 1, wrong)
    np.testing.assert_allclose(field_direction(spot, p, LEVEL)[:, :2], -wrong, atol=1e-9)
    aside, tipped = rng.normal(0, 0.1, 60), rng.normal(0, np.radians(2), 60)
    spot = mid_null(p, LEVEL, aside, tipped)
    np.testing.assert_allclose(field_direction(spot, p, LEVEL)[:, 2], -tipped, atol=1e-9)
    np.testing.assert_allclose(across_in_depths(spot, p) * p.depth_m, aside, atol=1e-9)


def test_depth_is_seven_tenths_of_the_separation() -> None:
    """The rule of thumb on level ground (common practice, no source), exactly 1/√2."""
    p = some_poses(30, tilt_deg=0.0)
    tail, head = (end_null(p, LEVEL, s, np.zeros((30, 2))) for s in (-1, 1))
    ratio = p.depth_m / np.linalg.norm(head - tail, axis=1)
    np.testing.assert_allclose(ratio, 0.70711, atol=5e-6)
    assert np.all(np.abs(ratio - 0.7) < 0.01)
    middle = mid_null(p, LEVEL, np.zeros(30), np.zeros(30))  # halfway: common practice, no source
    np.testing.assert_allclose(middle, 0.5 * (tail + head), atol=1e-8)


@pytest.mark.parametrize(
    ("tilt", "tail", "head"), [(10.0, -0.85161, 0.58712), (45.0, -1.78078, 0.28078)]
)
def test_tilted_end_nulls(tilt: float, tail: float, head: float) -> None:
    """Computed from the stated formula by two ways; the search here is a third."""
    p = poses(np.array([1.7]), np.array([1.0]), np.radians([tilt]))
    for side, want in ((-1, tail), (1, head)):
        assert along_in_depths(end_null(p, LEVEL, side, np.zeros((1, 2))), p) == pytest.approx(
            want, abs=5e-6
        )


@pytest.mark.parametrize(
    ("tilt", "mid", "total", "axial"),
    [(1.0, -0.01164, 0.153, -0.0058), (5.0, -0.0582, 0.227, -0.0291)],
)
def test_tilted_mid_null_and_peaks(tilt: float, mid: float, total: float, axial: float) -> None:
    """Computed for this project; a head-up transmitter's nearer end null lies ahead."""
    p = poses(np.array([2.0]), np.array([4.0]), np.radians([tilt]))
    spot = mid_null(p, LEVEL, np.zeros(1), np.zeros(1))
    assert along_in_depths(spot, p) == pytest.approx(mid, abs=5e-5)
    assert along_in_depths(strongest(p, LEVEL, axial=False), p) == pytest.approx(total, abs=1e-3)
    assert along_in_depths(strongest(p, LEVEL, axial=True), p) == pytest.approx(axial, abs=1e-4)


@pytest.mark.parametrize("axial", [True, False])
def test_peaks_are_strongest_of_all_around(axial: bool) -> None:
    p, ground = some_poses(40), TrueGround(0.0, 0.12, 0.05)
    peak = strongest(p, ground, axial=axial)

    def strength(plan: np.ndarray) -> np.ndarray:
        b = field_on_ground(plan, p, ground)
        return np.abs(np.sum(b[:, :2] * p.along, axis=1)) if axial else np.linalg.norm(b, axis=1)

    best = strength(peak)
    for angle in np.arange(0, 2 * np.pi, np.pi / 4):
        step = 0.05 * p.depth_m[:, None] * np.array([np.cos(angle), np.sin(angle)])
        assert np.all(strength(peak + step) < best)


def test_silent_marks_stay_on_the_ground() -> None:
    p, ground = some_poses(10), TrueGround(0.0, 0.1, 0.0)
    kinds = ("end_null", "mid_null", "peak_total", "peak_axial", "ground")
    pose, found, spots = place_marks(np.random.default_rng(1), p, ground, kinds, SILENT)
    assert len(found) == len(spots) == 60
    assert found[:6] == ["end_null", *kinds]
    assert pose.tolist() == [i for i in range(10) for _ in range(6)]
    np.testing.assert_allclose(spots[:, 2], 0.1 * spots[:, 0], atol=1e-12)


def spread(kind: Kind, **accuracy: float) -> tuple[np.ndarray, np.ndarray]:
    """Along and across scatter, in depths, of 2500 marks over a level transmitter 2 m down."""
    k = 2500
    p = poses(np.full(k, 2.0), np.full(k, 0.6), np.zeros(k))
    a = replace(SILENT, **accuracy)
    _, names, spots = place_marks(np.random.default_rng(2), p, LEVEL, (kind,), a)
    plan = spots[:, :2].reshape(k, -1, 2)[:, -1]
    assert len(names) == k * (2 if kind == "end_null" else 1)
    return along_in_depths(plan, p), across_in_depths(plan, p)


def test_end_null_scatter_is_the_receivers() -> None:
    """One δφ moves an end null by 0.75 depths × δφ along the axis (design: computed)."""
    angle = float(np.radians(2.0))
    along, across = spread("end_null", receiver_angle_rad=angle)
    assert along.std() == pytest.approx(0.75 * angle, rel=0.05)
    assert along.mean() == pytest.approx(1 / np.sqrt(2), abs=0.003)
    # Across: B_across/|B| = 3xy/R² ÷ 3xd/R² = y/d there, so δφ moves it by one depth × δφ.
    assert across.std() == pytest.approx(angle, rel=0.05)


def test_mid_null_scatter() -> None:
    angle = float(np.radians(2.0))
    along, across = spread("mid_null", receiver_angle_rad=angle, mid_across_depths=0.1)
    assert along.std() == pytest.approx(angle / 3, rel=0.05)
    assert across.std() == pytest.approx(0.1, rel=0.05)


def test_peak_scatter() -> None:
    noise = {"peak_along_depths": 0.20, "peak_across_depths": 0.05}
    along, across = spread("peak_total", **noise)
    assert along.std() == pytest.approx(0.20, rel=0.05)
    assert across.std() == pytest.approx(0.05, rel=0.05)
    along, across = spread("peak_axial", **noise)
    assert along.std() == pytest.approx(AXIAL_PEAK_ALONG_DEPTHS, rel=0.05)
    assert across.std() == pytest.approx(0.05, rel=0.05)


def test_paint_scatter() -> None:
    along, across = spread("ground", mark_placing_m=0.03)
    assert along.std() * 2.0 == pytest.approx(0.03, rel=0.05)
    assert across.std() * 2.0 == pytest.approx(0.03, rel=0.05)


def test_readings_scatter_as_stated() -> None:
    """Depth readings and measured tilts of many days, each with a scale of its own."""
    a = standard_accuracy()
    truth = bare("slope-levels")
    sites = [survey(np.random.default_rng(n), truth, a) for n in range(300)]

    def column(name: str) -> np.ndarray:
        return np.array([[float(row[name]) for row in s.stops] for s in sites])

    depth, tilt = (np.array([getattr(s.poses, f) for s in sites]) for f in ("depth_m", "tilt_rad"))
    noise = np.hypot(np.maximum(a.depth_reading_ratio, a.depth_reading_min_m / depth), 0.05)
    off = (column("depth_reading") / depth - 1.0) / noise
    assert off.std() == pytest.approx(1.0, rel=0.05)
    off = np.radians(column("tilt_deg")) - tilt
    assert off.std() == pytest.approx(a.tilt_measured_rad, rel=0.05)


def test_shared_scales_and_counters() -> None:
    """One depth scale a day, one counter scale a run; slip and reading noise on top."""
    a = standard_accuracy()
    truth = bare("gnss-bend-branch")
    steps, ratio = [], []
    for seed in range(150):
        site = survey(np.random.default_rng(seed), truth, a)
        counter = np.array([float(r["counter"]) for r in site.stops if r["run"] == "R1"])
        steps.append((counter[-1] - counter[0]) / np.ptp(site.poses.travel_m[:9]))
        ratio.append(np.mean([float(r["depth_reading"]) for r in site.stops] / site.poses.depth_m))
    length = np.ptp(truth.runs[0].travel_m)
    per_step = a.counter_ratio * np.sqrt(np.sum(np.diff(truth.runs[0].travel_m) ** 2)) / length
    sigma = np.sqrt(a.counter_scale_ratio**2 + 2 * (a.counter_m / length) ** 2 + per_step**2)
    assert np.std(steps) == pytest.approx(sigma, rel=0.2)
    assert np.std(ratio) == pytest.approx(np.hypot(0.05, 0.07 / np.sqrt(14)), rel=0.2)


def test_transmitters_lie_askew_of_the_pipe() -> None:
    truth = bare("tape-ties")
    straight = stand(truth, np.zeros((8, 2)))
    headings, tilts = [], []
    for seed in range(150):
        p = survey(np.random.default_rng(seed), truth, standard_accuracy()).poses
        headings.append(np.angle(np.exp(1j * (p.heading_rad - straight.heading_rad))))
        tilts.append(p.tilt_rad - straight.tilt_rad)
    assert np.degrees(np.std(headings)) == pytest.approx(3.0, rel=0.06)
    assert np.degrees(np.std(tilts)) == pytest.approx(3.0, rel=0.06)
    fall = np.arctan(0.025)
    np.testing.assert_allclose(straight.tilt_rad, -fall, atol=1e-9)  # with the flow: head down


def test_chainage_runs_upstream_and_counters_with_the_camera() -> None:
    down = SCENARIOS["tape-ties"].build(np.random.default_rng(0))
    assert np.all(np.diff(stand(down, np.zeros((8, 2))).chainage_m) < 0)
    up = SCENARIOS["slope-levels"].build(np.random.default_rng(0))
    p = stand(up, np.zeros((8, 2)))
    assert np.all(np.diff(p.chainage_m) > 0)
    assert np.all(p.tilt_rad > 0)  # against the flow: head up
    assert up.lines[0].at([0.0])[0] == pytest.approx(up.lines[0].axis_m[0])


def test_sheet_shows_what_a_tape_shows() -> None:
    assert shown(1.0, ("m", 0.01)) == "1.00"
    assert shown(1.0, ("ft", 0.1)) == "3.3"
    assert shown(-0.001, ("m", 0.01)) == "0.00"
    assert shown(1.27, ("in", 1.0)) == "50"


def test_lost_marks_and_margin_notes(tmp_path: Path) -> None:
    folder = make_site(SCENARIOS["slope-levels"], 1, tmp_path / "s")
    rows = table(folder, "marks.csv")
    fifth = [r["kind"] for r in rows if r["stop"] == "5"]
    assert fifth == ["end_null", "mid_null"]  # one end null only
    tie = table(make_site(SCENARIOS["tape-ties"], 1, tmp_path / "t"), "marks.csv")
    assert "paint" in tie[0]
    assert any(r["note"] for r in tie)
    two = [r for r in tie if r["ties"].count(";") == 1]
    assert two
    assert all(r["side"] for r in two)


def test_coordinates_are_grid_coordinates(tmp_path: Path) -> None:
    """Ground distances are shortened to the grid: 0.9996 at the central meridian of UTM."""
    folder = make_site(SCENARIOS["gnss-bend-branch"], 4, tmp_path / "s")
    truth = json.loads((folder / "truth.json").read_text())
    line = next(ln for ln in truth["lines"] if ln["line"] == "L1")
    axis = np.array(line["axis"])
    scenario = SCENARIOS["gnss-bend-branch"].build(np.random.default_rng(4))
    ground = np.linalg.norm(np.diff(scenario.lines[0].axis_m[:, :2], axis=0), axis=1)
    grid = np.linalg.norm(np.diff(axis[:, :2], axis=0), axis=1)
    np.testing.assert_allclose(grid / ground, 0.9996 * (1 - 142 / 6_371_000), atol=2e-5)


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    a, b = (make_site(SCENARIOS["tape-ties"], 7, tmp_path / n) for n in "ab")
    assert {f.name: f.read_bytes() for f in a.iterdir()} == {
        f.name: f.read_bytes() for f in b.iterdir()
    }
    c = make_site(SCENARIOS["tape-ties"], 8, tmp_path / "c")
    assert (a / "marks.csv").read_bytes() != (c / "marks.csv").read_bytes()
    with pytest.raises(OutputExistsError, match="there already"):
        make_site(SCENARIOS["tape-ties"], 8, c)


def test_sheets_without_optional_tables_leave_them_out() -> None:
    truth = replace(bare("gnss-bend-branch"), sights=())
    files = files_of(survey(np.random.default_rng(1), truth, standard_accuracy()))
    assert sorted(files) == ["marks.csv", "site.toml", "stops.csv", "truth.json"]
