"""Pictures of overlays: hand-dig zones about pipes, and planned works beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline.draw import overlay, symbols
from lateralline.draw.canvas import width_mm
from lateralline.draw.furniture import LegendEntry, sign_entry
from lateralline.draw.labels import Label, place
from lateralline.draw.overlay import Columns, Margin, PlanPanel
from lateralline.draw.paper import Align, Box
from lateralline.draw.plan import draw_open_ends, fill, halo, outline
from lateralline.draw.symbols import AreaLook, LineLook
from lateralline.record.symbology import area_of
from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.wording import as_written

# ---- hand-dig zones ------------------------------------------------------------------------------


_SECTION_MM: Final = 42.0
_ARROW_MM: Final = 4.0  # of a dimension's line that must be seen on either side of its text
_TEXT_GAP_MM: Final = 2.0
_DEPTHS_MM: Final = 46.0
_LEAST_DEPTHS_MM: Final = 34.0


@dataclass(frozen=True, slots=True, eq=False)
class DepthsAlong:
    """How deep a line lies (n,), metres below the ground above it, over its length in metres."""

    along_m: Floats
    top_m: Floats  # of the pipe's outside, as located
    bottom_m: Floats
    highest_m: Floats  # the least depth to its top with 95 %; NaN where nothing bounds it
    lowest_m: Floats  # the greatest of its bottom
    words: str  # what the strip is of, and in which direction


@dataclass(frozen=True, slots=True, eq=False)
class ZonesPlan(overlay.OverlayPlan):
    """Dig zones and the rule they are of, metres."""

    near: Sequence[shapely.Polygon]  # zone about the line as located
    wide: Sequence[shapely.Polygon | None]  # zone about the corridor; None without one
    reach_m: Floats  # (n,) from the axis to the edge of the near zone
    off_m: Floats  # (n,) the farthest the corridor's edge is from the axis; NaN without one
    tolerance_m: float
    depths: DepthsAlong | None  # of the first line; None where no depth of it is known
    facts: Sequence[str]  # one a line
    rule: str
    source: str


def draw_zones(plan: ZonesPlan, out: Path, *, replace: bool = False) -> None:
    """Draw a plan to `out`; OutputExistsError when it is there and may not be replaced."""
    with overlay.picture(plan, out, "zones-picture", replace=replace) as (panel, margin):
        _zones_panel(panel, plan)
        _zones_margin(margin, plan)


def _where_any(plan: overlay.OverlayPlan, text: str) -> list[LegendEntry]:
    """Return the key to where unlocated pipe may be, if any such area is drawn."""
    return [overlay.unlocated_entry(text)] if plan.unlocated else []


def _near() -> AreaLook:
    return symbols.area_look(area_of("tolerance_zone", zone="as_located"))


def _wide() -> AreaLook:
    return symbols.area_look(area_of("tolerance_zone", zone="with_corridor"))


def _zones_panel(panel: PlanPanel, plan: ZonesPlan) -> None:
    axes = panel.axes
    words = overlay.draw_unlocated(panel, plan.unlocated)
    fill(axes, plan.wide, _wide(), 1)
    fill(axes, plan.near, _near(), 1.2)
    overlay.draw_pipes(axes, plan.pipes, plan.corridors)
    fill(axes, plan.near, outline(_near()), 3)
    ends = draw_open_ends(axes, plan.open_ends, panel.scale)
    edges = [s.boundary for s in (*plan.near, *plan.wide) if s is not None]
    near = np.concatenate([overlay.along([*plan.paths, *edges], panel.metres(1.5)), ends])
    words += overlay.line_labels(panel, plan.line_ids, plan.paths)
    place(axes, words, near)


def _draw_section(margin: Margin, plan: ZonesPlan) -> None:
    """Draw a cut across the first line, to scale, and measure it."""
    reach, off = float(plan.reach_m[0]), float(plan.off_m[0])
    corridor = symbols.area_look(area_of("position_corridor"))
    bands = [(reach, _near()), (reach - plan.tolerance_m, overlay.pipe_look())]
    if isfinite(off):
        bands = [(reach + off, _wide()), (off, corridor), (reach, _near()), bands[-1]]
    margin.paragraph(f"Across {plan.line_ids[0]}, to scale, corridor at its widest")
    widest = 1.02 * max(half for half, _ in bands)
    at = Box(margin.box.x, margin.y, margin.box.width, _SECTION_MM)
    cut = margin.canvas.axes(at, xlim=(-widest, widest), ylim=(0.0, 1.0))
    cut.set_axis_off()
    for z, (half, look) in enumerate(bands):
        fill(cut, [shapely.box(-half, 0.55, half, 0.97)], look, z)
    sides = [
        (0.40, reach - plan.tolerance_m, reach, "tolerance"),
        (0.24, -reach, reach, "as located"),
    ]
    if isfinite(off):
        wide = reach + off
        sides += [(0.08, -wide, wide, "with corridor")]
    measures = [
        (level, left, right, f"{as_written(right - left, plan.unit, alone=True, up=True)} {what}")
        for level, left, right, what in sides
    ]
    mm = at.width / (2 * widest)
    for level, left, right, text in measures:
        cut.annotate(
            "", (right, level), xytext=(left, level),
            arrowprops={"arrowstyle": "<->", "lw": 0.9, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
        x, side = _beside(left * mm, right * mm, width_mm(text, overlay.SMALL_PT), widest * mm)
        cut.text(
            x / mm, level, text, ha=side, va="center", size=overlay.SMALL_PT,
            bbox={"fc": "white", "ec": "none", "pad": 1.2},
        )  # fmt: skip
    margin.y = at.foot + 3.0


def _draw_along(margin: Margin, plan: ZonesPlan) -> None:
    """Draw how deep the first line lies along its length; a zone reaches down at any depth."""
    depths, room_mm = plan.depths, margin.box.foot - margin.y
    if depths is None or room_mm < _LEAST_DEPTHS_MM:
        return
    margin.y += 1.5
    margin.paragraph(depths.words)
    box, deepest = margin.box, 1.08 * float(np.nanmax([depths.bottom_m, depths.lowest_m]))
    at = Box(box.x + 12.0, margin.y + 2.0, box.width - 12.0, min(_DEPTHS_MM, room_mm) - 20.0)
    ends = float(depths.along_m[0]), float(depths.along_m[-1])
    axes = margin.canvas.axes(at, xlim=ends, ylim=(deepest, 0.0))
    axes.set_gid("depths")
    axes.set_axis_off()
    corridor = symbols.area_look(area_of("position_corridor"))
    fill(axes, [shapely.box(ends[0], 0.0, ends[1], deepest)], _wide(), 1)
    axes.fill_between(depths.along_m, depths.highest_m, depths.lowest_m, zorder=2, **corridor)
    axes.fill_between(
        depths.along_m, depths.top_m, depths.bottom_m, zorder=3, **overlay.pipe_look()
    )
    _depth_axis(margin, at, deepest, plan.unit)
    edges: tuple[tuple[float, float, Align], ...] = (
        (at.x, ends[0], "left"),
        (at.right, ends[1], "right"),
    )
    for x, value, side in edges:
        station = f"{value / METRES_PER[plan.unit]:.2f} {plan.unit}"
        margin.canvas.words(x, at.foot + 2.4, station, overlay.SMALL_PT, align=side)
    margin.y = at.foot + 6.0


def _depth_axis(margin: Margin, at: Box, deepest: float, unit: str) -> None:
    """Rule the ground and the foot of a strip of depths, and name both."""
    margin.canvas.rule(at.x, at.y, at.right, at.y, lw=1.0)
    margin.canvas.words(at.x - 1.5, at.y, "ground", overlay.SMALL_PT, align="right")
    margin.canvas.rule(at.x, at.foot, at.right, at.foot, lw=0.3, color=symbols.FAINT)
    lowest = as_written(deepest, unit, alone=True)
    margin.canvas.words(at.x - 1.5, at.foot - 1.0, lowest, overlay.SMALL_PT, align="right")


def _beside(left: float, right: float, wide: float, edge: float) -> tuple[float, Align]:
    """Return where the text of a dimension stands, mm, and which part of the text stands there.

    In the dimension where its arrows stay in sight, else beside one of its ends, within ±`edge`.

    >>> _beside(-20.0, 20.0, 12.0, 40.0), _beside(0.0, 9.0, 12.0, 40.0)
    ((0.0, 'center'), (11.0, 'left'))
    >>> _beside(30.0, 39.0, 12.0, 40.0)
    (28.0, 'right')
    """
    if wide + 2 * _ARROW_MM <= right - left:
        return (left + right) / 2, "center"
    if right + _TEXT_GAP_MM + wide <= edge:
        return right + _TEXT_GAP_MM, "left"
    return left - _TEXT_GAP_MM, "right"


def _zones_margin(margin: Margin, plan: ZonesPlan) -> None:
    margin.title(plan.title)
    margin.paragraph(plan.rule, 8.6, bold=True)
    margin.paragraph(plan.source)
    margin.y += 2.0
    margin.key(
        [
            *overlay.pipe_entries(),
            *_where_any(plan, "not located, no zone: pipe may be anywhere in it"),
            LegendEntry("zone about the pipe as located", area=_near()),
            LegendEntry(
                "zone about the corridor too: the error of position taken in", area=_wide()
            ),
            sign_entry("open_end"),
        ]
    )
    _draw_section(margin, plan)
    for fact in plan.facts[: overlay.MOST_ROWS]:
        margin.paragraph(fact)
    if len(plan.facts) > overlay.MOST_ROWS:
        margin.paragraph(f"and {len(plan.facts) - overlay.MOST_ROWS} more lines drawn")
    _draw_along(margin, plan)


# ---- planned works --------------------------------------------------------------------------


_WORKS: Final = AreaLook(fc="#e9e4d8", ec=symbols.INK, lw=0.9, ls="-", hatch="////")
_CONFLICT: Final = LineLook(color=symbols.WARN, lw=2.6, ls="-")
_NONE_SHOWN: Final = LineLook(color=symbols.INK, lw=1.0, ls=(0, (3, 2)))
#: Ends of the table's columns as shares of the margin: number, pipe, planned, and five figures.
_COLUMNS: Final[Columns] = (
    (0.0, "left"), (0.05, "left"), (0.13, "left"), (0.49, "right"), (0.64, "right"),
    (0.75, "right"), (0.885, "right"), (0.905, "left"),
)  # fmt: skip
_HEAD: Final = ("", "pipe", "planned", "apart", "at least", "needed", "chance", "by")
_LENGTHS: Final = ("apart", "at least", "needed")  # in the unit of the picture
_DEEPER: Final = 1.8  # than the pipes: deeper works run off the drawing


@dataclass(frozen=True, slots=True)
class ApproachDepths:
    """How deep pipe and planned thing lie at their closest, metres below the ground there."""

    pipe: tuple[float, float]  # top and bottom, as located
    work: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Approach:
    """One pair's closest approach in plan, metres, and its row of the table."""

    number: int
    line: shapely.LineString  # from the pipe's axis to the planned thing
    conflict: bool
    cells: tuple[str, ...]  # pipe, planned, apart, at least, needed, chance, by
    more: str  # what has no column; "" nothing
    depths: ApproachDepths | None  # None where no depth of either is known


