"""Shapes of stretches judged by the whole line: what a stretch by itself cannot tell.

By itself a stretch knows the pipe's direction at its ends only by the transmitter, and in tilt that
is loose: a drop between two level pieces passes for one bend, and a small one for a straight. The
line on both sides knows better. And a bend can be drawn through anything, through a wrong position
as well as a right one: one whose angle is not significant is undecided.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from lateralline.distributions import chi2
from lateralline.findings import Finding, finding
from lateralline.kernels.curves import angle_between
from lateralline.link.lines import NetworkLine
from lateralline.link.search import Fit, Search, least_squares, together
from lateralline.link.shapes import SHARPEST_RAD, likeliest_bends
from lateralline.link.stochastic import (
    ALPHA,
    BEND_FREEDOMS,
    SHORTEST_LEG_M,
    STEP_ALPHA,
    TIED,
    limit_of,
)
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy


def select_bends(
    line: NetworkLine, fit: Fit, accuracy: Accuracy
) -> Search[tuple[NetworkLine, Fit]]:
    """Weigh each single bend, and each stretch that nothing fitted, against more bends or none."""
    for stretch, shape in enumerate(line.shapes.shape):
        if shape == "bend" or line.shapes.contradicted[stretch]:
            line, fit = yield from _select(line, fit, stretch, accuracy)
    return line, fit


def find_steps(line: NetworkLine, fit: Fit, accuracy: Accuracy) -> Search[tuple[NetworkLine, Fit]]:
    """Where the pipe steps up or aside in a stretch drawn straight, draw bends or leave it open.

    A small drop leaves no reading wrong by much; but its leg is off the directions at both its
    ends, the same way, and that one sum the whole line knows well.
    """
    line, fit = yield from _step_or_level(line, fit, accuracy)
    for _ in line.shapes.shape:
        stretches, step_m, surely = _steps(line, fit)
        if not len(stretches):
            break
        if len(stretches) == 1:
            better = yield from _select(line, fit, int(stretches[0]), accuracy)
            if better[0] is not line:
                line, fit = better
                continue
        shapes = line.shapes.stepping(stretches.tolist(), step_m, surely=surely)
        loose = line.with_shapes(shapes)
        line, fit = loose, (yield from least_squares([loose], accuracy))
    return line, fit


def _select(
    line: NetworkLine, fit: Fit, stretch: int, accuracy: Accuracy
) -> Search[tuple[NetworkLine, Fit]]:
    """Return the line with more bends in a stretch where that is significant.

    Undecided where the line bears two shapes equally well. What contradicts itself is weighed
    against a straight too, and stays as it is where no shape leaves everything else in peace.
    """
    shapes, contradicted = line.shapes, bool(line.shapes.contradicted[stretch])
    drawn = -1 if contradicted else len(shapes.bends_m[stretch])
    one, two = likeliest_bends(line.points, stretch, accuracy)
    others = (
        shapes.straightened([stretch]),
        shapes.bent(stretch, one),
        shapes.bent(stretch, two),
    )
    trials = [
        line.with_shapes(other)
        for bends, other in enumerate(others)
        if bends > drawn and shapes.dof[stretch, bends] >= 0
    ]
    fits = yield from together(least_squares([trial], accuracy) for trial in trials)
    tries = [
        (other.score + _price(len(trial.shapes.bends_m[stretch])), trial, other)
        for trial, other in zip(trials, fits, strict=True)
        if other.result.converged and bends_stand_clear(other, trial, stretch)
    ]
    if fit.result.converged and not contradicted:
        tries.append((fit.score + _price(drawn), line, fit))
    tries.sort(key=lambda t: t[0])
    if not tries or tries[0][1] is line:
        return line, fit
    if len(tries) > 1 and tries[1][0] - tries[0][0] < TIED:
        line = line.with_shapes(shapes.ambiguous_at(stretch))
        fit = yield from least_squares([line], accuracy)
        return line, fit
    _, better, found = tries[0]
    return (better, found) if passes_global_test(found) and not found.suspects else (line, fit)


def _step_or_level(
    line: NetworkLine, fit: Fit, accuracy: Accuracy
) -> Search[tuple[NetworkLine, Fit]]:
    """Where a level was left out and a drop beside it does as well, as at a line's last stop.

    The level then stays, and the stretch is undecided: the pipe may be as high as was measured.
    """
    for wrong in [s for s in fit.left_out if s.alternative.what == "level"]:
        i, ref = wrong.alternative.point, wrong.alternative.subject.ref
        up = np.array([[np.nan, abs(float(wrong.size[0]))]])
        beside = [s for s in (i - 1, i) if "straight" in line.shapes.shape[max(s, 0) : s + 1]]
        trials = [line.with_shapes(line.shapes.stepping([s], up, surely=True)) for s in beside]
        fits = yield from together(least_squares([trial], accuracy) for trial in trials)
        for trial, other in zip(trials, fits, strict=True):
            cleared = ref not in [s.alternative.subject.ref for s in other.suspects]
            cost = other.score + limit_of("step", 1)
            if other.result.converged and cleared and cost < fit.score + TIED:
                line, fit = trial, other
                break
    return line, fit


def _steps(line: NetworkLine, fit: Fit) -> tuple[Ints, Floats, bool]:
    """Return the straight stretch (1,) that steps most, or neighbours that tie; none if none does.

    And by how much each steps (…, 2), across and up in metres, and whether that is significant.
    """
    layout, result = fit.model.layout, fit.result
    path, number = fit.model.path(line.id, result.x), line.path[1]
    straight = [s for s, shape in enumerate(line.shapes.shape) if shape == "straight"]
    # of one line, legs count as vertices; a leg is aimed at from both its ends at most
    leg_rows: dict[int, list[int]] = {}
    for leg, row in zip(layout.aim_leg.tolist(), layout.aim_row.tolist(), strict=True):
        leg_rows.setdefault(leg, []).append(row)
    rows, times = np.zeros((2 * len(straight), 2), np.int64), np.zeros((2 * len(straight), 2))
    for i, s in enumerate(straight):
        for end, row in enumerate(leg_rows.get(int(number[s]), [])):
            rows[2 * i : 2 * i + 2, end] = row, row + 1
            times[2 * i : 2 * i + 2, end] = 1.0
    none = np.zeros(0, np.int64), np.zeros((0, 2)), False
    if not straight or not result.converged:
        return none
    tests = result.test_sums(rows, times)
    statistic = np.nan_to_num(tests.statistic.reshape(-1, 2)).max(axis=1)
    worst, sure = int(statistic.argmax()), float(chi2.isf(ALPHA, 1))
    by_doubt = line.shapes.kept_straight[max(straight[worst] - 1, 0) : straight[worst] + 2].any()
    if not statistic[worst] > (sure if by_doubt else chi2.isf(STEP_ALPHA, 1)):
        return none
    beside = np.abs(np.array(straight) - straight[worst]) <= 1
    at = np.flatnonzero(beside & (statistic > statistic[worst] - TIED))
    stretches = np.array(straight)[at]
    length = np.linalg.norm(path[number[stretches + 1]] - path[number[stretches]], axis=1)
    size = np.abs(tests.size.reshape(-1, 2)[at]) * length[:, None]
    return stretches, size, bool(statistic[worst] > sure)


def bends_stand_clear(fit: Fit, line: NetworkLine, stretch: int) -> bool:
    """True when the bends of a stretch lie between its ends, clear of them and no hairpin."""
    first, last = line.path[1][stretch : stretch + 2].tolist()
    path = fit.model.path(line.id, fit.result.x)[first : last + 1]
    legs = np.diff(path, axis=0)
    turns = angle_between(legs[1:], legs[:-1])
    long = np.linalg.norm(legs, axis=1) > SHORTEST_LEG_M
    return bool(long.all() and (turns < SHARPEST_RAD).all())


def passes_global_test(fit: Fit) -> bool:
    """True when nothing else is badly wrong."""
    return fit.result.dof <= 0 or bool(fit.result.chi2 <= chi2.isf(ALPHA, fit.result.dof))


def _price(bends: int) -> float:
    """What so many bends must gain in χ² over none, each bend significant by itself."""
    steps = pairwise(BEND_FREEDOMS[: bends + 1])
    return sum(float(chi2.isf(ALPHA, b - a)) for a, b in steps)


# ---- bend significance ---------------------------------------------------------------------


#: A bend whose angle is less sure than this, 1 σ, is none that is decided: at 95 % it could be one
#: standard bend as well as the one two sizes up.
BEND_SIGMA_RAD = np.radians(20.0)


def without_insignificant_bends(
    line: NetworkLine, fit: Fit, accuracy: Accuracy
) -> Search[tuple[NetworkLine, Fit, list[Finding]]]:
    """Return the line with bends that are not significant left undecided, and findings on them.

    One is given up after another, the least sure first: the others are surer without it.
    """
    findings: list[Finding] = []
    while fit.result.converged:
        worst = max(_insignificant(line, fit), default=None)
        if worst is None:
            break
        _, s, angle, sigma = worst
        ends = line.points[s], line.points[s + 1]
        findings.append(
            finding(
                "shape-undecided/bend",
                f"line {line.id}",
                where=ends[0].where or ends[1].where,
                start=ends[0].subject,
                end=ends[1].subject,
                blamed=[p.subject for p in ends if not p.directed] or [p.subject for p in ends],
                angle_deg=np.degrees(angle),
                sigma_deg=np.degrees(sigma),
            )
        )
        shapes = line.shapes.left_undecided(s)
        here = np.arange(len(shapes.shape)) == s
        shapes = replace(
            shapes,
            contradicted=line.shapes.contradicted,
            beside_turn=shapes.beside_turn | here,
        )
        line = line.with_shapes(shapes)
        fit = yield from least_squares([line], accuracy, known=fit.left_out)
    return line, fit, findings


def _insignificant(line: NetworkLine, fit: Fit) -> list[tuple[float, int, float, float]]:
    """How bad, which stretch, its angle and σ: of bends too sharp, or not known well enough."""
    path, at = fit.model.path(line.id, fit.result.x), fit.model.vertex_x[line.id]
    out = []
    for s, (a, b) in enumerate(pairwise(line.path[1].tolist())):
        for v in range(a + 1, b):
            angle, slope = _turn(path[v - 1 : v + 2])
            x = (at[v - 1 : v + 2, None] + np.arange(3)).ravel()
            sigma = float(np.sqrt(slope @ fit.result.cov_among(x) @ slope))
            bad = angle / SHARPEST_RAD
            if b - a == 2:  # two bends share their angles: each alone is known less than both
                fits_anything = line.shapes.dof[s, 1] <= 0
                bad = np.inf if fits_anything else max(bad, sigma / BEND_SIGMA_RAD)
            if bad > 1.0:
                out.append((bad, s, angle, sigma))
    return out


def _turn(three_m: Floats) -> tuple[float, Floats]:
    """The angle between two legs, and its derivative (9,) by their three ends."""
    u, w = np.diff(three_m, axis=0)
    p, q = (max(float(np.linalg.norm(leg)), 1e-9) for leg in (u, w))
    u, w = u / p, w / q
    cosine = float(u @ w)
    sine = max(float(np.linalg.norm(np.cross(u, w))), 1e-9)
    by_u, by_w = (cosine * u - w) / (sine * p), (cosine * w - u) / (sine * q)
    return float(angle_between(u, w)), np.concatenate([-by_u, by_u - by_w, by_w])
