"""The frame of a drawing: axes, grid, tools, tips; the plan and the profile fill it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from bokeh.models import (
    BoxZoomTool,
    ColumnDataSource,
    FixedTicker,
    PanTool,
    Range1d,
    ResetTool,
    SaveTool,
    TapTool,
    WheelZoomTool,
)
from bokeh.models.renderers import GlyphRenderer
from bokeh.plotting import figure

from lateralline.write.page.paint import belongs, paint

_TEXT: Final = "13px"


def frame(name: str, *, equal: bool) -> Any:
    """Return an empty drawing; the script names its axes and keeps ticks round in the unit.

    With `equal`, boxes are zoomed with one scale both ways.
    """
    pan, wheel = PanTool(), WheelZoomTool(zoom_on_axis=False, modifiers="ctrl")
    tools = [
        pan,
        wheel,
        BoxZoomTool(match_aspect=equal),
        SaveTool(filename=name),
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


def pickable(drawing: Any, renderers: Iterable[GlyphRenderer[Any]]) -> None:
    """Let the pointer pick rows of `renderers`."""
    drawing.add_tools(TapTool(renderers=list(renderers)))


def dressed(renderer: Any, switch: str = "", **roles: str) -> Any:
    """Paint a renderer's glyph by its roles, keep it as it is whatever is picked.

    One glyph stands for all states: bokeh would else keep copies that are never repainted.
    """
    paint(renderer.glyph, **roles)
    renderer.selection_glyph = renderer.nonselection_glyph = renderer.muted_glyph = renderer.glyph
    if switch:
        belongs(renderer, switch)
    return renderer


def chosen(renderer: Any, size: float) -> Any:
    """Let a point that is picked stand out: larger, ringed, whatever its own colour."""
    glyph = renderer.glyph.clone()
    glyph.tags = []
    glyph.update(size=size, line_width=3.0)
    paint(glyph, fill_color="chosen", line_color="ink")
    renderer.selection_glyph = glyph
    return renderer


def names(drawing: Any, kind: str, role: str) -> Any:
    """Make room for the names of a kind of place; the script writes those that find a free spot."""
    columns: dict[str, list[Any]] = {"x": [], "y": [], "text": [], "dx": [], "dy": []}
    text = drawing.text(
        "x", "y", text="text", x_offset="dx", y_offset="dy", text_font_size="12px",
        text_align="center", text_baseline="middle", background_fill_alpha=0.72, padding=1,
        source=ColumnDataSource(columns, name=f"names_{drawing.name}_{kind}"),
    )  # fmt: skip
    return dressed(text, "labels", text_color=role, background_fill_color="paper")
