"""Tables that spreadsheets open: no cell is run as a formula, and each reads back as it was.

What a spreadsheet takes for a formula is common practice, no source; `formula` below says it in
its own words, not with the pattern that is tested.
"""

from __future__ import annotations

import ast
import csv
import io
import json
from pathlib import Path
from xml.etree import ElementTree
from zipfile import ZipFile

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook

from lateralline import csv_file
from lateralline.ingest import read_site
from lateralline.revise.merge import merged_files
from tests.support.command import run
from tests.support.places import ROOT

SITE = ROOT / "sample_sites" / "gnss-bend-branch"
RISKY = (
    "=cmd|' /C calc'!A0", "+1+cmd", "-1+cmd", "@SUM(A1)", "＝1+1", "＠x", "－2+3", "＋1+1",
    "'=1+1", "a;=1+1", "- wet",
)  # fmt: skip
any_cell = st.text(st.sampled_from("=+-@＝\t\r\n;'\" a1.e,#"), max_size=8) | st.text(max_size=8)


def formula(cell: str) -> bool:
    """Whether a spreadsheet may run a cell: by its first sign, unless it is a number."""
    try:
        float(cell)
    except ValueError:
        return cell.lstrip(" ")[:1] in tuple("=+-@＝＋－＠﹦﹢﹣﹫\t\r\n")
    return "_" in cell or not cell.isascii()


def formulas(text: str) -> list[str]:
    """The cells of a file that a spreadsheet may run, its cells parted by commas or semicolons."""
    return [
        cell
        for sign in ",;"
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=sign)
        for cell in row
        if cell and formula(cell)
    ]


# ---- the one owner ------------------------------------------------------------------------


@given(any_cell)
def test_a_guarded_cell_is_no_formula_and_reads_back(cell: str) -> None:
    written = csv_file.guarded(cell)
    assert csv_file.unguarded(written) == cell
    assert not written or not formula(written)


@pytest.mark.parametrize("number", ["-3.2", "+1.50", "-.5", "-1e-3", "12"])
def test_numbers_stay_numbers(number: str) -> None:
    assert csv_file.guarded(number) == number


@given(st.lists(st.lists(any_cell, min_size=2, max_size=4), min_size=1, max_size=4))
def test_records_read_back_whatever_they_hold(rows: list[list[str]]) -> None:
    rows = [[cell.lstrip(" ") for cell in row] for row in rows]  # blanks before a cell are dropped
    rows = [row for row in rows if not row[0].startswith("#")]  # what makes a row a comment
    for newline in ("\n", "\r\n"):
        text = "".join(csv_file.record(row, newline) for row in rows)
        assert [cells for _, _, cells in csv_file.records(text)] == rows


@given(st.lists(st.lists(any_cell, min_size=2, max_size=3), min_size=1, max_size=4))
def test_somebodys_file_made_neutral_reads_the_same_on_the_same_lines(
    rows: list[list[str]],
) -> None:
    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL).writerows(rows)
    text = out.getvalue()
    made = csv_file.neutral(text)
    assert list(csv_file.records(made)) == list(csv_file.records(text))
    assert csv_file.neutral(made) == made


def test_a_file_without_risk_is_kept_to_the_byte() -> None:
    text = '\ufeff# note; see P1, -1.5\r\n mark ,x, z\r\n"1A", -3.2,"4\'"\r\n\r\n2,,\n'
    assert csv_file.neutral(text) == text


def test_nobody_else_writes_or_parts_comma_separated_text() -> None:
    users = {
        path.name
        for path in (ROOT / "pipeline").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import) and any(alias.name == "csv" for alias in node.names)
    }
    assert users == {"csv_file.py"}
    for path in (ROOT / "pipeline").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        writes = any(word in text for word in ("csv.writer", "DictWriter", "to_csv"))
        assert not writes or path.name == "csv_file.py", path.name


# ---- files that are written ---------------------------------------------------------------


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("record") / "out"
    assert run("build", SITE, "-o", out).exit_code in (0, 1)
    return out


def test_clearance_writes_no_formula(record: Path, tmp_path: Path) -> None:
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [-81.39672987, 42.10030846]},
            "properties": {"kind": "post", "name": name, "depth_m": 0.9, "radius_m": 0.1},
        }
        for name in RISKY
    ]
    plan = tmp_path / "plan.geojson"
    plan.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    assert run("clearance", record, plan, "--required", "3m", "-o", tmp_path / "o").exit_code == 1
    text = (tmp_path / "o" / "clearance.csv").read_bytes().decode("utf-8")
    assert formulas(text) == []
    header, *rows = (cells for _, _, cells in csv_file.records(text))
    assert {row[header.index("work_name")] for row in rows} == set(RISKY)


