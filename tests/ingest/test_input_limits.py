"""Small files that would fill a machine, and names nobody should have to read, are told as faults.

Each bomb is told before it is worked on: a limit is proven by how little memory is ever taken, not
by a clock. The limits are common practice, no source; they stand in `lateralline.ingest.limits`.
"""

from __future__ import annotations

import io
import json
import re
import tracemalloc
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

import pytest
from openpyxl import Workbook
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.contract import INPUTS, load
from lateralline.errors import SiteFaultsError
from lateralline.ingest import checks, limits
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.ingest.sections import read_site_toml
from lateralline.names import LONGEST, wrong_name, wrong_sign
from tests.support.made_files import MARKS, SITE, STOPS, base, faults_of, write
from tests.support.places import SAMPLES

RUN = '\n[[run]]\nid = "X{n}"\nline = "L1"\nentry = "CO1"\nflow = "with"\n'
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
STOP_ROW = "R1,X{n},3.0,1.2,,\n"


@pytest.fixture
def little_memory() -> Iterator[None]:
    """Fail a test that ever holds more than 300 MB, as Python counts them."""
    tracemalloc.start()
    yield
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 300e6


def site_with(folder: Path, **texts: str) -> Path:
    """The small sound site with some of its files in other words."""
    files = base()
    files.update({f"{name}.csv" if name != "site" else "site.toml": t for name, t in texts.items()})
    return write(folder, files)


# ---- text -----------------------------------------------------------------------------------

TEXTS: dict[str, tuple[str, str, str]] = {
    "a large table": (
        "stops", STOPS + "#" * limits.TEXT_BYTES,
        'stops.csv: file must be at most 10 MB; got "10 MB" — a site holds what one crew measured'),
    "many rows": (
        "stops", STOPS + "".join(STOP_ROW.format(n=n) for n in range(limits.ROWS)),
        "stops.csv:20002: table must hold at most 20000 rows; more begin here — split the site"),
    "blank lines without end": (
        "stops", STOPS + "\n" * 5_000_000,
        'stops.csv: file must hold at most 100000 lines, blank ones and comments too; got "50000'),
    "a line without end": (
        "stops", STOPS + "".join(STOP_ROW.format(n=n) for n in range(limits.STOPS_OF_LINE + 5)),
        "stops.csv:1003: stop must be one of at most 1000 stops of line L1; more begin here; got"),
    "many columns": (
        "stops", "run,stop,counter," + ",".join(f"c{n}" for n in range(10_000)) + "\nR1,1,3\n",
        'stops.csv:1: row must have at most 200 columns; got "10003 cells" — delete those not'),
    "a row of commas": (
        "stops", STOPS + "," * 1_000_000 + "x\n",
        'stops.csv:4: row must have at most 200 columns; got "1000001 cells"'),
    "a note of a book": (
        "stops", STOPS + f"R1,2,4.0,,,{'x' * 3000}\n",
        'stops.csv:4: note must be at most 2000 characters; got "xxxxx'),
    "a cell of a megabyte": (
        "stops", STOPS + f"R1,2,4.0,,,{'x' * 1_000_000}\n",
        "stops.csv:4: row must be comma separated text (field larger than field limit"),
    "remarks of a book": (
        "stops", "run,stop,counter,a,b\n" + f"R1,1,3,{'x' * 1500},{'y' * 1500}\nR2,1,3,,\n",
        "stops.csv:2: note must be at most 2000 characters, with the columns kept in it"),
    "many runs": (
        "site", SITE + "".join(RUN.format(n=n) for n in range(limits.SECTIONS)),
        "site.toml:6040: run must stand there at most 1000 times — split the site"),
    "a large site.toml": (
        "site", SITE + "#" * limits.TOML_BYTES,
        'site.toml: file must be at most 1 MB; got "1 MB"'),
}  # fmt: skip


