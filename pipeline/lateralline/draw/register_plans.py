"""Pictures of a record against the lines of a register, and of its laterals against the mains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline.draw import overlay, symbols
from lateralline.draw.furniture import LegendEntry, sign_entry
from lateralline.draw.labels import Label, place
from lateralline.draw.overlay import Columns, Margin, PlanPanel
from lateralline.draw.plan import draw_open_ends, halo
from lateralline.draw.symbols import LineLook

_OTHER: Final = LineLook(color="#6b4f9a", lw=1.3, ls=(0, (7, 2)))
_ALONE: Final = LineLook(color=symbols.WARN, lw=1.6, ls=(0, (4, 2)))
_WAY: Final = LineLook(color=symbols.WARN, lw=2.2, ls="-")


@dataclass(frozen=True, slots=True)
class RegisterRow:
    """One row of the table: where it is about, and whether it must be looked at."""

    number: int
    at: shapely.Geometry  # a line or point in metres
    filled: bool
    cells: tuple[str, ...]  # all but the number


@dataclass(frozen=True, slots=True, eq=False)
class RegisterPlan(overlay.OverlayPlan):
    """Lines of a register about those of a record, metres."""

    others: Sequence[tuple[str, shapely.LineString, bool]]  # name, and whether only it is there
    others_are: str  # "line of the register"
    alone_are: str  # of those that only the register has; "" there are none such
    ways: Sequence[shapely.Geometry]  # from one to the other
    ways_are: str
    head: tuple[str, ...]
    columns: Columns
    rows: Sequence[RegisterRow]


def draw_register(plan: RegisterPlan, out: Path, kind: str, *, replace: bool = False) -> None:
    """Draw a plan to `out`; OutputExistsError when it is there and may not be replaced."""
    with overlay.picture(plan, out, kind, replace=replace) as (panel, margin):
        _margin(margin, plan, ends_drawn=_panel(panel, plan))


def _panel(panel: PlanPanel, plan: RegisterPlan) -> bool:
    """Draw the plan; return whether an open end is in it."""
    axes = panel.axes
    words = overlay.draw_unlocated(panel, plan.unlocated)
    overlay.draw_pipes(axes, plan.pipes, plan.corridors)
    for name, line, alone in plan.others:
        axes.plot(*shapely.get_coordinates(line).T, zorder=5, **(_ALONE if alone else _OTHER))
        seen = shapely.intersection(line, panel.view)
        if not seen.is_empty:
            at = shapely.line_interpolate_point(shapely.get_parts(seen)[0], 0.3, normalized=True)
            colour = (_ALONE if alone else _OTHER)["color"]
            words.append(Label(at.x, at.y, name, str(colour), 7.8))
    for way in plan.ways:
        axes.plot(*shapely.get_coordinates(way).T, zorder=6, path_effects=[halo(4.0)], **_WAY)
    ends = draw_open_ends(axes, plan.open_ends, panel.scale)
    lines = [*plan.paths, *(line for _, line, _ in plan.others), *plan.ways]
    near = np.concatenate([overlay.along(lines, panel.metres(1.5)), ends])
    shown = plan.rows[: overlay.MOST_ROWS]
    near = overlay.draw_numbers(panel, [(r.number, r.at, r.filled) for r in shown], near)
    words += overlay.line_labels(panel, plan.line_ids, plan.paths)
    place(axes, words, near)
    return len(ends) > 0


def legend_of(plan: RegisterPlan, *, ends_drawn: bool) -> list[LegendEntry]:
    """Return what the picture shows beside located pipe, and nothing that is not drawn."""
    alone = [only for _, _, only in plan.others]
    not_located = "not located: pipe may be anywhere in it"
    return [
        *([overlay.unlocated_entry(not_located)] if plan.unlocated else []),
        *([LegendEntry(plan.others_are, lines=(_OTHER,))] if not all(alone) else []),
        *([LegendEntry(plan.alone_are, lines=(_ALONE,))] if any(alone) else []),
        *([LegendEntry(plan.ways_are, lines=(_WAY,))] if plan.ways else []),
        *([sign_entry("open_end")] if ends_drawn else []),
    ]


def _margin(margin: Margin, plan: RegisterPlan, *, ends_drawn: bool) -> None:
    margin.title(plan.title)
    margin.key([*overlay.pipe_entries(), *legend_of(plan, ends_drawn=ends_drawn)])
    margin.head(plan.head, plan.columns)
    for row in plan.rows[: overlay.MOST_ROWS]:
        colour = symbols.WARN if row.filled else symbols.INK
        margin.row((str(row.number), *row.cells), plan.columns, colour, bold=row.filled)
    if len(plan.rows) > overlay.MOST_ROWS:
        margin.paragraph(f"and {len(plan.rows) - overlay.MOST_ROWS} more: see the table")
