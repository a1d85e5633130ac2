"""The profile as drawn: one line at a time, chosen by a filter all its renderers share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from bokeh.models import CDSView, ColumnDataSource, GroupFilter

from lateralline.records import Floats
from lateralline.write.page.figures import chosen, dressed, frame, names, pickable
from lateralline.write.page.plan import least_separations, measured_ends
from lateralline.write.page.profile import LineProfile
from lateralline.write.page.sources import Sources


def draw(of: Sources, lines: Sequence[LineProfile]) -> Any:
    """Return the profile of all lines; its filter, named "line", shows the first."""
    made = frame("profile", equal=False)
    one = GroupFilter(column_name="line", group=lines[0].line if lines else "", name="line")
    soil = _strips(made, one, lines, lambda p: (p.ground - 0.05 * _height(p), p.ground))
    dressed(soil, "ground", fill_color="ground").glyph.fill_alpha = 0.22
    band = _strips(made, one, lines, lambda p: (p.lower, p.upper))
    dressed(band, "corridor", fill_color="corridor").glyph.fill_alpha = 0.7
    bore = _strips(made, one, lines, lambda p: (p.invert, p.crown))
    dressed(bore, "pipe", fill_color="pipe").glyph.fill_alpha = 0.18
    for levels, switch, role, look in (
        (lambda p: p.ground, "ground", "ground", {"line_width": 2.5}),
        (lambda p: p.top, "pipe", "pipe", {"line_width": 1.4, "line_dash": "dashed"}),
        (lambda p: p.crown, "pipe", "pipe", {"line_width": 0.8}),
        (lambda p: p.invert, "pipe", "pipe", {"line_width": 3.0}),
    ):
        dressed(_curves(made, one, lines, levels, look), switch, line_color=role)
    path = made.line("x", "y", source=ColumnDataSource({"x": [], "y": []}, name="measured_profile"),
                     line_width=7, line_alpha=0.65)  # fmt: skip
    dressed(path, line_color="measured")
    _points(made, one, of)
    names(made, "grades", "quiet")
    measured_ends(made)
    return made


def _only(one: GroupFilter) -> CDSView:
    """Return a view of its own: bokeh keeps in it which rows of its one source pass."""
    return CDSView(filter=one)


def _points(made: Any, one: GroupFilter, of: Sources) -> None:
    drop = made.segment(
        "chainage",
        "level",
        "chainage",
        "ground",
        source=of.stops,
        view=_only(one),
        line_dash="dotted",
    )
    dressed(drop, "stops", line_color="fix")
    bar = made.segment(
        "chainage",
        "low",
        "chainage",
        "high",
        source=of.stops,
        view=_only(one),
        line_width=2.5,
    )
    dressed(bar, "ellipses", line_color="fix")
    nodes = made.scatter(
        "chainage",
        "level",
        marker="marker",
        size=12,
        source=of.nodes,
        view=_only(one),
        line_width=2,
    )
    dressed(nodes, "nodes", line_color="pipe", fill_color="paper")
    seen = made.scatter(
        "chainage",
        "level",
        marker="inverted_triangle",
        size=12,
        source=of.seen,
        view=_only(one),
    )
    dressed(seen, "seen", line_color="paper", fill_color="seen")
    stops = made.scatter(
        "chainage", "level", marker="circle", size=9, source=of.stops, view=_only(one)
    )
    dressed(stops, "stops", line_color="paper", fill_color="fix")
    for renderer in (nodes, seen, stops):
        chosen(renderer, 17)
    for kind, role in (("nodes", "pipe"), ("seen", "seen"), ("stops", "fix")):
        names(made, kind, role)
    approaches = []
    if len(of.works.data):
        columns = ("chainage", "axis_level", "chainage", "level")
        approaches = least_separations(made, of, *columns, line=one)
    pickable(made, (stops, nodes, seen, *approaches))


def _height(profile: LineProfile) -> float:
    reach = profile.reach()
    return 0.0 if reach is None else reach[3] - reach[1]


def _strips(made: Any, one: GroupFilter, lines: Iterable[LineProfile], between: Any) -> Any:
    """Fill between two levels of every line: a patch for each unbroken stretch."""
    columns: dict[str, list[Any]] = {"line": [], "xs": [], "ys": []}
    for profile in lines:
        low, high = between(profile)
        for part in _unbroken(low + high):
            at = profile.chainage[part].tolist()
            columns["line"].append(profile.line)
            columns["xs"].append(at + at[::-1])
            columns["ys"].append(low[part].tolist() + high[part].tolist()[::-1])
    return made.patches(
        "xs", "ys", source=ColumnDataSource(columns), view=_only(one), line_color=None
    )


def _curves(
    made: Any, one: GroupFilter, lines: Iterable[LineProfile], levels: Any, look: dict[str, Any]
) -> Any:
    columns: dict[str, list[Any]] = {"line": [], "xs": [], "ys": []}
    for profile in lines:
        for part in _unbroken(levels(profile)):
            columns["line"].append(profile.line)
            columns["xs"].append(profile.chainage[part].tolist())
            columns["ys"].append(levels(profile)[part].tolist())
    return made.multi_line("xs", "ys", source=ColumnDataSource(columns), view=_only(one), **look)


def _unbroken(values: Floats) -> list[slice]:
    """Return the stretches of two or more known values.

    >>> _unbroken(np.array([1.0, 2.0, np.nan, 3.0, np.nan, 4.0, 5.0]))
    [slice(0, 2, None), slice(5, 7, None)]
    """
    known_ = np.concatenate([[False], np.isfinite(values), [False]]).astype(int)
    starts, ends = np.flatnonzero(np.diff(known_) == 1), np.flatnonzero(np.diff(known_) == -1)
    return [slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if b - a > 1]
