"""What is printed is plain, complete, in the crew's own units, and never cut off."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from rich.console import Console

from lateralline.cli import report
from lateralline.cli.command import batch_document
from lateralline.cli.terminal import console
from lateralline.errors import Fault
from lateralline.findings import finding
from lateralline.ingest.cells import _plain_text as text_of_cell
from lateralline.measure import Measure
from lateralline.record import CAUTION
from lateralline.record.summary import LineSummary, NodeSummary, SiteSummary
from lateralline.stages import SiteFailure
from lateralline.units import METRES_PER
from lateralline.wording import metres, plain

LINE = LineSummary(
    line="L1",
    pipe="PVC DN110",
    length_m=12.192,
    shallowest_m=0.6096,
    deepest_m=1.2192,
    cover_min_m=0.508,
    cover_lower_95_m=0.4064,
    sideways_95_m=0.1524,
    sideways_95_at="between R1/4 and R1/5",
    level_95_m=0.0762,
    stops_used=5,
    stops=6,
    undecided=1,
)
FINDING = finding(
    "mark-blunder/one",
    "stop R1/4",
    where="marks.csv:14",
    marks=["M3"],
    off_m=0.31,
    w=4.2,
    limit=3.3,
)
SITE = SiteSummary(
    site_id="EX-001",
    name="Example Yard",
    surveyed="2026-05-06",
    length_unit="m",
    depth_unit="m",
    relative_levels=True,
    sketch=False,
    lines=(LINE,),
    unlocated_stops=("R1/6: one mid null only",),
    findings=(FINDING,),
)


def printed(
    site: SiteSummary,
    width: int = 100,
    *,
    errors_only: bool = False,
    terms: Literal["metric", "us"] | None = None,
) -> str:
    out = io.StringIO()
    to = Console(file=out, width=width)
    report.print_summary(to, site, errors_only=errors_only, terms=terms)
    return out.getvalue()


@pytest.mark.parametrize(
    ("metres", "unit", "said"),
    [
        (0.3048, "ft", "1.00 ft (0.30 m)"),  # international foot, exact
        (1200 / 3937, "us-ft", "1.00 us-ft (0.30 m)"),
        (0.0254, "in", "1.0 in (0.03 m)"),
        (1.0, "cm", "1.00 m"),
        (1.0, "m", "1.00 m"),
        (float("nan"), "ft", "unknown"),
    ],
)
def test_lengths_in_the_sites_own_unit(metres: float, unit: str, said: str) -> None:
    assert report.length(metres, unit) == said


def test_a_range_whose_ends_read_the_same_is_one_number() -> None:
    assert report.taped_range(1.001, 1.002, Measure("m")) == "1.00 m"


def test_a_technician_reads_length_depth_uncertainty_and_stops() -> None:
    said = printed(SITE)
    for part in (
        "EX-001  Example Yard, surveyed 2026-05-06",
        "Line L1  PVC DN110",
        "12.19 m",
        "0.61 to 1.22 m",
        "cover       0.51 m where least, ground to top of pipe",
        "            at least 0.40 m, 95 of 100 times",
        "position ±  0.16 m, between R1/4 and R1/5",
        "level ±     0.08 m",
        "5 of 6",
        "Findings: 1 warning",
        "warning Marks of this stop disagree: stop R1/4 (marks.csv:14)  mark-blunder\n",
        "Mark M3 ",
        "0.31 m off.\n",
        f"→ {FINDING.what_to_do}",
    ):
        assert part in said


def test_what_is_not_bounded_found_or_located_is_said_so() -> None:
    found = (NodeSummary("bend", 3.048, 45.5, ""), NodeSummary("junction", 1.0, float("nan"), "L2"))
    line = replace(LINE, sideways_95_m=float("nan"), nodes=found, carried_on=("CO1",))
    said = printed(replace(SITE, lines=(line,)))
    assert "position ±  not bounded by the counter, between R1/4 and R1/5" in said
    assert "1 bend: 46° at 3.05 m; 1 junction: with L2 at 1.00 m" in said
    assert "left out: pipe past open ends, as to CO1" in said


@pytest.mark.parametrize(
    ("least_m", "bound_m", "said"),
    [
        (float("nan"), float("nan"), "cover       unknown\n"),
        (0.9, float("nan"), "nothing says how much less it may be"),
        (0.3, -0.1, "nothing rules out a pipe at the surface"),
    ],
)
def test_only_a_bound_is_called_at_least(least_m: float, bound_m: float, said: str) -> None:
    line = replace(LINE, cover_min_m=least_m, cover_lower_95_m=bound_m)
    words = printed(replace(SITE, lines=(line,)))
    assert said in words
    assert "at least" not in words


def test_feet_come_first_and_metres_beside_them() -> None:
    said = printed(replace(SITE, length_unit="ft", depth_unit="in"))
    assert "40.00 ft (12.19 m)" in said
    assert """2' 0" to 4' 0" (0.61 to 1.22 m)""" in said  # depths were read in inches
    assert "position ±  0.50 ft (0.16 m)" in said
    assert "elevation ± 0.25 ft (0.08 m)" in said


def test_what_was_taped_in_feet_is_said_in_feet_and_inches() -> None:
    site = replace(SITE, length_unit="ft", depth_unit="ft", taped=True)
    said = printed(site)
    assert """2' 0" to 4' 0" (0.61 to 1.22 m)""" in said
    assert 'position ±  6" (0.16 m)' in said
    assert "40.00 ft (12.19 m)" in said  # along the pipe: a station
    assert "level ±" in printed(site, terms="metric")
    assert "elevation ±" in printed(SITE, terms="us")


