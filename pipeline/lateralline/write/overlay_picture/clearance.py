"""Planned works beside pipes, each pair's closest approach numbered as in the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from lateralline.records import Floats
from lateralline.write.overlay_picture import canvas
from lateralline.write.picture import labels, style

_WORKS: Final[dict[str, Any]] = {"fc": "#e9e4d8", "ec": style.INK, "lw": 0.9, "hatch": "////"}
_CONFLICT: Final[dict[str, Any]] = {"color": style.WARN, "lw": 2.6, "ls": "-"}
_NONE_SHOWN: Final[dict[str, Any]] = {"color": style.INK, "lw": 1.0, "ls": (0, (3, 2))}
#: Ends of the table's columns as shares of the margin: number, pipe, planned, and five figures.
_COLUMNS: Final = ((0.0, "left"), (0.05, "left"), (0.13, "left"), (0.49, "right"),
                   (0.64, "right"), (0.75, "right"), (0.885, "right"), (0.905, "left"))  # fmt: skip
_HEAD: Final = ("", "pipe", "planned", "apart", "at least", "needed", "chance", "by")


@dataclass(frozen=True, slots=True)
class Approach:
    """One pair's closest approach in plan, metres, and its row of the table."""

    number: int
    line: Any  # LineString from the pipe's axis to the planned thing
    conflict: bool
    cells: tuple[str, ...]  # pipe, planned, apart, at least, needed, chance, by
    more: str  # what the row cannot say; "" nothing


@dataclass(frozen=True, slots=True, eq=False)
class ClearancePlan:
    """All that is drawn, metres."""

    title: str
    north: str
    paths: Sequence[Any]
    open_ends: tuple[Floats, Floats]  # (n, 2) where the pipe runs on, and the unit way
    line_ids: Sequence[str]
    corridors: Sequence[Any]  # Polygon or None
    unlocated: Sequence[tuple[str, Any]]  # name, Polygon where the pipe may be
    pipes: Sequence[Any]  # Polygon: outside of the pipe
    works: Sequence[tuple[str, Any]]  # name, footprint
    approaches: Sequence[Approach]
    box: Floats  # (4,) west, south, east, north of what must be seen
    notes: Sequence[str]
    caution: str
    unit: str  # lengths are said in it


def draw_clearance(plan: ClearancePlan, out: Path, *, replace: bool = False) -> None:
    """Draw a plan to `out`; OutputExistsError when it is there and may not be replaced."""
    with canvas.picture(out, "clearance-picture", plan.caution, replace=replace) as panels:
        _draw_plan(panels.plan, plan)
        _draw_margin(panels.margin, plan)


def _draw_plan(axes: Axes, plan: ClearancePlan) -> None:
    canvas.set_frame(axes, plan.box, plan.north, plan.unit)
    words = canvas.draw_unlocated(axes, plan.unlocated)
    for corridor in plan.corridors:
        canvas.fill(axes, corridor, zorder=1, **canvas.CORRIDOR)
    for _, footprint in plan.works:
        canvas.fill(axes, footprint, zorder=2, alpha=0.9, **_WORKS)
    for pipe in plan.pipes:
        canvas.fill(axes, pipe, zorder=3, **canvas.PIPE)
    ends = canvas.draw_open_ends(axes, plan.open_ends)
    for a in plan.approaches:
        look = _CONFLICT if a.conflict else _NONE_SHOWN
        axes.plot(
            *shapely.get_coordinates(a.line).T, zorder=6, path_effects=canvas.halo(4.0), **look
        )
    view = shapely.box(*axes.get_xlim()[:1], *axes.get_ylim()[:1], *axes.get_xlim()[1:],
                       *axes.get_ylim()[1:])  # fmt: skip
    size = (view.bounds[2] - view.bounds[0]) / 120
    edges = [g.boundary for _, g in plan.works]
    near = np.concatenate(
        [canvas.along([*plan.paths, *edges, *(a.line for a in plan.approaches)], size),
         ends, canvas.furniture(axes)]
    )  # fmt: skip
    _numbers(axes, plan, near)
    for name, footprint in plan.works:
        seen = shapely.intersection(footprint, view)
        if not seen.is_empty:
            at = _away_from(seen, plan.paths)
            words.append(labels.Label(at.x, at.y, name, size=7.8))
    for name, path in zip(plan.line_ids, plan.paths, strict=True):
        seen = shapely.intersection(path, view)
        if not seen.is_empty:
            at = shapely.line_interpolate_point(shapely.get_parts(seen)[0], 0.86, normalized=True)
            words.append(labels.Label(at.x, at.y, name, style.PIPE, 9, "bold"))
    labels.place(axes, words, near)


