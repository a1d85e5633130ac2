"""Single steps of solve by themselves: what each limit and each sign in them does."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from lateralline.kernels.variance import Networks
from lateralline.records import Fixes, StopRows
from lateralline.settings import standard_accuracy
from lateralline.solve import solve
from lateralline.solve.batch import solve_level
from lateralline.solve.covariance import average
from lateralline.solve.doubt import _by_chance, _Cases
from lateralline.solve.gather import (
    NEIGHBOUR_SIGMA_RAD,
    UNKNOWN_SIGMA_RAD,
    _MarkTally,
    _travel,
    along_run_m,
    gather,
)
from lateralline.solve.problem import END, LOOSE_RAD, TOTAL, StopProblem
from lateralline.solve.residuals import _placing_m2, stop_residuals
from lateralline.solve.scale import BLUNDER_SIGMAS, GROSS, _against_marks
from lateralline.solve.spacing import _stretches, spacing_residuals
from tests.solve.test_solve import settings, simulate
from tests.support.made_scene import ACCURACY, Scene


def way(apart_m: float, *, soft: bool) -> tuple[float, float]:
    """The direction at the middle of three stops 1 m deep that stand in a row, and its σ."""
    count = np.zeros((8, 3), dtype=np.int64)
    count[TOTAL if soft else END] = 1
    middle = np.stack([apart_m * np.arange(3.0), np.zeros(3)])
    stops = SimpleNamespace(
        row=np.arange(3),
        run=np.full(3, "R1"),
        counter_m=apart_m * np.arange(3.0),
        depth_reading_m=np.ones(3),
    )
    tally = cast(_MarkTally, SimpleNamespace(count=count, middle_m=middle))
    heading, sigma = _travel(tally, cast(StopRows, stops), standard_accuracy())
    return float(heading[1]), float(sigma[1])


@pytest.mark.parametrize("apart_m", [3.0, 6.0])
def test_soft_stops_turn_the_way_between_them_less_the_further_they_are_apart(
    apart_m: float,
) -> None:
    """Each end √2 · 0.20 of its depth of 1 m, over the distance of both neighbours."""
    heading, sigma = way(apart_m, soft=True)
    assert heading == pytest.approx(np.pi / 2)
    turn = np.sqrt(2) * np.sqrt(2) * 0.20 / (2 * apart_m)
    assert sigma == pytest.approx(np.hypot(NEIGHBOUR_SIGMA_RAD, turn))
    assert sigma < UNKNOWN_SIGMA_RAD


def test_sharp_stops_turn_nothing() -> None:
    assert way(3.0, soft=False)[1] == pytest.approx(NEIGHBOUR_SIGMA_RAD)


def test_the_way_of_travel_is_that_of_a_stop_s_own_run() -> None:
    """Of two runs side by side, one to the east and one to the north, and a stop nobody located."""
    middle = np.array([[0.0, 4.0, 1.0, 1.0, np.nan], [0.0, 0.0, 2.0, 7.0, np.nan]])
    count = np.zeros((8, 5), dtype=np.int64)
    count[END] = np.isfinite(middle[0])
    stops = SimpleNamespace(
        row=np.arange(5),
        run=np.array(["R1", "R1", "R2", "R2", "R2"]),
        counter_m=np.array([0.0, 4.0, 0.0, 5.0, 2.0]),
        depth_reading_m=np.ones(5),
    )
    tally = cast(_MarkTally, SimpleNamespace(count=count, middle_m=middle))
    heading, _ = _travel(tally, cast(StopRows, stops), standard_accuracy())
    assert heading[:4] == pytest.approx([np.pi / 2, np.pi / 2, 0.0, 0.0])


def test_what_holds_for_all_marks_of_a_stop_fails_with_one_of_them() -> None:
    marks, stops, _ = simulate(3, ("end_null", "mid_null"), 3)
    gathered = gather(marks, stops, settings())
    all_but_one = np.arange(len(marks.row)) != np.flatnonzero(marks.stop == "1")[0]
    assert gathered.all_marks(np.ones(len(marks.row), dtype=bool)).tolist() == [True] * 3
    assert gathered.all_marks(all_but_one).tolist() == [True, False, True]


def test_placing_is_in_a_mark_s_covariance_where_that_is_as_wide_whichever_way() -> None:
    """A long thin ellipse across the axes is narrower than both of its columns say."""
    m2 = standard_accuracy().mark_placing_m ** 2
    wide, thin = 2.0 * m2 * np.eye(3), m2 * np.array([[2.0, 1.5, 0], [1.5, 2.0, 0], [0, 0, 1.0]])
    marks = SimpleNamespace(cov_m2=np.stack([wide, thin, m2 * np.eye(3)], axis=-1))
    problem = SimpleNamespace(accuracy=standard_accuracy(), marks=marks)
    assert _placing_m2(cast(StopProblem, problem)) == pytest.approx([m2, 0.0, m2])


def test_stops_without_counter_stand_along_their_run_by_plan() -> None:
    """A counter that runs down: before the first one read, between two, after the last."""
    counter = np.array([np.nan, 9.0, np.nan, 5.0, np.nan])
    xy = np.column_stack([np.zeros(5), [0.0, 1.0, 3.0, 5.0, 6.5]])
    assert along_run_m(counter, xy) == pytest.approx([10.0, 9.0, 7.0, 5.0, 3.5])


@pytest.mark.parametrize(
    ("ratio", "sigma_m", "denied"),
    [
        (2.1, 0.05, True),  # over the factor, and 4 σ of some 0.1
        (1.9, 0.05, False),  # under the factor
        (0.45, 0.05, True),
        (0.55, 0.05, False),
        (2.1, 0.28, False),  # over the factor, but 4 σ are 1.17
        (2.3, 0.28, True),
        (9.0, 0.31, False),  # a depth known no better than this denies nothing
    ],
)
def test_nulls_deny_a_reading_past_a_factor_and_past_chance(
    ratio: float, sigma_m: float, denied: bool
) -> None:
    """A stop 1 m deep by its nulls, sound and with something spare; the reading's noise is 7 %."""
    problem = SimpleNamespace(
        stops=SimpleNamespace(aerial_m=np.zeros(1), depth_reading_m=np.array([ratio])),
        reading_noise_m=lambda distance: 0.07 * distance,
        accuracy=SimpleNamespace(depth_scale_ratio=0.05),
    )
    yes = np.ones(1, dtype=bool)
    got = _against_marks(cast(StopProblem, problem), np.ones(1), np.array([sigma_m]), yes, yes)
    assert bool(got[1][0]) is denied
    assert (GROSS, BLUNDER_SIGMAS) == (2.0, 4.0)


