"""What to survey again, and why: weak stops, poor headings, undecided stretches.

What to measure next, of all that could be, is in `next_advice`.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import degrees, isfinite

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.derive.corridor import Corridor
from lateralline.derive.straightness import UNMEASURED_RAD
from lateralline.records import Finding, Fixes, Severity
from lateralline.wording import metres

#: A heading worse than this does not tell straight from bent: common practice, no source.
POOR_HEADING_RAD = UNMEASURED_RAD
#: Findings of solve that say already why a stop's heading is not to be had.
HEADING_SAID = ("heading-unobserved", "stop-ambiguous")


def stop_advice(fixes: Fixes, said: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return advice on stops: weak or missing fixes not yet spoken of, and poor headings."""
    said = tuple(said)
    spoken_of = {f.subject for f in said}
    heading_spoken_of = {f.subject for f in said if f.code in HEADING_SAID}
    findings = []
    sigma = np.sqrt(fixes.cov[:, 3, 3])
    names = [f"stop {r}/{s}" for r, s in zip(fixes.run.tolist(), fixes.stop.tolist(), strict=True)]
    for i, subject in enumerate(names):
        status, reason = str(fixes.status[i]), str(fixes.reason[i])
        if status != "solved" and subject not in spoken_of:
            findings.append(
                _finding(
                    "warning",
                    f"stop-{status}",
                    subject,
                    f"the fix is {status}" + (f": {reason}" if reason else ""),
                    f"{int(fixes.marks_used[i])} marks used",
                    "mark the stop again: both end nulls, the mid null and the strongest spot",
                )
            )
        poor = status != "unsolved" and not sigma[i] <= POOR_HEADING_RAD
        if poor and subject not in heading_spoken_of:
            known = isfinite(sigma[i])
            findings.append(
                _finding(
                    "warning",
                    "heading-poor",
                    subject,
                    "the heading is "
                    + ("poorly known" if known else "not known")
                    + ": a bend beside this stop cannot be told from a straight",
                    f"σ {degrees(sigma[i]):.0f}°" if known else "no heading",
                    "mark both end nulls of the stop",
                )
            )
    return tuple(findings)


def line_advice(axis: Axis, region: Corridor) -> tuple[Finding, ...]:
    """Return a warning where the corridor of a line is all that reach allows."""
    stretches = axis.line.stretches
    findings = []
    reached = [
        f"{axis.line.line}/{i + 1} " + (f"± {metres(off)}" if isfinite(off) else "without bound")
        for i, (stretch, off) in enumerate(zip(stretches, region.off_m.tolist(), strict=True))
        if stretch.shape == "undecided"
    ]
    if reached:
        findings.append(
            _finding(
                "warning",
                "corridor-is-reach",
                f"line {axis.line.line}",
                "where the shape is undecided the corridor is as wide as the counted length allows",
                "segment " + ", ".join(reached),
                "add a stop on each of them",
            )
        )
    return tuple(findings)


def _finding(
    severity: Severity, code: str, subject: str, what: str, by_how_much: str, what_to_do: str
) -> Finding:
    return Finding(severity, "derive", code, subject, what, by_how_much, what_to_do)
