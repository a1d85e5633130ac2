"""The reach envelope of a stretch: where the pipe can be at all, by the counter alone."""

from __future__ import annotations

import numpy as np
import shapely

from lateralline.derive.axis import Along, Axis
from lateralline.derive.ellipses import ELLIPSOID_95
from lateralline.kernels import curves
from lateralline.records import Floats, Stretch


def reach_with_ends_m(axis: Axis, stretch: Stretch) -> float:
    """Return the envelope's major axis with both ends anywhere in their 95 % ellipses; NaN unknown.

    A place x on the pipe has |x − f₁| + |x − f₂| ≤ reach for the true ends f; measured from the
    adjusted ends the sum can be larger by how far each of them is off. An envelope about exact
    ends would deny at every stop the uncertainty the stop has.
    """
    ends = axis.vertices.semi_major_95_m[[stretch.first, stretch.last]]
    return stretch.reach_m + float(ends.sum())


def envelope(axis: Axis, stretch: Stretch) -> shapely.Polygon | None:
    """Return the plan envelope of a stretch, or None when no counter bounds it.

    None too when the path is longer than its reach: then the counter is wrong, `link` says so,
    and an envelope from it would cut the path itself.
    """
    major = reach_with_ends_m(axis, stretch)
    if not _holds_path(axis, stretch, major):
        return None
    ends = axis.line.xyz_m[[stretch.first, stretch.last], :2]
    return shapely.Polygon(curves.reach_envelope(ends[0], ends[1], major))


def envelope_levels(axis: Axis, stretch: Stretch, points: Along) -> tuple[Floats, Floats]:
    """Return the lowest and highest transmitter level reach allows at points of a stretch (n,).

    The envelope as in plan, in space: ends anywhere in their 95 % ellipsoids. It is seen from the
    side, square to the chord, so each point's own place across it does not matter. −∞ and ∞ when
    no counter bounds the stretch; reasons as `envelope`.
    """
    first, last = axis.line.xyz_m[[stretch.first, stretch.last]]
    widest = np.linalg.eigvalsh(axis.line.cov_m2[[stretch.first, stretch.last]])[:, -1]
    major = stretch.reach_m + ELLIPSOID_95 * float(np.sqrt(widest.clip(0.0)).sum())
    n = len(points.chainage_m)
    if not _holds_path(axis, stretch, major):
        return np.full(n, -np.inf), np.full(n, np.inf)
    way = (last - first)[:2]
    way = way / max(float(np.hypot(way[0], way[1])), 1e-12)
    along = (points.xyz_m[:, :2] - first[:2]) @ way
    low, high = curves.reach_levels(first, last, np.full(n, major), along)
    # A taut counter leaves the ellipse as thin as the path: never cut that.
    level = points.xyz_m[:, 2]
    return np.fmin(low, level), np.fmax(high, level)


def _holds_path(axis: Axis, stretch: Stretch, major_m: float) -> bool:
    """False when the path is longer than the reach, or nobody knows the reach."""
    return bool(major_m >= axis.chainage_m[stretch.last] - axis.chainage_m[stretch.first])
