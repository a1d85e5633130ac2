"""One calm screen: a row a line, what asks for action once a cause, and nothing lost."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from lateralline.catalogue import catalogue
from lateralline.cli.report import print_summary
from lateralline.cli.screen import print_screen
from lateralline.findings import Finding, finding
from lateralline.record.grouped import Told, grouped
from lateralline.record.summary import SiteSummary
from tests.cli.test_report import FINDING, LINE, SITE
from tests.support.command import run
from tests.support.places import ROOT

CLEAN = replace(LINE, undecided=0, stops_used=6)


def screen(*sites: SiteSummary, width: int = 100) -> list[str]:
    out = io.StringIO()
    print_screen(Console(file=out, width=width), sites)
    return out.getvalue().splitlines()


def blunder(stop: str, off_m: float) -> Finding:
    return finding(
        "mark-blunder/one", f"stop R1/{stop}", marks=["M3"], off_m=off_m, w=4.0, limit=3.3
    )


def test_a_clean_site_of_two_lines_fits_in_twenty_rows(tmp_path: Path) -> None:
    asked = ("check", ROOT / "sample_sites" / "gnss-bend-branch", "--report", tmp_path / "all.txt")
    ran = run(*asked)
    assert ran.exit_code == 0
    rows = ran.output.splitlines()
    assert len(rows) <= 20
    assert max(len(row) for row in rows if str(tmp_path) not in row) <= 100
    assert any(row.split()[:3] == ["L1", "23.18", "m"] for row in rows)
    assert "No clearance to dig" in ran.output
    full = (tmp_path / "all.txt").read_text(encoding="utf-8")
    assert "Nothing confirms zone or foot" in full  # a note, which the screen counts
    assert "No clearance to dig" in full
    again = run(
        "check", ROOT / "sample_sites" / "gnss-bend-branch", "--report", tmp_path / "all.txt"
    )
    assert again.exit_code == 2  # there already


def test_the_screen_says_what_top_at_least_leaves_out() -> None:
    """The way to an entry nobody located and what is past an end are not in the figure."""
    line = replace(CLEAN, carried_on=("CO1",))
    (row,) = [r for r in screen(replace(SITE, lines=(line,)), width=80) if "left out" in r]
    assert row == "  top at least: of the located line; left out: pipe past open ends, as to CO1"
    (row,) = [r for r in screen(replace(SITE, lines=(CLEAN,)), width=80) if "left out" in r]
    assert row.endswith("left out: pipe past open ends")


def test_codes_stand_behind_what_was_found() -> None:
    """By which `accept`, `explain` and the dictionary name a finding; never past the page."""
    site = replace(SITE, lines=(CLEAN,), findings=(blunder("2", 0.31),))
    for width in (60, 80, 100):
        rows = screen(site, width=width)
        (n,) = [n for n, row in enumerate(rows) if row.rstrip().endswith("mark-blunder")]
        assert rows[n + 1].lstrip().startswith("→")
        assert max(len(row) for row in rows if row.startswith("          ")) <= width
    out = io.StringIO()
    print_summary(Console(file=out, width=80), site)
    assert f"{FINDING.title}: stop R1/2  mark-blunder\n" in out.getvalue()


def test_equal_warnings_are_one_with_a_count_and_a_range() -> None:
    site = replace(SITE, lines=(CLEAN,), findings=(blunder("2", 0.31), blunder("5", 0.55)))
    said = " ".join(" ".join(screen(site)).split())
    assert f"{FINDING.title}: 2 stops: R1/2, R1/5; 0.31 to 0.55 m off" in said
    assert said.count("→") == 1
    assert "2 warnings" in said


def test_three_hundred_lines_fit_on_a_screen_with_the_least_sure_among_them() -> None:
    lines = [replace(CLEAN, line=f"L{n}", sideways_95_m=0.1 + n / 1000) for n in range(300)]
    lines[7] = replace(lines[7], sideways_95_m=float("nan"))
    sites = [
        replace(SITE, site_id=f"S{n:02d}", lines=tuple(lines[3 * n : 3 * n + 3]))
        for n in range(100)
    ]
    rows = screen(*sites)
    assert len(rows) <= 30
    assert sum(" L" in row and "no bound" in row for row in rows) == 1
    assert any(row.split()[:2] == ["S99", "L299"] for row in rows)
    assert any("288 more lines" in row and "0.10 to 0.39 m" in row for row in rows)
    assert any("100 stops on 100 sites" in row for row in rows)


def test_what_may_follow_from_wrong_coordinates_is_folded_under_them() -> None:
    swapped = finding(
        "coordinates-swapped", "3 marks", severity="error", into_x="longitude", near="in Ohio",
        into_y="latitude", lon_deg=41.0, lat_deg=-81.0, nowhere=False,
    )  # fmt: skip
    unread = finding("input-unused/sheet-of-ours", "sheet Marks 2", file="a.xlsx", table="marks")
    told = [Told("", "m", f) for f in (blunder("2", 0.31), unread, swapped)]
    first, second = grouped(told)
    assert first.members[0].found is swapped
    assert [t.found.subject for t in first.follows] == ["stop R1/2"]
    assert second.members[0].found is unread
    here = {"run_id": "R1", "stop_id": "2"}
    both = (replace(blunder("2", 0.31), severity="error", **here), replace(unread, **here))
    (alone,) = grouped([Told("", "m", f) for f in (swapped, *both)])
    assert {t.found.code for t in alone.follows} == {"mark-blunder", "input-unused"}
    of_another = grouped([Told("A", "m", swapped), Told("B", "m", blunder("2", 0.31))])
    assert [len(group.follows) for group in of_another] == [0, 0]


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (replace(blunder("2", 0.3), severity="info"), "1 note"),
        (replace(blunder("2", 0.3), accepted_by="B"), "1 accepted"),
    ],
)
def test_notes_and_what_is_accepted_are_counted_only(found: Finding, said: str) -> None:
    rows = "\n".join(screen(replace(SITE, findings=(found,))))
    assert FINDING.title not in rows
    assert said in rows


def test_a_line_with_an_error_is_not_to_be_used_and_says_so() -> None:
    wrong = replace(blunder("2", 0.3), severity="error", line_id="L1")
    site = replace(SITE, lines=(CLEAN, replace(CLEAN, line="L2")), findings=(wrong,))
    rows = screen(site)
    assert [("do not use" in row) for row in rows if row.lstrip().startswith("L")] == [True, False]
    assert ["do not use" in site.stops_of(line) for line in site.lines] == [True, False]


def test_no_remedy_says_that_none_is_needed() -> None:
    texts = [form.to_do for code in catalogue().entries for form in catalogue().forms(code)]
    assert not [text for text in texts if text.startswith(("none", "nothing"))]
