"""The field kernel: symmetry first, then an independent library, then published numbers."""

import magpylib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar

from lateralline.kernels import dipole

COORDINATE = st.floats(-5.0, 5.0)
ANGLE = st.floats(-1.4, 1.4)


def level_field(tilt_rad: float, along_over_depth: float) -> np.ndarray:
    """Field one depth above a transmitter heading north, at an along-axis offset."""
    m = dipole.moment(0.0, tilt_rad)
    return dipole.field(np.array([0.0, along_over_depth, 1.0]), m)


@given(COORDINATE, COORDINATE, st.floats(0.3, 5.0), ANGLE, ANGLE)
def test_field_is_even_in_position_and_odd_in_moment(e, n, u, heading, tilt):
    offset, m = np.array([e, n, u]), dipole.moment(heading, tilt)
    here = dipole.field(offset, m)
    np.testing.assert_allclose(dipole.field(-offset, m), here, rtol=1e-12)
    np.testing.assert_allclose(dipole.field(offset, -m), -here, rtol=1e-12)


def test_field_has_no_divergence_and_no_curl():
    rng = np.random.default_rng(5)
    at, m = rng.normal(size=(40, 3)) + np.array([0, 0, 3]), dipole.moment(*rng.normal(size=(2, 40)))
    h = 1e-5
    gradient = np.stack(
        [
            (dipole.field(at + h * step, m) - dipole.field(at - h * step, m)) / (2 * h)
            for step in np.eye(3)
        ],
        axis=1,
    )
    size = np.abs(gradient).max()
    assert np.abs(np.trace(gradient, axis1=1, axis2=2)).max() < 1e-8 * size
    assert np.abs(gradient - np.swapaxes(gradient, 1, 2)).max() < 1e-8 * size


def test_field_is_nan_at_the_transmitter():
    assert np.isnan(dipole.field(np.zeros((1, 3)), dipole.moment([0.1], [0.2]))).all()


def test_field_agrees_with_magpylib():
    """General-purpose reference library: magpylib's Dipole, which knows nothing of this trade."""
    rng = np.random.default_rng(7)
    at = rng.normal(size=(100, 3)) + np.array([0, 0, 2])
    m = dipole.moment(0.7, -0.3)
    other = magpylib.misc.Dipole(moment=m).getB(at)
    ours = dipole.field(at, m) * 1e-7  # μ₀/4π in T·m/A, to the 2019 SI's ninth digit
    np.testing.assert_allclose(ours, other, rtol=1e-8)


@pytest.mark.parametrize("tilt_deg", [0.0, 1.0, 5.0, 10.0, 20.0, 45.0, -30.0])
def test_closed_forms_are_nulls_of_magpylib(tilt_deg):
    """End and mid nulls of the closed forms are nulls of magpylib's field."""
    tilt = np.radians(tilt_deg)
    source = magpylib.misc.Dipole(moment=dipole.moment(0.0, tilt))
    for u in dipole.end_null_offsets(tilt):
        b = source.getB((0.0, float(u), 1.0))
        assert abs(b[1]) < 1e-12 * np.linalg.norm(b) + 1e-20
    b = source.getB((0.0, float(dipole.mid_null_offset(tilt)), 1.0))
    assert abs(b[2]) < 1e-12 * np.linalg.norm(b) + 1e-20


# Values below: shared check list, "computed from the stated formula by two independent ways".


@pytest.mark.parametrize(
    ("tilt_deg", "behind", "ahead"),
    [(0.0, -0.70711, 0.70711), (10.0, -0.85161, 0.58712), (45.0, -1.78078, 0.28078)],
)
def test_end_null_values(tilt_deg, behind, ahead):
    got = dipole.end_null_offsets(np.radians(tilt_deg))
    np.testing.assert_allclose(got, (behind, ahead), atol=6e-6)


@pytest.mark.parametrize(
    ("tilt_deg", "factor"), [(5, 1.0043), (10, 1.0173), (20, 1.0719), (30, 1.1726), (45, 1.4577)]
)
def test_depth_by_separation_overestimates_when_tilted(tilt_deg, factor):
    separation = dipole.null_separation(np.radians(tilt_deg))
    assert separation / np.sqrt(2.0) == pytest.approx(factor, abs=6e-5)


@pytest.mark.parametrize(("tilt_deg", "u"), [(1, -0.01164), (5, -0.0582), (10, -0.1168)])
def test_mid_null_values(tilt_deg, u):
    assert dipole.mid_null_offset(np.radians(tilt_deg)) == pytest.approx(u, abs=6e-5)


