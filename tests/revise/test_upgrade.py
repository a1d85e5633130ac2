"""Names of version 1: what was written with them is read, and rewritten when asked."""

from __future__ import annotations

import csv
import io
import shutil
import tomllib
from pathlib import Path
from zipfile import ZipFile

import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.comments import Comment
from typer.testing import CliRunner

import lateralline
from lateralline import contract, renamed
from lateralline.catalogue import catalogue
from lateralline.cli import app
from lateralline.errors import OutputExistsError, SiteFaultsError
from lateralline.ingest import read_site
from lateralline.records import FieldRecord
from lateralline.revise.upgrade import upgrade, upgraded_csv, upgraded_toml
from lateralline.write.upgraded_workbook import upgraded_workbook
from tests.support.made_files import base, write
from tests.support.places import SAMPLES

FOLDERS = sorted(p.name for p in SAMPLES.iterdir() if (p / "site.toml").is_file())


def as_version_1(table: str, text: str) -> str:
    """Return an input table of version 2 as version 1 had it; polar rows in the baseline's."""
    rows = list(csv.reader(io.StringIO(text)))
    head = rows[0]
    back = {new: old for old, new in renamed.input_columns(table).items()}
    polar = {new: old for old, new in renamed.polar_columns(table).items()}
    out = [[back.get(h, h) for h in head if h not in polar]]
    for row in rows[1:]:
        cells = dict(zip(head, row, strict=False))
        if cells.get("method") == "polar":
            cells |= {renamed.input_columns(table)[polar[h]]: cells[h] for h in polar if h in cells}
        for column, values in renamed.input_values(table).items():
            old_of = {new: old for old, new in values.items()}
            if column in cells:
                cells[column] = old_of.get(cells[column], cells[column])
        kept = [cells[h] for h in head if h in cells and h not in polar]
        out.append([*kept, *row[len(head) :]])
    made = io.StringIO()
    csv.writer(made, lineterminator="\n").writerows(out)
    return made.getvalue()


def old_site(folder: Path, out: Path) -> Path:
    """Return a copy of a site as version 1 had it."""
    shutil.copytree(folder, out)
    for path in out.glob("*.csv"):
        path.write_text(as_version_1(path.stem, path.read_text(encoding="utf-8")), encoding="utf-8")
    return out


def said_of(record: FieldRecord) -> str:
    """Return what a record holds, without digests of files and notes of how they were read."""
    return repr(
        [record.settings, record.control, record.marks, record.stops, record.exposures,
         record.observations]
    )  # fmt: skip


# ---- the table -----------------------------------------------------------------------------


def test_every_name_of_the_table_is_one_of_today_and_the_old_ones_are_gone() -> None:
    for name in (*contract.LAYERS, *contract.OVERLAYS):
        names = renamed.layer_columns(name)
        declared = contract.load(name)
        assert set(names.values()) <= set(declared.names)
        assert not set(names) & set(declared.names), name
        assert len(set(names.values())) == len(names)
        for column, values in renamed.layer_values(name).items():
            if column not in declared.names:  # a value renamed wherever its column stands
                continue
            known = set(
                declared.column(column).enum
                or (catalogue().entries if column == "code" else values.values())
            )
            assert set(values.values()) <= known
            assert not set(values) & known, (name, column)
    for name in contract.INPUTS:
        declared = contract.load(name)
        new = (*renamed.input_columns(name).values(), *renamed.polar_columns(name).values())
        assert set(new) <= set(declared.names)
        assert not set(renamed.input_columns(name)) & set(declared.names)


def test_old_codes_of_findings_lead_to_codes_of_today_and_do_not_come_back() -> None:
    codes, table = catalogue().entries, renamed.layer_values("findings")["code"]
    assert not table.keys() & codes.keys()
    assert set(table.values()) <= codes.keys()
    assert renamed.finding_code("counter-jump") == "counter-wrong"
    forms = {(form.code, form.variant) for code in codes for form in catalogue().forms(code)}
    back = {old for form in forms for old in renamed.names_of_v1_finding(*form)}
    assert {old for old, _ in back} >= table.keys()


