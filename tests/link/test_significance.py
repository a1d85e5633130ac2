"""What link believes, doubts or refuses: each limit at its two sides, the sign of each story."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy import stats

from lateralline.link import _entry_findings
from lateralline.link.gather import gather_fixes, without_far_points
from lateralline.link.global_test import _midway, is_gross, misfit, undecided_shapes
from lateralline.link.lines import (
    LocatedPoint,
    NetworkLine,
    PointObservations,
    Shapes,
    SuspectedBlunder,
)
from lateralline.link.order import _along_both, _backward, _beside
from lateralline.link.result import _counted
from lateralline.link.search import Fit, _rival
from lateralline.link.shapes import StretchAdjustment, _one_bend
from lateralline.link.shifts import OccupationShift, _else, shift_finding
from lateralline.link.stochastic import (
    LOOSE_TILT_RAD,
    balance_sigma,
    counter_variance,
    factorable,
    limit_of,
    nonzero_accuracy,
    without_tilt_prior,
)
from lateralline.records import Fixes
from lateralline.settings import bare_settings
from tests.support.finding_names import called
from tests.support.made_scene import ACCURACY, R1

# ---- the global test -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chi2", "dof", "gross"),
    [
        (10.1**2 * 4, 4, True),
        (9.9**2 * 4, 4, False),  # σ₀ under ten
        (101.0, 1, True),
        (99.0, 1, False),
        (1e9, 0, False),  # nothing to judge by
    ],
)
def test_a_misfit_is_gross_past_ten_times_the_stated_accuracies(
    chi2: float, dof: int, gross: bool
) -> None:
    assert is_gross(chi2, dof) is gross


@pytest.mark.parametrize(("share", "warned"), [(0.99, False), (1.01, True)])
def test_the_global_test_warns_past_its_upper_two_and_a_half_percent(
    share: float, warned: bool
) -> None:
    chi2 = share * float(stats.chi2.isf(0.025, 8))  # 17.535
    result = SimpleNamespace(chi2=chi2, dof=8)
    lines = [SimpleNamespace(id="L1"), SimpleNamespace(id="L2")]
    fit = SimpleNamespace(result=result, model=SimpleNamespace(lines=lines))
    found = misfit(cast(Fit, fit))
    assert [called(f) for f in found] == (["misfit/line"] if warned else [])
    if warned:
        assert found[0].subject == "lines L1, L2"
        assert found[0].values["misfit_ratio"] == pytest.approx(np.sqrt(chi2 / 8))
        assert found[0].values["limit"] == pytest.approx(17.535, abs=1e-3)


# ---- two occupations that differ -----------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "sigma", "better", "sure"),
    [
        ((0.0, 0.2), 0.05, 5.0, True),  # 0.2 m further up the pipe than its cable: over 3.5 σ
        ((0.0, 0.17), 0.05, 5.0, False),  # under 3.5 σ
        ((0.0, -0.2), 0.05, 5.0, True),  # too short by 0.2 m without a step aside
        ((0.0, -0.17), 0.05, 5.0, False),
        ((0.4, -0.55), 0.05, 5.0, False),  # two bends of 90° may do 0.4 m: 0.15 m is under 3.5 σ
        ((0.4, -0.60), 0.05, 5.0, True),
        ((-0.4, -0.55), 0.05, 5.0, False),  # either side
        ((0.4, 0.0), 0.05, 5.0, False),  # a step aside alone
        ((0.0, 0.2), 0.05, 3.8, False),  # another story is nearly as good
        ((0.0, 0.2), 0.05, 3.9, True),
        ((0.0, 2.0), 0.29, 5.0, True),
        ((0.0, 2.0), 0.31, 5.0, False),  # known no better than a bend that lies otherwise
    ],
)
def test_a_shift_is_sure_where_no_pipe_could_do_the_same(
    size: tuple[float, float], sigma: float, better: float, sure: bool
) -> None:
    way = np.array([0.0, 1.0])
    for angle in np.radians([0.0, 90.0, 30.0, -50.0]):
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        shift = OccupationShift(
            2, turn @ np.array(size), sigma**2 * np.eye(2), turn @ way, 50.0, 20.0, better
        )
        assert shift.sure is sure
        assert shift.beside == (2, 3)


# ---- stochastic model ----------------------------------------------------------------------


def test_counters_differ_by_two_readings_and_the_slack_between() -> None:
    """50 mm each; 0.5 % of 10 m."""
    assert counter_variance(np.array([0.0, 10.0]), ACCURACY) == pytest.approx([0.005, 0.0075])
    assert balance_sigma(np.array([3.0, 0.01])) == pytest.approx(np.array([3.0, 0.05]) / np.sqrt(3))
    exact = nonzero_accuracy(replace(ACCURACY, counter_m=0.0, counter_scale_ratio=0.0))
    assert (exact.counter_m, exact.counter_scale_ratio) == (1e-4, 1e-6)
    assert nonzero_accuracy(ACCURACY) == ACCURACY


@pytest.mark.parametrize(
    ("what", "alpha"), [("level", 2e-4), ("heading", 2e-4), ("kink", 1e-4), ("plan", 1e-3)]
)
def test_readings_are_refused_at_their_own_significance(what: str, alpha: float) -> None:
    for freedoms in (1, 2):
        assert stats.chi2.sf(limit_of(what, freedoms), freedoms) == pytest.approx(alpha)


def test_a_tilt_its_prior_told_alone_becomes_loose_and_one_observed_keeps_its_size() -> None:
    """Information 1/σ² of the prior is taken away, that of a loose one put in its place."""
    prior, seen = np.radians(5.0), np.radians(3.0)
    for observed in (0.0, seen**-2):
        cov = np.diag([0.01, 0.01, 0.01, 0.02, 1 / (observed + prior**-2)])
        cov[0, 4] = cov[4, 0] = 0.3 * np.sqrt(cov[0, 0] * cov[4, 4])
        x, wide = without_tilt_prior(np.array([1.0, 2.0, 3.0, 0.1, 0.02]), cov, prior)
        assert wide[4, 4] == pytest.approx(1 / (observed + LOOSE_TILT_RAD**-2))
        grown = wide[4, 4] / cov[4, 4]
        assert x[4] == pytest.approx(0.02 * grown)
        share = cov[0, 4] / cov[4, 4]
        assert x[0] == pytest.approx(1.0 + share * 0.02 * (grown - 1))
        assert wide[0, 0] == pytest.approx(0.01 + share**2 * (wide[4, 4] - cov[4, 4]))
        assert x[1:4].tolist() == [2.0, 3.0, 0.1]


def test_a_tilt_that_marks_hardly_tell_is_freed_by_two_of_its_new_deviations_at_most() -> None:
    """10° under a prior of 5°, told by nothing: 10° + 2 × 20°, where a normal one had 160°."""
    cov = np.diag([0.01, 0.01, 0.01, 0.02, np.radians(5.0) ** 2])
    for tilt in (10.0, -10.0):
        pose = np.array([1.0, 2.0, 3.0, 0.1, np.radians(tilt)])
        x, wide = without_tilt_prior(pose, cov, np.radians(5.0))
        assert np.degrees(x[4]) == pytest.approx(5.0 * tilt)
        assert np.degrees(np.sqrt(wide[4, 4])) == pytest.approx(20.0)


def test_a_covariance_that_rounding_spoilt_is_made_definite_and_a_sound_one_kept() -> None:
    sound = np.diag([1.0, 2.0, 3.0, 0.0, 0.0])
    assert factorable(sound) == pytest.approx(sound)
    spoilt = np.diag([1.0, 4.0, 1.0, 1.0, 0.0])
    spoilt[0, 1] = spoilt[1, 0] = 2.0 * (1 + 1e-8)  # a correlation just over one
    mended = factorable(spoilt)
    np.linalg.cholesky(mended[:4, :4])
    assert mended == pytest.approx(spoilt, abs=1e-6)
    assert mended[4].tolist() == [0.0] * 5


# ---- order ---------------------------------------------------------------------------------

CORNER = np.array([[0.0, 0.0], [0.0, 10.0], [10.0, 10.0]])
KEYS = np.array([5.0, 15.0, 25.0])


@pytest.mark.parametrize(
    ("at", "key", "within"),
    [
        ((0.3, 4.0), 9.0, True),
        ((4.0, 10.2), 19.0, True),
        ((0.0, -2.0), 3.0, False),  # straight on before the first
        ((12.0, 10.0), 27.0, False),  # and past the last
        ((6.0, -3.0), 5.0 - np.hypot(6.0, 3.0), False),  # round a bend: as far as it is away
        ((13.0, 20.0), 25.0 + np.hypot(3.0, 10.0), False),
    ],
)
def test_a_point_lies_beside_a_path_where_its_foot_is(
    at: tuple[float, float], key: float, within: bool
) -> None:
    keys, on = _beside(np.array([at]), CORNER, KEYS)
    assert keys[0] == pytest.approx(key)
    assert bool(on[0]) is within
    # whatever the order the path is given in
    again, _ = _beside(np.array([at]), CORNER[::-1], KEYS[::-1])
    assert again[0] == pytest.approx(key)


@pytest.mark.parametrize(("slope", "backward"), [(1.0, False), (-0.4, False), (-0.6, True)])
def test_a_run_goes_backward_where_its_stops_lie_in_the_reverse_order(
    slope: float, backward: bool
) -> None:
    along = np.array([0.0, 4.0, 8.0, 12.0, 30.0])
    beside = slope * along
    within = np.array([True, True, True, True, False])
    assert _backward(along, beside, within) is backward
    assert not _backward(along, beside, np.zeros(5, dtype=bool))


def test_a_run_from_the_same_entry_starts_where_the_other_does() -> None:
    """Nothing lies beside the other: the counter's own zero, and its own scale."""
    along = np.array([3.0, 6.0, 9.0])
    nowhere = np.zeros(3, dtype=bool)
    assert _along_both(along, np.zeros(3), nowhere, 2.0) == pytest.approx(along + 2.0, abs=1e-6)


