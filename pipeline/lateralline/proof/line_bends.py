"""Which bends of a line were found: the pipe's turn between two stops, true and as adjusted.

All is told per stretch, the pipe between two neighbouring located stops. Its *turn* is the angle
between its directions at both ends, whatever happens between: one bend's angle, or what two bends
in one stretch come to together. An offset or a drop, whose two bends undo each other, turns nothing
and is counted by itself.

found       the adjusted stretch has one bend or two; an undecided one has none
matched     found, and its turn is within 15° or 3 σ of the true one
near        the nearest stop before the first bend, and after the last, is within 3 m along the pipe
recall      share of near true turns of 30° and more that are matched
precision   share of found bends that are matched, of those with a near turn of 30° or more; a bend
            found where the pipe has none counts against it however slight or far it is
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import radians

import numpy as np

from lateralline.kernels.curves import angle_between, angles, chainage, wrap
from lateralline.records import Floats, Line, Stretch
from lateralline.simulate.truth import TrueLine

PLAIN_RAD = radians(30.0)
NEAR_M = 3.0
MATCH_RAD = radians(15.0)
MATCH_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class Turn:
    """One stretch: what the pipe does there, and what was said of it."""

    bends: int  # true ones
    turn_rad: float  # true
    sharpest_rad: float  # the largest true bend; 0 = none
    drop: bool  # its bends are vertical
    near: bool
    length_m: float  # true, between the stops
    shape: str
    found_rad: float  # adjusted turn; NaN = no bend found
    found_near: bool
    sigma_rad: float  # of `found_rad`

    @property
    def found(self) -> bool:
        """A bend was found."""
        return bool(np.isfinite(self.found_rad))

    @property
    def matched(self) -> bool:
        """A bend was found, is there, and has the right angle."""
        off = abs(self.found_rad - self.turn_rad)
        return self.bends > 0 and bool(off <= max(MATCH_RAD, MATCH_SIGMAS * self.sigma_rad))

    @property
    def cancels(self) -> bool:
        """An offset or drop: two bends that undo each other."""
        return self.bends > 1 and self.turn_rad < 0.5 * self.sharpest_rad

    @property
    def asked(self) -> bool:
        """Counts in recall."""
        return self.near and self.turn_rad >= PLAIN_RAD

    @property
    def claimed(self) -> bool:
        """Counts in precision."""
        plain = self.found_near and self.found_rad >= PLAIN_RAD
        return self.found and (plain or self.bends == 0)


def turns(true: TrueLine, stop_chainage_m: dict[str, float], line: Line) -> Iterator[Turn]:
    """Yield every stretch of an adjusted line between two stops.

    `stop_chainage_m` is where each stop ("R1/3") truly stood on the pipe.
    """
    stops = np.sort(list(stop_chainage_m.values()))
    for stretch in line.stretches:
        refs = [str(line.ref[i]) for i in (stretch.first, stretch.last)]
        if not all(ref in stop_chainage_m for ref in refs):
            continue
        low, high = sorted(stop_chainage_m[ref] for ref in refs)
        yield _turn(true, stops, low, high, line, stretch)


def _turn(
    true: TrueLine, stops_m: Floats, low: float, high: float, line: Line, stretch: Stretch
) -> Turn:
    inner = np.arange(1, len(true.axis_m) - 1)
    inner = inner[(true.chainage_m[inner] > low) & (true.chainage_m[inner] < high)]
    at, legs = true.chainage_m[inner], np.diff(true.axis_m, axis=0)
    sharp = angle_between(legs[inner - 1], legs[inner])
    ends = true.upstream([low, high])
    near = False
    if len(inner):
        before, after = stops_m[stops_m < at[0]].max(), stops_m[stops_m > at[-1]].min()
        near = bool(max(at[0] - before, after - at[-1]) <= NEAR_M)
    found, sigma, found_near = _found(line, stretch)
    headings, _ = angles(np.concatenate([legs[inner - 1], legs[inner]]))
    return Turn(
        bends=len(inner),
        turn_rad=float(angle_between(ends[0], ends[1])) if len(inner) else 0.0,
        sharpest_rad=float(sharp.max()) if len(inner) else 0.0,
        drop=len(inner) > 1 and bool(np.abs(wrap(headings - headings[0])).max() < 1e-6),
        near=near,
        length_m=high - low,
        shape=stretch.shape,
        found_rad=found,
        found_near=found_near,
        sigma_rad=sigma,
    )


def _found(line: Line, stretch: Stretch) -> tuple[float, float, bool]:
    """Return the adjusted turn of a stretch, its σ, and whether it is near both stops."""
    path = line.xyz_m[stretch.first : stretch.last + 1]
    if len(path) < 3:
        return float("nan"), float("nan"), False
    rows = slice(3 * stretch.first, 3 * stretch.last + 3)
    slope = _slope(path)
    sigma = float(np.sqrt(slope @ line.joint_cov_m2[rows, rows] @ slope))
    legs = np.diff(chainage(path))
    return _turn_of(path), sigma, bool(max(legs[0], legs[-1]) <= NEAR_M)


def _turn_of(path_m: Floats) -> float:
    return float(angle_between(path_m[1] - path_m[0], path_m[-1] - path_m[-2]))


def _slope(path_m: Floats, h: float = 1e-5) -> Floats:
    """Return ∂turn/∂path (3n,) by central differences."""
    flat = path_m.ravel()
    steps = h * np.eye(len(flat))
    ahead, behind = (
        np.array([_turn_of((flat + sign * s).reshape(-1, 3)) for s in steps]) for sign in (1, -1)
    )
    return np.asarray((ahead - behind) / (2 * h))
