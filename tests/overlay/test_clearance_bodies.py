"""Pipes against planned bodies: closed forms, dense sampling, and probability by Monte Carlo."""

from __future__ import annotations

from math import hypot, nan

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from lateralline.overlay.bounds import Shift, integrated, linear
from lateralline.overlay.planned import PlannedWork
from lateralline.overlay.separation import (
    Bore,
    Cylinder,
    Prism,
    body_of,
    convex_rings,
    nearest,
    on_surface,
    stacked,
)

RADIUS = 0.08


def bore(*points: tuple[float, float, float], radius: float = 0.1) -> Bore:
    return Bore(np.array(points, dtype=np.float64), np.array(radius))


def trench(polygon: shapely.Polygon, bottom: float) -> Prism:
    return Prism(convex_rings(polygon), np.array(bottom))


def closest(body, start, end):
    one = stacked([body], np.zeros(1, dtype=np.int64))
    return nearest(one, np.array([start], dtype=float), np.array([end], dtype=float))


# ---- closed forms --------------------------------------------------------------------------


def test_parallel_cylinders() -> None:
    body = bore((0, 0.6, -0.8), (10, 0.6, -0.8))
    found = closest(body, (0, 0, 0), (10, 0, 0))
    assert found.distance_m[0] - RADIUS == pytest.approx(1.0 - 0.1 - RADIUS)


def test_crossing_cylinders() -> None:
    found = closest(bore((0, -5, -0.7), (0, 5, -0.7)), (-5, 0, 0), (5, 0, 0))
    assert found.distance_m[0] == pytest.approx(0.6)
    assert found.away[0] == pytest.approx([0, 0, 1], abs=1e-6)
    assert found.axis[0] == pytest.approx([0, 0, 0], abs=1e-9)
    assert on_surface(found)[0] == pytest.approx([0, 0, -0.6], abs=1e-6)


def test_skew_cylinders_on_a_slope() -> None:
    """Axes with directions u, v: |w·(u × v)|/|u × v| between them, less the bore's radius."""
    u, v, w = np.array([1.0, 0.0, 0.1]), np.array([0.6, 0.8, -0.05]), np.array([0.0, 0.0, -0.9])
    body = bore(tuple(w - 9 * v), tuple(w + 9 * v))
    expected = abs(w @ np.cross(u, v)) / np.linalg.norm(np.cross(u, v)) - 0.1
    assert closest(body, -9 * u, 9 * u).distance_m[0] == pytest.approx(expected, abs=1e-9)


def test_slab_above_a_sloping_pipe_is_nearest_where_the_pipe_is_highest_under_it() -> None:
    body = trench(shapely.box(2, -1, 4, 1), -1.0)
    found = closest(body, (0, 0, -2.0), (10, 0, -1.5))
    # Nearest under the trench's far edge or past it: the normal of the pipe through that edge.
    slope = np.array([1.0, 0.05]) / hypot(1.0, 0.05)
    edge = np.array([4.0, -1.0]) - np.array([0.0, -2.0])
    assert found.distance_m[0] == pytest.approx(edge @ [-slope[1], slope[0]], abs=1e-9)


def test_pipe_beside_a_deep_trench_is_as_far_as_its_wall() -> None:
    body = trench(shapely.box(0, 0.5, 20, 1.1), -3.0)
    found = closest(body, (1, 0, -1.4), (9, 0, -1.5))
    assert found.distance_m[0] == pytest.approx(0.5)
    assert found.away[0] == pytest.approx([0, -1, 0], abs=1e-6)


def test_pipe_through_a_trench_is_inside_it_by_as_much_as_it_is_above_the_bottom() -> None:
    body = trench(shapely.box(-2, -2, 2, 2), -1.5)
    assert closest(body, (-9, 0, -1.2), (9, 0, -1.2)).distance_m[0] == pytest.approx(-0.3)


@pytest.mark.parametrize(("depth", "expected"), [(3.0, 0.35), (0.6, hypot(0.35, 0.6))])
def test_post_beside_a_pipe_by_its_side_and_by_its_foot(depth: float, expected: float) -> None:
    body = Cylinder(np.array([0.0, 0.5]), np.array(0.15), np.array(-depth))
    found = closest(body, (-4, 0, -1.2), (4, 0, -1.2))
    assert found.distance_m[0] == pytest.approx(expected, abs=1e-9)


