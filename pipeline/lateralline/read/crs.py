"""Whether the CRS texts of a site can be used, and the units its coordinates come in.

Placing belongs to `lateralline.frames`; here is only what must be known to read numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.frames.systems import known_crs
from lateralline.read.ledger import Ledger
from lateralline.read.tables import Row
from lateralline.units import METRES_PER


@dataclass(frozen=True, slots=True)
class Axes:
    """Units of coordinates as they stand in the files."""

    geographic: bool
    xy_unit: str
    xy_m: float  # metres in one unit of x and y; NaN when they are degrees
    sigma_h_m: float  # metres in one unit of sigma_h
    keeps_xy: bool  # x and y go on as given, in the CRS's own unit
    gnss_z_unit: str
    gnss_z_m: float


def read_axes(crs: Row, units: dict[str, str], ledger: Ledger) -> Axes | None:
    """Return the axes of section [crs]; None, with faults, when a CRS cannot be used.

    A compound horizontal CRS also names the levels, as EPSG:6543+6360 does.
    """
    horizontal, vertical = crs_texts(crs)
    level = units.get("level", "")
    relative = level, METRES_PER.get(level, nan)
    if horizontal == "local":
        if vertical == "ellipsoidal":
            must = 'must be "none" or a height CRS when the horizontal CRS is "local"'
            crs.fault(ledger, "vertical", must)
        tape = units.get("tape", "")
        metres = METRES_PER.get(tape, nan)
        heights = _height_unit(crs, vertical, None, ledger) or relative
        return Axes(False, tape, metres, metres, False, *heights)
    plan, implied = _plan_crs(crs, horizontal, ledger) if horizontal else (None, None)
    heights = _height_unit(crs, vertical, implied, ledger) or relative
    if crs.text("gnss_heights") == "ellipsoidal":
        heights = "metre", 1.0
    if plan is None:
        return None
    if plan.is_geographic:
        return Axes(True, "degrees", nan, 1.0, True, *heights)
    axis = plan.axis_info[0]
    metres = axis.unit_conversion_factor
    return Axes(False, axis.unit_name, metres, metres, True, *heights)


def _plan_crs(crs: Row, text: str, ledger: Ledger) -> tuple[CRS | None, CRS | None]:
    """Return the plan part of the horizontal CRS and, of a compound one, the height part."""
    try:
        found = known_crs(text)
    except FrameError as e:
        must = "must be a CRS that PROJ knows, or local"
        crs.fault(ledger, "horizontal", must, f"{e}; EPSG:32617, for example")
        return None, None
    plan, implied = found.sub_crs_list[:2] if found.is_compound else (found, None)
    plan = plan.source_crs if plan.is_bound and plan.source_crs else plan
    if not (plan.is_projected or plan.is_geographic):
        must = f"must be a projected or geographic CRS; {found.name} is {found.type_name.lower()}"
        crs.fault(ledger, "horizontal", must, "EPSG:32617, for example")
        return None, implied
    return plan, implied


def crs_texts(crs: Row) -> tuple[str, str]:
    """Return the horizontal and vertical CRS as given, our own three words in small letters."""
    horizontal, vertical = crs.text("horizontal"), crs.text("vertical", "none")
    if horizontal.casefold() == "local":
        horizontal = "local"
    if vertical.casefold() in ("none", "ellipsoidal"):
        vertical = vertical.casefold()
    return horizontal, vertical


def _height_unit(
    crs: Row, vertical: str, implied: CRS | None, ledger: Ledger
) -> tuple[str, float] | None:
    """Return name and metres of the unit of gnss heights; None when they are relative."""
    if vertical == "ellipsoidal":
        return "metre", 1.0
    try:
        found = implied if vertical == "none" else known_crs(vertical)
    except FrameError as e:
        must = "must be none, ellipsoidal or a height CRS that PROJ knows"
        crs.fault(ledger, "vertical", must, f"{e}; EPSG:5703, for example")
        return None
    if found is None:
        return None
    axis = found.axis_info[0] if found.axis_info else None
    if not found.is_vertical or found.is_compound or axis is None or axis.direction != "up":
        must = f"must be a height CRS, positive up; {found.name} is not"
        crs.fault(ledger, "vertical", must, "EPSG:5703, for example")
        return None
    if implied is not None and found != implied:
        must = f"must be none or {implied.name}, which the horizontal CRS names already"
        crs.fault(ledger, "vertical", must)
    return axis.unit_name, axis.unit_conversion_factor
