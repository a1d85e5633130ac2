"""Descriptions into marks: the default grammar, mapping files of one's own, and their faults."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lateralline.ingest.conventions import Decimal
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.classify import ClassifiedPoint, classify_points, unmapped
from lateralline.ingest.points.codes import Codes, default_codes, default_text, read_codes
from lateralline.ingest.points.survey_points import SurveyPoints, texts
from lateralline.units import parse_length


def points(*codes: str, decimal: Decimal = ".", **attributes: list[str]) -> SurveyPoints:
    n = len(codes)
    nothing = np.full(n, np.nan)
    return SurveyPoints(
        "p.txt", np.arange(1, n + 1), texts([str(i) for i in range(n)]), nothing, nothing,
        nothing, nothing, nothing, texts(list(codes)), {k: texts(v) for k, v in attributes.items()},
        decimal=decimal,
    )  # fmt: skip


def sorted_(
    *codes: str, using: Codes | None = None, decimal: Decimal = ".", **attributes: list[str]
) -> tuple[ClassifiedPoint, ...]:
    ledger = Ledger()
    found = classify_points(
        [points(*codes, decimal=decimal, **attributes)], using or default_codes(), ledger
    )
    assert not ledger.faults, [str(f) for f in ledger.faults]
    return found


def faults(*codes: str, using: Codes | None = None, decimal: Decimal = ".") -> list[str]:
    ledger = Ledger()
    classify_points([points(*codes, decimal=decimal)], using or default_codes(), ledger)
    return [str(f) for f in ledger.faults]


def mapping(text: str) -> Codes:
    ledger = Ledger()
    codes = read_codes("codes.toml", text, ledger)
    assert codes is not None, [str(f) for f in ledger.faults]
    return codes


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("R1 3 EN", ("R1", "3", "end_null", "", "", "")),
        ("R1/3 end null", ("R1", "3", "end_null", "", "", "")),
        ("r1-3 End_Null", ("r1", "3", "end_null", "", "", "")),
        ("R1 3 mid c=12.40 d=1.35", ("R1", "3", "mid_null", "12.40", "1.35", "")),
        ("""R1 3 mn c=12'6" counter""", ("R1", "3", "mid_null", "12'6\"", "", "counter")),
        ("EN R1/3", ("R1", "3", "end_null", "", "", "")),
        ("R1 3 axial peak, wet kerb", ("R1", "3", "peak_axial", "", "", "wet kerb")),
        ("R1 12A PK", ("R1", "12A", "peak", "", "", "")),
        ("ground", ("", "", "ground", "", "", "")),
        ("GS by the gate", ("", "", "ground", "", "", "by the gate")),
        ("mid run=R2 stop=4 depth=1.2", ("R2", "4", "mid_null", "", "1.2", "")),
    ],
)
def test_the_default_grammar(code: str, expected: tuple[str, ...]) -> None:
    (s,) = sorted_(code)
    assert s.table == "marks"
    assert (s.run, s.stop, s.kind, s.counter, s.depth, s.note) == expected


@pytest.mark.parametrize(
    ("values", "decimal", "counter", "depth", "note"),
    [
        ("""c=5' 9 1/2" d=4' 2 1/2\"""", ".", "5' 9 1/2\"", "4' 2 1/2\"", ""),
        ("""c=5'-9½″, d=4ft 2.5in wet""", ".", "5'-9½″", "4ft 2.5in", "wet"),
        ('c="5\' 9 1/2"" d="4.2" wet', ".", "5' 9 1/2\"", "4.2", "wet"),
        ("c=12.4;d=4.35", ".", "12.4", "4.35", ""),
        ("c=12.4,d=4.35", ".", "12.4", "4.35", ""),
        ("c = 12.4  depth = 4.35", ".", "12.4", "4.35", ""),
        ("C:12.4 D:4.35", ".", "12.4", "4.35", ""),
        ("c=1 234.5 d=.5", ".", "1234.5", ".5", ""),
        ("c=1,234.5 d=4", ".", "1234.5", "4", ""),
        ("c=5,8 d=4,25", ",", "5.8", "4.25", ""),
        ("c=5.8 d=4' 2,5\"", ",", "5.8", "4' 2.5\"", ""),
        ("c=12.4 by the gate of no 4", ".", "12.4", "", "by the gate of no 4"),
        ("c=12.4; 8 in tree", ".", "12.4", "", "8 in tree"),
        ("note: see sketch c=12.4", ".", "12.4", "", "note: see sketch"),
    ],
)
def test_values_are_read_whole_with_the_decimal_mark_of_the_file(
    values: str, decimal: Decimal, counter: str, depth: str, note: str
) -> None:
    """As the cells of a site: nothing of a number is left behind, nothing of a note is lost."""
    (s,) = sorted_(f"R1 3 EN {values}", decimal=decimal)
    assert (s.counter, s.depth, s.note) == (counter, depth, note)


