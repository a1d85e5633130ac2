"""Grades held against published least grades, and against falling the wrong way.

Information, not an engineering statement: which code applies to an existing drain, and what a grade
means for its working, is for licensed practice.
"""

from __future__ import annotations

from math import isfinite
from typing import Final

from lateralline.derive.axis import Axis
from lateralline.derive.lines import Slope, grade_between
from lateralline.published import Grade, citation, grades
from lateralline.records import Finding
from lateralline.units import METRES_PER

#: One-sided 95 % of a normal error: a grade counts as below a limit only when this many σ below.
ONE_SIDED_95: Final = 1.6449
#: A whole line counts as rising downstream when its mean grade is this many σ below nil.
SURELY_ADVERSE: Final = 2.0


def least_grades(inside_diameter_m: float) -> tuple[Grade, ...]:
    """Return the published rows for a pipe of that size: in each code the row of nearest size.

    Nominal sizes stand in inches near the inside diameter. A row that names one size only serves
    pipes within half an inch of it. An unknown diameter gets the rows without a size.

    >>> [f"{g.code} {g.grade:.4f}" for g in least_grades(0.1023)]  # 4 in
    ['IPC 0.0104', 'UPC 0.0200', 'ADH 0.0125']
    """
    inches = inside_diameter_m / METRES_PER["in"]
    of_code: dict[str, list[Grade]] = {}
    for row in grades():
        of_code.setdefault(row.code, []).append(row)
    found = []
    for rows in of_code.values():
        if not isfinite(inches):
            found += [r for r in rows if r.nominal_from_in == 0.0 and not isfinite(r.nominal_to_in)]
            continue
        nearest = min(rows, key=lambda r: _misfit_in(r, inches))
        if len(rows) > 1 or _misfit_in(nearest, inches) <= 0.5:
            found.append(nearest)
    return tuple(found)


def grade_findings(axis: Axis) -> tuple[Finding, ...]:
    """Return findings on a line's mean grade below published ones and on adverse segments.

    A line that rises downstream as a whole is told of once, whatever its service: most likely its
    flow is given the wrong way round, and then every segment would say the same.
    """
    line = axis.line
    mean = grade_between(axis, 0, len(line.kind) - 1)
    if _below(mean, 0.0, SURELY_ADVERSE):
        return (
            Finding(
                "warning",
                "derive",
                "mean-grade-adverse",
                f"line {line.line}",
                "the line rises downstream; is `flow` right?",
                f"mean grade {_percent(mean)}",
                "check the run's flow in site.toml, then levels and depths at both ends",
            ),
        )
    findings = []
    short = [g for g in least_grades(axis.pipe.inside_diameter_m) if _below(mean, g.grade)]
    if short and not _below(mean, 0.0):
        findings.append(
            Finding(
                "info",
                "derive",
                "grade-below-published",
                f"line {line.line}",
                "the mean grade is less than published least grades for drains; which of them "
                "applies, and what it means, is for licensed practice",
                f"{_percent(mean)} against " + "; ".join(_row_text(g) for g in short),
                "level the inverts at both ends directly before relying on the grade",
            )
        )
    for number, stretch in enumerate(line.stretches):
        slope = grade_between(axis, stretch.first, stretch.last)
        if _below(slope, 0.0):
            findings.append(
                Finding(
                    "warning",
                    "derive",
                    "grade-adverse",
                    f"segment {line.line}/{number + 1}",
                    "the pipe rises in the direction of flow as given by the site",
                    _percent(slope),
                    "check the run's flow in site.toml, and levels and depths at both ends",
                )
            )
    return tuple(findings)


def _below(slope: Slope, limit: float, sigmas: float = ONE_SIDED_95) -> bool:
    return slope.grade + sigmas * slope.sigma < limit  # False when NaN


def _percent(slope: Slope) -> str:
    return f"{100 * slope.grade:.2f} % ± {100 * slope.sigma:.2f} % (1 σ)"


def _row_text(row: Grade) -> str:
    source = citation(row.source, read=row.read)
    return f"{100 * row.grade:.2f} % ({source}: {row.as_published})"


def _misfit_in(row: Grade, inches: float) -> float:
    return max(row.nominal_from_in - inches, inches - row.nominal_to_in, 0.0)
