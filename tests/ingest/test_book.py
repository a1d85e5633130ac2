"""A workbook to fill in: made from the contract, read back as its csv files are, held to by Excel.

What a spreadsheet program makes of it is asked of the XML it opens, by ECMA-376 (from memory), and
of a second reader, pandas.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
from datetime import date
from pathlib import Path
from xml.etree import ElementTree
from zipfile import ZipFile

import pandas as pd
import pytest
from openpyxl import load_workbook
from openpyxl.utils import get_column_letter
from typer.testing import CliRunner

from lateralline import contract
from lateralline.api.sites import find_sites, named_sites
from lateralline.cli import app
from lateralline.errors import SiteFaultsError
from lateralline.ingest import read_site
from lateralline.ingest.site_input import raw_site
from lateralline.ingest.workbook import SECTION_SHEETS, SITE_HEADER, TABLES
from lateralline.simulate import SCENARIOS, make_site
from lateralline.stages import SiteResult, run_site
from lateralline.template import new_site_settings
from lateralline.write.workbook import site_book
from tests.support.finding_names import OF_A_NEW_SITE, called
from tests.support.places import SAMPLES
from tests.support.sameness import same

SOUND = [s.name for s in SCENARIOS.values() if s.name != "faulty"]
DAY = date(2026, 5, 6)
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def book_of(source: Path, book: Path) -> Path:
    raw = raw_site(source)
    book.write_bytes(site_book(raw.settings, raw.tables))
    return book


def without_ids(site: Path, to: Path) -> Path:
    """A copy of a site as a crew has it, ids that builds keep and photos left out.

    Ids never stand in a book, and its photos lie beside it.
    """
    if site.is_dir():
        return shutil.copytree(site, to, ignore=shutil.ignore_patterns("ids.csv", "photos*"))
    return Path(shutil.copyfile(site, to))


def run(*arguments: object) -> str:
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def blank() -> bytes:
    return site_book(new_site_settings("EX-001", surveyed=DAY, unit="ft", horizontal="EPSG:3734"))


def xml_of(book: bytes, sheet: str) -> ElementTree.Element:
    """The part of a sheet, found as a spreadsheet program does: by its place in the workbook."""
    names = load_workbook(io.BytesIO(book)).sheetnames
    with ZipFile(io.BytesIO(book)) as parts:
        data = parts.read(f"xl/worksheets/sheet{names.index(sheet) + 1}.xml")
    return ElementTree.fromstring(data)


# ---- round trips ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", SOUND)
def test_every_sample_site_reads_the_same_from_a_book(name: str, tmp_path: Path) -> None:
    site = without_ids(SAMPLES / name, tmp_path / "folder")
    book, folder = read_site(book_of(site, tmp_path / "a.xlsx")), read_site(site)
    assert same(book, folder, but=["dimensions_from"])
    found = [(called(f), f.subject) for f in folder.findings]
    assert [(called(f), f.subject) for f in book.findings] == found
    assert [i.name for i in book.inputs] == ["a.xlsx"]
    assert book.inputs[0].rows == sum(i.rows for i in folder.inputs)


def test_a_book_of_a_book_is_the_same_bytes(tmp_path: Path) -> None:
    one = book_of(SAMPLES / "tape-ties", tmp_path / "a.xlsx")
    two = book_of(one, tmp_path / "b.xlsx")
    assert same(read_site(one), read_site(two), but=["dimensions_from"])
    assert book_of(two, tmp_path / "c.xlsx").read_bytes() == two.read_bytes()


def test_equal_content_gives_equal_bytes_whatever_the_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = book_of(SAMPLES / "tape-ties", tmp_path / "a.xlsx").read_bytes()
    monkeypatch.setattr("time.localtime", lambda *_: (1999, 1, 2, 3, 4, 5, 6, 7, 0))
    assert book_of(SAMPLES / "tape-ties", tmp_path / "b.xlsx").read_bytes() == one


def test_pandas_reads_the_same_cells(tmp_path: Path) -> None:
    book = book_of(SAMPLES / "tape-ties", tmp_path / "a.xlsx")
    marks = pd.read_excel(book, sheet_name="marks", dtype=object)
    given = list(csv.DictReader(io.StringIO((SAMPLES / "tape-ties" / "marks.csv").read_text())))
    assert len(marks) == len(given)
    assert marks["base_distance [ft]"].dropna().tolist() == [
        float(r["base_distance"]) for r in given if r["base_distance"]
    ]
    assert marks["stop"].tolist() == [r["stop"] for r in given]  # text, not numbers
    assert marks["paint"].tolist() == [r["paint"] for r in given]  # the crew's own column is kept


def test_text_that_looks_like_a_formula_or_an_error_stays_text(tmp_path: Path) -> None:
    raw = raw_site(SAMPLES / "tape-ties")
    notes = ["=1+1", "#N/A", "@sum", "2026-05-06"]
    marks = [{**r, "note": n} for r, n in zip(raw.tables["marks"], notes, strict=False)]
    rest = raw.tables["marks"][len(notes) :]
    book = tmp_path / "a.xlsx"
    book.write_bytes(site_book(raw.settings, {**raw.tables, "marks": [*marks, *rest]}))
    assert [n.partition(";")[0] for n in read_site(book).marks.spots.note[:4]] == notes


# ---- a new book -----------------------------------------------------------------------------


@pytest.mark.parametrize("unit", ["m", "cm", "ft", "us-ft", "in"])
def test_a_new_book_reads_and_says_there_are_no_stops(tmp_path: Path, unit: str) -> None:
    book = tmp_path / "EX-001.xlsx"
    settings = new_site_settings("EX-001", surveyed=DAY, unit=unit)
    settings["run"][0]["flow"] = "with"
    book.write_bytes(site_book(settings))
    record = read_site(book)
    assert record.settings.surveyed == DAY
    assert {record.settings.units[k] for k in ("tape", "level", "depth", "counter")} == {unit}
    assert {called(f) for f in record.findings} == OF_A_NEW_SITE


def test_a_day_not_written_yet_is_named_by_its_cell(tmp_path: Path) -> None:
    book = tmp_path / "EX-001.xlsx"
    book.write_bytes(site_book(new_site_settings("EX-001")))
    with pytest.raises(SiteFaultsError) as caught:
        read_site(book)
    assert [str(f) for f in caught.value.faults] == [
        "EX-001.xlsx site!C4: surveyed must be given in [site] — Day of survey",
        "EX-001.xlsx runs!E2: flow must be given in [[run]] — "
        "must be one of with, against, unknown",
    ]


def test_it_holds_every_key_and_column_once_and_in_order(blank: bytes) -> None:
    book = load_workbook(io.BytesIO(blank))
    assert book.sheetnames == ["cautions", "site", *SECTION_SHEETS, *TABLES]
    site = contract.load("site").field
    rows = list(book["site"].iter_rows(values_only=True))
    assert rows[0] == SITE_HEADER
    once = [(c.section, c.name) for c in site if c.section not in SECTION_SHEETS.values()]
    assert [r[:2] for r in rows[1:]] == once
    assert all(
        c.title in r[4] and c.description in r[4]
        for r, c in zip(
            rows[1:], [c for c in site if c.section not in SECTION_SHEETS.values()], strict=True
        )
    )
    for sheet, columns in headers(blank).items():
        assert [title.partition(" [")[0] for title in columns] == [
            c.name for c in declared(sheet)
        ], sheet


def declared(sheet: str) -> list[contract.Column]:
    if sheet in SECTION_SHEETS:
        return [c for c in contract.load("site").field if c.section == SECTION_SHEETS[sheet]]
    return list(contract.load(sheet).field)


def headers(book: bytes) -> dict[str, list[str]]:
    sheets = load_workbook(io.BytesIO(book))
    return {s: [c.value for c in sheets[s][1] if c.value] for s in (*SECTION_SHEETS, *TABLES)}


def test_headers_name_the_unit_of_every_length(blank: bytes) -> None:
    titles = headers(blank)
    assert {"base_distance [ft]", "base_offset [ft]", "ties [ft]", "z"} <= set(titles["marks"])
    assert {"counter [ft]", "depth_reading [ft]", "tilt_deg"} <= set(titles["stops"])
    assert {"transmitter_lag [ft]", "ride_height [ft]"} <= set(titles["runs"])


def test_every_header_explains_itself(blank: bytes) -> None:
    book = load_workbook(io.BytesIO(blank))
    for sheet in (*SECTION_SHEETS, *TABLES):
        for cell, column in zip(book[sheet][1], declared(sheet), strict=False):
            assert column.description in cell.comment.text
            assert all(v.description in cell.comment.text for v in column.values)


def test_the_cautions_come_first(blank: bytes) -> None:
    book = load_workbook(io.BytesIO(blank))
    words = " ".join(str(row[0]) for row in book.worksheets[0].values)
    assert book.active is book.worksheets[0]
    assert words.startswith("No clearance to dig")
    for said in ("one-call", "hand or vacuum", "licensed practice", "How to fill it in"):
        assert said in words
    assert "4' 7 1/2\"" in words
    assert "4' 7" not in " ".join(
        str(row[0])
        for row in load_workbook(
            io.BytesIO(site_book(new_site_settings("EX-001", unit="m")))
        ).worksheets[0].values
    )  # fmt: skip


# ---- what a spreadsheet program holds a person to -------------------------------------------


def rules(book: bytes, sheet: str) -> dict[str, ElementTree.Element]:
    """Data validations by the column they are on."""
    found = xml_of(book, sheet).iter(f"{MAIN}dataValidation")
    return {re.match("[A-Z]+", rule.attrib["sqref"])[0]: rule for rule in found}


def test_every_column_of_values_is_a_drop_down_of_them(blank: bytes) -> None:
    seen = 0
    for sheet in (*SECTION_SHEETS, *TABLES):
        on = rules(blank, sheet)
        for at, column in enumerate(declared(sheet), start=1):
            if column.values:
                rule = on[get_column_letter(at)]
                assert rule.attrib["type"] == "list"
                assert rule.attrib["sqref"].endswith("1000")
                assert rule.find(f"{MAIN}formula1").text == f'"{",".join(column.enum)}"'
                assert rule.attrib.get("errorStyle", "stop") == "stop"
                seen += 1
    assert seen >= 8


@pytest.mark.parametrize(
    ("sheet", "column", "source"),
    [
        ("marks", "run", "runs!$A$2:$A$1000"),
        ("stops", "run", "runs!$A$2:$A$1000"),
        ("marks", "base_from", "control!$A$2:$A$1000"),
        ("exposures", "base_to", "control!$A$2:$A$1000"),
        ("runs", "line", "pipes!$A$2:$A$1000"),
        ("branches", "joins", "pipes!$A$2:$A$1000"),
    ],
)
def test_names_are_chosen_from_where_they_are_told(
    blank: bytes, sheet: str, column: str, source: str
) -> None:
    names = [c.name for c in declared(sheet)]
    rule = rules(blank, sheet)[get_column_letter(names.index(column) + 1)]
    assert rule.find(f"{MAIN}formula1").text == source
    assert rule.attrib["errorStyle"] == "warning"
    first = load_workbook(io.BytesIO(blank))[source.partition("!")[0]]["A1"].value
    assert first in ("id", "line", "point")


@pytest.mark.parametrize(
    ("unit", "sheet", "column", "formula"),
    [
        ("m", "stops", "depth_reading", "AND(ISNUMBER(D2),D2>0)"),
        ("ft", "stops", "depth_reading", "OR(ISTEXT(D2),AND(ISNUMBER(D2),D2>0))"),
        ("ft", "stops", "tilt_deg", "AND(ISNUMBER(E2),E2>=-90,E2<=90)"),
    ],
)
def test_numbers_keep_to_the_limits_of_the_schema(
    unit: str, sheet: str, column: str, formula: str
) -> None:
    """Feet and inches are text to a spreadsheet, so text may stand where they may."""
    book = site_book(new_site_settings("EX-001", surveyed=DAY, unit=unit))
    at = [c.name for c in declared(sheet)].index(column) + 1
    rule = rules(book, sheet)[get_column_letter(at)]
    assert rule.attrib["type"] == "custom"
    assert rule.find(f"{MAIN}formula1").text == formula


def test_headers_are_locked_and_bodies_open_without_a_password(blank: bytes) -> None:
    book = load_workbook(io.BytesIO(blank))
    for sheet in book.worksheets:
        assert sheet.protection.sheet
        assert sheet.protection.password is None
        assert not sheet.protection.insertRows  # False: not held back
    for name in (*SECTION_SHEETS, *TABLES):
        sheet = book[name]
        assert sheet.freeze_panes == "B2"
        assert sheet.print_title_rows == "$1:$1"
        assert all(cell.protection.locked for cell in sheet[1] if cell.value)
        for at in range(1, len(declared(name)) + 1):
            assert not sheet.column_dimensions[get_column_letter(at)].protection.locked
    site = book["site"]
    for row in site.iter_rows(min_row=2):
        fixed = row[0].value == "units" and row[1].value != "slope_tape"
        assert row[2].protection.locked == fixed
        assert all(cell.protection.locked for at, cell in enumerate(row) if at != 2)


def test_names_are_typed_as_text_so_that_1_2_is_no_date(blank: bytes) -> None:
    sheet = load_workbook(io.BytesIO(blank))["marks"]
    for at, column in enumerate(declared("marks"), start=1):
        expected = "@" if column.type == "text" else "General"
        assert sheet.column_dimensions[get_column_letter(at)].number_format == expected


# ---- on the command line --------------------------------------------------------------------


def test_new_makes_a_book_that_check_reads(tmp_path: Path) -> None:
    said = run("new", tmp_path / "EX-7", "--xlsx", "--units", "ft", "--surveyed", "2026-05-06")
    assert f"wrote {tmp_path / 'EX-7.xlsx'}" in said
    with pytest.raises(SiteFaultsError) as caught:
        read_site(tmp_path / "EX-7.xlsx")
    assert [f.column for f in caught.value.faults] == ["flow"]
    assert "flow of each run is still to be written into the sheet runs" in said
    again = CliRunner().invoke(app, ["new", str(tmp_path / "EX-7.xlsx")])
    assert again.exit_code == 2
    assert "there already" in again.output


def test_new_copies_a_site_into_a_book_under_another_id(tmp_path: Path) -> None:
    book = tmp_path / "b.xlsx"
    run("new", book, "--from", SAMPLES / "slope-levels", "--id", "EX-8")
    record = read_site(book)
    assert record.settings.id == "EX-8"
    assert same(record.marks, read_site(SAMPLES / "slope-levels").marks)
    refused = CliRunner().invoke(
        app, ["new", str(tmp_path / "c.xlsx"), "--from", str(book), "--units", "ft"]
    )
    assert refused.exit_code == 2
    faulty = CliRunner().invoke(
        app, ["new", str(tmp_path / "c.xlsx"), "--from", str(SAMPLES / "faulty")]
    )
    assert faulty.exit_code == 2
    assert not (tmp_path / "c.xlsx").exists()


def test_a_folder_of_sites_may_hold_books(tmp_path: Path) -> None:
    shutil.copytree(SAMPLES / "local-sketch", tmp_path / "b-folder")
    a = book_of(SAMPLES / "local-sketch", tmp_path / "a.xlsx")
    c = book_of(SAMPLES / "tape-ties", tmp_path / "c.xlsx")
    (tmp_path / "~$c.xlsx").write_bytes(b"lock")
    (tmp_path / "prices.xlsx").write_bytes(b"no workbook at all")
    found = find_sites([tmp_path])
    assert found == [a, tmp_path / "b-folder", c]
    in_order = [site for _, site in named_sites(found)]
    assert in_order == [c, a, tmp_path / "b-folder"]  # a sketch comes last
    assert find_sites([a, c, a]) == [a, c]


def test_one_build_makes_layers_of_a_book(tmp_path: Path) -> None:
    said = run("build", SAMPLES / "quarry-book.xlsx", "-o", tmp_path / "out")
    assert "1 site built" in said
    assert (tmp_path / "out" / "asbuilt.gpkg").is_file()
    assert '"quarry-book.xlsx"' in (tmp_path / "out" / "manifest.json").read_text()


def test_the_sample_book_is_what_its_seed_makes(tmp_path: Path) -> None:
    folder = make_site(SCENARIOS["tape-ties"], 19, tmp_path / "quarry-19")
    made = tmp_path / "quarry-book.xlsx"
    run("new", made, "--from", folder, "--id", "QH-019", "--name", "Quarry Hill 19")
    sample = without_ids(SAMPLES / "quarry-book.xlsx", tmp_path / "sample.xlsx")
    assert raw_site(sample) == raw_site(made)
    assert "quarry-book.xlsx" in (SAMPLES / "README.md").read_text(encoding="utf-8")


def test_findings_of_every_stage_name_the_sheet_and_no_file_that_is_not_there(
    tmp_path: Path,
) -> None:
    book = load_workbook(SAMPLES / "quarry-book.xlsx")
    counters = [cell for cell in next(book["stops"].iter_cols(3, 3)) if cell.row > 1 and cell.value]
    counters[1].value = 0.05  # far behind its neighbours
    book.save(tmp_path / "a.xlsx")
    result = run_site(tmp_path / "a.xlsx", until="derive")
    assert isinstance(result, SiteResult)
    where = [f.where for f in result.findings if f.stage == "link" and f.where]
    assert "a.xlsx stops:3" in where
    assert all(w.startswith("a.xlsx ") for w in where)
