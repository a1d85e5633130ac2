"""Practice sites by the number, each with an id and a place.

Of every sound scenario in turn, but for the sketch on axes of its own: it is no place on a map.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from lateralline.settings import standard_accuracy
from lateralline.simulate import ADDITIONS, SCENARIOS, Truth, make_addition
from lateralline.simulate.sheet import files_of, write_files
from lateralline.simulate.survey import survey

KINDS = [s for s in SCENARIOS.values() if s.sound and s.name != "local-sketch"]
_APART_M = 80.0
_FOOT_M = 1200 / 3937


def make_village(folder: Path, count: int) -> dict[str, Truth]:
    """Write sites PR-001 and on into a folder; return what is true of each, by its id."""
    made = {}
    for i in range(count):
        rng = np.random.default_rng([7, i])
        truth = KINDS[i % len(KINDS)].build(rng)
        step = _APART_M / (_FOOT_M if truth.horizontal == "EPSG:3734" else 1.0)
        east, north = truth.anchor
        anchor = (east + step * (i % 20), north + step * (i // 20))
        site = f"PR-{i + 1:03d}"
        made[site] = replace(truth, id=site, name=f"Practice {i + 1}", anchor=anchor)
        files = files_of(survey(rng, made[site], standard_accuracy()))
        write_files(folder / site, files)
    return made


def make_visit(truth: Truth, folder: Path) -> Path:
    """Write what a second visit to a site with a branch brings back."""
    return make_addition(ADDITIONS["gnss-bend-branch"], folder, before=truth)


def take_stop(site: Path, run: str, stop: str) -> None:
    """Take the marks and readings of a stop out of a site."""
    for name, column in (("marks.csv", "run"), ("stops.csv", "run")):
        lines = (site / name).read_text(encoding="utf-8").splitlines()
        at = next(row for row in lines if not row.startswith("#")).split(",").index(column)
        kept = [row for row in lines if row.split(",")[at : at + 2] != [run, stop]]
        assert len(kept) < len(lines)
        (site / name).write_text("\n".join(kept) + "\n", encoding="utf-8")
