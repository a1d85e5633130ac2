"""From adjusted lines to their records: vertices, stretches, reach, junctions put in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.stats import norm

from lateralline.kernels.curves import angle_between
from lateralline.link.adjust import Solution
from lateralline.link.branches import Junction
from lateralline.link.equations import counter_variance
from lateralline.link.shapes import ALPHA
from lateralline.link.sights import Sights
from lateralline.records import Finding, Fixes, Floats, Line, Stretch
from lateralline.settings import Accuracy

_Z95 = float(norm.ppf(0.975))
#: A chord beyond this many σ over its counter is impossible, not unlucky: a straight pipe's chord
#: is as often over its counted length as under.
_Z_BEYOND = float(norm.isf(ALPHA))


@dataclass(frozen=True, slots=True)
class Joined:
    """A junction after its branch was adjusted: the same place on both lines."""

    junction: Junction
    xyz_m: Floats  # (3,)
    cov_m2: Floats  # (3, 3)


def to_line(
    solution: Solution,
    fixes: Fixes,
    joined: Sequence[Joined],
    accuracy: Accuracy,
    parent: str,
) -> Line:
    """Return the record of one line; `parent` is the line it joins, "" = none (or not joined)."""
    sights = Sights.of(solution.points)
    joined = sorted(joined, key=lambda j: (j.junction.leg, j.junction.fraction))
    count = len(solution.xyz_m)
    # Every vertex of the record is a mixture of the solution's: itself, or a place on a leg.
    place = [(float(v), v, 0.0) for v in range(count)] + [
        (j.junction.leg + j.junction.fraction, j.junction.leg, j.junction.fraction) for j in joined
    ]
    order = sorted(range(len(place)), key=lambda i: (place[i][0], i))
    xyz = np.concatenate([solution.xyz_m, *(j.xyz_m[None] for j in joined)])[order]
    joint = _joint_covariance(solution, joined, order)
    blocks = joint.reshape(len(order), 3, len(order), 3).transpose(0, 2, 1, 3)
    at = np.arange(len(order))
    direction = np.full((len(order), 2), np.nan)

    point_of = {int(v): i for i, v in enumerate(solution.point_vertex)}
    first_run = _first_readings(sights)
    kind, ref, fix, run, counter, shift = [], [], [], [], [], []
    for i in order:
        point = point_of.get(i)
        if i >= count:
            j = joined[i - count].junction
            kind.append("junction")
            ref.append(j.branch)
            run.append(j.run)
            counter.append(j.counter_m)
        elif point is None:
            kind.append("bend")
            ref.append("")
            run.append("")
            counter.append(np.nan)
        else:
            p = solution.points[point]
            kind.append(p.kind)
            ref.append(p.ref)
            run.append(first_run[point][0])
            counter.append(first_run[point][1])
            direction[len(kind) - 1] = solution.direction_rad[point]
        p_fix = solution.points[point].fix if point is not None else -1
        fix.append(p_fix)
        if point is None or solution.points[point].kind == "junction":
            shift.append(np.nan)
        else:
            own = fixes.xyz_m[p_fix] if p_fix >= 0 else solution.points[point].xyz_m
            shift.append(float(np.linalg.norm(solution.xyz_m[i] - own)))
    return Line(
        line=solution.line,
        kind=np.array(kind, np.str_),
        ref=np.array(ref, np.str_),
        fix=np.array(fix, np.int64),
        run=np.array(run, np.str_),
        counter_m=np.array(counter, float),
        xyz_m=xyz,
        cov_m2=blocks[at, at].copy(),
        cross_m2=blocks[at[:-1], at[1:]].copy(),
        stretches=_stretches(solution, sights, joined, order, xyz, kind, accuracy),
        shift_m=np.array(shift, float),
        chi2=solution.chi2,
        dof=solution.dof,
        counter_scale=dict(solution.scale),
        joins=parent,
        joint_cov_m2=joint,
        direction_rad=direction,
    )


def _first_readings(sights: Sights) -> list[tuple[str, float]]:
    out = []
    for column in sights.readings_m.T:
        r = next((i for i, c in enumerate(column) if np.isfinite(c)), None)
        out.append(("", float("nan")) if r is None else (sights.runs[r], float(column[r])))
    return out


def _joint_covariance(solution: Solution, joined: Sequence[Joined], order: Sequence[int]) -> Floats:
    """Covariance (3m, 3m) of all vertices of the record, junctions included.

    A junction the branch has sharpened from P₀ to P₁ is, to the parent's other vertices, the same
    combination seen through P₁P₀⁻¹.
    """
    count = len(solution.xyz_m)
    weights = np.zeros((count + len(joined), count))
    weights[np.arange(count), np.arange(count)] = 1.0
    for i, j in enumerate(joined):
        leg, t = j.junction.leg, j.junction.fraction
        weights[count + i, leg], weights[count + i, leg + 1] = 1 - t, t
    mix = np.kron(weights, np.eye(3))
    for i, j in enumerate(joined):
        rows = slice(3 * (count + i), 3 * (count + i) + 3)
        mix[rows] = j.cov_m2 @ np.linalg.solve(j.junction.cov_m2, mix[rows])
    full = mix @ solution.cov_m2 @ mix.T
    for i, j in enumerate(joined):
        own = slice(3 * (count + i), 3 * (count + i) + 3)
        full[own, own] = j.cov_m2
    at = (3 * np.array(order)[:, None] + np.arange(3)).ravel()
    return np.asarray(full[np.ix_(at, at)])


def _stretches(
    solution: Solution,
    sights: Sights,
    joined: Sequence[Joined],
    order: Sequence[int],
    xyz: Floats,
    kind: Sequence[str],
    accuracy: Accuracy,
) -> tuple[Stretch, ...]:
    place = {v: i for i, v in enumerate(order)}
    counted, scale, scale_sigma = _scaled_steps(solution, sights)
    length = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    out = []
    for s, shape in enumerate(solution.shapes.shape):
        first, last = (place[int(v)] for v in solution.point_vertex[s : s + 2])
        stops = [i for i in range(first, last + 1) if kind[i] != "bend"]
        whole = max(float(length[first:last].sum()), 1e-9)
        margin = _Z95 * np.sqrt(
            counter_variance(counted[s], accuracy) + (scale_sigma[s] * counted[s]) ** 2
        )
        for a, b in pairwise(stops):
            path = float(length[a:b].sum())
            part = counted[s] * scale[s] * path / whole
            bends = range(a + 1, b)
            turns = angle_between(
                xyz[a + 1 : b] - xyz[a : b - 1], xyz[a + 2 : b + 1] - xyz[a + 1 : b]
            )
            out.append(
                Stretch(
                    first=a,
                    last=b,
                    shape=shape if shape == "undecided" else _SHAPE[len(bends)],
                    counter_difference_m=float(part),
                    chord_m=float(np.linalg.norm(xyz[b] - xyz[a])),
                    reach_m=float(np.maximum(part + margin, path)),
                    bend_rad=tuple(float(t) for t in turns),
                )
            )
    return tuple(out)


_SHAPE = ("straight", "bend", "double_bend")


def _scaled_steps(solution: Solution, sights: Sights) -> tuple[Floats, Floats, Floats]:
    """Counted length, scale and its σ (s,) of each stretch, by the first run with both ends."""
    steps = np.abs(np.diff(sights.readings_m, axis=1))
    counted = sights.counter_steps_m
    scale, sigma = np.full_like(counted, np.nan), np.full_like(counted, np.nan)
    for r in range(len(sights.runs) - 1, -1, -1):
        seen = np.isfinite(steps[r])
        scale[seen], sigma[seen] = solution.scale[sights.runs[r]]
    return counted, scale, sigma


def stretch_findings(
    solution: Solution, lags: dict[str, float], accuracy: Accuracy
) -> list[Finding]:
    """Return what the stretches say: chords longer than their counter, shapes not decided."""
    sights = Sights.of(solution.points)
    chord = np.diff(sights.xyz_m, axis=0)
    length = np.linalg.norm(chord, axis=1)
    unit = chord / np.maximum(length, 1e-9)[:, None]
    spread = sights.cov[:-1, :3, :3] + sights.cov[1:, :3, :3]
    chord_var = np.einsum("si,sij,sj->s", unit, spread, unit)
    # Errors across a chord lengthen it, on average by their variance over twice its length.
    across_var = np.einsum("sii->s", spread) - chord_var
    length = np.maximum(length - across_var / (2 * np.maximum(length, 0.1)), 0.0)
    out: list[Finding] = []
    for r, run in enumerate(sights.runs):
        counted = np.abs(np.diff(sights.readings_m[r]))
        sigma = np.sqrt(
            chord_var
            + counter_variance(counted, accuracy)
            + (accuracy.counter_scale_ratio * counted) ** 2
        )
        for s in np.flatnonzero(length - counted > _Z_BEYOND * sigma).tolist():
            a, b = solution.points[s], solution.points[s + 1]
            excess = float(length[s] - counted[s])
            out.append(
                Finding(
                    "error",
                    "link",
                    "chord-exceeds-counter",
                    f"{b.subject}",
                    f"lies further from {a.subject} than the cable of run {run} reached: "
                    f"{length[s]:.2f} m apart, {counted[s]:.2f} m counted",
                    f"{excess:.2f} m too far (by chance up to {_Z_BEYOND * sigma[s]:.2f} m)",
                    "read the counter at both again, and mark both again",
                    b.where or a.where,
                )
            )
    shapes = solution.shapes
    undecided = [
        i for i, s in enumerate(shapes.shape) if s == "undecided" and not shapes.told_by_turn[i]
    ]
    return out + [_undecided(solution, sights, i, lags) for i in undecided]


def _undecided(solution: Solution, sights: Sights, s: int, lags: dict[str, float]) -> Finding:
    a, b = solution.points[s], solution.points[s + 1]
    middle = f"midway between {a.subject} and {b.subject}"
    for r, run in enumerate(sights.runs):
        face = float(sights.readings_m[r, s : s + 2].mean()) + lags.get(run, 0.0)
        if np.isfinite(face):
            middle = f"near counter {face:.2f} m of run {run}"
            break
    if solution.shapes.contradicted[s]:
        best = float(solution.shapes.chi2[s, 0])
        return Finding(
            "warning",
            "link",
            "shape-contradiction",
            f"line {solution.line}",
            f"neither a straight pipe nor a bend fits between {a.subject} and {b.subject}: "
            "headings, chord and counter disagree; it is drawn straight and called undecided",
            f"χ² = {best:.1f} on {int(solution.shapes.dof[s, 0])} conditions of a straight",
            f"add a stop {middle}, and check headings and counters of both",
            b.where or a.where,
        )
    return Finding(
        "info",
        "link",
        "shape-undecided",
        f"line {solution.line}",
        f"a bend between {a.subject} and {b.subject} would not have shown: the stretch is drawn "
        "straight and called undecided",
        f"a 45° bend midway would stand out by {np.sqrt(solution.shapes.hidden_bend[s]):.1f} σ; "
        "4.1 are needed",
        f"add a stop {middle}",
        b.where or a.where,
    )
