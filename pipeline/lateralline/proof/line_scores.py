"""Simulated lines through the stages, each scored against its truth.

Blunders. One stop in the middle of every line (two others on either side at least) is put 0.5 m
off: once by all its marks, moved in a random direction in plan, once by its counter reading, more
or less. All else is the line as it was, noise and all.

Two runs. A second run knows more, and can do harm: stops of both lie close together, in an order
that neither counter nor position alone can tell. A line whose stops are in a wrong order doubles
back: it is drawn with a leg against the pipe.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from typing import TypeVar

import numpy as np

from lateralline.derive.axis import axis_of, ground_sigmas_m
from lateralline.derive.corridor import Corridor, corridor
from lateralline.findings import Finding
from lateralline.link import link
from lateralline.link.gross_errors import doubts
from lateralline.proof.coverage import ELLIPSE_95, by_hand
from lateralline.proof.line_compare import (
    Turn,
    backward_m,
    contained_share,
    squares_apart_m2,
    turns,
)
from lateralline.proof.line_truth import (
    LINES_PER_SITE,
    USUAL,
    Population,
    SimulatedSite,
    simulate_site,
)
from lateralline.records import Exposures, Fixes, Floats, Ints, Line, Solved, Texts
from lateralline.simulate.truth import TrueLine
from lateralline.solve import solve

BLUNDER_M = 0.5
#: A finding may name this many stops of which one is wrong.
MOST_NAMED = 2
#: Sites of lines surveyed twice have fewer than others: a site is what one core works at.
TWICE_PER_SITE = 10
#: Findings of `solve` that throw a stop's marks out.
REJECTED_BY_SOLVE = frozenset({"mark-blunder/all", "misfit/site"})


T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class DrawnSite:
    """A site's lines as the stages draw them."""

    fixes: Fixes
    lines: dict[str, Line]
    corridors: dict[str, Corridor]
    findings: tuple[Finding, ...]

    def findings_on(self, true: TrueLine) -> tuple[Finding, ...]:
        """Return the findings on one line, its runs or their stops."""
        runs = [true.line.replace("L", run) for run in "RS"]
        subjects = {
            f"line {true.line}",
            *(f"{of} {r}" for of in ("run", "depth readings of") for r in runs),
        }
        stops = tuple(f"stop {run}/" for run in runs)
        return tuple(
            f for f in self.findings if f.subject in subjects or f.subject.startswith(stops)
        )


def draw(site: SimulatedSite, *, with_corridors: bool = True) -> DrawnSite:
    """Take a site through solve, link and, if asked, the corridors of derive."""
    exposures, settings = no_exposures(), site.settings
    return _drawn(site, solve(site.marks, site.stops, settings, exposures), with_corridors)


def _drawn(site: SimulatedSite, solved: Solved, with_corridors: bool) -> DrawnSite:
    exposures, settings = no_exposures(), site.settings
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
    """One line against its truth; the defaults are those of a line that was not drawn."""

    site: int
    line: str
    stops: int
    hand_m2: float  # mean squared distance: rule of hand at its best
    plain_hand_m2: float  # rule of hand with the mid mark as it lies
    alarmed: bool  # accused without a blunder
    findings: tuple[Finding, ...]
    ours_m2: float = float("nan")
    contained: float = 0.0  # share of the pipe in the corridor
    width_m: float = float("nan")  # area of the corridor over its length
    turns: tuple[Turn, ...] = ()
    vertices_contained: tuple[bool, ...] = ()  # stops whose 95 % ellipse holds the truth
    chi2: float = 0.0
    dof: int = 0


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
    named: bool  # by an error, or by the doubt whether it or a bend is there
    denied: bool  # by an error
    findings: tuple[Finding, ...]


Scores = tuple[list[LineScore], list[BlunderScore]]


def score_lines(count: int, seed: int, population: Population = USUAL) -> Scores:
    """Simulate, draw and score `count` lines, and the blunders planted in them.

    Sites are shared out over the machine's cores; their number changes nothing of the result.
    """
    return gathered(_by_site(score_site, LINES_PER_SITE, count, seed, population))


