"""Least squares, and what does not fit: one blunder after another is found and left out.

The likeliest alternative is given a bias of its own, which leaves it out exactly, and the rest is
adjusted again. Where two culprits explain a misfit equally well, both are named and neither is left
out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.network import Adjustment
from lateralline.link.model import Alternative, Model
from lateralline.link.parts import Part
from lateralline.link.rounds import Request, Search
from lateralline.link.shapes import ALPHA
from lateralline.records import Floats
from lateralline.settings import Accuracy

#: Significance of each test of what is seldom wrong by itself: angles are read off nothing, and a
#: wrong level shows in its marks. A line has dozens of tests, and they must not cry wolf together.
ALPHAS = {"level": 2e-4, "heading": 2e-4, "tilt": 2e-4, "kink": 1e-4}
#: √T closer than this in χ² are one and the same to the data (95 % of one degree of freedom).
TIED = 3.84


@dataclass(frozen=True, slots=True)
class Suspicion:
    """An alternative that explains the misfit better than chance."""

    alternative: Alternative
    statistic: float  # χ² of as many degrees of freedom as the alternative has
    limit: float
    size: Floats  # (q,) estimated error of the observation
    size_cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))  # (q, q) of that estimate
    way: Floats = field(default_factory=lambda: np.full(2, np.nan))  # (2,) of the pipe there
    moved_m: float = float("nan")  # how far the path moves when it is left out
    moved_most: str = ""  # the point that moves furthest


@dataclass(frozen=True, slots=True)
class Fit:
    """A network adjusted under one choice of shapes."""

    model: Model
    result: Adjustment
    left_out: tuple[Suspicion, ...]
    tied: tuple[Suspicion, ...]  # suspects that cannot be told apart; none is left out

    @property
    def suspects(self) -> tuple[Suspicion, ...]:
        """Everything that does not fit, left out or not."""
        return self.left_out + self.tied

    @property
    def score(self) -> float:
        """χ² and what each thing left out had to gain; of those tied, the likeliest is left out."""
        left = sum(s.limit for s in self.left_out)
        return self.result.chi2 + left + sum(s.limit - s.statistic for s in self.tied[:1])


def least_squares(
    parts: Sequence[Part],
    accuracy: Accuracy,
    *,
    shared: bool = False,
    known: Sequence[Suspicion] = (),
) -> Search[Fit]:
    """Adjust, leaving out what is known to be wrong and one blunder after another.

    With a gross blunder still inside, least squares may creep; its tests point at the culprit all
    the same, so only the last adjustment has to have settled.
    """
    model = Model(parts, accuracy, shared=shared)
    alternatives = model.alternatives()
    left_out = [again for s in known if (again := _again(s, alternatives)) is not None]
    (result,) = yield [Request(model, _rows(left_out))]
    tied: tuple[Suspicion, ...] = ()
    for _ in range(max(1, sum(len(p.points) for p in parts) // 2)):
        suspicions = _suspicions(alternatives, result)
        if not suspicions:
            break
        worst = suspicions[0]
        rivals = [s for s in suspicions[1:] if _rival(s, worst)]
        if rivals:
            tied = (worst, *rivals)
            break
        (trial,) = yield [Request(model, _rows([*left_out, worst]))]
        if not np.isfinite(trial.x).all():
            break
        left_out.append(worst)
        result = trial
    while left_out:  # what came to nothing once the rest was left out is put back
        sized = _sized(left_out, result)
        least = min(sized, key=lambda s: s.statistic / s.limit)
        if not least.statistic < least.limit:
            return Fit(model, result, _on_way(model, result, sized), _on_way(model, result, tied))
        left_out = [s for s in sized if s is not least]
        (result,) = yield [Request(model, _rows(left_out))]
    return Fit(model, result, (), _on_way(model, result, tied))


def _on_way(
    model: Model, result: Adjustment, suspicions: Sequence[Suspicion]
) -> tuple[Suspicion, ...]:
    """The same, each with the way the pipe runs in plan past what it is about."""
    out = []
    for s in suspicions:
        line, i = s.alternative.line, s.alternative.point
        if s.alternative.what == "plan" and i >= 0:
            path = model.path(line, result.x)[:, :2]
            v = int(model.point_vertex[line][i])
            chord = path[min(v + 1, len(path) - 1)] - path[max(v - 1, 0)]
            s = replace(s, way=chord / max(float(np.hypot(*chord)), 1e-9))
        out.append(s)
    return tuple(out)


def _sized(left_out: Sequence[Suspicion], result: Adjustment) -> list[Suspicion]:
    """What is left out with the error found of it, and how sure it is: b̂ᵀ C⁻¹ b̂ of its biases."""
    order = {row: i for i, row in enumerate(_rows(left_out))}
    first = len(result.x) - len(order)
    out = []
    for s in left_out:
        at = np.array([first + order[row] for row in s.alternative.rows])
        size, cov = result.x[at], result.cov[np.ix_(at, at)]
        if np.isfinite(size).all():
            statistic = float(size @ np.linalg.solve(cov, size))
            s = replace(s, size=size, size_cov=cov, statistic=statistic)
        out.append(s)
    return out


def with_effects(fit: Fit) -> Search[Fit]:
    """Return the same with what leaving out each blunder did: each put back in by itself."""
    if not fit.left_out:
        return fit
    without = [_rows([s for s in fit.left_out if s is not one]) for one in fit.left_out]
    answers = yield [Request(fit.model, rows) for rows in without]
    moved = [_moved(fit, s, a) for s, a in zip(fit.left_out, answers, strict=True)]
    return replace(fit, left_out=tuple(moved))


def _moved(fit: Fit, suspicion: Suspicion, kept: Adjustment) -> Suspicion:
    """How far the points of its line move, furthest where, when a blunder is left out."""
    line = suspicion.alternative.line
    part = next(p for p in fit.model.parts if p.line == line)
    away = fit.model.path(line, fit.result.x) - fit.model.path(line, kept.x)
    far = np.linalg.norm(away[fit.model.point_vertex[line]], axis=1)
    if not np.isfinite(far).all():
        return suspicion
    most = int(np.argmax(far))
    return replace(suspicion, moved_m=float(far[most]), moved_most=part.points[most].subject)


def _rows(suspicions: Sequence[Suspicion]) -> tuple[int, ...]:
    return tuple(dict.fromkeys(row for s in suspicions for row in s.alternative.rows))


def _again(known: Suspicion, alternatives: Sequence[Alternative]) -> Suspicion | None:
    """The same thing among the alternatives of another network."""
    was = known.alternative
    for a in alternatives:
        if a.subject.ref == was.subject.ref and (a.line, a.what, a.run) == (
            was.line,
            was.what,
            was.run,
        ):
            return replace(known, alternative=a)
    return None


def _rival(other: Suspicion, worst: Suspicion) -> bool:
    """True when another point explains the misfit as well, to the data."""
    return (
        other.alternative.subject.ref != worst.alternative.subject.ref
        and worst.statistic - other.statistic < TIED
    )


@cache
def limit_of(what: str, freedoms: int) -> float:
    """Return the χ² beyond which a reading of this kind is held to be wrong."""
    return float(chi2.isf(ALPHAS.get(what, ALPHA), freedoms))


def _suspicions(alternatives: Sequence[Alternative], result: Adjustment) -> list[Suspicion]:
    """Alternatives beyond their limit, the likeliest first."""
    out: list[Suspicion] = []
    for q in (1, 2):
        group = [a for a in alternatives if len(a.rows) == q]
        if not group:
            continue
        tests = result.test_rows(np.array([a.rows for a in group]))
        for a, t, size, cov in zip(group, tests.statistic, tests.size, tests.cov, strict=True):
            limit = limit_of(a.what, q)
            if t > limit:
                out.append(Suspicion(a, float(t), limit, size, cov))
    return sorted(out, key=lambda s: -s.statistic / s.limit)
