"""Findings by a test of a whole line: what follows from the record is worked again by hand here."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Mapping
from math import log
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import lateralline
from lateralline.cli import app
from lateralline.explain import explain
from lateralline.explain.found import found_by
from lateralline.explain.statistic import beyond_the_record, statistic_figures
from lateralline.explain.whole import explain_all
from lateralline.record.rows import FindingRow, SegmentRow
from lateralline.record.view import RecordView, read_record
from tests.support.places import SAMPLES

#: χ² of two freedoms exceeds x by a chance of e^(−x / 2): of 0.001, x = −2 ln 0.001.
PLAN_LIMIT = -2.0 * log(0.001)
#: χ² of one freedom is a normal error squared: 3.29053² is exceeded once in 1,000.
ONE_LIMIT = 3.29053**2


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> RecordView:
    """A sample with stop R1/3 marked 1.2 m aside and the counter of R1/7 misread by 0.9 m."""
    return _spoilt(
        tmp_path_factory.mktemp("wrong"), ("marks", "3", "x", 1.2), ("stops", "7", "counter", 0.9)
    )


def _spoilt(home: Path, *errors: tuple[str, str, str, float]) -> RecordView:
    """Return the record of a sample with so much added to a column of stops of R1."""
    folder = home / "site"
    shutil.copytree(SAMPLES / "gnss-bend-branch", folder)
    for table, stop, column, error in errors:
        name = f"{table}.csv"
        with (folder / name).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            if (row["run"], row["stop"]) == ("R1", stop):
                row[column] = f"{float(row[column]) + error:.3f}"
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            out.writeheader()
            out.writerows(rows)
    made = CliRunner().invoke(app, ["build", str(folder), "-o", str(home / "out")])
    assert made.exit_code == 1, made.output
    return read_record(home / "out" / "asbuilt.gpkg")


def _row(view: RecordView, code: str, variant: str) -> FindingRow:
    return next(r for r in view.rows(FindingRow) if (r.code, r.variant) == (code, variant))


def _with(row: FindingRow, values: Mapping[str, float], **own: str) -> FindingRow:
    """Return a row with other values, as one has it that somebody edited or another line gave."""
    told = json.loads(row.found_by) | {n: {"value": v, "unit": "1"} for n, v in values.items()}
    return FindingRow({**row.values, "found_by": json.dumps(told), **own})


def _figures(view: RecordView, row: FindingRow) -> dict[str, Any]:
    return {figure.what: figure for figure in statistic_figures(view, found_by(row))}


def test_one_reading_is_its_size_over_its_sigma_squared(view: RecordView) -> None:
    row = _row(view, "blunder", "counter-or-plan")
    found = json.loads(row.found_by)
    figures = _figures(view, row)
    statistic = figures["statistic (χ²)"]
    by_hand = (found["off_m"]["value"] / found["sigma_m"]["value"]) ** 2
    assert statistic.value == pytest.approx(by_hand, rel=1e-12)
    assert statistic.value == pytest.approx(found["statistic"]["value"], rel=1e-6)
    assert statistic.agrees
    assert not statistic.by_hand
    assert figures["limit of the statistic"].value == pytest.approx(ONE_LIMIT, rel=1e-5)
    assert figures["limit of the statistic"].agrees
    # who edits size, statistic or limit is found out
    for name, what in (("statistic", "statistic (χ²)"), ("limit", "limit of the statistic")):
        edited = _with(row, {name: found[name]["value"] + 0.01})
        assert not _figures(view, edited)[what].agrees
    told = explain(view.source, row.cause)
    assert told.disagreeing == ()
    assert any("Size and σ cannot be worked from the record alone" in t for t in told.said)


def test_a_place_in_plan_is_held_from_below(view: RecordView) -> None:
    row = _row(view, "blunder", "plan")
    found = json.loads(row.found_by)
    figures = _figures(view, row)
    least = figures["statistic (χ²), at least"]
    by_hand = (found["off_m"]["value"] / found["sigma_m"]["value"]) ** 2
    assert PLAN_LIMIT < least.value == pytest.approx(by_hand, rel=1e-12)
    assert least.value < found["statistic"]["value"]
    assert least.agrees
    assert figures["limit of the statistic"].value == pytest.approx(PLAN_LIMIT, rel=1e-9)
    # a statistic smaller than one bearing alone gives cannot be
    edited = _figures(view, _with(row, {"statistic": 0.9 * by_hand}))
    assert not edited["statistic (χ²), at least"].agrees
    assert any("held from below" in text for text in beyond_the_record(found_by(row)))


def test_a_doubt_is_worked_as_far_as_an_error_is(view: RecordView) -> None:
    plan = _row(view, "blunder", "plan")
    row = _with(plan, {"of_hundred": 31.0}, code="shape-undecided", variant="or-wrong")
    figures, of_error = _figures(view, row), _figures(view, plan)
    assert figures.keys() == of_error.keys()
    for what, figure in figures.items():
        assert (figure.value, figure.agrees) == (of_error[what].value, True)
    assert any("of a hundred pipes" in text for text in beyond_the_record(found_by(row)))


def test_the_limit_of_a_shift_tells_at_how_many_places_one_may_begin(view: RecordView) -> None:
    """0.005 for all places, 0.005 / 7 for each of seven: a limit of −2 ln (0.005 / 7)."""
    limit = -2.0 * log(0.005 / 7.0)
    values = {"statistic": 40.0, "limit": limit, "off_m": 0.5, "sigma_m": 0.1}
    row = _with(_row(view, "blunder", "plan"), values, code="stops-shifted", variant="sure")
    figures = _figures(view, row)
    places = figures["places of the line at which a shift may begin, by the limit"]
    assert places.value == pytest.approx(7.0)
    assert places.agrees
    assert figures["statistic (χ²), at least"].value == pytest.approx(25.0)
    assert any("At how many places" in text for text in beyond_the_record(found_by(row)))
    other = _figures(view, _with(row, {"limit": limit + 0.1}))
    assert not next(f for what, f in other.items() if what.startswith("places")).agrees


def test_a_straight_that_does_not_fit_is_that_of_its_segment(view: RecordView) -> None:
    segment = next(s for s in view.rows(SegmentRow) if s.straight_dof == 5.0)
    limit = 20.515  # χ² of five freedoms is exceeded by it once in 1,000 (from memory)
    row = _with(
        _row(view, "blunder", "plan"), {"statistic": segment.straight_chi2, "limit": 20.515005652},
        variant="contradiction", subject=f"stop {segment.from_ref}",
    )  # fmt: skip
    figures = _figures(view, row)
    assert figures[f"misfit (χ²) of a straight pipe on {segment.segment_id}"].agrees
    assert figures["limit of that misfit"].value == pytest.approx(limit, abs=1e-3)
    assert figures["limit of that misfit"].agrees
    assert any("pipes drawn are not kept" in text for text in beyond_the_record(found_by(row)))


def test_what_else_a_finding_speaks_of_is_kept_and_led_on_to(tmp_path: Path) -> None:
    """The marks of R1/5 lie out of reach of R1/4: the finding is of R1/5, and of R1/4 too."""
    view = _spoilt(tmp_path, ("marks", "5", "x", 0.6), ("marks", "5", "y", -1.5))
    row = _row(view, "counter-wrong", "too-short")
    assert (row.subject, row.also_about) == ("stop R1/5", '["stop R1/4"]')
    told = explain(view.source, row.cause)
    assert "It speaks of stop R1/4 too." in told.said
    assert "What stop R1/4 rests on, in words" in [table.title for table in told.tables]
    assert len([t for t in told.tables if t.title == "Marks"]) == 2
    # the page leads there too, and back
    spots = explain_all(view)
    own = next(spot for spot in spots if spot.row is row)
    assert [spots[n].title for n in own.leads] == ["Stop R1/5", "Stop R1/4"]
    stop = next(spot for spot in spots if spot.title == "Stop R1/4")
    assert own.title in [spots[n].title for n in stop.leads]
    # and whoever reads the record back has it
    record = lateralline.load(view.source.parent)
    about = {f.subject: f.about for f in record.findings if f.name == "counter-wrong/too-short"}
    assert about == {"stop R1/5": ("stop R1/4",)}
