"""The 95 % position corridor: every point's plan ellipse, swept along the path, cut by reach.

The corridor holds the true place of *each* point of the centreline with 95 % probability; it is
no band that holds the whole line at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from lateralline.derive.axis import Axis
from lateralline.derive.ellipses import ELLIPSE_95
from lateralline.derive.reach import envelope
from lateralline.records import Floats

#: Sides of the polygons that stand for ellipses, drawn outside them: 0.2 % too wide at most.
SIDES = 48

#: Keeps the path strictly inside where its σ is next to nothing.
_SLIVER_M = 0.001


@dataclass(frozen=True, slots=True, eq=False)
class Corridor:
    """A line's corridor in plan, and what was done to it."""

    polygon: shapely.Polygon
    half_width_max_m: float
    undecided: int  # stretches of undecided shape: there it is the whole envelope
    unbounded: int  # stretches nothing cuts
    cut_m2: float  # area the envelopes took away


def corridor(axis: Axis) -> Corridor:
    """Return the corridor of a line.

    An undecided stretch is given its whole reach envelope: no path stands for it. The path itself
    is never cut.
    """
    parts: list[shapely.Geometry] = []
    undecided = unbounded = 0
    cut_m2 = widest = 0.0
    for stretch in axis.line.stretches:
        points = axis.at(axis.samples(stretch))
        widest = max(widest, float(points.semi_major_95_m.max()))
        swept = sweep(points.xyz_m[:, :2], points.cov_m2[:, :2, :2])
        bound = envelope(axis, stretch)
        undecided += stretch.shape == "undecided"
        if bound is None:
            unbounded += 1
            parts.append(swept)
        elif stretch.shape == "undecided":
            parts.append(shapely.union(swept, bound))
        else:
            parts.append(shapely.intersection(swept, bound))
            cut_m2 += max(swept.area - parts[-1].area, 0.0)  # rounding can make it negative
    path = shapely.LineString(axis.line.xyz_m[:, :2])
    whole = shapely.union_all([*parts, path.buffer(_SLIVER_M)])
    return Corridor(_outer(whole), widest, undecided, unbounded, cut_m2)


def sweep(plan_m: Floats, cov_m2: Floats) -> shapely.Geometry:
    """Return the region the 95 % ellipses of points (n, 2) cover as they move from one to the next.

    Between two neighbours it is the convex hull of both ellipses: exactly what is swept while
    centre and axes change in proportion, and never less.
    """
    rings = ellipse_rings(plan_m, cov_m2)
    pairs = np.concatenate([rings[:-1], rings[1:]], axis=1)
    hulls = shapely.convex_hull(shapely.multipoints(pairs))
    return shapely.union_all(hulls)


def ellipse_rings(plan_m: Floats, cov_m2: Floats) -> Floats:
    """Return polygons (n, SIDES, 2) about the 95 % ellipses of plan covariances (n, 2, 2)."""
    value, vector = np.linalg.eigh(cov_m2)
    root = vector * np.sqrt(np.maximum(value, 0.0))[:, None, :]
    turn = np.arange(SIDES) * (2 * np.pi / SIDES)
    circle = np.stack([np.cos(turn), np.sin(turn)]) / np.cos(np.pi / SIDES)
    return np.asarray(plan_m[:, None, :] + ELLIPSE_95 * np.swapaxes(root @ circle, 1, 2))


def _outer(region: shapely.Geometry) -> shapely.Polygon:
    """Return the region as one polygon; the path through all parts makes it one."""
    assert isinstance(region, shapely.Polygon)
    return region
