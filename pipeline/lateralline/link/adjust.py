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
from lateralline.link.shapes import ALPHA, Shapes, choose, likeliest_bend
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
    return Solution(
        line=line,
        points=tuple(points),
        shapes=shapes,
        point_vertex=model.point_vertex,
        xyz_m=result.x[:n].reshape(-1, 3),
        cov_m2=result.cov[:n, :n],
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
    """Where the line turns at a stop, try the bend in the stretch before and after it instead.

    A bend too slight for its own stretch to show can be plain from the line on both sides. It is
    taken when it fits as well as a turn at the very stop, and the other side does not.
    """
    kinks = [s for s in (*fit.left_out, *fit.tied) if s.alternative.what == "kink"]
    if not kinks:
        return None
    stop = kinks[0].alternative.point
    tries: list[tuple[float, bool, Shapes, _Fit]] = []
    for stretch in (stop - 1, stop):
        if shapes.shape[stretch] == "straight":
            trial = shapes.bent(stretch, likeliest_bend(points, stretch, accuracy))
            bent = _least_squares(points, trial, accuracy)
            if bent.result.converged:
                stands = _stands(bent.model, bent.result, stretch)
                tries.append((_score(bent), stands, trial, bent))
    tries.sort(key=lambda t: t[0])
    # χ² with a turn at the very stop: left out already, or about to fall by its statistic.
    gained = kinks[0].limit if kinks[0] in fit.left_out else kinks[0].statistic
    if not tries or tries[0][0] > _score(fit) - gained + _TIED:
        return None
    tied_sides = len(tries) > 1 and tries[1][0] - tries[0][0] < _TIED
    _, stands, trial, bent = tries[0]
    return (trial, bent) if stands and not tied_sides else None


def _score(fit: _Fit) -> float:
    """χ² and what each thing left out had to gain."""
    return fit.result.chi2 + sum(s.limit for s in fit.left_out)


def _stands(model: LineModel, result: Adjustment, stretch: int) -> bool:
    """True when the bend of a stretch lies between its ends, clear of both."""
    v = int(model.point_vertex[stretch])
    path = result.x[: 3 * model.vertices].reshape(-1, 3)[v : v + 3]
    legs = np.diff(path, axis=0)
    length = np.linalg.norm(legs, axis=1)
    return bool((length > SHORTEST_LEG_M).all() and float(legs[0] @ legs[1]) > 0)


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
