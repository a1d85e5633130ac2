"""Planned things against built pipes: least separation, its lower bound, its probability.

The bound is the separation less so many σ along the way to the planned thing that it holds wherever
along the pipe (`bounds`). σ is the pipe's (in plan, a 95 % distance over 2.4477: the lesser of what
the corridor leaves that way and the widest the segment's ellipses are), that of the operation
between the two CRSs, and the plan's own tolerance. On an undecided stretch no path stands for the
pipe, and the bound is that of a pipe anywhere in its corridor and between its level bounds. Past an
open end of a located line nothing bounds it (`ends`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.overlay import chance
from lateralline.overlay.as_built import Lines
from lateralline.overlay.bodies import (
    Body,
    LevelsBy,
    PlannedWork,
    body_of,
    numbers_of,
    shape_key,
    stacked,
)
from lateralline.overlay.bounds import Errors, SearchTerms, along
from lateralline.overlay.ends import runs_on_towards
from lateralline.overlay.separation import Nearest, nearest, on_surface
from lateralline.overlay.stations import StationLegs, axis_ends, legs_of, region_of
from lateralline.overlay.undecided import bound_anywhere
from lateralline.records import Floats, Ints

#: A level so far above the ground at the pipe, or below it, is on another basis or in another unit.
ABOVE_GROUND_M: Final = 1.0
BELOW_GROUND_M: Final = 30.0
#: Numbers held at once for the shapes of planned things.
_MOST_NUMBERS: Final = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """One line and one planned thing."""

    line: int  # row of the region's `Lines`
    work: PlannedWork  # in metres
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
    open_end: bool  # the pipe runs on, unlocated, towards the thing
    level_unfit: bool  # the thing's level does not go with the ground here, and was not used
    no_chance: str = ""  # why no probability can be told where a bound can

    @property
    def is_conflict(self) -> bool:
        """Whether it is not shown that the required clearance is kept."""
        return not self.lower_95_m >= self.work.required_m

    def running_on(self) -> Pair:
        """Return the pair of a pipe that runs on towards the thing: nothing bounds it."""
        unknown = float("nan")
        return replace(
            self, lower_95_m=unknown, below_required=unknown, contact=unknown, open_end=True
        )


def pairs_of(
    lines: Lines, bands: Any, segments: Any, works: list[PlannedWork], terms: SearchTerms
) -> list[Pair]:
    """Return every pair of a region near enough to be listed; works are in its metres."""
    if not works or not len(lines.line):
        return []
    legs = legs_of(lines, bands, segments)
    of_line, of_work = _near(lines, works, terms)
    first = np.searchsorted(legs.line, of_line)
    count = np.searchsorted(legs.line, of_line, side="right") - first
    if not len(of_line):
        return []
    parts = [slice(f, f + c) for f, c in zip(first.tolist(), count.tolist(), strict=True)]
    bys = [_levels_by(legs, p, works[w], terms) for p, w in zip(parts, of_work, strict=True)]
    open_end = runs_on_towards(lines, legs, works, of_line, of_work, terms.search_m)
    bodies = [body_of(works[w], by) for w, by in zip(of_work.tolist(), bys, strict=True)]
    pair = np.repeat(np.arange(len(of_line)), count)
    before = np.cumsum(count) - count
    leg = np.arange(len(pair)) + np.repeat(first - before, count)
    by_leg = np.array(bys, dtype="U20")[pair]
    found = _nearest(bodies, pair, axis_ends(legs, leg, by_leg))
    return [
        _pair(
            lines,
            legs,
            leg[b : b + c],
            Nearest(*(column[b : b + c] for column in found)),
            works[of_work[n]],
            bys[n],
            bodies[n],
            terms,
            open_end=bool(open_end[n]),
        )
        for n, (b, c) in enumerate(zip(before.tolist(), count.tolist(), strict=True))
    ]


def _near(lines: Lines, works: list[PlannedWork], terms: SearchTerms) -> tuple[Ints, Ints]:
    """Return line and work of each pair not too far apart in plan, by line."""
    where = np.where(shapely.is_missing(lines.corridor_m), lines.path_m, lines.corridor_m)
    radius = np.array([0.0 if w.kind == "trench" else w.radius_m for w in works])
    off = np.array([max(w.required_m, terms.search_m) + w.tolerance_95_m for w in works])
    off = off + radius + INTERVAL_95 * terms.frame_sigma_m + float(lines.outside_diameter_m.max())
    shapes = np.array([w.shape for w in works], dtype=object)
    work, line = shapely.STRtree(where).query(shapes, predicate="dwithin", distance=off)
    order = np.lexsort((work, line))
    return line[order].astype(np.int64), work[order].astype(np.int64)


def _levels_by(legs: StationLegs, part: slice, work: PlannedWork, terms: SearchTerms) -> LevelsBy:
    """Return what the vertical part of a pair can rest on."""
    levels = terms.levels_compare and work.has_level and np.isfinite(legs.level_m[part]).all()
    if levels and not _unfit(legs, part, work):
        return "level"
    if np.isfinite(work.depth_m) and np.isfinite(legs.depth_m[part]).all():
        return "depth_below_ground"
    return "plan_only"


def _unfit(legs: StationLegs, part: slice, work: PlannedWork) -> bool:
    """Return whether all of a thing's levels are out of all measure with the ground at the pipe."""
    ground = legs.level_m[part] + legs.depth_m[part]
    if not np.isfinite(ground).all():
        return False
    low, high = ground.min() - BELOW_GROUND_M, ground.max() + ABOVE_GROUND_M
    return bool(work.z_m.min() > high or work.z_m.max() < low)


