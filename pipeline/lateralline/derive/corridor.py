"""The 95 % position corridor: plan ellipses swept along the path, cut by reach.

The corridor contains the *whole* true line with 95 % probability. Every point of a line within its
own 95 % ellipse at once is less likely than each by itself. How much less depends on how the points
err together, which the line's joint covariance gives; no table does. So lines are drawn from it,
with bows between their vertices, and the ellipses swept are those of each point, widened by the
95 % quantile of the farthest any point of a line lies across its path, in its own σ.

Reach is where the pipe can be at all, by the counter alone: an envelope about each stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from lateralline.derive.axis import SWEPT_WITHIN_M, Along, Axis, influence, joint_cov
from lateralline.derive.ellipses import ELLIPSE_95, ELLIPSOID_95
from lateralline.derive.sampled import PathsAlong
from lateralline.kernels import curves
from lateralline.records import Floats, Stretch

#: Sides of the polygons that stand for ellipses, drawn outside them: 0.2 % too wide at most.
SIDES: Final = 48

#: Keeps the path strictly inside where its σ is next to nothing.
_SLIVER_M: Final = 0.001

#: Lines drawn, with a seed of their own: equal lines have equal corridors. The quantile of 2,000 is
#: good to about 0.03.
DRAWS: Final = 2000
SEED: Final = 20260506
#: A line is carried on so far past its ends to measure how far paths lie aside of it.
_ON_M: Final = 10.0
#: Numbers in memory at once.
_AT_ONCE: Final = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Corridor:
    """A line's corridor in plan, and what was done to it."""

    polygon: shapely.Polygon
    off_m: Floats  # per stretch: the farthest it lets the pipe be from the path; NaN unbounded
    aside_m: Floats  # the same of how far it may lie aside of the line, whatever lies along it
    ellipse_major_95_max_m: float
    undecided_segments: int  # of undecided shape: there it is the whole envelope
    unbounded_segments: int  # which no envelope cuts
    reach_cut_m2: float  # area the envelopes took away

    def off_95_m(self, stretch: Stretch, number: int, points: Along) -> Floats:
        """Return how far each point of a stretch may be off in plan at 95 % (n,).

        The semi-major axis of its ellipse, as far as the corridor reaches aside of the line; on an
        undecided stretch all that. Where no paths were drawn reach bounds both, and NaN where
        nothing does.
        """
        limit = self.aside_m[number]
        if stretch.shape == "undecided":
            return np.full(len(points.chainage_m), limit)
        return np.asarray(np.fmin(points.ellipse_major_95_m, limit))


def corridor(axis: Axis) -> Corridor:
    """Return the corridor of a line.

    An undecided stretch is given its whole reach envelope: no path stands for it. The path itself
    is never cut.
    """
    if axis.sampled_paths is not None:
        return _of_paths(axis, axis.sampled_paths)
    line = axis.line
    parts: list[shapely.Geometry] = []
    unbounded, cut_m2 = 0, 0.0
    wider = (whole_line_factor(axis) / ELLIPSE_95) ** 2
    off_m = np.full(len(line.stretches), np.nan)
    drawn = axis.drawn_stretches(SWEPT_WITHIN_M)
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
            path = shapely.LineString(drawn[number].xyz_m[:, :2])
            off_m[number] = shapely.hausdorff_distance(part, path)
    path = shapely.LineString(axis.drawn(SWEPT_WITHIN_M).xyz_m[:, :2])
    whole = shapely.union_all([*parts, path.buffer(_SLIVER_M)])
    assert isinstance(whole, shapely.Polygon)  # the path runs through all parts
    return Corridor(
        polygon=whole,
        off_m=off_m,
        aside_m=off_m,
        ellipse_major_95_max_m=float(axis.samples.ellipse_major_95_m.max()),
        undecided_segments=sum(stretch.shape == "undecided" for stretch in line.stretches),
        unbounded_segments=unbounded,
        reach_cut_m2=cut_m2,
    )


def _of_paths(axis: Axis, along: PathsAlong) -> Corridor:
    """Return the corridor that holds the paths a line's data leave plausible."""
    line = axis.line
    swept = along.swept()
    ends = axis.chainage_m[[(s.first, s.last) for s in line.stretches]].reshape(-1, 2)
    off_m, aside_m = np.full((2, len(ends)), np.nan)
    path = shapely.LineString(axis.drawn(SWEPT_WITHIN_M).xyz_m[:, :2])
    # by its legs, found by where they lie: a long line has thousands
    ends_on = _carried_on(shapely.get_coordinates(path))
    beside = shapely.STRtree(shapely.linestrings(np.stack([ends_on[:-1], ends_on[1:]], axis=1)))
    stretches = axis.drawn_stretches(SWEPT_WITHIN_M)
    for number, (first, last) in enumerate(ends):
        begin = np.searchsorted(along.chainage_m[1:], first, side="right")
        here = slice(begin, np.searchsorted(along.chainage_m[:-1], last))
        drawn = stretches[number].xyz_m[:, :2]
        part = shapely.union_all(swept[here])
        outline = shapely.points(shapely.get_coordinates(part))
        off_m[number] = shapely.hausdorff_distance(part, shapely.LineString(drawn))
        aside_m[number] = max(
            beside.query_nearest(outline, return_distance=True, all_matches=False)[1].max(),
            shapely.distance(shapely.points(drawn), part).max(),
        )
    whole = shapely.union_all([*swept, path.buffer(_SLIVER_M)])
    if not isinstance(whole, shapely.Polygon):  # the line lies aside of all paths somewhere
        whole = shapely.union_all([whole, shapely.union_all(_joining(along))])
    assert isinstance(whole, shapely.Polygon)
    return Corridor(
        polygon=whole,
        off_m=off_m,
        aside_m=aside_m,
        ellipse_major_95_max_m=float(axis.samples.ellipse_major_95_m.max()),
        undecided_segments=sum(stretch.shape == "undecided" for stretch in line.stretches),
        unbounded_segments=0,
        reach_cut_m2=0.0,
    )


