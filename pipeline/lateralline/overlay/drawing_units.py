"""What the coordinates of a drawing count in, and what brings them to its coordinate system."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from pyproj import CRS, Transformer

from lateralline.frames.systems import plan_of
from lateralline.ingest.ledger import Ledger
from lateralline.units import METRES_PER

if TYPE_CHECKING:
    from ezdxf.entities.dxfgfx import DXFGraphic

#: $INSUNITS of the DXF header; from memory of the format's reference.
HEADER_UNITS: Final = {1: "in", 2: "ft", 4: "mm", 5: "cm", 6: "m", 21: "us-ft"}
#: Units drawings are made in and no CRS counts in.
DRAWN_PARTS: Final = ("mm", "cm")


def spot_on(entity: DXFGraphic) -> tuple[float, float] | None:
    """Return a place on an entity, in the drawing's unit; None of what cannot be followed."""
    from ezdxf.path import make_path

    try:
        at = entity.dxf.location if entity.dxftype() == "POINT" else make_path(entity).start
        return float(at.x), float(at.y)
    except Exception:  # the fault is noted where its shape is read
        return None


def _degrees(crs: CRS, spot: tuple[float, float], times: float) -> tuple[float, float]:
    """Return longitude and latitude of a place; infinite off the map."""
    plan = plan_of(crs)
    over = Transformer.from_crs(plan, plan.geodetic_crs or plan, always_xy=True)
    lon, lat = over.transform(times * spot[0], times * spot[1])
    return float(lon), float(lat)


def _on_map(crs: CRS, spot: tuple[float, float], times: float) -> bool | None:
    """Whether a place lies where a CRS is made for; None where that is not stated."""
    if (area := crs.area_of_use) is None:
        return None
    lon, lat = _degrees(crs, spot, times)
    return bool(area.west <= lon <= area.east and area.south <= lat <= area.north)


def unit_notes(
    path: Path,
    unit: str,
    given: str,
    crs: CRS | None,
    spot: tuple[float, float] | None,
    ledger: Ledger,
) -> tuple[list[str], float]:
    """Return what is said of the drawing's unit, and what brings coordinates to the CRS's.

    Millimetres and centimetres are brought over where --plan-unit says so, or where the header
    does and only so the drawing lies where its CRS is made for: many a header is a template's.
    A fault where the unit is another than the CRS's, or coordinates lie on no map.
    """
    if crs is None or crs.is_geographic:
        return [], 1.0
    counts = float(crs.axis_info[0].unit_conversion_factor)
    own = next((u for u, m in METRES_PER.items() if abs(m / counts - 1.0) < 1e-9), "another")
    times, notes = 1.0, []
    if not unit:
        notes = [f"The drawing names no unit: its coordinates are taken as those of {crs.name}."]
    elif unit not in METRES_PER or abs(METRES_PER[unit] / counts - 1.0) > 1e-9:
        part = METRES_PER[unit] / counts if unit in DRAWN_PARTS else 1.0
        on_map = [spot and _on_map(crs, spot, by) for by in (part, 1.0)]
        by_header = on_map == [True, False]
        if unit in DRAWN_PARTS and (given or by_header):
            times, whose = part, "--plan-unit says" if given else "its header says"
            notes = [f"Coordinates of {path.name} are taken in {unit}, as {whose}."]
        else:
            must = f"of the drawing must be that of {crs.name}, {own}"
            hint = f"if its coordinates are {own} all the same, say --plan-unit {own}"
            hint += f"; if they are {unit}, --plan-unit {unit}" * (unit in DRAWN_PARTS)
            ledger.fault(path.name, 0, "unit", unit, must, hint)
            return [], 1.0
    else:
        whose = "--plan-unit says" if given else "its header says"
        notes = [f"Coordinates of {path.name} are taken in {unit}, as {whose}."]
    if spot is None:
        return notes, times
    nowhere = not np.isfinite(_degrees(crs, spot, times)).all()
    if nowhere or (times != 1.0 and _on_map(crs, spot, times) is False):
        value = f"{spot[0]:.10g} {spot[1]:.10g} {unit or own}"
        must, hint = f"must lie on the map of {crs.name}", "another --plan-unit, or --plan-crs?"
        ledger.fault(path.name, 0, "coordinates", value, must, hint)
    return notes, times
