"""Building the site frame from a record: where its origin is, and what its scale is there."""

from __future__ import annotations

from dataclasses import replace
from math import cos, floor, hypot, isnan, nan, sin, sqrt
from typing import Final, NamedTuple

import numpy as np
from pyproj import CRS
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from pyproj.transformer import AreaOfInterest

from lateralline.errors import FrameError
from lateralline.frames.findings import NOT_CONFORMAL, frame_findings
from lateralline.frames.frame import EARTH_RADIUS_M, Frame
from lateralline.frames.operations import OperationTerms, best
from lateralline.frames.systems import (
    Systems,
    degrees_of,
    degrees_on_own_datum,
    site_systems,
    unbound,
)
from lateralline.records import FieldRecord, Floats

_STEP_M: Final = 100.0  # half the length over which the grid is compared with the ellipsoid
#: Operations are chosen for whole cells of this size, so that the sites of a town share a choice.
_CELL_DEG: Final = 0.05
#: The frame of a sketch starts at the nearest point of its own axes with round coordinates: at
#: their zero, where a crew drew them for the job.
_SKETCH_M: Final = 1000.0


class GridScale(NamedTuple):
    """How a grid lies on its ellipsoid at one point."""

    metres_per_unit: Floats  # (2, 2) ellipsoid metres east, north of grid north per grid unit
    unit_m: float  # metres in the grid's unit
    convergence_rad: float  # azimuth of grid north
    unevenness: float  # relative departure from one scale in all directions


def site_frame(record: FieldRecord) -> Frame:
    """Return the frame of a site, centred on the median of its given coordinates.

    The scale is that of the grid at the origin, and of the mean level when levels stand on a named
    datum. Without a single level none is named, whatever the settings say. Raises FrameError when a
    CRS is unknown or unsuited, when no coordinates are given in it, or when they lie outside it.
    """
    settings, given = record.settings, _levels_given(record)
    named = site_systems(settings.horizontal, settings.vertical)
    systems = named if len(given) else Systems(named.horizontal, None, "relative")
    level_m = nan if systems.levels == "relative" else float(given.mean())
    if systems.horizontal is None:
        frame = _sketch(systems, _coordinates(record), level_m)
    else:
        frame = _on_grid(systems, systems.horizontal, _coordinates(record), level_m, settings.epoch)
    where = settings.georeference
    frame = replace(
        frame,
        terms=OperationTerms(
            where.grids, where.accept_zero_shift, where.shift_accuracy_m, settings.epoch is not None
        ),
        levels_given=bool(len(given)),
        levels_missing=named.levels != "relative" and not len(given),
    )
    if frame.area is not None:
        operation = best(*frame.geojson_systems(), frame.area, frame.terms)[1]
        frame = replace(frame, operations=(operation,))
    return replace(frame, findings=frame_findings(frame))


def grid_scale(grid: CRS, x: float, y: float) -> GridScale:
    """Return how a projected `grid` lies on its ellipsoid at (x, y), from geodesics.

    Two geodesics of about 200 m, one along each grid axis, give lengths and directions to a few
    parts in 10¹⁰, the same way for every projection, unit and direction of axes. PROJ's own scale
    factors agree (`tests/frames/test_frames.py`), except where a projection leaves the ellipsoid
    for a sphere: there, as in Web Mercator, they are 0.3 % off.
    """
    axes = grid.axis_info
    unit_m = axes[0].unit_conversion_factor
    step = _STEP_M / unit_m
    ends = np.array([[x - step, y], [x + step, y], [x, y - step], [x, y + step]])
    lon, lat = _reached(grid, ends, degrees_on_own_datum(grid, ends))
    geod = grid.get_geod()
    assert geod is not None  # every projected CRS has an ellipsoid
    out, back, length = geod.inv(lon[[0, 2]], lat[[0, 2]], lon[[1, 3]], lat[[1, 3]])
    # A geodesic turns against the meridian; halfway, at (x, y), it has half of that turn.
    azimuth = np.radians(out + ((back + 180.0 - out + 180.0) % 360.0 - 180.0) / 2.0)
    # A few grids count westings and southings; the frame counts east and north everywhere.
    directions = [a.direction for a in axes]
    easts = -1.0 if "west" in directions else 1.0
    norths = -1.0 if easts < 0 and "south" in directions else 1.0
    along_x, along_y = length / (2.0 * step)
    north = azimuth[1] + (np.pi if norths < 0 else 0.0)
    turn = azimuth[0] - north  # of the x axis, clockwise from grid north
    metres = np.array([[along_x * sin(turn), 0.0], [along_x * cos(turn), norths * along_y]])
    unevenness = hypot(along_x / along_y - 1.0, cos(turn))
    if unevenness < NOT_CONFORMAL:  # one scale: keep the axes exactly square
        metres = np.diag([easts, norths]) * sqrt(along_x * along_y)
    return GridScale(metres, unit_m, float((north + np.pi) % (2 * np.pi) - np.pi), unevenness)


