"""Planned things against built pipes: least separation, its lower bound, its probability.

The bound is the separation less so many σ along the way to the planned thing that it holds wherever
along the pipe (`bounds`). σ is the pipe's (in plan, a 95 % distance over 2.4477: the lesser of what
the corridor leaves that way and the widest the segment's ellipses are), that of the operation
between the two CRSs, and the plan's own tolerance. On an undecided stretch no path stands for the
pipe, and the bound is that of a pipe anywhere in its corridor and between its level bounds. Past an
open end of a located line nothing bounds it.

Of pipe that nobody located only an area is known, and nothing of its level. Whatever stands within
the required clearance of the area is "not located"; within the search distance too where the whole
line or run is not located, since its pipe runs on past its area as past an open end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, isnan, nan
from typing import Final

import numpy as np
import pandas as pd
import shapely

from lateralline import contract
from lateralline.derive.dig import UNKNOWN_DIAMETER_M
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.frames import DEPTH_ONLY
from lateralline.overlay.as_built import (
    Lines,
    StationLegs,
    UnlocatedArea,
    ahead_of_ends,
    legs_of,
    region_of_pipe,
)
from lateralline.overlay.bounds import (
    SURELY_APART,
    Errors,
    SearchTerms,
    along,
    axis_ends,
    bound_anywhere,
)
from lateralline.overlay.planned import Kind, PlannedWork
from lateralline.overlay.separation import (
    Body,
    LevelsBy,
    Nearest,
    body_of,
    nearest,
    on_surface,
    stacked,
)
from lateralline.records import Flags, Floats, Ints
from lateralline.wording import in_both

#: A level so far above the ground at the pipe, or below it, is on another basis or in another unit.
ABOVE_GROUND_M: Final = 1.0
BELOW_GROUND_M: Final = 30.0
#: Numbers in memory at once for the shapes of planned things.
_MOST_NUMBERS: Final = 2_000_000
_BY_WORDS: Final[dict[LevelsBy, str]] = {
    "level": "levels of both on one basis",
    "depth_below_ground": "both measured down from the ground at the pipe",
    "plan_only": "in plan alone, as if the works reached every depth",
}


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A planned thing and a line, or pipe that nobody located, near it: a row of `clearance_pairs`.

    Numbers that are not known are NaN; of pipe that nobody located that is all but its diameter.
    """

    site_id: str
    line_id: str
    work: PlannedWork  # in metres
    approach_m: shapely.LineString  # in plan, from the pipe's axis or its area to the thing
    outside_diameter_m: float
    diameter_assumed: bool
    open_end: bool  # the pipe runs on, unlocated, towards the thing
    crs_shift_sigma_m: float
    line: int = -1  # row of the region's `Lines`; -1 not located
    area: UnlocatedArea | None = None  # where pipe that is not located may be
    area_apart_m: float = nan  # from it to the thing, the pipe's radius off; ≤ 0 where it may be in
    unit: str = "m"  # of lengths in words
    levels_by: LevelsBy = "plan_only"
    level_unfit: bool = False  # the thing's level does not go with the ground here, was not used
    separation_m: float = nan
    separation_lower_95_m: float = nan  # NaN when nothing bounds it
    separation_sigma_m: float = nan  # NaN where undecided
    probability_below_required: float = nan
    probability_contact: float = nan
    no_chance: str = ""  # why no probability can be given where a bound can
    chainage_m: float = nan
    worst_chainage_m: float = nan
    shape: str = "undecided"
    pipe_axis_level_m: float = nan
    pipe_axis_depth_m: float = nan  # ground less axis
    z_m: tuple[float, float] = (
        0.0,
        0.0,
    )  # of both ends of the approach; without levels from ground

    @property
    def verdict(self) -> str:
        """Whether it is not shown that the required clearance is kept."""
        if self.area is not None:
            return "not_located"
        return (
            "no_conflict_shown"
            if self.separation_lower_95_m >= self.work.required_m
            else "conflict"
        )

    @property
    def work_id(self) -> str:
        """Id of the planned thing."""
        return self.work.id

    @property
    def work_name(self) -> str:
        """Its name, "" when it has none."""
        return self.work.name

    @property
    def kind(self) -> Kind:
        """What it is."""
        return self.work.kind

    @property
    def required_m(self) -> float:
        """The clearance it requires."""
        return self.work.required_m

    @property
    def plan_tolerance_95_m(self) -> float:
        """How far it may be built off the plan."""
        return self.work.tolerance_95_m

    @property
    def caution(self) -> str:
        """What stands on every row."""
        return contract.load("clearance_pairs").caution

    @property
    def what(self) -> str:
        """What was found, in the unit of the comparison."""
        return self.in_words(self.unit)

    @property
    def key(self) -> tuple[str, str, str]:
        """Site, line and work."""
        return self.site_id, self.line_id, self.work.id

    def in_words(self, unit: str) -> str:
        """Return what was found and what it rests on, lengths in `unit` and in metres."""
        required = in_both(self.work.required_m, unit)
        if self.area is not None:
            near = "the pipe may be in these works"
            if self.area_apart_m > 0.0:
                near = in_both(self.area_apart_m, unit, least=True)
                near = f"the pipe may be as near as {near}, and runs on from there"
            return (
                f"not located: {self.area.row.what}; {self.area.row.why}; {near}, at any depth, so "
                f"no clearance is shown; {required} required"
            )
        words = f"{in_both(self.separation_m, unit)} between surfaces as located, "
        words += _BY_WORDS[self.levels_by]
        if self.level_unfit:
            words += " (its level does not go with the ground at the pipe and was not used)"
        if self.open_end:
            words += "; the located line ends near here and the pipe runs on, nobody knows where, "
            words += "so no clearance is shown"
        elif isnan(self.separation_lower_95_m):
            words += "; nothing bounds how far off the pipe may be, so no clearance is shown"
        else:
            anywhere = ", the pipe anywhere in its corridor" if self.shape == "undecided" else ""
            touch = f"{in_both(self.separation_lower_95_m, unit, least=True)} at the least"
            touch = "they may touch" if self.separation_lower_95_m < 0.0 else touch
            words += f"; {touch} (95 %{anywhere})"
            if self.no_chance:
                words += f", how likely nobody can tell, for {self.no_chance}"
        words += f", {required} required"
        if self.verdict == "no_conflict_shown":
            words += "; no conflict shown, which is no clearance to dig"
        if self.diameter_assumed:
            words += "; the pipe's outside diameter is assumed"
        return words

    def running_on(self) -> Pair:
        """Return the pair of a pipe that runs on towards the thing: nothing bounds it."""
        return replace(
            self,
            separation_lower_95_m=nan,
            probability_below_required=nan,
            probability_contact=nan,
            open_end=True,
        )


