"""Exposures against the stops beside: a depth or a counter that no stop beside bears out.

An exposure near the end of a line has a stop on one side alone. Its level then bends the line, and
its counter says where the line begins, with nothing spare: neither is refused by any adjustment. A
pipe may drop or rise there, so what is found of a depth is a warning.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.link.stochastic import counter_variance
from lateralline.place import Placed
from lateralline.records import Exposures, FieldRecord, Fixes, Ints, Solved
from lateralline.settings import Run, Settings

#: Exposures farther from a stop tell nothing of it.
_NEAR_M: Final = 4.0
#: Stops whose counters are no further apart give no grade between them.
_APART_M: Final = 0.1
#: A grade that an exposure may lie off the line through the stops beside it, 1 σ. Common practice,
#: no source.
_GRADE: Final = 0.05
#: So many σ and metres off no grade of a drain brings about between neighbours.
_TIMES, _LEAST_M = 5.0, 0.2
#: A lag this short is lost in the counter; this many σ tell one; so far off it is another slip.
_LEAST_LAG_M, _LAG_TIMES, _LAG_WITHIN = 0.2, 3.0, 2.0
#: Stops past an exposure of which the counters are held against it: further on the pipe may wind.
_STOPS: Final = 3


class LevelOff(NamedTuple):
    """By how much an exposure lies above where the stops beside it lead, and σ of that."""

    exposure: int
    stop: int  # the nearest
    off_m: float
    sigma_m: float


def runs_with_stops(fixes: Fixes, settings: Settings) -> Iterator[tuple[Run, Ints]]:
    """Yield the runs with two located stops or more, and those stops in order of the counter."""
    for run in settings.runs:
        at = np.flatnonzero((fixes.run == run.id) & fixes.solved & np.isfinite(fixes.counter_m))
        if len(at) >= 2:
            yield run, at[np.argsort(fixes.counter_m[at], kind="stable")]


def levels_off(
    fixes: Fixes, at: Ints, exposures: Exposures, settings: Settings, run: Run
) -> Iterator[LevelOff]:
    """Yield each exposure of a run near its stops `at`, in order of the counter, with its level."""
    pipe = settings.pipe(run.line)
    counter = fixes.counter_m[at] - run.transmitter_lag_m
    level = fixes.xyz_m[at, 2]
    for i in np.flatnonzero((exposures.run == run.id) & np.isfinite(exposures.counter_m)):
        gap = float(np.abs(counter - exposures.counter_m[i]).min())
        rise = pipe.axis_above_m(str(exposures.measured_to[i]), run.ride_height_m)
        found = float(exposures.xyz_m[i, 2]) + rise
        if gap > _NEAR_M or not np.isfinite(found):
            continue
        near = np.argsort(np.abs(counter - exposures.counter_m[i]), kind="stable")[:2]
        (step,), (apart,) = np.diff(level[near]), np.diff(counter[near])
        slope = float(step / apart) if abs(apart) > _APART_M else 0.0  # of one counter: no grade
        expected = float(level[near[0]] + slope * (exposures.counter_m[i] - counter[near[0]]))
        own = fixes.depth_sigma_m[at[near[0]]]
        seen = float(exposures.cov_m2[i, 2, 2])
        sigma = float(np.sqrt(own**2 + seen + (_GRADE * gap) ** 2))
        yield LevelOff(int(i), int(at[near[0]]), found - expected, sigma)


def exposures_off(record: FieldRecord, placed: Placed, solved: Solved) -> tuple[Finding, ...]:
    """Return what no stop beside bears out of the exposures of a site."""
    if placed.lengths_unreliable or solved.lengths_unreliable:
        return ()
    fixes, exposures, settings = solved.fixes, placed.exposures, record.settings
    out: list[Finding] = []
    for run, at in runs_with_stops(fixes, settings):
        out += _at_transmitter(fixes, at, exposures, solved.claimed(settings), run)
        for one in levels_off(fixes, at, exposures, settings, run):
            if abs(one.off_m) > max(_TIMES * one.sigma_m, _LEAST_M):
                i, stop = one.exposure, f"stop {run.id}/{fixes.stop[one.stop]}"
                out.append(
                    finding(
                        "exposure-disagrees/level",
                        f"exposure {exposures.name[i]}",
                        where=f"{exposures.file}:{exposures.row[i]}",
                        about=[stop],
                        stop=stop,
                        level_off_m=one.off_m,
                        sigma_m=one.sigma_m,
                    )
                )
    return tuple(out)


def _at_transmitter(
    fixes: Fixes, at: Ints, exposures: Exposures, settings: Settings, run: Run
) -> Iterator[Finding]:
    """Yield an error where stops lie farther past an exposure than was counted, by the lag.

    Pipe is longer than its chords, never shorter: only stops past an exposure can tell.
    """
    lag, accuracy = run.transmitter_lag_m, settings.accuracy
    if lag < _LEAST_LAG_M:
        return
    for i in np.flatnonzero((exposures.run == run.id) & np.isfinite(exposures.counter_m)):
        counted = fixes.counter_m[at] - exposures.counter_m[i]
        ahead = np.flatnonzero(counted > 0.0)[:_STOPS]
        past = at[ahead]
        if not len(past) or not np.isfinite(exposures.xyz_m[i, :2]).all():
            continue
        path = np.vstack([exposures.xyz_m[i, :2], fixes.xyz_m[past, :2]])
        along = np.cumsum(np.hypot(*np.diff(path, axis=0).T))
        counted = counted[ahead] - lag
        more = float((along - counted).mean())
        first = path[1] - path[0]
        way = first / np.hypot(*first)
        here = exposures.cov_m2[i, :2, :2] + fixes.cov[past[0], :2, :2]
        own = float(counter_variance(counted, accuracy).mean())
        sigma = float(np.sqrt(own + way @ here @ way))
        if more > _LAG_TIMES * sigma and abs(more - lag) < _LAG_WITHIN * sigma:
            name, stop = f"exposure {exposures.name[i]}", f"stop {run.id}/{fixes.stop[past[0]]}"
            yield finding(
                "counter-wrong/at-transmitter",
                f"run {run.id}",
                where=f"{exposures.file}:{exposures.row[i]}",
                about=[name, stop],
                explains=[name, stop],
                exposure=name,
                more_m=more,
                sigma_m=sigma,
                lag_m=lag,
            )