@pytest.mark.parametrize(("tilt_deg", "u"), [(1, 0.153), (2, 0.185), (5, 0.227), (10, 0.248)])
def test_total_peak_moves_far_with_little_tilt(tilt_deg, u):
    """The peak itself by maximising; it goes towards the nearer end null, ahead when head-up."""
    tilt = np.radians(tilt_deg)
    top = minimize_scalar(
        lambda x: -np.linalg.norm(level_field(tilt, x)), bounds=(-1, 1), method="bounded"
    )
    assert top.x == pytest.approx(u, abs=1e-3)
    behind, ahead = dipole.end_null_offsets(tilt)
    assert ahead < -behind
    assert dipole.total_peak_offset(tilt) == pytest.approx(u, abs=0.006)


@pytest.mark.parametrize(
    ("angle_deg", "x_over_d"), [(30, 0.35996), (45, 0.56155), (60, 0.79229), (90, np.sqrt(2.0))]
)
def test_vertical_dipole_angle_from_vertical(angle_deg, x_over_d):
    """Cave radio-location publishes depth = 1.77 × distance to the 45° point (exact 1.78078)."""

    def angle(x: float) -> float:
        b = dipole.field(np.array([0.0, x, 1.0]), dipole.moment(0.0, np.pi / 2))
        return float(np.degrees(np.arctan2(b[1], b[2])))

    assert brentq(lambda x: angle(x) - angle_deg, 0.01, 2.0) == pytest.approx(x_over_d, abs=6e-6)


@pytest.mark.parametrize(
    ("latitude_deg", "inclination_deg"), [(15, 28.187), (30, 49.107), (45, 63.435), (60, 73.898)]
)
def test_inclination_law(latitude_deg, inclination_deg):
    """tan I = 2 tan λ, the geocentric axial dipole of palaeomagnetism (computed)."""
    lat = np.radians(latitude_deg)
    b = dipole.field(np.array([0.0, np.cos(lat), np.sin(lat)]), np.array([0.0, 0.0, 1.0]))
    radial = b @ [0.0, np.cos(lat), np.sin(lat)]
    level = np.sqrt(b @ b - radial**2)
    assert np.degrees(np.arctan2(radial, level)) == pytest.approx(inclination_deg, abs=6e-4)


def test_strength_at_end_null_over_centre():
    _, ahead = dipole.end_null_offsets(0.0)
    ratio = np.linalg.norm(level_field(0.0, float(ahead))) / np.linalg.norm(level_field(0.0, 0.0))
    assert ratio == pytest.approx(0.7698, abs=5e-5)


# Common practice, no source.


def test_depth_is_seven_tenths_of_null_separation_on_the_level():
    assert 1.0 / dipole.null_separation(0.0) == pytest.approx(0.7, abs=0.01)


def test_mid_null_lies_halfway_when_level_and_wanders_with_tilt():
    tilts = np.radians([0.0, 2.0, 5.0, 10.0, 20.0])
    behind, ahead = dipole.end_null_offsets(tilts)
    astray = np.abs(dipole.mid_null_offset(tilts) - (behind + ahead) / 2)
    assert astray[0] == 0.0
    assert (np.diff(astray) > 0).all()


def test_strength_falls_in_every_direction_from_above_a_level_transmitter():
    bearing = np.radians(np.arange(0.0, 360.0, 15.0))
    m = dipole.moment(0.0, 0.0)
    rings = [
        np.linalg.norm(
            dipole.field(
                np.stack([r * np.sin(bearing), r * np.cos(bearing), np.ones_like(bearing)], -1), m
            ),
            axis=1,
        )
        for r in (0.0, 0.1, 0.3, 0.7, 1.5)
    ]
    assert (np.diff(rings, axis=0) < 0).all()


def test_the_field_is_that_of_a_description_that_was_read() -> None:
    """Of a dipole along z: 3zx/r⁵, 3zy/r⁵, (3z²/r² − 1)/r³.

    Source: description of the Magnetic Dipole Field Model, Open Source Physics, ComPADRE item
    12361, read.
    """
    x, y, z = np.random.default_rng(3).uniform(-2.0, 2.0, (3, 40))
    r = np.sqrt(x**2 + y**2 + z**2)
    read = np.stack([3 * z * x / r**5, 3 * z * y / r**5, (3 * z**2 / r**2 - 1) / r**3], axis=1)
    made = dipole.field(np.stack([x, y, z], axis=1), np.array([0.0, 0.0, 1.0]))
    np.testing.assert_allclose(made, read, rtol=1e-12)
