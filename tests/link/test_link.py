"""Linking against a truth made here: no solver, fixes drawn from their own covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from lateralline.kernels.curves import chainage, directions
from lateralline.kernels.expected import PIPE_WANDER_RAD
from lateralline.link import link
from lateralline.proof.line_compare import backward_m
from lateralline.records import DepthScale, Fixes, Floats, Line
from lateralline.settings import Branch, Flow, Run
from lateralline.simulate.truth import TrueLine
from tests.support.finding_names import called
from tests.support.made_scene import (
    ACCURACY,
    ENTRY,
    LAG,
    NORTH,
    PVC,
    R1,
    RIDE,
    Scene,
    codes,
    finding,
    only,
    standard_cov,
)


def shapes(line: Line) -> list[str]:
    return [s.shape for s in line.stretches]


# ---- one straight line ----------------------------------------------------------------------


def test_a_straight_line_is_straight_and_reproduced() -> None:
    found = Scene().stops(NORTH, [1, 3, 5, 7, 9]).exposure(*ENTRY).link()
    line = only(found)
    assert shapes(line) == ["straight"] * 5
    assert line.kind.tolist() == ["exposure", *["fix"] * 5]
    assert line.ref.tolist() == ["CO1", "R1/1", "R1/2", "R1/3", "R1/4", "R1/5"]
    assert line.counter_m == pytest.approx([0, 1, 3, 5, 7, 9])
    assert line.xyz_m[:, 0] == pytest.approx(np.zeros(6), abs=1e-6)
    assert line.xyz_m[:, 1] == pytest.approx([0, *np.array([1, 3, 5, 7, 9]) * 0.9998], abs=1e-3)
    assert line.chi2 == pytest.approx(0, abs=1e-3)
    assert line.dof > 0
    assert found.findings == ()
    first = line.stretches[1]
    assert (first.first, first.last) == (1, 2)
    assert first.counter_difference_m == pytest.approx(2.0, abs=1e-3)
    assert first.reach_m == pytest.approx(2.0 + 1.96 * np.sqrt(2 * 0.05**2 + 0.010**2), abs=0.02)


def test_the_adjustment_sharpens_every_fix() -> None:
    line = only(Scene().stops(NORTH, [1, 3, 5, 7, 9]).exposure(*ENTRY).link())
    own = np.trace(standard_cov()[:3, :3])
    assert (np.trace(line.cov_m2[1:], axis1=1, axis2=2) < 0.95 * own).all()
    whole = np.block([[line.cov_m2[1], line.cross_m2[1]], [line.cross_m2[1].T, line.cov_m2[2]]])
    assert np.linalg.eigvalsh(whole).min() > 0


@pytest.mark.parametrize("flow", ["with", "against"])
def test_headings_are_turned_to_the_camera_and_tilt_with_them(flow: Flow) -> None:
    """Every other fix comes back to front; the pipe rises 20 % to the north, upstream."""
    run = replace(R1, flow=flow)
    scene = Scene(runs=[run]).stops([(0, 0, 0), (0, 10, 2)], [1, 3, 5, 7], run=run)
    for row in scene.rows[::2]:
        row.seen = row.seen * [1, 1, 1, 1, -1] + [0, 0, 0, np.pi, 0]
        row.cov = row.cov * np.outer([1, 1, 1, 1, -1], [1, 1, 1, 1, -1])
    found = scene.link()
    up = directions(0.0, np.arctan(0.2)) * (1 if flow == "against" else -1)
    fixes = found.fixes
    assert directions(fixes.heading_rad, fixes.tilt_rad) == pytest.approx(np.tile(up, (4, 1)))
    signs = np.sign(fixes.cov[:, 1, 4])
    assert (signs == signs[0]).all()
    line = only(found)
    assert (np.diff(line.xyz_m[:, 1]) > 0).all()  # downstream → upstream whichever way it was run
    assert line.chi2 == pytest.approx(0, abs=1e-3)


def test_a_counter_scale_is_found_and_reported() -> None:
    line = only(Scene().stops(NORTH, [1, 4, 7, 10], scale=1.02).exposure(*ENTRY).link())
    value, sigma = line.counter_scale["R1"]
    assert 1.003 < value < 1.02
    assert 0.002 < sigma < 0.015


# ---- bends ----------------------------------------------------------------------------------

BENT = [(0, 0, 0), (0, 5, 0), (4, 9, 0)]


def test_a_45_degree_bend_is_found_where_it_is() -> None:
    line = only(Scene().stops(BENT, [1, 3.5, 7, 9]).link())
    assert shapes(line) == ["straight", "bend", "straight"]
    bend = line.xyz_m[line.kind == "bend"][0]
    assert bend == pytest.approx([0, 5, 0], abs=0.02)
    assert np.degrees(line.stretches[1].bend_rad) == pytest.approx([45], abs=1)
    assert np.isnan(line.shift_m[line.kind == "bend"]).all()
    assert line.stretches[1].chord_m < line.stretches[1].counter_difference_m


def test_noisy_45_degree_bends_are_found_and_straights_left_alone() -> None:
    """Twenty drawn lines: the bend in its stretch, and next to no bend where there is none."""
    rng = np.random.default_rng(4)
    told = [shapes(only(Scene().stops(BENT, [1, 3.5, 7, 9], rng=rng).link())) for _ in range(20)]
    assert np.mean([t[1] == "bend" for t in told]) > 0.85
    assert np.mean([x != "straight" for t in told for x in (t[0], t[2])]) < 0.05


def test_a_slight_bend_shows_by_the_line_on_both_sides() -> None:
    """22½°: too slight for one stretch's headings, plain from three stops before and after."""
    rng = np.random.default_rng(8)
    turn = np.radians(22.5)
    path = [(0, 0, 0), (0, 6, 0), (7 * np.sin(turn), 6 + 7 * np.cos(turn), 0)]
    told = [
        shapes(only(Scene().stops(path, [1, 3, 5, 7, 9, 11], rng=rng).link())) for _ in range(15)
    ]
    assert np.mean([t[2] == "bend" for t in told]) > 0.7
    assert np.mean([x != "straight" for t in told for x in t[:2] + t[3:]]) < 0.05