@pytest.mark.parametrize(
    ("ratio", "denied"), [(3.28, True), (10.0, True), (0.1, True), (5.0, False), (0.2, False)]
)
def test_without_a_spare_condition_only_a_unit_or_a_digit_denies_a_reading(
    ratio: float, denied: bool
) -> None:
    problem = SimpleNamespace(
        stops=SimpleNamespace(aerial_m=np.zeros(1), depth_reading_m=np.array([ratio])),
        reading_noise_m=lambda distance: 0.07 * distance,
        accuracy=SimpleNamespace(depth_scale_ratio=0.05),
    )
    yes, no = np.ones(1, dtype=bool), np.zeros(1, dtype=bool)
    depth, sigma = np.ones(1), np.array([0.05])
    assert bool(_against_marks(cast(StopProblem, problem), depth, sigma, yes, no)[1][0]) is denied
    assert not _against_marks(cast(StopProblem, problem), depth, sigma, no, yes)[1][0]


@pytest.mark.parametrize(
    ("aside_deg", "straight"), [(7.9, True), (-7.9, True), (8.1, False), (187.9, True)]
)
def test_a_stretch_is_straight_within_eight_degrees_of_the_transmitter_at_each_end(
    aside_deg: float, straight: bool
) -> None:
    """Whichever way round a transmitter was solved; a turn of 8° shortens a chord by 1 %."""
    way = np.radians(40.0)
    fixes = SimpleNamespace(
        xyz_m=3.0 * np.array([[0.0, 0.0, 0.0], [np.sin(way), np.cos(way), 0.0]]),
        heading_rad=way + np.radians([0.0, aside_deg]),
        counter_m=np.array([0.0, 3.0]),
    )
    assert len(_stretches(cast(Fixes, fixes), np.arange(2))) == straight


