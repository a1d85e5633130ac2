"""Marks on the wrong side, or under another stop's name: the slip is named, nothing else blamed.

Practice sites of several seeds with one slip planted in their files. That marks of one stop lie
within two depths of one another follows from the closed forms of a dipole's field, checked in
tests/kernels/test_dipole.py.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lateralline.diagnose.causes import leading
from lateralline.findings import Effect, Finding
from lateralline.simulate import SCENARIOS, make_site
from lateralline.stages import SiteResult
from tests.support.planted import Row, codes, column, planted, set_unit, through, told

OTHER_SIDE = {"left": "right", "right": "left"}
#: What a mark on the wrong side used to be told as.
BLAMED = {
    "depth-reading-wrong",
    "counter-wrong/reading",
    "counter-wrong/too-short",
    "blunder",
    "unit-wrong/tape-unknown",
    "mark-blunder/all",
    "mark-blunder/one",
    "stop-not-located",
    "shape-undecided/contradiction",
    "shape-undecided/step",
}


def mirror(row: Row) -> None:
    if row["method"] == "offset":
        sign = row["base_offset"]
        row["base_offset"] = sign[1:] if sign.startswith("-") else f"-{sign}"
    else:
        row["side"] = OTHER_SIDE[row["side"]]


def used_marks(result: SiteResult) -> dict[str, bool]:
    names, used = (column(result, "field_marks", c) for c in ("mark_id", "used"))
    return dict(zip(names, used, strict=True))


def may_be_mirrored(row: Row, kind: str) -> bool:
    return row["kind"] == kind and (row["method"] == "offset" or bool(row["side"]))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("scenario", ["tape-ties", "slope-levels", "local-sketch"])
@pytest.mark.parametrize("kind", ["end_null", "mid_null"])
def test_a_mark_on_the_wrong_side_is_the_one_thing_told(
    tmp_path: Path, scenario: str, seed: int, kind: str
) -> None:
    names: list[str] = []

    def change(rows: list[Row]) -> None:
        may = [r for r in rows if may_be_mirrored(r, kind)]
        row = may[seed * 2 % len(may)]
        mirror(row)
        names.append(row["mark"])

    result = planted(tmp_path / "site", scenario, seed, marks=change)
    (finding,) = told(result, "mark-mirrored")
    assert (finding.severity, finding.subject) == ("error", f"mark {names[0]}")
    assert result.findings[0] is finding
    assert finding.variant == "mark"
    assert str(finding.values["reads"]).startswith(("base_offset = ", "side = "))
    assert not codes(result) & BLAMED - codes(planted(tmp_path / "sound", scenario, seed))
    used = used_marks(result)
    assert not used[names[0]]
    assert sum(used.values()) >= len(used) - 2  # it and a ground shot at most


@pytest.mark.parametrize("scenario", ["tape-ties", "slope-levels", "local-sketch"])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_side_of_every_tie_is_one_finding_that_leads(
    tmp_path: Path, scenario: str, seed: int
) -> None:
    """Told from the second point to the first: it used to draw a line of 29 m for one of 13 m."""

    def change(rows: list[Row]) -> None:
        for row in rows:
            if row["side"]:
                mirror(row)

    sound = planted(tmp_path / "sound", scenario, seed)
    result = planted(tmp_path / "site", scenario, seed, marks=change)
    (finding,) = told(result, "mark-mirrored")
    assert result.findings[0] is finding
    assert finding.severity == "error"
    assert finding.variant == "baseline-ties"
    assert not codes(result) & BLAMED
    length, before = (column(r, "pipe_centreline", "length_m")[0] for r in (result, sound))
    # the last stop may be among those not used: a stop's spacing less
    assert before - 3.0 < length < before + 0.5


def test_one_stop_tied_on_the_wrong_side_is_told_as_that_stop(tmp_path: Path) -> None:
    def change(rows: list[Row]) -> None:
        for row in (r for r in rows if r["stop"] == "2" and r["side"]):
            mirror(row)

    result = planted(tmp_path / "site", "local-sketch", 4, marks=change)
    (finding,) = told(result, "mark-mirrored")
    assert finding.subject == "stop R1/2"
    assert not codes(result) & BLAMED


def test_marks_of_another_stop_are_told_as_an_id_used_twice(tmp_path: Path) -> None:
    """Two stops under one id, each with one end marked: the counter says which of them it is."""

    def change(rows: list[Row]) -> None:
        rows[:] = [r for r in rows if not (r["stop"] in "36" and r["mark"].endswith("A"))]
        for row in rows:
            if row["stop"] == "6":
                row["stop"] = "3"

    result = planted(tmp_path / "site", "gnss-bend-branch", 5, marks=change)
    (finding,) = told(result, "stop-id-twice")
    assert (finding.severity, finding.subject) == ("error", "stop R1/3")
    used = used_marks(result)
    assert used["R1-3B"]
    assert not used["R1-6B"]
    assert not told(result, "depth-reading-wrong", "mark-blunder/all", "counter-wrong/too-short")


def test_one_mark_of_another_stop_is_told_with_the_stop_it_lies_at(tmp_path: Path) -> None:
    def change(rows: list[Row]) -> None:
        rows[:] = [r for r in rows if r["mark"] != "R1-3M"]
        next(r for r in rows if r["mark"] == "R1-6M")["stop"] = "3"

    result = planted(tmp_path / "site", "gnss-bend-branch", 5, marks=change)
    (finding,) = told(result, "mark-astray")
    assert finding.subject == "mark R1-6M"
    assert finding.values["beside"] == "stop R1/6"


@pytest.mark.parametrize("scenario", ["tape-ties", "slope-levels", "local-sketch"])
@pytest.mark.parametrize("units", [("depth", "m"), ("depth", "ft"), ("depth", "in")])
def test_no_mark_is_doubted_for_a_unit(
    tmp_path: Path, scenario: str, units: tuple[str, str]
) -> None:
    """How far marks may lie apart does not hang on the unit readings are set to."""
    folder = tmp_path / "site"
    make_site(SCENARIOS[scenario], 7, folder)
    set_unit(folder, *units)
    result = through(folder)
    assert not told(result, "mark-mirrored", "mark-astray", "stop-id-twice")


def finding(code: str, subject: str, **more: Any) -> Finding:
    return Finding("error", "link", code, subject, "", "", "", **more)


def test_what_follows_is_left_out_and_the_cause_leads() -> None:
    effect = (Effect.of(["chord"], ["stop R1/3"]),)
    cause = finding("swap", "run R1", explains=effect)
    other = finding("chord", "stop R1/7")
    follows = finding("chord", "stop R1/4", about=("stop R1/3",))
    kept = finding("level", "stop R1/3")
    assert leading([other, follows, kept, cause]) == (cause, other, kept)
    assert leading([other, follows]) == (other, follows)
