"""The frame of a drawing, its tools, and signs as bokeh draws them."""

from __future__ import annotations

from collections.abc import Iterable
from math import radians
from typing import Final, TypeAlias, TypedDict, TypeVar

from bokeh.model import Model
from bokeh.models import (
    BoxZoomTool,
    CDSView,
    ColumnDataSource,
    FixedTicker,
    GroupFilter,
    IntersectionFilter,
    PanTool,
    Range1d,
    ResetTool,
    SaveTool,
    Scatter,
    TapTool,
    Text,
    WheelZoomTool,
)
from bokeh.models.glyph import Glyph
from bokeh.models.renderers import GlyphRenderer
from bokeh.plotting import figure

from lateralline.page.signs import PALETTE, role_of
from lateralline.record.symbology import Area, LineSymbol, Point, style_of

#: What can be picked.
Renderer: TypeAlias = "GlyphRenderer[Scatter]"
G = TypeVar("G", bound=Glyph)

_TEXT: Final = "13px"
_PX_PER_MM: Final = 4.8
#: Marker → bokeh's.
_MARKERS: Final = {
    "circle": "circle", "square": "square", "diamond": "diamond", "triangle": "triangle",
    "hexagon": "hex", "star": "star", "cross_fill": "plus", "cross2": "x",
    "circle_cross": "circle_cross",
}  # fmt: skip


def paint(model: Model, **roles: str) -> None:
    """Give a model the light colours of its roles, and tags by which the script repaints it."""
    for name, role in roles.items():
        setattr(model, name, PALETTE[role][0])
    model.tags = [*model.tags, *(f"paint {name} {role}" for name, role in roles.items())]


def belongs(model: Model, switch: str) -> None:
    """Tag a model with the switch that shows and hides it."""
    model.tags = [*model.tags, f"switch {switch}"]


def frame(name: str, *, equal: bool) -> figure:
    """Return an empty drawing; the script names its axes and keeps ticks round in the unit.

    With `equal`, boxes are zoomed with one scale both ways.
    """
    pan = PanTool(description="Drag to move")
    wheel = WheelZoomTool(
        zoom_on_axis=False, modifiers="ctrl", description="Ctrl and wheel to zoom"
    )
    tools = [
        pan,
        wheel,
        BoxZoomTool(match_aspect=equal, description="Drag a box to zoom to"),
        SaveTool(filename=name, description="Save as a picture"),
        ResetTool(visible=False),
    ]
    made = figure(
        name=name, tools=tools,
        x_range=Range1d(start=0.0, end=1.0), y_range=Range1d(start=0.0, end=1.0),
        sizing_mode="stretch_both", toolbar_location="above", active_drag=pan,
        active_scroll=wheel, output_backend="canvas", min_border_right=12, min_width=0,
        frame_align=True,
    )  # fmt: skip
    made.toolbar.logo = None
    made.toolbar.autohide = False
    paint(made, background_fill_color="paper", border_fill_color="paper", outline_line_color="edge")
    for axis, grid in zip((made.xaxis[0], made.yaxis[0]), made.grid, strict=True):
        axis.ticker = grid.ticker = FixedTicker(ticks=[])
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_font_size = axis.major_label_text_font_size = _TEXT
        axis.axis_label_standoff = 4
        paint(
            axis, axis_label_text_color="ink", major_label_text_color="ink",
            axis_line_color="edge", major_tick_line_color="edge",
        )  # fmt: skip
        paint(grid, grid_line_color="grid")
    return made


def pickable(drawing: figure, renderers: Iterable[Renderer]) -> None:
    """Let the pointer pick rows of `renderers`."""
    drawing.add_tools(TapTool(renderers=list(renderers), description="Tap to choose a place"))


