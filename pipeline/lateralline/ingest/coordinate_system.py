"""Section [crs] of the settings: systems, units of coordinates, grids, accepted shifts, extent.

In: the section as written. Out: the units that numbers are read in (`Axes`) and what the frame is
built with (`Georeference`). Coordinates are transformed by `lateralline.frames`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import isfinite, isnan, nan, radians
from pathlib import Path
from typing import Final, Literal, cast

from pyproj import CRS

from lateralline import contract
from lateralline.errors import FrameError
from lateralline.frames.declination import MODEL_YEARS, has_model
from lateralline.frames.systems import known_crs
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.rows import InputRow
from lateralline.settings import Georeference
from lateralline.units import METRES_PER


@dataclass(frozen=True, slots=True)
class Axes:
    """Units of coordinates as they stand in the files."""

    geographic: bool
    xy_unit: str
    sigma_h_m: float  # metres in one unit of sigma_h
    keeps_xy: bool  # x and y go on as given, in the CRS's own unit; else they are in the tape unit
    gnss_z_unit: str
    gnss_z_m: float


def read_axes(crs: InputRow, units: dict[str, str], ledger: Ledger) -> Axes | None:
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
        heights = _height_unit(crs, vertical, None, ledger) or relative
        return Axes(False, tape, METRES_PER.get(tape, nan), False, *heights)
    plan, implied = _plan_crs(crs, horizontal, ledger) if horizontal else (None, None)
    heights = _height_unit(crs, vertical, implied, ledger) or relative
    if crs.text("gnss_heights") == "ellipsoidal":
        heights = "metre", 1.0
    if plan is None:
        return None
    if plan.is_geographic:
        return Axes(True, "degrees", 1.0, True, *heights)
    axis = plan.axis_info[0]
    return Axes(False, axis.unit_name, axis.unit_conversion_factor, True, *heights)


def _plan_crs(crs: InputRow, text: str, ledger: Ledger) -> tuple[CRS | None, CRS | None]:
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


def crs_texts(crs: InputRow) -> tuple[str, str]:
    """Return the horizontal and vertical CRS as given, our own three words in small letters."""
    horizontal, vertical = crs.text("horizontal"), crs.text("vertical", "none")
    if horizontal.casefold() == "local":
        horizontal = "local"
    if vertical.casefold() in ("none", "ellipsoidal"):
        vertical = vertical.casefold()
    return horizontal, vertical


def _height_unit(
    crs: InputRow, vertical: str, implied: CRS | None, ledger: Ledger
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


# ---- grids, shifts, extent ----------------------------------------------------------------

Extent = tuple[float, float, float, float]


def georeference(crs: InputRow, folder: Path, surveyed: date, ledger: Ledger) -> Georeference:
    """Return what [crs] allows and states; `folder` is where `site.toml` lies."""
    accuracy = crs.number("shift_accuracy")
    accepted = crs.cells.get("accept_zero_shift", False) is True
    if accepted and not crs.given("shift_accuracy"):
        must = "must come with shift_accuracy, in metres: how far off the site may then be"
        crs.fault(ledger, "accept_zero_shift", must, "shift_accuracy = 2.0, for example")
    ellipsoidal, separation = _heights(crs, ledger)
    _check_bearings(crs, surveyed, ledger)
    standard = contract.load("site").column("separation_sigma", "crs").default
    assert isinstance(standard, float)
    return Georeference(
        extent=_extent(crs, ledger),
        grids=_grids(crs, folder, ledger),
        accept_zero_shift=accepted,
        shift_accuracy_m=None if isnan(accuracy) else accuracy,
        gnss_heights="ellipsoidal" if ellipsoidal else "levels",
        separation_m=separation,
        separation_sigma_m=0.0 if isnan(separation) else crs.number("separation_sigma", standard),
        bearings=cast(Literal["", "grid", "true", "magnetic"], crs.text("bearings")),
        declination_rad=_radians(crs, "declination_deg"),
        declination_sigma_rad=_radians(crs, "declination_sigma_deg"),
        map_crs=crs.text("map_crs"),
        map_scale_free=crs.cells.get("map_scale_free", False) is True,
    )


def _radians(crs: InputRow, key: str) -> float:
    """Return an angle of the section; NaN when not given."""
    return radians(crs.number(key)) if key in crs.cells else nan


def _check_bearings(crs: InputRow, surveyed: date, ledger: Ledger) -> None:
    """Note a north that bearings cannot be counted from with what is given."""
    bearings = crs.text("bearings")
    local = crs_texts(crs)[0] == "local" and not crs.given("map_crs")
    if bearings != "magnetic":
        for key in ("declination_deg", "declination_sigma_deg"):
            if crs.given(key) and "bearings" not in crs.bad:
                crs.fault(ledger, key, 'must come with bearings = "magnetic"')
        if bearings == "true" and local:
            must = 'must be "grid" or "magnetic" on a local sketch, which has no true north'
            crs.fault(ledger, "bearings", must, _ON_A_SKETCH)
    elif not crs.given("declination_deg"):
        must = "must be given with magnetic bearings"
        if local:
            crs.fault(ledger, "declination_deg", f"{must} on a local sketch", _ON_A_SKETCH)
        elif not has_model(surveyed) and surveyed != date.min:
            first, beyond = MODEL_YEARS
            must = f"{must} of {surveyed.year}: models are known from {first} to {beyond - 1}"
            crs.fault(ledger, "declination_deg", must, "as a map or almanac of that year has it")


#: How a sketch says where magnetic north is.
_ON_A_SKETCH: Final = (
    'with "magnetic", write into declination_deg what the compass reads along the y axis of the '
    "sketch, with the other sign"
)


def _heights(crs: InputRow, ledger: Ledger) -> tuple[bool, float]:
    """Return whether GNSS heights are ellipsoidal and to be reduced, and by what; NaN = a grid."""
    ellipsoidal = crs.text("gnss_heights", "levels") == "ellipsoidal"
    horizontal, vertical = crs_texts(crs)
    named = vertical not in ("none", "ellipsoidal") or (vertical == "none" and "+" in horizontal)
    if ellipsoidal and (horizontal == "local" or not named):
        must = "must be levels unless vertical names a height CRS to reduce them to"
        hint = (
            'vertical = "ellipsoidal" keeps them as they are'
            if vertical == "ellipsoidal"
            else 'vertical = "EPSG:5703", for example'
        )
        crs.fault(ledger, "gnss_heights", must, hint)
    if crs.given("separation") and not ellipsoidal:
        must = 'must come with gnss_heights = "ellipsoidal": levels are not reduced'
        crs.fault(ledger, "separation", must, "leave it out when gnss gives levels")
    if crs.given("separation_sigma") and not crs.given("separation"):
        crs.fault(ledger, "separation_sigma", "must come with separation")
    return ellipsoidal, crs.number("separation")


def _grids(crs: InputRow, folder: Path, ledger: Ledger) -> str:
    """Return the folder of grids as a path that can be opened; "" when none is named."""
    if not (named := crs.text("grids")):
        return ""
    there = folder / named
    if not there.is_dir():
        crs.fault(ledger, "grids", "must be a folder that is there", "seen from the site's folder")
        return ""
    return str(there.resolve())


def _extent(crs: InputRow, ledger: Ledger) -> Extent | None:
    """Return west, south, east, north in degrees; None when not given or at fault.

    West of the antimeridian and east of it, `west` is the larger of the two.
    """
    if not (text := crs.text("extent")):
        return None
    try:
        west, south, east, north = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        must = "must be four numbers: west south east north, in degrees"
        crs.fault(ledger, "extent", must, "-81.6 41.9 -81.2 42.3, for example")
        return None
    within = all(isfinite(v) and abs(v) <= 180.0 for v in (west, east))
    if not (within and -90.0 <= south < north <= 90.0 and west != east):
        must = "must run from west to east and from south to north, in degrees"
        crs.fault(ledger, "extent", must, "longitudes come first and third")
        return None
    return west, south, east, north