def test_points_brought_into_a_site_read_back(tmp_path: Path) -> None:
    """Notes say where a point came from; a level below zero stays a number."""
    points = tmp_path / "=A1;@B1.txt"  # the file stands first in every note
    rows = [f"P{n},{4_650_000 + 9 * n},{500_000 + n * n},-10.5,control" for n in range(3)]
    points.write_text("\n".join(rows), encoding="utf-8")
    made = run(
        "import-points", points, "--crs", "EPSG:32617", "--order", "pnezd", "-o", tmp_path / "s",
        "--units", "m", "--id", "S", "--surveyed", "2026-05-06",
    )  # fmt: skip
    assert made.exit_code in (0, 1), made.output
    text = (tmp_path / "s" / "control.csv").read_text(encoding="utf-8")
    assert formulas(text) == []
    header, *rows = (cells for _, _, cells in csv_file.records(text))
    assert rows[0][header.index("note")] == "=A1;@B1.txt:1 control"
    assert {row[header.index("z")] for row in rows} == {"-10.5"}


def hostile_site(folder: Path) -> Path:
    """A copy of a sample site with formulas in a column of the crew's own and in a comment."""
    folder.mkdir()
    for path in SITE.iterdir():
        if path.suffix in (".csv", ".toml"):
            (folder / path.name).write_bytes(path.read_bytes())
    marks = folder / "marks.csv"
    head, *rows = marks.read_text(encoding="utf-8").splitlines()
    assert "weather" not in head
    spoilt = [f'{row},"{RISKY[n % len(RISKY)]}"' for n, row in enumerate(rows)]
    lines = [f"{head},weather", "# why, =1+1", *spoilt]
    marks.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def test_a_site_brought_up_to_date_holds_no_formula_and_the_same_cells(tmp_path: Path) -> None:
    site, added = hostile_site(tmp_path / "site"), tmp_path / "added,=1+1"
    added.mkdir()
    head = (SITE / "stops.csv").read_text(encoding="utf-8").splitlines()[0]
    (added / "stops.csv").write_text(f"{head},seen\n", encoding="utf-8")
    before = list(csv_file.records((site / "marks.csv").read_text(encoding="utf-8")))
    texts = merged_files(site, added, tmp_path / "new").texts
    for name, text in texts.items():
        if name.endswith(".csv"):
            assert formulas(text) == [], name
    after = list(csv_file.records(texts["marks.csv"]))
    assert [cells for _, _, cells in after if cells and cells[0][:1] != "#"] == [
        cells for _, _, cells in before if cells
    ]
    assert '"# why, =1+1"\n' in texts["marks.csv"]


def test_a_copied_workbook_holds_no_formula_and_reads_back(tmp_path: Path) -> None:
    site = hostile_site(tmp_path / "site")
    marks = site / "marks.csv"
    text = marks.read_text(encoding="utf-8").replace(",weather", ",=own()", 1)
    marks.write_text(text, encoding="utf-8")
    book = tmp_path / "copy.xlsx"
    made = run("new", book, "--from", site)
    assert made.exit_code == 0, made.output
    with ZipFile(book) as parts:
        for name in parts.namelist():
            if name.startswith("xl/worksheets/sheet"):
                tree = ElementTree.fromstring(parts.read(name))
                tags = {element.tag.rpartition("}")[2] for element in tree.iter()}
                assert "f" not in tags, name
    sheet = load_workbook(book)["marks"]
    column = next(cell.column for cell in sheet[1] if cell.value == "=own()")
    held = [sheet.cell(row, column) for row in range(2, sheet.max_row + 1)]
    assert {cell.value for cell in held if cell.value} == set(map(csv_file.unguarded, RISKY))
    assert all(cell.data_type == "s" and cell.quotePrefix for cell in held if cell.value)
    assert list(read_site(book).marks.spots.name) == list(read_site(site).marks.spots.name)


def test_a_comment_may_hold_quotes_wherever_it_stands() -> None:
    text = 'mark,note\n1,wet\n# "said", "so" by no one\n2,"a\n# no comment"\n'
    assert [cells for _, _, cells in csv_file.records(text)] == [
        ["mark", "note"], ["1", "wet"], [], ["2", "a\n# no comment"],
    ]  # fmt: skip