def _by_site(
    score: Callable[[int, int, int, Population], T],
    per_site: int,
    count: int,
    seed: int,
    population: Population,
) -> list[T]:
    """Return what `score` makes of each site (seed, index, lines, population), in order."""
    sizes = [min(per_site, count - first) for first in range(0, count, per_site)]
    if len(sizes) == 1:
        return [score(seed, 0, count, population)]
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        n = len(sizes)
        return list(pool.map(score, [seed] * n, range(n), sizes, [population] * n))


def score_site(seed: int, index: int, count: int, population: Population = USUAL) -> Scores:
    """Return what became of one site's lines, and of the blunders planted in them."""
    site = simulate_site(seed, index, count, population=population)
    drawn = draw(site)
    lines = [_score(index, site, line, drawn) for line in site.lines]
    blunders = []
    for planted in plant(site, np.random.default_rng([seed, index, 1])):
        found = draw(planted.site, with_corridors=False)
        blunders += [
            _blunder(index, planted, i, found.findings_on(line))
            for i, line in enumerate(site.lines)
        ]
    return lines, blunders


def gathered(parts: Iterable[Scores]) -> Scores:
    """Return the scores of several sites together."""
    lines, blunders = zip(*parts, strict=True)
    return [x for some in lines for x in some], [x for some in blunders for x in some]


def _score(number: int, site: SimulatedSite, true: TrueLine, drawn: DrawnSite) -> LineScore:
    rows = site.rows(true)
    low, high = (float(f(site.poses.chainage_m[rows])) for f in (np.min, np.max))
    best, plain = (
        by_hand(site.marks, site.stops, squared=squared)[rows, :3] for squared in (True, False)
    )
    findings = drawn.findings_on(true)
    score = LineScore(
        number,
        true.line,
        len(rows),
        _mean(squares_apart_m2(best, true, low, high)),
        _mean(squares_apart_m2(plain, true, low, high)),
        any(map(accuses, findings)),
        findings,
    )
    line = drawn.lines.get(true.line)
    if line is None:
        return score
    refs = {f"{site.stops.run[i]}/{site.stops.stop[i]}": i for i in rows}
    chainages = {ref: float(site.poses.chainage_m[i]) for ref, i in refs.items()}
    found = drawn.corridors[true.line]
    length = float(np.hypot(*np.diff(line.xyz_m[:, :2], axis=0).T).sum())
    return replace(
        score,
        ours_m2=_mean(squares_apart_m2(line.xyz_m, true, low, high)),
        contained=contained_share(found.polygon, true, low, high),
        width_m=found.polygon.area / length,
        turns=tuple(turns(true, chainages, line)),
        vertices_contained=_vertices_contained(line, site.poses.xyz_m, refs),
        chi2=line.chi2,
        dof=line.dof,
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
        named(stop, (f for f in findings if f.denies)),
        findings,
    )


def _mean(values: Floats) -> float:
    return float(np.mean(values))


def _vertices_contained(line: Line, true_m: Floats, refs: dict[str, np.int64]) -> tuple[bool, ...]:
    out = []
    for ref, xyz, cov in zip(line.ref, line.xyz_m, line.cov_m2, strict=True):
        if str(ref) in refs:
            off = (xyz - true_m[refs[str(ref)]])[:2]
            out.append(bool(off @ np.linalg.solve(cov[:2, :2], off) < ELLIPSE_95))
    return tuple(out)


def accuses(finding: Finding) -> bool:
    """True when a finding holds that something measured on a line is wrong."""
    if finding.stage == "link":
        return finding.severity == "error"
    return finding.is_one_of(REJECTED_BY_SOLVE)


# ---- blunders -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Planted:
    """A site with one blunder in each line."""

    site: SimulatedSite
    row: Ints  # of each line: the stop's row
    stop: tuple[str, ...]  # of each line: "R1/3"
    kind: Texts  # of each line: across | along | counter


