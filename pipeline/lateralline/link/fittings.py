"""Hold bends to standard fittings, where the site asks for it and the data allow it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lateralline.kernels.curves import angle_between
from lateralline.link.parts import Part
from lateralline.link.search import Fit
from lateralline.published import nearest_fittings
from lateralline.records import Finding, Floats
from lateralline.settings import Settings
from lateralline.wording import metres

#: A bend this many of its own σ off every standard fitting is none of them.
_SIGMAS = 3.0
_STEP_M = 1e-5


def held(fit: Fit, settings: Settings) -> tuple[list[Part], list[Finding]]:
    """Return the parts with bends held that may be, and what is said of those that may not.

    The same parts when no line asks for it.
    """
    parts, findings = [], []
    for part in fit.model.parts:
        pipe = settings.pipe(part.line)
        turns = []
        if pipe.standard_bends:
            number = set(fit.model.point_vertex[part.line].tolist())
            bends = [v for v in range(len(fit.model.vertex_x[part.line])) if v not in number]
            for vertex in bends:
                turn, sigma = _turn(fit, part.line, vertex)
                likely = nearest_fittings(
                    float(np.degrees(turn)), float(np.degrees(sigma)), pipe.nominal
                )
                nominal = float(np.radians(likely[0].angle_deg))
                if abs(turn - nominal) > _SIGMAS * sigma:
                    findings.append(_not_standard(part.line, turn, sigma, likely[0].name))
                elif len(likely) > 1:
                    findings.append(_not_told(part.line, turn, sigma, [f.name for f in likely]))
                else:
                    turns.append((vertex, nominal))
        parts.append(replace(part, bend_rad=tuple(turns)))
    return parts, findings


def said(before: Fit, after: Fit) -> list[Finding]:
    """Return what holding bends did to each line."""
    out = []
    for part in after.model.parts:
        if not part.bend_rad:
            continue
        away = after.model.path(part.line, after.result.x)
        away = away - before.model.path(part.line, before.result.x)
        names = ", ".join(f"{np.degrees(t):g}°" for _, t in part.bend_rad)
        out.append(
            Finding(
                "info",
                "link",
                "bends-held",
                f"line {part.line}",
                f"bends are held to standard fittings, as site.toml asks: {names}",
                f"the path moves by up to {metres(np.linalg.norm(away, axis=1).max())}, χ² rises "
                f"by {after.result.chi2 - before.result.chi2:.1f}",
                'say bends = "as_found" to keep them as measured',
            )
        )
    return out


def _turn(fit: Fit, line: str, vertex: int) -> tuple[float, float]:
    """The deflection at a vertex and its σ, radians, by its own covariance with its neighbours."""
    at = (fit.model.vertex_x[line][vertex - 1 : vertex + 2, None] + np.arange(3)).ravel()
    three = fit.result.x[at].reshape(3, 3)

    def turn(path: Floats) -> Floats:
        return angle_between(path[..., 1, :] - path[..., 0, :], path[..., 2, :] - path[..., 1, :])

    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (turn(three + steps) - turn(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ fit.result.cov[np.ix_(at, at)] @ slope)
    return float(turn(three)), float(np.sqrt(max(variance, 0.0)))


def _not_standard(line: str, turn: float, sigma: float, nearest: str) -> Finding:
    return _not_held(
        "bend-not-standard",
        line,
        f"a bend is no standard fitting and is not held: the nearest is a {nearest}",
        turn,
        sigma,
        "look whether two fittings lie close together, and add a stop between them",
    )


def _not_told(line: str, turn: float, sigma: float, names: Sequence[str]) -> Finding:
    return _not_held(
        "bend-between-fittings",
        line,
        f"a bend may be a {' or a '.join(names)}: which cannot be told, and it is not held",
        turn,
        sigma,
        "add a stop on each side of it, or look which it is",
    )


def _not_held(code: str, line: str, what: str, turn: float, sigma: float, do: str) -> Finding:
    how_much = f"{np.degrees(turn):.1f}° ± {np.degrees(sigma):.1f}° (1 σ)"
    return Finding("warning", "link", code, f"line {line}", what, how_much, do)
