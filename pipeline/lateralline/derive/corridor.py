"""The 95 % position corridor: plan ellipses swept along the path, cut by reach.

The corridor holds the *whole* true line with 95 % probability. The ellipses swept are those of each
point, made wider by as much as that takes (`whole_line`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from lateralline.derive.axis import SWEPT_WITHIN_M, Along, Axis
from lateralline.derive.ellipses import ELLIPSE_95
from lateralline.derive.reach import envelope
from lateralline.derive.whole_line import whole_line_factor
from lateralline.records import Floats, Stretch

#: Sides of the polygons that stand for ellipses, drawn outside them: 0.2 % too wide at most.
SIDES = 48

#: Keeps the path strictly inside where its σ is next to nothing.
_SLIVER_M = 0.001


@dataclass(frozen=True, slots=True, eq=False)
class Corridor:
    """A line's corridor in plan, and what was done to it."""

    polygon: shapely.Polygon
    off_m: Floats  # per stretch: the farthest it lets the pipe be from the path; NaN unbounded
    half_width_max_m: float
    undecided: int  # stretches of undecided shape: there it is the whole envelope
    unbounded: int  # stretches nothing cuts
    cut_m2: float  # area the envelopes took away
    factor: float = ELLIPSE_95  # semi-axes of the ellipses swept, in σ

    def off_95_m(self, stretch: Stretch, number: int, points: Along) -> Floats:
        """Return how far each point of a stretch may be off in plan at 95 % (n,).

        The semi-major axis of its ellipse, as far as reach allows; on an undecided stretch, where
        no path stands for the pipe, all that reach allows. NaN when nothing bounds that.
        """
        limit = self.off_m[number]
        if stretch.shape == "undecided":
            return np.full(len(points.chainage_m), limit)
        return np.asarray(np.fmin(points.semi_major_95_m, limit))


def corridor(axis: Axis) -> Corridor:
    """Return the corridor of a line.

    An undecided stretch is given its whole reach envelope: no path stands for it. The path itself
    is never cut.
    """
    line = axis.line
    parts: list[shapely.Geometry] = []
    unbounded, cut_m2 = 0, 0.0
    factor = whole_line_factor(axis)
    wider = (factor / ELLIPSE_95) ** 2
    off_m = np.full(len(line.stretches), np.nan)
    for number, (stretch, points) in enumerate(zip(line.stretches, axis.sampled, strict=True)):
        part = swept = sweep(points.xyz_m[:, :2], wider * points.cov_m2[:, :2, :2])
        bound = envelope(axis, stretch)
        if bound is None:
            unbounded += 1
        elif stretch.shape == "undecided":
            part = shapely.union(swept, bound)
        else:
            part = shapely.intersection(swept, bound)
            cut_m2 += max(swept.area - part.area, 0.0)  # rounding can make it negative
        parts.append(part)
        if bound is not None or stretch.shape != "undecided":
            path = shapely.LineString(axis.drawn(SWEPT_WITHIN_M, stretch).xyz_m[:, :2])
            off_m[number] = shapely.hausdorff_distance(part, path)
    path = shapely.LineString(axis.drawn(SWEPT_WITHIN_M).xyz_m[:, :2])
    whole = shapely.union_all([*parts, path.buffer(_SLIVER_M)])
    assert isinstance(whole, shapely.Polygon)  # the path runs through all parts
    return Corridor(
        polygon=whole,
        off_m=off_m,
        half_width_max_m=max(float(points.semi_major_95_m.max()) for points in axis.sampled),
        undecided=sum(stretch.shape == "undecided" for stretch in line.stretches),
        unbounded=unbounded,
        cut_m2=cut_m2,
        factor=factor,
    )


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
