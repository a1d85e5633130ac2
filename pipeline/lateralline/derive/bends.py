"""Angle of a bend with its σ, and the standard fitting that comes nearest."""

from __future__ import annotations

import re
from math import nan, sqrt
from typing import Final

import numpy as np

from lateralline.kernels.curves import angle_between
from lateralline.published import Fitting, fittings
from lateralline.records import Floats, Line

_METRIC: Final = re.compile(r"(?i)\bDN\s*\d|\d\s*mm\b")
_INCH: Final = re.compile(r"(?i)\d\s*(in\b|inch|\")")

#: Step of the differences that carry position errors into the angle.
_STEP_M: Final = 1e-5


def bend_angle(line: Line, vertex: int) -> tuple[float, float]:
    """Return the deflection at an inner vertex and its σ, radians; NaN at an end.

    σ carries the covariance of the vertex and both its neighbours, each with the next; what the
    two neighbours share with each other is not kept, and counts as nothing.
    """
    if not 0 < vertex < len(line.kind) - 1:
        return nan, nan
    three = line.xyz_m[vertex - 1 : vertex + 2]
    cov = np.zeros((3, 3, 3, 3))  # vertex, axis, vertex, axis
    for i in range(3):
        cov[i, :, i, :] = line.cov_m2[vertex - 1 + i]
    for i in range(2):
        cov[i, :, i + 1, :] = line.cross_m2[vertex - 1 + i]
        cov[i + 1, :, i, :] = line.cross_m2[vertex - 1 + i].T
    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (_deflection(three + steps) - _deflection(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ cov.reshape(9, 9) @ slope)
    return float(_deflection(three)), sqrt(max(variance, 0.0))


def nearest_fitting(angle_deg: float, nominal: str) -> Fitting:
    """Return the standard bend nearest an angle, of the pipe's own system of sizes.

    DN and EN sizes are metric, sizes in inches are not; of a size that tells nothing both systems
    are searched.

    >>> nearest_fitting(43.0, "DN110").name, nearest_fitting(24.0, "4 in").name
    ('45° bend', '1/16 bend')
    """
    system = _system(nominal)
    of_system = [f for f in fittings() if system in ("", f.system)]
    return min(of_system, key=lambda f: abs(f.angle_deg - angle_deg))


def _system(nominal: str) -> str:
    if _METRIC.search(nominal):
        return "metric"
    return "inch" if _INCH.search(nominal) else ""


def _deflection(three: Floats) -> Floats:
    return angle_between(three[..., 1, :] - three[..., 0, :], three[..., 2, :] - three[..., 1, :])
