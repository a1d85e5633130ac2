"""Lines surveyed by two runs and more: laid along one pipe, in order, and never doubled back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lateralline import stages
from lateralline.derive.level_band import cover_findings
from lateralline.kernels.curves import chainage
from lateralline.link import link
from lateralline.link.gather import gather_fixes
from lateralline.link.lines import LocatedPoint, NetworkLine, likely_positions_m
from lateralline.link.order import order_points, positions_along_m
from lateralline.link.shapes import choose_shapes
from lateralline.link.stochastic import nonzero_accuracy
from lateralline.proof.line_compare import backward_m
from lateralline.proof.line_scores import TwiceScore, no_exposures, score_twice_site
from lateralline.proof.line_truth import TWICE, Population, simulate_site
from lateralline.proof.lines import twice_measures
from lateralline.records import Floats, Linked
from lateralline.revise.containment import axes
from lateralline.settings import Branch, Run
from lateralline.simulate.truth import TrueLine
from lateralline.solve import solve
from lateralline.stages import SiteResult
from tests.support.finding_names import called
from tests.support.made_scene import LAG, NORTH, R1, RIDE, Scene, codes, finding, only
from tests.support.places import SAMPLES

LONG = [(0.0, 0.0, 0.0), (0.0, 24.0, 0.48)]
BENT = [(0.0, 0.0, 0.0), (0.0, 12.0, 0.24), (8.0, 20.0, 0.47)]
AGAIN = Run("R2", "L1", "CO1", 0.0, "against", LAG, RIDE)
DOWN = Run("R2", "L1", "CO2", 0.0, "with", LAG, RIDE)
EVERY_2M = np.arange(1.0, 24.0, 2.0)


def stops_in_order(found: Linked) -> list[str]:
    return [r for r in only(found).ref.tolist() if "/" in r]


def true_order(scene: Scene) -> list[str]:
    """By the truth's north: pipes here run north, or north-east."""
    rows = sorted(scene.rows, key=lambda r: float(r.truth[0] + r.truth[1]))
    return [f"{r.run}/{r.stop}" for r in rows]


def backward(scene: Scene, found: Linked, path: list[tuple[float, float, float]]) -> float:
    pipe = TrueLine("L1", np.array(path), ("MAIN", *[""] * (len(path) - 2), "CO"))
    assert sorted(stops_in_order(found)) == sorted(true_order(scene))  # every stop, once
    return backward_m(only(found).xyz_m, pipe)


# ---- order ----------------------------------------------------------------------------------


@pytest.mark.parametrize("way", TWICE, ids=lambda p: p.second)
def test_no_simulated_line_of_two_runs_doubles_back(way: Population) -> None:
    """Noise as told, stops where they fall: 8 of these 12 once did, by up to 0.7 m."""
    site = simulate_site(5, 0, 6, population=way)
    solved = solve(site.marks, site.stops, site.settings, no_exposures())
    found = link(solved, no_exposures(), site.settings)
    for line, true in zip(found.lines, site.lines, strict=True):
        assert backward_m(line.xyz_m, true) < 0.02
        refs = [r for r in line.ref.tolist() if r]
        mine = site.rows(true)
        assert sorted(refs) == sorted(f"{site.stops.run[i]}/{site.stops.stop[i]}" for i in mine)


@pytest.mark.parametrize(
    ("run", "path"), [(AGAIN, LONG), (DOWN, LONG), (AGAIN, BENT), (DOWN, BENT)]
)
@pytest.mark.parametrize("zero", [-0.9, 0.9])
def test_a_counter_read_off_another_mark_changes_no_order(
    run: Run, path: list[tuple[float, float, float]], zero: float
) -> None:
    """Stops 0.7 m apart, the second counter's zero 0.9 m off: its positions say where they lie."""
    rng = np.random.default_rng(7)
    at = EVERY_2M[chainage(np.array(path))[-1] - 1.0 > EVERY_2M]
    at = at[(at < 11.0) | (at > 13.0)]
    scene = Scene(runs=[R1, run]).stops(path, at, rng=rng).stops(path, at + 0.7, run=run, rng=rng)
    for row in scene.rows:
        row.counter += zero if row.run == "R2" else 0.0
    found = scene.link()
    assert stops_in_order(found) == true_order(scene)
    assert backward(scene, found, path) < 0.02
    assert not [f for f in found.findings if f.severity == "error"]


