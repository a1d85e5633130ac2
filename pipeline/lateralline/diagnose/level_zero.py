"""Levels of one site that count from two zeros, where the ground they share can tell.

The height of an antenna left out of GNSS heights, or half the levels taken from another bench mark:
each set fits itself, and single stops, counters and depths are then blamed that were right. Where
stops by GNSS lie among others, one plane of ground and one offset fit where one plane does not.
Where levels change zero along a run, ground and pipe step alike between the same two stops: a real
step of the ground leaves the pipe as it was, and a drop in the pipe the ground.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from lateralline.distributions import student
from lateralline.findings import ANY, Finding, finding
from lateralline.place import Placed
from lateralline.records import FieldRecord, Floats, Ints, Marks, Solved

#: Less is ground, not zero: kerbs, steps and swells. Common practice, no source.
_LEAST_M: Final = 0.3
#: Ground lies so near a plane from stop to stop, 1 σ, however well a few stops fit one. As above.
_ROUGH_M: Final = 0.05
#: So often the kinds must change along the site: with fewer changes a terrace does the same.
_CHANGES: Final = 3
#: An offset is told that chance alone reaches on one site in so many; a step of the ground, which
#: the pipe must confirm by so many σ, on more.
_BY_CHANCE, _STEP_BY_CHANCE, _PIPE_TIMES = 1e-4, 1e-3, 4.0
#: Stops an offset, or a step, is told by at least: with fewer hardly any is spare.
_STOPS: Final = 6
#: Stops on either side that a step is told by at most: over more, ground is no straight line.
_BESIDE: Final = 6


class _Offset(NamedTuple):
    """What one set of stops lies above the other, and how sure."""

    size_m: float
    sigma_m: float
    by_chance: float


def level_zero(placed: Placed) -> tuple[Finding, ...]:
    """Return the error of GNSS levels that count from another zero than levels taken, if it shows.

    Nothing is told where `place` has named it, or where coordinates are wrong.
    """
    if _told(placed):
        return ()
    xyz_m, by_gnss = _stops(placed.marks)
    if len(xyz_m) < _STOPS or _changes(xyz_m, by_gnss) < _CHANGES:
        return ()
    plane = np.column_stack([np.ones(len(xyz_m)), xyz_m[:, :2] - xyz_m[:, :2].mean(axis=0)])
    found = _offset(plane, by_gnss, xyz_m[:, 2], _ROUGH_M)
    if abs(found.size_m) < _LEAST_M or found.by_chance > _BY_CHANCE:
        return ()
    values = {"apart_m": found.size_m, "sigma_m": found.sigma_m}
    return (finding("levels-mixed/gnss-offset", "site", explains=[ANY], more=values),)


def level_step(record: FieldRecord, placed: Placed, solved: Solved) -> tuple[Finding, ...]:
    """Return an error for each run along which levels change to another zero, if it shows."""
    if _told(placed) or solved.lengths_unreliable:
        return ()
    fixes, marks, found = solved.fixes, placed.marks, []
    use = marks.placed & marks.level_known & (marks.kind != "ground")
    for run in record.settings.runs:
        known = (fixes.run == run.id) & fixes.solved & np.isfinite(fixes.counter_m)
        at = np.flatnonzero(known)
        at = at[np.argsort(fixes.counter_m[at], kind="stable")]
        of = [use & (marks.run == run.id) & (marks.stop == stop) for stop in fixes.stop[at]]
        at, of = at[[bool(m.any()) for m in of]], [m for m in of if m.any()]
        if len(at) < _STOPS:
            continue
        ground_m = np.array([marks.xyz_m[m, 2].mean() for m in of])
        steps = np.hypot(*np.diff(fixes.xyz_m[at, :2], axis=0).T)
        along_m = np.concatenate([[0.0], np.cumsum(steps)])
        step = _step(along_m, ground_m, fixes.xyz_m[at, 2], float(fixes.depth_sigma_m[at].mean()))
        if step is None:
            continue
        first, offset = step
        name = [f"stop {run.id}/{stop}" for stop in fixes.stop[at]]
        found.append(
            finding(
                "levels-mixed/stops",
                f"run {run.id}",
                about=name[first - 1 : first + 1],
                explains=[ANY],
                before=name[first - 1],
                first=name[first],
                apart_m=offset.size_m,
                sigma_m=offset.sigma_m,
            )
        )
    return tuple(found)


def _told(placed: Placed) -> bool:
    return placed.lengths_unreliable or any(f.code == "levels-mixed" for f in placed.findings)


def _step(
    along_m: Floats, ground_m: Floats, pipe_m: Floats, depth_sigma_m: float
) -> tuple[int, _Offset] | None:
    """Return the first stop (of n in order) past a step of ground and pipe alike, and the step."""
    n = len(along_m)
    straight = np.column_stack([np.ones(n), along_m])
    best: tuple[int, _Offset] | None = None
    for first in range(2, n - 1):  # two stops on either side tell a step from a bad stop
        beside = slice(max(first - _BESIDE, 0), first + _BESIDE)
        beyond = (np.arange(n) >= first)[beside].astype(np.float64)
        ground = _offset(straight[beside], beyond, ground_m[beside], _ROUGH_M)
        pipe = _offset(straight[beside], beyond, pipe_m[beside], depth_sigma_m)
        alike = abs(pipe.size_m - ground.size_m) < 3.0 * pipe.sigma_m
        sure = abs(pipe.size_m) > _PIPE_TIMES * pipe.sigma_m
        if not alike or not sure or abs(ground.size_m) < _LEAST_M:
            continue
        if ground.by_chance * n < _STEP_BY_CHANCE and (
            best is None or ground.by_chance < best[1].by_chance
        ):
            best = first, ground
    return best


def _offset(smooth: Floats, of: Floats | Ints, level_m: Floats, sigma_m: float) -> _Offset:
    """Return what levels (n,) marked by `of` (n,) lie above the others, beside a smooth (n, k)."""
    through = np.column_stack([smooth, of])
    inverse = np.linalg.pinv(through.T @ through)
    fit = inverse @ through.T @ level_m
    spare = len(level_m) - through.shape[1]
    left = float(np.square(level_m - through @ fit).sum()) / spare
    sigma = float(np.sqrt(inverse[-1, -1] * max(left, sigma_m**2)))
    size = float(fit[-1])
    return _Offset(size, sigma, 2.0 * float(student.sf(abs(size) / sigma, spare)))


def _stops(marks: Marks) -> tuple[Floats, Ints]:
    """Return the mean spot (k, 3) of each stop's marks of one kind, and (k,) 1 where by GNSS."""
    use = marks.placed & marks.level_known
    by_gnss = marks.method[use] == "gnss"
    names = [f"{r}/{s}/{int(g)}" for r, s, g in zip(marks.run[use], marks.stop[use], by_gnss,
                                                    strict=True)]  # fmt: skip
    keys, first, of = np.unique(names, return_index=True, return_inverse=True)
    count = np.maximum(np.bincount(of, minlength=len(keys)), 1)
    sums = [np.bincount(of, axis, len(keys)) for axis in marks.xyz_m[use].T]
    return np.column_stack(sums) / count[:, None], by_gnss[first].astype(np.int64)


def _changes(xyz_m: Floats, by_gnss: Ints) -> int:
    """Return how often the kinds of stops change along the site."""
    plan = xyz_m[:, :2] - xyz_m[:, :2].mean(axis=0)
    along = plan @ np.linalg.svd(plan, full_matrices=False)[2][0]
    return int(np.abs(np.diff(by_gnss[np.argsort(along, kind="stable")])).sum())