@pytest.mark.usefixtures("little_memory")
@pytest.mark.parametrize(("name", "text", "said"), TEXTS.values(), ids=TEXTS)
def test_text_beyond_field_size_is_told_with_the_limit(
    tmp_path: Path, name: str, text: str, said: str
) -> None:
    folder = site_with(tmp_path, **{name: text})
    if said:
        [fault] = faults_of(folder)
        assert fault.startswith(said)
    else:
        assert not (folder / "out").exists()
        call("check", folder)


def call(*arguments: object) -> str:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "400"})
    assert result.exit_code != 70, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.output


def test_faults_without_end_stop_at_a_thousand(tmp_path: Path) -> None:
    rows = "".join(f"R{n},X{n},a,b,c,\n" for n in range(5_000))
    faults = faults_of(site_with(tmp_path, stops=STOPS + rows))
    assert len(faults) == limits.FAULTS + 1
    assert any("what stands above must be mended before more is looked at" in f for f in faults)


class Counted(InputRow):
    """A row that counts how often it is asked."""

    asked = 0

    def text(self, name: str, default: str = "") -> str:
        type(self).asked += 1
        return super().text(name, default)


def test_runs_are_held_against_stops_once_not_once_each(tmp_path: Path) -> None:
    """As many questions as stops, whatever the number of runs: not runs times stops."""
    ledger = Ledger()
    text = SITE + "".join(RUN.format(n=n) for n in range(300))
    site = read_site_toml(text, ledger)
    assert site is not None
    from lateralline.ingest.record import settings

    said = settings(site, tmp_path, ledger)
    stops = InputRows(
        "stops.csv", tuple(Counted("stops.csv", n, {"run": f"X{n}"}) for n in range(300))
    )
    Counted.asked = 0
    checks.check_runs(said, site, stops, ledger)
    assert Counted.asked <= 2 * 300


def test_a_name_held_against_many_is_held_against_few() -> None:
    """Of 20,000 names only those that begin and end alike are compared; what was meant is found."""
    known = [f"P{n}" for n in range(20_000)]
    assert nearest("Q19999", known).startswith("known: P0, P1, ")
    assert nearest("p19999", known) == 'did you mean "P19999"?'


# ---- workbooks ------------------------------------------------------------------------------


def book(change: Callable[[Workbook], object] | None = None) -> bytes:
    """A workbook with an empty sheet for each table."""
    made = Workbook()
    made.active.title = "site"
    for name in ("marks", "stops"):
        made.create_sheet(name)
    if change:
        change(made)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def with_sheet(rows: str, rest: str = "", part: str = "xl/worksheets/sheet2.xml") -> bytes:
    """The workbook with other XML for its sheet of marks: a few kilobytes, however long."""
    out = io.BytesIO()
    with ZipFile(io.BytesIO(book())) as old, ZipFile(out, "w", ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name) if name != part else _sheet(rows, rest))
    return out.getvalue()


def _sheet(rows: str, rest: str) -> str:
    return f'<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData>{rest}</worksheet>'


CELL = "<c><v>1</v></c>"
BOOKS: dict[str, tuple[str, str, str]] = {
    "unpacks to 80 MB": (
        "<row>" + "<c/>" * 20_000_000 + "</row>", "",
        "b.xlsx: file must unpack to at most 60 MB; it would be 80 MB — delete empty rows"),
    "a row without end": (
        "<row>" + "<c/>" * 20_000 + "</row>", "",
        "b.xlsx: file must have at most 200 columns; row 1 has more"),
    "cells without end": (
        ("<row>" + CELL * 150 + "</row>") * 3_400, "",
        "b.xlsx: file must have at most 500000 filled cells in all its sheets; it has more"),
    "a cell at the far end": (
        '<row r="1048576"><c r="A1048576"><v>1</v></c></row>', "",
        "b.xlsx marks: sheet must be a table of field size; it reaches to row 1048576 — delete"),
    "a cell at the far right": (
        '<row r="1"><c r="XFD1"><v>1</v></c></row>', "",
        "b.xlsx marks: sheet must be a table of field size; it reaches to column XFD — delete"),
    "merged cells without end": (
        "<row>" + CELL + "</row>",
        '<mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>',
        "b.xlsx marks!A1:XFD1048576: 1 must stand in a cell of its own"),
    "ranges without end": (
        "<row/>", "<mergeCells>" + '<mergeCell ref="A1:B2"/>' * 200_000 + "</mergeCells>",
        "b.xlsx: file must be a workbook of field size; a sheet has too many ranges"),
    "links without end": (
        "<row>" + CELL + "</row>",
        '<hyperlinks><hyperlink ref="A1:XFD1048576"/></hyperlinks>',
        "b.xlsx marks:1: kind must be a column of the header"),
    "no numbers": ('<row r="x"/>', "", "b.xlsx: file must be a readable .xlsx workbook"),
    "a type of its own": (
        "<row>&a;</row>", "", "b.xlsx: file must be a readable .xlsx workbook"),
}  # fmt: skip


