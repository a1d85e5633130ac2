"""Grades with their σ, compared with published least grades; findings on falls and low points.

Information, not an engineering statement: which code applies to an existing drain, and what a grade
means for its working, is for licensed practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import Final

import numpy as np

from lateralline.catalogue import Given
from lateralline.derive.axis import Axis, joint_cov
from lateralline.derive.falls import VertexLevels, falls, low_points
from lateralline.derive.tables import Columns
from lateralline.findings import Finding, finding
from lateralline.published import Grade, citation, grades
from lateralline.settings import Run
from lateralline.units import METRES_PER

#: One-sided 95 % of a normal error: a grade counts as below a limit, or as meeting it, only when
#: this many σ on that side.
ONE_SIDED_95: Final = 1.6449
#: A whole line counts as rising downstream when its mean grade is this many σ below nil.
SURELY_ADVERSE: Final = 2.0


@dataclass(frozen=True, slots=True)
class Slope:
    """Rise over run, positive upstream, with its σ; NaN where the run is nil."""

    grade: float
    sigma: float

    def below(self, limit: float, sigmas: float = ONE_SIDED_95) -> bool:
        """Whether the grade is so many σ below a limit; False when it is NaN."""
        return self.grade + sigmas * self.sigma < limit

    @property
    def percent(self) -> dict[str, Given]:
        """Grade and σ in per cent, as findings give them."""
        return {"gradient_percent": 100 * self.grade, "sigma_percent": 100 * self.sigma}


def grade_between(axis: Axis, first: int, last: int) -> Slope:
    """Return the grade of the invert between two vertices, over the horizontal path length."""
    line = axis.line
    run_m = float(np.linalg.norm(np.diff(line.xyz_m[first : last + 1, :2], axis=0), axis=1).sum())
    if run_m <= 0.0:
        return Slope(nan, nan)
    rise_m = float(axis.vertices.invert_level_m[last] - axis.vertices.invert_level_m[first])
    joint = joint_cov(line)
    between = joint[first, :, last, :]
    cov = joint[first, :, first, :] + joint[last, :, last, :] - between - between.T
    step = line.xyz_m[last, :2] - line.xyz_m[first, :2]
    along = step / max(float(np.hypot(step[0], step[1])), 1e-12)
    slope = np.append(-rise_m / run_m**2 * along, 1.0 / run_m)  # ∂(rise/run)/∂(east, north, up)
    return Slope(rise_m / run_m, sqrt(max(float(slope @ cov @ slope), 0.0)))


# ---- published grades ----------------------------------------------------------------------


def least_gradients(inside_diameter_m: float) -> tuple[Grade, ...]:
    """Return the published rows for a pipe of that size: in each code the row of nearest size.

    Nominal sizes stand in inches near the inside diameter. A row that names one size only serves
    pipes within half an inch of it. An unknown diameter gets the rows without a size.

    >>> [f"{g.code} {g.grade:.4f}" for g in least_gradients(0.1023)]  # 4 in
    ['IPC 0.0104', 'UPC 0.0200', 'ADH 0.0125']
    """
    inches = inside_diameter_m / METRES_PER["in"]
    if not isfinite(inches):
        unsized = (r for r in grades() if r.nominal_from_in == 0.0)
        return tuple(r for r in unsized if not isfinite(r.nominal_to_in))

    def misfit_in(row: Grade) -> float:
        return max(row.nominal_from_in - inches, inches - row.nominal_to_in, 0.0)

    found = []
    for code in dict.fromkeys(row.code for row in grades()):
        rows = [row for row in grades() if row.code == code]
        nearest = min(rows, key=misfit_in)
        if len(rows) > 1 or misfit_in(nearest) <= 0.5:
            found.append(nearest)
    return tuple(found)


def grade_columns(axis: Axis, slope: Slope) -> Columns:
    """Return what each code's least grade says of a grade, and the rows it was compared with.

    "met" and "not_met" at one-sided 95 %, each comparison by itself; else "not_shown". None where a
    code has no row for the pipe's size, or the pipe no grade.
    """
    columns: Columns = {f"{row.code.lower()}_gradient": None for row in grades()}
    rows = least_gradients(axis.pipe.inside_diameter_m)
    for row in rows if isfinite(slope.grade) else ():
        met = slope.grade - ONE_SIDED_95 * slope.sigma >= row.grade
        shown = "not_met" if slope.below(row.grade) else "met" if met else "not_shown"
        columns[f"{row.code.lower()}_gradient"] = shown
    texts = (
        f"{row.code} {100 * row.grade:.2f} % "
        f"({citation(row.source, read=row.read)}: {row.as_published})"
        for row in rows
    )
    return columns | {"least_gradients": "; ".join(texts)}


def grade_findings(
    axis: Axis, segments: Sequence[str], runs: Sequence[Run] = ()
) -> tuple[Finding, ...]:
    """Return findings on a line's mean grade below published ones, on back-falls and low points.

    `segments` are the ids of its stretches, `runs` those of the site.

    A line that rises downstream as a whole has one finding, whatever its service: most likely its
    flow is given the wrong way round, and then every segment would have the same. A back-fall that
    makes a low point is in the low point's finding.
    """
    line, name = axis.line, f"line {axis.line.line}"
    mean = grade_between(axis, 0, len(line.kind) - 1)
    if mean.below(0.0, SURELY_ADVERSE) and axis.flow_told:
        flows = [_other_flow(run) for run in runs if run.line == line.line]
        return (finding("back-fall/line", name, flows=flows, more=mean.percent),)
    findings = []
    short = [g for g in least_gradients(axis.pipe.inside_diameter_m) if mean.below(g.grade)]
    if short and not mean.below(0.0) and axis.flow_told:
        least = [f"{100 * g.grade:.2f} % ({citation(g.source, read=g.read)})" for g in short]
        findings.append(finding("gradient-low", name, grades=least, more=mean.percent))
    levels = VertexLevels.of(axis)
    found = low_points(levels)
    for point in found:
        low, rim = axis.chainage_m[[point.low, point.rim]]
        depth: dict[str, Given] = {"depth_m": point.depth_m, "sigma_m": point.sigma_m}
        findings.append(finding("low-point", name, low_m=low, rim_m=rim, more=depth))
    for number, fall in enumerate(falls(axis, levels).tolist()):
        stretch = line.stretches[number]
        if fall != "back_fall" or any(p.downstream <= stretch.first < p.low for p in found):
            continue
        values = grade_between(axis, stretch.first, stretch.last).percent
        findings.append(finding("back-fall/segment", f"segment {segments[number]}", more=values))
    return tuple(findings)


def _other_flow(run: Run) -> str:
    """Return what to write where a run was pushed the other way against the flow than is said."""
    return f'flow = "{"with" if run.upstream_sign > 0 else "against"}" for run {run.id}'
