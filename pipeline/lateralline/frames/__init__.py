"""Coordinate reference systems ⇄ the site frame: the edge where degrees and grids stop.

Everything between `read` and `write` happens in the *site frame*: metres at ground scale, axes
along grid north, up = level in metres. `site_frame` builds it from a record; `Frame` goes both
ways, and keeps an account of every operation it would use and how good that operation is.
"""

from lateralline.frames.area import outside_area
from lateralline.frames.build import site_frame
from lateralline.frames.frame import EARTH_RADIUS_M, Frame
from lateralline.frames.operations import Operation
from lateralline.frames.systems import horizontal_crs, vertical_crs, with_levels

__all__ = [
    "EARTH_RADIUS_M",
    "Frame",
    "Operation",
    "horizontal_crs",
    "outside_area",
    "site_frame",
    "vertical_crs",
    "with_levels",
]
