from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lateralline.kernels import curves

heading = st.floats(-3.1, 3.1)
tilt = st.floats(-1.5, 1.5)
length = st.floats(0.1, 20)


@given(heading, tilt)
def test_angles_undo_directions(h: float, t: float) -> None:
    back = np.array(curves.angles(curves.directions(h, t) * 3.7))
    assert back == pytest.approx([h, t], abs=1e-9)


@given(length, heading, tilt, heading, tilt)
def test_an_arc_is_the_same_walked_back(
    s: float, h1: float, t1: float, h2: float, t2: float
) -> None:
    """Reversing a step negates it: both ends play the same part."""
    there = curves.minimum_curvature(s, h1, t1, h2, t2)
    back = curves.minimum_curvature(s, h2 + np.pi, -t2, h1 + np.pi, -t1)
    if np.isfinite(there).all() and np.linalg.norm(there) < 50:
        assert back == pytest.approx(-there, abs=1e-6)
        assert np.linalg.norm(there) <= s + 1e-9


def test_a_straight_step_is_its_length_and_opposed_ends_are_nan() -> None:
    h = np.array([0.3, 0.3, 0.3])
    out = curves.minimum_curvature(2.0, h, 0.1, h + np.array([0, 1e-8, np.pi]), [0.1, 0.1, -0.1])
    assert out[:2] == pytest.approx(np.tile(2 * curves.directions(0.3, 0.1), (2, 1)), abs=1e-7)
    assert np.isnan(out[2]).all()


def test_places_on_a_path() -> None:
    path = np.array([[0, 0, 0], [3, 4, 0], [3, 4, 2.0]])
    leg, fraction = curves.locate(curves.chainage(path), [0.0, 2.5, 5.0, 6.0, 7.0, 7.1, -0.1])
    assert leg.tolist() == [0, 0, 1, 1, 1, 1, 0]
    assert fraction[:5] == pytest.approx([0, 0.5, 0, 0.5, 1])
    assert np.isnan(fraction[5:]).all()


def test_interpolated_covariance_matches_drawn_vertices() -> None:
    """Monte Carlo: drawn vertex pairs, interpolated one by one, spread as the formula says."""
    rng = np.random.default_rng(3)
    root = rng.normal(size=(6, 6))
    full = root @ root.T
    pairs = rng.multivariate_normal(np.zeros(6), full, size=40_000).reshape(-1, 2, 3)
    cov = np.stack([full[:3, :3], full[3:, 3:]])
    _, spread = curves.interpolate(np.zeros((2, 3)), cov, full[None, :3, 3:], 0, 0.3)
    drawn = np.cov((0.7 * pairs[:, 0] + 0.3 * pairs[:, 1]).T)
    assert spread == pytest.approx(drawn, rel=0.05, abs=0.05)


def test_reach_envelope_holds_every_pipe_of_that_length() -> None:
    first, second, reach = np.array([1.0, 2.0]), np.array([4.0, 6.0]), 5.6
    ring = curves.reach_envelope(first, second, reach)
    total = np.linalg.norm(ring - first, axis=1) + np.linalg.norm(ring - second, axis=1)
    assert total.min() >= reach - 1e-9
    assert total.max() < reach * 1.01
    area = 0.5 * np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1))
    assert area > 0  # counter-clockwise


def test_reach_shorter_than_the_chord_is_nan_and_batches() -> None:
    rings = curves.reach_envelope(np.zeros((2, 2)), [[3.0, 4.0], [3.0, 4.0]], [4.9, 5.0], 16)
    assert rings.shape == (2, 16, 2)
    assert np.isnan(rings[0]).all()
    assert np.isfinite(rings[1]).all()
