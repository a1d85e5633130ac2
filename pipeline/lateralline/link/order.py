"""Order of a line's points from downstream to upstream, and which way each fix points.

Within a run the counter orders; runs of one line are laid against each other by their common
entry, by a point both have read, or by projecting one onto the path of the other. Each run keeps
one offset, so its own order is never broken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lateralline.link.points import Point
from lateralline.records import Finding, Floats
from lateralline.settings import Run

_APART_M = 0.15  # neighbours closer than this give no chord worth turning by


def upstream_sign(run: Run) -> float:
    """+1 when the run's counter grows upstream, −1 when it grows downstream."""
    return 1.0 if run.flow == "against" else -1.0


def arrange(
    line: str, points: Sequence[Point], runs: Sequence[Run]
) -> tuple[list[Point], list[Finding]]:
    """Return the points ordered downstream → upstream, levels filled in, axes pointing upstream."""
    keys, findings = _positions(line, points, runs)
    order = np.argsort(keys, kind="stable")
    ordered = _with_levels([points[int(i)] for i in order], keys[order])
    return turned(ordered), findings


def _positions(
    line: str, points: Sequence[Point], runs: Sequence[Run]
) -> tuple[Floats, list[Finding]]:
    """Position (k,) of every point along the line, growing upstream."""
    keys = np.full(len(points), np.nan)
    xy = np.array([p.xyz_m[:2] for p in points]).reshape(-1, 2)
    offsets: dict[str, float] = {}
    unclear: list[str] = []
    by_size = sorted(runs, key=lambda r: -sum(r.id in p.readings for p in points))
    for run in by_size:
        mine = np.array([i for i, p in enumerate(points) if run.id in p.readings], int)
        if len(mine) == 0:
            continue
        along = upstream_sign(run) * np.array([points[i].readings[run.id] for i in mine])
        shared = np.isfinite(keys[mine])
        entry = -upstream_sign(run) * run.counter_at_entry_m
        if not offsets or (run.entry and run.entry in {r.entry for r in runs if r.id in offsets}):
            offset = entry
        elif shared.any():
            offset = float(np.mean(keys[mine][shared] - along[shared]))
        elif np.isfinite(keys).sum() >= 2:
            known = np.isfinite(keys)
            offset = float(np.median(project(xy[mine], xy[known], keys[known]) - along))
        else:
            offset = entry
            unclear.append(f"run {run.id}")
        offsets[run.id] = offset
        keys[mine] = np.where(shared, keys[mine], along + offset)
    known = np.isfinite(keys)
    if known.sum() >= 2:
        keys[~known] = project(xy[~known], xy[known], keys[known])
    else:
        unclear += [points[int(i)].subject for i in np.flatnonzero(~known)]
        keys[~known] = np.inf
    return keys, [
        Finding(
            "warning",
            "link",
            "order-unclear",
            f"line {line}",
            f"nothing says where {name} belongs along the line",
            "",
            "give it a counter reading, name the entry it starts from, or add a stop",
        )
        for name in unclear
    ]


def project(xy_m: Floats, path_m: Floats, keys: Floats) -> Floats:
    """Return positions (n,) of points (n, 2) along a path (k ≥ 2, 2) with given positions.

    The path is continued straight beyond both ends.
    """
    order = np.argsort(keys, kind="stable")
    path, keys = path_m[order], keys[order]
    leg = np.diff(path, axis=0)
    square = np.maximum(np.sum(leg**2, axis=1), 1e-12)
    t = np.einsum("nlc,lc->nl", xy_m[:, None] - path[None, :-1], leg) / square
    low, high = np.zeros(len(leg)), np.ones(len(leg))
    low[0], high[-1] = -np.inf, np.inf
    t = np.clip(t, low, high)
    away = np.linalg.norm(xy_m[:, None] - (path[None, :-1] + t[..., None] * leg[None]), axis=2)
    best = np.argmin(away, axis=1)
    # Beyond an end the leg's own length, not its share of the counter, measures on.
    per_leg = np.maximum(np.diff(keys), 1e-12)
    return np.asarray(keys[best] + t[np.arange(len(xy_m)), best] * per_leg[best])


def _with_levels(points: list[Point], keys: Floats) -> list[Point]:
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


def _at_level(point: Point, level_m: float) -> Point:
    return replace(point, xyz_m=np.array([*point.xyz_m[:2], level_m]))


def turned(points: list[Point]) -> list[Point]:
    """Return ordered points, each turned so that its axis points upstream.

    A lone point stays as it is: nothing says which way it looks.
    """
    xyz = np.array([p.xyz_m for p in points]).reshape(-1, 3)
    out = []
    for i, point in enumerate(points):
        apart = np.hypot(*(xyz - xyz[i])[:, :2].T) > _APART_M
        before, after = np.flatnonzero(apart[:i]), i + np.flatnonzero(apart[i:])
        start = xyz[before[-1]] if len(before) else xyz[i]
        end = xyz[after[0]] if len(after) else xyz[i]
        backward = point.directed and float(point.direction @ (end - start)) < 0
        out.append(point.reversed() if backward else point)
    return out
