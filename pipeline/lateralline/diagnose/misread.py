"""A control point misread, or two exchanged: what puts all that hangs on them where it fits.

Stops, marks and counters are accused one by one of what one point did to all of them. Here points
are tried elsewhere: two of them exchanged, or one where what was taped from it agrees with the
counters and with the way each transmitter lay. The best place is believed only if the site, worked
out anew with it, accuses nobody. Where all fits as well without one of the stops that are accused,
nothing tells that stop from its control, and both are named; else the control leads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from lateralline.diagnose.hung import HungMarks
from lateralline.findings import Effect, Finding, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Floats

#: Errors that accuse a place or a counter, and may be a control point's.
_ACCUSING: Final = frozenset((
    "blunder/plan", "blunder/plan-or-control", "blunder/counter", "blunder/counter-or-plan",
    "blunder/tied", "blunder/contradiction", "blunder/heading",
    "counter-wrong/too-short", "counter-wrong/detour", "counter-wrong/reading",
    "counter-wrong/jump", "counter-wrong/contradiction", "line-not-located/contradicts",
    "mark-mirrored/stop", "mark-mirrored/mark", "point-astray/run", "point-astray/line",
    "stop-not-located/bare", "tie-misfit/short", "tie-misfit/long", "tie-misfit/touch",
    "tie-weak/undetermined", "stop-id-twice", "stop-id-twice/none", "mark-astray",
))  # fmt: skip
#: Warnings of the same, none of which may be there only afterwards.
_DOUBTING: Final = frozenset((
    "tie-misfit/worst", "tie-misfit/untold", "shape-undecided/contradiction",
    "shape-undecided/or-wrong", "shape-undecided/turn", "field-turned", "stop-moved",
    "mark-blunder/one", "mark-blunder/all", "misfit/line", "misfit/stops",
))  # fmt: skip
#: A place must fit by so much better than the one given, about as χ² counts, to be tried: what a
#: point that is free to lie anywhere gains by chance, 86 % of two degrees of freedom, for what is
#: worked out anew decides. What fits within as much of the best is named beside.
_BETTER: Final = 4.0
_ALIKE: Final = 4.6
#: Steps of the search for a place, in metres; turns of each, and how many starts are followed.
_STEPS_M: Final = (2.0, 1.0, 0.5, 0.2, 0.1, 0.05)
_TURNS, _STARTS = 12, 3
#: Powers of ten of the digits of a coordinate that are tried.
_POWERS: Final = (-1, 0, 1, 2)
#: Coordinates below are those of a sketch, where a lost decimal point leaves the site whole.
_SKETCH_M: Final = 1e5
#: More points than these are not tried: a traverse is checked by those who measured it.
_MOST: Final = 12


@dataclass(frozen=True, slots=True)
class _Elsewhere:
    """Control as it may have been: one point elsewhere, or two exchanged."""

    points: tuple[str, ...]
    xy: Floats  # (c, 2) coordinates of all control
    moved_m: Floats  # (2,) of the first point
    score: float


def control_misread(
    record: FieldRecord,
    placed: Placed,
    found: Sequence[Finding],
    again: Callable[[FieldRecord], Sequence[Finding]],
) -> tuple[Finding, ...]:
    """Return the control that explains errors of places and counters, as one finding if any does.

    `found` are the findings of the stages up to link, causes without what follows from them;
    `again` gives those of another record of the site.
    """
    accused = {f.subject for f in found if f.severity == "error" and f.name in _ACCUSING}
    other_cause = any(
        f.explains and f.severity == "error" and f.name not in _ACCUSING for f in found
    )
    one_mark = len(accused) == 1 and next(iter(accused)).startswith("mark ")
    if not accused or one_mark or other_cause or not 1 < len(record.control.point) <= _MOST:
        return ()
    hung = HungMarks.of(record, placed)
    given = np.column_stack([record.control.x, record.control.y])
    before = float(hung.score(hung.local(given)[None])[0])
    left = [
        (float(hung.without(i).score(hung.local(given)[None])[0]), f"stop {run}/{stop}")
        for i, (run, stop) in enumerate(zip(record.stops.run, record.stops.stop, strict=True))
        if accused & _named(record, f"{run}", f"{stop}")
    ]
    rival = min(left, default=(before, ""))
    tried = [
        e
        for e in (*_exchanged(record, hung, given), *_moved(record, hung, given))
        if before - e.score > _BETTER
    ]
    if not tried:
        return ()
    best = min(tried, key=lambda e: e.score - _ALIKE * (len(e.points) > 1))
    control = replace(record.control, x=best.xy[:, 0], y=best.xy[:, 1])
    then = again(replace(record, control=control))
    known = {(f.name, f.subject) for f in found}
    new = [f for f in then if f.name in _DOUBTING and (f.name, f.subject) not in known]
    if new or any(f.severity == "error" and f.name in _ACCUSING for f in then):
        return ()
    alike = [
        e.points[0]
        for e in tried
        if e is not best and len(e.points) == 1 and e.score < best.score + _ALIKE
    ]
    stop = rival[1] if rival[0] < best.score + _ALIKE else ""
    still = {(f.name, f.subject) for f in then}
    gone = [f for f in found if f.severity != "info" and (f.name, f.subject) not in still]
    return (_told(best, alike, stop, gone),)


def _named(record: FieldRecord, run: str, stop: str) -> set[str]:
    """Return what a stop and its marks are called in findings."""
    mine = (record.marks.run == run) & (record.marks.stop == stop)
    return {f"stop {run}/{stop}", *(f"mark {m}" for m in record.marks.spots.name[mine])}


def _told(best: _Elsewhere, alike: Sequence[str], stop: str, gone: Sequence[Finding]) -> Finding:
    """Return the finding on control elsewhere; `alike` fit as well, and so does all but `stop`.

    `gone` is what nothing tells any more with control there.
    """
    points = list(dict.fromkeys((*best.points, *alike)))
    moved = {
        "off_m": float(np.hypot(*best.moved_m)),
        "bearing_deg": float(np.degrees(np.arctan2(*best.moved_m)) % 360),
    }
    control = [f"control point {p}" for p in points]
    follows = [
        Effect.of(_ACCUSING | _DOUBTING),
        *(Effect.of((f.name,), (f.subject,)) for f in gone),
    ]
    if stop:
        made = finding(
            "control-implausible/or-stop", stop, about=control, points=points, more=moved
        )
        # what accuses the stop stays beside
        follows = [Effect.of((*_DOUBTING, "blunder/plan-or-control"))]
    elif len(best.points) > 1:
        one, other = best.points
        made = finding(
            "control-implausible/exchanged",
            control[0],
            about=control[1:],
            one=one,
            other=other,
        )
    else:
        made = finding(
            "control-implausible/misread", control[0], about=control[1:], others=alike, more=moved
        )
    return replace(made, explains=tuple(follows))


def _exchanged(record: FieldRecord, hung: HungMarks, given: Floats) -> Iterator[_Elsewhere]:
    """Yield any two points exchanged."""
    names = [str(p) for p in record.control.point]
    now = hung.local(given)
    pairs = list(combinations(range(len(names)), 2))
    order = np.array([_swapped(len(names), *pair) for pair in pairs])
    for (i, j), which, score in zip(pairs, order, hung.score(now[order]).tolist(), strict=True):
        yield _Elsewhere((names[i], names[j]), given[which], now[j] - now[i], score)


def _swapped(n: int, i: int, j: int) -> list[int]:
    order = list(range(n))
    order[i], order[j] = j, i
    return order


def _moved(record: FieldRecord, hung: HungMarks, given: Floats) -> Iterator[_Elsewhere]:
    """Yield each point that something hangs on at the place that fits best."""
    now = hung.local(given)
    for i, name in enumerate(record.control.point.tolist()):
        if not hung.uses(i):
            continue
        # site metres for a step of one in x and in y: straight, over what a point may be off
        steps = np.array([given, given])
        steps[[0, 1], i, [0, 1]] += 1.0 if np.abs(given).max() > 360.0 else 1e-6
        per = np.array([hung.local(s)[i] - now[i] for s in steps]).T
        per /= steps[0, i, 0] - given[i, 0]
        starts = np.vstack([np.zeros((1, 2)), _digits(given[i]) @ per.T])
        places = np.repeat(now[None], len(starts), axis=0)
        places[:, i] += starts
        order = np.argsort(hung.score(places), kind="stable")[:_STARTS]
        score, at = min((_searched(hung, places[o], i) for o in order), key=lambda b: b[0])
        xy = given.copy()
        xy[i] += np.linalg.solve(per, at - now[i])
        yield _Elsewhere((str(name),), xy, at - now[i], score)


def _digits(xy: Floats) -> Floats:
    """Return what coordinates (2,) change by, (d, 2), with one digit another or the point lost."""
    out = []
    for axis, value in enumerate(xy.tolist()):
        changes = [value / 10.0**power - value for power in (1, 2, 3) if abs(value) < _SKETCH_M]
        for power in _POWERS:
            digit = int(abs(value) / 10.0**power + 1e-6) % 10
            step = 10.0**power * (-1.0 if value < 0.0 else 1.0)
            changes += [(other - digit) * step for other in range(10) if other != digit]
        out += [(c, 0.0) if axis == 0 else (0.0, c) for c in changes]
    return np.array(out)


def _searched(hung: HungMarks, control_m: Floats, i: int) -> tuple[float, Floats]:
    """Return the least score with point `i` near where it is, and that place (2,)."""
    angle = np.arange(8) * np.pi / 4
    around = np.vstack([np.zeros((1, 2)), np.column_stack([np.cos(angle), np.sin(angle)])])
    at, best = control_m.copy(), float(hung.score(control_m[None])[0])
    for step in _STEPS_M:
        for _ in range(_TURNS):
            tried = np.repeat(at[None], len(around), axis=0)
            tried[:, i] += step * around
            score = hung.score(tried)
            least = int(score.argmin())
            if not least or score[least] >= best - 1e-9:
                break
            at, best = tried[least], float(score[least])
    return best, at[i]
