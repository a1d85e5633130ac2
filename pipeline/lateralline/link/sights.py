"""The ordered points of a line as arrays, for the stages that work on all of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lateralline.kernels.curves import angles
from lateralline.link.points import Point
from lateralline.records import Flags, Floats

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
    start_angles_rad: Floats  # (k, 2) where an iteration may safely start

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
        chord = np.stack(angles(_chords(xyz)), axis=-1)
        seen = np.array([[p.heading_rad, p.tilt_rad] for p in points])
        observed = np.where(directed[:, None], seen, chord)
        strong = directed & (cov[:, 3, 3] < _WEAK_HEADING_RAD**2)
        start_angles = np.where(strong[:, None], observed, chord)
        return cls(xyz, observed, cov, directed, runs, readings, start_angles)


def _chords(xyz: Floats) -> Floats:
    """Chord (k, 3) past each point, from the one before to the one after."""
    ends = np.concatenate([xyz[:1], xyz, xyz[-1:]])
    return np.asarray(ends[2:] - ends[:-2])
