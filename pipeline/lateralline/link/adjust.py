"""Adjust one line by itself: what shape its stretches have, and which readings are wrong.

What it finds is the start of the network its line belongs to (`joint`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.stats import chi2

from lateralline.link.blunders import unlinked_finding
from lateralline.link.equations import SHORTEST_LEG_M
from lateralline.link.model import Alternative
from lateralline.link.parts import Part
from lateralline.link.points import Point
from lateralline.link.rounds import Search, together
from lateralline.link.search import TIED, Fit, Suspicion, least_squares, limit_of
from lateralline.link.shapes import ALPHA, BEND_FREEDOMS, choose, likeliest_bends
from lateralline.records import Finding, Floats
from lateralline.settings import Accuracy

#: What of a point is left out, and the σ that leaves it loose: metres, radians.
_LOOSE = {
    "plan": ((0, 1), 20.0),
    "level": ((2,), 20.0),
    "heading": ((3,), 3.0),
    "tilt": ((4,), 3.0),
}


@dataclass(frozen=True, slots=True)
class Alone:
    """One line adjusted by itself."""

    part: Part
    fit: Fit
    turns: tuple[Suspicion, ...]  # stops the pipe turns at
    findings: tuple[Finding, ...]

    @property
    def path_m(self) -> Floats:
        """Adjusted vertices (V, 3)."""
        return self.fit.model.path(self.part.line, self.fit.result.x)

    @property
    def path_cov_m2(self) -> Floats:
        """Covariance (3V, 3V) of all vertices."""
        at = self.fit.model.vertex_x[self.part.line][:, None] + np.arange(3)
        return np.asarray(self.fit.result.cov[np.ix_(at.ravel(), at.ravel())])

    @property
    def settled(self) -> Part:
        """The line with its bends where the adjustment has them, to start from."""
        path, number = self.path_m, self.part.path[1]
        shapes = self.part.shapes
        bends = tuple(path[a + 1 : b] for a, b in pairwise(number.tolist()))
        return self.part.with_shapes(replace(shapes, bends_m=bends))


def adjust_line(line: str, points: Sequence[Point], accuracy: Accuracy) -> Search[Alone]:
    """Return the adjusted line through ordered, turned points (at least two)."""
    part, fit = yield from _begin(Part(line, tuple(points), choose(points, accuracy)), accuracy)
    while True:
        better = yield from _bend_beside(part, fit, accuracy)
        if better is None:
            break
        part, fit = better
    turns = tuple(s for s in fit.left_out if s.alternative.what == "kink")
    findings = []
    if turns:
        part = part.with_shapes(part.shapes.turning_at([s.alternative.point for s in turns]))
        fit = yield from least_squares([part], accuracy)
    if not fit.result.converged:
        part, fit = yield from _without_one_bend(part, fit, accuracy)
    if not fit.result.converged:
        part = part.with_shapes(part.shapes.without("bend", "double_bend"))
        fit = yield from least_squares([part], accuracy)
    if not fit.result.converged:  # only the points themselves are left
        part = part.with_shapes(part.shapes.without("straight"))
        fit = yield from least_squares([part], accuracy)
        findings.append(unlinked_finding(line))
    return Alone(part, fit, turns, tuple(findings))


def _without_one_bend(part: Part, fit: Fit, accuracy: Accuracy) -> Search[tuple[Part, Fit]]:
    """Return the line with the bend undecided that the data cannot place after all, if it is one."""
    bent = [i for i, bends in enumerate(part.shapes.bends_m) if len(bends)]
    trials = [part.with_shapes(part.shapes.loosened(i)) for i in bent]
    fits = yield from together(least_squares([trial], accuracy) for trial in trials)
    settled = [(f.score, p, f) for p, f in zip(trials, fits, strict=True) if f.result.converged]
    return min(settled, key=lambda s: s[0])[1:] if settled else (part, fit)


def _begin(part: Part, accuracy: Accuracy) -> Search[tuple[Part, Fit]]:
    """Return the first adjustment, and the shapes that go with it.

    A stretch that neither a straight pipe nor a bend fits is a contradiction, and a contradiction
    is more often one wrong reading than a strange pipe. So each reading at its ends is left out in
    turn and the shapes are chosen again. Where that clears the contradiction, and the line then
    shows the reading to be wrong, the likeliest such story is told; else the stretch is undecided.
    """
    fit = yield from least_squares([part], accuracy)
    for _ in range(2):  # more than two contradictions are no slip of a pen
        stories = list(_stories(part, accuracy))
        told = yield from together(
            least_squares([p], accuracy, known=[*fit.left_out, wrong]) for p, wrong in stories
        )
        better = [
            (other.score, p, other)
            for (p, wrong), other in zip(stories, told, strict=True)
            if other.result.converged and _shown(other, wrong) and _possible(other)
        ]
        if not better:
            break
        _, part, fit = min(better, key=lambda b: b[0])
    return part, fit


def _stories(part: Part, accuracy: Accuracy) -> Iterator[tuple[Part, Suspicion]]:
    """Yield a line without one reading beside a contradiction, and that reading."""
    contradicted = np.flatnonzero(part.shapes.contradicted)
    for i in sorted({int(p) for s in contradicted for p in (s, s + 1)}):
        point = part.points[i]
        if point.kind == "junction":
            continue
        kinds = [("plan", ""), *(("counter", run) for run in point.readings)]
        for what, run in kinds:
            a = Alternative(part.line, i, point, what, run, ())
            wrong = Suspicion(a, 0.0, limit_of(what, 2 if what == "plan" else 1), np.zeros(2))
            shapes = choose(without(part.points, [wrong]), accuracy)
            if shapes.contradicted.sum() < len(contradicted):
                yield part.with_shapes(shapes), wrong


def _shown(fit: Fit, wrong: Suspicion) -> bool:
    """True when the line shows a reading to be wrong that was left out on suspicion."""
    return any(
        s.alternative.subject is wrong.alternative.subject
        and s.alternative.what == wrong.alternative.what
        and s.statistic > s.limit
        for s in fit.left_out
    )


def _possible(fit: Fit) -> bool:
    """True when nothing else is badly wrong."""
    return fit.result.dof <= 0 or bool(fit.result.chi2 <= chi2.isf(ALPHA, fit.result.dof))


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
        if bent.result.converged and _stands(bent, trial, stretch, bends):
            price = float(chi2.isf(ALPHA, BEND_FREEDOMS[bends]))
            tries.append((bent.score + price, stretch, trial, bent))
    tries.sort(key=lambda t: t[0])
    turn = any(s.alternative.what == "kink" for s in fit.suspects)
    if not tries or tries[0][0] > fit.score + (TIED if turn else 0.0):
        return None
    best, here, trial, bent = tries[0]
    told = all(t[0] - best >= TIED for t in tries if t[1] != here)
    return (trial, bent) if told else None


def _stands(fit: Fit, part: Part, stretch: int, bends: int) -> bool:
    """True when the bends of a stretch lie in order between its ends, clear of them."""
    v = int(part.path[1][stretch])
    path = fit.model.path(part.line, fit.result.x)[v : v + bends + 2]
    legs = np.diff(path, axis=0)
    ahead = np.einsum("lc,lc->l", legs[1:], legs[:-1])
    return bool((np.linalg.norm(legs, axis=1) > SHORTEST_LEG_M).all() and (ahead > 0).all())
