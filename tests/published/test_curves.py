"""Path geometry against published steps and an independent library."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.kernels.curves import angle_between, arc_from_chord, directions, minimum_curvature


def borehole(
    length: float, inclination: float, azimuth: float, to: tuple[float, float]
) -> list[float]:
    """North, east and depth of one step, from degrees off the plumb line as drillers write them."""
    east, north, up = minimum_curvature(
        length,
        np.radians(azimuth),
        np.radians(inclination - 90),
        np.radians(to[1]),
        np.radians(to[0] - 90),
    )
    return [float(north), float(east), -float(up)]


def test_minimum_curvature_step() -> None:
    """Worked step, read: length 100, inclination 15→25°, azimuth 20→45° → 27.22, 19.45, 94.01."""
    step = borehole(100, 15, 20, (25, 45))
    assert step == pytest.approx([27.22, 19.45, 94.01], abs=5e-3)
    # In full: computed from the stated formula, two independent ways.
    assert step == pytest.approx([27.218329, 19.450774, 94.012343], abs=5e-7)
    turn = angle_between(
        directions(np.radians(20), np.radians(-75)), directions(np.radians(45), np.radians(-65))
    )
    assert turn == pytest.approx(0.22605, abs=5e-6)


def test_quarter_circle() -> None:
    """Computed: a level quarter circle of radius 10 ends at (10, 10, 0)."""
    step = minimum_curvature(10 * np.pi / 2, 0.0, 0.0, np.pi / 2, 0.0)
    assert step == pytest.approx([10, 10, 0], abs=1e-12)


def test_against_wellpathpy() -> None:
    """A whole path of twenty steps agrees with the general-purpose library wellpathpy (PyPI)."""
    wellpathpy = pytest.importorskip("wellpathpy")
    rng = np.random.default_rng(7)
    md = np.concatenate([[0.0], np.cumsum(rng.uniform(0.5, 4.0, 20))])
    inclination = rng.uniform(60, 110, 21)
    azimuth = rng.uniform(0, 60, 21)
    theirs = wellpathpy.deviation(md=md, inc=inclination, azi=azimuth).minimum_curvature()
    heading, tilt = np.radians(azimuth), np.radians(inclination - 90)
    steps = minimum_curvature(np.diff(md), heading[:-1], tilt[:-1], heading[1:], tilt[1:])
    ours = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    assert ours[:, 0] == pytest.approx(theirs.easting, abs=1e-9)
    assert ours[:, 1] == pytest.approx(theirs.northing, abs=1e-9)
    assert -ours[:, 2] == pytest.approx(theirs.depth, abs=1e-9)


#: checks.md, "Path from headings": the ends of the published step as unit vectors, N 27.22 E 19.45.
WORKED = directions(np.radians([20.0, 45.0]), np.radians([15.0, 25.0]) - np.pi / 2)


def test_the_arc_of_the_worked_step_stands_on_its_published_chord() -> None:
    """Turn 0.22605 rad, as published: the sagitta of that arc of 100 is R (1 − cos φ/2)."""
    off, _ = arc_from_chord(100.0, *WORKED, 0.5)
    turn = 0.22605
    assert np.linalg.norm(off) == pytest.approx(100 / turn * (1 - np.cos(turn / 2)), rel=1e-4)
    chord = np.array([19.450774, 27.218329, -94.012343])
    assert off @ chord == pytest.approx(0.0, abs=1e-4)


def test_places_on_an_arc_against_wellpathpy() -> None:
    """Its own resampling of the worked step, and of twenty random ones."""
    wellpathpy = pytest.importorskip("wellpathpy")
    rng = np.random.default_rng(11)
    md = np.concatenate([[0.0, 100.0], 100.0 + np.cumsum(rng.uniform(0.5, 4.0, 20))])
    inclination = np.concatenate([[15.0, 25.0], rng.uniform(60, 110, 20)])
    azimuth = np.concatenate([[20.0, 45.0], rng.uniform(0, 60, 20)])
    path = wellpathpy.deviation(md=md, inc=inclination, azi=azimuth).minimum_curvature()
    look = directions(np.radians(azimuth), np.radians(inclination - 90))
    for w in (0.25, 0.5, 0.8):
        theirs = path.resample(md[:-1] + w * np.diff(md))
        off, _ = arc_from_chord(np.diff(md), look[:-1], look[1:], w)
        vertices = np.column_stack([path.easting, path.northing, -path.depth])
        ours = (1 - w) * vertices[:-1] + w * vertices[1:] + off
        assert ours[:, 0] == pytest.approx(theirs.easting, abs=1e-8)
        assert ours[:, 1] == pytest.approx(theirs.northing, abs=1e-8)
        assert -ours[:, 2] == pytest.approx(theirs.depth, abs=1e-8)