@pytest.mark.usefixtures("little_memory")
@pytest.mark.parametrize(("rows", "rest", "said"), BOOKS.values(), ids=BOOKS)
def test_a_workbook_is_measured_before_any_cell_is_made(
    tmp_path: Path, rows: str, rest: str, said: str
) -> None:
    data = with_sheet(rows, rest)
    assert len(data) < 2_000_000
    (tmp_path / "b.xlsx").write_bytes(data)
    faults = faults_of(tmp_path / "b.xlsx")
    assert any(f.startswith(said) for f in faults), faults


def test_what_a_sheet_claims_of_its_size_counts_for_nothing(tmp_path: Path) -> None:
    """Formatted rows to the end of the sheet are what spreadsheets leave behind, and no fault."""
    data = (SAMPLES / "quarry-book.xlsx").read_bytes()
    out = io.BytesIO()
    with ZipFile(io.BytesIO(data)) as old, ZipFile(out, "w", ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            if name.startswith("xl/worksheets/"):
                blank = "".join(f'<row r="{n}" ht="15"/>' for n in range(1_000_000, 1_020_000))
                part = part.replace(b"</sheetData>", blank.encode() + b"</sheetData>")
                part = re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:XFD1048576"', part)
            new.writestr(name, part)
    (tmp_path / "b.xlsx").write_bytes(out.getvalue())
    (tmp_path / "a.xlsx").write_bytes(data)
    plain, grown = (json.loads(call("check", tmp_path / f"{n}.xlsx", "--json")) for n in "ab")
    assert plain["sites"][0]["lines"] == grown["sites"][0]["lines"]


# ---- points ---------------------------------------------------------------------------------


def test_points_beyond_field_size(tmp_path: Path) -> None:
    def said(text: str) -> str:
        (tmp_path / "p.txt").write_text(text)
        return call("import-points", tmp_path / "p.txt", "--crs", "EPSG:32617", "--dry-run")

    many = "".join(f"{n},1,2,3,R1 1 EN\n" for n in range(limits.POINTS + 2))
    assert "p.txt:50002: file must hold at most 50000 points" in said(many)
    assert "p.txt:1: row must be at most 500 characters long" in said(f"1,1,2,3,{'x' * 600}\n")
    assert 'p.txt:1: row must be text; got "1,1,2,3,R1 1 EN \\u001b[2J"' in said(
        "1,1,2,3,R1 1 EN \x1b[2J\n"
    )
    name = "A" * 65
    faults = said(f"{name},4660000,467000,3,R1 1 EN\n2,4660000,467000,3,R1 {name} EN\n")
    assert f"p.txt:1: point must be a name of at most {LONGEST} characters" in faults
    assert f"p.txt:2: stop must be a name of at most {LONGEST} characters" in faults


# ---- names ----------------------------------------------------------------------------------

GOOD = (
    "CO1",
    "CO 1",
    "N°3",
    "Schacht 12-Ä",
    "管1",
    "-1",
    "+2.5",
    "MH_1.2",
    "R1(b)",
    "#4",
    "A'",
    '4"',
)
BAD = {
    "a line break": "R\n1",
    "a return": "R\r1",
    "an escape": "R\x1b[31m",
    "writing turned round": "R\u202e1",
    "no width": "R\u200b1",
    "a mark of direction": "R\u200f1",
    "a line separator": "R\u20281 ",
    "a private sign": "R\ue000",
    "half a pair": "R\ud800",
    "a path": "../R1",
    "a path of Windows": "..\\R1",
    "a folder": "..",
    "this folder": ".",
    "an id": "R1/3",
    "a tie": "P1:3;P2:4",
    "a formula": "=1+1",
    "a call": "@SUM(A1)",
    "a formula by sign": "+cmd|' /C calc'!A0",
    "too long": "R" * (LONGEST + 1),
}


@pytest.mark.parametrize("name", GOOD)
def test_what_a_crew_writes_is_a_name(name: str) -> None:
    assert wrong_name(name) == ""


@pytest.mark.parametrize("name", BAD.values(), ids=BAD)
def test_what_a_reader_cannot_see_or_would_run_is_none(name: str) -> None:
    hint = wrong_name(name)
    assert hint
    assert all(unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp") for c in hint)


@pytest.mark.parametrize("name", ["con", "NUL", "Com1", "LPT9"])
def test_an_id_of_a_site_is_no_device_of_windows(tmp_path: Path, name: str) -> None:
    [fault] = faults_of(site_with(tmp_path, site=SITE.replace("EX-001", name)))
    assert fault.startswith(f"site.toml:2: id must be letters, digits, - and _, at most {LONGEST}")
    assert fault.endswith("— Windows keeps that name for a device")
    assert "Windows keeps that name" in call("new", tmp_path / "x", "--id", name)
    assert wrong_name(name) == ""  # of a stop, which names no file


def _called() -> list[tuple[str, str, str]]:
    return [(t, c.section, c.name) for t in INPUTS for c in load(t).field if c.calls]


def test_every_column_that_calls_a_thing_is_held_to_the_rule() -> None:
    assert _called() == [
        ("site", "site", "id"), ("site", "pipe", "line"), ("site", "run", "id"),
        ("site", "run", "line"), ("site", "run", "entry"), ("site", "run", "main"),
        ("control", "", "point"), ("marks", "", "mark"), ("stops", "", "stop"),
        ("exposures", "", "name"), ("assets", "", "line_id"),
    ]  # fmt: skip


@pytest.mark.parametrize("bad", ["R\u202e1", "x" * 300, "a;b", "=1"])
def test_a_bad_name_is_told_by_file_row_and_column(tmp_path: Path, bad: str) -> None:
    changed = {
        "site": (SITE.replace('id = "R1"', f'id = "{bad}"'), "site.toml:25: id must be a name"),
        "main": (
            SITE.replace('id = "R1"', f'id = "R1"\nmain = "{bad}"'),
            "site.toml:26: main must",
        ),
        "assets": (f"line_id,asset_id\n{bad},A-1\n", "assets.csv:2: line_id must be a name"),
        "control": (base()["control.csv"].replace("P1,", f"{bad},"), "control.csv:2: point must"),
        "marks": (MARKS.replace("1A,", f"{bad},"), "marks.csv:2: mark must be a name"),
        "stops": (STOPS.replace("R1,1,", f"R1,{bad},"), "stops.csv:2: stop must be a name"),
        "exposures": (
            base()["exposures.csv"].replace("\nCO1,", f"\n{bad},"),
            "exposures.csv:2: name",
        ),
    }
    for name, (text, said) in changed.items():
        (tmp_path / name).mkdir()
        table = "site" if name == "main" else name
        faults = faults_of(site_with(tmp_path / name, **{table: text}))
        assert any(f.startswith(said) for f in faults), (name, faults)


def test_a_name_is_one_however_its_letters_are_composed(tmp_path: Path) -> None:
    apart = unicodedata.normalize("NFD", "Ä")
    texts = {
        "site": SITE.replace('id = "R1"', 'id = "Ä"').replace('run = "R1"', f'run = "{apart}"'),
        "stops": STOPS.replace("R1,", f"{apart},"),
        "marks": MARKS.replace("R1,", "Ä,"),
    }
    files = base()
    rest = {n: files[f"{n}.csv"].replace("R1", apart) for n in ("exposures", "observations")}
    assert "must be a run of" not in call("check", site_with(tmp_path, **texts, **rest))


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("stops", STOPS.replace("1.2,,", "1.2,,a\u202eb"), "stops.csv:2: note must be text; got"),
        ("stops", "run,stop,counter,own\nR1,1,3,a\x1bb\nR2,1,5,\n", "stops.csv:2: note must be"),
        ("stops", "run,stop,counter,o\x1bwn\nR1,1,3,a\nR2,1,5,\n", "stops.csv:1: header must be"),
        ("site", SITE.replace('id = "EX-001"', 'id = "EX-001"\nname = "a\\u001Bb"'),
         "site.toml:3: name must be text"),
    ],
)  # fmt: skip
def test_free_text_holds_no_sign_that_forges_a_report(
    tmp_path: Path, name: str, text: str, said: str
) -> None:
    [fault] = faults_of(site_with(tmp_path, **{name: text}))
    assert fault.startswith(said)
    assert "retype it: it holds" in fault
    assert wrong_sign(fault) == ""