@pytest.mark.parametrize("beside_m", [0.3, 0.6, 1.0])
def test_a_bend_beside_a_stop_is_one_bend_or_undecided(beside_m: float) -> None:
    """Where it lies is soft, and its best place may be behind the stop: never two bends for it."""
    rng = np.random.default_rng(5)
    turn, at = np.radians(22.5), 5 + beside_m
    path = [(0, 0, 0), (0, at, 0), (9 * np.sin(turn), at + 9 * np.cos(turn), 0)]
    for _ in range(6):
        told = shapes(only(Scene().stops(path, [1, 3, 5, 7.5, 10, 12.5], rng=rng).link()))
        assert "two_bends" not in told
        assert told.count("bend") == 1 or told[2] == "undecided"
        assert told[0] == told[4] == "straight"


def test_a_heading_off_within_its_sigma_is_no_bend() -> None:
    scene = Scene().stops(NORTH, [1, 3, 5, 7])
    scene.rows[1].seen[3] += np.radians(6)
    assert shapes(only(scene.link())) == ["straight"] * 3


def test_two_bends_when_length_and_headings_demand_them() -> None:
    """Out and over: parallel ends 1.5 m apart, with the length of two 90° bends."""
    path = [(0, 0, 0), (0, 4, 0), (1.5, 4, 0), (1.5, 8, 0)]
    line = only(Scene().stops(path, [1, 3, 6.5, 8.5]).link())
    assert shapes(line) == ["straight", "two_bends", "straight"]
    assert np.degrees(line.stretches[1].bend_rad) == pytest.approx([90, 90], abs=3)


def test_a_slight_offset_is_two_bends_and_no_blunder() -> None:
    """Two 45° bends a metre apart turn the headings of no stop: the line on both sides tells."""
    rng = np.random.default_rng(3)
    path = [(0, 0, 0), (0, 5.6, 0), (0.7071, 6.3071, 0), (0.7071, 15, 0)]
    found = [Scene().stops(path, [1, 3, 5, 7.5, 10, 12], rng=rng).link() for _ in range(12)]
    told = [shapes(only(f))[2] for f in found]
    assert np.mean([t == "two_bends" for t in told]) > 0.7
    assert "straight" not in told
    assert sum("blunder" in codes(f) for f in found) <= 1


def test_undecided_when_headings_tell_nothing() -> None:
    """Headings a quarter turn unsure and no counter worth the name: ask for a stop between."""
    vague = standard_cov(heading_deg=60)
    found = Scene().stops(NORTH, [1, 2], cov=vague).link()
    assert shapes(only(found)) == ["undecided"]
    said = finding(found, "shape-undecided")
    assert "near counter 1.85 m of run R1" in said.what_to_do  # camera face: 1.5 m and its lag


