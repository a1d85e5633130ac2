"""From the best fit to honest covariance: averaged angles, shared levels, errors shared by a site.

Average. Null separation over depth is √(9t²+8)/2 with t = tan θ: even in tilt, so the best fit,
whose tilt sits near its prior's mean, reads every tilted stop too deep, and a covariance taken
there is too narrow. A heading known to ±10° swings the transmitter on an arc about its end null.
Given the angles the rest is nearly linear. So each stop is solved again with its wide angles fixed
at a few nodes (Gauss–Hermite over its own posterior), and the conditional solutions are averaged
with their posterior weights: mean and covariance of a mixture, all stops at once.

Depth. The solver weighs a depth reading as if the ground over the fix erred by itself. It does not:
its plane goes through the very marks whose levels enter the null conditions. What that changes is
exact to first order and is added here, after the iteration, where it cannot disturb it.

Shared errors. A control point that is off moves every mark taped from it, and every fix of those
marks, together. The solver weighs marks as if each erred by itself; what its weights leave out
within a fix, and what is needed to keep the errors *between* fixes, is here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.kernels.lsq import Linearised
from lateralline.records import Flags, Floats, Ints
from lateralline.solve.batch import CHUNK, Fits, solve_batch
from lateralline.solve.gather import ROUGHNESS_M, plane_rows
from lateralline.solve.problem import LOOSE_RAD, StopProblem, moved, turned

UP, HEADING, TILT = 2, 3, 4
#: Nodes for each angle averaged over, and the σ of an angle fixed at a node.
NODES = 7
FIXED_RAD = 1e-4
#: An angle known better than this bends nothing worth averaging.
SHARP_TILT_RAD, SHARP_HEADING_RAD = np.radians(1.5), np.radians(5.0)
#: Of a fix's variance in any direction, what marks that err together may take off at most.
MOST_LOST = 0.999


@dataclass(frozen=True, slots=True)
class Averaged:
    """Posterior means of k stops; covariance in site axes (east, north, up, heading, tilt)."""

    p: Floats  # (5, k)
    cov: Floats  # (k, 5, 5)
    depth_m: Floats
    depth_var_m2: Floats


def turn_matrix(heading_rad: Floats) -> Floats:
    """Return (k, 5, 5) that turns steps in transmitter axes into east, north, up, angles."""
    sin, cos = np.sin(heading_rad), np.cos(heading_rad)
    turn = np.tile(np.eye(5), (len(heading_rad), 1, 1))
    turn[:, 0, 0], turn[:, 0, 1] = sin, cos
    turn[:, 1, 0], turn[:, 1, 1] = cos, -sin
    return turn


def average(problem: StopProblem, best: Fits) -> Averaged:
    """Return posterior means and covariances of every stop of a solved batch."""
    out = _at(problem, best)
    tilted = (best.cov[:, TILT, TILT] > SHARP_TILT_RAD**2) & _known(problem.stops.tilt_sigma_rad)
    turned = best.cov[:, HEADING, HEADING] > SHARP_HEADING_RAD**2
    steep = ~_known(problem.stops.tilt_sigma_rad)  # its heading and tilt are not separate angles
    for wide, angles in (
        (tilted & ~turned, (TILT,)),
        (turned & ~tilted & ~steep, (HEADING,)),
        (turned & tilted, (HEADING, TILT)),
    ):
        index = np.flatnonzero(wide & best.converged)
        if index.size:
            part = _over(problem.pick(index), best.p[:, index], best.cov[index], angles)
            out.p[:, index], out.cov[index] = part.p, part.cov
            out.depth_m[index], out.depth_var_m2[index] = part.depth_m, part.depth_var_m2
    return out


def _known(sigma_rad: Floats) -> Flags:
    return np.asarray(sigma_rad < LOOSE_RAD)


def _grid(dimensions: int) -> tuple[Floats, Floats]:
    """Return Gauss–Hermite nodes (m, dimensions) for N(0, I), and the log of their weights."""
    node, weight = np.polynomial.hermite_e.hermegauss(NODES)
    nodes = np.stack(np.meshgrid(*[node] * dimensions, indexing="ij"), axis=-1)
    logs = np.stack(np.meshgrid(*[np.log(weight)] * dimensions, indexing="ij"), axis=-1)
    return nodes.reshape(-1, dimensions), logs.sum(axis=-1).ravel()


def _fixed(problem: StopProblem, p: Floats, angles: tuple[int, ...]) -> tuple[StopProblem, Floats]:
    """Return the problem with these angles fixed where p has them.

    And what their priors added to the objective (k,), which the fixed problem lacks.
    """
    s, pin, misfit = problem.stops, np.full(p.shape[1], FIXED_RAD), np.zeros(p.shape[1])
    if TILT in angles:
        misfit += ((p[TILT] - s.tilt_rad) / s.tilt_sigma_rad) ** 2
        problem = problem.with_stops(tilt_rad=p[TILT], tilt_sigma_rad=pin)
    if HEADING in angles:
        off = np.remainder(p[HEADING] - s.heading_rad + np.pi, 2.0 * np.pi) - np.pi
        misfit += (off / s.heading_sigma_rad) ** 2
        problem = problem.with_stops(heading_rad=p[HEADING], heading_sigma_rad=pin)
    return problem, misfit


def _over(problem: StopProblem, p: Floats, cov: Floats, angles: tuple[int, ...]) -> Averaged:
    """Average one batch, every stop of which is wide in these angles."""
    nodes, log_weights = _grid(len(angles))
    root = np.linalg.cholesky(cov[:, angles][:, :, angles])
    # how the rest moves with the fixed angles, per σ of them: cov L⁻ᵀ
    follow = np.swapaxes(np.linalg.solve(root, np.swapaxes(cov[:, :, angles], 1, 2)), 1, 2)
    size, together = p.shape[1], max(1, CHUNK // p.shape[1])
    parts = [
        _at_nodes(problem, p, follow, angles, nodes[n : n + together])
        for n in range(0, len(nodes), together)
    ]
    log_weight = np.concatenate([misfit for _, misfit in parts]).reshape(-1, size)
    log_weight += (log_weights + 0.5 * np.sum(nodes**2, axis=1))[:, None]
    weight = np.exp(log_weight - log_weight.max(axis=0))
    weight /= weight.sum(axis=0)
    at = np.concatenate([s.p.T for s, _ in parts]).reshape(-1, size, 5).swapaxes(1, 2)
    mean = np.einsum("nk,nik->ik", weight, at)
    off = at - mean
    cov_at = np.concatenate([s.cov for s, _ in parts]).reshape(-1, size, 5, 5)
    spread = np.einsum("nk,nkij->kij", weight, cov_at)
    spread += np.einsum("nk,nik,njk->kij", weight, off, off)
    depth = np.concatenate([s.depth_m for s, _ in parts]).reshape(-1, size)
    variance = np.concatenate([s.depth_var_m2 for s, _ in parts]).reshape(-1, size)
    depth_mean = np.einsum("nk,nk->k", weight, depth)
    depth_var = np.einsum("nk,nk->k", weight, variance + (depth - depth_mean) ** 2)
    return Averaged(mean, spread, depth_mean, depth_var)


def _at_nodes(
    problem: StopProblem, p: Floats, follow: Floats, angles: tuple[int, ...], nodes: Floats
) -> tuple[Averaged, Floats]:
    """Return the solutions with the angles fixed at each of m nodes, node by node (m·k).

    And the log of their posterior (m·k,) with the rest integrated out; −∞ where none was found.
    """
    index = np.tile(np.arange(p.shape[1]), len(nodes))
    every = problem.pick(index)
    step = np.einsum("kin,mn->imk", follow, nodes).reshape(len(p), -1)
    start = moved(p[:, index], step)
    fixed, misfit = _fixed(every, start, angles)
    found = solve_batch(fixed, start)
    log = 0.5 * np.linalg.slogdet(found.cov)[1] - 0.5 * (misfit + found.objective)
    log[~found.converged] = -np.inf
    return _at(every, found), log


def _at(problem: StopProblem, fits: Fits) -> Averaged:
    """Return solutions as they are, shared levels counted."""
    cov, depth_var = with_ground(problem, fits.p, fits.cov)
    turn = turn_matrix(fits.p[3])
    site_cov = np.asarray(turn @ cov @ np.swapaxes(turn, 1, 2))
    return Averaged(fits.p.copy(), site_cov, problem.ground(fits.p) - fits.p[2], depth_var)


# ---- levels that ground and transmitter share -----------------------------------------------


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

    by_level = problem.by_position(p)[:, 2] * (marks.cov_m2[2, 2] * lever(problem, p))
    pull = np.einsum("rin,rn->in", _weighted(at), by_level)
    q = problem.per_stop(pull)

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
    rows = plane_rows(marks.xyz_m, s.centre_m, problem.count)
    lever = np.einsum("in,in->n", np.repeat(over_fix, problem.count, axis=1), rows)
    return np.where(marks.in_plane, lever / (marks.cov_m2[2, 2] + ROUGHNESS_M**2), 0.0)


def _weighted(at: Linearised) -> Floats:
    """Return the marks' Jᵀ S⁻¹ (2, 5, n), each with the 2×2 covariance S of its conditions."""
    det = at.mark_s[0] * at.mark_s[2] - at.mark_s[1] ** 2
    inverse = np.stack([at.mark_s[2], -at.mark_s[1], -at.mark_s[1], at.mark_s[0]]) / det
    return np.asarray(np.einsum("qin,qrn->rin", at.mark_j, inverse.reshape(2, 2, -1)))


