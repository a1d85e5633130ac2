"""The bound where nobody knows the path: anywhere the pipe may be, at any level it may have."""

from __future__ import annotations

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.overlay.bodies import LevelsBy, Work
from lateralline.overlay.bounds import Terms
from lateralline.overlay.stations import Legs
from lateralline.records import Ints


def bound_anywhere(
    region: shapely.Geometry | None,
    legs: Legs,
    leg: Ints,
    work: Work,
    by: LevelsBy,
    radius_m: float,
    terms: Terms,
) -> float:
    """Return the least separation of a thing and a pipe anywhere in a region and its level bounds.

    `leg` are the pieces of the stretch. What the frame and the plan may be off by comes off too.
    NaN when nothing bounds the pipe.
    """
    if region is None:
        return float("nan")
    plan = float(shapely.distance(region, work.shape))
    up = 0.0
    if by != "plan_only":
        levels, off = (
            (legs.level_m, legs.level_off_m) if by == "level" else (-legs.depth_m, legs.depth_off_m)
        )
        lowest = float((levels[leg] - off[leg][..., 0]).min())
        highest = float((levels[leg] + off[leg][..., 1]).max())
        thing = work.z_m if by == "level" else np.array([-work.depth_m])
        up = float(thing.min()) - highest  # below a bottom or an axis
        if work.kind == "bore":
            up = max(up, lowest - float(thing.max()))
        if np.isnan(up):
            return up
    # Its two parts, plan and level, at their 95 % bounds both; so too the frame.
    frame = terms.frame_sigma_m, terms.frame_sigma_up_m if by == "level" else 0.0
    off_m = INTERVAL_95 * float(np.hypot(max(frame), work.tolerance_95_m / INTERVAL_95))
    if work.kind in ("post", "pile"):  # the flat end is as wide as the rest
        plan = max(plan - work.radius_m, 0.0)
    apart = float(np.hypot(plan, max(up, 0.0)))
    if work.kind == "bore":
        apart -= work.radius_m
    return apart - radius_m - off_m