@pytest.mark.parametrize(
    ("values", "decimal", "said"),
    [
        ("c=5,8", ".", '"5,8" is none; got "R1 3 EN c=5,8" — write 5.8'),
        ("c=5, 8 d=4", ".", '"5, 8" is none'),  # the comma separated cells as well
        ("c=1,234", ".", "write 1234 or 1.234"),
        ("c=1.350", ",", "write 1350 or 1,350"),
        ("c=12.4 4.35", ".", '"12.4 4.35" is none'),
        ("c=12.4 2nd try", ".", '"12.4 2nd" is none'),
        ("c=4-7 1/2", ".", "write 4' 7 1/2\" if these are feet and inches"),
        ("c=5' 9\" 1/2", ".", "is none"),
        ("c=12.4 m", ".", "leave m out"),
        ("c=12.4m", ".", "leave m out"),
        ("c=12.4 in kerb", ".", "put a semicolon"),
        ("c=5;8", ".", '"5;8" is none'),
        ("c= d=4.2", ".", 'number for counter; "" is none'),
        ("dep=4.3", ".", 'must have known keys; dep is none; got "R1 3 EN dep=4.3" — did you mean'),
        ("conter=4.3", ".", 'did you mean "counter"?'),
        ("t=3,5", ".", 'a number of degrees for tilt; "3,5" is none'),
    ],
)
def test_a_number_that_is_not_read_whole_is_a_fault(
    values: str, decimal: Decimal, said: str
) -> None:
    (fault,) = faults("R1 3 EN " + values, decimal=decimal)
    assert fault.startswith("p.txt:1: description must ")
    assert said in fault


@given(
    length=st.sampled_from(["5' 9 1/2\"", '9 3/16"', "12'", "12.4", "0.05", "4' 7.5\"", "55½″"]),
    key=st.sampled_from(["c=", "c = ", "counter=", "C:", "c="]),
    after=st.sampled_from(["", " ", ", ", "; ", ",", ";"]),
    rest=st.sampled_from(["", "d=4.2", "wet kerb", "t=3", "stop 12 dug", "d=4' 2\""]),
)
def test_a_length_keeps_its_value_whatever_stands_about_it(
    length: str, key: str, after: str, rest: str
) -> None:
    (s,) = sorted_(f"R1 3 EN {key}{length}{after if rest else ''}{' ' if not after else ''}{rest}")
    assert parse_length(s.counter, "ft") == parse_length(length, "ft")


def test_control_exposures_and_what_is_no_part() -> None:
    gate, bare, hole, opening, tree, none = sorted_(
        "CP GATE", "control", "EXP TH1 R1 top d=0.95", "exposure CO1 invert line=L1", "TREE 8", ""
    )
    assert (gate.table, gate.name, bare.table, bare.name) == ("control", "GATE", "control", "1")
    assert (hole.table, hole.name, hole.run, hole.to) == ("exposures", "TH1", "R1", "outside_top")
    assert (opening.name, opening.line, opening.to) == ("CO1", "L1", "invert")
    assert tree.reason == "no pattern fits its description"
    assert none.reason == "it has no description"
    assert unmapped((tree, none)) == {"TREE 8": 1}


