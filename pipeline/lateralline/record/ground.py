"""Coordinates of a built file as metres on the ground, and back: the one owner of ground scale.

A grid is not the ground: 100 ppm of it are 3 mm in a tape of 30 m, and the grid of a web map is a
third longer at middle latitudes. Scale and convergence of a grid are those of its geodesics
(`frames.grid_scale`), as in the survey's own frame; the height factor is the one lineage states.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import floor, nan
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from pyproj import CRS
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from pyproj.transformer import AreaOfInterest

from lateralline.errors import FrameError
from lateralline.frames.build import grid_scale
from lateralline.frames.operations import apply, best
from lateralline.frames.systems import (
    conversion,
    degrees_of,
    degrees_on_own_datum,
    plan_of,
    unbound,
)
from lateralline.record.layers import Shapes
from lateralline.record.lineage import RecordLineage
from lateralline.records import Floats, Ints

if TYPE_CHECKING:
    import geopandas as gpd

_WGS84: Final = CRS.from_epsg(4326)
_STEP_DEG: Final = 1e-4  # over which degrees are measured in metres
_CORNER: Final = {True: 10.0, False: 50.0}  # the origin is a round coordinate: metres, other units
_CORNERS_IN_DEGREE: Final = 1e4
_NEAR_DEG: Final = 0.05
#: Two norths no farther apart are one: so much convergence differs between two places of a site.
_SAME_NORTH_DEG: Final = 0.05
#: Side of a region. The scale of its plane is off by less than 2e-7 anywhere in it.
CELL_DEG: Final = 0.05
#: What is up on a drawing: along a grid's own axis, along the meridian, along a sketch's y axis.
GRID_NORTH: Final = "grid north"
TRUE_NORTH: Final = "true north"
SKETCH_NORTH: Final = "sketch north"
_WINDS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


@dataclass(frozen=True, slots=True, eq=False)
class GroundPlane:
    """The way between a file's plan coordinates and metres east and north of `origin`.

    Straight and true to scale at the origin: over the kilometre of a site it is off by less than
    1 part in 10⁴.
    """

    crs: CRS | None  # plan part of the file's; None = a sketch on invented axes, in metres
    origin: Floats  # (2,) a round coordinate of the file, at the lower left of the site
    metres_per_unit: Floats  # (2, 2) ground metres east, north in one unit of each axis
    turn_deg: float  # what azimuths from the site's grid north gain to count from this file's

    @property
    def north(self) -> str:
        """What is up on a drawing in this plane: the north of the file's own axes."""
        if self.crs is None:
            return SKETCH_NORTH
        return TRUE_NORTH if self.crs.is_geographic else GRID_NORTH

    def to_ground(self, xy: Floats) -> Floats:
        """Return (n, 2) metres on the ground of (n, 2) coordinates of the file."""
        return np.asarray((xy - self.origin) @ self.metres_per_unit.T)

    def to_file(self, ground_m: Floats) -> Floats:
        """Return (n, 2) coordinates of the file."""
        return np.asarray(ground_m @ np.linalg.inv(self.metres_per_unit).T + self.origin)

    def area(self) -> AreaOfInterest:
        """Return the degrees about the site that an operation from its CRS is chosen for."""
        assert self.crs is not None  # a sketch is nowhere
        lon, lat = (float(v[0]) for v in degrees_of(self.crs, self.origin[None, :]))
        return AreaOfInterest(lon - _NEAR_DEG, lat - _NEAR_DEG, lon + _NEAR_DEG, lat + _NEAR_DEG)

    def shapes_to_ground(self, shapes: Shapes) -> Shapes:
        """Return geometries (n) of the file in plan, in metres on the ground; None stays None."""
        return np.asarray(shapely.transform(shapely.force_2d(shapes), self.to_ground))


def ground_plane(crs: CRS | None, corner: Floats, lineage: RecordLineage) -> GroundPlane:
    """Return the plane about a site whose geometry begins at `corner` (2) of a file in `crs`."""
    if crs is None or crs.is_engineering:
        return GroundPlane(None, np.zeros(2), np.eye(2), 0.0)  # a sketch counts from its own zero
    plan = plan_of(crs)
    if plan.is_geographic:
        origin, north_deg = np.floor(corner * _CORNERS_IN_DEGREE) / _CORNERS_IN_DEGREE, 0.0
        metres = _metres_per_degree(plan, origin)
    else:
        unit_m = plan.axis_info[0].unit_conversion_factor
        origin = _round(corner, _CORNER[unit_m == 1.0])
        scale = grid_scale(plan, float(origin[0]), float(origin[1]))
        metres, north_deg = scale.metres_per_unit, float(np.degrees(scale.convergence_rad))
    turn = (lineage.convergence_deg - north_deg + 180.0) % 360.0 - 180.0
    turn = 0.0 if abs(turn) < _SAME_NORTH_DEG else turn
    return GroundPlane(plan, origin, metres / lineage.height_factor, turn)


def _metres_per_degree(geographic: CRS, origin: Floats) -> Floats:
    """Return ellipsoid metres (2, 2) in one unit of each axis, from geodesics about `origin`."""
    geod = geographic.get_geod()
    assert geod is not None  # every geographic CRS has an ellipsoid
    degrees = float(np.degrees(geographic.axis_info[0].unit_conversion_factor))  # in one unit
    lon, lat = origin * degrees
    half = _STEP_DEG / 2
    _, _, lengths = geod.inv([lon - half, lon], [lat, lat - half], [lon + half, lon],
                             [lat, lat + half])  # fmt: skip
    return np.asarray(np.diag(np.array(lengths) / _STEP_DEG * degrees))


