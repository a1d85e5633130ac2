"""The proofs themselves: small, seeded, and able to fail."""

from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.proof import coverage
from lateralline.proof.coverage import prove
from lateralline.proof.scenarios import GUESSED, SCENARIOS, WRONG, simulate
from lateralline.proof.speed import _loop
from lateralline.proof.tables import coverage_table, hand_table, wrong_table
from lateralline.solve import solve
from lateralline.solve.batch import level_start, solve_batch
from lateralline.solve.gather import gather


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.name)
def test_error_bars_hold_in_every_scenario(scenario):
    """Wider than the 94–96 % that `lateralline prove` asks of 10,000: 3 σ of 1,000 stops."""
    outcome = prove(scenario, 1000, 5)
    assert 0.93 < outcome.plan_coverage < 0.97
    assert 0.93 < outcome.depth_coverage < 0.97
    assert max(outcome.ratio) < 1.08
    assert outcome.lost <= 0.001


@pytest.mark.parametrize("scenario", [SCENARIOS[0], SCENARIOS[4]], ids=lambda s: s.name)
def test_levels_and_depths_hold_where_the_ground_is_hardly_known(scenario):
    """Marks levelled to 0.10 m: ground and transmitter share that error, depth mostly does not."""
    s = simulate(scenario, 2000, 3)
    rough = 0.10 * np.random.default_rng(1).normal(size=len(s.marks.row))
    xyz, cov = s.marks.xyz_m.copy(), s.marks.cov_m2.copy()
    xyz[:, 2] += rough
    cov[:, 2, 2] += 0.10**2
    fixes = solve(replace(s.marks, xyz_m=xyz, cov_m2=cov), s.stops, s.settings).fixes
    depth = np.abs(fixes.depth_m - s.poses.depth_m) < 1.96 * fixes.depth_sigma_m
    level = np.abs(fixes.xyz_m[:, 2] - s.poses.xyz_m[:, 2]) < 1.96 * np.sqrt(fixes.cov[:, 2, 2])
    assert 0.935 < depth.mean() < 0.965
    assert 0.935 < level.mean() < 0.965
    assert fixes.depth_sigma_m.min() > 0.01


@pytest.mark.parametrize("scenario", WRONG, ids=lambda s: s.name)
def test_wrong_accuracies_are_seen_and_claimed_wider(scenario):
    """As told a third of the truth, 55 % and 68 % would hold in plan."""
    outcome = prove(scenario, 1000, 5)
    assert outcome.plan_coverage > 0.92
    assert outcome.depth_coverage > 0.92


def test_a_site_with_wrong_accuracies_says_so():
    for scenario, doubted in ((WRONG[1], True), (SCENARIOS[0], False)):
        s = simulate(scenario, 50, 6)
        codes = {f.name for f in solve(s.marks, s.stops, s.settings).findings}
        assert ("misfit/accuracy" in codes) is doubted


def test_the_rule_of_hand_is_no_better_anywhere_it_matters():
    outcome = prove(SCENARIOS[3], 1000, 5)  # 20 % slope, tilt 10°
    ours, hand = np.array(outcome.rms_m), np.array(outcome.hand_rms_m)
    assert (ours < hand).all()
    assert hand[2] > 1.5 * ours[2]


def test_equal_seeds_give_equal_stops_and_other_seeds_others():
    a, b, c = (simulate(SCENARIOS[7], 50, seed) for seed in (3, 3, 4))
    np.testing.assert_array_equal(a.marks.xyz_m, b.marks.xyz_m)
    assert np.abs(a.marks.xyz_m[:9] - c.marks.xyz_m[:9]).max() > 0.01


def test_the_loop_ends_where_the_batch_does():
    """scipy's least_squares, a general-purpose reference, on the same residuals."""
    simulated = simulate(SCENARIOS[0], 20, 2)
    problem = gather(simulated.marks, simulated.stops, simulated.settings).problem
    _, apart = _loop(problem)
    assert apart < 0.02


def test_threads_and_chunks_change_nothing():
    simulated = simulate(SCENARIOS[1], 300, 2)
    problem = gather(simulated.marks, simulated.stops, simulated.settings).problem
    start = level_start(problem)
    whole = solve_batch(problem, start, threads=1)
    cut = solve_batch(problem, start, chunk=64, threads=2)
    np.testing.assert_allclose(cut.p, whole.p, atol=1e-9)


def test_a_missed_bound_is_named():
    outcome = replace(
        prove(SCENARIOS[0], 200, 1),
        stops=10_000,
        plan_coverage=0.5,
        ratio=(1.2, 1.0, 1.0),
        lost=0.01,
    )
    assert len(outcome.misses) == 3


def test_tables_have_a_row_per_scenario():
    outcomes = [prove(GUESSED[0], 100, 1)]
    for table in (coverage_table, hand_table, wrong_table):
        assert len(table(outcomes).splitlines()) == 3


def test_prove_ends_with_an_exit_code_that_can_be_wrong(monkeypatch):
    """A bound nobody can meet is missed; the small tables end with 0 (`test_tables.py`)."""
    monkeypatch.setattr(coverage, "WORST_RATIO", 0.5)
    result = CliRunner().invoke(app, ["prove", "stops", "--stops", "100", "--seed", "1"])
    assert result.exit_code == 1
    assert "missed:" in result.output
    assert "| level ground, tilt 3°" in result.output
