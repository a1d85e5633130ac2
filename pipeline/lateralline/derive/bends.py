"""Angle of a bend with its σ."""

from __future__ import annotations

from math import nan, sqrt
from typing import Final

import numpy as np

from lateralline.derive.joint import joint_cov
from lateralline.kernels.curves import angle_between
from lateralline.records import Floats, Line

#: Step of the differences that carry position errors into the angle.
_STEP_M: Final = 1e-5


def bend_angle(line: Line, vertex: int) -> tuple[float, float]:
    """Return the deflection at an inner vertex and its σ, radians; NaN at an end.

    σ carries the covariance of the vertex and both its neighbours.
    """
    if not 0 < vertex < len(line.kind) - 1:
        return nan, nan
    near = slice(vertex - 1, vertex + 2)
    three, cov = line.xyz_m[near], joint_cov(line)[near, :, near, :]
    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (_deflection(three + steps) - _deflection(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ cov.reshape(9, 9) @ slope)
    return float(_deflection(three)), sqrt(max(variance, 0.0))


def _deflection(three: Floats) -> Floats:
    return angle_between(three[..., 1, :] - three[..., 0, :], three[..., 2, :] - three[..., 1, :])
