"""Adjust one line by itself: what shape its stretches have, and which readings are wrong.

What it finds is the start of the network its line belongs to (`joint`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations, product

import numpy as np

from lateralline.distributions import chi2
from lateralline.findings import Finding, finding
from lateralline.link.lines import (
    Alternative,
    LocatedPoint,
    NetworkLine,
    PreparedLine,
    SuspectedBlunder,
)
from lateralline.link.search import AdjustedLine, Fit, Search, least_squares, together
from lateralline.link.selection import (
    bends_stand_clear,
    find_steps,
    passes_global_test,
    select_bends,
    without_insignificant_bends,
)
from lateralline.link.shapes import choose_shapes, likeliest_bend_past, likeliest_bends
from lateralline.link.shifts import find_shift, shift_finding
from lateralline.link.stochastic import ALPHA, BEND_FREEDOMS, TIED, limit_of
from lateralline.settings import Accuracy

#: Of a line whose stretches contradict themselves, no more than this are searched in pairs.
_MOST_CONTRADICTIONS = 4
#: What of a point is left out, and the σ that leaves it loose: metres, radians.
_LOOSE = {
    "plan": ((0, 1), 20.0),
    "level": ((2,), 20.0),
    "heading": ((3,), 3.0),
    "tilt": ((4,), 3.0),
}


def adjust_line(prepared: PreparedLine, accuracy: Accuracy) -> Search[AdjustedLine]:
    """Return the adjusted line through its points (at least two)."""
    line_id, points = prepared.id, prepared.points
    line, fit = yield from _begin(
        NetworkLine(line_id, points, choose_shapes(points, accuracy)), accuracy
    )
    line, fit = yield from select_bends(line, fit, accuracy)
    while True:
        better = yield from _bend_beside(line, fit, accuracy)
        if better is None:
            break
        line, fit = better
    turns = tuple(s for s in fit.left_out if s.alternative.what == "kink")
    findings: list[Finding] = []
    if turns:
        line = line.with_shapes(line.shapes.turning_at([s.alternative.point for s in turns]))
        fit = yield from least_squares([line], accuracy)
    line, fit = yield from find_steps(line, fit, accuracy)
    if not fit.result.converged:
        line, fit = yield from _without_one_bend(line, fit, accuracy)
    line, fit, unsure = yield from without_insignificant_bends(line, fit, accuracy)
    findings += unsure
    if not fit.result.converged:
        line = line.with_shapes(line.shapes.without("bend", "two_bends"))
        fit = yield from least_squares([line], accuracy)
    shift = yield from find_shift(line, fit, accuracy)
    if shift is not None:
        findings.append(shift_finding(line, shift))
    if shift is not None and shift.sure:
        turns = tuple(s for s in turns if s.alternative.point not in shift.beside)
        line = line.with_shapes(line.shapes.left_undecided(shift.stretch))
        fit = yield from least_squares([line], accuracy)
    if not fit.result.converged:  # only the points themselves are left
        line = line.with_shapes(line.shapes.without("straight"))
        fit = yield from least_squares([line], accuracy)
        findings.append(finding("adjustment-failed", f"line {line_id}"))
    return AdjustedLine(prepared, line, fit, turns, tuple(findings))


def _without_one_bend(
    line: NetworkLine, fit: Fit, accuracy: Accuracy
) -> Search[tuple[NetworkLine, Fit]]:
    """Return the line with the one bend undecided that the data cannot place after all."""
    bent = [i for i, bends in enumerate(line.shapes.bends_m) if len(bends)]
    trials = [line.with_shapes(line.shapes.left_undecided(i)) for i in bent]
    fits = yield from together(least_squares([trial], accuracy) for trial in trials)
    settled = [(f.score, p, f) for p, f in zip(trials, fits, strict=True) if f.result.converged]
    return min(settled, key=lambda s: s[0])[1:] if settled else (line, fit)


def _begin(line: NetworkLine, accuracy: Accuracy) -> Search[tuple[NetworkLine, Fit]]:
    """Return the first adjustment, and the shapes that go with it.

    One wrong reading is likelier than a strange pipe. So where a stretch contradicts itself, or the
    pipe would bend before a stop and again after it, each reading there is left out in turn and the
    shapes are chosen again. Where the line then shows the reading to be wrong, and that explanation
    costs less, it is taken. Two wrong stops in a row fit one another, and hide behind the stops
    beside them: where two stretches contradict themselves, readings at both are left out together.
    """
    fit = yield from least_squares([line], accuracy)
    pair = yield from _two_wrong(line, accuracy)
    for _ in range(2):  # more than two such places are no slip of a pen
        trials = [*_without_contradiction(line, accuracy), *_with_one_bend(line, accuracy)]
        fits = yield from together(
            least_squares([p], accuracy, known=[*fit.left_out, wrong]) for p, wrong in trials
        )
        cost = _cost(line, fit)
        better = [
            (_cost(p, other), wrong.alternative.subject.ref, p, other)
            for (p, wrong), other in zip(trials, fits, strict=True)
            if other.result.converged and _shown(other, wrong) and passes_global_test(other)
        ]
        better = sorted((b for b in better if b[0] < cost), key=lambda b: b[0])
        if not better or any(b[1] != better[0][1] and b[0] - better[0][0] < TIED for b in better):
            break  # none, or two that the data cannot tell apart
        _, _, line, fit = better[0]
    if pair is not None and _cost(*pair) + TIED < _cost(line, fit):
        return pair
    return line, fit


def _two_wrong(line: NetworkLine, accuracy: Accuracy) -> Search[tuple[NetworkLine, Fit] | None]:
    """Return the line with the two readings left out that clear two contradictions at least cost.

    None where no two do, or stops of two pairs that the data cannot tell apart.
    """
    trials = [*_without_two_contradictions(line, accuracy)]
    fits = yield from together(
        least_squares([p], accuracy, known=[first, second]) for p, first, second in trials
    )
    found = [
        (_cost(p, fit), {s.alternative.subject.ref for s in wrong}, p, fit)
        for (p, *wrong), fit in zip(trials, fits, strict=True)
        if fit.result.converged and all(_shown(fit, s) for s in wrong) and passes_global_test(fit)
    ]
    found.sort(key=lambda t: t[0])
    if not found or any(t[1] != found[0][1] and t[0] - found[0][0] < TIED for t in found):
        return None
    return found[0][2:]


def _without_two_contradictions(
    line: NetworkLine, accuracy: Accuracy
) -> Iterator[tuple[NetworkLine, SuspectedBlunder, SuspectedBlunder]]:
    """Yield the line without a reading beside each of two contradictions, where that clears both.

    And the readings. More than `_MOST_CONTRADICTIONS` are no two slips of a pen.
    """
    contradicted = np.flatnonzero(line.shapes.contradicted).tolist()
    if len(contradicted) > _MOST_CONTRADICTIONS:
        return
    ends = {
        (i, j) for s, t in combinations(contradicted, 2) for i in (s, s + 1) for j in (t, t + 1)
    }
    for i, j in sorted(pair for pair in ends if pair[0] < pair[1]):
        for first, second in product(_left_out(line, i), _left_out(line, j)):
            shapes = choose_shapes(without(line.points, [first, second]), accuracy)
            if shapes.contradicted.sum() < len(contradicted) - 1:
                yield line.with_shapes(shapes), first, second


def _cost(line: NetworkLine, fit: Fit) -> float:
    """χ², and what each blunder and each bend had to gain; a contradiction costs what it is."""
    shapes = line.shapes
    bends = sum(float(chi2.isf(ALPHA, BEND_FREEDOMS[len(b)])) for b in shapes.bends_m if len(b))
    return fit.score + bends + float(shapes.chi2[shapes.contradicted].min(axis=1).sum())


def _left_out(line: NetworkLine, i: int) -> Iterator[SuspectedBlunder]:
    """Yield each reading of a point that a slip of the pen may have spoilt."""
    point = line.points[i]
    if point.kind != "junction":
        for what, run in [("plan", ""), *(("counter", run) for run in point.readings)]:
            a = Alternative(line.id, i, point, what, run, ())
            yield SuspectedBlunder(a, 0.0, limit_of(what, 2 if what == "plan" else 1), np.zeros(2))


def _without_contradiction(
    line: NetworkLine, accuracy: Accuracy
) -> Iterator[tuple[NetworkLine, SuspectedBlunder]]:
    """Yield the line without one reading beside a contradiction that clears it, and the reading."""
    contradicted = np.flatnonzero(line.shapes.contradicted)
    for i in sorted({int(p) for s in contradicted for p in (s, s + 1)}):
        for wrong in _left_out(line, i):
            shapes = choose_shapes(without(line.points, [wrong]), accuracy)
            if shapes.contradicted.sum() < len(contradicted):
                yield line.with_shapes(shapes), wrong


def _with_one_bend(
    line: NetworkLine, accuracy: Accuracy
) -> Iterator[tuple[NetworkLine, SuspectedBlunder]]:
    """Yield the line with one bend about a stop that has two on one side, or one on both."""
    shape = np.array(line.shapes.shape)
    double = shape == "two_bends"
    odd = double | (shape == "bend") | line.shapes.contradicted
    beside = (odd[:-1] & odd[1:]) | double[:-1] | double[1:]
    for i in (np.flatnonzero(beside) + 1).tolist():
        place = likeliest_bend_past(line.points, i, accuracy)
        for side in (i - 1, i):
            shapes = line.shapes.straightened([i - 1, i]).bent(side, place)
            for wrong in _left_out(line, i):
                yield line.with_shapes(shapes), wrong


def _shown(fit: Fit, wrong: SuspectedBlunder) -> bool:
    """True when the line shows a reading to be wrong that was left out on suspicion."""
    return any(
        s.alternative.subject is wrong.alternative.subject
        and s.alternative.what == wrong.alternative.what
        and s.statistic > s.limit
        for s in fit.left_out
    )


def without(
    points: Sequence[LocatedPoint], left_out: Sequence[SuspectedBlunder]
) -> list[LocatedPoint]:
    """Return points of a line with what is left out of them loose, or gone."""
    out = list(points)
    for s in left_out:
        i, what = s.alternative.point, s.alternative.what
        point = out[i]
        if what == "counter":
            readings = {run: c for run, c in point.readings.items() if run != s.alternative.run}
            out[i] = replace(point, readings=readings)
        elif what in _LOOSE:
            cov = point.cov.copy()
            at = list(_LOOSE[what][0])
            cov[at, at] += _LOOSE[what][1] ** 2
            out[i] = replace(point, cov=cov)
    return out


def _bend_beside(
    line: NetworkLine, fit: Fit, accuracy: Accuracy
) -> Search[tuple[NetworkLine, Fit] | None]:
    """Where something does not fit at a stop, try one or two bends before and after it instead.

    Bends too slight for their own stretch to show can be plain from the line on both sides. Every
    trial pays for its freedoms what chance alone would gain it. Bends must then explain the line as
    well as a blunder does; a turn at the very stop, which hardly ever is just there, gives way to a
    bend unless that is clearly worse. Where another stretch does as well, nothing is believed.
    """
    stops = {s.alternative.point for s in fit.suspects}
    stretches = sorted({t for i in stops for t in (i - 1, i)})
    shape = line.shapes.shape
    trials = [
        (stretch, len(bends), line.with_shapes(line.shapes.bent(stretch, bends)))
        for stretch in stretches
        if 0 <= stretch < len(shape) and shape[stretch] == "straight"
        for bends in likeliest_bends(line.points, stretch, accuracy)
    ]
    if not trials:
        return None
    fits = yield from together(least_squares([trial], accuracy) for _, _, trial in trials)
    tries: list[tuple[float, int, NetworkLine, Fit]] = []
    for (stretch, bends, trial), bent in zip(trials, fits, strict=True):
        if bent.result.converged and bends_stand_clear(bent, trial, stretch):
            price = float(chi2.isf(ALPHA, BEND_FREEDOMS[bends]))
            tries.append((bent.score + price, stretch, trial, bent))
    tries.sort(key=lambda t: t[0])
    turn = any(s.alternative.what == "kink" for s in fit.suspects)
    if not tries or tries[0][0] > fit.score + (TIED if turn else 0.0):
        return None
    best, here, trial, bent = tries[0]
    unique = all(t[0] - best >= TIED for t in tries if t[1] != here)
    return (trial, bent) if unique else None
