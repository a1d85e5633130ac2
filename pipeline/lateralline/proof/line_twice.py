"""Lines surveyed by two runs, against their truth and against the first run alone.

A second run knows more, and can do harm: stops of both lie close together, in an order that neither
counter nor position alone can tell. A line whose stops are in a wrong order doubles back: it is
drawn with a leg against the pipe.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from os import cpu_count

import numpy as np

from lateralline.derive.axis import axis_of, ground_sigmas_m
from lateralline.derive.corridor import corridor
from lateralline.findings import Finding
from lateralline.link import link
from lateralline.proof.line_paths import backward_m, held, squares_apart_m2
from lateralline.proof.line_scores import about, accuses, no_exposures
from lateralline.proof.line_truth import Population, SimulatedSite, simulate_site
from lateralline.records import Line, Linked
from lateralline.simulate.truth import TrueLine
from lateralline.solve import solve

#: Fewer than other sites have: a site is what one core works at.
LINES_PER_SITE = 10


@dataclass(frozen=True, slots=True, eq=False)
class TwiceScore:
    """One line surveyed by two runs, against its truth."""

    line: str
    ours_m2: float  # mean squared distance; NaN when the line was not drawn
    once_m2: float  # of the same line from its first run alone
    backward_m: float  # the longest leg against the pipe
    held: float  # share of the pipe in the corridor
    alarmed: bool  # accused without a blunder
    findings: tuple[Finding, ...]


def score_twice(count: int, seed: int, population: Population) -> list[TwiceScore]:
    """Simulate, draw and score `count` lines of a population that has second runs."""
    sites = range(-(-count // LINES_PER_SITE))
    sizes = [min(LINES_PER_SITE, count - i * LINES_PER_SITE) for i in sites]
    if len(sizes) == 1:
        return score_twice_site(seed, 0, count, population)
    with ProcessPoolExecutor(cpu_count(), mp_context=get_context("spawn")) as pool:
        of_all = [population] * len(sizes)
        parts = pool.map(score_twice_site, [seed] * len(sizes), sites, sizes, of_all)
        return [score for part in parts for score in part]


def score_twice_site(seed: int, index: int, count: int, population: Population) -> list[TwiceScore]:
    """Return what became of one site's lines."""
    site = simulate_site(seed, index, count, population=population)
    exposures, settings = no_exposures(), site.settings
    solved = solve(site.marks, site.stops, settings, exposures)
    first = replace(settings, runs=tuple(r for r in settings.runs if r.id.startswith("R")))
    once = _lines(link(solved, exposures, first))
    linked = link(solved, exposures, settings)
    lines = _lines(linked)
    said = (*solved.findings, *linked.findings)
    ground = ground_sigmas_m(site.marks, linked.fixes, settings.accuracy.unknown_ground_m)
    out = []
    for true in site.lines:
        line, low, high = lines.get(true.line), *_ends(site, true, "RS")
        share = 0.0
        if line is not None:
            found = corridor(axis_of(line, linked.fixes, ground, exposures, settings))
            share = held(found.polygon, true, low, high)
        findings = about(true, said)
        out.append(
            TwiceScore(
                true.line,
                _apart_m2(line, true, low, high),
                _apart_m2(once.get(true.line), true, *_ends(site, true, "R")),
                backward_m(line.xyz_m, true) if line is not None else float("nan"),
                share,
                any(map(accuses, findings)),
                findings,
            )
        )
    return out


def _lines(linked: Linked) -> dict[str, Line]:
    return {line.line: line for line in linked.lines}


def _ends(site: SimulatedSite, true: TrueLine, runs: Iterable[str]) -> tuple[float, float]:
    """Return the chainages of the first and the last stop of some of a line's runs."""
    rows = np.isin(site.stops.run, [true.line.replace("L", run) for run in runs])
    at = site.poses.chainage_m[rows]
    return float(at.min()), float(at.max())


def _apart_m2(line: Line | None, true: TrueLine, low: float, high: float) -> float:
    if line is None:
        return float("nan")
    return float(np.mean(squares_apart_m2(line.xyz_m, true, low, high)))
