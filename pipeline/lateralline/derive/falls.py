"""Falls, back-falls and low points: what a line's levels show, and what they would have shown.

A fall, a back-fall or a low point is stated only when it would be stated wrongly on 1 % of lines at
most: one-sided, and with the number of looks taken into account by Bonferroni's bound. A line's
segments are as many looks; a low point is looked for between every two of its vertices. Levels are
those of the paths drawn over all shapes, which weigh every stop with what stops share: no shape
that was chosen has a say. Where a drop may be, paths scatter in no normal way: of those, no more
than 1 % may say otherwise.

What is not shown may be there all the same. So the record says how large a back-fall or low point
had to be to be shown 80 times in 100. Levels are pulled towards a pipe that hardly wanders, so a
dip is seen less deep than it is; how much less follows from their covariance Σ and the wander's
own precision Q, that of an integrated random walk: what is seen of levels h is (I − Σ Q) h.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import nan
from typing import Final

import numpy as np

from lateralline.derive.axis import Axis, joint_cov
from lateralline.distributions import norm
from lateralline.records import Flags, Floats, Ints, Texts

#: Lines on which something that is not so is stated, at most: the project's choice.
ALPHA: Final = 0.01
#: How often what is there would have been shown: common practice, no source.
POWER: Final = 0.80
#: Length of the low point that is asked about, and the deepest, m: common practice, no source.
DIP_M: Final = 6.0
MOST_M: Final = 2.0
SEED: Final = 20261130
#: Places of a low point that are tried on a line, at most; numbers drawn at once; depths tried.
_PLACES, _NUMBERS, _HALVED = 24, 500_000, 9
#: Of a step less than this share is seen: nothing tells how large it would have to be.
_LEAST_SEEN: Final = 0.05


@dataclass(frozen=True, slots=True)
class LowPoint:
    """A place that holds water: the line stands higher both downstream and upstream of it."""

    low: int  # vertex
    rim: int  # vertex over which the water leaves, the lower of both sides
    downstream: int  # highest vertex on that side
    depth_m: float  # of the low below the rim
    sigma_m: float


@dataclass(frozen=True, eq=False)
class VertexLevels:
    """What is known of the inverts of a line's vertices (m,)."""

    chainage_m: Floats  # (m,)
    invert_m: Floats  # (m,)
    cov_m2: Floats  # (m, m)
    drawn_m: Floats  # (s, m) inverts of drawn paths; s = 0 where there are none
    wander_rad: float  # σ of the tilt over √m that their covariance presumes; NaN = not known

    @classmethod
    def of(cls, axis: Axis) -> VertexLevels:
        """Return the mean and the covariance of a line's paths; without them, of its adjustment."""
        paths = axis.line.paths
        if paths is None:
            cov = joint_cov(axis.line)[:, 2, :, 2]
            none = np.zeros((0, len(cov)))
            return cls(axis.chainage_m, axis.vertices.invert_level_m, cov, none, nan)
        place = np.arange(len(axis.chainage_m), dtype=np.float64)
        drawn = paths.at(place)[..., 2] - axis.ride_m
        mean = drawn.mean(axis=0)
        cov = (drawn - mean).T @ (drawn - mean) / len(drawn)
        return cls(axis.chainage_m, mean, cov, drawn, paths.tilt_wander_rad)

    @cached_property
    def rise_m(self) -> Floats:
        """How far vertex i stands above j (m, m)."""
        return np.asarray(self.invert_m[:, None] - self.invert_m[None, :])

    @cached_property
    def sigma_m(self) -> Floats:
        """σ of that (m, m)."""
        return _sigmas(self.cov_m2)

    def agreed(self, high: Ints, low: Ints) -> Flags:
        """Return whether no more than `ALPHA` of the paths deny that vertices (n,) stand higher."""
        if not len(self.drawn_m):
            return np.ones(len(high), dtype=np.bool_)
        denied = (self.drawn_m[:, high] <= self.drawn_m[:, low]).mean(axis=0)
        return np.asarray(denied <= ALPHA)

    # ---- what would have been shown ---------------------------------------------------------

    @cached_property
    def seen(self) -> Floats:
        """What is seen of levels at vertices: (m, m), times them."""
        return np.asarray(np.eye(len(self.cov_m2)) - self.cov_m2 @ self._precision)

    @cached_property
    def noise_m2(self) -> Floats:
        """Covariance (m, m) by which what is seen scatters."""
        cov = self.seen @ self.cov_m2
        return np.asarray((cov + cov.T) / 2)

    def noise_draws_m(self, count: int) -> Floats:
        """Return draws (count, m) of that scatter, with a fixed seed."""
        value, vector = np.linalg.eigh(self.noise_m2)
        root = vector * np.sqrt(value.clip(0.0))
        drawn = np.random.default_rng(SEED).standard_normal((count, len(value)))
        return np.asarray(drawn @ root.T)

    @cached_property
    def _precision(self) -> Floats:
        """Precision (m, m) that wander alone gives levels: that of a cubic spline's bending.

        Green and Silverman (1994), from memory: Q = D R⁻¹ Dᵀ / σ², D second differences.
        """
        m = len(self.chainage_m)
        if m < 3 or not np.isfinite(self.wander_rad):
            return np.zeros((m, m))
        h = np.maximum(np.diff(self.chainage_m), 0.05)
        inner = np.arange(m - 2)
        second, tie = np.zeros((m, m - 2)), np.zeros((m - 2, m - 2))
        second[inner, inner] = 1 / h[:-1]
        second[inner + 1, inner] = -1 / h[:-1] - 1 / h[1:]
        second[inner + 2, inner] = 1 / h[1:]
        tie[inner, inner] = (h[:-1] + h[1:]) / 3
        tie[inner[:-1], inner[1:]] = tie[inner[1:], inner[:-1]] = h[1:-1] / 6
        return np.asarray(second @ np.linalg.solve(tie, second.T) / self.wander_rad**2)


