"""The choice of tie points: against every other pair, simulated taping and a published example."""

from __future__ import annotations

from math import radians

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.kernels import taping
from lateralline.kernels.tying import choose

LIMITS = {"tape_m": 0.01, "tape_ratio": 0.0005, "longest_m": 30.0, "flattest_rad": radians(20.0)}


def test_the_two_distance_tie_of_three_four_five() -> None:
    """A (0, 0), B (5, 0), 3 and 4 → (1.8, ±2.4): computed, 3-4-5 triangle."""
    spots = np.array([[1.8, 2.4], [1.8, -2.4]])
    found = choose(spots, np.array([[0.0, 0.0], [5.0, 0.0]]), np.zeros(2), **LIMITS)
    assert found.distance_m[:, :2] == pytest.approx(np.array([[3.0, 4.0], [3.0, 4.0]]))
    assert np.degrees(found.cut_rad) == pytest.approx([90.0, 90.0])
    assert found.left.tolist() == [1, -1]
    assert (found.point[:, 2] == -1).all()
    assert np.isnan(found.check_sigma_m).all()


def test_no_tie_is_longer_or_flatter_than_allowed() -> None:
    rng = np.random.default_rng(6)
    spots, points = rng.uniform(0, 40, (200, 2)), rng.uniform(0, 40, (12, 2))
    limits = {**LIMITS, "longest_m": 12.0, "flattest_rad": radians(40.0)}
    found = choose(spots, points, np.full(12, 0.02), **limits)
    tied = found.left != 0
    assert 0 < tied.sum() < 200
    assert np.nanmax(found.distance_m) <= 12.0
    assert np.degrees(found.cut_rad[tied]).min() >= 40.0
    assert np.isnan(found.distance_m[~tied]).all()
    assert (found.point[~tied] == -1).all()
    assert ((found.within[~tied] < 2) | (found.best_cut_rad[~tied] < radians(40.0))).all()
    assert len({*found.point[tied][0]}) == 3


def test_the_choice_is_the_best_of_all_pairs_by_their_covariance() -> None:
    """Against every pair's own crossing by the kernel that places ties."""
    rng = np.random.default_rng(7)
    spot, points = np.array([[4.0, 3.0]]), rng.uniform(-10, 12, (6, 2))
    sigma = rng.uniform(0.0, 0.05, 6)
    found = choose(spot, points, sigma, **LIMITS)
    least = np.inf
    for a in range(6):
        for b in range(a + 1, 6):
            d = np.hypot(*(spot[0] - points[[a, b]]).T)
            sides = taping.side_of(points[[a]], points[[b]], spot) > 0
            placed = taping.two_ties(points[[a]], points[[b]], d[:1], d[1:], sides)
            s = np.hypot(0.01 + 0.0005 * d, sigma[[a, b]])
            spread = placed.by_measured[0] * s
            least = min(least, float(np.trace(spread @ spread.T)))
    chosen = found.tape_cov_m2[0] + found.point_cov_m2[0]
    assert np.trace(chosen) == pytest.approx(least)


@pytest.mark.parametrize("points", [np.zeros((0, 2)), np.array([[1.0, 1.0]])])
def test_without_two_points_nothing_is_tied(points: npt.NDArray[np.float64]) -> None:
    found = choose(np.array([[0.0, 0.0]]), points, np.zeros(len(points)), **LIMITS)
    assert found.left.tolist() == [0]
    assert found.within.tolist() == [len(points)]


def test_scatter_and_check_hold_against_simulated_taping() -> None:
    """20,000 crews: points off, tapes off, arcs crossed as they are; then the third tape."""
    rng = np.random.default_rng(8)
    spot, n = np.array([[3.0, 5.0]]), 20_000
    points = np.array([[0.0, 0.0], [9.0, 1.0], [4.0, 14.0]])
    sigma = np.array([0.02, 0.03, 0.01])
    found = choose(spot, points, sigma, **LIMITS)
    p, d = found.point[0], found.distance_m[0]
    off = points[p] + rng.normal(size=(n, 3, 2)) * sigma[p][:, None]
    tape = d + rng.normal(size=(n, 3)) * (0.01 + 0.0005 * d)
    left = np.full(n, found.left[0] > 0)
    made = taping.two_ties(off[:, 0], off[:, 1], tape[:, 0], tape[:, 1], left).xy_m
    expected = found.tape_cov_m2[0] + found.point_cov_m2[0]
    assert np.cov(made.T) == pytest.approx(expected, rel=0.05, abs=2e-5)
    misfit = np.hypot(*(made - off[:, 2]).T) - tape[:, 2]
    assert misfit.std() == pytest.approx(found.check_sigma_m[0], rel=0.03)
    within = np.abs(misfit) <= 1.96 * found.check_sigma_m[0]
    assert within.mean() == pytest.approx(0.95, abs=0.006)


