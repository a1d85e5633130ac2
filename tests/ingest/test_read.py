"""A sound site folder: numbers in SI, findings, workbooks, batches, hashes."""

from __future__ import annotations

import csv
import hashlib
import io
from datetime import date
from math import isnan, radians
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.records import FieldRecord
from lateralline.settings import GIVEN_AERIAL_SIGMA_M, standard_accuracy
from lateralline.units import METRES_PER
from tests.support.finding_names import called
from tests.support.places import SAMPLES
from tests.support.sameness import same

FT, US_FT, INCH = 0.3048, 1200 / 3937, 0.0254

#: Every unit different, so that one conversion taken for another shows.
SITE = """\
[site]
id = "EX-001"
name = "Example Yard 1"
surveyed = 2026-05-06
surveyor = "crew 1"

[crs]
horizontal = "EPSG:2264"  # US survey feet
vertical = "EPSG:6360"    # US survey feet
epoch = 2026.35

[units]
tape = "ft"
level = "cm"
depth = "in"
counter = "m"
pipe = "mm"
slope_tape = true

[accuracy]
receiver_angle_deg = 3
gnss_m = 0.02

[[pipe]]
line = "L1"
material = "PVC"
nominal = "4 in SDR35"
service = "sanitary"

[[pipe]]
line = "L2"
inside_diameter = 150
wall = 5

[[run]]
id = "R1"
line = "L1"
entry = "CO1"
counter_at_entry = 0.5
flow = "with"
transmitter_lag = 0.35
ride_height = 30
rod_length = 120

[[run]]
id = "R2"
line = "L2"
entry = "CO2"
flow = "against"
transmitter_lag = 0
ride_height = 30

[[branch]]
line = "L2"
joins = "L1"

[dig]
rule = "cga"
tolerance = 2

[receiver]
aerial_height = 0.5
"""
CONTROL = """\
sigma_v,sigma_h,z,y,x,point
0.5,0.1,3000,500000.5,1400000.25,P1
,,,500040.5,1400030.25,P2
"""
MARKS = """\
mark,run,stop,kind,method,x,y,z,sigma_h,sigma_v,base_from,base_to,base_distance,base_offset,polar_distance,polar_azimuth_deg,ties,side,note,paint
1A,R1,1,end_null,offset,,,3010,,2,P1,P2,10.5,-2,,,,,"by the
kerb",white
1B,R1,1,End null,ties,,,,,,,,,,,,P1:20; P2:30.5,LEFT,,
1M,R1,1,mid_null,polar,,,,,,P1,,,,12,90,,,,
2P,R2,1,peak,gnss,1400010,500020,98.5,0.1,0.2,,,,,,,,,,
G1,,,ground,gnss,1400011,500021,98.4,,,,,,,,,,,,
"""
STOPS = """\
run,stop,counter,depth_reading,tilt_deg,note
R1,1,4.2,40,-3,
R2,1,5.5,,,
"""
EXPOSURES = """\
name,run,line,counter,method,x,y,z,base_from,base_to,base_distance,base_offset,depth,measured_to,sigma,note
CO1,R1,,0.5,offset,,,3005,P1,P2,0,0,36,invert,0.5,
TH1,,L2,,gnss,1400012,500022,95.1,,,,,,outside_top,,
"""
OBSERVATIONS = """\
run,counter,clock_from,clock_to,code,defect_severity,text
R1,6.2,12,3,BAF,2,"a, b"
"""
FILES = {
    "site.toml": SITE,
    "control.csv": CONTROL,
    "marks.csv": MARKS,
    "stops.csv": STOPS,
    "exposures.csv": EXPOSURES,
    "observations.csv": OBSERVATIONS,
}


