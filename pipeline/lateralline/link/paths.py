"""Paths drawn from what a line's data leave plausible, over all its shapes.

The adjustment draws one path, of the shapes it chose; what is claimed of the pipe must not hang on
that choice. `path_filter` weighs every sequence of shapes; here `DRAWS` paths are drawn from it
backward, point by point, each of one sequence, with a seed of their own and in axes of the line's
own: equal lines have equal paths wherever they lie, and their mirror images mirrored ones. How
round a bend is, its length hardly tells: where it does the length decides. Else three bends in ten
are one fitting, of the radii published for the pipe's size (`published.bend_radii`), as many are as
round as their legs allow, and the others lie between the widest fitting, or the tightest curve that
the pipe may be bent to, and that (the shares: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log, nan, radians
from typing import Final

import numpy as np

from lateralline.kernels.curves import directions, wrap
from lateralline.kernels.expected import TILT_WANDER_RAD
from lateralline.kernels.legs import (
    HEADING,
    LEGS,
    LENGTH,
    POSE,
    SHARE,
    SHARE_2,
    TILT,
    TOTAL,
    CorneredPaths,
    even,
    shortening,
)
from lateralline.link.lines import LocatedPoint
from lateralline.link.path_filter import KINDS, ROUND, ROUND_SIGMA, Hypotheses, filtered
from lateralline.link.path_looks import PathData
from lateralline.link.stochastic import factorable
from lateralline.published import BendRadii, bend_radii
from lateralline.records import Flags, Floats, Ints, SampledPaths
from lateralline.settings import Accuracy

DRAWS: Final = 400
SEED: Final = 20261129
#: Points of a path are no further apart than this, and no fewer between two located points.
SPACING_M: Final = 0.12
_LEAST, _MOST_PIECES = 6, 60
#: Shared errors that move the points of a line by less than this (RMS) count as their own.
_SHARED_M: Final = 0.002
#: What the ground may be: how much the pipe wanders over √m (degrees), how often steel begins over
#: a metre where nobody saw it, and how many lines are so. Common practice, no source.
GROUNDS: Final = ((1.0, 0.0, 0.75), (3.0, 0.0, 0.20), (1.0, 0.05, 0.05))
#: The others are asked where points surprise by more than this; of lines that are as the first has
#: them, a third does.
_FORETOLD: Final = -3.2
#: Points this near the chord, added up, lie on neither side of it.
_SAME_SIDE_M: Final = 1e-6
#: Of a variance, what shared errors leave at least.
_LEAST_SHARE: Final = 0.2
#: A length tells how round a bend is where the roundest is this much shorter than the sharpest.
_TELLS_M: Final = 0.12
#: Of bends whose length does not tell: one fitting, as round as the legs allow, evenly between.
_SHARP, _ROUNDEST = 0.30, 0.35
#: A radius is told, were it one bend, where so many of the paths have one, and where it is known to
#: this share of the roundest. Common practice, no source.
_ONE_BEND, _KNOWN = 0.2, 0.25


def sample_paths(
    points: Sequence[LocatedPoint], accuracy: Accuracy, radii: BendRadii | None = None
) -> SampledPaths | None:
    """Return paths through located points, downstream → upstream; None where numbers fail.

    `radii` of the pipe's bends; None where the pipe's size is not known.
    """
    data, axes = path_data(points, accuracy)
    try:
        with np.errstate(all="ignore"):
            drawn, of_ground = _drawn(data)
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(drawn.states).all():
        return None
    read = np.isfinite(np.diff(data.readings_m, axis=1))
    counted = np.asarray(read.any(axis=0), dtype=np.bool_)
    subjects = tuple(p.subject for p in points)
    paths = _traced(drawn, axes, subjects, radii or bend_radii(), counted)
    return replace(paths, wide_share=of_ground[1])


def _drawn(data: PathData) -> tuple[_BackwardDraws, Floats]:
    """Return draws over what the ground may be, too, and the share of each of `GROUNDS`.

    As likely as the data make each.
    Where the likeliest foretold the points as well as chance expects, the others are not asked.
    """
    runs = [filtered(data)]
    if runs[0].surprise > _FORETOLD:
        others = [(radians(deg), steel) for deg, steel, _ in GROUNDS[1:]]
        runs += [filtered(replace(data, wander_rad=w, steel_per_m=s)) for w, s in others]
    weight = np.array([r.log_evidence + log(g[-1]) for r, g in zip(runs, GROUNDS, strict=False)])
    share = np.cumsum(np.exp(weight - np.logaddexp.reduce(weight)))
    number = np.diff(np.round(share * DRAWS).astype(np.int64), prepend=0)
    rng = np.random.default_rng(SEED)
    drawn = [
        _BackwardDraws.of(run.steps, data, rng, draws)
        for run, draws in zip(runs, number.tolist(), strict=True)
        if draws
    ]
    of_ground = np.zeros(len(GROUNDS))
    of_ground[: len(number)] = number / DRAWS
    return _BackwardDraws.joined(drawn), of_ground


# ---- the data -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _OwnAxes:
    """Axes of a line: its first point, north toward its last, and east where most of it lies."""

    origin_m: Floats  # (3,)
    turn: Floats  # (3, 3) from the site's axes

    def back(self, xyz_m: Floats) -> Floats:
        """Return places (…, 3) in the site's axes."""
        return np.asarray(xyz_m @ self.turn + self.origin_m)


