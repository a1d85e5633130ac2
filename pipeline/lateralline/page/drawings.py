"""The two drawings of a page as bokeh models: plan, and profile of one line at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from math import nan

import numpy as np
import shapely
from bokeh.models import CDSView, ColumnDataSource, GroupFilter, MultiLine
from bokeh.models.filters import Filter, IntersectionFilter
from bokeh.models.glyphs import Patches
from bokeh.models.renderers import GlyphRenderer
from bokeh.plotting import figure
from shapely import LineString

from lateralline.page.figures import (
    LinePixels,
    Renderer,
    area_look,
    area_roles,
    chosen,
    dressed,
    frame,
    line_look,
    names,
    pickable,
    role_of,
    symbols,
)
from lateralline.page.places import Works
from lateralline.page.sources import Sources
from lateralline.record.profile import LineProfile
from lateralline.record.rows import SegmentRow, UnlocatedRow, ZoneRow
from lateralline.record.symbology import area_of, sign, style_of
from lateralline.record.view import RecordView
from lateralline.records import Floats

# ---- plan -----------------------------------------------------------------------------------


def draw_plan(view: RecordView, of: Sources, works: Works | None = None) -> figure:
    """Return the plan; x and y are metres on the ground from the record's corner."""
    plan = frame("plan", equal=True)
    _areas(plan, view)
    if works is not None:
        _planned(plan, works)
    _pipe(plan, view)
    for source, role in ((of.stops, "fix"), (of.nodes, "pipe"), (of.seen, "seen")):
        ellipse = plan.ellipse(
            "x", "y", width="major", height="minor", angle="angle", source=source,
            fill_alpha=0.10, line_width=1.3, line_dash="solid" if role == "fix" else "dotted",
        )  # fmt: skip
        dressed(ellipse, "ellipses", line_color=role, fill_color=role)
    path = plan.line("x", "y", source=ColumnDataSource({"x": [], "y": []}, name="measured_plan"),
                     line_width=7, line_alpha=0.65)  # fmt: skip
    dressed(path, line_color="measured")
    at = ("x", "y")
    symbols(plan, "field_marks", at, of.marks, "marks")
    picked = symbols(plan, "control_points", at, of.control, "control")
    names(plan, "control", "ink")
    picked += symbols(plan, "pipe_nodes", at, of.nodes, "nodes")
    picked += symbols(plan, "pipe_observations", at, of.seen, "seen")
    picked += symbols(plan, "transmitter_fixes", at, of.stops, "stops")
    for kind, role in (("nodes", "pipe"), ("seen", "seen"), ("stops", "fix")):
        names(plan, kind, role)
    if len(of.joined.data):
        picked += symbols(plan, "main_connections", at, of.joined, "joined")
        names(plan, "joined", "ink")
    if works is not None:
        picked += least_separations(plan, of, "axis_x", "axis_y", "x", "y")
    measured_ends(plan)
    pickable(plan, picked)
    return plan


def _areas(plan: figure, view: RecordView) -> None:
    area = area_of("unlocated")
    source = _polygons(row.geometry for row in view.rows(UnlocatedRow))
    made = plan.multi_polygons(
        "xs", "ys", source=source, hatch_pattern="cross", hatch_scale=9, hatch_weight=0.5,
        **area_look(area),
    )  # fmt: skip
    dressed(made, "unlocated", hatch_color=role_of(area.stroke), **area_roles(area))
    zones = view.rows(ZoneRow)
    for with_corridor in (True, False):
        kind = "with_corridor" if with_corridor else "as_located"
        area = area_of("tolerance_zone", zone=kind)
        source = _polygons(z.geometry for z in zones if z.with_corridor == with_corridor)
        made = plan.multi_polygons("xs", "ys", source=source, **area_look(area))
        dressed(made, "zone", **area_roles(area))
    area = area_of("position_corridor")
    source = _polygons(view.layers["position_corridor"].geometry)
    made = plan.multi_polygons("xs", "ys", source=source, **area_look(area))
    dressed(made, "corridor", **area_roles(area))


def _planned(plan: figure, works: Works) -> None:
    """Outline the planned works, hatched: they are not there yet."""
    shapes = plan.multi_polygons(
        "xs", "ys", source=_polygons(works.outlines), fill_alpha=0.0, line_width=1.6,
        hatch_pattern="right_diagonal_line", hatch_scale=7, hatch_weight=0.7,
    )  # fmt: skip
    dressed(shapes, "works", line_color="works", hatch_color="works")