def _sigmas(cov_m2: Floats) -> Floats:
    """Return σ of the differences (m, m) of what has a covariance (m, m)."""
    own = np.diagonal(cov_m2)
    return np.asarray(np.sqrt((own[:, None] + own[None, :] - cov_m2 - cov_m2.T).clip(0.0)))


# ---- segments ------------------------------------------------------------------------------


def falls(axis: Axis, levels: VertexLevels) -> Texts:
    """Return, for each stretch (s,), "falls", "back_fall" or "not_shown".

    Judged by the inverts of its two ends; what the pipe does between them is not asked. Nothing is
    shown where nobody knows which way water runs.
    """
    first, last = _ends(axis)
    if not axis.flow_told:
        return np.full(len(first), "not_shown")
    limit = float(norm.isf(ALPHA / len(first))) * levels.sigma_m[first, last]
    rise = levels.rise_m[last, first]
    up = (rise > limit) & levels.agreed(last, first)
    down = (rise < -limit) & levels.agreed(first, last)
    return np.select([up, down], ["falls", "back_fall"], "not_shown")


def back_falls_shown_80_m(axis: Axis, levels: VertexLevels) -> Floats:
    """Return how much each stretch (s,) must rise downstream to be called a back-fall so often.

    `POWER`; the pipe before and after falls as the line does on the whole. NaN where none would be.
    """
    first, last = _ends(axis)
    limit = float(norm.isf(ALPHA / len(first)))
    # what is seen of a step: all vertices from its upstream end on are lower by one
    steps = (np.arange(len(levels.invert_m))[:, None] >= last).astype(np.float64)
    seen = levels.seen @ steps
    of = np.arange(len(first))
    share = np.minimum(seen[last, of] - seen[first, of], 1.0)  # no step is counted on for more
    fall_m = _gradient(levels) * (levels.chainage_m[last] - levels.chainage_m[first])
    over = (
        limit * levels.sigma_m[first, last]
        + norm.ppf(POWER) * _sigmas(levels.noise_m2)[first, last]
    )
    shown = share > _LEAST_SEEN
    return np.where(shown, (over + fall_m) / np.where(shown, share, 1.0) - fall_m, nan)


def _ends(axis: Axis) -> tuple[Ints, Ints]:
    stretches = axis.line.stretches
    return np.array([s.first for s in stretches]), np.array([s.last for s in stretches])


def _gradient(levels: VertexLevels) -> float:
    """Return the mean gradient of a line, 0 where it rises downstream."""
    run_m = float(levels.chainage_m[-1] - levels.chainage_m[0])
    return max(float(levels.invert_m[-1] - levels.invert_m[0]), 0.0) / max(run_m, 1e-9)


# ---- low points ----------------------------------------------------------------------------


