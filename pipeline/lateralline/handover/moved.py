"""Plan coordinates of a whole file brought to another CRS, and what that may be off by."""

from __future__ import annotations

from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.transformer import AreaOfInterest

from lateralline.errors import FrameError
from lateralline.frames.operations import apply, best
from lateralline.frames.systems import degrees_of
from lateralline.records import Floats

_NEAR_DEG: Final = 0.02


def moved(xy: Floats, source: CRS, target: CRS, what: str) -> tuple[Floats, float]:
    """Return plan coordinates (n, 2) in another CRS by the best published way, and its 95 %.

    0 for a projection on one datum, NaN where nobody published how good the way is. Raises
    FrameError, naming `what`, where only a ballpark operation leads there.
    """
    if source == target or not len(xy):
        return xy, 0.0
    lon, lat = degrees_of(source, xy)
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        raise FrameError(f"{what} has coordinates that lie outside {source.name}")
    area = AreaOfInterest(
        float(lon.min()) - _NEAR_DEG, float(lat.min()) - _NEAR_DEG,
        float(lon.max()) + _NEAR_DEG, float(lat.max()) + _NEAR_DEG,
    )  # fmt: skip
    way, operation = best(source, target, area)
    if not operation.usable:
        raise FrameError(f"{what}: {operation.refusal_text}")
    return apply(way, xy, None), operation.shift_95_m
