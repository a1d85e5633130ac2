"""What the page draws from: columns of both drawings, and what its script knows besides, as JSON.

Rows stand in the order of their layers: picking a row in one drawing picks it in the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from math import isnan, nan
from typing import Final, TypeAlias

import numpy as np
from bokeh.models import ColumnDataSource
from shapely import Point

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.page.figures import PALETTE, opening, states
from lateralline.page.places import UNIT_NAMES, PagePlace, PageTarget, Works, centreline
from lateralline.record.profile import LineProfile, height_of
from lateralline.record.rows import (
    CentrelineRow,
    ControlRow,
    FixRow,
    MarkRow,
    NodeRow,
    ObservationRow,
    SegmentRow,
)
from lateralline.record.view import IN_FEET, RecordView, bounds_of
from lateralline.records import Floats
from lateralline.units import METRES_PER

Columns: TypeAlias = dict[str, Floats | list[str]]


@dataclass(frozen=True, slots=True)
class Sources:
    """What both drawings draw from; rows stand in the order of their layers."""

    stops: ColumnDataSource
    nodes: ColumnDataSource
    seen: ColumnDataSource
    marks: ColumnDataSource
    control: ColumnDataSource
    works: ColumnDataSource
    joined: ColumnDataSource


def sources(
    view: RecordView,
    found: Mapping[str, Sequence[PagePlace]],
    works: Works | None,
    joined: Columns,
) -> Sources:
    """Return the sources of a record whose places are found, by kind."""
    return Sources(
        stops=_source("stops", _of_places(view, view.fixes, found["stops"])),
        nodes=_source("nodes", _of_places(view, view.line_nodes, found["nodes"])),
        seen=_source("seen", _of_places(view, view.observations, found["seen"])),
        marks=_source("marks", _of_marks(view.rows(MarkRow))),
        control=_source("control", _of_control(view.control)),
        works=_source("works", {} if works is None else _of_works(view, works, found["works"])),
        joined=_source("joined", joined),
    )


def _source(name: str, columns: Columns) -> ColumnDataSource:
    return ColumnDataSource(columns, name=name)


def _of_places(
    view: RecordView,
    rows: Sequence[FixRow | NodeRow | ObservationRow],
    places: Sequence[PagePlace],
) -> Columns:
    pipes = {row.line_id: row for row in view.centrelines}
    level = np.array([height_of(view, row, pipes.get(row.line_id)) for row in rows])
    half = INTERVAL_95 * np.array([row.level_sigma_m for row in rows])
    side = np.array([1 if isinstance(row, FixRow) else -1 for row in rows])
    beside = np.array([_beside(view, p) for p in places], dtype=float).reshape(-1, 2)
    return {
        "x": _numbers([p.x for p in places]),
        "y": _numbers([p.y for p in places]),
        "line": [p.line for p in places],
        "chainage": _numbers([p.chainage for p in places]),
        "level": level,
        "low": level - half,
        "high": level + half,
        "ground": np.array([0.0 if view.depth_only else row.ground_level_m for row in rows]),
        "major": 2.0 * np.array([row.ellipse_major_95_m for row in rows]),
        "minor": 2.0 * np.array([row.ellipse_minor_95_m for row in rows]),
        "angle": np.radians(90.0 - np.array([row.ellipse_azimuth_deg for row in rows])),
        "name": [_name(row) for row in rows],
        "aside_x": beside[:, 0] * side,
        "aside_y": beside[:, 1] * side,
        "state": states(rows),
    }


def _name(row: FixRow | NodeRow | ObservationRow) -> str:
    if not isinstance(row, NodeRow):
        return row.name
    if row.kind == "bend":
        return f"bend {row.bend_deg:.0f}°"
    return "" if row.kind == "end_located" else row.ref or row.kind


def _beside(view: RecordView, place: PagePlace) -> tuple[float, float]:
    """Return the way off the line at a place, to its right, on a screen whose y runs down."""
    path = next((row.geometry for row in view.centrelines if row.line_id == place.line), None)
    if place.x is None or place.y is None or path is None or path.length == 0.0:
        return (1.0, 0.0)
    at = path.project(Point(place.x, place.y))
    a, b = path.interpolate(max(at - 0.5, 0.0)), path.interpolate(at + 0.5)
    east, north = b.x - a.x, b.y - a.y
    length = float(np.hypot(east, north)) or 1.0
    return (north / length, east / length)


def _of_marks(rows: Sequence[MarkRow]) -> Columns:
    return {
        **_xy(rows),
        "stop": [f"{row.run_id}/{row.stop_id}" for row in rows],
        "state": states(rows),
        "tip": [_tip_of_mark(row) for row in rows],
    }


def _tip_of_mark(row: MarkRow) -> str:
    used = "used" if row.used else "not used"
    note = f"\n{row.note}" if row.note else ""
    return f"mark {row.mark_id}: {row.kind.replace('_', ' ')}, {used}\nby {row.method}{note}"


def _of_control(rows: Sequence[ControlRow]) -> Columns:
    return {
        **_xy(rows),
        "name": [row.point for row in rows],
        "aside_x": np.ones(len(rows)),
        "aside_y": np.zeros(len(rows)),
        "state": states(rows),
    }


def _of_works(view: RecordView, works: Works, found: Sequence[PagePlace]) -> Columns:
    pairs, (axis, thing) = works.pairs, works.ends_m.transpose(1, 0, 2)
    level = np.array([-p.pipe_axis_depth_m if view.depth_only else p.pipe_axis_level_m
                      for p in pairs])  # fmt: skip
    off = thing - axis
    length = np.maximum(np.hypot(*off.T), 1e-9)
    return {
        "x": thing[:, 0],
        "y": thing[:, 1],
        "axis_x": axis[:, 0],
        "axis_y": axis[:, 1],
        "line": [p.line for p in found],
        "chainage": _numbers([p.chainage for p in found]),
        "axis_level": level,
        "level": level + works.rise_m,
        "verdict": [p.verdict for p in pairs],
        "name": [p.work_name or p.work_id for p in pairs],
        "aside_x": off[:, 0] / length,
        "aside_y": -off[:, 1] / length,
    }


def _xy(rows: Sequence[MarkRow] | Sequence[ControlRow]) -> Columns:
    there = [(nan, nan) if r.geometry is None else (r.geometry.x, r.geometry.y) for r in rows]
    x, y = np.array(there, dtype=float).reshape(-1, 2).T
    return {"x": x, "y": y}


def _numbers(values: Sequence[float | None]) -> Floats:
    return np.array([nan if v is None else v for v in values], dtype=float)


#: Facts that a tip tells though nothing says how far off they are.
_BRIEF: Final = (
    "status",
    "meeting",
    "along the main",
    "verdict",
    "separation",
    "lower 95 %",
    "required",
    "what",
)

# ---- for the script -------------------------------------------------------------------------


def payload(
    view: RecordView,
    found: Mapping[str, Sequence[PagePlace]],
    profiles: Sequence[LineProfile],
    targets: Sequence[PageTarget],
) -> dict[str, object]:
    """Return what the script knows: places by kind, lines, where each finding points, units."""
    along = view.word("distance along pipe")
    axes, zero = (("x", "y"), "sketch") if view.crs is None else (("east", "north"), "corner")
    return {
        "unit": view.unit,
        "inches": view.measure.unit == "ft-in",
        "per": {unit: METRES_PER[unit] for unit, _ in units(view)},
        "names": UNIT_NAMES,
        "palette": PALETTE,
        "box": opening(view),
        "level": "below ground taken as level" if view.depth_only else view.word("level"),
        "axes": [f"{axis} of the {zero}" for axis in axes],
        "along": along,
        "brief": [along, view.word("position ±"), *_BRIEF],
        "places": {kind: [asdict(p) for p in places] for kind, places in found.items()},
        "lines": [_line(view, profile) for profile in profiles],
        "grades": list(_grades(view)),
        "findings": [asdict(t) for t in targets],
    }


def units(view: RecordView) -> list[tuple[str, str]]:
    """Return the units a reader may choose, with their names: metres, and the crew's foot."""
    foot = view.unit if view.unit in IN_FEET else "ft"
    return [(unit, UNIT_NAMES[unit]) for unit in ("m", foot)]


