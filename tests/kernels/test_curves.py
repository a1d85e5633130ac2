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


@given(st.floats(0.01, 100.0), st.floats(0.01, 100.0), heading)
def test_an_angle_does_not_hang_on_how_long_its_sides_are(a: float, b: float, turn: float) -> None:
    angle = float(curves.angle_between([0.0, a, 0.0], b * curves.directions(turn, 0.0)))
    assert np.cos(angle) == pytest.approx(np.cos(turn), abs=1e-9)


# ---- arcs ---------------------------------------------------------------------------------


@given(length, heading, tilt, heading, tilt)
def test_an_arc_is_closed_on_both_ends_and_turns_from_one_direction_to_the_other(
    s: float, h1: float, t1: float, h2: float, t2: float
) -> None:
    first, second = curves.directions(h1, t1), curves.directions(h2, t2)
    if curves.angle_between(first, second) > 3.0:
        return
    off, rate = curves.arc_from_chord(s, first, second, np.array([0.0, 1.0]))
    assert off == pytest.approx(np.zeros((2, 3)), abs=1e-12)
    chord = curves.minimum_curvature(s, h1, t1, h2, t2)
    assert (chord + rate) / s == pytest.approx(np.stack([first, second]), abs=1e-9)


@given(heading, st.floats(0.0, 0.4), st.floats(0.0, 1.0))
def test_an_arc_s_rate_is_the_derivative_of_its_offset(h: float, turn: float, w: float) -> None:
    first, second = curves.directions(h, 0.02), curves.directions(h + turn, -0.03)
    step = 1e-6
    w = np.clip(w, step, 1 - step)
    off, rate = curves.arc_from_chord(3.0, first, second, np.array([w - step, w, w + step]))
    assert (off[2] - off[0]) / (2 * step) == pytest.approx(rate[1], abs=1e-7)


def test_an_arc_goes_on_straight_beyond_its_ends() -> None:
    first, second = curves.directions(0.0, 0.0), curves.directions(0.2, 0.05)
    w = np.array([-0.5, 0.0, 1.0, 1.5])
    off, _ = curves.arc_from_chord(4.0, first, second, w)
    place = off + w[:, None] * curves.minimum_curvature(4.0, 0.0, 0.0, 0.2, 0.05)
    assert place[0] == pytest.approx(-2.0 * first)
    assert place[3] - place[2] == pytest.approx(2.0 * second)


def test_equal_directions_leave_a_straight_and_opposed_ones_nothing() -> None:
    ahead, back = np.array([0.0, 1.0, 0.0]), np.array([0.0, -1.0, 0.0])
    off, _ = curves.arc_from_chord(2.0, ahead, np.stack([ahead, back]), np.array([0.3, 0.3]))
    assert off[0].tolist() == [0, 0, 0]
    assert np.isnan(off[1]).all()


# ---- levels within reach ------------------------------------------------------------------


@given(st.floats(0.0, 4.0), st.floats(-2.0, 2.0), st.floats(0.001, 1.5), st.floats(0.0, 1.0))
def test_levels_within_reach_are_the_tops_of_the_ellipsoid(
    run: float, rise: float, slack: float, share: float
) -> None:
    """At the bounds the distances to both ends add up to the reach; above and below, to more."""
    first, second = np.array([1.0, 2.0, 100.0]), np.array([1.0, 2.0 + run, 100.0 + rise])
    major = float(np.hypot(run, rise)) + slack
    along = share * run
    low, high = curves.reach_levels(first, second, major, along)

    def total(level: float) -> float:
        place = np.array([1.0, 2.0 + along, level])
        return float(np.linalg.norm(place - first) + np.linalg.norm(place - second))

    assert low <= high
    for level, out in ((float(low), -1e-3), (float(high), 1e-3)):
        assert total(level) == pytest.approx(major, rel=1e-6)
        assert total(level + out) > major


def test_no_pipe_of_that_length_is_higher_whatever_its_place_across() -> None:
    rng = np.random.default_rng(2)
    first, second, major = np.array([0.0, 0.0, 100.0]), np.array([3.0, 1.0, 100.4]), 3.6
    places = rng.uniform([-0.5, -1.0, 99.0], [3.5, 2.0, 101.5], (20_000, 3))
    inside = (
        np.linalg.norm(places - first, axis=1) + np.linalg.norm(places - second, axis=1) <= major
    )
    way = np.array([3.0, 1.0]) / np.sqrt(10.0)
    along = places[inside][:, :2] @ way
    low, high = curves.reach_levels(first, second, np.full(len(along), major), along)
    assert inside.sum() > 500
    assert (places[inside][:, 2] <= high).all()
    assert (places[inside][:, 2] >= low).all()


def test_levels_beyond_reach_are_nan() -> None:
    ends = np.zeros(3), np.array([4.0, 0.0, 0.0])
    assert np.isnan(curves.reach_levels(*ends, 3.9, 2.0)).all()
    assert np.isnan(curves.reach_levels(*ends, 4.5, 9.0)).all()


def test_reach_from_a_place_back_to_itself_is_a_ball() -> None:
    """Both ends at one place: half the length in every direction."""
    place = np.array([3.0, -2.0, 50.0])
    ring = curves.reach_envelope(place[:2], place[:2], 4.0, 8)
    outside = 2.0 / np.cos(np.pi / 8)
    assert np.linalg.norm(ring - place[:2], axis=1) == pytest.approx(np.full(8, outside))
    assert ring[0] == pytest.approx([3.0 + outside, -2.0])
    low, high = curves.reach_levels(place, place, 4.0, np.array([-1.2, 0.0, 1.2]))
    assert high == pytest.approx([51.6, 52.0, 51.6])
    assert low == pytest.approx([48.4, 48.0, 48.4])


def test_reach_is_a_straight_line_where_the_pipe_is_as_long_as_the_chord() -> None:
    ring = curves.reach_envelope([0.0, 0.0], [6.0, 8.0], 10.0, 4)
    middle, way = np.array([3.0, 4.0]), np.array([0.6, 0.8]) * 5.0 * np.sqrt(2.0)
    assert ring == pytest.approx(np.stack([middle + way, middle, middle - way, middle]))
