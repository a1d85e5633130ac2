"""Planned works beside pipes, each pair's closest approach numbered as in the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline.draw import overlay, symbols
from lateralline.draw.canvas import Align
from lateralline.draw.labels import Label, place
from lateralline.draw.legend import LegendEntry
from lateralline.draw.overlay import Margin, PlanPanel
from lateralline.draw.plan import fill
from lateralline.draw.symbols import AreaLook, LineLook
from lateralline.records import Floats

_WORKS: Final = AreaLook(fc="#e9e4d8", ec=symbols.INK, lw=0.9, ls="-")
_WORKS_HATCH: Final = "////"
_CONFLICT: Final = LineLook(color=symbols.WARN, lw=2.6, ls="-")
_NONE_SHOWN: Final = LineLook(color=symbols.INK, lw=1.0, ls=(0, (3, 2)))
#: Ends of the table's columns as shares of the margin: number, pipe, planned, and five figures.
_COLUMNS: Final[tuple[tuple[float, Align], ...]] = (
    (0.0, "left"), (0.05, "left"), (0.13, "left"), (0.49, "right"), (0.64, "right"),
    (0.75, "right"), (0.885, "right"), (0.905, "left"),
)  # fmt: skip
_HEAD: Final = ("", "pipe", "planned", "apart", "at least", "needed", "chance", "by")
_ROW_MM: Final = 4.6


@dataclass(frozen=True, slots=True)
class Approach:
    """One pair's closest approach in plan, metres, and its row of the table."""

    number: int
    line: shapely.LineString  # from the pipe's axis to the planned thing
    conflict: bool
    cells: tuple[str, ...]  # pipe, planned, apart, at least, needed, chance, by
    more: str  # what the row cannot say; "" nothing


@dataclass(frozen=True, slots=True, eq=False)
class ClearancePlan:
    """All that is drawn, metres."""

    title: str
    north: str
    paths: Sequence[shapely.LineString]
    open_ends: tuple[Floats, Floats]  # (n, 2) where the pipe runs on, and the unit way
    line_ids: Sequence[str]
    corridors: Sequence[shapely.Polygon | None]
    unlocated: Sequence[tuple[str, shapely.Polygon]]  # name, and where the pipe may be
    pipes: Sequence[shapely.Polygon]  # outside of the pipe
    works: Sequence[tuple[str, shapely.Geometry]]  # name, footprint
    approaches: Sequence[Approach]
    box: Floats  # (4,) west, south, east, north of what must be seen
    notes: Sequence[str]
    caution: str
    unit: str  # lengths are said in it


def draw_clearance(plan: ClearancePlan, out: Path, *, replace: bool = False) -> None:
    """Draw a plan to `out`; OutputExistsError when it is there and may not be replaced."""
    with overlay.picture(
        out, "clearance-picture", plan.caution, plan.box, plan.north, plan.unit, replace=replace
    ) as (panel, margin):
        _draw_plan(panel, plan)
        _draw_margin(margin, plan)


def _draw_plan(panel: PlanPanel, plan: ClearancePlan) -> None:
    axes = panel.axes
    words = overlay.draw_unlocated(panel, plan.unlocated)
    fill(axes, [footprint for _, footprint in plan.works], _WORKS, 3, _WORKS_HATCH)
    overlay.draw_pipes(axes, plan.pipes, plan.corridors)
    ends = overlay.draw_open_ends(panel, plan.open_ends)
    for a in plan.approaches:
        look = _CONFLICT if a.conflict else _NONE_SHOWN
        axes.plot(
            *shapely.get_coordinates(a.line).T, zorder=6, path_effects=overlay.halo(4.0), **look
        )
    edges = [g.boundary for _, g in plan.works]
    lines = [*plan.paths, *edges, *(a.line for a in plan.approaches)]
    near = np.concatenate([overlay.along(lines, panel.metres(1.5)), ends])
    _numbers(panel, plan, near)
    for name, footprint in plan.works:
        seen = shapely.intersection(footprint, panel.view)
        if not seen.is_empty:
            at = _away_from(seen, plan.paths)
            words.append(Label(at.x, at.y, name, size=7.8))
    words += overlay.line_labels(panel, plan.line_ids, plan.paths)
    place(axes, words, near)


