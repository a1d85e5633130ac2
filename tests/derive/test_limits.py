"""What a record states of levels, reach and accuracy: each limit at its two sides."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, nan, radians
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from scipy.stats import norm

from lateralline.derive.chainage import reach
from lateralline.derive.dig import tolerance
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.grades import (
    Slope,
    grade_columns,
    grade_findings,
    least_gradients,
)
from lateralline.derive.path import arcs_of, slope_sigmas
from lateralline.derive.quality import (
    Standard,
    band_columns,
    bands_met,
    line_evidence,
    point_evidence,
)
from lateralline.derive.spots import KnownPlace, ahead_of, area_of, longest_m
from lateralline.derive.unlocated import SearchedSite, _depth_m
from lateralline.published import bands, dig_rules
from lateralline.records import Fixes
from lateralline.settings import Run, bare_settings, standard_accuracy
from tests.derive.test_arcs import bowed, line_of
from tests.derive.test_levels import axis_with, falls_of, low_points_of
from tests.support.finding_names import called

Floats = npt.NDArray[np.float64]
ACCURACY = standard_accuracy()
SEGMENTS = [f"L1/segment-{i}" for i in range(1, 9)]

# ---- falls and sags ------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("share", "shown"), [(0.99, False), (1.01, True)])
@pytest.mark.parametrize("looks", [1, 3])
def test_a_fall_is_shown_at_one_percent_of_all_looks_together(
    share: float, shown: bool, sign: float, looks: int
) -> None:
    """One-sided; each end 20 mm: of one stretch 2.326 σ, of three 2.713 σ."""
    sigma = 0.02 * np.sqrt(2)
    rise = sign * share * norm.isf(0.01 / looks) * sigma
    axis = axis_with([100.0, 100.0 + rise, *[100.0 + rise] * (looks - 1)], 0.02)
    expected = ("falls" if sign > 0 else "back_fall") if shown else "not_shown"
    assert falls_of(axis) == [expected, *["not_shown"] * (looks - 1)]


@pytest.mark.parametrize(("share", "shown"), [(0.99, False), (1.01, True)])
def test_a_sag_is_shown_at_one_percent_of_all_pairs(share: float, shown: bool) -> None:
    """Of three vertices three pairs; the lower rim is what the water leaves over."""
    depth = share * norm.isf(0.01 / 3) * 0.02 * np.sqrt(2)
    axis = axis_with([100.5, 100.0, 100.0 + depth], 0.02)
    found = low_points_of(axis)
    assert len(found) == shown
    if shown:
        assert (found[0].low, found[0].rim, found[0].downstream) == (1, 2, 0)
        assert found[0].depth_m == pytest.approx(depth)
        assert found[0].sigma_m == pytest.approx(0.02 * np.sqrt(2))


@pytest.mark.parametrize(("sigmas", "adverse"), [(1.99, False), (2.01, True)])
def test_a_line_rises_downstream_at_two_sigma(sigmas: float, adverse: bool) -> None:
    axis = axis_with([100.0 + sigmas * 0.02 * np.sqrt(2), 100.0], 0.02)
    codes = [called(f) for f in grade_findings(axis, SEGMENTS, ())]
    assert ("back-fall/line" in codes) is adverse


@pytest.mark.parametrize(
    ("sigmas", "state"),
    [(-1.66, "not_met"), (-1.63, "not_shown"), (1.63, "not_shown"), (1.66, "met")],
)
def test_a_least_grade_is_met_or_missed_at_one_sided_95_percent(sigmas: float, state: str) -> None:
    axis = axis_with([100.0, 100.1])
    least = next(g for g in least_gradients(0.102) if g.code == "IPC").grade
    columns = grade_columns(axis, Slope(least + sigmas * 0.001, 0.001))
    assert columns["ipc_gradient"] == state


# ---- the path ------------------------------------------------------------------------------


@pytest.mark.parametrize(("turn_deg", "bends"), [(11.0, True), (11.5, False)])
def test_a_leg_turns_less_than_the_least_standard_bend_or_is_straight(
    turn_deg: float, bends: bool
) -> None:
    """1/32 of a full turn: 11.25°."""
    xyz, heading = bowed(radians(turn_deg), 30.0, 2)
    made = arcs_of(line_of(xyz, np.column_stack([heading, np.zeros(3)])))
    assert (made.sagitta_m > 0).all() == bends
    ahead = np.linalg.norm(made.chord_m, axis=1)
    half = radians(turn_deg) / 2
    assert made.length_m == pytest.approx(ahead * (half / np.sin(half) if bends else 1.0))


def test_a_slope_is_the_fix_s_and_the_transmitter_s_and_15_degrees_at_the_most() -> None:
    """A bend takes what lies between its neighbours'."""
    xyz, heading = bowed(radians(6.0), 30.0, 3)
    line = line_of(xyz, np.column_stack([heading, np.zeros(4)]))
    line = replace(line, kind=np.array(["fix", "bend", "fix", "fix"]), fix=np.array([0, -1, 1, 2]))
    cov = np.zeros((3, 5, 5))
    cov[:, 3, 3] = np.radians([3.0, 4.0, 20.0]) ** 2
    cov[:, 4, 4] = np.radians([1.0, 2.0, nan]) ** 2
    fixes = SimpleNamespace(cov=cov)
    accuracy = replace(ACCURACY, axis_heading_rad=radians(4.0), axis_tilt_rad=radians(1.0))
    got = np.degrees(slope_sigmas(line, cast(Fixes, fixes), accuracy))
    assert got[:, 0] == pytest.approx([5.0, (5.0 + np.sqrt(32)) / 2, np.sqrt(32), 15.0])
    assert got[:, 1] == pytest.approx([np.sqrt(2), (np.sqrt(2) + np.sqrt(5)) / 2, np.sqrt(5), 15.0])


