"""Stage 3: one fix per stop, from the directions its marks say the field has."""

from __future__ import annotations

import numpy as np

from lateralline.kernels.lsq import Solution, levenberg_marquardt, whiten
from lateralline.records import Floats, Marks, Solved, StopRows
from lateralline.settings import Settings
from lateralline.solve.gather import gather
from lateralline.solve.problem import StopProblem
from lateralline.solve.report import findings_of
from lateralline.solve.results import fixes_of, mark_results_of

__all__ = ["solve", "solve_batch"]

#: Stops solved in one go: large enough to keep numpy busy, small enough to stay in cache.
CHUNK = 8192


def solve(marks: Marks, stops: StopRows, settings: Settings) -> Solved:
    """Return one fix per row of stops, what it says of every mark, and findings.

    Five unknowns per stop (east, north, up, heading, tilt) by least squares on the field-direction
    conditions of its marks, with the tilt's and, when no end null was found, the heading's prior.
    """
    gathered = gather(marks, stops, settings)
    solution, cov = solve_batch(gathered.problem, gathered.start)
    fixes = fixes_of(gathered, solution, cov, stops)
    mark_results = mark_results_of(gathered, solution, cov, len(marks.row))
    return Solved(fixes, mark_results, findings_of(fixes, mark_results, marks, stops))


def solve_batch(problem: StopProblem, start: Floats) -> tuple[Solution, Floats]:
    """Return solutions and covariances (k, 5, 5) in transmitter axes, chunk by chunk."""
    size = start.shape[1]
    parts, covs = [], []
    for begin in range(0, size, CHUNK):
        keep = np.zeros(size, dtype=bool)
        keep[begin : begin + CHUNK] = True
        part = problem if keep.all() else problem.take(keep)
        solution = levenberg_marquardt(part, start[:, keep])
        at = part.linearise(solution.p)
        white = whiten(at)
        covs.append(np.linalg.inv(white.normal()[0]))
        solution.objective[:] = white.objective()
        parts.append(solution)
    if not parts:
        empty = np.zeros(0)
        return Solution(start, empty, empty.astype(bool), empty.astype(np.int64)), np.zeros(
            (0, 5, 5)
        )
    return (
        Solution(
            np.concatenate([s.p for s in parts], axis=1),
            np.concatenate([s.objective for s in parts]),
            np.concatenate([s.converged for s in parts]),
            np.concatenate([s.iterations for s in parts]),
        ),
        np.concatenate(covs),
    )
