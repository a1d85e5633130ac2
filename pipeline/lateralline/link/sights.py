"""The ordered points of a line as arrays, for the stages that work on all of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lateralline.kernels.curves import angles
from lateralline.link.points import Point
from lateralline.records import Flags, Floats

#: A point less certain than this in plan starts where its counter puts it, not where it was solved.
_WEAK_PLAN_M = 0.25
#: A heading less certain than this starts along the chord.
_WEAK_HEADING_RAD = 0.35


@dataclass(frozen=True, slots=True)
class Sights:
    """What was observed at k points, downstream → upstream, axes pointing upstream."""

    xyz_m: Floats  # (k, 3)
    angles_rad: Floats  # (k, 2) heading, tilt; the chord's where nothing was observed
    cov: Floats  # (k, 5, 5)
    directed: Flags  # (k,)
    runs: tuple[str, ...]
    readings_m: Floats  # (runs, k) transmitter counters; NaN = this run has none here
    start_xyz_m: Floats  # (k, 3) where an iteration may safely start
    start_angles_rad: Floats  # (k, 2)

    @classmethod
    def of(cls, points: Sequence[Point]) -> Sights:
        """Return the arrays of ordered, turned points (at least two)."""
        xyz = np.array([p.xyz_m for p in points])
        cov = np.array([p.cov for p in points])
        directed = np.array([p.directed for p in points])
        runs = tuple(dict.fromkeys(r for p in points for r in p.readings))
        readings = np.array(
            [[p.readings.get(r, np.nan) for p in points] for r in runs], float
        ).reshape(len(runs), len(points))
        start = _safe_start(xyz, cov, readings)
        chord = np.stack(angles(_chords(start)), axis=-1)
        seen = np.array([[p.heading_rad, p.tilt_rad] for p in points])
        observed = np.where(directed[:, None], seen, chord)
        strong = directed & (cov[:, 3, 3] < _WEAK_HEADING_RAD**2)
        start_angles = np.where(strong[:, None], observed, chord)
        return cls(xyz, observed, cov, directed, runs, readings, start, start_angles)

    def passing_over(self, suspect: Flags) -> Sights:
        """The same, suspect points (k,) started on the chord between the points around them."""
        if not suspect.any():
            return self
        k = np.arange(len(suspect))
        place = first_finite(self.readings_m)
        here = np.where(np.isfinite(place).all(), place, k)
        sure = np.flatnonzero(~suspect)
        sure = sure[np.argsort(here[sure], kind="stable")]
        xyz, angle = self.start_xyz_m.copy(), self.start_angles_rad.copy()
        for axis in range(3):
            xyz[suspect, axis] = np.interp(here[suspect], here[sure], xyz[sure, axis])
        angle[suspect] = np.stack(angles(_chords(xyz)), axis=-1)[suspect]
        return replace(self, start_xyz_m=xyz, start_angles_rad=angle)

    @property
    def counter_steps_m(self) -> Floats:
        """Counted length (k−1,) of each stretch, by the first run that read both its ends."""
        steps = np.abs(np.diff(self.readings_m, axis=1))
        return first_finite(steps)


def first_finite(rows: Floats) -> Floats:
    """Return of each column (r, n) the first finite value, NaN where there is none."""
    if len(rows) == 0:
        return np.full(rows.shape[1], np.nan)
    at = np.argmax(np.isfinite(rows), axis=0)
    return np.asarray(rows[at, np.arange(rows.shape[1])])


def _chords(xyz: Floats) -> Floats:
    """Chord (k, 3) past each point, from the one before to the one after."""
    ends = np.concatenate([xyz[:1], xyz, xyz[-1:]])
    return np.asarray(ends[2:] - ends[:-2])


def _safe_start(xyz: Floats, cov: Floats, readings: Floats) -> Floats:
    """Positions with uncertain ones moved to their counter's place between certain ones."""
    weak = np.linalg.eigvalsh(cov[:, :2, :2])[:, 1] > _WEAK_PLAN_M**2
    out = xyz.copy()
    for counter in readings:
        good = np.isfinite(counter) & ~weak
        move = np.isfinite(counter) & weak
        if good.sum() < 2 or not move.any():
            continue
        order = np.flatnonzero(good)[np.argsort(counter[good])]
        inside = (counter > counter[order[0]]) & (counter < counter[order[-1]]) & move
        for axis in range(2):
            out[inside, axis] = np.interp(counter[inside], counter[order], xyz[order, axis])
    return out
