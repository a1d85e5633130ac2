"""Simulated lines through the stages, each scored against its truth."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
from scipy.stats import chi2

from lateralline.derive.axis import axis_of, ground_sigmas_m
from lateralline.derive.corridor import Corridor, corridor
from lateralline.findings import Finding
from lateralline.link import link
from lateralline.proof.by_hand import by_hand
from lateralline.proof.line_bends import Turn, turns
from lateralline.proof.line_blunders import Planted, named, plant
from lateralline.proof.line_paths import held, squares_apart_m2
from lateralline.proof.line_truth import (
    LINES_PER_SITE,
    USUAL,
    Population,
    SimulatedSite,
    simulate_site,
)
from lateralline.records import Exposures, Fixes, Floats, Line
from lateralline.simulate.truth import TrueLine
from lateralline.solve import solve

ELLIPSE_95 = float(chi2.ppf(0.95, 2))
#: Findings of `solve` that throw a stop's marks out.
REJECTED_BY_SOLVE = frozenset({"marks-contradict", "site-contradicts"})


@dataclass(frozen=True, slots=True, eq=False)
class DrawnSite:
    """A site's lines as the stages draw them."""

    fixes: Fixes
    lines: dict[str, Line]
    corridors: dict[str, Corridor]
    findings: tuple[Finding, ...]

    def said_of(self, true: TrueLine) -> tuple[Finding, ...]:
        """Return what was found on one line, its runs or their stops."""
        return about(true, self.findings)


