"""Wrong readings that hide: two behind each other, one behind an accuracy it makes doubtful."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lateralline.proof.world_survey import survey_lines, write_site
from lateralline.proof.world_truth import World
from lateralline.stages import SiteResult, run_site
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


def test_one_misread_counter_is_named_and_no_reason_to_doubt_the_tilts(tmp_path: Path) -> None:
    """Two lengths are half a metre wrong, and tilts wide enough for that would hide it."""
    *_, line = survey_lines(1, 2, World("blunders"), blunders=True)
    assert line.blunder == "counter"
    built = run_site(write_site(line, tmp_path), until="link")
    assert isinstance(built, SiteResult)
    told = {f.name: f.subject for f in built.findings}
    assert told["blunder/counter-or-plan"] in {f"stop R1/{stop}" for stop in line.bad_stops}
    assert "misfit/accuracy" not in told
