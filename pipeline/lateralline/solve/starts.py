"""First guesses by the closed forms of a level transmitter."""

from __future__ import annotations

import numpy as np

from lateralline.kernels.dipole import null_separation
from lateralline.kernels.lsq import per_problem
from lateralline.records import Floats
from lateralline.solve.kinds import AXIAL, END, MID, TOTAL
from lateralline.solve.problem import StopProblem

#: End null to transmitter over depth, level: 1/√2. A ring of mid nulls over an upright one: √2.
END_OFFSET = float(null_separation(0.0)) / 2.0
RING = float(np.sqrt(2.0))


def mean_spot(problem: StopProblem, *kinds: int) -> Floats:
    """Return the mean plan position (2, k) of a stop's marks of these kinds; NaN without any."""
    chosen = np.isin(problem.marks.kind, kinds)
    count = problem.tally(*kinds)
    total = per_problem(np.where(chosen, problem.marks.xyz_m[:2], 0.0), problem.stops.count)
    with np.errstate(invalid="ignore"):
        return np.asarray(total / np.where(count, count, np.nan))


def _first_found(*choices: Floats) -> Floats:
    out = choices[0]
    for other in choices[1:]:
        out = np.where(np.isfinite(out), out, other)
    return out


def _outer_ends(problem: StopProblem) -> tuple[Floats, Floats]:
    """Return the first and last end null of each stop (2, k); the same one when there is one."""
    k = len(problem.stops.count)
    first, last = np.full((2, k), np.nan), np.full((2, k), np.nan)
    index, of_stop = np.flatnonzero(problem.marks.kind == END), problem.of_stop
    xy = problem.marks.xyz_m[:2]
    first[:, of_stop[index][::-1]] = xy[:, index[::-1]]
    last[:, of_stop[index]] = xy[:, index]
    return first, last


def level_start(problem: StopProblem) -> Floats:
    """Return starting values (5, k) for transmitters that lie about level.

    Two end nulls give heading and depth; one and a middle spot do so half; otherwise the way of
    travel and the depth reading do. A lone end null is taken as the one ahead.
    """
    s = problem.stops
    ends = problem.tally(END)
    first, last = _outer_ends(problem)
    between = np.where(ends >= 2, mean_spot(problem, END), np.nan)  # sharper than any peak
    spot = _first_found(mean_spot(problem, MID), between, mean_spot(problem, TOTAL, AXIAL))
    lone = ~np.isfinite(spot[0])
    middle = _first_found(spot, mean_spot(problem, END))
    axis = np.where(ends >= 2, last - first, first - middle)
    span = np.hypot(*axis)
    pointed = (ends >= 2) | ((ends == 1) & ~lone)
    heading = np.where(pointed, np.arctan2(axis[0], axis[1]), s.heading_rad)
    backwards = pointed & (np.cos(heading - s.heading_rad) < 0.0)  # face the way of travel
    heading = np.where(backwards, heading + np.pi, heading)
    by_nulls = span / np.where(ends >= 2, 2.0 * END_OFFSET, END_OFFSET)
    by_reading = s.depth_reading_m / s.scale - s.aerial_m
    depth = np.where(pointed & ~((ends == 1) & np.isfinite(by_reading)), by_nulls, by_reading)
    depth = np.maximum(depth, 0.1)
    back = np.where((ends == 1) & lone, END_OFFSET * depth, 0.0)
    east, north = middle - back * np.stack([np.sin(heading), np.cos(heading)])
    start = np.stack([east, north, np.zeros_like(east), heading, s.tilt_rad])
    start[2] = problem.ground(start) - depth
    return start


def other_side(problem: StopProblem, start: Floats) -> Floats:
    """Return starts (5, k) mirrored to the far side of each stop's end nulls."""
    mirrored = start.copy()
    mirrored[:2] = 2.0 * mean_spot(problem, END) - start[:2]
    return mirrored


def steep_start(problem: StopProblem, start: Floats, tilt_rad: float, turn_rad: float) -> Floats:
    """Return starts (5, k) for transmitters that stand: end null overhead, mid nulls on a ring.

    Only |tilt| beyond 60° starts under the end null; less steep ones start where `start` has them.
    """
    s = problem.stops
    steep = start.copy()
    steep[3] = start[3] + turn_rad
    steep[4] = tilt_rad
    if abs(tilt_rad) > np.pi / 3.0:
        overhead = _first_found(mean_spot(problem, END), mean_spot(problem, MID))
        mids = problem.marks.kind == MID
        out = np.hypot(*(problem.marks.xyz_m[:2] - overhead[:, problem.of_stop]))
        count = problem.tally(MID)
        radius = per_problem(np.where(mids, out, 0.0), s.count) / np.maximum(count, 1)
        read = s.depth_reading_m / s.scale - s.aerial_m
        depth = _first_found(np.where(count > 0, radius / RING, np.nan), read, np.ones_like(read))
        steep[:2] = overhead
        steep[2] = problem.ground(start) - np.maximum(depth, 0.1)
    return steep
