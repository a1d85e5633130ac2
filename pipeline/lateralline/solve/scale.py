"""The depth-reading scale shared by all stops of one receiver and day.

Nulls, and exposures near a stop, give its depth without its reading; the ratio of reading to depth
over many stops gives the receiver's scale. Each stop then uses the scale that the *others* found,
so its own reading is never used twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.distributions import norm
from lateralline.records import Exposures, Flags, Floats, Ints, StopRows, Texts
from lateralline.settings import Settings
from lateralline.solve.batch import solve_level
from lateralline.solve.covariance import with_ground
from lateralline.solve.gather import Gathered
from lateralline.solve.problem import END, MID, StopProblem

#: An exposure this near a stop, along the pipe, shows its depth; a grade over that is added to σ.
NEAR_M = 0.5
GRADE_SIGMA = 0.05
#: A depth known no better than this gives no scale.
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
#: A receiver's scale is doubted at this level, two-sided: common practice, no source.
ALPHA = 0.01
#: What accounts for a single reading: another unit, or a digit too many or too few.
SLIPS, NEAR_SLIP = np.append(UNIT_RATIOS, [10.0, 0.1]), 1.25


@dataclass(frozen=True, slots=True)
class ReceiverScale:
    """The depth-reading scale of g groups of stops (a receiver on a day)."""

    receiver: Texts  # (g,) its name; "" when the site gives none
    group: Ints  # (k,) of each stop
    value: Floats  # (g,) from all its stops and the prior
    sigma: Floats
    prior_sigma: float  # of a receiver's scale about 1, as stated
    used: Ints  # (g,) ratios it rests on
    slip: Floats  # (g,) the unit ratio all its readings are off by; NaN = none
    typical: Floats  # (g,) median of reading over depth; NaN = none known
    others: Floats  # (k,) from all stops but this one
    others_sigma: Floats
    by_marks: Floats  # (k,) reading over depth by nulls alone; NaN where they do not give it
    impossible: Flags  # (k,) a reading so far off that nulls agreeing among themselves deny it

    @property
    def unlikely(self) -> Flags:
        """Whether each scale (g,) is further from 1 than receivers as stated are, at `ALPHA`.

        Over receivers whose scale comes from the prior, the estimate scatters about 1 by what the
        readings took off the prior's variance: prior² − σ². Its own σ says how well this one is
        known, not whether it is unusual.
        """
        spread = np.sqrt(np.maximum(self.prior_sigma**2 - self.sigma**2, 0.0))
        return np.asarray(np.abs(self.value - 1.0) > norm.isf(0.5 * ALPHA) * spread)


def receiver_scale(
    gathered: Gathered, stops: StopRows, settings: Settings, exposures: Exposures | None
) -> ReceiverScale:
    """Return the scale of each receiver from depths by nulls and by exposures near stops."""
    problem = gathered.problem
    name = {r.id: r.receiver for r in settings.runs}
    of_stop = np.array([name.get(str(r), "") for r in stops.run[gathered.stop]], dtype=np.str_)
    receiver, group = np.unique(of_stop, return_inverse=True)
    groups, prior = len(receiver), problem.accuracy.depth_scale_ratio
    depth, sigma, sound, spare = _depth_without_reading(problem)
    by_marks, impossible = _against_marks(problem, depth, sigma, sound, spare)
    shown_m, shown_sigma_m = _exposed_depths(gathered, stops, settings, exposures)
    # height of the aerial: one error of all stops, which no number of exposures averages away
    shown = np.bincount(group[np.isfinite(shown_m)], minlength=groups)[group]
    shown_sigma_m = np.sqrt(shown_sigma_m**2 + shown * problem.stops.aerial_sigma_m**2)
    better = np.isfinite(shown_m) & ~(shown_sigma_m > sigma)
    depth, sigma = np.where(better, shown_m, depth), np.where(better, shown_sigma_m, sigma)
    distance = depth + problem.stops.aerial_m
    with np.errstate(invalid="ignore"):
        ratio = problem.stops.depth_reading_m / distance
        variance = (problem.reading_noise_m(distance) / distance) ** 2 + (sigma / distance) ** 2
        useful = np.isfinite(ratio) & (sigma < USEFUL_RATIO * distance)
        typical = _medians(ratio, useful, group, groups)
        useful &= np.abs(ratio - 1.0) < BLUNDER_SIGMAS * np.sqrt(variance + prior**2)
    weight = np.where(useful, 1.0 / np.where(useful, variance, 1.0), 0.0)
    pull = np.where(useful, weight * (ratio - 1.0), 0.0)
    total = np.bincount(group, weights=weight, minlength=groups) + 1.0 / prior**2
    sum_pull = np.bincount(group, weights=pull, minlength=groups)
    left = total[group] - weight
    return ReceiverScale(
        receiver,
        group.astype(np.int64),
        1.0 + sum_pull / total,
        1.0 / np.sqrt(total),
        prior,
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
        known = sigma < USEFUL_RATIO * distance
        ratio = np.where(sigma < distance, problem.stops.depth_reading_m / distance, np.nan)
        noise = np.hypot(problem.reading_noise_m(distance), sigma) / distance
        spread = np.hypot(noise, problem.accuracy.depth_scale_ratio)
        far = np.abs(np.log(ratio)) > np.log(GROSS)
        slip = np.abs(np.log(ratio[:, None] / SLIPS)).min(axis=1) < np.log(NEAR_SLIP)
        return ratio, known & sound & (spare | slip) & far & (
            np.abs(ratio - 1.0) > BLUNDER_SIGMAS * spread
        )


def _medians(ratio: Floats, useful: Flags, group: Ints, groups: int) -> Floats:
    """Return the median ratio of each group (g,); NaN where there are too few readings."""
    out = np.full(groups, np.nan)
    for g in range(groups):
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
    """Return depth and σ (k,) from nulls alone, NaN where they do not give it; if sound, if spare.

    Sound is a depth that two end nulls give and nothing else at the stop contradicts; spare, that
    there is a redundant condition which might have.
    """
    k = len(problem.count)
    depth, sigma = np.full(k, np.nan), np.full(k, np.nan)
    sound, spare = np.zeros(k, dtype=bool), np.zeros(k, dtype=bool)
    ends, mids = problem.tally(END), problem.tally(MID)
    index = np.flatnonzero(
        ((ends >= 2) | ((ends == 1) & (mids > 0))) & np.isfinite(problem.stops.depth_reading_m)
    )
    if index.size:
        part = problem.pick(index)
        part = part.with_stops(depth_reading_m=np.full(len(index), np.nan))
        solved = solve_level(part)
        good = solved.converged
        depth[index[good]] = (part.ground(solved.p) - solved.p[2])[good]
        sigma[index[good]] = np.sqrt(with_ground(part, solved.p, solved.cov)[1])[good]
        sound[index] = good & (ends[index] >= 2) & (solved.likelihood(part.dof) > SOUND)
        spare[index] = part.dof > 0
    return depth, sigma, sound, spare


def _exposed_depths(
    gathered: Gathered, stops: StopRows, settings: Settings, exposures: Exposures | None
) -> tuple[Floats, Floats]:
    """Return depth below ground and σ (k,) where an exposure shows it; NaN elsewhere."""
    k = len(gathered.stop)
    depth, sigma = np.full(k, np.nan), np.full(k, np.nan)
    if exposures is None:
        return depth, sigma
    run, counter = stops.run[gathered.stop], stops.counter_m[gathered.stop]
    for i in np.flatnonzero(exposures.placed & np.isfinite(exposures.counter_m)):
        here = np.flatnonzero(run == exposures.run[i])
        if not here.size:
            continue
        of_run = settings.run(str(exposures.run[i]))
        gap = np.abs(counter[here] - of_run.transmitter_lag_m - exposures.counter_m[i])
        nearest = here[np.argmin(gap)]
        pipe = settings.pipe(of_run.line)
        rise = pipe.axis_above_m(str(exposures.measured_to[i]), of_run.ride_height_m)
        found = exposures.ground_m[i] - exposures.xyz_m[i, 2] - rise
        if gap.min() < NEAR_M and np.isfinite(found):
            depth[nearest] = found
            sigma[nearest] = np.hypot(
                np.sqrt(exposures.cov_m2[i, 2, 2]), GRADE_SIGMA * max(float(gap.min()), 0.05)
            )
    return depth, sigma