# ---- located lines -------------------------------------------------------------------------


def pairs_of(
    lines: Lines,
    bands: pd.DataFrame,
    segments: pd.DataFrame,
    works: Sequence[PlannedWork],
    terms: SearchTerms,
) -> list[Pair]:
    """Return every pair of a region near enough to be listed; works are in its metres.

    `bands` and `segments` are the layers `level_band` and `pipe_segments`.
    """
    if not works or not len(lines.line):
        return []
    legs = legs_of(lines, bands, segments)
    of_line, of_work = _near(lines, works, terms)
    if not len(of_line):
        return []
    first = np.searchsorted(legs.line, of_line)
    count = np.searchsorted(legs.line, of_line, side="right") - first
    own = [legs.only(slice(f, f + c)) for f, c in zip(first.tolist(), count.tolist(), strict=True)]
    things = [works[w] for w in of_work.tolist()]
    bys = [_levels_by(pipe, work, terms) for pipe, work in zip(own, things, strict=True)]
    open_end = _runs_on_towards(lines, legs, things, of_line, terms.search_m)
    bodies = [body_of(work, by) for work, by in zip(things, bys, strict=True)]
    pair = np.repeat(np.arange(len(of_line)), count)
    before = np.cumsum(count) - count
    leg = np.arange(len(pair)) + np.repeat(first - before, count)
    ends = axis_ends(legs, np.array(bys, dtype="U20")[pair], leg)
    found = _nearest(bodies, pair, ends)
    pairs = []
    for n, (b, c) in enumerate(zip(before.tolist(), count.tolist(), strict=True)):
        near = Nearest(*(column[b : b + c] for column in found))
        runs_on = bool(open_end[n])
        one = _pair(
            lines, own[n], near, things[n], bys[n], bodies[n], terms, with_chance=not runs_on
        )
        pairs.append(one.running_on() if runs_on else one)
    return pairs


