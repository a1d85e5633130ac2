"""The marks of a stop as a cluster, how wide one may be, and the stops of a run as a chain.

Nulls and peaks of one transmitter lie within two depths of one another whatever its tilt (the
closed forms of the field: end nulls (−3t ± √(9t²+8))/4 depths along it, t its tilt's tangent). No
unit is believed for that: what is usual on the site itself must be passed as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from lateralline.records import FieldRecord, Floats, Ints, Marks

#: A mark further from the nearest of its stop than this many depths, and than this many times what
#: is usual on the site, is none of its marks. Common practice, no source: 1.7 depths lie between
#: the end nulls of a transmitter tilted by 20°, the most a mark may be from the next.
DEPTHS, USUAL, USUAL_ALONE = 2.5, 3.5, 6.0
#: Depth of a stop without a reading, or with one far below: that of the others, by this factor.
_SHALLOW = 0.5
#: Part of all marks that is taken to be right wherever the site is judged by itself.
_RIGHT = 0.25
#: What a chord may be longer than its counter says, in metres and as a part, before two stops
#: cannot be neighbours in a chain. Common practice, no source.
_SLACK_M, _SLACK = 1.0, 0.1


@dataclass(frozen=True, slots=True)
class ClusteredStop:
    """The marks of one stop that show the field, as indices into `Marks`."""

    run: str
    stop: str
    marks: Ints
    counter_m: float
    apart_m: float  # marks further than this from the nearest other are none of the stop's

    @property
    def subject(self) -> str:
        """The stop as a finding names it."""
        return f"stop {self.run}/{self.stop}"


def stops_of(record: FieldRecord, marks: Marks) -> list[ClusteredStop]:
    """Return the stops that have marks, in the order of their rows."""
    rows = record.stops
    at: dict[tuple[str, str], list[int]] = {}
    for i in np.flatnonzero(marks.usable & (marks.kind != "ground")).tolist():
        at.setdefault((str(marks.run[i]), str(marks.stop[i])), []).append(i)
    keys = list(zip(rows.run.tolist(), rows.stop.tolist(), strict=True))
    depth = rows.depth_reading_m
    read = depth[np.isfinite(depth) & (depth > 0.0)]
    typical = float(np.median(read)) if len(read) else float("nan")
    apart = np.maximum(np.where(np.isfinite(depth), depth, typical), _SHALLOW * typical)
    in_depths = [
        nearest_m(marks.xyz_m[at[key], :2]) / depth_m
        for key, depth_m in zip(keys, np.nan_to_num(apart, nan=1.0), strict=True)
        if len(at.get(key, ())) > 1
    ]
    if not in_depths:
        return []
    usual = float(np.quantile(np.concatenate(in_depths), _RIGHT))
    limit = np.where(np.isnan(apart), USUAL_ALONE * usual, apart * max(DEPTHS, USUAL * usual))
    return [
        ClusteredStop(*key, np.array(at[key]), float(rows.counter_m[i]), float(limit[i]))
        for i, key in enumerate(keys)
        if key in at
    ]


def nearest_m(xy_m: Floats) -> Floats:
    """Return how far (n,) each of some places is from the nearest other."""
    apart = np.linalg.norm(xy_m[:, None] - xy_m[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    return np.asarray(apart.min(axis=1))


def clusters(xy_m: Floats, apart_m: float) -> list[Ints]:
    """Return places (n, 2) in groups, each further than `apart_m` from every other; largest first.

    >>> [c.tolist() for c in clusters(np.array([[0.0, 0], [9, 0], [1, 0], [2, 0]]), 1.5)]
    [[0, 2, 3], [1]]
    """
    near = np.linalg.norm(xy_m[:, None] - xy_m[None], axis=2) <= apart_m
    left, out = np.ones(len(xy_m), dtype=np.bool_), []
    for first in range(len(xy_m)):
        if not left[first]:
            continue
        group = np.arange(len(xy_m)) == first
        while (more := near[group].any(axis=0) & left).sum() > group.sum():
            group = more
        left &= ~group
        out.append(np.flatnonzero(group))
    return sorted(out, key=lambda g: -len(g))


def chain(stops: Sequence[ClusteredStop], middle_m: Floats) -> set[int]:
    """Return the stops (indices) that can be neighbours by their counters, if that is most of them.

    middle_m (n, 2), NaN for a stop without one place. The longest chain of each run in the order of
    its counters is believed when it holds more than half; what is in no run's chain is not.
    """
    out: set[int] = set()
    for run in dict.fromkeys(s.run for s in stops):
        mine = [
            i
            for i, s in enumerate(stops)
            if s.run == run and np.isfinite(s.counter_m) and np.isfinite(middle_m[i]).all()
        ]
        mine.sort(key=lambda i: stops[i].counter_m)
        if len(mine) < 3:
            continue
        xy = middle_m[mine]
        counter = np.array([stops[i].counter_m for i in mine])
        chord = np.linalg.norm(xy[:, None] - xy[None], axis=2)
        fits = chord <= (1.0 + _SLACK) * np.abs(counter[:, None] - counter[None]) + _SLACK_M
        best: list[list[int]] = []
        for j in range(len(mine)):
            before = [best[i] for i in range(j) if fits[i, j]]
            best.append([*max(before, key=len, default=[]), j])
        longest = max(best, key=len)
        if 2 * len(longest) > len(mine):
            out |= {mine[j] for j in longest}
    return out


def fits_chain(
    stops: Sequence[ClusteredStop], middle_m: Floats, known: Iterable[int], i: int, place_m: Floats
) -> bool:
    """Whether stop `i`, were it at `place_m`, would be within its counter of those of a chain."""
    beside = [j for j in known if stops[j].run == stops[i].run and j != i]
    if len(beside) < 2:
        return False
    counted = np.abs(np.array([stops[j].counter_m for j in beside]) - stops[i].counter_m)
    chord = np.linalg.norm(middle_m[beside] - place_m, axis=1)
    return bool((chord <= (1.0 + _SLACK) * counted + _SLACK_M).all())
