"""Heights above the ellipsoid reduced to levels: by a geoid grid that is here."""

from __future__ import annotations

from math import isnan

import numpy as np

from lateralline.errors import FrameError
from lateralline.frames.frame import Frame
from lateralline.frames.operations import Operation, apply, best
from lateralline.records import Floats


def levels_by_grid(
    frame: Frame, x: Floats, y: Floats, height_m: Floats
) -> tuple[Floats, Operation]:
    """Return levels (n,) in metres of heights (n,) above the ellipsoid of the horizontal CRS.

    All NaN when no geoid grid leads to the vertical CRS, or nobody knows how good it is there; the
    account of the operation says so, and which grids are missing. NaN heights stay NaN. Raises
    FrameError unless both systems are named.
    """
    target = frame.write_crs
    if frame.horizontal is None or frame.vertical is None or frame.area is None or target is None:
        raise FrameError("heights can be reduced to levels only where both systems are named")
    transformer, operation = best(frame.horizontal.to_3d(), target, frame.area, frame.terms)
    if not operation.usable or isnan(operation.accuracy_m):
        return np.full(len(height_m), np.nan), operation
    unit_m = frame.horizontal.to_3d().axis_info[2].unit_conversion_factor
    there = apply(transformer, np.column_stack([x, y, height_m / unit_m]), frame.epoch)
    return np.asarray(there[:, 2] * frame.level_unit_m), operation