def test_an_entry_s_zero_may_slip_and_the_stops_beside_the_other_run_decide() -> None:
    along = np.arange(2.0, 42.0, 2.0)
    lain = along + 0.4
    got = _along_both(along, lain, np.ones(20, dtype=bool), 0.0)
    assert got == pytest.approx(lain, abs=0.1)
    assert (np.diff(got) > 0).all()


# ---- what is said of a line ----------------------------------------------------------------


def suspect(ref: str, statistic: float) -> SuspectedBlunder:
    alternative = SimpleNamespace(subject=SimpleNamespace(ref=ref))
    return cast(SuspectedBlunder, SimpleNamespace(alternative=alternative, statistic=statistic))


def test_another_point_s_error_ties_within_3_84_of_the_worst() -> None:
    """χ² of one freedom at 95 %."""
    worst = suspect("R1/3", 30.0)
    assert _rival(suspect("R1/4", 26.2), worst)
    assert not _rival(suspect("R1/4", 26.1), worst)
    assert not _rival(suspect("R1/3", 29.0), worst)


def read_at(*counters: float, run: str = "R1") -> list[LocatedPoint]:
    """Points every 4 m along a pipe that runs north, with these counters; NaN = none."""
    return [
        LocatedPoint(
            "fix", f"{run}/{i}", "", i, np.array([0.0, 4.0 * i, 0.0]), 0.0, 0.0, np.eye(5),
            {run: c} if np.isfinite(c) else {},
        )
        for i, c in enumerate(counters)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "told"), [(0.49, None), (0.51, 0.11), (0.29, 0.11), (1.4, 1.0), (np.nan, 2.6)]
)
def test_the_counted_length_before_the_first_located_point_is_told(
    first: float, told: float | None
) -> None:
    """From 0.10 m; the counter stood at 0.4 m in the entry."""
    run = replace(R1, counter_at_entry_m=0.4)
    found = _entry_findings([run], read_at(7.0, 3.0, first))
    assert [called(f) for f in found] == ([] if told is None else ["entry-not-located"])
    if told is not None:
        assert found[0].values["counted_m"] == pytest.approx(told)


