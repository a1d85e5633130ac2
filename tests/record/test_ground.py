"""Which north is up in the plane of a sheet, and in that of a picture of an overlay."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS, Geod

from lateralline.frames.systems import degrees_of
from lateralline.record.ground import GroundPlane, RegionPlane, regions
from lateralline.records import Floats


def _azimuth_of_up(ground: GroundPlane | RegionPlane, at: Floats, crs: CRS) -> float:
    """Return the azimuth, degrees, of the way that points up on a drawing."""
    up = ground.to_file(ground.to_ground(at[None]) + np.array([[0.0, 0.0], [0.0, 100.0]]))
    xy = np.column_stack(degrees_of(crs, up))
    azimuth, _, _ = Geod(ellps="WGS84").inv(*xy[0], *xy[1])
    return float(azimuth)


@pytest.mark.parametrize("far_m", [-150_000.0, 150_000.0])
def test_each_plane_names_the_north_its_axes_have(far_m: float) -> None:
    """UTM zone 17N, far from its middle: its grid north is more than a degree off the true one."""
    crs = CRS.from_epsg(32617)
    at = np.array([500_000.0 + far_m, 4_661_000.0])
    sheet = GroundPlane(crs, at, np.eye(2), 0.0)
    ((region, _),) = regions(crs, at[None])
    assert sheet.north == "grid north"
    assert abs(_azimuth_of_up(sheet, at, crs)) > 1.0
    assert region.north == "true north"
    assert abs(_azimuth_of_up(region, at, crs)) < 0.03


def test_degrees_run_along_the_meridian_and_a_sketch_along_its_own_axis() -> None:
    degrees = GroundPlane(CRS.from_epsg(4326), np.zeros(2), np.eye(2), 0.0)
    assert degrees.north == "true north"
    assert GroundPlane(None, np.zeros(2), np.eye(2), 0.0).north == "sketch north"
    assert RegionPlane(None, None, None).north == "sketch north"