def test_advice_between_stops_of_two_runs_names_a_counter_in_the_site_s_unit() -> None:
    """Stops of R1 at 1 m and 5 m, of R2 at 3 m: nobody reads a chainage off a cable."""
    vague = standard_cov(heading_deg=60)
    again = replace(R1, id="R2", counter_at_entry_m=10.0)
    scene = Scene(runs=[R1, again]).stops(NORTH, [1, 5], cov=vague)
    scene.stops(NORTH, [3], run=again, cov=vague)
    settings = replace(scene.settings(), units={"counter": "ft"})
    found = link(scene.solved(), scene.exposures(), settings)
    said = [f.what_to_do for f in found.findings if called(f) == "shape-undecided"]
    # camera face: 2 m and 4 m and the lag of 0.35 m, in feet
    assert said == [f"add a stop near counter {feet} ft of run R1" for feet in ("7.71", "14.27")]


def test_contradiction_when_nothing_fits() -> None:
    """Ends that look along the chord, and two metres of cable too many."""
    scene = Scene().stops(NORTH, [1, 3])
    scene.rows[1].counter += 2.0
    found = scene.link()
    assert shapes(only(found)) == ["undecided"]
    assert "shape-undecided/contradiction" in codes(found)


# ---- blunders -------------------------------------------------------------------------------


def test_a_stop_beside_the_line_is_named_and_left_out() -> None:
    scene = Scene().stops(NORTH, [1, 3, 5, 7, 9])
    scene.rows[2].seen[0] += 0.6
    found = scene.link()
    said = finding(found, "blunder")
    assert said.subject == "stop R1/3"
    assert said.where == "stops.csv:4"
    assert said.by_how_much.startswith("0.6")
    assert "towards 90°" in said.by_how_much
    line = only(found)
    assert line.xyz_m[2] == pytest.approx([0, 5, 0.1], abs=0.05)
    assert line.shift_m[2] == pytest.approx(0.6, abs=0.05)
    assert shapes(line) == ["straight"] * 4


@pytest.mark.parametrize("aside", [1.5, 4.0])
def test_a_gross_blunder_is_survived(aside: float) -> None:
    """A baseline read from the wrong end: the stop lies metres off, heading and all."""
    scene = Scene().stops(NORTH, [1, 3, 5, 7, 9])
    scene.rows[2].seen[:2] += [aside, aside]
    found = scene.link()
    assert ("blunder", "stop R1/3") in [(called(f), f.subject) for f in found.findings]
    assert "adjustment-failed" not in codes(found)
    assert only(found).xyz_m[2] == pytest.approx([0, 5, 0.1], abs=0.05)


def test_a_heading_blunder_is_not_two_bends() -> None:
    scene = Scene().stops(NORTH, [1, 3, 5, 7, 9])
    scene.rows[2].seen[3] += np.radians(40)
    found = scene.link()
    assert [(called(f), f.subject) for f in found.findings if f.severity == "error"] == [
        ("blunder", "stop R1/3")
    ]
    assert "heading" in finding(found, "blunder").what
    assert finding(found, "blunder").by_how_much.startswith("+40°")
    assert shapes(only(found)) == ["straight"] * 4


def test_a_misread_counter_is_named() -> None:
    scene = Scene().stops(NORTH, [1, 3, 5, 7, 9])
    scene.rows[2].counter += 0.7
    said = finding(scene.link(), "blunder")
    assert said.subject == "stop R1/3"
    assert "counter reading" in said.what
    assert said.by_how_much.startswith("+0.7")


def test_a_bend_right_at_a_stop_is_said_to_be_one() -> None:
    scene = Scene().stops([(0, 0, 0), (0, 5, 0), (2, 8.4641, 0)], [1, 3, 5, 7, 9])
    scene.rows[2].seen[3] = np.radians(15)
    found = scene.link()
    assert finding(found, "shape-undecided/turn").subject == "stop R1/3"
    assert finding(found, "shape-undecided/turn").by_how_much.startswith("30°")
    assert shapes(only(found)) == ["straight", "undecided", "undecided", "straight"]
    assert "shape-undecided" not in codes(found)
    assert "blunder" not in codes(found)


