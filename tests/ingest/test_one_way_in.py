"""One table read alike wherever it comes in: site folder, workbook, update, --stops, --points.

The same control points are written in every form a crew's programs know and go in by every door:
the rows and the faults that come out are the same.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
import shapely
from openpyxl import Workbook
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.errors import Fault, SiteFaultsError
from lateralline.ingest import read_site
from lateralline.ingest.points import ImportTask, gather
from lateralline.ingest.points.codes import default_codes
from lateralline.record.view import RecordView, read_record
from lateralline.revise.merge import merged_files
from lateralline.ties import spots as tying
from tests.support.made_files import STOPS, base, faults_of, write
from tests.support.places import SAMPLES

SITE = SAMPLES / "tape-ties"
NEW = "Schächte"
HEADER = ("point", "x", "y", "z", "sigma_h", "note")
ROWS = (
    ("HOUSE-SW", "2267000.024", "888500.027", "100.00", "0.066", "corner"),
    ("HOUSE-SE", "2267039.384", "888496.757", "100.23", "0.066", "step; wet, once"),
    ("FENCE", "2266983.485", "888457.384", "99.33", "0.066", ""),
    (NEW, "2267020.5", "888470.25", "98.5", "", "lid"),
)


class Form(NamedTuple):
    """One way of writing a table."""

    separator: str
    decimal: str
    encoding: str
    names: tuple[str, ...] = HEADER

    def bytes(self, rows: tuple[tuple[str, ...], ...] = ROWS) -> bytes:
        """The table as this form has it, with comments and blank lines."""
        out = io.StringIO()
        writer = csv.writer(out, delimiter=self.separator, lineterminator="\n")
        out.write("# 6 May; wet, 12,5 degrees\n\n")
        writer.writerow(self.names)
        for n, (name, *numbers, note) in enumerate(rows):
            writer.writerow([name, *(c.replace(".", self.decimal) for c in numbers), note])
            out.write("#FENCE,1,2\n" if n == 1 else "")
        writer.writerow(["# nothing, below"] + [""] * (len(self.names) - 1))
        return out.getvalue().encode(self.encoding)


TRADE = ("Pt No.", "Easting", "Northing", "Elev. [ft]", "Sigma H", "note")
FORMS = [
    Form(separator, decimal, encoding, names)
    for separator, decimal in ((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","))
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "latin-1")
    for names in (HEADER, TRADE)
]

Points = dict[str, tuple[float, float]]  # name → easting, northing in the CRS


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> RecordView:
    out = tmp_path_factory.mktemp("built") / "out"
    assert CliRunner().invoke(app, ["build", str(SITE), "-o", str(out), "-q"]).exit_code == 0
    return read_record(out / "asbuilt.gpkg")


def as_points(names: list[str], x: list[float], y: list[float]) -> Points:
    return {name: (x, y) for name, x, y in zip(names, x, y, strict=True)}


# ---- the doors -----------------------------------------------------------------------------


def by_site(folder: Path, data: bytes, record: RecordView) -> Points:
    site = shutil.copytree(SITE, folder / "site")
    (site / "control.csv").write_bytes(data)
    return control_of(site)


def control_of(site: Path) -> Points:
    rows = read_site(site).control
    return as_points(rows.point.tolist(), rows.x.tolist(), rows.y.tolist())


def by_update(folder: Path, data: bytes, record: RecordView) -> Points:
    """Three of the points the site has already: they must agree in whatever form."""
    folder.mkdir(exist_ok=True)
    added = write(folder / "added", {"control.csv": data})
    merged = merged_files(SITE, added, folder / "new")
    if merged.faults or merged.site_faults:
        raise SiteFaultsError("added", [*merged.faults, *merged.site_faults])
    assert merged.added["control"] == 1
    new = write(folder / "new", dict(merged.texts))
    return control_of(new)


def by_update_of(folder: Path, data: bytes, record: RecordView) -> Points:
    """The site itself in that form, and another point added to it."""
    site = shutil.copytree(SITE, folder / "site")
    (site / "control.csv").write_bytes(data)
    added = write(folder / "added", {"control.csv": "point,x,y\nPEG,2267001.5,888480.5\n"})
    merged = merged_files(site, added, folder / "new")
    if merged.faults or merged.site_faults:
        raise SiteFaultsError("added", [*merged.faults, *merged.site_faults])
    found = control_of(write(folder / "new", dict(merged.texts)))
    assert found.pop("PEG") == (2267001.5, 888480.5)
    assert "# 6 May; wet, 12,5 degrees" in merged.texts["control.csv"]
    return found


def by_ties(folder: Path, data: bytes, record: RecordView) -> Points:
    folder.mkdir(exist_ok=True)
    (folder / "control.csv").write_bytes(data)
    none = tying.TapePoints((), shapely.get_coordinates([]), shapely.get_coordinates([])[:, 0])
    found = tying.with_more(none, folder / "control.csv", record)
    xy = record.ground.to_file(found.ground_m).round(6)
    return dict(zip(found.name, map(tuple, xy.tolist()), strict=True))


def by_points(folder: Path, data: bytes, record: RecordView) -> Points:
    folder.mkdir(exist_ok=True)
    (folder / "control.csv").write_bytes(data)
    task = ImportTask((folder / "control.csv",), default_codes(), "penzd", horizontal="EPSG:3734")
    (found,) = gather(task, lambda detection: None).transformed
    return as_points(found.points.name.tolist(), found.x.tolist(), found.y.tolist())


Door = Callable[[Path, bytes, RecordView], Points]
TABLES: list[Door] = [by_site, by_update, by_update_of, by_ties]
DOORS: list[Door] = [*TABLES, by_points]


def named(door: Door) -> str:
    return door.__name__


@pytest.mark.parametrize("door", DOORS, ids=named)
def test_every_form_by_every_door_gives_the_same_rows(
    tmp_path: Path, record: RecordView, door: Door
) -> None:
    expected = {name: (float(x), float(y)) for name, x, y, *_ in ROWS}
    for n, form in enumerate(FORMS):
        found = door(tmp_path / f"form{n}", form.bytes(), record)
        assert list(found) == list(expected), form
        assert found == expected, form


@pytest.mark.parametrize("names", [HEADER, TRADE])
def test_a_workbook_is_no_other_door(tmp_path: Path, names: tuple[str, ...]) -> None:
    site = shutil.copytree(SITE, tmp_path / "site")
    (site / "control.csv").unlink()
    book = Workbook()
    sheet = book.worksheets[0]
    sheet.title = "control"
    sheet.append(["# 6 May"])
    sheet.append(names)
    for name, *numbers, note in ROWS:
        sheet.append([name, *(float(c) if c else None for c in numbers), note])
    book.save(site / "control.xlsx")
    assert control_of(site) == {name: (float(x), float(y)) for name, x, y, *_ in ROWS}


def test_readings_and_ties_with_decimal_commas_are_those_with_points(tmp_path: Path) -> None:
    """Columns of lengths, of angles, and the lengths within ties; remarks stay as they are."""
    plain = read_site(SITE)
    site = shutil.copytree(SITE, tmp_path / "site")
    for name in ("marks", "stops"):
        rows = list(csv.reader((SITE / f"{name}.csv").read_text(encoding="utf-8").splitlines()))
        at = rows[0].index("note")
        out = io.StringIO()
        writer = csv.writer(out, delimiter=";")
        for row in rows:
            writer.writerow([c if i == at else c.replace(".", ",") for i, c in enumerate(row)])
        (site / f"{name}.csv").write_bytes(out.getvalue().encode("cp1252"))
    record = read_site(site)
    assert repr(record.marks) == repr(plain.marks)
    assert repr(record.stops) == repr(plain.stops)
    assert any(len(ties) for ties in record.marks.spots.ties)
    told = {f.subject: f.what for f in record.findings if f.code == "input-read-as"}
    assert told == {
        f"file {name}.csv": f"{name}.csv is read with semicolons between cells, with decimal commas"
        for name in ("marks", "stops")
    }


def test_stops_beside_points_are_read_as_those_of_a_site_are(tmp_path: Path) -> None:
    """`import-points --stops`: the form a spreadsheet of a decimal-comma country saves."""
    points, stops = tmp_path / "p.txt", tmp_path / "stops.csv"
    points.write_text("1,888500.0,2268500.0,600.0,R1 1 EN\n2,888503.0,2268501.0,600.0,R1 1 EN\n")
    stops.write_bytes("run;stop;counter;depth;note\nR1;1;12,40;1,35;Schächte\n".encode("cp1252"))
    out = tmp_path / "site"
    asked = [str(points), "-o", str(out), "--crs", "EPSG:3734", "--order", "pnezd", "--units", "m"]
    asked += ["--surveyed", "2026-05-06", "--run", "R1:L1:CO1:with", "--stops", str(stops)]
    done = CliRunner().invoke(app, ["import-points", *asked])
    assert done.exit_code in (0, 1), done.output
    record = read_site(out)
    assert record.stops.counter_m.tolist() == [12.4]
    assert record.stops.depth_reading_m.tolist() == [1.35]
    assert "Schächte" in record.stops.note[0]


def test_an_update_writes_down_how_it_read_what_it_rewrote(tmp_path: Path) -> None:
    """The new site is plain; that a person may look at what was taken for what, it says how."""
    form = Form(";", ",", "latin-1")
    site = shutil.copytree(SITE, tmp_path / "site")
    (site / "control.csv").write_bytes(form.bytes(ROWS[:3]))
    added = write(tmp_path / "added", {"control.csv": form.bytes(ROWS[3:])})
    merged = merged_files(site, added, tmp_path / "new")
    assert merged.faults == merged.site_faults == ()
    how = "with semicolons between cells, with decimal commas"
    lines = merged.texts["control.csv"].splitlines()
    assert lines[:4] == [
        "# 6 May; wet, 12,5 degrees",
        "",
        f'"# written anew by lateralline update; it was read {how}"',
        "point,x,y,z,sigma_h,note",
    ]
    assert lines[-3:] == [
        "# nothing, below;;;;;",
        '"# added by lateralline update from added/control.csv, read as Latin-1, as it is not '
        f'UTF-8 (line 4): look at accents and signs, {how}"',
        "Schächte,2267020.5,888470.25,98.5,,lid",
    ]


def test_ties_say_how_they_read_their_points(tmp_path: Path, record: RecordView) -> None:
    (tmp_path / "c.csv").write_bytes(b"point;x;y\nSHED;2267050,5;888440,25\n")
    known = tying.with_more(tying.control_of(record), tmp_path / "c.csv", record)
    assert known.notes == ("c.csv is read with semicolons between cells, with decimal commas",)


# ---- faults --------------------------------------------------------------------------------


def faults_by(door: Door, folder: Path, data: bytes, record: RecordView) -> list[Fault]:
    with pytest.raises(SiteFaultsError) as caught:
        door(folder, data, record)
    return [f for f in caught.value.faults if f.file == "control.csv"]


FAULTY = (
    ("P5", "about 3", "888470.25", "", "", ""),
    ("P6", "2267020.5", "888470.25", "", "-1", ""),
    ("P/7", "2267020.5", "", "", "", ""),
)


@pytest.mark.parametrize("form", [FORMS[0], FORMS[-1]], ids=["comma", "tab, Latin-1, commas"])
def test_faults_are_the_same_by_every_door(tmp_path: Path, record: RecordView, form: Form) -> None:
    data = form.bytes((*ROWS, *FAULTY))
    said = [
        [str(f) for f in faults_by(door, tmp_path / named(door), data, record)] for door in TABLES
    ]
    assert said[0] == said[1] == said[2] == said[3]
    assert [f.partition(" must")[0] for f in said[0]] == [
        "control.csv:9: x",
        "control.csv:10: sigma_h",
        "control.csv:11: point",
        "control.csv:11: y",
    ]
    rows = {f.row for f in faults_by(by_points, tmp_path / "points", data, record)}
    assert rows == {9, 10, 11}


@pytest.mark.parametrize("separator", [";", "\t"])
@pytest.mark.parametrize("door", TABLES, ids=named)
def test_both_signs_before_decimals_are_a_fault_of_the_rarer(
    tmp_path: Path, record: RecordView, door: Door, separator: str
) -> None:
    rows = [*(",".join(r[:4]).replace(".", "_") for r in ROWS), "P5,2267020.5,888470_2,98_5"]
    text = "\n".join(["point,x,y,z", *rows]).replace(",", separator).replace("_", ",")
    (fault,) = faults_by(door, tmp_path / "one", text.encode(), record)
    assert str(fault) == (
        "control.csv:6: x must have a comma before its decimals, as the rest of the file has; "
        'got "2267020.5" — write 2267020,5'
    )


@pytest.mark.parametrize("door", TABLES, ids=named)
def test_a_comma_that_may_be_either_is_a_fault(
    tmp_path: Path, record: RecordView, door: Door
) -> None:
    """Thousands or decimals: 1,234 alone does not tell, and nothing else of this file does."""
    rows = [";".join((name, "2", "8", "1,234")) for name, *_ in ROWS]
    data = "\n".join(["point;x;y;z", *rows]).encode()
    faults = [f for f in faults_by(door, tmp_path / "one", data, record) if f.column == "z"]
    said = {f.must for f in faults if "sign" in f.must}
    assert said == {
        "must show which sign stands before the decimals; point and comma may both do so"
    }


def test_commas_between_cells_and_before_decimals_stay_a_fault(tmp_path: Path) -> None:
    files = base() | {"stops.csv": STOPS.replace("3.0,1.2", '"3,2",1.2', 1)}
    assert faults_of(write(tmp_path, files)) == [
        'stops.csv:2: counter must be a number in m; got "3,2" — write 3.2'
    ]


@pytest.mark.parametrize(("sign", "name"), [(";", "semicolon"), ("\t", "tab")])
def test_rows_that_do_not_fit_name_the_sign_of_their_file(
    tmp_path: Path, sign: str, name: str
) -> None:
    stops = STOPS.replace(",", sign)
    row = stops.splitlines()[1]
    for changed, hint in (
        (row[:-1], f"empty cells still need their {name}s"),
        (row + sign, f"text with a {name} needs quotes"),
    ):
        (fault,) = faults_of(write(tmp_path, base() | {"stops.csv": stops.replace(row, changed)}))
        assert fault.startswith("stops.csv:2: row must have 6 cells")
        assert fault.endswith(hint)


def test_two_columns_that_may_be_one_are_both_named(tmp_path: Path) -> None:
    files = base()
    files["control.csv"] = files["control.csv"].replace("point,x,y,z", "point,x,elev,level", 1)
    faults = faults_of(write(tmp_path, files))
    assert [f for f in faults if 'did you mean "z"' in f] == [
        f'control.csv:1: header must be a column of control; got "{name}" — did you mean "z"?'
        for name in ("elev", "level")
    ]


def test_signs_of_windows_are_read_as_meant_and_told(tmp_path: Path) -> None:
    folder = write(tmp_path, base())
    text = STOPS.replace("R1,1,3.0,1.2,,", "R1,1,3.0,1.2,,kerb – “wet”", 1)
    (folder / "stops.csv").write_bytes(text.encode("cp1252"))
    record = read_site(folder)
    assert record.stops.note[0] == "kerb – “wet”"
    (told,) = record.findings
    assert (told.severity, told.code, told.where) == ("info", "input-read-as", "stops.csv:1")
    assert told.what == (
        "stops.csv is read as Windows-1252, as it is not UTF-8 (line 2): look at accents and signs"
    )
