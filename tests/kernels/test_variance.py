"""Variance components against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, f, t

from lateralline.kernels.variance import Networks, allowance, restricted_likelihood, solved


def one_way(groups: int, each: int, between: float, within: float, seed: int) -> np.ndarray:
    """Balanced one-way layout (groups, each) about a common mean."""
    rng = np.random.default_rng(seed)
    return 7.0 + between * rng.normal(size=(groups, 1)) + within * rng.normal(size=(groups, each))


def networks(a: np.ndarray, y: np.ndarray, parts: np.ndarray) -> Networks:
    """Networks of which nothing but these parts is known."""
    return Networks(a, y, np.zeros(parts.shape[1:]), parts, np.ones(y.shape, dtype=bool))


def test_a_one_way_layout_gives_the_analysis_of_variance() -> None:
    """Balanced, σ² between positive: REML is the ANOVA estimate, MSW and (MSB − MSW)/n.

    From memory (Searle, Casella and McCulloch, *Variance Components*).
    """
    groups, each = 8, 5
    y = one_way(groups, each, 2.0, 0.7, 3)
    mean = y.mean(axis=1, keepdims=True)
    msb = each * float(((mean - y.mean()) ** 2).sum()) / (groups - 1)
    msw = float(((y - mean) ** 2).sum()) / (groups * (each - 1))
    n = groups * each
    same = np.kron(np.eye(groups), np.ones((each, each)))
    theta, at = restricted_likelihood(
        networks(np.ones((1, n, 1)), y.reshape(1, n), np.stack([same, np.eye(n)])[:, None]),
        np.full(2, 1e-6),
    )
    assert theta == pytest.approx([(msb - msw) / each, msw], rel=1e-3)
    of_log = 2.0 * np.linalg.inv(at.overlap)
    assert of_log[1, 1] == pytest.approx(2.0 / (groups * (each - 1)), rel=1e-2)


def test_one_step_is_unbiased_whatever_the_truth() -> None:
    """Errors three and half times those stated: the mean of 400 one-step estimates finds both."""
    rng, a = np.random.default_rng(5), np.random.default_rng(1).normal(size=(400, 12, 3))
    part = np.zeros((2, 400, 12, 12))
    part[0, :, np.arange(6), np.arange(6)] = part[1, :, np.arange(6, 12), np.arange(6, 12)] = 1.0
    y = rng.normal(size=(400, 12)) * np.repeat([3.0, 0.5], 6)
    found = networks(a, y, part).evidence(np.ones(2))
    theta = 1.0 + np.linalg.solve(found.overlap, found.square - found.spare)
    assert theta == pytest.approx([9.0, 0.25], rel=0.1, abs=0.2)
    assert found.larger()[0] < 1e-6


def test_chance_is_that_of_chi_square() -> None:
    """One kind alone, v of n observations spare: its sum of squares is χ² of n less u."""
    y = np.random.default_rng(2).normal(size=(1, 9))
    a = np.ones((1, 9, 1))
    net = networks(a, y, np.eye(9)[None, None])
    found = net.evidence(np.ones(1))
    assert found.spare == pytest.approx([8.0])
    assert found.larger() == pytest.approx([chi2.sf(9.0 * y.var(), 8)])
    value, freedom = net.misfit(np.ones(1))
    assert (value[0], freedom[0]) == pytest.approx((9.0 * y.var(), 8.0))
    without = net.without(np.arange(9)[None] == 4)
    rest = np.delete(y[0], 4)
    assert without.misfit(np.ones(1))[0] == pytest.approx([8.0 * rest.var()])
    w = (y[0, 4] - rest.mean()) / np.sqrt(1.0 + 1.0 / 8.0)
    each = replace(net, by_reading=np.eye(9)[None])
    assert each.wrong_readings(np.ones(1), np.inf)[1][0, 4] == pytest.approx(w**2)


def test_of_two_lengths_one_wrong_reading_is_wrong_and_its_neighbours_are_not() -> None:
    """A reading in two lengths, one longer and one shorter; apart it says nothing any more."""
    read = np.diff(np.eye(9), axis=0)
    y = np.random.default_rng(4).normal(size=(1, 8)) + read[:, 4] * 8.0
    net = replace(networks(np.ones((1, 8, 1)), y, np.eye(8)[None, None]), by_reading=read[None])
    ones = np.ones(1)
    single = net.wrong_readings(ones, np.inf)[1][0]
    assert (single[[3, 4, 5]] > 10.8).all()
    out, rest = net.wrong_readings(ones, 10.8)
    assert np.flatnonzero(out[0]).tolist() == [4]
    again = net.without_readings(out).wrong_readings(ones, np.inf)[1]
    assert np.isnan(rest[0, 4])
    np.testing.assert_allclose(again, rest, rtol=1e-6)


def test_an_allowance_covers_student_and_fisher() -> None:
    for nu in (3.0, 10.0, 200.0):
        got = float(np.sqrt(allowance(nu)))
        assert got * chi2.isf(0.05, 2) ** 0.5 == pytest.approx((2 * f.isf(0.05, 2, nu)) ** 0.5)
        assert got * 1.95996 >= t.isf(0.025, nu) - 1e-9


def test_kinds_of_very_different_weight_are_each_solved_in_a_measure_of_their_own() -> None:
    """One kind told 10¹⁶ times better than the other; two that nothing tells apart share."""
    size = np.array([1e4, 1e-4])
    overlap = np.outer(size, size) * [[1.0, 0.5], [0.5, 1.0]]
    assert solved(overlap, overlap @ [1.0, 2.0]) == pytest.approx([1.0, 2.0])
    assert solved(np.ones((2, 2)), np.full(2, 3.0)) == pytest.approx([1.5, 1.5])
