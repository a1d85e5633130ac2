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
#: centimetre and metre, inch and centimetre, foot and centimetre, each way.
UNIT_RATIOS = np.array(
    [u for r in (0.3048, 1 / 12, 0.0254, 0.01, 2.54, 30.48) for u in (r, 1.0 / r)]
)
#: A median ratio this near one of them, over at least this many readings, is such a mistake.
SLIP_TOLERANCE, SLIP_READINGS = 0.12, 2
#: Readings this many σ from the prior are blunders (feet for metres), not a scale.
BLUNDER_SIGMAS = 4.0
#: A reading off by this factor or more, where the nulls agree among themselves at this χ², is no
#: reading of that stop's depth. Common practice, no source.
GROSS, SOUND = 2.0, 1e-2
#: What accounts for a single reading: another unit, or a digit too many or too few.
SLIPS, NEAR_SLIP = np.append(UNIT_RATIOS, [10.0, 0.1]), 1.25


@dataclass(frozen=True, slots=True)
class ReceiverScale:
    """The depth-reading scale of g groups of stops (a receiver on a day)."""

    group: Ints  # (k,) of each stop
    value: Floats  # (g,) from all its stops
    sigma: Floats
    used: Ints  # (g,) ratios it rests on
    slip: Floats  # (g,) the unit ratio all its readings are off by; NaN = none
    typical: Floats  # (g,) median of reading over depth; NaN = none known
    others: Floats  # (k,) from all stops but this one
    others_sigma: Floats
    by_marks: Floats  # (k,) reading over depth by nulls alone; NaN where they do not tell it
    impossible: Flags  # (k,) a reading so far off that nulls agreeing among themselves deny it


def shared_scale(
    problem: StopProblem, group: Ints, seen_depth_m: Floats, seen_sigma_m: Floats
) -> ReceiverScale:
    """Return the scale of each group from depths by nulls, and by exposures where seen (k,)."""
    prior = problem.accuracy.depth_scale_ratio
    depth, sigma, sound, spare = _depth_without_reading(problem)
    by_marks, impossible = _against_marks(problem, depth, sigma, sound, spare)
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
    return ReceiverScale(
        group,
        1.0 + sum_pull / total,
        1.0 / np.sqrt(total),
        np.bincount(group[useful], minlength=groups).astype(np.int64),
        _slips(typical),
        typical,
        1.0 + (sum_pull[group] - pull) / left,
        1.0 / np.sqrt(left),
        by_marks,
        impossible,
    )


def _against_marks(
    problem: StopProblem, depth: Floats, sigma: Floats, sound: Flags, spare: Flags
) -> tuple[Floats, Flags]:
    """Return reading over depth by nulls (k,), and which readings these deny altogether.

    Where nothing is spare to test the nulls by, either may be wrong, unless a unit or a digit
    accounts for the reading.
    """
    distance = depth + problem.stops.aerial_m
    with np.errstate(invalid="ignore"):
        told = sigma < USEFUL_RATIO * distance
        ratio = np.where(sigma < distance, problem.stops.depth_reading_m / distance, np.nan)
        noise = np.hypot(problem.reading_noise_m(distance), sigma) / distance
        spread = np.hypot(noise, problem.accuracy.depth_scale_ratio)
        far = np.abs(np.log(ratio)) > np.log(GROSS)
        slip = np.abs(np.log(ratio[:, None] / SLIPS)).min(axis=1) < np.log(NEAR_SLIP)
        return ratio, told & sound & (spare | slip) & far & (
            np.abs(ratio - 1.0) > BLUNDER_SIGMAS * spread
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


def _depth_without_reading(problem: StopProblem) -> tuple[Floats, Floats, Flags, Flags]:
    """Return depth and σ (k,) from nulls alone, NaN where they do not tell it; if sound, if spare.

    Sound is a depth that two end nulls give and nothing else at the stop speaks against; spare,
    that something might have.
    """
    k = len(problem.stops.count)
    depth, sigma = np.full(k, np.nan), np.full(k, np.nan)
    sound, spare = np.zeros(k, dtype=bool), np.zeros(k, dtype=bool)
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
        sound[index] = good & (ends[index] >= 2) & (solved.likelihood(part.dof) > SOUND)
        spare[index] = part.dof > 0
    return depth, sigma, sound, spare
