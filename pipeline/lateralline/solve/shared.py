"""What errors shared through a site do to its fixes: control, GNSS base, the receiver's scale.

A control point that is off moves every mark taped from it, and every fix of those marks, together.
The solver weighs marks as if each erred by itself; what its weights leave out within a fix, and
what is needed to hold the errors *between* fixes, is here.
"""

from __future__ import annotations

import numpy as np

from lateralline.kernels.lsq import per_problem
from lateralline.records import Floats
from lateralline.solve.average import turn_matrix
from lateralline.solve.batch import Fits
from lateralline.solve.depth import lever
from lateralline.solve.problem import StopProblem
from lateralline.solve.scale import ReceiverScale

#: Of a fix's variance in any direction, what marks that err together may take off at most.
MOST_LOST = 0.999


def shared_shifts(
    problem: StopProblem, fits: Fits, shared_m: Floats, scale: ReceiverScale
) -> tuple[Floats, Floats]:
    """Return what one σ of each shared error does to each fix (k, 5, c + s), in site axes.

    And what the weights left out because of it (k, 5, 5), to be added to a fix's covariance. With
    Sᵢ what the errors do through mark i alone and S = Σ Sᵢ, the weights counted Σ Sᵢ Sᵢᵀ for S Sᵀ.
    So N⁻¹ + S Sᵀ − Σ Sᵢ Sᵢᵀ is the covariance, and what a fix has of its own, N⁻¹ − Σ Sᵢ Sᵢᵀ, is
    positive semidefinite, since each mark's covariance holds its share.

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

    share = lever(problem, p)
    whole = np.repeat(np.maximum(per_problem(share, s.count), 1e-9), s.count)
    reading = at.own_j[0] / at.own_var[0]  # zero without one
    by_ground = np.repeat(reading * s.scale, s.count, axis=1)
    by_mark = by_mark + by_ground[:, None] * ((share / whole)[:, None] * up).T
    pull = np.moveaxis(per_problem(by_mark, s.count), 1, 2)  # (5, k, c)

    receivers = len(scale.value)
    distance = problem.ground(p) + s.aerial_m - p[2]
    own = np.zeros((len(s.count), receivers))
    own[np.arange(len(own)), scale.group] = distance * scale.others_sigma
    by_scale = reading[:, :, None] * own
    carry = -turn_matrix(p[3]) @ fits.cov
    together = np.einsum("ikc,jkc->kij", pull, pull)
    alone = np.moveaxis(per_problem(np.einsum("icn,jcn->ijn", by_mark, by_mark), s.count), 2, 0)
    shifts = carry @ np.moveaxis(np.concatenate([pull, by_scale], axis=2), 0, 1)
    return np.asarray(shifts), carry @ (together - alone) @ np.swapaxes(carry, 1, 2)


def with_left_out(cov: Floats, left_out: Floats) -> Floats:
    """Return covariances (k, 5, 5) with what `shared_shifts` says the weights left out of them.

    Averaging over angles may carry a covariance away from where that was reckoned. A fix that would
    lose more than `MOST_LOST` of its variance in any direction by it keeps what it has: that errs
    wide.
    """
    sigma = np.sqrt(np.einsum("kii->ki", cov))
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = sigma[:, :, None] * sigma[:, None, :]
        unit, change = cov / scale, left_out / scale
    good = np.isfinite(unit).all(axis=(1, 2)) & np.isfinite(change).all(axis=(1, 2))
    unit[~good], change[~good] = np.eye(5), 0.0
    least = np.linalg.eigvalsh(unit + change - (1.0 - MOST_LOST) * unit)[:, 0]
    return np.where((good & (least > 0.0))[:, None, None], cov + left_out, cov)