def test_three_ties_of_a_published_example_contradict_each_other() -> None:
    """Krumm (2020), trilateration after Strang & Borre (1997): w = −3.303 of all three.

    With two tapes as the tie and the third as its check, the misfit over its predicted σ is the
    same number: one spare observation knows one misfit only.
    """
    points = np.array([[170.71, 270.71], [100.0, 100.0], [241.42, 100.0]])
    read = np.array([100.01, 100.02, 100.03])
    crossing = taping.two_ties(
        points[[1]], points[[2]], read[[1]], read[[2]], np.array([True])
    ).xy_m
    limits = {**LIMITS, "tape_m": 0.01, "tape_ratio": 0.0, "longest_m": 200.0}
    found = choose(crossing, points, np.zeros(3), **limits)
    third = int(found.point[0, 2])
    others = [i for i in range(3) if i != third]
    left = taping.side_of(points[[others[0]]], points[[others[1]]], crossing) > 0
    at = taping.two_ties(
        points[[others[0]]], points[[others[1]]], read[[others[0]]], read[[others[1]]], left
    ).xy_m[0]
    misfit = np.hypot(*(at - points[third])) - read[third]
    assert abs(misfit) / found.check_sigma_m[0] == pytest.approx(3.303, abs=0.002)


def test_the_third_tape_makes_the_best_adjustment_of_three() -> None:
    """Against every other third point, by the determinant of that adjustment's covariance."""
    rng = np.random.default_rng(9)
    spots, points = rng.uniform(-5, 15, (30, 2)), rng.uniform(-10, 12, (7, 2))
    sigma = rng.uniform(0.0, 0.05, 7)
    found = choose(spots, points, sigma, **LIMITS)
    for i in np.flatnonzero(found.left != 0):
        size = {}
        for third in set(range(7)) - {*found.point[i, :2].tolist()}:
            rows = points[[*found.point[i, :2], third]]
            d = np.hypot(*(spots[i] - rows).T)
            if d[2] <= LIMITS["longest_m"]:
                s = np.hypot(0.01 + 0.0005 * d, sigma[[*found.point[i, :2], third]])
                a = (spots[i] - rows) / (d * s)[:, None]
                size[third] = float(np.linalg.det(np.linalg.inv(a.T @ a)))
        assert found.point[i, 2] == min(size, key=size.__getitem__)
        at = points[found.point[i]]
        assert found.distance_m[i] == pytest.approx(np.hypot(*(spots[i] - at).T))


def test_among_many_points_the_near_ones_are_chosen_and_numbered_as_given() -> None:
    rng = np.random.default_rng(10)
    near, far = rng.uniform(-8, 8, (24, 2)), rng.uniform(20, 25, (30, 2))
    order = rng.permutation(54)
    points = np.concatenate([near, far])[order]
    spots = rng.uniform(-5, 5, (12, 2))
    among = choose(spots, points, np.full(54, 0.02), **LIMITS)
    alone = choose(spots, near, np.full(24, 0.02), **LIMITS)
    assert (order[among.point] == alone.point).all()
    assert among.distance_m == pytest.approx(alone.distance_m)
    assert among.tape_cov_m2 == pytest.approx(alone.tape_cov_m2)


def test_a_point_at_the_spot_itself_ties_nothing() -> None:
    points = np.array([[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]])
    found = choose(np.zeros((1, 2)), points, np.zeros(3), **LIMITS)
    assert sorted(found.point[0].tolist()) == [-1, 1, 2]
    assert found.within.tolist() == [2]
    assert found.best_cut_rad == pytest.approx([np.pi / 2])
    assert np.isfinite(found.tape_cov_m2).all()
    assert np.isnan(found.check_sigma_m).all()


@pytest.mark.parametrize(("cut_deg", "tied"), [(39.9, False), (40.1, True)])
def test_a_crossing_as_flat_as_allowed_is_taken_and_a_flatter_one_not(
    cut_deg: float, tied: bool
) -> None:
    turn = radians(cut_deg)
    points = np.array([[5.0, 0.0], [7.0 * np.cos(turn), 7.0 * np.sin(turn)]])
    limits = {**LIMITS, "flattest_rad": radians(40.0)}
    found = choose(np.zeros((1, 2)), points, np.zeros(2), **limits)
    assert bool(found.left[0] != 0) is tied
    assert np.degrees(found.best_cut_rad) == pytest.approx([cut_deg])
    assert np.isfinite(found.cut_rad[0]) == tied
    assert np.isfinite(found.tape_cov_m2).all() == tied


@pytest.mark.parametrize(("longest_m", "reached"), [(4.9, 1), (5.1, 2)])
def test_a_tape_reaches_as_far_as_it_is_long(longest_m: float, reached: int) -> None:
    points = np.array([[3.0, 0.0], [0.0, 5.0]])
    limits = {**LIMITS, "longest_m": longest_m}
    found = choose(np.zeros((1, 2)), points, np.zeros(2), **limits)
    assert found.within.tolist() == [reached]
    assert bool(found.left[0] != 0) is (reached == 2)
    assert np.isfinite(found.best_cut_rad[0]) == (reached == 2)