def _near(lines: Lines, works: Sequence[PlannedWork], terms: SearchTerms) -> tuple[Ints, Ints]:
    """Return line and work of each pair not too far apart in plan, by line."""
    where = np.where(shapely.is_missing(lines.corridor_m), lines.path_m, lines.corridor_m)
    off = np.array(
        [max(w.required_m, terms.search_m) + w.tolerance_95_m + w.about_m for w in works]
    )
    off = off + INTERVAL_95 * terms.crs_shift_sigma_m + float(lines.outside_diameter_m.max())
    shapes = np.array([w.shape for w in works], dtype=object)
    work, line = shapely.STRtree(where).query(shapes, predicate="dwithin", distance=off)
    order = np.lexsort((work, line))
    return line[order].astype(np.int64), work[order].astype(np.int64)


def _runs_on_towards(
    lines: Lines, legs: StationLegs, works: list[PlannedWork], of_line: Ints, within_m: float
) -> Flags:
    """Return, for each pair, whether the pipe may run on to the thing past an end of its line.

    Whatever stands in the half circle ahead of an open end, no farther off than `within_m`, may be
    met.
    """
    radius = np.array([w.about_m for w in works]) + lines.outside_diameter_m[of_line] / 2
    shapes = np.array([w.shape for w in works], dtype=object)
    up, down = ahead_of_ends(lines, legs, within_m)
    return np.asarray(
        shapely.dwithin(up[of_line], shapes, radius)
        | shapely.dwithin(down[of_line], shapes, radius)  # of None: no
    )


def _levels_by(pipe: StationLegs, work: PlannedWork, terms: SearchTerms) -> LevelsBy:
    """Return what the vertical part of a pair can rest on."""
    levels = terms.levels_compare and work.has_level and np.isfinite(pipe.level_m).all()
    if levels and not _unfit(pipe, work):
        return "level"
    if np.isfinite(work.depth_m) and np.isfinite(pipe.depth_m).all():
        return "depth_below_ground"
    return "plan_only"


def _unfit(pipe: StationLegs, work: PlannedWork) -> bool:
    """Return whether all of a thing's levels are out of all measure with the ground at the pipe."""
    ground = pipe.level_m + pipe.depth_m
    if not np.isfinite(ground).all():
        return False
    low, high = ground.min() - BELOW_GROUND_M, ground.max() + ABOVE_GROUND_M
    return bool(work.z_m.min() > high or work.z_m.max() < low)


def _nearest(bodies: list[Body], pair: Ints, ends: Floats) -> Nearest:
    """Return the closest approach of every leg to its pair's body, bodies of a shape together."""
    groups: dict[object, list[int]] = {}
    for n, body in enumerate(bodies):
        groups.setdefault((type(body), *(a.shape for a in body)), []).append(n)
    out = Nearest(*(np.empty((len(pair), *s)) for s in ((), (), (3,), (3,))))
    for members in groups.values():
        mine = np.flatnonzero(np.isin(pair, members))
        batches = 1 + len(mine) * sum(a.size for a in bodies[members[0]]) // _MOST_NUMBERS
        for rows in np.array_split(mine, batches):
            # Rows run by pair, so a batch has few bodies.
            some, which = np.unique(pair[rows], return_inverse=True)
            body = stacked([bodies[n] for n in some.tolist()], which)
            for whole, part in zip(out, nearest(body, ends[rows, 0], ends[rows, 1]), strict=True):
                whole[rows] = part
    return out


