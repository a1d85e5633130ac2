"""The two drawings of every page as bokeh models: plan, and profile of one line at a time.

They hold no site: each source has a name and columns without rows, which the script fills with what
`columns` gives for a site. So bokeh makes them once, and a site costs its own numbers alone.
"""

from __future__ import annotations

import json
from functools import cache

from bokeh.core.json_encoder import serialize_json
from bokeh.core.properties import value
from bokeh.document import Document
from bokeh.models import CDSView, ColumnDataSource, GroupFilter, MultiLine
from bokeh.models.filters import Filter, IntersectionFilter
from bokeh.models.glyphs import Patches
from bokeh.models.renderers import GlyphRenderer
from bokeh.plotting import figure

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
    symbols,
)
from lateralline.page.signs import OPEN_END_PX, role_of
from lateralline.record.symbology import area_of, sign, style_of


@cache
def drawings() -> object:
    """Return both drawings as bokeh's script embeds them, ids counted from one.

    Each root goes into the element of its own name.
    """
    document = Document()
    places = {kind: _places(kind, columns) for kind, columns in _PLACES.items()}
    document.add_root(_plan(places))
    document.add_root(_profile(places))
    ids: dict[str, str] = {}

    def walk(part: object) -> object:
        if isinstance(part, list):
            return [walk(p) for p in part]
        if not isinstance(part, dict):
            return part
        return {
            k: ids.setdefault(str(v), f"m{len(ids) + 1}") if k == "id" else walk(v)
            for k, v in part.items()
        }

    made = walk(json.loads(serialize_json(document.to_json(deferred=False))))
    homes = {ids[root.id]: str(root.name) for root in document.roots}
    return [{"": made}, [{"docid": "", "roots": homes, "root_ids": list(homes)}]]


#: Columns of all that stands somewhere along a line, in plan and profile.
_ALONG = ("line", "chainage", "level", "low", "high", "ground", "major", "minor", "angle")
_NAMED = ("x", "y", "name", "aside_x", "aside_y")
#: Kind of place → its columns, but the state, by which its sign is chosen.
_PLACES = {
    "stops": (*_NAMED, *_ALONG),
    "nodes": (*_NAMED, *_ALONG),
    "seen": (*_NAMED, *_ALONG),
    "marks": ("x", "y", "stop", "tip"),
    "control": _NAMED,
    "joined": (*_NAMED, "line"),
    "works": (
        *_NAMED, "line", "chainage", "level", "axis_x", "axis_y", "axis_level", "verdict",
    ),
}  # fmt: skip

Places = dict[str, ColumnDataSource]


def _places(name: str, columns: tuple[str, ...]) -> ColumnDataSource:
    return _source(name, *columns, *(() if name == "works" else ("state",)))


def _source(name: str, *columns: str) -> ColumnDataSource:
    empty: dict[str, list[float]] = {column: [] for column in columns}
    return ColumnDataSource(empty, name=name)


# ---- plan -----------------------------------------------------------------------------------


def _plan(of: Places) -> figure:
    """Return the plan; x and y are metres on the ground from the record's corner."""
    plan = frame("plan", equal=True)
    _areas(plan)
    _planned(plan)
    _pipe(plan)
    _stubs(plan, ends := _source("open_ends", *_ENDS))
    for kind, role in (("stops", "fix"), ("nodes", "pipe"), ("seen", "seen")):
        ellipse = plan.ellipse(
            "x", "y", width="major", height="minor", angle="angle", source=of[kind],
            fill_alpha=0.10, line_width=1.3, line_dash="solid" if role == "fix" else "dotted",
        )  # fmt: skip
        dressed(ellipse, "ellipses", line_color=role, fill_color=role)
    path = plan.line("x", "y", source=_source("measured_plan", "x", "y"),
                     line_width=7, line_alpha=0.65)  # fmt: skip
    dressed(path, line_color="measured")
    at = ("x", "y")
    symbols(plan, "field_marks", at, of["marks"], "marks")
    picked = symbols(plan, "control_points", at, of["control"], "control")
    names(plan, "control", "ink")
    picked += symbols(plan, "pipe_nodes", at, of["nodes"], "nodes")
    picked += symbols(plan, "pipe_observations", at, of["seen"], "seen")
    picked += symbols(plan, "transmitter_fixes", at, of["stops"], "stops")
    _queries(plan, ends)
    for kind, role in (("nodes", "pipe"), ("seen", "seen"), ("stops", "fix")):
        names(plan, kind, role)
    picked += symbols(plan, "main_connections", at, of["joined"], "joined")
    names(plan, "joined", "ink")
    picked += least_separations(plan, of["works"], "axis_x", "axis_y", "x", "y")
    measured_ends(plan)
    pickable(plan, picked)
    return plan


