"""Stops of different runs that are all but one place: one holds the path, the other rides on it.

Two runs through the same pipe stop where they please. Where a stop of one lies within arm's reach
of a stop of the other, a leg from one to the other would have no direction worth the name, and
their order could be wrong. So one of the two is a vertex of the path, and the other is observed
*on* the path, at a place along it that the adjustment finds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lateralline.kernels.curves import chainage, locate
from lateralline.link.order import likely_m, positions
from lateralline.link.parts import Rider
from lateralline.link.points import Point
from lateralline.records import Flags, Floats
from lateralline.settings import Run

#: Stops of different runs closer than this, in plan or along the pipe, make one vertex: common
#: practice, no source. It is a few times what a stop is off along the pipe.
NEAR_M = 0.5
#: A stop of the run that stopped most often is a vertex before one of another run that is up to
#: this many times as sure: between its own stops the counter tells the length.
_LONGEST_RUN = 2.0
#: Where a level lies along an undecided stretch, 1 σ: common practice, no source.
LEVEL_AT_M = 0.5


def set_riders(points: Sequence[Point], runs: Sequence[Run]) -> tuple[list[Point], list[Rider]]:
    """Return the vertices of an ordered, turned line, and the points that ride between them."""
    keep = _vertices(points, runs)
    if keep.all() or keep.sum() < 2:
        return list(points), []
    kept = [p for p, k in zip(points, keep, strict=True) if k]
    before = np.cumsum(keep) - 1  # number of the last vertex up to each point
    riding = [(p, int(v)) for p, k, v in zip(points, keep, before, strict=True) if not k]
    xyz = likely_m(kept)
    beyond = kept[0].kind != "junction"  # a line begins at its junction
    return kept, [_rider(p, v, xyz, beyond) for p, v in riding]


def _vertices(points: Sequence[Point], runs: Sequence[Run]) -> Flags:
    """Which points (n,) are vertices: the surest first, each clear of the vertices beside it."""
    along, xy = positions(points, runs), likely_m(points)[:, :2]
    stops = {run: 0 for p in points for run in p.readings}
    for p in points:
        for run in p.readings:
            stops[run] += 1
    longest = max(stops, key=lambda run: stops[run], default="")

    def worth(i: int) -> tuple[bool, float]:
        p = points[i]
        less = _LONGEST_RUN**2 if longest in p.readings else 1.0
        return p.fix >= 0 and p.kind != "exposure", _spread(p) / less

    keep = np.zeros(len(points), bool)
    for i in sorted(range(len(points)), key=worth):
        there = np.flatnonzero(keep)
        beside = [*there[there < i][-1:], *there[there > i][:1]]
        keep[i] = not any(
            _may_be_one(points[i], points[j])
            and min(abs(along[i] - along[j]), np.hypot(*(xy[i] - xy[j]))) < NEAR_M
            for j in beside
        )
    return keep


def set_levels(
    kept: Sequence[Point], riding: Sequence[Rider], levels: Sequence[Point]
) -> tuple[list[Rider], list[Point]]:
    """Return levels known at counters as riders of a line's vertices, and those that lie off it."""
    out, off = [], []
    along = chainage(np.array([p.xyz_m for p in kept]))
    places = [*zip(kept, along.tolist(), strict=True)]
    for r in riding:
        at = along[r.stretch] + r.share * (along[r.stretch + 1] - along[r.stretch])
        places.append((r.point, float(at.clip(along[0], along[-1]))))
    for level in levels:
        run, reading = next(iter(level.readings.items()), ("", np.nan))
        read = sorted((p.readings[run], at) for p, at in places if run in p.readings)
        if not read or not read[0][0] <= reading <= read[-1][0] or np.isnan(level.xyz_m[2]):
            off.append(level)
            continue
        counters, there = zip(*read, strict=True)
        stretch, share = locate(along, np.interp(reading, counters, there))
        out.append(Rider(level, int(stretch), float(share), level_only=True, sigma_m=LEVEL_AT_M))
    return out, off


def _may_be_one(a: Point, b: Point) -> bool:
    """True for two points of different runs, one of them a stop."""
    apart = not a.readings.keys() & b.readings.keys() and "junction" not in (a.kind, b.kind)
    return apart and (a.fix >= 0 or b.fix >= 0)


def _spread(p: Point) -> float:
    return float(np.trace(p.cov[:2, :2]))


def _rider(point: Point, before: int, kept_m: Floats, beyond: bool) -> Rider:
    """Put a point on the nearest of the stretches about the vertex before it.

    It may lie past the line's end, and where `beyond` before its start.
    """
    here, last = likely_m([point])[0], len(kept_m) - 2
    first = min(max(before - 1, 0), last)
    xyz = kept_m[first : before + 3]
    leg = np.diff(xyz, axis=0)
    square = np.maximum(np.einsum("lc,lc->l", leg, leg), 1e-12)
    share = np.einsum("lc,lc->l", here - xyz[:-1], leg) / square
    off = np.linalg.norm(here - xyz[:-1] - share.clip(0, 1)[:, None] * leg, axis=1)
    best = int(np.argmin(off))
    low = -np.inf if first + best == 0 and beyond else 0.0
    high = np.inf if first + best == last else 1.0
    return Rider(point, first + best, float(share[best].clip(low, high)))
