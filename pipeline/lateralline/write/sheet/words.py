"""What is written beside things in plan and profile."""

from __future__ import annotations

from typing import Any

import pandas as pd

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.write.picture.labels import Label
from lateralline.write.picture.scene import number, off_the_lines
from lateralline.write.sheet import looks
from lateralline.write.sheet.canvas import fitted
from lateralline.write.sheet.site import Site

_ROOM_MM = 46.0  # a label is no wider
_MOST_FAR = 5  # control points off the plan that are named
_WAYS = dict(zip(("N", "NE", "E", "SE", "S", "SW", "W", "NW"), "↑↗→↘↓↙←↖", strict=True))


def plan_labels(site: Site, rows: dict[str, Any]) -> list[Label]:
    """Return labels of the rows of each layer, the most important first."""
    labels = []
    for node in rows["pipe_nodes"].itertuples():
        if node.kind == "junction" and node.chainage_m == 0.0:
            continue  # the same spot, seen from the line that joins
        names = node_name(node).replace(", nearest", "\nnearest").split("\n")  # narrow: fits nearby
        text = "\n".join(map(_short, (*names, *_heights(site, node))))
        labels.append(_label(node, text, looks.PIPE, 6.2, "bold"))
    for point in rows["control_points"].itertuples():
        labels.append(_label(point, _short(point.point), looks.INK, 6.2, "bold"))
    for seen in rows["pipe_observations"].itertuples():
        labels.append(_label(seen, _short(seen_name(site, seen)), looks.SEEN, 6.0, "normal"))
    for fix in rows["transmitter_fixes"].itertuples():
        weak = "" if fix.status == "solved" else f" ({fix.status})"
        text = _short(f"{fix.run_id}/{fix.stop_id}{weak}")
        labels.append(_label(fix, text, looks.FIX, 6.0, "normal"))
    return labels


def not_drawn(site: Site, control: Any) -> list[str]:
    """Say where control points stand that are off the plan, the nearest first."""
    off = off_the_lines(control, site.located("pipe_centreline").geometry)
    found = sorted(zip(off, control["point"], strict=False))
    said = [
        f"{_WAYS[way]} {_short(point)} {site.say(metres)} {site.unit} {way} of the pipe, not drawn"
        for (metres, way), point in found[:_MOST_FAR]
    ]
    more = len(found) - len(said)
    return [*said, f"and {more} more: see the table of control points"] if more else said


def node_name(node: Any) -> str:
    """Say what a node is, a bend with its angle and the nearest standard fitting."""
    match node.kind:
        case "bend":
            sigma = node.bend_sigma_deg
            half = "" if pd.isna(sigma) else f" ± {INTERVAL_95 * sigma:.0f}°"
            fitting = f", nearest {node.nearest_fitting}" if node.nearest_fitting else ""
            return f"bend {number(node.bend_deg, '{:.0f}°')}{half}{fitting}"
        case "line_end":
            return f"{node.line_id} {'up' if node.chainage_m > 0.0 else 'down'}stream end"
        case "junction":
            return f"{node.ref} joins {node.line_id}"
    return str(node.ref or node.kind)


def seen_name(site: Site, seen: Any) -> str:
    """Say an observation: its code and chainage."""
    return f"{seen.code or seen.text or 'seen'} @ {site.say(seen.chainage_m)}"


def _heights(site: Site, node: Any) -> list[str]:
    carried = node.placed_by == "carried_on"
    about = "≈ " if carried else ""
    said = []
    if not pd.isna(node.invert_level_m):
        said.append(f"inv {about}{site.say_95(node.invert_level_m, node.invert_sigma_m)}")
    if not pd.isna(node.cover_m):
        said.append(f"cover {about}{site.say_95(node.cover_m, node.cover_sigma_m)}")
    if carried:
        said.append("not located")
    return said


def _short(text: str) -> str:
    return fitted(text, _ROOM_MM, 6.2, bold=True)


def _label(row: Any, text: str, colour: str, size: float, weight: str) -> Label:
    return Label(row.geometry.x, row.geometry.y, text, colour, size, weight)