def test_a_notched_trench_is_near_where_it_is_dug_only() -> None:
    notched = shapely.Polygon([(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)])
    body = trench(notched, -5.0)
    assert len(body.rings) > 1
    assert closest(body, (2, 2.5, -1), (2, 2.0, -1)).distance_m[0] == pytest.approx(1.0)


# ---- numeric sampling ----------------------------------------------------------------------


def bodies() -> list:
    rng = np.random.default_rng(3)
    made = []
    for _ in range(12):
        hull = shapely.convex_hull(shapely.multipoints(rng.uniform(-2, 2, size=(7, 2))))
        star = shapely.Polygon(
            [(np.cos(a) * r, np.sin(a) * r) for a, r in zip(
                np.linspace(0, 2 * np.pi, 9)[:-1], rng.uniform(0.4, 2, 8), strict=True)]
        )  # fmt: skip
        made += [trench(hull, rng.uniform(-2, -0.5)), trench(star, rng.uniform(-2, -0.5))]
        made += [Cylinder(rng.uniform(-1, 1, 2), np.array(rng.uniform(0.1, 0.5)), np.array(-1.0))]
        made += [bore(*map(tuple, rng.uniform(-2, 2, size=(4, 3))))]
    return made


@pytest.mark.parametrize("body", bodies(), ids=lambda b: type(b).__name__)
def test_the_closest_approach_agrees_with_dense_sampling(body) -> None:
    """4,001 places on the leg: the least of them is no less, and at most a step's length more."""
    rng = np.random.default_rng(4)
    start, end = rng.uniform(-4, 4, size=(2, 5, 3))
    one = stacked([body], np.zeros(5, dtype=np.int64))
    found = nearest(one, start, end)
    s = np.linspace(0, 1, 4_001)[:, None, None]
    sampled = np.stack([body.signed(start[n] + s[:, 0] * (end[n] - start[n])) for n in range(5)])
    step = np.linalg.norm(end - start, axis=1) / 4_000
    assert (found.distance_m <= sampled.min(axis=1) + 1e-6).all()
    assert (found.distance_m >= sampled.min(axis=1) - step).all()


def test_stacked_bodies_answer_as_each_alone() -> None:
    two = [trench(shapely.box(0, 0, 1, 1), -1.0), trench(shapely.box(3, 0, 5, 2), -2.0)]
    x = np.random.default_rng(5).uniform(-2, 6, size=(2, 3))
    both = stacked(two, np.array([0, 1]))
    assert both.signed(x) == pytest.approx(
        [float(b.signed(p)) for b, p in zip(two, x, strict=True)]
    )


# ---- works as bodies -----------------------------------------------------------------------


def work(kind: str, shape: shapely.Geometry, **given) -> PlannedWork:
    base = {"z_m": np.empty(0), "depth_m": nan, "radius_m": 0.1}
    return PlannedWork("w", "w", kind, shape, required_m=0.3, tolerance_95_m=0.0, **(base | given))


def test_depth_level_and_neither_put_the_bottom_where_they_say() -> None:
    box = work("trench", shapely.box(0, 0, 1, 1), depth_m=1.5, z_m=np.array([98.0]))
    assert body_of(box, "depth_below_ground").bottom_m == -1.5
    assert body_of(box, "level").bottom_m == 98.0
    assert body_of(box, "plan_only").bottom_m == -np.inf


def test_a_bores_levels_go_along_it() -> None:
    line = work("bore", shapely.LineString([(0, 0), (5, 0)]), z_m=np.array([98.0, 99.0]))
    assert body_of(line, "level").points[:, 2].tolist() == [98.0, 99.0]
    assert body_of(line, "plan_only").points[:, 2].tolist() == [0.0, 0.0]


# ---- probability ---------------------------------------------------------------------------

