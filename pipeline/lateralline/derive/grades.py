"""Grades held against published least grades, and what is said of falls and sags.

Information, not an engineering statement: which code applies to an existing drain, and what a grade
means for its working, is for licensed practice.
"""

from __future__ import annotations

from math import isfinite
from typing import Final

from lateralline.derive.axis import Axis
from lateralline.derive.slopes import Sag, Slope, falls, grade_between, sags
from lateralline.derive.tables import Row
from lateralline.findings import Finding, Given, finding
from lateralline.published import Grade, citation, grades
from lateralline.units import METRES_PER

#: One-sided 95 % of a normal error: a grade counts as below a limit, or as meeting it, only when
#: this many σ on that side.
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


def grade_columns(axis: Axis, slope: Slope) -> Row:
    """Return what each code's least grade says of a grade, and the rows it was held against.

    "met" and "not_met" at one-sided 95 %, each comparison by itself; else "not_shown". None where a
    code has no row for the pipe's size, or the pipe no grade.
    """
    rows = {row.code: row for row in least_grades(axis.pipe.inside_diameter_m)}
    columns: Row = {
        f"{code.lower()}_grade": None for code in dict.fromkeys(g.code for g in grades())
    }
    if isfinite(slope.grade):
        columns |= {f"{code.lower()}_grade": _met(slope, row) for code, row in rows.items()}
    return columns | {"least_grades": "; ".join(f"{c} {_row_text(r)}" for c, r in rows.items())}


def grade_findings(axis: Axis) -> tuple[Finding, ...]:
    """Return findings on a line's mean grade below published ones, on back-falls and sags.

    A line that rises downstream as a whole is told of once, whatever its service: most likely its
    flow is given the wrong way round, and then every segment would say the same. A back-fall that
    makes a sag is told with it.
    """
    line = axis.line
    mean = grade_between(axis, 0, len(line.kind) - 1)
    if _below(mean, 0.0, SURELY_ADVERSE):
        return (finding("mean-grade-adverse", f"line {line.line}", more=_percent(mean)),)
    findings = []
    short = [g for g in least_grades(axis.pipe.inside_diameter_m) if _below(mean, g.grade)]
    if short and not _below(mean, 0.0):
        least = [f"{100 * g.grade:.2f} % ({citation(g.source, read=g.read)})" for g in short]
        subject = f"line {line.line}"
        findings.append(
            finding("grade-below-published", subject, grades=least, more=_percent(mean))
        )
    found = sags(axis)
    findings += [_sag(axis, sag) for sag in found]
    for number, fall in enumerate(falls(axis).tolist()):
        stretch = line.stretches[number]
        if fall != "back_fall" or any(s.downstream <= stretch.first < s.low for s in found):
            continue
        values = _percent(grade_between(axis, stretch.first, stretch.last))
        subject = f"segment {line.line}/{number + 1}"
        findings.append(finding("grade-adverse", subject, more=values))
    return tuple(findings)


def _sag(axis: Axis, sag: Sag) -> Finding:
    low, rim = axis.chainage_m[[sag.low, sag.rim]]
    return finding(
        "sag",
        f"line {axis.line.line}",
        low_m=low,
        rim_m=rim,
        depth_m=sag.depth_m,
        sigma_m=sag.sigma_m,
    )


def _met(slope: Slope, row: Grade) -> str:
    if _below(slope, row.grade):
        return "not_met"
    return "met" if slope.grade - ONE_SIDED_95 * slope.sigma >= row.grade else "not_shown"


def _below(slope: Slope, limit: float, sigmas: float = ONE_SIDED_95) -> bool:
    return slope.grade + sigmas * slope.sigma < limit  # False when NaN


def _percent(slope: Slope) -> dict[str, Given]:
    return {"gradient_percent": 100 * slope.grade, "sigma_percent": 100 * slope.sigma}


def _row_text(row: Grade) -> str:
    source = citation(row.source, read=row.read)
    return f"{100 * row.grade:.2f} % ({source}: {row.as_published})"


def _misfit_in(row: Grade, inches: float) -> float:
    return max(row.nominal_from_in - inches, inches - row.nominal_to_in, 0.0)
