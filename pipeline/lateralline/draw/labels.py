"""Labels of plan and profile: their texts, and how each finds a free place.

None covers another, a point, or the pipe, if it can be helped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isnan
from typing import Final

import geopandas as gpd
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patheffects import withStroke
from matplotlib.transforms import BboxBase

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.draw.canvas import fitted, lettered, wrapped
from lateralline.draw.symbols import INK
from lateralline.record.ground import off_the_lines
from lateralline.record.rows import ControlRow, FixRow, NodeRow, ObservationRow
from lateralline.record.symbology import style_of
from lateralline.record.view import RecordView, number
from lateralline.records import Floats
from lateralline.wording import off_by

_RADII_PX: Final = (11.0, 17.0, 26.0, 38.0, 54.0, 74.0, 98.0, 126.0)
_ANGLES: Final = np.radians(np.arange(16) * 22.5 + 22.5)
_WAYS_OUT: Final = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])
_MARGIN_PX: Final = 2.5
_SYMBOL_PX: Final = 4.5  # half a symbol
_LEADER_PX: Final = 20.0


@dataclass(frozen=True, slots=True)
class Label:
    """Text that belongs to a point (data coordinates)."""

    x: float
    y: float
    text: str
    colour: str = INK
    size: float = 7.5
    weight: str = "normal"


def place(axes: Axes, labels: Sequence[Label], obstacles: Floats) -> None:
    """Draw `labels`, the most important first, clear of one another and of `obstacles` (n, 2).

    The axes must have their final limits. Each label tries places on growing rings around its
    point; the first free one is taken, else the one that covers least. Far labels get a leader.
    """
    figure = axes.get_figure(root=True)
    assert figure is not None
    new_renderer: Callable[[], RendererBase] = FigureCanvasAgg(figure).get_renderer
    renderer = new_renderer()
    axes.apply_aspect()
    frame = axes.get_window_extent(renderer)
    points = axes.transData.transform(obstacles) if len(obstacles) else np.empty((0, 2))
    taken = np.empty((0, 4))
    for label in labels:
        drawn = axes.text(
            label.x,
            label.y,
            lettered(label.text),
            color=label.colour,
            size=label.size,
            weight=label.weight,
            ha="center",
            va="center",
            zorder=9,
            linespacing=1.1,
            path_effects=[withStroke(linewidth=2.2, foreground="white")],
        )
        extent = drawn.get_window_extent(renderer)
        size = np.array([extent.width, extent.height]) + 2 * _MARGIN_PX
        home = axes.transData.transform((label.x, label.y))
        box = _best(home, size, taken, points, frame)
        taken = np.vstack([taken, box])
        centre = (box[:2] + box[2:]) / 2
        drawn.set_position(tuple(axes.transData.inverted().transform(centre)))
        touch = np.clip(home, box[:2], box[2:])
        if np.hypot(*(touch - home)) > _LEADER_PX / 2:
            ends = axes.transData.inverted().transform([home, touch])
            axes.plot(*ends.T, color=label.colour, lw=0.5, alpha=0.7, zorder=8)


def _best(home: Floats, size: Floats, taken: Floats, points: Floats, frame: BboxBase) -> Floats:
    """Return the box (x0, y0, x1, y1) in pixels that covers least; earlier candidates win ties."""
    best, least = np.zeros(4), np.inf
    for radius in _RADII_PX:  # a ring at a time: most labels find room on the first
        centres = home + _WAYS_OUT * (radius + size / 2 * np.abs(_WAYS_OUT))
        boxes = np.hstack([centres - size / 2, centres + size / 2])
        costs = _costs(boxes, taken, points, frame)
        ring_best = int(np.argmin(costs))
        if costs[ring_best] < least:
            best, least = boxes[ring_best], float(costs[ring_best])
        if least == 0.0:
            break
    return best


def _costs(boxes: Floats, taken: Floats, points: Floats, frame: BboxBase) -> Floats:
    """Return what each of some boxes (n, 4) costs: most out of the frame, then over labels."""
    low, high = boxes[:, None, :2], boxes[:, None, 2:]
    outside = (low[:, 0] < frame.min).any(axis=1) | (high[:, 0] > frame.max).any(axis=1)
    shared = np.minimum(high, taken[:, 2:]) - np.maximum(low, taken[:, :2])
    over = np.maximum(shared, 0.0).prod(axis=2).sum(axis=1)
    inside = ((points > low - _SYMBOL_PX) & (points < high + _SYMBOL_PX)).all(axis=2)
    return np.asarray(1e9 * outside + 1e3 * over + inside.sum(axis=1))


# ---- their texts -----------------------------------------------------------------------------


_ROOM_MM: Final = 46.0  # a label is no wider
_NAME_LINES: Final = 3  # of one fact of a node: a bend may be near several fittings
_MOST_FAR: Final = 5  # control points off the plan that are named
_WAYS: Final = dict(
    zip(("N", "NE", "E", "SE", "S", "SW", "W", "NW"), "↑↗→↘↓↙←↖", strict=True)
)  # fmt: skip


def colour_of(layer: str) -> str:
    """Return the colour a layer is known by: that of its first rule."""
    return style_of(layer).rule[0].symbol.colour


def plan_labels(
    view: RecordView,
    nodes: Sequence[NodeRow],
    control: Sequence[ControlRow],
    seen: Sequence[ObservationRow],
    fixes: Sequence[FixRow],
) -> list[Label]:
    """Return labels of the rows that are in sight, the most important first."""
    labels = []
    for node in nodes:
        if node.kind == "junction" and node.chainage_m == 0.0:
            continue  # the same spot, seen from the line that joins
        name = node_name(view, node).replace(", nearest", "\nnearest")  # narrow: fits nearby
        lines = (*name.split("\n"), *_heights(view, node))
        text = "\n".join(
            part for line in lines for part in wrapped(line, _ROOM_MM, 6.2, _NAME_LINES, bold=True)
        )
        labels.append(_label(node, text, colour_of("pipe_segments"), 6.2, "bold"))
    for point in control:
        labels.append(_label(point, _short(point.point), INK, 6.2, "bold"))
    for row in seen:
        text = _short(f"{row.name} @ {view.length(row.chainage_m)} {view.unit}")
        labels.append(_label(row, text, colour_of("pipe_observations")))
    for fix in fixes:
        weak = "" if fix.status == "located" else f" ({fix.status.replace('_', ' ')})"
        labels.append(_label(fix, _short(fix.name + weak), colour_of("transmitter_fixes")))
    return labels


def not_drawn(view: RecordView, control: gpd.GeoDataFrame) -> list[str]:
    """Return where control points stand that are off the plan, the nearest first."""
    off = off_the_lines(control, view.located("pipe_centreline").geometry)
    found = sorted(zip(off, control["point"], strict=False))
    notes = [
        f"{_WAYS[way]} {_short(point)} {view.measure.length(metres)} {way} of the pipe, not drawn"
        for (metres, way), point in found[:_MOST_FAR]
    ]
    more = len(found) - len(notes)
    return [*notes, f"and {more} more: see the table of control points"] if more else notes


def node_name(view: RecordView, node: NodeRow) -> str:
    """Return what a node is called, a bend with its angle and the nearest standard fitting."""
    match node.kind:
        case "bend":
            sigma = node.bend_sigma_deg
            half = "" if isnan(sigma) else f" ± {off_by(INTERVAL_95 * sigma, 0)}°"
            fitting = f", nearest {node.nearest_fitting}" if node.nearest_fitting else ""
            return f"bend {number(node.bend_deg, '{:.0f}°')}{half}{fitting}"
        case "end_located":
            return f"{node.line_id} open {view.end_of(node.line_id, upper=node.chainage_m > 0.0)}"
        case "junction":
            return node.meets
    return node.ref or node.kind


def _heights(view: RecordView, node: NodeRow) -> list[str]:
    about = "≈ " if node.carried_on else ""
    lines = []
    if not isnan(node.invert_level_m):
        lines.append(f"inv {about}{view.length_95(node.invert_level_m, node.invert_sigma_m)}")
    if not isnan(node.cover_m):
        lines.append(f"cover {about}{view.taped_95(node.cover_m, node.cover_sigma_m)}")
    if node.carried_on:
        lines.append("not located")
    return lines


def _short(text: str) -> str:
    return fitted(text, _ROOM_MM, 6.2, bold=True)


def _label(
    row: NodeRow | ControlRow | ObservationRow | FixRow,
    text: str,
    colour: str,
    size: float = 6.0,
    weight: str = "normal",
) -> Label:
    assert row.geometry is not None  # rows in sight have a place
    return Label(row.geometry.x, row.geometry.y, text, colour, size, weight)
