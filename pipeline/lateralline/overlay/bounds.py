"""How far off a pair's separation may be, wherever along the pipe, and how likely it is too small.

Each leg of a pipe has its own σ along the way to the planned thing. What is stated of a pair holds
for all of its legs at once. Errors of places half a segment apart or more, from stop to the middle
between two stops, are taken as independent, which for errors that go together makes the bound no
less safe (Bonferroni; for the probability Šidák's inequality, from memory).

Bounds in plan and in level apart: as far as a thing and a pipe are apart in level, no error in plan
brings them nearer. On a stretch whose path nobody knows, the two parts alone bound it: anywhere the
pipe may be, at any level it may have.

Probabilities: the pipe's error near the closest place is a shift, normal, square to the pipe: in
level, and across in plan. First the separation is taken as linear in the shift, which for one
straight pipe and one convex body never gives too low a probability: a convex function lies above
its tangent. Where that is neither certain nor impossible the shift is integrated over, so
curvature, the far side of a thin bore, corners and bends of the pipe count as they are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.distributions import norm
from lateralline.overlay.as_built import StationLegs
from lateralline.overlay.planned import PlannedWork
from lateralline.overlay.separation import Body, LevelsBy, Nearest
from lateralline.records import Floats, Ints, Texts

_RAY_M: Final = 500.0  # longer than any corridor is wide
#: Beyond so many σ the linear answer stands: 0 or 1 to 1e-5.
SURE_SIGMAS: Final = 4.5
#: Contact less likely is outside the 95 % interval: 2.5 % less what `integrated` may be off.
SURELY_APART: Final = 0.025 - 0.007
#: Length of pipe each side of the closest place that is shifted as one, and spacing on it.
WINDOW_M: Final = 2.0
SPACING_M: Final = 0.10
#: Farther off in plan, the thing may meet other pipe than the piece the chance is computed for.
FARTHEST_SIGMA_M: Final = WINDOW_M / INTERVAL_95
#: Shifts tried: so many σ each way, nodes of the outer and of the inner sum.
_REACH: Final = 5.0
_OUTER: Final = 61
_INNER: Final = 33
_REFINE: Final = 6
_LEAST_SIGMA_M: Final = 1e-6


@dataclass(frozen=True, slots=True)
class SearchTerms:
    """What all pairs of a region have in common."""

    search_m: float  # pairs farther apart in plan are not listed
    crs_shift_sigma_m: float  # of the operation between the plan's CRS and the as-built file's
    levels_compare: bool  # whether the plan's levels are on the as-built basis
    frame_sigma_up_m: float = 0.0  # the same of levels, if it takes them along


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """How far off the legs (n) of one pair may be where they are nearest to the thing."""

    legs: StationLegs
    separation_m: Floats
    near: Nearest
    plan_sigma_m: Floats  # of the pipe alone, towards the thing
    up_sigma_m: Floats
    across: Floats  # (n, 2) unit plan vector towards the thing
    own_sigma_m: Floats  # of the separation, the pipe's part
    sigma_m: Floats  # with that of frame and plan
    frame_m: tuple[float, float]  # σ of frame and plan together, in plan on each axis and in level
    work: PlannedWork
    by: LevelsBy

    @classmethod
    def of(
        cls,
        corridor: shapely.Polygon | None,
        legs: StationLegs,
        near: Nearest,
        separation_m: Floats,
        work: PlannedWork,
        by: LevelsBy,
        terms: SearchTerms,
    ) -> Errors:
        """Return the errors of the legs that may set the bound; of the rest, as wide as can be.

        Plan and level errors are carried onto the way to the thing and count as independent: their
        correlation at one place is 0.25 at the most in the sample sites, and the widest plan error
        is taken whatever its direction.
        """
        up, across = _up_sigma(legs, near, by), _across(legs, near)
        widest = legs.position_95_m / ELLIPSE_95
        could = separation_m - INTERVAL_95 * np.hypot(widest, up)
        matter = ~(could > separation_m.min())
        exit_m = np.full(len(widest), np.inf)
        if corridor is not None and matter.any():
            exit_m[matter] = _exit(corridor, near.axis[matter, :2], across[matter])
        plan = np.where(np.isfinite(widest), np.fmin(widest, exit_m / ELLIPSE_95), np.nan)
        flat, steep = np.hypot(near.away[:, 0], near.away[:, 1]), np.abs(near.away[:, 2])
        own = np.hypot(flat * plan, steep * up)
        frame_up = terms.frame_sigma_up_m if by == "level" else 0.0
        frame = np.hypot(flat * terms.crs_shift_sigma_m, steep * frame_up)
        tolerance = work.tolerance_95_m / INTERVAL_95
        sigma = np.hypot(np.hypot(own, frame), tolerance)
        frame_m = (terms.crs_shift_sigma_m, frame_up)
        return cls(legs, separation_m, near, plan, up, across, own, sigma, frame_m, work, by)

    def places(self) -> Ints:
        """Return the legs that stand for all: the worst first, then others half a segment away.

        Those whose own error cannot make them the nearest are left out.
        """
        low = self.separation_m - INTERVAL_95 * self.own_sigma_m
        left = ~(low > self.separation_m.min()) & ~self.legs.undecided
        low = np.where(np.isnan(low), -np.inf, low)
        at = along(self.legs.chainage_m, self.near.fraction)
        room = self.legs.segment_m / 2
        found = []
        while left.any():
            found.append(int(np.where(left, low, np.inf).argmin()))
            left[found[-1]] = False
            left &= np.abs(at - at[found[-1]]) >= np.minimum(room, room[found[-1]])
        return np.array(found, dtype=np.int64)

    def separation_lower_95_m(self, places: int, radius_m: float) -> Floats:
        """Return the bound (n) of each leg that holds for so many places at once.

        Along the way to the thing, or by plan and level apart where that is the better: half of the
        probability to fail goes to either part. -inf where the pipe may be within the thing.
        """
        failing, work, by = _failing(places), self.work, self.by
        straight = self.separation_m - quantile(places) * self.sigma_m
        sigmas = float(norm.isf(failing / 2))
        lowest, highest = levels_of(self.legs, by, sigmas)
        off = self._aside(self.plan_sigma_m) * np.sqrt(-2.0 * np.log(failing / 2))  # either way
        plan = np.maximum(
            shapely.distance(shapely.linestrings(self.legs.xy_m), work.shape) - off, 0
        )
        room = sigmas * self._upwards(0.0)
        axis = axis_distance(plan, lowest - room, highest + room, work, by)
        parts = np.where(axis == 0.0, -np.inf, axis - radii_m(work, radius_m))
        return np.where(np.isnan(straight), np.nan, np.fmax(straight, parts))

    def chances(self, at: Ints, body: Body, radius_m: float) -> tuple[float, float]:
        """Return P(separation < required) and P(< 0) anywhere, from the places `at`."""
        none = np.ones(2)
        for i in at.tolist():
            none = none * (1.0 - np.array(self._chances(i, body, radius_m)))
        below, contact = (1.0 - none).tolist()
        return below, contact

    def _chances(self, i: int, body: Body, radius_m: float) -> tuple[float, ...]:
        limits = np.array([self.work.required_m, 0.0])
        separation, sigma = self.separation_m[i], self.sigma_m[i]
        if (np.abs(separation - limits) > SURE_SIGMAS * sigma).all():
            return tuple(linear(separation, sigma, limits).tolist())
        plan = float(self._aside(self.plan_sigma_m[i]))
        if plan > FARTHEST_SIGMA_M:
            return np.nan, np.nan
        up = 0.0 if self.by == "plan_only" else float(self._upwards(self.up_sigma_m[i]))
        path = _window(self.legs, i, float(self.near.fraction[i]), self.by)
        return integrated(body, path, radius_m, Shift(self.across[i], plan, up), limits)

    def _aside(self, own_m: Floats) -> Floats:
        """Return σ in plan on each axis: the pipe's own, the frame's and the plan's."""
        return np.hypot(np.hypot(own_m, self.frame_m[0]), self.work.tolerance_95_m / INTERVAL_95)

    def _upwards(self, own_m: float) -> float:
        """Return σ of the level, likewise."""
        tolerance = self.work.tolerance_95_m / INTERVAL_95
        return float(np.hypot(np.hypot(own_m, self.frame_m[1]), tolerance))


