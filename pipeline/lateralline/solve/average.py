"""From the best fit to the average over angles: where tilt and heading bend the problem.

Null separation over depth is √(9t²+8)/2 with t = tan θ: even in tilt, so the best fit, whose tilt
sits near its prior's mean, reads every tilted stop too deep, and a covariance taken there is too
narrow. A heading known to ±10° swings the transmitter on an arc about its end null. Given the
angles the rest is nearly linear. So each stop is solved again with its wide angles held at a few
nodes (Gauss–Hermite over its own posterior), and the conditional solutions are averaged with their
posterior weights: mean and covariance of a mixture, all stops at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lateralline.records import Flags, Floats
from lateralline.solve.batch import Fits, solve_batch
from lateralline.solve.depth import with_ground
from lateralline.solve.problem import LOOSE_RAD, StopProblem

HEADING, TILT = 3, 4
#: Nodes for each angle averaged over, and the σ of an angle held at a node.
NODES = 7
HELD_RAD = 1e-4
#: An angle known better than this bends nothing worth averaging.
SHARP_TILT_RAD, SHARP_HEADING_RAD = np.radians(1.5), np.radians(5.0)


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


def _site_cov(p: Floats, cov: Floats) -> Floats:
    turn = turn_matrix(p[3])
    return np.asarray(turn @ cov @ np.swapaxes(turn, 1, 2))


def average(problem: StopProblem, best: Fits) -> Averaged:
    """Return posterior means and covariances of every stop of a solved batch."""
    cov, depth_var = with_ground(problem, best.p, best.cov)
    depth = problem.ground(best.p) - best.p[2]
    out = Averaged(best.p.copy(), _site_cov(best.p, cov), depth, depth_var)
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


def _hold(problem: StopProblem, p: Floats, angles: tuple[int, ...]) -> StopProblem:
    """Return the problem with these angles held where p has them."""
    pin = np.full(p.shape[1], HELD_RAD)
    stops = problem.stops
    if TILT in angles:
        stops = replace(stops, tilt_rad=p[TILT], tilt_sigma_rad=pin)
    if HEADING in angles:
        stops = replace(stops, heading_rad=p[HEADING], heading_sigma_rad=pin)
    return replace(problem, stops=stops)


def _prior(problem: StopProblem, p: Floats, angles: tuple[int, ...]) -> Floats:
    """Return what the priors of held angles add to the objective (k,)."""
    s, out = problem.stops, np.zeros(p.shape[1])
    if TILT in angles:
        out += ((p[TILT] - s.tilt_rad) / s.tilt_sigma_rad) ** 2
    if HEADING in angles:
        off = np.remainder(p[HEADING] - s.heading_rad + np.pi, 2.0 * np.pi) - np.pi
        out += (off / s.heading_sigma_rad) ** 2
    return out


def _over(problem: StopProblem, p: Floats, cov: Floats, angles: tuple[int, ...]) -> Averaged:
    """Average one batch, every stop of which is wide in these angles."""
    nodes, log_weights = _grid(len(angles))
    root = np.linalg.cholesky(cov[:, angles][:, :, angles])
    # how the rest moves with the held angles, per σ of them: cov L⁻ᵀ
    follow = np.swapaxes(np.linalg.solve(root, np.swapaxes(cov[:, :, angles], 1, 2)), 1, 2)
    solved: list[Fits] = []
    log_weight = np.empty((len(nodes), p.shape[1]))
    for n, node in enumerate(nodes):
        start = _shifted(p, (follow @ node).T)
        found = solve_batch(_hold(problem, start, angles), start)
        # posterior of the angles over the proposal N(p, cov), with the rest integrated out
        misfit = found.objective + _prior(problem, start, angles)
        log_weight[n] = log_weights[n] + 0.5 * node @ node - 0.5 * misfit
        log_weight[n] += 0.5 * np.linalg.slogdet(found.cov)[1]
        log_weight[n, ~found.converged] = -np.inf
        solved.append(found)
    weight = np.exp(log_weight - log_weight.max(axis=0))
    weight /= weight.sum(axis=0)
    at = np.stack([s.p for s in solved])  # (nodes, 5, k)
    mean = np.einsum("nk,nik->ik", weight, at)
    off = at - mean
    grounded = [with_ground(problem, s.p, s.cov) for s in solved]
    within = np.stack([_site_cov(s.p, g[0]) for s, g in zip(solved, grounded, strict=True)])
    spread = np.einsum("nk,nkij->kij", weight, within)
    spread += np.einsum("nk,nik,njk->kij", weight, off, off)
    depth = np.stack([problem.ground(s.p) - s.p[2] for s in solved])
    variance = np.stack([g[1] for g in grounded])
    depth_mean = np.einsum("nk,nk->k", weight, depth)
    depth_var = np.einsum("nk,nk->k", weight, variance + (depth - depth_mean) ** 2)
    return Averaged(mean, spread, depth_mean, depth_var)


def _shifted(p: Floats, step: Floats) -> Floats:
    """Return p moved by a step in transmitter axes, unlimited."""
    sin, cos = np.sin(p[HEADING]), np.cos(p[HEADING])
    moved: Floats = p + step
    moved[0] = p[0] + step[0] * sin + step[1] * cos
    moved[1] = p[1] + step[0] * cos - step[1] * sin
    return moved
