"""What can be picked on a page, what is known of it, and where each finding points."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isnan
from typing import Final

import numpy as np
import shapely

from lateralline.page.facts import Fact, known, measured, worded
from lateralline.record.rows import (
    FindingRow,
    FixRow,
    MarkRow,
    NodeRow,
    ObservationRow,
    PointRow,
    SegmentRow,
)
from lateralline.record.view import Bounds, RecordView, bounds_of
from lateralline.records import Floats

#: In the words of findings: "near chainage 13.23 m".
_CHAINAGE: Final = re.compile(r"chainage (-?\d+(?:\.\d+)?)\sm\b")
_NODE_NAMES: Final = {
    "entry": "entry",
    "line_end": "line end",
    "bend": "bend",
    "junction": "junction",
    "exposure": "exposure",
}


@dataclass(frozen=True, slots=True)
class PagePlace:
    """A stop, node or observation: where it is and what is known of it."""

    title: str
    line: str
    chainage: float | None
    x: float | None
    y: float | None
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class PageTarget:
    """Where a finding points: part of the plan, part of a line, perhaps one stop."""

    box: Bounds | None = None  # west, south, east, north, m
    line: str = ""
    reach: tuple[float, float] | None = None  # chainages, m
    stop: int | None = None


def stops(view: RecordView) -> list[PagePlace]:
    """Return every stop, in the order of the layer, unsolved ones too."""
    return [_place(row, f"stop {row.name}", _of_stop(row)) for row in view.fixes]


def nodes(view: RecordView) -> list[PagePlace]:
    """Return every node."""
    return [
        _place(row, f"{_NODE_NAMES.get(row.kind, row.kind)} {row.ref}".strip(), _of_node(row))
        for row in view.nodes
    ]


def seen(view: RecordView) -> list[PagePlace]:
    """Return every observation of the camera."""
    return [
        _place(row, f"seen: {row.code or row.text}".strip(), _of_seen(row))
        for row in view.observations
    ]


def _place(row: FixRow | NodeRow | ObservationRow, title: str, facts: Iterable[Fact]) -> PagePlace:
    x, y = (None, None) if row.geometry is None else (row.geometry.x, row.geometry.y)
    return PagePlace(title, row.line_id, known(row.chainage_m), x, y, tuple(facts))


def _of_stop(row: FixRow) -> Iterator[Fact]:
    yield from worded("status", row.status)
    yield from worded("because", row.reason)
    yield from measured("depth", row.depth_m, row.depth_sigma_m)
    yield from measured("level of transmitter", row.level_m, row.sigma_u_m)
    yield from measured("ground level", row.ground_level_m)
    yield from measured("chainage", row.chainage_m)
    yield from measured("counter", row.counter_m)
    yield from measured("95 % half axis, long", row.semi_major_95_m)
    yield from measured("95 % half axis, short", row.semi_minor_95_m)
    yield from measured("heading", row.heading_deg, row.heading_sigma_deg, "angle")
    yield from measured("tilt", row.tilt_deg, row.tilt_sigma_deg, "angle")
    yield from measured("moved by the line's adjustment", row.shift_m)
    if not isnan(row.chi2):
        yield Fact("χ²", f"{row.chi2:.2f} on {known(row.dof) or 0:.0f} to spare")
    yield from worded("note", row.note)
    yield from worded("from", row.source_row)


def _of_node(row: NodeRow) -> Iterator[Fact]:
    if row.carried_on:
        yield Fact("not located", "carried on by the counter alone")
    yield from measured("chainage", row.chainage_m)
    yield from measured("invert", row.invert_level_m, row.invert_sigma_m)
    yield from measured("cover", row.cover_m, row.cover_sigma_m)
    yield from measured("ground level", row.ground_level_m)
    yield from measured("bend", row.bend_deg, row.bend_sigma_deg, "angle")
    yield from worded("nearest fitting", row.nearest_fitting)
    yield from measured("95 % half axis, long", row.semi_major_95_m)
    yield from _tied(row)


def _of_seen(row: ObservationRow) -> Iterator[Fact]:
    yield from worded("what", row.text)
    yield from worded("severity", row.severity)
    yield from worded("clock", " to ".join(filter(None, (row.clock_from, row.clock_to))))
    yield from measured("chainage", row.chainage_m, row.sigma_along_m)
    yield from measured("counter", row.counter_m)
    yield from measured("invert", row.invert_level_m, row.invert_sigma_m)
    yield from measured("cover", row.cover_m, row.cover_sigma_m)
    yield from measured("95 % half axis, long", row.semi_major_95_m)
    yield from worded("because", row.reason)
    yield from _tied(row)


def _tied(row: NodeRow | ObservationRow) -> Iterator[Fact]:
    if row.tie_a_point and row.tie_b_point:
        for point, tape in ((row.tie_a_point, row.tie_a_m), (row.tie_b_point, row.tie_b_m)):
            yield from measured(f"tape from {point}", tape, row.tie_sigma_m)
        yield from worded("side", row.tie_side)


def targets(view: RecordView) -> list[PageTarget]:
    """Return where each finding points, from its subject and any chainage in its words.

    A subject is what `Finding.subject` says: "stop R1/4", "mark M3", "line L1", "run R1", "site".
    """
    return [_target(view, row) for row in view.rows(FindingRow)]


def _target(view: RecordView, row: FindingRow) -> PageTarget:
    what, _, name = row.subject.partition(" ")
    if what == "mark":
        mark = next((m for m in view.rows(MarkRow) if m.mark_id == name), None)
        if mark is not None:
            found = _of_stop_named(view, f"{mark.run_id}/{mark.stop_id}")
            return PageTarget(_box([mark]) or found.box, found.line, found.reach, found.stop)
    if what == "stop":
        return _of_stop_named(view, name)
    if what == "run":
        lines = [fix.line_id for fix in view.fixes if fix.run_id == name]
        name, what = (lines[0], "line") if lines else (name, what)
    if what in ("line", "lines"):
        return _of_line(view, name.split(",")[0].strip(), _CHAINAGE.search(row.what))
    if what in ("control", "baseline", "point"):
        named = re.split(r"[–, ]+", name)
        return PageTarget(_box([row for row in view.control if row.point in named]))
    return PageTarget()


def _of_stop_named(view: RecordView, name: str) -> PageTarget:
    found = next(((n, fix) for n, fix in enumerate(view.fixes) if fix.name == name), None)
    if found is None:
        return PageTarget()
    n, fix = found
    reach = None if isnan(fix.chainage_m) else (fix.chainage_m, fix.chainage_m)
    return PageTarget(_box([fix]), fix.line_id, reach, n)


def _of_line(view: RecordView, line: str, near: re.Match[str] | None) -> PageTarget:
    path = centreline(view, line)
    if not len(path):
        return PageTarget()
    if near is not None:
        at = float(near[1])
        x, y = (float(np.interp(at, path[:, 0], path[:, i])) for i in (1, 2))
        return PageTarget((x, y, x, y), line, (at, at))
    (west, south), (east, north) = path[:, 1:].min(axis=0), path[:, 1:].max(axis=0)
    box = (float(west), float(south), float(east), float(north))
    return PageTarget(box, line, (float(path[0, 0]), float(path[-1, 0])))


def _box(rows: Iterable[PointRow]) -> Bounds | None:
    return bounds_of(row.geometry.bounds for row in rows if row.geometry is not None)


def centreline(view: RecordView, line: str) -> Floats:
    """Return chainage, x, y (n, 3) of a line's vertices, from downstream, m.

    Chainage runs along the pipe in three dimensions; within a segment it is shared out by the
    length in plan.
    """
    parts: list[Floats] = []
    for row in sorted(view.rows(SegmentRow, line), key=lambda s: s.from_chainage_m):
        if row.geometry is None:
            continue
        xy = shapely.get_coordinates(row.geometry)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        share = along / along[-1] if along[-1] > 0.0 else np.linspace(0.0, 1.0, len(along))
        at = row.from_chainage_m + share * (row.to_chainage_m - row.from_chainage_m)
        parts.append(np.column_stack([at, xy]))
    path = np.vstack(parts) if parts else np.empty((0, 3))
    path = path[np.isfinite(path).all(axis=1)]
    _, first = np.unique(path[:, 0].round(4), return_index=True)
    return np.asarray(path[first])