def _polygons(shapes: Iterable[object]) -> ColumnDataSource:
    """Return polygons with their holes: one row a polygon."""
    there = np.array([s for s in shapes if s is not None], dtype=object)
    rings = [
        [np.asarray(r.coords)[:-1].T for r in (p.exterior, *p.interiors)]
        for p in shapely.get_parts(there)
    ]
    return ColumnDataSource(
        {
            "xs": [[[x.tolist() for x, _ in polygon]] for polygon in rings],
            "ys": [[[y.tolist() for _, y in polygon]] for polygon in rings],
        }
    )


def _pipe(plan: figure, view: RecordView) -> None:
    for rule, segments in style_of("pipe_segments").by_rule(view.rows(SegmentRow)):
        paths = [shapely.get_coordinates(s.geometry) for s in segments if s.geometry is not None]
        made = _paths(plan, paths, line_look(rule.as_line))
        dressed(made, "pipe", line_color=role_of(rule.as_line.color))
    line = sign("carried_on").line
    ways = [shapely.get_coordinates(way) for way in view.carried_on]
    dressed(_paths(plan, ways, line_look(line)), "pipe", line_color=role_of(line.color))
    told = (row for row in view.centrelines if row.line_id not in view.flow_unknown)
    _flow(plan, [row.geometry for row in told])


def _paths(plan: figure, paths: Sequence[Floats], look: LinePixels) -> GlyphRenderer[MultiLine]:
    columns = {"xs": [p[:, 0].tolist() for p in paths], "ys": [p[:, 1].tolist() for p in paths]}
    return plan.multi_line("xs", "ys", source=ColumnDataSource(columns), **look)


def _flow(plan: figure, lines: Iterable[LineString | None]) -> None:
    """Set a tip on each line, pointing the way the water runs: towards its start."""
    columns: dict[str, list[float]] = {"x": [], "y": [], "angle": []}
    for line in lines:
        if line is None or line.length == 0.0:
            continue
        for share in (0.3, 0.7):
            at = line.interpolate(share, normalized=True)
            onward = line.interpolate(max(share * line.length - 0.05, 0.0))
            columns["x"].append(at.x)
            columns["y"].append(at.y)
            columns["angle"].append(np.arctan2(onward.y - at.y, onward.x - at.x) - np.pi / 2)
    tips = plan.scatter(
        "x", "y", angle="angle", marker="triangle", size=13, source=ColumnDataSource(columns)
    )
    dressed(tips, "pipe", fill_color="pipe", line_color="paper")


def least_separations(
    drawing: figure,
    of: Sources,
    x0: str,
    y0: str,
    x1: str,
    y1: str,
    line: GroupFilter | None = None,
) -> list[Renderer]:
    """Draw each pair's least separation, from pipe to planned thing; return what can be picked."""
    ends = []
    for verdict, role, marker, look in (
        ("no_conflict_shown", "works", "square", {"line_width": 1.5, "line_dash": "dashed"}),
        ("conflict", "warn", "square_x", {"line_width": 3.0}),
    ):
        kept: Filter = GroupFilter(column_name="verdict", group=verdict)
        if line is not None:
            kept = IntersectionFilter(operands=[kept, line])
        bar = drawing.segment(x0, y0, x1, y1, source=of.works, view=CDSView(filter=kept), **look)
        dressed(bar, "works", line_color=role)
        end = drawing.scatter(
            x1, y1, marker=marker, size=12, source=of.works, view=CDSView(filter=kept), line_width=2
        )
        dressed(end, "works", line_color=role, fill_color="paper")
        ends.append(chosen(end, 17))
    names(drawing, "works", "works")
    return ends


def measured_ends(drawing: figure) -> None:
    """Draw both ends of a measured distance, named, empty until something is measured."""
    name = f"measured_{drawing.name}_ends"
    source = ColumnDataSource({"x": [], "y": [], "label": []}, name=name)
    ends = drawing.scatter("x", "y", marker="circle_dot", size=18, source=source, line_width=3)
    dressed(ends, line_color="measured", fill_color="paper")
    text = drawing.text(
        "x", "y", text="label", source=source, text_font_size="15px", text_font_style="bold",
        y_offset=-12, text_align="center",
    )  # fmt: skip
    dressed(text, text_color="measured")


# ---- profile --------------------------------------------------------------------------------


#: Of a profile: its heights (n, k), chainage first.
Heights = Callable[[LineProfile], Floats]


def draw_profile(of: Sources, lines: Sequence[LineProfile]) -> figure:
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
    invert = style_of("pipe_segments").rule[0].as_line
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
    _profile_points(made, one, of)
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


def _profile_points(made: figure, one: GroupFilter, of: Sources) -> None:
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
