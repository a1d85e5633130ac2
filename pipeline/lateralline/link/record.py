"""From an adjusted network to the record of a line: vertices, stretches, reach, junctions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.stats import norm

from lateralline.kernels.curves import angle_between
from lateralline.link.equations import counter_variance
from lateralline.link.parts import Part
from lateralline.link.points import Point
from lateralline.link.search import Fit
from lateralline.records import Fixes, Floats, Line, Stretch
from lateralline.settings import Accuracy

_Z95 = float(norm.ppf(0.975))
_SHAPE = ("straight", "bend", "double_bend")


@dataclass(frozen=True, slots=True)
class _Vertex:
    """One vertex of the record: one of the line's own, or a place on one of its legs."""

    order: float
    kind: str  # fix | bend | exposure | junction
    ref: str
    point: Point | None
    run: str
    counter_m: float
    #: x index of its coordinates; or of both ends of a leg, and of the fraction along it
    at: tuple[int, ...]
    look: int = -1  # x index of its angles; −1 = not directed


def to_line(part: Part, fit: Fit, fixes: Fixes, accuracy: Accuracy) -> Line:
    """Return the record of one line of a network."""
    vertices = sorted(_vertices(part, fit), key=lambda v: v.order)
    x, m = fit.result.x, len(vertices)
    by = np.zeros((3 * m, len(x)))
    xyz = np.array([_place(v.at, x, by[3 * i : 3 * i + 3]) for i, v in enumerate(vertices)])
    joint = by @ fit.result.cov @ by.T
    blocks = joint.reshape(m, 3, m, 3).transpose(0, 2, 1, 3)
    i = np.arange(m)
    looks = [[x[v.look], x[v.look + 1]] if v.look >= 0 else [np.nan] * 2 for v in vertices]
    return Line(
        line=part.line,
        kind=np.array([v.kind for v in vertices], np.str_),
        ref=np.array([v.ref for v in vertices], np.str_),
        fix=np.array([-1 if v.point is None else v.point.fix for v in vertices], np.int64),
        run=np.array([v.run for v in vertices], np.str_),
        counter_m=np.array([v.counter_m for v in vertices], float),
        xyz_m=xyz,
        cov_m2=blocks[i, i].copy(),
        cross_m2=blocks[i[:-1], i[1:]].copy(),
        stretches=_stretches(part, fit, vertices, xyz, accuracy),
        shift_m=np.array([_shift(v, p, fixes) for v, p in zip(vertices, xyz, strict=True)]),
        chi2=fit.result.chi2,
        dof=fit.result.dof,
        counter_scale=_scales(part, fit),
        joins=part.join.parent if part.join is not None else "",
        joint_cov_m2=joint,
        direction_rad=np.array(looks, float),
    )


def _vertices(part: Part, fit: Fit) -> list[_Vertex]:
    """The line's vertices, the stops that ride on it, and the junctions of its branches."""
    model, line = fit.model, part.line
    xs, number = model.vertex_x[line], model.point_vertex[line]
    point_of = {int(v): i for i, v in enumerate(number)}
    out = []
    for v, at in enumerate(xs.tolist()):
        i = point_of.get(v)
        if i is None:
            out.append(_Vertex(v, "bend", "", None, "", np.nan, (at,)))
        elif i == 0 and part.join is not None:
            parent = model.vertex_x[part.join.parent]
            ends = (int(parent[part.join.leg]), int(parent[part.join.leg + 1]))
            at_parent = (*ends, model.join_x[line])
            run, counter = _reading(part.points[0])
            junction = _Vertex(v, "junction", part.join.parent, None, run, counter, at_parent)
            out.append(junction)
        else:
            p = part.points[i]
            look = model.angle_x[line].get(i, -1)
            out.append(_Vertex(v, p.kind, p.ref, p, *_reading(p), (at,), look))
    for rider, t in zip(part.riders, model.rider_x[line], strict=True):
        if rider.level_only:
            continue
        leg = part.place(rider)[0]
        at = (int(xs[leg]), int(xs[leg + 1]), t)
        p = rider.point
        out.append(_Vertex(_order(leg, fit, t), p.kind, p.ref, p, *_reading(p), at))
    for other in model.parts:
        if (join := other.join) is not None and join.parent == line:
            t = model.join_x[other.line]
            at = (int(xs[join.leg]), int(xs[join.leg + 1]), t)
            order = _order(join.leg, fit, t)
            out.append(_Vertex(order, "junction", other.line, None, join.run, join.counter_m, at))
    return out


