"""Constants of the tests and regions, against scipy's distributions.

Source of the values: the shared check list, computed there; tests after Baarda (1968), *A testing
procedure for use in geodetic networks*, from memory.
"""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2, ncx2, norm

from lateralline.kernels.network import W_DETECTABLE, W_LIMIT


def test_ellipse_factors():
    assert np.sqrt(chi2.ppf(0.95, 2)) == pytest.approx(2.4477, abs=5e-5)
    assert np.sqrt(chi2.ppf(0.95, 3)) == pytest.approx(2.7955, abs=5e-5)
    assert chi2.cdf(1.0, 2) == pytest.approx(0.3935, abs=5e-5)


def test_the_w_limit_is_the_two_sided_thousandth():
    assert norm.isf(0.0005) == pytest.approx(W_LIMIT, abs=5e-5)


def test_the_detectable_blunder_is_found_in_eighty_of_a_hundred():
    limit = chi2.isf(0.001, 1)
    centre = brentq(lambda d: ncx2.sf(limit, 1, d**2) - 0.80, 1.0, 8.0)
    assert centre == pytest.approx(W_DETECTABLE, abs=5e-4)


@pytest.mark.parametrize(
    ("dof", "low", "high"), [(1, 0.00098, 5.0239), (2, 0.0506, 7.3778), (3, 0.2158, 9.3484)]
)
def test_two_sided_chi_square_limits(dof, low, high):
    np.testing.assert_allclose(chi2.ppf([0.025, 0.975], dof), (low, high), atol=5e-5)


@pytest.mark.parametrize(("ohm_m", "depth_m"), [(10.0, 70.0), (50.0, 157.0), (100.0, 222.0)])
def test_the_field_is_quasi_static_at_lateral_depths(ohm_m, depth_m):
    """Skin depth √(2ρ/ωμ₀) at 512 Hz, many times the deepest lateral."""
    omega, mu = 2.0 * np.pi * 512.0, 4e-7 * np.pi
    skin = np.sqrt(2.0 * ohm_m / (omega * mu))
    assert skin == pytest.approx(depth_m, rel=0.01)
    assert skin > 15.0 * 4.0
