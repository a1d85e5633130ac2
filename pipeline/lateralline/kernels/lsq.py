"""Batched non-linear least squares: many small problems at once, no loop over them.

k problems (stops) of the same few unknowns each own some of n two-row observations (marks, sorted
by stop) and a few one-row observations of their own (priors). Noise depends on where the solution
is, so each accepted step freezes the weights at its linearisation point: what is solved is
Jᵀ S⁻¹ f = 0 with S at the solution, never min log|S| + …, so a solution cannot buy a better fit by
moving to where the noise would be larger.

Arrays are component-first: unknowns (P, k), residuals (2, n), Jacobians (2, P, n).
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

#: A step shorter than this many of its own standard deviations is the end of the iteration.
STEP_SIGMAS = 1e-2
#: A problem damped this much is not getting anywhere.
MOST_DAMPING = 1e12
#: No direction of a fix owes more of its σ than this to errors it shares: the rest is its own.
MOST_SHARED = 0.995


def per_problem(values: Floats, count: Ints) -> Floats:
    """Return sums (…, k) of values (…, n) over consecutive groups of count (k,), none empty."""
    return np.moveaxis(_grouped(np.moveaxis(values, -1, 0), count), 0, -1)


def _grouped(values: Floats, count: Ints) -> Floats:
    """Return sums (k, …) of values (n, …) over consecutive groups; equal groups are added fast."""
    if not count.size:
        return values[:0]
    each = int(count[0])
    if (count == each).all():
        total = values[::each].copy()
        for member in range(1, each):
            total += values[member::each]
        return total
    return np.asarray(np.add.reduceat(values, np.cumsum(count) - count, axis=0))


@dataclass(frozen=True, slots=True)
class Linearised:
    """Residuals and Jacobians at one point. `count` (k,) is how many marks each problem owns."""

    count: Ints
    mark_f: Floats  # (2, n)
    mark_j: Floats  # (2, P, n)
    mark_s: Floats  # (3, n) covariance s11, s12, s22
    own_f: Floats  # (q, k)
    own_j: Floats  # (q, P, k)
    own_var: Floats  # (q, k); inf = not observed

    def take(self, keep: Flags) -> Linearised:
        """Return the part of the problems where keep (k,) is True."""
        marks = np.repeat(keep, self.count)
        return Linearised(
            self.count[keep],
            self.mark_f[..., marks],
            self.mark_j[..., marks],
            self.mark_s[..., marks],
            self.own_f[..., keep],
            self.own_j[..., keep],
            self.own_var[..., keep],
        )


class Problem(Protocol):
    """What the solver needs to know of a batch."""

    def linearise(self, p: Floats) -> Linearised:
        """Return residuals, Jacobians and noise at p (P, k)."""

    def advance(self, p: Floats, step: Floats) -> Floats:
        """Return p moved by a step, both (P, k), kept inside the domain."""

    def take(self, keep: Flags) -> Self:
        """Return the sub-batch of the problems where keep (k,) is True."""


@dataclass(frozen=True, slots=True)
class Whitened:
    """Residuals and Jacobians in standard deviations."""

    count: Ints
    mark_f: Floats  # (2, n)
    mark_j: Floats  # (2, P, n)
    own_f: Floats
    own_j: Floats

    def objective(self) -> Floats:
        """Return the sum of squares of each problem (k,)."""
        return _squares(self.mark_f, self.own_f, self.count)

    def normal(self) -> tuple[Floats, Floats]:
        """Return normal matrices (k, P, P) and right-hand sides −Jᵀf (k, P)."""
        # marks first: summing whole small matrices is twice as fast as summing along long rows
        by_mark = np.einsum("qin,qjn->nij", self.mark_j, self.mark_j)
        pull = np.einsum("qin,qn->ni", self.mark_j, self.mark_f)
        matrix = _grouped(by_mark, self.count)
        matrix = matrix + np.einsum("qik,qjk->kij", self.own_j, self.own_j)
        rhs = _grouped(pull, self.count) + np.einsum("qik,qk->ki", self.own_j, self.own_f)
        return matrix, -rhs


def _squares(mark_f: Floats, own_f: Floats, count: Ints) -> Floats:
    marks = per_problem(np.einsum("qn,qn->n", mark_f, mark_f), count)
    return np.asarray(marks + np.einsum("qk,qk->k", own_f, own_f))


def _divided(rows: Floats, mark_s: Floats) -> Floats:
    """Return two rows per mark (2, …, n) divided by the 2×2 Cholesky root of their covariance."""
    l11 = np.sqrt(mark_s[0])
    l21 = mark_s[1] / l11
    l22 = np.sqrt(mark_s[2] - l21**2)
    first = rows[0] / l11
    return np.stack([first, (rows[1] - l21 * first) / l22])


def whiten(at: Linearised) -> Whitened:
    """Divide residuals and Jacobians by their standard deviations."""
    own = np.sqrt(at.own_var)
    return Whitened(
        at.count,
        _divided(at.mark_f, at.mark_s),
        _divided(at.mark_j, at.mark_s),
        at.own_f / own,
        at.own_j / own[:, None],
    )


def objective_under(at: Linearised, noise: Linearised) -> Floats:
    """Return the sum of squares (k,) of residuals at one point, weighted as at another."""
    return _squares(_divided(at.mark_f, noise.mark_s), at.own_f / np.sqrt(noise.own_var), at.count)


def solve_each(matrix: Floats, right: Floats) -> Floats:
    """Return N⁻¹ b (k, p) of each problem; NaN where N (k, p, p) is singular, whatever the rest."""
    try:
        return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        out = np.full_like(right, np.nan)
        for i, (one, b) in enumerate(zip(matrix, right, strict=True)):
            with contextlib.suppress(np.linalg.LinAlgError):
                out[i] = np.linalg.solve(one, b)
        return out


def inverse_each(matrix: Floats) -> Floats:
    """Return the inverse of each (k, p, p); NaN where one is singular, whatever the rest."""
    try:
        return np.asarray(np.linalg.inv(matrix))
    except np.linalg.LinAlgError:
        out = np.full_like(matrix, np.nan)
        for i, one in enumerate(matrix):
            with contextlib.suppress(np.linalg.LinAlgError):
                out[i] = np.linalg.inv(one)
        return out


@dataclass(frozen=True, slots=True)
class Solution:
    """Where each problem ended (k problems)."""

    p: Floats  # (P, k)
    matrix: Floats  # (k, P, P) normal matrix at p: its inverse is the covariance
    objective: Floats  # (k,) weighted sum of squares, weights at p
    converged: Flags
    iterations: Ints


def levenberg_marquardt(
    problem: Problem, start: Floats, max_iterations: int = 60, step_sigmas: float = STEP_SIGMAS
) -> Solution:
    """Solve every problem from start (P, k); Marquardt's damping, one λ per problem.

    Source: Marquardt (1963), gain-ratio update after Nielsen (1999): from memory. A problem that
    has converged leaves the batch once half of it has, so stragglers cost little.
    """
    size, count = start.shape
    result = Solution(
        start.copy(),
        np.empty((count, size, size)),
        np.empty(count),
        np.zeros(count, bool),
        np.zeros(count, np.int64),
    )
    index = np.arange(count)
    p, damping, growth = start.copy(), np.full(count, 1e-4), np.full(count, 2.0)
    at = problem.linearise(p)
    white = whiten(at)
    (matrix, rhs), objective = white.normal(), white.objective()
    for iteration in range(1, max_iterations + 1):
        scale = np.einsum("kii->ki", matrix)
        damped = matrix + (damping[:, None] * scale)[:, :, None] * np.eye(size)
        step = solve_each(damped, rhs)
        predicted = np.einsum("ki,ki->k", step, damping[:, None] * scale * step + rhs)
        trial = problem.advance(p, step.T)
        # a step this short changes no matrix, and the objective as predicted: take it, look no more
        short = np.einsum("ki,kij,kj->k", step, matrix, step) < step_sigmas**2
        done = short & (damping < 1.0)
        last = iteration == max_iterations
        if last or 2 * done.sum() >= done.size:
            result.p[:, index], result.converged[index] = np.where(done, trial, p), done
            result.matrix[index] = matrix
            result.objective[index] = objective - np.where(done, predicted, 0.0)
            result.iterations[index] = iteration
            keep = ~done
            if last or not keep.any():
                break
            problem, index, at = problem.take(keep), index[keep], at.take(keep)
            p, trial, step, short = p[:, keep], trial[:, keep], step[keep], short[keep]
            damping, growth, predicted = damping[keep], growth[keep], predicted[keep]
            matrix, rhs, objective = matrix[keep], rhs[keep], objective[keep]
        at_trial = problem.linearise(trial)
        actual = objective - objective_under(at_trial, at)
        gain = actual / np.maximum(predicted, 1e-300)
        better = (gain > 0.0) | short  # whatever rounding says of so small a gain
        p = np.where(better, trial, p)
        damping = np.where(
            better,
            np.maximum(damping * np.maximum(1 / 3, 1 - (2 * np.clip(gain, 0, 1) - 1) ** 3), 1e-10),
            np.minimum(damping * growth, MOST_DAMPING),
        )
        growth = np.where(better, 2.0, np.minimum(2.0 * growth, MOST_DAMPING))
        # a batch whose every step was accepted has just been linearised where it now stands
        at = at_trial if better.all() else problem.linearise(p)
        white = whiten(at)
        (matrix, rhs), objective = white.normal(), white.objective()
    return result


@dataclass(frozen=True, slots=True)
class Reliability:
    """How well each mark is controlled by the rest (n marks).

    Redundancy matrix and tests after Baarda (1968), from memory; against worked examples in tests.
    """

    std_residual: Floats  # (n,) largest standardised component, N(0,1) when all is well
    redundancy: Floats  # (n,) mean of its rows' redundancy numbers, 0…1
    free: Floats  # (2, 2, n) its block of I − J N⁻¹ Jᵀ


def reliability(white: Whitened, cov: Floats, count: Ints, rows: Ints) -> Reliability:
    """Return test statistics of marks.

    Parameters: whitened rows at the solution, covariance (k, P, P), count (k,) marks of each
    problem, rows (n,) how many of a mark's two rows are real.
    """
    j = white.mark_j
    of_mark = np.repeat(np.moveaxis(cov, 0, -1), count, axis=-1)
    free = np.eye(2)[:, :, None] - np.einsum("qin,ijn,rjn->qrn", j, of_mark, j, optimize=True)
    numbers = np.clip(np.einsum("qqn->qn", free), 0.0, 1.0)
    used = np.arange(2)[:, None] < rows
    with np.errstate(divide="ignore", invalid="ignore"):
        # a residual without redundancy is zero by construction and tests nothing
        w = np.where(used & (numbers > 1e-6), white.mark_f / np.sqrt(numbers), 0.0)
    return Reliability(np.max(np.abs(w), axis=0), np.sum(numbers * used, axis=0) / rows, free)


def shared_within(cov: Floats, shared: Floats) -> Floats:
    """Return what shared errors do to k results (k, p, c), never more than their covariance allows.

    cov (k, p, p), zero where nothing is observed; shared (k, p, c) what one σ of each of c errors
    does. To first order cov − S Sᵀ is what a result has of its own, and so
    positive semidefinite. Where the problem bends within the error (a lone end null, whose fix lies
    somewhere on an arc), S holds at one place of the arc and cov for all of it, and S may be more.
    With cov = L Lᵀ and the singular values σᵢ of L⁻¹ S, a σᵢ over 1 is a first-order figure past
    its range. It is replaced by 1/σᵢ: the less it can be true, the less is taken as shared; what is
    not shared stays a result's own, so nothing gets surer by it. Independent of axes and units.
    """
    if not shared.size:
        return shared
    sigma = np.sqrt(np.maximum(np.einsum("kii->ki", cov), 0.0))
    used = sigma > 0.0
    scale = np.where(used, sigma, 1.0)[:, :, None]
    with np.errstate(invalid="ignore"):
        unit = cov / (scale * np.swapaxes(scale, 1, 2))
    good = np.asarray(np.isfinite(unit).all(axis=(1, 2)) & np.isfinite(shared).all(axis=(1, 2)))
    unit[~good] = np.eye(unit.shape[1])
    value, vector = np.linalg.eigh(unit)
    root = np.sqrt(np.maximum(value, 1e-9))  # as positive definite as rounding leaves it
    white = np.where((good[:, None] & used)[:, :, None], shared / scale, 0.0)
    white = np.einsum("kji,kjc->kic", vector, white) / root[:, :, None]
    left, size, right = np.linalg.svd(white, full_matrices=False)
    kept = np.minimum(np.minimum(size, 1.0 / np.maximum(size, 1e-300)), MOST_SHARED)
    back = root[:, :, None] * ((left * kept[:, None, :]) @ right)
    back = np.einsum("kij,kjc->kic", vector, back) * scale * used[:, :, None]
    over = good & (size > MOST_SHARED).any(axis=1)
    return np.where(over[:, None, None], back, shared)
