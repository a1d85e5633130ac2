"""The reach envelope of a stretch: where the pipe can be at all, by the counter alone."""

from __future__ import annotations

import shapely

from lateralline.derive.axis import Axis
from lateralline.kernels import curves
from lateralline.records import Stretch


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
    path = axis.chainage_m[stretch.last] - axis.chainage_m[stretch.first]
    if not major >= path:
        return None
    ends = axis.line.xyz_m[[stretch.first, stretch.last], :2]
    return shapely.Polygon(curves.reach_envelope(ends[0], ends[1], major))
