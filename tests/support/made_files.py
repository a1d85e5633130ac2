"""The files of a small sound site, to be spoilt one place at a time, and what is said of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site

#: Where a site is surveyed in feet by one run: what stands behind its [site] and [crs].
IN_FEET_BY_ONE_RUN = """\
[units]
tape = "ft"
level = "ft"
depth = "ft"
counter = "ft"
[[run]]
id = "R1"
line = "L1"
entry = "CO1"
flow = "with"
"""
SITE = """\
[site]
id = "EX-001"
surveyed = 2026-05-06

[crs]
horizontal = "EPSG:32617"

[units]
tape = "ft"
level = "m"
depth = "m"
counter = "m"

[[pipe]]
line = "L1"
material = "PVC"
nominal = "DN110"

[[pipe]]
line = "L2"
material = "cast iron"
nominal = "4 in"

[[run]]
id = "R1"
line = "L1"
entry = "CO1"
flow = "with"
transmitter_lag = 0.35
ride_height = 0.03

[[run]]
id = "R2"
line = "L2"
entry = "CO2"
flow = "against"
transmitter_lag = 0.35
ride_height = 0.03

[[branch]]
line = "L2"
joins = "L1"
at_counter = 2.40
run = "R1"

[dig]
rule = "cga"

[receiver]
aerial_height = 0.0
"""
CONTROL = """\
point,x,y,z,sigma_h,sigma_v
P1,500000.00,4000000.00,100.0,0.02,0.02
P2,500020.00,4000000.00,100.1,,
P3,500020.00,4000015.00,,,
"""
MARKS = """\
mark,run,stop,kind,method,x,y,z,sigma_h,sigma_v,base_from,base_to,base_distance,base_offset,polar_distance,polar_azimuth_deg,ties,side,note
1A,R1,1,end_null,offset,,,100.0,,,P1,P2,13.0,1.2,,,,,
1B,R1,1,end_null,ties,,,,,,,,,,,,P1:26.32;P2:44.85,left,
1M,R1,1,mid_null,polar,,,,,,P1,,,,13.2,45,,,
2A,R2,1,end_null,gnss,500004.1,4000001.2,100.2,0.02,0.03,,,,,,,,,
2P,R2,1,peak_total,ties,,,,,,,,,,,,P1:26.32;P2:44.85;P3:50,,
G1,,,ground,gnss,500004.1,4000001.2,100.2,,,,,,,,,,,
"""
STOPS = """\
run,stop,counter,depth_reading,tilt_deg,note
R1,1,3.0,1.2,,
R2,1,5.0,1.3,2.5,
"""
EXPOSURES = """\
name,run,line,counter,method,x,y,z,base_from,base_to,base_distance,base_offset,depth,measured_to,sigma
CO1,R1,,0,offset,,,100.0,P1,P2,0,0,1.1,invert,0.02
"""
OBSERVATIONS = """\
run,counter,clock_from,clock_to,code,defect_severity,text
R1,4.2,2,4,BAF,,in words
"""


def base() -> dict[str, str]:
    return {
        "site.toml": SITE,
        "control.csv": CONTROL,
        "marks.csv": MARKS,
        "stops.csv": STOPS,
        "exposures.csv": EXPOSURES,
        "observations.csv": OBSERVATIONS,
    }


def write(folder: Path, files: dict[str, str] | dict[str, bytes]) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        data = text if isinstance(text, bytes) else text.encode("utf-8")
        (folder / name).write_bytes(data)
    return folder


def faults_of(folder: Path) -> list[str]:
    with pytest.raises(SiteFaultsError) as caught:
        read_site(folder)
    return [str(f) for f in caught.value.faults]