def _carried_on(plan_m: Floats) -> Floats:
    """Return a line (n, 2) carried straight on past both ends."""
    ends = []
    for end, before in ((0, 1), (-1, -2)):
        way = plan_m[end] - plan_m[before]
        ends.append(plan_m[end] + way * (_ON_M / max(float(np.hypot(*way)), 1e-9)))
    return np.stack([ends[0], *plan_m, ends[1]])


def _joining(along: PathsAlong) -> Sequence[shapely.Geometry]:
    """Return the straights from the line to the middle of its paths."""
    middle = np.median(along.paths.xyz_m, axis=0)
    ends = np.stack([along.drawn_m[:, :2], middle[:, :2]], axis=1)
    return [line.buffer(_SLIVER_M) for line in shapely.linestrings(ends)]


# ---- ellipses swept ------------------------------------------------------------------------


def sweep(plan_m: Floats, cov_m2: Floats) -> shapely.Geometry:
    """Return the region the 95 % ellipses of points (n, 2) cover as they move from one to the next.

    Between two neighbours it is the convex hull of both ellipses: exactly what is swept while
    centre and axes change in proportion, and never less. Ellipses are polygons of `SIDES` sides
    about them.
    """
    value, vector = np.linalg.eigh(cov_m2)
    root = vector * np.sqrt(np.maximum(value, 0.0))[:, None, :]
    turn = np.arange(SIDES) * (2 * np.pi / SIDES)
    circle = np.stack([np.cos(turn), np.sin(turn)]) / np.cos(np.pi / SIDES)
    rings = plan_m[:, None, :] + ELLIPSE_95 * np.swapaxes(root @ circle, 1, 2)
    pairs = np.concatenate([rings[:-1], rings[1:]], axis=1)
    return shapely.union_all(shapely.convex_hull(shapely.multipoints(pairs)))


def whole_line_factor(axis: Axis) -> float:
    """Return the semi-axes of the ellipses to be swept, in σ, in place of 2.4477; never less.

    The 95 % quantile of the farthest any sampled point of a line lies across its path.
    """
    m = len(axis.line.kind)
    points = axis.samples
    across = points.across
    sigma = np.sqrt(np.einsum("ni,nij,nj->n", across, points.cov_m2[:, :2, :2], across))
    by_state = influence(axis, points).toarray().reshape(-1, 3, 5, m)[:, :2]
    by_state = np.einsum("ni,nikv->nvk", across, by_state)  # (n, m, 5)
    plan = joint_cov(axis.line)[:, :2, :, :2].reshape(2 * m, 2 * m)
    value, vector = np.linalg.eigh(plan)
    root = vector * np.sqrt(np.maximum(value, 0.0))
    by_vertex = by_state[..., :2].reshape(-1, 2 * m) @ root
    bow = by_state[..., 3] * axis.slope_sigma_rad[:, 0]
    by_draw = np.concatenate([by_vertex, bow], axis=1) / np.maximum(sigma, 1e-9)[:, None]

    draws = np.random.default_rng(SEED).standard_normal((DRAWS, 3 * m))
    farthest = np.zeros(DRAWS)
    step = max(_AT_ONCE // DRAWS, 1)  # places looked at together: bounds memory whatever the line
    for first in range(0, len(by_draw), step):
        off = draws @ by_draw[first : first + step].T
        farthest = np.maximum(farthest, np.abs(off).max(axis=1))
    return max(float(np.quantile(farthest, 0.95)), ELLIPSE_95)


# ---- reach ---------------------------------------------------------------------------------


def reach_with_ends_m(axis: Axis, stretch: Stretch) -> float:
    """Return the envelope's major axis with both ends anywhere in their 95 % ellipses; NaN unknown.

    A place x on the pipe has |x − f₁| + |x − f₂| ≤ reach for the true ends f; measured from the
    adjusted ends the sum can be larger by how far each of them is off. An envelope about exact
    ends would deny at every stop the uncertainty the stop has.
    """
    ends = axis.vertices.ellipse_major_95_m[[stretch.first, stretch.last]]
    return stretch.reach_m + float(ends.sum())


def envelope(axis: Axis, stretch: Stretch) -> shapely.Polygon | None:
    """Return the plan envelope of a stretch, or None when no counter bounds it.

    None too when the path is longer than its reach: then the counter is wrong, a finding of `link`
    names it, and an envelope from it would cut the path itself.
    """
    major = reach_with_ends_m(axis, stretch)
    if not _longer_than_path(axis, stretch, major):
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
    if not _longer_than_path(axis, stretch, major):
        return np.full(n, -np.inf), np.full(n, np.inf)
    way = (last - first)[:2]
    way = way / max(float(np.hypot(way[0], way[1])), 1e-12)
    along = (points.xyz_m[:, :2] - first[:2]) @ way
    low, high = curves.reach_levels(first, last, np.full(n, major), along)
    # A taut counter leaves the ellipse as thin as the path: never cut that.
    level = points.xyz_m[:, 2]
    return np.fmin(low, level), np.fmax(high, level)


def _longer_than_path(axis: Axis, stretch: Stretch, major_m: float) -> bool:
    """Whether an envelope's major axis is known and no shorter than the stretch's path."""
    return bool(major_m >= axis.chainage_m[stretch.last] - axis.chainage_m[stretch.first])
