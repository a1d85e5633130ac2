"""The rule of hand on the same stops: what the adjustment is better than.

Mid mark for the plan position, null separation over √2 for the depth, the strongest spot where the
mid mark is missing or there are two. Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from lateralline.proof.scenarios import Simulated
from lateralline.records import Floats


def by_hand(simulated: Simulated) -> Floats:
    """Return east, north, level and depth (k, 4) of every stop by the rule of hand.

    The stop's depth reading stands in where there are not two end nulls; NaN where nothing does.
    """
    stops = simulated.stops
    key = {(r, s): i for i, (r, s) in enumerate(zip(stops.run, stops.stop, strict=True))}
    marks = simulated.marks
    of_stop = np.array([key[k] for k in zip(marks.run, marks.stop, strict=True)])
    ends = _outer(simulated, of_stop, marks.kind == "end_null")
    mid = _mean(marks.xyz_m, of_stop, marks.kind == "mid_null", len(stops.run))
    peak = np.isin(marks.kind, ("peak_total", "peak_axial"))
    strongest = _mean(marks.xyz_m, of_stop, peak, len(stops.run))
    spot = np.where(np.isfinite(mid), mid, strongest)
    spot = np.where(np.isfinite(spot), spot, ends.mean(axis=1))
    separation = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    depth = np.where(separation > 0.0, separation / np.sqrt(2.0), stops.depth_reading_m)
    return np.column_stack([spot[:, :2], spot[:, 2] - depth, depth])


def _mean(xyz_m: Floats, of_stop: np.ndarray, chosen: np.ndarray, size: int) -> Floats:
    count = np.bincount(of_stop[chosen], minlength=size)
    total = np.stack(
        [np.bincount(of_stop[chosen], weights=c[chosen], minlength=size) for c in xyz_m.T], axis=1
    )
    return np.asarray(total / np.where(count, count, np.nan)[:, None])


def _outer(simulated: Simulated, of_stop: np.ndarray, chosen: np.ndarray) -> Floats:
    """Return the first and the last end null of each stop (k, 2, 3)."""
    out = np.full((len(simulated.stops.run), 2, 3), np.nan)
    index = np.flatnonzero(chosen)
    out[of_stop[index][::-1], 0] = simulated.marks.xyz_m[index[::-1]]
    out[of_stop[index], 1] = simulated.marks.xyz_m[index]
    return out
