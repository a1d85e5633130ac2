"""How far off a pair's separation may be: at each leg, and wherever along the pipe.

Each leg has its own σ along the way to the planned thing. What is told of a pair holds for all of
its legs at once. Errors of places half a segment apart or more, from stop to the middle between two
stops, are taken as independent, which for errors that go together makes the bound no less safe
(Bonferroni; for the probability Šidák's inequality, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from scipy.stats import norm

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.overlay import chance
from lateralline.overlay.as_built import Lines
from lateralline.overlay.bodies import Body, LevelsBy, PlannedWork
from lateralline.overlay.parts import bound_by_parts
from lateralline.overlay.separation import Nearest
from lateralline.overlay.stations import StationLegs, axis_ends
from lateralline.records import Floats, Ints

_RAY_M: Final = 500.0  # longer than any corridor is wide
#: Farther off in plan, the thing may meet other pipe than the piece the chance is reckoned for.
FARTHEST_SIGMA_M: Final = chance.WINDOW_M / INTERVAL_95


@dataclass(frozen=True, slots=True)
class SearchTerms:
    """What all pairs of a region have in common."""

    search_m: float  # pairs farther apart in plan are not listed
    frame_sigma_m: float  # of the operation between the plan's CRS and the as-built file's
    levels_compare: bool  # whether the plan's levels are on the as-built basis
    frame_sigma_up_m: float = 0.0  # the same of levels, if it takes them along


@dataclass(frozen=True, slots=True, eq=False)
class Errors:
    """How far off legs (n) of one pair may be where they are nearest to the thing."""

    leg: Ints
    separation_m: Floats
    near: Nearest
    plan_sigma_m: Floats  # of the pipe alone, towards the thing
    up_sigma_m: Floats
    across: Floats  # (n, 2) unit plan vector towards the thing
    work: PlannedWork
    by: LevelsBy
    terms: SearchTerms
    own_sigma_m: Floats = field(init=False)  # of the separation, the pipe's part
    sigma_m: Floats = field(init=False)  # with that of frame and plan

    def __post_init__(self) -> None:
        """Carry plan and level errors onto the way to the thing; they count as independent.

        Their correlation at one place is 0.25 at the most in the sample sites, and the widest plan
        error is taken whatever its direction.
        """
        level, up = _shares(self.near)
        own = np.hypot(level * self.plan_sigma_m, up * self.up_sigma_m)
        terms, tolerance = self.terms, self.work.tolerance_95_m / INTERVAL_95
        frame_up = terms.frame_sigma_up_m if self.by == "level" else 0.0
        frame = np.hypot(level * terms.frame_sigma_m, up * frame_up)
        object.__setattr__(self, "own_sigma_m", own)
        object.__setattr__(self, "sigma_m", np.hypot(np.hypot(own, frame), tolerance))

    @classmethod
    def of(
        cls,
        lines: Lines,
        legs: StationLegs,
        leg: Ints,
        near: Nearest,
        separation_m: Floats,
        work: PlannedWork,
        by: LevelsBy,
        terms: SearchTerms,
    ) -> Errors:
        """Return the errors of the legs that may set the bound; of the rest, as wide as can be."""
        up = _up_sigma(legs, leg, near, by)
        across = _across(legs, leg, near)
        widest = legs.plan_95_m[leg] / ELLIPSE_95
        could = separation_m - INTERVAL_95 * np.hypot(widest, up)
        matter = ~(could > separation_m.min())
        exit_m = np.full(len(leg), np.inf)
        corridor = lines.corridor_m[legs.line[leg[0]]]
        if corridor is not None and matter.any():
            exit_m[matter] = _exit(corridor, near.axis[matter, :2], across[matter])
        plan = np.where(np.isfinite(widest), np.fmin(widest, exit_m / ELLIPSE_95), np.nan)
        return cls(leg, separation_m, near, plan, up, across, work, by, terms)

    def places(self, legs: StationLegs) -> Ints:
        """Return the legs that stand for all: the worst first, then others half a segment away.

        Those whose own error cannot make them the nearest are left out.
        """
        low = self.separation_m - INTERVAL_95 * self.own_sigma_m
        left = ~(low > self.separation_m.min()) & ~legs.undecided[self.leg]
        low = np.where(np.isnan(low), -np.inf, low)
        at = along(legs.chainage_m[self.leg], self.near.fraction)
        room = legs.segment_m[self.leg] / 2
        found = []
        while left.any():
            found.append(int(np.where(left, low, np.inf).argmin()))
            left[found[-1]] = False
            left &= np.abs(at - at[found[-1]]) >= np.minimum(room, room[found[-1]])
        return np.array(found, dtype=np.int64)

    def lower_95_m(self, places: int, legs: StationLegs, radius_m: float) -> Floats:
        """Return the bound (n) of each leg that holds for so many places at once.

        Along the way to the thing, or by plan and level apart where that is the better.
        """
        failing = _failing(places)
        straight = self.separation_m - quantile(places) * self.sigma_m
        plan, frame_up = self._aside(self.plan_sigma_m), self._upwards(0.0)
        work, by = self.work, self.by
        parts = bound_by_parts(legs, self.leg, work, by, radius_m, plan, frame_up, failing)
        return np.where(np.isnan(straight), np.nan, np.fmax(straight, parts))

    def chances(
        self, at: Ints, body: Body, radius_m: float, legs: StationLegs
    ) -> tuple[float, float]:
        """Return P(separation < required) and P(< 0) anywhere, from the places `at`."""
        none = np.ones(2)
        for i in at.tolist():
            none = none * (1.0 - np.array(self._chances(i, body, radius_m, legs)))
        below, contact = (1.0 - none).tolist()
        return below, contact

    def _chances(
        self, i: int, body: Body, radius_m: float, legs: StationLegs
    ) -> tuple[float, float]:
        limits = (self.work.required_m, 0.0)
        first = chance.linear(self.separation_m[i], self.sigma_m[i], np.array(limits))
        away = np.abs(self.separation_m[i] - np.array(limits))
        if (away > chance.SURE_SIGMAS * self.sigma_m[i]).all():
            return float(first[0]), float(first[1])
        plan = float(self._aside(self.plan_sigma_m[i]))
        if plan > FARTHEST_SIGMA_M:
            return np.nan, np.nan
        up = 0.0 if self.by == "plan_only" else self._upwards(self.up_sigma_m[i])
        shift = chance.Shift(self.across[i], plan, up)
        path = _window(legs, self.leg, i, float(self.near.fraction[i]), self.by)
        below, contact = chance.integrated(body, path, radius_m, shift, limits)
        return below, contact

    def _aside(self, own_m: Floats) -> Floats:
        """Return σ in plan on each axis: the pipe's own, the frame's and the plan's."""
        tolerance = self.work.tolerance_95_m / INTERVAL_95
        return np.hypot(np.hypot(own_m, self.terms.frame_sigma_m), tolerance)

    def _upwards(self, own_m: float) -> float:
        """Return σ of the level, likewise."""
        tolerance = self.work.tolerance_95_m / INTERVAL_95
        frame_up = self.terms.frame_sigma_up_m if self.by == "level" else 0.0
        return float(np.hypot(np.hypot(own_m, frame_up), tolerance))


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


