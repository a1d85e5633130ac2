"""Points transformed to the site's coordinate system and to metres of level, and by what operation.

Refused: files without a CRS, transformations without a published operation or accuracy, levels
that count from nothing known; fillers for levels not measured; exchanged coordinates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isnan, nan
from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.transformer import AreaOfInterest

from lateralline.errors import FrameError
from lateralline.frames import Operation, horizontal_crs, outside_area, vertical_crs, with_levels
from lateralline.frames.operations import apply, best
from lateralline.frames.systems import Systems, degrees_on_own_datum, known_crs, short_text
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.survey_points import SurveyPoints
from lateralline.records import Flags, Floats
from lateralline.units import METRES_PER

_CELL_DEG: Final = 0.05
#: The hint for a map file whose coordinates are exchanged.
EXCHANGED: Final = "x is longitude or easting, y is latitude or northing, in this file the reverse"


@dataclass(frozen=True, slots=True)
class TransformedPoints:
    """The points of one file in the site's CRS (n rows)."""

    points: SurveyPoints
    x: Floats  # in the site's CRS and its unit
    y: Floats
    moved: bool  # False: x and y stand as they came
    z: Floats  # in z_unit, as they came unless `lifted`
    z_unit: str  # "" = no levels
    lifted: bool  # True: z is in metres of the site's own vertical CRS, by an operation
    sigma_h_m: Floats
    sigma_v: Floats  # in z_unit
    operation: Operation | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...] = ()


def to_site_crs(
    points: SurveyPoints,
    given: CRS | None,
    site: Systems,
    z_unit: str,
    ledger: Ledger,
    file_vertical: str = "",
) -> TransformedPoints | None:
    """Return the points in the site's CRS; None, with faults, when they cannot be brought there.

    `given` is the CRS of files that name none; `z_unit` that of levels, "" to take the CRS's;
    `file_vertical` what levels count from in files that do not name it, "" for what the site's do.
    """
    source = points.crs if points.crs is not None else given
    if site.horizontal is None:
        if points.crs is not None:
            must = f"must have no CRS for a local sketch; it has {points.crs.name}"
            ledger.fault(points.file, 0, "CRS", "", must, "name the site's CRS with --crs")
            return None
        unit_given = z_unit or points.z_unit
        if not unit_given and np.isfinite(points.z).any():
            must, hint = "must have levels in a unit that is told", "say --z-unit"
            ledger.fault(points.file, 0, "levels", "", must, hint)
            return None
        return _as_it_is(points, None, 1.0, unit_given)
    if source is None:
        must = "must name its CRS; it does not"
        ledger.fault(points.file, 0, "CRS", "", must, "say which it is: --crs EPSG:32617, say")
        return None
    plan, up = parts(source)
    if plan is None:
        must = f"must have a projected or geographic CRS; {source.name} is none"
        ledger.fault(points.file, 0, "CRS", "", must)
        return None
    unit = z_unit_of(points, plan, up, site, z_unit, file_vertical, ledger)
    if unit is None:
        return None
    if up is None and site.levels != "relative" and np.isfinite(points.z).any():
        if points.heights == "unknown" and not file_vertical:
            must = "must have levels that count from something known; its format does not say"
            hint = f"say it: --file-vertical {site_text(site)}, perhaps; or --vertical none"
            ledger.fault(points.file, 0, "levels", "", must, hint)
            return None
        if points.heights == "ellipsoidal" and file_vertical not in ("", "ellipsoidal"):
            notes = (
                f"heights are ellipsoidal by the rules of their format, taken as {file_vertical}"
            )
            points = replace(points, warnings=(*points.warnings, notes))
        up = third_axis(plan, file_vertical or points.heights)
    if not len(points):
        return None
    to_m = 1.0 if plan.is_geographic else plan.axis_info[0].unit_conversion_factor
    own = unit_name(to_m)
    if points.xy_unit and not plan.is_geographic and points.xy_unit != own:
        must = f"must be in the unit of {plan.name}, {own or 'none of ours'}"
        ledger.fault(points.file, 0, "header", points.xy_unit, must, "is it another CRS?")
        return None
    rise = up is not None and site.levels != "relative" and up != site.vertical
    if plan.equals(site.horizontal, ignore_axis_order=True) and not rise:
        return _as_it_is(points, plan, to_m, unit)
    try:
        return _transformed(points, plan, up if rise else None, site, to_m, unit, ledger)
    except FrameError as e:
        ledger.fault(points.file, 0, "coordinates", "", f"must be in {plan.name}: {e}")
        return None


# ---- coordinates ---------------------------------------------------------------------------


