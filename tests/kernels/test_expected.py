"""How far off a pipe is past its last marked place, against pipes drawn one by one."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.kernels.expected import FREE_RAD, PIPE_WANDER_RAD, SHARES, carried_on_m2

NORTH = np.array([[0.0, 1.0, 0.0]])


def test_a_pipe_that_bends_is_off_by_what_drawn_pipes_are() -> None:
    """100,000 pipes of 3 m that bend once anywhere, or not; no wander. The chance is Poisson's."""
    d, rate = 3.0, 0.05
    rng = np.random.default_rng(5)
    bends = rng.random(100_000) < -np.expm1(-rate * d)
    left = d * rng.random(100_000)  # behind the bend
    turn = rng.normal(scale=FREE_RAD, size=100_000) * bends
    rise = rng.normal(scale=FREE_RAD, size=100_000) * bends
    rise *= rng.random(100_000) < SHARES["oblique"]
    aside, short, up = left * np.sin(turn), left * (1 - np.cos(turn)), left * np.sin(rise)
    made = (
        carried_on_m2(np.array([d]), NORTH, rate)[0] - carried_on_m2(np.array([d]), NORTH, 0.0)[0]
    )
    assert made[0, 0] == pytest.approx(np.mean(aside**2), rel=0.03)
    assert made[1, 1] == pytest.approx(np.mean(short**2), rel=0.03)
    assert made[2, 2] == pytest.approx(np.mean(up**2), rel=0.06)


def test_a_straight_pipe_is_off_by_its_wander_alone() -> None:
    """A walk of headings, integrated: d³ / 3 of its rate (a handbook's integral, from memory)."""
    d, steps = 4.0, 400
    walk = np.cumsum(np.random.default_rng(6).normal(size=(20_000, steps)), axis=1)
    aside = (PIPE_WANDER_RAD * np.sqrt(d / steps) * walk).sum(axis=1) * d / steps
    made = carried_on_m2(np.array([-d]), NORTH, 0.0)[0]
    assert made[0, 0] == pytest.approx(np.mean(aside**2), rel=0.04)
    assert made[1, 1] == 0.0


def test_it_turns_with_the_way_it_is_carried_on() -> None:
    """East instead of north, down a slope, and straight up: the same squares in turned axes."""
    d = np.full(4, 2.0)
    ways = np.array([[0, 1, 0], [1, 0, 0], [0.6, 0, -0.8], [0, 0, 1]], float)
    made = carried_on_m2(d, ways, 0.05)
    along = np.einsum("ni,nij,nj->n", ways, made, ways)
    np.testing.assert_allclose(along, along[0])
    np.testing.assert_allclose(np.trace(made, axis1=1, axis2=2), np.trace(made[0]))
    np.testing.assert_allclose(made[1][[1, 0, 2]][:, [1, 0, 2]], made[0], atol=1e-15)
