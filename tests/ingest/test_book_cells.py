"""Whatever a spreadsheet does to a cell is handled, or named by the cell's address."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date, datetime, time
from fractions import Fraction
from pathlib import Path
from zipfile import ZipFile

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet.worksheet import Worksheet

from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.records import FieldRecord
from lateralline.units import feet_and_inches
from lateralline.write.workbook import site_book
from tests.support.finding_names import called

FT = 0.3048
SETTINGS = {
    "site": [{"id": "EX-1", "name": "Example 1", "surveyed": date(2026, 5, 6)}],
    "crs": [{"horizontal": "EPSG:32617", "vertical": "none"}],
    "units": [{"tape": "ft", "level": "ft", "depth": "ft", "counter": "ft", "pipe": "in"}],
    "pipe": [{"line": "L1", "material": "PVC", "nominal": "DN110"}],
    "run": [
        {"id": "R1", "line": "L1", "entry": "CO1", "flow": "with", "transmitter_lag": 1.2,
         "ride_height": 1.2},
    ],
    "dig": [{"rule": "cga"}],
    "receiver": [{"aerial_height": 0}],
}  # fmt: skip
TABLES = {
    "control": [
        {"point": "P1", "x": "500000", "y": "4000000"},
        {"point": "P2", "x": "500020", "y": "4000000"},
    ],
    "marks": [
        {"mark": "1A", "run": "R1", "stop": "1", "kind": "end_null", "method": "offset",
         "base_from": "P1", "base_to": "P2", "base_distance": "10.5", "base_offset": "-2"},
        {"mark": "1B", "run": "R1", "stop": "1", "kind": "mid_null", "method": "ties",
         "ties": "P1:20;P2:30.5", "side": "left"},
        {"mark": "1M", "run": "R1", "stop": "1", "kind": "mid_null", "method": "polar",
         "base_from": "P1", "polar_distance": "12", "polar_azimuth_deg": "90"},
    ],
    "stops": [{"run": "R1", "stop": "1", "counter": "4.5", "depth_reading": "4"}],
}  # fmt: skip


def lean(book: bytes) -> bytes:
    """The book without its notes and drop-downs, which no reader of cells asks for."""
    loaded = load_workbook(io.BytesIO(book))
    for sheet in loaded.worksheets:
        sheet.data_validations.dataValidation.clear()
        for cell in sheet[1]:
            cell.comment = None
    saved = io.BytesIO()
    loaded.save(saved)
    return saved.getvalue()


BASE = lean(site_book(SETTINGS, TABLES))


def read(tmp_path: Path, change: Callable[[Workbook], object] | None = None) -> FieldRecord:
    """Read the example book after `change` was done to it."""
    path = tmp_path / "a.xlsx"
    path.write_bytes(BASE)
    if change is not None:
        book = load_workbook(path)
        change(book)
        book.save(path)
    return read_site(path)


def value_of(section: str, key: str) -> str:
    """The address of a setting."""
    rows = load_workbook(io.BytesIO(BASE))["site"].iter_rows(values_only=True)
    return f"C{[row[:2] for row in rows].index((section, key)) + 1}"


def faults_of(tmp_path: Path, change: Callable[[Workbook], object]) -> list[str]:
    with pytest.raises(SiteFaultsError) as caught:
        read(tmp_path, change)
    return [str(f) for f in caught.value.faults]


def put(sheet: str, **cells: object) -> Callable[[Workbook], None]:
    def change(book: Workbook) -> None:
        for address, value in cells.items():
            book[sheet][address] = value

    return change


def test_the_example_is_sound(tmp_path: Path) -> None:
    record = read(tmp_path)
    assert record.findings == ()
    assert record.marks.spots.file == "a.xlsx marks"
    assert record.marks.spots.row.tolist() == [2, 3, 4]
    assert record.settings.run("R1").transmitter_lag_m == pytest.approx(1.2 * FT)


# Cells: base_distance M, base_offset N, ties Q of marks; counter C, depth_reading D, tilt_deg E of
# stops.

CELLS = [
    ("error value", "stops", {"D2": "#REF!"},
     'a.xlsx stops!D2: depth_reading must be a value; it is an error of the spreadsheet; got '
     '"#REF!" — mend the formula or type it'),
    ("error value in a name", "stops", {"B2": "#N/A"},
     "a.xlsx stops!B2: stop must be a value; it is an error"),
    ("formula without a result", "stops", {"C2": "=4+0.5"},
     "a.xlsx stops!C2: counter must be a value; it is a formula without a stored result — open it"),
    ("formula in a needed setting", "site", {value_of("units", "tape"): "=A1"},
     "a.xlsx site!{at}: tape must be a value; it is a formula without a stored result"),
    ("a fraction that became a date", "stops", {"C2": datetime(2026, 2, 1)},
     'a.xlsx stops!C2: counter must be a number; got "2026-02-01" — the spreadsheet took it for a'),
    ("a name that became a date", "marks", {"A2": date(2026, 1, 2)},
     "a.xlsx marks!A2: mark must be a name of at most 64 characters, without any of / \\ : ; ,; "
     'got "2026-01-02" — the spreadsheet took it for a date'),
    ("a time", "stops", {"D2": time(4, 30)},
     'a.xlsx stops!D2: depth_reading must be a number above 0; got "04:30:00"'),
    ("truth for a number", "stops", {"D2": True},
     'a.xlsx stops!D2: depth_reading must be a number in ft above 0; got "true"'),
    ("decimal comma", "marks", {"N2": "3,2"},
     'a.xlsx marks!N2: base_offset must be a number in ft; got "3,2" — write 3.2'),
    ("decimal comma in a tie", "marks", {"Q3": "P1:20,5;P2:30.5"},
     'a.xlsx marks!Q3: ties must have a distance above 0 in "P1:20,5"; got "P1:20,5;P2:30.5" — '
     "write 20.5"),
    ("thousands", "stops", {"C2": "1,004.5"},
     'a.xlsx stops!C2: counter must be a number in ft; got "1,004.5" — write 1004.5'),
    ("bare fraction in feet", "stops", {"D2": "4 1/2"},
     'a.xlsx stops!D2: depth_reading must be a number in ft above 0; got "4 1/2" — say whether'),
    ("words for a number", "stops", {"C2": "four"},
     'a.xlsx stops!C2: counter must be a number in ft; got "four"'),
    ("out of range", "stops", {"E2": 95},
     'a.xlsx stops!E2: tilt_deg must be a number in deg from -90 to 90; got "95"'),
    ("emptied", "stops", {"B2": None},
     "a.xlsx stops!B2: stop must not be empty"),
    ("unknown value", "marks", {"D2": "end_nul"},
     'a.xlsx marks!D2: kind must be one of end_null, mid_null'),
    ("unknown run", "stops", {"A2": "R7"},
     'a.xlsx stops!A2: run must be a run of the sheet runs; got "R7" — '),
    ("unknown point", "marks", {"K2": "P9"},
     'a.xlsx marks!K2: base_from must be a point of control; got "P9"'),
    ("day as text of another order", "site", {"C4": "6.5.2026"},
     'a.xlsx site!C4: surveyed must be a date such as 2026-05-06'),
    ("unknown unit", "site", {value_of("units", "tape"): "feet"},
     'a.xlsx site!{at}: tape must be one of m, cm, ft, us-ft, in; got "feet" — did you mean "ft"?'),
    ("unknown CRS", "site", {value_of("crs", "horizontal"): "EPSG:99999"},
     'a.xlsx site!{at}: horizontal must be a CRS that PROJ knows, or local; got "EPSG:99999"'),
    ("accuracy of nought", "site", {value_of("accuracy", "gnss_m"): 0},
     'a.xlsx site!{at}: gnss_m must be a number in m above 0; got "0"'),
    ("unknown section", "site", {"A2": "sight"},
     'a.xlsx site!A2: section must be a section of this sheet; got "sight" — did you mean "site"?'),
    ("a repeated section among keys", "site", {"A2": "run"},
     'a.xlsx site!A2: section must be a section of this sheet; got "run" — it has a sheet of its '
     "own, runs"),
    ("unknown key", "site", {"B3": "nam"},
     "a.xlsx site!C3: nam must be a key of [site]"),
    ("key twice", "site", {"B3": "id"},
     'a.xlsx site!B3: key must stand under [site] once; got "id" — see row 2'),
    ("key of no name", "site", {"B3": None},
     "a.xlsx site!B3: key must name a key"),
    ("setting emptied", "site", {"C2": None},
     "a.xlsx site!C2: id must be given in [site]"),
    ("run without flow", "runs", {"E2": None},
     "a.xlsx runs!E2: flow must be given in [[run]]"),
    ("bad number of a run", "runs", {"F2": "1,2"},
     'a.xlsx runs!F2: transmitter_lag must be a number in ft; got "1,2" — write 1.2'),
    ("header of another unit", "marks", {"M1": "base_distance [m]"},
     'a.xlsx marks!M1: base_distance must be in ft, as the site\'s settings say; got "m" — mend'),
    ("unit in a column of many", "marks", {"H1": "z [m]"},
     'a.xlsx marks!H1: z must be in ft'),
    ("unit of a run in another unit", "runs", {"F1": "transmitter_lag [m]"},
     "a.xlsx runs!F2: transmitter_lag must be in ft, as [units] says; m stands beside it"),
    ("header misspelt", "marks", {"M1": "base_distnace [ft]"},
     'a.xlsx marks!M1: header must be a column of marks; got "base_distnace" — did you mean'),
    ("header twice", "marks", {"M1": "base_offset [ft]"},
     'a.xlsx marks!N1: header must name each column once; got "base_offset"'),
    ("header emptied", "marks", {"M1": None},
     "a.xlsx marks!M1: header must name column 13"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "sheet", "cells", "said"), CELLS, ids=[c[0] for c in CELLS])
def test_a_cell_at_fault_is_named_by_its_address(
    tmp_path: Path, what: str, sheet: str, cells: dict[str, object], said: str
) -> None:
    [address] = cells
    faults = faults_of(tmp_path, put(sheet, **cells))
    [named] = [f for f in faults if f.startswith(said.replace("{at}", address))]
    assert sum(f.startswith(named.partition(":")[0] + ":") for f in faults) == 1, faults


def test_all_faults_of_all_sheets_come_at_once(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        for sheet, cells in (
            ("site", {"C4": None}), ("runs", {"E2": "up"}), ("marks", {"M2": "ten", "D3": "nul"}),
            ("stops", {"D2": "#DIV/0!", "C2": "=A1"}), ("control", {"B2": "east"}),
        ):  # fmt: skip
            put(sheet, **cells)(book)

    faults = faults_of(tmp_path, change)
    assert [f.split(":")[0] for f in faults] == [
        "a.xlsx site!C4", "a.xlsx control!B2", "a.xlsx marks!M2", "a.xlsx marks!D3",
        "a.xlsx runs!E2", "a.xlsx stops!C2", "a.xlsx stops!D2",
    ]  # fmt: skip


# ---- what is handled ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "written",
    ["10.50", " 10.5 ", "10.5\u00a0", "\u200b10.5", "10' 6\"", "10’-6”", "10ft 6in", '126"'],
)
def test_numbers_as_text_stray_spaces_and_feet_and_inches_are_read(
    tmp_path: Path, written: str
) -> None:
    record = read(tmp_path, put("marks", M2=written))
    assert record.marks.spots.station_m[0] == 10.5 * FT


def test_ties_counters_depths_and_settings_take_feet_and_inches(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        put("marks", Q3="P1:21' 4 1/2\";P2:15.25")(book)
        put("stops", C2="4' 7 1/2\"", D2="4ft 0in")(book)
        put("runs", F2='14"', J2="1 1/4")(book)

    record = read(tmp_path, change)
    assert record.marks.spots.ties[1] == (("P1", 21.375 * FT), ("P2", 15.25 * FT))
    assert record.stops.counter_m[0] == 4.625 * FT
    assert record.stops.depth_reading_m[0] == 4 * FT
    run = record.settings.run("R1")
    assert run.transmitter_lag_m == float(Fraction(14, 12)) * FT
    assert run.ride_height_m == 1.25 * 0.0254


def test_a_bearing_is_no_length(tmp_path: Path) -> None:
    faults = faults_of(tmp_path, put("marks", P4="45' 6\""))
    assert faults[0].startswith(
        'a.xlsx marks!P4: polar_azimuth_deg must be a number in deg from -360 to 360; got "45\' 6""'
    )


@pytest.mark.parametrize("day", [date(2026, 5, 7), datetime(2026, 5, 7, 14, 30), "2026-05-07"])
def test_days_as_spreadsheets_keep_them(tmp_path: Path, day: object) -> None:
    assert read(tmp_path, put("site", C4=day)).settings.surveyed == date(2026, 5, 7)


def test_days_counted_from_1904(tmp_path: Path) -> None:
    """The other day count of workbooks: its numbers are 1462 lower (ECMA-376, from memory)."""

    def change(book: Workbook) -> None:
        book.epoch = CALENDAR_MAC_1904

    assert read(tmp_path, change).settings.surveyed == date(2026, 5, 6)
    with ZipFile(tmp_path / "a.xlsx") as parts:
        names = load_workbook(tmp_path / "a.xlsx").sheetnames
        site = parts.read(f"xl/worksheets/sheet{names.index('site') + 1}.xml").decode()
        assert 'date1904="1"' in parts.read("xl/workbook.xml").decode().replace("true", "1")
    assert f">{46148 - 1462}<" in site

    def bare(book: Workbook) -> None:
        change(book)
        book["site"]["C4"] = 46148 - 1462
        book["site"]["C4"].number_format = "General"

    assert "would be 2026-05-06" in faults_of(tmp_path, bare)[0]


def with_results(path: Path, sheet: str, results: dict[str, str]) -> None:
    """Give formulas the results a spreadsheet program stores beside them."""
    names = load_workbook(path).sheetnames
    part = f"xl/worksheets/sheet{names.index(sheet) + 1}.xml"
    data, made = path.read_bytes(), io.BytesIO()
    with ZipFile(io.BytesIO(data)) as old, ZipFile(made, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            if name == part:
                for formula, result in results.items():
                    bare = f"<f>{formula}</f><v></v>".encode()
                    alt = f"<f>{formula}</f><v />".encode()
                    filled = f"<f>{formula}</f><v>{result}</v>".encode()
                    assert bare in text or alt in text
                    text = text.replace(bare, filled).replace(alt, filled)
            new.writestr(name, text)
    path.write_bytes(made.getvalue())


def test_formulas_are_read_by_their_stored_results(tmp_path: Path) -> None:
    faults_of(tmp_path, put("stops", C2="=2*2.25", D2="=1+3"))
    with_results(tmp_path / "a.xlsx", "stops", {"2*2.25": "4.5", "1+3": "4"})
    record = read_site(tmp_path / "a.xlsx")
    assert record.stops.counter_m[0] == 4.5 * FT
    assert record.stops.depth_reading_m[0] == 4 * FT


def test_merged_cells_are_named_by_their_range(tmp_path: Path) -> None:
    faults = faults_of(tmp_path, lambda book: book["marks"].merge_cells("B2:B4"))
    assert faults == [
        "a.xlsx marks!B2:B4: run must stand in a cell of its own; B2:B4 are merged into one; "
        'got "R1" — unmerge them and fill each that has a value'
    ]


def test_merged_cells_beside_the_table_do_no_harm(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        sheet = book["stops"]
        sheet["A9"] = "# from the van"
        sheet.merge_cells("A9:D9")
        sheet.merge_cells("A12:D14")  # nothing in them

    assert read(tmp_path, change).findings == ()


def test_hidden_rows_columns_and_sheets_are_read_and_said(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        book["marks"].row_dimensions[3].hidden = True
        book["marks"].row_dimensions[30].hidden = True  # with nothing in it
        book["marks"].column_dimensions["Q"].hidden = True
        book["control"].sheet_state = "hidden"

    record = read(tmp_path, change)
    assert len(record.marks.kind) == 3
    assert [(f.severity, called(f), f.where) for f in record.findings] == [
        ("info", "input-hidden/sheet", "a.xlsx control"),
        ("info", "input-hidden/rows", "a.xlsx marks"),
        ("info", "input-hidden/columns", "a.xlsx marks"),
    ]
    assert "rows 3 are hidden" in record.findings[1].what


def test_empty_rows_remarks_and_own_columns(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        sheet = book["stops"]
        sheet.insert_rows(2, amount=2)
        sheet["A3"] = "# first day"
        sheet["G1"], sheet["G4"] = "Weather [rain]", "wet"
        for line in range(5, 60):
            sheet.cell(line, 3).number_format = "0.00"
            sheet.cell(line, 1, " \u00a0")

    record = read(tmp_path, change)
    assert record.stops.row.tolist() == [4]
    assert record.stops.note.tolist() == ["weather=wet"]
    assert [called(f) for f in record.findings] == ["input-unused/column"]


def test_a_table_may_begin_further_down_and_to_the_right(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        book["stops"].insert_cols(1)
        book["stops"].insert_rows(1, amount=3)
        book["stops"]["E5"] = "five"  # depth_reading, one column on and three rows down

    assert faults_of(tmp_path, change) == [
        'a.xlsx stops!E5: depth_reading must be a number in ft above 0; got "five"'
    ]


# ---- sheets and books -----------------------------------------------------------------------


def test_other_sheets_are_named_and_not_read(tmp_path: Path) -> None:
    def change(book: Workbook) -> None:
        book.create_sheet("prices")["A1"] = "40 a metre"
        book.create_sheet("empty")

    record = read(tmp_path, change)
    assert [(f.severity, called(f), f.subject) for f in record.findings] == [
        ("info", "input-unused/sheet", "sheet prices")
    ]


def renamed(old: str, new: str) -> Callable[[Workbook], None]:
    def change(book: Workbook) -> None:
        book[old].title = new

    return change


def test_a_sheet_of_another_name_is_known_by_its_columns(tmp_path: Path) -> None:
    """What was dug must not be lost to a sheet's name; a copy beside the real one is named."""

    def dug(book: Workbook) -> None:
        book.remove(book["exposures"])
        sheet = book.create_sheet("what we dug")
        sheet.append(["6 May"])
        sheet.append(["name", "run", "method", "x [m]", "y [m]", "measured_to", "weather"])
        sheet.append(["TH1", "R1", "gnss", 500000, 4000000, "invert", "wet"])

    assert faults_of(tmp_path, dug) == [
        'a.xlsx: sheet must have a name of the contract; got "what we dug" — its columns are those '
        "of exposures: name it so"
    ]

    def copied(book: Workbook) -> None:
        book.copy_worksheet(book["stops"]).title = "first go"

    (finding,) = read(tmp_path, copied).findings
    assert (finding.severity, called(finding)) == ("warning", "input-unused/sheet-of-ours")
    assert "the columns are those of stops" in finding.what