# ---- reading -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [n for n in FOLDERS if n != "faulty"])
def test_a_site_of_version_1_says_what_it_says_in_version_2(tmp_path: Path, name: str) -> None:
    old = old_site(SAMPLES / name, tmp_path / name)
    assert said_of(read_site(old)) == said_of(read_site(SAMPLES / name))


def test_what_was_read_under_old_names_is_told(tmp_path: Path) -> None:
    found = read_site(old_site(SAMPLES / "local-sketch", tmp_path / "old")).findings
    [told] = [f for f in found if f.code == "input-read-as"]
    assert "version 1" in told.what
    assert "station" in told.what
    new = read_site(SAMPLES / "local-sketch").findings
    assert not [f for f in new if f.code == "input-read-as"]


def test_what_an_exposure_was_measured_to_has_its_old_word_too(tmp_path: Path) -> None:
    files = base()
    files["exposures.csv"] = files["exposures.csv"].replace("invert", "Crown")
    assert read_site(write(tmp_path, files)).exposures.measured_to.tolist() == ["inside_top"]


@pytest.mark.parametrize("beside", ["base_offset", "polar_azimuth_deg"])
def test_both_names_of_one_quantity_are_a_fault(tmp_path: Path, beside: str) -> None:
    files = base()
    other = {"base_offset": "polar_azimuth_deg", "polar_azimuth_deg": "base_offset"}[beside]
    files["marks.csv"] = files["marks.csv"].replace(other, "offset", 1)
    with pytest.raises(SiteFaultsError) as e:
        read_site(write(tmp_path, files))
    [told] = [f for f in e.value.faults if f.column == "offset"]
    assert f"must not stand beside {beside}" in told.must
    assert (told.file, told.row) == ("marks.csv", 1)


def test_a_bearing_of_version_1_is_at_fault_under_its_name_of_today(tmp_path: Path) -> None:
    old = old_site(SAMPLES / "local-sketch", tmp_path / "old")
    text = (old / "marks.csv").read_text(encoding="utf-8")
    (old / "marks.csv").write_text(text.replace("295.4", "495.4"), encoding="utf-8")
    with pytest.raises(SiteFaultsError) as e:
        read_site(old)
    assert [(f.row, f.column) for f in e.value.faults] == [(13, "polar_azimuth_deg")]


# ---- rewriting -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", FOLDERS)
def test_upgrading_a_sample_gives_the_sample(tmp_path: Path, name: str) -> None:
    """Byte by byte, whatever lies beside the tables included; where nothing changes, nothing is."""
    old = old_site(SAMPLES / name, tmp_path / "old")
    before = files_in(old)
    made = lateralline.upgrade(old, tmp_path / "new")
    assert files_in(old) == before
    if not made.changed:
        assert before == files_in(SAMPLES / name)
        assert not (tmp_path / "new").exists()
        return
    again, meant = files_in(tmp_path / "new"), files_in(SAMPLES / name)
    for file, data in meant.items():
        if file.endswith(".csv"):  # written by csv.writer, some quotes are other ones
            rows = [list(csv.reader(io.StringIO(x.decode()))) for x in (again[file], data)]
            assert rows[0] == rows[1]
        else:
            assert again[file] == data
    assert not lateralline.upgrade(tmp_path / "new", tmp_path / "newer").changed


def files_in(folder: Path) -> dict[str, bytes]:
    files = (p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}


def test_nothing_but_names_changes_in_a_table() -> None:
    text = (
        "\ufeff# survey of May, offset and station\r\n"
        '  Mark ;method; "Station [ft]";OFFSET;note\r\n'
        '1A;offset; 3,5;"-1,2";"station; ""offset"""\r\n\r\n#1B;polar;1;2;x\r\n'
        " 1M ;Polar;12;90;=x"
    )
    assert upgraded_csv("marks", text) == (
        "\ufeff# survey of May, offset and station\r\n"
        '  Mark ;method; "base_distance [ft]";base_offset; "polar_distance [ft]";'
        "polar_azimuth_deg;note\r\n"
        '1A;offset; 3,5;"-1,2";;;"station; ""offset"""\r\n\r\n#1B;polar;1;2;x\r\n'
        " 1M ;Polar;;;12;90;=x"
    )