def test_fields_of_their_own_need_no_description() -> None:
    a, b = sorted_("", "", run=["R1", "R1"], stop=["3", "3"], kind=["end null", "mid_null"],
                   counter=["12.5", ""], depth=["1.2", ""])  # fmt: skip
    assert (a.table, a.run, a.stop, a.kind, a.counter) == ("marks", "R1", "3", "end_null", "12.5")
    assert b.kind == "mid_null"
    (c,) = sorted_("", run=["R1"], stop=["3"], kind=["mid"], counter=["12,40"], decimal=",")
    assert c.counter == "12.40"


def test_a_mark_lost_to_a_typing_error_is_a_fault_and_a_tree_is_not() -> None:
    (said,) = faults("R1 3 EN", "R1 3 ENN", "TREE")
    assert said.startswith("p.txt:2: description must fit a pattern of the codes")
    assert '"ENN" at 1 point, near end_null' in said


def test_the_words_of_an_office_are_told_in_one_line_with_the_codes_file_to_write() -> None:
    office = ("R1 1 ENUL", "R1 1 MNUL", "R1 2 ENUL c=4", "R1/2 MNUL", "TREE")
    (said,) = faults(*office)
    assert '"ENUL" at 2 points, near end_null; "MNUL" at 2 points, near mid_null' in said
    written = said.partition("write into codes.toml ")[2].partition("; give --codes")[0]
    codes = mapping(written.replace(" and ", "\n"))
    assert [s.kind for s in sorted_(*office[:4], using=codes)] == ["end_null", "mid_null"] * 2


def test_office_words_before_run_and_stop_are_told_where_no_run_is_known_yet() -> None:
    office = ("NUL R1 1 c=4 d=1.2", "NUL R1 2", "HOR R1 1", "TREE T8 12", "EP DRIVE", "BLD SW")
    (said,) = faults(*office)
    assert '"NUL" at 2 points, near end_null or mid_null; "HOR" at 1 point;' in said
    assert 'as words.end_null = "end null, end, en, NUL" would' in said
    codes = mapping('words.end_null = "en, NUL"\nwords.mid_null = "mn, HOR"')
    marks = sorted_(*office, using=codes)
    assert [(s.run, s.stop, s.kind) for s in marks[:3]] == [
        ("R1", "1", "end_null"), ("R1", "2", "end_null"), ("R1", "1", "mid_null"),
    ]  # fmt: skip
    assert [s.table for s in marks[3:]] == [""] * 3


def test_an_office_code_ahead_of_known_words_is_told_once() -> None:
    """With words that are not known, too, and by itself."""
    office = (
        "SS R1 1 EN c=4 d=1.2",
        "SS R1 1 MN",
        "SS R1 2 NULL-E",
        "SS R1 2 NULL-M",
        "SS R1 3 MN",
    )
    (said,) = faults(*office)
    assert '"NULL-E" at 1 point' in said
    assert '"NULL-M" at 1 point' in said
    assert 'words.before = "SS"' in said
    (said,) = faults(*office[:2], office[-1])
    assert '"SS" is ahead of run and stop at 3 points' in said
    assert 'write into codes.toml words.before = "SS"' in said
    codes = mapping(
        'words.end_null = "en, NULL-E"\nwords.mid_null = "mn, NULL-M"\nwords.before = "SS"'
    )
    kinds = ["end_null", "mid_null", "end_null", "mid_null", "mid_null"]
    assert [s.kind for s in sorted_(*office, using=codes)] == kinds


