"""Stops per second, side by side with a loop over a general-purpose optimiser.

The loop is `scipy.optimize.least_squares` at its defaults with the analytic Jacobian, one stop at a
time on one thread, on the same residuals with the same weights. Figures are ratios on one machine
at one time; nothing here is tested for time.
"""

from __future__ import annotations

import os
import resource
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from time import perf_counter

import numpy as np
from scipy.optimize import least_squares

from lateralline.kernels.conditions import direction
from lateralline.kernels.lsq import Linearised
from lateralline.proof.scenarios import SCENARIOS, simulate
from lateralline.records import Floats
from lateralline.solve.batch import level_start, solve_batch
from lateralline.solve.gather import gather
from lateralline.solve.problem import END, StopProblem

SIZES = (100, 10_000, 1_000_000)
#: Different stops simulated; larger batches repeat them, moved apart.
DISTINCT = 10_000
#: Stops the loop is timed on, and the stops held in memory at once when streaming.
LOOPED, STREAMED = 200, 20_000


@dataclass(frozen=True, slots=True)
class Speed:
    """One batch size against the loop."""

    stops: int
    threads: int
    batched_per_s: float
    looped_per_s: float
    peak_memory_mb: float
    apart_sigmas: float  # largest difference between both solutions, in standard deviations

    @property
    def ratio(self) -> float:
        """Batched over looped."""
        return self.batched_per_s / self.looped_per_s


def measure(seed: int = 1) -> Iterator[Speed]:
    """Yield the speed at every size, smallest first."""
    simulated = simulate(SCENARIOS[0], DISTINCT, seed)
    problem = gather(simulated.marks, simulated.stops, simulated.settings).problem
    looped, apart = _loop(problem.pick(np.arange(LOOPED)))
    for size in SIZES:
        for threads in sorted({1, os.cpu_count() or 1}):
            begun = perf_counter()
            for part in _stream(problem, size):
                solve_batch(part, level_start(part), threads=threads)
            elapsed = perf_counter() - begun
            yield Speed(size, threads, size / elapsed, looped, _peak_memory_mb(), apart)


def _stream(problem: StopProblem, size: int) -> Iterator[StopProblem]:
    for begin in range(0, size, STREAMED):
        yield problem.pick(np.arange(begin, min(begin + STREAMED, size)) % DISTINCT)


def _loop(problem: StopProblem) -> tuple[float, float]:
    """Return stops per second of the loop, and how far it ends from the batch, in σ."""
    start = level_start(problem)
    batched = solve_batch(problem, start)
    singles = [problem.pick(np.array([i])) for i in range(start.shape[1])]
    weights = [s.linearise(batched.p[:, [i]]) for i, s in enumerate(singles)]
    tasks = [_LoopStop(s, w) for s, w in zip(singles, weights, strict=True)]
    begun = perf_counter()
    found = [
        least_squares(task.residuals, start[:, i], jac=task.slopes).x
        for i, task in enumerate(tasks)
    ]
    elapsed = perf_counter() - begun
    off = np.array(found) - batched.p.T
    sigma = np.sqrt(np.einsum("kii->ki", batched.cov))
    level = np.abs(off[:, 2:]) / sigma[:, 2:]  # plan axes differ: east, north against along, across
    return len(tasks) / elapsed, float(level.max())


class _LoopStop:
    """Residuals and Jacobian of one stop of nulls and a reading, as lean as numpy makes them.

    Written apart from `StopProblem`, so the loop is not slowed by code made for batches.
    """

    def __init__(self, single: StopProblem, weights: Linearised) -> None:
        """Keep the stop's marks, and the weights as square-root matrices."""
        marks, stops = single.marks, single.stops
        self.xyz_m = marks.xyz_m
        ends = marks.kind == END
        self.rows = np.concatenate([np.tile(ends, (2, 1)), ~ends[None]])  # of û: along, across, up
        s = np.moveaxis(np.array([weights.mark_s[:2], weights.mark_s[1:]]), -1, 0)
        root = np.linalg.inv(np.linalg.cholesky(s))
        self.root = np.zeros((int(self.rows.sum()), int(self.rows.sum())))
        order = np.argwhere(self.rows)  # (component, mark) of every residual
        for a, (ca, ma) in enumerate(order):
            for b, (cb, mb) in enumerate(order):
                if ma == mb:
                    self.root[a, b] = root[ma][ca % 2, cb % 2]
        self.plane, self.centre_m = stops.plane[:, 0], stops.centre_m[:, 0]
        self.reading_m, self.scale = float(stops.depth_reading_m[0]), float(stops.scale[0])
        self.tilt_rad = float(stops.tilt_rad[0])
        self.own = 1.0 / np.sqrt(weights.own_var[:2, 0])
        self.seen = b""

    def at(self, x: Floats) -> None:
        """Evaluate both at once; the optimiser asks for them one after the other."""
        if x.tobytes() == self.seen:
            return
        self.seen = x.tobytes()
        sin, cos = np.sin(x[3]), np.cos(x[3])
        east, north, up = self.xyz_m - x[:3, None]
        along, across = east * sin + north * cos, east * cos - north * sin
        u, du = direction(np.stack([along, across, up]), np.full(len(up), x[4]))
        j = np.empty((3, 5, len(up)))
        j[:, 0], j[:, 1] = -du[:, 0] * sin - du[:, 1] * cos, -du[:, 0] * cos + du[:, 1] * sin
        j[:, 2], j[:, 4] = -du[:, 2], du[:, 3]
        j[:, 3] = across * du[:, 0] - along * du[:, 1]
        _, by_east, by_north = self.plane
        offset = x[:2] - self.centre_m
        depth = self.plane[0] + by_east * offset[0] + by_north * offset[1] - x[2]
        own = np.array([self.scale * depth - self.reading_m, x[4] - self.tilt_rad])
        own_j = np.zeros((2, 5))
        own_j[0, :3], own_j[1, 4] = (by_east * self.scale, by_north * self.scale, -self.scale), 1.0
        self.f = np.concatenate([self.root @ u[self.rows], own * self.own])
        rows = j.transpose(0, 2, 1)[self.rows]
        self.jacobian = np.concatenate([self.root @ rows, own_j * self.own[:, None]])

    def residuals(self, x: Floats) -> Floats:
        """Return the whitened residuals (r,)."""
        self.at(x)
        return self.f

    def slopes(self, x: Floats) -> Floats:
        """Return their Jacobian (r, 5) by east, north, up, heading and tilt."""
        self.at(x)
        return self.jacobian


def _peak_memory_mb() -> float:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024.0**2 if sys.platform == "darwin" else 1024.0)