def dressed(renderer: GlyphRenderer[G], switch: str = "", **roles: str) -> GlyphRenderer[G]:
    """Paint a renderer's glyph by its roles, keep it as it is whatever is picked.

    One glyph stands for all states: bokeh would else keep copies that are never repainted.
    """
    paint(renderer.glyph, **roles)
    renderer.selection_glyph = renderer.nonselection_glyph = renderer.muted_glyph = renderer.glyph
    if switch:
        belongs(renderer, switch)
    return renderer


def chosen(renderer: Renderer, size: float) -> Renderer:
    """Let a point that is picked stand out: larger, ringed, whatever its own colour."""
    glyph = renderer.glyph.clone()
    glyph.tags = []
    glyph.update(size=size, line_width=3.0)
    paint(glyph, fill_color="chosen", line_color="ink")
    renderer.selection_glyph = glyph
    return renderer


def names(drawing: figure, kind: str, role: str) -> GlyphRenderer[Text]:
    """Make room for the names of a kind of place; the script writes those that find a free spot."""
    columns: dict[str, list[float | str]] = {"x": [], "y": [], "text": [], "dx": [], "dy": []}
    text = drawing.text(
        "x", "y", text="text", x_offset="dx", y_offset="dy", text_font_size="12px",
        text_align="center", text_baseline="middle",
        source=ColumnDataSource(columns, name=f"names_{drawing.name}_{kind}"),
    )  # fmt: skip
    text.glyph.update(background_fill_alpha=0.72, padding=1)
    return dressed(text, "labels", text_color=role, background_fill_color="paper")


# ---- the symbology --------------------------------------------------------------------------


def symbols(
    drawing: figure,
    layer: str,
    at: tuple[str, str],
    source: ColumnDataSource,
    switch: str,
    only: GroupFilter | None = None,
) -> list[Renderer]:
    """Draw the points of a layer at two columns of `source`, each by the rule of its state.

    The column `state` says which rule that is; `only` keeps some rows.
    """
    made = []
    for n, rule in enumerate(style_of(layer).rule):
        point = rule.point
        if point is None:
            continue
        kept: GroupFilter | IntersectionFilter = GroupFilter(column_name="state", group=str(n))
        if only is not None:
            kept = IntersectionFilter(operands=[kept, only])
        glyph = drawing.scatter(
            *at, source=source, view=CDSView(filter=kept), marker=marker_of(point),
            size=_PX_PER_MM * point.size_mm, line_width=max(_PX_PER_MM * point.stroke_mm, 1.0),
            angle=0.0 if point.rotate_deg == 180.0 else -radians(point.rotate_deg),
        )  # fmt: skip
        roles = {"fill_color": role_of(point.fill), "line_color": role_of(point.stroke)}
        made.append(chosen(dressed(glyph, switch, **roles), _PX_PER_MM * point.size_mm + 4.0))
    return made


def marker_of(point: Point) -> str:
    """Return bokeh's marker."""
    upside_down = point.marker == "triangle" and point.rotate_deg == 180.0
    return "inverted_triangle" if upside_down else _MARKERS[point.marker]


class LinePixels(TypedDict):
    """Width and dash of a line, in pixels."""

    line_width: float
    line_dash: str


class AreaPixels(LinePixels):
    """Opacity of an area, and its edge."""

    fill_alpha: float


def line_look(line: LineSymbol) -> LinePixels:
    """Return how a line is drawn, but its colour."""
    return {"line_width": _PX_PER_MM * line.width_mm, "line_dash": _dash(line.dash_mm)}


def area_look(area: Area) -> AreaPixels:
    """Return how an area is drawn, but its colours."""
    return {
        "fill_alpha": area.opacity,
        "line_width": _PX_PER_MM * area.stroke_mm,
        "line_dash": _dash(area.dash_mm),
    }


def area_roles(area: Area) -> dict[str, str]:
    """Return the roles of an area's colours."""
    return {"fill_color": role_of(area.fill), "line_color": role_of(area.stroke)}


def _dash(dash_mm: tuple[float, ...]) -> str:
    return " ".join(str(max(round(_PX_PER_MM * d), 1)) for d in dash_mm) or "solid"
