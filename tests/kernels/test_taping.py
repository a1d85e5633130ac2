"""Taping kernels: symmetry, Jacobians against central differences, impossible geometry is NaN.

Worked examples from outside stand in published/test_adjustment.py.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from lateralline.kernels.taping import (
    Floats,
    Placement,
    _starts,
    adjust_ties,
    offset,
    polar,
    side_of,
    tie_gap,
    two_ties,
)

coordinate = st.floats(-50.0, 50.0)
point = st.tuples(coordinate, coordinate).map(np.array)
length = st.floats(0.5, 40.0)
angle = st.floats(0.0, 2 * np.pi)


def check(
    place: Callable[[Floats], Placement], measured: Floats, control: Floats, step: float = 1e-5
) -> None:
    """Compare both Jacobians of a kernel taking rows (measured…, control…) with differences."""
    at = np.concatenate([measured, control])
    placed = place(at[None])
    jacobian = np.concatenate([placed.by_measured[0], placed.by_control[0]], axis=1)
    steps = step * np.eye(len(at))
    numeric = (place(at + steps).xy_m - place(at - steps).xy_m).T / (2 * step)
    scale = max(1.0, float(np.abs(numeric).max()))
    assert jacobian == pytest.approx(numeric, abs=5e-6 * scale)


@given(point, point, coordinate, coordinate)
def test_offset_jacobians(a: Floats, b: Floats, station: float, off: float) -> None:
    assume(np.hypot(*(b - a)) > 1.0)
    check(
        lambda v: offset(v[:, 2:4], v[:, 4:6], v[:, 0], v[:, 1]),
        np.array([station, off]),
        np.concatenate([a, b]),
    )


@given(point, length, angle)
def test_polar_jacobians(a: Floats, distance: float, bearing: float) -> None:
    check(lambda v: polar(v[:, 2:], v[:, 0], v[:, 1]), np.array([distance, bearing]), a)


@given(point, point, point, st.booleans())
def test_two_tie_jacobians(a: Floats, b: Floats, p: Floats, mirrored: bool) -> None:
    ra, rb, base = (np.hypot(*v) for v in (p - a, p - b, b - a))
    area = abs((b - a)[0] * (p - a)[1] - (b - a)[1] * (p - a)[0])
    assume(min(ra, rb, base) > 0.5)
    assume(area > 0.1 * ra * base)
    left = bool(side_of(a[None], b[None], p[None])[0] > 0) != mirrored

    def place(v: Floats) -> Placement:
        return two_ties(v[:, 2:4], v[:, 4:6], v[:, 0], v[:, 1], np.full(len(v), left))

    control = np.concatenate([a, b])
    placed = place(np.concatenate([[ra, rb], control])[None]).xy_m[0]
    assert bool(np.hypot(*(placed - p)) < 1e-6 * (1 + base)) != mirrored
    assert np.hypot(*(placed - a)) == pytest.approx(ra)
    assert np.hypot(*(placed - b)) == pytest.approx(rb)
    check(place, np.array([ra, rb]), control)


@settings(max_examples=50)
@given(st.lists(point, min_size=3, max_size=5), point)
def test_adjusted_tie_jacobians_and_position(points: list[Floats], p: Floats) -> None:
    """Consistent ties give the point back; the Jacobian is then that of the whole adjustment."""
    control = np.array(points)
    away = p - control
    taped = np.linalg.norm(away, axis=1)
    spread = np.linalg.svd(control - control.mean(axis=0), compute_uv=False)
    assume(taped.min() > 1.0)
    assume(spread[1] > 5.0)
    sines = np.linalg.svd(away / taped[:, None], compute_uv=False)
    assume(sines[1] > 0.3)
    m = len(taped)

    def place(v: Floats) -> Placement:
        fit = adjust_ties(v[:, m:].reshape(-1, m, 2), v[:, :m], np.full((len(v), m), 0.01))
        return Placement(fit.xyz_m, fit.by_measured, fit.by_control)

    at = np.concatenate([taped, control.ravel()])
    assert place(at[None]).xy_m[0] == pytest.approx(p, abs=1e-6)
    check(place, taped, control.ravel(), step=1e-4)


@given(point, point, coordinate, coordinate, angle, point)
def test_offset_turns_and_shifts_with_its_baseline(
    a: Floats, b: Floats, station: float, off: float, turn: float, shift: Floats
) -> None:
    assume(np.hypot(*(b - a)) > 1.0)
    c, s = np.cos(turn), np.sin(turn)
    rotate = np.array([[c, -s], [s, c]])
    here = offset(a[None], b[None], np.array([station]), np.array([off])).xy_m[0]
    moved = offset(
        (rotate @ a + shift)[None],
        (rotate @ b + shift)[None],
        np.array([station]),
        np.array([off]),
    ).xy_m[0]
    assert moved == pytest.approx(rotate @ here + shift, abs=1e-9)


def test_offset_is_positive_to_the_right() -> None:
    """Looking north from the origin, right is east."""
    placed = offset(np.zeros((1, 2)), np.array([[0.0, 9.0]]), np.array([4.0]), np.array([1.5]))
    assert placed.xy_m[0] == pytest.approx([1.5, 4.0])


def test_bearing_is_clockwise_from_north() -> None:
    placed = polar(np.zeros((1, 2)), np.array([2.0]), np.array([np.pi / 2]))
    assert placed.xy_m[0] == pytest.approx([2.0, 0.0])


def test_the_impossible_is_nan_and_does_not_touch_its_neighbours() -> None:
    a, b = np.zeros((4, 2)), np.array([[5.0, 0.0], [5.0, 0.0], [0.0, 0.0], [5.0, 0.0]])
    ra, rb = np.array([2.0, 9.0, 3.0, 3.0]), np.array([2.0, 3.0, 3.0, 4.0])
    placed = two_ties(a, b, ra, rb, np.ones(4, dtype=bool))
    assert np.isnan(placed.xy_m[:3]).all()
    assert placed.xy_m[3] == pytest.approx([1.8, 2.4])
    assert tie_gap(np.linalg.norm(b - a, axis=1), ra, rb)[[0, 1, 3]] == pytest.approx([1.0, -1, 0])
    none = offset(a[:1], a[:1], np.array([1.0]), np.array([1.0]))
    assert np.isnan(none.xy_m).all()


def test_ties_along_a_wall_have_a_mirror_and_side_decides() -> None:
    """Control in a straight line cannot tell one side from the other."""
    wall = np.array([[(0.0, 0.0), (5.0, 0.0), (10.0, 0.0)]] * 3)
    taped = np.linalg.norm(np.array([1.8, 2.4]) - wall, axis=2)
    fit = adjust_ties(wall, taped, np.full((3, 3), 0.01), np.array([1.0, -1.0, 0.0]))
    assert fit.xyz_m[:2] == pytest.approx(np.array([[1.8, 2.4], [1.8, -2.4]]), abs=1e-7)
    assert fit.mirror_m[0] == pytest.approx(fit.xyz_m[1], abs=1e-6)
    assert fit.mirror_chi2 == pytest.approx(fit.chi2, abs=1e-6)


def test_side_does_not_outweigh_distances_that_say_otherwise() -> None:
    control = np.array([[(0.0, 0.0), (5.0, 0.0), (2.0, 6.0)]])
    taped = np.linalg.norm(np.array([1.8, 2.4]) - control, axis=2)
    fit = adjust_ties(control, taped, np.full((1, 3), 0.01), np.array([-1.0]))
    assert fit.xyz_m[0] == pytest.approx([1.8, 2.4], abs=1e-7)


def test_a_mirror_that_fits_worse_is_reported_with_its_misfit_and_never_taken() -> None:
    """Control all but in a line: the other side is a minimum too, and a stated side is no pull."""
    control = np.array([[(0.0, 0.0), (5.0, 0.0), (10.0, 0.3)]] * 3)
    taped = np.linalg.norm(np.array([1.8, 2.4]) - control, axis=2)
    fit = adjust_ties(control, taped, np.full((3, 3), 0.01), np.array([1.0, -1.0, 0.0]))
    assert fit.xyz_m == pytest.approx(np.array([[1.8, 2.4]] * 3), abs=1e-7)
    assert (fit.mirror_m[:, 1] < -2.0).all()
    away = np.linalg.norm(fit.mirror_m[:, None] - control, axis=2)
    assert fit.mirror_chi2 == pytest.approx((((away - taped) / 0.01) ** 2).sum(axis=1))
    assert (fit.mirror_chi2 > 3.841).all()


@given(st.lists(point, min_size=3, max_size=6), point)
def test_of_exact_tapes_the_search_starts_at_the_spot_itself(
    control: list[Floats], spot: Floats
) -> None:
    """From one of its two starts, unless the points lie in a line or spot and centroid do."""
    points = np.array(control)
    assume(np.linalg.svd(points - points.mean(axis=0))[1][1] > 1.0)
    taped = np.linalg.norm(points - spot, axis=1)
    starts = _starts(points[None], taped[None], np.ones((1, len(points)), dtype=bool))[:, 0]
    off = np.linalg.norm(starts - spot, axis=1).min()
    assert off <= 0.03 * np.linalg.norm(spot - points.mean(axis=0)) + 0.01


def test_absent_ties_leave_no_trace() -> None:
    """A spot with three ties comes out alike alone and padded beside one with four."""
    control = np.array([[(0.0, 0.0), (8.0, 1.0), (3.0, 7.0), (9.0, 9.0)]] * 2)
    taped = np.array([[3.01, 7.2, 5.9, 10.3], [3.01, 7.2, 5.9, np.nan]])
    padded = adjust_ties(control, taped, np.full((2, 4), 0.02))
    alone = adjust_ties(control[:1, :3], taped[:1, :3], np.full((1, 3), 0.02))
    assert padded.dof.tolist() == [2, 1]
    assert padded.xyz_m[1] == pytest.approx(alone.xyz_m[0], abs=1e-9)
    assert padded.cov_m2[1] == pytest.approx(alone.cov_m2[0])
    assert padded.chi2[1] == pytest.approx(alone.chi2[0])
    assert padded.w[1, :3] == pytest.approx(alone.w[0])
    assert np.isnan(padded.w[1, 3])
    assert np.isnan(padded.redundancy[1, 3])


def test_redundancy_numbers_sum_to_the_degrees_of_freedom() -> None:
    rng = np.random.default_rng(7)
    control = rng.uniform(-20, 20, (200, 5, 2))
    spot = rng.uniform(-20, 20, (200, 1, 2))
    taped = np.linalg.norm(spot - control, axis=2) + rng.normal(0, 0.01, (200, 5))
    fit = adjust_ties(control, taped, np.full((200, 5), 0.01))
    assert fit.redundancy.sum(axis=1) == pytest.approx(fit.dof)
    assert np.isfinite(fit.xyz_m).all()
    # Σ χ² over 200 adjustments of 3 spare ties each: 600 ± 35 (1 σ).
    assert fit.chi2.sum() == pytest.approx(600.0, abs=4 * np.sqrt(2 * 600.0))


def test_no_place_fits_better_than_the_one_found() -> None:
    """Crude tapes (0.5 m) from three points: χ² of every place on a grid of 0.25 m is no less."""
    rng = np.random.default_rng(12)
    control = rng.uniform(-10, 10, (150, 3, 2))
    spot = rng.uniform(-10, 10, (150, 1, 2))
    taped = np.abs(np.linalg.norm(spot - control, axis=2) + rng.normal(0, 0.5, (150, 3)))
    fit = adjust_ties(control, taped, np.full((150, 3), 0.5))
    axis = np.arange(-15.0, 15.0, 0.25)
    grid = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 1, 2)
    for i in np.flatnonzero(np.isfinite(fit.chi2)):
        away = np.linalg.norm(grid - control[i], axis=2)
        assert fit.chi2[i] <= (((away - taped[i]) / 0.5) ** 2).sum(axis=1).min() + 1e-9
    assert np.isfinite(fit.chi2).mean() > 0.9
