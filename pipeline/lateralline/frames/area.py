"""Whether coordinates lie where their CRS is meant to be used."""

from __future__ import annotations

from typing import Final

import numpy as np
from pyproj import CRS

from lateralline.frames.operations import conversion, unbound
from lateralline.records import Flags, Floats

#: Published areas of use are boxes, rounded; a lot this near to the edge of one is no mistake.
_MARGIN_DEG: Final = 0.05


def outside_area(crs: CRS, x: Floats, y: Floats) -> Flags:
    """Return (n,) True where x, y (n,), in the CRS's own unit, lie outside its area of use.

    False where a coordinate is NaN, and everywhere when no area is published.

    >>> outside_area(CRS(32617), np.array([5e5, 0.0]), np.array([4e6, 0.0]))
    array([False,  True])
    """
    use, given = crs.area_of_use, np.isfinite(x) & np.isfinite(y)
    if use is None:
        return np.zeros(len(x), dtype=np.bool_)
    lon, lat = degrees_of(crs, np.column_stack([x, y]))
    lon = np.where(np.isfinite(lon), lon, np.inf)  # beyond the projection itself is inf already
    width = (use.east - use.west) % 360.0 or 360.0  # also across the antimeridian
    with np.errstate(invalid="ignore"):
        across = (lon - use.west + _MARGIN_DEG) % 360.0 <= width + 2 * _MARGIN_DEG
        along = (lat >= use.south - _MARGIN_DEG) & (lat <= use.north + _MARGIN_DEG)
    return np.asarray(given & ~(across & along))


def degrees_of(crs: CRS, xy: Floats) -> tuple[Floats, Floats]:
    """Return longitude from Greenwich and latitude (n,) in degrees, on the CRS's own datum.

    Infinite where the coordinates (n, 2) are beyond what the projection can take.
    """
    lon, lat = degrees_on_own_datum(crs, xy)
    meridian = unbound(crs).prime_meridian
    if meridian is not None:
        lon = lon + np.degrees(meridian.longitude * float(meridian.unit_conversion_factor))
    return lon, lat


def degrees_on_own_datum(crs: CRS, xy: Floats) -> tuple[Floats, Floats]:
    """Return longitude and latitude (n,) from the CRS's own prime meridian, on its own datum.

    Infinite where the coordinates (n, 2) are beyond what the projection can take.
    """
    base = unbound(crs).geodetic_crs
    assert base is not None  # projected or geographic
    to_degrees = np.degrees(base.axis_info[0].unit_conversion_factor)
    lon, lat = conversion(crs, base.to_2d()).transform(xy[:, 0], xy[:, 1])
    return lon * to_degrees, lat * to_degrees