def test_a_table_that_ends_in_what_moves_keeps_its_line_ends() -> None:
    assert upgraded_csv("marks", "method,station,offset\noffset,1,2\npolar,3,4\n") == (
        "method,base_distance,base_offset,polar_distance,polar_azimuth_deg\n"
        "offset,1,2,,\npolar,,,3,4\n"
    )


def test_code_lists_keep_their_remarks() -> None:
    text = (
        '# crown\n[words]\n  crown   = "SOFFIT, crown"  # crown\n\n[[pattern]]\nform = "a"\n'
        "to = 'crown' # not \"crown\"\n"
    )
    new = upgraded_toml("codes", text)
    assert new == (
        '# crown\n[words]\n  inside_top   = "SOFFIT, crown"  # crown\n\n[[pattern]]\nform = "a"\n'
        "to = 'inside_top' # not \"crown\"\n"
    )
    assert tomllib.loads(new)["words"] == {"inside_top": "SOFFIT, crown"}


def test_another_encoding_and_what_else_lies_there_stay(tmp_path: Path) -> None:
    files = base()
    site = write(tmp_path / "old", files)
    site.joinpath("observations.csv").write_bytes(
        "run,counter,severity,text\nR1,4.2,2,Wände naß\n".encode("cp1252")
    )
    site.joinpath("photo.txt").write_text("severity", encoding="utf-8")
    made = upgrade(site, tmp_path / "new")
    assert made.changed == ("observations.csv",)
    assert (tmp_path / "new/observations.csv").read_bytes() == (
        "run,counter,defect_severity,text\nR1,4.2,2,Wände naß\n".encode("cp1252")
    )
    assert (tmp_path / "new/photo.txt").read_text(encoding="utf-8") == "severity"
    assert (tmp_path / "new/marks.csv").read_bytes() == site.joinpath("marks.csv").read_bytes()


def test_what_is_added_to_a_site_is_upgraded_too(tmp_path: Path) -> None:
    added = tmp_path / "added"
    added.mkdir()
    (added / "observations.csv").write_text("run,counter,severity\nR1,2.0,3\n", encoding="utf-8")
    assert upgrade(added, tmp_path / "new").changed == ("observations.csv",)
    text = (tmp_path / "new/observations.csv").read_text(encoding="utf-8")
    assert text == "run,counter,defect_severity\nR1,2.0,3\n"


def test_a_site_that_cannot_be_taken_apart_or_lies_about_the_new_one_is_refused(
    tmp_path: Path,
) -> None:
    files = base()
    files["marks.csv"] = files["marks.csv"].replace("R1,1,end_null", "R1,1,,end_null", 1)
    with pytest.raises(SiteFaultsError):
        upgrade(write(tmp_path / "bad", files), tmp_path / "new")
    site = old_site(SAMPLES / "slope-levels", tmp_path / "old")
    with pytest.raises(OutputExistsError):
        upgrade(site, site / "new")
    assert not (tmp_path / "new").exists()


# ---- workbooks -----------------------------------------------------------------------------


def book_of_version_1() -> Workbook:
    """Return a book with a table of marks as version 1 had it, and things of the crew's own."""
    book = load_workbook(SAMPLES / "quarry-book.xlsx")
    sheet = book["marks"]
    at = {str(c.value).partition(" ")[0]: c.column for c in sheet[1] if c.value}
    sheet.cell(1, at["base_distance"]).value = "station [ft]"
    sheet.cell(1, at["base_offset"]).value = "Offset [ft]"
    sheet.delete_cols(at["polar_distance"], 2)
    line = next(row[0].row for row in sheet.iter_rows(min_row=2) if row[4].value == "offset")
    sheet.cell(line, 5).value = "polar"
    sheet.cell(line, at["base_to"]).value = None
    sheet.cell(line, at["base_distance"]).value = 12.5
    sheet.cell(line, at["base_offset"]).value = 301
    sheet.cell(1, 1).comment = Comment("ours", "crew")
    book["observations"]["F1"] = "severity"
    exposures = book["exposures"]
    exposures.delete_cols(15, 2)
    exposures["M1"], exposures["N1"] = "station [ft]", "offset [ft]"
    return book


