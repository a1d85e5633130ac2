"""What errors shared through a site do to its fixes: control, GNSS base, the receiver's scale.

A control point that is off moves every mark taped from it, and every fix of those marks, together.
Each fix's covariance holds that; here is what is needed to hold it *between* fixes.
"""

from __future__ import annotations

import numpy as np

from lateralline.kernels.lsq import per_problem
from lateralline.records import Floats
from lateralline.solve.average import turn_matrix
from lateralline.solve.batch import Fits
from lateralline.solve.depth import lever
from lateralline.solve.problem import StopProblem
from lateralline.solve.scale import Scale


def shared_shifts(problem: StopProblem, fits: Fits, shared_m: Floats, scale: Scale) -> Floats:
    """Return what one σ of each shared error does to each fix (k, 5, c + s), in site axes.

    shared_m (n, 3, c) is what it does to the marks. To first order a mark moved by δ moves the fix
    by −N⁻¹ Σ Jᵀ S⁻¹ (∂f/∂mark) δ, and levels moved together move the ground over it, which the
    depth reading hangs on. The last s columns are the depth-reading scale of each receiver.
    """
    s, p = problem.stops, fits.p
    at = problem.linearise(p)
    turn = np.repeat(p[3], s.count)
    sin, cos = np.sin(turn)[:, None], np.cos(turn)[:, None]
    east, north, up = np.moveaxis(shared_m[problem.marks.row], 1, 0)  # each (n, c)
    moved = np.stack([east * sin + north * cos, east * cos - north * sin, up])  # (3, n, c)

    det = at.mark_s[0] * at.mark_s[2] - at.mark_s[1] ** 2
    inverse = np.stack([at.mark_s[2], -at.mark_s[1], -at.mark_s[1], at.mark_s[0]]) / det
    weighted = np.einsum("qin,qrn->rin", at.mark_j, inverse.reshape(2, 2, -1))
    by_mark = np.einsum("rin,rxn,xnc->icn", weighted, problem.by_position(p), moved, optimize=True)
    pull = np.moveaxis(per_problem(by_mark, s.count), 1, 2)  # (5, k, c)

    share = lever(problem, p)
    whole = np.maximum(per_problem(share, s.count), 1e-9)
    ground = np.moveaxis(per_problem((share[:, None] * up).T, s.count), 0, 1) / whole[:, None]
    reading = at.own_j[0] / at.own_var[0]  # zero without one
    pull = pull + reading[:, :, None] * (s.scale[:, None] * ground)

    receivers = len(scale.value)
    distance = problem.ground(p) + s.aerial_m - p[2]
    own = np.zeros((len(s.count), receivers))
    own[np.arange(len(own)), scale.group] = distance * scale.others_sigma
    pull = np.concatenate([pull, reading[:, :, None] * own], axis=2)
    return np.asarray(-turn_matrix(p[3]) @ fits.cov @ np.moveaxis(pull, 0, 1))