def _as_it_is(points: SurveyPoints, plan: CRS | None, to_m: float, unit: str) -> TransformedPoints:
    return TransformedPoints(
        points,
        points.x,
        points.y,
        False,
        points.z,
        unit,
        False,
        points.sigma_h * to_m,
        points.sigma_v,
        None,
        (f"coordinates in {plan.name}, as they stand" if plan else "coordinates as they stand",),
    )


def _transformed(
    points: SurveyPoints,
    plan: CRS,
    up: CRS | None,
    site: Systems,
    to_m: float,
    unit: str,
    ledger: Ledger,
) -> TransformedPoints | None:
    assert site.horizontal is not None
    target = site.horizontal
    if _exchanged(plan, target, points):
        must = f"must lie within the area of use of {target.name}; with x and y exchanged they do"
        at = f"x {points.x[0]:g}, y {points.y[0]:g}"
        ledger.fault(points.file, int(points.row[0]), "coordinates", at, must, EXCHANGED)
        return None
    area = area_about(plan, points)
    xyz = np.column_stack([points.x, points.y])
    source, lifted = plan, False
    if up is not None and np.isfinite(points.z).any():
        own_z = points.z * (METRES_PER[unit] / axis_metres(up))
        source = with_levels(
            plan, up if up.is_vertical else None, "named" if up.is_vertical else "ellipsoidal"
        )
        target = with_levels(site.horizontal, site.vertical, site.levels)
        xyz, lifted = np.column_stack([xyz, np.nan_to_num(own_z)]), True
    transformer, operation = best(source, target, area)
    if operation.ballpark:
        must = (
            f"must be brought from {plan.name} to {site.horizontal.name}, and no operation is here"
        )
        better = "; ".join(operation.better_unavailable)
        hint = "keep the file's own CRS"
        if up is not None and points.heights:
            hint += f", or say that its heights are levels: --file-vertical {site_text(site)}"
        hint += f"; PROJ would take the datums for the same; better: {better or 'none known'}"
        ledger.fault(points.file, 0, "CRS", "", must, hint)
        return None
    if isnan(operation.accuracy_m):
        must = (
            f"must be brought from {plan.name} to {site.horizontal.name} by an operation of known "
            f"accuracy; of {operation.name} {operation.off_by_text}"
        )
        ledger.fault(points.file, 0, "CRS", "", must, "keep the file's own CRS")
        return None
    out = apply(transformer, xyz, None)
    z = points.z
    if lifted:
        factor = axis_metres(site.vertical) if site.vertical is not None else 1.0
        z = np.where(np.isfinite(points.z), out[:, 2] * factor, nan)
    sigma_v = points.sigma_v * METRES_PER[unit] if lifted and unit else points.sigma_v
    how = f"brought from {plan.name} to {site.horizontal.name} by {operation.name} "
    how += f"({operation.accuracy_text})"
    notes = [how]
    if operation.zero_shift:
        notes.append("that operation moves nothing though the datums differ; see its accuracy")
    if operation.better_unavailable:
        notes.append("better, but its grid is not here: " + "; ".join(operation.better_unavailable))
    return TransformedPoints(
        points,
        out[:, 0],
        out[:, 1],
        True,
        z,
        "m" if lifted else unit,
        lifted,
        points.sigma_h * to_m,
        sigma_v,
        operation,
        tuple(notes),
    )


def area_about(plan: CRS, points: SurveyPoints) -> AreaOfInterest:
    """Return the place an operation is chosen for, or raise where the projection does not reach."""
    middle = np.array([[np.nanmedian(points.x), np.nanmedian(points.y)]])
    lon, lat = (float(v[0]) for v in degrees_on_own_datum(plan, middle))
    if not np.isfinite([lon, lat]).all() or abs(lat) > 90 or abs(lon) > 360:
        raise FrameError(f"coordinates near {middle[0].tolist()} lie outside it")
    lon = (lon + 180.0) % 360.0 - 180.0
    south, north = max(lat - _CELL_DEG, -90.0), min(lat + _CELL_DEG, 90.0)
    return AreaOfInterest(lon - _CELL_DEG, south, lon + _CELL_DEG, north)


def _exchanged(plan: CRS, target: CRS, points: SurveyPoints) -> bool:
    """Tell whether degrees lie in the target's area only with x and y exchanged.

    Asked before an operation is chosen: at the wrong end of the world there may be none.
    """
    if not plan.is_geographic or target.area_of_use is None:
        return False
    middle = np.array([np.nanmedian(points.x), np.nanmedian(points.y)])
    use = target.area_of_use

    def within(lon: float, lat: float) -> bool:
        width = (use.east - use.west) % 360.0 or 360.0  # also across the antimeridian
        return (lon - use.west) % 360.0 <= width and use.south <= lat <= use.north

    return not within(*middle) and within(*middle[::-1])


# ---- units and levels of a file -----------------------------------------------------------


