"""Dig zones about pipes: both zones of each line, the rule and where it was published."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline.draw import overlay, symbols
from lateralline.draw.labels import place
from lateralline.draw.legend import LegendEntry
from lateralline.draw.overlay import Margin, PlanPanel
from lateralline.draw.paper import Box
from lateralline.draw.plan import fill
from lateralline.draw.symbols import AreaLook
from lateralline.record.symbology import area_of
from lateralline.records import Floats
from lateralline.units import METRES_PER

_SECTION_MM: Final = 42.0


@dataclass(frozen=True, slots=True, eq=False)
class ZonesPlan:
    """All that is drawn, metres; shapes of the same index are of one line."""

    title: str
    north: str
    line_ids: Sequence[str]
    paths: Sequence[shapely.LineString]
    open_ends: tuple[Floats, Floats]  # (n, 2) where the pipe runs on, and the unit way
    pipes: Sequence[shapely.Polygon]  # outside of the pipe
    corridors: Sequence[shapely.Polygon | None]
    unlocated: Sequence[tuple[str, shapely.Polygon]]  # name, and where the pipe may be
    near: Sequence[shapely.Polygon]  # zone about the line as located
    wide: Sequence[shapely.Polygon | None]  # zone about the corridor; None without one
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
    with overlay.picture(
        out, "zones-picture", plan.caution, plan.box, plan.north, plan.unit, replace=replace
    ) as (panel, margin):
        _draw_plan(panel, plan)
        _draw_margin(margin, plan)


def _near() -> AreaLook:
    return symbols.area_look(area_of("dig_zone", zone="tolerance"))


def _wide() -> AreaLook:
    return symbols.area_look(area_of("dig_zone", zone="tolerance_and_corridor"))


def _draw_plan(panel: PlanPanel, plan: ZonesPlan) -> None:
    axes = panel.axes
    words = overlay.draw_unlocated(panel, plan.unlocated)
    fill(axes, plan.wide, _wide(), 1)
    fill(axes, plan.near, _near(), 1.2)
    overlay.draw_pipes(axes, plan.pipes, plan.corridors)
    ends = overlay.draw_open_ends(panel, plan.open_ends)
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
    margin.say(f"Across {plan.line_ids[0]}, to scale, corridor at its widest")
    widest = 1.02 * max(half for half, _ in bands)
    at = Box(margin.box.x, margin.y, margin.box.width, _SECTION_MM)
    cut = margin.canvas.axes(at, xlim=(-widest, widest), ylim=(0.0, 1.0))
    cut.set_axis_off()
    for z, (half, look) in enumerate(bands):
        fill(cut, [shapely.box(-half, 0.55, half, 0.97)], look, z)
    per = METRES_PER[plan.unit]
    measures = [
        (0.40, reach - plan.tolerance_m, reach, f"{plan.tolerance_m / per:.3f} {plan.unit} "
         "tolerance"),
        (0.24, -reach, reach, f"{2 * reach / per:.3f} {plan.unit} as located"),
    ]  # fmt: skip
    if isfinite(off):
        wide = reach + off
        measures += [(0.08, -wide, wide, f"{2 * wide / per:.3f} {plan.unit} with corridor")]
    for level, left, right, said in measures:
        cut.annotate(
            "", (right, level), xytext=(left, level),
            arrowprops={"arrowstyle": "<->", "lw": 0.9, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
        cut.text(
            (left + right) / 2, level, said, ha="center", va="center", size=overlay.SMALL_PT,
            bbox={"fc": "white", "ec": "none", "pad": 1.2},
        )  # fmt: skip
    margin.y = at.foot + 3.0


def _draw_margin(margin: Margin, plan: ZonesPlan) -> None:
    margin.title(plan.title)
    margin.say(plan.rule, 8.6, bold=True)
    margin.say(plan.source)
    margin.y += 2.0
    margin.key(
        [
            *overlay.pipe_entries(),
            overlay.unlocated_entry("not located, no zone: pipe may be anywhere in it"),
            LegendEntry("zone about the pipe as located", area=_near()),
            LegendEntry(
                "zone about the corridor too: the error of position taken in", area=_wide()
            ),
            overlay.open_end_entry(),
        ]
    )
    _draw_section(margin, plan)
    for fact in plan.facts[: overlay.MOST_ROWS]:
        margin.say(fact)
    if len(plan.facts) > overlay.MOST_ROWS:
        margin.say(f"and {len(plan.facts) - overlay.MOST_ROWS} more lines drawn")
    margin.y += 2.5
    margin.notes(plan.notes)
