"""What link believes, doubts or refuses: each limit at its two sides, the sign of each story."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy import stats

from lateralline.link.global_test import is_gross, misfit
from lateralline.link.order import _along_both, _backward, _beside
from lateralline.link.search import Fit
from lateralline.link.shifts import OccupationShift
from lateralline.link.stochastic import (
    LOOSE_TILT_RAD,
    balance_sigma,
    counter_variance,
    factorable,
    limit_of,
    nonzero_accuracy,
    without_tilt_prior,
)
from tests.support.made_scene import ACCURACY

# ---- the global test -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chi2", "dof", "gross"),
    [
        (10.1**2 * 4, 4, True),
        (9.9**2 * 4, 4, False),  # σ₀ under ten
        (101.0, 1, True),
        (99.0, 1, False),
        (1e9, 0, False),  # nothing to judge by
    ],
)
def test_a_misfit_is_gross_past_ten_times_the_stated_accuracies(
    chi2: float, dof: int, gross: bool
) -> None:
    assert is_gross(chi2, dof) is gross


@pytest.mark.parametrize(("share", "warned"), [(0.99, False), (1.01, True)])
def test_the_global_test_warns_past_its_upper_two_and_a_half_percent(
    share: float, warned: bool
) -> None:
    chi2 = share * float(stats.chi2.isf(0.025, 8))  # 17.535
    result = SimpleNamespace(chi2=chi2, dof=8)
    lines = [SimpleNamespace(id="L1"), SimpleNamespace(id="L2")]
    fit = SimpleNamespace(result=result, model=SimpleNamespace(lines=lines))
    found = misfit(cast(Fit, fit))
    assert [f.code for f in found] == (["link-misfit"] if warned else [])
    if warned:
        assert found[0].subject == "lines L1, L2"
        assert found[0].values["misfit_ratio"] == pytest.approx(np.sqrt(chi2 / 8))
        assert found[0].values["limit"] == pytest.approx(17.535, abs=1e-3)


# ---- two occupations that differ -----------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "sigma", "better", "sure"),
    [
        ((0.0, 0.2), 0.05, 5.0, True),  # 0.2 m further up the pipe than its cable: over 3.5 σ
        ((0.0, 0.17), 0.05, 5.0, False),  # under 3.5 σ
        ((0.0, -0.2), 0.05, 5.0, True),  # too short by 0.2 m without a step aside
        ((0.0, -0.17), 0.05, 5.0, False),
        ((0.4, -0.55), 0.05, 5.0, False),  # two bends of 90° may do 0.4 m: 0.15 m is under 3.5 σ
        ((0.4, -0.60), 0.05, 5.0, True),
        ((-0.4, -0.55), 0.05, 5.0, False),  # either side
        ((0.4, 0.0), 0.05, 5.0, False),  # a step aside alone
        ((0.0, 0.2), 0.05, 3.8, False),  # another story is nearly as good
        ((0.0, 0.2), 0.05, 3.9, True),
        ((0.0, 2.0), 0.29, 5.0, True),
        ((0.0, 2.0), 0.31, 5.0, False),  # known no better than a bend that lies otherwise
    ],
)
def test_a_shift_is_sure_where_no_pipe_could_do_the_same(
    size: tuple[float, float], sigma: float, better: float, sure: bool
) -> None:
    way = np.array([0.0, 1.0])
    for angle in np.radians([0.0, 90.0, 30.0, -50.0]):
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        shift = OccupationShift(
            2, turn @ np.array(size), sigma**2 * np.eye(2), turn @ way, 50.0, 20.0, better
        )
        assert shift.sure is sure
        assert shift.beside == (2, 3)


# ---- stochastic model ----------------------------------------------------------------------


def test_counters_differ_by_two_readings_and_the_slack_between() -> None:
    """50 mm each; 0.5 % of 10 m."""
    assert counter_variance(np.array([0.0, 10.0]), ACCURACY) == pytest.approx([0.005, 0.0075])
    assert balance_sigma(np.array([3.0, 0.01])) == pytest.approx(np.array([3.0, 0.05]) / np.sqrt(3))
    exact = nonzero_accuracy(replace(ACCURACY, counter_m=0.0, counter_scale_ratio=0.0))
    assert (exact.counter_m, exact.counter_scale_ratio) == (1e-4, 1e-6)
    assert nonzero_accuracy(ACCURACY) == ACCURACY


@pytest.mark.parametrize(
    ("what", "alpha"), [("level", 2e-4), ("heading", 2e-4), ("kink", 1e-4), ("plan", 1e-3)]
)
def test_readings_are_refused_at_their_own_significance(what: str, alpha: float) -> None:
    for freedoms in (1, 2):
        assert stats.chi2.sf(limit_of(what, freedoms), freedoms) == pytest.approx(alpha)


def test_a_tilt_its_prior_told_alone_becomes_loose_and_one_observed_keeps_its_size() -> None:
    """Information 1/σ² of the prior is taken away, that of a loose one put in its place."""
    prior, seen = np.radians(5.0), np.radians(3.0)
    for observed in (0.0, seen**-2):
        cov = np.diag([0.01, 0.01, 0.01, 0.02, 1 / (observed + prior**-2)])
        cov[0, 4] = cov[4, 0] = 0.3 * np.sqrt(cov[0, 0] * cov[4, 4])
        x, wide = without_tilt_prior(np.array([1.0, 2.0, 3.0, 0.1, 0.02]), cov, prior)
        assert wide[4, 4] == pytest.approx(1 / (observed + LOOSE_TILT_RAD**-2))
        grown = wide[4, 4] / cov[4, 4]
        assert x[4] == pytest.approx(0.02 * grown)
        share = cov[0, 4] / cov[4, 4]
        assert x[0] == pytest.approx(1.0 + share * 0.02 * (grown - 1))
        assert wide[0, 0] == pytest.approx(0.01 + share**2 * (wide[4, 4] - cov[4, 4]))
        assert x[1:4].tolist() == [2.0, 3.0, 0.1]


def test_a_covariance_that_rounding_spoilt_is_made_definite_and_a_sound_one_kept() -> None:
    sound = np.diag([1.0, 2.0, 3.0, 0.0, 0.0])
    assert factorable(sound) == pytest.approx(sound)
    spoilt = np.diag([1.0, 4.0, 1.0, 1.0, 0.0])
    spoilt[0, 1] = spoilt[1, 0] = 2.0 * (1 + 1e-8)  # a correlation just over one
    mended = factorable(spoilt)
    np.linalg.cholesky(mended[:4, :4])
    assert mended == pytest.approx(spoilt, abs=1e-6)
    assert mended[4].tolist() == [0.0] * 5


# ---- order ---------------------------------------------------------------------------------

CORNER = np.array([[0.0, 0.0], [0.0, 10.0], [10.0, 10.0]])
KEYS = np.array([5.0, 15.0, 25.0])


@pytest.mark.parametrize(
    ("at", "key", "within"),
    [
        ((0.3, 4.0), 9.0, True),
        ((4.0, 10.2), 19.0, True),
        ((0.0, -2.0), 3.0, False),  # straight on before the first
        ((12.0, 10.0), 27.0, False),  # and past the last
        ((6.0, -3.0), 5.0 - np.hypot(6.0, 3.0), False),  # round a bend: as far as it is away
        ((13.0, 20.0), 25.0 + np.hypot(3.0, 10.0), False),
    ],
)
def test_a_point_lies_beside_a_path_where_its_foot_is(
    at: tuple[float, float], key: float, within: bool
) -> None:
    keys, on = _beside(np.array([at]), CORNER, KEYS)
    assert keys[0] == pytest.approx(key)
    assert bool(on[0]) is within
    # whatever the order the path is given in
    again, _ = _beside(np.array([at]), CORNER[::-1], KEYS[::-1])
    assert again[0] == pytest.approx(key)


@pytest.mark.parametrize(("slope", "backward"), [(1.0, False), (-0.4, False), (-0.6, True)])
def test_a_run_goes_backward_where_its_stops_lie_in_the_reverse_order(
    slope: float, backward: bool
) -> None:
    along = np.array([0.0, 4.0, 8.0, 12.0, 30.0])
    beside = slope * along
    within = np.array([True, True, True, True, False])
    assert _backward(along, beside, within) is backward
    assert not _backward(along, beside, np.zeros(5, dtype=bool))


def test_a_run_from_the_same_entry_starts_where_the_other_does() -> None:
    """Nothing lies beside the other: the counter's own zero, and its own scale."""
    along = np.array([3.0, 6.0, 9.0])
    nowhere = np.zeros(3, dtype=bool)
    assert _along_both(along, np.zeros(3), nowhere, 2.0) == pytest.approx(along + 2.0, abs=1e-6)


def test_an_entry_s_zero_may_slip_and_the_stops_beside_the_other_run_decide() -> None:
    along = np.arange(2.0, 42.0, 2.0)
    lain = along + 0.4
    got = _along_both(along, lain, np.ones(20, dtype=bool), 0.0)
    assert got == pytest.approx(lain, abs=0.1)
    assert (np.diff(got) > 0).all()
