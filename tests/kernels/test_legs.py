"""Paths of up to three legs: derivatives, lengths of rounded corners, tangents kept."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.kernels.legs import LEGS, POSE, CorneredPaths, advance, even, shortening

POSES = np.array([[1.0, 2.0, -1.0, 0.3, 0.05, 4.0], [0.0, 0.0, 0.0, -2.0, -0.2, 0.0]])
PATHS = np.array([[3.0, 0.4, 0.7, 0.1, 0.0, 0.0, 0.0], [2.0, 0.3, -0.5, 0.2, 0.3, 0.6, -0.1]])


@pytest.mark.parametrize("column", range(POSE + LEGS))
def test_derivatives_are_those_of_the_path(column: int) -> None:
    """Against central differences."""
    out, by_pose, by_legs = advance(POSES, PATHS)
    step = np.zeros(POSE + LEGS)
    step[column] = 1e-6
    high, _, _ = advance(POSES + step[:POSE], PATHS + step[POSE:])
    low, _, _ = advance(POSES - step[:POSE], PATHS - step[POSE:])
    told = np.concatenate([by_pose, by_legs], axis=2)[:, :, column]
    assert told == pytest.approx((high - low) / 2e-6, abs=1e-8)
    assert np.isfinite(out).all()


def test_a_bent_path_is_its_legs_laid_end_to_end() -> None:
    """3 m north with a square turn east after a third: 1 m north, 2 m east."""
    out, _, _ = advance(np.zeros((1, 6)), np.array([[3.0, 1 / 3, np.pi / 2, 0, 0, 0, 0]]))
    assert out[0] == pytest.approx([2.0, 1.0, 0.0, np.pi / 2, 0.0, 3.0])


@pytest.mark.parametrize("degrees", [22.5, 45.0, 90.0])
@pytest.mark.parametrize("rounding", [0.0, 0.4, 1.0])
def test_a_rounded_corner_is_an_arc_between_its_tangents(degrees: float, rounding: float) -> None:
    """Radius T/tan(θ/2), length Rθ, its middle R (sec(θ/2) − 1) from the corner.

    Plane geometry of a simple circular curve as route surveying lays it out; from memory.
    """
    turn = np.radians(degrees)
    end = np.array([2.0 * np.sin(turn), 1.0 + 2.0 * np.cos(turn), 0.0])[None]
    corner, start = np.array([[0.0, 1.0, 0.0]]), np.zeros((1, 3))
    path = CorneredPaths(start, corner, corner, end, np.array([rounding]))
    points, middle, at = path.at(np.linspace(0.0, 1.0, 4001))
    tangent = rounding * 1.0  # of the shorter leg
    radius = tangent / np.tan(turn / 2)
    length = np.linalg.norm(np.diff(points[0], axis=0), axis=1).sum()
    assert length == pytest.approx(3.0 - 2 * tangent + radius * turn, abs=3e-4)
    assert length == pytest.approx(3.0 - rounding * float(shortening(np.array(turn))), abs=3e-4)
    away = np.linalg.norm(middle[0, 0] - corner[0])
    assert away == pytest.approx(radius * (1 / np.cos(turn / 2) - 1), abs=1e-9)
    assert np.linalg.norm(points[0] - middle[0, 0], axis=1).min() < 1e-3
    assert points[0, [0, -1]] == pytest.approx(np.concatenate([start, end]), abs=1e-9)
    assert float(at[0, 0]) == pytest.approx((1.0 - tangent + radius * turn / 2) / length, abs=2e-4)


def test_two_corners_are_both_kept() -> None:
    """An offset: the path runs through both its corners."""
    places = np.array([[0, 0, 0], [0, 1, 0], [0.5, 1.5, 0], [0.5, 3, 0]], float)[:, None]
    points, corners, _ = CorneredPaths(*places, np.zeros(1)).at(np.linspace(0, 1, 2001))
    assert corners[0] == pytest.approx(places[1:3, 0])
    for place in places[:, 0]:
        assert np.linalg.norm(points[0] - place, axis=1).min() < 2e-3
    step = np.linalg.norm(np.diff(points[0], axis=0), axis=1)
    assert step.max() <= (2.5 + np.sqrt(0.5)) / 2000 + 1e-9  # and from one to the next, evenly


@pytest.mark.parametrize("second", [(0.0, 1.0, 0.0), (0.5, 1.5, 0.2)], ids=["once", "twice"])
def test_a_path_is_the_same_wherever_it_lies(second: tuple[float, ...]) -> None:
    places = np.array([[0, 0, 0], [0, 1, 0], second, [1.5, 2, 0.3]], float)[:, None]
    by, share = np.array([5.0, -3.0, 2.0]), np.linspace(0, 1, 21)
    here, corners, lies = CorneredPaths(*places, np.full(1, 0.5)).at(share)
    there, moved, same = CorneredPaths(*(places + by), np.full(1, 0.5)).at(share)
    assert there == pytest.approx(here + by)
    assert moved == pytest.approx(corners + by)
    assert same == pytest.approx(lies)


def test_an_even_curve_leaves_and_arrives_as_its_ends_point() -> None:
    """A cubic through both, straight where both directions are those of the chord."""
    pose = np.array([[0.0, 0, 0, 0.1, 0.0]]), np.array([[0.0, 2, 0, -0.1, 0.0]])
    points = even(*pose, np.linspace(0, 1, 201))[0]
    first, last = points[1] - points[0], points[-1] - points[-2]
    assert np.arctan2(first[0], first[1]) == pytest.approx(0.1, abs=2e-3)
    assert np.arctan2(last[0], last[1]) == pytest.approx(-0.1, abs=2e-3)
    straight = even(np.zeros((1, 5)), np.array([[0.0, 2, 0, 0, 0]]), np.linspace(0, 1, 5))[0]
    assert straight[:, 0] == pytest.approx(np.zeros(5))