def test_a_counter_of_another_scale_changes_no_order() -> None:
    """Over 40 m two counters drift apart by more than their stops lie apart: 4 % here."""
    path = [(0.0, 0.0, 0.0), (0.0, 40.0, 0.8)]
    rng = np.random.default_rng(8)
    at = np.arange(1.0, 39.0, 2.0)
    scene = Scene(runs=[R1, AGAIN]).stops(path, at, rng=rng, scale=0.98)
    scene.stops(path, at + 0.8, run=AGAIN, rng=rng, scale=1.02)
    found = scene.link()
    assert stops_in_order(found) == true_order(scene)
    assert backward(scene, found, path) < 0.02


def test_runs_that_do_not_lie_beside_each_other_go_by_their_entry_or_straight_on() -> None:
    """A gap between them: nothing is projected, and what lies beyond stays beyond."""
    rng = np.random.default_rng(9)
    for run in (AGAIN, DOWN):
        scene = Scene(runs=[R1, run]).stops(LONG, [1, 3, 5, 7], rng=rng)
        scene.stops(LONG, [15, 17, 19, 21, 23], run=run, rng=rng)
        found = scene.link()
        assert stops_in_order(found) == true_order(scene)
        assert backward(scene, found, LONG) < 0.02


def test_a_third_run_is_laid_beside_both() -> None:
    third = Run("R3", "L1", "CO2", 0.0, "with", LAG, RIDE)
    rng = np.random.default_rng(10)
    scene = Scene(runs=[R1, AGAIN, third]).stops(LONG, EVERY_2M, rng=rng)
    scene.stops(LONG, EVERY_2M[:6] + 0.1, run=AGAIN, rng=rng)
    scene.stops(LONG, EVERY_2M[3:9] - 0.05, run=third, rng=rng)
    found = scene.link()
    assert backward(scene, found, LONG) < 0.02
    assert np.linalg.norm(np.diff(only(found).xyz_m, axis=0), axis=1).min() > 0.005
    assert set(only(found).counter_scale) == {"R1", "R2", "R3"}


def test_a_stop_whose_tilt_nothing_tells_is_laid_where_it_was_solved() -> None:
    """Freed of its tilt prior it may stand a metre on; its order is that of where it likely is."""
    cov = np.diag([0.05, 0.05, 0.05, 0.05, np.radians(20)]) ** 2
    cov[1, 4] = cov[4, 1] = 4.0 * cov[4, 4]  # a degree of tilt moves it by 0.07 m
    cov[1, 1] += 16.0 * cov[4, 4]
    tilt = np.radians(15)
    seen = np.array([0.0, 5.0 + 4.0 * tilt, -1.0])
    point = LocatedPoint("fix", "R1/3", "", 0, seen, 0.0, tilt, cov, {"R1": 5.0})
    assert likely_positions_m([point])[0] == pytest.approx([0.0, 5.0, -1.0], abs=0.08)
    others = [
        replace(
            point, ref=f"R1/{y}", xyz_m=np.array([0.0, y, -1.0]), tilt_rad=0.0, readings={"R1": y}
        )
        for y in (1.0, 3.0, 5.6)
    ]
    ordered, _ = order_points("L1", [*others, replace(point, heading_rad=np.pi)], [R1])
    assert np.cos([p.heading_rad for p in ordered]) == pytest.approx(1.0)  # all turned upstream


