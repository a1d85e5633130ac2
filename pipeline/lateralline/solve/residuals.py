"""What the residuals of stops say of the accuracies they were solved with.

Each stop is a small network of its own: conditions of its marks, its depth reading, what was known
of its tilt and heading. `kernels.variance` says how errors of each kind show in it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lateralline.kernels.variance import Networks
from lateralline.records import Flags, Floats
from lateralline.solve.problem import END, LOOSE_RAD, MID, StopProblem

#: The accuracies that stops say something of, as `settings.Accuracy` names them.
OF_STOPS: Final = (
    "receiver_angle_rad",
    "mark_placing_m",
    "depth_reading_ratio",
    "tilt_prior_rad",
    "tilt_measured_rad",
)
_ANGLE, _PLACING, _READING, _ASSUMED, _MEASURED = range(len(OF_STOPS))
#: Null separation is even in tilt: residuals of wider tilts are no longer linear in them, and are
#: taken as they stand (computed: of tilts of 10° they are 1.5 times as large as expected).
LINEAR_RAD: Final = np.radians(6.0)
#: Rows of a stop's own, behind those of its marks.
_OWN: Final = 3


def stop_residuals(problem: StopProblem, p: Floats, tilt_measured: Flags) -> Networks:
    """Return the stops of a solved batch at p (5, k), and what each kind of error put in them.

    tilt_measured (k,): the tilt was read. A row for each condition of each mark, then depth
    reading, tilt and heading.
    """
    at, marks, a = problem.linearise(p), problem.marks, problem.accuracy
    k, of_stop = len(problem.count), problem.of_stop
    first = np.cumsum(problem.count) - problem.count
    row = 2 * (np.arange(len(of_stop)) - first[of_stop])
    n = 2 * int(problem.count.max(initial=0)) + _OWN
    own = np.arange(n - _OWN, n)
    jacobian, y = np.zeros((k, n, 5)), np.zeros((k, n))
    whole = np.tile(np.eye(n), (k, 1, 1))
    parts = np.zeros((len(OF_STOPS), k, n, n))

    for q in range(2):
        jacobian[of_stop, row + q] = at.mark_j[q].T
        y[of_stop, row + q] = at.mark_f[q]
        whole[of_stop, row + q, row + q] = at.mark_s[2 * q]
        null = (marks.kind == END) | ((marks.kind == MID) & (q == 0))
        parts[_ANGLE, of_stop, row + q, row + q] = np.where(null, a.receiver_angle_rad**2, 0.0)
    whole[of_stop, row, row + 1] = whole[of_stop, row + 1, row] = at.mark_s[1]
    by_plan = problem.by_position(p)[:, :2]
    placed = np.einsum("qin,rin->qrn", by_plan, by_plan) * _placing_m2(problem)
    for q in range(2):
        for r in range(2):
            parts[_PLACING, of_stop, row + q, row + r] = placed[q, r]

    s = problem.stops
    known = np.stack([s.tilt_sigma_rad, s.heading_sigma_rad]) < LOOSE_RAD
    there = np.isfinite(at.own_var)  # (3, k)
    there[1:] &= known
    jacobian[:, own] = np.where(there[:, None], at.own_j, 0.0).transpose(2, 0, 1)
    y[:, own] = np.where(there, at.own_f, 0.0).T
    whole[:, own, own] = np.where(there, at.own_var, 1.0).T
    noise = a.depth_reading_ratio * (problem.ground(p) + s.aerial_m - p[2])
    by_ratio = there[0] & (noise >= a.depth_reading_min_m)
    parts[_READING, :, own[0], own[0]] = np.where(by_ratio, noise**2, 0.0)
    sharp = known[0] & (s.tilt_sigma_rad < LINEAR_RAD)
    for i, those in ((_ASSUMED, sharp & ~tilt_measured), (_MEASURED, sharp & tilt_measured)):
        parts[i, :, own[1], own[1]] = np.where(those, s.tilt_sigma_rad**2, 0.0)
    present = np.zeros((k, n), dtype=np.bool_)
    present[of_stop, row] = True
    present[of_stop, row + 1] = problem.rows == 2
    present[:, own] = there.T
    return Networks(jacobian, y, whole - parts.sum(axis=0), parts, present)


def _placing_m2(problem: StopProblem) -> Floats:
    """Return the variance (n,) of placing in each mark's covariance; 0 where it cannot be in it."""
    placing = problem.accuracy.mark_placing_m**2
    east, both, north = (problem.marks.cov_m2[i, j] for i, j in ((0, 0), (0, 1), (1, 1)))
    least = 0.5 * (east + north) - np.hypot(0.5 * (east - north), both)
    return np.where(least >= placing * (1.0 - 1e-9), placing, 0.0)
