"""Standard bends: which one an angle is, and when nobody can tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lateralline.published import Fitting, fittings, nearest_fittings
from tests.support.finding_names import called
from tests.support.made_scene import PVC, Scene, finding, only

#: Bends of drains that every system of pipes has: common practice, no source.
EVERYWHERE_DEG = (11.25, 22.5, 45.0, 60.0, 72.0, 90.0)


@pytest.mark.parametrize("system", ["inch", "metric"])
def test_no_system_lacks_an_angle_of_the_trade(system: str) -> None:
    """A true 22.5° bend was called 30°, because its own angle was not on the list."""
    angles = [f.angle_deg for f in fittings() if f.system == system]
    assert set(EVERYWHERE_DEG) <= set(angles)
    assert angles == sorted(set(angles))


def test_angles_nobody_read_say_so() -> None:
    assert {f.source for f in fittings()} == {"common practice, no source"}


@pytest.mark.parametrize("nominal", ["DN110", "4 in SCH40", ""])
@pytest.mark.parametrize("angle", EVERYWHERE_DEG)
def test_every_angle_of_the_trade_is_named_as_itself(angle: float, nominal: str) -> None:
    (found,) = nearest_fittings(angle, 0.5, nominal)
    assert found.angle_deg == angle


@pytest.mark.parametrize(
    ("angle", "nominal", "name"),
    [
        (24.0, "4 in SCH40", "1/16 bend"),
        (62.0, "4 in SCH40", "1/6 bend"),
        (70.5, "4 in SCH40", "1/5 bend"),
        (65.0, "DN110", "67½° bend"),
        (86.0, "110 mm", "87½° bend"),
        (45.1, "", "1/8 bend"),
    ],
)
def test_a_fitting_is_of_the_pipe_s_own_system(angle: float, nominal: str, name: str) -> None:
    """Angles of bends: common practice, no source."""
    assert nearest_fittings(angle, 0.0, nominal)[0].name == name


def test_fittings_the_sigma_cannot_tell_apart_are_all_named() -> None:
    """χ² of 26° ± 3°: 1.36 as 22.5°, 1.78 as 30°; the rest are 3.84 worse and more."""

    def names(found: tuple[Fitting, ...]) -> list[str]:
        return [f.name for f in found]

    assert names(nearest_fittings(26.0, 3.0, "DN110")) == ["22½° bend", "30° bend"]
    assert names(nearest_fittings(26.0, 0.5, "DN110")) == ["22½° bend"]
    assert names(nearest_fittings(26.0, 3.0, "4 in")) == ["1/16 bend"]


def bent_scene(angle_deg: float, nominal: str) -> Scene:
    """Six stops on a pipe that turns once; the adjustment knows the turn to about 2°."""
    turn = np.radians(angle_deg)
    path = [(0, 0, 0), (0, 8, 0), (8 * np.sin(turn), 8 + 8 * np.cos(turn), 0)]
    scene = Scene().stops(path, [2, 4, 6.5, 9.5, 11.5, 13.5])
    scene.pipes = [replace(PVC, nominal=nominal, standard_bends=True)]
    return scene


@pytest.mark.parametrize("nominal", ["DN110", "4 in"])
@pytest.mark.parametrize("angle", [22.5, 60.0])
def test_a_bend_is_held_to_its_own_angle(angle: float, nominal: str) -> None:
    """DN pipes had neither: 22.5° was moved to 30°, and 60° was no standard fitting at all."""
    scene = bent_scene(angle, nominal)
    held = scene.link()
    assert f"{angle:g}°" in finding(held, "bend-fitting/held").what
    assert np.degrees(only(held).stretches[2].bend_rad[0]) == pytest.approx(angle, abs=1)


def test_a_bend_between_two_fittings_is_not_held() -> None:
    """26° is a 22½° bend as well as a 30° one: neither may move the path."""
    scene = bent_scene(26.0, "DN110")
    found = scene.link()
    assert "22½° bend, 30° bend" in finding(found, "bend-fitting/between").what
    assert "bend-fitting/held" not in [called(f) for f in found.findings]
    scene.pipes = [replace(PVC, nominal="DN110")]
    assert only(found).xyz_m.tolist() == only(scene.link()).xyz_m.tolist()
