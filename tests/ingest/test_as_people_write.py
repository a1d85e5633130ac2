"""Files as people write them: unknown cells, feet and inches, a run that is not described."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lateralline.catalogue import catalogue
from lateralline.ingest import read_site
from tests.support.made_files import IN_FEET_BY_ONE_RUN, base, faults_of, write

IN_FEET = (
    """\
[site]
id = "FEET"
surveyed = 2026-05-06
[crs]
horizontal = "local"
"""
    + IN_FEET_BY_ONE_RUN
)
CONTROL = """\
point,x,y,z,sigma_h,sigma_v
P1,0,0,?,"0'1""\",-
P2,"38'6""\","-1'-6 1/2""\",n/a,1 in,
P3,38 ft 6 in,"12′-0″",unknown,,
"""


def in_feet() -> dict[str, str]:
    stops = "run,stop,counter,depth_reading,tilt_deg,note\nR1,1,38'6\",?,N/A,-\n"
    marks = "mark,run,stop,kind,method,ties,z\n1A,R1,1,peak_total,ties,P1:20' 3\";P2:21;P3:30,?\n"
    return {"site.toml": IN_FEET, "control.csv": CONTROL, "stops.csv": stops, "marks.csv": marks}


def test_unknown_is_unknown_and_feet_and_inches_are_lengths(tmp_path: Path) -> None:
    record = read_site(write(tmp_path, in_feet()))
    foot_m = 0.3048
    np.testing.assert_allclose(record.control.x, np.array([0, 38.5, 38.5]) * foot_m)
    np.testing.assert_allclose(record.control.y, np.array([0, -18.5 / 12, 12]) * foot_m)
    np.testing.assert_allclose(record.control.sigma_h_m[:2], 0.0254)
    assert np.isnan(record.control.z_m).all()
    assert np.isnan([record.stops.depth_reading_m[0], record.stops.tilt_rad[0]]).all()
    np.testing.assert_allclose(record.stops.counter_m, 38.5 * foot_m)


def test_the_hint_asks_for_nothing_that_is_then_refused(tmp_path: Path) -> None:
    files = base()
    files["stops.csv"] = files["stops.csv"].replace("R1,1,3.0", "R1,1,?", 1)
    files["marks.csv"] = files["marks.csv"].replace("P1:26.32;P2:44.85,", "P1:26.32;P2:?,", 1)
    faults = faults_of(write(tmp_path, files))
    assert len(faults) == 1
    assert not any("empty" in fault for fault in faults)
    assert any("a tape nobody read is left out" in fault for fault in faults)


def test_a_run_that_is_not_described_is_told_once(tmp_path: Path) -> None:
    files = in_feet()
    files["site.toml"] = IN_FEET.partition("[[run]]")[0]
    rows = "".join(f"R1,{n},{n},,,\n" for n in range(2, 17))
    files["stops.csv"] += rows
    [fault] = faults_of(write(tmp_path, files))
    assert fault == (
        'stops.csv:2: run must be a run of site.toml; 16 more rows name R1; got "R1" — none is '
        "described; add [[run]] with id R1, and line, entry and flow"
    )


def test_names_without_an_order_are_listed_in_one() -> None:
    form = catalogue().form("coordinates-wrong-zone")
    given = {"crs": "A", "others": frozenset("cab"), "near": "", "lon_deg": 0.0, "lat_deg": 0.0}
    assert form.typed({**given, "nowhere": False})["others"] == ("a", "b", "c")
