"""The profile as drawn: one line at a time, chosen by a filter all its renderers share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from math import nan

import numpy as np
from bokeh.models import (
    CDSView,
    ColumnDataSource,
    GroupFilter,
    MultiLine,
)
from bokeh.models.glyphs import Patches
from bokeh.models.renderers import GlyphRenderer
from bokeh.plotting import figure

from lateralline.page.figures import (
    LinePixels,
    dressed,
    frame,
    line_look,
    names,
    pickable,
    role_of,
    symbols,
)
from lateralline.page.plan import least_separations, measured_ends
from lateralline.page.sources import Sources
from lateralline.record.profile import LineProfile
from lateralline.record.symbology import area_of, sign, style_of
from lateralline.records import Floats

#: Of a profile: its heights (n, k), chainage first.
Heights = Callable[[LineProfile], Floats]


def draw(of: Sources, lines: Sequence[LineProfile]) -> figure:
    """Return the profile of all lines; its filter, named "line", shows the first."""
    made = frame("profile", equal=False)
    first = lines[0].line.line_id if lines else ""
    one = GroupFilter(column_name="line", group=first, name="line")
    ground, corridor = sign("ground").line, area_of("position_corridor")
    soil = _strips(made, one, lines, _soil)
    dressed(soil, "ground", fill_color=role_of(ground.color)).glyph.fill_alpha = 0.22
    band = _strips(made, one, lines, lambda p: p.inverts[:, [0, 2, 3]])
    dressed(band, "corridor", fill_color=role_of(corridor.fill)).glyph.fill_alpha = corridor.opacity
    bore = _strips(made, one, lines, lambda p: _above(p, (0.0, p.bore_m)))
    dressed(bore, "pipe", fill_color="pipe").glyph.fill_alpha = 0.18
    invert = style_of("pipe_segments").rule[0].line
    assert invert is not None  # held to by Style
    for heights, switch, line in (
        (lambda p: p.ground, "ground", ground),
        (lambda p: _above(p, (p.top_m,)), "pipe", sign("outside_top").line),
        (lambda p: _above(p, (p.bore_m,)), "pipe", sign("inside_top").line),
        (lambda p: _above(p, (0.0,)), "pipe", invert),
    ):
        curve = _curves(made, one, lines, heights, line_look(line))
        dressed(curve, switch, line_color=role_of(line.color))
    path = made.line("x", "y", source=ColumnDataSource({"x": [], "y": []}, name="measured_profile"),
                     line_width=7, line_alpha=0.65)  # fmt: skip
    dressed(path, line_color="measured")
    _points(made, one, of)
    names(made, "grades", "quiet")
    measured_ends(made)
    return made


def _soil(profile: LineProfile) -> Floats:
    drawn = profile.drawn[:, 1]
    deep = 0.05 * float(np.ptp(drawn)) if len(drawn) else 0.0
    return np.column_stack([profile.ground, profile.ground[:, 1]]) - [0.0, deep, 0.0]


def _above(profile: LineProfile, ups: Sequence[float]) -> Floats:
    """Return chainage and what lies so far above the invert; NaN where only depths are known."""
    if profile.of_transmitter:
        ups = [nan for _ in ups]
    return np.column_stack([profile.inverts[:, 0], *(profile.inverts[:, 1] + up for up in ups)])


def _only(one: GroupFilter) -> CDSView:
    """Return a view of its own: bokeh keeps in it which rows of its one source pass."""
    return CDSView(filter=one)


def _points(made: figure, one: GroupFilter, of: Sources) -> None:
    drop = made.segment(
        "chainage", "level", "chainage", "ground", source=of.stops, view=_only(one),
        **line_look(sign("plumb").line),
    )  # fmt: skip
    dressed(drop, "stops", line_color="fix")
    bar = made.segment(
        "chainage", "low", "chainage", "high", source=of.stops, view=_only(one), line_width=2.5
    )
    dressed(bar, "ellipses", line_color="fix")
    at = ("chainage", "level")
    picked = symbols(made, "pipe_nodes", at, of.nodes, "nodes", one)
    picked += symbols(made, "pipe_observations", at, of.seen, "seen", one)
    picked += symbols(made, "transmitter_fixes", at, of.stops, "stops", one)
    for kind, role in (("nodes", "pipe"), ("seen", "seen"), ("stops", "fix")):
        names(made, kind, role)
    if len(of.works.data):
        columns = ("chainage", "axis_level", "chainage", "level")
        picked += least_separations(made, of, *columns, line=one)
    pickable(made, picked)


def _strips(
    made: figure, one: GroupFilter, lines: Iterable[LineProfile], between: Heights
) -> GlyphRenderer[Patches]:
    """Fill between two heights of every line: a patch for each unbroken stretch."""
    columns: dict[str, list[str | list[float]]] = {"line": [], "xs": [], "ys": []}
    for profile in lines:
        at, low, high = between(profile).T
        for part in _unbroken(low + high):
            columns["line"].append(profile.line.line_id)
            columns["xs"].append(at[part].tolist() + at[part].tolist()[::-1])
            columns["ys"].append(low[part].tolist() + high[part].tolist()[::-1])
    return made.patches(
        "xs", "ys", source=ColumnDataSource(columns), view=_only(one), line_color=None
    )


def _curves(
    made: figure,
    one: GroupFilter,
    lines: Iterable[LineProfile],
    heights: Heights,
    look: LinePixels,
) -> GlyphRenderer[MultiLine]:
    columns: dict[str, list[str | list[float]]] = {"line": [], "xs": [], "ys": []}
    for profile in lines:
        at, height = heights(profile).T
        for part in _unbroken(height):
            columns["line"].append(profile.line.line_id)
            columns["xs"].append(at[part].tolist())
            columns["ys"].append(height[part].tolist())
    return made.multi_line("xs", "ys", source=ColumnDataSource(columns), view=_only(one), **look)


def _unbroken(values: Floats) -> list[slice]:
    """Return the stretches of two or more known values.

    >>> _unbroken(np.array([1.0, 2.0, np.nan, 3.0, np.nan, 4.0, 5.0]))
    [slice(0, 2, None), slice(5, 7, None)]
    """
    known_ = np.concatenate([[False], np.isfinite(values), [False]]).astype(int)
    starts, ends = np.flatnonzero(np.diff(known_) == 1), np.flatnonzero(np.diff(known_) == -1)
    return [slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if b - a > 1]