# ---- pipe that is not located --------------------------------------------------------------


def test_a_counted_length_is_longer_by_readings_slack_and_scale() -> None:
    """95 % of two readings and, in parts of 10 m, of slack and scale together."""
    a = ACCURACY
    error = hypot(np.sqrt(2) * a.counter_m, 10.0 * hypot(a.counter_ratio, a.counter_scale_ratio))
    assert longest_m(10.0, a) == pytest.approx(10.0 + 1.959964 * error)


def spot(east: float, counter: float, radius: float = 0.2) -> KnownPlace:
    return KnownPlace(counter, (np.array([east, 0.0]),), radius, "stop")


def test_past_the_outermost_spot_pipe_runs_on_as_far_as_was_counted_whichever_way() -> None:
    area, how = area_of([spot(0.0, 3.0), spot(5.0, 8.0)], np.array([1.0, 12.0]), ACCURACY)
    assert area is not None
    assert "carried on as far as the counter went" in how
    for east, past in ((0.0, 2.0), (5.0, 4.0)):
        reach = 0.2 + longest_m(past, ACCURACY)
        for way in ((0.0, 1.0), (0.0, -1.0), (-1.0 if east == 0.0 else 1.0, 0.0)):
            near, far = (
                shapely.Point(east + k * reach * way[0], k * reach * way[1]) for k in (0.999, 1.02)
            )
            assert area.covers(near)
            assert not area.covers(far)


def test_spots_further_apart_than_counted_show_that_the_counter_counts_short() -> None:
    """Centres 10 m apart, each within 0.5 m, counted 6 m: at least 9 m, so 1.5 times."""
    spots = [spot(0.0, 0.0, 0.5), spot(10.0, 6.0, 0.5)]
    area, _ = area_of(spots, np.array([0.0, 8.0]), ACCURACY)
    assert area is not None
    reach = 0.5 + longest_m(1.5 * 2.0, ACCURACY)
    assert area.covers(shapely.Point(10.0 + 0.999 * reach, 0.0))
    assert not area.covers(shapely.Point(10.0 + 1.02 * reach, 0.0))


def test_ahead_of_an_end_lies_half_a_circle() -> None:
    area, _ = ahead_of(spot(2.0, 0.0), np.array([1.0, 0.0]), 3.0, ACCURACY)
    reach = 0.2 + longest_m(3.0, ACCURACY)
    for turn in np.radians([0.0, 45.0, -89.0]):
        way = np.array([np.cos(turn), np.sin(turn)])
        assert area.covers(shapely.Point(np.array([2.0, 0.0]) + 0.998 * reach * way))
        assert not area.covers(shapely.Point(np.array([2.0, 0.0]) + 1.01 * reach * way))
    assert not area.covers(shapely.Point(2.0 - 0.5, 0.0))


# ---- accuracy bands and tolerances ---------------------------------------------------------


@pytest.mark.parametrize("standard", ["PAS 128", "AS 5488"])
@pytest.mark.parametrize("depth", [0.5, 3.0])
def test_a_band_is_met_up_to_its_limits_in_plan_and_in_level(
    standard: Standard, depth: float
) -> None:
    ladder = bands(standard)
    order = [*(b.key for b in ladder), "outside"]
    for n, band in enumerate(ladder):
        plan = max(band.plan_m, band.plan_depth_ratio * depth)
        level = max(band.level_m, band.level_depth_ratio * depth)
        if not np.isfinite(plan):
            continue
        sigma = (level if band.bounds_level else 0.0) / INTERVAL_95

        def met(plan: float, sigma: float) -> str:
            one = (np.array([v]) for v in (plan, sigma, depth))
            return str(bands_met(standard, *one, np.array([True]))[0])  # exposed: any band may be

        assert order.index(met(0.999 * plan, 0.999 * sigma)) <= n
        assert met(1.001 * plan, 0.0) != band.key
        if band.bounds_level and np.isfinite(level):
            assert met(0.0, 1.001 * sigma) != band.key


