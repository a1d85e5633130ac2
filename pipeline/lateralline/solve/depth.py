"""How deep, how sure: ground and transmitter hang on the same levelled marks.

The solver weighs a depth reading as if the ground over the fix erred by itself. It does not: its
plane goes through the very marks whose levels enter the null conditions. What that changes is exact
to first order and is put right here, after the iteration, where it cannot disturb it.
"""

from __future__ import annotations

import numpy as np

from lateralline.kernels.lsq import per_problem
from lateralline.records import Floats
from lateralline.solve.ground import ROUGHNESS_M, plane_rows
from lateralline.solve.problem import StopProblem


def with_ground(problem: StopProblem, p: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return the covariance (k, 5, 5) and the variance of the depth (k,), shared levels counted.

    cov (k, 5, 5) is N⁻¹ in transmitter axes. With h the ground over the fix, δh = Σ aᵢ δzᵢ over the
    marks of the plane, and qᵢ = Jᵢᵀ Sᵢ⁻¹ (∂fᵢ/∂z) σᵢ² aᵢ summed to q, the reading's condition (row
    j, weight w, scale s) and the marks' conditions have the covariance the weights left out:

        C = N⁻¹ + s w N⁻¹ (q jᵀ + j qᵀ) N⁻¹,   cov(p, h) = −N⁻¹ (q + s w j var h)

    and depth = h − up, seen along the ground's slope where the plan position errs.
    """
    s, marks = problem.stops, problem.marks
    at = problem.linearise(p)
    weight = s.scale / at.own_var[0]
    reading = at.own_j[0]
    plane_var = problem.ground_var(p)

    det = at.mark_s[0] * at.mark_s[2] - at.mark_s[1] ** 2
    inverse = np.stack([at.mark_s[2], -at.mark_s[1], -at.mark_s[1], at.mark_s[0]]) / det
    by_level = problem.by_position(p)[:, 2] * (marks.cov_m2[2, 2] * lever(problem, p))
    pull = np.einsum("qin,qrn,rn->in", at.mark_j, inverse.reshape(2, 2, -1), by_level)
    q = per_problem(pull, s.count)

    cross = np.einsum("ik,jk->kij", q * weight, reading)
    whole = cov + cov @ (cross + np.swapaxes(cross, 1, 2)) @ cov
    with_level = -np.einsum("kij,jk->ik", cov, q + reading * (weight * plane_var))
    along, across = problem.slopes(p)
    zero = np.zeros_like(along)
    by_fix = np.stack([along, across, zero - 1.0, zero, zero])
    variance = plane_var + np.einsum("ik,kij,jk->k", by_fix, whole, by_fix)
    variance += 2.0 * np.einsum("ik,ik->k", by_fix, with_level)
    return whole, np.asarray(np.maximum(variance, 1e-12))


def lever(problem: StopProblem, p: Floats) -> Floats:
    """Return ∂(ground over the fix)/∂(level of each mark) (n,); 0 for marks not in the plane."""
    s, marks = problem.stops, problem.marks
    over_fix = np.einsum("ijk,jk->ik", s.plane_cov, problem.plane_row(p))
    rows = plane_rows(marks.xyz_m, s.centre_m, s.count)
    lever = np.einsum("in,in->n", np.repeat(over_fix, s.count, axis=1), rows)
    return np.where(marks.in_plane, lever / (marks.cov_m2[2, 2] + ROUGHNESS_M**2), 0.0)
