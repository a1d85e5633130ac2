"""What misread coordinates would be right as: exchanged, in another unit, in another zone.

Each reading turns coordinates (n, 2) as they stand in a file into longitude and latitude on the
datum of the site's CRS. Whether one is plausible is for `misplaced` to judge.

The numbers of a state plane or a national zone look alike in its sister zones. Two things can be
known from the published areas alone: that coordinates lie outside the area of the zone they are
said to be in and inside that of another; or that they would lie well in both, so that nothing but
the project's extent could show a wrong zone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import CRSInfo, query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError

from lateralline.frames import degrees_of, outside_area
from lateralline.records import Flags, Floats
from lateralline.units import METRES_PER

LonLat = tuple[Floats, Floats]
_ZONE: Final = re.compile(r"(.* zone )(\d+)([NS]?)")
_UTM_ZONES: Final = 60
_MOST_SYSTEMS: Final = 80  # tried for one place; the nearest kin come first
_MOST_NAMED: Final = 4
#: How near the area of another grid must come: those of neighbouring zones meet, give or take
#: their rounding.
_BESIDE_DEG: Final = 0.5
#: A grid of a whole continent is nobody's neighbouring zone.
_WIDEST_DEG: Final = 15.0
_SAME_PLACE_DEG: Final = 1e-6


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
        yield Reading("longitude-sign-lost", {}, lambda xy: degrees_of(crs, xy * (-1.0, 1.0)))
        return
    unit_m = _unit_m(crs)
    grid = {"crs": crs.name, "unit": crs.axis_info[0].unit_name}
    code, times = (
        ("coordinates-wrong-unit/metres", 1.0)
        if unit_m < 1.0
        else ("coordinates-wrong-unit/feet", METRES_PER["ft"])
    )
    yield Reading(code, grid, lambda xy: degrees_of(crs, xy * times / unit_m), keeps_shape=False)
    yield Reading("coordinates-in-degrees", grid, _as_degrees, keeps_shape=False)
    yield Reading(
        "coordinates-in-degrees",
        grid,
        lambda xy: _as_degrees(xy[:, ::-1]),
        keeps_shape=False,
        variant="latitude-first",
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
    known = _projected_around(lon, lat, lon, lat)
    known.sort(key=lambda info: info.name.split(" / ")[0] != family)
    names += [f"{info.auth_name}:{info.code}" for info in known[:_MOST_SYSTEMS]]
    for name in names:
        other = _usable(name)  # there may be no such zone
        if other is not None and other != crs and other.is_projected:
            yield _in_system(crs, other)


def zones_by_area(crs: CRS, xy: Floats) -> Reading | None:
    """Return in which other zone coordinates (n, 2) outside the area of `crs` belong.

    Zones of the same grid are asked first, then the grids of neighbouring areas; one that contains
    all of the coordinates in its own area of use is named, several are named as open. None when
    there is none.
    """
    for grids in (sister_zones(crs), neighbouring_grids(crs)):
        fit = [grid for grid, inside in containing(grids, crs, xy) if inside.all()]
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
        "coordinates-wrong-zone",
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


# ---- grids whose areas coordinates may lie in ----------------------------------------------


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


def containing(grids: tuple[CRS, ...], crs: CRS, xy: Floats) -> tuple[tuple[CRS, Flags], ...]:
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
    found = []
    for info in _projected_around(*use.bounds):
        if info.deprecated or info.name.partition(" / ")[0] != datum or info.name == crs.name:
            continue
        if stem and _stem(info.name) != stem:
            continue
        grid = _usable(f"{info.auth_name}:{info.code}")  # not a system of many zones at once
        area = None if grid is None else grid.area_of_use
        if grid is None or area is None or (area.east - area.west) % 360.0 > _WIDEST_DEG:
            continue
        if _unit_m(grid) == _unit_m(crs):
            found.append(grid)
    return sorted(found, key=lambda grid: str(grid.name))


def _projected_around(west: float, south: float, east: float, north: float) -> list[CRSInfo]:
    """Return the EPSG grids whose areas come near a box, degrees."""
    near = _BESIDE_DEG
    box = AreaOfInterest(west - near, south - near, east + near, north + near)
    return query_crs_info("EPSG", [PJType.PROJECTED_CRS], area_of_interest=box)


def _usable(name: str) -> CRS | None:
    """Return a system by name; None where there is none, or no way from it to degrees."""
    try:
        crs = CRS.from_user_input(name)
        degrees_of(crs, np.zeros((1, 2)))
    except (CRSError, ProjError):
        return None
    return crs


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
