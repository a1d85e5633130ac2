"""From adjusted networks to the record of each line: vertices, stretches, reach, junctions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import sparse

from lateralline.distributions import norm
from lateralline.kernels.curves import angle_between, chainage
from lateralline.link.global_test import gross_network
from lateralline.link.lines import LocatedPoint, NetworkLine
from lateralline.link.paths import sample_paths
from lateralline.link.search import AdjustedLine, Fit
from lateralline.link.stochastic import counter_variance, nonzero_accuracy
from lateralline.published import BendRadii, bend_radii
from lateralline.records import (
    AdjustedParameter,
    Fixes,
    Floats,
    Ints,
    Line,
    SampledPaths,
    Solved,
    Stretch,
)
from lateralline.settings import Accuracy, Run, Settings

_AXES = np.arange(3)
#: A place on a leg is drawn no closer to its ends than this: every vertex has a place of its own.
_CLEAR_M = 0.01
_Z95 = float(norm.ppf(0.975))
_SHAPE = ("straight", "bend", "two_bends")


@dataclass(frozen=True, slots=True)
class _Vertex:
    """One vertex of the record: one of the line's own, or a place on one of its legs."""

    order: float
    kind: str  # fix | bend | exposure | junction
    ref: str
    point: LocatedPoint | None
    run: str
    counter_m: float
    #: x index of its coordinates; or of both ends of a leg, and of the fraction along it
    at: tuple[int, ...]
    share: float = 0.0  # that fraction, the path's ends being the only ones it may lie past
    clear: float = 0.0  # of the leg: what it keeps from its neighbours
    look: int = -1  # x index of its angles; −1 = not directed

    @property
    def readings(self) -> Mapping[str, float]:
        """Counters read at the point, by run."""
        return self.point.readings if self.point is not None else {}

    @property
    def rides(self) -> bool:
        """True for a stop of another run: it may be drawn a little aside of its neighbours."""
        return len(self.at) > 1 and self.kind != "junction"

    def moved_to(self, order: float) -> _Vertex:
        """The same elsewhere on its leg."""
        return replace(self, order=order, share=self.share + order - self.order)


def to_line(
    line: NetworkLine, fit: Fit, fixes: Fixes, accuracy: Accuracy, radii: BendRadii
) -> Line:
    """Return the record of one line of a network; `radii` are those of its pipe's bends."""
    vertices = _spaced(_vertices(line, fit))
    x, m = fit.result.x, len(vertices)
    places = [_place(v, x) for v in vertices]
    xyz = np.array([place for place, _, _ in places])
    paths = _paths(line, fit, vertices, xyz, accuracy, radii)
    joint = fit.result.cov_of(_derivatives(places, len(x)))
    if paths is not None:
        corners = _corners(joint, vertices)
        del joint  # of a long line it is a hundred megabytes
        joint = _no_surer(_second_moments(paths, xyz), corners)
    blocks = joint.reshape(m, 3, m, 3).transpose(0, 2, 1, 3)
    i = np.arange(m)
    looks = [[x[v.look], x[v.look + 1]] if v.look >= 0 else [np.nan] * 2 for v in vertices]
    return Line(
        line=line.id,
        kind=np.array([v.kind for v in vertices], np.str_),
        ref=np.array([v.ref for v in vertices], np.str_),
        fix=np.array([-1 if v.point is None else v.point.fix for v in vertices], np.int64),
        run=np.array([v.run for v in vertices], np.str_),
        counter_m=np.array([v.counter_m for v in vertices], float),
        xyz_m=xyz,
        cov_m2=blocks[i, i].copy(),
        cross_m2=blocks[i[:-1], i[1:]].copy(),
        stretches=_stretches(line, fit, vertices, xyz, accuracy, paths),
        shift_m=np.array([_shift(v, p, fixes) for v, p in zip(vertices, xyz, strict=True)]),
        chi2=fit.result.chi2,
        dof=fit.result.dof,
        counter_scale=_scales(line, fit),
        joins=line.join.parent if line.join is not None else "",
        joint_cov_m2=joint,
        direction_rad=np.array(looks, float),
        paths=paths,
    )


