"""How near straight pieces of pipe come to planned things, and which way to move to be nearer.

A bore is a row of capsules; what is dug or driven is a prism or a cylinder open above. Signed
distances are negative inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

import numpy as np
import shapely

from lateralline.kernels.distances import (
    convex_signed,
    least_between,
    point_to_segment,
    segment_to_segment,
    upward,
)
from lateralline.overlay.planned import SHAPE_WITHIN_M, PlannedWork
from lateralline.records import Floats, Ints

#: What the vertical part of a separation rests on.
LevelsBy = Literal["level", "depth_below_ground", "plan_only"]
_STEP_M: Final = 1e-6  # over which a surface's direction is measured


# ---- planned things as bodies --------------------------------------------------------------


class Bore(NamedTuple):
    """Capsules in a row, or n rows of as many."""

    points: Floats  # (…, m, 3), m ≥ 2
    radius_m: Floats  # (…)

    def signed(self, x: Floats) -> Floats:
        """Return signed distances (…) of points (…, 3) to the surface."""
        start, end = self.points[..., :-1, :], self.points[..., 1:, :]
        return np.asarray(
            point_to_segment(x[..., None, :], start, end).min(axis=-1) - self.radius_m
        )


class Prism(NamedTuple):
    """Convex plan shapes together, from a bottom up."""

    rings: Floats  # (…, k, m, 2) counter-clockwise
    bottom_m: Floats  # (…); -inf when none is known

    def signed(self, x: Floats) -> Floats:
        """Return signed distances; inside a shape of several parts, to the nearest part's edge."""
        plan = convex_signed(x[..., None, :2], self.rings)
        return np.asarray(upward(plan, (self.bottom_m - x[..., 2])[..., None]).min(axis=-1))


class Cylinder(NamedTuple):
    """A vertical cylinder from a bottom up."""

    centre: Floats  # (…, 2)
    radius_m: Floats  # (…)
    bottom_m: Floats  # (…)

    def signed(self, x: Floats) -> Floats:
        """Return signed distances (…) of points (…, 3)."""
        off = x[..., :2] - self.centre
        return upward(np.hypot(off[..., 0], off[..., 1]) - self.radius_m, self.bottom_m - x[..., 2])


Body = Bore | Prism | Cylinder


def body_of(work: PlannedWork, by: LevelsBy) -> Body:
    """Return a thing, in metres, as a body.

    Its vertical axis is level; with depths the ground is 0 and down is negative; in plan alone all
    is at 0, and prisms have no bottom.
    """
    bottom: Floats = np.array(
        {
            "level": float(work.z_m.min()) if work.has_level else -np.inf,
            "depth_below_ground": -work.depth_m,
            "plan_only": -np.inf,
        }[by]
    )
    if work.kind == "trench":
        return Prism(convex_rings(work.shape), bottom)
    xy = shapely.get_coordinates(work.shape)
    if work.kind != "bore":
        return Cylinder(xy[0], np.array(work.radius_m), bottom)
    z = np.broadcast_to(work.z_m if by == "level" else bottom, len(xy))
    z = np.where(np.isfinite(z), z, 0.0)
    return Bore(np.column_stack([xy, z]), np.array(work.radius_m))


def stacked(bodies: Sequence[Body], rows: Ints) -> Body:
    """Return bodies of one shape as one, whose first axis (n) takes them as `rows` say."""
    return type(bodies[0])(*(np.stack(one)[rows] for one in zip(*bodies, strict=True)))


def convex_rings(polygon: shapely.Polygon) -> Floats:
    """Return a polygon as convex rings (k, m, 2), counter-clockwise: itself, or its triangles."""
    plain = shapely.simplify(shapely.force_2d(polygon), SHAPE_WITHIN_M / 10)
    hull = shapely.convex_hull(plain)
    # A notch a millimetre deep is no notch; filling it errs towards conflict.
    is_convex = hull.area - plain.area <= 1e-3 * SHAPE_WITHIN_M * hull.length
    parts = [hull] if is_convex else list(shapely.constrained_delaunay_triangles(plain).geoms)
    rings = [shapely.get_coordinates(shapely.normalize(p).reverse())[:-1] for p in parts]
    most = max(map(len, rings))
    return np.stack([np.pad(r, ((0, most - len(r)), (0, 0)), mode="edge") for r in rings])


# ---- closest approach ----------------------------------------------------------------------


class Nearest(NamedTuple):
    """Closest approach of the axis of legs (n) to bodies."""

    distance_m: Floats  # (n,) axis to surface; negative inside
    fraction: Floats  # (n,) along the leg
    axis: Floats  # (n, 3) the place on the axis
    away: Floats  # (n, 3) unit vector in which the distance grows fastest there


def nearest(body: Body, start: Floats, end: Floats) -> Nearest:
    """Return the closest approach of axes from `start` to `end` (n, 3) to a stacked body (n).

    Exact for bores (closed form) and, to a millionth of the leg, for prisms.
    """
    distance, fraction = _least(body, start, end)
    axis = start + fraction[:, None] * (end - start)
    return Nearest(distance, fraction, axis, _away(body, axis, end - start))


def on_surface(found: Nearest) -> Floats:
    """Return the places (n, 3) on the planned surfaces nearest to the axis."""
    return found.axis - found.distance_m[:, None] * found.away


def _least(body: Body, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    match body:
        case Bore():
            m = body.points.shape[-2] - 1
            p = [np.repeat(x, m, axis=0) for x in (start, end)]
            q = [body.points[:, :-1].reshape(-1, 3), body.points[:, 1:].reshape(-1, 3)]
            apart, s, _ = segment_to_segment(*p, *q)
            return _best(apart.reshape(-1, m) - body.radius_m[:, None], s.reshape(-1, m))
        case Prism():
            k = body.rings.shape[1]
            one = Prism(
                body.rings.reshape(-1, 1, *body.rings.shape[2:]), np.repeat(body.bottom_m, k)
            )
            low, where = _along(one, np.repeat(start, k, axis=0), np.repeat(end, k, axis=0))
            return _best(low.reshape(-1, k), where.reshape(-1, k))
    return _along(body, start, end)


def _along(body: Body, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Return the least signed distance (n,) along legs to convex bodies, and where."""
    zero = np.zeros(len(start))
    return least_between(
        lambda s: body.signed(start + s[:, None] * (end - start)), zero, zero + 1.0
    )


def _best(distance: Floats, fraction: Floats) -> tuple[Floats, Floats]:
    """Return the least of each row (n, k), and its fraction."""
    best = distance.argmin(axis=1)[:, None]
    return (
        np.take_along_axis(distance, best, axis=1)[:, 0],
        np.take_along_axis(fraction, best, axis=1)[:, 0],
    )


def _away(body: Body, axis: Floats, along: Floats) -> Floats:
    """Return the unit gradient (n, 3) of the signed distance.

    On the very axis of a bore there is none: any way square to both serves, since each bounds the
    distance from below.
    """
    steps = _STEP_M * np.eye(3)
    gradient = np.stack(
        [(body.signed(axis + h) - body.signed(axis - h)) / (2 * _STEP_M) for h in steps], axis=1
    )
    size = np.linalg.norm(gradient, axis=1)
    level = np.column_stack([along[:, 1], -along[:, 0], np.zeros(len(along))])
    flat = np.linalg.norm(level, axis=1, keepdims=True)
    square = np.where(flat > 0, level / np.maximum(flat, 1e-300), [1.0, 0.0, 0.0])
    known = size > 0.5  # where several faces are equally near it is less than one
    return np.where(known[:, None], gradient / np.maximum(size, 0.5)[:, None], square)
