"""A plan of planned works beside pipes, with the closest approach of each pair. Needs `draw`."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lateralline.errors import MissingExtraError
from lateralline.write._atomic import whole_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SUFFIXES: Final = (".png", ".svg", ".pdf")
_SIZE_IN: Final = (11.7, 8.3)
_DPI: Final = 100
_ROOM_M: Final = 1.2
_BARS_M: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_MOST_ROWS: Final = 14
_CONFLICT: Final = "#9b1c1c"


@dataclass(frozen=True, slots=True)
class Approach:
    """One pair's closest approach in plan, metres."""

    number: int
    line: Any  # LineString from pipe to planned thing
    conflict: bool
    said: str


@dataclass(frozen=True, slots=True, eq=False)
class ClearancePlan:
    """All that is drawn, metres."""

    title: str
    paths: Sequence[Any]
    line_ids: Sequence[str]
    corridors: Sequence[Any]  # Polygon or None
    pipes: Sequence[Any]  # Polygon: outside of the pipe
    works: Sequence[tuple[str, Any]]  # name, footprint
    approaches: Sequence[Approach]
    notes: str
    caution: str


def draw_clearance(plan: ClearancePlan, out: Path, *, replace: bool = False) -> None:
    """Draw a plan to `out`.

    Raises MissingExtraError without matplotlib, ValueError for another suffix than .png, .svg or
    .pdf, OutputExistsError when `out` is there and may not be replaced.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise ValueError(f"a picture must end in {', '.join(SUFFIXES)}; got {out.name!r}")
    try:
        import matplotlib
        from matplotlib.figure import Figure

        from lateralline.write.picture import style
    except ImportError as e:
        raise MissingExtraError('drawing needs: pip install "lateralline[draw]"') from e
    with whole_file(out, replace=replace) as made, matplotlib.rc_context(style.RC):
        figure = Figure(figsize=_SIZE_IN)
        grid = figure.add_gridspec(
            2, 2, width_ratios=(64, 36), height_ratios=(93, 7),
            left=0.02, right=0.98, top=0.97, bottom=0.02, wspace=0.03, hspace=0.05,
        )  # fmt: skip
        _draw_plan(figure.add_subplot(grid[0, 0]), plan)
        _draw_list(figure.add_subplot(grid[0, 1]), plan)
        foot = figure.add_subplot(grid[1, :])
        foot.set_axis_off()
        words = "\n".join(textwrap.wrap(plan.caution, 150))
        foot.text(0.0, 0.5, words, weight="bold", va="center", color=_CONFLICT, size=8.5)
        no_date = {"Date": None} if made.suffix.lower() == ".svg" else None
        figure.savefig(made, dpi=_DPI, metadata=no_date)


def _draw_plan(axes: Axes, plan: ClearancePlan) -> None:
    from lateralline.write.picture import style

    for corridor in plan.corridors:
        if corridor is not None:
            _fill(axes, corridor, fc=style.CORRIDOR, ec=style.PIPE, lw=0.5, alpha=0.6, zorder=1)
    for pipe in plan.pipes:
        _fill(axes, pipe, fc=style.PIPE, ec=style.PIPE, lw=0.5, zorder=3)
    for name, footprint in plan.works:
        look = {"fc": "#e9e4d8", "ec": style.INK, "lw": 0.9, "hatch": "////", "alpha": 0.85}
        _fill(axes, footprint, zorder=2, **look)
        x, y = _label_place(footprint)
        axes.annotate(
            name,
            (x, y),
            xytext=(5, -9),
            textcoords="offset points",
            size=7.5,
            zorder=6,
            style="italic",
        )
    for name, path in zip(plan.line_ids, plan.paths, strict=True):
        x, y = shapely.get_coordinates(path.interpolate(0.83, normalized=True))[0]
        axes.annotate(
            name, (x, y), xytext=(9, -3), textcoords="offset points", size=8.5, weight="bold",
            color=style.PIPE, zorder=6,
        )  # fmt: skip
    for a in plan.approaches:
        xy = shapely.get_coordinates(a.line)
        colour, width, dash = (_CONFLICT, 2.0, "-") if a.conflict else (style.INK, 0.9, (0, (3, 2)))
        axes.plot(*xy.T, color=colour, lw=width, ls=dash, zorder=5)
        face = {"boxstyle": "circle,pad=0.25", "fc": "white", "ec": colour, "lw": 1.2}
        axes.annotate(
            str(a.number), xy[0], xytext=(-12, 9), textcoords="offset points", size=8,
            weight="bold", color=colour, bbox=face, zorder=7, ha="center", va="center",
            arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.7},
        )  # fmt: skip
    _frame(axes, plan)


def _frame(axes: Axes, plan: ClearancePlan) -> None:
    """Set equal scales and a bar that says them; north is up."""
    shapes = [*plan.paths, *(a.line for a in plan.approaches), *(g for _, g in plan.works)]
    x0, y0, x1, y1 = shapely.total_bounds(np.array(shapes, dtype=object)).tolist()
    x0, y0, x1, y1 = x0 - _ROOM_M, y0 - 1.6 * _ROOM_M, x1 + _ROOM_M, y1 + _ROOM_M
    panel = axes.get_window_extent()
    metre = min(panel.width / (x1 - x0), panel.height / (y1 - y0))  # pixels
    wide, high = panel.width / metre, panel.height / metre
    left, bottom = (x0 + x1 - wide) / 2, (y0 + y1 - high) / 2
    axes.set_xlim(left, left + wide)
    axes.set_ylim(bottom, bottom + high)
    axes.set_xticks([])
    axes.set_yticks([])
    bar = max(b for b in _BARS_M if b <= max(wide / 4, _BARS_M[0]))
    at = left + 0.03 * wide, bottom + 0.03 * wide
    axes.plot([at[0], at[0] + bar], [at[1]] * 2, color="black", lw=3, solid_capstyle="butt")
    axes.text(at[0] + bar / 2, at[1] + 0.012 * wide, f"{bar:g} m", ha="center", size=8)
    axes.annotate(
        "N", (0.965, 0.985), xytext=(0.965, 0.915), xycoords="axes fraction", ha="center",
        arrowprops={"arrowstyle": "-|>", "color": "black"}, size=10, weight="bold",
    )  # fmt: skip


def _draw_list(axes: Axes, plan: ClearancePlan) -> None:
    """List the pairs, conflicts in bold, and what is drawn how."""
    axes.set_axis_off()
    axes.text(0.0, 1.0, plan.title, size=12, weight="bold", va="top", transform=axes.transAxes)
    legend = (
        "dark band: outside of the pipe as located; light area: its 95 % corridor; hatched: "
        "planned works; red line: conflict at its closest, from the pipe's axis; dashed: no "
        "conflict shown, which is no clearance to dig"
    )
    y = _say(axes, legend, 0.945, color="#4b5563", size=7.5)
    for a in plan.approaches[:_MOST_ROWS]:
        y = _say(
            axes,
            f"{a.number}  {a.said}",
            y - 0.008,
            color=_CONFLICT if a.conflict else "#20262e",
            weight="bold" if a.conflict else "normal",
            size=7.5,
        )
    if len(plan.approaches) > _MOST_ROWS:
        more = f"and {len(plan.approaches) - _MOST_ROWS} more: see the table"
        y = _say(axes, more, y, color="#20262e", size=7.5)
    _say(axes, plan.notes, y - 0.015, color="#4b5563", size=7)


def _say(axes: Axes, text: str, y: float, **look: Any) -> float:
    """Write a paragraph from `y` down; returns where the next may start."""
    lines = textwrap.wrap(text, 68)
    axes.text(
        0.0, y, "\n".join(lines), va="top", transform=axes.transAxes, linespacing=1.25, **look
    )
    return y - 0.0195 * len(lines)


def _label_place(footprint: Any) -> tuple[float, float]:
    """Return the end of a footprint farthest to the west, where its name stands."""
    xy = shapely.get_coordinates(footprint)
    x, y = xy[xy[:, 0].argmin()]
    return float(x), float(y)


def _fill(axes: Axes, polygon: Any, **look: Any) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    for part in shapely.get_parts(polygon):
        rings = [part.exterior, *part.interiors]
        outline = Outline.make_compound_path(*(Outline(shapely.get_coordinates(r)) for r in rings))
        axes.add_patch(PathPatch(outline, **look))
