"""Zones of one grid that coordinates may belong to instead: what their areas of use can tell.

The numbers of a state plane or a national zone look alike in its sister zones. Two things can be
known from the published areas alone: that coordinates lie outside the area of the zone they are
said to be in and inside that of another; or that they would lie well in both, so that nothing but
the project's extent could show a wrong zone.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from lateralline.frames import degrees_of, outside_area
from lateralline.records import Flags, Floats

#: Areas of neighbouring zones meet, give or take their rounding.
_BESIDE_DEG: Final = 0.5
#: A grid of a whole continent is nobody's neighbouring zone.
_WIDEST_DEG: Final = 15.0
_SAME_PLACE_DEG: Final = 1e-6


@lru_cache(maxsize=64)
def sister_zones(crs: CRS) -> tuple[CRS, ...]:
    """Return the other zones beside one: of the same datum, name, projection method and unit.

    >>> [zone.name for zone in sister_zones(CRS(3735))]
    ['NAD83 / Ohio North (ftUS)']
    >>> [zone.name for zone in sister_zones(CRS(28355))]
    ['GDA94 / MGA zone 54', 'GDA94 / MGA zone 56']
    """
    return tuple(c for c in _beside(crs, _stem(crs.name)) if _method(c) == _method(crs))


@lru_cache(maxsize=64)
def neighbouring_grids(crs: CRS) -> tuple[CRS, ...]:
    """Return the other grids beside one, of the same datum and unit but another name."""
    sisters = {zone.name for zone in sister_zones(crs)}
    return tuple(c for c in _beside(crs, "") if c.name not in sisters)


def holding(grids: tuple[CRS, ...], crs: CRS, xy: Floats) -> tuple[tuple[CRS, Flags], ...]:
    """Return those `grids` in whose own area of use some coordinates (n, 2) lie, and which (n,).

    A grid that puts them where `crs` or another does is the same under another name: left out.
    """
    lon, lat = degrees_of(crs, xy)
    found, places = [], [np.array((lon, lat))]
    for grid in grids:
        there = np.array(degrees_of(grid, xy))
        inside = np.isfinite(there).all(axis=0) & ~outside_area(grid, xy[:, 0], xy[:, 1])
        with np.errstate(invalid="ignore"):
            new = all(np.abs(there - p).max(initial=0.0) > _SAME_PLACE_DEG for p in places)
        if new and inside.any():
            found.append((grid, inside))
            places.append(there)
    return tuple(found)


def _beside(crs: CRS, stem: str) -> list[CRS]:
    """Return the EPSG grids of the datum and unit of `crs` whose areas meet its own."""
    use, datum, cut, _ = crs.area_of_use, *crs.name.partition(" / ")
    if use is None or not cut or not crs.is_projected:
        return []
    near = _BESIDE_DEG
    box = AreaOfInterest(use.west - near, use.south - near, use.east + near, use.north + near)
    found = []
    for info in query_crs_info("EPSG", [PJType.PROJECTED_CRS], area_of_interest=box):
        if info.deprecated or info.name.partition(" / ")[0] != datum or info.name == crs.name:
            continue
        if stem and _stem(info.name) != stem:
            continue
        try:
            grid = CRS.from_authority(info.auth_name, info.code)
            degrees_of(grid, np.zeros((1, 2)))
        except (CRSError, ProjError):
            continue  # a system of many zones at once, or one without a way back to degrees
        area = grid.area_of_use
        narrow = area is not None and (area.east - area.west) % 360.0 <= _WIDEST_DEG
        if narrow and _unit_m(grid) == _unit_m(crs):
            found.append(grid)
    return sorted(found, key=lambda grid: str(grid.name))


def _stem(name: str) -> str:
    """Return the first word of a grid's name without its number.

    >>> [_stem(n) for n in ("NAD83 / Ohio South (ftUS)", "Hartebeesthoek94 / Lo19")]
    ['Ohio', 'Lo']
    """
    return re.sub(r"\d", "", name.partition(" / ")[2].split(" ")[0])


def _method(crs: CRS) -> str:
    return str(crs.coordinate_operation.method_name) if crs.coordinate_operation else ""


def _unit_m(crs: CRS) -> float:
    return float(crs.axis_info[0].unit_conversion_factor)
