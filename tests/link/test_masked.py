"""Two wrong readings in one line that hide behind each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.support.made_scene import Scene


@pytest.mark.parametrize(
    ("seed", "first"),
    [(0, 7), (2, 2)],
    ids=["accused the stop behind", "accused nobody"],
)
def test_neighbours_misread_alike_are_both_named(seed: int, first: int) -> None:
    """They fit one another; each alone left out, the other still contradicts what is beside it."""
    rng = np.random.default_rng(seed)
    scene = Scene().stops([(0, 0, 0), (0, 22, 0.2)], np.arange(1, 20, 2.0), rng=rng)
    for i in (first, first + 1):
        scene.rows[i] = replace(scene.rows[i], counter=scene.rows[i].counter - 0.5)
    named = {f.subject for f in scene.link().findings if f.code == "blunder"}
    assert named == {f"stop R1/{first + 1}", f"stop R1/{first + 2}"}