def test_no_false_alarm_on_clean_lines() -> None:
    """Forty drawn lines name at most a couple of blunders (α = 0.001 for each of 30 tests).

    A straight pipe's chord is as often longer than its count as shorter: one alarm in 1000.
    """
    rng = np.random.default_rng(12)
    lines = [Scene().stops(NORTH, [1, 3, 5, 7, 9], rng=rng).link() for _ in range(40)]
    assert sum("blunder" in codes(f) for f in lines) <= 4
    assert sum("counter-wrong/too-short" in codes(f) for f in lines) <= 1


def test_a_chord_longer_than_its_counter_is_always_reported() -> None:
    scene = Scene().stops(NORTH, [1, 3, 5, 7])
    scene.rows[3].counter -= 1.0
    said = finding(scene.link(), "counter-wrong/too-short")
    assert said.severity == "error"
    assert said.subject == "stop R1/4"
    assert said.by_how_much.startswith("1.00\xa0m too far")


def test_counters_that_turn_back_or_repeat() -> None:
    scene = Scene().stops(NORTH, [1, 3, 5, 7])
    scene.rows[1].counter, scene.rows[2].counter = (
        scene.rows[2].counter,
        scene.rows[1].counter,
    )
    assert finding(scene.link(), "counter-wrong/backwards").subject == "stop R1/3"
    scene = Scene().stops(NORTH, [1, 3, 3, 7])
    found = scene.link()
    assert "counter-wrong/duplicate" in codes(found)
    assert len(only(found).xyz_m) == 3
    # A pull-back read throughout counts down, and that is no fault.
    scene = Scene().stops(NORTH, [7, 5, 3, 1])
    assert "counter-wrong/backwards" not in codes(scene.link())


# ---- exposures ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("to", "below_axis"),
    [
        ("invert", RIDE),
        ("inside_top", RIDE - 0.1036),
        ("outside_top", RIDE - 0.1036 - 0.0032),
        ("transmitter", 0.0),
    ],
)
def test_an_exposure_gives_its_level_to_the_line(to: str, below_axis: float) -> None:
    """Fixes 0.15 m too high by a common depth error; the exposed pipe pulls its end down."""
    scene = Scene().stops(NORTH, [1, 3, 5])
    for row in scene.rows:
        row.seen[2] += 0.15
    line = only(scene.exposure("CO1", (0, 0, -below_axis), to).link())
    assert line.xyz_m[0, 2] == pytest.approx(0, abs=0.02)
    assert line.xyz_m[1, 2] < 0.15 + 0.02 - 0.01
    assert line.shift_m[0] < 0.03


def test_unknown_dimensions_make_a_crown_shot_plan_only() -> None:
    scene = Scene(pipes=[]).stops(NORTH, [1, 3, 5]).exposure("CO1", (0, 0, 5.0), "inside_top")
    found = scene.link()
    assert finding(found, "level-unused/dimensions").where == "exposures.csv:2"
    assert abs(only(found).xyz_m[0, 2]) < 0.2
    assert only(found).cov_m2[0, 2, 2] > 0.06**2


def test_an_exposure_at_a_stop_joins_it_and_disagreement_is_told() -> None:
    """A test hole over stop 2; then the same hole half a metre aside."""
    scene = Scene().stops(NORTH, [1, 3, 5]).exposure("TH1", (0.03, 3, 0.06 - RIDE), at=3.0)
    line = only(scene.link())
    assert line.kind.tolist() == ["fix", "exposure", "fix"]
    assert line.fix.tolist() == [0, 1, 2]
    assert line.cov_m2[1, 0, 0] < 0.02**2
    scene = Scene().stops(NORTH, [1, 3, 5]).exposure("TH1", (0.5, 3, 0.06 - RIDE), at=3.0)
    (said,) = [f for f in scene.link().findings if f.code == "blunder"]
    assert (said.variant, said.subject) == ("plan", "exposure TH1")
    assert said.by_how_much.startswith("0.50\xa0m ± ")


def test_what_lies_before_the_first_fix_is_told() -> None:
    found = Scene().stops(NORTH, [2.5, 5, 7]).link()
    assert finding(found, "entry-not-located").by_how_much == "2.50\xa0m of counted length"


