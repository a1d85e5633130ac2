"""What to survey again, and why: the line's weakest place and what the stops leave open."""

from __future__ import annotations

from collections.abc import Iterable
from math import degrees, isfinite

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.derive.corridor import Corridor
from lateralline.derive.lines import plan_95_m
from lateralline.derive.reach import half_width_m
from lateralline.derive.straightness import UNMEASURED_RAD
from lateralline.records import Finding, Fixes, Marks, Severity

#: A heading worse than this does not tell straight from bent: common practice, no source.
POOR_HEADING_RAD = UNMEASURED_RAD


def stop_advice(fixes: Fixes, marks: Marks, said: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return advice on stops: weak or missing fixes not yet spoken of, poor headings, levels."""
    spoken_of = {f.subject for f in said}
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
        if status != "unsolved" and not sigma[i] <= POOR_HEADING_RAD:
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
    unlevelled = marks.placed & ~marks.level_known
    if unlevelled.any():
        findings.append(
            _finding(
                "warning",
                "ground-level-unknown",
                "site",
                "marks without a level stand on ground taken as level; depths, inverts, grades "
                "and covers rest on that",
                f"{int(unlevelled.sum())} of {len(unlevelled)} marks",
                "level the marks, or give z from a plan or a control level",
            )
        )
    return tuple(findings)


def line_advice(axis: Axis, found: Corridor) -> tuple[Finding, ...]:
    """Return advice on a line: its least certain place, undecided and unbounded stretches."""
    line, name = axis.line, f"line {axis.line.line}"
    findings = []
    parts = [(s, axis.at(axis.samples(s))) for s in line.stretches]
    plan_95 = np.concatenate([plan_95_m(axis, s, points) for s, points in parts])
    chainage = np.concatenate([points.chainage_m for _, points in parts])
    worst = int(plan_95.argmax())
    findings.append(
        _finding(
            "info",
            "least-certain-place",
            name,
            f"the plan position is least certain near chainage {chainage[worst]:.2f} m",
            f"{plan_95[worst]:.2f} m at 95 %; the line's median is {np.median(plan_95):.2f} m",
            "a further stop or an exposure there improves the record most",
        )
    )
    for number, stretch in enumerate(line.stretches):
        subject = f"segment {line.line}/{number + 1}"
        middle = float(axis.chainage_m[[stretch.first, stretch.last]].mean())
        if stretch.shape == "undecided":
            half = half_width_m(axis, stretch)
            findings.append(
                _finding(
                    "warning",
                    "corridor-is-reach",
                    subject,
                    "the shape of the pipe is undecided: the corridor there is all the counter "
                    "can reach",
                    f"± {half:.2f} m at the middle" if isfinite(half) else "no counter bounds it",
                    f"add a stop near chainage {middle:.2f} m",
                )
            )
    if found.unbounded:
        findings.append(
            _finding(
                "info",
                "reach-unknown",
                name,
                "stretches no usable counter difference bounds: nothing cuts the corridor there",
                f"{found.unbounded} of {len(line.stretches)}",
                "read the counter at both ends of every stretch",
            )
        )
    return tuple(findings)


def _finding(
    severity: Severity, code: str, subject: str, what: str, by_how_much: str, what_to_do: str
) -> Finding:
    return Finding(severity, "derive", code, subject, what, by_how_much, what_to_do)