def path_data(points: Sequence[LocatedPoint], accuracy: Accuracy) -> tuple[PathData, _OwnAxes]:
    """Return what was observed at points, in the line's own axes; what is shared is compressed."""
    seen = np.array([[*p.xyz_m, p.heading_rad, p.tilt_rad] for p in points])
    cov = np.array([p.cov for p in points])
    shared = np.zeros((len(points), 5, max(p.shared.shape[1] for p in points)))
    for i, p in enumerate(points):  # a junction shares nothing
        shared[i, :, : p.shared.shape[1]] = p.shared
    observed = np.isfinite(seen)
    placed = np.flatnonzero(observed[:, 0])
    for column in range(3):  # what is not known stands where its neighbours do, only to start from
        known = np.flatnonzero(observed[:, column])
        if len(known):
            at = np.arange(len(points))
            seen[:, column] = np.interp(at, known, seen[known, column])
    origin = np.nan_to_num(seen[placed[0], :3])
    chord = seen[placed[-1], :2] - origin[:2]
    heading = float(np.arctan2(chord[0], chord[1]))
    c, s = np.cos(heading), np.sin(heading)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    seen[:, :3] = (seen[:, :3] - origin) @ turn.T
    seen[:, 3] = wrap(seen[:, 3] - heading)
    side = -1.0 if seen[:, 0].sum() < -_SAME_SIDE_M else 1.0  # east is where the points are
    turn[0] *= side
    seen[:, [0, 3]] *= side
    five = np.diag([1.0, 1.0, 1.0, side, 1.0])
    five[:3, :3] = turn
    seen[:, 3:] = np.where(observed[:, 3:], seen[:, 3:], 0.0)
    cov = five @ np.nan_to_num(cov) @ five.T
    shared = five @ np.nan_to_num(shared)
    kept = _compressed(shared)
    by_turn = five @ np.array([p.by_turn for p in points]) @ turn[:2, :2].T
    steel = np.array([p.metal for p in points], dtype=np.bool_)
    sigma = np.where(steel, accuracy.field_turn_metal_rad, accuracy.field_turn_rad)
    own = cov - kept @ kept.transpose(0, 2, 1)
    own -= sigma[:, None, None] ** 2 * by_turn @ by_turn.transpose(0, 2, 1)
    axis = np.array([p.axis_sigma_m for p in points]) ** 2
    guessed = np.isfinite(axis).all(axis=1)
    observed[guessed, 3:] = False  # a heading guessed from neighbours is theirs
    together = np.einsum("kii->ki", cov - own)[:, :2].mean(axis=1, keepdims=True)
    axis = np.maximum(axis - together, _LEAST_SHARE * axis)
    own[guessed, :2, 2:] = 0.0
    own[guessed, 2:, :2] = 0.0
    runs = tuple(dict.fromkeys(r for p in points for r in p.readings))
    readings = np.array([[p.readings.get(r, np.nan) for p in points] for r in runs], float)
    read = [[p.readings[r] for p in points if r in p.readings] for r in runs]
    data = PathData(
        seen=seen,
        observed=observed,
        cov=np.array([factorable(one) for one in own]),
        along_across_m2=axis,
        shared=np.concatenate([kept, by_turn], axis=2),
        readings_m=readings.reshape(len(runs), len(points)),
        ways=np.array([1.0 if of_run[-1] >= of_run[0] else -1.0 for of_run in read]),
        counter_m=accuracy.counter_m,
        counter_ratio=accuracy.counter_ratio,
        counter_scale_ratio=accuracy.counter_scale_ratio,
        turns_rad=(accuracy.field_turn_rad, accuracy.field_turn_metal_rad),
        steel=steel,
        bends_per_m=accuracy.bends_per_m,
    )
    return data, _OwnAxes(origin, turn)