def low_points(levels: VertexLevels) -> tuple[LowPoint, ...]:
    """Return the low points of a line that its levels show, from downstream.

    Those below one and the same downstream rim are one; the deepest is given.
    """
    invert = levels.invert_m
    if len(invert) < 3:
        return ()
    down, up, shown = (rows[0] for rows in _lows(invert[None], levels.sigma_m))
    low = np.arange(len(invert))
    rim = np.where(invert[down] <= invert[up], down, up)
    shown = shown & levels.agreed(down, low) & levels.agreed(up, low)
    found = []
    for sill in np.unique(down[shown]):
        own = np.flatnonzero(shown & (down == sill))
        at = int(own[levels.rise_m[rim[own], own].argmax()])
        over = int(rim[at])
        depth, sigma = levels.rise_m[over, at], levels.sigma_m[over, at]
        found.append(LowPoint(at, over, int(sill), float(depth), float(sigma)))
    return tuple(found)


def _lows(invert_m: Floats, sigma_m: Floats) -> tuple[Ints, Ints, Flags]:
    """Return the highest vertex before and after each of lines (n, m), and which are surely low.

    `sigma_m` (m, m) of their differences, the same for all.
    """
    m = invert_m.shape[1]
    limit = float(norm.isf(ALPHA / (m * (m - 1) / 2)))
    at = np.arange(m)
    down, up = _highest_before(invert_m), m - 1 - _highest_before(invert_m[:, ::-1])[:, ::-1]
    sure = [
        np.take_along_axis(invert_m, rim, axis=1) - invert_m > limit * sigma_m[rim, at]
        for rim in (down, up)
    ]
    return down, up, sure[0] & sure[1]


def _highest_before(level_m: Floats) -> Ints:
    """Return, for each vertex of lines (n, m), the highest one before it; the first for itself."""
    highest = np.maximum.accumulate(level_m, axis=1)
    number = np.where(level_m == highest, np.arange(level_m.shape[1]), 0)
    number = np.maximum.accumulate(number, axis=1)
    return np.concatenate([np.zeros_like(number[:, :1]), number[:, :-1]], axis=1)


def low_point_shown_80_m(levels: VertexLevels) -> float:
    """Return how deep a low point must be to be shown `POWER` of the time wherever it lies, m.

    `DIP_M` long, or as long as the line where that is shorter: a dip of a cosine in a straight
    grade, its depth counted below the lower of both sides. Tried on lines as they would be found
    (a fixed seed), with the test that is published. NaN where not even `MOST_M` would be.
    """
    s = levels.chainage_m - levels.chainage_m[0]
    if len(s) < 3:
        return nan
    length_m = min(DIP_M, float(s[-1]))
    middle = np.unique(s.clip(length_m / 2, s[-1] - length_m / 2))
    if len(middle) > _PLACES:
        middle = middle[np.linspace(0, len(middle) - 1, _PLACES).round().astype(int)]
    off = s - middle[:, None]
    dips = np.where(np.abs(off) < length_m / 2, 0.5 + 0.5 * np.cos(2 * np.pi * off / length_m), 0.0)
    seen = dips @ levels.seen.T  # (c, m)
    fall = _gradient(levels)
    found = fall * s + levels.noise_draws_m(int(np.clip(_NUMBERS / seen.size, 50, 300)))
    low, high = np.full(len(middle), 0.01), np.full(len(middle), 2 * MOST_M)
    for _ in range(_HALVED):
        depth = np.sqrt(low * high)
        lines = found[None] - (depth[:, None] * seen)[:, None]
        shown = _lows(lines.reshape(-1, len(s)), levels.sigma_m)[2].any(axis=1)
        enough = shown.reshape(lines.shape[:2]).mean(axis=1) >= POWER
        low, high = np.where(enough, low, depth), np.where(enough, depth, high)
    deepest = float(high.max())
    return float(pool_depth_m(high, length_m, fall).max()) if deepest <= MOST_M else nan


def pool_depth_m(dip_m: Floats, length_m: float, fall: float) -> Floats:
    """Return how deep water stands in dips (n,) of a cosine in a straight grade, m; NaN of inf.

    A dip d of length L has the slope g − π d / L · sin: it holds water where π d > g L.

    >>> pool_depth_m(np.array([0.2, 0.01]), 6.0, 0.02).round(3).tolist()
    [0.144, 0.0]
    """
    share = fall * length_m / (np.pi * dip_m)
    turn = np.arcsin(share.clip(0.0, 1.0))
    with np.errstate(invalid="ignore"):
        depth = dip_m * np.cos(turn) - fall * length_m / (2 * np.pi) * (np.pi - 2 * turn)
    return np.where(np.isfinite(dip_m), depth.clip(0.0), nan)
