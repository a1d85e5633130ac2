"""Two counter readings of a run that were written beside each other's stop.

Such a pair puts two stops in each other's place in the order, so their neighbours are blamed with
them and the line seems to double back. Exchanged, everything fits: that is asked before any single
reading is held to be wrong, since a single one seldom explains what a pair does.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from lateralline.link.equations import counter_variance
from lateralline.link.order import TILT_RAD, likely_m
from lateralline.link.points import Point
from lateralline.records import Effect, Finding, Flags, Floats, Ints
from lateralline.settings import Accuracy, Run
from lateralline.wording import metres

#: A chord this many σ and metres longer than its cable is no chance. Common practice, no source.
_SIGMAS, _IMPOSSIBLE_M = 4.0, 0.3
#: Pipe between neighbours that is longer than this many chords turns by more than 90° (√2: one
#: bend of 90° midway).
_WINDING = float(np.sqrt(2.0))
#: Two pairs that explain a run as well as each other, to this, leave open which it was.
_ALIKE_M = 0.5
#: What is said of stops that stand in each other's place in the order.
_FOLLOWS = ("counter-backwards", "counter-impossible", "chord-exceeds-counter", "order-unclear")


def exchanged(points: Sequence[Point], run: str, accuracy: Accuracy) -> tuple[int, int] | None:
    """Return the two of a run's points, in the order of its counter, whose readings fit exchanged.

    None when nothing is impossible as read, when no pair makes it possible, or when several do.
    """
    counter = np.array([p.readings[run] for p in points])
    xyz = likely_m(points)
    chord = np.linalg.norm(np.nan_to_num(xyz[:, None] - xyz[None]), axis=2)
    spread = np.array([_likely_m2(p) for p in points])
    counted = np.diff(counter)

    def legs(order: Ints) -> tuple[Flags, Floats]:
        """Whether each leg can be, and how much longer it was counted than it is."""
        a, b = order[:-1], order[1:]
        over = chord[a, b] - counted
        sigma = np.sqrt(
            spread[a]
            + spread[b]
            + counter_variance(counted, accuracy)
            + (accuracy.counter_scale_ratio * counted) ** 2
        )
        loose = _SIGMAS * sigma + _IMPOSSIBLE_M
        winding = counted - _WINDING * chord[a, b] > loose
        return ~(over > loose) & ~winding, np.abs(over)

    as_read: Ints = np.arange(len(points), dtype=np.int64)
    possible, off = legs(as_read)
    if len(points) < 4 or possible.all() or not (chord[as_read[:-1], as_read[1:]] > counted).any():
        return None
    stops = [i for i, p in enumerate(points) if p.fix >= 0]
    found = []
    for i, j in combinations(stops, 2):
        order = as_read.copy()
        order[[i, j]] = j, i
        now, off_now = legs(order)
        touched = np.zeros(len(counted), dtype=np.bool_)
        touched[[k for k in (i - 1, i, j - 1, j) if 0 <= k < len(counted)]] = True
        if now[touched].all() and now.sum() > possible.sum() and _impossible(possible, touched):
            found.append((float(off_now.sum()), i, j))
    found.sort()
    if not found or (len(found) > 1 and found[1][0] - found[0][0] < _ALIKE_M):
        return None
    if found[0][0] > float(off.sum()) - 2.0 * _ALIKE_M:
        return None
    return found[0][1:]


def _likely_m2(point: Point) -> float:
    """Variance in plan of where a point most likely lies, both axes together: see `likely_m`."""
    var = float(np.trace(point.cov[:2, :2]))
    if point.directed:
        var -= float(point.cov[:2, 4] @ point.cov[:2, 4]) / (point.cov[4, 4] + TILT_RAD**2)
    return max(var, 0.0)


def _impossible(possible: Flags, touched: Flags) -> bool:
    """Whether what cannot be as read is all beside the two."""
    return bool((~possible & touched).any() and possible[~touched].all())


def exchange_finding(a: Point, b: Point, run: Run) -> Finding:
    """Return the error of two readings that belong to each other's stop; neither is used."""
    lag = run.transmitter_lag_m
    read = [metres(p.readings[run.id] + lag) for p in (a, b)]
    return Finding(
        "error",
        "link",
        "counters-exchanged",
        f"run {run.id}",
        f"the counters of {a.subject} and {b.subject} look exchanged: the places of both, and of "
        "the stops beside them, fit only the other way round",
        f"{read[0]} at {a.subject}, {read[1]} at {b.subject}",
        "compare with the field sheet and exchange them; until then neither is used, and both "
        "stops are placed in the line by their marks",
        a.where,
        about=(a.subject, b.subject),
        explains=(Effect.of(_FOLLOWS, [a.subject, b.subject]),),
    )