def _paths(
    line: NetworkLine,
    fit: Fit,
    vertices: Sequence[_Vertex],
    xyz: Floats,
    accuracy: Accuracy,
    radii: BendRadii,
) -> SampledPaths | None:
    """Return the paths the line's data leave plausible, placed by its vertices."""
    xs = fit.model.vertex_x[line.id]
    stood = [(v.order, i, v.point) for i, v in enumerate(vertices) if v.point is not None]
    for level, t in zip(line.intermediates, fit.model.intermediate_x[line.id], strict=True):
        if level.level_only:
            leg = line.place(level)[0]
            share, _ = _share(xs, leg, fit.result.x[t], fit.result.x)
            stood.append((leg + share, -1, level.point))
    stood.sort(key=lambda s: s[0])
    paths = sample_paths([p for _, _, p in stood], accuracy, radii)
    if paths is None:
        return None
    order = np.array([v.order for v in vertices])
    along = chainage(xyz)
    at = [along[i] if i >= 0 else np.interp(o, order, along) for o, i, _ in stood]
    vertex = np.arange(len(along))
    length = np.interp(paths.place, np.arange(len(at)), at)
    return replace(
        paths, place=np.interp(length, along, vertex), stands=np.interp(at, along, vertex)
    )


def _corners(joint: Floats, vertices: Sequence[_Vertex]) -> list[tuple[slice, Floats]]:
    """Return where junctions and bends stand in a covariance (3m, 3m), with theirs in plan."""
    at = (slice(3 * i, 3 * i + 2) for i, v in enumerate(vertices) if v.kind in ("junction", "bend"))
    return [(here, joint[here, here].copy()) for here in at]


def _no_surer(moments: Floats, corners: Sequence[tuple[slice, Floats]]) -> Floats:
    """Return second moments (3m, 3m), changed: no junction or bend surer in plan than adjusted.

    What says where two lines meet is in their network, and no path of one of them knows; a bend is
    a corner, and the paths that round it pass another place at the same share of their length.
    """
    for at, adjusted in corners:
        moments[at, at] = _bound(moments[at, at], adjusted)
    return moments


def _bound(first: Floats, second: Floats) -> Floats:
    """Return a covariance (2, 2) that is nowhere less than either of two."""
    value, vector = np.linalg.eigh(second - first)
    return np.asarray(first + (vector * value.clip(0.0)) @ vector.T)


def _second_moments(paths: SampledPaths, xyz: Floats) -> Floats:
    """Return how paths scatter about the vertices (m, 3) of the line that is drawn, (3m, 3m)."""
    there = paths.at(np.arange(len(xyz), dtype=np.float64))
    off = (there - xyz).reshape(len(there), -1)
    moments = off.T @ off
    moments /= len(off)
    return np.asarray(moments)


def _vertices(line: NetworkLine, fit: Fit) -> list[_Vertex]:
    """The line's vertices, the stops that ride on it, and the junctions of its branches."""
    model, line_id, x = fit.model, line.id, fit.result.x
    xs, number = model.vertex_x[line_id], model.point_vertex[line_id]
    point_of = {int(v): i for i, v in enumerate(number)}
    out = []
    for v, at in enumerate(xs.tolist()):
        i = point_of.get(v)
        if i is None:
            out.append(_Vertex(v, "bend", "", None, "", np.nan, (at,)))
        elif i == 0 and line.join is not None:
            parent = model.vertex_x[line.join.parent]
            ends = (int(parent[line.join.leg]), int(parent[line.join.leg + 1]))
            at_parent = (*ends, model.join_x[line_id])
            run, counter = _reading(line.points[0])
            share, _ = _share(parent, line.join.leg, x[at_parent[2]], x)
            name = line.join.parent
            out.append(_Vertex(v, "junction", name, line.points[0], run, counter, at_parent, share))
        else:
            p = line.points[i]
            look = model.angle_x[line_id].get(i, -1)
            out.append(_Vertex(v, p.kind, p.ref, p, *_reading(p), (at,), look=look))
    for intermediate, t in zip(line.intermediates, model.intermediate_x[line_id], strict=True):
        if intermediate.level_only:
            continue
        leg, p = line.place(intermediate)[0], intermediate.point
        share, clear = _share(xs, leg, x[t], x, ends=True, start=line.join is None)
        at = (int(xs[leg]), int(xs[leg + 1]), t)
        out.append(_Vertex(leg + share, p.kind, p.ref, p, *_reading(p), at, share, clear))
    for other in model.lines:
        if (join := other.join) is not None and join.parent == line_id:
            t = model.join_x[other.id]
            at = (int(xs[join.leg]), int(xs[join.leg + 1]), t)
            share, _ = _share(xs, join.leg, x[t], x)
            run, counter = join.run, join.counter_m
            order = join.leg + share
            out.append(_Vertex(order, "junction", other.id, None, run, counter, at, share))
    return out