@dataclass(frozen=True, slots=True, eq=False)
class ClearancePlan(overlay.OverlayPlan):
    """Planned works and what they come close to, metres."""

    works: Sequence[tuple[str, shapely.Geometry]]  # name, footprint
    approaches: Sequence[Approach]


def draw_clearance(plan: ClearancePlan, out: Path, *, replace: bool = False) -> None:
    """Draw a plan to `out`; OutputExistsError when it is there and may not be replaced."""
    with overlay.picture(plan, out, "clearance-picture", replace=replace) as (panel, margin):
        _clearance_panel(panel, plan)
        _clearance_margin(margin, plan)


def _clearance_panel(panel: PlanPanel, plan: ClearancePlan) -> None:
    axes = panel.axes
    words = overlay.draw_unlocated(panel, plan.unlocated)
    fill(axes, [footprint for _, footprint in plan.works], _WORKS, 3)
    overlay.draw_pipes(axes, plan.pipes, plan.corridors)
    ends = draw_open_ends(axes, plan.open_ends, panel.scale)
    for a in plan.approaches:
        look = _CONFLICT if a.conflict else _NONE_SHOWN
        axes.plot(*shapely.get_coordinates(a.line).T, zorder=6, path_effects=[halo(4.0)], **look)
    edges = [g.boundary for _, g in plan.works]
    lines = [*plan.paths, *edges, *(a.line for a in plan.approaches)]
    near = np.concatenate([overlay.along(lines, panel.metres(1.5)), ends])
    overlay.draw_numbers(panel, [(a.number, a.line, a.conflict) for a in plan.approaches], near)
    for name, footprint in plan.works:
        seen = shapely.intersection(footprint, panel.view)
        if not seen.is_empty:
            at = _away_from(seen, plan.paths)
            words.append(Label(at.x, at.y, name, size=7.8))
    words += overlay.line_labels(panel, plan.line_ids, plan.paths)
    place(axes, words, near)


