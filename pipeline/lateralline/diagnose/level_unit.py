"""Levels read in feet and set to metres, or the other way round, where the data can tell.

Depths hang on the tape and on the receiver, never on the levels' unit. So a wrong unit of levels
makes the ground fall 3.3 times too steeply, or too little, over a pipe whose depths stay what they
were, and the pipe with it: its grade by levels then contradicts the tilt of the transmitter at each
stop, and an exposure given by its level lies out of all proportion to the depths beside it. The
site is solved again with its levels in the other unit, and the two are compared; nor is a unit
blamed where tilts of the other sign agree as well. Where no tilt was read, marks on ground that is
made a steep slope deny the accuracies stated, and in the other unit allow them. On ground all but
level neither shows anything, and there is no finding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from lateralline.diagnose.exposed import levels_off, runs_with_stops
from lateralline.distributions import chi2
from lateralline.findings import ANY, Finding, finding
from lateralline.link.stochastic import without_tilt_prior
from lateralline.place import Placed
from lateralline.records import Exposures, FieldRecord, Fixes, Floats, Ints, Solved
from lateralline.settings import Run, Settings
from lateralline.solve import solve
from lateralline.units import METRES_PER, READ_IN

#: Δχ² between the two units from which the data tell. Chance alone reaches it on 3 sites in 10,000
#: at most: it is N(−D, 4D) for two units that lie D apart, at its worst where D is as large.
_TELLS = 12.0
#: From which they tell where, as set, a drain rises downstream beyond chance and in the other unit
#: it falls, or on a steep slope marks of a stop fit no transmitter, and in the other unit all do.
_TELLS_FALLING, _BEYOND = 4.0, 3.0
#: The unit set must be this unlikely, and the other must be no less likely than that.
_REFUSED, _FITS = 1e-2, 1e-3
#: One tilt or exposure counts as no more than this off, in σ: a bad mark is no unit.
_MOST = 3.0
#: Stops nearer to each other tell no grade.
_APART_M = 0.5
#: A slope of ground so steep, and so plain, is no level or two read wrong. Only where there is one
#: may marks deny an accuracy by the levels' unit, and may another unit make levels so much smaller,
#: by which any ground is flat and any wrong level harmless. Common practice, no source.
_SLOPE, _PLAIN, _FLATTENS = 0.1, 0.9, 0.2
_OF_DEPTHS = ("unit-wrong/depth", "unit-wrong/depth-unknown")


def level_unit(record: FieldRecord, placed: Placed, solved: Solved) -> tuple[Finding, ...]:
    """Return the error of levels that were hardly read in the unit they are set to, if it shows."""
    settings, marks = record.settings, placed.marks
    unreliable = solved.lengths_unreliable or placed.lengths_unreliable
    if unreliable or any(f.is_one_of(_OF_DEPTHS) for f in solved.findings):
        return ()
    known = marks.usable & marks.level_known
    if not known.any() or np.ptp(marks.xyz_m[known, 2]) == 0.0:
        return ()
    unit = settings.units.get("level") or "m"
    compared, chi2_set = _misfit(solved.fixes, placed.exposures, settings)
    rises = _rises(solved.fixes, settings)
    slope = _plain_slope(marks.xyz_m[known])
    denied, astray = slope and _denies(solved), slope and _astray(solved)
    shows = rises or denied or astray or chi2.sf(chi2_set, compared) <= _REFUSED
    if not compared or not shows:
        return ()
    found = []
    for other in READ_IN:
        times = METRES_PER[other] / METRES_PER[unit]
        if 0.9 < times < 1.1 or (times < _FLATTENS and not slope):
            continue
        seen = _in_unit(placed.exposures, times)
        scaled = replace(marks, xyz_m=marks.xyz_m * [1.0, 1.0, times])
        again = solve(scaled, record.stops, settings, seen)
        fixes = again.fixes
        count, chi2_other = _misfit(fixes, seen, settings)
        better = chi2_set - chi2_other
        if count >= compared and chi2.sf(chi2_other, count) > _FITS:  # more: stops located by it
            falls = rises and not _rises(fixes, settings, 0.0)
            allowed = denied and not _denies(again)
            falls = falls or (astray and not _astray(again))
            if better > (0.0 if allowed else _TELLS_FALLING if falls else _TELLS):
                found.append((better, other))
    if not found:
        return ()
    better, other = max(found)
    fixes = solved.fixes
    turned = replace(
        fixes,
        tilt_rad=-fixes.tilt_rad,
        tilt_prior_rad=-fixes.tilt_prior_rad,
        cov=_turned(fixes.cov),
    )
    if _misfit(turned, placed.exposures, settings)[1] <= chi2_set - better:
        return ()  # the run went the other way, or tilts were booked so: no unit does that
    return (
        finding(
            "unit-wrong/level",
            "site",
            explains=[ANY],
            unit=unit,
            other=other,
            chi2_set=chi2_set,
            chi2_other=chi2_set - better,
            compared=compared,
        ),
    )


def _denies(solved: Solved) -> bool:
    """Whether marks deny the accuracies stated of them."""
    return any(f.code == "misfit" for f in solved.findings)


def _astray(solved: Solved) -> bool:
    """Whether marks of some stop fit no transmitter."""
    return any(f.is_one_of(("mark-blunder/one", "mark-blunder/all")) for f in solved.findings)


def _plain_slope(xyz_m: Floats) -> bool:
    """Whether marks (n, 3) lie on one slope, and a steep one."""
    plane = np.column_stack([np.ones(len(xyz_m)), xyz_m[:, :2] - xyz_m[:, :2].mean(axis=0)])
    fit = np.linalg.pinv(plane) @ xyz_m[:, 2]
    off = xyz_m[:, 2] - plane @ fit
    return bool(np.hypot(*fit[1:]) > _SLOPE and off.var() < (1.0 - _PLAIN) * xyz_m[:, 2].var())


def _turned(cov: Floats) -> Floats:
    """Return covariances (k, 5, 5) of poses with the sign of the tilt turned."""
    sign = np.array([1.0, 1.0, 1.0, 1.0, -1.0])
    return np.asarray(cov * sign[:, None] * sign)


def _in_unit(exposures: Exposures, times: float) -> Exposures:
    """Return exposures with what of their levels was read off a level, not a tape, in other units.

    A depth was taped: only the ground it was taped from moves.
    """
    ground = np.where(np.isfinite(exposures.ground_m), exposures.ground_m, exposures.xyz_m[:, 2])
    xyz = exposures.xyz_m.copy()
    xyz[:, 2] += (times - 1.0) * ground
    return replace(exposures, xyz_m=xyz, ground_m=exposures.ground_m * times)


def _falling(fixes: Fixes, settings: Settings) -> Iterator[tuple[Run, Ints]]:
    """Yield the runs of which somebody said how water flows, as `runs_with_stops` does."""
    return ((run, at) for run, at in runs_with_stops(fixes, settings) if run.flow_told)


def _rises(fixes: Fixes, settings: Settings, beyond: float = _BEYOND) -> bool:
    """Whether the stops of some run rise downstream as a whole, by so many σ."""
    return any(rises(fixes, at, run, beyond) for run, at in _falling(fixes, settings))


def rises(fixes: Fixes, at: Ints, run: Run, beyond: float = _BEYOND) -> bool:
    """Whether stops of a run rise downstream as a whole, by so many σ."""
    along = fixes.counter_m[at] * -run.upstream_sign
    weight = along - along.mean()
    rise = float(weight @ fixes.xyz_m[at, 2])
    return rise > beyond * float(np.sqrt(np.square(weight) @ np.square(fixes.depth_sigma_m[at])))


def _misfit(fixes: Fixes, exposures: Exposures, settings: Settings) -> tuple[int, float]:
    """Return how many tilts and exposures can be compared with levels, and the χ² of them."""
    off = [
        float(one)
        for run, at in _falling(fixes, settings)
        for one in (
            *_tilts(fixes, at, settings),
            *(e.off_m / e.sigma_m for e in levels_off(fixes, at, exposures, settings, run)),
        )
    ]
    return len(off), float(np.square(off).clip(max=_MOST**2).sum())


def _tilts(fixes: Fixes, at: Ints, settings: Settings) -> Iterator[float]:
    """Yield tilt less grade of each stop of a run, over its σ."""
    last = len(at) - 1
    for k, i in enumerate(at.tolist()):
        a, b = int(at[max(k - 1, 0)]), int(at[min(k + 1, last)])
        chord = fixes.xyz_m[b] - fixes.xyz_m[a]
        length = float(np.hypot(*chord[:2]))
        if length < _APART_M or not np.isfinite(fixes.cov[i]).all():
            continue
        pose = np.array([*fixes.xyz_m[i], fixes.heading_rad[i], fixes.tilt_rad[i]])
        cov = fixes.cov[i]
        if np.isfinite(fixes.tilt_prior_rad[i]):
            pose, cov = without_tilt_prior(pose, cov, float(fixes.tilt_prior_rad[i]))
        along = float(chord[:2] @ [np.sin(pose[3]), np.cos(pose[3])])
        tilt = float(pose[4]) * (1.0 if along >= 0.0 else -1.0)
        level = float(fixes.depth_sigma_m[a] ** 2 + fixes.depth_sigma_m[b] ** 2)
        sigma = np.sqrt(cov[4, 4] + settings.accuracy.axis_tilt_rad**2 + level / length**2)
        yield float((tilt - np.arctan2(chord[2], length)) / sigma)