def _compressed(shared: Floats) -> Floats:
    """Return the same errors (k, 5, c) as the fewest that are independent."""
    k, five, c = shared.shape
    if not c:
        return shared
    u, size, _ = np.linalg.svd(shared.reshape(k * five, c), full_matrices=False)
    big = size > _SHARED_M * np.sqrt(k)
    sign = np.sign(u[np.abs(u).argmax(axis=0), np.arange(len(size))])
    return np.asarray((u * (size * sign))[:, big].reshape(k, five, -1))


# ---- drawing backward -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _BackwardDraws:
    """Draws (s,) of a line of k points."""

    states: Floats  # (k, s, n)
    legs: Floats  # (k-1, s, 7)
    length_m: Floats  # (k-1, s) of pipe, by its counters
    kind: Ints  # (k-1, s)
    wrong: Ints  # (k, s)
    steel: Ints  # (k, s)
    uniform: Floats  # (k-1, s) a number of each for what nothing tells

    @classmethod
    def of(
        cls, steps: Sequence[Hypotheses], data: PathData, rng: np.random.Generator, draws: int
    ) -> _BackwardDraws:
        """Draw from hypotheses at each point, the last first."""
        k, n = len(steps), data.size
        weight = np.cumsum(np.exp(steps[-1].log_weight))
        which = np.searchsorted(weight / weight[-1], (np.arange(draws) + 0.5) / draws)
        which = which.clip(max=len(weight) - 1)
        states, legs = np.zeros((k, draws, n)), np.zeros((k - 1, draws, LEGS))
        kind = np.zeros((k - 1, draws), dtype=np.int64)
        wrong, steel = np.zeros((2, k, draws), dtype=np.int64)
        last = steps[-1]
        noise = rng.standard_normal((draws, n))
        states[-1] = last.state[which] + _times(_root(last.cov)[which], noise)
        for point in range(k - 1, 0, -1):
            here, before = steps[point], steps[point - 1]
            kind[point - 1], wrong[point] = here.kind[which], here.wrong[which]
            steel[point] = here.steel[which]
            used, of = np.unique(which, return_inverse=True)
            gain, root = _backward(here.only(used), before, data.turn)
            expected = np.concatenate([before.state[here.parent], here.legs], axis=1)
            off = states[point] - here.predicted[which]
            noise = rng.standard_normal((draws, n + LEGS))
            both = expected[which] + _times(gain[of], off) + _times(root[of], noise)
            states[point - 1], legs[point - 1] = both[:, :n], both[:, n:]
            which = here.parent[which]
        steel[0] = steps[0].steel[which]
        length = np.diff(states[:, :, LENGTH], axis=0)
        return cls(states, legs, length, kind, wrong, steel, rng.random((k - 1, draws)))

    @staticmethod
    def joined(parts: Sequence[_BackwardDraws]) -> _BackwardDraws:
        """All draws together."""
        if len(parts) == 1:
            return parts[0]
        names = _BackwardDraws.__slots__
        return _BackwardDraws(
            *(np.concatenate([getattr(p, name) for p in parts], axis=1) for name in names)
        )


def _backward(here: Hypotheses, before: Hypotheses, turn: slice) -> tuple[Floats, Floats]:
    """Return how state and legs before follow from the state after, and what they scatter still.

    (m, n+7, n) and a root (m, n+7, n+7) of the covariance.
    """
    cov = before.cov[here.parent]
    m, n, _ = cov.shape
    cross = np.zeros((m, n + LEGS, n))
    cross[:, :n] = cov
    cross[:, :n, :POSE] = cov[:, :, :POSE] @ here.by_pose.transpose(0, 2, 1)
    cross[:, :n, turn] *= here.keeps[:, None, None]
    cross[:, n:, :POSE] = here.legs_cov @ here.by_legs.transpose(0, 2, 1)
    sigma = np.sqrt(np.einsum("mii->mi", here.predicted_cov).clip(1e-18))
    unit = here.predicted_cov / sigma[:, :, None] / sigma[:, None, :] + 1e-10 * np.eye(n)
    gain = np.linalg.solve(unit, (cross / sigma[:, None, :]).transpose(0, 2, 1)).transpose(0, 2, 1)
    gain = gain / sigma[:, None, :]
    both = np.zeros((m, n + LEGS, n + LEGS))
    both[:, :n, :n], both[:, n:, n:] = cov, here.legs_cov
    return gain, _root(both - gain @ cross.transpose(0, 2, 1))


