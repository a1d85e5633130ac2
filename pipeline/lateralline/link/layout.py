"""Where everything of a network stands: its unknowns, its rows, and which touch which.

Plain arrays of indices, so that one network or many side by side are evaluated by the same few
calls of numpy. An `x` index counts unknowns, a `row` index observations; legs, stations and
readings are numbered apart. `side_by_side` shifts each kind by what stands before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from lateralline.records import Floats, Ints

_X, _ROW, _LEG = {"kind": "x"}, {"kind": "row"}, {"kind": "leg"}
_STATION, _READING = {"kind": "station"}, {"kind": "reading"}


@dataclass(frozen=True, slots=True)
class Layout:
    """The equations of one network, or of several side by side.

    Unknowns: three coordinates per vertex, heading and tilt per directed vertex, a scale and an
    offset per counter, a fraction of a leg per station, a value per shared error. A station is a
    place on a leg that is no vertex: a junction, or a stop of another run.
    """

    # observed positions of vertices, three rows each
    point_x: Ints = field(metadata=_X)
    point_row: Ints = field(metadata=_ROW)
    point_m: Floats  # (k, 3)
    # observed directions at vertices, two rows each
    look_x: Ints = field(metadata=_X)
    look_row: Ints = field(metadata=_ROW)
    look_rad: Floats  # (d, 2)
    # legs from vertex to vertex
    leg_from: Ints = field(metadata=_X)
    leg_to: Ints = field(metadata=_X)
    # a leg against the direction at its end, two rows each
    aim_leg: Ints = field(metadata=_LEG)
    aim_x: Ints = field(metadata=_X)
    aim_row: Ints = field(metadata=_ROW)
    # stations
    station_x: Ints = field(metadata=_X)
    station_leg: Ints = field(metadata=_LEG)
    # observed positions of stations, three rows each, and directions of their legs, two
    seen_station: Ints = field(metadata=_STATION)
    seen_row: Ints = field(metadata=_ROW)
    seen_m: Floats  # (r, 3)
    along_leg: Ints = field(metadata=_LEG)
    along_row: Ints = field(metadata=_ROW)
    along_rad: Floats  # (q, 2)
    # vertices that are stations of another line, three rows each
    join_station: Ints = field(metadata=_STATION)
    join_x: Ints = field(metadata=_X)
    join_row: Ints = field(metadata=_ROW)
    # levels observed at stations
    level_station: Ints = field(metadata=_STATION)
    level_row: Ints = field(metadata=_ROW)
    level_m: Floats
    # counter readings: offset + way · path / scale, the path being whole legs and parts of legs
    reading_row: Ints = field(metadata=_ROW)
    reading_offset: Ints = field(metadata=_X)
    reading_scale: Ints = field(metadata=_X)
    reading_way: Floats  # ±1
    reading_m: Floats
    span_reading: Ints = field(metadata=_READING)
    span_leg: Ints = field(metadata=_LEG)
    span_share: Floats  # ±1
    part_reading: Ints = field(metadata=_READING)
    part_station: Ints = field(metadata=_STATION)
    part_share: Floats  # ±1
    # first leg less last leg of a bent stretch
    balance_row: Ints = field(metadata=_ROW)
    balance_first: Ints = field(metadata=_LEG)
    balance_last: Ints = field(metadata=_LEG)
    # the turn from one leg to the next
    turn_row: Ints = field(metadata=_ROW)
    turn_in: Ints = field(metadata=_LEG)
    turn_out: Ints = field(metadata=_LEG)
    turn_rad: Floats
    # unknowns known beforehand
    prior_row: Ints = field(metadata=_ROW)
    prior_x: Ints = field(metadata=_X)
    prior_value: Floats
    # what one σ of a shared error does to an observation
    shared_row: Ints = field(metadata=_ROW)
    shared_x: Ints = field(metadata=_X)
    shared_by: Floats


def side_by_side(layouts: Sequence[Layout], unknowns: int, rows: int) -> Layout:
    """Return several networks as one, each with room for so many unknowns and rows."""
    step = {
        "x": np.arange(len(layouts)) * unknowns,
        "row": np.arange(len(layouts)) * rows,
        "leg": _before([len(x.leg_from) for x in layouts]),
        "station": _before([len(x.station_x) for x in layouts]),
        "reading": _before([len(x.reading_row) for x in layouts]),
    }
    columns: dict[str, Any] = {}
    for f in fields(Layout):
        kind = f.metadata.get("kind")
        parts = [getattr(layout, f.name) for layout in layouts]
        if kind is not None:
            parts = [part + by for part, by in zip(parts, step[kind], strict=True)]
        columns[f.name] = np.concatenate(parts)
    return Layout(**columns)


def _before(counts: Sequence[int]) -> Ints:
    return np.cumsum([0, *counts[:-1]])


class Sheet:
    """A layout being written: lists that become its columns."""

    def __init__(self) -> None:
        """Start with nothing."""
        self._lists: dict[str, list[object]] = {f.name: [] for f in fields(Layout)}

    def add(self, **columns: object) -> None:
        """Add one entry to each column named."""
        for name, value in columns.items():
            self._lists[name].append(value)

    def count(self, name: str) -> int:
        """Return how many entries a column has."""
        return len(self._lists[name])

    def done(self) -> Layout:
        """Return the layout."""
        wide = {"point_m": 3, "seen_m": 3, "look_rad": 2, "along_rad": 2}
        columns: dict[str, Any] = {}
        for f in fields(Layout):
            values = self._lists[f.name]
            if f.metadata.get("kind") is not None:
                columns[f.name] = np.array(values, dtype=np.int64)
            elif f.name in wide:
                columns[f.name] = np.array(values, dtype=np.float64).reshape(-1, wide[f.name])
            else:
                columns[f.name] = np.array(values, dtype=np.float64)
        return Layout(**columns)
