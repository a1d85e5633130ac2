"""Grades with their σ, and where a line falls, rises or sags as surely as its levels can tell.

A statement is made only when it would be made wrongly on 1 % of lines at most: one-sided, and with
the number of looks taken into account by Bonferroni's bound. A line's segments are as many looks;
a sag is looked for between every two of its vertices. Everything else is not shown by these data.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt
from typing import Final

import numpy as np
from scipy.stats import norm

from lateralline.derive.axis import Axis
from lateralline.derive.joint import joint_cov
from lateralline.records import Floats, Ints, Texts

#: Lines on which something that is not so is stated, at most: the project's choice.
ALPHA: Final = 0.01


@dataclass(frozen=True, slots=True)
class Slope:
    """Rise over run, positive upstream, with its σ; NaN where the run is nil."""

    grade: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Sag:
    """A low point that holds water: the line stands higher both downstream and upstream of it."""

    low: int  # vertex
    rim: int  # vertex over which the water leaves, the lower of both sides
    downstream: int  # highest vertex on that side
    depth_m: float  # of the low below the rim
    sigma_m: float


def grade_between(axis: Axis, first: int, last: int) -> Slope:
    """Return the grade of the invert between two vertices, over the horizontal path length."""
    run_m = float(axis.plan_m[last] - axis.plan_m[first])
    if run_m <= 0.0:
        return Slope(nan, nan)
    line = axis.line
    rise_m = float(axis.vertices.invert_m[last] - axis.vertices.invert_m[first])
    joint = joint_cov(line)
    between = joint[first, :, last, :]
    cov = joint[first, :, first, :] + joint[last, :, last, :] - between - between.T
    step = line.xyz_m[last, :2] - line.xyz_m[first, :2]
    along = step / max(float(np.hypot(step[0], step[1])), 1e-12)
    slope = np.append(-rise_m / run_m**2 * along, 1.0 / run_m)  # ∂(rise/run)/∂(east, north, up)
    return Slope(rise_m / run_m, sqrt(max(float(slope @ cov @ slope), 0.0)))


def falls(axis: Axis) -> Texts:
    """Return, for each stretch (s,), "falls", "back_fall" or "not_shown".

    Judged by the inverts of its two ends; what the pipe does between them is not asked.
    """
    rise, sigma = _rises(axis)
    first = np.array([stretch.first for stretch in axis.line.stretches])
    last = np.array([stretch.last for stretch in axis.line.stretches])
    surely = norm.isf(ALPHA / len(first)) * sigma[last, first]
    up = rise[last, first]
    return np.select([up > surely, up < -surely], ["falls", "back_fall"], "not_shown")


def sags(axis: Axis) -> tuple[Sag, ...]:
    """Return the sags of a line that its levels show, from downstream.

    Low points below one and the same downstream rim are one sag; the deepest is given.
    """
    rise, sigma = _rises(axis)
    m = len(rise)
    limit = norm.isf(ALPHA / (m * (m - 1) / 2))
    invert = axis.vertices.invert_m
    low = np.arange(1, m - 1)
    down = _highest_before(invert)[low]
    up = m - 1 - _highest_before(invert[::-1])[m - 1 - low]
    rim = np.where(invert[down] <= invert[up], down, up)
    shown = (rise[down, low] > limit * sigma[down, low]) & (rise[up, low] > limit * sigma[up, low])
    found = []
    for sill in np.unique(down[shown]):
        own = np.flatnonzero(shown & (down == sill))
        deepest = own[rise[rim[own], low[own]].argmax()]
        at, over = int(low[deepest]), int(rim[deepest])
        found.append(Sag(at, over, int(sill), float(rise[over, at]), float(sigma[over, at])))
    return tuple(found)


def _rises(axis: Axis) -> tuple[Floats, Floats]:
    """Return how far vertex i's invert stands above j's (m, m), and the σ of that."""
    cov = joint_cov(axis.line)[:, 2, :, 2]
    own = np.diagonal(cov)
    invert = axis.vertices.invert_m
    variance = own[:, None] + own[None, :] - cov - cov.T
    return invert[:, None] - invert[None, :], np.sqrt(variance.clip(0.0))


def _highest_before(level_m: Floats) -> Ints:
    """Return, for each vertex (m,), the highest one before it; the first for the first."""
    highest = np.maximum.accumulate(level_m)
    number = np.maximum.accumulate(np.where(level_m == highest, np.arange(len(level_m)), 0))
    return np.concatenate([[0], number[:-1]])