def quantile(places: int) -> float:
    """Return how many σ a bound takes off that holds at so many independent places at once.

    At one or two it is the lower end of the usual interval; at more, 5 % is shared among them.

    >>> [round(quantile(n), 3) for n in (1, 2, 3, 10)]
    [1.96, 1.96, 2.128, 2.576]
    """
    return float(norm.isf(_failing(places)))


def _failing(places: int) -> float:
    return min(0.025, 0.05 / max(places, 1))


def along(pairs: Floats, fraction: Floats) -> Floats:
    """Return values (n) between the two ends of legs (n, 2)."""
    return np.asarray(pairs[:, 0] + fraction * (pairs[:, 1] - pairs[:, 0]))


def axis_ends(legs: StationLegs, by: Texts | LevelsBy, rows: Ints | slice = slice(None)) -> Floats:
    """Return both ends (n, 2, 3) of some legs on the vertical axis that their pair's body is on."""
    each = np.asarray(by)[..., None]
    z = np.where(each == "level", legs.level_m[rows], -legs.depth_m[rows])
    z = np.where(each == "plan_only", 0.0, z)
    return np.concatenate([legs.xy_m[rows], z[..., None]], axis=-1)


def _up_sigma(legs: StationLegs, near: Nearest, by: LevelsBy) -> Floats:
    """Return σ (n) of the axis' level, or of its depth, on the side that brings it nearer."""
    if by == "plan_only":
        return np.zeros(len(near.fraction))
    off = legs.level_off_m if by == "level" else legs.depth_off_m
    side = np.where(near.away[:, 2] > 0, 0, 1)  # above the thing, being lower is nearer
    return along(off[np.arange(len(off)), :, side], near.fraction) / INTERVAL_95