def _sketch(systems: Systems, xy: Floats, level_m: float) -> Frame:
    # Axes of a job may count from far away, where a coordinate is good to a nanometre only.
    middle = np.median(xy, axis=0) if len(xy) else np.zeros(2)
    east, north = (np.round(middle / _SKETCH_M) * _SKETCH_M).tolist()
    return Frame(None, systems.vertical, systems.levels, (east, north), level_m)


def _on_grid(
    systems: Systems, horizontal: CRS, xy: Floats, level_m: float, epoch: float | None
) -> Frame:
    if not len(xy):
        raise FrameError(
            f"no coordinates in {horizontal.name} are given yet: fill in control.csv, or marks "
            "with method gnss"
        )
    grid, origin = horizontal, np.round(np.median(xy, axis=0))
    if horizontal.is_geographic:
        turn = 2.0 * np.pi / horizontal.axis_info[0].unit_conversion_factor
        xy = np.column_stack([_one_way_round(xy[:, 0], turn), xy[:, 1]])
        # Five decimals of a degree are about a metre: near enough, and readable.
        grid = _projection_at(horizontal, np.round(np.median(xy, axis=0), 5))
        origin = np.zeros(2)
    scale = grid_scale(grid, *origin)
    height_factor = 1.0 if isnan(level_m) else EARTH_RADIUS_M / (EARTH_RADIUS_M + level_m)
    metres_per_unit = sqrt(abs(np.linalg.det(scale.metres_per_unit)))
    return Frame(
        horizontal=horizontal,
        vertical=systems.vertical,
        levels=systems.levels,
        origin=(float(origin[0]), float(origin[1])),
        mean_level_m=level_m,
        epoch=epoch,
        grid=grid,
        ground_per_grid=scale.metres_per_unit / height_factor,
        point_scale=scale.unit_m / metres_per_unit,
        height_factor=height_factor,
        convergence_rad=scale.convergence_rad,
        unevenness=scale.unevenness,
        area=_area(horizontal, xy),
    )


def _projection_at(geographic: CRS, centre: Floats) -> CRS:
    """Return a transverse Mercator on the same datum, scale 1 and true north at `centre`."""
    lon, lat = np.degrees(centre * geographic.axis_info[0].unit_conversion_factor)
    if abs(lat) > 90.0 or abs(lon) > 360.0:
        raise FrameError(
            f"longitude {lon:g}°, latitude {lat:g}° lie outside {geographic.name!r}: "
            "x is longitude, y is latitude"
        )
    return ProjectedCRS(
        TransverseMercatorConversion(
            latitude_natural_origin=float(lat), longitude_natural_origin=float(lon)
        ),
        name=f"transverse Mercator at {lat:.5f}°, {lon:.5f}° on {geographic.name}",
        geodetic_crs=unbound(geographic),
    )


def _reached(crs: CRS, xy: Floats, degrees: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return longitude and latitude of xy (n, 2), or raise where the projection does not reach."""
    if not np.isfinite(degrees).all():
        raise FrameError(f"coordinates near {xy[0].tolist()} lie outside {crs.name!r}")
    return degrees


def _area(crs: CRS, xy: Floats) -> AreaOfInterest:
    """Return the cell the site lies in; a datum's few hundred metres make no odds here.

    Coordinates the projection does not reach, as one without a decimal point, are left out: `place`
    names them. Raises FrameError where it reaches none.
    """
    lons, lats = degrees_of(crs, xy)
    reached = np.isfinite(lons) & np.isfinite(lats)
    if reached.any():
        lons, lats = lons[reached], lats[reached]
    lons, lats = _reached(crs, xy, (lons, lats))
    lon, lat = float(np.median(_one_way_round(lons, 360.0))), float(np.median(lats))
    lon = (lon + 180.0) % 360.0 - 180.0  # 278.6 is -81.4
    west, south = (floor(v / _CELL_DEG) * _CELL_DEG for v in (lon, lat))
    return AreaOfInterest(west, south, west + _CELL_DEG, south + _CELL_DEG)


def _one_way_round(longitude: Floats, turn: float) -> Floats:
    """Return longitudes within half a `turn` of the first, as if no meridian ended the count.

    >>> _one_way_round(np.array([179.9, -179.9, 180.1]), 360.0).round(1).tolist()
    [179.9, 180.1, 180.1]
    """
    first = longitude[0]
    return np.asarray(first + (longitude - first + turn / 2.0) % turn - turn / 2.0)


def _coordinates(record: FieldRecord) -> Floats:
    """Return every given coordinate pair (n, 2): control, and GNSS marks and exposures."""
    spots = (record.marks.spots, record.exposures.spots)
    x = np.concatenate([record.control.x, *(s.x[s.method == "gnss"] for s in spots)])
    y = np.concatenate([record.control.y, *(s.y[s.method == "gnss"] for s in spots)])
    xy: Floats = np.column_stack([x, y])
    return xy[np.isfinite(xy).all(axis=1)]


def _levels_given(record: FieldRecord) -> Floats:
    """Return every level given that a spot stands on, in metres: a pipe's alone gives no ground."""
    seen = record.exposures.spots
    levels = np.concatenate(
        [record.control.z_m, record.marks.spots.z_m, seen.z_m[seen.method != "level"]]
    )
    return np.asarray(levels[np.isfinite(levels)])