def parts(crs: CRS) -> tuple[CRS | None, CRS | None]:
    """Return the plan part of a CRS, and what its third axis is: a vertical CRS, or itself."""
    if crs.is_compound:
        plan, up = crs.sub_crs_list[:2]
        return plan, up
    if not (crs.is_projected or crs.is_geographic):
        return None, None
    return crs.to_2d(), crs if len(crs.axis_info) > 2 else None


def site_text(site: Systems) -> str:
    """Return what the site's levels count from, as an option says it."""
    return short_text(site.vertical) if site.vertical is not None else "ellipsoidal"


def third_axis(plan: CRS, text: str) -> CRS | None:
    """Return what levels of a text count from, as `parts` does; None for the same as the site's."""
    if not text:
        return None
    return plan.to_3d() if text.casefold() == "ellipsoidal" else vertical_crs(text)


def z_unit_of(
    points: SurveyPoints,
    plan: CRS,
    up: CRS | None,
    site: Systems,
    given: str,
    file_vertical: str,
    ledger: Ledger,
) -> str | None:
    """Return the unit of a file's levels; None, with a fault, when it is open or contradicted."""
    if not np.isfinite(points.z).any():
        return given or ""
    own = points.z_unit or (unit_name(axis_metres(up)) if up is not None else "")
    if given and own and given != own:
        must = f"must have levels in {given}, as --z-unit says; it says {own} itself"
        ledger.fault(points.file, 0, "levels", "", must)
        return None
    if given or own:
        return given or own
    if file_vertical and (unit_given := third_axis(plan, file_vertical)) is not None:
        return unit_name(axis_metres(unit_given))
    by_plan = unit_name(1.0 if plan.is_geographic else plan.axis_info[0].unit_conversion_factor)
    by_levels = "" if site.vertical is None else unit_name(axis_metres(site.vertical))
    if by_levels and by_plan != by_levels:
        must = f"must have levels in {by_plan} like {plan.name} or in {by_levels} like "
        must += f"{site.vertical.name if site.vertical else ''}; which of them cannot be told"
        hint = f"say --z-unit {by_plan} or --z-unit {by_levels}"
        ledger.fault(points.file, 0, "levels", "", must, hint)
        return None
    if not by_plan:
        must = f"must have levels in a unit known here; {plan.name} has another"
        ledger.fault(points.file, 0, "levels", "", must, "say --z-unit")
        return None
    return by_plan


def axis_metres(crs: CRS) -> float:
    """Return the metres in one unit of the last axis."""
    return float(crs.axis_info[-1].unit_conversion_factor)


def unit_name(metres: float) -> str:
    """Return the name of a unit; "" when it is none of ours.

    >>> unit_name(0.304800609601219), unit_name(0.3048), unit_name(20.1168)
    ('us-ft', 'ft', '')
    """
    return next((u for u, m in METRES_PER.items() if abs(m / metres - 1.0) < 1e-9), "")


def authority(crs: CRS) -> str:
    """Return the text that names a CRS: its code, else all of it.

    >>> authority(CRS("EPSG:3734"))
    'EPSG:3734'
    """
    code = crs.to_authority()
    return ":".join(code) if code else crs.to_wkt()


def plan_of(text: str) -> CRS | None:
    """Return the CRS of files that name none, from its text; FrameError when it is none."""
    crs = horizontal_crs(text)
    return None if crs is None else known_crs(text)


# ---- levels and places that cannot be --------------------------------------------------------

#: Numbers that stand for no number, with either sign (common practice, no source), and the size
#: from which a number can be no level in any unit.
_FILLERS: Final = (999.0, 9999.0, 99999.0, 999999.0, 32767.0, 32768.0)
_NO_LEVEL: Final = 1e6
_APART: Final = 100.0  # a filler this near to real levels may be one of them


def real_levels(points: SurveyPoints, ledger: Ledger) -> SurveyPoints:
    """Return points without levels that are none.

    Where all are 0 or a filler the file has no levels, and says so; a filler among real levels is
    at fault, as the one who wrote the file should know that the point has none.
    """
    z, size = points.z, np.abs(points.z)
    filler = np.isin(size, _FILLERS) | (size >= _NO_LEVEL)
    known = z[np.isfinite(z) & ~filler & (z != 0.0)]
    if not np.isfinite(z).any():
        return points
    if not len(known):
        values = " or ".join(f"{v:g}" for v in np.unique(z[np.isfinite(z)]))
        warnings = f"all levels are {values}: taken as not measured, so points come without levels"
        nothing = np.full(len(z), np.nan)
        return replace(points, z=nothing, z_unit="", warnings=(*points.warnings, warnings))
    filler &= np.abs(z - np.median(known)) > _APART
    for i in np.flatnonzero(filler):
        must = f"must be a level among the others, {known.min():g} to {known.max():g}"
        hint = "it stands for none: leave it empty when it was not measured"
        ledger.fault(points.file, int(points.row[i]), "level", f"{z[i]:g}", must, hint)
    return replace(points, z=np.where(filler, np.nan, z))


