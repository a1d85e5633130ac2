"""All fixes of a line, its counters and exposures, into one adjusted centreline.

points, exposed, astray     located points of each line: its stops, what was seen of it
counters → order            readings that cannot be, left out; the rest in order
same_place, riders          each place once, stops of other runs on the path
shapes, weigh, adjust, sure every line by itself: its shape, and which readings are wrong
branches, joint             lines that touch as one network, errors they share held in common
record                      back to lines

gross                       what contradicts itself so far that it is not drawn

`search` is the hunt for blunders, `rounds` runs the searches of all lines side by side, `model`,
`layout` and `evaluate` are the equations. Kernels: `curves` for geometry, `network` for the
adjustment and its tests.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from lateralline.isolate import without_culprits
from lateralline.link import branches
from lateralline.link.adjust import Alone, adjust_line
from lateralline.link.astray import without_astray
from lateralline.link.blunders import contradicted, misfit_finding, named, tied
from lateralline.link.branches import Junction
from lateralline.link.counters import trusted, without_runs
from lateralline.link.equations import exact_is_small
from lateralline.link.exposed import gather_exposures, gather_levels
from lateralline.link.gross import gross_line, gross_network
from lateralline.link.impossible import impossible_lengths, undecided_shapes
from lateralline.link.joint import Network, Settled, connected, settle
from lateralline.link.order import arrange, turned, upstream_sign
from lateralline.link.parameters import parameters
from lateralline.link.parts import Rider
from lateralline.link.points import Point, gather_fixes
from lateralline.link.record import to_line
from lateralline.link.riders import set_levels, set_riders
from lateralline.link.rounds import settled
from lateralline.link.same_place import settle_same_places
from lateralline.proportions import MOST_LEG_M
from lateralline.records import (
    Exposures,
    Finding,
    Fixes,
    Floats,
    Line,
    Linked,
    Severity,
    Solved,
)
from lateralline.settings import Branch, Run, Settings
from lateralline.wording import metres

__all__ = ["link"]


@dataclass(slots=True)
class _Found:
    """What is known of a site's lines so far."""

    lines: dict[str, Alone] = field(default_factory=dict)
    junctions: dict[str, tuple[str, Junction]] = field(default_factory=dict)  # of branches
    riders: dict[str, list[Rider]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    contested: set[str] = field(default_factory=set)  # exposures that something contradicts
    order_only: set[str] = field(default_factory=set)  # runs whose counters give no lengths


def link(solved: Solved, exposures: Exposures, settings: Settings) -> Linked:
    """Return every line adjusted, downstream → upstream, and the fixes turned the camera's way.

    A line needs two located points; one that has fewer yields a finding, not a line. So does one
    whose data contradict it grossly, or whose numbers fail: the others are adjusted without it.
    Findings hold every blunder, impossible chord, undecided shape and unmapped length.
    """

    def work(left_out: Mapping[str, str]) -> Linked:
        return _link(solved, exposures, settings, left_out)

    return without_culprits(work, _parents_first(settings, exposures))


def _link(
    solved: Solved, exposures: Exposures, settings: Settings, left_out: Mapping[str, str]
) -> Linked:
    """Link all lines but those left out because their numbers fail."""
    accuracy = exact_is_small(settings.accuracy)
    found, fixes = _Found(), solved.fixes
    found.findings += [_failed(line, why) for line, why in left_out.items()]
    for lines in _waves(settings, exposures):
        ready = [line for line in lines if line not in left_out]
        points = {line: _ready(line, fixes, exposures, settings, found) for line in ready}
        alone = settled(adjust_line(line, p, accuracy) for line, p in points.items() if p)
        for one in alone:
            if denied := gross_line(one):
                found.findings += denied
                found.junctions.pop(one.part.line, None)
                continue
            found.lines[one.part.line] = one
            found.findings += one.findings
            if not one.agreed:
                found.contested |= {p.ref for p in one.part.points}
    runs = {r.id: r for r in settings.runs}
    for line, one in found.lines.items():
        fixes = _turn_fixes(fixes, [*one.part.points, *_riding(line, found)], runs)
    joins = {branch: parent for branch, (parent, _) in found.junctions.items()}
    networks = [
        Network(tuple(found.lines[i] for i in ids), found.junctions, found.riders)
        for ids in connected(found.lines, joins)
    ]
    joint = settled(settle(network, settings) for network in networks)
    findings = [*found.findings, *_said(networks, joint, found, settings)]
    good = [fit for one in joint for fit in one.fits if not gross_network(fit)]
    drawn = [to_line(part, fit, fixes, accuracy) for fit in good for part in fit.model.parts]
    order = list(found.lines)
    drawn.sort(key=lambda x: order.index(x.line))
    fits = [fit for one in joint for fit in one.fits]
    known = parameters(fits, solved, settings)
    contested = frozenset(found.contested).union(*(contradicted(fit) for fit in fits))
    drawn = [replace(x, contested=contested) for x in drawn]
    return Linked(fixes, _with_places(drawn), tuple(findings), known)


def _waves(settings: Settings, exposures: Exposures) -> list[list[str]]:
    """Line ids in waves: a line comes in a later one than the line it joins."""
    joins = {b.line: b.joins for b in settings.branches}
    waves: dict[str, int] = {}
    for line in _parents_first(settings, exposures):
        waves[line] = waves.get(joins.get(line, ""), -1) + 1
    return [[x for x in waves if waves[x] == w] for w in range(max(waves.values(), default=-1) + 1)]


def _ready(
    line: str, fixes: Fixes, exposures: Exposures, settings: Settings, found: _Found
) -> list[Point]:
    """The points of a line, a branch's junction first; none when it cannot be adjusted."""
    runs = [r for r in settings.runs if r.line == line]
    points = _located(line, fixes, exposures, settings, found)
    branch = next((b for b in settings.branches if b.line == line), None)
    riders: list[Rider] = []
    if points and branch is not None and branch.joins not in found.lines:
        found.findings.append(_parent_missing(branch))
    elif points and branch is not None:
        parent, of_parent = found.lines[branch.joins], found.riders[branch.joins]
        junction, more = branches.find(branch, points, parent, of_parent, settings)
        found.findings += more
        if junction is not None and _far(junction, points):
            found.findings.append(_junction_far(branch, junction, points))
        elif junction is not None:
            found.junctions[line] = (branch.joins, junction)
            point = branches.as_point(junction, branch, runs, settings)
            points = turned([point, *points])
    if len(points) < 2:
        found.junctions.pop(line, None)
        if not _already(line, found.findings):
            found.findings.append(_too_few(line, points, surveyed=bool(runs)))
        return []
    points, riders = set_riders(points, runs)
    points = without_runs(points, found.order_only)
    of_riders = without_runs([r.point for r in riders], found.order_only)
    riders = [replace(r, point=p) for r, p in zip(riders, of_riders, strict=True)]
    every = [*points, *of_riders]
    said, names = impossible_lengths(every, exact_is_small(settings.accuracy))
    found.findings += said
    found.contested |= names
    if line not in found.junctions:
        found.findings += _entry_findings(runs, every)
    known = gather_levels(line, exposures, fixes.shared.shape[2], settings)
    levels, off = set_levels(points, riders, known)
    found.riders[line] = [*riders, *levels]
    found.findings += [_level_off_line(line, p) for p in off]
    return points


def _already(line: str, findings: Sequence[Finding]) -> bool:
    """True when it was said why a line is not drawn."""
    return any(f.code == "line-not-drawn" and f.subject == f"line {line}" for f in findings)


def _far(junction: Junction, points: Sequence[Point]) -> bool:
    away = np.array([p.xyz_m for p in points])[:, :2] - junction.xyz_m[:2]
    return bool(np.hypot(*away.T).min() > MOST_LEG_M)


def _junction_far(branch: Branch, junction: Junction, points: Sequence[Point]) -> Finding:
    away_m = float(np.hypot(*(points[0].xyz_m - junction.xyz_m)[:2]))
    return Finding(
        "error",
        "link",
        "junction-far",
        f"line {branch.line}",
        f"its junction with line {branch.joins} lies further from its stops than any cable "
        "reaches: it is not joined",
        f"{metres(away_m, 0)} away; {metres(MOST_LEG_M, 0)} are believed",
        f"check which line it joins, and the coordinates of both; or add a stop on line "
        f"{branch.line} next to the junction",
        points[0].where,
    )


def _failed(line: str, why: str) -> Finding:
    return Finding(
        "error",
        "link",
        "line-not-drawn",
        f"line {line}",
        "its numbers could not be adjusted: it is not drawn, and the other lines are adjusted "
        "without it",
        why,
        "correct what other findings say of its stops; if they say nothing, report it with the "
        "files of this site",
    )


def _level_off_line(line: str, level: Point) -> Finding:
    return Finding(
        "warning",
        "link",
        "level-off-line",
        level.subject,
        f"its counter lies beyond what was located of line {line}, or its level cannot be brought "
        "to the axis: it is not used",
        "",
        "check run and counter; give the pipe's dimensions for a crown or outside top",
        level.where,
    )


def _riding(line: str, found: _Found) -> list[Point]:
    return [r.point for r in found.riders.get(line, ()) if not r.level_only]


def _said(
    networks: Sequence[Network],
    joint: Sequence[Settled],
    found: _Found,
    settings: Settings,
) -> list[Finding]:
    """What the adjustments say: blunders, turns, the global test, stretches left undecided."""
    out: list[Finding] = []
    for network, one in zip(networks, joint, strict=True):
        out += [*(named(s) for s in one.turns), *one.findings]
        for fit in one.fits:
            out += [named(s) for s in fit.left_out if s.alternative.what != "kink"]
            out += [tied(fit.tied)] if fit.tied else []
            if denied := gross_network(fit):
                out += denied
                continue
            out += misfit_finding([p.line for p in fit.model.parts], fit.result)
            for part in fit.model.parts:
                out += undecided_shapes(part, settings)
        for line in network.lines:
            if line.part.line in found.junctions:
                out += branches.miss_finding(line)
    return out


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
    line: str, fixes: Fixes, exposures: Exposures, settings: Settings, found: _Found
) -> list[Point]:
    """The line's points in order, turned, each place once."""
    runs = [r for r in settings.runs if r.line == line]
    stops, said = gather_fixes(line, fixes, settings)
    seen, more = gather_exposures(line, exposures, fixes.shared.shape[2], settings)
    found.findings += [*said, *more]
    if not stops and not seen:
        return []
    near, said = without_astray(line, [*stops, *seen], _elsewhere(line, fixes, settings))
    found.findings += said
    if not near:
        return []
    known = trusted(near, runs, exact_is_small(settings.accuracy))
    found.order_only |= known.order_only
    points, said = arrange(line, known.points, runs)
    names = [*(r.entry for r in runs), *(p.ref for p in seen)]
    places = settle_same_places(points, settings.accuracy, names)
    found.findings += [*known.findings, *said, *places.findings]
    found.contested |= places.contested
    return places.points


def _elsewhere(line: str, fixes: Fixes, settings: Settings) -> Floats:
    """Where (n, 2) the stops of the site's other lines lie."""
    own = [run.id for run in settings.runs if run.line == line]
    there = fixes.solved & ~np.isin(fixes.run, own) & np.isfinite(fixes.xyz_m).all(axis=1)
    return fixes.xyz_m[there, :2]


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
                    f"{metres(min(away))} of counted length",
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