def about(true: TrueLine, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings on one line, its runs or their stops."""
    runs = [true.line.replace("L", run) for run in "RS"]
    subjects = [
        f"line {true.line}",
        *(f"{of} {r}" for of in ("run", "depth readings of") for r in runs),
    ]
    stops = tuple(f"stop {run}/" for run in runs)
    return tuple(f for f in findings if f.subject in subjects or f.subject.startswith(stops))


def draw(site: SimulatedSite, *, with_corridors: bool = True) -> DrawnSite:
    """Take a site through solve, link and, if asked, the corridors of derive."""
    exposures = no_exposures()
    settings = site.settings
    solved = solve(site.marks, site.stops, settings, exposures)
    linked = link(solved, exposures, settings)
    corridors = {}
    if with_corridors:
        fixes = linked.fixes
        ground = ground_sigmas_m(site.marks, fixes, settings.accuracy.unknown_ground_m)
        corridors = {
            line.line: corridor(axis_of(line, fixes, ground, exposures, settings))
            for line in linked.lines
        }
    lines = {line.line: line for line in linked.lines}
    return DrawnSite(linked.fixes, lines, corridors, solved.findings + linked.findings)


def no_exposures() -> Exposures:
    """Return the exposures of a site where nothing was dug or opened."""
    text, number = np.empty(0, np.str_), np.empty(0)
    row, xyz, cov = np.empty(0, np.int64), np.empty((0, 3)), np.empty((0, 3, 3))
    return Exposures(
        "exposures.csv", row, text, text, text, number, text, xyz, cov, number, number > 0
    )


@dataclass(frozen=True, slots=True, eq=False)
class LineScore:
    """One line against its truth."""

    site: int
    line: str
    stops: int
    ours_m2: float  # mean squared distance; NaN when the line was not drawn
    hand_m2: float  # rule of hand at its best
    plain_hand_m2: float  # rule of hand with the mid mark as it lies
    held: float  # share of the pipe in the corridor
    width_m: float  # area of the corridor over its length
    turns: tuple[Turn, ...]
    vertices_held: tuple[bool, ...]  # located stops whose 95 % ellipse holds the truth
    chi2: float
    dof: int
    alarmed: bool  # accused without a blunder
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class BlunderScore:
    """One planted blunder."""

    site: int
    line: str
    kind: str  # across | along | counter
    stop: str
    depth_m: float
    to_bend_m: float  # along the true pipe, to the nearest; infinite without one
    end_nulls: int  # marked there: with one, half a metre across is two standard deviations
    named: bool
    findings: tuple[Finding, ...]


Scores = tuple[list[LineScore], list[BlunderScore]]


def score_lines(count: int, seed: int, population: Population = USUAL) -> Scores:
    """Simulate, draw and score `count` lines, and the blunders planted in them.

    Sites are shared out over the machine's cores; their number changes nothing of the result.
    """
    sites = range(-(-count // LINES_PER_SITE))
    sizes = [min(LINES_PER_SITE, count - i * LINES_PER_SITE) for i in sites]
    if len(sizes) == 1:
        return score_site(seed, 0, count, population)
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        of_all = [population] * len(sizes)
        return gathered(pool.map(score_site, [seed] * len(sizes), sites, sizes, of_all))


def score_site(seed: int, index: int, count: int, population: Population = USUAL) -> Scores:
    """Return what became of one site's lines, and of the blunders planted in them."""
    site = simulate_site(seed, index, count, population=population)
    drawn = draw(site)
    lines = [_score(index, site, line, drawn) for line in site.lines]
    blunders = []
    for planted in plant(site, np.random.default_rng([seed, index, 1])):
        found = draw(planted.site, with_corridors=False)
        blunders += [
            _blunder(index, planted, i, found.said_of(line)) for i, line in enumerate(site.lines)
        ]
    return lines, blunders


def gathered(parts: Iterable[Scores]) -> Scores:
    """Return the scores of several sites together."""
    lines: list[LineScore] = []
    blunders: list[BlunderScore] = []
    for scored, planted in parts:
        lines += scored
        blunders += planted
    return lines, blunders


def _score(number: int, site: SimulatedSite, true: TrueLine, drawn: DrawnSite) -> LineScore:
    rows = site.rows(true)
    low, high = (float(f(site.poses.chainage_m[rows])) for f in (np.min, np.max))
    best, plain = (
        by_hand(site.marks, site.stops, squared=squared)[rows, :3] for squared in (True, False)
    )
    findings = drawn.said_of(true)
    line = drawn.lines.get(true.line)
    nan = float("nan")
    scores = {
        "hand_m2": _mean(squares_apart_m2(best, true, low, high)),
        "plain_hand_m2": _mean(squares_apart_m2(plain, true, low, high)),
    }
    alarmed = any(map(accuses, findings))
    if line is None:
        return LineScore(
            number, true.line, len(rows), nan, **scores, held=0.0, width_m=nan, turns=(),
            vertices_held=(), chi2=0.0, dof=0, alarmed=alarmed, findings=findings,
        )  # fmt: skip
    refs = {f"{site.stops.run[i]}/{site.stops.stop[i]}": i for i in rows}
    chainages = {ref: float(site.poses.chainage_m[i]) for ref, i in refs.items()}
    found = drawn.corridors[true.line]
    length = float(np.hypot(*np.diff(line.xyz_m[:, :2], axis=0).T).sum())
    return LineScore(
        number,
        true.line,
        len(rows),
        _mean(squares_apart_m2(line.xyz_m, true, low, high)),
        **scores,
        held=held(found.polygon, true, low, high),
        width_m=found.polygon.area / length,
        turns=tuple(turns(true, chainages, line)),
        vertices_held=_vertices_held(line, site.poses.xyz_m, refs),
        chi2=line.chi2,
        dof=line.dof,
        alarmed=alarmed,
        findings=findings,
    )


def _blunder(number: int, planted: Planted, i: int, findings: tuple[Finding, ...]) -> BlunderScore:
    line, row, stop = planted.site.lines[i], planted.row[i], planted.stop[i]
    away = np.abs(line.chainage_m[1:-1] - planted.site.poses.chainage_m[row])
    marks, stops = planted.site.marks, planted.site.stops
    of_stop = (marks.run == stops.run[row]) & (marks.stop == stops.stop[row])
    return BlunderScore(
        number,
        line.line,
        str(planted.kind[i]),
        stop,
        float(planted.site.poses.depth_m[row]),
        float(away.min(initial=np.inf)),
        int((of_stop & (marks.kind == "end_null")).sum()),
        named(stop, findings),
        findings,
    )


def _mean(values: Floats) -> float:
    return float(np.mean(values))


def _vertices_held(line: Line, true_m: Floats, refs: dict[str, np.int64]) -> tuple[bool, ...]:
    out = []
    for ref, xyz, cov in zip(line.ref, line.xyz_m, line.cov_m2, strict=True):
        if str(ref) in refs:
            off = (xyz - true_m[refs[str(ref)]])[:2]
            out.append(bool(off @ np.linalg.solve(cov[:2, :2], off) < ELLIPSE_95))
    return tuple(out)


def accuses(finding: Finding) -> bool:
    """True when a finding says that something measured on a line is wrong."""
    if finding.stage == "link":
        return finding.severity == "error"
    return finding.code in REJECTED_BY_SOLVE
