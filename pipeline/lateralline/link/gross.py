"""What contradicts itself so far that nothing can be claimed of it: an error, and not drawn.

Judged after the search for blunders, and never instead of it. The measure is σ₀ = √(χ²/f), how many
times the stated accuracies the data scatter on the whole: past `GROSS_TIMES`, and further than by
chance (`GROSS_ALPHA`). A 95 % region then holds what it should only if it is ten times as wide; the
readings are not those of this pipe, or not in this order, and no widening makes a drawing of them
that people may dig by. Below that a misfit is a warning and the claims stay as stated.

The same of one stretch that neither a straight nor a bend fits, by the shape that fits best. Both
limits are common practice, no source: the wrong readings that the blunder search names leave
σ₀ near 1, and accuracies stated three times too small leave it at 3.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from lateralline.link.adjust import Alone
from lateralline.link.blunders import named, tied
from lateralline.link.parts import Part
from lateralline.link.search import Fit
from lateralline.records import Finding

GROSS_TIMES = 10.0
GROSS_ALPHA = 1e-6


def is_gross(chi2_found: float, dof: int) -> bool:
    """True when a misfit is no matter of accuracies any more."""
    return (
        dof > 0
        and chi2_found > GROSS_TIMES**2 * dof
        and float(chi2.sf(chi2_found, dof)) < GROSS_ALPHA
    )


def gross_line(line: Alone) -> list[Finding]:
    """Return why a line adjusted by itself is not drawn, and what was suspected; none if it is."""
    part, result = line.part, line.fit.result
    worst = _worst_stretch(part)
    if is_gross(result.chi2, result.dof):
        found = _finding(part.line, "", result.chi2, result.dof, "")
    elif worst is not None:
        a, b = part.points[worst], part.points[worst + 1]
        fits, dof = _best(part, worst)
        between = f"between {a.subject} and {b.subject} "
        found = _finding(part.line, between, fits, dof, b.where or a.where)
    else:
        return []
    suspects = [named(s) for s in line.fit.left_out if s.alternative.what != "kink"]
    return [found, *suspects, *([tied(line.fit.tied)] if line.fit.tied else [])]


def gross_network(fit: Fit) -> list[Finding]:
    """Return why lines adjusted together are not drawn, one finding each; none if they are."""
    if not is_gross(fit.result.chi2, fit.result.dof):
        return []
    return [_finding(p.line, "", fit.result.chi2, fit.result.dof, "") for p in fit.model.parts]


def _worst_stretch(part: Part) -> int | None:
    """The stretch that contradicts itself most, if it does so grossly."""
    off = [
        (fits / dof, s)
        for s in np.flatnonzero(part.shapes.contradicted).tolist()
        for fits, dof in [_best(part, s)]
        if is_gross(fits, dof)
    ]
    return max(off)[1] if off else None


def _best(part: Part, stretch: int) -> tuple[float, int]:
    """χ² and degrees of freedom of the shape that fits a stretch best."""
    fits, dof = part.shapes.chi2[stretch], np.maximum(part.shapes.dof[stretch], 1)
    best = int(np.argmin(fits / dof))
    return float(fits[best]), int(dof[best])


def _finding(line: str, between: str, chi2_found: float, dof: int, where: str) -> Finding:
    return Finding(
        "error",
        "link",
        "line-not-drawn",
        f"line {line}",
        f"what was measured {between}contradicts itself by far more than any error of measuring: "
        "wrong readings, stops of another pipe, or runs that do not belong together; no claim can "
        "be made of it, and the line is not drawn",
        f"χ² = {chi2_found:.0f} on {dof} degrees of freedom, σ₀ = {np.sqrt(chi2_found / dof):.0f}; "
        f"{GROSS_TIMES:.0f} is the limit",
        "correct what other findings say of its stops; compare runs, stops and counters with the "
        "field sheet, and mark again what is in doubt",
        where,
    )