def _order(leg: int, fit: Fit, t: int) -> float:
    return leg + float(np.clip(fit.result.x[t], 1e-6, 1 - 1e-6))


def _reading(point: Point) -> tuple[str, float]:
    """The first run whose counter is known at a point, and that counter."""
    return next(((run, float(c)) for run, c in point.readings.items()), ("", float("nan")))


def _place(at: tuple[int, ...], x: Floats, by: Floats) -> Floats:
    """Return a vertex (3,), and put its derivatives into `by` (3, n)."""
    axes = np.arange(3)
    if len(at) == 1:
        by[axes, at[0] + axes] = 1.0
        return np.asarray(x[at[0] + axes])
    first, second, t = at
    a, b, w = x[first + axes], x[second + axes], float(x[t])
    by[axes, first + axes] = 1 - w
    by[axes, second + axes] = w
    by[:, t] = b - a
    return np.asarray((1 - w) * a + w * b)


def _shift(vertex: _Vertex, xyz: Floats, fixes: Fixes) -> float:
    """How far the adjustment moved a fix or exposure; NaN for everything else."""
    point = vertex.point
    if point is None or point.kind == "junction":
        return float("nan")
    own = fixes.xyz_m[point.fix] if point.fix >= 0 else point.xyz_m
    return float(np.linalg.norm(xyz - own))


def _scales(part: Part, fit: Fit) -> dict[str, tuple[float, float]]:
    """Counter scale and σ of each run of the line."""
    x, cov = fit.result.x, fit.result.cov
    runs = dict.fromkeys(r for p in part.points for r in p.readings)
    at = {run: fit.model.scale_x[run] for run in runs if run in fit.model.scale_x}
    return {run: (float(x[i]), float(np.sqrt(cov[i, i]))) for run, i in at.items()}


def _stretches(
    part: Part, fit: Fit, vertices: Sequence[_Vertex], xyz: Floats, accuracy: Accuracy
) -> tuple[Stretch, ...]:
    number = fit.model.point_vertex[part.line]
    ends = [i for i, v in enumerate(vertices) if v.order in set(number.tolist())]
    scales = _scales(part, fit)
    length = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    chords = np.linalg.norm(np.diff(xyz[ends], axis=0), axis=1)
    paths = np.array([length[a:b].sum() for a, b in pairwise(ends)])
    out = []
    for s, (first, last) in enumerate(pairwise(ends)):
        low, high, counted, scale, scale_sigma = _counted(part.points, s, scales)
        # between stops of another run: what its cable leaves when the other chords are taken off
        beside = float(chords[low:high].sum() - chords[s])
        within = float(paths[low:high].sum())
        stops = [i for i in range(first, last + 1) if vertices[i].kind != "bend"]
        margin = _Z95 * np.sqrt(
            counter_variance(np.array(counted), accuracy) + (scale_sigma * counted) ** 2
        )
        spare = counted * scale - beside - float(paths[s])
        for a, b in pairwise(stops):
            path = float(length[a:b].sum())
            share = path / max(within, 1e-9)
            counted_part = counted * scale * share
            reach = path + max(spare, 0.0) + margin if np.isfinite(spare) else np.nan
            turns = angle_between(
                xyz[a + 1 : b] - xyz[a : b - 1], xyz[a + 2 : b + 1] - xyz[a + 1 : b]
            )
            undecided = part.shapes.shape[s] == "undecided"
            out.append(
                Stretch(
                    first=a,
                    last=b,
                    shape="undecided" if undecided else _SHAPE[b - a - 1],
                    counter_difference_m=float(counted_part),
                    chord_m=float(np.linalg.norm(xyz[b] - xyz[a])),
                    reach_m=float(reach),
                    bend_rad=tuple(float(t) for t in turns),
                )
            )
    return tuple(out)


def _counted(
    points: Sequence[Point], s: int, scales: dict[str, tuple[float, float]]
) -> tuple[int, int, float, float, float]:
    """The nearest points a run read on both sides of stretch s; counted length, scale and its σ.

    (s, s + 1, NaN, …) where no run did.
    """
    best = (s, s + 1, float("nan"), float("nan"), float("nan"))
    for run, (scale, sigma) in scales.items():
        before = [i for i in range(s + 1) if run in points[i].readings]
        after = [i for i in range(s + 1, len(points)) if run in points[i].readings]
        if before and after:
            low, high = before[-1], after[0]
            if np.isnan(best[2]) or high - low < best[1] - best[0]:
                counted = abs(points[high].readings[run] - points[low].readings[run])
                best = (low, high, counted, scale, sigma)
    return best
