"""Planned things as bodies: what is planned, where, and how far a point is from its surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final, Literal

import numpy as np
import shapely

from lateralline.kernels.distances import convex_signed, point_to_segment, upward
from lateralline.records import Floats, Ints

Kind = Literal["trench", "bore", "post", "pile"]
LevelsBy = Literal["level", "depth_below_ground", "plan_only"]

#: Plan shapes are drawn to this: vertices that matter less go, arcs of a drawing are cut to it.
SHAPE_WITHIN_M: Final = 0.002


@dataclass(frozen=True, slots=True)
class PlannedWork:
    """One planned thing, in the plan's own coordinates or in metres."""

    id: str  # file, layer and feature
    name: str
    kind: Kind
    shape: shapely.Geometry  # Polygon, LineString or Point, in plan
    z_m: Floats  # of a bore's axis at each vertex, or one for all; empty = no level given
    depth_m: float  # below ground, of bottom or axis; NaN not given
    radius_m: float  # NaN for a trench
    required_m: float
    tolerance_95_m: float

    @property
    def has_level(self) -> bool:
        """Whether a level is given."""
        return len(self.z_m) > 0

    def at(self, shape: shapely.Geometry, z_m: Floats | None = None) -> PlannedWork:
        """Return the same thing at another place."""
        return replace(self, shape=shape, z_m=self.z_m if z_m is None else z_m)

    @property
    def footprint(self) -> shapely.Geometry:
        """The outline in plan, in metres."""
        if self.kind == "trench":
            return self.shape
        return shapely.buffer(self.shape, self.radius_m, cap_style="round")


@dataclass(frozen=True, slots=True, eq=False)
class Bore:
    """Capsules in a row, or n rows of as many."""

    points: Floats  # (…, m, 3), m ≥ 2
    radius_m: Floats  # (…)

    def signed(self, x: Floats) -> Floats:
        """Return signed distances (…) of points (…, 3) to the surface."""
        start, end = self.points[..., :-1, :], self.points[..., 1:, :]
        return np.asarray(
            point_to_segment(x[..., None, :], start, end).min(axis=-1) - self.radius_m
        )


@dataclass(frozen=True, slots=True, eq=False)
class Prism:
    """Convex plan shapes together, from a bottom up."""

    rings: Floats  # (…, k, m, 2) counter-clockwise
    bottom_m: Floats  # (…); -inf when none is known

    def signed(self, x: Floats) -> Floats:
        """Return signed distances; inside a shape of several parts, to the nearest part's edge."""
        plan = convex_signed(x[..., None, :2], self.rings)
        return np.asarray(upward(plan, (self.bottom_m - x[..., 2])[..., None]).min(axis=-1))


@dataclass(frozen=True, slots=True, eq=False)
class Round:
    """A vertical cylinder from a bottom up."""

    centre: Floats  # (…, 2)
    radius_m: Floats  # (…)
    bottom_m: Floats  # (…)

    def signed(self, x: Floats) -> Floats:
        """Return signed distances (…) of points (…, 3)."""
        off = x[..., :2] - self.centre
        return upward(np.hypot(off[..., 0], off[..., 1]) - self.radius_m, self.bottom_m - x[..., 2])


Body = Bore | Prism | Round


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
        return Round(xy[0], np.array(work.radius_m), bottom)
    z = np.broadcast_to(work.z_m if by == "level" else bottom, len(xy))
    z = np.where(np.isfinite(z), z, 0.0)
    return Bore(np.column_stack([xy, z]), np.array(work.radius_m))


def stacked(bodies: Sequence[Body], rows: Ints) -> Body:
    """Return bodies of one shape as one, whose first axis (n) takes them as `rows` say."""
    first = bodies[0]
    columns = {
        f.name: np.stack([np.asarray(getattr(b, f.name)) for b in bodies])[rows]
        for f in fields(first)
    }
    return type(first)(**columns)


def shape_key(body: Body) -> tuple[str, tuple[int, ...]]:
    """Return what bodies must share to be stacked."""
    match body:
        case Bore():
            return "bore", body.points.shape
        case Prism():
            return "prism", body.rings.shape
    return "round", ()


def numbers_of(body: Body) -> int:
    """Return how many numbers a body holds."""
    return sum(np.asarray(getattr(body, f.name)).size for f in fields(body))


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
