"""Bounds of a separation from their parts: signs, sides and limits, by hand."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from scipy.stats import norm

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.overlay.as_built import StationLegs, UnlocatedArea, named
from lateralline.overlay.bounds import (
    SPACING_M,
    Errors,
    SearchTerms,
    _mass_below,
    _window,
    axis_distance,
    axis_ends,
    bound_anywhere,
    levels_of,
    quantile,
    radii_m,
)
from lateralline.overlay.clearance import _levels_by, unlocated_pairs
from lateralline.overlay.planned import Kind, PlannedWork
from lateralline.overlay.separation import LevelsBy, body_of, nearest, stacked
from lateralline.overlay.zones import filled
from lateralline.record.rows import UnlocatedRow

Floats = npt.NDArray[np.float64]
EXACT = SearchTerms(search_m=5.0, crs_shift_sigma_m=0.0, levels_compare=True)


def work(
    kind: Kind, shape: shapely.Geometry, z: list[float] | None = None, depth: float = nan,
    radius: float = nan, tolerance: float = 0.0,
) -> PlannedWork:  # fmt: skip
    return PlannedWork("W", "", kind, shape, np.array(z or []), depth, radius, 0.3, tolerance)


def pipe(
    n: int = 4, *, plan_95: float = 0.2, level_95: float = 0.1, apart: float = 2.0
) -> StationLegs:
    """A level pipe that runs north at 10 m, 1.5 m deep, in legs of 2 m."""
    ends = np.stack([np.arange(n), np.arange(1, n + 1)], axis=1) * 2.0
    xy = np.stack([np.zeros_like(ends), ends], axis=-1)
    two = np.ones((n, 2))
    off = np.full((n, 2, 2), 0.1)
    off[..., 1] *= 2.0  # it may be further up than down
    return StationLegs(
        np.zeros(n, np.int64), xy, 10.0 * two, 1.5 * two, off, off + 0.01, ends.astype(float),
        np.full(n, 0.2), np.zeros(n, bool), np.zeros(n, np.int64), np.full(n, n * 2.0),
        np.full(n, np.inf),
    )  # fmt: skip


def errors(
    legs: StationLegs, thing: PlannedWork, by: LevelsBy, terms: SearchTerms = EXACT
) -> Errors:
    n = len(legs.line)
    ends = axis_ends(legs, by)
    body = stacked([body_of(thing, by)], np.zeros(n, np.int64))
    near = nearest(body, ends[:, 0], ends[:, 1])
    return Errors.of(None, legs, near, near.distance_m - 0.05, thing, by, terms)


# ---- how wide ------------------------------------------------------------------------------


def test_a_bound_at_several_places_shares_five_percent_among_them() -> None:
    for places, failing in ((0, 0.025), (1, 0.025), (2, 0.025), (3, 0.05 / 3), (20, 0.0025)):
        assert norm.sf(quantile(places)) == pytest.approx(failing)


def test_levels_are_as_wide_as_they_may_be_lower_and_higher() -> None:
    legs = pipe()
    low, high = levels_of(legs, "level", 1.96)
    assert low == pytest.approx(np.full(4, 9.9), abs=1e-4)
    assert high == pytest.approx(np.full(4, 10.2), abs=1e-4)
    low, high = levels_of(legs, "depth_below_ground", 2 * INTERVAL_95)
    assert low == pytest.approx(np.full(4, -1.5 - 2 * 0.11))
    assert high == pytest.approx(np.full(4, -1.5 + 2 * 0.21))
    assert [x.tolist() for x in levels_of(legs, "plan_only", 3.0)] == [[0.0] * 4] * 2


@pytest.mark.parametrize(
    ("thing", "by", "plan", "low", "high", "expected"),
    [
        ("trench", "level", 3.0, 9.0, 9.5, np.hypot(3.0, 0.5)),  # bottom at 10
        ("trench", "level", 0.0, 9.0, 9.5, 0.5),
        ("trench", "level", 0.0, 9.0, 10.5, 0.0),
        ("trench", "level", 0.0, 12.0, 13.0, 0.0),  # dug away above its bottom
        ("trench", "depth_below_ground", 0.0, -3.0, -2.6, 0.6),  # bottom 2 m down
        ("trench", "plan_only", 0.4, 0.0, 0.0, 0.4),
        ("bore", "level", 0.3, 9.0, 9.6, 0.5),  # axis between 10 and 11
        ("bore", "level", 0.3, 11.4, 12.0, 0.5),
        ("bore", "level", 0.3, 9.0, 10.2, 0.3),
        ("post", "level", 0.5, 9.0, 9.6, np.hypot(0.3, 0.4)),  # of 0.2 m radius
        ("post", "level", 0.1, 9.0, 9.6, 0.4),
    ],
)  # fmt: skip
def test_an_axis_is_as_far_as_plan_and_level_keep_it(
    thing: Kind, by: LevelsBy, plan: float, low: float, high: float, expected: float
) -> None:
    z = {"bore": [10.0, 11.0], "trench": [10.0], "post": [10.0]}[thing]
    one = work(thing, shapely.Point(0, 0), z, depth=2.0, radius=0.2)
    got = axis_distance(np.array([plan]), np.array([low]), np.array([high]), one, by)
    assert got[0] == pytest.approx(expected)
    assert radii_m(one, 0.05) == pytest.approx(0.25 if thing == "bore" else 0.05)


def test_a_pipe_anywhere_is_as_near_as_region_levels_frame_and_plan_let_it() -> None:
    thing = work("trench", shapely.box(3.0, 0.0, 4.0, 8.0), [10.8], tolerance=0.1)
    terms = SearchTerms(5.0, 0.05, True, 0.02)
    region = shapely.box(-1.0, 0.0, 1.0, 8.0)
    plan = 2.0 - np.hypot(1.959964 * 0.05, 0.1)
    up = 0.6 - np.hypot(1.959964 * 0.02, 0.1)  # 10.8 less the highest level, 10.2
    got = bound_anywhere(region, pipe(), thing, "level", 0.05, terms)
    assert got == pytest.approx(np.hypot(plan, up) - 0.05)
    assert np.isnan(bound_anywhere(None, pipe(), thing, "level", 0.05, terms))
    inside = bound_anywhere(shapely.box(-1, 0, 3.5, 8), pipe(), thing, "plan_only", 0.05, terms)
    assert inside == pytest.approx(-0.05)


# ---- errors of legs ------------------------------------------------------------------------


def test_sigma_is_the_pipe_s_the_frame_s_and_the_plan_s_along_the_way_to_the_thing() -> None:
    """Beside it: plan alone. The widest of the ellipse's axes, whatever its direction."""
    legs = pipe()
    beside = work("trench", shapely.box(1.0, 0.0, 2.0, 8.0), [9.0], tolerance=0.05)
    terms = SearchTerms(5.0, 0.03, True, 0.02)
    got = errors(legs, beside, "level", terms)
    assert got.separation_m == pytest.approx(np.full(4, 0.95))
    assert got.own_sigma_m == pytest.approx(np.full(4, 0.2 / ELLIPSE_95))
    expected = np.sqrt((0.2 / ELLIPSE_95) ** 2 + 0.03**2 + (0.05 / INTERVAL_95) ** 2)
    assert got.sigma_m == pytest.approx(np.full(4, expected))
    assert np.abs(got.across) == pytest.approx(np.tile([1.0, 0.0], (4, 1)), abs=1e-6)
    bound = got.separation_lower_95_m(1, 0.05)
    assert bound == pytest.approx(np.full(4, 0.95 - INTERVAL_95 * expected), abs=1e-6)


