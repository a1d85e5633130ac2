"""The columns both drawings share: picking a row in one picks it in the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from bokeh.models import ColumnDataSource
from shapely import Point

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.write.page import profile
from lateralline.write.page.places import Place
from lateralline.write.page.works import Works
from lateralline.write.picture.scene import Scene

MARKERS: Final = {
    "end_null": "triangle",
    "mid_null": "square",
    "peak_total": "plus",
    "peak_axial": "x",
    "ground": "dot",
    "entry": "square",
    "line_end": "circle",
    "bend": "diamond",
    "junction": "hex",
    "exposure": "star",
}
_SMALL: Final = {"ground": 12, "mid_null": 7}


@dataclass(frozen=True, slots=True)
class Sources:
    """What both drawings draw from; rows stand in the order of their layers."""

    stops: ColumnDataSource
    nodes: ColumnDataSource
    seen: ColumnDataSource
    marks: ColumnDataSource
    control: ColumnDataSource
    works: ColumnDataSource


def sources(scene: Scene, found: Mapping[str, Sequence[Place]], works: Works | None) -> Sources:
    """Return the sources of a scene whose places are found, by kind."""
    layers = scene.layers
    return Sources(
        stops=_source("stops", _of_places(scene, "transmitter_fixes", found["stops"])),
        nodes=_source("nodes", _of_places(scene, "pipe_nodes", found["nodes"])),
        seen=_source("seen", _of_places(scene, "pipe_observations", found["seen"])),
        marks=_source("marks", _of_marks(layers["field_marks"])),
        control=_source("control", _of_control(scene.layers["control_points"])),
        works=_source("works", {} if works is None else _of_works(scene, works, found["works"])),
    )


def _source(name: str, columns: dict[str, Any]) -> ColumnDataSource:
    return ColumnDataSource(columns, name=name)


def _of_places(scene: Scene, layer: str, places: Sequence[Place]) -> dict[str, Any]:
    frame = scene.layers[layer]
    rows = list(frame.itertuples())
    level = np.array([profile.level_of(scene, layer, row) for row in rows], dtype=float)
    half = INTERVAL_95 * _numbers(frame["sigma_u_m"])
    ground = _numbers(frame["ground_level_m"]) if profile.has_levels(scene) else 0.0 * level
    beside = np.array([_beside(scene, p) for p in places], dtype=float).reshape(-1, 2)
    columns: dict[str, Any] = {
        "x": _numbers([p.x for p in places]),
        "y": _numbers([p.y for p in places]),
        "line": [p.line for p in places],
        "chainage": _numbers([p.chainage for p in places]),
        "level": level,
        "low": level - half,
        "high": level + half,
        "ground": ground,
        "major": 2.0 * _numbers(frame["semi_major_95_m"]),
        "minor": 2.0 * _numbers(frame["semi_minor_95_m"]),
        "angle": np.radians(90.0 - _numbers(frame["ellipse_azimuth_deg"])),
        "name": [_name(layer, row) for row in rows],
        "aside_x": beside[:, 0] * (1 if layer == "transmitter_fixes" else -1),
        "aside_y": beside[:, 1] * (1 if layer == "transmitter_fixes" else -1),
    }
    if "kind" in frame:
        columns["marker"] = [MARKERS.get(k, "circle") for k in frame["kind"]]
    return columns


def _name(layer: str, row: Any) -> str:
    if layer == "transmitter_fixes":
        return f"{row.run_id}/{row.stop_id}"
    if layer == "pipe_observations":
        return str(row.code or row.text or "seen")
    if row.kind == "bend":
        return f"bend {row.bend_deg:.0f}°"
    return "" if row.kind == "line_end" else str(row.ref or row.kind)


def _beside(scene: Scene, place: Place) -> tuple[float, float]:
    """Return the way off the line at a place, to its right, on a screen whose y runs down."""
    if place.x is None or place.y is None or not place.line:
        return (1.0, 0.0)
    axis = scene.of_line("pipe_centreline", place.line).geometry
    if not len(axis) or axis.iloc[0] is None or axis.iloc[0].length == 0.0:
        return (1.0, 0.0)
    path = axis.iloc[0]
    at = path.project(Point(place.x, place.y))
    a, b = path.interpolate(max(at - 0.5, 0.0)), path.interpolate(at + 0.5)
    east, north = b.x - a.x, b.y - a.y
    length = float(np.hypot(east, north)) or 1.0
    return (north / length, east / length)


def _of_marks(frame: Any) -> dict[str, Any]:
    there = frame.geometry.notna() & ~frame.geometry.is_empty
    kinds = list(frame["kind"])
    return {
        "x": np.where(there, frame.geometry.x, np.nan),
        "y": np.where(there, frame.geometry.y, np.nan),
        "stop": [f"{r}/{s}" for r, s in zip(frame["run_id"], frame["stop_id"], strict=True)],
        "marker": [MARKERS.get(k, "circle") for k in kinds],
        "size": [_SMALL.get(k, 9) for k in kinds],
        "tip": [_tip_of_mark(row) for row in frame.itertuples()],
    }


def _tip_of_mark(row: Any) -> str:
    used = "used" if row.used else "not used"
    note = f"\n{row.note}" if row.note else ""
    return f"mark {row.mark_id}: {row.kind.replace('_', ' ')}, {used}\nby {row.method}{note}"


def _of_control(frame: Any) -> dict[str, Any]:
    return {
        "x": frame.geometry.x.to_numpy(dtype=float) if len(frame) else [],
        "y": frame.geometry.y.to_numpy(dtype=float) if len(frame) else [],
        "name": [str(p) for p in frame["point"]] if len(frame) else [],
        "aside_x": [1.0] * len(frame),
        "aside_y": [0.0] * len(frame),
        "tip": [f"control point {p}" for p in frame["point"]] if len(frame) else [],
    }


def _of_works(scene: Scene, works: Works, found: Sequence[Place]) -> dict[str, Any]:
    pairs, (axis, thing) = works.pairs, works.ends_m.transpose(1, 0, 2)
    level = pairs["pipe_axis_level_m"] if profile.has_levels(scene) else -pairs["pipe_axis_depth_m"]
    off = thing - axis
    length = np.maximum(np.hypot(*off.T), 1e-9)
    return {
        "x": thing[:, 0],
        "y": thing[:, 1],
        "axis_x": axis[:, 0],
        "axis_y": axis[:, 1],
        "line": [p.line for p in found],
        "chainage": _numbers([p.chainage for p in found]),
        "axis_level": _numbers(level),
        "level": _numbers(level) + works.rise_m,
        "verdict": list(pairs["verdict"]),
        "name": [str(n or w) for n, w in zip(pairs["work_name"], pairs["work_id"], strict=True)],
        "aside_x": off[:, 0] / length,
        "aside_y": -off[:, 1] / length,
    }


def _numbers(values: Any) -> Any:
    return np.array([np.nan if v is None else v for v in values], dtype=float)