def plant(site: SimulatedSite, rng: np.random.Generator) -> tuple[Planted, Planted]:
    """Return the site with every line's marks of one stop moved, and with its counter misread."""
    row = np.array([rng.choice(site.rows(line)[2:-2]) for line in site.lines])
    names = tuple(f"{site.stops.run[i]}/{site.stops.stop[i]}" for i in row)
    bearing = rng.uniform(0.0, 2.0 * np.pi, len(row))
    xyz = site.marks.xyz_m.copy()
    of_mark = np.char.add(np.char.add(site.marks.run, "/"), site.marks.stop)
    for name, towards in zip(names, bearing, strict=True):
        xyz[of_mark == name, :2] += BLUNDER_M * np.array([np.sin(towards), np.cos(towards)])
    along = np.abs(np.cos(bearing - site.poses.heading_rad[row])) > np.sqrt(0.5)
    counter = site.stops.counter_m.copy()
    counter[row] += BLUNDER_M * rng.choice((-1.0, 1.0), len(row))
    moved = replace(site, marks=replace(site.marks, xyz_m=xyz))
    misread = replace(site, stops=replace(site.stops, counter_m=counter))
    return (
        Planted(moved, row, names, np.where(along, "along", "across")),
        Planted(misread, row, names, np.full(len(row), "counter")),
    )


def named(stop: str, findings: Iterable[Finding]) -> bool:
    """True when a finding says of the stop, alone or as one of two, that it is wrong or may be."""
    for f in findings:
        stops = {s.removeprefix("stop ") for s in f.suspects if s.startswith("stop ")}
        if (f.denies or doubts(f)) and stop in stops and len(stops) <= MOST_NAMED:
            return True
    return False


# ---- two runs -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class TwiceScore:
    """One line surveyed by two runs, against its truth."""

    line: str
    ours_m2: float  # mean squared distance; NaN when the line was not drawn
    once_m2: float  # of the same line from its first run alone
    backward_m: float  # the longest leg against the pipe
    contained: float  # share of the pipe in the corridor
    alarmed: bool  # accused without a blunder
    findings: tuple[Finding, ...]


def score_twice(count: int, seed: int, population: Population) -> list[TwiceScore]:
    """Simulate, draw and score `count` lines of a population that has second runs."""
    parts = _by_site(score_twice_site, TWICE_PER_SITE, count, seed, population)
    return [score for part in parts for score in part]


def score_twice_site(seed: int, index: int, count: int, population: Population) -> list[TwiceScore]:
    """Return what became of one site's lines."""
    site = simulate_site(seed, index, count, population=population)
    exposures, settings = no_exposures(), site.settings
    solved = solve(site.marks, site.stops, settings, exposures)
    first = replace(settings, runs=tuple(r for r in settings.runs if r.id.startswith("R")))
    once = {line.line: line for line in link(solved, exposures, first).lines}
    drawn = _drawn(site, solved, with_corridors=True)
    out = []
    for true in site.lines:
        line, low, high = drawn.lines.get(true.line), *_ends(site, true, "RS")
        share, backward = 0.0, float("nan")
        if line is not None:
            share = contained_share(drawn.corridors[true.line].polygon, true, low, high)
            backward = backward_m(line.xyz_m, true)
        findings = drawn.findings_on(true)
        out.append(
            TwiceScore(
                true.line,
                _apart_m2(line, true, low, high),
                _apart_m2(once.get(true.line), true, *_ends(site, true, "R")),
                backward,
                share,
                any(map(accuses, findings)),
                findings,
            )
        )
    return out


def _ends(site: SimulatedSite, true: TrueLine, runs: Iterable[str]) -> tuple[float, float]:
    """Return the chainages of the first and the last stop of some of a line's runs."""
    rows = np.isin(site.stops.run, [true.line.replace("L", run) for run in runs])
    at = site.poses.chainage_m[rows]
    return float(at.min()), float(at.max())


def _apart_m2(line: Line | None, true: TrueLine, low: float, high: float) -> float:
    if line is None:
        return float("nan")
    return float(np.mean(squares_apart_m2(line.xyz_m, true, low, high)))
