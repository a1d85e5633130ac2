"""Separation bounded by its two parts, in plan and in level.

As far as a thing and a pipe are apart in level, no error in plan brings them nearer: past a datum
shift of metres a bore still runs above the pipe, wherever it crosses. A bound along the one way
between the closest places (`bounds`) does not know that.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.stats import norm

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.overlay.bodies import LevelsBy, PlannedWork
from lateralline.overlay.stations import StationLegs
from lateralline.records import Floats, Ints


def levels_of(legs: StationLegs, leg: Ints, by: LevelsBy, sigmas: float) -> tuple[Floats, Floats]:
    """Return the lowest and highest (n) the axis of legs may be, so many σ off, at either end."""
    if by == "plan_only":
        return np.zeros(len(leg)), np.zeros(len(leg))
    levels, off = (
        (legs.level_m, legs.level_off_m) if by == "level" else (-legs.depth_m, legs.depth_off_m)
    )
    wide = off[leg] * (sigmas / INTERVAL_95)
    return (levels[leg] - wide[..., 0]).min(axis=1), (levels[leg] + wide[..., 1]).max(axis=1)


def apart(
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


def skins_m(work: PlannedWork, radius_m: float) -> float:
    """Return what a pipe's radius, and a bore's, take off the distance of `apart`."""
    return radius_m + (work.radius_m if work.kind == "bore" else 0.0)


def bound_by_parts(
    legs: StationLegs,
    leg: Ints,
    work: PlannedWork,
    by: LevelsBy,
    radius_m: float,
    plan_sigma_m: Floats,
    up_sigma_m: float,
    probability: float,
) -> Floats:
    """Return a bound (n) of the separation at each leg that fails so often at one place.

    Where the pipe may be within the thing there is none, -inf.

    `plan_sigma_m` (n) is on each axis, all errors together; `up_sigma_m` is that of frame and plan,
    beside the pipe's own. Half of the probability goes to either part.
    """
    sigmas = float(norm.isf(probability / 2))
    lowest, highest = levels_of(legs, leg, by, sigmas)
    off = plan_sigma_m * np.sqrt(-2.0 * np.log(probability / 2))  # either way, as far as that
    lines = shapely.linestrings(legs.xy_m[leg])
    plan = np.maximum(shapely.distance(lines, work.shape) - off, 0.0)
    room = sigmas * up_sigma_m
    axis = apart(plan, lowest - room, highest + room, work, by)
    return np.where(axis == 0.0, -np.inf, axis - skins_m(work, radius_m))
