"""What a crew brings back from a second visit to a practice site: true to the same truth.

The pipe is the one of the site's scenario; readings carry fresh noise. The folder is what
`lateralline update` takes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from lateralline.settings import standard_accuracy
from lateralline.simulate.scenarios import SOUND
from lateralline.simulate.sheet import csv_text, run_section, write_files
from lateralline.simulate.survey import Row, survey
from lateralline.simulate.truth import Opening, Sight, TrueLine, TrueRun, Truth, standstills

_HEADING = "# What is added to {site}: invented, simulated with the same known truth."


@dataclass(frozen=True, slots=True)
class Addition:
    """A second visit to a practice site; `build` turns its truth into what is true of the visit.

    Whatever runs and openings the site has not, the visit adds.
    """

    scenario: str
    description: str
    seed: int
    build: Callable[[np.random.Generator, Truth], Truth]
    receiver: str  # of the added runs


def _run_back_and_test_hole(rng: np.random.Generator, truth: Truth) -> Truth:
    """A week later: a push from the main upwards, and a hole dug to the pipe upstream."""
    first, second = truth.lines
    first = with_node(first, first.node_chainage_m("CO1") - 5.6, "TH1")
    travel = standstills(rng, first.chainage_m[2], first_m=1.9, last_m=23.2, spacing_m=3.6)
    again = TrueRun("R3", "L1", "MAIN", "against", travel)
    return replace(
        truth,
        lines=(first, second),
        runs=(*truth.runs, again),
        crew=replace(truth.crew, missing=frozenset({"R3-3X"}), notes={"R3-5A": "on the kerb"}),
        openings=(*truth.openings, Opening("TH1", "R3", "TH1", "gnss")),
        sights=(Sight("R3", 9.4, "BRANCH", "", "junction from the left", 10),),
        surveyed="2026-05-13",
    )


#: By name of the folder under `sample_sites/added`.
ADDITIONS: dict[str, Addition] = {
    a.scenario: a
    for a in (
        Addition(
            "gnss-bend-branch",
            "a run the other way on another day, and a test hole dug to the pipe",
            2205,
            _run_back_and_test_hole,
            "second day",
        ),
    )
}


def with_node(line: TrueLine, chainage_m: float, name: str) -> TrueLine:
    """Return the same pipe with one more node that has a name."""
    after = int(np.searchsorted(line.chainage_m, chainage_m))
    axis = np.insert(line.axis_m, after, line.at([chainage_m])[0], axis=0)
    return replace(line, axis_m=axis, nodes=(*line.nodes[:after], name, *line.nodes[after:]))


def make_addition(
    addition: Addition, folder: Path, *, seed: int | None = None, before: Truth | None = None
) -> Path:
    """Write what a visit adds into a new folder; OutputExistsError when it is there.

    The same seed gives the same bytes. `before` is what is true of the site it belongs to, which
    its scenario's own seed makes when it is not given.
    """
    if before is None:
        scenario = SOUND[addition.scenario]
        before = scenario.build(np.random.default_rng(scenario.seed))
    rng = np.random.default_rng(addition.seed if seed is None else seed)
    truth = addition.build(rng, before)
    site = survey(rng, truth, standard_accuracy())
    runs = [run for run in truth.runs if run not in before.runs]
    ids = {run.id for run in runs}
    old_openings = {opening.name for opening in before.openings}
    out = [_HEADING.format(site=truth.id), "", "[visit]", f"surveyed = {truth.surveyed}"]
    for run in runs:
        out += ["", *run_section(run, truth.steps), f'receiver = "{addition.receiver}"']
    tables = {
        "marks": _of(site.marks, ids),
        "stops": _of(site.stops, ids),
        "exposures": [row for row in site.exposures if row["name"] not in old_openings],
        "observations": _of(site.observations, ids),
    }
    files = {f"{name}.csv": csv_text(name, rows) for name, rows in tables.items() if rows}
    write_files(folder, {"added.toml": "\n".join(out) + "\n", **files})
    return folder


def _of(rows: Iterable[Row], runs: set[str]) -> list[Row]:
    return [row for row in rows if row["run"] in runs]
