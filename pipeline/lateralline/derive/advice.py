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
from lateralline.findings import Finding, Given, finding
from lateralline.records import Fixes

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
            values: dict[str, Given] = {"why": reason, "marks": int(fixes.marks_used[i])}
            variant = "" if status == "weak" else "again"
            findings.append(finding(f"stop-{status}", subject, variant=variant, more=values))
        poor = status != "unsolved" and not sigma[i] <= POOR_HEADING_RAD
        if poor and subject not in heading_spoken_of:
            variant = "" if isfinite(sigma[i]) else "unknown"
            off_deg = degrees(sigma[i])
            findings.append(finding("heading-poor", subject, variant=variant, sigma_deg=off_deg))
    return tuple(findings)


def line_advice(axis: Axis, region: Corridor) -> tuple[Finding, ...]:
    """Return a warning where the corridor of a line is all that reach allows."""
    stretches = axis.line.stretches
    off_m = {
        f"{axis.line.line}/{i + 1}": off
        for i, (stretch, off) in enumerate(zip(stretches, region.off_m.tolist(), strict=True))
        if stretch.shape == "undecided"
    }
    if not off_m:
        return ()
    widest_m = max(off_m.values()) if np.isfinite(list(off_m.values())).all() else np.inf
    reached = finding(
        "corridor-is-reach",
        f"line {axis.line.line}",
        segments=off_m,
        widest_95_m=widest_m,
        unbounded=not isfinite(widest_m),
    )
    return (reached,)
