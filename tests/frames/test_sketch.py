"""A sketch set onto a map by points known in both: where it lies, how sure, and what cannot fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import Proj

from lateralline.frames import site_frame
from lateralline.ingest import read_site
from lateralline.kernels.sketch_fit import fit_sketch, moved_by
from lateralline.place import place
from tests.support.made_files import IN_FEET_BY_ONE_RUN, faults_of, write

SITE = (
    """\
[site]
id = "SKETCH"
surveyed = 2026-05-06
[crs]
horizontal = "local"
map_crs = "EPSG:32617"
"""
    + IN_FEET_BY_ONE_RUN
)
MARKS = """\
mark,run,stop,kind,method,base_from,base_to,base_distance,base_offset
1A,R1,1,end_null,offset,A,B,10,-20
1B,R1,1,end_null,offset,A,B,20,-20
"""
STOPS = "run,stop,counter\nR1,1,3\n"
FT = 0.3048


def control(stretch_m: float = 0.0, sigma: float = 0.5) -> str:
    """Return corners A and B, 40 ft apart along the sketch's x, that runs along grid north."""
    grid = Proj("EPSG:32617").get_factors(-79.4, 43.0).meridional_scale
    east, north = Proj("EPSG:32617")(-79.4, 43.0)
    there = north + (40 * FT + stretch_m) * grid
    return (
        "point,x,y,map_x,map_y,map_sigma\n"
        f'A,0,0,{east},{north},{sigma}\nB,40,0,{east},{there},{sigma}\nC,"38\'6""",5,,,\n'
    )


def files(made: str, site: str = SITE) -> dict[str, str]:
    return {"site.toml": site, "control.csv": made, "marks.csv": MARKS, "stops.csv": STOPS}


def test_two_corners_set_a_sketch_onto_the_map(tmp_path: Path) -> None:
    record = read_site(write(tmp_path, files(control())))
    assert record.settings.horizontal == "EPSG:32617"
    frame = site_frame(record)
    a, b, c = frame.to_local(record.control.x, record.control.y, np.zeros(3))[:, :2]
    # x of the sketch runs north, y west; lengths stay as taped
    np.testing.assert_allclose(b - a, [0.0, 40 * FT], atol=1e-4)
    np.testing.assert_allclose(c - a, [-5 * FT, 38.5 * FT], atol=1e-4)
    assert [f.name for f in record.findings if f.code == "sketch-on-map"] == ["sketch-on-map/set"]


def test_shift_and_turn_are_one_error_of_every_spot(tmp_path: Path) -> None:
    placed = place(read_site(write(tmp_path, files(control()))))
    marks = placed.marks
    shared = marks.shared_m[:, :2, -3:]
    # two corners of 0.5 m: the middle is good to 0.5/√2, the turn to 0.5·√2 over their distance
    turn = 0.5 * np.sqrt(2.0) / (40 * FT)
    for number, along in enumerate((10.0, 20.0)):
        away = np.hypot(20 * FT, (along - 20.0) * FT)
        expected = 2 * 0.5**2 / 2 + (away * turn) ** 2
        assert np.square(shared[number]).sum() == pytest.approx(expected, rel=1e-3)
    whole = np.trace(marks.cov_m2[:, :2, :2], axis1=1, axis2=2)
    assert (whole > np.square(shared).sum(axis=(1, 2))).all()


def test_a_distance_that_differs_is_told_and_makes_less_sure(tmp_path: Path) -> None:
    off = read_site(write(tmp_path, files(control(stretch_m=3.0))))
    [told] = [f for f in off.findings if f.name == "sketch-on-map/distance"]
    assert told.subject == "control points A–B"
    assert told.values["off_m"] == pytest.approx(3.0, abs=0.01)
    fits = read_site(write(tmp_path / "fits", files(control())))
    sure, unsure = fits.settings.on_map, off.settings.on_map
    assert sure is not None
    assert unsure is not None
    assert unsure.cov[0][0] == pytest.approx(sure.cov[0][0] * 3.0**2 / (2 * 0.5**2), rel=0.01)


def test_the_fit_is_that_of_all_points_and_as_sure_as_it_says() -> None:
    rng = np.random.default_rng(7)
    sketch = np.array([[0.0, 0.0], [12.0, 1.0], [7.0, 9.0], [-3.0, 5.0]])
    sigma = np.array([0.1, 0.3, 0.2, 0.1])
    c, s = np.cos(0.7), np.sin(0.7)
    there = 1.002 * sketch @ np.array([[c, s], [-s, c]]) + (100.0, 50.0)
    found, claimed = [], np.zeros(())
    for _ in range(400):
        seen = there + rng.normal(size=(4, 2)) * sigma[:, None]
        fit = fit_sketch(sketch, seen, sigma, free_scale=True)
        spot = np.array([[20.0, -5.0]])
        found.append(fit.onto_map(spot)[0])
        a = moved_by(fit.onto_map(spot) - fit.centre_m, 4)[0]
        claimed = a @ fit.cov @ a.T
    np.testing.assert_allclose(np.cov(np.array(found).T).trace(), claimed.trace(), rtol=0.2)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('map_crs = "EPSG:32617"', ""), "control.csv:2: map_x must come with map_crs under [crs]"),
        (('"local"', '"EPSG:32617"'), 'map_crs must come with horizontal = "local"'),
        (('"EPSG:32617"', '"EPSG:99999999"'), "map_crs must be a CRS that PROJ knows"),
        (("[units]", "map_scale_free = true\n[units]"), "map_x must be given at 3 points"),
    ],
)  # fmt: skip
def test_what_a_map_lacks_is_a_fault(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    made = files(control(), SITE.replace(*change))
    assert any(message in fault for fault in faults_of(write(tmp_path, made)))
    made = replace_sigma(files(control()))
    assert any("map_sigma must be given" in f for f in faults_of(write(tmp_path / "s", made)))


def replace_sigma(made: dict[str, str]) -> dict[str, str]:
    return {**made, "control.csv": made["control.csv"].replace(",0.5\n", ",\n", 1)}
