"""Where a branch joins its parent: by the counter, or where its end tangent meets the parent line.

The parent is adjusted first, by itself. Its place for the junction, with the uncertainty of that
place, enters the branch's own adjustment as an observed point: the start of the network of both
lines (`joint`), in which the junction is one place for both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from lateralline.distributions import norm
from lateralline.findings import Finding, finding
from lateralline.kernels.curves import chainage, locate
from lateralline.kernels.expected import PIPE_WANDER_RAD
from lateralline.kernels.network import W_LIMIT
from lateralline.link.lines import Junction, JunctionConstraint, LocatedPoint
from lateralline.link.network import JUNCTION_LEVEL_M
from lateralline.link.search import AdjustedLine
from lateralline.link.stochastic import counter_variance
from lateralline.proportions import MOST_LEG_M
from lateralline.records import Floats
from lateralline.settings import Branch, Run, Settings

_APART_M = 0.01
#: How far beside the branch's last direction its junction may lie for a fitting there: a 45° bend
#: up to 0.7 m before it. Common practice, no source.
FITTING_BESIDE_M = 0.5
_Z95 = float(norm.ppf(0.975))


def find(
    branch: Branch,
    points: Sequence[LocatedPoint],
    parents: Mapping[str, AdjustedLine],
    settings: Settings,
) -> tuple[Junction | None, tuple[Finding, ...]]:
    """Return the junction on its parent for the ordered, turned points of a branch, if it has one.

    `parents`: the lines adjusted so far.
    """
    parent = parents.get(branch.joins)
    if parent is None:
        return None, (_not_joined(branch, "junction-doubtful", "parent"),)
    run = next((r for r in settings.runs if r.id == branch.run), None)
    counted = np.isfinite(branch.at_counter_m) and run is not None and run.line == branch.joins
    every = [*parent.line.points, *(r.point for r in parent.prepared.intermediates)]
    if run is None or not counted or not any(run.id in p.readings for p in every):
        junction, messages = _by_tangent(branch, points, parent)
    else:
        junction, messages = _by_counter(branch, run, parent, settings)
        if junction is not None:
            junction, messages = _agreed(branch, junction, points, parent)
    if junction is None:
        return None, messages
    away = np.hypot(*(np.array([p.xyz_m for p in points]) - junction.xyz_m)[:, :2].T)
    if away.min() > MOST_LEG_M:
        far = finding(
            "junction-doubtful/far",
            f"line {branch.line}",
            where=points[0].where,
            joins=f"line {branch.joins}",
            away_m=away[0],
            most_m=MOST_LEG_M,
        )
        return None, (*messages, far)
    return junction, messages


def _at(branch: str, parent: AdjustedLine, leg: int, fraction: float, along_var: float) -> Junction:
    """A junction at a fraction of a leg whose place along it has a variance."""
    a, b = parent.path_m[leg], parent.path_m[leg + 1]
    length = max(float(np.linalg.norm(b - a)), 1e-9)
    aside = min(_APART_M / length, 0.5)  # never on top of a vertex: no leg of no length
    fraction = min(max(fraction, aside), 1 - aside)
    weights = np.zeros(len(parent.path_m))
    weights[[leg, leg + 1]] = 1 - fraction, fraction
    w = np.kron(weights, np.eye(3))
    unit = (b - a) / length
    cov = w @ parent.path_cov_m2 @ w.T + along_var * np.outer(unit, unit)
    cov[2, 2] += JUNCTION_LEVEL_M**2
    point = (1 - fraction) * a + fraction * b
    sigma = float(np.sqrt(along_var))
    return Junction(parent.line.id, branch, leg, fraction, point, cov, "", float("nan"), sigma)


def _by_counter(
    branch: Branch, run: Run, parent: AdjustedLine, settings: Settings
) -> tuple[Junction | None, tuple[Finding, ...]]:
    """The camera face sees the junction at `at_counter`: that is its place on the path, no lag."""
    path = chainage(parent.path_m)[parent.line.path[1]]
    intermediates_seen = [r for r in parent.prepared.intermediates if not r.level_only]
    along = [
        path[r.stretch] + r.share * (path[r.stretch + 1] - path[r.stretch])
        for r in intermediates_seen
    ]
    path = np.array([*path, *along])
    points = [*parent.line.points, *(r.point for r in intermediates_seen)]
    counters = np.array([p.readings.get(run.id, np.nan) for p in points])
    read = np.flatnonzero(np.isfinite(counters))
    at = branch.at_counter_m
    order = read[np.argsort(counters[read])]
    low, high = (counters[order[0]], counters[order[-1]]) if len(order) else (np.nan, np.nan)
    if not low <= at <= high:
        beyond = max(low - at, at - high) if len(order) else float("nan")
        off_line = finding(
            "junction-doubtful/off-line",
            f"line {branch.line}",
            joins=f"line {branch.joins}",
            run=run.id,
            at_counter_m=at,
            beyond_m=beyond,
        )
        return None, (off_line,)
    place = float(np.interp(at, counters[order], path[order]).clip(0.0, path[-1 - len(along)]))
    leg, fraction = locate(chainage(parent.path_m), place)
    nearest = np.min(np.abs(counters[order] - at))
    variance = float(counter_variance(nearest, settings.accuracy))
    junction = _at(branch.line, parent, int(leg), float(fraction), variance)
    return replace(junction, run=run.id, counter_m=at), ()


def _agreed(
    branch: Branch, junction: Junction, points: Sequence[LocatedPoint], parent: AdjustedLine
) -> tuple[Junction, tuple[Finding, ...]]:
    """Return the junction the counter gives, if the branch's last direction can lead there.

    Else either the counter is wrong or the branch bends where nobody stopped, and nothing tells
    which: the counter is left out, and the junction lies where the direction leads, with an
    uncertainty that holds both. A fitting at the junction may turn the branch a little beside that
    direction; only further off is it an error.
    """
    end = points[0]
    if not end.directed or len(points) < 2:
        return junction, ()
    met = _meet(end.reversed(), parent)
    if not np.isfinite(met.distance_m) or met.miss_m > 0:
        return junction, ()
    way = end.direction[:2] / np.hypot(*end.direction[:2])
    here, there = (
        chainage(parent.path_m)[leg] + t * np.linalg.norm(np.diff(parent.path_m, axis=0)[leg])
        for leg, t in ((junction.leg, junction.fraction), (met.leg, met.fraction))
    )
    wander = PIPE_WANDER_RAD * met.distance_m * met.along_m / max(met.sigma_m, 1e-9)
    at_end = _at(branch.line, parent, met.leg, met.fraction, met.along_m**2 + wander**2)
    along = np.diff(parent.path_m, axis=0)[met.leg]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    sigma = float(np.sqrt(along @ at_end.cov_m2 @ along + junction.along_m**2))
    off = float(here - there)
    beside = abs(float((junction.xyz_m - end.xyz_m)[:2] @ [way[1], -way[0]]))
    if abs(off) <= W_LIMIT * sigma:
        return junction, ()
    both = max(at_end.along_m, abs(off) / _Z95)
    contradiction = finding(
        "junction-doubtful/contradiction",
        f"line {branch.line}",
        severity="warning" if beside <= FITTING_BESIDE_M else "error",
        where=end.where,
        about=[f"line {branch.joins}"],
        joins=f"line {branch.joins}",
        run=branch.run,
        at_counter_m=branch.at_counter_m,
        end=end.subject,
        apart_m=abs(off),
        sigma_m=sigma,
        limit=W_LIMIT,
    )
    return _at(branch.line, parent, met.leg, met.fraction, both**2), (contradiction,)


def _by_tangent(
    branch: Branch, points: Sequence[LocatedPoint], parent: AdjustedLine
) -> tuple[Junction | None, tuple[Finding, ...]]:
    """Follow the branch's last direction downstream, in plan, to the parent."""
    end = points[0]

    if not end.directed:
        return None, (_not_joined(branch, "junction-doubtful", "heading", end),)
    # A lone stop looks either way; otherwise its neighbours have turned it.
    rays = [end.reversed()] if len(points) > 1 else [end.reversed(), end]
    meetings = sorted((_meet(ray, parent) for ray in rays), key=lambda m: (m.miss_m, m.distance_m))
    met = meetings[0]
    if not np.isfinite(met.distance_m):
        return None, (_not_joined(branch, "junction-doubtful", "behind", end),)
    if met.miss_m > (limit := _Z95 * met.sigma_m):
        passes = _not_joined(
            branch, "junction-doubtful", "passes", end, miss_m=met.miss_m, limit_m=limit
        )
        return None, (passes,)
    return _at(branch.line, parent, met.leg, met.fraction, met.along_m**2), ()


