"""One site's numbers for both drawings of its page: columns by the names of their sources.

Metres on the ground from the record's corner, to a tenth of a millimetre; None where not known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import nan
from typing import Final, TypeAlias

import numpy as np
import shapely
from shapely import LineString

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.page.places import PagePlace, Works
from lateralline.page.signs import OPEN_END_PX, states
from lateralline.record.ends import open_at, open_ends_of
from lateralline.record.profile import LineProfile, height_of, known_points
from lateralline.record.rows import (
    ControlRow,
    FixRow,
    MarkRow,
    NodeRow,
    ObservationRow,
    SegmentRow,
    UnlocatedRow,
    ZoneRow,
)
from lateralline.record.symbology import style_of
from lateralline.record.view import RecordView
from lateralline.records import Floats

#: A column holds a value, a list or a list of lists of numbers for each row, or texts.
Columns: TypeAlias = Mapping[str, Sequence[object]]

_DECIMALS: Final = 4
_OUTLINE_M: Final = 0.002


def columns_of(
    view: RecordView,
    found: Mapping[str, Sequence[PagePlace]],
    lines: Sequence[LineProfile],
    works: Works | None,
    joined: Columns | None,
) -> dict[str, Columns]:
    """Return what fills the drawings, for a record whose places are found, by kind."""
    made: dict[str, Columns] = {
        "stops": _of_places(view, view.fixes, found["stops"]),
        "nodes": _of_places(view, view.line_nodes, found["nodes"]),
        "seen": _of_places(view, view.observations, found["seen"]),
        "marks": _of_marks(view.rows(MarkRow)),
        "control": _of_control(view.control),
        **_areas(view),
        **_pipe(view),
        **_heights(lines),
        "profile_ends": _open_in_profile(lines),
    }
    if works is not None:
        made["works"] = _of_works(view, works, found["works"])
        made["outlines"] = _polygons(works.outlines)
    if joined is not None:
        made["joined"] = joined
    return {name: columns for name, columns in made.items() if any(map(len, columns.values()))}


def numbers(values: Floats | Sequence[float | None]) -> list[float | None]:
    """Return numbers as JSON has them.

    >>> numbers([1.23456, nan, None])
    [1.2346, None, None]
    """
    known = np.array(values, dtype=float).round(_DECIMALS)
    return [None if v != v else v for v in known.tolist()]


# ---- what stands somewhere ------------------------------------------------------------------


def _of_places(
    view: RecordView,
    rows: Sequence[FixRow | NodeRow | ObservationRow],
    places: Sequence[PagePlace],
) -> Columns:
    pipes = {row.line_id: row for row in view.centrelines}
    level = np.array([height_of(view, row, pipes.get(row.line_id)) for row in rows])
    half = INTERVAL_95 * np.array([row.level_sigma_m for row in rows])
    side = np.array([1 if isinstance(row, FixRow) else -1 for row in rows])
    xy = np.array([(p.x, p.y) for p in places], dtype=float).reshape(-1, 2)
    aside = side[:, None] * _aside(xy, [pipes[p.line].geometry if p.line in pipes else None
                                        for p in places])  # fmt: skip
    return {
        "x": numbers(xy[:, 0]),
        "y": numbers(xy[:, 1]),
        "line": [p.line for p in places],
        "chainage": numbers([p.chainage for p in places]),
        "level": numbers(level),
        "low": numbers(level - half),
        "high": numbers(level + half),
        "ground": numbers([0.0 if view.depth_only else row.ground_level_m for row in rows]),
        "major": numbers([2.0 * row.ellipse_major_95_m for row in rows]),
        "minor": numbers([2.0 * row.ellipse_minor_95_m for row in rows]),
        "angle": numbers(np.radians(90.0 - np.array([row.ellipse_azimuth_deg for row in rows]))),
        "name": [_name(row) for row in rows],
        "aside_x": numbers(aside[:, 0]),
        "aside_y": numbers(aside[:, 1]),
        "state": states(rows),
    }


def _name(row: FixRow | NodeRow | ObservationRow) -> str:
    if not isinstance(row, NodeRow):
        return row.name
    if row.kind == "bend":
        return f"bend {row.bend_deg:.0f}°"
    return "" if row.kind == "end_located" else row.ref or row.kind


def _aside(xy: Floats, paths: Sequence[LineString | None]) -> Floats:
    """Return the way (n, 2) off its line at each place, to its right, where y runs down.

    A place without a line, or none itself, has its name to the right.
    """
    way = np.tile([1.0, 0.0], (len(xy), 1))
    of = np.array(paths, dtype=object)
    on = np.isfinite(xy).all(axis=1) & (shapely.length(of) > 0.0)
    at = shapely.line_locate_point(of[on], shapely.points(xy[on]))
    before, after = (
        shapely.get_coordinates(shapely.line_interpolate_point(of[on], np.maximum(at + step, 0.0)))
        for step in (-0.5, 0.5)
    )
    east, north = (after - before).T
    length = np.hypot(east, north)
    length[length == 0.0] = 1.0
    way[on] = np.column_stack([north, east]) / length[:, None]
    return way


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
        "aside_x": [1.0] * len(rows),
        "aside_y": [0.0] * len(rows),
        "state": states(rows),
    }


def _of_works(view: RecordView, works: Works, found: Sequence[PagePlace]) -> Columns:
    pairs, (axis, thing) = works.pairs, works.ends_m.transpose(1, 0, 2)
    level = np.array([-p.pipe_axis_depth_m if view.depth_only else p.pipe_axis_level_m
                      for p in pairs])  # fmt: skip
    off = thing - axis
    length = np.maximum(np.hypot(*off.T), 1e-9)
    return {
        "x": numbers(thing[:, 0]),
        "y": numbers(thing[:, 1]),
        "axis_x": numbers(axis[:, 0]),
        "axis_y": numbers(axis[:, 1]),
        "line": [p.line for p in found],
        "chainage": numbers([p.chainage for p in found]),
        "axis_level": numbers(level),
        "level": numbers(level + works.rise_m),
        "verdict": [p.verdict for p in pairs],
        "name": [p.work_name or p.work_id for p in pairs],
        "aside_x": numbers(off[:, 0] / length),
        "aside_y": numbers(-off[:, 1] / length),
    }


def _xy(rows: Sequence[MarkRow] | Sequence[ControlRow]) -> Columns:
    there = [(nan, nan) if r.geometry is None else (r.geometry.x, r.geometry.y) for r in rows]
    x, y = np.array(there, dtype=float).reshape(-1, 2).T
    return {"x": numbers(x), "y": numbers(y)}


# ---- lines and areas ------------------------------------------------------------------------


def _areas(view: RecordView) -> dict[str, Columns]:
    zones = view.rows(ZoneRow)
    return {
        "unlocated": _polygons(row.geometry for row in view.rows(UnlocatedRow)),
        "zone_with_corridor": _polygons(z.geometry for z in zones if z.with_corridor),
        "zone_as_located": _polygons(z.geometry for z in zones if not z.with_corridor),
        "corridor": _polygons(view.layers["position_corridor"].geometry),
    }


def _polygons(shapes: Iterable[object]) -> Columns:
    """Return polygons with their holes: one row a polygon, outlines true to `_OUTLINE_M`."""
    there = np.array([s for s in shapes if s is not None], dtype=object)
    columns: dict[str, list[object]] = {"xs": [], "ys": []}
    for polygon in shapely.get_parts(shapely.simplify(there, _OUTLINE_M)):
        xy, of = shapely.get_coordinates(shapely.get_rings(polygon), return_index=True)
        rings = np.split(xy.round(3), np.flatnonzero(np.diff(of)) + 1)
        columns["xs"].append([[ring[:-1, 0].tolist() for ring in rings]])
        columns["ys"].append([[ring[:-1, 1].tolist() for ring in rings]])
    return columns


def _pipe(view: RecordView) -> dict[str, Columns]:
    """Return segments by the number of the rule that draws them, and which way water runs."""
    rules = style_of("pipe_segments").rule
    by_rule = {f"pipe_{n}": [] for n in range(len(rules))}  # type: dict[str, list[object]]
    segments = view.rows(SegmentRow)
    for segment, n in zip(segments, states(segments), strict=True):
        by_rule[f"pipe_{n}"].append(segment.geometry)
    told = (row.geometry for row in view.centrelines if row.line_id not in view.flow_unknown)
    return {
        **{name: _paths(shapes) for name, shapes in by_rule.items()},
        "carried_on": _paths(view.carried_on),
        "open_ends": _open_ends(view),
        "flow": _flow(told),
    }


def _open_ends(view: RecordView) -> Columns:
    ends = open_ends_of(view)
    return _running_on(ends.at, ends.ways)


def _open_in_profile(lines: Sequence[LineProfile]) -> Columns:
    """Return the open ends of lines by chainage and height of the invert."""
    found = []
    for profile in lines:
        known = known_points(profile.inverts[:, :2])
        opens = open_at([bool(profile.line.joins_line_id)])[0]
        found += [
            (profile.line.line_id, known[n], (way, 0.0))
            for n, way, is_open in zip((0, -1), (-1.0, 1.0), opens.tolist(), strict=True)
            if is_open and len(known)
        ]
    at, ways = (np.array([end[k] for end in found]).reshape(-1, 2) for k in (1, 2))
    return {"line": [line for line, _, _ in found], **_running_on(at, ways)}


def _running_on(at: Floats, ways: Floats) -> Columns:
    """Return ends (n, 2) and the unit ways pipe leaves there: an angle, and pixels to its "?"."""
    return {
        "x": numbers(at[:, 0]),
        "y": numbers(at[:, 1]),
        "angle": numbers(np.arctan2(ways[:, 1], ways[:, 0])),
        "dx": numbers(OPEN_END_PX * ways[:, 0]),
        "dy": numbers(-OPEN_END_PX * ways[:, 1]),
    }


def _paths(shapes: Iterable[object]) -> Columns:
    paths = [
        shapely.get_coordinates(s).round(_DECIMALS).T.tolist() for s in shapes if s is not None
    ]
    return {"xs": [x for x, _ in paths], "ys": [y for _, y in paths]}


def _flow(lines: Iterable[LineString | None]) -> Columns:
    """Return a tip on each line, pointing the way the water runs: towards its start."""
    of = np.array([line for line in lines if line is not None and line.length > 0.0], dtype=object)
    of = np.repeat(of, 2)
    share = np.tile([0.3, 0.7], len(of) // 2) * shapely.length(of)
    x, y = shapely.get_coordinates(shapely.line_interpolate_point(of, share)).T
    onward = shapely.line_interpolate_point(of, np.maximum(share - 0.05, 0.0))
    to_x, to_y = shapely.get_coordinates(onward).T
    angle = np.arctan2(to_y - y, to_x - x) - np.pi / 2
    return {"x": numbers(x), "y": numbers(y), "angle": numbers(angle)}


# ---- profile --------------------------------------------------------------------------------


#: Of a profile: its heights (n, k), chainage first.
Heights: TypeAlias = Callable[[LineProfile], Floats]


def _heights(lines: Sequence[LineProfile]) -> dict[str, Columns]:
    return {
        "soil": _strips(lines, _soil),
        "band": _strips(lines, lambda p: p.inverts[:, [0, 2, 3]]),
        "bore": _strips(lines, lambda p: _above(p, (0.0, p.bore_m))),
        "ground": _curves(lines, lambda p: p.ground),
        "outside_top": _curves(lines, lambda p: _above(p, (p.top_m,))),
        "inside_top": _curves(lines, lambda p: _above(p, (p.bore_m,))),
        "invert": _curves(lines, lambda p: _above(p, (0.0,))),
    }


def _soil(profile: LineProfile) -> Floats:
    drawn = profile.drawn[:, 1]
    deep = 0.05 * float(np.ptp(drawn)) if len(drawn) else 0.0
    return np.column_stack([profile.ground, profile.ground[:, 1]]) - [0.0, deep, 0.0]


def _above(profile: LineProfile, ups: Sequence[float]) -> Floats:
    """Return chainage and what lies so far above the invert; NaN where only depths are known."""
    if profile.of_transmitter:
        ups = [nan for _ in ups]
    return np.column_stack([profile.inverts[:, 0], *(profile.inverts[:, 1] + up for up in ups)])


def _strips(lines: Iterable[LineProfile], between: Heights) -> Columns:
    """Fill between two heights of every line: a patch for each unbroken stretch."""
    columns: dict[str, list[object]] = {"line": [], "xs": [], "ys": []}
    for profile in lines:
        at, low, high = between(profile).round(_DECIMALS).T
        for part in _unbroken(low + high):
            columns["line"].append(profile.line.line_id)
            columns["xs"].append([*at[part].tolist(), *at[part][::-1].tolist()])
            columns["ys"].append([*low[part].tolist(), *high[part][::-1].tolist()])
    return columns


def _curves(lines: Iterable[LineProfile], heights: Heights) -> Columns:
    columns: dict[str, list[object]] = {"line": [], "xs": [], "ys": []}
    for profile in lines:
        at, height = heights(profile).round(_DECIMALS).T
        for part in _unbroken(height):
            columns["line"].append(profile.line.line_id)
            columns["xs"].append(at[part].tolist())
            columns["ys"].append(height[part].tolist())
    return columns


def _unbroken(values: Floats) -> list[slice]:
    """Return the stretches of two or more known values.

    >>> _unbroken(np.array([1.0, 2.0, np.nan, 3.0, np.nan, 4.0, 5.0]))
    [slice(0, 2, None), slice(5, 7, None)]
    """
    known = np.concatenate([[False], np.isfinite(values), [False]]).astype(int)
    starts, ends = np.flatnonzero(np.diff(known) == 1), np.flatnonzero(np.diff(known) == -1)
    return [slice(int(a), int(b)) for a, b in zip(starts, ends, strict=True) if b - a > 1]
