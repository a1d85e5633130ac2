"""What an excavator keeps away from: the pipe's outside, its tolerance, its position corridor.

No polygon here is a clearance to dig. The rule's tolerance is measured from the outside edge of the
pipe; where the pipe's size is unknown a wide one is taken, and a finding reports it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, isfinite, pi

import numpy as np
import shapely

from lateralline.derive.axis import SWEPT_WITHIN_M, Axis, outside_diameter_m
from lateralline.derive.tables import GEOMETRY, Columns, fields_of
from lateralline.findings import Finding, finding
from lateralline.published import citation, dig_rules
from lateralline.settings import Pipe, Settings

#: Outside diameter taken for a pipe of unknown size: wider than a 6 in or DN160 lateral.
#: Common practice, no source.
UNKNOWN_DIAMETER_M = 0.200

#: An inside diameter alone is widened by this for its walls: common practice, no source.
UNKNOWN_WALLS_RATIO = 1.25

#: Round corners are drawn with so many sides a quarter, and by so much outside the circle.
QUARTER_SIDES = 24
OUTSIDE = 1.0 / cos(pi / (4 * QUARTER_SIDES))


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The rule a site's hand-dig zones are drawn by."""

    rule: str
    title: str
    source: str
    from_memory: bool
    distance_m: float  # each side of the pipe's outside edge


def tolerance(settings: Settings) -> tuple[Tolerance, tuple[Finding, ...]]:
    """Return the site's tolerance: its own distance, else its rule's, else the widest known.

    A rule key nobody knows is an error finding, and the widest published tolerance is drawn; an own
    distance below the rule's is a finding too.
    """
    rules, own = dig_rules(), settings.dig_tolerance_m
    rule = rules.get(settings.dig_rule)
    findings: tuple[Finding, ...] = ()
    if isfinite(own):
        if rule is not None and own < rule.tolerance_m:
            limits = {"own_m": own, "rule_m": rule.tolerance_m}
            findings = (finding("tolerance-rule/narrow", "site", rule=rule.title, more=limits),)
        return Tolerance("site", "tolerance given by the site", "site.toml", False, own), findings
    if rule is None:
        rule = max(rules.values(), key=lambda r: r.tolerance_m)
        findings = (
            finding(
                "tolerance-rule/unknown",
                "site",
                rule=repr(settings.dig_rule),
                drawn=rule.title,
                tolerance_m=rule.tolerance_m,
                rules=rules,
            ),
        )
    source = f"{citation(rule.source, read=rule.read)}: {rule.as_published}"
    return Tolerance(rule.key, rule.title, source, not rule.read, rule.tolerance_m), findings


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


def dig_zones(
    axis: Axis, corridor: shapely.Polygon, rule: Tolerance
) -> tuple[list[Columns], tuple[Finding, ...]]:
    """Return the two zones of a line in the layer `tolerance_zone`, and findings."""
    diameter_m, assumed = drawn_diameter_m(axis.pipe)
    path = shapely.LineString(axis.drawn(SWEPT_WITHIN_M).xyz_m[:, :2])
    reach = zone_width_m(diameter_m, rule.distance_m) / 2
    zones = {"as_located": around(path, reach), "with_corridor": around(corridor, reach)}
    rows: list[Columns] = [
        {
            "line_id": axis.line.line,
            "zone": name,
            **fields_of("tolerance_zone", rule),
            "rule_title": rule.title,
            "tolerance_m": rule.distance_m,
            "outside_diameter_m": diameter_m,
            "diameter_assumed": assumed,
            "width_m": 2 * reach,
            "cover_min_m": float(axis.vertices.cover_m.min()),
            "area_m2": zone.area,
            GEOMETRY: zone,
        }
        for name, zone in zones.items()
    ]
    if not assumed:
        return rows, ()
    wide = finding("pipe-size-unsure/assumed", f"line {axis.line.line}", diameter_m=diameter_m)
    return rows, (wide,)
