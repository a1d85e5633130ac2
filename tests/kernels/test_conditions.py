"""Residuals of marks: against the field kernel, against differences, against a real rod."""

import magpylib
import numpy as np
import pytest
from scipy.optimize import brentq

from lateralline.kernels import conditions, dipole

RNG = np.random.default_rng(11)
MARKS = RNG.normal(size=(3, 60)) + np.array([[0.0], [0.0], [1.8]])
TILTS = 0.4 * RNG.normal(size=60)


def rod(mark, tilt):
    return conditions.direction(mark, tilt, np.full(mark.shape[1], 0.2))


@pytest.mark.parametrize(
    "condition",
    [
        conditions.direction,
        rod,
        conditions.total_gradient,
        conditions.axial_gradient,
        lambda r, t: tuple(x[None] for x in conditions.offset_in_depths(r, 0)),
        lambda r, t: tuple(x[None] for x in conditions.offset_in_depths(r, 1)),
    ],
)
def test_jacobians_match_central_differences(condition):
    value, jacobian = condition(MARKS, TILTS)
    assert jacobian.shape == (len(value), 4, 60)
    h = 1e-6
    for j in range(4):
        dr = np.zeros((3, 1))
        dt = h if j == 3 else 0.0
        if j < 3:
            dr[j] = h
        ahead, behind = condition(MARKS + dr, TILTS + dt)[0], condition(MARKS - dr, TILTS - dt)[0]
        np.testing.assert_allclose((ahead - behind) / (2 * h), jacobian[:, j], rtol=1e-6, atol=1e-7)


def test_direction_is_that_of_the_field_kernel():
    """In transmitter axes along is north for heading 0, across is east."""
    along, across, up = MARKS
    b = dipole.field(np.stack([across, along, up], -1), dipole.moment(0.0 * TILTS, TILTS))
    unit = (b / np.linalg.norm(b, axis=1, keepdims=True)).T
    np.testing.assert_allclose(conditions.direction(MARKS, TILTS)[0], unit[[1, 0, 2]], atol=1e-14)


def test_gradients_are_those_of_the_field_strength():
    def log_field(mark, part):
        along, across, up = mark
        b = dipole.field(np.stack([across, along, up], -1), dipole.moment(0.0 * TILTS, TILTS))
        return np.log(part(b))

    r, h = np.linalg.norm(MARKS, axis=0), 1e-6
    for gradient, part in (
        (conditions.total_gradient, lambda b: np.linalg.norm(b, axis=1)),
        (conditions.axial_gradient, lambda b: np.abs(b[:, 1])),
    ):
        got = gradient(MARKS, TILTS)[0]
        for j in range(3):
            d = np.zeros((3, 1))
            d[j] = h
            slope = (log_field(MARKS + d, part) - log_field(MARKS - d, part)) / (2 * h)
            np.testing.assert_allclose(got[j], r * slope, rtol=1e-5, atol=1e-6)


def test_peaks_are_as_sharp_as_stated_above_a_level_transmitter():
    """Axial: half amplitude at ±0.3840 d along and ±0.7664 d across (computed, check list §1)."""
    above, level = np.array([[0.0], [0.0], [2.0]]), np.zeros(1)
    _, total = conditions.total_gradient(above, level)
    _, axial = conditions.axial_gradient(above, level)
    assert -2.0 * total[1, 1, 0] == pytest.approx(conditions.ACROSS_CURVATURE)
    assert total[0, 0, 0] == pytest.approx(0.0, abs=1e-12)  # quartic-flat
    assert -2.0 * axial[1, 1, 0] == pytest.approx(conditions.ACROSS_CURVATURE)
    assert -2.0 * axial[0, 0, 0] == pytest.approx(conditions.AXIAL_CURVATURE)

    def axial_strength(x, y):
        return abs(dipole.field(np.array([y, x, 1.0]), dipole.moment(0.0, 0.0))[1])

    half = 0.5 * axial_strength(0.0, 0.0)
    along = brentq(lambda x: axial_strength(x, 0.0) - half, 0.1, 0.7)
    across = brentq(lambda y: axial_strength(0.0, y) - half, 0.1, 2.0)
    assert (along, across) == pytest.approx((0.3840, 0.7664), abs=6e-5)


@pytest.mark.parametrize(
    ("length", "end_null"), [(1 / 6, 0.7109), (1 / 3, 0.7222), (2 / 3, 0.7667)]
)
def test_finite_rod_moves_the_end_null_as_a_real_rod_does(length, end_null):
    """Two poles against magpylib's uniformly magnetised cylinder, and the computed table."""

    def along(x):
        u, _ = conditions.direction(
            np.array([[x], [0.0], [1.0]]), np.zeros(1), np.array([length / 2])
        )
        return u[0, 0]

    ours = brentq(along, 0.5, 0.9)
    cylinder = magpylib.magnet.Cylinder(polarization=(0, 0, 1), dimension=(0.02, length))
    cylinder.rotate_from_angax(90, "y")
    theirs = brentq(lambda x: cylinder.getB((x, 0, 1))[0], 0.5, 0.9)
    assert ours == pytest.approx(theirs, abs=1e-4)
    assert ours == pytest.approx(end_null, abs=2e-4)


def test_a_vanishing_rod_is_a_dipole():
    tiny = conditions.direction(MARKS, TILTS, np.full(60, 1e-9))[0]
    np.testing.assert_allclose(tiny, conditions.direction(MARKS, TILTS)[0], atol=5e-4)


@pytest.mark.parametrize("times", [0.01, 0.1, 1.0, 30.0])
def test_a_rod_is_judged_by_its_length_over_the_distance(times):
    """A dipole has no length of its own: near or far, the picture is the same one scaled."""
    half = np.full(60, 0.2)
    here, slopes = conditions.direction(MARKS, TILTS, half)
    there, scaled = conditions.direction(times * MARKS, TILTS, times * half)
    np.testing.assert_allclose(there, here, atol=1e-9)
    np.testing.assert_allclose(scaled[:, :3] * times, slopes[:, :3], atol=1e-7)
    tiny = conditions.direction(times * MARKS, TILTS, np.full(60, 1e-9))[0]
    np.testing.assert_allclose(tiny, conditions.direction(MARKS, TILTS)[0], atol=5e-4)
