"""Whether the CRS texts of a site can be used, and the units its coordinates come in.

Placing belongs to `lateralline.frames`; here is only what must be known to read numbers.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from math import nan

from pyproj import CRS
from pyproj.exceptions import CRSError

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
    """Return the axes of section [crs]; None, with faults, when a CRS cannot be used."""
    horizontal, vertical = crs_texts(crs)
    gnss_z = _height_unit(crs, vertical, units.get("level", ""), ledger)
    tape, level = units.get("tape", ""), METRES_PER.get(units.get("level", ""), nan)
    if not horizontal:
        return None
    if horizontal == "local":
        if vertical == "ellipsoidal":
            must = 'must be "none" or a height CRS when the horizontal CRS is "local"'
            crs.fault(ledger, "vertical", must)
        metres = METRES_PER.get(tape, nan)
        unit, unit_m = gnss_z or ("", level)
        return Axes(False, tape, metres, metres, False, unit, unit_m)
    found = _crs(horizontal)
    if found is None:
        must = "must be a CRS that PROJ knows, or local"
        bare = f'write "EPSG:{horizontal}"' if horizontal.isdigit() else "EPSG:32617, for example"
        crs.fault(ledger, "horizontal", must, bare)
        return None
    found = found.source_crs if found.is_bound and found.source_crs else found
    if found.is_compound or not (found.is_projected or found.is_geographic):
        hint = "the height part goes under vertical" if found.is_compound else ""
        kind = f"must be a projected or geographic CRS; {found.name} is {found.type_name.lower()}"
        crs.fault(ledger, "horizontal", kind, hint)
        return None
    gnss_z = gnss_z or ("", nan)  # at fault, but x and y can be judged all the same
    axis = found.axis_info[0]
    if found.is_geographic:
        return Axes(True, "degrees", nan, 1.0, True, *gnss_z)
    metres = axis.unit_conversion_factor
    return Axes(False, axis.unit_name, metres, metres, True, *gnss_z)


def crs_texts(crs: Row) -> tuple[str, str]:
    """Return the horizontal and vertical CRS as given, our own three words in small letters."""
    horizontal, vertical = crs.text("horizontal"), crs.text("vertical", "none")
    if horizontal.casefold() == "local":
        horizontal = "local"
    if vertical.casefold() in ("none", "ellipsoidal"):
        vertical = vertical.casefold()
    return horizontal, vertical


def _height_unit(crs: Row, vertical: str, level: str, ledger: Ledger) -> tuple[str, float] | None:
    """Return name and metres of the unit of gnss heights."""
    if vertical == "none":
        return level, METRES_PER.get(level, nan)
    if vertical == "ellipsoidal":
        return "metre", 1.0
    found = _crs(vertical)
    if found is None:
        must = "must be none, ellipsoidal or a height CRS that PROJ knows"
        crs.fault(ledger, "vertical", must, "EPSG:5703, for example")
        return None
    axis = found.axis_info[0] if found.axis_info else None
    if not found.is_vertical or found.is_compound or axis is None or axis.direction != "up":
        must = f"must be a height CRS, positive up; {found.name} is not"
        crs.fault(ledger, "vertical", must, "EPSG:5703, for example")
        return None
    return axis.unit_name, axis.unit_conversion_factor


def _crs(text: str) -> CRS | None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # old spellings such as +init are read all the same
            return CRS.from_user_input(text)
    except CRSError:
        return None
