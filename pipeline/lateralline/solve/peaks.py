"""What a peak says: the field's strength has no slope along the ground.

The slope is scaled by the strength's curvature, so every residual is an offset in depths. Two
things beside the receiver blur it: the ground's slope, for a peak slides downhill, and for the
whole field, which is quartic-flat along the axis, the tilt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.kernels import conditions
from lateralline.kernels.dipole import total_peak_offset
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy
from lateralline.solve.kinds import AXIAL, TOTAL

#: Root mean square of the total peak's offset over its offset at one σ of tilt (computed, 3–10°),
#: and the tilt at which that offset is greatest.
PEAK_WANDER, PEAK_LEAN_RAD = 0.9, np.radians(12.0)


@dataclass(frozen=True, slots=True)
class Rows:
    """Two conditions per mark, filled in kind by kind."""

    f: Floats  # (2, n)
    raw: Floats  # (2, 4, n) by along, across, up of the mark, and tilt
    by_slope: Floats  # (2, n) by heading, through the ground's slopes
    own_var: Floats  # (2, n) of the condition itself, without the mark's position


@dataclass(frozen=True, slots=True)
class Underfoot:
    """Marks (n), with ground and tilt prior of their stop."""

    kind: Ints
    r: Floats  # (3, n) in transmitter axes
    tilt: Floats
    slope_along: Floats
    slope_across: Floats
    along_var: Floats  # of the slopes
    across_var: Floats
    expected_tilt: Floats
    tilt_sigma: Floats


def peak_rows(at: Underfoot, accuracy: Accuracy, rows: Rows) -> None:
    """Fill in the rows of every peak: first across the axis, then along it."""
    for code, gradient in (
        (TOTAL, conditions.total_gradient),
        (AXIAL, conditions.axial_gradient),
    ):
        i = np.flatnonzero(at.kind == code)
        if not i.size:
            continue
        g, dg = gradient(at.r[:, i], at.tilt[i])
        k = -1.0 / conditions.ACROSS_CURVATURE
        rows.f[0, i] = k * (g[1] + at.slope_across[i] * g[2])
        rows.raw[0][:, i] = k * (dg[1] + at.slope_across[i] * dg[2])
        rows.by_slope[0, i] = -k * at.slope_along[i] * g[2]
        rows.own_var[0, i] = accuracy.peak_across_depths**2 + at.across_var[i]
        if code == AXIAL:
            _along_axial(at, i, g, dg, accuracy, rows)
        else:
            _along_total(at, i, accuracy, rows)


def _along_axial(
    at: Underfoot, i: Ints, g: Floats, dg: Floats, accuracy: Accuracy, rows: Rows
) -> None:
    """As much sharper along than across as its curvature is greater: equal loss of strength."""
    k = -1.0 / conditions.AXIAL_CURVATURE
    rows.f[1, i] = k * (g[0] + at.slope_along[i] * g[2])
    rows.raw[1][:, i] = k * (dg[0] + at.slope_along[i] * dg[2])
    rows.by_slope[1, i] = k * at.slope_across[i] * g[2]
    sharper = conditions.ACROSS_CURVATURE / conditions.AXIAL_CURVATURE
    rows.own_var[1, i] = sharper * accuracy.peak_across_depths**2 + sharper**2 * at.along_var[i]


def _along_total(at: Underfoot, i: Ints, accuracy: Accuracy, rows: Rows) -> None:
    """A soft place, and where its top is hangs on the tilt against the ground.

    To which side the top has moved is used where the prior tells; otherwise it is spread.
    """
    along, by_along = conditions.offset_in_depths(at.r[:, i], axis=0)
    up, by_up = conditions.offset_in_depths(at.r[:, i], axis=2)
    lean = at.expected_tilt[i] - np.arctan(at.slope_along[i])
    unsure = np.sqrt(at.tilt_sigma[i] ** 2 + at.along_var[i])
    shift = np.where(np.abs(lean) > 2.0 * unsure, _offset(lean), 0.0)
    wander = np.maximum(_offset(np.hypot(lean, unsure)) ** 2 - shift**2, 0.0)
    rows.f[1, i] = along + at.slope_along[i] * up - shift
    rows.raw[1][:, i] = by_along + at.slope_along[i] * by_up
    rows.by_slope[1, i] = at.slope_across[i] * up
    rows.own_var[1, i] = accuracy.peak_along_depths**2 + at.along_var[i] + PEAK_WANDER**2 * wander


def _offset(lean_rad: Floats) -> Floats:
    """Return where the top of the whole field lies along the axis, in depths."""
    return total_peak_offset(np.clip(lean_rad, -PEAK_LEAN_RAD, PEAK_LEAN_RAD))
