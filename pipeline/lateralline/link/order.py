"""Order of a line's points from downstream to upstream, and which way each fix points.

Within a run the counter orders. Runs of one line are found against each other by where their stops
lie beside the path of the longest: no counter is trusted for its zero, nor for its scale. Only
where they do not lie beside each other does a common entry, or the straight on, tell. Each run
keeps its own order; where it runs against the other's, its `flow` is wrong, and it is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.kernels.curves import chainage
from lateralline.link.lines import LocatedPoint, likely_positions_m
from lateralline.records import Flags, Floats
from lateralline.settings import Run, TakenFlow

_APART_M = 0.15  # neighbours closer than this give no chord worth turning by
_APART_OTHER_M = 1.0  # the same of neighbours on other runs, whose order is less sure
#: A stop beside the path of another run against it, 1 σ; and two counters' zeros and scales against
#: each other where an entry is shared, or not known better. Common practice, no source.
_BESIDE_M, _ZERO_M, _SCALE_RATIO = 0.2, 0.3, 0.02
#: How far beside the path of another run a stop may lie and still be on it, and what part of the
#: leg there more, where that cuts across a bend. Common practice, no source.
_ASIDE_M, _ASIDE = 0.75, 0.25
#: Stops further apart than this along a run tell which way it goes.
_TELLING_M = 1.0


def order_points(
    line: str, points: Sequence[LocatedPoint], runs: Sequence[Run]
) -> tuple[list[LocatedPoint], list[Finding]]:
    """Return the points ordered downstream → upstream, levels filled in, axes pointing upstream.

    Stops of a run whose flow contradicts the others are left out.
    """
    found = _lay(points, runs)
    findings = [finding("stop-order/unclear", f"line {line}", point=name) for name in found.unclear]
    if found.against:
        run, other = found.against
        stops = sum(p.kind == "fix" and run.id in p.readings for p in points)
        findings.append(
            finding(
                "stop-order/flow",
                f"run {run.id}",
                other=f"run {other.id}",
                flow="with" if run.upstream_sign > 0 else "against",
                stops=stops,
            )
        )
        rest, kept = [r for r in runs if r.id != run.id], _without(points, run)
        ordered, more = order_points(line, kept, rest)
        return ordered, [findings[-1], *more]
    order = np.argsort(found.keys, kind="stable")
    ordered = _with_levels([points[int(i)] for i in order], found.keys[order])
    return oriented(ordered), findings


def settled(points: Sequence[LocatedPoint], runs: Sequence[Run]) -> list[Run]:
    """Return a line's runs, those of unknown flow taken the way the stops of the others say.

    Where no run's flow is known they go the same way as one another.
    """
    out = {run.id: run for run in runs}
    for _ in runs:
        against = _lay(points, [*out.values()]).against
        if against is None or against[0].flow != "unknown":
            break
        other: TakenFlow = "with" if against[0].upstream_sign > 0 else "against"
        out[against[0].id] = replace(against[0], taken=other)
    return [*out.values()]


def positions_along_m(points: Sequence[LocatedPoint], runs: Sequence[Run]) -> Floats:
    """Return about where points (k,) lie along their line, growing upstream, in counted metres."""
    return _lay(points, runs).keys


@dataclass(slots=True)
class _Positions:
    """Positions (k,) of points along a line, growing upstream, and what is unclear about them."""

    keys: Floats
    placed: list[Run] = field(default_factory=list)
    unclear: list[str] = field(default_factory=list)
    against: tuple[Run, Run] | None = None  # a run that goes against another, and that


def _lay(points: Sequence[LocatedPoint], runs: Sequence[Run]) -> _Positions:
    """Lay run after run along the line: those of known flow first, those with most points first."""
    found = _Positions(np.full(len(points), np.nan))
    xy = likely_positions_m(points)[:, :2]
    count = {r.id: sum(r.id in p.readings for p in points) for r in runs}
    for run in sorted(runs, key=lambda r: (r.flow == "unknown", -count[r.id])):
        mine = np.array([i for i, p in enumerate(points) if run.id in p.readings], int)
        if len(mine) == 0:
            continue
        along = run.upstream_sign * np.array([points[i].readings[run.id] for i in mine])
        entry = -run.upstream_sign * run.counter_at_entry_m
        known = np.isfinite(found.keys)
        here = known[mine]
        if not found.placed:
            found.keys[mine] = along + entry
        elif known.sum() < 2 and not here.any() and not _same_entry(run, found.placed):
            found.unclear.append(f"run {run.id}")
            found.keys[mine] = along + entry
        else:
            beside, within = _beside(xy[mine], xy[known], found.keys[known])
            beside, within = np.where(here, found.keys[mine], beside), within | here
            if _backward(along, beside, within):
                found.against = (run, found.placed[0])
                return found
            first = entry if _same_entry(run, found.placed) else None
            found.keys[mine] = np.where(here, beside, _along_both(along, beside, within, first))
        found.placed.append(run)
    for run in runs:
        if not count[run.id]:
            _lay_by_rows(found, points, xy, run)
    known = np.isfinite(found.keys)
    if known.sum() >= 2:
        found.keys[~known] = _beside(xy[~known], xy[known], found.keys[known])[0]
    else:
        found.unclear += [points[int(i)].subject for i in np.flatnonzero(~known)]
        found.keys[~known] = np.inf
    return found


def _lay_by_rows(found: _Positions, points: Sequence[LocatedPoint], xy_m: Floats, run: Run) -> None:
    """Lay the first run without a counter by the order of its rows, where none is laid yet."""
    mine = np.array([i for i, p in enumerate(points) if p.of_run(run.id)], dtype=np.int64)
    if found.placed or not len(mine):
        return
    rows = mine[np.argsort([points[i].fix for i in mine], kind="stable")]
    found.keys[rows] = run.upstream_sign * chainage(xy_m[rows])
    found.placed.append(run)


def _same_entry(run: Run, others: Sequence[Run]) -> bool:
    return bool(run.entry) and run.entry in {r.entry for r in others}


def _backward(along: Floats, beside: Floats, within: Flags) -> bool:
    """True when a run's stops lie beside another's path in the reverse order of its counter."""
    first, last = np.triu_indices(int(within.sum()), 1)
    counted, lain = (x[within][last] - x[within][first] for x in (along, beside))
    tells = np.abs(counted) > _TELLING_M
    return bool(tells.any() and np.median(lain[tells] / counted[tells]) < -0.5)


def _along_both(along: Floats, beside: Floats, within: Flags, entry: float | None) -> Floats:
    """Positions (k,) of a run's points: its counter, and where they lie beside another's path.

    `along` is the counter, growing upstream, `beside` the position there, surely where `within`;
    `entry` the counter's zero where it is another run's as well. Zero and scale follow from all of
    them together, an outlier having little say; then each goes halfway to where it lies, and the
    order of the counter stays.
    """
    usable = within if within.any() or entry is not None else np.ones(len(along), bool)
    middle = float(np.mean(along[usable])) if usable.any() else 0.0
    a = np.stack([np.ones(len(along)), along - middle], axis=1)
    ease = np.array([0.0 if usable.any() else 1e-9, _SCALE_RATIO**-2])
    zero, slope = (0.0 if entry is None else entry) + middle, 1.0
    if usable.any():
        zero = float(np.median((beside - along)[usable])) + middle
    for _ in range(10):
        off = beside - zero - slope * (along - middle)
        weight = np.where(usable, _BESIDE_M**-2 / (1 + (off / (3 * _BESIDE_M)) ** 2), 0.0)
        normal = a.T @ (weight[:, None] * a) + np.diag(ease)
        side = a.T @ (weight * beside) + ease * [zero, 1.0]
        if entry is not None:  # a counter's zero may slip, or be read off another mark
            at_entry = np.array([1.0, -middle])
            normal += np.outer(at_entry, at_entry) / _ZERO_M**2
            side += at_entry * entry / _ZERO_M**2
        zero, slope = np.linalg.solve(normal, side).tolist()
    counted = zero + slope * (along - middle)
    both = np.where(
        within & (np.abs(beside - counted) < _TELLING_M), (beside + counted) / 2, counted
    )
    out = np.empty(len(along))
    out[np.argsort(along, kind="stable")] = np.sort(both)
    return out


def _without(points: Sequence[LocatedPoint], run: Run) -> list[LocatedPoint]:
    """Return the points but for a run's stops, and without its counter at any other."""
    kept = [p for p in points if not (p.kind == "fix" and run.id in p.readings)]
    return [replace(p, readings={r: c for r, c in p.readings.items() if r != run.id}) for p in kept]


