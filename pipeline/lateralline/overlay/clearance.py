"""Planned things against built pipes: least separation, its lower bound, its probability.

Each piece of pipe of decided shape has its own bound: separation less 1.96 σ along the way to the
planned thing. σ there is the pipe's (in plan, a 95 % distance over 2.4477: the lesser of what the
corridor leaves that way and the widest the segment's ellipses are), that of the operation between
the two CRSs, and the plan's own tolerance. On an undecided stretch no path stands for the pipe, and
the bound is that of a pipe anywhere in its corridor and between its level bounds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.overlay import chance
from lateralline.overlay.as_built import Lines
from lateralline.overlay.bodies import Body, LevelsBy, Work, body_of, shape_key, stacked
from lateralline.overlay.separation import Nearest, nearest, on_surface
from lateralline.overlay.stations import Legs, legs_of, region_of
from lateralline.overlay.undecided import bound_anywhere
from lateralline.records import Floats, Ints

_RAY_M: Final = 500.0  # longer than any corridor is wide
_END_M: Final = 1e-3  # of the chainage: the closest place is the end itself


@dataclass(frozen=True, slots=True)
class Terms:
    """What all pairs of a region have in common."""

    search_m: float  # pairs farther apart in plan are not listed
    frame_sigma_m: float  # of the operation between the plan's CRS and the as-built file's
    levels_compare: bool  # whether the plan's levels are on the as-built basis


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """One line and one planned thing."""

    line: int  # row of the region's `Lines`
    work: Work  # in metres
    by: LevelsBy
    separation_m: float
    lower_95_m: float  # NaN when nothing bounds it
    sigma_m: float  # NaN where undecided
    below_required: float  # probability; NaN unknown
    contact: float
    chainage_m: float
    worst_chainage_m: float
    shape: str
    axis_m: Floats  # (3,) on the pipe: plan and the axis' own level, z from ground if it has none
    surface_m: Floats  # (3,) on the planned thing
    depth_m: float  # ground less axis there
    open_end: bool

    @property
    def is_conflict(self) -> bool:
        """Whether it is not shown that the required clearance is kept."""
        return not self.lower_95_m >= self.work.required_m


def pairs_of(
    lines: Lines, bands: Any, segments: Any, works: list[Work], terms: Terms
) -> list[Pair]:
    """Return every pair of a region near enough to be listed; works are in its metres."""
    if not works or not len(lines.line):
        return []
    legs = legs_of(lines, bands, segments)
    of_line, of_work = _near(lines, works, terms)
    first = np.searchsorted(legs.line, of_line)
    count = np.searchsorted(legs.line, of_line, side="right") - first
    has = count > 0
    of_line, of_work, first, count = of_line[has], of_work[has], first[has], count[has]
    bys = [_levels_by(lines, legs, slice(f, f + c), works[w], terms) for f, c, w in
           zip(first.tolist(), count.tolist(), of_work.tolist(), strict=True)]  # fmt: skip
    bodies = [body_of(works[w], by) for w, by in zip(of_work.tolist(), bys, strict=True)]
    pair = np.repeat(np.arange(len(of_line)), count)
    before = np.cumsum(count) - count
    leg = np.arange(len(pair)) + np.repeat(first - before, count)
    by_leg = np.array(bys, dtype="U20")[pair]
    ends = _ends(legs, leg, by_leg)
    found = _nearest(bodies, pair, ends)
    return [
        _pair(lines, legs, works[of_work[n]], bys[n], bodies[n], terms, rows, leg[rows], found)
        for n, rows in enumerate(np.split(np.arange(len(pair)), np.cumsum(count)[:-1]))
        if len(rows)
    ]


def _near(lines: Lines, works: list[Work], terms: Terms) -> tuple[Ints, Ints]:
    """Return line and work of each pair not too far apart in plan, by line."""
    where = np.where(shapely.is_missing(lines.corridor_m), lines.path_m, lines.corridor_m)
    radius = np.array([0.0 if w.kind == "trench" else w.radius_m for w in works])
    off = np.array([max(w.required_m, terms.search_m) + w.tolerance_95_m for w in works])
    off = off + radius + INTERVAL_95 * terms.frame_sigma_m + float(lines.outside_diameter_m.max())
    shapes = np.array([w.shape for w in works], dtype=object)
    work, line = shapely.STRtree(where).query(shapes, predicate="dwithin", distance=off)
    order = np.lexsort((work, line))
    return line[order].astype(np.int64), work[order].astype(np.int64)


def _levels_by(lines: Lines, legs: Legs, part: slice, work: Work, terms: Terms) -> LevelsBy:
    """Return what the vertical part of a pair can rest on."""
    if terms.levels_compare and work.has_level and np.isfinite(legs.level_m[part]).all():
        return "level"
    if np.isfinite(work.depth_m) and np.isfinite(legs.depth_m[part]).all():
        return "depth_below_ground"
    return "plan_only"


def _ends(legs: Legs, leg: Ints, by: Any) -> Floats:
    """Return both ends (n, 2, 3) of legs on the vertical axis that their pair's body is on."""
    z = np.where((by == "level")[:, None], legs.level_m[leg], -legs.depth_m[leg])
    z = np.where((by == "plan_only")[:, None], 0.0, z)
    return np.concatenate([legs.xy_m[leg], z[..., None]], axis=-1)