def _not_joined(
    branch: Branch, code: str, variant: str, end: LocatedPoint | None = None, **values: float
) -> Finding:
    """Return why a branch is not joined to its parent."""
    return finding(
        code,
        f"line {branch.line}",
        variant=variant,
        where=end.where if end else "",
        joins=f"line {branch.joins}",
        more=values,
    )


class _Meeting(NamedTuple):
    """Where a ray meets a path, or comes nearest to it."""

    leg: int
    fraction: float
    distance_m: float  # along the ray; inf = all of the path lies behind
    miss_m: float  # 0 where they meet
    sigma_m: float  # of the ray there, across it
    along_m: float  # the same, carried onto the path


def _meet(ray: LocatedPoint, parent: AdjustedLine) -> _Meeting:
    """Return the first leg the ray crosses in plan, else the vertex it misses by fewest σ."""
    way = ray.direction[:2] / np.hypot(*ray.direction[:2])
    normal = np.array([-way[1], way[0]])
    offset = parent.path_m[:, :2] - ray.xyz_m[:2]
    ahead, across = offset @ way, offset @ normal
    closing = across[:-1] - across[1:]
    fraction = np.divide(across[:-1], closing, out=np.full_like(closing, -1.0), where=closing != 0)
    distance = ahead[:-1] + fraction * np.diff(ahead)
    crossed = (fraction >= 0) & (fraction <= 1) & (distance >= 0)
    if crossed.any():
        leg = int(np.argmin(np.where(crossed, distance, np.inf)))
        t, far, miss = float(fraction[leg]), float(distance[leg]), 0.0
    else:
        sigma = np.array([_spread(ray, normal, a) for a in ahead])
        sigmas = np.where(ahead > 0, np.abs(across) / sigma, np.inf)
        vertex = int(np.argmin(sigmas))
        leg, t = (vertex, 0.0) if vertex < len(ahead) - 1 else (vertex - 1, 1.0)
        far = float(ahead[vertex]) if ahead[vertex] > 0 else float("inf")
        miss = float(np.abs(across[vertex]))
    spread = _spread(ray, normal, far) if np.isfinite(far) else float("nan")
    leg_way = parent.path_m[leg + 1, :2] - parent.path_m[leg, :2]
    sine = abs(float(leg_way @ normal)) / max(float(np.hypot(*leg_way)), 1e-9)
    return _Meeting(leg, t, far, miss, spread, spread / max(sine, 0.1))