def _share(
    xs: Ints, leg: int, fraction: float, x: Floats, *, ends: bool = False, start: bool = True
) -> tuple[float, float]:
    """A fraction of a leg kept inside it, but for the ends of a line that may go straight on.

    And how much of the leg it keeps clear of the ends.
    """
    length = float(np.linalg.norm(x[xs[leg + 1] + _AXES] - x[xs[leg] + _AXES]))
    inside = min(_CLEAR_M / max(length, 1e-9), 0.1)
    low = -np.inf if ends and start and leg == 0 and fraction < -inside else inside
    high = np.inf if ends and leg == len(xs) - 2 and fraction > 1 + inside else 1.0 - inside
    return float(np.clip(fraction, low, high)), inside


def _spaced(vertices: Sequence[_Vertex]) -> list[_Vertex]:
    """Vertices in order, none on top of another."""
    out = sorted(vertices, key=lambda v: v.order)
    for i in range(1, len(out)):
        if out[i].rides and len(out[i - 1].at) > 1:
            out[i] = out[i].moved_to(max(out[i].order, out[i - 1].order + out[i].clear))
    for i in reversed(range(len(out) - 1)):
        if out[i].rides:
            out[i] = out[i].moved_to(min(out[i].order, out[i + 1].order - out[i].clear))
    return out


def _reading(point: LocatedPoint) -> tuple[str, float]:
    """The first run whose counter is known at a point, and that counter."""
    return next(((run, float(c)) for run, c in point.readings.items()), ("", float("nan")))


def _place(vertex: _Vertex, x: Floats) -> tuple[Floats, Ints, Floats]:
    """Return a vertex (3,), the unknowns (k, 3) it is made of, and its derivatives by them."""
    at = vertex.at
    if len(at) == 1:
        return np.asarray(x[at[0] + _AXES]), (at[0] + _AXES)[None], np.ones((1, 3))
    first, second, t = at
    a, b, w = x[first + _AXES], x[second + _AXES], vertex.share
    unknowns = np.stack([first + _AXES, second + _AXES, np.full(3, t)])
    by = np.stack([np.full(3, 1 - w), np.full(3, w), b - a])
    return np.asarray((1 - w) * a + w * b), unknowns, by


def _derivatives(places: Sequence[tuple[Floats, Ints, Floats]], unknowns: int) -> sparse.csr_array:
    """How vertices (3m,) hang on the unknowns (n,)."""
    row = [np.broadcast_to(3 * i + _AXES, at.shape).ravel() for i, (_, at, _) in enumerate(places)]
    column = np.concatenate([at.ravel() for _, at, _ in places])
    by = np.concatenate([by.ravel() for _, _, by in places])
    shape = 3 * len(places), unknowns
    return sparse.csr_array((by, (np.concatenate(row), column)), shape=shape)


def _shift(vertex: _Vertex, xyz: Floats, fixes: Fixes) -> float:
    """How far the adjustment moved a fix or exposure; NaN for everything else."""
    point = vertex.point
    if point is None or point.kind == "junction":
        return float("nan")
    own = fixes.xyz_m[point.fix] if point.fix >= 0 else point.xyz_m
    return float(np.linalg.norm(xyz - own))


def _scales(line: NetworkLine, fit: Fit) -> dict[str, tuple[float, float]]:
    """Counter scale and σ of each run of the line."""
    x = fit.result.x
    intermediates_seen = [r.point for r in line.intermediates if not r.level_only]
    runs = dict.fromkeys(r for p in (*line.points, *intermediates_seen) for r in p.readings)
    at = {run: fit.model.scale_x[run] for run in runs if run in fit.model.scale_x}
    sigma = fit.result.sigma() if at else x
    return {run: (float(x[i]), float(sigma[i])) for run, i in at.items()}


