"""Dig zones by any rule for any number of built lines: buffers on the ground, never in degrees.

How polygons are treated: corners are drawn outside the true circle; rings are oriented; a hole
narrower than the pipe and both tolerances together, or smaller than a square metre, is filled,
since nobody can dig in it by machine and it would read as an invitation; nothing is ever cut away,
so a sliver cannot arise. Merged zones are one row per connected area.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import isfinite
from typing import Final

import numpy as np
import pyarrow as pa
import shapely

from lateralline import contract
from lateralline.derive.axis import DRAWN_WITHIN_M
from lateralline.derive.dig import OUTSIDE, QUARTER_SIDES, Tolerance
from lateralline.frames.operations import PLAN_95
from lateralline.overlay.as_built import Lines, Unlocated
from lateralline.overlay.files import Overlay, lonlat_off_m, to_lonlat
from lateralline.published import dig_rules
from lateralline.record.layers import Shapes, to_table
from lateralline.records import Floats

ZONES: Final = ("tolerance", "tolerance_and_corridor")
#: Vertices that matter less are left out, the outline always outside what it stands for.
SMOOTHED_WITHIN_M: Final = 0.001
#: A hole smaller than this is filled whatever its width.
SMALLEST_HOLE_M2: Final = 1.0
_MOST_IDS: Final = 100


@dataclass(frozen=True, slots=True, eq=False)
class Zones:
    """Zones of some lines (n): those without a corridor have one zone only."""

    lines: Lines
    rule: Tolerance
    near_m: Shapes  # about the line as located
    wide_m: Shapes  # about its corridor; None where there is none

    @property
    def without_corridor(self) -> list[tuple[str, str]]:
        """Lines that have no corridor, and so no zone that takes their position's error in."""
        bare = shapely.is_missing(self.wide_m)
        return [key for key, b in zip(self.lines.keys, bare.tolist(), strict=True) if b]


@dataclass(slots=True, eq=False)
class Drawn:
    """What was drawn of a record, of its first region all."""

    lines: int = 0
    assumed: int = 0  # of unknown diameter
    bare: list[tuple[str, str]] = field(default_factory=list)  # lines without a corridor
    first: Zones | None = None
    unlocated: Unlocated | None = None  # in the first region

    def take(self, made: Zones, unlocated: Unlocated) -> None:
        """Add a region."""
        if self.first is None:
            self.first, self.unlocated = made, unlocated
        self.lines += len(made.lines.line)
        self.assumed += int(made.lines.diameter_assumed.sum())
        self.bare += made.without_corridor


def rule_named(key: str) -> Tolerance:
    """Return a published rule as a tolerance; KeyError for one that is not known."""
    rule = dig_rules()[key]
    return Tolerance(rule.key, rule.title, rule.statement, not rule.read, rule.tolerance_m)


def given_distance(distance_m: float, as_given: str) -> Tolerance:
    """Return a tolerance the user gave."""
    said = f"given as {as_given} with --tolerance; no published source"
    return Tolerance("given", "tolerance given by the user", said, False, distance_m)


def zones_of(lines: Lines, rule: Tolerance, also_off_m: Floats | float = 0.0) -> Zones:
    """Return the zones of lines, in metres, each widened by `also_off_m` all round.

    The line as located is widened by what its file's frame may be off, which the corridor is
    already, and by how far its drawn path may stand off the true one where that is curved.
    """
    reach = lines.outside_diameter_m / 2 + rule.distance_m + also_off_m
    shift = np.nan_to_num(lines.frame_shift_95_m) + DRAWN_WITHIN_M
    return Zones(
        lines,
        rule,
        filled(_around(lines.path_m, reach + shift), reach),
        filled(_around(lines.corridor_m, reach), reach),
    )


def filled(polygons: Shapes, reach_m: Floats | float) -> Shapes:
    """Return valid, oriented polygons without holes too small or narrow to mean anything."""
    reaches = np.broadcast_to(reach_m, polygons.shape)
    out = polygons.copy()
    for i in np.flatnonzero(shapely.get_num_interior_rings(polygons) > 0):
        holes = shapely.polygons(list(polygons[i].interiors))
        roomy = ~shapely.is_empty(shapely.buffer(holes, -reaches[i]))
        kept = roomy & (shapely.area(holes) >= SMALLEST_HOLE_M2)
        rings = [ring for ring, keep in zip(polygons[i].interiors, kept, strict=True) if keep]
        out[i] = shapely.Polygon(polygons[i].exterior, rings)
    valid = shapely.is_missing(out) | shapely.is_valid(out)
    assert valid.all()  # a buffer always is
    return np.asarray(shapely.orient_polygons(out))


def add_zones(overlay: Overlay, lines: Lines, rule: Tolerance) -> Zones:
    """Write the layer `dig_zone` of some lines; returns what was written in the file's CRS."""
    zones = zones_of(lines, rule)
    table = _table(zones, lines.metric.shapes_to_file, lines.frame_shift_95_m)
    off_m = PLAN_95 * lonlat_off_m(lines.metric)
    lonlat = None
    if isfinite(off_m):
        wider = zones_of(lines, rule, off_m)
        lonlat = _table(wider, lambda s: to_lonlat(lines.metric, s), lines.frame_shift_95_m + off_m)
    overlay.add({"dig_zone": table}, None if lonlat is None else {"dig_zone": lonlat})
    return zones


