"""Where a pipe may run that passes some spots, as far as its cable was counted: polygons in plan.

A spot is a place the axis passes to within a radius. Two neighbours along the counter bound the
pipe between them by the envelope of their counted length (`kernels.curves.reach_envelope`), whose
major axis is longer by both radii: |x − f₁| + |x − f₂| ≤ length + r₁ + r₂ for true places within r
of the foci f. What was counted past the outermost spot is a disc about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, isfinite, sqrt
from typing import Final

import numpy as np
import shapely

from lateralline.derive.dig import around
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.kernels import curves
from lateralline.records import Floats
from lateralline.settings import Accuracy

#: Least radius of a spot, so that every polygon has an area.
LEAST_M: Final = 0.10
#: Counted lengths shorter than this show no scale of the counter.
_SHORT_M: Final = 0.5
_BY: Final = {
    "marks": "marks widened by the farthest the transmitter may be off",
    "stop": "located stops",
    "exposure": "exposures",
    "control": "the control point of the entry's name",
    "junction": "the junction by its counter",
    "end": "the located line",
}


@dataclass(frozen=True, slots=True)
class KnownPlace:
    """A place the pipe is known to pass, to within a radius."""

    counter_m: float  # of the place on its run, or from an end of the line; NaN unknown
    at_m: tuple[Floats, ...]  # (2,) each: all of a stop's marks
    radius_m: float
    by: str  # marks | stop | exposure | control | junction | end

    @property
    def area(self) -> shapely.Geometry:
        """The region of the spot, in one piece."""
        points = shapely.MultiPoint(np.array(self.at_m))
        return shapely.union(around(points, self.radius_m), points.convex_hull.buffer(LEAST_M))

    @property
    def circle(self) -> tuple[Floats, float]:
        """Centre (2,) and radius of a circle about all of it."""
        places = np.array(self.at_m)
        bound = shapely.minimum_bounding_circle(shapely.MultiPoint(places))
        centre = shapely.get_coordinates(bound.centroid)[0]
        return centre, float(np.hypot(*(places - centre).T).max()) + self.radius_m


def area_of(
    spots: Sequence[KnownPlace], counted_m: Floats, accuracy: Accuracy
) -> tuple[shapely.Polygon | None, str]:
    """Return the region of spots joined and carried on as counted, and how it was made.

    `counted_m` (n,) are counters of all places the pipe passes; without any, or with a spot that
    has none, the convex hull of all spots is in it. None without a spot.
    """
    if not spots:
        return None, "nothing: no mark, exposure or entry of it has a place"
    made_by = ", ".join(dict.fromkeys(_BY[spot.by] for spot in spots))
    parts = [spot.area for spot in spots]
    known = sorted((s for s in spots if isfinite(s.counter_m)), key=lambda s: s.counter_m)
    if len(known) < len(spots) or not len(counted_m):
        parts.append(shapely.union_all(parts).convex_hull)
        made_by += "; joined straight" * (len(spots) > 1)
    if known and len(counted_m):
        parts += _joined(known, counted_m, accuracy)
        made_by += "; joined and carried on as far as the counter went"
    whole = shapely.union_all(parts)
    return whole if isinstance(whole, shapely.Polygon) else whole.convex_hull, made_by


def ahead_of(
    end: KnownPlace, way: Floats, counted_m: float, accuracy: Accuracy
) -> tuple[shapely.Polygon, str]:
    """Return the half circle ahead of an end, its unit way (2,), as far as was counted past it."""
    at, radius = end.circle
    turn = np.arctan2(way[1], way[0]) + np.linspace(-np.pi / 2, np.pi / 2, 33)
    wide = (radius + longest_m(counted_m, accuracy)) / np.cos(np.pi / 64)
    half = shapely.Polygon(at + wide * np.column_stack([np.cos(turn), np.sin(turn)]))
    whole = shapely.union(half, end.area)
    assert isinstance(whole, shapely.Polygon)  # the end is on both
    return whole, "the counted length ahead of the end of the located line"


def longest_m(counted_m: float, accuracy: Accuracy) -> float:
    """Return a counted length plus its 95 % error: two readings, slack and scale."""
    ratio = hypot(accuracy.counter_ratio, accuracy.counter_scale_ratio)
    error = hypot(sqrt(2.0) * accuracy.counter_m, ratio * counted_m)
    return counted_m + INTERVAL_95 * error


def _joined(
    known: Sequence[KnownPlace], counted_m: Floats, accuracy: Accuracy
) -> list[shapely.Geometry]:
    """Return the pieces between spots by their counter, and past the outermost."""
    slack = _slack(known)
    parts = [
        _between(one, two, longest_m(slack * (two.counter_m - one.counter_m), accuracy))
        for one, two in pairwise(known)
    ]
    first, last = known[0], known[-1]
    for spot, past in (
        (first, first.counter_m - float(counted_m.min())),
        (last, float(counted_m.max()) - last.counter_m),
    ):
        if past > 0.0:
            centre, radius = spot.circle
            reach = radius + longest_m(slack * past, accuracy)
            parts.append(around(shapely.Point(centre), reach))
    return parts


def _between(one: KnownPlace, two: KnownPlace, length_m: float) -> shapely.Geometry:
    """Return where a pipe of a length may run between two spots; at the least the straight way."""
    (p, r), (q, s) = one.circle, two.circle
    straight = shapely.union(one.area, two.area).convex_hull
    major = length_m + r + s
    if major <= float(np.hypot(*(q - p))):
        return straight
    return shapely.union(straight, shapely.Polygon(curves.reach_envelope(p, q, major)))


def _slack(spots: Sequence[KnownPlace]) -> float:
    """Return how many times longer the pipe is than counted, as spots farther apart show; ≥ 1."""
    ratios = [1.0]
    for one, two in pairwise(spots):
        (p, r), (q, s) = one.circle, two.circle
        counted, apart = two.counter_m - one.counter_m, float(np.hypot(*(q - p))) - r - s
        if counted > _SHORT_M:
            ratios.append(apart / counted)
    return max(ratios)
