"""Plan error ellipses at 95 %: their axes, and where a point's uncertainty is widest."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from lateralline.distributions import chi2, norm
from lateralline.records import Floats

#: Semi-axis of the 95 % ellipse over the standard one, √χ²(0.95; 2) = 2.4477.
ELLIPSE_95: Final = float(np.sqrt(chi2.ppf(0.95, 2)))

#: The same of the 95 % ellipsoid in space, √χ²(0.95; 3) = 2.7955.
ELLIPSOID_95: Final = float(np.sqrt(chi2.ppf(0.95, 3)))

#: Half-width of the two-sided 95 % interval of one quantity over its σ, 1.9600.
INTERVAL_95: Final = float(norm.ppf(0.975))


class Ellipses(NamedTuple):
    """95 % ellipses (n,); NaN where the covariance is."""

    semi_major_m: Floats
    semi_minor_m: Floats
    azimuth_deg: Floats  # of the major axis, clockwise from grid north, 0 ≤ a < 180


def ellipses_95(cov_m2: Floats) -> Ellipses:
    """Return the 95 % plan ellipses of covariances (n, 2 or more, 2 or more), east first.

    >>> e = ellipses_95(np.array([[[0.04, 0.0], [0.0, 0.01]]]))  # wider to the east
    >>> [round(float(v[0]), 4) for v in e]
    [0.4895, 0.2448, 90.0]
    """
    ee, nn, en = cov_m2[:, 0, 0], cov_m2[:, 1, 1], cov_m2[:, 0, 1]
    mean, half = (ee + nn) / 2, np.hypot((ee - nn) / 2, en)
    # Twice the azimuth of the major axis: from north, so north–north less east–east is its cosine.
    azimuth = np.degrees(np.arctan2(2 * en, nn - ee)) / 2
    return Ellipses(
        ELLIPSE_95 * np.sqrt(mean + half),
        ELLIPSE_95 * np.sqrt(np.maximum(mean - half, 0.0)),
        np.mod(azimuth, 180.0),
    )


def sigma_columns(cov_m2: Floats) -> dict[str, Floats]:
    """Return the σ columns that every placed feature carries; cov (n, 3, 3) m²."""
    sigma = np.sqrt(np.diagonal(cov_m2, axis1=1, axis2=2))
    return {
        "east_sigma_m": sigma[:, 0],
        "north_sigma_m": sigma[:, 1],
        "east_north_covariance_m2": cov_m2[:, 0, 1],
        "level_sigma_m": sigma[:, 2],
    }


def plan_columns(cov_m2: Floats) -> dict[str, Floats]:
    """Return the σ and ellipse columns that every located feature carries; cov (n, 3, 3) m²."""
    ellipses = ellipses_95(cov_m2)
    return sigma_columns(cov_m2) | {
        "ellipse_major_95_m": ellipses.semi_major_m,
        "ellipse_minor_95_m": ellipses.semi_minor_m,
        "ellipse_azimuth_deg": ellipses.azimuth_deg,
    }