def test_one_fix_needs_an_exposure_to_be_a_line() -> None:
    found = Scene().stops(NORTH, [3]).link()
    assert found.lines == ()
    assert "180°" in finding(found, "line-not-located/one-stop").what
    found = Scene().stops(NORTH, [3]).exposure(*ENTRY).link()
    assert len(only(found).xyz_m) == 2
    none = Scene().stops(NORTH, [3])
    none.rows[0].status = "not_located"
    assert codes(none.link()) == ["line-not-located/no-stop-located"]


def test_a_surveyed_line_that_cannot_be_drawn_is_an_error() -> None:
    """The record cannot be made, whether no stop of it was located or only one."""
    found = Scene().stops(NORTH, [3]).link()
    assert finding(found, "line-not-located/one-stop").severity == "error"
    none = Scene().stops(NORTH, [3])
    none.rows[0].status = "not_located"
    assert finding(none.link(), "line-not-located/no-stop-located").severity == "error"


# ---- weak fixes -----------------------------------------------------------------------------


def test_a_weak_fix_neither_breaks_nor_bends_the_line() -> None:
    """Stop 3 saw one end null: two metres unsure along its heading, which is unsure by 100°."""
    weak = np.diag([0.5, 2.0, 0.3, np.radians(100), np.radians(30)]) ** 2
    scene = Scene().stops(NORTH, [1, 3, 5, 7, 9])
    scene.rows[2].cov, scene.rows[2].status = weak, "weak"
    scene.rows[2].seen = np.array([0.6, 7.5, 0.4, np.radians(80), 0.3])
    found = scene.link()
    line = only(found)
    assert line.xyz_m[2] == pytest.approx([0, 5, 0.1], abs=0.1)
    assert "blunder" not in codes(found)
    assert (np.diff(line.xyz_m[:, 1]) > 0).all()


# ---- several runs, branches -----------------------------------------------------------------


def test_two_runs_from_both_ends_make_one_line() -> None:
    """The second camera comes down from a cleanout 12 m up; its stops interleave."""
    path = [(0, 0, 0), (0, 12, 0)]
    down = Run("R2", "L1", "CO2", 0.0, "with", LAG, RIDE)
    scene = Scene(runs=[R1, down]).stops(path, [1, 3, 5, 7]).stops(path, [4, 6, 8, 10], run=down)
    line = only(scene.link())
    assert line.xyz_m[:, 1] == pytest.approx([1, 3, 4, 5, 6, 7, 8, 10], abs=0.01)
    assert line.run.tolist() == ["R1", "R1", "R2", "R1", "R2", "R1", "R2", "R2"]
    assert set(line.counter_scale) == {"R1", "R2"}
    # between stops of different runs, by the cable of the run that stopped on both sides
    assert line.stretches[1].counter_difference_m == pytest.approx(1.0, abs=0.01)
    assert 1.0 < line.stretches[1].reach_m < 1.4
    assert line.chi2 == pytest.approx(0, abs=0.01)


def rerun(rng: np.random.Generator, scale: float = 1.0) -> Scene:
    """A line pushed up one day and, from the other end, down another; stops fall close together."""
    path = [(0, 0, 0), (0, 9, 0.18), (6.4, 15.4, 0.3)]
    total = chainage(np.array(path, float))[-1]
    down = Run("R2", "L1", "CO2", 0.0, "with", LAG, RIDE)
    scene = Scene(runs=[R1, down])
    scene.stops(path, [1, 3.2, 5.4, 7.5, 10.5, 12.5, 14.5, 16.5], rng=rng)
    beside = rng.uniform(-0.3, 0.3, size=6)
    at = np.sort(np.array([3.2, 5.4, 7.5, 10.5, 13.5, 17.0]) + beside)
    assert at[-1] < total
    return scene.stops(path, at, run=down, rng=rng, scale=scale)


def test_stops_of_two_runs_at_one_place_share_a_vertex() -> None:
    """No leg of a few centimetres, no order to get wrong; every stop is in the record, once."""
    rng = np.random.default_rng(31)
    pipe = TrueLine("L1", np.array([(0, 0, 0), (0, 9, 0.18), (6.4, 15.4, 0.3)]), ("MAIN", "", "CO"))
    for _ in range(10):
        scene = rerun(rng)
        line = only(scene.link())
        refs = [r for r in line.ref.tolist() if r]
        assert sorted(refs) == sorted(f"{r.run}/{r.stop}" for r in scene.rows)
        assert backward_m(line.xyz_m, pipe) < 0.02