def _root(cov: Floats) -> Floats:
    """Roots (m, n, n) of covariances that may be singular: R Rᵀ."""
    sigma = np.sqrt(np.einsum("mii->mi", cov).clip(1e-18))
    unit = cov / sigma[:, :, None] / sigma[:, None, :]
    value, vector = np.linalg.eigh((unit + unit.transpose(0, 2, 1)) / 2)
    half = (vector * np.sqrt(value.clip(0.0))[:, None, :]) @ vector.transpose(0, 2, 1)
    return np.asarray(sigma[:, :, None] * half)


def _times(by: Floats, x: Floats) -> Floats:
    return np.asarray((by @ x[..., None])[..., 0])


# ---- the paths ------------------------------------------------------------------------------


def _traced(
    drawn: _BackwardDraws,
    axes: _OwnAxes,
    subjects: tuple[str, ...],
    radii: BendRadii,
    counted: Flags,
) -> SampledPaths:
    """Return the paths of draws in the site's axes.

    counted (k-1,): a counter was read at both ends of the stretch.
    """
    radius_m = np.full((len(drawn.kind), 2), np.nan)
    stretches = len(drawn.kind)
    shares = [
        np.linspace(0.0, 1.0, pieces + 1)[: None if i == stretches - 1 else -1]
        for i, pieces in enumerate(_pieces(drawn.states))
    ]
    xyz_m = np.empty((drawn.states.shape[1], sum(map(len, shares)), 3))
    corners, intervals, column = [], [], 0
    for i, share in enumerate(shares):
        start, end = drawn.states[i], drawn.states[i + 1]
        bent = np.flatnonzero(drawn.kind[i] > 0)
        xyz = even(start, end, share)
        corner = np.repeat(start[:, None, :3], 2, axis=1)  # of a straight: its start, which is held
        at = np.zeros((len(start), 2))
        if len(bent):
            bends = _Bends.of(drawn, i, bent)
            xyz[bent], corner[bent], at[bent] = bends.paths(radii).at(share)
            if counted[i]:
                radius_m[i] = bends.radius_m()
        xyz_m[:, column : column + len(share)] = axes.back(xyz)
        corners.append(axes.back(corner))
        pieces = len(share) - (i == stretches - 1)
        intervals.append(column + np.floor(at.clip(0.0, 0.9999) * pieces).astype(np.int64))
        column += len(share)
    kinds = np.array([(drawn.kind == k).mean(axis=1) for k in range(len(KINDS))])
    return SampledPaths(
        subjects=subjects,
        xyz_m=xyz_m,
        place=np.concatenate([i + share for i, share in enumerate(shares)]),
        corner_m=np.concatenate(corners, axis=1),
        corner_interval=np.concatenate(intervals, axis=1),
        shape_share=kinds.T,
        wrong_share=np.stack([(drawn.wrong == w).mean(axis=1) for w in (1, 2, 3)], axis=1),
        steel_share=drawn.steel.mean(axis=1),
        stretch_m=np.median(drawn.length_m, axis=1),
        bend_radius_m=radius_m,
        stands=np.arange(stretches + 1.0),
        tilt_wander_rad=TILT_WANDER_RAD,
    )


def _pieces(states: Floats) -> list[int]:
    """Return into how many pieces each stretch is cut."""
    apart = [
        np.median(np.linalg.norm(end[:, :3] - start[:, :3], axis=1))
        for start, end in pairwise(states)
    ]
    return [int(n) for n in np.ceil(np.array(apart) / SPACING_M).clip(_LEAST, _MOST_PIECES)]


