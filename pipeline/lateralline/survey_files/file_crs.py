"""What the numbers of a file are in: its CRS taken apart, and what its levels count from."""

from __future__ import annotations

import numpy as np
from pyproj import CRS

from lateralline.frames import horizontal_crs, vertical_crs
from lateralline.frames.systems import Levels, Systems, known_crs, short_text
from lateralline.read.ledger import Ledger
from lateralline.survey_files.points import Points
from lateralline.units import METRES_PER


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


def levels_of(up: CRS) -> Levels:
    """Return what the third axis of a CRS holds."""
    return "named" if up.is_vertical else "ellipsoidal"


def z_unit_of(
    points: Points,
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
    if file_vertical and (told := third_axis(plan, file_vertical)) is not None:
        return unit_name(axis_metres(told))
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