def _away_from(shape: shapely.Geometry, paths: Sequence[shapely.LineString]) -> shapely.Point:
    """Return the place of an outline farthest from every pipe, where its name may stand."""
    xy = shapely.get_coordinates(shapely.segmentize(shape, max(shape.length / 60, 0.01)))
    points = shapely.points(xy)
    if not paths:
        return shapely.point_on_surface(shape)
    apart = np.min([shapely.distance(points, path) for path in paths], axis=0)
    return points[int(apart.argmax())]


def _clearance_margin(margin: Margin, plan: ClearancePlan) -> None:
    """Explain the signs and list the pairs, conflicts in bold."""
    margin.title(plan.title)
    margin.key(
        [
            *overlay.pipe_entries(),
            *_where_any(plan, "not located: pipe may be anywhere in it, at any depth"),
            LegendEntry("planned works", area=_WORKS),
            LegendEntry("conflict at its closest, from the pipe's axis", lines=(_CONFLICT,)),
            LegendEntry("no conflict shown, which is no clearance to dig", lines=(_NONE_SHOWN,)),
            sign_entry("open_end"),
        ]
    )
    units = tuple(plan.unit if name in _LENGTHS else "" for name in _HEAD)
    margin.head(_HEAD, _COLUMNS, units)
    box = margin.box
    for a in plan.approaches[: overlay.MOST_ROWS]:
        colour = symbols.WARN if a.conflict else symbols.INK
        margin.row((str(a.number), *a.cells), _COLUMNS, colour, bold=a.conflict)
        if a.more:
            y = margin.y + 0.8
            margin.canvas.words(box.x + 0.05 * box.width, y, a.more, 6.6, bold=a.conflict,
                                colour=colour, room=0.95 * box.width)  # fmt: skip
            margin.y += 3.6
    if len(plan.approaches) > overlay.MOST_ROWS:
        margin.paragraph(f"and {len(plan.approaches) - overlay.MOST_ROWS} more: see the table")
    margin.y += 2.5
    _draw_depths(margin, plan)


