"""A prior taken out of a solved stop: what is left must be what the marks alone had said."""

from __future__ import annotations

import numpy as np

from lateralline.link.stochastic import LOOSE_TILT_RAD, without_tilt_prior

PRIOR = np.radians(5.0)


def test_what_is_left_is_the_solution_without_that_prior() -> None:
    """Solve a random normal problem with either prior: the one is got from the other."""
    rng = np.random.default_rng(1)
    j = rng.normal(size=(9, 5)) * (1, 1, 1, 20, 20)
    seen = rng.normal(size=9)
    e = np.eye(5)[4]

    def solve(prior: float) -> tuple[np.ndarray, np.ndarray]:
        cov = np.linalg.inv(j.T @ j + np.outer(e, e) / prior**2)
        return cov @ j.T @ seen, cov

    x, cov = without_tilt_prior(*solve(PRIOR), PRIOR)
    loose_x, loose_cov = solve(LOOSE_TILT_RAD)
    assert np.allclose(x, loose_x, rtol=1e-9)
    assert np.allclose(cov, loose_cov, rtol=1e-9)


def test_a_tilt_nothing_told_stays_finite_and_definite() -> None:
    """As wide as its prior, or a little wider by averaging: then as wide as the loose one."""
    half = np.random.default_rng(2).normal(size=(5, 5)) / 10
    cov = half @ half.T
    for wide in (0.9, 1.0, 1.1):
        scaled = cov * np.outer(*[np.append(np.ones(4), wide * PRIOR / np.sqrt(cov[4, 4]))] * 2)
        x, left = without_tilt_prior(np.zeros(5), scaled, PRIOR)
        assert np.linalg.eigvalsh(left)[0] > 0
        assert PRIOR < np.sqrt(left[4, 4]) <= LOOSE_TILT_RAD * (1 + 1e-12)
        assert not x.any()
