"""Control misread or exchanged is told as the cause, and not the stops that hang on it."""

from __future__ import annotations

from pathlib import Path

import pytest

from lateralline.stages import SiteResult
from tests.support.planted import SOUND, Row, planted, told

TAPED = [name for name in SOUND if name not in ("gnss-bend-branch", "lon-lat")]


def first(result: SiteResult) -> str:
    return result.findings[0].name


@pytest.mark.parametrize("seed", [1, 7])
@pytest.mark.parametrize("scenario", ["local-sketch"])
def test_two_points_exchanged_are_named_and_nothing_else_is(
    tmp_path: Path, scenario: str, seed: int
) -> None:
    def change(rows: list[Row]) -> None:
        rows[0]["point"], rows[2]["point"] = rows[2]["point"], rows[0]["point"]

    result = planted(tmp_path / "site", scenario, seed, control=change)
    assert first(result) == "control-implausible/exchanged"
    assert {"A", "N"} == {result.findings[0].values["one"], result.findings[0].values["other"]}
    assert [f.name for f in result.findings if f.severity == "error"] == [first(result)]


@pytest.mark.parametrize("seed", [1, 7])
def test_a_point_that_carries_several_stops_leads_with_its_place(tmp_path: Path, seed: int) -> None:
    def change(rows: list[Row]) -> None:
        rows[1]["x"] = "3.00"  # B, 9.00

    result = planted(tmp_path / "site", "local-sketch", seed, control=change)
    (finding,) = [f for f in result.findings if f.severity == "error"]
    assert finding.name == "control-implausible/misread"
    assert finding.subject == "control point B"
    assert finding.values["off_m"] == pytest.approx(6.0, abs=0.4)
    assert finding.values["bearing_deg"] == pytest.approx(90.0, abs=5.0)


def test_of_a_stop_on_a_point_of_its_own_both_are_named(tmp_path: Path) -> None:
    """Its counter is wrong; a point elsewhere would do the same."""

    def change(rows: list[Row]) -> None:
        rows[4]["counter"] = f"{float(rows[3]['counter']) - 0.3:.2f}"

    result = planted(tmp_path / "site", "local-sketch", 11, stops=change)
    assert first(result) == "control-implausible/or-stop"
    assert result.findings[0].subject == "stop R1/5"
    assert result.findings[0].values["points"] == ("N",)
    assert told(result, "counter-wrong/too-short")  # what accuses the stop stays


@pytest.mark.parametrize("scenario", TAPED)
def test_control_is_not_blamed_for_a_stop_on_the_points_of_others(
    tmp_path: Path, scenario: str
) -> None:
    def change(rows: list[Row]) -> None:
        rows[2]["counter"] = f"{float(rows[2]['counter']) + 30.0:.2f}"

    result = planted(tmp_path / "site", scenario, 7, stops=change)
    assert not told(result, "control-implausible")