def _draw_depths(margin: Margin, plan: ClearancePlan) -> None:
    """Draw how deep pipe and works lie at each closest place, to one scale, side by side."""
    known = [(a, a.depths) for a in plan.approaches[: overlay.MOST_ROWS] if a.depths is not None]
    box = margin.box
    if not known or margin.y + _DEPTHS_MM > box.foot:
        return
    margin.paragraph(
        "Depth of pipe (left) and works (right) at the closest place of each, pipe as located; "
        "the verdict takes its ± in"
    )
    of_pipes = max(d.pipe[1] for _, d in known)
    deepest = min(1.08 * max(max(d.pipe[1], d.work[1]) for _, d in known), _DEEPER * of_pipes)
    at = Box(box.x + 12.0, margin.y + 3.0, box.width - 12.0, _DEPTHS_MM - 16.0)
    axes = margin.canvas.axes(at, xlim=(0.0, float(len(known))), ylim=(deepest, 0.0))
    axes.set_gid("depths")
    axes.set_axis_off()
    for n, (a, d) in enumerate(known):
        fill(axes, [shapely.box(n + 0.50, d.work[0], n + 0.88, d.work[1])], _WORKS, 3)
        fill(axes, [shapely.box(n + 0.12, d.pipe[0], n + 0.50, d.pipe[1])], overlay.pipe_look(), 4)
        x = at.x + (n + 0.5) * at.width / len(known)
        colour = symbols.WARN if a.conflict else symbols.INK
        margin.canvas.words(x, at.foot + 3.0, str(a.number), overlay.SMALL_PT, align="center",
                            bold=a.conflict, colour=colour)  # fmt: skip
    _depth_axis(margin, at, deepest, plan.unit)
    margin.y = at.foot + 7.0