@pytest.mark.parametrize(
    ("at", "called", "column"),
    [("D1", "Reading", "depth_reading"), ("E1", "pitch", "tilt_deg"), ("C1", "Cable", "counter")],
)
def test_a_column_that_may_be_ours_is_no_remark(
    tmp_path: Path, at: str, called: str, column: str
) -> None:
    """All readings would be lost with it, unseen."""
    faults = faults_of(tmp_path, put("stops", **{at: called}))
    assert f'— did you mean "{column}"?' in "\n".join(faults)


@pytest.mark.parametrize(
    ("sheet", "at", "header", "column"),
    [
        ("stops", "D1", "depth [ft]", "depth_reading"),
        ("stops", "E1", "Tilt", "tilt_deg"),
        ("marks", "H1", "Elev.", "z"),
        ("marks", "H1", "RL", "z"),
        ("marks", "H1", "Reduced level", "z"),
        ("control", "D1", "height [ft]", "z"),
    ],
)
def test_a_column_called_as_the_trade_calls_it_is_taken_and_told(
    tmp_path: Path, sheet: str, at: str, header: str, column: str
) -> None:
    plain = read(tmp_path, lambda book: None)
    record = read(tmp_path, put(sheet, **{at: header}))
    (told,) = (f for f in record.findings if called(f) == "input-read-as")
    assert (
        told.what == f"a.xlsx {sheet} is read column {header.casefold().split(' [')[0]} as {column}"
    )
    for table in ("control", "stops"):
        assert repr(getattr(record, table)) == repr(getattr(plain, table))
    assert repr(record.marks) == repr(plain.marks)


