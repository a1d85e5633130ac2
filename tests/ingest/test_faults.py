"""Bad input gets a clear error: file, line, column, value, what would be right; all at once.

The messages are the project's own; nothing published says how an error should read.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lateralline.errors import Fault, SiteFaultsError
from lateralline.ingest import read_site
from tests.support.made_files import CONTROL, EXPOSURES, MARKS, SITE, STOPS, base, faults_of, write


def maybe_faults(folder: Path) -> tuple[Fault, ...]:
    """Read what may be sound; anything raised but SiteFaultsError fails the test."""
    try:
        read_site(folder)
    except SiteFaultsError as e:
        return e.faults
    return ()


def test_the_base_is_sound(tmp_path: Path) -> None:
    record = read_site(write(tmp_path, base()))
    assert not record.findings


# Each row: what is wrong, file, old text → new text, and the whole message or its beginning.
EDITS = [
    # ---- cells
    ("decimal comma", "marks.csv", "13.0,1.2", '13.0,"3,2"',
     'marks.csv:2: base_offset must be a number in ft; got "3,2" — write 3.2'),
    ("decimal comma in a depth", "stops.csv", "3.0,1.2", '3.0,"1,25"',
     'stops.csv:2: depth_reading must be a number in m above 0; got "1,25" — write 1.25'),
    ("decimal comma or thousands", "stops.csv", "3.0,1.2", '"3,200",1.2',
     'stops.csv:2: counter must be a number in m; got "3,200" — write 3.200 or 3200'),
    ("thousands", "marks.csv", "500004.1,4000001.2,100.2,0.02", '"500,004.1",4000001.2,100.2,0.02',
     "marks.csv:5: x must be a number in metre; got \"500,004.1\" — write 500004.1"),
    ("unit in a cell", "stops.csv", "3.0,1.2", "3.0,1.2 m",
     'stops.csv:2: depth_reading must be a number in m above 0; got "1.2 m" — write 1.2: units'),
    ("feet and inches in metres", "stops.csv", "R1,1,3.0", "R1,1,\"5' 6\"\"\"",
     "stops.csv:2: counter must be a number in m; got \"5' 6\"\" — the unit is m: write 1.6764"),
    ("metres in feet", "marks.csv", "P1,P2,13.0", "P1,P2,3.9 m",
     'marks.csv:2: base_distance must be a number in ft; got "3.9 m" — the unit is ft: write'),
    ("half of what", "marks.csv", "P1,P2,13.0", "P1,P2,13 1/2",
     'marks.csv:2: base_distance must be a number in ft; got "13 1/2" — say whether it is feet or'),
    ("a foot of inches too many", "marks.csv", "P1,P2,13.0", "P1,P2,5' 13",
     "marks.csv:2: base_distance must be a number in ft; got \"5' 13\" — inches beside feet stay"),
    ("inches for degrees", "marks.csv", "13.2,45", "13.2,45' 6",
     "marks.csv:4: polar_azimuth_deg must be a number in deg from -360 to 360; got \"45' 6"),
    ("not a number", "stops.csv", "R1,1,3.0", "R1,1,abc",
     'stops.csv:2: counter must be a number in m; got "abc"'),
    ("inf", "stops.csv", "3.0,1.2", "3.0,1.2.3",
     'stops.csv:2: depth_reading must be a number in m above 0; got "1.2.3"'),
    ("number that overflows", "stops.csv", "R1,1,3.0", "R1,1,1e400",
     'stops.csv:2: counter must be a number in m; got "1e400"'),
    ("number no field has", "stops.csv", "R1,1,3.0", "R1,1,1e10",
     'stops.csv:2: counter must be a number in m; got "1e10"'),
    ("digits of code", "stops.csv", "R1,1,3.0", "R1,1,1_000",
     'stops.csv:2: counter must be a number in m; got "1_000"'),
    ("depth of nought", "stops.csv", "3.0,1.2", "3.0,0",
     'stops.csv:2: depth_reading must be a number in m above 0; got "0"'),
    ("tilt too steep", "stops.csv", "1.3,2.5", "1.3,95",
     'stops.csv:3: tilt_deg must be a number in deg from -90 to 90; got "95"'),
    ("clock of 13", "observations.csv", "4.2,2,4", "4.2,13,4",
     'observations.csv:2: clock_from must be a whole number from 1 to 12; got "13"'),
    ("clock of 0", "observations.csv", "4.2,2,4", "4.2,2,0",
     'observations.csv:2: clock_to must be a whole number from 1 to 12; got "0"'),
    ("clock to nowhere", "observations.csv", "4.2,2,4", "4.2,,4",
     "observations.csv:2: clock_from must be given with clock_to"),
    ("unknown kind", "marks.csv", "R1,1,mid_null", "R1,1,mid_nul",
     "marks.csv:4: kind must be one of end_null, mid_null, peak_total, peak_axial, peak, ground; "
     'got "mid_nul" — did you mean "mid_null"?'),
    ("unknown method", "marks.csv", "mid_null,polar", "mid_null,laser",
     'marks.csv:4: method must be one of gnss, offset, ties, polar; got "laser"'),
    ("unknown measured_to", "exposures.csv", "invert", "top",
     "exposures.csv:2: measured_to must be one of invert, inside_top, outside_top, transmitter"),
    ("depth of nobody knows what", "exposures.csv", "invert", "",
     "exposures.csv:2: measured_to must be given where z or depth is: what was seen — one "
     "of invert, inside_top, outside_top, transmitter"),
    ("required choice empty", "marks.csv", "R1,1,mid_null,polar", "R1,1,,polar",
     "marks.csv:4: kind must not be empty — one of end_null, mid_null, peak_total"),
    ("required cell empty", "stops.csv", "R1,1,3.0", "R1,,3.0",
     "stops.csv:2: stop must not be empty"),
    ("control character", "marks.csv", "1A,R1", "1A\x1b,R1",
     "marks.csv:2: mark must be a name of at most 64 characters, without any of / \\ : ; ,; got "
     '"1A\\u001b" — retype it: it holds a control character'),
    ("stop name with a slash", "stops.csv", "R1,1,", "R1,1/2,",
     "stops.csv:2: stop must be a name of at most 64 characters, without any of / \\ : ; ,; got "
     '"1/2" — it holds /'),
    # ---- the csv itself
    ("header twice", "stops.csv", "tilt_deg,note", "tilt_deg,counter",
     'stops.csv:1: header must name each column once; got "counter"'),
    ("header missing", "stops.csv", "run,stop,counter", "run,rest,counter",
     "stops.csv:1: stop must be a column of the header; it is missing — the header has"),
    ("header misspelt", "stops.csv", "depth_reading", "depth_reding",
     'stops.csv:1: header must be a column of stops; got "depth_reding" — did you mean'),
    ("header empty", "stops.csv", "tilt_deg,note", ",note",
     "stops.csv:1: header must name column 5"),
    ("short row", "stops.csv", "R1,1,3.0,1.2,,", "R1,1,3.0,1.2",
     'stops.csv:2: row must have 6 cells; got "4 cells" — empty cells still need their commas'),
    ("long row", "stops.csv", "R1,1,3.0,1.2,,", "R1,1,3.0,1.2,,one, two",
     'stops.csv:2: row must have 6 cells; got "7 cells" — a decimal comma is written'),
    ("decimal comma that shifts a row", "stops.csv", "R1,1,3.0,1.2,,", "R1,1,3,05,1.2,,",
     'stops.csv:2: row must have 6 cells; got "7 cells" — a decimal comma is written as a point'),
    ("decimal comma in control", "control.csv", "500020.00,4000000.00,100.1,,",
     "500020,00,4000000.00,100.1,,", 'control.csv:3: row must have 6 cells; got "7 cells"'),
    ("decimal comma in an offset", "marks.csv", "13.0,1.2,,", "13.0,1,2,,",
     'marks.csv:2: row must have 19 cells; got "20 cells"'),
    ("empty file", "stops.csv", STOPS, "",
     "stops.csv: file must begin with a header row; it is empty"),
    ("only blanks", "marks.csv", MARKS, "\n , ,\n# a note\n",
     "marks.csv: file must begin with a header row; it is empty"),
    ("quote left open", "stops.csv", "R2,1,5.0", '"R2,1,5.0',
     "stops.csv:3: row must be comma separated text"),
    ("NUL byte", "stops.csv", "R2,1", "R2\0,1",
     "stops.csv:3: file must be text; it holds a NUL byte"),
    # ---- how spots were measured
    ("gnss without y", "marks.csv", "500004.1,4000001.2,100.2,0.02", "500004.1,,100.2,0.02",
     "marks.csv:5: y must be given for method gnss"),
    ("offset without offset", "marks.csv", "13.0,1.2", "13.0,",
     "marks.csv:2: base_offset must be given for method offset"),
    ("offset without baseline", "marks.csv", "P1,P2,13.0", "P1,,13.0",
     "marks.csv:2: base_to must be given for method offset"),
    ("ties without ties", "marks.csv", "P1:26.32;P2:44.85,left", ",left",
     "marks.csv:3: ties must be given for method ties"),
    ("polar without distance", "marks.csv", "13.2,45", ",45",
     "marks.csv:4: polar_distance must be given for method polar"),
    ("column of another method", "marks.csv", "1A,R1,1,end_null,offset,,",
     "1A,R1,1,end_null,offset,500001,",
     'marks.csv:2: x must be empty for method offset; got "500001.0" — it is of gnss'),
    ("polar back to front", "marks.csv", "13.2,45", "-13.2,45",
     "marks.csv:4: polar_distance must be a number in ft of at least 0"),
    ("bearing too large", "marks.csv", "13.2,45", "13.2,450",
     "marks.csv:4: polar_azimuth_deg must be a number in deg from -360 to 360"),
    ("two ties without a side", "marks.csv", "P2:44.85,left", "P2:44.85,",
     "marks.csv:3: side must be left or right with two ties"),
    ("tie malformed", "marks.csv", "P1:26.32;P2:44.85,left", "P1:26.32;P2=44.85,left",
     'marks.csv:3: ties must be point:distance;point:distance; "P2=44.85" is not'),
    ("tie with a decimal comma", "marks.csv", "P1:26.32;P2:44.85,left", '"P1:26,32;P2:44.85",left',
     'marks.csv:3: ties must have a distance above 0 in "P1:26,32"; got "P1:26,32;P2:44.85" '
     "— write 26.32"),
    ("tie of no length", "marks.csv", "P1:26.32;P2:44.85,left", "P1:0;P2:44.85,left",
     'marks.csv:3: ties must have a distance above 0 in "P1:0"'),
    ("same tie twice", "marks.csv", "P1:26.32;P2:44.85;P3:50", "P1:26.32;P2:44.85;P2:44.9",
     "marks.csv:6: ties must name each point once; P2 stands there twice"),
    ("one tie", "marks.csv", "P1:26.32;P2:44.85,left", "P1:26.32,left",
     "marks.csv:3: ties must hold two ties or more"),
    ("tie to an unknown point", "marks.csv", "P1:26.32;P2:44.85,left", "P1:26.32;P22:44.85,left",
     'marks.csv:3: ties must name points of control; "P22" is not one; got '
     '"P1:26.32;P22:44.85" — did you mean "P2"?'),
    ("unknown baseline point", "marks.csv", "P1,P2,13.0", "P1,PP2,13.0",
     'marks.csv:2: base_to must be a point of control; got "PP2" — did you mean "P2"?'),
    ("baseline of one point", "marks.csv", "P1,P2,13.0", "P1,P1,13.0",
     "marks.csv:2: base_to must be another point than base_from"),
    ("no control at all", "control.csv", CONTROL, "point,x,y\n",
     "control.csv: point must name the control points that offset, ties and polar start from"),
    # ---- names and references
    ("mark twice", "marks.csv", "1B,R1", "1A,R1",
     'marks.csv:3: mark must name each mark once; got "1A" — it stands in line 2 too'),
    ("stop twice", "stops.csv", "R2,1,5.0", "R1,1,5.0",
     "stops.csv:3: stop must name each stop of a run once"),
    ("control twice", "control.csv", "P3,", "P2,",
     "control.csv:4: point must name each control point once"),
    ("exposure twice", "exposures.csv", EXPOSURES, EXPOSURES + EXPOSURES.splitlines()[1] + "\n",
     "exposures.csv:3: name must name each exposure once"),
    ("mark of an unknown run", "marks.csv", "1A,R1", "1A,R11",
     'marks.csv:2: run must be a run of site.toml; got "R11" — did you mean "R1"?'),
    ("mark of an unknown stop", "marks.csv", "1A,R1,1", "1A,R1,7",
     'marks.csv:2: stop must be a stop of run R1 in stops; got "7" — known: 1'),
    ("mark without a stop", "marks.csv", "1A,R1,1", "1A,R1,",
     "marks.csv:2: stop must be given, except for a ground shot"),
    ("stop of an unknown run", "stops.csv", "R2,1,5.0", "R3,1,5.0",
     "stops.csv:3: run must be a run of site.toml"),
    ("observation of an unknown run", "observations.csv", "R1,4.2", "R3,4.2",
     "observations.csv:2: run must be a run of site.toml"),
    ("third end null", "marks.csv", "R1,1,mid_null", "R1,1,end_null",
     "marks.csv:4: kind must be end_null at most twice at stop R1/1"),
    ("exposure of nothing", "exposures.csv", "CO1,R1,,0,", "CO1,,,,",
     "exposures.csv:2: line must be given when run is not"),
    ("exposure of an unknown line", "exposures.csv", "CO1,R1,,0", "CO1,,L9,",
     "exposures.csv:2: line must be a line of a run or pipe"),
    ("exposure of another line", "exposures.csv", "CO1,R1,,0", "CO1,R1,L2,0",
     "exposures.csv:2: line must be the line of run R1, L1"),
    ("exposure counter without run", "exposures.csv", "CO1,R1,,0", "CO1,,L1,0",
     "exposures.csv:2: run must be given with counter"),
    # ---- site.toml
    ("not TOML", "site.toml", "[crs]", "[crs",
     "site.toml:5: file must be TOML"),
    ("unknown section", "site.toml", "[crs]", "[csr]",
     "site.toml:5: csr must be a known section — did you mean [crs]?"),
    ("unknown key", "site.toml", 'material = "PVC"', 'matrial = "PVC"',
     'site.toml:16: matrial must be a key of [pipe] — did you mean "material"?'),
    ("key in the wrong section", "site.toml", 'counter = "m"', 'counter = "m"\ntape_m = 0.02',
     "site.toml:13: tape_m must be a key of [units] — tape_m stands under [accuracy]"),
    ("section written once", "site.toml", SITE[SITE.index("[[branch]]"):],
     '[branch]\nline = "L2"\n',
     "site.toml:40: branch must be a section — write [[branch]]"),
    ("section written as a value", "site.toml", "[site]", "accuracy = 3\n[site]",
     "site.toml:1: accuracy must be a section — write [accuracy]"),
    ("id with a blank", "site.toml", '"EX-001"', '"EX 001"',
     'site.toml:2: id must be letters, digits, - and _, at most 64; got "EX 001"'),
    ("id missing", "site.toml", 'id = "EX-001"\n', "",
     "site.toml:1: id must be given in [site] — Letters, digits, - and _"),
    ("date in quotes", "site.toml", "2026-05-06", '"2026-05-06"',
     "site.toml:3: surveyed must be a date such as 2026-05-06, without quotes"),
    ("number in quotes", "site.toml", "transmitter_lag = 0.35", 'transmitter_lag = "0.35"',
     "site.toml:29: transmitter_lag must be a number in m"),
    ("truth for a number", "site.toml", "ride_height = 0.03", "ride_height = true",
     "site.toml:30: ride_height must be a number in ft of at least 0"),
    ("a receiver's accuracy alone", "site.toml", "aerial_height =", "aerial_height_sigma =",
     "site.toml:50: aerial_height_sigma must come with aerial_height"),
    ("infinite", "site.toml", "ride_height = 0.03", "ride_height = inf",
     "site.toml:30: ride_height must be a number in ft of at least 0"),
    ("unknown unit", "site.toml", 'tape = "ft"', 'tape = "feet"',
     'site.toml:9: tape must be one of m, cm, ft, us-ft, in; got "feet" — did you mean "ft"?'),
    ("unit missing", "site.toml", 'depth = "m"\n', "",
     "site.toml:8: depth must be given in [units]"),
    ("accuracy of nought", "site.toml", "[[pipe]]", "[accuracy]\ngnss_m = 0\n[[pipe]]",
     'site.toml:15: gnss_m must be a number in m above 0; got "0"'),
    ("unknown CRS", "site.toml", "EPSG:32617", "EPSG:99999",
     'site.toml:6: horizontal must be a CRS that PROJ knows, or local; got "EPSG:99999"'),
    ("CRS that is a number", "site.toml", '"EPSG:32617"', "32617",
     'site.toml:6: horizontal must be text; got "32617" — write it in quotes'),
    ("geocentric CRS", "site.toml", "EPSG:32617", "EPSG:4978",
     "site.toml:6: horizontal must be a projected or geographic CRS"),
    ("vertical CRS not known", "site.toml", '"EPSG:32617"', '"EPSG:32617"\nvertical = "EPSG:99999"',
     "site.toml:7: vertical must be none, ellipsoidal or a height CRS that PROJ knows"),
    ("vertical CRS not vertical", "site.toml", '"EPSG:32617"',
     '"EPSG:32617"\nvertical = "EPSG:4326"',
     "site.toml:7: vertical must be a height CRS, positive up; WGS 84 is not"),
    ("depth for a height", "site.toml", '"EPSG:32617"', '"EPSG:32617"\nvertical = "EPSG:5715"',
     "site.toml:7: vertical must be a height CRS, positive up; MSL depth is not"),
    ("two height systems", "site.toml", '"EPSG:32617"', '"EPSG:32617+5703"\nvertical = "EPSG:5773"',
     "site.toml:7: vertical must be none or NAVD88 height"),
    ("ellipsoid of a sketch", "site.toml", '"EPSG:32617"', '"local"\nvertical = "ellipsoidal"',
     'site.toml:7: vertical must be "none" or a height CRS when'),
    ("epoch before satellites", "site.toml", '"EPSG:32617"', '"EPSG:32617"\nepoch = 26.35',
     "site.toml:7: epoch must be a number in a from 1980 to 2100"),
    ("unknown pipe size", "site.toml", '"DN110"', '"DN111"',
     "site.toml:17: nominal must be in the pipe table, or inside_diameter and wall given; "
     'got "DN111" — did you mean "DN110"?'),
    ("pipe size left open", "site.toml", '"DN110"', '"4 in"',
     "site.toml:17: nominal must be in the pipe table, or inside_diameter and wall given; "
     'got "4 in" — say which: 4 in SCH40, 4 in SDR35'),
    ("bore in the wrong unit", "site.toml", 'nominal = "DN110"', "inside_diameter = 104",
     "site.toml:17: inside_diameter must be between 0.02 and 5 m; it comes out as 31.7 m"),
    ("ride above the crown", "site.toml", "ride_height = 0.03", "ride_height = 3",
     "site.toml:30: ride_height must be less than the inside diameter, 0.104 m"),
    ("run twice", "site.toml", 'id = "R2"', 'id = "R1"',
     "site.toml:33: id must name each run once; got \"R1\" — it stands in line 25 too"),
    ("pipe twice", "site.toml", 'line = "L2"\nmaterial', 'line = "L1"\nmaterial',
     "site.toml:20: line must describe each line once"),
    ("branch of no line", "site.toml", 'line = "L2"\njoins', 'line = "L22"\njoins',
     'site.toml:41: line must be a line of a run or pipe; got "L22" — did you mean "L2"?'),
    ("branch to no line", "site.toml", 'joins = "L1"', 'joins = "L3"',
     "site.toml:42: joins must be a line of a run or pipe"),
    ("branch to itself", "site.toml", 'joins = "L1"', 'joins = "L2"',
     "site.toml:42: joins must lead away from the line"),
    ("at_counter without run", "site.toml", 'run = "R1"\n', "",
     "site.toml:40: run must be given with at_counter"),
    ("branch on no run", "site.toml", 'run = "R1"\n', 'run = "R7"\n',
     "site.toml:44: run must be a run of site.toml"),
    ("unknown dig rule", "site.toml", 'rule = "cga"', 'rule = "cgaa"',
     'site.toml:47: rule must be a known dig rule; got "cgaa" — did you mean "cga"?'),
]  # fmt: skip


@pytest.mark.parametrize(
    ("file", "old", "new", "message"), [e[1:] for e in EDITS], ids=[e[0] for e in EDITS]
)
def test_a_fault_says_where_what_and_how(
    tmp_path: Path, file: str, old: str, new: str, message: str
) -> None:
    files = base()
    assert old in files[file]
    files[file] = files[file].replace(old, new, 1)
    faults = faults_of(write(tmp_path, files))
    assert any(f.startswith(message) for f in faults), "\n".join(faults)


# What must not drag other faults behind it: one edit, one message.
ALONE = (
    "decimal comma", "not a number", "unknown method", "unknown kind", "two ties without a side",
    "short row", "long row", "decimal comma that shifts a row", "decimal comma in control",
    "decimal comma in an offset", "quote left open", "NUL byte", "empty file",
    "header misspelt", "no control at all", "unknown unit", "unknown CRS", "vertical CRS not known",
    "unknown key", "unknown pipe size", "mark twice", "third end null", "tie malformed",
    "not TOML", "date in quotes", "id missing", "unknown baseline point",
)  # fmt: skip


@pytest.mark.parametrize("edit", [e for e in EDITS if e[0] in ALONE], ids=lambda e: e[0])
def test_one_fault_brings_one_message(tmp_path: Path, edit: tuple[str, str, str, str, str]) -> None:
    _, file, old, new, _ = edit
    files = base()
    files[file] = files[file].replace(old, new, 1)
    assert len(faults := faults_of(write(tmp_path, files))) == 1, "\n".join(faults)


# One row of stops at fault, in whatever column, is no reason to blame the marks of that stop.
@pytest.mark.parametrize(
    "row", ["R1,1,3.0,3.94ft,,", "R1,1x,3.0,3.94ft,,", "R11,1,3.0,1.2,,", ",1,3,1,,",
            "R1,,3.0,1.2,,", "R1,1,3,05,1.2,,", "1,3.0,1.2,,,"]
)  # fmt: skip
def test_a_stop_at_fault_still_stands_for_its_marks(tmp_path: Path, row: str) -> None:
    files = base() | {"stops.csv": STOPS.replace("R1,1,3.0,1.2,,", row)}
    faults = faults_of(write(tmp_path, files))
    assert all(f.startswith("stops.csv:2: ") for f in faults), "\n".join(faults)


def test_a_stop_named_twice_may_be_the_missing_one(tmp_path: Path) -> None:
    files = base() | {"stops.csv": STOPS + "R2,1,6.0,1.3,,\n"}
    files["marks.csv"] = files["marks.csv"].replace("2P,R2,1", "2P,R2,2")
    assert [f[:11] for f in faults_of(write(tmp_path, files))] == ["stops.csv:4"]


def test_a_bad_cell_does_not_excuse_marks_of_no_stop(tmp_path: Path) -> None:
    files = base() | {"stops.csv": STOPS.replace("3.0,1.2", "3.0,1.2ft")}
    files["marks.csv"] = files["marks.csv"].replace("1A,R1,1", "1A,R1,7")
    assert [f[:11] for f in faults_of(write(tmp_path, files))] == ["marks.csv:2", "stops.csv:2"]


def test_all_faults_of_all_files_come_at_once(tmp_path: Path) -> None:
    files = base()
    planted = (
        "decimal comma", "two ties without a side", "unknown method", "tilt too steep",
        "not a number", "unknown measured_to", "unknown unit", "epoch before satellites",
        "unknown pipe size", "branch of no line",
    )  # fmt: skip
    for _, file, old, new, _ in (e for e in EDITS if e[0] in planted):
        assert old in files[file]
        files[file] = files[file].replace(old, new, 1)
    files["control.csv"] += "P1,1,1,,,\n"
    del files["observations.csv"]  # an optional file that is not there is no fault
    faults = faults_of(write(tmp_path, files))
    assert {re.split(r"[:\s]", f)[0] for f in faults} == {
        "site.toml", "control.csv", "marks.csv", "stops.csv", "exposures.csv"
    }  # fmt: skip
    assert len(faults) == len(planted) + 1


def test_a_bad_cell_does_not_hide_the_rest_of_its_row(tmp_path: Path) -> None:
    files = base()
    files["marks.csv"] = files["marks.csv"].replace(
        "1A,R1,1,end_null,offset,,,100.0,,,P1,P2,13.0,1.2",
        "1A,R9,1,end_null,offset,,,high,,,P1,P9,13.0,x",
    )
    faults = faults_of(write(tmp_path, files))
    assert [f.split(" ")[1] for f in faults] == ["base_offset", "base_to", "run", "z"]


def padded(text: str, commas: str = ",,") -> str:
    return "".join(f"{line}{commas}\n" for line in text.splitlines())


def test_a_file_padded_alike_is_how_spreadsheets_save(tmp_path: Path) -> None:
    files = base() | {"stops.csv": padded(STOPS), "control.csv": padded(CONTROL, ",")}
    assert not maybe_faults(write(tmp_path, files))


@pytest.mark.parametrize(
    ("old", "new", "cells"), [("3.0,", "3,0,", 9), (",,,,\n", ",,\n", 6), (",,,,\n", ",,,,,\n", 9)]
)
def test_a_row_padded_otherwise_than_its_file_is_a_fault(
    tmp_path: Path, old: str, new: str, cells: int
) -> None:
    files = base() | {"stops.csv": padded(STOPS).replace(old, new, 1)}
    (fault,) = faults_of(write(tmp_path, files))
    assert fault.startswith(f'stops.csv:2: row must have 8 cells; got "{cells} cells"')


def test_utf_16_without_its_mark_is_no_text(tmp_path: Path) -> None:
    folder = write(tmp_path, base())
    (folder / "stops.csv").write_bytes(STOPS.encode("utf-16-le"))
    (fault,) = faults_of(folder)
    assert fault.startswith("stops.csv:1: file must be text; it holds a NUL byte")


def test_lines_are_counted_through_quoted_line_breaks_and_comments(tmp_path: Path) -> None:
    files = base()
    files["stops.csv"] = (
        "# made by hand\n\nrun,stop,counter,note\n"
        'R1,1,3.0,"two\n# not a comment\nlines"\n#R1,9,x,\n"# a, quoted comment",,,\nR2,1,five,\n'
    )
    assert faults_of(write(tmp_path, files)) == [
        'stops.csv:9: counter must be a number in m; got "five"'
    ]


@pytest.mark.parametrize("missing", ["site.toml", "marks.csv", "stops.csv"])
def test_a_needed_file_that_is_missing(tmp_path: Path, missing: str) -> None:
    files = base()
    del files[missing]
    faults = faults_of(write(tmp_path, files))
    assert len(faults) == 1
    assert faults[0].startswith(f"{missing}: file must be in the site folder")


def test_a_folder_that_is_none(tmp_path: Path) -> None:
    assert faults_of(tmp_path / "nowhere")[0].startswith("nowhere: folder must be a folder")


def test_longitude_and_latitude_out_of_range(tmp_path: Path) -> None:
    files = base()
    files["site.toml"] = SITE.replace("EPSG:32617", "EPSG:4326")
    files["control.csv"] = "point,x,y\nP1,-81.1,35.2\nP2,35.2,-181.1\nP3,-281.0,35.2\n"
    files["marks.csv"] = MARKS.replace("500004.1,4000001.2", "-81.1,135.2")
    faults = faults_of(write(tmp_path, files))
    assert faults == [
        "control.csv:3: y must be a latitude in degrees from -90 to 90; "
        'got "-181.1" — x is longitude, y is latitude',
        'control.csv:4: x must be a longitude in degrees from -180 to 360; got "-281.0"',
        "marks.csv:5: y must be a latitude in degrees from -90 to 90; "
        'got "135.2" — x is longitude, y is latitude',
        "marks.csv:7: y must be a latitude in degrees from -90 to 90; "
        'got "135.2" — x is longitude, y is latitude',
    ]


# ---- whatever stands in the files, only SiteFaultsError comes out ---------------------------

CELL = st.one_of(
    st.sampled_from(
        ["", "R1", "1", "P1", "P2", "gnss", "ties", "P1:3;P2:4", "left", "end_null", "-1.5", "1e9",
         "nan", '"', "#", ";", "P1:;:", "\ufeff", "ground", "polar", "offset", "1e308", "٣"]
    ),
    st.text(max_size=6),
)  # fmt: skip
TABLE = st.lists(st.lists(CELL, max_size=18), max_size=6)


@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    rows=TABLE, file=st.sampled_from([f for f in base() if f.endswith(".csv")]), keep=st.booleans()
)
def test_any_csv_reads_or_has_faults(
    tmp_path: Path, rows: list[list[str]], file: str, keep: bool
) -> None:
    head = base()[file].splitlines()[0] + "\n" if keep else ""
    width = head.count(",") + 1
    fit = [(r + [""] * width)[:width] for r in rows] if keep else rows
    files = base() | {file: head + "\n".join(",".join(r) for r in fit)}
    folder = write(tmp_path, {k: v.encode("utf-8", "surrogatepass") for k, v in files.items()})
    for f in maybe_faults(folder):
        assert f.file
        assert f.must.startswith("must")
        assert str(f).isprintable()


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.binary(max_size=80), file=st.sampled_from([*base(), "field.xlsx"]))
def test_any_bytes_have_faults(tmp_path: Path, data: bytes, file: str) -> None:
    folder = write(tmp_path, base())
    (folder / file).write_bytes(data)
    try:
        with pytest.raises(SiteFaultsError):
            read_site(folder)
    finally:
        (folder / file).unlink()


VALUE = st.recursive(
    st.one_of(
        st.none().map(lambda _: 0), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)
    ),
    lambda inner: st.lists(inner, max_size=2),
    max_leaves=3,
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(line=st.integers(0, SITE.count("\n") - 1), value=VALUE)
def test_any_value_in_site_toml_reads_or_has_faults(
    tmp_path: Path, line: int, value: object
) -> None:
    lines = SITE.splitlines()
    key, equals, _ = lines[line].partition(" = ")
    text = repr(value).lower() if isinstance(value, (bool, float)) else str(value)
    lines[line] = f"{key} = {text}" if equals else f"x = {text}"
    folder = write(tmp_path, base() | {"site.toml": ""})
    (folder / "site.toml").write_bytes("\n".join(lines).encode("utf-8", "surrogatepass"))
    assert all(f.file == "site.toml" or f.row for f in maybe_faults(folder))