@pytest.mark.parametrize(
    ("stretch", "expected"),
    [(0, (0, 2, 4.0)), (1, (0, 2, 4.0)), (2, (2, 3, 2.5)), (3, (3, 4, 3.0))],
)
def test_a_stretch_s_length_is_counted_by_the_run_that_read_nearest_about_it(
    stretch: int, expected: tuple[int, int, float]
) -> None:
    readings = [{"A": 1.0}, {}, {"A": 5.0, "B": 9.0}, {"A": 7.0, "B": 6.5}, {"B": 3.5}]
    scales = {"B": (0.99, 0.01), "A": (1.0, 0.015)}
    low, high, counted, scale, _ = _counted(readings, stretch, scales)
    assert (low, high, counted) == expected
    assert scale == (0.99 if stretch > 1 else 1.0)
    assert np.isnan(_counted(readings, 0, {"B": (1.0, 0.01)})[2])


def test_a_crew_finds_the_middle_of_a_stretch_by_the_counter_read_nearest_about_it() -> None:
    """Half-way by distance between the readings about it, and the lag of the transmitter more."""
    settings = replace(bare_settings(), runs=(R1,), units={"counter": "ft"})
    line = cast(NetworkLine, SimpleNamespace(points=read_at(1.0, np.nan, 9.0, 13.2)))
    for stretch, counter in ((0, 3.0), (1, 7.0), (2, 11.1)):
        found = _midway(line, stretch, settings)
        assert found["uncounted"] is False
        assert (found["unit"], found["run"]) == ("ft", "R1")
        assert found["counter"] == pytest.approx((counter + R1.transmitter_lag_m) / 0.3048)
    bare = cast(NetworkLine, SimpleNamespace(points=read_at(np.nan, np.nan)))
    assert _midway(bare, 0, settings) == {"uncounted": True}


