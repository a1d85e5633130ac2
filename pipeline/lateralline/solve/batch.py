"""First guesses by the closed forms of a level transmitter, and the batched solution from them.

Any number of stops is solved in cache-sized chunks, on every core.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from lateralline.distributions import chi2
from lateralline.kernels.dipole import null_separation
from lateralline.kernels.lsq import inverse_each, levenberg_marquardt
from lateralline.records import Flags, Floats, Ints
from lateralline.solve.problem import AXIAL, END, MID, TOTAL, StopProblem

#: Stops solved in one go: large enough to keep numpy busy, small enough to stay in cache.
CHUNK = 4096
#: End null to transmitter over depth, level: 1/√2. A ring of mid nulls over an upright one: √2.
END_OFFSET = float(null_separation(0.0)) / 2.0
RING = float(np.sqrt(2.0))


@dataclass(frozen=True, slots=True)
class Fits:
    """Solutions of k stops; covariance in transmitter axes (along, across, up, heading, tilt)."""

    p: Floats  # (5, k)
    cov: Floats  # (k, 5, 5)
    objective: Floats  # (k,) weighted sum of squares, weights at p
    converged: Flags

    def pick(self, keep: Flags) -> Fits:
        """Return the solutions where keep (k,) is True."""
        return Fits(self.p[:, keep], self.cov[keep], self.objective[keep], self.converged[keep])

    def likelihood(self, dof: Ints) -> Floats:
        """Return how likely so large a χ² is (k,); one without redundancy is judged as with one."""
        return np.asarray(chi2.sf(self.objective, np.maximum(dof, 1)))

    def put(self, index: Ints, other: Fits) -> None:
        """Replace the solutions at an index by another's."""
        self.p[:, index], self.cov[index] = other.p, other.cov
        self.objective[index], self.converged[index] = other.objective, other.converged


def solve_batch(
    problem: StopProblem, start: Floats, chunk: int = CHUNK, threads: int | None = None
) -> Fits:
    """Return the solutions of a problem from start (5, k), chunks side by side on every core.

    numpy lets go of the interpreter inside its loops, so threads help; each writes its own columns,
    and the result does not depend on their number.
    """
    size = start.shape[1]
    out = Fits(
        np.empty((5, size)), np.empty((size, 5, 5)), np.empty(size), np.empty(size, dtype=bool)
    )

    def run(rows: Ints) -> None:
        part = problem if len(rows) == size else problem.pick(rows)
        with np.errstate(all="ignore"):  # each thread has its own; NaN is not converged
            solution = levenberg_marquardt(part, start[:, rows])
        out.p[:, rows], out.converged[rows] = solution.p, solution.converged
        out.cov[rows], out.objective[rows] = inverse_each(solution.matrix), solution.objective
        out.converged[rows] &= np.isfinite(out.cov[rows]).all(axis=(1, 2))

    pieces = [np.arange(i, min(i + chunk, size)) for i in range(0, size, chunk)]
    if len(pieces) == 1:
        run(pieces[0])
    else:
        with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
            list(pool.map(run, pieces))
    return out


def solve_level(problem: StopProblem) -> Fits:
    """Return the solutions of transmitters that lie about level."""
    return solve_batch(problem, level_start(problem))


# ---- first guesses --------------------------------------------------------------------------


def mean_spot(problem: StopProblem, *kinds: int) -> Floats:
    """Return the mean plan position (2, k) of a stop's marks of these kinds; NaN without any."""
    chosen = np.isin(problem.marks.kind, kinds)
    count = problem.tally(*kinds)
    total = problem.per_stop(np.where(chosen, problem.marks.xyz_m[:2], 0.0))
    with np.errstate(invalid="ignore"):
        return np.asarray(total / np.where(count, count, np.nan))


def _first_found(*choices: Floats) -> Floats:
    out = choices[0]
    for other in choices[1:]:
        out = np.where(np.isfinite(out), out, other)
    return out


def _outer_ends(problem: StopProblem) -> tuple[Floats, Floats]:
    """Return the first and last end null of each stop (2, k); the same one when there is one."""
    k = len(problem.count)
    first, last = np.full((2, k), np.nan), np.full((2, k), np.nan)
    index, of_stop = np.flatnonzero(problem.marks.kind == END), problem.of_stop
    xy = problem.marks.xyz_m[:2]
    first[:, of_stop[index][::-1]] = xy[:, index[::-1]]
    last[:, of_stop[index]] = xy[:, index]
    return first, last


def level_start(problem: StopProblem) -> Floats:
    """Return starting values (5, k) for transmitters that lie about level.

    Two end nulls give heading and depth; one and a middle spot do so half; otherwise the way of
    travel and the depth reading do. A lone end null is taken as the one ahead.
    """
    s = problem.stops
    ends = problem.tally(END)
    first, last = _outer_ends(problem)
    between = np.where(ends >= 2, mean_spot(problem, END), np.nan)  # sharper than any peak
    spot = _first_found(mean_spot(problem, MID), between, mean_spot(problem, TOTAL, AXIAL))
    lone = ~np.isfinite(spot[0])
    middle = _first_found(spot, mean_spot(problem, END))
    axis = np.where(ends >= 2, last - first, first - middle)
    span = np.hypot(*axis)
    pointed = (ends >= 2) | ((ends == 1) & ~lone)
    heading = np.where(pointed, np.arctan2(axis[0], axis[1]), s.heading_rad)
    backwards = pointed & (np.cos(heading - s.heading_rad) < 0.0)  # face the way of travel
    heading = np.where(backwards, heading + np.pi, heading)
    by_nulls = span / np.where(ends >= 2, 2.0 * END_OFFSET, END_OFFSET)
    by_reading = s.depth_reading_m / s.scale - s.aerial_m
    depth = np.where(pointed & ~((ends == 1) & np.isfinite(by_reading)), by_nulls, by_reading)
    depth = np.maximum(depth, 0.1)
    back = np.where((ends == 1) & lone, END_OFFSET * depth, 0.0)
    east, north = middle - back * np.stack([np.sin(heading), np.cos(heading)])
    start = np.stack([east, north, np.zeros_like(east), heading, s.tilt_rad])
    start[2] = problem.ground(start) - depth
    return start


def other_side(problem: StopProblem, start: Floats) -> Floats:
    """Return starts (5, k) mirrored to the far side of each stop's end nulls."""
    mirrored = start.copy()
    mirrored[:2] = 2.0 * mean_spot(problem, END) - start[:2]
    return mirrored


def steep_start(problem: StopProblem, start: Floats, tilt_rad: float, turn_rad: float) -> Floats:
    """Return starts (5, k) for transmitters that stand: end null overhead, mid nulls on a ring.

    Only |tilt| beyond 60° starts under the end null; less steep ones start where `start` has them.
    """
    s = problem.stops
    steep = start.copy()
    steep[3] = start[3] + turn_rad
    steep[4] = tilt_rad
    if abs(tilt_rad) > np.pi / 3.0:
        overhead = _first_found(mean_spot(problem, END), mean_spot(problem, MID))
        mids = problem.marks.kind == MID
        out = np.hypot(*(problem.marks.xyz_m[:2] - overhead[:, problem.of_stop]))
        count = problem.tally(MID)
        radius = problem.per_stop(np.where(mids, out, 0.0)) / np.maximum(count, 1)
        read = s.depth_reading_m / s.scale - s.aerial_m
        depth = _first_found(np.where(count > 0, radius / RING, np.nan), read, np.ones_like(read))
        steep[:2] = overhead
        steep[2] = problem.ground(start) - np.maximum(depth, 0.1)
    return steep