def test_a_cable_as_long_as_its_chords_leaves_no_misfit_and_one_of_another_scale_its_own() -> None:
    """Counted 2 % short throughout: the scale is off by 2 % of 1.5, and nothing else is."""
    for scale, expected in ((1.0, 0.0), (1.02, (0.02 / 0.015) ** 2)):
        scene = Scene().stops(
            [[0.0, 0.0, 0.0], [0.0, 20.0, 0.4]], [1.0, 4.0, 7.0, 10.0], scale=scale
        )
        for row in scene.rows:
            row.cov = 1e-4 * row.cov
        counted = replace(ACCURACY, counter_m=1e-4, counter_ratio=1e-5)
        networks, runs = spacing_residuals(scene.solved().fixes, counted)
        misfit, _ = networks.misfit(np.ones(len(networks.parts)))
        assert runs.tolist() == ["R1"]
        assert misfit == pytest.approx([expected], rel=0.05, abs=1e-9)


def test_levels_that_were_not_measured_tell_no_slope_of_the_ground() -> None:
    """Whatever was taken for a mark of unknown level, its stop's plane stays that of the others."""
    marks, stops, _ = simulate(4, ("end_null", "mid_null"), 3, grade=0.1)
    known = marks.level_known & (np.arange(len(marks.row)) != 1)
    planes = []
    for by_m in (0.0, 5.0):
        xyz = marks.xyz_m + np.where(known, 0.0, by_m)[:, None] * [0.0, 0.0, 1.0]
        found = gather(replace(marks, xyz_m=xyz, level_known=known), stops, settings())
        planes.append(found.problem.stops.plane)
    assert planes[1] == pytest.approx(planes[0])


def test_one_misread_counter_is_left_out_before_the_rest_is_judged_by_chance() -> None:
    """Two runs of nine and of five readings; the longer one misread one by eight times its σ."""
    read = np.stack([np.diff(np.eye(9), axis=0)] * 2)
    there = np.ones((2, 8), dtype=bool)
    there[1, 4:] = read[1, 4:] = False
    y = np.where(there, np.random.default_rng(4).normal(size=(2, 8)), 0.0)
    y[0] += 8.0 * read[0, :, 4]
    part = np.eye(8) * there[:, :, None]
    known = np.eye(8) * ~there[:, :, None]
    runs = Networks(np.where(there, 1.0, 0.0)[:, :, None], y, known, part[None], there, read)
    nothing = np.zeros((2, 9), dtype=bool)
    assert _by_chance(runs) < 1e-9
    assert _Cases(runs).by_chance(nothing) > 0.01


def test_a_heading_and_a_tilt_nobody_knew_are_no_conditions_of_a_stop() -> None:
    """Marks tell both: of what was known of the transmitter only its tilt is held against them."""
    marks, stops, _ = simulate(4, ("end_null", "mid_null"), 7)
    problem = gather(marks, stops, settings()).problem
    fits = solve_level(problem)
    none = np.zeros(4, dtype=bool)
    there = stop_residuals(problem, fits.p, none).there
    assert there[:, -2:].tolist() == [[True, False]] * 4
    loose = problem.with_stops(tilt_sigma_rad=np.full(4, LOOSE_RAD))
    assert not stop_residuals(loose, fits.p, none).there[:, -2:].any()


def test_levels_read_badly_tell_a_depth_better_than_a_level() -> None:
    """Ground and transmitter are off by the same: 0.2 m of level, marks off by 0.3 m each."""
    marks, stops, _ = simulate(4, ("end_null", "mid_null"), 7)
    rough = marks.cov_m2.copy()
    rough[:, 2, 2] += 0.3**2
    found = solve(replace(marks, cov_m2=rough), stops, settings()).fixes
    level_sigma = np.sqrt(found.cov[:, 2, 2])
    assert level_sigma == pytest.approx(np.full(4, 0.21), abs=0.02)
    assert (found.depth_sigma_m < 0.7 * level_sigma).all()


def test_a_tilt_known_to_ten_degrees_makes_depths_less_and_one_unknown_is_not_averaged() -> None:
    """Nulls lie further apart of any tilt, up or down: of the level one the depth is the most."""
    marks, stops, _ = simulate(6, ("end_null", "mid_null"), 7, tilt_deg=1.0)
    problem = gather(marks, stops, settings(tilt_prior_rad=np.radians(10.0))).problem
    fits = solve_level(problem)
    assert (average(problem, fits).depth_m < problem.ground(fits.p) - fits.p[2] - 0.01).all()
    loose = problem.with_stops(tilt_sigma_rad=np.full(6, LOOSE_RAD))
    by_marks = solve_level(loose)
    assert average(loose, by_marks).p.tolist() == by_marks.p.tolist()