def _stretches(
    line: NetworkLine,
    fit: Fit,
    vertices: Sequence[_Vertex],
    xyz: Floats,
    accuracy: Accuracy,
    plausible: SampledPaths | None,
) -> tuple[Stretch, ...]:
    number = fit.model.point_vertex[line.id]
    scales = _scales(line, fit)
    length = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    located = [i for i, v in enumerate(vertices) if v.kind != "bend"]
    readings = [vertices[i].readings for i in located]
    chords = np.linalg.norm(np.diff(xyz[located], axis=0), axis=1)
    paths = np.array([length[a:b].sum() for a, b in pairwise(located)])
    out = []
    for s, (a, b) in enumerate(pairwise(located)):
        low, high, counted, scale, scale_sigma = _counted(readings, s, scales)
        # between stops of another run: what its cable leaves when the other chords are taken off
        beside = float(chords[low:high].sum() - chords[s])
        margin = _Z95 * np.sqrt(
            counter_variance(np.array(counted), accuracy) + (scale_sigma * counted) ** 2
        )
        path = float(paths[s])
        spare = counted * scale - beside - path
        reach = path + max(spare, 0.0) + margin if np.isfinite(spare) else np.nan
        share = path / max(float(paths[low:high].sum()), 1e-9)
        turns = angle_between(xyz[a + 1 : b] - xyz[a : b - 1], xyz[a + 2 : b + 1] - xyz[a + 1 : b])
        middle = (vertices[a].order + vertices[b].order) / 2
        stretch = int(np.clip(np.searchsorted(number, middle) - 1, 0, len(number) - 2))
        undecided = line.shapes.shape[stretch] == "undecided"
        out.append(
            Stretch(
                first=a,
                last=b,
                shape="undecided" if undecided else _SHAPE[b - a - 1],
                counter_difference_m=float(counted * scale * share),
                chord_m=float(chords[s]),
                reach_m=float(reach),
                bend_rad=tuple(float(t) for t in turns),
                shapes_chi2=_three(line.shapes.chi2[stretch]),
                shapes_share=_shares(plausible, (a + b) / 2),
                straight_dof=int(line.shapes.dof[stretch, 0]),
            )
        )
    return tuple(out)


def _three(values: Floats) -> tuple[float, float, float]:
    """Return what is known (3,) of straight, one bend and two; NaN for what is not finite."""
    straight, bend, two = np.where(np.isfinite(values), values, np.nan).tolist()
    return straight, bend, two


def _shares(paths: SampledPaths | None, vertex: float) -> tuple[float, float, float]:
    """Return the share of paths of each shape past a place, given as `SampledPaths.stands` are."""
    if paths is None:
        return (np.nan, np.nan, np.nan)
    between = int(np.clip(np.searchsorted(paths.stands, vertex) - 1, 0, len(paths.stands) - 2))
    straight, bent, anyway, twice = paths.shape_share[between]
    return _three(np.array([straight, bent + anyway, twice]))


def _counted(
    readings: Sequence[Mapping[str, float]], s: int, scales: dict[str, tuple[float, float]]
) -> tuple[int, int, float, float, float]:
    """The nearest places a run read on both sides of stretch s; counted length, scale and its σ.

    (s, s + 1, NaN, …) where no run did.
    """
    best = (s, s + 1, float("nan"), float("nan"), float("nan"))
    for run, (scale, sigma) in scales.items():
        before = [i for i in range(s + 1) if run in readings[i]]
        after = [i for i in range(s + 1, len(readings)) if run in readings[i]]
        if before and after:
            low, high = before[-1], after[0]
            if np.isnan(best[2]) or high - low < best[1] - best[0]:
                counted = abs(readings[high][run] - readings[low][run])
                best = (low, high, counted, scale, sigma)
    return best


def parameters(
    fits: Sequence[Fit], solved: Solved, settings: Settings
) -> tuple[AdjustedParameter, ...]:
    """Return the adjusted value of each, with its σ and what it was before."""
    accuracy = settings.accuracy
    out = []
    for fit in fits:
        x, sigma = fit.result.x.tolist(), fit.result.sigma().tolist()
        rows = []
        for run, i in fit.model.scale_x.items():
            known = ("1", 1.0, accuracy.counter_scale_ratio)
            rows.append(("counter_scale", f"run {run}", x[i], sigma[i], *known))
            for at, place, reading in fit.model.offset_x[run]:
                where = f"run {run} at {place.subject}"
                known = ("m", reading, accuracy.counter_m)
                rows.append(("counter_offset", where, x[at], sigma[at], *known))
        lines = " and ".join(p.id for p in fit.model.lines)
        columns = fit.model.shared_x
        first = len(columns) - len(solved.depth_scales)
        if first > 0 and (i := columns[first - 1]) >= 0:
            spread = settings.aerial_height_sigma_m
            known = ("m", settings.aerial_height_m, spread)
            value = settings.aerial_height_m + spread * x[i]
            rows.append(("aerial_height", f"line {lines}", value, spread * sigma[i], *known))
        for scale, i in zip(solved.depth_scales, columns[max(first, 0) :].tolist(), strict=False):
            if first >= 0 and i >= 0:
                name = f"receiver {scale.receiver}".strip() + f", line {lines}"
                value, spread = scale.value + scale.sigma * x[i], scale.sigma * sigma[i]
                known = ("1", 1.0, accuracy.depth_scale_ratio)
                rows.append(("depth_scale", name, value, spread, *known))
        out += [AdjustedParameter(*row) for row in rows]
    return tuple(out)


