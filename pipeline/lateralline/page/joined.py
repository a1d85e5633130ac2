"""Where lines meet mains, as `lateralline connect` found it: to pick on a page, and as columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isnan, nan

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.page.columns import Columns, numbers
from lateralline.page.places import Fact, PagePlace, known, measured, worded
from lateralline.page.signs import states
from lateralline.record.connections import ConnectionRow
from lateralline.record.view import RecordView


def places_of_connections(view: RecordView, rows: Sequence[ConnectionRow]) -> list[PagePlace]:
    """Return each connection as a place to pick: on the main, and what is known of it."""
    return [
        PagePlace(
            f"{row.line_id} → {row.main_id}" if row.main_id else row.line_id,
            row.line_id, None, known(x), known(y), tuple(_facts(row)),
        )
        for row, (x, y) in zip(rows, _xy(view, rows), strict=True)
    ]  # fmt: skip


def columns_of_connections(view: RecordView, rows: Sequence[ConnectionRow]) -> Columns:
    """Return what the plan draws of them: metres on the ground, NaN without a place."""
    x, y = np.array(_xy(view, rows), dtype=float).reshape(-1, 2).T
    return {
        "x": numbers(x),
        "y": numbers(y),
        "line": [row.line_id for row in rows],
        "name": [row.main_id for row in rows],
        "aside_x": [1.0] * len(rows),
        "aside_y": [0.0] * len(rows),
        "state": states(rows),
    }


def _xy(view: RecordView, rows: Sequence[ConnectionRow]) -> list[tuple[float, float]]:
    there = [(nan, nan) if r.geometry is None else (r.geometry.x, r.geometry.y) for r in rows]
    ground = view.ground.to_ground(np.array(there, dtype=float).reshape(-1, 2))
    return [(float(x), float(y)) for x, y in ground]


def _facts(row: ConnectionRow) -> Iterator[Fact]:
    yield Fact("meeting", row.meeting.replace("_", " "))
    yield from worded("main", row.main_id)
    yield from measured("along the main", row.chainage_m, row.chainage_sigma_m)
    yield from worded("from access", row.upstream_access_id)
    yield from worded("at access", row.at_access_id)
    yield from worded("side", row.side)
    if not isnan(row.angle_deg):
        half = known(INTERVAL_95 * row.angle_sigma_deg)
        yield Fact("angle", row.angle_deg, half, "angle")
    if not isnan(row.gap_m):
        yield Fact("gap to the main", row.gap_m, known(row.gap_95_m), "length")
    yield from measured("invert above the main's", row.above_main_m, row.above_main_sigma_m)
    yield from worded("other mains", row.other_main_ids)
    yield from worded("in words", row.what)
    yield from worded("what to do", row.what_to_do)