SHEETS = [
    (renamed("marks", " MARKS "), ""),
    (renamed("marks", "mark"), 'a.xlsx: sheet must have a name of the contract; got "mark" — did'),
    (renamed("site", "remarks"), "a.xlsx: sheet site must be in the workbook: the settings"),
    (lambda book: book.remove(book["stops"]), "a.xlsx: sheet stops must be in the workbook"),
    (lambda book: book.remove(book["observations"]), ""),
    (lambda book: book.remove(book["control"]),
     "a.xlsx control: point must name the control points that"),
    (lambda book: setattr(book["stops"].cell(2_000_000 // 6, 1), "value", "x"),
     "a.xlsx stops: sheet must be a table of field size; it reaches to row 333333 — delete"),
    (put("site", B1="name"), "a.xlsx site:1: header must name the columns section, key, value"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "said"), SHEETS)
def test_sheets_that_are_missing_misnamed_or_endless(
    tmp_path: Path, change: Callable[[Workbook], None], said: str
) -> None:
    if said:
        assert any(f.startswith(said) for f in faults_of(tmp_path, change))
    else:
        assert len(read(tmp_path, change).marks.kind) == 3


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04nonsense", b"point,x,y\n"])
def test_what_is_no_workbook_says_so_once(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a.xlsx").write_bytes(data)
    with pytest.raises(SiteFaultsError) as caught:
        read_site(tmp_path / "a.xlsx")
    [fault] = caught.value.faults
    assert str(fault).startswith("a.xlsx: file must be a readable .xlsx workbook")


def test_settings_stand_in_one_place(tmp_path: Path) -> None:
    read(tmp_path)
    (tmp_path / "site.toml").write_text('[site]\nid = "EX-2"\n')
    with pytest.raises(SiteFaultsError, match="settings must stand in one place"):
        read_site(tmp_path)
    assert read_site(tmp_path / "a.xlsx").settings.id == "EX-1"  # the book alone is a site


def test_a_folder_may_hold_a_book_with_settings_and_a_table_beside_it(tmp_path: Path) -> None:
    faults_of(tmp_path, lambda book: book.remove(book["stops"]))
    (tmp_path / "stops.csv").write_text("run,stop,counter [ft]\nR1,1,4' 6\"\n")
    record = read_site(tmp_path)
    assert record.stops.counter_m.tolist() == [4.5 * FT]
    assert {i.name for i in record.inputs} == {"a.xlsx", "stops.csv"}


# ---- the csv reader, held to the same -------------------------------------------------------


@pytest.mark.parametrize(
    "cell",
    ["4' 7 1/2\"", '"4\' 7 1/2"""', "4'-7 1/2\"", "4’ 7½”", '"55 1/2"""', '55 1/2"', "4ft 7.5in"],
)
def test_quotes_in_csv_fields_doubled_or_bare(tmp_path: Path, cell: str) -> None:
    """A field in quotes doubles those inside (RFC 4180, 2.7); typed by hand it has none around."""
    for name, text in {
        "site.toml": '[site]\nid = "A"\nsurveyed = 2026-05-06\n[crs]\nhorizontal = "local"\n'
        '[units]\ntape = "ft"\nlevel = "ft"\ndepth = "us-ft"\ncounter = "in"\n'
        '[[run]]\nid = "R1"\nline = "L1"\nentry = "C"\nflow = "with"\n'
        'counter_at_entry = "1\' 2\\""\ntransmitter_lag = 0\nride_height = 0\n',
        "control.csv": "point,x,y\nP1,0,0\nP2,30,0\n",
        "marks.csv": "mark,run,stop,kind,method,base_from,base_to,base_distance,base_offset,ties,"
        "side\n"
        f"1A,R1,1,end_null,offset,P1,P2,{cell},-2' 1/2\",,\n"
        "1B,R1,1,mid_null,ties,,,,,P1:21' 4 1/2\";P2:15.25,left\n",
        "stops.csv": f"run,stop,counter,depth_reading\nR1,1,{cell},{cell}\n",
    }.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    record = read_site(tmp_path)
    spots = record.marks.spots
    assert spots.station_m[0] == 4.625 * FT
    assert spots.offset_m[0] == float(Fraction(-49, 24)) * FT
    assert spots.ties[1] == (("P1", 21.375 * FT), ("P2", 15.25 * FT))
    assert record.stops.depth_reading_m[0] == 4.625 * (1200 / 3937)  # survey feet, as declared
    assert record.stops.counter_m[0] == 55.5 * 0.0254
    assert record.settings.run("R1").counter_at_entry_m == 14 * 0.0254


@settings(max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 3000), min_size=1, max_size=6))
def test_a_tape_booked_in_sixteenths_reads_exactly(tmp_path: Path, sixteenths: list[int]) -> None:
    feet = [Fraction(n, 16 * 12) for n in sixteenths]
    marks = [
        {
            **TABLES["marks"][0],
            "mark": f"G{n}",
            "kind": "ground",
            "base_distance": feet_and_inches(f),
        }
        for n, f in enumerate(feet)
    ]
    (tmp_path / "b.xlsx").write_bytes(site_book(SETTINGS, {**TABLES, "marks": marks}))
    found = read_site(tmp_path / "b.xlsx").marks.spots.station_m
    assert found.tolist() == [float(f) * FT for f in feet]


#: What a workbook can hold. Openpyxl notes a cell's type before it refuses the text, so a refused
#: cell cannot be saved any more: texts that no workbook holds are not drawn at all.
TEXT = st.text(st.characters(exclude_categories=["Cs", "Cn"]), max_size=5).filter(
    lambda text: not ILLEGAL_CHARACTERS_RE.search(text)
)
CELL = st.one_of(
    st.none(), st.booleans(), st.integers(-10**12, 10**12), st.floats(allow_nan=False),
    st.datetimes(datetime(1950, 1, 1), datetime(2100, 1, 1)), st.times(),
    st.sampled_from(["", "=1+1", "#REF!", "R1", "1", "P1:3;P2:4", "gnss", "4' 7\"", "#", "nan"]),
    TEXT,
)  # fmt: skip


@settings(
    max_examples=25,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.sampled_from(["site", "runs", "pipes", "control", "marks", "stops"]),
    st.lists(st.tuples(st.integers(1, 5), st.integers(1, 9), CELL), min_size=1, max_size=8),
)
def test_any_cells_read_or_have_faults(
    tmp_path: Path, sheet: str, cells: list[tuple[int, int, object]]
) -> None:
    def change(book: Workbook) -> None:
        into: Worksheet = book[sheet]
        for row, column, value in cells:
            into.cell(row, column).value = value

    try:
        read(tmp_path, change)
    except SiteFaultsError as e:
        for f in e.faults:
            assert f.must.startswith("must")
            assert str(f).isprintable()