# ---- points in the wrong place ------------------------------------------------------------

#: A point this far from the middle of all, and this near once x and y are exchanged, was typed
#: the wrong way round (common practice, no source).
_LOST_M: Final = 20_000.0
_FOUND_M: Final = 5_000.0
_ZERO_M: Final = 20.0  # no lot is that high above its own zero point (common practice, no source)


def check_levels(transformed: Sequence[TransformedPoints], ledger: Ledger) -> None:
    """Note levels of exactly 0 far from all others: what instruments write for none."""
    for b in transformed:
        none = b.points.z == 0.0
        known = b.z[np.isfinite(b.z) & ~none]
        if not len(known) or np.abs(known).min() * METRES_PER[b.z_unit] < _ZERO_M:
            continue
        for i in np.flatnonzero(none):
            must = f"must be a level among the others, {known.min():g} to {known.max():g}"
            hint = "leave it empty when it was not measured"
            ledger.fault(b.points.file, int(b.points.row[i]), "level", "0", must, hint)


def check_places(transformed: Sequence[TransformedPoints], site: Systems, ledger: Ledger) -> None:
    """Note points and files whose coordinates were exchanged: outside the CRS, or far from all."""
    crs = site.horizontal
    if crs is None:
        return
    whole: list[TransformedPoints] = []
    for b in transformed:
        outside = outside_area(crs, b.x, b.y)
        if len(b.points) > 1 and outside.all() and not _outside_exchanged(b, crs).any():
            must = f"must lie within the area of use of {crs.name}; with x and y exchanged they do"
            hint = EXCHANGED if b.moved else "say the other --order, or exchange the columns"
            at = f"x {b.points.x[0]:g}, y {b.points.y[0]:g}"
            ledger.fault(b.points.file, int(b.points.row[0]), "coordinates", at, must, hint)
        else:
            whole.append(b)
    if not whole:
        return
    places = np.vstack([np.column_stack([b.x, b.y]) for b in whole])
    middle = np.nanmedian(places, axis=0)
    metres = 111_000.0 if crs.is_geographic else crs.axis_info[0].unit_conversion_factor
    for b in whole:
        away = np.hypot(b.x - middle[0], b.y - middle[1]) * metres
        turned = _exchanged_xy(b, site)
        back = np.hypot(turned[:, 0] - middle[0], turned[:, 1] - middle[1]) * metres
        for i in np.flatnonzero((away > _LOST_M) & (back < _FOUND_M)):
            must = f"must lie with the others; it lies {away[i] / 1000:.0f} km off"
            hint = "its two coordinates are exchanged: the other way round it lies among them"
            at = f"x {b.points.x[i]:g}, y {b.points.y[i]:g}"
            ledger.fault(b.points.file, int(b.points.row[i]), "coordinates", at, must, hint)


def misplaced(b: TransformedPoints, site: Systems) -> str:
    """Return how many points lie where the site's CRS is not used; "" when all lie within."""
    crs = site.horizontal
    if crs is None or crs.area_of_use is None:
        return ""
    outside = int(outside_area(crs, b.x, b.y).sum())
    if not outside:
        return ""
    where = f"{outside} of {len(b.points)} points lie outside the area of use of {crs.name}"
    return f"{where}: is it the right CRS, in the right unit?"


def _exchanged_xy(b: TransformedPoints, site: Systems) -> Floats:
    """Return the places (n, 2) that the points would have with x and y exchanged."""
    assert site.horizontal is not None
    if not b.moved:
        return np.column_stack([b.y, b.x])
    plan, _ = parts(b.points.crs) if b.points.crs is not None else (None, None)
    exchanged = np.column_stack([b.points.y, b.points.x])
    if plan is None:
        return np.full((len(b.points), 2), nan)
    if plan.is_geographic:
        exchanged[np.abs(exchanged[:, 1]) > 90.0] = nan
    try:
        transformer, _ = best(plan, site.horizontal, area_about(plan, b.points))
        out = np.stack(transformer.transform(*exchanged.T), axis=-1)
    except FrameError:
        return np.full((len(b.points), 2), nan)
    return np.asarray(np.where(np.isfinite(out), out, nan))


def _outside_exchanged(b: TransformedPoints, crs: CRS) -> Flags:
    """Return (n,) True where a point lies outside the CRS with x and y exchanged as well."""
    turned = _exchanged_xy(b, Systems(crs, None, "relative"))
    return np.asarray(outside_area(crs, *turned.T) | ~np.isfinite(turned).all(axis=1))
