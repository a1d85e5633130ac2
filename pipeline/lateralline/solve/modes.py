"""More than one transmitter may explain a stop's marks: find them, choose, or report both.

- A lone end null lies ahead of the transmitter or behind it: both sides are solved.
- A stop that a nearly level transmitter cannot explain is tried with a steep or standing one,
  without the tilt prior: an end null overhead, mid nulls on a ring.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from lateralline.records import Flags, Floats, Ints, StopRows
from lateralline.solve.batch import (
    Fits,
    level_start,
    mean_spot,
    other_side,
    solve_batch,
    steep_start,
)
from lateralline.solve.problem import AXIAL, END, LOOSE_RAD, MID, TOTAL, StopProblem

#: A stop is solved again from elsewhere when its χ² is this unlikely.
RETRY = 1e-2
#: A stop is tried as steep when its χ² is this unlikely, and taken so when that is this likely.
REJECT, ACCEPT = 1e-6, 0.05
STEEP_TILTS_RAD = (np.radians(35.0), np.radians(60.0), np.radians(85.0))
STEEP_TURNS_RAD = (0.0, 0.5 * np.pi, np.pi, 1.5 * np.pi)
#: Less tilt than this, or a tilt known no better than this, is no steep transmitter.
STEEP_LIMIT_RAD, STEEP_SIGMA_RAD = np.radians(30.0), np.radians(10.0)
#: A heading known no better than this is not known.
HEADLESS_SIGMA_RAD = np.radians(45.0)
#: Δχ² beyond which the worse of two explanations is dropped: 3 σ.
DROP = 9.0


@dataclass(frozen=True, slots=True)
class Modes:
    """The chosen solution of k stops, and the other one where it is nearly as good."""

    problem: StopProblem  # with the priors each stop's choice was solved under
    chosen: Fits
    rival: Floats  # (5, k) the other candidate; NaN when there is none
    steep: Flags
    settled: Flags  # there were two, and the neighbours decided


def find_modes(problem: StopProblem, stops: StopRows, stop: Ints) -> Modes:
    """Solve every stop and its other explanations; `stop` (k,) are rows of `stops`."""
    start = level_start(problem)
    chosen = solve_batch(problem, start)
    k = start.shape[1]
    rival = np.full((5, k), np.nan)
    _retry(problem, start, chosen)
    _both_sides(problem, start, chosen, rival)
    steep = np.zeros(k, dtype=bool)
    problem = _try_steep(problem, start, chosen, steep)
    settled = _settle(chosen, rival, problem, stops, stop)
    return Modes(problem, chosen, rival, steep, settled)


def _retry(problem: StopProblem, start: Floats, chosen: Fits) -> None:
    """Solve stops that fit badly again from other spots; keep whatever fits better.

    One blundered mark can lead the start astray, and a far false minimum looks like a blunder.
    """
    unlikely = chosen.likelihood(problem.dof) < RETRY
    index = np.flatnonzero((unlikely | ~chosen.converged) & (problem.count > 1))
    if not index.size:
        return
    part = problem.pick(index)
    for kinds in ((END,), (MID,), (TOTAL, AXIAL)):
        spot = mean_spot(part, *kinds)
        begin = start[:, index].copy()
        begin[:2] = np.where(np.isfinite(spot), spot, begin[:2])
        begin[2] += part.ground(begin) - part.ground(start[:, index])
        found = solve_batch(part, begin)
        better = found.converged & (
            ~chosen.converged[index] | (found.objective < chosen.objective[index] - 1e-6)
        )
        chosen.put(index[better], found.pick(better))


def _both_sides(problem: StopProblem, start: Floats, chosen: Fits, rival: Floats) -> None:
    """Solve lone end nulls from the far side too; keep the better, remember the other."""
    index = np.flatnonzero((problem.tally(END) == 1) & (problem.count == 1))
    if not index.size:
        return
    part = problem.pick(index)
    other = solve_batch(part, other_side(part, start[:, index]))
    apart = np.hypot(*(other.p[:2] - chosen.p[:2, index]))
    distinct = other.converged & (apart > 0.1 * (part.ground(other.p) - other.p[2]))
    better = distinct & (other.objective < chosen.objective[index] - DROP)
    close = distinct & (np.abs(other.objective - chosen.objective[index]) <= DROP)
    rival[:, index[close]] = other.p[:, close]
    chosen.put(index[better], other.pick(better))


def _try_steep(problem: StopProblem, start: Floats, chosen: Fits, steep: Flags) -> StopProblem:
    """Re-solve stops no level transmitter explains without a tilt prior, from steep starts."""
    s = problem.stops
    # no tilt measured, and nothing taken from the axis: what is left must still over-determine
    free = np.isclose(s.tilt_sigma_rad, problem.accuracy.tilt_prior_rad)
    unlikely = chosen.likelihood(problem.dof) < REJECT
    index = np.flatnonzero(free & (unlikely | ~chosen.converged) & (problem.count > 1))
    if not index.size:
        return problem
    part = problem.pick(index)
    loose = np.full(len(index), LOOSE_RAD)
    part = replace(part, marks=replace(part.marks, lateral=np.zeros(len(part.marks.kind), bool)))
    part = part.with_stops(tilt_sigma_rad=loose, heading_sigma_rad=loose)
    best, *others = (
        solve_batch(part, steep_start(part, start[:, index], tilt, turn))
        for tilt, turn in product(STEEP_TILTS_RAD, STEEP_TURNS_RAD)
    )
    best.objective[~best.converged] = np.inf
    for found in others:
        better = found.converged & (found.objective < best.objective - 1e-9)
        best.put(np.flatnonzero(better), found.pick(better))
    tilt = np.abs(np.remainder(best.p[4] + 0.5 * np.pi, np.pi) - 0.5 * np.pi)
    sigma = np.sqrt(best.cov[:, 4, 4])
    below = part.ground(best.p) > best.p[2]
    # an upright transmitter has no heading to solve for: that condition tests the rest
    spare = part.dof + (best.cov[:, 3, 3] > HEADLESS_SIGMA_RAD**2)
    accept = below & (spare > 0) & (tilt > STEEP_LIMIT_RAD) & (sigma < STEEP_SIGMA_RAD)
    accept &= best.likelihood(spare) > ACCEPT
    taken = index[accept]
    if not taken.size:
        return problem
    chosen.put(taken, best.pick(accept))
    steep[taken] = True
    tilt_sigma, heading_sigma = s.tilt_sigma_rad.copy(), s.heading_sigma_rad.copy()
    tilt_sigma[taken] = heading_sigma[taken] = LOOSE_RAD
    lateral = problem.marks.lateral & ~steep[problem.of_stop]
    problem = replace(problem, marks=replace(problem.marks, lateral=lateral))
    return problem.with_stops(tilt_sigma_rad=tilt_sigma, heading_sigma_rad=heading_sigma)


def _settle(
    chosen: Fits, rival: Floats, problem: StopProblem, stops: StopRows, stop: Ints
) -> Flags:
    """Let the counters of solved neighbours choose between two candidates, where they can.

    The candidate whose distance to each neighbour fits the counter difference, when the other's
    does not: pipe lies between the stops, so a chord may be shorter than the counter, not longer.
    """
    settled = np.zeros(len(stop), dtype=bool)
    doubtful = np.isfinite(rival[0])
    for i in np.flatnonzero(doubtful):
        same = (stops.run[stop] == stops.run[stop[i]]) & ~doubtful & chosen.converged
        others = np.flatnonzero(same)
        if not others.size:
            continue
        gap = np.abs(stops.counter_m[stop[others]] - stops.counter_m[stop[i]])
        near = others[np.argsort(gap)[:2]]
        gap = np.sort(gap)[:2]
        a = problem.accuracy
        sigma = np.hypot(a.counter_m, a.counter_scale_ratio * gap)
        spread = chosen.cov[near, 0, 0] + chosen.cov[near, 1, 1] + chosen.cov[i, 0, 0]
        tolerance = 3.0 * np.sqrt(sigma**2 + spread)
        misfit = [
            np.abs(np.hypot(*(p[:2, None] - chosen.p[:2, near])) - gap) / tolerance
            for p in (chosen.p[:, i], rival[:, i])
        ]
        fits = [bool((m < 1.0).all()) for m in misfit]
        if fits[0] == fits[1]:
            continue
        if fits[1]:
            chosen.p[:, i], rival[:, i] = rival[:, i].copy(), chosen.p[:, i].copy()
        settled[i] = True
    return settled