def _across(legs: StationLegs, near: Nearest) -> Floats:
    """Return the plan way (n, 2) to the thing; square to the pipe where it is above or below."""
    towards = -near.away[:, :2]
    size = np.hypot(towards[:, 0], towards[:, 1])
    run = legs.xy_m[:, 1] - legs.xy_m[:, 0]
    square = np.column_stack([run[:, 1], -run[:, 0]])
    square = square / np.maximum(np.hypot(square[:, 0], square[:, 1]), 1e-12)[:, None]
    return np.where((size > 1e-3)[:, None], towards / np.maximum(size, 1e-3)[:, None], square)


def _exit(corridor: shapely.Polygon, at: Floats, way: Floats) -> Floats:
    """Return how far it is (n) to a corridor's edge, that way or back, the farther; inf outside."""
    shapely.prepare(corridor)
    inside = shapely.contains_xy(corridor, at[:, 0], at[:, 1])
    far = []
    for ray in (_RAY_M * way, -_RAY_M * way):
        rays = shapely.linestrings(np.stack([at, at + ray], axis=1))
        crossings = shapely.intersection(rays, corridor.boundary)
        far.append(shapely.distance(shapely.points(at), crossings))
    return np.where(inside, np.maximum(*far), np.inf)


def _window(legs: StationLegs, i: int, fraction: float, by: LevelsBy) -> Floats:
    """Return the axis (m, 3) near the closest place, evenly along it."""
    ends = axis_ends(legs, by)
    nodes = np.concatenate([ends[:, 0], ends[-1:, 1]])
    chainage = np.concatenate([legs.chainage_m[:, 0], legs.chainage_m[-1:, 1]])
    middle = chainage[i] + fraction * (chainage[i + 1] - chainage[i])
    low = max(middle - WINDOW_M, chainage[0])
    high = min(middle + WINDOW_M, chainage[-1])
    at = np.linspace(low, high, int(np.ceil((high - low) / SPACING_M)) + 1)
    at = np.unique(np.append(at, middle))
    return np.column_stack([np.interp(at, chainage, nodes[:, c]) for c in range(3)])


