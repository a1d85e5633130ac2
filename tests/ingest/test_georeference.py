"""Section [crs]: extent, grids, zero shifts, heights of gnss; wrong uses named with a way out."""

from __future__ import annotations

from pathlib import Path

import pytest

from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.records import FieldRecord
from lateralline.settings import Georeference
from tests.support.made_files import IN_FEET_BY_ONE_RUN

SITE = (
    """\
[site]
id = "EX-001"
surveyed = 2026-05-06
[crs]
horizontal = "EPSG:2264"
vertical = "{vertical}"
{said}
"""
    + IN_FEET_BY_ONE_RUN
)
MARKS = """\
mark,run,stop,kind,method,x,y,z,sigma_v
1A,R1,1,end_null,gnss,1450000,540000,140.5,0.03
"""
STOPS = "run,stop,counter\nR1,1,3\n"


def read(folder: Path, said: str, vertical: str = "EPSG:6360") -> FieldRecord:
    (folder / "site.toml").write_text(SITE.format(said=said, vertical=vertical))
    (folder / "marks.csv").write_text(MARKS)
    (folder / "stops.csv").write_text(STOPS)
    return read_site(folder)


def test_nothing_said_is_nothing_assumed(tmp_path: Path) -> None:
    read_in = read(tmp_path, "").settings.georeference
    assert repr(read_in) == repr(Georeference())  # NaN, which stands for unknown, equals nothing


def test_all_that_may_be_said(tmp_path: Path) -> None:
    (tmp_path / "grids").mkdir()
    record = read(
        tmp_path,
        'extent = "-84.4 33.7, -75.3 36.6"\ngrids = "grids"\naccept_zero_shift = true\n'
        'shift_accuracy = 2.0\ngnss_heights = "ellipsoidal"\nseparation = -33.5',
    )
    assert record.settings.georeference == Georeference(
        extent=(-84.4, 33.7, -75.3, 36.6),
        grids=str((tmp_path / "grids").resolve()),
        accept_zero_shift=True,
        shift_accuracy_m=2.0,
        gnss_heights="ellipsoidal",
        separation_m=-33.5,
        separation_sigma_m=0.05,  # common practice, no source
    )


def test_ellipsoidal_heights_are_metres_in_a_system_of_feet(tmp_path: Path) -> None:
    """z of gnss counts in the unit of the vertical CRS, except when it is no level of it."""
    levels = read(tmp_path, "").marks.spots
    heights = read(tmp_path, 'gnss_heights = "ellipsoidal"').marks.spots
    assert levels.z_m[0] == pytest.approx(140.5 * 1200 / 3937)
    assert (heights.z_m[0], heights.sigma_v_m[0]) == (140.5, 0.03)


@pytest.mark.parametrize(
    ("said", "vertical", "column", "must"),
    [
        ("accept_zero_shift = true", "EPSG:6360", "accept_zero_shift", "shift_accuracy"),
        ("separation = -33.5", "EPSG:6360", "separation", "gnss_heights"),
        ("separation_sigma = 0.1", "EPSG:6360", "separation_sigma", "separation"),
        ('gnss_heights = "ellipsoidal"', "none", "gnss_heights", "height CRS"),
        ('gnss_heights = "ellipsoidal"', "ellipsoidal", "gnss_heights", "keeps them"),
        ('gnss_heights = "above sea"', "EPSG:6360", "gnss_heights", "ellipsoidal"),
        ('grids = "nowhere"', "EPSG:6360", "grids", "folder that is there"),
        ('extent = "-84 33 -75"', "EPSG:6360", "extent", "four numbers"),
        ('extent = "33.7 -84.4 36.6 -95.3"', "EPSG:6360", "extent", "west to east"),
        ("shift_accuracy = 0", "EPSG:6360", "shift_accuracy", "0"),
    ],
)
def test_what_cannot_be_said(
    tmp_path: Path, said: str, vertical: str, column: str, must: str
) -> None:
    with pytest.raises(SiteFaultsError) as caught:
        read(tmp_path, said, vertical)
    (fault,) = caught.value.faults
    assert fault.column == column
    assert must in str(fault)