def test_one_bend_starts_where_two_legs_alike_meet() -> None:
    """Of two legs of 3 m that turn by 60°, counted: the bend itself."""
    h = np.radians(30.0)
    bend = 3.0 * np.array([np.sin(h), np.cos(h), 0.0])
    ends = np.zeros(3), np.array([6.0 * np.sin(h), 0.0, 0.0])
    ways = np.pi / 6, np.pi - np.pi / 6
    points = [
        LocatedPoint("fix", str(i), "", i, xyz, way, 0.0, 1e-4 * np.eye(5), {"R1": 6.0 * i})
        for i, (xyz, way) in enumerate(zip(ends, ways, strict=True))
    ]
    one = np.arange(1)
    stretch = StretchAdjustment.of(PointObservations.of(points), one, one + 1, ACCURACY)
    assert _one_bend(stretch)[0, 0] == pytest.approx(bend)


# ---- shapes --------------------------------------------------------------------------------


def three_bends() -> Shapes:
    """Three stretches, each with a bend."""
    off = np.zeros(3, dtype=bool)
    bend = np.array([[1.0, 2.0, 3.0]])
    return Shapes(
        ("bend",) * 3, (bend,) * 3, off, off, off, np.full((3, 2), np.nan), off,
        np.zeros((3, 3)), np.zeros((3, 3), np.int64), np.zeros(3),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("change", "undecided", "contradicted", "beside", "ambiguous"),
    [
        (lambda s: s.left_undecided(1), [1], [1], [], []),
        (lambda s: s.turning_at([1]), [0, 1], [], [0, 1], []),
        (lambda s: s.turning_at([2]), [1, 2], [], [1, 2], []),
        (lambda s: s.left_undecided(1).ambiguous_at(1), [1], [], [], [1]),
        (lambda s: s.left_undecided(1).ambiguous_at(0), [0, 1], [1], [], [0]),
        (lambda s: s.left_undecided(1).straightened([1]), [], [], [], []),
        (lambda s: s.left_undecided(1).bent(1, np.zeros((2, 3))), [], [], [], []),
        (lambda s: s.straightened([0]).without("bend"), [1, 2], [1, 2], [], []),
        (lambda s: s.stepping([2], np.array([[0.1, 0.2]]), surely=True), [2], [], [], []),
    ],
)
def test_a_change_of_shape_is_of_its_stretch_alone(
    change: Callable[[Shapes], Shapes],
    undecided: list[int],
    contradicted: list[int],
    beside: list[int],
    ambiguous: list[int],
) -> None:
    got = change(three_bends())
    assert [i for i, s in enumerate(got.shape) if s == "undecided"] == undecided
    assert np.flatnonzero(got.contradicted).tolist() == contradicted
    assert np.flatnonzero(got.beside_turn).tolist() == beside
    assert np.flatnonzero(got.ambiguous).tolist() == ambiguous
    count = {"straight": 0, "undecided": 0, "bend": 1, "two_bends": 2}
    assert [len(b) for b in got.bends_m] == [count[s] for s in got.shape]


