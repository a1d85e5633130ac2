"""Records that explanations are held against: one worked by hand, one of the samples."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from tests.support.places import SAMPLES

#: Three stops on a straight taped line, level ground at 100.00, transmitters level: both end nulls
#: 2.00 m apart, the mid null midway. Invented.
SITE = """[site]
id = "HAND-1"
name = "worked by hand"
surveyed = 2026-05-06
surveyor = "practice crew"
[crs]
horizontal = "local"
vertical = "none"
bearings = "grid"
[units]
tape = "m"
level = "m"
depth = "m"
counter = "m"
pipe = "m"
[[pipe]]
line = "L1"
material = "PVC"
nominal = "DN110"
service = "sanitary"
[[run]]
id = "R1"
line = "L1"
entry = "CO1"
counter_at_entry = 0.00
flow = "with"
transmitter_lag = 0.35
ride_height = 0.03
[dig]
rule = "cga"
[receiver]
aerial_height = 0.10
aerial_height_sigma = 0.0
"""


def written(folder: Path, mid_null_2: float = 9.0) -> Path:
    """Write the site; its second mid null may be booked elsewhere."""
    folder.mkdir()
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    control = ["point,x,y,z,sigma_h,sigma_v", "A,0.00,0.00,100.00,0,0", "B,20.00,0.00,100.00,0,0"]
    marks = ["mark,run,stop,kind,method,base_from,base_to,base_distance,base_offset,z"]
    stops = ["run,stop,counter,depth_reading"]
    for n, middle in enumerate((4.0, 9.0, 14.0), start=1):
        for letter, kind, at in (("A", "end_null", -1.0), ("M", "mid_null", 0.0),
                                 ("B", "end_null", 1.0)):  # fmt: skip
            along = mid_null_2 if (n, letter) == (2, "M") else middle + at
            marks.append(f"{n}{letter},R1,{n},{kind},offset,A,B,{along:.2f},0.00,100.00")
        stops.append(f"R1,{n},{middle + 0.35:.2f},1.41")
    for name, rows in (("control", control), ("marks", marks), ("stops", stops)):
        (folder / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def hand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of the site worked by hand; the site's own files are gone."""
    home = tmp_path_factory.mktemp("hand")
    out = home / "out"
    made = CliRunner().invoke(app, ["build", str(written(home / "site")), "-o", str(out)])
    assert made.exit_code == 0, made.output
    shutil.rmtree(home / "site")
    return out


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sample") / "out"
    made = CliRunner().invoke(app, ["build", str(SAMPLES / "tape-ties"), "-o", str(out)])
    assert made.exit_code == 0, made.output
    return out