def test_a_line_begins_and_ends_where_the_outermost_stops_lie() -> None:
    """The second run's outermost stops lie 0.3 m beyond the first's, and ride on them."""
    scene = Scene(runs=[R1, AGAIN]).stops(LONG, EVERY_2M)
    scene.stops(LONG, [0.7, 11.9, 23.3], run=AGAIN)
    line = only(scene.link())
    assert [line.ref[0], line.ref[-1]] == ["R2/1", "R2/3"]
    assert line.xyz_m[[0, -1], 1] == pytest.approx([0.7, 23.3], abs=0.02)
    assert chainage(line.xyz_m)[-1] == pytest.approx(22.6, abs=0.03)
    assert line.stretches[0].first == 0
    assert line.stretches[-1].last == len(line.ref) - 1


def test_segments_joints_and_reach_go_from_stop_to_stop() -> None:
    rng = np.random.default_rng(11)
    scene = Scene(runs=[R1, DOWN]).stops(LONG, EVERY_2M, rng=rng)
    scene.stops(LONG, [2.9, 7.1, 12.0, 16.8, 21.0], run=DOWN, rng=rng)
    line = only(scene.link())
    ends = [(s.first, s.last) for s in line.stretches]
    assert ends == [(i, i + 1) for i in range(len(line.ref) - 1)]
    k = 3 * len(line.ref)
    assert line.joint_cov_m2.shape == (k, k)
    assert np.linalg.eigvalsh(line.joint_cov_m2).min() > -1e-9
    for i, cross in enumerate(line.cross_m2):
        at = slice(3 * i, 3 * i + 3), slice(3 * i + 3, 3 * i + 6)
        np.testing.assert_allclose(cross, line.joint_cov_m2[at])
    for s in line.stretches:
        assert s.chord_m <= s.reach_m
        assert s.reach_m < s.chord_m + 0.5


def test_a_junction_is_found_by_the_counter_of_a_run_whose_stops_ride() -> None:
    """None of R2's stops is a vertex; the branch gives its counter."""
    side = Run("R3", "L2", "CO3", 0.0, "with", LAG, RIDE)
    scene = Scene(runs=[R1, AGAIN, side]).stops(LONG, EVERY_2M)
    scene.stops(LONG, EVERY_2M[1:-1] + 0.02, run=AGAIN)
    scene.stops([(0, 12, 0.24), (6, 12, 0.36)], [1, 3, 5], run=side)
    scene.branches = [Branch("L2", "L1", 12.0, "R2")]
    found = scene.link()
    assert "junction-doubtful/off-line" not in codes(found)
    parent = next(x for x in found.lines if x.line == "L1")
    (at,) = np.flatnonzero(parent.kind == "junction")
    assert parent.xyz_m[at, :2] == pytest.approx([0.0, 12.0], abs=0.05)


def test_a_place_on_a_line_stays_where_it_is_when_a_bend_is_forgotten() -> None:
    """The legs are numbered anew: a junction beyond the bend would be on another stretch."""
    scene = Scene().stops(BENT, [2, 6, 10, 14, 18, 20])
    points, _ = gather_fixes("L1", scene.solved().fixes, scene.settings())
    part = NetworkLine(
        "L1", tuple(points), choose_shapes(points, nonzero_accuracy(scene.settings().accuracy))
    )
    assert part.shapes.shape[2] == "bend"
    loose = part.with_shapes(part.shapes.turning_at([2]))
    assert len(part.path[0]) == len(loose.path[0]) + 1
    assert part.carried(5, 0.25, loose) == pytest.approx((4, 0.25))  # beyond the bend
    assert part.carried(0, 0.5, loose) == pytest.approx((0, 0.5))  # before it
    leg, fraction = part.carried(3, 0.0, loose)  # at the bend itself
    assert leg == 2
    assert fraction == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("turn", [1.0, -1.0])
