"""Findings of the solve stage: what could not be solved, and marks that do not fit the field."""

from __future__ import annotations

import numpy as np

from lateralline.records import Finding, Fixes, MarkResults, Marks, StopRows

#: Two-sided normal quantile at α = 0.001 (Baarda's usual choice; computed).
CRITICAL_W = 3.2905


def findings_of(
    fixes: Fixes, results: MarkResults, marks: Marks, stops: StopRows
) -> tuple[Finding, ...]:
    """Return the findings in order of stops: unsolved, weak, and disagreeing marks."""
    out: list[Finding] = []
    name = [f"stop {run}/{stop}" for run, stop in zip(fixes.run, fixes.stop, strict=True)]
    where = [f"{stops.file}:{row}" for row in stops.row]
    for i in np.flatnonzero(fixes.status == "unsolved"):
        out.append(
            Finding(
                "error",
                "solve",
                "stop-unsolved",
                name[i],
                f"no position could be solved: {fixes.reason[i]}",
                f"{fixes.marks_used[i]} usable mark(s)",
                "go back and mark what is missing; until then the stop is left out of the line",
                where[i],
            )
        )
    for i in np.flatnonzero(fixes.status == "weak"):
        sigma = float(np.degrees(np.sqrt(fixes.cov[i, 3, 3])))
        out.append(
            Finding(
                "warning",
                "solve",
                "heading-unobserved",
                name[i],
                str(fixes.reason[i]),
                f"heading ± {sigma:.0f}° (1 σ)",
                "mark at least one end null, so the pipe's direction is seen here",
                where[i],
            )
        )
    out += _disagreements(fixes, results, marks)
    return tuple(out)


def _disagreements(fixes: Fixes, results: MarkResults, marks: Marks) -> list[Finding]:
    """Return one finding per stop whose worst mark fails the test."""
    out: list[Finding] = []
    tested = np.flatnonzero(results.used & (results.residual_w > CRITICAL_W))
    for run, stop in dict.fromkeys(zip(marks.run[tested], marks.stop[tested], strict=True)):
        here = np.flatnonzero((marks.run == run) & (marks.stop == stop) & results.used)
        worst = here[np.argmax(results.residual_w[here])]
        w = float(results.residual_w[worst])
        # with one redundant observation every mark fails by the same w: no one can be blamed
        rivals = here[results.residual_w[here] > w - 0.05]
        kinds = ", ".join(f"{marks.mark[i]} ({marks.kind[i]})" for i in rivals)
        blame = "one of" if len(rivals) > 1 else "mark"
        out.append(
            Finding(
                "warning",
                "solve",
                "mark-disagrees",
                f"stop {run}/{stop}",
                f"{blame} {kinds} does not fit the field the other marks describe",
                f"{results.residual_m[worst]:.2f} m from where it should lie "
                f"(w = {w:.1f}, limit {CRITICAL_W:.2f})",
                "check its kind, its measurement and whether it belongs to this stop; "
                "it was kept, not silently down-weighted",
                f"{marks.file}:{marks.row[worst]}",
            )
        )
    return out