def _nearest(bodies: list[Body], pair: Ints, ends: Floats) -> Nearest:
    """Return the closest approach of every leg to its pair's body, bodies of a shape together."""
    groups: dict[object, list[int]] = {}
    for n, body in enumerate(bodies):
        groups.setdefault(shape_key(body), []).append(n)
    out = Nearest(*(np.empty((len(pair), *s)) for s in ((), (), (3,), (3,))))
    for members in groups.values():
        position = np.full(len(bodies), -1)
        position[members] = np.arange(len(members))
        mine = np.flatnonzero(position[pair] >= 0)
        batches = 1 + len(mine) * numbers_of(bodies[members[0]]) // _MOST_NUMBERS
        for rows in np.array_split(mine, batches):
            # Rows run by pair, so a batch has few bodies.
            some, which = np.unique(pair[rows], return_inverse=True)
            body = stacked([bodies[n] for n in some.tolist()], which)
            for whole, part in zip(out, nearest(body, ends[rows, 0], ends[rows, 1]), strict=True):
                whole[rows] = part
    return out


def _pair(
    lines: Lines,
    legs: StationLegs,
    leg: Ints,
    near: Nearest,
    work: PlannedWork,
    by: LevelsBy,
    body: Body,
    terms: SearchTerms,
    *,
    open_end: bool,
) -> Pair:
    """Return what a line and a thing come to, from the closest approach of each leg."""
    line = int(legs.line[leg[0]])
    radius = float(lines.outside_diameter_m[line]) / 2
    separation = near.distance_m - radius
    k = int(separation.argmin())
    errors = Errors.of(lines, legs, leg, near, separation, work, by, terms)
    places = errors.places(legs)
    lower, sigma = errors.lower_95_m(len(places), legs, radius), errors.sigma_m
    undecided = legs.undecided[leg]
    for stretch in np.unique(legs.stretch[leg[undecided]]):
        mine = np.flatnonzero(legs.stretch[leg] == stretch)
        region = region_of(lines, legs, int(leg[mine[0]]))
        lower[mine] = bound_anywhere(region, legs, leg[mine], work, by, radius, terms)
        sigma[mine] = np.nan
    worst = int(np.where(np.isnan(lower), -np.inf, lower).argmin())
    below, contact, no_chance = np.nan, np.nan, "the shape of the pipe is undecided"
    # A stretch of undecided shape that may be the nearest has no distribution.
    decided = (lower[undecided] > separation[~undecided].min(initial=np.inf)).all()
    if decided and not open_end and np.isfinite(sigma[places]).all():
        below, contact = errors.chances(places, body, radius, legs)
        no_chance = "positions may be so far off that other pipe is met" if np.isnan(below) else ""
    bound = float(lower[worst])
    if contact < chance.SURELY_APART:
        bound = max(bound, 0.0)
    chainage = along(legs.chainage_m[leg], near.fraction)
    axis, surface = _places(legs, int(leg[k]), near, k)
    return Pair(
        line=line,
        work=work,
        by=by,
        separation_m=float(separation[k]),
        lower_95_m=np.nan if open_end else bound,
        sigma_m=float(sigma[worst]),
        below_required=float(below),
        contact=float(contact),
        chainage_m=max(float(chainage[k]), 0.0),
        worst_chainage_m=max(float(chainage[worst]), 0.0),
        shape="undecided" if undecided[worst] else "decided",
        axis_m=axis,
        surface_m=surface,
        depth_m=float(along(legs.depth_m[leg], near.fraction)[k]),
        open_end=open_end,
        level_unfit=by != "level"
        and terms.levels_compare
        and work.has_level
        and _unfit(legs, slice(int(leg[0]), int(leg[-1]) + 1), work),
        no_chance=no_chance,
    )


def _places(legs: StationLegs, leg: int, near: Nearest, k: int) -> tuple[Floats, Floats]:
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