@pytest.mark.parametrize(("last", "first"), [(11.4, 12.6), (12.3, 11.9), (12.6, 12.9)])
def test_runs_that_meet_at_a_bend_are_not_laced(turn: float, last: float, first: float) -> None:
    """A run that begins round a right angle lies beside the other's straight all at one place.

    Laid by that, its stops were laced among the other's and the line drawn half as long again.
    """
    path = [(0.0, 0.0, 0.0), (0.0, 12.0, 0.24), (12.0 * turn, 12.0, 0.48)]
    down = replace(DOWN, counter_at_entry_m=0.4)
    rng = np.random.default_rng(7)
    scene = Scene(runs=[R1, down]).stops(path, [1.0, 3.1, 5.6, 8.2, last], rng=rng)
    scene.stops(path, [23.0, 20.6, 18.1, 15.3, first], run=down, rng=rng)
    found = scene.link()
    along = {f"{r.run}/{r.stop}": _along(r.truth, turn) for r in scene.rows}
    order = [along[ref] for ref in stops_in_order(found)]
    assert max(np.diff(order) * -1.0, default=0.0) < 0.5  # stops at one place may be exchanged
    assert chainage(only(found).xyz_m)[-1] == pytest.approx(22.0, abs=0.4)
    assert not {"shape-undecided/contradiction", "misfit/line", "line-not-located"} & {
        *codes(found)
    }


def _along(truth: Floats, turn: float) -> float:
    east, north = truth[:2]
    return float(north + turn * east)


# ---- a flow that cannot be ------------------------------------------------------------------


def against_each_other() -> Scene:
    """R2 was pushed down from CO2, and is written as if it had been pushed up."""
    scene = Scene(runs=[R1, DOWN]).stops(LONG, EVERY_2M)
    scene.stops(LONG, EVERY_2M[:-1] + 1.1, run=DOWN)
    scene.runs = [R1, replace(DOWN, flow="against")]
    return scene


def test_a_run_whose_flow_contradicts_the_other_is_named_and_left_out() -> None:
    found = against_each_other().link()
    said = finding(found, "stop-order/flow")
    assert (said.severity, said.subject) == ("error", "run R2")
    assert 'give flow = "with" for run R2' in said.what_to_do
    assert said.by_how_much == "11 stops left out"
    assert (said.values["other"], said.values["flow"]) == ("run R1", "with")  # as written: against
    line = only(found)
    assert set(line.run.tolist()) == {"R1"}
    assert chainage(line.xyz_m)[-1] == pytest.approx(22.0, abs=0.05)
    assert "adjustment-failed" not in codes(found)


def test_an_exposure_of_a_run_left_out_holds_the_line_without_its_counter() -> None:
    scene = against_each_other().exposure("TH1", (0.0, 10.0, 0.2), to="transmitter", at=12.0)
    scene.shots[0].run = "R2"
    line = only(scene.link())
    (at,) = np.flatnonzero(line.ref == "TH1")
    assert np.isnan(line.counter_m[at])
    assert line.xyz_m[at, :2] == pytest.approx([0.0, 10.0], abs=0.03)


def test_a_right_flow_is_not_doubted_whichever_way_a_run_goes() -> None:
    rng = np.random.default_rng(12)
    for run in (AGAIN, DOWN):
        scene = Scene(runs=[R1, run]).stops(BENT, EVERY_2M[:9], rng=rng)
        scene.stops(BENT, [4.1, 6.6, 9.0], run=run, rng=rng)
        assert "stop-order/flow" not in codes(scene.link())


def test_positions_need_no_counter_of_another_run() -> None:
    """Two stops of another run, half a metre apart: too few and too near to tell which way."""
    scene = Scene(runs=[R1, DOWN]).stops(NORTH, [1, 3, 5, 7, 9]).stops(NORTH, [4.0, 4.5], run=DOWN)
    scene.runs = [R1, replace(DOWN, flow="against")]
    assert "stop-order/flow" not in codes(scene.link())
    assert positions_along_m([], [R1]).shape == (0,)