@pytest.mark.parametrize(("z", "may"), [(11.0, 0.2), (8.0, 0.1)])
def test_above_or_below_the_side_that_brings_a_pipe_nearer_counts(z: float, may: float) -> None:
    """A bore across it, a metre above or two below: it may be 0.2 m higher, 0.1 m lower."""
    thing = work("bore", shapely.LineString([(-5, 3), (5, 3)]), [z, z], radius=0.1)
    got = errors(pipe(), thing, "level", SearchTerms(5.0, 0.0, True, 0.02))
    i = int(got.separation_m.argmin())
    assert got.separation_m[i] == pytest.approx(abs(z - 10.0) - 0.1 - 0.05)
    assert got.up_sigma_m[i] == pytest.approx(may / INTERVAL_95)
    assert got.sigma_m[i] == pytest.approx(np.hypot(may / INTERVAL_95, 0.02))
    assert np.abs(got.across[i]) == pytest.approx([1.0, 0.0], abs=1e-6)  # square to the pipe


def test_places_half_a_segment_apart_count_each_and_nearer_ones_once() -> None:
    legs = replace(pipe(8), segment_m=np.full(8, 8.0))
    beside = work("trench", shapely.box(0.3, 0.0, 1.0, 16.0), [9.0])
    at = errors(legs, beside, "level").places()
    assert len(at) in (4, 5)  # 16 m by 4 m
    chainage = np.sort(2.0 * at)
    assert np.diff(chainage).min() >= 2.0
    far = replace(
        legs, xy_m=legs.xy_m + np.where(np.arange(8) > 0, 3.0, 0.0)[:, None, None] * [-1, 0]
    )
    assert errors(far, beside, "level").places().tolist() == [0]
    unknown = replace(legs, undecided=np.ones(8, bool))
    assert errors(unknown, beside, "level").places().tolist() == []