def _round(corner: Floats, step: float) -> Floats:
    return np.array([floor(c / step) * step for c in corner])


# ---- many sites at once -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RegionPlane:
    """A plane in metres at the ellipsoid over one region, on the datum of a file's CRS.

    Axes run east and north, true at the region's middle. Heights above the ellipsoid lengthen
    ground by 16 ppm in 100 m; between a pipe and what is planned beside it that is nothing.
    """

    crs: CRS | None  # the file's plan CRS; None = invented axes, already metres
    plane: CRS | None
    area: AreaOfInterest | None

    @property
    def north(self) -> str:
        """What is up on a drawing in this plane: the meridian, whatever grid the file is on."""
        return SKETCH_NORTH if self.crs is None else TRUE_NORTH

    def to_ground(self, xy: Floats) -> Floats:
        """Return (n, 2) metres of coordinates in the file's CRS."""
        if self.crs is None or self.plane is None:
            return xy
        return apply(conversion(self.crs, self.plane), xy, None)

    def to_file(self, xy_m: Floats) -> Floats:
        """Return (n, 2) coordinates in the file's CRS."""
        if self.crs is None or self.plane is None:
            return xy_m
        return apply(conversion(self.plane, self.crs), xy_m, None)

    def shapes_to_ground(self, shapes: Shapes) -> Shapes:
        """Return plan geometries in metres; None stays None."""
        return np.asarray(shapely.transform(shapely.force_2d(shapes), self.to_ground))

    def shapes_from(self, crs: CRS, shapes: Shapes) -> Shapes:
        """Return plan geometries in another CRS in metres of the plane; None stays None."""
        if self.crs is None or self.area is None:
            return np.asarray(shapely.force_2d(shapes))
        plan = plan_of(crs)
        if plan == self.crs:
            return self.shapes_to_ground(shapes)
        way = best(plan, self.crs, self.area)[0]
        moved = shapely.transform(shapely.force_2d(shapes), lambda xy: apply(way, xy, None))
        return self.shapes_to_ground(moved)

    def shapes_to_file(self, shapes: Shapes) -> Shapes:
        """Return plan geometries in the file's CRS."""
        return np.asarray(shapely.transform(shapely.force_2d(shapes), self.to_file))

    def lonlat_sigma_m(self) -> float:
        """Return σ on each axis of the way to WGS 84; NaN when no published way leads there."""
        if self.crs is None or self.area is None:
            return nan
        try:
            operation = best(self.crs, _WGS84, self.area)[1]
        except FrameError:
            return nan
        return operation.accuracy_m if operation.usable else nan

    def shapes_to_lonlat(self, shapes_m: Shapes) -> Shapes:
        """Return plan geometries in longitude and latitude, where a published way leads there."""
        assert self.crs is not None
        assert self.area is not None
        way = best(self.crs, _WGS84, self.area)[0]
        in_degrees = shapely.transform(shapes_m, lambda xy: apply(way, self.to_file(xy), None))
        return np.asarray(in_degrees)


def regions(crs: CRS | None, xy: Floats) -> Iterator[tuple[RegionPlane, Ints]]:
    """Yield each region with the rows of `xy` (n, 2) in it, west to east.

    Raises FrameError for coordinates that are nowhere on the CRS.
    """
    if crs is None:
        yield RegionPlane(None, None, None), np.arange(len(xy))
        return
    lon, lat = degrees_of(crs, xy)
    if not (np.isfinite(lon) & np.isfinite(lat)).all():
        row = int(np.argmin(np.isfinite(lon) & np.isfinite(lat)))
        raise FrameError(f"coordinates near {xy[row].tolist()} lie outside {crs.name!r}")
    cells = np.floor(np.column_stack([lon, lat]) / CELL_DEG).astype(np.int64)
    each, which = np.unique(cells, axis=0, return_inverse=True)
    for n, cell in enumerate(each):
        rows = np.flatnonzero(which.ravel() == n)
        own = degrees_on_own_datum(crs, xy[rows[:1]])
        turn = float(own[0][0] - lon[rows[0]])  # the CRS may count from another meridian
        west, south = (cell * CELL_DEG).tolist()
        plane = _plane(crs, west + CELL_DEG / 2 + turn, south + CELL_DEG / 2)
        area = AreaOfInterest(west, south, west + CELL_DEG, south + CELL_DEG)
        yield RegionPlane(crs, plane, area), rows


@lru_cache(maxsize=256)
def _plane(crs: CRS, lon: float, lat: float) -> CRS:
    """Return a transverse Mercator of scale 1 at a place, on the datum of `crs`."""
    datum = unbound(crs).geodetic_crs
    assert datum is not None  # projected or geographic
    return ProjectedCRS(
        TransverseMercatorConversion(latitude_natural_origin=lat, longitude_natural_origin=lon),
        name=f"transverse Mercator at {lat:.3f}°, {lon:.3f}°",
        geodetic_crs=datum.to_2d(),
    )


def off_the_lines(points: gpd.GeoDataFrame, lines: gpd.GeoSeries) -> list[tuple[float, str]]:
    """Return how far each point is from the nearest line, m, and which way: "NE"."""
    if not len(points) or not len(lines):
        return []
    paths = lines[lines.notna()].union_all()
    away = shapely.get_coordinates(
        shapely.shortest_line(paths, np.asarray(points.geometry.array))
    ).reshape(-1, 2, 2)
    east, north = (away[:, 1] - away[:, 0]).T
    turn = np.degrees(np.arctan2(east, north))
    names = [_WINDS[round(t / 45.0) % 8] for t in turn.tolist()]
    return list(zip(np.hypot(east, north).tolist(), names, strict=True))