def _grades(view: RecordView) -> Iterator[dict[str, object]]:
    for row in view.rows(SegmentRow):
        if row.fall_shown:
            half = 100 * INTERVAL_95 * row.gradient_sigma
            spread = "" if isnan(half) else f" ± {half:.1f}"
            at = (row.from_chainage_m + row.to_chainage_m) / 2
            words = f"{100 * row.gradient:.1f}{spread} %"
            yield {"line": row.line_id, "chainage": at, "name": words}


def _line(view: RecordView, profile: LineProfile) -> dict[str, object]:
    row, invert = profile.line, profile.inverts[np.isfinite(profile.inverts[:, 1])]
    path = centreline(view, row.line_id).round(4)
    sure = [
        [s.from_chainage_m, s.to_chainage_m, s.position_95_max_m]
        for s in view.rows(SegmentRow, row.line_id)
        if not isnan(s.position_95_max_m)
    ]
    return {
        "id": row.line_id,
        "from": "from the entry end, flow not known"
        if row.line_id in view.flow_unknown
        else "from the downstream end (← flow)",
        "chainage": path[:, 0].tolist(),
        "x": path[:, 1].tolist(),
        "y": path[:, 2].tolist(),
        "box": bounds_of((at, y, at, y) for at, y in profile.drawn),
        "sure": np.array(sure).reshape(-1, 3).round(4).tolist(),
        "joins": _joins(view, row),
        "invert": {"chainage": invert[:, 0].tolist(), "y": invert[:, 1].tolist()},
    }


def _joins(view: RecordView, row: CentrelineRow) -> dict[str, object] | None:
    """Return the line this one runs into and the chainage there; None when it joins none."""
    for node in view.nodes:
        here = node.kind == "junction" and node.line_id == row.joins_line_id
        if row.joins_line_id and here and node.ref == row.line_id:
            return {"line": row.joins_line_id, "chainage": node.chainage_m}
    return None