def test_what_two_runs_say_together_holds_the_truth() -> None:
    """Stops that share a vertex with another run's, and those that do not: honest errors."""
    rng = np.random.default_rng(32)
    inside, better = [], []
    for _ in range(24):
        scene = rerun(rng, scale=1.01)
        found = scene.link()
        line = only(found)
        for v in np.flatnonzero(line.fix >= 0):
            row = scene.rows[int(line.fix[v])]
            off = (line.xyz_m[v] - row.truth[:3])[:2]
            inside.append(off @ np.linalg.solve(line.cov_m2[v][:2, :2], off) < 5.991)
            better.append(np.trace(line.cov_m2[v]) / np.trace(row.cov[:3, :3]))
    assert 0.93 < np.mean(inside) < 0.99
    assert np.mean(better) < 0.5


def test_a_chord_beyond_its_counter_is_said_of_every_run() -> None:
    """Stops of another run in between hide nothing."""
    path = [(0, 0, 0), (0, 12, 0)]
    down = Run("R2", "L1", "CO2", 0.0, "with", LAG, RIDE)
    scene = Scene(runs=[R1, down]).stops(path, [1, 3, 5, 7]).stops(path, [4, 6, 8, 10], run=down)
    scene.rows[2].counter -= 1.0  # R1's third stop: 2 m apart, 1 m counted
    said = [f for f in scene.link().findings if called(f) == "counter-wrong/too-short"]
    assert [f.subject for f in said] == ["stop R1/3"]


def test_a_blunder_says_what_leaving_it_out_did() -> None:
    scene = Scene().stops([(0, 0, 0), (0, 20, 0.4)], [2, 4, 6, 8, 10, 12, 14])
    scene.rows[3].seen[0] += 1.0
    found = scene.link()
    said = finding(found, "blunder")
    assert said.subject == "stop R1/4"
    assert "leaving this out moves the line by up to" in said.by_how_much
    assert abs(only(found).xyz_m[3, 0]) < 0.05


def shared_scene(count: int) -> tuple[Fixes, Line]:
    """A straight line whose fixes are all off by one common error east, of 0.2 m."""
    scene = Scene().stops([(0, 0, 0), (0, 2.0 * count + 2, 0)], 2.0 * np.arange(1, count + 1))
    fixes = scene.solved().fixes
    shared = np.zeros((count, 5, 1))
    shared[:, 0, 0] = 0.2
    fixes = replace(fixes, shared=shared, cov=fixes.cov + shared @ np.swapaxes(shared, 1, 2))
    solved = replace(scene.solved(), fixes=fixes)
    return fixes, only(link(solved, scene.exposures(), scene.settings()))


def test_a_shared_error_does_not_average_out() -> None:
    """More stops make a line straighter, not better placed by a control point that is off."""
    for count in (4, 16):
        _, line = shared_scene(count)
        east = line.joint_cov_m2[::3, ::3]
        assert np.sqrt(np.diag(east)).min() > 0.19  # 0.2 m, as 400 paths show it
        apart = east[0, 0] + east[-1, -1] - 2 * east[0, -1]
        assert np.sqrt(apart) < 0.2


def test_an_exposure_tells_the_depth_scale_of_all_stops() -> None:
    """Stops all 0.10 m too deep by one receiver: one exposure lifts them all, and says by what."""
    scene = Scene().stops([(0, 0, 0), (0, 20, 0)], [2, 5, 8, 11, 14, 17])
    for row in scene.rows:
        row.seen[2] -= 0.10
        row.cov = np.diag([0.04, 0.04, 0.02, 0.05, 0.05]) ** 2
    scene.exposure("TH1", (0, 9.5, -RIDE), at=9.5)
    solved = scene.solved()
    shared = np.zeros((6, 5, 1))
    shared[:, 2, 0] = -0.08
    cov = solved.fixes.cov + shared @ np.swapaxes(shared, 1, 2)
    solved = replace(
        solved,
        fixes=replace(solved.fixes, shared=shared, cov=cov),
        depth_scales=(DepthScale("A", 1.0, 0.04),),
    )
    found = link(solved, scene.exposures(), scene.settings())
    assert only(found).xyz_m[:, 2] == pytest.approx(0.0, abs=0.03)
    scale = next(p for p in found.parameters if p.kind == "depth_scale")
    assert scale.subject == "receiver A, line L1"
    assert scale.value == pytest.approx(1.0 + 0.04 * 1.1, abs=0.01)
    assert scale.sigma < 0.02 < scale.prior_sigma


