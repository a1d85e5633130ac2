"""Accuracies that a site's residuals deny: claimed wider, named, and never for one blunder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

import lateralline.solve as solving
from lateralline.kernels.variance import Networks
from lateralline.proof.line_truth import simulate_site
from lateralline.proof.scenarios import SCENARIOS, WRONG, Simulated, StopScenario, simulate
from lateralline.proof.world import CASES
from lateralline.proof.world_survey import survey_lines, write_site
from lateralline.records import Solved
from lateralline.settings import standard_accuracy
from lateralline.solve import solve
from lateralline.solve.directions import in_groups
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


def site_of(case: str, number: int, folder: Path, seed: int = 1) -> Solved:
    (world,) = (c.departure for c in CASES if c.name == case)
    *_, line = survey_lines(seed, number + 1, world)
    result = run_site(write_site(line, folder), until="solve")
    assert isinstance(result, SiteResult)
    found = result.work["solved"]
    assert isinstance(found, Solved)
    return found


def test_headings_along_straight_pipe_show_a_dull_receiver_where_marks_hardly_do(
    tmp_path: Path,
) -> None:
    """What marks leave over is by chance in one of seven: alone they raise no doubt here."""
    found = site_of("receiver-third", 2, tmp_path)
    assert "receiver_angle_deg" in doubted(found)


def test_tilts_are_believed_before_the_marks_that_wide_tilts_spoil(tmp_path: Path) -> None:
    """Marks seem ill placed as well; with tilts as wide as they are, nothing is left of that."""
    assert doubted(site_of("tilt-third", 6, tmp_path)) == ["tilt_prior_deg"]


def test_directions_scatter_as_stated_where_all_is_as_stated(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """χ² of every group is about its degrees of freedom, a quarter off at most in 200 of them."""
    made: list[Networks] = []
    work: Callable[..., Networks] = solving.direction_residuals

    def kept(*given: object) -> Networks:
        made.append(work(*given))
        return made[-1]

    monkeypatch.setattr(solving, "direction_residuals", kept)
    for number in range(15):
        (folder := tmp_path / str(number)).mkdir()
        site_of("none", number, folder)
    of_each = [networks.misfit(np.ones(len(networks.parts))) for networks in made]
    value, freedom = (np.concatenate(column) for column in zip(*of_each, strict=True))
    assert freedom.sum() > 200
    assert 0.75 < value.sum() / freedom.sum() < 1.25


def test_stops_are_taken_together_as_their_run_passed_them() -> None:
    """Four at most, none of two runs, none that is not used or was not counted."""
    run = np.array([0, 1, 0, 0, 0, 0, 1, 0, 0])
    counter = np.array([9.0, 2.0, 1.0, 3.0, np.nan, 5.0, 1.0, 7.0, 8.0])
    use = np.array([True] * 8 + [False])
    assert in_groups(run, counter, use, 11).tolist() == [
        [2, 3, 5, 7],
        [0, -1, -1, -1],
        [6, 1, -1, -1],
    ]
    assert in_groups(run, counter, use, 5).tolist() == [[2, 3, 5], [7, 0, -1], [6, 1, -1]]
    assert in_groups(run, counter, use & False, 5).shape == (0, 3)


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
    counted("direction_residuals", solving.direction_residuals)
    fits = 1 + bool(doubted(solved(simulate(scenario, 20, 4))))
    again = [name for name in ("spacing_residuals", "stop_residuals") for _ in range(fits)]
    assert sorted(asked) == ["direction_residuals", *again]
