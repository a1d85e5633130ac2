"""What the page's script knows of a site beside the drawings, as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from math import isnan
from typing import TypedDict

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.page.facts import UNIT_NAMES
from lateralline.page.figures import PALETTE
from lateralline.page.legend import opening
from lateralline.page.places import PagePlace, PageTarget, centreline
from lateralline.record.profile import LineProfile
from lateralline.record.rows import CentrelineRow, SegmentRow
from lateralline.record.view import IN_FEET, Bounds, RecordView, bounds_of
from lateralline.units import METRES_PER


class GradePayload(TypedDict):
    """A segment's grade ± 95 % in words, and the middle of the segment."""

    line: str
    chainage: float
    name: str


class JoinPayload(TypedDict):
    """The line another one runs into, and the chainage there."""

    line: str
    chainage: float


class LinePayload(TypedDict):
    """One line: its path, the box of its profile, and how sure each stretch is."""

    id: str
    chainage: list[float]
    x: list[float]
    y: list[float]
    box: Bounds | None
    sure: list[list[float]]
    joins: JoinPayload | None
    invert: dict[str, list[float]] | None


class Payload(TypedDict):
    """All of it."""

    unit: str
    per: dict[str, float]
    names: dict[str, str]
    palette: dict[str, tuple[str, str]]
    box: Bounds
    level: str
    places: dict[str, list[dict[str, object]]]
    lines: list[LinePayload]
    grades: list[GradePayload]
    findings: list[dict[str, object]]


def payload(
    view: RecordView,
    found: Mapping[str, Sequence[PagePlace]],
    profiles: Sequence[LineProfile],
    targets: Sequence[PageTarget],
) -> Payload:
    """Return what the script knows: places by kind, lines, where each finding points, units."""
    drawn = {p.line.line_id: p for p in profiles}
    return {
        "unit": view.unit,
        "per": {unit: METRES_PER[unit] for unit, _ in units(view)},
        "names": UNIT_NAMES,
        "palette": PALETTE,
        "box": opening(view),
        "level": "below ground taken as level" if view.depth_only else "level",
        "places": {kind: [asdict(p) for p in places] for kind, places in found.items()},
        "lines": [_line(view, row, drawn.get(row.line_id)) for row in view.centrelines],
        "grades": list(_grades(view)),
        "findings": [asdict(t) for t in targets],
    }


def units(view: RecordView) -> list[tuple[str, str]]:
    """Return the units a reader may choose, with their names: metres, and the crew's foot."""
    foot = view.unit if view.unit in IN_FEET else "ft"
    return [(unit, UNIT_NAMES[unit]) for unit in ("m", foot)]


def _grades(view: RecordView) -> Iterator[GradePayload]:
    for row in view.rows(SegmentRow):
        if not isnan(row.grade):
            half = 100 * INTERVAL_95 * row.grade_sigma
            spread = "" if isnan(half) else f" ± {half:.1f}"
            at = (row.from_chainage_m + row.to_chainage_m) / 2
            words = f"{100 * row.grade:.1f}{spread} %"
            yield {"line": row.line_id, "chainage": at, "name": words}


def _line(view: RecordView, row: CentrelineRow, drawn: LineProfile | None) -> LinePayload:
    path = centreline(view, row.line_id).round(4)
    sure = [
        [s.from_chainage_m, s.to_chainage_m, s.semi_major_95_max_m]
        for s in view.rows(SegmentRow, row.line_id)
        if not isnan(s.semi_major_95_max_m)
    ]
    return {
        "id": row.line_id,
        "chainage": path[:, 0].tolist(),
        "x": path[:, 1].tolist(),
        "y": path[:, 2].tolist(),
        "box": None if drawn is None else _box(drawn),
        "sure": np.array(sure).reshape(-1, 3).round(4).tolist(),
        "joins": _joins(view, row),
        "invert": None if drawn is None else _path(drawn),
    }


def _box(profile: LineProfile) -> Bounds | None:
    """Return chainage and height bounds of all that a profile draws."""
    return bounds_of((at, y, at, y) for at, y in profile.drawn)


def _path(profile: LineProfile) -> dict[str, list[float]]:
    """Return chainage and height of the invert, where it is known."""
    there = profile.inverts[np.isfinite(profile.inverts[:, 1])]
    return {"chainage": there[:, 0].tolist(), "y": there[:, 1].tolist()}


def _joins(view: RecordView, row: CentrelineRow) -> JoinPayload | None:
    """Return the line this one runs into and the chainage there; None when it joins none."""
    for node in view.nodes:
        here = node.kind == "junction" and node.line_id == row.joins_line_id
        if row.joins_line_id and here and node.ref == row.line_id:
            return {"line": row.joins_line_id, "chainage": node.chainage_m}
    return None
