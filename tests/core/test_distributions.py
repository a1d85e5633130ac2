"""Distributions held to scipy.stats, a general-purpose reference, tails and single values too."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lateralline.distributions import chi2, f, norm, student

P = np.array([1e-12, 2e-4, 0.001, 0.025, 0.5, 0.95, 0.999])
X = np.array([0.0, 1e-3, 0.5, 3.84, 40.0, 900.0])


@pytest.mark.parametrize("freedoms", [1, 2, 3, 17.5, 400])
def test_chi_squared(freedoms: float) -> None:
    ours, theirs = chi2, stats.chi2
    np.testing.assert_allclose(ours.sf(X, freedoms), theirs.sf(X, freedoms), rtol=1e-12)
    np.testing.assert_allclose(ours.isf(P, freedoms), theirs.isf(P, freedoms), rtol=1e-12)
    np.testing.assert_allclose(ours.ppf(P, freedoms), theirs.ppf(P, freedoms), rtol=1e-12)
    np.testing.assert_allclose(ours.median(freedoms), theirs.median(freedoms), rtol=1e-12)


def test_normal() -> None:
    x = np.array([-9.0, -1.0, 0.0, 0.3, 6.0])
    np.testing.assert_allclose(norm.cdf(x), stats.norm.cdf(x), rtol=1e-12)
    np.testing.assert_allclose(norm.pdf(x), stats.norm.pdf(x), rtol=1e-12)
    np.testing.assert_allclose(norm.ppf(P), stats.norm.ppf(P), rtol=1e-12, atol=1e-15)
    np.testing.assert_allclose(norm.isf(P), stats.norm.isf(P), rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("lower", [1.0, 4.0, 60.5])
def test_f(lower: float) -> None:
    assert float(f.isf(0.05, 2, lower)) == pytest.approx(stats.f.isf(0.05, 2, lower), rel=1e-9)


@pytest.mark.parametrize("freedoms", [1, 4, 60])
def test_student(freedoms: int) -> None:
    theirs = stats.t.sf(X, freedoms)
    np.testing.assert_allclose(student.sf(X, freedoms), theirs, rtol=1e-9, atol=1e-300)


def test_rows_go_with_their_own_freedoms() -> None:
    assert chi2.isf(0.05, np.array([[1], [2]])).shape == (2, 1)
    assert chi2.sf(np.array([3.0, 5.0]), np.array([1, 2])).shape == (2,)
