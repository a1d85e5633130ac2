"""What the layer of fixes says of a stop that the rest of its line contradicts."""

from __future__ import annotations

from pathlib import Path

import pytest

import lateralline
from tests.support.moved_stop import moved_stop


@pytest.mark.parametrize(
    ("along_m", "across_m", "variant"), [(0.5, 0.0, "counter-or-plan"), (0.0, 0.5, "plan")]
)
def test_a_stop_that_an_error_denies_is_not_said_to_be_located(
    tmp_path: Path, along_m: float, across_m: float, variant: str
) -> None:
    """Half a metre along the pipe the counter may be wrong, too; across, only the place is."""
    record = lateralline.build(moved_stop(tmp_path / "site", 3, along_m, across_m))
    (found,) = (f for f in record.findings if f.code == "blunder")
    assert (found.subject, found.variant) == ("stop R1/3", variant)
    assert abs(found.values["off_m"]) == pytest.approx(0.5, abs=0.15)
    fixes = record.layers["transmitter_fixes"].set_index(["run_id", "stop_id"])
    denied = fixes.loc[("R1", "3")]
    assert denied["status"] == "contradicted"
    assert f"(blunder/{variant})" in denied["reason"]
    assert (fixes["status"] == "contradicted").sum() == 1


def test_of_a_stop_that_is_doubted_the_reason_tells(tmp_path: Path) -> None:
    record = lateralline.build(moved_stop(tmp_path / "site", 3, 0.0, 0.2))
    (found,) = (f for f in record.findings if f.name == "shape-undecided/or-wrong")
    assert "stop R1/3" in found.suspects
    doubted = record.layers["transmitter_fixes"].set_index(["run_id", "stop_id"]).loc[("R1", "3")]
    assert doubted["status"] == "located"
    assert "(shape-undecided/or-wrong)" in doubted["reason"]


def test_metal_is_not_looked_for_where_a_stop_is_denied(tmp_path: Path) -> None:
    findings = lateralline.check(moved_stop(tmp_path / "site", 3, 0.0, 0.35))
    (denied,) = (f for f in findings if f.code == "blunder")
    assert denied.subject == "stop R1/3"
    assert not any(denied.subject in f.about for f in findings if f.code == "field-turned")
