"""Stops of different runs that are all but one place: one holds the path, the other rides on it.

Two runs through the same pipe stop where they please. Where a stop of one lies within arm's reach
of a stop of the other, a leg from one to the other would have no direction worth the name, and
their order could be wrong. So the surer of the two is a vertex of the path, and the other is
observed *on* the path, at a place along it that the adjustment finds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lateralline.kernels.curves import chainage, locate
from lateralline.link.parts import Rider
from lateralline.link.points import Point

#: Stops of different runs closer than this make one vertex: common practice, no source. It is a few
#: times what a stop is off along the pipe.
NEAR_M = 0.5
#: Where a level lies along an undecided stretch, 1 σ: common practice, no source.
LEVEL_AT_M = 0.5


def set_riders(points: Sequence[Point]) -> tuple[list[Point], list[Rider]]:
    """Return the vertices of an ordered, turned line, and the points that ride between them."""
    kept: list[Point] = []
    riding: list[tuple[Point, Point]] = []  # rider, its anchor
    for point in points:
        if not kept or not _near(kept[-1], point):
            kept.append(point)
            continue
        anchor = kept[-1]
        if _spread(point) < _spread(anchor):
            riding = [(r, point if a is anchor else a) for r, a in riding]
            kept[-1], point, anchor = point, anchor, point
        riding.append((point, anchor))
    if len(kept) < 2:
        return list(points), []
    number = {id(p): i for i, p in enumerate(kept)}
    return kept, [_rider(r, number[id(a)], kept) for r, a in riding]


def set_levels(kept: Sequence[Point], levels: Sequence[Point]) -> tuple[list[Rider], list[Point]]:
    """Return levels known at counters as riders of a line's vertices, and those that lie off it."""
    out, off = [], []
    xyz = np.array([p.xyz_m for p in kept])
    along = chainage(xyz)
    for level in levels:
        run, reading = next(iter(level.readings.items()), ("", np.nan))
        at = np.array([i for i, p in enumerate(kept) if run in p.readings], int)
        counters = np.array([kept[i].readings[run] for i in at])
        order = np.argsort(counters)
        within = len(at) and counters.min() <= reading <= counters.max()
        if not within or not np.isfinite(level.xyz_m[2]):
            off.append(level)
            continue
        place = float(np.interp(reading, counters[order], along[at[order]]))
        stretch, share = locate(along, place)
        out.append(Rider(level, int(stretch), float(share), level_only=True, sigma_m=LEVEL_AT_M))
    return out, off


def _near(a: Point, b: Point) -> bool:
    """True for two points of different runs, one of them a stop, within reach of each other."""
    if a.readings.keys() & b.readings.keys() or "junction" in (a.kind, b.kind):
        return False
    if a.fix < 0 and b.fix < 0:
        return False
    return float(np.hypot(*(a.xyz_m - b.xyz_m)[:2])) < NEAR_M


def _spread(p: Point) -> float:
    return float(np.trace(p.cov[:2, :2]))


def _rider(point: Point, anchor: int, kept: Sequence[Point]) -> Rider:
    """Put a point on the stretch before or after its anchor, as far along as it lies."""
    last = len(kept) - 1
    here = kept[anchor].xyz_m
    way = kept[min(anchor + 1, last)].xyz_m - kept[max(anchor - 1, 0)].xyz_m
    away = float((point.xyz_m - here) @ way) / max(float(np.linalg.norm(way)), 1e-9)
    after = anchor < last and (away >= 0 or anchor == 0)
    stretch = anchor if after else anchor - 1
    step = kept[stretch + 1].xyz_m - kept[stretch].xyz_m
    share = away / max(float(np.linalg.norm(step)), 1e-9)
    return Rider(point, stretch, share if after else 1.0 + share)
