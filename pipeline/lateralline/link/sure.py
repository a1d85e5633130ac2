"""Whether a bend that was found is known well enough to be called one.

A bend lies where two directions meet. Towards a junction or an exposure there is only one, and a
bend can be drawn through anything: through a wrong position as well as a right one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from lateralline.kernels.curves import angle_between
from lateralline.link.pairs import SHARPEST_RAD
from lateralline.link.parts import Part
from lateralline.link.rounds import Search
from lateralline.link.search import Fit, least_squares
from lateralline.records import Finding, Floats
from lateralline.settings import Accuracy

#: A bend whose angle is less sure than this, 1 σ, is none that is decided: at 95 % it could be one
#: standard bend as well as the one two sizes up.
BEND_SIGMA_RAD = np.radians(20.0)


def without_unsure_bends(
    part: Part, fit: Fit, accuracy: Accuracy
) -> Search[tuple[Part, Fit, list[Finding]]]:
    """Return the line with bends undecided that are not known to be any, and what is said of them.

    One is given up after another, the least sure first: the others are surer without it.
    """
    findings: list[Finding] = []
    while fit.result.converged:
        worst = max(_unsure(part, fit), default=None)
        if worst is None:
            break
        _, s, angle, sigma = worst
        findings.append(_said(part, s, angle, sigma))
        shapes = part.shapes.loosened(s)
        here = np.arange(len(shapes.shape)) == s
        shapes = replace(
            shapes,
            contradicted=part.shapes.contradicted,
            told_by_turn=shapes.told_by_turn | here,
        )
        part = part.with_shapes(shapes)
        fit = yield from least_squares([part], accuracy, known=fit.left_out)
    return part, fit, findings


def _unsure(part: Part, fit: Fit) -> list[tuple[float, int, float, float]]:
    """How bad, which stretch, its angle and σ: of bends too sharp, or not known well enough."""
    path, at = fit.model.path(part.line, fit.result.x), fit.model.vertex_x[part.line]
    out = []
    for s, (a, b) in enumerate(pairwise(part.path[1].tolist())):
        for v in range(a + 1, b):
            angle, slope = _turn(path[v - 1 : v + 2])
            x = (at[v - 1 : v + 2, None] + np.arange(3)).ravel()
            sigma = float(np.sqrt(slope @ fit.result.cov[np.ix_(x, x)] @ slope))
            bad = angle / SHARPEST_RAD
            if b - a == 2:  # two bends share their angles: each alone is known less than both
                fits_anything = part.shapes.dof[s, 1] <= 0
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


def _said(part: Part, s: int, angle: float, sigma: float) -> Finding:
    a, b = part.points[s], part.points[s + 1]
    names = [p.subject for p in (a, b) if not p.directed]
    blame: Sequence[str] = names or [a.subject, b.subject]
    return Finding(
        "warning",
        "link",
        "bend-unsure",
        f"line {part.line}",
        f"it would have to bend between {a.subject} and {b.subject}, but by what angle and where "
        f"nothing tells; or {' or '.join(blame)} is not where it is said to be: the stretch is "
        "drawn straight and called undecided",
        f"{np.degrees(angle):.0f}° ± {np.degrees(sigma):.0f}°",
        f"check {' and '.join(blame)}, and add a stop between {a.subject} and {b.subject}",
        a.where or b.where,
    )
