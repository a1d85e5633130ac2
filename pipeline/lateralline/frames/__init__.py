"""Coordinate reference systems ⇄ the site frame: the edge where degrees and grids stop.

Everything between `read` and `write` happens in the *site frame*: metres at ground scale, axes
along grid north, up = level in metres. `site_frame` builds it from a record; `Frame` goes both
ways, and keeps an account of every operation it would use and how good that operation is.
"""

from lateralline.frames.area import degrees_of, outside_area
from lateralline.frames.build import site_frame
from lateralline.frames.frame import DEPTH_ONLY, EARTH_RADIUS_M, Frame
from lateralline.frames.heights import levels_by_grid
from lateralline.frames.operations import PLAN_95, Operation
from lateralline.frames.systems import horizontal_crs, vertical_crs, with_levels

__all__ = [
    "DEPTH_ONLY",
    "EARTH_RADIUS_M",
    "PLAN_95",
    "Frame",
    "Operation",
    "degrees_of",
    "horizontal_crs",
    "levels_by_grid",
    "outside_area",
    "site_frame",
    "vertical_crs",
    "with_levels",
]
