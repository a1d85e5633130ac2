"""The rule of hand on the same stops: what the adjustment is better than.

Mid mark for the plan position, null separation over √2 for the depth, the strongest spot where the
mid mark is missing or there are two. Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from lateralline.records import Floats, Ints, Marks, StopRows


def by_hand(marks: Marks, stops: StopRows, *, squared: bool = False) -> Floats:
    """Return east, north, level and depth (k, 4) of every stop by the rule of hand.

    The stop's depth reading stands in where there are not two end nulls; NaN where nothing does.
    `squared` is the rule at its best: the mid mark is good along the pipe and poor across it, so
    with two end nulls its place is where a square from it meets the line between them.
    """
    key = {(r, s): i for i, (r, s) in enumerate(zip(stops.run, stops.stop, strict=True))}
    of_stop = np.array([key[k] for k in zip(marks.run, marks.stop, strict=True)])
    ends = _outer(marks, of_stop, len(stops.run))
    mid = _mean(marks.xyz_m, of_stop, marks.kind == "mid_null", len(stops.run))
    peak = np.isin(marks.kind, ("peak_total", "peak_axial"))
    strongest = _mean(marks.xyz_m, of_stop, peak, len(stops.run))
    spot = np.where(np.isfinite(mid), mid, strongest)
    spot = np.where(np.isfinite(spot), spot, ends.mean(axis=1))
    between = ends[:, 1] - ends[:, 0]
    separation = np.linalg.norm(between, axis=1)
    if squared:
        spot = np.where(separation[:, None] > 0.0, _squared(spot, ends[:, 0], between), spot)
    depth = np.where(separation > 0.0, separation / np.sqrt(2.0), stops.depth_reading_m)
    return np.column_stack([spot[:, :2], spot[:, 2] - depth, depth])


def _squared(spot: Floats, foot: Floats, way: Floats) -> Floats:
    """Return where a square from each spot (k, 3), in plan, meets the line from `foot` along `way`.

    NaN where the line has no length.
    """
    reach = np.sum((spot - foot)[:, :2] * way[:, :2], axis=1)
    length2 = np.sum(way[:, :2] ** 2, axis=1)
    share = reach / np.where(length2 > 0.0, length2, np.nan)
    return np.asarray(foot + share[:, None] * way)


def _mean(xyz_m: Floats, of_stop: Ints, chosen: np.ndarray, size: int) -> Floats:
    count = np.bincount(of_stop[chosen], minlength=size)
    total = np.stack(
        [np.bincount(of_stop[chosen], weights=c[chosen], minlength=size) for c in xyz_m.T], axis=1
    )
    return np.asarray(total / np.where(count, count, np.nan)[:, None])


def _outer(marks: Marks, of_stop: Ints, size: int) -> Floats:
    """Return the first and the last end null of each stop (k, 2, 3)."""
    out = np.full((size, 2, 3), np.nan)
    index = np.flatnonzero(marks.kind == "end_null")
    out[of_stop[index][::-1], 0] = marks.xyz_m[index[::-1]]
    out[of_stop[index], 1] = marks.xyz_m[index]
    return out