@dataclass(frozen=True, slots=True, eq=False)
class _Bends:
    """The bends of one stretch in those draws (s,) that bend there."""

    start: Floats  # (s, n)
    end: Floats
    first_m: Floats  # (s, 3) corner, and the second of two
    second_m: Floats
    twice: Flags  # (s,)
    turn: Floats  # (s,) radians
    short_m: Floats  # (s,) the shorter tangent
    taken_m: Floats  # (s,) off the length that its tangents have, by rounding the corner
    uniform: Floats  # (s,) a number of each for what nothing tells

    @classmethod
    def of(cls, drawn: _BackwardDraws, i: int, rows: Ints) -> _Bends:
        """Return those of stretch `i` in the draws `rows`."""
        start, end, legs = drawn.states[i][rows], drawn.states[i + 1][rows], drawn.legs[i][rows]
        twice = drawn.kind[i][rows] == KINDS.index("two_bends")
        total = legs[:, TOTAL].clip(0.02)
        share = legs[:, SHARE].clip(0.01, 0.99)
        second = np.where(twice, legs[:, SHARE_2].clip(0.02), 0.0)
        third = (1.0 - share - second).clip(0.01)
        ways = [directions(pose[:, HEADING], pose[:, TILT]) for pose in (start, end)]
        first_m = start[:, :3] + (share * total)[:, None] * ways[0]
        second_m = end[:, :3] - (third * total)[:, None] * ways[1]
        corner = np.where(twice[:, None], first_m, (first_m + second_m) / 2)
        return cls(
            start=start,
            end=end,
            first_m=corner,
            second_m=np.where(twice[:, None], second_m, corner),
            twice=twice,
            turn=np.arccos(np.einsum("si,si->s", *ways).clip(-1.0, 1.0)),
            short_m=np.minimum(share, third) * total,
            taken_m=total - drawn.length_m[i][rows],
            uniform=drawn.uniform[i][rows],
        )

    @property
    def most_m(self) -> Floats:
        """What the roundest bend takes off the length (s,)."""
        return self.short_m * shortening(self.turn)

    @property
    def roundest_m(self) -> Floats:
        """Radius (s,) of the roundest bend between the tangents."""
        return np.asarray(self.short_m / np.tan(self.turn.clip(1e-3, np.pi - 1e-3) / 2.0))

    def paths(self, radii: BendRadii) -> CorneredPaths:
        """Return the paths, each as round as its length or its chance has it."""
        u, roundest = self.uniform, self.roundest_m.clip(1e-6)
        fitting = radii.tightest_m + (radii.widest_m - radii.tightest_m) * u / _SHARP
        # a curve too tight for the pipe is made of several fittings
        least = np.where(roundest > radii.bent_m, max(radii.widest_m, radii.bent_m), radii.widest_m)
        least = (least / roundest).clip(0.0, 1.0)
        between = least + (1.0 - least) * (u - _SHARP) / (1.0 - _SHARP - _ROUNDEST)
        untold = np.where(u < _SHARP, (fitting / roundest).clip(0.0, 1.0), between.clip(0.0, 1.0))
        told = (self.taken_m / self.most_m.clip(1e-6)).clip(0.0, 1.0)
        rounding = np.where(self.most_m > _TELLS_M, told, untold)
        return CorneredPaths(
            self.start[:, :3],
            self.first_m,
            self.second_m,
            self.end[:, :3],
            np.where(self.twice, 0.0, rounding),
        )

    def radius_m(self) -> tuple[float, float]:
        """Return the radius, were it one bend, and its σ, by length alone; NaN where nothing tells.

        A bend of radius R takes (2 tan(θ/2) − θ) R off its tangents. What the filter assumes of
        it beforehand is taken out again.
        """
        once = ~self.twice
        if np.count_nonzero(once) < _ONE_BEND * DRAWS:
            return nan, nan
        most, roundest = self.most_m[once], self.roundest_m[once]
        seen = self.taken_m[once] / most.clip(1e-9) * roundest
        low, middle, high = np.quantile(seen, [0.16, 0.5, 0.84])
        widest = float(np.median(roundest))
        variance, before = ((high - low) / 2.0) ** 2, (ROUND_SIGMA * widest) ** 2
        information = 1.0 / max(float(variance), 1e-12) - 1.0 / before
        if not information > 1.0 / (_KNOWN * widest) ** 2:
            return nan, nan
        radius = (middle / variance - ROUND * widest / before) / information
        return max(float(radius), 0.0), float(information**-0.5)