# ---- plan and level apart ------------------------------------------------------------------


def levels_of(legs: StationLegs, by: LevelsBy, sigmas: float) -> tuple[Floats, Floats]:
    """Return the lowest and highest (n) the axis of legs may be, so many σ off, at either end."""
    if by == "plan_only":
        return np.zeros(len(legs.line)), np.zeros(len(legs.line))
    levels, off = (
        (legs.level_m, legs.level_off_m) if by == "level" else (-legs.depth_m, legs.depth_off_m)
    )
    wide = off * (sigmas / INTERVAL_95)
    return (levels - wide[..., 0]).min(axis=1), (levels + wide[..., 1]).max(axis=1)


def axis_distance(
    plan_m: Floats, lowest_m: Floats, highest_m: Floats, work: PlannedWork, by: LevelsBy
) -> Floats:
    """Return how far axes (n) are from a thing at the least; 0 where they may be in it.

    They are `plan_m` from its shape at the least, and between two levels. A bore counts as its
    axis.
    """
    up = np.zeros_like(plan_m)
    if by != "plan_only":
        thing = work.z_m if by == "level" else np.array([-work.depth_m])
        up = float(thing.min()) - highest_m  # below a bottom or an axis
        if work.kind == "bore":
            up = np.maximum(up, lowest_m - float(thing.max()))
    if work.kind in ("post", "pile"):  # the flat end is as wide as the rest
        plan_m = plan_m - work.radius_m
    # NaN, a level nothing bounds, stays.
    return np.asarray(np.hypot(np.maximum(plan_m, 0.0), np.maximum(up, 0.0)))


def radii_m(work: PlannedWork, radius_m: float) -> float:
    """Return what a pipe's radius, and a bore's, take off an `axis_distance`."""
    return radius_m + (work.radius_m if work.kind == "bore" else 0.0)


def bound_anywhere(
    region: shapely.Geometry | None,
    stretch: StationLegs,
    work: PlannedWork,
    by: LevelsBy,
    radius_m: float,
    terms: SearchTerms,
) -> float:
    """Return the least separation of a thing and a pipe anywhere in a region and its level bounds.

    Its two parts, plan and level, stand at their 95 % bounds both; so do frame and plan. NaN when
    nothing bounds the pipe.
    """
    if region is None:
        return float("nan")
    lowest, highest = levels_of(stretch, by, INTERVAL_95)
    frame_up = terms.frame_sigma_up_m if by == "level" else 0.0
    aside, room = (
        float(np.hypot(INTERVAL_95 * sigma, work.tolerance_95_m))
        for sigma in (terms.crs_shift_sigma_m, frame_up)
    )
    plan = max(float(shapely.distance(region, work.shape)) - aside, 0.0)
    low, high = lowest.min(keepdims=True) - room, highest.max(keepdims=True) + room
    return float(axis_distance(np.array([plan]), low, high, work, by)[0]) - radii_m(work, radius_m)


# ---- how likely the true separation is below a limit ---------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """The error of a pipe's place against a planned thing."""

    across: Floats  # (2,) unit plan vector
    sigma_across_m: float
    sigma_up_m: float


def linear(separation_m: Floats, sigma_m: Floats, limit_m: Floats | float) -> Floats:
    """Return P(separation < limit) (n,) with the separation normal."""
    return np.asarray(norm.cdf((limit_m - separation_m) / np.maximum(sigma_m, _LEAST_SIGMA_M)))


