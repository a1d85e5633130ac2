"""The depth-reading scale shared by all stops of one receiver and day.

Nulls and exposures tell a stop's depth without its reading; the ratio of reading to depth over
many stops tells the receiver's scale. Each stop then uses the scale that the *others* found, so
its own reading is never used twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lateralline.records import Flags, Floats, Ints
from lateralline.solve.batch import solve_batch
from lateralline.solve.depth import with_ground
from lateralline.solve.kinds import END, MID
from lateralline.solve.problem import StopProblem
from lateralline.solve.starts import level_start

#: A depth known no better than this tells nothing of the scale.
USEFUL_RATIO = 0.3
#: Reading over depth when a unit was mistaken: foot and metre, inch and foot, inch and metre,
#: centimetre and metre, inch and centimetre, each way.
UNIT_RATIOS = np.array([u for r in (0.3048, 1 / 12, 0.0254, 0.01, 2.54) for u in (r, 1.0 / r)])
#: A median ratio this near one of them, over at least this many readings, is such a mistake.
SLIP_TOLERANCE, SLIP_READINGS = 0.12, 2
#: Readings this many σ from the prior are blunders (feet for metres), not a scale.
BLUNDER_SIGMAS = 4.0


@dataclass(frozen=True, slots=True)
class Scale:
    """The depth-reading scale of g groups of stops (a receiver on a day)."""

    group: Ints  # (k,) of each stop
    value: Floats  # (g,) from all its stops
    sigma: Floats
    used: Ints  # (g,) ratios it rests on
    slip: Floats  # (g,) the unit ratio all its readings are off by; NaN = none
    typical: Floats  # (g,) median of reading over depth; NaN = none known
    others: Floats  # (k,) from all stops but this one
    others_sigma: Floats


def shared_scale(
    problem: StopProblem, group: Ints, seen_depth_m: Floats, seen_sigma_m: Floats
) -> Scale:
    """Return the scale of each group from depths by nulls, and by exposures where seen (k,)."""
    prior = problem.accuracy.depth_scale_ratio
    depth, sigma = _depth_without_reading(problem)
    better = np.isfinite(seen_depth_m) & ~(seen_sigma_m > sigma)
    depth, sigma = np.where(better, seen_depth_m, depth), np.where(better, seen_sigma_m, sigma)
    distance = depth + problem.stops.aerial_m
    with np.errstate(invalid="ignore"):
        ratio = problem.stops.depth_reading_m / distance
        variance = (problem.reading_noise_m(distance) / distance) ** 2 + (sigma / distance) ** 2
        useful = np.isfinite(ratio) & (sigma < USEFUL_RATIO * distance)
        typical = _medians(ratio, useful, group)
        useful &= np.abs(ratio - 1.0) < BLUNDER_SIGMAS * np.sqrt(variance + prior**2)
    weight = np.where(useful, 1.0 / np.where(useful, variance, 1.0), 0.0)
    pull = np.where(useful, weight * (ratio - 1.0), 0.0)
    groups = int(group.max(initial=-1)) + 1
    total = np.bincount(group, weights=weight, minlength=groups) + 1.0 / prior**2
    sum_pull = np.bincount(group, weights=pull, minlength=groups)
    left = total[group] - weight
    return Scale(
        group,
        1.0 + sum_pull / total,
        1.0 / np.sqrt(total),
        np.bincount(group[useful], minlength=groups).astype(np.int64),
        _slips(typical),
        typical,
        1.0 + (sum_pull[group] - pull) / left,
        1.0 / np.sqrt(left),
    )


def _medians(ratio: Floats, useful: Flags, group: Ints) -> Floats:
    """Return the median ratio of each group (g,); NaN where too few readings tell it."""
    out = np.full(int(group.max(initial=-1)) + 1, np.nan)
    for g in range(len(out)):
        mine = ratio[useful & (group == g)]
        if len(mine) >= SLIP_READINGS:
            out[g] = np.median(mine)
    return out


def _slips(typical: Floats) -> Floats:
    """Return the unit ratio that a typical ratio of reading to depth is near (g,); else NaN."""
    off = np.abs(typical[:, None] / UNIT_RATIOS - 1.0)
    with np.errstate(invalid="ignore"):
        near = off.min(axis=1) < SLIP_TOLERANCE
    return np.where(near, UNIT_RATIOS[np.nan_to_num(off, nan=np.inf).argmin(axis=1)], np.nan)


def _depth_without_reading(problem: StopProblem) -> tuple[Floats, Floats]:
    """Return depth and σ (k,) from nulls alone; NaN where they do not tell it."""
    k = len(problem.stops.count)
    depth, sigma = np.full(k, np.nan), np.full(k, np.nan)
    ends, mids = problem.tally(END), problem.tally(MID)
    index = np.flatnonzero(
        ((ends >= 2) | ((ends == 1) & (mids > 0))) & np.isfinite(problem.stops.depth_reading_m)
    )
    if index.size:
        part = problem.pick(index)
        unread = np.full(len(index), np.nan)
        part = replace(part, stops=replace(part.stops, depth_reading_m=unread))
        solved = solve_batch(part, level_start(part))
        good = solved.converged
        depth[index[good]] = (part.ground(solved.p) - solved.p[2])[good]
        sigma[index[good]] = np.sqrt(with_ground(part, solved.p, solved.cov)[1])[good]
    return depth, sigma
