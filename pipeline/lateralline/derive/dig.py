"""What an excavator keeps away from: the pipe's outside, its tolerance, its position corridor.

No polygon here is a clearance to dig. The rule's tolerance is measured from the outside edge of the
pipe; where the pipe's size is unknown a wide one is taken, and the finding says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, isfinite, nan, pi

import numpy as np
import shapely

from lateralline import contract
from lateralline.derive.axis import SWEPT_WITHIN_M, Axis
from lateralline.derive.levels import outside_diameter_m
from lateralline.findings import Finding, finding
from lateralline.published import DigRule, citation, dig_rules
from lateralline.settings import Pipe, Settings

#: Outside diameter taken for a pipe of unknown size: wider than a 6 in or DN160 lateral.
#: Common practice, no source.
UNKNOWN_DIAMETER_M = 0.200

#: An inside diameter alone is widened by this for its walls: common practice, no source.
UNKNOWN_WALLS_RATIO = 1.25

#: Round corners are drawn with so many sides a quarter, and by so much outside the circle.
QUARTER_SIDES = 16
OUTSIDE = 1.0 / cos(pi / (4 * QUARTER_SIDES))


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The rule a site's dig zones are drawn by."""

    rule: str
    title: str
    source: str
    from_memory: bool
    distance_m: float  # each side of the pipe's outside edge


def tolerance(settings: Settings) -> tuple[Tolerance, tuple[Finding, ...]]:
    """Return the site's tolerance: its own distance, else its rule's, else the widest known.

    A rule key nobody knows is an error finding, and the widest published tolerance is drawn.
    """
    rules, own = dig_rules(), settings.dig_tolerance_m
    rule = rules.get(settings.dig_rule)
    if isfinite(own):
        given = Tolerance("site", "tolerance given by the site", "site.toml", False, own)
        return given, _narrow(own, rule)
    findings: tuple[Finding, ...] = ()
    if rule is None:
        rule = max(rules.values(), key=lambda r: r.tolerance_m)
        findings = (
            finding(
                "dig-rule-unknown",
                "site",
                rule=repr(settings.dig_rule),
                drawn=rule.title,
                tolerance_m=rule.tolerance_m,
                rules=rules,
            ),
        )
    source = f"{citation(rule.source, read=rule.read)}: {rule.as_published}"
    found = Tolerance(rule.key, rule.title, source, not rule.read, rule.tolerance_m)
    return found, findings


def _narrow(own_m: float, rule: DigRule | None) -> tuple[Finding, ...]:
    if rule is None or own_m >= rule.tolerance_m:
        return ()
    narrow = finding(
        "dig-tolerance-narrow", "site", rule=rule.title, own_m=own_m, rule_m=rule.tolerance_m
    )
    return (narrow,)


def drawn_diameter_m(pipe: Pipe) -> tuple[float, bool]:
    """Return the outside diameter zones are drawn with, and whether it is assumed."""
    known = outside_diameter_m(pipe)
    if isfinite(known):
        return known, False
    return float(np.fmax(UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO * pipe.inside_diameter_m)), True


def zone_width_m(diameter_m: float, tolerance_m: float) -> float:
    """Return the width of a zone: the pipe and a tolerance each side.

    >>> inch = 0.0254
    >>> round(zone_width_m(2 * inch, 18 * inch) / inch, 9)  # worked example, CGA Best Practices
    38.0
    """
    return diameter_m + 2 * tolerance_m


def around(region: shapely.Geometry, distance_m: float) -> shapely.Polygon:
    """Return everything within a distance of a region in plan, round corners drawn outside."""
    return shapely.buffer(region, distance_m * OUTSIDE, quad_segs=QUARTER_SIDES)


def dig_rows(
    site_id: str, axis: Axis, corridor: shapely.Polygon, rule: Tolerance
) -> tuple[list[dict[str, object]], list[shapely.Polygon], tuple[Finding, ...]]:
    """Return the two zones of a line: rows of the `dig_zone` layer, polygons, findings."""
    diameter_m, assumed = drawn_diameter_m(axis.pipe)
    path = shapely.LineString(axis.drawn(SWEPT_WITHIN_M).xyz_m[:, :2])
    reach = zone_width_m(diameter_m, rule.distance_m) / 2
    zones = [around(path, reach), around(corridor, reach)]
    cover = axis.vertices.cover_m
    rows: list[dict[str, object]] = [
        {
            "site_id": site_id,
            "line_id": axis.line.line,
            "zone": name,
            "rule": rule.rule,
            "rule_title": rule.title,
            "source": rule.source,
            "from_memory": rule.from_memory,
            "tolerance_m": rule.distance_m,
            "outside_diameter_m": diameter_m,
            "diameter_assumed": assumed,
            "width_m": 2 * reach,
            "cover_min_m": float(cover.min()) if np.isfinite(cover).all() else nan,
            "area_m2": zone.area,
            "frame_shift_95_m": 0.0,
            "caution": contract.load("dig_zone").caution,
        }
        for name, zone in zip(("tolerance", "tolerance_and_corridor"), zones, strict=True)
    ]
    if not assumed:
        return rows, zones, ()
    wide = finding("pipe-size-assumed", f"line {axis.line.line}", diameter_m=diameter_m)
    return rows, zones, (wide,)
