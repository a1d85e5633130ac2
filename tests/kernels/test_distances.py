"""Distances of segments, convex shapes and prisms: closed forms, shapely, least squares."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.optimize import lsq_linear

from lateralline.kernels.distances import (
    convex_signed,
    least_between,
    point_to_segment,
    segment_to_segment,
    upward,
)

SQUARE = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]])


def one(*points: tuple[float, float, float]) -> list[np.ndarray]:
    return [np.array([p], dtype=np.float64) for p in points]


def test_skew_lines_are_as_far_apart_as_the_closed_form_says() -> None:
    """|w·(u × v)| / |u × v|, the textbook distance of skew lines."""
    p0, p1, q0, q1 = one((-3, 0, 0), (4, 0, 0), (0.5, -2, 1.25), (0.5, 5, 1.25))
    distance, s, t = segment_to_segment(p0, p1, q0, q1)
    assert distance[0] == pytest.approx(1.25, abs=1e-12)
    assert s[0] == pytest.approx(0.5)
    assert t[0] == pytest.approx(2 / 7)


def test_parallel_segments_are_their_offset_apart_or_their_ends() -> None:
    side = segment_to_segment(*one((0, 0, 0), (5, 0, 0), (1, 3, 4), (9, 3, 4)))
    past = segment_to_segment(*one((0, 0, 0), (5, 0, 0), (8, 0, 4), (9, 0, 4)))
    assert side[0][0] == pytest.approx(5.0)
    assert past[0][0] == pytest.approx(5.0)


def test_a_segment_of_no_length_is_a_point() -> None:
    distance, _, t = segment_to_segment(*one((1, 2, 2), (1, 2, 2), (0, 0, 0), (10, 0, 0)))
    assert distance[0] == pytest.approx(np.sqrt(8))
    assert t[0] == pytest.approx(0.1)


def test_any_two_segments_agree_with_a_bounded_least_squares_solver() -> None:
    """Distance is least over both fractions in 0…1: linear least squares with bounds, by scipy."""
    rng = np.random.default_rng(7)
    ends = rng.normal(size=(4, 60, 3)) * 3
    ends[3, :10] = ends[2, :10] + 1e-9 * ends[3, :10]  # nearly points
    ends[3, 10:20] = ends[2, 10:20] + ends[1, 10:20] - ends[0, 10:20]  # parallel
    found = segment_to_segment(*ends)[0]
    for n in range(60):
        p0, p1, q0, q1 = ends[:, n]
        ways = np.column_stack([p1 - p0, q0 - q1])
        best = lsq_linear(ways, q0 - p0, bounds=(0, 1), method="bvls", tol=1e-14)
        assert found[n] == pytest.approx(np.linalg.norm(best.fun), abs=1e-8)


def test_distance_to_a_convex_ring_agrees_with_shapely_and_is_negative_inside() -> None:
    rng = np.random.default_rng(8)
    points = rng.uniform(-2, 4, size=(300, 2))
    polygon, where = shapely.Polygon(SQUARE), shapely.points(points)
    signed = convex_signed(points, SQUARE)
    edge = shapely.distance(polygon.exterior, where)
    assert np.allclose(np.abs(signed), edge, atol=1e-12)
    assert ((signed < 0) == shapely.contains_properly(polygon, where)).all()


def test_a_ring_filled_up_with_its_last_vertex_is_the_same_ring() -> None:
    points = np.random.default_rng(9).uniform(-2, 4, size=(50, 2))
    assert np.allclose(
        convex_signed(points, SQUARE), convex_signed(points, SQUARE[[0, 1, 2, 3, 3, 3]])
    )


@pytest.mark.parametrize(
    ("plan", "below", "distance"),
    [(3, 4, 5), (3, -9, 3), (-9, 4, 4), (-2, -0.5, -0.5), (-0.5, -2, -0.5), (-2, -np.inf, -2)],
)
def test_a_prism_is_left_by_its_side_its_bottom_or_its_edge(
    plan: float, below: float, distance: float
) -> None:
    assert upward(np.array([float(plan)]), np.array([float(below)]))[0] == distance


def test_golden_sections_find_the_least_of_convex_functions_ends_included() -> None:
    middle = np.array([0.3, -1.0, 2.0])
    least, where = least_between(lambda s: np.abs(s - middle), np.zeros(3), np.ones(3))
    assert where == pytest.approx([0.3, 0.0, 1.0], abs=1e-8)
    assert least == pytest.approx([0.0, 1.0, 1.0], abs=1e-8)


def test_points_and_segments_broadcast() -> None:
    distance = point_to_segment(np.zeros((5, 1, 2)), np.ones((3, 2)), np.array([[2.0, 1.0]] * 3))
    assert distance.shape == (5, 3)
    assert np.allclose(distance, np.sqrt(2))
