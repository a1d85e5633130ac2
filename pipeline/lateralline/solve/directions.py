"""What headings and places of neighbouring stops say of the accuracies they were solved with.

Marks of one stop leave little over: most of what they say goes into its fix. But straight pipe runs
the way its transmitter points, and through all its stops, which a receiver that is duller than
stated denies. Stops are taken a few at a time, each once, so that every group is by itself.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lateralline.kernels.variance import Networks
from lateralline.records import Flags, Floats, Ints
from lateralline.solve.problem import turned
from lateralline.solve.spacing import LEAST_M

#: A stretch turns by less than this against the transmitter at each end: headings in deep pipe by a
#: receiver three times as dull as stated mostly do, and bends that do are taken for blunders.
STRAIGHT_RAD: Final = np.radians(12.0)
#: Where no more of the stretches than this are straight, those that are may be so by chance.
_MOST_STRAIGHT: Final = 0.5
#: Stops taken together, at most: three stretches between them, six directions.
_TOGETHER: Final = 4


def direction_residuals(
    stops: Networks, p: Floats, groups: Ints, axis_heading_rad: float
) -> Networks:
    """Return one network a group: headings less the way to the neighbour, at both ends of each.

    stops (k): what is left of stops solved at p (5, k), of which this gives the errors of each
    kind. groups (g, t): rows of stops that follow one another, -1 behind the last; marks alone tell
    their headings. axis_heading_rad: σ of a transmitter's heading in its pipe. Networks have as
    many observations and unknowns as those of `stops`, and no unknown is observed.
    """
    g, t = groups.shape
    n, kinds = stops.y.shape[1], len(stops.parts)
    east, north, heading = (p[i][groups] for i in (0, 1, 3))
    leg = np.stack([np.diff(east), np.diff(north)], axis=-1)  # (g, t-1, 2)
    length = np.maximum(np.linalg.norm(leg, axis=-1), LEAST_M)
    way = np.arctan2(leg[..., 0], leg[..., 1])
    ends = np.stack([heading[:, :-1], heading[:, 1:]], axis=-1)  # (g, t-1, 2)
    off = np.remainder(ends - way[..., None] + 0.5 * np.pi, np.pi) - 0.5 * np.pi
    there = (groups[:, :-1] >= 0) & (groups[:, 1:] >= 0) & (np.abs(off) < STRAIGHT_RAD).all(axis=-1)
    there &= np.linalg.norm(leg, axis=-1) > LEAST_M
    stretches = np.count_nonzero(groups[:, 1:] >= 0)
    there &= np.count_nonzero(there) > _MOST_STRAIGHT * stretches

    by = np.zeros((g, t - 1, 2, t, 3))  # of each direction by east, north, heading of each stop
    by_way = np.stack([np.cos(way), -np.sin(way)], axis=-1) / length[..., None]
    for s in range(t - 1):
        by[:, s, :, s, :2] = by_way[:, s, None]
        by[:, s, :, s + 1, :2] = -by_way[:, s, None]
        by[:, s, 0, s, 2] = by[:, s, 1, s + 1, 2] = 1.0
    rows = 2 * (t - 1)
    by = by.reshape(g, rows, t, 3)
    of_stops = _fix_errors(stops, p)  # (kinds + 1, k, 3, 3)
    of_stops[0, :, 2, 2] += axis_heading_rad**2
    spread = np.einsum("grti,mgtij,gstj->mgrs", by, of_stops[:, groups], by, optimize=True)

    seen = np.repeat(there, 2, axis=1)
    both = seen[:, :, None] & seen[:, None, :]
    known, parts = np.tile(np.eye(n), (g, 1, 1)), np.zeros((kinds, g, n, n))
    known[:, :rows, :rows] = np.where(both, spread[0], np.eye(rows))
    parts[:, :, :rows, :rows] = np.where(both, spread[1:], 0.0)
    y, present = np.zeros((g, n)), np.zeros((g, n), dtype=np.bool_)
    y[:, :rows], present[:, :rows] = np.where(seen, off.reshape(g, rows), 0.0), seen
    return Networks(np.zeros((g, n, stops.a.shape[2])), y, known, parts, present)


def in_groups(run: Ints, counter_m: Floats, use: Flags, most: int) -> Ints:
    """Return rows (g, t) of stops (k,) to be taken together, -1 behind the last of a group.

    `run`: a number for each; counters order the stops of one. `use`: those that count at all.
    most: directions that a group may have.
    """
    t = min(_TOGETHER, most // 2 + 1)
    rows = np.flatnonzero(use & np.isfinite(counter_m))
    rows = rows[np.lexsort((counter_m[rows], run[rows]))]
    begins = np.flatnonzero(np.diff(run[rows], prepend=-1))
    count = np.diff(begins, append=len(rows))
    of_run = np.arange(len(rows)) - np.repeat(begins, count)
    first = np.concatenate([[0], np.cumsum(-(-count // t))])[:-1]
    group = np.repeat(first, count) + of_run // t
    out = np.full((int(group.max(initial=-1)) + 1, t), -1)
    out[group, of_run % t] = rows
    return out


def _fix_errors(stops: Networks, p: Floats) -> Floats:
    """Return what is known and each kind of error put into east, north, heading (m+1, k, 3, 3)."""
    ones = np.ones(len(stops.parts))
    weighted = np.linalg.inv(stops.covariance(ones)) @ stops.a
    normal = np.swapaxes(stops.a, 1, 2) @ weighted
    gain: Floats = np.linalg.solve(normal, np.swapaxes(weighted, 1, 2)).astype(np.float64)
    gain = gain[:, [0, 1, 3]]  # (k, 3, n)
    east, north = turned(gain[:, 0].T, gain[:, 1].T, np.sin(p[3]), np.cos(p[3]))
    gain[:, 0], gain[:, 1] = east.T, north.T
    each = np.concatenate([stops.known[None], stops.parts])
    return np.asarray(np.einsum("kin,mknr,kjr->mkij", gain, each, gain, optimize=True))