def test_findings_are_in_feet_too_where_the_crew_taped_in_feet() -> None:
    said = printed(replace(SITE, length_unit="ft", depth_unit="ft"))
    assert "1.02 ft (0.31 m) off" in said  # 0.31 / 0.3048


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"6 mm, 3 marks, 12 m², {metres(-0.3)}", "6 mm, 3 marks, 12 m², -0.98 ft (-0.30 m)"),
        (f"{metres(0.3)} ± {metres(0.1, 1)}", "0.98 ft (0.30 m) ± 0.4 ft (0.1 m)"),
        (f"{metres(4, None)} off", "13 ft (4 m) off"),
        (f"{metres(0.5, 1, signed=True)}", "+1.6 ft (+0.5 m)"),
        (f"segment L1/5 ± {metres(1.24)}", "segment L1/5 ± 4.07 ft (1.24 m)"),
    ],
)
def test_only_metres_are_turned_into_feet(text: str, said: str) -> None:
    assert report.with_own_unit(text, "ft") == said
    assert report.with_own_unit(text, "m") == plain(text)


@given(name=st.text(max_size=20), metre=st.floats(-1e4, 1e4), unit=st.sampled_from(["ft", "us-ft"]))
@example(name="L1/5", metre=1.24, unit="ft")
@example(name="5", metre=1.24, unit="ft")
@example(name="post 5 m", metre=1.24, unit="ft")
@example(name="post 5\u00a0m", metre=1.24, unit="ft")
def test_no_name_is_taken_for_a_length(name: str, metre: float, unit: str) -> None:
    """As a name stands after reading: whatever blanks its cell had, they are plain ones then."""
    try:
        name = str(text_of_cell(name))
    except ValueError:
        return  # read refuses it
    said = report.with_own_unit(f"{name} ± {metres(metre)} {name}", unit)
    assert said.startswith(f"{name} ± ")
    assert said.endswith(f" {unit} ({metre:.2f} m) {name}")
    own = said.removeprefix(f"{name} ± ").partition(" ")[0]
    off = abs(round(metre, 2)) / METRES_PER[unit]
    assert -1e-6 <= abs(float(own)) - off <= 0.0101  # a ± is never said smaller


def test_nothing_is_lost_on_a_narrow_page() -> None:
    words = printed(SITE, width=40).split()
    assert words == printed(SITE, width=200).split()


def test_brackets_in_field_notes_are_text_not_markup() -> None:
    noted = replace(FINDING, what="note says [red]paint[/red]")
    assert "[red]paint[/red]" in printed(replace(SITE, findings=(noted,)))


def test_quiet_says_errors_only() -> None:
    assert printed(SITE, errors_only=True) == ""
    said = printed(replace(SITE, findings=(replace(FINDING, severity="error"),)), errors_only=True)
    assert "stop R1/4" in said
    assert "12.19" not in said


def test_a_console_that_is_no_terminal_writes_plain_text(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    report.print_summary(console(), SITE)
    said = capsys.readouterr().out
    assert "\x1b" not in said
    assert max(map(len, said.splitlines())) <= 100


def test_a_site_that_failed_is_told_of_without_names_of_stages(
    capsys: pytest.CaptureFixture[str],
) -> None:
    report.print_failure(console(), SiteFailure(Path("a"), "place", "no control"))
    assert capsys.readouterr().out == "a: could not be put in place: no control\n"


def test_faults_are_one_to_a_line_with_folder_file_and_row(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("sites/EX-001").mkdir(parents=True)
    faults = (
        Fault("marks.csv", 14, "offset", "3,2", "must be a number in ft", "write 3.2 " + "x" * 200),
        Fault("stops.csv", 3, "counter", "", "must be given"),
    )
    failure = SiteFailure(Path("sites/EX-001"), "read", "2 faults", faults)
    report.print_failure(console(), failure)
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith('sites/EX-001/marks.csv:14: offset must be a number in ft; got "3,2"')
    assert second == "sites/EX-001/stops.csv:3: counter must be given"


def test_the_json_document_holds_no_nan_and_everything_else() -> None:
    unknown = replace(SITE, lines=(replace(LINE, shallowest_m=float("nan")),))
    failure = SiteFailure(Path("b"), "read", "1 fault", (Fault("a.csv", 2, "x", "", "must be"),))
    content = json.loads(batch_document("check", [("a", unknown)], [failure], Path("out"), 1))
    (site,) = content["sites"]
    assert site["source"] == "a"
    assert site["lines"][0]["shallowest_m"] is None
    assert site["lines"][0]["length_m"] == 12.192
    assert site["findings"][0]["where"] == "marks.csv:14"
    assert content["failures"][0]["faults"][0]["row"] == 2
    assert content["caution"] == CAUTION


def test_a_finding_that_explains_others_goes_into_the_json_document() -> None:
    """What it explains is a set; a site that failed after it used to end the document."""
    cause = finding(
        "measurements-copied/stop", "stop R1/2", explains=["stop R1/2"], other="stop R1/1", marks=3
    )
    failure = SiteFailure(Path("b"), "solve", "why", findings=(cause,))
    content = json.loads(batch_document("check", [], [failure], None, 2))
    (told,) = content["failures"][0]["findings"]
    assert told["title"] == cause.title
    assert told["values"] == {"other": "stop R1/1", "marks": 3}
    assert told["explains"][0]["names"] == sorted(cause.explains[0].names)
