"""Adjust one line by itself: what shape its stretches have, and which readings are wrong.

What it finds is the start of the network its line belongs to (`joint`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import chi2

from lateralline.link import wording_lines
from lateralline.link.lines import Alternative, Part, Point, PreparedLine, Suspicion
from lateralline.link.search import Alone, Fit, Search, least_squares, together
from lateralline.link.selection import (
    find_steps,
    possible,
    stands,
    weigh_bends,
    without_unsure_bends,
)
from lateralline.link.shapes import choose, likeliest_bend_past, likeliest_bends
from lateralline.link.shifts import find_shift, shift_finding
from lateralline.link.stochastic import ALPHA, BEND_FREEDOMS, TIED, limit_of
from lateralline.records import (
    Finding,
)
from lateralline.settings import Accuracy

#: What of a point is left out, and the σ that leaves it loose: metres, radians.
_LOOSE = {
    "plan": ((0, 1), 20.0),
    "level": ((2,), 20.0),
    "heading": ((3,), 3.0),
    "tilt": ((4,), 3.0),
}


def adjust_line(prepared: PreparedLine, accuracy: Accuracy) -> Search[Alone]:
    """Return the adjusted line through its points (at least two)."""
    line, points = prepared.line, prepared.points
    part, fit = yield from _begin(Part(line, points, choose(points, accuracy)), accuracy)
    part, fit = yield from weigh_bends(part, fit, accuracy)
    while True:
        better = yield from _bend_beside(part, fit, accuracy)
        if better is None:
            break
        part, fit = better
    turns = tuple(s for s in fit.left_out if s.alternative.what == "kink")
    findings: list[Finding] = []
    if turns:
        part = part.with_shapes(part.shapes.turning_at([s.alternative.point for s in turns]))
        fit = yield from least_squares([part], accuracy)
    part, fit = yield from find_steps(part, fit, accuracy)
    if not fit.result.converged:
        part, fit = yield from _without_one_bend(part, fit, accuracy)
    part, fit, unsure = yield from without_unsure_bends(part, fit, accuracy)
    findings += unsure
    if not fit.result.converged:
        part = part.with_shapes(part.shapes.without("bend", "double_bend"))
        fit = yield from least_squares([part], accuracy)
    shift = yield from find_shift(part, fit, accuracy)
    if shift is not None:
        findings.append(shift_finding(part, shift))
    if shift is not None and shift.sure:
        turns = tuple(s for s in turns if s.alternative.point not in shift.beside)
        part = part.with_shapes(part.shapes.loosened(shift.stretch))
        fit = yield from least_squares([part], accuracy)
    if not fit.result.converged:  # only the points themselves are left
        part = part.with_shapes(part.shapes.without("straight"))
        fit = yield from least_squares([part], accuracy)
        findings.append(wording_lines.line_not_converged(line))
    return Alone(prepared, part, fit, turns, tuple(findings))


def _without_one_bend(part: Part, fit: Fit, accuracy: Accuracy) -> Search[tuple[Part, Fit]]:
    """Return the line with the one bend undecided that the data cannot place after all."""
    bent = [i for i, bends in enumerate(part.shapes.bends_m) if len(bends)]
    trials = [part.with_shapes(part.shapes.loosened(i)) for i in bent]
    fits = yield from together(least_squares([trial], accuracy) for trial in trials)
    settled = [(f.score, p, f) for p, f in zip(trials, fits, strict=True) if f.result.converged]
    return min(settled, key=lambda s: s[0])[1:] if settled else (part, fit)


def _begin(part: Part, accuracy: Accuracy) -> Search[tuple[Part, Fit]]:
    """Return the first adjustment, and the shapes that go with it.

    One wrong reading is likelier than a strange pipe. So where a stretch contradicts itself, or the
    pipe would bend before a stop and again after it, each reading there is left out in turn and the
    shapes are chosen again. Where the line then shows the reading to be wrong, and the story is the
    cheaper one, it is told.
    """
    fit = yield from least_squares([part], accuracy)
    for _ in range(2):  # more than two such places are no slip of a pen
        stories = [*_without_contradiction(part, accuracy), *_with_one_bend(part, accuracy)]
        told = yield from together(
            least_squares([p], accuracy, known=[*fit.left_out, wrong]) for p, wrong in stories
        )
        cost = _cost(part, fit)
        better = [
            (_cost(p, other), wrong.alternative.subject.ref, p, other)
            for (p, wrong), other in zip(stories, told, strict=True)
            if other.result.converged and _shown(other, wrong) and possible(other)
        ]
        better = sorted((b for b in better if b[0] < cost), key=lambda b: b[0])
        if not better or any(b[1] != better[0][1] and b[0] - better[0][0] < TIED for b in better):
            break  # none, or two that the data cannot tell apart
        _, _, part, fit = better[0]
    return part, fit


def _cost(part: Part, fit: Fit) -> float:
    """χ², and what each blunder and each bend had to gain; a contradiction costs what it is."""
    shapes = part.shapes
    bends = sum(float(chi2.isf(ALPHA, BEND_FREEDOMS[len(b)])) for b in shapes.bends_m if len(b))
    return fit.score + bends + float(shapes.chi2[shapes.contradicted].min(axis=1).sum())


def _left_out(part: Part, i: int) -> Iterator[Suspicion]:
    """Yield each reading of a point that a slip of the pen may have spoilt."""
    point = part.points[i]
    if point.kind != "junction":
        for what, run in [("plan", ""), *(("counter", run) for run in point.readings)]:
            a = Alternative(part.line, i, point, what, run, ())
            yield Suspicion(a, 0.0, limit_of(what, 2 if what == "plan" else 1), np.zeros(2))


def _without_contradiction(part: Part, accuracy: Accuracy) -> Iterator[tuple[Part, Suspicion]]:
    """Yield the line without one reading beside a contradiction that clears it, and the reading."""
    contradicted = np.flatnonzero(part.shapes.contradicted)
    for i in sorted({int(p) for s in contradicted for p in (s, s + 1)}):
        for wrong in _left_out(part, i):
            shapes = choose(without(part.points, [wrong]), accuracy)
            if shapes.contradicted.sum() < len(contradicted):
                yield part.with_shapes(shapes), wrong


def _with_one_bend(part: Part, accuracy: Accuracy) -> Iterator[tuple[Part, Suspicion]]:
    """Yield the line with one bend about a stop that has two on one side, or one on both."""
    shape = np.array(part.shapes.shape)
    double = shape == "double_bend"
    odd = double | (shape == "bend") | part.shapes.contradicted
    beside = (odd[:-1] & odd[1:]) | double[:-1] | double[1:]
    for i in (np.flatnonzero(beside) + 1).tolist():
        place = likeliest_bend_past(part.points, i, accuracy)
        for side in (i - 1, i):
            shapes = part.shapes.taken_straight([i - 1, i]).bent(side, place)
            for wrong in _left_out(part, i):
                yield part.with_shapes(shapes), wrong


def _shown(fit: Fit, wrong: Suspicion) -> bool:
    """True when the line shows a reading to be wrong that was left out on suspicion."""
    return any(
        s.alternative.subject is wrong.alternative.subject
        and s.alternative.what == wrong.alternative.what
        and s.statistic > s.limit
        for s in fit.left_out
    )


def without(points: Sequence[Point], left_out: Sequence[Suspicion]) -> list[Point]:
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


def _bend_beside(part: Part, fit: Fit, accuracy: Accuracy) -> Search[tuple[Part, Fit] | None]:
    """Where something does not fit at a stop, try one or two bends before and after it instead.

    Bends too slight for their own stretch to show can be plain from the line on both sides. Every
    story pays for its freedoms what chance alone would gain it. Bends must then explain the line as
    well as a blunder does; a turn at the very stop, which hardly ever is just there, gives way to a
    bend unless that is clearly worse. Where another stretch does as well, nothing is believed.
    """
    stops = {s.alternative.point for s in fit.suspects}
    stretches = sorted({t for i in stops for t in (i - 1, i)})
    shape = part.shapes.shape
    trials = [
        (stretch, len(bends), part.with_shapes(part.shapes.bent(stretch, bends)))
        for stretch in stretches
        if 0 <= stretch < len(shape) and shape[stretch] == "straight"
        for bends in likeliest_bends(part.points, stretch, accuracy)
    ]
    if not trials:
        return None
    fits = yield from together(least_squares([trial], accuracy) for _, _, trial in trials)
    tries: list[tuple[float, int, Part, Fit]] = []
    for (stretch, bends, trial), bent in zip(trials, fits, strict=True):
        if bent.result.converged and stands(bent, trial, stretch):
            price = float(chi2.isf(ALPHA, BEND_FREEDOMS[bends]))
            tries.append((bent.score + price, stretch, trial, bent))
    tries.sort(key=lambda t: t[0])
    turn = any(s.alternative.what == "kink" for s in fit.suspects)
    if not tries or tries[0][0] > fit.score + (TIED if turn else 0.0):
        return None
    best, here, trial, bent = tries[0]
    told = all(t[0] - best >= TIED for t in tries if t[1] != here)
    return (trial, bent) if told else None