def test_a_pipe_of_unsure_place_counts_by_its_level_where_that_says_more() -> None:
    """1 m aside and 1 m below a trench's bottom; in plan off by 2.4 m, in level by 0.1 or 0.2."""
    legs = replace(pipe(), position_95_m=np.full(4, ELLIPSE_95))
    beside = work("trench", shapely.box(1.0, 0.0, 2.0, 8.0), [11.0])
    got = errors(legs, beside, "level")
    assert got.separation_m == pytest.approx(np.full(4, np.sqrt(2.0) - 0.05), abs=1e-6)
    highest = 10.0 + 0.2 * norm.isf(0.0125) / INTERVAL_95  # half of 2.5 % each: plan, and level
    assert got.separation_lower_95_m(1, 0.05) == pytest.approx(np.full(4, 11.0 - highest - 0.05))
    within = errors(legs, replace(beside, z_m=np.array([10.1])), "level")
    assert (within.separation_lower_95_m(1, 0.05) < -0.05).all()  # no bound by plan and level


@pytest.mark.parametrize(
    ("leg", "fraction", "ends"),
    [(5, 0.25, (8.5, 12.5)), (0, 0.5, (0.0, 3.0)), (9, 1.0, (18.0, 20.0))],
)
def test_chances_are_reckoned_over_the_pipe_to_both_sides_of_the_closest_place(
    leg: int, fraction: float, ends: tuple[float, float]
) -> None:
    """Two metres each way, as far as the pipe goes."""
    axis = _window(pipe(10), leg, fraction, "level")
    assert (axis[0, 1], axis[-1, 1]) == pytest.approx(ends)
    assert np.abs(axis[:, 1] - 2.0 * (leg + fraction)).min() == pytest.approx(0.0, abs=1e-9)
    assert np.diff(axis[:, 1]).max() <= SPACING_M + 1e-9


def test_a_pipe_on_the_very_axis_of_a_bore_is_off_it_square_to_itself() -> None:
    bore = stacked(
        [
            body_of(
                work("bore", shapely.LineString([(-5, 0), (5, 0)]), [10.0, 10.0], radius=0.1),
                "level",
            )
        ],
        np.zeros(1, np.int64),
    )
    way = np.array([0.6, 0.8, 0.0])
    centre = np.array([0.0, 0.0, 10.0])
    near = nearest(bore, (centre - 5 * way)[None], (centre + 5 * way)[None])
    assert near.distance_m[0] == pytest.approx(-0.1, abs=1e-6)
    assert near.away[0] @ way == pytest.approx(0.0, abs=1e-6)
    assert np.linalg.norm(near.away[0]) == pytest.approx(1.0)


# ---- chances -------------------------------------------------------------------------------


