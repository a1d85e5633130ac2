"""Bounds in words: how far off is never said smaller, what is at least never greater."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.measure import UNITS, Measure
from lateralline.page.places import Fact, fact_text
from lateralline.record.view import read_record
from tests.support.places import SAMPLES


@pytest.mark.parametrize("unit", UNITS)
def test_a_bound_is_never_said_on_the_unsafe_side(unit: str) -> None:
    """Nor farther from it than one step of the unit."""
    measure = Measure(unit)

    def metres(said: str) -> float:
        inches = '"' in said and "'" not in said
        return measure.read(f"0' {said}" if inches else said)

    for value_m in (1.2888, 0.2349, 0.23, 3.0001, 0.4572, 0.0812, 0.0):
        most, least = metres(measure.bare_off(value_m)), metres(measure.bare_least(value_m))
        assert value_m - 1e-7 <= most < value_m + measure.step_m
        assert value_m - measure.step_m < least <= value_m + 1e-7
        half = measure.bare_95(1.0, value_m).split(" ± ")[1]
        assert half == measure.bare_off(value_m)


def test_screen_report_sheet_and_page_say_one_figure(tmp_path: Path) -> None:
    """A line's ± and its cover at least, wherever they stand."""
    out = tmp_path / "out"
    made = CliRunner().invoke(app, ["build", str(SAMPLES / "slope-levels"), "-o", str(out)])
    assert made.exit_code == 0, made.output
    view = read_record(out / "asbuilt.gpkg")
    [line] = view.centrelines
    bound_m = view.least_cover_95_m(line.line_id)
    off, least = view.off_both(line.position_95_max_m), view.least_both(bound_m)
    assert float(off.removesuffix(" m")) >= line.position_95_max_m
    assert float(least.removesuffix(" m")) <= bound_m
    assert fact_text(Fact("position ±", line.position_95_max_m, kind="off"), "m") == off
    assert fact_text(Fact("cover at least", bound_m, kind="least"), "m") == least
    report = tmp_path / "check.txt"
    asked = ["check", str(SAMPLES / "slope-levels"), "--report", str(report)]
    shown = CliRunner().invoke(app, asked).output.splitlines()
    row = next(text for text in shown if text.startswith("  L1 "))
    told = report.read_text(encoding="utf-8")
    for said in (off, least, Measure("m").off(INTERVAL_95 * line.invert_sigma_max_m)):
        assert said in row
        assert said in told