def test_a_doubted_step_stays_straight_and_a_sure_one_does_not() -> None:
    by = np.array([[0.1, 0.2]])
    doubt, sure = (three_bends().stepping([1], by, surely=s) for s in (False, True))
    assert doubt.kept_straight.tolist() == [False, True, False]
    assert not sure.kept_straight.any()
    assert doubt.step_m[1].tolist() == [0.1, 0.2]
    assert np.isnan(doubt.step_m[[0, 2]]).all()


@pytest.mark.parametrize(
    ("left_out", "shape", "something"),
    [
        ([1], "straight", True),
        ([2], "straight", True),
        ([0, 3], "straight", False),
        ([], "straight", False),
        ([], "undecided", True),
    ],
)
def test_a_stretch_has_something_else_where_it_bends_or_an_end_is_left_out(
    left_out: list[int], shape: str, something: bool
) -> None:
    blunders = [SimpleNamespace(alternative=SimpleNamespace(point=i)) for i in left_out]
    line = SimpleNamespace(shapes=SimpleNamespace(shape=("bend", shape, "bend")))
    fit = cast(Fit, SimpleNamespace(left_out=blunders))
    assert _else(cast(NetworkLine, line), fit, 1) is something


@pytest.mark.parametrize(
    ("shapes", "code", "variant"),
    [
        (three_bends().left_undecided(1), "shape-undecided/contradiction", "contradiction"),
        (
            three_bends().stepping([1], np.array([[0.1, 0.2]]), surely=True),
            "shape-undecided/step",
            "step",
        ),
        (three_bends().ambiguous_at(1), "shape-undecided", "alike"),
        (replace(three_bends(), shape=("bend", "undecided", "bend")), "shape-undecided", "hidden"),
    ],
)
def test_an_undecided_stretch_says_why_and_points_at_its_upstream_end(
    shapes: Shapes, code: str, variant: str
) -> None:
    stops = read_at(0.0, 4.0, 8.0, 12.0)
    points = [replace(p, where=f"stops.csv:{i}") for i, p in enumerate(stops)]
    shapes = replace(
        shapes, chi2=np.full((3, 3), 32.0), dof=np.full((3, 3), 2), hidden_bend=np.full(3, 9.0)
    )
    line = cast(NetworkLine, SimpleNamespace(id="L1", points=points, shapes=shapes))
    (found,) = undecided_shapes(line, replace(bare_settings(), runs=(R1,)))
    assert (called(found), found.variant, found.where) == (code, variant, "stops.csv:2")
    assert (found.values["start"], found.values["end"]) == ("stop R1/1", "stop R1/2")
    if code == "shape-undecided/contradiction":
        assert found.values["misfit_ratio"] == pytest.approx(4.0)
    if code == "shape-undecided/step":
        assert (found.values["across_m"], found.values["up_m"]) == (0.1, 0.2)
    if variant == "hidden":
        assert found.values["times"] == pytest.approx(3.0)


# ---- stops that lie elsewhere --------------------------------------------------------------


