"""How deep, how sure: what of the levelled marks cancels between ground and transmitter."""

from __future__ import annotations

import numpy as np

from lateralline.kernels.lsq import per_problem
from lateralline.records import Floats
from lateralline.solve.ground import ROUGHNESS_M, plane_rows
from lateralline.solve.problem import StopProblem


def depth_variance(problem: StopProblem, p: Floats, cov: Floats) -> Floats:
    """Return the variance (k,) of ground minus transmitter level.

    Ground and transmitter hang on the same levelled marks, so what they share cancels. With the
    ground h = row·g and depth = h − up, an error δg of the plane and δz of a mark's level give

        δdepth = (1 − c) row·δg − Σ yᵀ Jᵀ S⁻¹ (∂f/∂z) δz + own noise of marks, reading, priors

    where y = N⁻¹ ∂depth/∂p and c is the part the depth reading's condition hands on; the plane's
    own δg is Σ G row δz / σ² over the same marks.
    """
    s, marks = problem.stops, problem.marks
    at = problem.linearise(p)
    along, across = problem.slopes(p)
    zero = np.zeros_like(along)
    y = np.einsum("kij,jk->ik", cov, np.stack([along, across, zero - 1.0, zero, zero]))
    # the reading was weighted as if its share of the plane's error were its own
    plane_var = problem.ground_var(p)
    weight = 1.0 / at.own_var[0]
    handed = np.einsum("ik,ik->k", y, at.own_j[0])
    rest = 1.0 - handed * weight * s.scale
    by_fix = along * y[0] + across * y[1] - y[2]
    by_fix -= handed**2 * weight**2 * s.scale**2 * plane_var * (weight > 0.0)

    det = at.mark_s[0] * at.mark_s[2] - at.mark_s[1] ** 2
    inverse = np.stack([at.mark_s[2], -at.mark_s[1], -at.mark_s[1], at.mark_s[0]]) / det
    by_up = problem.by_position(p)[:, 2] * marks.cov_m2[2, 2]
    to_depth = np.einsum("in,qin->qn", np.repeat(y, s.count, axis=1), at.mark_j)
    of_fix = np.einsum("qn,qrn,rn->n", to_depth, inverse.reshape(2, 2, -1), by_up)
    to_plane = np.einsum("ijk,jk->ik", s.plane_cov, problem.plane_row(p))
    of_ground = np.einsum(
        "in,in->n",
        np.repeat(to_plane, s.count, axis=1),
        plane_rows(marks.xyz_m, s.centre_m, s.count),
    )
    of_ground = np.where(marks.in_plane, of_ground / (marks.cov_m2[2, 2] + ROUGHNESS_M**2), 0.0)
    shared = per_problem(of_fix * of_ground, s.count)
    variance = rest**2 * plane_var + by_fix - 2.0 * rest * shared
    return np.asarray(np.maximum(variance, 1e-12))