def test_of_two_runs_of_one_stop_each_only_counters_and_entries_tell_the_order() -> None:
    """One stop tells no way along: whether the other run lies beside it cannot be seen."""
    other = replace(R1, id="R2", entry="CO2", counter_at_entry_m=1.5)
    scene = Scene(runs=[R1, other]).stops(NORTH, [2.0, 8.0])
    first, second = gather_fixes("L1", scene.solved().fixes, scene.settings())[0]
    two = [replace(first, readings={"R1": 2.0}), replace(second, readings={"R2": 4.0})]
    assert positions_along_m(two, [R1, other]) == pytest.approx([2.0, 2.5])
    _, findings = order_points("L1", two, [R1, other])
    assert [(f.code, f.values["point"]) for f in findings] == [("stop-order", "run R2")]


def test_a_run_that_shares_the_one_stop_laid_before_it_is_laid_by_that() -> None:
    """Its own counter began elsewhere: 2 m at the shared stop, so 8 m where it read 6 m more."""
    other = replace(R1, id="R2", entry="CO2", counter_at_entry_m=1.5, flow="unknown")
    scene = Scene(runs=[R1, other]).stops(NORTH, [2.0, 8.0])
    first, second = gather_fixes("L1", scene.solved().fixes, scene.settings())[0]
    shared = replace(first, readings={"R1": 2.0, "R2": 4.0})
    two = [shared, replace(second, readings={"R2": 10.0})]
    assert positions_along_m(two, [R1, other]) == pytest.approx([2.0, 8.0], abs=0.01)
    assert order_points("L1", two, [R1, other])[1] == []


def test_a_point_that_nothing_lays_along_the_line_is_named() -> None:
    """An exposure without a counter, and one stop: it may lie before or behind."""
    scene = Scene().stops(NORTH, [2.0, 8.0])
    first, second = gather_fixes("L1", scene.solved().fixes, scene.settings())[0]
    exposed = replace(second, kind="exposure", ref="TH1", fix=-1, readings={})
    _, findings = order_points("L1", [first, exposed], [R1])
    assert [f.values["point"] for f in findings] == [exposed.subject]


# ---- above the ground -----------------------------------------------------------------------


def test_a_pipe_above_the_ground_is_an_error() -> None:
    site = SAMPLES / "slope-levels"
    result = stages.run_site(site, until="derive")
    assert isinstance(result, SiteResult)
    assert not [f for f in result.findings if called(f) == "cover-negative"]
    (axis,) = axes(result.work).values()
    assert not cover_findings(axis)
    (said,) = cover_findings(replace(axis, ground_m=axis.ground_m - 2.0))
    assert (said.severity, said.subject) == ("error", "line L1")
    assert said.by_how_much.startswith("cover -")


# ---- the proof ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def scores() -> list[TwiceScore]:
    return score_twice_site(3, 0, 4, TWICE[0])


def test_two_runs_are_surer_than_one(scores: list[TwiceScore]) -> None:
    rows = {m.what: m for m in twice_measures("two runs", scores)}
    assert rows["a leg against the pipe by more than 2 cm"].value == 0.0
    assert not any(m.missed for m in rows.values())
    assert 0.3 < rows["adjusted centreline over that of the first run alone"].value < 1.0


def test_a_line_that_doubles_back_is_caught(scores: list[TwiceScore]) -> None:
    spoilt = [replace(scores[0], backward_m=0.03, contained=0.99), *scores[1:]]
    missed = {m.what for m in twice_measures("two runs", spoilt) if m.missed}
    assert "a leg against the pipe by more than 2 cm" in missed
    undrawn = [replace(s, backward_m=float("nan"), contained=0.0) for s in scores]
    missed = {m.what for m in twice_measures("two runs", undrawn) if m.missed}
    assert missed == {"a leg against the pipe by more than 2 cm", "corridor holds the whole pipe"}


def test_a_leg_backwards_is_measured_along_the_pipe() -> None:
    pipe = TrueLine("L1", np.array(BENT), ("MAIN", "", "CO"))
    there = pipe.at(np.array([1.0, 5.0, 4.7, 11.0, 14.0]))
    assert backward_m(there, pipe) == pytest.approx(0.3)
    assert backward_m(np.sort(there, axis=0), pipe) == 0.0