def _spread(end: LocatedPoint, normal: Floats, distance_m: float) -> float:
    """σ across a ray from a branch's end, at a distance: position and heading."""
    lever = np.array([*normal, -distance_m])  # heading grows to the right, the normal points left
    at = np.ix_([0, 1, 3], [0, 1, 3])
    return float(np.sqrt(lever @ end.cov[at] @ lever))


def as_point(
    junction: Junction, branch: Branch, runs: Sequence[Run], settings: Settings
) -> LocatedPoint:
    """Return the junction as the branch's downstream point."""
    nan = float("nan")
    cov = np.zeros((5, 5))
    cov[:3, :3] = junction.cov_m2
    readings: dict[str, float] = {}
    over = next((r for r in settings.runs if r.id == branch.run), None)
    for run in runs:
        if over is not None and over.id == run.id and np.isfinite(branch.at_counter_m):
            readings[run.id] = branch.at_counter_m
        elif over is not None and over.pushed_as(run):
            # Pushed from the same entry through the same pipe: the same length to the junction.
            counted = branch.at_counter_m - over.counter_at_entry_m + run.counter_at_entry_m
            if np.isfinite(counted):
                readings[run.id] = counted
    return LocatedPoint("junction", branch.joins, "", -1, junction.xyz_m, nan, nan, cov, readings)


def as_join(junction: Junction, parent: AdjustedLine, branch: AdjustedLine) -> JunctionConstraint:
    """Return the junction as the network holds it: a place on a leg of the parent.

    Its place along the leg is the counter's, or the branch's last direction's; where the stretch
    that would tell is undecided, it is only as sure as it was found.
    """
    stretch = int(np.searchsorted(parent.line.path[1], junction.leg, side="right")) - 1
    teller = parent.line.decided[stretch] if junction.run else branch.line.decided[0]
    return JunctionConstraint(
        parent.line.id,
        junction.leg,
        junction.fraction,
        junction.run,
        junction.counter_m,
        np.inf if teller else junction.along_m,
    )


def miss_finding(solution: AdjustedLine) -> list[Finding]:
    """Return by how much a branch whose last stretch fits nothing misses its junction."""
    first, second = solution.line.points[0], solution.line.points[1]
    contradicted = bool(solution.line.shapes.contradicted[0])
    if first.kind != "junction" or not second.directed or not contradicted:
        return []
    way = second.reversed().direction[:2]
    way = way / np.hypot(*way)
    normal = np.array([-way[1], way[0]])
    offset = first.xyz_m[:2] - second.xyz_m[:2]
    spread = np.hypot(
        _spread(second, normal, float(offset @ way)),
        np.sqrt(normal @ first.cov[:2, :2] @ normal),
    )
    miss = abs(float(offset @ normal))
    if miss <= _Z95 * spread:
        return []
    return [
        finding(
            "junction-doubtful",
            f"line {solution.line.id}",
            variant="junction",
            where=second.where,
            joins=f"line {first.ref}",
            miss_m=miss,
            limit_m=_Z95 * spread,
        )
    ]
