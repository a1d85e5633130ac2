"""From a solution to records: fixes with honest covariance, and what it says of each mark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lateralline.kernels.lsq import Solution, per_problem, reliability, whiten
from lateralline.records import Fixes, Flags, Floats, Ints, MarkResults, StopRows
from lateralline.solve.gather import NEIGHBOUR_SIGMA_RAD, Gathered
from lateralline.solve.ground import ROUGHNESS_M, plane_rows
from lateralline.solve.problem import MID, StopProblem

#: √ of the non-centrality of a Baarda test at α = 0.001 and power 0.80 (both computed).
BAARDA = 4.132
#: Beyond this a blunder is not called detectable at all.
UNDETECTABLE_M = 100.0

WEAK = "no end null was found: the heading is only guessed from the neighbouring stops"
ALONE = "no end null and no neighbour: nothing tells the heading"
DIVERGED = "the adjustment did not converge; look for a mark of another stop or of another kind"
ABOVE = "the solution lies above the ground; look for a wrong level or depth reading"


def fixes_of(gathered: Gathered, solution: Solution, cov: Floats, stops: StopRows) -> Fixes:
    """Return one fix per row of stops; NaN where there is no solution, with the reason."""
    size, at, problem = len(stops.row), gathered.stop, gathered.problem
    p = solution.p
    ground = problem.ground(p)
    turn = turn_matrix(p[3])
    site_cov = turn @ cov @ np.swapaxes(turn, 1, 2)
    own = np.isfinite(problem.linearise(p).own_var).sum(axis=0)
    rows = per_problem(problem.rows.astype(np.float64), problem.stops.count).astype(np.int64)
    lone = problem.stops.heading_var > NEIGHBOUR_SIGMA_RAD**2

    status = np.full(size, "unsolved", dtype="<U9")
    reason = np.full(size, "", dtype="<U200")
    for i, why in gathered.unsolvable.items():
        reason[i] = why
    status[at] = np.where(gathered.heading_observed, "solved", "weak")
    reason[at] = np.where(gathered.heading_observed, "", np.where(lone, ALONE, WEAK))
    for bad, why in ((~solution.converged, DIVERGED), (ground - p[2] <= 0.0, ABOVE)):
        status[at[bad]], reason[at[bad]] = "unsolved", why
    good = status != "unsolved"

    def spread(values: Floats) -> Floats:
        out = np.full((size, *values.shape[1:]), np.nan)
        out[at] = values
        out[~good] = np.nan
        return out

    def count(values: Ints) -> Ints:
        out = np.zeros(size, dtype=np.int64)
        out[at] = values
        return out

    return Fixes(
        run=stops.run,
        stop=stops.stop,
        row=stops.row,
        counter_m=stops.counter_m,
        xyz_m=spread(p[:3].T),
        heading_rad=spread(np.remainder(p[3], 2.0 * np.pi)),
        tilt_rad=spread(p[4]),
        cov=spread(site_cov),
        ground_m=spread(ground),
        depth_m=spread(ground - p[2]),
        depth_sigma_m=spread(np.sqrt(depth_variance(problem, p, cov))),
        chi2=spread(solution.objective),
        dof=count(rows + own - 5),
        status=status,
        reason=reason,
        marks_used=count(problem.stops.count),
    )


def mark_results_of(gathered: Gathered, solution: Solution, cov: Floats, size: int) -> MarkResults:
    """Return residual, test and reliability of each of size marks; NaN where not used."""
    problem, index = gathered.problem, gathered.problem.marks.row
    out = MarkResults(
        used=np.zeros(size, dtype=bool),
        residual_m=np.full(size, np.nan),
        residual_w=np.full(size, np.nan),
        redundancy=np.full(size, np.nan),
        smallest_blunder_m=np.full(size, np.nan),
    )
    if not len(index):
        return out
    at = problem.linearise(solution.p)
    white = whiten(at)
    by_mark = problem.by_position(solution.p)[:, :2]
    tested = reliability(white, cov, problem.stops.count, problem.rows)
    out.used[index] = np.repeat(solution.converged, problem.stops.count)
    out.residual_m[index] = _offset(at.mark_f, by_mark, problem.marks.kind == MID)
    out.residual_w[index] = tested.residual_w
    out.redundancy[index] = tested.redundancy
    shift = whiten(replace(at, mark_j=by_mark)).mark_j
    power = np.einsum("qin,qrn,rjn->nij", shift, tested.free, shift, optimize=True)
    weakest = np.linalg.eigvalsh(power)[:, 0]
    one_row = problem.rows == 1  # it tests one direction only: along the axis
    weakest = np.where(one_row, np.einsum("nii->n", power), weakest)
    with np.errstate(divide="ignore", invalid="ignore"):
        smallest = BAARDA / np.sqrt(weakest)
    out.smallest_blunder_m[index] = np.where(smallest < UNDETECTABLE_M, smallest, np.nan)
    for column in (out.residual_m, out.residual_w, out.redundancy, out.smallest_blunder_m):
        column[~out.used] = np.nan
    return out


def _offset(f: Floats, by_mark: Floats, mid: Flags) -> Floats:
    """Return how far (n,) each mark lies from where the solution puts its spot, in plan.

    The shortest move δ with f + (∂f/∂mark) δ = 0; a mid null answers for its one condition.
    """
    a, b, c, d = by_mark[0, 0], by_mark[0, 1], by_mark[1, 0], by_mark[1, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        det = a * d - b * c
        both = np.hypot(d * f[0] - b * f[1], a * f[1] - c * f[0]) / np.abs(det)
        one = np.abs(f[0]) / np.hypot(a, b)
    return np.asarray(np.where(mid, one, both))


def turn_matrix(heading_rad: Floats) -> Floats:
    """Return (k, 5, 5) that turns steps in transmitter axes into east, north, up, angles."""
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    turn = np.tile(np.eye(5), (len(heading_rad), 1, 1))
    turn[:, 0, 0], turn[:, 0, 1] = sin, cos
    turn[:, 1, 0], turn[:, 1, 1] = cos, -sin
    return turn


def depth_variance(problem: StopProblem, p: Floats, cov: Floats) -> Floats:
    """Return the variance (k,) of ground minus transmitter level.

    Ground and transmitter hang on the same levelled marks: δp = −N⁻¹ Jᵀ S⁻¹ (∂f/∂mark) δmark, and
    the plane moves with the same δmark, so what they share cancels from the depth.
    """
    s, marks = problem.stops, problem.marks
    at = problem.linearise(p)
    det = at.mark_s[0] * at.mark_s[2] - at.mark_s[1] ** 2
    inverse = np.stack([at.mark_s[2], -at.mark_s[1], -at.mark_s[1], at.mark_s[0]]) / det
    weighted = np.einsum("qin,qrn->irn", at.mark_j, inverse.reshape(2, 2, -1))
    by_up = problem.by_position(p)[:, 2] * marks.cov_m2[2, 2]  # plan error moves no plane
    gain = np.einsum("irn,rn->in", weighted, by_up)
    own_weight = 1.0 / at.own_var[0]
    plane_gain = np.einsum("ijk,jk->ik", s.plane_cov, problem.plane_row(p))
    rows = plane_rows(marks.xyz_m, s.centre_m, s.count)
    rows = np.einsum("ijn,jn->in", np.repeat(s.plane_cov, s.count, axis=-1), rows)
    rows = np.where(marks.in_plane, rows / (marks.cov_m2[2, 2] + ROUGHNESS_M**2), 0.0)
    shared = per_problem(np.einsum("in,jn->ijn", gain, rows), s.count)
    shared += np.einsum("ik,jk->ijk", at.own_j[0] * own_weight, plane_gain)
    cross = -np.einsum("kij,jlk->ilk", cov, shared)  # (5, 3, k) fix against plane
    along, across = problem.slopes(p)
    zero = np.zeros_like(along)
    by_fix = np.stack([along, across, -np.ones_like(along), zero, zero])
    row = problem.plane_row(p)
    variance = (
        problem.ground_var(p)
        + np.einsum("ik,kij,jk->k", by_fix, cov, by_fix)
        + 2.0 * np.einsum("ik,ijk,jk->k", by_fix, cross, row)
    )
    return np.asarray(np.maximum(variance, 1e-12))