def _pair(
    lines: Lines,
    pipe: StationLegs,
    near: Nearest,
    work: PlannedWork,
    by: LevelsBy,
    body: Body,
    terms: SearchTerms,
    *,
    with_chance: bool,
) -> Pair:
    """Return what a line and a thing come to, from the closest approach of each leg."""
    line = int(pipe.line[0])
    radius = float(lines.outside_diameter_m[line]) / 2
    separation = near.distance_m - radius
    k = int(separation.argmin())
    errors = Errors.of(lines.corridor_m[line], pipe, near, separation, work, by, terms)
    places = errors.places()
    lower, sigma, undecided = (
        errors.separation_lower_95_m(len(places), radius),
        errors.sigma_m,
        pipe.undecided,
    )
    for number in np.unique(pipe.stretch[undecided]):
        mine = np.flatnonzero(pipe.stretch == number)
        stretch = pipe.only(mine)
        region = region_of_pipe(lines, stretch)
        lower[mine] = bound_anywhere(region, stretch, work, by, radius, terms)
        sigma[mine] = np.nan
    worst = int(np.where(np.isnan(lower), -np.inf, lower).argmin())
    below, contact, no_chance = nan, nan, "the shape of the pipe is not shown"
    # A stretch of undecided shape that may be the nearest has no distribution.
    decided = (lower[undecided] > separation[~undecided].min(initial=np.inf)).all()
    if decided and with_chance and np.isfinite(sigma[places]).all():
        below, contact = errors.chances(places, body, radius)
        no_chance = "positions may be so far off that other pipe is met" if isnan(below) else ""
    bound = float(lower[worst])
    chainage = along(pipe.chainage_m, near.fraction)
    level, depth = (float(along(z, near.fraction)[k]) for z in (pipe.level_m, pipe.depth_m))
    axis, surface = near.axis[k], on_surface(near)[k]
    # Depths become levels by the ground at the pipe; without levels z counts from the ground.
    z = level if isfinite(level) else -depth if isfinite(depth) else 0.0
    return Pair(
        site_id=str(lines.site[line]),
        line_id=str(lines.line[line]),
        work=work,
        approach_m=shapely.LineString([axis[:2], surface[:2]]),
        outside_diameter_m=2 * radius,
        diameter_assumed=bool(lines.diameter_assumed[line]),
        open_end=False,
        crs_shift_sigma_m=terms.crs_shift_sigma_m,
        line=line,
        levels_by=by,
        level_unfit=by != "level"
        and terms.levels_compare
        and work.has_level
        and _unfit(pipe, work),
        separation_m=float(separation[k]),
        separation_lower_95_m=max(bound, 0.0) if contact < SURELY_APART else bound,
        separation_sigma_m=float(sigma[worst]),
        probability_below_required=float(below),
        probability_contact=float(contact),
        no_chance=no_chance,
        chainage_m=max(float(chainage[k]), 0.0),
        worst_chainage_m=max(float(chainage[worst]), 0.0),
        shape="undecided" if undecided[worst] else "decided",
        pipe_axis_level_m=nan if lines.level_datum[line] == DEPTH_ONLY else z,
        pipe_axis_depth_m=depth,
        z_m=(z, float(surface[2] + (z - axis[2]))),
    )


# ---- pipe that nobody located --------------------------------------------------------------


def unlocated_pairs(
    areas: Sequence[UnlocatedArea], works: Sequence[PlannedWork], terms: SearchTerms
) -> list[Pair]:
    """Return each planned thing with each line near it that is not located, the nearest area."""
    found: dict[tuple[str, str, str], Pair] = {}
    for area in areas:
        row = area.row
        assumed = not isfinite(row.outside_diameter_m)
        diameter = UNKNOWN_DIAMETER_M if assumed else row.outside_diameter_m
        past_end = row.extent == "beyond_end"
        for work in works:
            apart = float(shapely.distance(area.area_m, work.shape)) - work.about_m - diameter / 2
            most = work.required_m if past_end else max(work.required_m, terms.search_m)
            if apart > most + work.tolerance_95_m + INTERVAL_95 * terms.crs_shift_sigma_m:
                continue
            one = Pair(
                site_id=row.site_id,
                line_id=row.line_id,
                work=work,
                approach_m=_shortest(area.area_m, work.shape),
                outside_diameter_m=diameter,
                diameter_assumed=assumed,
                open_end=past_end,
                crs_shift_sigma_m=terms.crs_shift_sigma_m,
                area=area,
                area_apart_m=apart,
            )
            if one.key not in found or apart < found[one.key].area_apart_m:
                found[one.key] = one
    return list(found.values())


def _shortest(area: shapely.Polygon, shape: shapely.Geometry) -> shapely.LineString:
    """Return the shortest way from area to thing; of no length where they overlap."""
    if shapely.intersects(area, shape):
        at = shapely.point_on_surface(shapely.intersection(area, shape))
        return shapely.LineString([at, at])
    return shapely.shortest_line(area, shape)