def test_an_office_code_ahead_of_run_and_stop_is_told_apart_from_the_kind() -> None:
    """What the fault says to write is enough: no run SAN with a stop R1-1 comes of it."""
    office = ("SAN R1-1 NULF", "SAN R1-1 CTR c=4 d=1.2", "SAN R1-2 NULF", "SAN R1-2 CTR", "TREE")
    (said,) = faults(*office)
    assert '"NULF" at 2 points' in said
    assert "near control" not in said  # which CTR resembles, and no control has run and stop
    assert 'words.before = "SAN"' in said
    codes = mapping('words.end_null = "en, NULF"\nwords.mid_null = "CTR"\nwords.before = "SAN"')
    assert [(s.run, s.stop, s.kind) for s in sorted_(*office[:4], using=codes)] == [
        ("R1", "1", "end_null"), ("R1", "1", "mid_null"),
        ("R1", "2", "end_null"), ("R1", "2", "mid_null"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "code",
    ["R1_4_EN", "R1.4.EN", "R 1 4 EN", "R-1 4 XX", "EN 3", "3 EN", "END NULL R1 S4", "R3 1 ENX",
     "axial peak", "mid c=12.4", "stop=3 what", "kerb c=12.4 d=4.2", "EN_R1_4"],
)  # fmt: skip
def test_what_looks_like_a_mark_and_fits_no_pattern_is_a_fault(code: str) -> None:
    (said,) = faults("R1 3 EN", code)
    assert said.startswith("p.txt:2: description must fit a pattern of the codes; it ")


@pytest.mark.parametrize(
    "code",
    ["TREE 8 IN", "END OF WALL 3", "T8 12 OAK", "KERB, top of", "pt of curve", "MH 12",
     "peak of roof", "TREE d=0.3", "FL 600.51", "R12 radius", "note: see sketch"],
)  # fmt: skip
def test_what_the_rest_of_a_survey_is_called_is_no_mark(code: str) -> None:
    _, other = sorted_("R1 3 EN", code)
    assert other.unmapped


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("EXP CO1 R1", "measured to"),
        ("EXP CO1 invert", "run or the line"),
        ("R1 3 EN c=abc", 'number for counter; "abc" is none'),
        ("R1 3 EN t=steep", "number of degrees for tilt"),
    ],
)
def test_descriptions_that_lack_something_say_what(code: str, said: str) -> None:
    assert any(said in f for f in faults("R1 3 MN", code)), faults("R1 3 MN", code)


def test_a_mapping_of_ones_own_takes_the_place_of_what_it_names() -> None:
    codes = mapping(
        '[words]\nend_null = "vertical, v"\nignore = "tree"\n'
        "[[pattern]]\nmatch = '(?P<stop>\\d+)\\s*(?P<kind>[a-z]+)'\nrun = \"R9\"\n"
        '[[pattern]]\nform = "{ignore}"\nkind = "ignore"\n'
    )
    v, m, tree = sorted_("4 V", "4 MN", "tree 8 in", using=codes)
    assert (v.run, v.stop, v.kind) == ("R9", "4", "end_null")
    assert m.kind == "mid_null"  # words not named keep the default
    assert tree.reason.startswith("named under ignore")


def test_unmapped_points_may_be_refused() -> None:
    codes = mapping('[points]\nunmapped = "fault"\n')
    assert "p.txt:2" in faults("R1 1 EN", "TREE", using=codes)[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[word]\n", "codes.toml:1: word must be a known section"),
        ('[words]\nendnull = "e"\n', "codes.toml:2: endnull must be a key of [words]"),
        ("[words]\nend_null = 3\n", "codes.toml:2: end_null must be text"),
        ('[words]\nend_null = "x, pk"\n', "must mean one thing"),
        ('[points]\nunmapped = "drop"\n', "must be one of ignore, fault"),
        ('[[pattern]]\nkind = "ground"\n', "or match: one of the two"),
        ('[[pattern]]\nform = "{run} {what}"\n', "{what} stands for nothing"),
        ('[[pattern]]\nform = "{run} {stop}"\n', "must say what the points are"),
        ("[[pattern]]\nmatch = '(?P<kind>'\n", "must be a pattern"),
        ("[[pattern]]\nmatch = '(?P<kind>x)(?P<who>y)'\n", "who is none"),
        ("[words\n", "must be TOML"),
        ("pattern = 3\n", "must be a section"),
    ],
)
def test_faults_of_a_mapping_file_are_named(text: str, said: str) -> None:
    ledger = Ledger()
    assert read_codes("codes.toml", text, ledger) is None
    assert any(said in str(f) for f in ledger.faults), [str(f) for f in ledger.faults]


def test_the_default_reads_without_fault_and_is_complete() -> None:
    ledger = Ledger()
    codes = read_codes("codes_default.toml", default_text(), ledger)
    assert not ledger.faults
    assert codes == default_codes()
    assert len(codes.patterns) == 13
