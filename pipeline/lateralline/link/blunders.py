"""Blunders in words: which reading, how large, what to measure again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import chi2, norm

from lateralline.kernels.network import Adjustment
from lateralline.link.search import Fit, Suspicion
from lateralline.records import Finding, Floats
from lateralline.wording import metres

_Z95 = float(norm.ppf(0.975))
#: An error in plan of which a component is less sure than this is told across it only.
_TOLD_M = 0.5
#: Two directions less than 30° apart are one, in words.
_ALIKE = float(np.cos(np.radians(30.0)))
_WHAT = {
    "plan": "position in plan",
    "level": "level",
    "heading": "heading",
    "tilt": "tilt",
    "counter": "counter reading",
    "kink": "direction",
}
_AGAIN = {
    "plan": "measure this {kind} again, or check its tape dimensions",
    "level": "check the depth reading and the ground levels of this {kind}",
    "heading": "mark the nulls of this {kind} again, the end nulls first",
    "tilt": "check the depth reading and the end nulls of this {kind}",
    "counter": "read the counter at this {kind} again",
}


def _where(s: Suspicion) -> str:
    """The reading a suspicion is about: 'counter reading of stop R1/3'."""
    return f"{_WHAT[s.alternative.what]} of {s.alternative.subject.subject}"


def _how_much(s: Suspicion) -> str:
    what, size = s.alternative.what, s.size
    test = f"w = {np.sqrt(s.statistic):.1f} (limit {np.sqrt(s.limit):.2f})"
    if what == "plan":
        return f"{_in_plan(s)}, {test}"
    if what == "kink":
        turn = min(abs(float(np.degrees(size[1] - size[0]))), 180.0)
        return f"{turn:.0f}°, {test}"
    sigma = float(np.sqrt(s.size_cov[0, 0])) if s.size_cov.size else float("nan")
    if what in ("heading", "tilt"):
        return f"{np.degrees(size[0]):+.0f}° ± {np.degrees(sigma):.0f}°, {test}"
    return f"{metres(size[0], signed=True)} ± {metres(sigma)}, {test}"


def _in_plan(s: Suspicion) -> str:
    """How far off in plan, as far as the data tell: along the pipe they may not."""
    values, vectors = np.linalg.eigh(s.size_cov)
    surest, other = vectors.T
    loose = float(np.sqrt(values[1]))
    if not s.alternative.subject.readings and np.isfinite(s.way).all():
        # where along the pipe a point without counter belongs, only its own position says
        surest, other, loose = np.array([s.way[1], -s.way[0]]), s.way, np.inf
    if loose < _TOLD_M or abs(float(s.size @ other)) > _Z95 * loose:
        off = float(np.hypot(*s.size))
        way = s.size / max(off, 1e-9)
        return f"{metres(off)} ± {metres(_sigma(s, way))} towards {_bearing(way)}"
    off = float(s.size @ surest)
    told = f"{metres(abs(off))} ± {metres(_sigma(s, surest))}"
    towards = _bearing(surest * np.sign(off))
    if abs(float(s.way @ other)) > _ALIKE:
        return f"{told} across the line (towards {towards}); along the line these data cannot tell"
    return f"{told} towards {towards}; at right angles to that these data cannot tell"


def _sigma(s: Suspicion, way: Floats) -> float:
    return float(np.sqrt(way @ s.size_cov @ way))


def _bearing(way: Floats) -> str:
    return f"{np.degrees(np.arctan2(way[0], way[1])) % 360:.0f}°"


def _effect(s: Suspicion) -> str:
    """What leaving it out did: 'moves the line by up to 0.21 m, at stop R1/4'."""
    if not np.isfinite(s.moved_m):
        return ""
    return f"; leaving it out moves the line by up to {metres(s.moved_m)}, at {s.moved_most}"


def named(s: Suspicion) -> Finding:
    """Return the finding of one blunder that was left out of the adjustment."""
    point = s.alternative.subject
    if s.alternative.what == "kink":
        return Finding(
            "warning",
            "link",
            "bend-at-stop",
            point.subject,
            "the pipe turns at this stop, or so close to it that neither side can be told to bend; "
            "both stretches beside it are undecided",
            _how_much(s),
            "add a stop half a metre to either side of it",
            point.where,
        )
    kind = "stop" if point.fix >= 0 else point.kind
    again = _AGAIN[s.alternative.what].format(kind=kind)
    if s.alternative.what == "level" and np.isnan(point.xyz_m[0]):
        again = "check this level, what it was measured to, and its counter"
    return Finding(
        "error",
        "link",
        "link-blunder",
        point.subject,
        f"its {_WHAT[s.alternative.what]} contradicts the rest of the line and is left out of the "
        "adjustment",
        _how_much(s) + _effect(s),
        again,
        point.where,
    )


def tied(suspicions: Sequence[Suspicion]) -> Finding:
    """Return the finding of a blunder that cannot be laid to one reading."""
    names = list(dict.fromkeys(_where(s) for s in suspicions))
    worst = suspicions[0].alternative.subject
    return Finding(
        "error",
        "link",
        "link-blunder",
        worst.subject,
        f"one of these is wrong and the data cannot tell which: {'; '.join(names)}; all are kept, "
        "so the line is less sure than its figures say",
        "; ".join(_how_much(s) for s in suspicions[:2]),
        "measure each of them again, or add a stop between them",
        worst.where,
    )


def contradicted(fit: Fit) -> frozenset[str]:
    """Return the names of exposures whose position or level the line contradicts, or may."""
    return frozenset(
        s.alternative.subject.ref
        for s in fit.suspects
        if s.alternative.subject.kind == "exposure" and s.alternative.what in ("plan", "level")
    )


def unlinked_finding(line: str) -> Finding:
    """Return the finding of a line whose observations would not settle together."""
    return Finding(
        "error",
        "link",
        "link-not-converged",
        f"line {line}",
        "headings, counters and positions contradict each other so much that they could not be "
        "adjusted: the line runs through its points as they were solved, every stretch undecided",
        "",
        "correct what other findings say of its stops first",
    )


def misfit_finding(lines: Sequence[str], result: Adjustment) -> list[Finding]:
    """Return the finding of the global test: upper 2.5 % of χ², covariance left as it is."""
    if result.dof <= 0 or not result.chi2 > chi2.isf(0.025, result.dof):
        return []
    return [
        Finding(
            "warning",
            "link",
            "link-misfit",
            f"line {lines[0]}" if len(lines) == 1 else f"lines {', '.join(lines)}",
            "what was measured disagrees by more than the stated accuracies allow; the "
            "uncertainties given are a priori and were not stretched to hide it",
            f"χ² = {result.chi2:.1f} on {result.dof} degrees of freedom (limit "
            f"{chi2.isf(0.025, result.dof):.1f}), σ₀ = {result.s0:.2f}",
            "look at the stops named in other findings, else state worse accuracies in site.toml",
        )
    ]