def test_an_own_tolerance_below_the_rule_s_is_said_and_drawn() -> None:
    rule = next(iter(dig_rules().values()))
    for share, narrow in ((0.99, True), (1.0, False), (1.5, False)):
        own = replace(bare_settings(), dig_rule=rule.key, dig_tolerance_m=share * rule.tolerance_m)
        drawn, found = tolerance(own)
        assert drawn.distance_m == pytest.approx(share * rule.tolerance_m)
        assert [called(f) for f in found] == (["tolerance-rule/narrow"] if narrow else [])
    unknown, found = tolerance(replace(bare_settings(), dig_rule="no such", dig_tolerance_m=nan))
    assert unknown.distance_m == max(r.tolerance_m for r in dig_rules().values())
    assert [called(f) for f in found] == ["tolerance-rule/unknown"]


@pytest.mark.parametrize(
    ("read", "solved", "others", "deepest"),
    [
        (2.0, nan, [1.5, 1.7], 2.0),  # its own, with what a reading may be off
        (nan, 2.5, [1.5, 1.7], 2.5),
        (2.0, 3.5, [1.5, 1.7], 3.5),
        (0.5, nan, [1.5, 1.7], 1.6),  # no shallower than is usual on the site
        (0.5, nan, [], 1.0),  # nor than a metre
        (nan, nan, [1.5, 5.0], 5.0),  # nothing known: the deepest there is
        (nan, nan, [1.5], 4.0),  # 4 m at the least
        (-1.0, nan, [1.5], 4.0),  # no reading is less than none
    ],
)
def test_a_stop_that_is_not_located_is_as_deep_as_it_may_be(
    read: float, solved: float, others: list[float], deepest: float
) -> None:
    depths = np.array([solved, *others])
    rows = np.arange(2, 2 + len(depths))
    site = SimpleNamespace(
        fixes=SimpleNamespace(row=rows, depth_m=depths),
        settings=SimpleNamespace(accuracy=ACCURACY),
        record=SimpleNamespace(
            stops=SimpleNamespace(row=rows, depth_reading_m=np.array([read, *others]))
        ),
    )
    got = _depth_m(cast(SearchedSite, site), 0)
    if deepest == read:
        off = hypot(ACCURACY.depth_reading_ratio, ACCURACY.depth_scale_ratio)
        deepest = read * (1.0 + 1.959964 * off)
    assert got == pytest.approx(deepest)


def test_what_is_not_seen_is_told_why_it_has_not_the_band_of_what_is() -> None:
    """Of a feature as of a point, however sure."""
    sure, shallow = np.array([0.001, 0.002]), np.ones(2)
    columns = band_columns([line_evidence(sure, sure, shallow)])
    assert columns["pas128_band"] == ["B1"]
    assert "not A: not exposed" in str(columns["pas128_rule"][0])
    points = band_columns(point_evidence(sure, sure, shallow, np.array([True, False])))
    assert list(points["pas128_band"]) == ["A", "B1"]
    assert "not A: not exposed" in str(points["pas128_rule"][1])


def test_a_place_between_two_readings_errs_with_both_and_its_own() -> None:
    """Counters 0, 2 and 4 m; at 2.5 m: weights 3/4 and 1/4, and slack from the nearer, 0.5 m."""
    axis = axis_with([100.0, 100.0, 100.0])
    run = Run("R1", "L1", "CO1", 0.0, "against", 0.35, 0.03)
    at = np.array([2.5, 3.4, 2.0, 5.0])
    found = reach(axis, run, at, ACCURACY)
    a, slack = ACCURACY.counter_m, ACCURACY.counter_ratio
    own = np.sqrt([1 + 9 / 16 + 1 / 16, 1 + 0.09 + 0.49, 1 + 1.0, 1 + 1.0]) * a
    along = slack * np.array([0.5, 0.6, 0.0, 1.0])
    scale = ACCURACY.counter_scale_ratio * np.array([0.0, 0.0, 0.0, 1.0])
    assert found.counter_sigma_m == pytest.approx(np.sqrt(own**2 + along**2 + scale**2))
    assert found.chainage_m == pytest.approx(at)
    assert found.beyond_m == pytest.approx([0.0, 0.0, 0.0, 1.0])


def test_a_lone_spot_is_joined_to_nothing_and_two_without_counters_straight() -> None:
    _, alone = area_of([spot(0.0, nan)], np.zeros(0), ACCURACY)
    both, how = area_of([spot(0.0, nan), spot(5.0, nan)], np.zeros(0), ACCURACY)
    assert "joined straight" not in alone
    assert "joined straight" in how
    assert both is not None
    assert both.covers(shapely.LineString([(0.0, 0.19), (5.0, 0.19)]))