@pytest.mark.parametrize("slope", [1.0, -1.0])
@pytest.mark.parametrize("zero", [-1.3, 0.0, 2.2, 7.0, -7.0])
def test_the_mass_below_nil_of_a_straight_line_is_the_normal_distribution_s(
    zero: float, slope: float
) -> None:
    nodes = np.linspace(-5.0, 5.0, 33)
    over = slope * (nodes - zero)[None]
    expected = norm.cdf(zero) if slope > 0 else norm.sf(zero)
    assert _mass_below(over, nodes)[0] == pytest.approx(expected, abs=1e-6)


def test_the_mass_below_nil_between_two_places_is_what_lies_between() -> None:
    nodes = np.linspace(-5.0, 5.0, 1001)
    inside = np.abs(nodes - 0.5) - 1.0
    expected = norm.cdf(1.5) - norm.cdf(-0.5)
    assert _mass_below(np.stack([inside, -inside]), nodes) == pytest.approx(
        [expected, 1 - expected], abs=1e-5
    )


# ---- what a pair rests on ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("z", "by"),
    [
        (12.4, "level"),  # ground at 11.5: a metre above it at the most
        (12.6, "depth_below_ground"),
        (-18.4, "level"),  # and 30 m below
        (-18.6, "depth_below_ground"),
    ],
)
def test_levels_out_of_measure_with_the_ground_are_not_used(z: float, by: str) -> None:
    thing = work("trench", shapely.box(0, 0, 1, 1), [z], depth=1.0)
    assert _levels_by(pipe(), thing, EXACT) == by
    assert _levels_by(pipe(), replace(thing, depth_m=nan), EXACT) == (
        "level" if by == "level" else "plan_only"
    )
    other_basis = SearchTerms(5.0, 0.0, False)
    assert _levels_by(pipe(), thing, other_basis) == "depth_below_ground"


@pytest.mark.parametrize(
    ("extent", "apart_m", "near"),
    [
        ("line", 4.9, True),  # as far as anything is searched for
        ("line", 5.1, False),
        ("beyond_end", 0.29, True),  # as far as the plan asks for: a line's end is no conflict
        ("beyond_end", 0.31, False),
    ],
)
def test_pipe_nobody_located_is_near_within_the_search_and_past_an_end_within_the_requirement(
    extent: str, apart_m: float, near: bool
) -> None:
    """From the outside of a pipe of 0.2 m that may be at the edge of its area."""
    row = SimpleNamespace(site_id="S1", line_id="L1", outside_diameter_m=0.2, extent=extent)
    area = UnlocatedArea(cast(UnlocatedRow, row), shapely.box(0, 0, 10, 10))
    trench = work("trench", shapely.box(10.1 + apart_m, 0, 12.0 + apart_m, 10), depth=1.0)
    found = unlocated_pairs([area], [trench], EXACT)
    assert [pair.area_apart_m for pair in found] == ([pytest.approx(apart_m)] if near else [])


def test_of_many_lines_nobody_located_the_first_are_named_and_the_rest_counted() -> None:
    rows = [
        SimpleNamespace(site_id="S1", line_id=f"L{i}", run_id="", extent="line") for i in range(4)
    ]
    given = cast(list[UnlocatedRow], rows)
    assert named(given, most=2) == "S1 L0, S1 L1 and 2 more"
    assert named([*given, *given], most=4) == "S1 L0, S1 L1, S1 L2, S1 L3"


@pytest.mark.parametrize(
    ("hole", "kept"),
    [
        (shapely.box(2, 2, 3.05, 3.05), True),
        (shapely.box(2, 2, 2.95, 2.95), False),  # under a square metre
        (shapely.box(2, 2, 8, 2.41), True),
        (shapely.box(2, 2, 8, 2.39), False),  # narrower than 0.2 m both ways
    ],
)
def test_a_hole_narrow_or_under_a_square_metre_is_filled(hole: shapely.Polygon, kept: bool) -> None:
    area = shapely.box(0, 0, 10, 10).difference(hole)
    made = filled(np.array([area]), 0.2)[0]
    assert len(made.interiors) == kept
    assert made.exterior.is_ccw