def test_a_workbook_keeps_all_but_its_names(tmp_path: Path) -> None:
    old = tmp_path / "old.xlsx"
    book_of_version_1().save(old)
    meant = read_site(old)
    made = CliRunner().invoke(app, ["upgrade", str(old), "-o", str(tmp_path / "new.xlsx")])
    assert made.exit_code == 0, made.output
    assert "new names in old.xlsx" in made.output
    new = read_site(tmp_path / "new.xlsx")
    assert said_of(new).replace("new.xlsx", "old.xlsx") == said_of(meant)
    assert not [f for f in new.findings if f.code == "input-read-as"]
    before, after = load_workbook(old), load_workbook(tmp_path / "new.xlsx")
    assert after["marks"]["A1"].comment.text == "ours"
    assert len(after["marks"].data_validations.dataValidation) == len(
        before["marks"].data_validations.dataValidation
    )
    titles = [c.value for c in after["marks"][1] if c.value]
    assert titles[-2:] == ["polar_distance [ft]", "polar_azimuth_deg"]
    assert {"base_distance [ft]", "base_offset [ft]"} <= set(titles)
    with ZipFile(old) as a, ZipFile(tmp_path / "new.xlsx") as b:
        assert a.namelist() == b.namelist()
        same = [n for n in a.namelist() if a.read(n) == b.read(n)]
    assert len(same) == len(set(same)) == len(ZipFile(old).namelist()) - 3  # three sheets
    assert upgraded_workbook("new.xlsx", (tmp_path / "new.xlsx").read_bytes()) is None


def test_results_of_formulas_stay(tmp_path: Path) -> None:
    book_of_version_1().save(tmp_path / "old.xlsx")
    data = (tmp_path / "old.xlsx").read_bytes()
    with ZipFile(io.BytesIO(data)) as old:
        names = {n: old.read(n) for n in old.namelist()}
    part = next(n for n, xml in names.items() if b"<v>12.5</v>" in xml)
    names[part] = names[part].replace(b"<v>12.5</v>", b"<f>10+2.5</f><v>12.5</v>")
    with ZipFile(tmp_path / "old.xlsx", "w") as book:
        for name, xml in names.items():
            book.writestr(name, xml)
    upgrade(tmp_path / "old.xlsx", tmp_path / "new.xlsx")
    titles = [c.value for c in load_workbook(tmp_path / "new.xlsx")["marks"][1]]
    column = titles.index("polar_distance [ft]")
    rows = load_workbook(tmp_path / "new.xlsx", data_only=True)["marks"].iter_rows(min_row=2)
    assert 12.5 in [row[column].value for row in rows]


# ---- the command ----------------------------------------------------------------------------


def test_the_command_says_what_it_did_and_when_nothing_is_to_be_done(tmp_path: Path) -> None:
    old = old_site(SAMPLES / "local-sketch", tmp_path / "old")
    made = CliRunner().invoke(app, ["upgrade", str(old), "-o", str(tmp_path / "new")])
    assert made.exit_code == 0
    assert f"wrote {tmp_path / 'new'}: new names in marks.csv" in made.output
    twice = CliRunner().invoke(app, ["upgrade", str(old), "-o", str(tmp_path / "new")])
    assert twice.exit_code == 2
    again = CliRunner().invoke(
        app, ["upgrade", str(tmp_path / "new"), "-o", str(tmp_path / "newer")]
    )
    assert again.exit_code == 0
    assert "nothing to do" in again.output
    assert not (tmp_path / "newer").exists()


def test_an_accepted_finding_gets_the_code_of_today(tmp_path: Path) -> None:
    text = '[[accepted]]\ncode = "counter-jump"  # ours\nsubject = "run R1"\n'
    assert upgraded_toml("site", text) == text.replace("counter-jump", "counter-wrong")
    book = Workbook()
    book.active.title = "accepted"
    book.active.append(["code", "subject"])
    book.active.append(["mark-disagrees", "stop R1/4"])
    book.save(tmp_path / "old.xlsx")
    new = upgraded_workbook("old.xlsx", (tmp_path / "old.xlsx").read_bytes())
    assert new is not None
    row = load_workbook(io.BytesIO(new))["accepted"][2]
    assert [cell.value for cell in row] == ["mark-blunder", "stop R1/4"]