def test_a_level_at_a_counter_holds_the_line_there() -> None:
    scene = Scene().stops([(0, 0, 0), (0, 20, 0.4)], [2, 5, 8, 11, 14, 17])
    for row in scene.rows:
        row.seen[2] += 0.05
    exposures = scene.exposure("N1", (np.nan, np.nan, 0.19 - RIDE), at=9.5).exposures()
    exposures = replace(exposures, placed=np.zeros(1, bool), level_only=np.ones(1, bool))
    line = only(link(scene.solved(), exposures, scene.settings()))
    assert "N1" not in line.ref.tolist()
    here = np.interp(9.5, line.xyz_m[:, 1], line.xyz_m[:, 2])
    assert here == pytest.approx(0.19, abs=0.01)
    exposures = replace(exposures, counter_m=np.array([30.0]))
    found = link(scene.solved(), exposures, scene.settings())
    assert finding(found, "level-unused/off-line").subject == "exposure N1"


def test_bends_are_held_to_fittings_only_when_asked() -> None:
    turn = np.radians(47)
    path = [(0, 0, 0), (0, 8, 0), (8 * np.sin(turn), 8 + 8 * np.cos(turn), 0)]
    scene = Scene().stops(path, [2, 4, 6.5, 9.5, 11.5, 13.5])
    as_found = only(scene.link())
    scene.pipes = [replace(PVC, standard_bends=True)]
    found = scene.link()
    held = only(found)
    assert np.degrees(as_found.stretches[2].bend_rad[0]) == pytest.approx(47, abs=1)
    assert np.degrees(held.stretches[2].bend_rad[0]) == pytest.approx(45, abs=1)
    assert "45°" in finding(found, "bend-fitting/held").what
    assert "bend-fitting/held" not in [
        called(f) for f in scene.link().findings if f.severity == "error"
    ]


def test_a_junction_makes_no_line_less_sure() -> None:
    """The parent is one network with its branch; its own paths claim no more than without it."""
    alone = only(Scene().stops([(0, 0, 0), (0, 10, 0)], [1, 3, 5, 7]).link())
    parent, child = branch_scene(4.0).link().lines
    stops = parent.kind == "fix"
    assert (
        np.trace(parent.cov_m2[stops], axis1=1, axis2=2)
        <= np.trace(alone.cov_m2, axis1=1, axis2=2) * 1.05
    ).all()
    assert (parent.chi2, parent.dof) == (child.chi2, child.dof)


R2 = Run("R2", "L2", "CO1", 0.0, "against", LAG, RIDE)
SIDE = [(0, 0, 0), (0, 4, 0), (4, 8, 0)]  # the camera's way into the branch, from the same entry


def branch_scene(at_counter: float, at: Sequence[float] = (6, 8, 9)) -> Scene:
    scene = Scene(runs=[R1, R2], branches=[Branch("L2", "L1", at_counter, "R1")])
    return scene.stops([(0, 0, 0), (0, 10, 0)], [1, 3, 5, 7]).stops(SIDE, at, run=R2)


@pytest.mark.parametrize("at_counter", [4.0, np.nan])
def test_a_branch_meets_its_parent_in_one_point(at_counter: float) -> None:
    found = branch_scene(at_counter).link()
    parent, child = found.lines
    assert (child.joins, child.kind[0], child.ref[0]) == ("L1", "junction", "L1")
    here = child.joins_at
    assert (parent.kind[here], parent.ref[here]) == ("junction", "L2")
    assert parent.xyz_m[here].tolist() == child.xyz_m[0].tolist()
    plan, level = parent.cov_m2[here][:2, :2], parent.cov_m2[here][2, 2]
    assert plan.tolist() == child.cov_m2[0][:2, :2].tolist()
    assert level == pytest.approx(child.cov_m2[0][2, 2])
    assert parent.xyz_m[here] == pytest.approx([0, 4, 0], abs=0.02)
    assert parent.kind.tolist() == ["fix", "fix", "junction", "fix", "fix"]
    assert shapes(parent) == ["straight"] * 4
    ends = [(s.first, s.last) for s in parent.stretches]
    assert ends == [(0, 1), (1, 2), (2, 3), (3, 4)]
    split = parent.stretches[1].counter_difference_m + parent.stretches[2].counter_difference_m
    assert split == pytest.approx(2.0, abs=0.01)
    a, b = parent.cov_m2[here - 1], parent.cov_m2[here]
    pair = np.block([[a, parent.cross_m2[here - 1]], [parent.cross_m2[here - 1].T, b]])
    assert np.linalg.eigvalsh(pair).min() > 0
    if np.isfinite(at_counter):
        assert parent.counter_m[here] == pytest.approx(4.0)
        assert child.stretches[0].counter_difference_m == pytest.approx(2.0, abs=0.03)


