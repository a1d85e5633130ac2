"""Points in the wrong place that the others, or the CRS, show up: exchanged x and y, levels of 0.

What a whole site shows (metres in a grid of feet, a wrong zone) is said by the site's own check.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import nan
from typing import Final

import numpy as np
from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.frames import outside_area
from lateralline.frames.operations import best
from lateralline.frames.systems import Systems
from lateralline.read.ledger import Ledger
from lateralline.records import Flags, Floats
from lateralline.survey_files.bring import EXCHANGED, Brought, area_about
from lateralline.survey_files.file_crs import parts
from lateralline.units import METRES_PER

#: A point this far from the middle of all, and this near once x and y are exchanged, was typed
#: the wrong way round (common practice, no source).
_LOST_M: Final = 20_000.0
_FOUND_M: Final = 5_000.0
_ZERO_M: Final = 20.0  # no lot is that high above its own zero point (common practice, no source)


def check_levels(brought: Sequence[Brought], ledger: Ledger) -> None:
    """Note levels of exactly 0 far from all others: what instruments write for none."""
    for b in brought:
        none = b.points.z == 0.0
        known = b.z[np.isfinite(b.z) & ~none]
        if not len(known) or np.abs(known).min() * METRES_PER[b.z_unit] < _ZERO_M:
            continue
        for i in np.flatnonzero(none):
            must = f"must be a level among the others, {known.min():g} to {known.max():g}"
            hint = "leave it empty when it was not measured"
            ledger.fault(b.points.file, int(b.points.row[i]), "level", "0", must, hint)


def check_places(brought: Sequence[Brought], site: Systems, ledger: Ledger) -> None:
    """Note points and files whose coordinates were exchanged: outside the CRS, or far from all."""
    crs = site.horizontal
    if crs is None:
        return
    whole: list[Brought] = []
    for b in brought:
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


def misplaced(b: Brought, site: Systems) -> str:
    """Return how many points lie where the site's CRS is not used; "" when all lie within."""
    crs = site.horizontal
    if crs is None or crs.area_of_use is None:
        return ""
    outside = int(outside_area(crs, b.x, b.y).sum())
    if not outside:
        return ""
    where = f"{outside} of {len(b.points)} points lie outside the area of use of {crs.name}"
    return f"{where}: is it the right CRS, in the right unit?"


def _turned(b: Brought, site: Systems) -> Floats:
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


def _outside_exchanged(b: Brought, crs: CRS) -> Flags:
    """Return (n,) True where a point lies outside the CRS with x and y exchanged as well."""
    turned = _turned(b, Systems(crs, None, "relative"))
    return np.asarray(outside_area(crs, *turned.T) | ~np.isfinite(turned).all(axis=1))
