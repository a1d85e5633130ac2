"""Dig zones about pipes: both zones of each line, the rule and where it was published."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from lateralline.records import Floats
from lateralline.units import METRES_PER
from lateralline.write.overlay_picture import canvas
from lateralline.write.picture import labels, style

_NEAR: Final[dict[str, Any]] = {"fc": style.ZONE, "ec": style.ZONE_EDGE, "lw": 1.4}
_WIDE: Final[dict[str, Any]] = {
    "fc": "#fdf8ec", "ec": style.ZONE_EDGE, "lw": 1.2, "ls": (0, (4, 2)), "hatch": "...",
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class ZonesPlan:
    """All that is drawn, metres; shapes of the same index are of one line."""

    title: str
    north: str
    line_ids: Sequence[str]
    paths: Sequence[Any]
    open_ends: tuple[Floats, Floats]  # (n, 2) where the pipe runs on, and the unit way
    pipes: Sequence[Any]  # Polygon: outside of the pipe
    corridors: Sequence[Any]  # Polygon or None
    unlocated: Sequence[tuple[str, Any]]  # name, Polygon where the pipe may be
    near: Sequence[Any]  # zone about the line as located
    wide: Sequence[Any]  # zone about the corridor; None without one
    reach_m: Floats  # (n,) from the axis to the edge of the near zone
    off_m: Floats  # (n,) the farthest the corridor's edge is from the axis; NaN without one
    tolerance_m: float
    box: Floats  # (4,) west, south, east, north of what must be seen
    facts: Sequence[str]  # one a line
    rule: str
    source: str
    notes: Sequence[str]
    caution: str
    unit: str  # lengths are said in it


def draw_zones(plan: ZonesPlan, out: Path, *, replace: bool = False) -> None:
    """Draw a plan to `out`; OutputExistsError when it is there and may not be replaced."""
    with canvas.picture(out, "zones-picture", plan.caution, replace=replace) as panels:
        _draw_plan(panels.plan, plan)
        _draw_margin(panels.margin, plan)


def _draw_plan(axes: Axes, plan: ZonesPlan) -> None:
    shapes = [s for s in (*plan.near, *plan.wide) if s is not None]
    canvas.set_frame(axes, plan.box, plan.north, plan.unit)
    words = canvas.draw_unlocated(axes, plan.unlocated)
    groups = (
        (plan.wide, _WIDE),
        (plan.near, _NEAR),
        (plan.corridors, canvas.CORRIDOR),
        (plan.pipes, canvas.PIPE),
    )
    for z, (group, look) in enumerate(groups, start=1):
        for shape in group:
            canvas.fill(axes, shape, zorder=z, **look)
    ends = canvas.draw_open_ends(axes, plan.open_ends)
    wide = axes.get_xlim()[1] - axes.get_xlim()[0]
    edges = [s.boundary for s in shapes]
    lines = canvas.along([*plan.paths, *edges], wide / 120)
    near = np.concatenate([lines, ends, canvas.furniture(axes)])
    for name, path in zip(plan.line_ids, plan.paths, strict=True):
        at = path.interpolate(0.86, normalized=True)
        words.append(labels.Label(at.x, at.y, name, style.PIPE, 9, "bold"))
    labels.place(axes, words, near)


def _draw_section(axes: Axes, plan: ZonesPlan, y: float) -> float:
    """Draw a cut across the first line, to scale, and measure it; returns where the next starts."""
    reach, off = float(plan.reach_m[0]), float(plan.off_m[0])
    bands = [(reach, _NEAR), (reach - plan.tolerance_m, canvas.PIPE)]
    if isfinite(off):
        bands = [(reach + off, _WIDE), (reach, _NEAR), (off, canvas.CORRIDOR), bands[-1]]
    y = canvas.say(axes, f"Across {plan.line_ids[0]}, to scale, corridor at its widest", y)
    high = 0.23
    cut = axes.inset_axes((0.0, y - high, 1.0, high))
    cut.set_axis_off()
    cut.set_xlim(-1.02 * bands[0][0], 1.02 * bands[0][0])
    cut.set_ylim(0.0, 1.0)
    for half, look in bands:
        canvas.fill(cut, shapely.box(-half, 0.55, half, 0.97), **look)
    per = METRES_PER[plan.unit]
    measures = [
        (
            0.40,
            reach - plan.tolerance_m,
            reach,
            f"{plan.tolerance_m / per:.3f} {plan.unit} tolerance",
        )
    ]
    measures += [(0.24, -reach, reach, f"{2 * reach / per:.3f} {plan.unit} as located")]
    if isfinite(off):
        wide = reach + off
        measures += [(0.08, -wide, wide, f"{2 * wide / per:.3f} {plan.unit} with corridor")]
    for level, left, right, said in measures:
        cut.annotate(
            "", (right, level), xytext=(left, level),
            arrowprops={"arrowstyle": "<->", "lw": 0.9, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
        cut.text(
            (left + right) / 2, level, said, ha="center", va="center",
            size=canvas.SMALL,
            bbox={"fc": "white", "ec": "none", "pad": 1.2},
        )  # fmt: skip
    return y - high - 0.03


def _draw_margin(axes: Axes, plan: ZonesPlan) -> None:
    y = canvas.head(axes, plan.title)
    y = canvas.say(axes, plan.rule, y, size=9.5, weight="bold", characters=48) - 0.012
    y = canvas.say(axes, plan.source, y - 0.003, characters=76) - 0.015
    signs = [
        (Patch(**canvas.PIPE), "outside of the pipe, as located"),
        (Patch(**canvas.CORRIDOR), "95 % corridor of its axis"),
        (Patch(**canvas.UNLOCATED), "not located, no zone: pipe may be anywhere in it"),
        (Patch(**_NEAR), "zone about the pipe as located"),
        (Patch(**_WIDE), "zone about the corridor too: the error of position taken in"),
        (Line2D([], [], **canvas.OPEN_END), "open end: the pipe runs on, not located"),
    ]
    y = _draw_section(axes, plan, canvas.key(axes, signs, y))
    for fact in plan.facts[: canvas.MOST_ROWS]:
        y = canvas.say(axes, fact, y) - 0.006
    if len(plan.facts) > canvas.MOST_ROWS:
        y = canvas.say(axes, f"and {len(plan.facts) - canvas.MOST_ROWS} more lines drawn", y)
    y -= 0.012
    canvas.say_notes(axes, plan.notes, y)