def test_options_of_an_import_name_things_by_the_same_rule() -> None:
    points = SAMPLES / "survey-files" / "quarry-pnezd.txt"
    said = call("import-points", points, "--dry-run", "--run", "R\u202e1:L1:../x:with")
    assert said.count("--run must have a name") == 2


# ---- systems --------------------------------------------------------------------------------

OPERATIONS = (
    "+proj=pipeline +zone=17 +step +proj=utm +zone=17 +ellps=WGS84",
    "proj=pipeline step proj=utm zone=17",
    "+proj=utm +zone=17 +step +proj=utm +zone=18",
    "+proj=noop",
    "+proj=affine +xoff=1",
    "+proj=topocentric +X_0=1 +Y_0=2 +Z_0=3",
)


@pytest.mark.parametrize("text", OPERATIONS)
def test_an_operation_is_no_crs_whoever_asks(tmp_path: Path, text: str) -> None:
    """PROJ makes a CRS of them: of a pipeline the one step it knows, and drops the others."""
    site = SITE.replace("EPSG:32617", text)
    faults = faults_of(site_with(tmp_path, site=site))
    assert faults[0].startswith("site.toml:6: horizontal must be a CRS that PROJ knows, or local")
    assert "it is an operation" in faults[0]
    (tmp_path / "b").mkdir()
    vertical = f'"EPSG:32617"\nvertical = "{text}"'
    faults = faults_of(site_with(tmp_path / "b", site=SITE.replace('"EPSG:32617"', vertical)))
    assert faults[0].startswith("site.toml:7: vertical must be none, ellipsoidal or a height CRS")
    points = SAMPLES / "survey-files" / "quarry-pnezd.txt"
    for option in ("--crs", "--file-crs", "--vertical", "--file-vertical"):
        assert "it is an operation" in call("import-points", points, "--dry-run", option, text)
    assert "it is an operation" in call("new", tmp_path / "x", "--crs", text)
    out = call("build", SAMPLES / "gnss-bend-branch", "-o", tmp_path / "o", "--crs", text)
    assert "it is an operation" in out


@pytest.mark.parametrize("text", ["EPSG:4978", "EPSG:5703", 'LOCAL_CS["x",UNIT["metre",1]]'])
def test_layers_need_a_crs_with_plan_coordinates(tmp_path: Path, text: str) -> None:
    out = call("build", SAMPLES / "gnss-bend-branch", "-o", tmp_path / "o", "--crs", text)
    assert "layers need plan coordinates" in out
    assert not (tmp_path / "o").exists()


def test_too_many_faults_are_raised_from_where_they_are(tmp_path: Path) -> None:
    ledger = Ledger()

    def find_too_many() -> None:
        for n in range(2 * limits.FAULTS):
            ledger.fault("a.csv", n, "x", "", "must be right")

    with pytest.raises(SiteFaultsError) as caught:
        find_too_many()
    assert len(caught.value.faults) == limits.FAULTS + 1