def test_a_branch_that_cannot_meet_says_by_how_much() -> None:
    scene = Scene(runs=[R1, R2], branches=[Branch("L2", "L1", np.nan, "")])
    scene.stops([(0, 0, 0), (0, 10, 0)], [1, 3, 5, 7])
    scene.stops([(3, 12, 0), (9, 12, 0)], [1, 3], run=R2)
    found = scene.link()
    assert finding(found, "junction-doubtful").by_how_much.startswith("5.")
    assert found.lines[1].joins == ""


def test_a_junction_beyond_what_was_located_is_refused() -> None:
    found = branch_scene(9.0).link()
    assert finding(found, "junction-doubtful/off-line").by_how_much == "2.00\xa0m beyond"
    assert "Line" not in found.lines[1].joins
    assert found.lines[1].joins_at == -1


# ---- calibration ----------------------------------------------------------------------------


def wandering(rng: np.random.Generator, legs: Floats, start: float) -> Floats:
    """A path whose pieces wander about the pipe at each stop as the model says (each way)."""
    heading, tilt = start, 0.02
    out = [np.zeros(3)]
    for length in legs:
        out.append(out[-1] + length * directions(heading, tilt))
        heading += PIPE_WANDER_RAD * np.sqrt(2) * rng.normal()
        tilt += PIPE_WANDER_RAD * np.sqrt(2) * rng.normal()
    return np.array(out)


def drawn(rng: np.random.Generator, bent: bool) -> tuple[Line, Floats]:
    """One line of six stops and its true vertices, bend included."""
    legs = rng.uniform(1.5, 3.0, 5)
    path = wandering(rng, legs, float(rng.uniform(-3, 3)))
    stops = chainage(path)
    if bent:  # turn everything beyond a place in the third leg by 50°
        turn = np.radians(50)
        bend = (path[2] + path[3]) / 2
        r = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        path = np.concatenate([path[:3], bend[None], bend + (path[3:] - bend) @ r.T])
    scene = Scene()
    scale = 1 + ACCURACY.counter_scale_ratio * rng.normal()
    scene.stops(path, stops, rng=rng, scale=scale)
    # The pipe at a stop lies between the pieces before and after, each off by the wander.
    legs_dir = np.diff(path, axis=0)
    heading = np.unwrap(np.arctan2(legs_dir[:, 0], legs_dir[:, 1]))
    for row in scene.rows:
        v = int(np.argmin(np.linalg.norm(path - row.truth[:3], axis=1)))
        if 0 < v < len(path) - 1:
            middle = (heading[v - 1] + heading[v]) / 2
        else:
            middle = heading[min(v, len(heading) - 1)] + PIPE_WANDER_RAD * rng.normal()
        row.seen[3] += middle - heading[min(v, len(heading) - 1)]
    return only(scene.link()), path


def test_ellipsoids_hold_the_truth_and_chi2_is_its_dof() -> None:
    """80 seeded lines, half of them bent: 95 % ellipsoids hold 92–98 % of all vertices, bends
    included, and χ² sums to its degrees of freedom within 4 of its own σ.
    """
    rng = np.random.default_rng(2026)
    held: list[bool] = []
    chi2 = dof = told = 0.0
    for i in range(80):
        line, path = drawn(rng, bent=bool(i % 2))
        if len(line.xyz_m) != len(path) or "undecided" in shapes(line):
            continue
        off = line.xyz_m - path
        d2 = np.einsum("vi,vij,vj->v", off, np.linalg.inv(line.cov_m2), off)
        held += (d2 < stats.chi2.ppf(0.95, 3)).tolist()
        chi2, dof, told = chi2 + line.chi2, dof + line.dof, told + 1
    assert told > 75
    assert 0.92 < np.mean(held) < 0.98
    assert abs(chi2 - dof) < 4 * np.sqrt(2 * dof)