def _areas(plan: figure) -> None:
    area = area_of("unlocated")
    made = plan.multi_polygons(
        "xs", "ys", source=_source("unlocated", "xs", "ys"), hatch_pattern="cross", hatch_scale=9,
        hatch_weight=0.5, **area_look(area),
    )  # fmt: skip
    dressed(made, "unlocated", hatch_color=role_of(area.stroke), **area_roles(area))
    for kind in ("with_corridor", "as_located"):
        area = area_of("tolerance_zone", zone=kind)
        source = _source(f"zone_{kind}", "xs", "ys")
        dressed(
            plan.multi_polygons("xs", "ys", source=source, **area_look(area)),
            "zone", **area_roles(area),
        )  # fmt: skip
    area = area_of("position_corridor")
    made = plan.multi_polygons("xs", "ys", source=_source("corridor", "xs", "ys"),
                               **area_look(area))  # fmt: skip
    dressed(made, "corridor", **area_roles(area))


def _planned(plan: figure) -> None:
    """Outline the planned works, hatched: they are not there yet."""
    shapes = plan.multi_polygons(
        "xs", "ys", source=_source("outlines", "xs", "ys"), fill_alpha=0.0, line_width=1.6,
        hatch_pattern="right_diagonal_line", hatch_scale=7, hatch_weight=0.7,
    )  # fmt: skip
    dressed(shapes, "works", line_color="works", hatch_color="works")


def _pipe(plan: figure) -> None:
    for n, rule in enumerate(style_of("pipe_segments").rule):
        made = _paths(plan, f"pipe_{n}", line_look(rule.as_line))
        dressed(made, "pipe", line_color=role_of(rule.as_line.color))
    line = sign("carried_on").line
    dressed(_paths(plan, "carried_on", line_look(line)), "pipe", line_color=role_of(line.color))
    tips = plan.scatter(
        "x", "y", angle="angle", marker="triangle", size=13,
        source=_source("flow", "x", "y", "angle"),
    )  # fmt: skip
    dressed(tips, "pipe", fill_color="pipe", line_color="paper")


#: Columns of open ends.
_ENDS = ("x", "y", "angle", "dx", "dy")


def _stubs(drawing: figure, ends: ColumnDataSource, view: CDSView | None = None) -> None:
    """Let the pipe run on ahead of each open end, as far on the screen at any zoom."""
    line = sign("open_end").line
    stub = drawing.ray(
        "x", "y", length=OPEN_END_PX - 8.0, length_units="screen", angle="angle", source=ends,
        view=view or CDSView(), **line_look(line),
    )  # fmt: skip
    dressed(stub, "pipe", line_color=role_of(line.color))


def _queries(drawing: figure, ends: ColumnDataSource, view: CDSView | None = None) -> None:
    """Ask ahead of each open end where the pipe goes, above all signs."""
    query = drawing.text(
        "x", "y", text=value("?"), x_offset="dx", y_offset="dy", text_font_size="17px",
        text_font_style="bold", text_align="center", text_baseline="middle", source=ends,
        view=view or CDSView(),
    )  # fmt: skip
    dressed(query, "pipe", text_color=role_of(sign("open_end").line.color))


def _paths(plan: figure, name: str, look: LinePixels) -> GlyphRenderer[MultiLine]:
    return plan.multi_line("xs", "ys", source=_source(name, "xs", "ys"), **look)


