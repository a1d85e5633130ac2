"""Dig zones by any rule for any number of built lines: buffers on the ground, never in degrees.

A hole narrower than the pipe and both tolerances together, or smaller than a square metre, is
filled: nobody can dig in it by machine, and it would read as an invitation. Merged zones are one
row per connected area.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely

from lateralline import contract
from lateralline.derive.axis import DRAWN_WITHIN_M
from lateralline.derive.dig import OUTSIDE, QUARTER_SIDES, Tolerance
from lateralline.overlay.as_built import Lines, UnlocatedArea
from lateralline.overlay.files import Columns, Overlay
from lateralline.published import dig_rules
from lateralline.record.layers import Shapes
from lateralline.records import Floats

ZONES: Final = ("as_located", "with_corridor")
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
    unlocated: tuple[UnlocatedArea, ...] = ()  # in the first region

    def take(self, made: Zones, unlocated: tuple[UnlocatedArea, ...]) -> None:
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
    source = f"given as {as_given} with --tolerance; no published source"
    return Tolerance("given", "tolerance given by the user", source, False, distance_m)


def zones_of(lines: Lines, rule: Tolerance, also_off_m: Floats | float = 0.0) -> Zones:
    """Return the zones of lines, in metres, each widened by `also_off_m` all round.

    The line as located is widened by what its file's frame may be off, which the corridor is
    already, and by how far its drawn path may stand off the true one where that is curved.
    """
    reach = lines.outside_diameter_m / 2 + rule.distance_m + also_off_m
    shift = np.nan_to_num(lines.crs_shift_95_m) + DRAWN_WITHIN_M
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


def add_zones(overlay: Overlay, lines: Lines, rule: Tolerance, *, merged: bool = False) -> Zones:
    """Write the layer `tolerance_zone` of the lines of one region, or `tolerance_zone_merged`.

    Returns what was written in the file's CRS.
    """
    zones = zones_of(lines, rule)
    layer, made = ("tolerance_zone_merged", _merged) if merged else ("tolerance_zone", _by_line)

    def drawn(off_m: float) -> tuple[Columns, Shapes]:
        return made(zones_of(lines, rule, off_m) if off_m else zones, off_m)

    overlay.add(layer, lines.plane, drawn)
    return zones


def _around(shapes: Shapes, distance_m: Floats) -> Shapes:
    wide = distance_m * OUTSIDE + SMOOTHED_WITHIN_M
    drawn = shapely.buffer(shapes, wide, quad_segs=QUARTER_SIDES)
    return np.asarray(shapely.simplify(drawn, SMOOTHED_WITHIN_M), dtype=object)


def _of_rule(rule: Tolerance, layer: str, n: int) -> dict[str, Collection[object]]:
    """Return the columns of n rows that are the same in all."""
    return {
        "rule": [rule.rule] * n,
        "rule_title": [rule.title] * n,
        "source": [rule.source] * n,
        "from_memory": [rule.from_memory] * n,
        "tolerance_m": [rule.distance_m] * n,
        "caution": [contract.load(layer).caution] * n,
    }


def _by_line(zones: Zones, off_m: float) -> tuple[Columns, Shapes]:
    """Return columns and shapes of `tolerance_zone`: both zones of each line that are there."""
    lines, rule = zones.lines, zones.rule
    shapes = np.stack([zones.near_m, zones.wide_m], axis=1).reshape(-1)
    there = ~shapely.is_missing(shapes)
    of_line = np.repeat(np.arange(len(lines.line)), 2)[there]
    wide_m = lines.outside_diameter_m[of_line]
    shift = np.nan_to_num(lines.crs_shift_95_m + off_m)[of_line]
    columns = _of_rule(rule, "tolerance_zone", len(of_line)) | {
        "site_id": lines.site[of_line],
        "line_id": lines.line[of_line],
        "zone": np.tile(ZONES, len(lines.line))[there],
        "outside_diameter_m": wide_m,
        "diameter_assumed": lines.diameter_assumed[of_line],
        "width_m": wide_m + 2 * (rule.distance_m + shift),
        "cover_min_m": lines.cover_min_m[of_line],
        "area_m2": shapely.area(shapes[there]),
        "crs_shift_95_m": shift,
        "record_version": lines.record_version[of_line],
        "valid_from": lines.valid_from[of_line],
    }
    columns |= {name: values[of_line] for name, values in lines.register.items()}
    return columns, shapes[there]


def _connected(zones: Zones) -> Iterator[tuple[str, shapely.Polygon, list[int]]]:
    """Yield both kinds of zone of a region dissolved: kind, connected area, rows of its lines.

    Holes are treated again.
    """
    for name, shapes in zip(ZONES, (zones.near_m, zones.wide_m), strict=True):
        known = np.flatnonzero(~shapely.is_missing(shapes))
        if not len(known):
            continue
        reach = zones.rule.distance_m + float(zones.lines.outside_diameter_m[known].min()) / 2
        areas = filled(shapely.get_parts(shapely.union_all(shapes[known])), reach)
        inside = shapely.point_on_surface(shapes[known])
        of_line, of_area = shapely.STRtree(areas).query(inside, predicate="intersects")
        for n, area in enumerate(areas):
            yield name, area, known[of_line[of_area == n]].tolist()


def _merged(zones: Zones, off_m: float) -> tuple[Columns, Shapes]:
    """Return columns and shapes of `tolerance_zone_merged`: a row for each connected area."""
    lines = zones.lines
    names = np.array([f"{site} {line}" for site, line in lines.keys], dtype=object)
    shift = np.nan_to_num(lines.crs_shift_95_m) + off_m
    areas = list(_connected(zones))
    shapes = np.array([area for _, area, _ in areas], dtype=object)
    members = [of_lines for _, _, of_lines in areas]
    columns = _of_rule(zones.rule, "tolerance_zone_merged", len(areas)) | {
        "zone": [zone for zone, _, _ in areas],
        "lines": [len(who) for who in members],
        "line_ids": [
            ", ".join(names[who[:_MOST_IDS]])
            + (f" and {len(who) - _MOST_IDS} more" if len(who) > _MOST_IDS else "")
            for who in members
        ],
        "diameters_assumed": [int(lines.diameter_assumed[who].sum()) for who in members],
        "area_m2": shapely.area(shapes),
        "crs_shift_95_m": [float(shift[who].max()) for who in members],
    }
    return columns, shapes