def _nearest(bodies: list[Body], pair: Ints, ends: Floats) -> Nearest:
    """Return the closest approach of every leg to its pair's body, bodies of a shape together."""
    groups: dict[object, list[int]] = {}
    for n, body in enumerate(bodies):
        groups.setdefault(shape_key(body), []).append(n)
    out = Nearest(*(np.empty((len(pair), *s)) for s in ((), (), (3,), (3,))))
    for members in groups.values():
        position = np.full(len(bodies), -1)
        position[members] = np.arange(len(members))
        rows = np.flatnonzero(position[pair] >= 0)
        body = stacked([bodies[n] for n in members], position[pair[rows]])
        for whole, part in zip(out, nearest(body, ends[rows, 0], ends[rows, 1]), strict=True):
            whole[rows] = part
    return out


def _pair(
    lines: Lines,
    legs: Legs,
    work: Work,
    by: LevelsBy,
    body: Body,
    terms: Terms,
    rows: Ints,
    leg: Ints,
    found: Nearest,
) -> Pair:
    """Return what a line and a thing come to, from the closest approach of each leg."""
    line = int(legs.line[leg[0]])
    radius = float(lines.outside_diameter_m[line]) / 2
    near = Nearest(*(column[rows] for column in found))
    separation = near.distance_m - radius
    k = int(separation.argmin())
    errors = _Errors.of(lines, legs, leg, near, by, work, terms, separation)
    lower, sigma = errors.lower_95_m, errors.sigma_m
    undecided = legs.undecided[leg]
    for stretch in np.unique(legs.stretch[leg[undecided]]):
        mine = np.flatnonzero(legs.stretch[leg] == stretch)
        region = region_of(lines, legs, int(leg[mine[0]]))
        lower[mine] = bound_anywhere(region, legs, leg[mine], work, by, radius, terms.frame_sigma_m)
        sigma[mine] = np.nan
    worst = int(np.where(np.isnan(lower), -np.inf, lower).argmin())
    below, contact = np.nan, np.nan
    if not undecided[[k, worst]].any() and np.isfinite(sigma[[k, worst]]).all():
        chances = [errors.chances(i, body, radius, legs, by) for i in {k, worst}]
        below, contact = (max(c) for c in zip(*chances, strict=True))
    chainage = _along(legs.chainage_m[leg], near.fraction)
    ends = legs.chainage_m[leg[0], 0], legs.chainage_m[leg[-1], 1]
    at_end = [abs(chainage[k] - end) < _END_M for end in ends]
    axis, surface = _places(legs, int(leg[k]), near, k, by)
    return Pair(
        line=line,
        work=work,
        by=by,
        separation_m=float(separation[k]),
        lower_95_m=float(lower[worst]),
        sigma_m=float(sigma[worst]),
        below_required=float(below),
        contact=float(contact),
        chainage_m=max(float(chainage[k]), 0.0),
        worst_chainage_m=max(float(chainage[worst]), 0.0),
        shape="undecided" if undecided[worst] else "decided",
        axis_m=axis,
        surface_m=surface,
        depth_m=float(_along(legs.depth_m[leg], near.fraction)[k]),
        open_end=bool(at_end[1] or (at_end[0] and not lines.joined[line])),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Errors:
    """How far off legs (n) of one pair may be where they are nearest to the thing."""

    leg: Ints
    separation_m: Floats
    near: Nearest
    plan_sigma_m: Floats  # of the pipe and the frame, towards the thing
    up_sigma_m: Floats
    work: Work
    across: Floats  # (n, 2) unit plan vector towards the thing
    sigma_m: Floats = field(init=False)
    lower_95_m: Floats = field(init=False)

    def __post_init__(self) -> None:
        away = self.near.away
        level = np.hypot(away[:, 0], away[:, 1])
        own = np.hypot(level * self.plan_sigma_m, away[:, 2] * self.up_sigma_m)
        sigma = np.hypot(own, self.work.tolerance_95_m / INTERVAL_95)
        object.__setattr__(self, "sigma_m", sigma)
        object.__setattr__(self, "lower_95_m", self.separation_m - INTERVAL_95 * sigma)

    @classmethod
    def of(
        cls,
        lines: Lines,
        legs: Legs,
        leg: Ints,
        near: Nearest,
        by: LevelsBy,
        work: Work,
        terms: Terms,
        separation_m: Floats,
    ) -> _Errors:
        """Return the errors of the legs that may set the bound; of the rest, as wide as can be."""
        up = _up_sigma(legs, leg, near, by)
        across = _across(legs, leg, near)
        widest = legs.plan_95_m[leg] / ELLIPSE_95
        could = separation_m - INTERVAL_95 * np.hypot(widest, up)
        matter = ~(could > separation_m.min())
        exit_m = np.full(len(leg), np.inf)
        corridor = lines.corridor_m[legs.line[leg[0]]]
        if corridor is not None and matter.any():
            exit_m[matter] = _exit(corridor, near.axis[matter, :2], across[matter])
        plan = np.where(np.isfinite(widest), np.fmin(widest, exit_m / ELLIPSE_95), np.nan)
        plan = np.hypot(plan, terms.frame_sigma_m)
        return cls(leg, separation_m, near, plan, up, work, across)

    def chances(
        self, i: int, body: Body, radius_m: float, legs: Legs, by: LevelsBy
    ) -> tuple[float, float]:
        """Return P(separation < required) and P(< 0) at leg i of the pair."""
        limits = (self.work.required_m, 0.0)
        first = chance.linear(self.separation_m[i], self.sigma_m[i], np.array(limits))
        away = np.abs(self.separation_m[i] - np.array(limits))
        if (away > chance.SURE_SIGMAS * self.sigma_m[i]).all():
            return float(first[0]), float(first[1])
        tolerance = self.work.tolerance_95_m / INTERVAL_95
        up = 0.0 if by == "plan_only" else np.hypot(self.up_sigma_m[i], tolerance)
        shift = chance.Shift(
            self.across[i], float(np.hypot(self.plan_sigma_m[i], tolerance)), float(up)
        )
        path = _window(legs, self.leg, i, float(self.near.fraction[i]), by)
        below, contact = chance.integrated(body, path, radius_m, shift, limits)
        return below, contact


def _up_sigma(legs: Legs, leg: Ints, near: Nearest, by: LevelsBy) -> Floats:
    """Return σ (n) of the axis' level, or of its depth, on the side that brings it nearer."""
    if by == "plan_only":
        return np.zeros(len(leg))
    off = (legs.level_off_m if by == "level" else legs.depth_off_m)[leg]
    side = np.where(near.away[:, 2] > 0, 0, 1)  # above the thing, being lower is nearer
    return _along(off[np.arange(len(leg)), :, side], near.fraction) / INTERVAL_95


def _across(legs: Legs, leg: Ints, near: Nearest) -> Floats:
    """Return the plan way (n, 2) to the thing; square to the pipe where it is above or below."""
    towards = -near.away[:, :2]
    size = np.hypot(towards[:, 0], towards[:, 1])
    run = legs.xy_m[leg, 1] - legs.xy_m[leg, 0]
    square = np.column_stack([run[:, 1], -run[:, 0]])
    square = square / np.maximum(np.hypot(square[:, 0], square[:, 1]), 1e-12)[:, None]
    return np.where((size > 1e-3)[:, None], towards / np.maximum(size, 1e-3)[:, None], square)


def _exit(corridor: shapely.Polygon, at: Floats, way: Floats) -> Floats:
    """Return how far it is (n) from places in a corridor to its edge, going one way."""
    rays = shapely.linestrings(np.stack([at, at + _RAY_M * way], axis=1))
    crossings = shapely.intersection(rays, corridor.boundary)
    return np.asarray(shapely.distance(shapely.points(at), crossings))


def _window(legs: Legs, leg: Ints, i: int, fraction: float, by: LevelsBy) -> Floats:
    """Return the axis (m, 3) near the closest place, evenly along it."""
    ends = _ends(legs, leg, np.full(len(leg), by))
    nodes = np.concatenate([ends[:, 0], ends[-1:, 1]])
    chainage = np.concatenate([legs.chainage_m[leg, 0], legs.chainage_m[leg[-1:], 1]])
    middle = chainage[i] + fraction * (chainage[i + 1] - chainage[i])
    low, high = (
        max(middle - chance.WINDOW_M, chainage[0]),
        min(middle + chance.WINDOW_M, chainage[-1]),
    )
    at = np.linspace(low, high, int(np.ceil((high - low) / chance.SPACING_M)) + 1)
    at = np.unique(np.append(at, middle))
    return np.column_stack([np.interp(at, chainage, nodes[:, c]) for c in range(3)])


def _along(pairs: Floats, fraction: Floats) -> Floats:
    """Return values (n) between the two ends of legs (n, 2)."""
    return np.asarray(pairs[:, 0] + fraction * (pairs[:, 1] - pairs[:, 0]))


def _places(legs: Legs, leg: int, near: Nearest, k: int, by: LevelsBy) -> tuple[Floats, Floats]:
    """Return the closest places on axis and thing (3,), z as the pipe's layers have it.

    Depths become levels by the ground at the pipe; without levels z counts from the ground.
    """
    axis, surface = near.axis[k].copy(), on_surface(near)[k]
    f = near.fraction[k]
    level = legs.level_m[leg, 0] + f * (legs.level_m[leg, 1] - legs.level_m[leg, 0])
    depth = legs.depth_m[leg, 0] + f * (legs.depth_m[leg, 1] - legs.depth_m[leg, 0])
    z = level if np.isfinite(level) else -depth if np.isfinite(depth) else 0.0
    surface[2] += z - axis[2]
    axis[2] = z
    return axis, surface
