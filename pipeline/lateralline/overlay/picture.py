"""Overlays as plan pictures: the surroundings of what matters most."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypedDict

import numpy as np
import shapely

from lateralline.errors import extra
from lateralline.overlay.as_built import Lines, StationLegs, named
from lateralline.overlay.clearance import Pair
from lateralline.overlay.run import Comparison, at_least, length
from lateralline.overlay.zones import Drawn
from lateralline.record.ends import SAID, OpenEnds, open_ends
from lateralline.record.rows import UnlocatedRow
from lateralline.records import Floats, Ints
from lateralline.terms import region_of, word
from lateralline.wording import as_written, chance, counted, with_own_unit

if TYPE_CHECKING:
    from lateralline.draw.overlay_plans import DepthsAlong

#: A picture shows what is no farther than this from the riskiest pair, or from the first line.
AROUND_M: Final = 60.0
#: Of works that go on past it, so much is shown about the pairs.
_MARGIN_M: Final = 8.0


#: What a pair's row in the margin has no room for, by verdict and whether it is past an open end.
_MORE: Final = {
    ("conflict", True): "the pipe runs on past an open end",
    ("not_located", True): "not located, past an open end: it may be here",
    ("not_located", False): "not located: it may be here, at any depth",
}


def draw_comparison(made: Comparison, out: Path, *, replace: bool = False) -> None:
    """Draw lines and works about the riskiest pair, numbered as in the table.

    Raises MissingExtraError without matplotlib, OutputExistsError when `out` is there and may not
    be replaced.
    """
    with extra("draw", "drawing"):
        from lateralline.draw import overlay_plans as drawing

    number = {id(pair): n for n, pair in enumerate(made.pairs, start=1)}
    one = next((r for r in made.regions if made.pairs[:1] and made.pairs[0] in r.pairs), None)
    one = one or made.regions[0]
    lines = one.region.lines
    here = sorted(one.pairs, key=lambda pair: number[id(pair)])
    here = [p for p in here if p.approach_m.distance(here[0].approach_m) <= AROUND_M]
    approaches = [
        drawing.Approach(
            number[id(pair)],
            pair.approach_m,
            pair.verdict != "no_conflict_shown",
            (
                pair.line_id,
                shortened(pair.work.name or pair.work.id, 20),
                length(pair.separation_m, made.unit),
                at_least(pair.separation_lower_95_m, made.unit),
                length(pair.required_m, made.unit),
                chance(pair.probability_below_required),
                pair.levels_by.partition("_")[0],
            ),
            _MORE.get((pair.verdict, pair.open_end), ""),
            drawing.ApproachDepths(*deep) if (deep := _depths(pair)) else None,
        )
        for pair in here
    ]
    shown = sorted({pair.line for pair in here if pair.line >= 0})
    shown = shown or list(range(len(lines.line)))[:1]
    works = {pair.work.id: pair.work for pair in here}
    near = one.areas(works)
    box = box_about(
        [p.approach_m.envelope for p in here]
        or list(lines.path_m[shown])
        or [w.shape for w in one.moved.works],
        [
            *lines.path_m[shown],
            *(w.footprint for w in works.values()),
            *(a.area_m for a in near),
        ],
    )
    notes = [
        "Apart: between surfaces, pipe as located. At least: with 95 % "
        "probability. Chance: that less than needed is left. By: levels, depths below ground, or "
        "plan alone.",
        *(with_own_unit(note, made.unit) for note in made.notes),
    ]
    if len(here) < len(made.pairs):
        notes.insert(1, f"{counted(len(made.pairs) - len(here), 'pair')} elsewhere: see the table.")
    drawing.draw_clearance(
        drawing.ClearancePlan(
            title="Planned works beside "
            + sites_in_words([*lines.site[shown], *(a.row.site_id for a in near)]),
            **pipes_shown(lines, shown),
            unlocated=[
                (f"line {a.row.line_id}", a.area_m)
                for a in one.region.unlocated
                if a.area_m.intersects(shapely.box(*box))
            ],
            works=[(w.name or w.id, w.footprint) for w in works.values()],
            approaches=approaches,
            box=box,
            notes=notes,
            unit=made.unit,
        ),
        out,
        replace=replace,
    )


def _depths(pair: Pair) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return top and bottom of pipe and planned thing below ground; None where one is not known.

    A trench, post or pile is open from the ground down; of what has a level alone only the surface
    nearest to the pipe is known.
    """
    axis, work = pair.pipe_axis_depth_m, pair.work
    nearest = axis - (pair.z_m[1] - pair.z_m[0])
    if not isfinite(nearest) or pair.levels_by == "plan_only":
        return None
    half = pair.outside_diameter_m / 2
    pipe = (axis - half, axis + half)
    if work.kind == "bore":
        middle = work.depth_m if isfinite(work.depth_m) else nearest
        return pipe, (middle - work.radius_m, middle + work.radius_m)
    return pipe, (0.0, work.depth_m if isfinite(work.depth_m) else max(nearest, 0.0))


