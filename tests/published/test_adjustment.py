"""Tie adjustment against Krumm, *Geodetic Network Adjustment Examples*, Stuttgart, rev. 3.5, 2020.

The publication was read for this project (see SOURCES.md); the numbers are quoted with the digits
it prints. Its standard deviations are a posteriori: a priori ones times s0.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from lateralline.kernels.taping import Floats, TieAdjustment, adjust_ties, two_ties


def adjust(control: list[tuple[float, ...]], taped: list[float], sigma: float) -> TieAdjustment:
    return adjust_ties(np.array([control]), np.array([taped]), np.full((1, len(taped)), sigma))


def s0(fit: TieAdjustment) -> float:
    return float(np.sqrt(fit.chi2[0] / fit.dof[0]))


def a_posteriori(fit: TieAdjustment) -> Floats:
    return np.asarray(np.sqrt(np.diagonal(fit.cov_m2[0])) * s0(fit))


def test_three_ties() -> None:
    """Example 1 (after Strang & Borre 1997): one spare tie, and it says that something is wrong."""
    fit = adjust(
        [(170.71, 270.71), (100.0, 100.0), (241.42, 100.0)], [100.01, 100.02, 100.03], 0.01
    )
    assert fit.xyz_m[0] == pytest.approx([170.7029, 170.7234], abs=5e-5)
    assert a_posteriori(fit) == pytest.approx([0.03303, 0.02335], abs=5e-6)
    assert fit.chi2[0] == pytest.approx(10.909, abs=5e-4)
    assert fit.dof[0] == 1
    assert fit.residual_m[0] == pytest.approx([-0.02336, -0.01652, -0.01651], abs=5e-6)
    assert fit.redundancy[0] == pytest.approx([0.50, 0.25, 0.25], abs=5e-3)
    assert fit.w[0] == pytest.approx([-3.303, -3.303, -3.303], abs=5e-4)
    assert fit.chi2[0] > chi2.ppf(0.95, 1) == pytest.approx(3.84, abs=5e-3)
    # All w alike: with one spare tie the blunder cannot be localised.
    assert np.ptp(fit.w[0]) < 1e-3


def test_five_ties() -> None:
    """Example 2 (after Benning 2011, 8-8): a blunder in the fifth tie would be invisible."""
    fit = adjust(
        [(3000.0, 2000.0), (1000.0, 2000.0), (3000.0, 2100.0), (1000.0, 2100.0), (2000.0, 1000.0)],
        [1000.0, 1000.0, 1005.0, 1005.0, 1000.0],
        0.02,
    )
    assert fit.xyz_m[0] == pytest.approx([2000.0, 1999.9976], abs=5e-5)
    assert a_posteriori(fit) == pytest.approx([0.00504, 0.00996], abs=5e-6)
    assert s0(fit) == pytest.approx(0.5028, abs=5e-5)
    assert fit.redundancy[0, 4] == pytest.approx(0.019, abs=5e-4)
    assert fit.redundancy[0].sum() == pytest.approx(3.0)


def test_four_slope_distances() -> None:
    """Example 3 (after Wolf 1979): the same adjustment in three dimensions.

    All control lies in one plane, so a mirror solution below it fits as well: both are reported.
    """
    fit = adjust(
        [
            (1200.0, 900.0, 900.0),
            (900.0, 600.0, 900.0),
            (600.0, 900.0, 900.0),
            (900.0, 1200.0, 900.0),
        ],
        [499.99, 500.00, 500.01, 500.02],
        0.01,
    )
    above, below = sorted([fit.xyz_m[0], fit.mirror_m[0]], key=lambda p: -p[2])
    assert above == pytest.approx([900.0167, 899.9833, 1300.0062], abs=5e-5)
    assert below == pytest.approx([900.0167, 899.9833, 1800.0 - 1300.0062], abs=5e-5)
    assert fit.mirror_chi2[0] == pytest.approx(fit.chi2[0])
    assert a_posteriori(fit) == pytest.approx([0.01179, 0.01179, 0.00625], abs=5e-6)
    assert s0(fit) == pytest.approx(1.000, abs=5e-4)


def test_two_blunders_pull_the_better_fit_to_the_wrong_side() -> None:
    """Example 5 (after Blankenbach & Willert 2009): two gross errors among eight indoor distances.

    Least squares from the published start gives (-2.3042, 24.3101, 9.5248). With the blunders in,
    the solution mirrored above the anchors fits even better (C): both sides must come back.
    """
    fit = adjust(
        [
            (-8.62, 27.42, 10.29),
            (-4.95, 27.30, 10.04),
            (-4.85, 20.69, 10.51),
            (0.52, 22.59, 9.77),
            (-6.12, 25.48, 10.92),
            (0.45, 27.39, 10.75),
            (0.61, 17.19, 9.71),
            (-7.88, 22.45, 10.16),
        ],
        [8.20, 3.85, 4.35, 3.51, 3.98, 4.37, 8.17, 5.73],
        0.05,
    )
    assert fit.mirror_m[0] == pytest.approx([-2.3042, 24.3101, 9.5248], abs=5e-5)
    assert fit.chi2[0] < fit.mirror_chi2[0]
    assert fit.chi2[0] > chi2.ppf(0.999, fit.dof[0])


@pytest.mark.parametrize(("left", "north"), [(True, 2.4), (False, -2.4)])
def test_two_ties(left: bool, north: float) -> None:
    """A (0, 0), B (5, 0), distances 3 and 4: a right angle at (1.8, ±2.4) (C)."""
    placed = two_ties(
        np.array([[0.0, 0.0]]),
        np.array([[5.0, 0.0]]),
        np.array([3.0]),
        np.array([4.0]),
        np.array([left]),
    )
    assert placed.xy_m[0] == pytest.approx([1.8, north], abs=1e-12)
