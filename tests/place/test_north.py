"""Bearings from true and magnetic north, against PROJ's geodesics and a declination given."""

from __future__ import annotations

from math import degrees, radians
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod, Transformer

from lateralline.ingest import read_site
from lateralline.place import Placed, place
from tests.support.made_files import base, faults_of, write

POLAR = """\
mark,run,stop,kind,method,base_from,polar_distance,polar_azimuth_deg,z
1A,R1,1,end_null,polar,P1,40,75,100
1B,R1,1,end_null,polar,P1,40,120,100
"""


def files(bearings: str) -> dict[str, str]:
    """Return the base, east of its zone's middle, with two polar marks."""
    made = base()
    made["marks.csv"] = POLAR
    made["control.csv"] = made["control.csv"].replace(",5000", ",7000")
    made["site.toml"] = made["site.toml"].replace("[units]", f"{bearings}\n[units]", 1)
    return made


def placed(tmp_path: Path, bearings: str) -> Placed:
    return place(read_site(write(tmp_path / str(hash(bearings)), files(bearings))))


def azimuths(found: Placed) -> np.ndarray:
    """Return true azimuths of the marks from P1, by the geodesic between their positions."""
    to_lonlat = Transformer.from_crs("EPSG:32617", "EPSG:4326", always_xy=True)
    xy = found.frame.to_site_crs(found.marks.xyz_m)[:, :2]
    lon, lat = to_lonlat.transform(*xy.T)
    start = to_lonlat.transform(700000.0, 4000000.0)
    there = [Geod(ellps="WGS84").inv(*start, *end)[0] for end in zip(lon, lat, strict=True)]
    return np.array(there) % 360


def test_true_bearings_are_true_azimuths_and_magnetic_ones_off_by_the_declination(
    tmp_path: Path,
) -> None:
    true = placed(tmp_path, 'bearings = "true"')
    np.testing.assert_allclose(azimuths(true), [75.0, 120.0], atol=1e-3)
    grid = placed(tmp_path, 'bearings = "grid"')
    assert azimuths(grid)[0] - 75.0 == pytest.approx(degrees(grid.frame.convergence_rad), abs=1e-3)
    assert abs(degrees(grid.frame.convergence_rad)) > 1.0  # else nothing is shown
    compass = placed(
        tmp_path, 'bearings = "magnetic"\ndeclination_deg = -9\ndeclination_sigma_deg = 2'
    )
    np.testing.assert_allclose(azimuths(compass), [66.0, 111.0], atol=1e-3)
    [told] = [f for f in compass.findings if f.code == "bearings-turned"]
    assert told.by_how_much.endswith("° ± 3.92°")


def test_the_declination_is_one_error_of_all_bearings(tmp_path: Path) -> None:
    sure = placed(tmp_path, 'bearings = "magnetic"\ndeclination_deg = 0\n'
                            "declination_sigma_deg = 0.001")  # fmt: skip
    unsure = placed(tmp_path, 'bearings = "magnetic"\ndeclination_deg = 0\n'
                              "declination_sigma_deg = 2")  # fmt: skip
    more = unsure.marks.cov_m2 - sure.marks.cov_m2
    across_m2 = (40.0 * 0.3048 * radians(2.0)) ** 2
    np.testing.assert_allclose(np.trace(more, axis1=1, axis2=2), across_m2, rtol=1e-3)
    column = unsure.marks.shared_m[:, :2, -1]
    np.testing.assert_allclose(np.linalg.norm(column, axis=1) ** 2, across_m2, rtol=1e-3)


def test_without_a_word_the_model_says_how_far_a_compass_would_be_off(tmp_path: Path) -> None:
    silent = placed(tmp_path, "")
    [told] = [f for f in silent.findings if f.code == "bearings-assumed"]
    record = read_site(write(tmp_path / "m", files('bearings = "magnetic"')))
    modelled = place(record)
    [turned] = [f for f in modelled.findings if f.code == "bearings-turned"]
    assert told.values["turn_deg"] == pytest.approx(turned.values["turn_deg"])


@pytest.mark.parametrize(
    ("settings", "crs", "message"),
    [
        ('bearings = "magnetic"', "local", "declination_deg must be given with magnetic bearings"),
        ('bearings = "true"', "local", 'bearings must be "grid" or "magnetic" on a local sketch'),
        ("declination_deg = 3", "", 'declination_deg must come with bearings = "magnetic"'),
    ],
)
def test_what_a_north_lacks_is_a_fault(
    tmp_path: Path, settings: str, crs: str, message: str
) -> None:
    made = files(settings)
    if crs:
        made["site.toml"] = made["site.toml"].replace("EPSG:32617", crs)
    assert any(message in fault for fault in faults_of(write(tmp_path, made)))
