"""Text files of points: every way of writing them reads back the same, or says what is wrong."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lateralline.ingest.conventions import decimal_mark, decimal_text, is_numeric, number
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.survey_points import (
    ColumnChoice,
    Order,
    SurveyPoints,
    detect,
    text_columns,
)
from lateralline.ingest.points.text_points import read_text, text_points
from lateralline.ingest.points.transform import real_levels


def read(
    data: str | bytes, order: Order = "pnezd", choice: ColumnChoice | None = None
) -> tuple[SurveyPoints | None, list[str]]:
    """Read a text of points in the order given; also every fault, as it is shown."""
    ledger = Ledger()
    data = data.encode() if isinstance(data, str) else data
    text = read_text("p.txt", data, ledger)
    columns = None if text is None else text_columns(text, choice or ColumnChoice(), ledger)
    points = None
    if text is not None and columns is not None:
        points = text_points(text, columns, order, ledger)
    return points, [str(f) for f in ledger.faults]


# ---- round trips ---------------------------------------------------------------------------

HEADERS = {
    "pnezd": (None, "P,N,E,Z,D", "Point No.,Northing,Easting,Elevation,Description"),
    "penzd": (None, "P,E,N,Z,D", "point_id,east [us-ft],north [us-ft],level,code"),
}
WORDS = st.text("abcdeRN 0123456789=.", min_size=1, max_size=20)


@dataclass(frozen=True)
class Form:
    """One way of writing a file."""

    order: Order
    separator: str
    header: str | None
    decimal: str
    encoding: str
    thousands: bool

    def number(self, value: float) -> str:
        text = f"{value:,.3f}" if self.thousands else f"{value:.3f}"
        return text.translate(str.maketrans(",.", ".,")) if self.decimal == "," else text


@st.composite
def forms(draw: st.DrawFn) -> Form:
    order = draw(st.sampled_from(["pnezd", "penzd"]))
    separator = draw(st.sampled_from([",", "\t", ";", " "]))
    decimal = "." if separator == "," else draw(st.sampled_from([".", ","]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))
    header = draw(st.sampled_from(HEADERS[order]))
    if separator == " " and header is not None and " " in header:
        header = None
    thousands = separator in ("\t", ";") and draw(st.booleans())
    return Form(order, separator, header, decimal, encoding, thousands)


LENGTHS = st.integers(-9_999_999_999, 9_999_999_999).map(lambda n: n / 1000)
ROWS = st.lists(st.tuples(LENGTHS, LENGTHS, LENGTHS | st.none(), WORDS), min_size=2, max_size=6)


@given(form=forms(), rows=ROWS, blank=st.booleans())
def test_every_separator_order_and_header_reads_back_the_same(
    form: Form, rows: list[tuple[float, float, float | None, str]], blank: bool
) -> None:
    rows = [(x, y, z, " ".join(f"K{code}".split())) for x, y, z, code in rows]
    if form.separator == " " or all(z is None for _, _, z, _ in rows):
        rows = [(x, y, 1.5 if z is None else z, code) for x, y, z, code in rows]
    rows.append((0.5, -0.5, 0.25, "K"))  # 1,234 alone may be either; 0,500 settles it
    out = io.StringIO()
    if form.header:
        out.write(form.header.replace(",", form.separator) + "\n")
    if blank:
        out.write("\n# a comment\n")
    writer = csv.writer(out, delimiter=form.separator, lineterminator="\n")
    for i, (x, y, z, code) in enumerate(rows, start=1):
        a, b = (y, x) if form.order == "pnezd" else (x, y)
        cells = [f"P{i}", form.number(a), form.number(b), "" if z is None else form.number(z)]
        if form.separator == " ":
            out.write(" ".join([*cells, code]) + "\n")
        else:
            writer.writerow([*cells, code])
    points, faults = read(out.getvalue().encode(form.encoding), form.order)
    assert not faults
    assert points is not None
    assert points.name.tolist() == [f"P{i + 1}" for i in range(len(rows))]
    assert points.x.tolist() == [x for x, _, _, _ in rows]
    assert points.y.tolist() == [y for _, y, _, _ in rows]
    np.testing.assert_array_equal(points.z, [np.nan if z is None else z for _, _, z, _ in rows])
    assert points.code.tolist() == [code for _, _, _, code in rows]


@given(st.floats(-1e9, 1e9), st.sampled_from([".", ","]))
def test_numbers_written_for_a_site_read_back_exactly(value: float, mark: str) -> None:
    text = decimal_text(value)
    assert "e" not in text
    assert float(text) == value
    assert number(text, ".") == value
    assert is_numeric(text)


# ---- what files of the world look like -----------------------------------------------------


def test_a_quoted_description_keeps_its_commas_and_an_open_one_too() -> None:
    points, faults = read('1,10.0,20.0,5.0,"kerb, top of"\n2,11.0,21.0,5.0,kerb, foot of\n')
    assert not faults
    assert points is not None
    assert points.code.tolist() == ["kerb, top of", "kerb, foot of"]


def test_a_missing_level_is_unknown_and_a_file_may_have_none() -> None:
    points, faults = read("1,10.0,20.0,,A\n2,11.0,21.0,5.0,B\n")
    assert not faults
    assert points is not None
    np.testing.assert_array_equal(points.z, [np.nan, 5.0])
    points, faults = read("1 10.0 20.0 R1 3 EN\n2 11.0 21.0 MN\n")
    assert not faults
    assert points is not None
    assert np.isnan(points.z).all()
    assert points.code.tolist() == ["R1 3 EN", "MN"]


def test_latin_1_is_read_and_said() -> None:
    points, faults = read("1,10.0,20.0,5.0,Schächte\n".encode("latin-1"))
    assert not faults
    assert points is not None
    assert points.code.tolist() == ["Schächte"]
    assert any("Latin-1" in said for said in points.notes)


def test_columns_chosen_by_name_need_no_order() -> None:
    text = "id,rechts,hoch,h,was,s\nA,20.5,10.5,5.0,R1 1 EN,0.02\n"
    choice = ColumnChoice(x="Rechts", y="hoch", z="h", code="was", name="id", sigma_h="s")
    points, faults = read(text, "penzd", choice)
    assert not faults
    assert points is not None
    assert (points.x[0], points.y[0], points.z[0], points.sigma_h[0]) == (20.5, 10.5, 5.0, 0.02)
    _, faults = read(text, "penzd", ColumnChoice(x="rechst", y="hoch"))
    assert 'did you mean "rechts"?' in faults[0]


def test_columns_of_their_own_tell_run_stop_and_readings() -> None:
    points, _ = read("p;n;e;z;run;stop;kind;counter\n1;10,5;20,5;5,0;R1;3;end null;12,40\n")
    assert points is not None
    assert {k: v.tolist() for k, v in points.attributes.items()} == {
        "run": ["R1"],
        "stop": ["3"],
        "kind": ["end null"],
        "counter": ["12,40"],
    }
    assert points.decimal == ","


def test_inch_marks_survive_between_blanks() -> None:
    points, faults = read('1 10.0 20.0 5.0 R1 1 EN c=55" d=4\' 2 1/2"\n2 11.0 21.0 5.0 "a b"\n')
    assert not faults
    assert points is not None
    assert points.code.tolist() == ['R1 1 EN c=55" d=4\' 2 1/2"', "a b"]


FAULTY = """\
1,10.0,20.0,5.0,A
2,ten,21.0,5.0,B
3,12.0,,5.0,C
4,13.0,23.0,high,D
1,14.0,24.0,5.0,E
,15.0,25.0,5.0,F
7,16.0
8,17,5,27,5,5,0,G
"""


def test_every_fault_of_a_file_is_named_at_once() -> None:
    _, faults = read(FAULTY)
    for said in (
        'p.txt:2: northing must be a number; got "ten"',
        "p.txt:3: easting must be a number",
        'p.txt:4: level must be a number; got "high" — leave it empty',
        'p.txt:5: point must be a number of its own; line 1 has it too; got "1"',
        "p.txt:6: point must have a number or a name",
        "p.txt:7: row must be point, two coordinates, …",
        "p.txt:8: row must be point, two coordinates, level, description; it has more numbers",
    ):
        assert any(said in f for f in faults), (said, faults)
    assert len(faults) == 7


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "must hold points; it is empty"),
        (b"P,N,E,Z,D\n", "must hold points below its header"),
        (b"1,2\0,3,4,5\n", "NUL byte"),
        (b'1,10,20,5,"open\n', "must have its quotes in pairs"),
        (b"1;1,234;2,345;3,456;A\n", "which sign stands before the decimals"),
        (b"a,b,c\n1,2,3\n", "must name the two coordinates"),
        (b"P,N,E,Z,D\n1,10,20,5\n", "must have 5 cells"),
        (b"1,10,2e30,5,A\n", 'easting must be a number; got "2e30"'),
    ],
)
def test_a_file_that_cannot_be_used_says_why(data: bytes, said: str) -> None:
    _, faults = read(data)
    assert any(said in f for f in faults), faults


# ---- the order -----------------------------------------------------------------------------

OHIO = CRS("EPSG:3734")


def order_of(text: str, crs: CRS | None = None, near: list[np.ndarray] | None = None) -> tuple:
    ledger = Ledger()
    file = read_text("p.txt", text.encode(), ledger)
    assert file is not None
    columns = text_columns(file, ColumnChoice(), ledger)
    assert columns is not None
    found = detect(file, columns, crs, near or [])
    return found.order, found.unambiguous


def test_the_order_follows_the_evidence_and_no_evidence_is_none() -> None:
    plain = "1,888500.0,2268500.0,600.0,A\n"
    assert order_of(plain) == (None, False)
    assert order_of(plain, OHIO) == ("pnezd", True)
    assert order_of("1,2268500.0,888500.0,600.0,A\n", OHIO) == ("penzd", True)
    assert order_of("P,N,E,Z,D\n" + plain) == ("pnezd", True)
    assert order_of("p,x,y,z,d\n1,1.0,2.0,3.0,A\n") == ("penzd", False)  # x may be northing
    assert order_of("P,E,N,Z,D\n" + plain, OHIO) == (None, False)  # header against the map
    utm = CRS("EPSG:32617")
    assert order_of("1,500000.0,450000.0,1,A\n", utm) == (None, False)  # both in the zone
    near = [np.array([450100.0, 500100.0])]
    assert order_of("1,500100.0,450000.0,1,A\n", utm, near) == (None, False)  # 71 km: no proof
    far = [np.array([450100.0, 4500100.0])]
    assert order_of("1,4500000.0,450000.0,1,A\n", utm, far) == ("pnezd", True)


def test_the_decimal_mark_is_told_by_the_whole_file() -> None:
    assert decimal_mark(["1.234,5", "7"]) == ","
    assert decimal_mark(["0,123"]) == ","  # no thousands begin with 0
    assert number("1'234'567.5", ".") == 1234567.5
    assert number("nan", ".") is None
    assert number("１２", ".") is None  # digits of another script


@settings(max_examples=150)
@given(st.binary(max_size=80) | st.text("1,;\t .\n\"NEPZD#-x'", max_size=80).map(str.encode))
def test_any_bytes_are_read_or_refused_but_never_trip(data: bytes) -> None:
    points, faults = read(data)
    assert faults or (points is not None and len(points))


# ---- what columns are called ---------------------------------------------------------------


@pytest.mark.parametrize(
    "z", ["Z", "Ht", "HGT", "Elev.", "RL", "Reduced Level", "Height [m]", "ELV"]
)
@pytest.mark.parametrize("name", ["P", "PNT", "Pt No.", "Pt#", "Point ID", "pnt_no"])
@pytest.mark.parametrize("code", ["D", "Code", "Full Code", "Remarks", "Raw Desc", "Comment"])
def test_columns_called_as_the_trade_calls_them_play_their_role(
    name: str, z: str, code: str
) -> None:
    points, faults = read(f"{name},N,E,{z},{code}\nA7,10.0,20.0,5.0,R1 1 EN\n")
    assert not faults
    assert points is not None
    assert (points.name[0], points.z[0], points.code[0]) == ("A7", 5.0, "R1 1 EN")
    assert not points.warnings


def test_a_column_without_a_role_is_named_and_warned_of_when_it_may_have_one() -> None:
    text = "P,N,E,Elev,Ht_pole,Code,Crew,Remarks,Label,Empty\n1,10.0,20.0,5.0,2.0,x,ab,wet,L1,\n"
    points, _ = read(text)
    assert points is not None
    assert "columns not used: ht_pole, crew, remarks, label" in points.notes
    assert "names from p, levels from elev, codes from code" in points.notes
    assert points.warnings == (
        "column ht_pole is not used, and may hold levels: --z ht_pole takes it",
        "column label is not used, and may hold point names: --point label takes it",
        "column remarks is not used, and may hold descriptions: --code remarks takes it",
    )


def test_a_header_that_names_no_levels_names_or_descriptions_is_warned_of() -> None:
    points, _ = read("N,E,Q\n10.0,20.0,5.0\n")
    assert points is not None
    assert len(points.warnings) == 3
    for said in ("names: points are called by their lines", "levels: points come", "descriptions"):
        assert any(said in w for w in points.warnings)


# ---- levels that are none ------------------------------------------------------------------


def levels(*z: float) -> tuple[SurveyPoints, list[str]]:
    points, _ = read("".join(f"{i},10.0,20.0,{v},A\n" for i, v in enumerate(z, start=1)))
    assert points is not None
    ledger = Ledger()
    return real_levels(points, ledger), [str(f) for f in ledger.faults]


@pytest.mark.parametrize("z", [(0, 0, 0), (-9999, -9999), (0, -99999.0), (-32768,), (9999, 0)])
def test_levels_that_are_all_none_are_taken_as_none_and_said(z: tuple[float, ...]) -> None:
    points, faults = levels(*z)
    assert not faults
    assert np.isnan(points.z).all()
    assert "taken as not measured" in points.warnings[0]


@pytest.mark.parametrize("none", [-9999, 9999, -99999, 99999, -999, -32768, 2e7])
def test_a_filler_among_levels_is_named_by_its_row(none: float) -> None:
    points, faults = levels(183.2, none, 183.4)
    (fault,) = faults
    assert fault.startswith("p.txt:2: level must be a level among the others, 183.2 to 183.4")
    np.testing.assert_array_equal(points.z, [183.2, np.nan, 183.4])


@pytest.mark.parametrize("z", [(998.2, 999, 999.4), (0, -0.2, 0.4), (-1.5, 2.0)])
def test_levels_near_a_filler_or_about_nought_are_levels(z: tuple[float, ...]) -> None:
    points, faults = levels(*z)
    assert not faults
    assert not points.warnings
    assert points.z.tolist() == list(z)
