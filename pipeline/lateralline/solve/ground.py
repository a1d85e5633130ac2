"""The ground over each stop: a plane through the levels of its own marks.

Marks of a stop lie nearly on a line, so its slope across that line is known only from the site as
a whole; the plane's covariance says so, and peaks (which slide downhill on a side slope) and
depths inherit it.
"""

from __future__ import annotations

import numpy as np

from lateralline.kernels.lsq import per_problem
from lateralline.records import Floats, Ints

#: σ of the site's slope about level, and how far real ground leaves a plane over a few metres:
#: common practice, no source.
SITE_SLOPE_SIGMA = 0.10
ROUGHNESS_M = 0.01


def site_slope(xyz_m: Floats, var_up_m2: Floats) -> Floats:
    """Return the slope (2,) east and north of a plane through all ground levels (n, 3)."""
    if len(xyz_m) < 2:
        return np.zeros(2)
    weight = 1.0 / (var_up_m2 + ROUGHNESS_M**2)
    centred = xyz_m - np.average(xyz_m, axis=0, weights=weight)
    flat = centred[:, :2]
    normal = (flat * weight[:, None]).T @ flat + np.eye(2) / SITE_SLOPE_SIGMA**2
    return np.asarray(np.linalg.solve(normal, flat.T @ (weight * centred[:, 2])))


def fit_planes(
    xyz_m: Floats,
    var_up_m2: Floats,
    count: Ints,
    slope: Floats,
    slope_sigma: float,
) -> tuple[Floats, Floats, Floats]:
    """Return centres (2, k), planes (3, k) and their covariance (3, 3, k) for k stops.

    Parameters: xyz_m (3, n) marks sorted by stop, var_up_m2 (n,), count (k,) marks per stop,
    slope (2,) of the site and σ of a stop's own about it. A plane is the level at its centre, the
    slope east and the slope north.
    """
    centre = per_problem(xyz_m[:2], count) / count
    weight = 1.0 / (var_up_m2 + ROUGHNESS_M**2)
    row = plane_rows(xyz_m, centre, count)
    normal = per_problem(np.einsum("in,jn,n->ijn", row, row, weight), count)
    rhs = per_problem(row * (weight * xyz_m[2]), count)
    for i in (1, 2):
        normal[i, i] += 1.0 / slope_sigma**2
        rhs[i] += slope[i - 1] / slope_sigma**2
    cov: Floats = np.linalg.inv(np.moveaxis(normal, -1, 0)).astype(np.float64)
    plane = np.einsum("kij,jk->ik", cov, rhs)
    return centre, plane, np.moveaxis(cov, 0, -1)


def plane_rows(xyz_m: Floats, centre_m: Floats, count: Ints) -> Floats:
    """Return ∂level/∂plane (3, n) at marks (3, n)."""
    offset = xyz_m[:2] - np.repeat(centre_m, count, axis=1)
    return np.concatenate([np.ones((1, xyz_m.shape[1])), offset])