def _shares(near: Nearest) -> tuple[Floats, Floats]:
    return np.hypot(near.away[:, 0], near.away[:, 1]), np.abs(near.away[:, 2])


def _up_sigma(legs: StationLegs, leg: Ints, near: Nearest, by: LevelsBy) -> Floats:
    """Return σ (n) of the axis' level, or of its depth, on the side that brings it nearer."""
    if by == "plan_only":
        return np.zeros(len(leg))
    off = (legs.level_off_m if by == "level" else legs.depth_off_m)[leg]
    side = np.where(near.away[:, 2] > 0, 0, 1)  # above the thing, being lower is nearer
    return along(off[np.arange(len(leg)), :, side], near.fraction) / INTERVAL_95


def _across(legs: StationLegs, leg: Ints, near: Nearest) -> Floats:
    """Return the plan way (n, 2) to the thing; square to the pipe where it is above or below."""
    towards = -near.away[:, :2]
    size = np.hypot(towards[:, 0], towards[:, 1])
    run = legs.xy_m[leg, 1] - legs.xy_m[leg, 0]
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


def _window(legs: StationLegs, leg: Ints, i: int, fraction: float, by: LevelsBy) -> Floats:
    """Return the axis (m, 3) near the closest place, evenly along it."""
    ends = axis_ends(legs, leg, np.full(len(leg), by))
    nodes = np.concatenate([ends[:, 0], ends[-1:, 1]])
    chainage = np.concatenate([legs.chainage_m[leg, 0], legs.chainage_m[leg[-1:], 1]])
    middle = chainage[i] + fraction * (chainage[i + 1] - chainage[i])
    low = max(middle - chance.WINDOW_M, chainage[0])
    high = min(middle + chance.WINDOW_M, chainage[-1])
    at = np.linspace(low, high, int(np.ceil((high - low) / chance.SPACING_M)) + 1)
    at = np.unique(np.append(at, middle))
    return np.column_stack([np.interp(at, chainage, nodes[:, c]) for c in range(3)])
