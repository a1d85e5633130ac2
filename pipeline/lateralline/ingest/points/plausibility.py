"""Levels and places that cannot be: fillers for what was not measured, exchanged coordinates.

In: points of files, before and after they are transformed. Out: faults and warnings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import nan
from typing import Final

import numpy as np
from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.frames import outside_area
from lateralline.frames.operations import best
from lateralline.frames.systems import Systems
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.survey_points import SurveyPoints
from lateralline.ingest.points.transform import EXCHANGED, TransformedPoints, area_about, parts
from lateralline.records import Flags, Floats
from lateralline.units import METRES_PER

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
        turned = _turned(b, site)
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


def _turned(b: TransformedPoints, site: Systems) -> Floats:
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
    turned = _turned(b, Systems(crs, None, "relative"))
    return np.asarray(outside_area(crs, *turned.T) | ~np.isfinite(turned).all(axis=1))