def _beside(xy_m: Floats, path_m: Floats, keys: Floats) -> tuple[Floats, Flags]:
    """Return positions (n,) of points (n, 2) along a path (k ≥ 1, 2) with given positions.

    The second result says which points lie on it. Past an end the path goes straight on, but a
    point far beside that lies round a bend: it is as far past the end as it is away from it. Laid
    onto the straight, a run that begins at the bend would lie there all at one place.
    """
    order = np.argsort(keys, kind="stable")
    path, keys = path_m[order], keys[order]
    if len(path) < 2:
        return np.full(len(xy_m), keys[0]), np.zeros(len(xy_m), bool)
    leg = np.diff(path, axis=0)
    square = np.maximum(np.sum(leg**2, axis=1), 1e-12)
    t = np.einsum("nlc,lc->nl", xy_m[:, None] - path[None, :-1], leg) / square
    low, high = np.zeros(len(leg)), np.ones(len(leg))
    low[0], high[-1] = -np.inf, np.inf
    on_leg, t = np.clip(t, 0.0, 1.0), np.clip(t, low, high)
    here = xy_m[:, None] - path[None, :-1]
    away, from_leg = (np.linalg.norm(here - w[..., None] * leg, axis=2) for w in (t, on_leg))
    row = np.arange(len(xy_m))
    aside = _ASIDE_M + _ASIDE * np.sqrt(square)
    best = np.argmin(away, axis=1)
    round_bend = away[row, best] > aside[best]
    best = np.where(round_bend, np.argmin(from_leg, axis=1), best)
    share = np.where(round_bend, on_leg[row, best], t[row, best])
    per_leg = np.maximum(np.diff(keys), 1e-12)
    within = (share >= 0) & (share <= 1) & ~round_bend
    at = keys[best] + share * per_leg[best]
    past = np.where(share <= 0, -1.0, np.where(share >= 1, 1.0, 0.0))
    ends = np.where(past < 0, best == 0, best == len(leg) - 1)
    beyond = np.where(round_bend & ends, past * from_leg[row, best], 0.0)
    return np.asarray(at + beyond), within


