"""Marks that stand twice in the record, digit for digit: a copy is no second measurement.

A run entered again under another name halves every error that is claimed, and proves nothing. Two
surveys of one pipe agree within their errors, never in every digit; so what is equal throughout was
written off the other. The first is used; the copy stays in the record and is used for nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Ints

#: A run is a copy from this many equal stops and marks, when so much of what it marked is equal:
#: readings rounded coarsely may be equal by chance at a stop made again, not at all of them.
_STOPS, _MARKS, _MOST = 2, 5, 0.6
#: A single stop is one from this many marks, all equal: in its own run, and in another.
_OWN, _OTHER = 2, 3

_Key = tuple[str, str]  # run, stop


@dataclass(frozen=True, slots=True)
class _Copy:
    """A stop whose every mark stands at an earlier stop too."""

    stop: _Key
    of: _Key
    marks: Ints


def copies(record: FieldRecord, placed: Placed) -> Iterator[tuple[Finding, Ints]]:
    """Yield an error for each run or stop that is a copy, with the marks to be left out."""
    stops = _stops(record)
    found = list(_equal_stops(record, stops))
    reported: set[_Key] = set()
    marked = Counter(run for (run, _), marks in stops.items() for _ in marks)
    pairs = Counter((c.stop[0], c.of[0]) for c in found if c.stop[0] != c.of[0])
    for (run, other), count in pairs.items():
        mine = [c for c in found if (c.stop[0], c.of[0]) == (run, other)]
        equal = sum(len(c.marks) for c in mine)
        if count >= _STOPS and equal >= _MARKS and equal >= _MOST * marked[run]:
            reported |= {c.stop for c in mine}
            yield _of_run(record, placed, run, other, mine)
    for c in found:
        least = _OWN if c.stop[0] == c.of[0] else _OTHER
        if c.stop not in reported and len(c.marks) >= least:
            yield _of_stop(placed, c)


def _stops(record: FieldRecord) -> dict[_Key, list[int]]:
    """Return the marks of each stop that show the field, in the order of the rows."""
    rows = record.marks
    out: dict[_Key, list[int]] = {}
    for i, kind in enumerate(rows.kind.tolist()):
        if kind != "ground" and rows.stop[i]:
            out.setdefault((str(rows.run[i]), str(rows.stop[i])), []).append(i)
    return out


def _equal_stops(record: FieldRecord, stops: Mapping[_Key, list[int]]) -> Iterator[_Copy]:
    """Yield each stop all of whose marks stand at one stop before it, with the same numbers."""
    written = _as_written(record)
    at: dict[tuple[object, ...], list[_Key]] = {}
    for key, marks in stops.items():
        earlier = [set(at.get(written[i], ())) for i in marks]
        both = set.intersection(*earlier)
        if both:
            first = next(k for k in stops if k in both)
            yield _Copy(key, first, np.array(marks))
            continue
        for i in marks:
            at.setdefault(written[i], []).append(key)


def _as_written(record: FieldRecord) -> list[tuple[object, ...]]:
    """Return what was measured of each mark, without its names; NaN as None, to be equal."""
    s = record.marks.spots
    numbers = np.column_stack([s.x, s.y, s.z_m, s.station_m, s.offset_m, s.bearing_rad])
    return [
        (
            str(record.marks.kind[i]),
            str(s.method[i]),
            str(s.base_from[i]),
            str(s.base_to[i]),
            str(s.side[i]),
            s.ties[i],
            *(None if v != v else v for v in row),
        )
        for i, row in enumerate(numbers.tolist())
    ]


def _of_run(
    record: FieldRecord, placed: Placed, run: str, other: str, mine: list[_Copy]
) -> tuple[Finding, Ints]:
    marks = np.concatenate([c.marks for c in mine])
    line = record.settings.run(run).line
    alone = [f"line {line}"] if sum(r.line == line for r in record.settings.runs) == 1 else []
    return finding(
        "measurements-copied/run",
        f"run {run}",
        where=f"{placed.marks.file}:{placed.marks.row[marks[0]]}",
        about=[f"run {other}"],
        explains=[*(f"stop {'/'.join(c.stop)}" for c in mine), *alone],
        other=f"run {other}",
        stops=len(mine),
        marks=len(marks),
        pairs=[f"{c.stop[1]} = {c.of[1]}" for c in mine],
    ), marks


def _of_stop(placed: Placed, c: _Copy) -> tuple[Finding, Ints]:
    stop, of = (f"stop {'/'.join(key)}" for key in (c.stop, c.of))
    return finding(
        "measurements-copied/stop",
        stop,
        where=f"{placed.marks.file}:{placed.marks.row[c.marks[0]]}",
        about=[of],
        explains=[stop],
        other=of,
        marks=len(c.marks),
    ), c.marks
