"""Accuracies that a site's residuals deny: claimed wider, named, and never for one blunder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

import lateralline.solve as solving
from lateralline.proof.line_truth import simulate_site
from lateralline.proof.scenarios import SCENARIOS, WRONG, Simulated, StopScenario, simulate
from lateralline.proof.world import CASES
from lateralline.proof.world_survey import survey_lines, write_site
from lateralline.records import Solved
from lateralline.settings import standard_accuracy
from lateralline.solve import solve
from lateralline.stages import SiteResult, run_site


def doubted(solved: Solved) -> list[str]:
    """Accuracies that are named as wider than stated."""
    return [
        str(f.values["accuracy"])
        for f in solved.findings
        if f.code == "misfit" and f.variant == "accuracy"
    ]


def solved(s: Simulated) -> Solved:
    return solve(s.marks, s.stops, s.settings)


def test_a_receiver_three_times_worse_is_named_and_claimed() -> None:
    s = simulate(WRONG[1], 60, 4)
    found = solved(s)
    assert found.accuracy is not None
    assert "receiver_angle_deg" in doubted(found)
    told, claimed = s.settings.accuracy, found.accuracy
    assert 2.0 < claimed.receiver_angle_rad / told.receiver_angle_rad < 4.5
    assert all(getattr(claimed, f.name) >= getattr(told, f.name) for f in fields(told))
    of_receiver = next(f for f in found.findings if f.code == "misfit")
    assert of_receiver.severity == "warning"


def test_one_blunder_is_no_reason_to_doubt_an_accuracy() -> None:
    s = simulate(SCENARIOS[0], 12, 9)
    xyz = s.marks.xyz_m.copy()
    xyz[4, :2] += 0.8
    found = solved(replace(s, marks=replace(s.marks, xyz_m=xyz)))
    assert found.accuracy == s.settings.accuracy
    assert doubted(found) == []


def test_sites_as_stated_are_seldom_doubted() -> None:
    """Two questions at 2.5 % each: of 10 sites at most 2, three standard deviations of chance."""
    named = [doubted(solved(simulate(SCENARIOS[0], 20, seed))) for seed in range(10)]
    assert sum(map(bool, named)) <= 2


@pytest.mark.parametrize(
    "true",
    [{"counter_m": 0.2, "counter_ratio": 0.02}, {"axis_tilt_rad": np.radians(15.0)}],
    ids=["counter", "tilt"],
)
def test_the_cable_between_stops_shows_tilts_and_leaves_counters(true: dict[str, float]) -> None:
    """A chord is no path: counters are claimed by as stated, or misread ones would go unnamed."""
    site = simulate_site(11, 2, 4, accuracy=standard_accuracy(**true))
    found = solve(site.marks, site.stops, replace(site.settings, accuracy=standard_accuracy()))
    claimed, stated = found.claimed(site.settings).accuracy, standard_accuracy()
    assert (claimed.counter_m, claimed.counter_ratio) == (stated.counter_m, stated.counter_ratio)
    assert ("tilt_prior_deg" in doubted(found)) is ("axis_tilt_rad" in true)
    if "axis_tilt_rad" in true:
        assert claimed.tilt_prior_rad > 1.5 * stated.tilt_prior_rad
        assert claimed.axis_tilt_rad > 1.5 * stated.axis_tilt_rad


def test_along_a_long_line_what_counters_and_tilts_show_alike_is_laid_to_the_tilt(
    tmp_path: Path,
) -> None:
    """Thirty stops of a camera three times as crooked, as if every third counter were misread."""
    (case,) = (c.departure for c in CASES if c.name == "tilt-third")
    *_, line = survey_lines(3, 13, case)
    result = run_site(write_site(line, tmp_path), until="solve")
    assert isinstance(result, SiteResult)
    found, stated = result.work["solved"], result.work["record"].settings
    assert doubted(found) == ["tilt_prior_deg"]
    claimed, told = found.claimed(stated).accuracy, stated.accuracy
    assert claimed.counter_m == told.counter_m
    assert 2.0 < claimed.tilt_prior_rad / told.tilt_prior_rad < 4.5


@pytest.mark.parametrize("scenario", [SCENARIOS[0], WRONG[1]], ids=["as stated", "doubted"])
def test_what_is_left_of_a_fit_is_worked_out_once(
    monkeypatch: pytest.MonkeyPatch, scenario: StopScenario
) -> None:
    """Doubts and evidence ask the same of one fit; an accuracy that is doubted makes another."""
    asked = []

    def counted(name: str, work: Callable[..., object]) -> None:
        monkeypatch.setattr(solving, name, lambda *given: (asked.append(name), work(*given))[1])

    counted("stop_residuals", solving.stop_residuals)
    counted("spacing_residuals", solving.spacing_residuals)
    fits = 1 + bool(doubted(solved(simulate(scenario, 20, 4))))
    assert sorted(asked) == ["spacing_residuals"] + ["stop_residuals"] * fits
