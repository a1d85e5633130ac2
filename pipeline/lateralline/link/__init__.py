"""All fixes of a line, its counters and exposures, into one adjusted centreline.

points → order → shapes → adjust, line by line, parents before the branches that join them; then the
records. Kernels: `curves` for geometry, `network` for the adjustment and its tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lateralline.link import branches
from lateralline.link.adjust import Solution, adjust_line
from lateralline.link.order import arrange, turned, upstream_sign
from lateralline.link.points import Point, gather, settle_same_places
from lateralline.link.record import Joined, stretch_findings, to_line
from lateralline.records import Exposures, Finding, Fixes, Line, Linked, Severity, Solved
from lateralline.settings import Branch, Run, Settings

__all__ = ["link"]


def link(solved: Solved, exposures: Exposures, settings: Settings) -> Linked:
    """Return every line adjusted, downstream → upstream, and the fixes turned the camera's way.

    A line needs two located points; one that has fewer yields a finding, not a line. Findings hold
    every blunder, impossible chord, undecided shape and unmapped length.
    """
    fixes = solved.fixes
    findings: list[Finding] = []
    solutions: dict[str, Solution] = {}
    junctions: dict[str, list[Joined]] = {}
    parents: dict[str, str] = {}
    for line in _parents_first(settings, exposures):
        runs = [r for r in settings.runs if r.line == line]
        points, said = _located(line, fixes, exposures, settings)
        findings += said
        junction = None
        branch = next((b for b in settings.branches if b.line == line), None)
        if branch is not None and points and branch.joins not in solutions:
            findings.append(_parent_missing(branch))
        elif branch is not None and points:
            junction, more = branches.find(branch, points, solutions[branch.joins], settings)
            findings += more
            if junction is not None:
                point = branches.as_point(junction, branch, runs, settings)
                points = turned([point, *points])
        if len(points) < 2:
            findings.append(_too_few(line, points, surveyed=bool(runs)))
            continue
        solution = adjust_line(line, points, settings.accuracy)
        solutions[line] = solution
        fixes = _turn_fixes(fixes, solution.points, {r.id: r for r in runs})
        lags = {r.id: r.transmitter_lag_m for r in runs}
        findings += solution.findings
        findings += stretch_findings(solution, lags, settings.accuracy)
        if junction is not None and branch is not None:
            findings += branches.miss_finding(solution)
            met = Joined(junction, solution.xyz_m[0], solution.cov_m2[:3, :3])
            junctions.setdefault(branch.joins, []).append(met)
            parents[line] = branch.joins
        else:
            findings += _entry_findings(runs, points)
    lines = [
        to_line(s, fixes, junctions.get(line, []), settings.accuracy, parents.get(line, ""))
        for line, s in solutions.items()
    ]
    return Linked(fixes, _with_places(lines), tuple(findings))


def _parents_first(settings: Settings, exposures: Exposures) -> list[str]:
    """Line ids as the site names them, each after the line it joins."""
    named = [
        *(r.line for r in settings.runs),
        *(p.line for p in settings.pipes),
        *(str(x) for x in exposures.line if x),
    ]
    joins = {b.line: b.joins for b in settings.branches}
    out: list[str] = []

    def add(line: str, above: tuple[str, ...]) -> None:
        parent = joins.get(line)
        if parent is not None and parent in named and parent not in above:
            add(parent, (*above, line))
        if line not in out:
            out.append(line)

    for line in named:
        add(line, (line,))
    return out


def _located(
    line: str, fixes: Fixes, exposures: Exposures, settings: Settings
) -> tuple[list[Point], list[Finding]]:
    """The line's points in order, turned, each place once."""
    runs = [r for r in settings.runs if r.line == line]
    points, findings = gather(line, fixes, exposures, settings)
    if not points:
        return [], findings
    points, said = arrange(line, points, runs)
    points, more = settle_same_places(points)
    return points, [*findings, *said, *more]


def _too_few(line: str, points: Sequence[Point], surveyed: bool) -> Finding:
    """What is said of a line that cannot be drawn; an error where someone pushed a camera."""
    severity: Severity = "error" if surveyed else "warning"
    if not points:
        return Finding(
            severity,
            "link",
            "line-without-fix",
            f"line {line}",
            "no stop of it was located: it is not drawn",
            "0 located points",
            "mark at least two stops on it",
        )
    point = points[0]
    loose = " and its heading may be off by 180°" if point.directed else ""
    return Finding(
        severity,
        "link",
        "line-single-fix",
        f"line {line}",
        f"only {point.subject} was located: it is not drawn{loose}",
        "1 located point",
        "mark a second stop, or measure its entry as an exposure",
        point.where,
    )


def _parent_missing(branch: Branch) -> Finding:
    return Finding(
        "warning",
        "link",
        "junction-unknown",
        f"line {branch.line}",
        f"line {branch.joins}, which it joins, could not be drawn: it is not joined",
        "",
        f"locate two stops on line {branch.joins}",
    )


def _turn_fixes(fixes: Fixes, points: Sequence[Point], runs: dict[str, Run]) -> Fixes:
    """Turn fixes to the camera's way; `points` are ordered and point upstream."""
    heading, tilt, cov = fixes.heading_rad.copy(), fixes.tilt_rad.copy(), fixes.cov.copy()
    flip = np.array([1.0, 1.0, 1.0, 1.0, -1.0])
    for p in points:
        if p.fix < 0 or not p.directed:
            continue
        i = p.fix
        way = upstream_sign(runs[str(fixes.run[i])]) * p.direction
        level = np.array([np.sin(heading[i]), np.cos(heading[i])]) * np.cos(tilt[i])
        if float(way @ [*level, np.sin(tilt[i])]) < 0:
            heading[i] += np.pi
            tilt[i] = -tilt[i]
            cov[i] *= np.outer(flip, flip)
    return replace(fixes, heading_rad=heading % (2 * np.pi), tilt_rad=tilt, cov=cov)


def _entry_findings(runs: Sequence[Run], points: Sequence[Point]) -> list[Finding]:
    """How much counted length lies between each run's entry and its first located point."""
    out = []
    for run in runs:
        away = [
            abs(p.readings[run.id] - run.counter_at_entry_m) for p in points if run.id in p.readings
        ]
        if away and min(away) > 0.10:
            out.append(
                Finding(
                    "warning",
                    "link",
                    "entry-not-mapped",
                    f"run {run.id}",
                    f"the pipe from {run.entry or 'its entry'} to the nearest located point is not "
                    "located: line, corridor and dig zone end at that point; the entry itself is "
                    "drawn only where the counter carries a little beyond it, straight on",
                    f"{min(away):.2f} m of counted length",
                    f"measure {run.entry or 'the entry'} as an exposure",
                )
            )
    return out


def _with_places(lines: Sequence[Line]) -> tuple[Line, ...]:
    """Tell each branch which vertex of its parent it joins."""
    by_id = {x.line: x for x in lines}
    out = []
    for x in lines:
        at = -1
        if x.joins:
            parent = by_id[x.joins]
            here = np.flatnonzero((parent.kind == "junction") & (parent.ref == x.line))
            at = int(here[0])
        out.append(replace(x, joins_at=at))
    return tuple(out)
