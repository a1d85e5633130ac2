"""What misread coordinates would be right as: exchanged, in another unit, in another zone.

Each reading turns coordinates (n, 2) as they stand in a file into longitude and latitude on the
datum of the site's CRS. Whether one is plausible is for `misplaced` to judge.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from lateralline.frames import degrees_of
from lateralline.place.zones import holding, neighbouring_grids, sister_zones
from lateralline.records import Floats
from lateralline.units import METRES_PER

LonLat = tuple[Floats, Floats]
_ZONE: Final = re.compile(r"(.* zone )(\d+)([NS]?)")
_UTM_ZONES: Final = 60
_BESIDE_DEG: Final = 0.5  # how near the area of another grid must come
_MOST_SYSTEMS: Final = 80  # tried for one place; the nearest kin come first
_MOST_NAMED: Final = 4


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to misread a file: code, variant and values of its finding."""

    code: str
    values: Mapping[str, str | tuple[str, ...]]
    read: Callable[[Floats], LonLat]
    keeps_shape: bool = True  # False: lengths between points are wrong too, as given
    variant: str = ""


def readings(crs: CRS) -> Iterator[Reading]:
    """Yield the slips that need no knowledge of where the site is, the plainest first."""
    noun = ("longitude", "latitude") if crs.is_geographic else ("easting", "northing")
    yield Reading(
        "coordinates-swapped",
        {"into_x": noun[0], "into_y": noun[1]},
        lambda xy: degrees_of(crs, xy[:, ::-1]),
        keeps_shape=crs.is_projected,
    )
    if crs.is_geographic:
        yield Reading("longitude-sign", {}, lambda xy: degrees_of(crs, xy * (-1.0, 1.0)))
        return
    yield from _units(crs)
    grid = {"crs": crs.name, "unit": crs.axis_info[0].unit_name}
    yield Reading("coordinates-in-degrees", grid, _as_degrees, keeps_shape=False)
    yield Reading(
        "coordinates-in-degrees",
        grid,
        lambda xy: _as_degrees(xy[:, ::-1]),
        keeps_shape=False,
        variant="latitude-first",
    )


def _units(crs: CRS) -> Iterator[Reading]:
    unit_m = crs.axis_info[0].unit_conversion_factor
    grid = {"crs": crs.name, "unit": crs.axis_info[0].unit_name}
    if unit_m < 1.0:
        yield Reading(
            "metres-as-feet",
            grid,
            lambda xy: degrees_of(crs, xy / unit_m),
            keeps_shape=False,
        )
    else:
        yield Reading(
            "feet-as-metres",
            grid,
            lambda xy: degrees_of(crs, xy * METRES_PER["ft"] / unit_m),
            keeps_shape=False,
        )


def other_systems(crs: CRS, lon: float, lat: float) -> Iterator[Reading]:
    """Yield the other grids the coordinates may be in, if the site is near `lon`, `lat` (degrees).

    Neighbouring zones of the same name, then every published grid thereabouts, those of the same
    datum first.
    """
    if not crs.is_projected:
        return
    family = crs.name.split(" / ")[0]
    names = list(_neighbouring_zones(crs.name))
    half = _BESIDE_DEG
    box = AreaOfInterest(lon - half, lat - half, lon + half, lat + half)
    known = query_crs_info("EPSG", [PJType.PROJECTED_CRS], area_of_interest=box)
    known.sort(key=lambda info: info.name.split(" / ")[0] != family)
    names += [f"{info.auth_name}:{info.code}" for info in known[:_MOST_SYSTEMS]]
    for name in names:
        try:
            other = CRS.from_user_input(name)
            degrees_of(other, np.zeros((1, 2)))
        except (CRSError, ProjError):
            continue  # there is no such zone, or it has no way back to degrees
        if other != crs and other.is_projected:
            yield _in_system(crs, other)


def zones_by_area(crs: CRS, xy: Floats) -> Reading | None:
    """Return what says in which other zone coordinates (n, 2) outside the area of `crs` belong.

    Zones of the same grid are asked first, then the grids of neighbouring areas; one that holds
    all of the coordinates in its own area of use is named, several are named as open. None when
    there is none.
    """
    for grids in (sister_zones(crs), neighbouring_grids(crs)):
        fit = [grid for grid, inside in holding(grids, crs, xy) if inside.all()]
        if not fit:
            continue
        names = tuple(str(grid.name) for grid in fit[:_MOST_NAMED])
        return replace(
            _in_system(crs, fit[0]),
            values={"crs": crs.name, "others": names},
            variant="area" if len(fit) == 1 else "areas",
        )
    return None


def _in_system(crs: CRS, other: CRS) -> Reading:
    zones = all(_ZONE.fullmatch(c.name) for c in (crs, other)) or other in sister_zones(crs)
    return Reading(
        "wrong-zone",
        {"crs": crs.name, "others": (other.name,)},
        lambda xy: degrees_of(other, xy),
        variant="" if zones else "grid",
    )


def _neighbouring_zones(name: str) -> Iterator[str]:
    """Yield the names of the zones beside one, nearest first; none of a grid without zones.

    >>> list(_neighbouring_zones("WGS 84 / UTM zone 1N"))[:2]
    ['WGS 84 / UTM zone 60N', 'WGS 84 / UTM zone 2N']
    >>> list(_neighbouring_zones("GDA94 / MGA zone 55"))[:2]
    ['GDA94 / MGA zone 54', 'GDA94 / MGA zone 56']
    """
    if (found := _ZONE.fullmatch(name)) is None:
        return
    stem, number, hemisphere = found[1], int(found[2]), found[3]
    for step in (-1, 1, -2, 2):
        beside = number + step
        yield f"{stem}{(beside - 1) % _UTM_ZONES + 1 if hemisphere else beside}{hemisphere}"
    if hemisphere:
        yield f"{stem}{number}{'S' if hemisphere == 'N' else 'N'}"


def _as_degrees(xy: Floats) -> LonLat:
    possible = (np.abs(xy[:, 0]) <= 360.0) & (np.abs(xy[:, 1]) <= 90.0)
    return np.where(possible, xy[:, 0], np.inf), np.where(possible, xy[:, 1], np.inf)