def write(folder: Path, **changes: str) -> Path:
    """Write the example site; `stops=…` puts another text in place of stops.csv, or site.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in FILES.items():
        text = changes.get(name.partition(".")[0], text)
        (folder / name).write_bytes(text.encode("utf-8"))
    return folder


def site_with(old: str, new: str) -> str:
    assert old in SITE
    return SITE.replace(old, new)


@pytest.fixture
def record(tmp_path: Path) -> FieldRecord:
    return read_site(write(tmp_path / "EX-001"))


def codes(record: FieldRecord) -> list[str]:
    return [called(f) for f in record.findings]


# ---- numbers in SI --------------------------------------------------------------------------


def test_settings_are_si(record: FieldRecord) -> None:
    said = record.settings
    assert (said.id, said.name, said.surveyor) == ("EX-001", "Example Yard 1", "crew 1")
    assert said.surveyed == date(2026, 5, 6)
    assert (said.horizontal, said.vertical, said.epoch) == ("EPSG:2264", "EPSG:6360", 2026.35)
    assert said.slope_tape
    assert said.units == {"tape": "ft", "level": "cm", "depth": "in", "counter": "m", "pipe": "mm"}
    assert said.accuracy == standard_accuracy(receiver_angle_rad=radians(3), gnss_m=0.02)
    run = said.run("R1")
    assert (run.line, run.entry, run.flow) == ("L1", "CO1", "with")
    assert (run.counter_at_entry_m, run.transmitter_lag_m) == (0.5, 0.35)
    assert (run.ride_height_m, run.rod_length_m) == pytest.approx((0.03, 0.12))
    assert isnan(said.run("R2").rod_length_m)
    assert said.run("R2").counter_at_entry_m == 0
    (branch,) = said.branches
    assert (branch.line, branch.joins, branch.run) == ("L2", "L1", "")
    assert isnan(branch.at_counter_m)
    assert said.dig_rule == "cga"
    assert said.dig_tolerance_m == pytest.approx(2 * FT)
    assert said.aerial_height_m == pytest.approx(0.5 * METRES_PER[said.units["depth"]])
    assert said.aerial_height_sigma_m == GIVEN_AERIAL_SIGMA_M


def test_pipes_come_from_the_table_or_the_tape(record: FieldRecord) -> None:
    one, two = record.settings.pipes
    assert one.inside_diameter_m == pytest.approx((4.215 - 2 * 0.120) * INCH)
    assert one.outside_diameter_m == pytest.approx(4.215 * INCH)
    assert one.dimensions_from == "ASTM D3034, 4 in SDR35"
    assert (two.inside_diameter_m, two.wall_m, two.outside_diameter_m) == pytest.approx(
        (0.150, 0.005, 0.160)
    )
    assert (two.dimensions_from, two.service) == ("site.toml", "unknown")


@pytest.mark.parametrize(
    ("given", "inside_m", "wall_m"),
    [
        ("wall = 3.6", 0.1028, 0.0036),  # the outside of DN110 stays
        ("inside_diameter = 103", 0.103, 0.0035),
        ("inside_diameter = 100\nwall = 5.5", 0.100, 0.0055),
    ],
)
def test_measured_dimensions_go_before_the_table(
    tmp_path: Path, given: str, inside_m: float, wall_m: float
) -> None:
    """EN 1401 DN110: 110 mm outside (read)."""
    site = site_with('nominal = "4 in SDR35"', f'nominal = "DN110"\n{given}')
    pipe = read_site(write(tmp_path, site=site)).settings.pipe("L1")
    assert (pipe.inside_diameter_m, pipe.wall_m) == pytest.approx((inside_m, wall_m))
    assert pipe.dimensions_from.startswith("site.toml")


def test_control_is_in_its_own_units(record: FieldRecord) -> None:
    control = record.control
    assert control.point.tolist() == ["P1", "P2"]
    assert control.x.tolist() == [1400000.25, 1400030.25]  # as given: the CRS's own unit
    assert control.y.tolist() == [500000.5, 500040.5]
    assert control.z_m[0] == pytest.approx(30.0)
    assert control.sigma_h_m[0] == pytest.approx(0.1 * US_FT)
    assert control.sigma_v_m[0] == pytest.approx(0.005)
    assert np.isnan([control.z_m[1], control.sigma_h_m[1], control.sigma_v_m[1]]).all()


def test_marks_are_si(record: FieldRecord) -> None:
    marks, spots = record.marks, record.marks.spots
    assert spots.name.tolist() == ["1A", "1B", "1M", "2P", "G1"]
    assert spots.row.tolist() == [2, 4, 5, 6, 7]  # the first row has a line break in it
    assert marks.kind.tolist() == ["end_null", "end_null", "mid_null", "peak_total", "ground"]
    assert marks.run.tolist() == ["R1", "R1", "R1", "R2", ""]
    assert spots.side.tolist() == ["", "left", "", "", ""]
    assert spots.note[0] == "by the kerb; paint=white"
    nan = np.nan
    np.testing.assert_allclose(spots.station_m, [10.5 * FT, nan, 12 * FT, nan, nan])
    np.testing.assert_allclose(spots.offset_m, [-2 * FT, nan, nan, nan, nan])
    np.testing.assert_allclose(spots.bearing_rad, [nan, nan, np.pi / 2, nan, nan])
    np.testing.assert_allclose(spots.x, [nan, nan, nan, 1400010, 1400011])
    np.testing.assert_allclose(spots.z_m, [30.1, nan, nan, 98.5 * US_FT, 98.4 * US_FT])
    np.testing.assert_allclose(spots.sigma_h_m, [nan, nan, nan, 0.1 * US_FT, nan])
    np.testing.assert_allclose(spots.sigma_v_m, [0.02, nan, nan, 0.2 * US_FT, nan])
    assert spots.ties[0] == ()
    points, lengths_m = zip(*spots.ties[1], strict=True)
    assert points == ("P1", "P2")
    assert lengths_m == pytest.approx((20 * FT, 30.5 * FT))


def test_stops_exposures_and_observations_are_si(record: FieldRecord) -> None:
    stops, exposures, seen = record.stops, record.exposures, record.observations
    assert stops.counter_m.tolist() == [4.2, 5.5]
    assert stops.depth_reading_m[0] == pytest.approx(40 * INCH)
    assert stops.tilt_rad[0] == pytest.approx(radians(-3))
    assert exposures.line.tolist() == ["L1", "L2"]  # the run's line when none is given
    assert exposures.depth_m[0] == pytest.approx(36 * INCH)
    assert exposures.sigma_m[0] == pytest.approx(0.5 * INCH)
    assert exposures.spots.z_m.tolist() == pytest.approx([30.05, 95.1 * US_FT])
    assert (seen.clock_from[0], seen.clock_to[0], seen.text[0]) == ("12", "3", "a, b")


@pytest.mark.parametrize(
    ("horizontal", "x", "sigma_h_m"),
    [
        ("local", 10 * FT, 0.5 * FT),  # a sketch in the tape unit comes out in metres
        ("EPSG:32617", 10.0, 0.5),
        ("EPSG:2264", 10.0, 0.5 * US_FT),
        ("EPSG:4326", 10.0, 0.5),  # sigma in metres, not in degrees
        ("EPSG:6543+6360", 10.0, 0.5 * US_FT),
    ],
)
def test_coordinates_follow_the_crs(
    tmp_path: Path, horizontal: str, x: float, sigma_h_m: float
) -> None:
    site = site_with("EPSG:2264", horizontal).replace('vertical = "EPSG:6360"', "")
    control = "point,x,y,sigma_h\nP1,10,20,0.5\nP2,30,20,\n"
    marks = MARKS.replace("14000", "").replace("5000", "")  # 2P at 10, 20
    seen = EXPOSURES.replace("14000", "").replace("5000", "")
    record = read_site(write(tmp_path, site=site, control=control, marks=marks, exposures=seen))
    assert record.control.x[0] == pytest.approx(x)
    assert record.marks.spots.x[3] == pytest.approx(x)
    assert record.control.sigma_h_m[0] == pytest.approx(sigma_h_m)


@pytest.mark.parametrize(
    ("vertical", "metres"),
    [("none", 0.01), ("ellipsoidal", 1.0), ("EPSG:5703", 1.0), ("EPSG:8228", FT)],
)
def test_gnss_levels_follow_the_vertical_crs(tmp_path: Path, vertical: str, metres: float) -> None:
    """EPSG:5703 is NAVD88 in metres, 8228 in international feet; "none" is the level unit, cm."""
    record = read_site(write(tmp_path, site=site_with("EPSG:6360", vertical)))
    assert record.marks.spots.z_m[3] == pytest.approx(98.5 * metres)
    assert record.marks.spots.z_m[0] == pytest.approx(30.10)  # taped: the level unit always


# ---- files ----------------------------------------------------------------------------------


def test_kept_ids_are_an_input_with_a_hash() -> None:
    """Node and segment ids of a record hang on what was kept of builds before."""
    kept = SAMPLES / "gnss-bend-branch" / "ids.csv"
    (ids,) = (f for f in read_site(kept.parent).inputs if f.name == kept.name)
    assert ids.sha256 == hashlib.sha256(kept.read_bytes()).hexdigest()
    assert ids.rows > 10


def test_every_input_is_hashed(record: FieldRecord) -> None:
    assert {f.name for f in record.inputs} == set(FILES)
    for f in record.inputs:
        data = FILES[f.name].encode("utf-8")
        assert (f.sha256, f.size_bytes) == (hashlib.sha256(data).hexdigest(), len(data))
    assert {f.name: f.rows for f in record.inputs}["marks.csv"] == 5


def test_a_byte_order_mark_and_other_line_ends_change_nothing(
    tmp_path: Path, record: FieldRecord
) -> None:
    folder = write(tmp_path / "bom")
    for path in folder.iterdir():
        text = path.read_bytes()
        if path.name != "marks.csv":  # which has a line break inside a cell
            text = text.replace(b"\n", b"\r\n" if path.name != "stops.csv" else b"\r")
        path.write_bytes(b"\xef\xbb\xbf" + text)
    assert same(read_site(folder), record)


def test_blanks_comments_and_case_of_headers_change_nothing(
    tmp_path: Path, record: FieldRecord
) -> None:
    stops = "# from the van\n\n Run , STOP,Counter,depth_reading,tilt_deg,note,,\n"
    stops += " R1 ,1, 4.2 ,40,-3,\t,,\n,,,,,,,\nR2,1,5.5,,,,,\n"
    assert same(read_site(write(tmp_path / "loose", stops=stops)), record)


def book_of(tables: dict[str, str], folder: Path, *, numbers: bool) -> None:
    """Put csv texts into one workbook, as numbers where they are numbers if asked."""
    book = Workbook()
    book.remove(book.worksheets[0])
    for name, text in tables.items():
        sheet = book.create_sheet(name.removesuffix(".csv").capitalize())
        for row in csv.reader(io.StringIO(text)):
            cells: list[str | float] = list(row)
            if numbers:
                cells = [
                    float(c) if c.lstrip("-").replace(".", "", 1).isdigit() else c for c in row
                ]
            sheet.append(cells)
    book.create_sheet("scribbles").append(["anything"])
    book.save(folder / "field.xlsx")


@pytest.mark.parametrize("numbers", [True, False])
def test_a_workbook_reads_as_its_csv_files_do(
    tmp_path: Path, record: FieldRecord, numbers: bool
) -> None:
    folder = write(tmp_path / "book")
    tables = {name: text for name, text in FILES.items() if name.endswith(".csv")}
    for name in tables:
        (folder / name).unlink()
    book_of(tables, folder, numbers=numbers)
    booked = read_site(folder)
    assert same(booked, record)
    assert booked.marks.spots.file == "field.xlsx Marks"
    assert {f.name: f.rows for f in booked.inputs} == {"field.xlsx": 12, "site.toml": 0}


def test_a_table_stands_in_one_place(tmp_path: Path) -> None:
    folder = write(tmp_path)
    book_of({"stops.csv": STOPS}, folder, numbers=True)
    with pytest.raises(SiteFaultsError, match=r"^[^\n]*: 1 fault.*\nstops.csv: table must stand"):
        read_site(folder)


def test_workbook_cells_without_a_value(tmp_path: Path) -> None:
    folder = write(tmp_path)
    (folder / "stops.csv").unlink()
    book = Workbook()
    sheet = book.worksheets[0]
    sheet.title = "stops"
    sheet.append(["run", "stop", "counter", "depth_reading"])
    sheet.append(["R1", 1, 4.2, "=1+1"])
    sheet.append(["R2", 1, "#REF!", None])
    book.save(folder / "field.xlsx")
    with pytest.raises(SiteFaultsError) as caught:
        read_site(folder)
    faults = [str(f) for f in caught.value.faults]
    assert faults[0].startswith("field.xlsx stops!D2: depth_reading must be a value; it is a")
    assert faults[1].startswith("field.xlsx stops!C3: counter must be a value")


# ---- findings -------------------------------------------------------------------------------


def test_findings_of_the_example(record: FieldRecord) -> None:
    assert sorted(codes(record)) == ["input-unused/column", "mark-kind-assumed"]
    assert {f.stage for f in record.findings} == {"read"}
    assert {f.where for f in record.findings} == {"marks.csv:1", "marks.csv:6"}


FINDINGS = [
    ("site", 'nominal = "4 in SDR35"', 'nominal = "DN160"', "pipe-size-unsure/nominal"),
    ("site", 'material = "PVC"\nnominal = "4 in SDR35"',
     'material = "cast iron"\nnominal = "6 in"', "pipe-size-unsure/wall"),
    ("site", 'material = "PVC"', 'material = "clay"', "pipe-size-unsure/material"),
    ("site", "epoch = 2026.35", "epoch = 2036.35", "datum-incomplete/epoch-late"),
    ("site", 'line = "L2"\nentry', 'line = "L3"\nentry', "pipe-size-unsure/unknown"),
    ("site", "[dig]", '[[run]]\nid = "R3"\nline = "L1"\nentry = "CO3"\nflow = "with"\n[dig]',
     "line-not-located/empty-run"),
    ("stops", "R1,1,4.2,40", "R1,1,0.2,40", "counter-wrong/before-entry"),
    ("stops", "R2,1,5.5", "R2,2,7,,,\nR2,1,5.5", "stop-not-located/unmarked"),
    ("exposures", "95.1", "", "level-missing/exposure-in-plan"),
    ("exposures", "95.1,,,,,,outside_top", ",,,,,,", "level-missing/exposure-in-plan"),
    ("control", "point\n", "point,made of\n", "input-unused/column"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("dig", "assumed"),
    [('rule = "cga"', False), ("tolerance = 2", False), ('rule = "us-fl"', False), ("", True)],
)
def test_what_nobody_gave_is_known_as_assumed(tmp_path: Path, dig: str, assumed: bool) -> None:
    text = FILES["site.toml"].replace('[dig]\nrule = "cga"\ntolerance = 2', f"[dig]\n{dig}")
    whole = read_site(write(tmp_path, site=text)).settings.assumed
    assert whole.rule == assumed
    for given in ("transmitter_lag = 0.35\n", "ride_height = 30\n", "aerial_height = 0.5\n"):
        assert given in text
        text = text.replace(given, "", 1)
    bare = read_site(write(tmp_path, site=text)).settings.assumed
    first = whole.lag
    assert (len(bare.lag), len(bare.ride), bare.aerial) == (
        len(first) + 1,
        len(whole.ride) + 1,
        True,
    )


@pytest.mark.parametrize(("file", "old", "new", "code"), FINDINGS, ids=[f[3] for f in FINDINGS])
def test_what_is_doubtful_but_no_fault_is_a_finding(
    tmp_path: Path, record: FieldRecord, file: str, old: str, new: str, code: str
) -> None:
    name = "site.toml" if file == "site" else f"{file}.csv"
    text = FILES[name]
    assert old in text
    text = text.replace(old, new)
    if file == "control":
        text = text.replace("P1\n", "P1,brass\n").replace("P2\n", "P2,\n")
    doubtful = read_site(write(tmp_path / "doubtful", **{file: text}))
    new_codes = codes(doubtful)
    for known in codes(record):
        new_codes.remove(known)
    assert code in new_codes


@pytest.mark.parametrize("name", ["Stops.csv", "stop.csv", "stops.txt", "Observation.CSV"])
def test_a_file_that_nearly_has_a_name_is_pointed_out(tmp_path: Path, name: str) -> None:
    folder = write(tmp_path)
    meant = "observations.csv" if name.startswith("O") else "stops.csv"
    (folder / "photo.txt").write_text("not ours", encoding="utf-8")
    if meant == "observations.csv":
        (folder / meant).rename(folder / name)
        assert "input-unused/file" in codes(read_site(folder))
    else:
        (folder / meant).rename(folder / name)
        with pytest.raises(SiteFaultsError, match=r"stops\.csv: file must be") as caught:
            read_site(folder)
        assert f"is {name} meant?" in str(caught.value)
