"""How a drawn line compares with the true pipe: distances, containment, and which bends were found.

Bends are compared per stretch, the pipe between two neighbouring located stops. Its *turn* is the
angle between its directions at both ends, whatever happens between: one bend's angle, or what two
bends in one stretch come to together. An offset or a drop, whose two bends undo each other, turns
nothing and is counted by itself.

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
import shapely

from lateralline.kernels.curves import angle_between, angles, chainage, wrap
from lateralline.records import Floats, Line, Stretch
from lateralline.simulate.truth import TrueLine

PLAIN_RAD = radians(30.0)
NEAR_M = 3.0
MATCH_RAD = radians(15.0)
MATCH_SIGMAS = 3.0
#: Paths are compared at points no further apart than this.
SAMPLE_M = 0.10


@dataclass(frozen=True, slots=True)
class Turn:
    """One stretch: what the pipe does there, and what was found."""

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


# ---- distances and containment --------------------------------------------------------------


def squares_apart_m2(path_m: Floats, pipe: TrueLine, low_m: float, high_m: float) -> Floats:
    """Return squared distances (n,) in space between a path (m, 3) and the pipe, both ways.

    From points along the pipe between two chainages (the first and the last stop) to the path, and
    from points along the path to the pipe, which goes on beyond its stops; each way weighs the
    same however long it is.
    """
    true = pipe.at(np.linspace(low_m, high_m, int(np.ceil((high_m - low_m) / SAMPLE_M)) + 1))
    own = chainage(path_m)
    at = np.linspace(0.0, own[-1], len(true))
    drawn = np.stack([np.interp(at, own, c) for c in path_m.T], axis=-1)
    pairs = ((true, path_m), (drawn, pipe.axis_m))
    return np.concatenate([_on_legs(points, path)[1].min(axis=1) for points, path in pairs])


def contained_share(region: shapely.Polygon, pipe: TrueLine, low_m: float, high_m: float) -> float:
    """Return the share of the pipe's plan between two chainages that lies in a region."""
    inner = pipe.chainage_m[(pipe.chainage_m > low_m) & (pipe.chainage_m < high_m)]
    plan = shapely.LineString(pipe.at(np.array([low_m, *inner, high_m]))[:, :2])
    if region.covers(plan):
        return 1.0
    return float(plan.intersection(region).length / plan.length)


def backward_m(path_m: Floats, pipe: TrueLine) -> float:
    """Return by how much the leg of a path that runs most against the pipe does so; 0 when none.

    Along the pipe, from where the leg's start lies beside it to where its end does.
    """
    share, square = _on_legs(path_m, pipe.axis_m)
    nearest, rows = square.argmin(axis=1), np.arange(len(path_m))
    along = pipe.chainage_m[nearest] + share[rows, nearest] * np.diff(pipe.chainage_m)[nearest]
    return float(np.maximum(-np.diff(along), 0.0).max())


def _on_legs(points_m: Floats, path_m: Floats) -> tuple[Floats, Floats]:
    """Return where on each leg of a path points (n, 3) are nearest to it, and how near.

    Shares of the legs (n, m − 1), from their starts, and squared distances (n, m − 1).
    """
    start, leg = path_m[:-1], np.diff(path_m, axis=0)
    from_start = points_m[:, None] - start
    length2 = np.maximum(np.einsum("lc,lc->l", leg, leg), 1e-12)
    share = np.clip(np.einsum("nlc,lc->nl", from_start, leg) / length2, 0.0, 1.0)
    off = from_start - share[..., None] * leg
    return share, np.einsum("nlc,nlc->nl", off, off)