def draw_zones(
    drawn: Drawn,
    unlocated: Sequence[UnlocatedRow],
    out: Path,
    *,
    legs: StationLegs,
    unit: str = "m",
    replace: bool = False,
) -> None:
    """Draw the zones about the first line of the first region with one, and what has no zone.

    `legs` are those of that region's lines; `unlocated` is all of the record that is not located,
    to be named. Lengths are in `unit`, metres beside feet.

    Raises as `draw_comparison` does.
    """
    with extra("draw", "drawing"):
        from lateralline.draw import overlay_plans as drawing

    zones, areas = drawn.first, drawn.unlocated
    assert zones is not None
    lines, rule = zones.lines, zones.rule
    zone = word("zone to dig by hand", region_of(unit))
    here: Ints = np.flatnonzero(shapely.dwithin(lines.path_m, lines.path_m[0], AROUND_M))
    reach = lines.outside_diameter_m / 2 + rule.distance_m
    facts = [
        f"{name}: pipe {as_written(lines.outside_diameter_m[n], unit)} outside"
        + (" (assumed)" if lines.diameter_assumed[n] else "")
        + f", zone {as_written(2 * reach[n], unit, up=True)} wide as located"
        + ("" if zones.wide_m[n] is not None else "; no corridor, so no zone about it")
        for n, name in zip(here.tolist(), line_names(lines, here.tolist()), strict=True)
    ]
    notes = [
        f"Zones end with the located line. {SAID}",
        "Outside both zones a pipe may still lie: unlocated pipes, service connections and other "
        "utilities are in no record here.",
        "A rule holds where its source says so, and a larger local value prevails.",
    ]
    if len(here) < drawn.lines:
        notes.insert(
            0, f"In the layer, not drawn here: {counted(drawn.lines - len(here), 'more line')}."
        )
    if whole := [row for row in unlocated if row.extent != "beyond_end"]:
        notes.insert(0, f"Not located, without a zone: {named(whole, 6)}. See layer unlocated.")
    beside = [a for a in areas if a.area_m.distance(lines.path_m[0]) <= AROUND_M]
    shapes = [s for s in (*zones.near_m[here], *zones.wide_m[here]) if s is not None]
    whole_areas = [a.area_m for a in beside if a.row.extent != "beyond_end"]
    drawing.draw_zones(
        drawing.ZonesPlan(
            title=f"{zone[0].upper()}{zone[1:]}s of {sites_in_words(lines.site[here].tolist())}",
            unlocated=[(f"line {a.row.line_id}", a.area_m) for a in beside],
            box=box_about(shapes, whole_areas, AROUND_M),
            **pipes_shown(lines, here.tolist()),
            near=list(zones.near_m[here]),
            wide=list(zones.wide_m[here]),
            reach_m=reach[here],
            off_m=shapely.hausdorff_distance(lines.corridor_m[here], lines.path_m[here], 0.02),
            tolerance_m=rule.distance_m,
            depths=_depths_along(lines, legs, unit),
            facts=facts,
            rule=f"{rule.title}: {as_written(rule.distance_m, unit, up=True)} each side "
            "of the pipe's outside",
            source=f"{rule.source}.",
            notes=notes,
            unit=unit,
        ),
        out,
        replace=replace,
    )


def _depths_along(lines: Lines, legs: StationLegs, unit: str) -> DepthsAlong | None:
    """Return how deep the first line lies, between which depths with 95 %; None where unknown."""
    from lateralline.draw.overlay_plans import DepthsAlong

    own = legs.only(np.flatnonzero(legs.line == 0))
    if not np.isfinite(own.depth_m).any():
        return None
    half = float(lines.outside_diameter_m[0]) / 2
    along, axis = own.chainage_m.ravel(), own.depth_m.ravel()
    lower, higher = own.depth_off_m.reshape(-1, 2).T
    name = word("distance along pipe", region_of(unit))
    return DepthsAlong(
        along, axis - half, axis + half, np.maximum(axis - half - higher, 0.0),
        axis + half + lower,
        f"Depth of line {lines.line[0]} by {name}: pipe as located, and between which depths "
        "with 95 %; a zone reaches from the ground down, whatever the depth",
    )  # fmt: skip


def box_about(
    must: list[shapely.Geometry], may: list[shapely.Geometry], margin_m: float = _MARGIN_M
) -> Floats:
    """Return the bounds (4,) of what must be seen, and of the rest as far as it is near."""
    near = shapely.buffer(shapely.union_all(must), margin_m).envelope
    seen = shapely.intersection(np.array(may, dtype=object), near)
    return np.asarray(shapely.total_bounds(np.array([*must, *seen], dtype=object)))


class PipesShown(TypedDict):
    """What every picture shows of lines: fields of `draw.overlay.OverlayPlan`."""

    north: str
    line_ids: Sequence[str]
    paths: Sequence[shapely.LineString]
    open_ends: OpenEnds
    pipes: Sequence[shapely.Polygon]
    corridors: Sequence[shapely.Polygon | None]
    caution: str


def pipes_shown(lines: Lines, rows: list[int]) -> PipesShown:
    """Return what a picture shows of some lines."""
    radius_m = lines.outside_diameter_m[rows] / 2
    return {
        "north": lines.plane.north,
        "line_ids": line_names(lines, rows),
        "paths": list(lines.path_m[rows]),
        "open_ends": open_ends(lines.path_m[rows], lines.joined[rows]),
        "pipes": list(shapely.buffer(lines.path_m[rows], radius_m, cap_style="flat")),
        "corridors": list(lines.corridor_m[rows]),
        "caution": lines.caution,
    }


def line_names(lines: Lines, rows: list[int]) -> list[str]:
    """Return what lines are called, by their site too where there are several."""
    several = len({str(lines.site[n]) for n in rows}) > 1
    return [(f"{lines.site[n]} " if several else "") + f"line {lines.line[n]}" for n in rows]


def sites_in_words(sites: Sequence[str]) -> str:
    """Return the first of some sites, each once, and how many there are more."""
    names = sorted(set(map(str, sites)))
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def shortened(name: str, most: int) -> str:
    """Return a name of at most so many signs."""
    return name if len(name) <= most else name[: most - 1] + "…"