@pytest.mark.parametrize(
    ("stretch", "few", "sign"),
    [(0, ["R1/0"], -1.0), (1, ["R1/2", "R1/3"], 1.0), (2, ["R1/3"], 1.0)],
)
def test_of_stops_shifted_the_fewer_are_named_with_their_own_shift(
    stretch: int, few: list[str], sign: float
) -> None:
    """The size given is of those upstream against the others; of those downstream it is less."""
    stops = read_at(0.0, 4.0, 8.0, 12.0)
    line = cast(NetworkLine, SimpleNamespace(id="L1", points=stops))
    shift = OccupationShift(
        stretch, np.array([0.3, 0.4]), 1e-4 * np.eye(2), np.array([0.0, 1.0]), 40.0, 12.0
    )
    found = shift_finding(line, shift)
    assert list(found.about) == [f"stop {ref}" for ref in few]
    assert (found.values["start"], found.values["end"]) == (
        f"stop R1/{stretch}", f"stop R1/{stretch + 1}",
    )  # fmt: skip
    assert found.values["off_m"] == pytest.approx(0.5)
    bearing = np.degrees(np.arctan2(sign * 0.3, sign * 0.4)) % 360.0
    assert found.values["bearing_deg"] == pytest.approx(bearing)
    assert (found.values["statistic"], found.values["limit"]) == (40.0, 12.0)


@pytest.mark.parametrize(("sigma", "kept"), [(99.0, True), (101.0, False)])
def test_a_stop_known_no_better_than_100_m_has_no_place(sigma: float, kept: bool) -> None:
    fixes = SimpleNamespace(
        run=np.array(["R1", "R1"]), stop=np.array(["1", "2"]), row=np.array([2, 3]),
        counter_m=np.array([4.0, 8.0]), solved=np.ones(2, bool), where=str,
        xyz_m=np.zeros((2, 3)), heading_rad=np.zeros(2), tilt_rad=np.zeros(2), shared=np.zeros(0),
        cov=np.stack([np.eye(5), np.diag([1.0, sigma**2, 1.0, 1.0, 1.0])]),
        tilt_prior_rad=np.full(2, np.nan), by_gnss=np.zeros(0), depth_m=np.ones(2),
        metal=np.zeros(0), axis_sigma_m=np.zeros((0, 2)),
    )  # fmt: skip
    settings = replace(bare_settings(), runs=(R1,), accuracy=ACCURACY)
    points, found = gather_fixes("L1", cast(Fixes, fixes), settings)
    assert [p.ref for p in points] == ["R1/1", *(["R1/2"] if kept else [])]
    assert [called(f) for f in found] == ([] if kept else ["stop-not-located/vague"])
    if not kept:
        assert found[0].values["sigma_m"] == pytest.approx(sigma)


def scattered(*norths: float) -> list[LocatedPoint]:
    return [
        replace(p, xyz_m=np.array([0.0, n, 0.0]))
        for p, n in zip(read_at(*range(len(norths))), norths, strict=True)
    ]


@pytest.mark.parametrize(
    ("norths", "others", "kept"),
    [
        ([0.0, 490.0], [], 2),
        ([0.0, 5.0, 520.0], [], 2),  # the larger group
        ([0.0, 520.0], [], 0),  # nothing tells which
        ([0.0, 520.0], [[10.0, 0.0]], 1),  # another line does
        ([0.0, 520.0], [[10.0, 260.0]], 0),  # which is near both
        ([0.0, 520.0], [[5000.0, 0.0]], 0),  # or neither
        ([0.0, 520.0, 1040.0, 1045.0], [[0.0, 0.0]], 2),
    ],
)
def test_points_500_m_apart_are_of_two_places_and_the_larger_is_believed(
    norths: list[float], others: list[list[float]], kept: int
) -> None:
    points, found = without_far_points("L1", scattered(*norths), np.array(others).reshape(-1, 2))
    assert len(points) == kept
    if not kept:
        assert [f.variant for f in found] == ["scattered"]
        assert found[0].values["across_m"] == pytest.approx(max(norths))
