"""Matches and connections as plan pictures: the surroundings of what to look at first."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from dataclasses import replace as replace_in
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline.errors import extra
from lateralline.matching.connect import LEAST_GAP_M, Connections
from lateralline.matching.located import LocatedLines
from lateralline.matching.match import RegisterMatch
from lateralline.overlay.as_built import AsBuilt, Region
from lateralline.overlay.picture import (
    AROUND_M,
    PipesShown,
    box_about,
    pipes_shown,
    shortened,
    sites_in_words,
)
from lateralline.overlay.run import at_most, length
from lateralline.record.layers import Shapes
from lateralline.records import Flags, Floats, Ints
from lateralline.wording import with_own_unit

_MATCH_HEAD: Final = ("", "line", "register", "verdict", "apart", "±", "at")
_CONNECT_HEAD: Final = ("", "line", "main", "meets", "gap", "chainage", "±", "from", "angle")


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """The region of the line that is shown first, and the lines about it."""

    region: Region
    rows: Ints
    joined: Flags  # of those lines, which the pipe does not run on from downstream
    moved: Callable[[Shapes], Shapes]  # from the plane of what was found to the region's


class _MatchShown(PipesShown):
    """What both pictures show of the record: fields of `draw.overlay.OverlayPlan`."""

    unlocated: Sequence[tuple[str, shapely.Polygon]]
    box: Floats


def draw_matches(
    made: RegisterMatch, as_built: AsBuilt, out: Path, *, replace: bool = False
) -> None:
    """Draw lines and register about what to look at first, numbered as in the table.

    Raises MissingExtraError without matplotlib, OutputExistsError when `out` is there and may not
    be replaced.
    """
    with extra("draw", "drawing"):
        from lateralline.draw import register_plans as drawing

    scene = _scene(made.lines, as_built, [m.path_m for m in made.matches])
    lines, unit = scene.region.lines, as_built.unit
    paths = scene.moved(np.array([m.path_m for m in made.matches], dtype=object))
    here = _near(paths, scene)
    ways = scene.moved(np.array([m.move_m for m in made.matches], dtype=object))
    rows = [
        drawing.RegisterRow(
            n + 1,
            ways[n] if ways[n] is not None else paths[n],
            m.verdict not in ("same", "new"),
            (m.line_id or "none", shortened(m.register_id, 14) or "none",
             m.verdict.replace("_", " "),
             length(m.offset_m, unit) if isfinite(m.offset_m) else "",
             at_most(m.offset_95_m, unit) if isfinite(m.offset_m) else "",
             length(m.chainage_m, unit) if isfinite(m.offset_m) else ""),
        )
        for n, m in enumerate(made.matches) if n in here
    ]  # fmt: skip
    alone = {m.register_row for m in made.matches if m.verdict == "gone"}
    drawing.draw_register(
        drawing.RegisterPlan(
            **_shown(scene),
            title="Register beside " + sites_in_words(lines.site[scene.rows].tolist()),
            notes=[f"In {unit}. Apart: where that is most in σ; ± 95 %, both together.",
                   *(with_own_unit(note, unit) for note in made.notes)],
            unit=unit,
            others=_others(made.register_path_m, made.register_ids, made.register_rows, alone,
                           scene),
            others_are="line of the register",
            alone_are="in the register alone: a pipe may be there all the same",
            ways=[ways[n] for n in here if ways[n] is not None
                  and made.matches[n].verdict in ("moved", "conflicting")],
            ways_are="from the register to the record, where farthest apart",
            head=_MATCH_HEAD,
            columns=((0.0, "left"), (0.05, "left"), (0.18, "left"), (0.42, "left"),
                     (0.76, "right"), (0.88, "right"), (1.0, "right")),
            rows=rows,
        ),
        out, "matches-picture", replace=replace,
    )  # fmt: skip


def draw_connections(
    made: Connections, as_built: AsBuilt, out: Path, *, replace: bool = False
) -> None:
    """Draw lines and mains about what to look at first; raises as `draw_matches` does."""
    with extra("draw", "drawing"):
        from lateralline.draw import register_plans as drawing

    row_of = made.lines.row_of()
    paths_m = [made.lines.path_m[row_of[c.site_id, c.line_id]] for c in made.found]
    met = {(c.site_id, c.line_id) for c in made.found if c.meeting == "meets"}
    scene = _scene(made.lines, as_built, paths_m, met)
    lines, unit = scene.region.lines, as_built.unit
    paths = scene.moved(np.array(paths_m, dtype=object))
    places = scene.moved(np.array([c.place_m for c in made.found], dtype=object))
    here = _near(paths, scene)
    ways = [
        shapely.shortest_line(places[n], shapely.get_point(paths[n], 0))
        for n in sorted(here)
        if places[n] is not None
        and (made.found[n].meeting != "meets" or made.found[n].gap_m > LEAST_GAP_M)
    ]
    rows = [
        drawing.RegisterRow(
            n + 1,
            paths[n] if places[n] is None else places[n],
            c.found is not None,
            (c.line_id, shortened(c.main_id, 14) or "none", c.meeting.replace("_", " "),
             length(c.gap_m, unit) if isfinite(c.gap_m) else "",
             length(c.chainage_m, unit), at_most(c.chainage_95_m, unit),
             c.side, f"{c.angle_deg:.0f}°" if isfinite(c.angle_deg) else ""),
        )
        for n, c in enumerate(made.found) if n in here
    ]  # fmt: skip
    drawing.draw_register(
        drawing.RegisterPlan(
            **_shown(scene),
            title="Mains beside " + sites_in_words(lines.site[scene.rows].tolist()),
            notes=[f"In {unit}. Chainage on the main, from its upstream access, ± 95 %.",
                   *(with_own_unit(note, unit) for note in made.notes)],
            unit=unit,
            others=_others(made.main_path_m, made.main_ids, made.main_ids, set(), scene),
            others_are="main, as its file has it",
            alone_are="",
            ways=ways,
            ways_are="from the end of the located line to the main: not located",
            head=_CONNECT_HEAD,
            columns=((0.0, "left"), (0.05, "left"), (0.15, "left"), (0.34, "left"),
                     (0.6, "right"), (0.74, "right"), (0.82, "right"), (0.83, "left"),
                     (1.0, "right")),
            rows=rows,
        ),
        out, "connections-picture", replace=replace,
    )  # fmt: skip


def _scene(
    lines: LocatedLines,
    as_built: AsBuilt,
    first: Sequence[object],
    met: Collection[tuple[str, str]] = (),
) -> _Scene:
    """Return the region and lines about the first path of some that is there.

    `met` are lines, by site and line, that end on a main.
    """
    path = next((p for p in first if p is not None), lines.path_m[0])
    near = np.argsort(shapely.distance(lines.path_m, path), kind="stable")
    key = str(lines.site[near[0]]), str(lines.line[near[0]])
    region = next(r for r in as_built.regions() if key in r.lines.keys)

    def moved(shapes: Shapes) -> Shapes:
        return region.plane.shapes_to_ground(lines.plane.shapes_to_file(shapes))

    shown = region.lines.path_m
    at = shown[region.lines.keys.index(key)]
    meets = np.array([key in met for key in region.lines.keys], dtype=bool)
    rows = np.flatnonzero(shapely.dwithin(shown, at, AROUND_M))
    return _Scene(region, rows, region.lines.joined | meets, moved)


def _near(paths: Shapes, scene: _Scene) -> set[int]:
    """Return which paths are about the lines that are shown."""
    shown = shapely.multilinestrings(scene.region.lines.path_m[scene.rows].tolist())
    return set(np.flatnonzero(shapely.dwithin(paths, shown, AROUND_M / 4)).tolist())


def _others(
    paths_m: Shapes, names: Sequence[str], rows: Sequence[str], alone: set[str], scene: _Scene
) -> list[tuple[str, shapely.LineString, bool]]:
    """Return the other lines about those that are shown: name, line, whether only it is there."""
    moved = scene.moved(paths_m)
    return [(names[n], moved[n], rows[n] in alone) for n in sorted(_near(moved, scene))]


def _shown(scene: _Scene) -> _MatchShown:
    """Return what both pictures show of the record."""
    lines, rows = scene.region.lines, scene.rows.tolist()
    return {
        **pipes_shown(replace_in(lines, joined=scene.joined), rows),
        "unlocated": [
            (f"line {a.row.line_id}", a.area_m)
            for a in scene.region.unlocated
            if shapely.dwithin(lines.path_m[rows], a.area_m, AROUND_M / 4).any()
        ],
        "box": box_about(list(lines.path_m[rows]), []),
    }