# ---- errors shared through the site ---------------------------------------------------------


def shared_shifts(
    problem: StopProblem, fits: Fits, shared_m: Floats, receiver: Ints, receivers: int
) -> tuple[Floats, Floats]:
    """Return what one σ of each shared error does to each fix (k, 5, c + 3 + s), in site axes.

    And what the weights left out because of it (k, 5, 5), to be added to a fix's covariance. With
    Sᵢ what the errors do through mark i alone and S = Σ Sᵢ, the weights counted Σ Sᵢ Sᵢᵀ for S Sᵀ.
    So N⁻¹ + S Sᵀ − Σ Sᵢ Sᵢᵀ is the covariance, and what a fix has of its own, N⁻¹ − Σ Sᵢ Sᵢᵀ, is
    positive semidefinite, since each mark's covariance holds its share.

    shared_m (n, 3, c) is what it does to the marks. To first order a mark moved by δ moves the fix
    by −N⁻¹ Σ Jᵀ S⁻¹ (∂f/∂mark) δ, and levels moved together move the ground over it, which the
    depth reading hangs on. Then come two errors of the site's slope, on which peaks slide, and the
    height of the receiver's aerial, which lifts marks and depth reading and so the fix, and nothing
    else; these three are in neither covariance. The last s columns are the depth-reading scale of
    each of s receivers; receiver (k,) is that of each stop.
    """
    s, p = problem.stops, fits.p
    at = problem.linearise(p)
    turn = np.repeat(p[3], problem.count)
    sin, cos = np.sin(turn)[:, None], np.cos(turn)[:, None]
    east, north, up = np.moveaxis(shared_m[problem.marks.row], 1, 0)  # each (n, c)
    shift = np.stack([*turned(east, north, sin, cos), up])  # (3, n, c)

    by_position = problem.by_position(p)
    by_mark = np.einsum("rin,rxn,xnc->icn", _weighted(at), by_position, shift, optimize=True)

    share = lever(problem, p)
    whole = np.repeat(np.maximum(problem.per_stop(share), 1e-9), problem.count)
    reading = at.own_j[0] / at.own_var[0]  # zero without one
    by_ground = np.repeat(reading * s.scale, problem.count, axis=1)
    by_mark = by_mark + by_ground[:, None] * ((share / whole)[:, None] * up).T
    pull = np.moveaxis(problem.per_stop(by_mark), 1, 2)  # (5, k, c)

    by_slope = np.einsum("rin,rcn->icn", _weighted(at), problem.by_plane_shared(p))
    over = np.einsum("ik,ick->kc", problem.plane_row(p), s.plane_shared)  # of the ground's level
    by_slope = np.moveaxis(problem.per_stop(by_slope), 1, 2)
    by_slope += (reading * s.scale)[:, :, None] * over

    distance = problem.ground(p) + s.aerial_m - p[2]
    own = np.zeros((len(problem.count), receivers))
    own[np.arange(len(own)), receiver] = distance * s.scale_sigma
    by_scale = reading[:, :, None] * own
    carry = -turn_matrix(p[3]) @ fits.cov
    together = np.einsum("ikc,jkc->kij", pull, pull)
    alone = np.moveaxis(problem.per_stop(np.einsum("icn,jcn->ijn", by_mark, by_mark)), 2, 0)
    shifts = carry @ np.moveaxis(np.concatenate([pull, by_slope, by_scale], axis=2), 0, 1)
    lifted = np.zeros((len(problem.count), 5, 1))
    lifted[:, UP, 0] = s.aerial_sigma_m
    c = shared_m.shape[2] + 2
    whole_shifts = np.concatenate([shifts[:, :, :c], lifted, shifts[:, :, c:]], axis=2)
    return whole_shifts, carry @ (together - alone) @ np.swapaxes(carry, 1, 2)


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