def integrated(
    body: Body, path: Floats, radius_m: float, shift: Shift, limits_m: Iterable[float]
) -> tuple[float, ...]:
    """Return P(separation < limit) for each limit, `path` (m, 3) being the axis near the body.

    A sum over shifts: outer nodes by the trapezium rule; between inner nodes the separation is
    linear and the normal's mass is exact. The outer direction is the one the separation feels less.
    Against sums over 401 nodes it is within 0.007 in the cases of the tests, corners and edges
    being the worst. Pieces of the path that no shift can bring nearest are left out.
    """
    sigma = np.maximum([shift.sigma_across_m, shift.sigma_up_m], _LEAST_SIGMA_M)
    apart = body.signed(path)
    could = np.flatnonzero(apart <= apart.min() + 2 * _REACH * np.hypot(*sigma))
    path = path[could[0] : could[-1] + 1]
    ways = np.array([[*shift.across, 0.0], [0.0, 0.0, 1.0]]) * sigma[:, None]
    feels = [abs(_separation(body, path + w, 0.0) - _separation(body, path - w, 0.0)) for w in ways]
    if feels[0] > feels[1]:
        ways = ways[::-1]
    outer, inner = (np.linspace(-_REACH, _REACH, n) for n in (_OUTER, _INNER))
    weight = norm.pdf(outer) / norm.pdf(outer).sum()
    shifts = outer[:, None, None] * ways[0] + inner[None, :, None] * ways[1]
    separation = _separation(body, path + shifts[:, :, None, :], radius_m)
    return tuple(float(weight @ _mass_below(separation - limit, inner)) for limit in limits_m)


def _separation(body: Body, paths: Floats, radius_m: float) -> Floats:
    """Return the least separation (…) of paths (…, m, 3): at a vertex, or nearer beside it."""
    at = body.signed(paths)
    best = at.argmin(axis=-1)
    last = paths.shape[-2] - 1
    ends = []
    for step in (-1, 0, 1):
        index = (best + step).clip(0, last)[..., None, None]
        ends.append(np.take_along_axis(paths, index, axis=-2)[..., 0, :])
    low, middle, high = ends
    least = at.min(axis=-1)
    for other in (low, high):
        least = np.minimum(least, _between(body, middle, other))
    return np.asarray(least - radius_m)


def _between(body: Body, start: Floats, end: Floats) -> Floats:
    """Return the least distance (…) on short pieces, by halving thirds."""
    a, b = np.zeros(start.shape[:-1]), np.ones(start.shape[:-1])
    for _ in range(_REFINE):
        c, d = a + (b - a) / 3, b - (b - a) / 3
        left = body.signed(start + c[..., None] * (end - start)) < body.signed(
            start + d[..., None] * (end - start)
        )
        a, b = np.where(left, a, c), np.where(left, d, b)
    return body.signed(start + ((a + b) / 2)[..., None] * (end - start))


def _mass_below(over: Floats, inner: Floats) -> Floats:
    """Return, for each row (n, m) of values at nodes (m,), the normal's mass where they are < 0."""
    left, right = over[:, :-1], over[:, 1:]
    a, b = inner[:-1], inner[1:]
    apart = np.where(left == right, 1.0, left - right)
    cross = a + (b - a) * (left / apart).clip(0.0, 1.0)
    mass = norm.cdf(b) - norm.cdf(a)
    falls = norm.cdf(b) - norm.cdf(cross)
    rises = norm.cdf(cross) - norm.cdf(a)
    inside = (left < 0) & (right < 0)
    share = np.where(inside, mass, np.where(right < 0, falls, np.where(left < 0, rises, 0.0)))
    tails = np.where(over[:, 0] < 0, norm.cdf(-_REACH), 0.0)
    tails = tails + np.where(over[:, -1] < 0, norm.cdf(-_REACH), 0.0)
    return np.asarray(share.sum(axis=1) + tails)
