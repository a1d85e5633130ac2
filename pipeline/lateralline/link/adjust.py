"""Adjust one line, and name what does not fit.

Least squares, then one blunder at a time: the likeliest alternative is given a bias of its own,
which leaves it out exactly, and the rest is adjusted again. Where two culprits explain a misfit
equally well, both are named and neither is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.network import Adjustment, adjust
from lateralline.link.blunders import Suspicion, misfit_finding, named, tied, unlinked_finding
from lateralline.link.equations import SHORTEST_LEG_M, exact_is_small
from lateralline.link.model import Alternative, LineModel
from lateralline.link.points import Point
from lateralline.link.shapes import ALPHA, BEND_FREEDOMS, Shapes, choose, likeliest_bends
from lateralline.records import Finding, Floats, Ints
from lateralline.settings import Accuracy

#: √T closer than this in χ² are one and the same to the data (95 % of one degree of freedom).
_TIED = 3.84


@dataclass(frozen=True, slots=True)
class Solution:
    """One adjusted line with its whole covariance."""

    line: str
    points: tuple[Point, ...]
    shapes: Shapes
    point_vertex: Ints  # (k,)
    xyz_m: Floats  # (V, 3)
    cov_m2: Floats  # (3V, 3V)
    direction_rad: Floats  # (k, 2) adjusted heading and tilt of the pipe; NaN = not observed
    scale: dict[str, tuple[float, float]]  # run → metres of pipe per counted metre, σ
    chi2: float
    dof: int
    findings: tuple[Finding, ...]


def adjust_line(line: str, points: Sequence[Point], accuracy: Accuracy) -> Solution:
    """Return the adjusted line through ordered, turned points (at least two)."""
    accuracy = exact_is_small(accuracy)
    shapes = choose(points, accuracy)
    fit = _least_squares(points, shapes, accuracy)
    while (better := _bend_beside(points, shapes, fit, accuracy)) is not None:
        shapes, fit = better
    turns = [s for s in fit.left_out if s.alternative.what == "kink"]
    findings = [named(s, points) for s in turns]
    if turns:
        shapes = shapes.turning_at([s.alternative.point for s in turns])
        fit = _least_squares(points, shapes, accuracy)
    if not fit.result.converged:  # a bend the data cannot place after all
        shapes = shapes.without("bend", "double_bend")
        fit = _least_squares(points, shapes, accuracy)
    if not fit.result.converged:  # only the points themselves are left
        shapes = shapes.without("straight")
        fit = _least_squares(points, shapes, accuracy)
        findings.append(unlinked_finding(line))
    model, result = fit.model, fit.result
    findings += [named(s, points) for s in fit.left_out]
    findings += [tied(fit.tied, points)] if fit.tied else []
    n = 3 * model.vertices
    scales = result.x[model.scale_at : model.unknowns]
    sigma = np.sqrt(np.diag(result.cov)[model.scale_at : model.unknowns])
    direction = np.full((len(points), 2), np.nan)
    direction[model.directed] = result.x[n : model.scale_at].reshape(-1, 2)
    return Solution(
        line=line,
        points=tuple(points),
        shapes=shapes,
        point_vertex=model.point_vertex,
        xyz_m=result.x[:n].reshape(-1, 3),
        cov_m2=result.cov[:n, :n],
        direction_rad=direction,
        scale={
            r: (float(v), float(s))
            for r, v, s in zip(model.sights.runs, scales, sigma, strict=True)
        },
        chi2=result.chi2,
        dof=result.dof,
        findings=(*findings, *misfit_finding(line, result)),
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """A line adjusted under one choice of shapes."""

    model: LineModel
    result: Adjustment
    left_out: tuple[Suspicion, ...]
    tied: tuple[Suspicion, ...]  # suspects that cannot be told apart; none is left out


def _least_squares(points: Sequence[Point], shapes: Shapes, accuracy: Accuracy) -> _Fit:
    """Adjust, leaving out one blunder after another.

    With a gross blunder still inside, least squares may creep; its tests point at the culprit all
    the same, so only the last adjustment has to have settled.
    """
    model = LineModel(points, shapes, accuracy)
    cov = model.covariance()
    alternatives = model.alternatives()
    start = model.start()
    result = adjust(model, cov, start, tolerance=1e-4)
    left_out: list[Suspicion] = []
    for _ in range(max(1, len(points) // 2)):
        suspicions = _suspicions(alternatives, result)
        if not suspicions:
            break
        worst = suspicions[0]
        rivals = [s for s in suspicions[1:] if _rival(s, worst)]
        if rivals:
            return _Fit(model, result, tuple(left_out), (worst, *rivals))
        biases = np.column_stack([s.alternative.columns for s in (*left_out, worst)])
        trial = adjust(model, cov, start, biases=biases, tolerance=1e-4)
        if not np.isfinite(trial.x).all():
            break
        left_out.append(worst)
        result = trial
    return _Fit(model, result, tuple(left_out), ())


def _bend_beside(
    points: Sequence[Point], shapes: Shapes, fit: _Fit, accuracy: Accuracy
) -> tuple[Shapes, _Fit] | None:
    """Where something does not fit at a stop, try one or two bends before and after it instead.

    Bends too slight for their own stretch to show can be plain from the line on both sides. Every
    story pays for its freedoms what chance alone would gain it. Bends must then explain the line as
    well as a blunder does; a turn at the very stop, which hardly ever is just there, gives way to a
    bend unless that is clearly worse. Where another stretch does as well, nothing is believed.
    """
    suspects = [*fit.left_out, *fit.tied]
    if not suspects:
        return None
    stops = {s.alternative.point for s in suspects}
    tries: list[tuple[float, int, Shapes, _Fit]] = []
    for stretch in sorted({t for i in stops for t in (i - 1, i)}):
        if 0 <= stretch < len(shapes.shape) and shapes.shape[stretch] == "straight":
            for bends in likeliest_bends(points, stretch, accuracy):
                trial = shapes.bent(stretch, bends)
                bent = _least_squares(points, trial, accuracy)
                if bent.result.converged and _stands(bent.model, bent.result, stretch, len(bends)):
                    price = float(chi2.isf(ALPHA, BEND_FREEDOMS[len(bends)]))
                    tries.append((_score(bent) + price, stretch, trial, bent))
    tries.sort(key=lambda t: t[0])
    turn = any(s.alternative.what == "kink" for s in suspects)
    if not tries or tries[0][0] > _score(fit) + (_TIED if turn else 0.0):
        return None
    best, here, trial, bent = tries[0]
    told = all(t[0] - best >= _TIED for t in tries if t[1] != here)
    return (trial, bent) if told else None


def _score(fit: _Fit) -> float:
    """χ² and what each thing left out had to gain; of things tied, the likeliest is left out."""
    left = sum(s.limit for s in fit.left_out)
    return fit.result.chi2 + left + sum(s.limit - s.statistic for s in fit.tied[:1])


def _stands(model: LineModel, result: Adjustment, stretch: int, bends: int) -> bool:
    """True when the bends of a stretch lie in order between its ends, clear of them."""
    v = int(model.point_vertex[stretch])
    path = result.x[: 3 * model.vertices].reshape(-1, 3)[v : v + bends + 2]
    legs = np.diff(path, axis=0)
    ahead = np.einsum("lc,lc->l", legs[1:], legs[:-1])
    return bool((np.linalg.norm(legs, axis=1) > SHORTEST_LEG_M).all() and (ahead > 0).all())


def _rival(other: Suspicion, worst: Suspicion) -> bool:
    """True when another point explains the misfit as well, to the data."""
    return (
        other.alternative.point != worst.alternative.point
        and worst.statistic - other.statistic < _TIED
    )


def _suspicions(alternatives: Sequence[Alternative], result: Adjustment) -> list[Suspicion]:
    """Alternatives beyond their limit, the likeliest first."""
    out: list[Suspicion] = []
    for q in (1, 2):
        group = [a for a in alternatives if a.columns.shape[1] == q]
        if not group:
            continue
        limit = float(chi2.isf(ALPHA, q))
        tests = result.test(np.stack([a.columns for a in group]))
        out += [
            Suspicion(a, float(t), limit, size)
            for a, t, size in zip(group, tests.statistic, tests.size, strict=True)
            if t > limit
        ]
    return sorted(out, key=lambda s: -s.statistic / s.limit)