PATH = np.column_stack([np.linspace(-2, 2, 41), np.zeros(41), np.zeros(41)])
CASES = {
    "beside a wall": (trench(shapely.box(-9, 0.4, 9, 1), -9.0), 0.15, 0.08),
    "above a thin bore, very unsure": (bore((0, -5, -0.5), (0, 5, -0.5)), 0.05, 0.40),
    "along a bore, unsure both ways": (bore((-9, 0.3, -0.3), (9, 0.3, -0.3)), 0.25, 0.30),
    "under a trench's edge": (trench(shapely.box(-1, 0.2, 1, 2), 0.3), 0.20, 0.12),
    "beside a post's foot": (
        Cylinder(np.array([0.0, 0.4]), np.array(0.1), np.array(0.2)), 0.2, 0.2,
    ),
    "inside a trench": (trench(shapely.box(-1, -1, 1, 1), -0.2), 0.10, 0.10),
    "over a notch": (
        trench(shapely.Polygon([(-2, 0.1), (2, 0.1), (2, 1), (0, 0.4), (-2, 1)]), 0.1), 0.2, 0.2,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_probabilities_agree_with_monte_carlo(case: str) -> None:
    """30,000 seeded shifts of a pipe 4 m long; 4.5 standard errors, plus 1e-3 for the nodes."""
    body, across, up = CASES[case]
    rng = np.random.default_rng(11)
    shifts = rng.standard_normal((30_000, 2)) * [across, up]
    moved = np.zeros((30_000, 3))
    moved[:, 1:] = shifts
    one = stacked([body], np.zeros(30_000, dtype=np.int64))
    true = nearest(one, PATH[0] + moved, PATH[-1] + moved).distance_m - RADIUS
    limits = (0.25, 0.0)
    shift = Shift(np.array([0.0, 1.0]), across, up)
    for limit, found in zip(limits, integrated(body, PATH, RADIUS, shift, limits), strict=True):
        share = float((true < limit).mean())
        assert found == pytest.approx(share, abs=4.5 * np.sqrt(max(share, 1e-5) / 30_000) + 1e-3)


@pytest.mark.parametrize("case", [c for c in CASES if c != "over a notch"])
def test_the_normal_approximation_never_says_too_little(case: str) -> None:
    body, across, up = CASES[case]
    one = stacked([body], np.zeros(1, dtype=np.int64))
    found = nearest(one, PATH[:1], PATH[-1:])
    sigma = np.hypot(found.away[:, 1] * across, found.away[:, 2] * up)
    shift = Shift(np.array([0.0, 1.0]), across, up)
    for limit in (0.25, 0.0):
        tangent = linear(found.distance_m - RADIUS, sigma, limit)[0]
        assert integrated(body, PATH, RADIUS, shift, (limit,))[0] <= tangent + 2e-3


def test_a_plain_wall_is_the_normal_distribution_itself() -> None:
    body = trench(shapely.box(-9, 0.4, 9, 1), -9.0)
    shift = Shift(np.array([0.0, 1.0]), 0.12, 0.0)
    found = integrated(body, PATH, RADIUS, shift, (0.1, 0.0))
    assert found == pytest.approx(norm.cdf((np.array([0.1, 0.0]) - 0.32) / 0.12), abs=1e-6)


def test_both_sides_of_a_thin_bore_count() -> None:
    """A crossing: contact is |offset| < sum of radii, a difference of two normal integrals."""
    body, reach = bore((0, -5, -0.5), (0, 5, -0.5)), 0.1 + RADIUS
    shift = Shift(np.array([0.0, 1.0]), 0.01, 0.4)
    expected = norm.cdf((reach - 0.5) / 0.4) - norm.cdf((-reach - 0.5) / 0.4)
    assert integrated(body, PATH, RADIUS, shift, (0.0,))[0] == pytest.approx(expected, abs=1e-3)


def test_what_is_exactly_known_is_sure() -> None:
    body = trench(shapely.box(-9, 0.4, 9, 1), -9.0)
    sure = Shift(np.array([0.0, 1.0]), 0.0, 0.0)
    assert integrated(body, PATH, RADIUS, sure, (0.33, 0.31)) == pytest.approx((1.0, 0.0))