def _with_levels(points: list[LocatedPoint], keys: Floats) -> list[LocatedPoint]:
    """Give points of unknown level that of their neighbours on the line."""
    known = np.array([np.isfinite(p.xyz_m[2]) for p in points], bool)
    if known.all() or not known.any():
        return points if known.all() else [_at_level(p, 0.0) for p in points]
    last = np.max(keys[np.isfinite(keys)], initial=0.0)
    finite = np.where(np.isfinite(keys), keys, last)
    levels = np.interp(
        finite, finite[known], [p.xyz_m[2] for p in points if np.isfinite(p.xyz_m[2])]
    )
    return [p if ok else _at_level(p, z) for p, ok, z in zip(points, known, levels, strict=True)]


def _at_level(point: LocatedPoint, level_m: float) -> LocatedPoint:
    return replace(point, xyz_m=np.array([*point.xyz_m[:2], level_m]))


def _of_other_run(a: LocatedPoint, b: LocatedPoint) -> bool:
    return bool(a.readings and b.readings) and not a.readings.keys() & b.readings.keys()


def oriented(points: list[LocatedPoint]) -> list[LocatedPoint]:
    """Return ordered points, each turned so that its axis points upstream.

    A lone point stays as it is: nothing says which way it looks.
    """
    xyz = likely_positions_m(points)
    out = []
    for i, point in enumerate(points):
        other = [_of_other_run(point, p) for p in points]
        apart = np.hypot(*(xyz - xyz[i])[:, :2].T) > np.where(other, _APART_OTHER_M, _APART_M)
        before, after = np.flatnonzero(apart[:i]), i + np.flatnonzero(apart[i:])
        start = xyz[before[-1]] if len(before) else xyz[i]
        end = xyz[after[0]] if len(after) else xyz[i]
        backward = point.directed and float(point.direction @ (end - start)) < 0
        out.append(point.reversed() if backward else point)
    return out