def _numbers(panel: PlanPanel, plan: ClearancePlan, near: Floats) -> None:
    """Put each number beside its line, where least else is: filled for conflicts."""
    away_m = panel.metres(4.8)
    turn = np.radians(np.arange(0, 360, 22.5))
    ring = away_m * np.column_stack([np.cos(turn), np.sin(turn)])
    taken = near
    for a in plan.approaches:
        at = shapely.get_coordinates(a.line.interpolate(0.5, normalized=True))[0]
        spots = at + ring
        room = np.linalg.norm(spots[:, None] - taken[None], axis=2).min(axis=1)
        best = spots[int(np.argmax(room))]
        taken = np.vstack([taken, best, *(best + ring / 2)])
        colour = symbols.WARN if a.conflict else symbols.INK
        panel.axes.plot(*np.array([at, best]).T, color=colour, lw=0.7, zorder=7)
        panel.axes.text(
            float(best[0]), float(best[1]), str(a.number), size=8.2, weight="bold", ha="center",
            va="center", zorder=8, color="white" if a.conflict else colour,
            bbox={"boxstyle": "circle,pad=0.28", "fc": colour if a.conflict else "white",
                  "ec": colour, "lw": 1.1},
        )  # fmt: skip


def _away_from(shape: shapely.Geometry, paths: Sequence[shapely.LineString]) -> shapely.Point:
    """Return the place of an outline farthest from every pipe, where its name may stand."""
    xy = shapely.get_coordinates(shapely.segmentize(shape, max(shape.length / 60, 0.01)))
    points = shapely.points(xy)
    if not paths:
        return shapely.point_on_surface(shape)
    apart = np.min([shapely.distance(points, path) for path in paths], axis=0)
    return points[int(apart.argmax())]


def _draw_margin(margin: Margin, plan: ClearancePlan) -> None:
    """Explain the signs and list the pairs, conflicts in bold."""
    margin.title(plan.title)
    margin.key(
        [
            *overlay.pipe_entries(),
            overlay.unlocated_entry("not located: pipe may be anywhere in it, at any depth"),
            LegendEntry("planned works", area=_WORKS, hatch=_WORKS_HATCH),
            LegendEntry("conflict at its closest, from the pipe's axis", lines=(_CONFLICT,)),
            LegendEntry("no conflict shown, which is no clearance to dig", lines=(_NONE_SHOWN,)),
            overlay.open_end_entry(),
        ]
    )
    _row(margin, _HEAD, symbols.GREY)
    box = margin.box
    margin.canvas.rule(box.x, margin.y, box.right, margin.y, color=symbols.FAINT, lw=0.6)
    margin.y += 1.2
    for a in plan.approaches[: overlay.MOST_ROWS]:
        colour = symbols.WARN if a.conflict else symbols.INK
        _row(margin, (str(a.number), *a.cells), colour, bold=a.conflict)
        if a.more:
            y = margin.y + 0.8
            margin.canvas.words(box.x + 0.05 * box.width, y, a.more, 6.6, bold=a.conflict,
                                colour=colour, room=0.95 * box.width)  # fmt: skip
            margin.y += 3.6
    if len(plan.approaches) > overlay.MOST_ROWS:
        margin.say(f"and {len(plan.approaches) - overlay.MOST_ROWS} more: see the table")
    margin.y += 2.5
    margin.notes(plan.notes)


def _row(margin: Margin, cells: Sequence[str], colour: str, *, bold: bool = False) -> None:
    for (share, side), cell in zip(_COLUMNS, cells, strict=True):
        margin.canvas.words(
            margin.box.x + share * margin.box.width, margin.y + _ROW_MM / 2, cell,
            overlay.SMALL_PT, align=side, colour=colour, bold=bold,
        )  # fmt: skip
    margin.y += _ROW_MM