def _numbers(axes: Axes, plan: ClearancePlan, near: Floats) -> None:
    """Put each number beside its line, where least else is: filled for conflicts."""
    metre = axes.transData.transform([(0, 0), (1, 0)])
    away_m = 21.0 / float(metre[1, 0] - metre[0, 0])
    turn = np.radians(np.arange(0, 360, 22.5))
    ring = away_m * np.column_stack([np.cos(turn), np.sin(turn)])
    taken = near
    for a in plan.approaches:
        at = shapely.get_coordinates(a.line.interpolate(0.5, normalized=True))[0]
        spots = at + ring
        room = np.linalg.norm(spots[:, None] - taken[None], axis=2).min(axis=1)
        best = spots[int(np.argmax(room))]
        taken = np.vstack([taken, best, *(best + ring / 2)])
        colour = style.WARN if a.conflict else style.INK
        axes.plot(*np.array([at, best]).T, color=colour, lw=0.7, zorder=7)
        axes.text(
            float(best[0]), float(best[1]), str(a.number), size=8.2, weight="bold", ha="center",
            va="center", zorder=8, color="white" if a.conflict else colour,
            bbox={"boxstyle": "circle,pad=0.28", "fc": colour if a.conflict else "white",
                  "ec": colour, "lw": 1.1},
        )  # fmt: skip


def _away_from(shape: Any, paths: Sequence[Any]) -> Any:
    """Return the place of an outline farthest from every pipe, where its name may stand."""
    xy = shapely.get_coordinates(shapely.segmentize(shape, max(shape.length / 60, 0.01)))
    points = shapely.points(xy)
    if not paths:
        return shapely.point_on_surface(shape)
    apart = np.min([shapely.distance(points, path) for path in paths], axis=0)
    return points[int(apart.argmax())]


def _draw_margin(axes: Axes, plan: ClearancePlan) -> None:
    """Explain the signs and list the pairs, conflicts in bold."""
    y = canvas.head(axes, plan.title)
    signs = [
        (Patch(**canvas.PIPE), "outside of the pipe, as located"),
        (Patch(**canvas.CORRIDOR), "95 % corridor of its axis"),
        (Patch(**canvas.UNLOCATED), "not located: pipe may be anywhere in it, at any depth"),
        (Patch(**_WORKS), "planned works"),
        (Line2D([], [], **_CONFLICT), "conflict at its closest, from the pipe's axis"),
        (Line2D([], [], **_NONE_SHOWN), "no conflict shown, which is no clearance to dig"),
        (Line2D([], [], **canvas.OPEN_END), "open end: the pipe runs on, not located"),
    ]
    y = canvas.key(axes, signs, y) - 0.01
    y = _row(axes, y, _HEAD, color="#4b5563")
    axes.plot([0, 1], [y + 0.004] * 2, color=style.FAINT, lw=0.6, transform=axes.transAxes,
              clip_on=False)  # fmt: skip
    y -= 0.008
    for a in plan.approaches[: canvas.MOST_ROWS]:
        look: dict[str, Any] = {"color": style.INK}
        if a.conflict:
            look = {"color": style.WARN, "weight": "bold"}
        y = _row(axes, y, (str(a.number), *a.cells), **look)
        if a.more:
            axes.text(0.055, y, a.more, va="top", size=6.8, transform=axes.transAxes, **look)
            y -= 0.021
    if len(plan.approaches) > canvas.MOST_ROWS:
        more = f"and {len(plan.approaches) - canvas.MOST_ROWS} more: see the table"
        y = canvas.say(axes, more, y)
    y -= 0.012
    canvas.say_notes(axes, plan.notes, y)


def _row(axes: Axes, y: float, cells: Sequence[str], **look: Any) -> float:
    for (x, side), cell in zip(_COLUMNS, cells, strict=True):
        axes.text(
            x, y, cell, ha=side, va="top", transform=axes.transAxes, size=canvas.SMALL, **look
        )
    return y - 0.026
