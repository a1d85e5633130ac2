"""The bound where nobody knows the path: anywhere the pipe may be, at any level it may have."""

from __future__ import annotations

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.overlay.bodies import LevelsBy, PlannedWork
from lateralline.overlay.bounds import SearchTerms
from lateralline.overlay.parts import apart, levels_of, skins_m
from lateralline.overlay.stations import StationLegs
from lateralline.records import Ints


def bound_anywhere(
    region: shapely.Geometry | None,
    legs: StationLegs,
    leg: Ints,
    work: PlannedWork,
    by: LevelsBy,
    radius_m: float,
    terms: SearchTerms,
) -> float:
    """Return the least separation of a thing and a pipe anywhere in a region and its level bounds.

    `leg` are the pieces of the stretch. Its two parts, plan and level, stand at their 95 % bounds
    both; so do frame and plan. NaN when nothing bounds the pipe.
    """
    if region is None:
        return float("nan")
    lowest, highest = levels_of(legs, leg, by, INTERVAL_95)
    frame_up = terms.frame_sigma_up_m if by == "level" else 0.0
    aside, room = (
        float(np.hypot(INTERVAL_95 * sigma, work.tolerance_95_m))
        for sigma in (terms.frame_sigma_m, frame_up)
    )
    plan = max(float(shapely.distance(region, work.shape)) - aside, 0.0)
    low, high = lowest.min(keepdims=True) - room, highest.max(keepdims=True) + room
    return float(apart(np.array([plan]), low, high, work, by)[0]) - skins_m(work, radius_m)