def record_lines(
    fits: Sequence[Fit],
    order: Sequence[str],
    fixes: Fixes,
    contested: frozenset[str],
    settings: Settings,
) -> tuple[Line, ...]:
    """Return the record of every line that is drawn, in this order; each branch knows its vertex.

    `contested`: exposures that something contradicts.
    """
    accuracy = nonzero_accuracy(settings.accuracy)
    radii = {
        name: bend_radii(pipe.material, pipe.inside_diameter_m, pipe.wall_m)
        for name, pipe in ((name, settings.pipe(name)) for name in order)
    }
    lines = {
        line.id: replace(to_line(line, fit, fixes, accuracy, radii[line.id]), contested=contested)
        for fit in fits
        if not gross_network(fit)
        for line in fit.model.lines
    }
    for line in [lines[i] for i in order if i in lines]:
        if line.joins:
            parent = lines[line.joins]
            at = int(np.flatnonzero((parent.kind == "junction") & (parent.ref == line.line))[0])
            there, here = parent.cov_m2[at], line.cov_m2[0]
            plan = _bound(there[:2, :2], here[:2, :2])  # one place, one error
            lines[line.joins] = _with_error(parent, at, plan, there[2, 2])
            lines[line.line] = replace(_with_error(line, 0, plan, there[2, 2]), joins_at=at)
    return tuple(lines[i] for i in order if i in lines)


def _with_error(line: Line, vertex: int, plan_m2: Floats, level_m2: float) -> Line:
    """Return a line with another covariance of one vertex: in plan (2, 2), greater, and in level.

    The level is that of the parent, and errs with the other vertices as it did, in proportion.
    """
    m, own, cross = len(line.kind), line.cov_m2.copy(), line.cross_m2.copy()
    times = np.ones((m, 3))
    times[vertex, 2] = np.sqrt(level_m2 / own[vertex, 2, 2])
    own *= times[:, :, None] * times[:, None, :]
    cross *= times[:-1, :, None] * times[1:, None, :]
    joint = line.joint_cov_m2 * np.outer(times.ravel(), times.ravel())
    at = slice(3 * vertex, 3 * vertex + 2)
    own[vertex, :2, :2] = joint[at, at] = plan_m2
    return replace(line, cov_m2=own, cross_m2=cross, joint_cov_m2=joint)


def turn_fixes(fixes: Fixes, lines: Sequence[AdjustedLine], runs: Sequence[Run]) -> Fixes:
    """Return fixes turned to the camera's way; the points of lines point upstream."""
    heading, tilt, cov = fixes.heading_rad.copy(), fixes.tilt_rad.copy(), fixes.cov.copy()
    flip = np.array([1.0, 1.0, 1.0, 1.0, -1.0])
    sign = {run.id: run.upstream_sign for run in runs}
    intermediates_seen = [
        r.point for one in lines for r in one.prepared.intermediates if not r.level_only
    ]
    for p in (*(p for one in lines for p in one.line.points), *intermediates_seen):
        if p.fix < 0 or not p.directed:
            continue
        i = p.fix
        way = sign[str(fixes.run[i])] * p.direction
        level = np.array([np.sin(heading[i]), np.cos(heading[i])]) * np.cos(tilt[i])
        if float(way @ [*level, np.sin(tilt[i])]) < 0:
            heading[i] += np.pi
            tilt[i] = -tilt[i]
            cov[i] *= np.outer(flip, flip)
    return replace(fixes, heading_rad=heading % (2 * np.pi), tilt_rad=tilt, cov=cov)
