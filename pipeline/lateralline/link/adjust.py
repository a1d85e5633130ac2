"""Adjust one line, and name what does not fit.

A robust start, then least squares, then one blunder at a time: the likeliest alternative is given
a bias of its own, which leaves it out exactly, and the rest is adjusted again. Where two culprits
explain a misfit equally well, both are named and neither is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.network import Adjustment, adjust
from lateralline.link.blunders import Suspicion, misfit_finding, named, tied
from lateralline.link.model import Alternative, LineModel
from lateralline.link.points import Point
from lateralline.link.shapes import ALPHA, Shapes, choose
from lateralline.records import Finding, Floats, Ints
from lateralline.settings import Accuracy

#: √T closer than this in χ² are one and the same to the data (95 % of one degree of freedom).
_TIED = 3.84
_HUBER = 2.0


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
    shapes = choose(points, accuracy)
    model, result = _least_squares(points, shapes, accuracy)
    if not result.converged:  # a bend the data cannot place after all
        shapes = shapes.without_bends()
        model, result = _least_squares(points, shapes, accuracy)
    result, findings = _without_blunders(model, result, points)
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


def _least_squares(
    points: Sequence[Point], shapes: Shapes, accuracy: Accuracy
) -> tuple[LineModel, Adjustment]:
    model = LineModel(points, shapes, accuracy)
    cov = model.covariance()
    robust = adjust(model, cov, model.start(), robust=_HUBER, iterations=15, tolerance=0.05)
    start = robust.x if np.isfinite(robust.x).all() else model.start()
    return model, adjust(model, cov, start, tolerance=1e-4)


def _without_blunders(
    model: LineModel, result: Adjustment, points: Sequence[Point]
) -> tuple[Adjustment, list[Finding]]:
    """Leave out one blunder after another; return the last adjustment and what was found."""
    alternatives = model.alternatives()
    cov = model.covariance()
    left_out: list[Suspicion] = []
    for _ in range(max(1, len(points) // 2)):
        suspicions = _suspicions(alternatives, result)
        if not suspicions:
            break
        worst = suspicions[0]
        rivals = [
            s
            for s in suspicions[1:]
            if s.alternative.point != worst.alternative.point
            and worst.statistic - s.statistic < _TIED
        ]
        if rivals:
            return result, [
                *(named(s, points) for s in left_out),
                tied([worst, *rivals], points),
            ]
        biases = np.column_stack([s.alternative.columns for s in (*left_out, worst)])
        trial = adjust(model, cov, result.x[: model.unknowns], biases=biases, tolerance=1e-4)
        if not trial.converged:
            break
        left_out.append(worst)
        result = trial
    return result, [named(s, points) for s in left_out]


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
