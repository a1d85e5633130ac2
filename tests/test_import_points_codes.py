"""Descriptions into marks: the default grammar, mapping files of one's own, and their faults."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.read.ledger import Ledger
from lateralline.survey_files.codes import Codes, default_codes, default_text, read_codes
from lateralline.survey_files.points import Points, texts
from lateralline.survey_files.sorting import Sorted, sort_points, unmapped


def points(*codes: str, **told: list[str]) -> Points:
    n = len(codes)
    nothing = np.full(n, np.nan)
    return Points(
        "p.txt", np.arange(1, n + 1), texts([str(i) for i in range(n)]), nothing, nothing,
        nothing, nothing, nothing, texts(list(codes)), {k: texts(v) for k, v in told.items()},
    )  # fmt: skip


def sorted_(*codes: str, using: Codes | None = None, **told: list[str]) -> tuple[Sorted, ...]:
    ledger = Ledger()
    found = sort_points([points(*codes, **told)], using or default_codes(), ledger)
    assert not ledger.faults, [str(f) for f in ledger.faults]
    return found


def faults(*codes: str, using: Codes | None = None) -> list[str]:
    ledger = Ledger()
    sort_points([points(*codes)], using or default_codes(), ledger)
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
        ("mid run=R2 stop=4 depth=1.2", None),
    ],
)
def test_the_default_grammar(code: str, expected: tuple[str, ...] | None) -> None:
    (s,) = sorted_(code)
    if expected is None:
        assert s.unmapped
        return
    assert s.table == "marks"
    assert (s.run, s.stop, s.kind, s.counter, s.depth, s.note) == expected


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


def test_a_mark_lost_to_a_typing_error_is_a_fault_and_a_tree_is_not() -> None:
    (said,) = faults("R1 3 EN", "R1 3 ENN", "TREE")
    assert said.startswith("p.txt:2: description must fit a pattern of the codes")
    assert "begins like a mark of run R1" in said


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
    assert len(codes.patterns) == 12
