"""Solve any number of stops in cache-sized chunks, on every core."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.lsq import inverse_each, levenberg_marquardt
from lateralline.records import Flags, Floats, Ints
from lateralline.solve.problem import StopProblem

#: Stops solved in one go: large enough to keep numpy busy, small enough to stay in cache.
CHUNK = 4096


@dataclass(frozen=True, slots=True)
class Fits:
    """Solutions of k stops; covariance in transmitter axes (along, across, up, heading, tilt)."""

    p: Floats  # (5, k)
    cov: Floats  # (k, 5, 5)
    objective: Floats  # (k,) weighted sum of squares, weights at p
    converged: Flags
    iterations: Ints

    def pick(self, keep: Flags) -> Fits:
        """Return the solutions where keep (k,) is True."""
        return Fits(
            self.p[:, keep],
            self.cov[keep],
            self.objective[keep],
            self.converged[keep],
            self.iterations[keep],
        )

    def likelihood(self, dof: Ints) -> Floats:
        """Return how likely so large a χ² is (k,); one without redundancy is judged as with one."""
        return np.asarray(chi2.sf(self.objective, np.maximum(dof, 1)))

    def put(self, index: Ints, other: Fits) -> None:
        """Replace the solutions at an index by another's."""
        self.p[:, index], self.cov[index] = other.p, other.cov
        self.objective[index], self.converged[index] = other.objective, other.converged
        self.iterations[index] += other.iterations


def solve_batch(
    problem: StopProblem, start: Floats, chunk: int = CHUNK, threads: int | None = None
) -> Fits:
    """Return the solutions of a problem from start (5, k), chunks side by side on every core.

    numpy lets go of the interpreter inside its loops, so threads help; each writes its own columns,
    and the result does not depend on their number.
    """
    size = start.shape[1]
    out = Fits(
        np.empty((5, size)),
        np.empty((size, 5, 5)),
        np.empty(size),
        np.empty(size, dtype=bool),
        np.empty(size, dtype=np.int64),
    )

    def run(rows: Ints) -> None:
        part = problem if len(rows) == size else problem.pick(rows)
        with np.errstate(all="ignore"):  # each thread has its own; NaN is not converged
            solution = levenberg_marquardt(part, start[:, rows])
        out.p[:, rows], out.converged[rows] = solution.p, solution.converged
        out.cov[rows], out.objective[rows] = inverse_each(solution.matrix), solution.objective
        out.converged[rows] &= np.isfinite(out.cov[rows]).all(axis=(1, 2))
        out.iterations[rows] = solution.iterations

    pieces = [np.arange(i, min(i + chunk, size)) for i in range(0, size, chunk)]
    threads = min(len(pieces), threads or os.cpu_count() or 1)
    if threads <= 1:
        for piece in pieces:
            run(piece)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(run, pieces))
    return out