def least_separations(
    drawing: figure,
    works: ColumnDataSource,
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
        bar = drawing.segment(x0, y0, x1, y1, source=works, view=CDSView(filter=kept), **look)
        dressed(bar, "works", line_color=role)
        end = drawing.scatter(
            x1, y1, marker=marker, size=12, source=works, view=CDSView(filter=kept), line_width=2
        )
        dressed(end, "works", line_color=role, fill_color="paper")
        ends.append(chosen(end, 17))
    names(drawing, "works", "works")
    return ends


def measured_ends(drawing: figure) -> None:
    """Draw both ends of a measured distance, named, empty until something is measured."""
    name = f"measured_{drawing.name}_ends"
    source = _source(name, "x", "y", "label")
    ends = drawing.scatter("x", "y", marker="circle_dot", size=18, source=source, line_width=3)
    dressed(ends, line_color="measured", fill_color="paper")
    text = drawing.text(
        "x", "y", text="label", source=source, text_font_size="15px", text_font_style="bold",
        y_offset=-12, text_align="center",
    )  # fmt: skip
    dressed(text, text_color="measured")


# ---- profile --------------------------------------------------------------------------------


def _profile(of: Places) -> figure:
    """Return the profile of all lines; its filter, named "line", shows the one it is told."""
    made = frame("profile", equal=False)
    one = GroupFilter(column_name="line", group="", name="line")
    ground, corridor = sign("ground").line, area_of("position_corridor")
    soil = _strips(made, one, "soil")
    dressed(soil, "ground", fill_color=role_of(ground.color)).glyph.fill_alpha = 0.22
    band = _strips(made, one, "band")
    dressed(band, "corridor", fill_color=role_of(corridor.fill)).glyph.fill_alpha = corridor.opacity
    bore = _strips(made, one, "bore")
    dressed(bore, "pipe", fill_color="pipe").glyph.fill_alpha = 0.18
    invert = style_of("pipe_segments").rule[0].as_line
    for name, switch, line in (
        ("ground", "ground", ground),
        ("outside_top", "pipe", sign("outside_top").line),
        ("inside_top", "pipe", sign("inside_top").line),
        ("invert", "pipe", invert),
    ):
        curve = made.multi_line(
            "xs", "ys", source=_source(name, "line", "xs", "ys"), view=_only(one), **line_look(line)
        )
        dressed(curve, switch, line_color=role_of(line.color))
    path = made.line("x", "y", source=_source("measured_profile", "x", "y"),
                     line_width=7, line_alpha=0.65)  # fmt: skip
    dressed(path, line_color="measured")
    _stubs(made, ends := _source("profile_ends", "line", *_ENDS), _only(one))
    _profile_points(made, one, of)
    _queries(made, ends, _only(one))
    names(made, "grades", "quiet")
    measured_ends(made)
    return made


def _only(one: GroupFilter) -> CDSView:
    """Return a view of its own: bokeh keeps in it which rows of its one source pass."""
    return CDSView(filter=one)


def _strips(made: figure, one: GroupFilter, name: str) -> GlyphRenderer[Patches]:
    source = _source(name, "line", "xs", "ys")
    return made.patches("xs", "ys", source=source, view=_only(one), line_color=None)


def _profile_points(made: figure, one: GroupFilter, of: Places) -> None:
    drop = made.segment(
        "chainage", "level", "chainage", "ground", source=of["stops"], view=_only(one),
        **line_look(sign("plumb").line),
    )  # fmt: skip
    dressed(drop, "stops", line_color="fix")
    bar = made.segment(
        "chainage", "low", "chainage", "high", source=of["stops"], view=_only(one), line_width=2.5
    )
    dressed(bar, "ellipses", line_color="fix")
    at = ("chainage", "level")
    picked = symbols(made, "pipe_nodes", at, of["nodes"], "nodes", one)
    picked += symbols(made, "pipe_observations", at, of["seen"], "seen", one)
    picked += symbols(made, "transmitter_fixes", at, of["stops"], "stops", one)
    for kind, role in (("nodes", "pipe"), ("seen", "seen"), ("stops", "fix")):
        names(made, kind, role)
    columns = ("chainage", "axis_level", "chainage", "level")
    picked += least_separations(made, of["works"], *columns, line=one)
    pickable(made, picked)