def _around(shapes: Shapes, distance_m: Floats) -> Shapes:
    wide = distance_m * OUTSIDE + SMOOTHED_WITHIN_M
    drawn = shapely.buffer(shapes, wide, quad_segs=QUARTER_SIDES)
    return np.asarray(shapely.simplify(drawn, SMOOTHED_WITHIN_M), dtype=object)


def _table(zones: Zones, way: object, shift_m: Floats) -> pa.Table:
    assert callable(way)
    lines, rule = zones.lines, zones.rule
    n = len(lines.line)
    shapes = np.stack([zones.near_m, zones.wide_m], axis=1).reshape(-1)
    there = ~shapely.is_missing(shapes)

    def twice(values: object) -> object:
        return np.repeat(np.asarray(values), 2)[there]

    columns = {
        "site_id": twice(lines.site),
        "line_id": twice(lines.line),
        "zone": np.tile(ZONES, n)[there],
        "rule": twice([rule.rule] * n),
        "rule_title": twice([rule.title] * n),
        "source": twice([rule.source] * n),
        "from_memory": twice([rule.from_memory] * n),
        "tolerance_m": twice([rule.distance_m] * n),
        "outside_diameter_m": twice(lines.outside_diameter_m),
        "diameter_assumed": twice(lines.diameter_assumed),
        "width_m": twice(lines.outside_diameter_m + 2 * rule.distance_m),
        "cover_min_m": twice(lines.cover_min_m),
        "area_m2": shapely.area(shapes[there]),
        "frame_shift_95_m": twice(np.nan_to_num(shift_m)),
        "caution": [contract.load("dig_zone").caution] * int(there.sum()),
    }
    return to_table("dig_zone", columns, way(shapes[there]))


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """Zones of one kind dissolved: connected areas, and which lines each holds."""

    zone: str
    area_m: Shapes
    members: tuple[tuple[int, ...], ...]


def merge(zones: Zones) -> Iterator[Merged]:
    """Yield both kinds of zone of a region dissolved, holes treated again."""
    for name, shapes in zip(ZONES, (zones.near_m, zones.wide_m), strict=True):
        known = np.flatnonzero(~shapely.is_missing(shapes))
        if not len(known):
            continue
        reach = zones.rule.distance_m + float(zones.lines.outside_diameter_m[known].min()) / 2
        areas = filled(shapely.get_parts(shapely.union_all(shapes[known])), reach)
        inside = shapely.point_on_surface(shapes[known])
        of_line, of_area = shapely.STRtree(areas).query(inside, predicate="intersects")
        members = tuple(tuple(known[of_line[of_area == a]].tolist()) for a in range(len(areas)))
        yield Merged(name, areas, members)


def add_merged(overlay: Overlay, lines: Lines, rule: Tolerance) -> Zones:
    """Write the layer `dig_zone_merged` of the lines of one region."""
    zones = zones_of(lines, rule)
    table = _merged_table(zones, lines.metric.shapes_to_file, 0.0)
    off_m = PLAN_95 * lonlat_off_m(lines.metric)
    lonlat = None
    if isfinite(off_m):
        wider = zones_of(lines, rule, off_m)
        lonlat = _merged_table(wider, lambda s: to_lonlat(lines.metric, s), off_m)
    overlay.add({"dig_zone_merged": table}, None if lonlat is None else {"dig_zone_merged": lonlat})
    return zones


def _merged_table(zones: Zones, way: object, off_m: float) -> pa.Table:
    assert callable(way)
    lines, rule = zones.lines, zones.rule
    names = [f"{site} {line}" for site, line in lines.keys]
    shift = np.nan_to_num(lines.frame_shift_95_m) + off_m
    rows, shapes = [], []
    for merged in merge(zones):
        for area, members in zip(merged.area_m, merged.members, strict=True):
            who = list(members)
            more = f" and {len(who) - _MOST_IDS} more" if len(who) > _MOST_IDS else ""
            rows.append(
                {
                    "zone": merged.zone,
                    "rule": rule.rule,
                    "rule_title": rule.title,
                    "source": rule.source,
                    "from_memory": rule.from_memory,
                    "tolerance_m": rule.distance_m,
                    "lines": len(who),
                    "line_ids": ", ".join(names[i] for i in who[:_MOST_IDS]) + more,
                    "diameters_assumed": int(lines.diameter_assumed[who].sum()),
                    "area_m2": area.area,
                    "frame_shift_95_m": float(shift[who].max()),
                    "caution": contract.load("dig_zone_merged").caution,
                }
            )
            shapes.append(area)
    columns = {name: [row[name] for row in rows] for name in contract.load("dig_zone_merged").names}
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    return to_table("dig_zone_merged", columns, way(geometry))
