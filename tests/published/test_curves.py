"""Path geometry against published steps and an independent library."""

from __future__ import annotations

import numpy as np
import pytest

from lateralline.kernels.curves import angle_between, directions, minimum_curvature


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
