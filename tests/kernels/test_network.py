from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats

from tests.support.one_network import Equations, adjust

Floats = npt.NDArray[np.float64]
RNG = np.random.default_rng(11)
DESIGN = RNG.normal(size=(9, 3))
ROOT = RNG.normal(size=(9, 9)) + 3 * np.eye(9)
COV = ROOT @ ROOT.T


def linear(observed: Floats) -> Equations:
    return lambda x: (DESIGN @ x - observed, DESIGN)


def test_linear_network_equals_the_textbook_formula() -> None:
    """x̂ = (AᵀPA)⁻¹AᵀPl with a full covariance, in one step."""
    observed = RNG.normal(size=9)
    a = adjust(linear(observed), COV, np.zeros(3))
    p = np.linalg.inv(COV)
    expected = np.linalg.solve(DESIGN.T @ p @ DESIGN, DESIGN.T @ p @ observed)
    assert a.x == pytest.approx(expected)
    assert a.cov == pytest.approx(np.linalg.inv(DESIGN.T @ p @ DESIGN))
    assert a.chi2 == pytest.approx(a.v @ p @ a.v)
    assert a.redundancy.sum() == pytest.approx(a.dof)
    assert a.converged


def test_statistics_are_distributed_as_they_claim() -> None:
    """400 networks with correlated noise: χ² and w follow their laws."""
    noise = RNG.normal(size=(400, 9)) @ ROOT.T
    results = [adjust(linear(n), COV, np.zeros(3)) for n in noise]
    chi2 = np.array([r.chi2 for r in results])
    assert stats.kstest(chi2, stats.chi2(6).cdf).pvalue > 0.01
    w = np.array([r.w[4] for r in results])
    assert stats.kstest(w, "norm").pvalue > 0.01


def test_a_blunder_is_sized_and_left_out_by_its_bias() -> None:
    truth = np.array([1.0, -2.0, 0.5])
    observed = DESIGN @ truth
    observed[4] += 50.0
    plain = adjust(linear(observed), COV, np.zeros(3))
    tests = plain.test(np.eye(9)[:, :, None])
    assert tests.statistic == pytest.approx(plain.w**2)
    assert int(np.argmax(tests.statistic)) == 4
    assert tests.size[4, 0] == pytest.approx(50.0)
    biased = adjust(linear(observed), COV, np.zeros(3), biases=np.eye(9)[:, [4]])
    assert biased.x[:3] == pytest.approx(truth)
    assert biased.dof == plain.dof - 1


def test_groups_are_tested_together() -> None:
    """A group of two columns takes what both single tests see, and gives both sizes."""
    observed = np.zeros(9)
    observed[[2, 3]] = [20.0, -30.0]
    group = np.eye(9)[None][:, :, [2, 3]]
    tests = adjust(linear(observed), COV, np.zeros(3)).test(group)
    assert tests.size[0] == pytest.approx([20.0, -30.0])


@pytest.mark.parametrize("unit", [1e-5, 1e5])
def test_outlier_tests_do_not_depend_on_the_unit_of_an_error(unit: float) -> None:
    a = adjust(linear(RNG.normal(size=9)), COV, np.zeros(3))
    plain, scaled = (a.test(u * np.eye(9)[:, :, None]) for u in (1.0, unit))
    assert scaled.statistic == pytest.approx(plain.statistic)
    assert scaled.size * unit == pytest.approx(plain.size)
    assert scaled.cov * unit**2 == pytest.approx(plain.cov)


def test_an_uncontrolled_observation_has_no_w() -> None:
    """One observation alone fixes the second unknown: nothing could show its blunder."""
    design = np.array([[1.0, 0], [1.0, 0], [0, 1.0]])
    a = adjust(lambda x: (design @ x - [1.0, 1.1, 7.0], design), np.ones(3), np.zeros(2))
    assert a.redundancy == pytest.approx([0.5, 0.5, 0])
    assert np.isnan(a.w[2])
    assert np.isnan(a.test(np.eye(3)[:, :, None]).statistic[2])
    assert np.isfinite(a.w[:2]).all()


def test_undetermined_networks_are_nan() -> None:
    design = np.array([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]])
    a = adjust(lambda x: (design @ x - 1.0, design), np.ones(3), np.zeros(2))
    assert np.isnan(a.x).all()
    assert np.isnan(a.chi2)
    assert not a.converged


@pytest.mark.parametrize(("apart", "determined"), [(1e-5, True), (2e-6, True), (1e-7, False)])
def test_an_unknown_counts_as_determined_until_the_others_leave_it_a_1e13th(
    apart: float, determined: bool
) -> None:
    """Two unknowns seen all but together: the second keeps (apart/2)² of its information."""
    design = np.array([[1.0, 1.0], [1.0, 1.0 + apart]])
    a = adjust(lambda x: (design @ x - [1.0, 1.0], design), np.ones(2), np.zeros(2))
    assert np.isfinite(a.x).all() == determined
    assert np.isfinite(a.cov).all() == determined
    if determined:
        assert a.cov[1, 1] == pytest.approx(2 / apart**2, rel=1e-3)


def test_steps_that_would_overshoot_are_damped() -> None:
    """arctan x = 0: from |x| > 1.39 on, each undamped step lands further away (from memory)."""
    a = adjust(lambda x: (np.arctan(x), (1 / (1 + x**2))[:, None]), np.ones(1), [3.0])
    assert a.converged
    assert a.x == pytest.approx([0.0], abs=1e-6)
