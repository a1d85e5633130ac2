"""What is written beside things in plan and profile."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan
from typing import Final

import geopandas as gpd

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.draw.canvas import fitted
from lateralline.draw.labels import Label
from lateralline.draw.symbols import INK
from lateralline.record.rows import ControlRow, FixRow, NodeRow, ObservationRow
from lateralline.record.symbology import style_of
from lateralline.record.view import RecordView, number, off_the_lines

_ROOM_MM: Final = 46.0  # a label is no wider
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
        names = node_name(node).replace(", nearest", "\nnearest").split("\n")  # narrow: fits nearby
        text = "\n".join(map(_short, (*names, *_heights(view, node))))
        labels.append(_label(node, text, colour_of("pipe_segments"), 6.2, "bold"))
    for point in control:
        labels.append(_label(point, _short(point.point), INK, 6.2, "bold"))
    for row in seen:
        text = _short(f"{row.name} @ {view.say(row.chainage_m)}")
        labels.append(_label(row, text, colour_of("pipe_observations")))
    for fix in fixes:
        weak = "" if fix.status == "solved" else f" ({fix.status})"
        labels.append(_label(fix, _short(fix.name + weak), colour_of("transmitter_fixes")))
    return labels


def not_drawn(view: RecordView, control: gpd.GeoDataFrame) -> list[str]:
    """Say where control points stand that are off the plan, the nearest first."""
    off = off_the_lines(control, view.located("pipe_centreline").geometry)
    found = sorted(zip(off, control["point"], strict=False))
    notes = [
        f"{_WAYS[way]} {_short(point)} {view.say(metres)} {view.unit} {way} of the pipe, not drawn"
        for (metres, way), point in found[:_MOST_FAR]
    ]
    more = len(found) - len(notes)
    return [*notes, f"and {more} more: see the table of control points"] if more else notes


def node_name(node: NodeRow) -> str:
    """Say what a node is, a bend with its angle and the nearest standard fitting."""
    match node.kind:
        case "bend":
            sigma = node.bend_sigma_deg
            half = "" if isnan(sigma) else f" ± {INTERVAL_95 * sigma:.0f}°"
            fitting = f", nearest {node.nearest_fitting}" if node.nearest_fitting else ""
            return f"bend {number(node.bend_deg, '{:.0f}°')}{half}{fitting}"
        case "line_end":
            return f"{node.line_id} {'up' if node.chainage_m > 0.0 else 'down'}stream end"
        case "junction":
            return f"{node.ref} joins {node.line_id}"
    return node.ref or node.kind


def _heights(view: RecordView, node: NodeRow) -> list[str]:
    about = "≈ " if node.carried_on else ""
    lines = []
    if not isnan(node.invert_level_m):
        lines.append(f"inv {about}{view.say_95(node.invert_level_m, node.invert_sigma_m)}")
    if not isnan(node.cover_m):
        lines.append(f"cover {about}{view.say_95(node.cover_m, node.cover_sigma_m)}")
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
