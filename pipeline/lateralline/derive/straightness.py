"""How far a pipe may leave its drawn path between two located points.

The adjusted path joins its vertices with legs, straight or arcs between adjusted directions
(`arcs`). The pipe's own direction at a vertex is known only as well as the transmitter's heading
and tilt, so between two vertices a leg of length L bows about what is drawn: with slopes α₁, α₂ off
it at its ends the cubic through both is
y = L [α₁ w (1−w)² − α₂ w² (1−w)], w = 0…1, and for independent slopes of σ₁, σ₂
σ_y = L w (1−w) √[((1−w) σ₁)² + (w σ₂)²]. Beyond an end the slope carries on: σ_y = L (w−1) σ₂.
"""

from __future__ import annotations

from math import radians

import numpy as np

from lateralline.records import Fixes, Floats, Ints, Line
from lateralline.settings import Accuracy

#: σ of the pipe's direction where nothing measured it: common practice, no source. The reach of
#: the counter bounds such legs.
UNMEASURED_RAD = radians(15.0)


def slope_sigmas(line: Line, fixes: Fixes, accuracy: Accuracy) -> Floats:
    """Return σ of the pipe's heading and tilt against its leg at each vertex (m, 2), radians.

    A fix has its own and the transmitter axis's against the pipe; a bend, or a junction the line
    runs through, takes the direction of its nearer neighbours, since its legs are their tangents;
    an exposure or an end at a junction knows none.
    """
    sigma = np.full((len(line.fix), 2), np.nan)
    at_fix = line.fix >= 0
    own = np.diagonal(fixes.cov[line.fix[at_fix]], axis1=1, axis2=2)[:, 3:5]
    axis = np.array([accuracy.axis_heading_rad, accuracy.axis_tilt_rad])
    sigma[at_fix] = np.sqrt(own + axis**2)
    sigma = np.where(np.isfinite(sigma), np.minimum(sigma, UNMEASURED_RAD), UNMEASURED_RAD)
    bends = (line.kind == "bend") | (line.kind == "junction")
    bends[[0, -1]] = False
    if bends.any() and not bends.all():
        place = np.arange(len(bends))
        for column in sigma.T:
            column[bends] = np.interp(place[bends], place[~bends], column[~bends])
    return sigma


def bow_sigmas(slope_sigma: Floats, length_m: Floats, leg: Ints, w: Floats) -> Floats:
    """Return σ (n, 2) metres, across the leg in plan and in level, at fractions w (n,) of legs.

    `slope_sigma` (m, 2) as `slope_sigmas`, `length_m` (n,) of the legs (n,).

    >>> slopes = np.full((2, 2), 0.1)
    >>> mid = bow_sigmas(slopes, np.array([4.0]), np.array([0]), np.array([0.5]))
    >>> round(float(mid[0, 0]), 6)  # 4 · 0.1 / (4 √2)
    0.070711
    """
    inside = w.clip(0.0, 1.0)[:, None]
    bow = (
        inside
        * (1 - inside)
        * np.hypot((1 - inside) * slope_sigma[leg], inside * slope_sigma[leg + 1])
    )
    past = np.where(
        (w < 0)[:, None], -w[:, None] * slope_sigma[leg], (w - 1)[:, None] * slope_sigma[leg + 1]
    )
    return np.asarray(length_m[:, None] * np.where((w < 0)[:, None] | (w > 1)[:, None], past, bow))
