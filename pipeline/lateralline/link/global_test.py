"""Whether what was adjusted holds together: the global test, and stretches left undecided.

What contradicts itself so far that nothing can be claimed of it is an error, and not drawn. That is
judged after the search for blunders, and never instead of it. The measure is σ₀ = √(χ²/f), how many
times the stated accuracies the data scatter on the whole: past `GROSS_TIMES`, and further than by
chance (`GROSS_ALPHA`). A 95 % region then holds what it should only if it is ten times as wide; the
readings are not those of this pipe, or not in this order, and no widening makes a drawing of them
that people may dig by. Below that a misfit is a warning and the claims stay as stated.

The same of one stretch that neither a straight nor a bend fits, by the shape that fits best. Both
limits are common practice, no source: the wrong readings that the blunder search names leave
σ₀ near 1, and accuracies stated three times too small leave it at 3.
"""

from __future__ import annotations

from collections.abc import Sequence, Set

import numpy as np

from lateralline.catalogue import Given
from lateralline.distributions import chi2
from lateralline.findings import Finding, finding
from lateralline.kernels.curves import chainage
from lateralline.link.gross_errors import (
    between,
    blunder,
    blunder_beside,
    blunder_or_bend,
    doubted_stops,
)
from lateralline.link.lines import LocatedPoint, NetworkLine
from lateralline.link.search import AdjustedLine, AdjustedNetwork, Fit
from lateralline.link.stochastic import ALPHA
from lateralline.records import Line
from lateralline.settings import Settings
from lateralline.units import METRES_PER

GROSS_TIMES = 10.0
GROSS_ALPHA = 1e-6


def is_gross(chi2_found: float, dof: int) -> bool:
    """True when a misfit is no matter of accuracies any more."""
    return (
        dof > 0
        and chi2_found > GROSS_TIMES**2 * dof
        and float(chi2.sf(chi2_found, dof)) < GROSS_ALPHA
    )


def gross_line(one: AdjustedLine) -> list[Finding]:
    """Return why a line adjusted by itself is not drawn, and what was suspected; none if it is."""
    line, result = one.line, one.fit.result
    worst = _worst_stretch(line)
    if is_gross(result.chi2, result.dof):
        found = _contradicts(line.id, result.chi2, result.dof)
    elif worst is not None:
        found = _contradicts(line.id, *_best(line, worst), line.points[worst : worst + 2])
    else:
        return []
    return [found, *blunders(one.fit)]


def blunders(fit: Fit, lines: Sequence[Line] = (), *, by_estimate: bool = False) -> list[Finding]:
    """Return a finding on each blunder that was left out, and one on those that tie.

    `lines` are those drawn: by their paths a bend may do in place of a blunder. `by_estimate`: the
    accuracies are those that the site's residuals say.
    """
    alone = [[s] for s in fit.left_out if s.alternative.what != "kink"]
    tied = [[*fit.tied]] if fit.tied else []
    return [blunder_or_bend(some, lines, by_estimate=by_estimate) for some in alone + tied]


def gross_network(fit: Fit) -> list[Finding]:
    """Return why lines adjusted together are not drawn, one finding each; none if they are."""
    chi2_found, dof = fit.result.chi2, fit.result.dof
    if not is_gross(chi2_found, dof):
        return []
    return [_contradicts(p.id, chi2_found, dof) for p in fit.model.lines]


def _contradicts(
    line: str, chi2_found: float, dof: int, ends: Sequence[LocatedPoint] = ()
) -> Finding:
    """Return the finding on a line that contradicts itself grossly, between two points or all."""
    return finding(
        "line-not-located",
        f"line {line}",
        variant="contradicts",
        where=next((p.where for p in reversed(ends) if p.where), ""),
        start=ends[0].subject if ends else "",
        end=ends[1].subject if ends else "",
        chi2=chi2_found,
        dof=dof,
        misfit_ratio=np.sqrt(chi2_found / dof),
        most_ratio=GROSS_TIMES,
    )


def network_findings(
    network: AdjustedNetwork,
    lines: Sequence[Line],
    settings: Settings,
    accused: Set[str],
    *,
    by_estimate: bool = False,
) -> list[Finding]:
    """Return blunders, turns, the global test, and stretches left undecided.

    `lines` are those drawn; `accused` are stops whose own marks contradict one another;
    `by_estimate`: by accuracies that the site's residuals say.
    """
    out = [*(blunder(s) for s in network.turns), *network.findings]
    for fit in network.fits:
        out += blunders(fit, lines, by_estimate=by_estimate)
        if denied := gross_network(fit):
            out += denied
            continue
        if not by_estimate:
            named = {name for f in out if f.code == "blunder" for name in f.suspects}
            out += _beside_contradictions(fit, lines, accused | named)
            told = accused | {name for f in out for name in f.suspects}
            out += doubted_stops(
                [p for line in fit.model.lines for p in line.points if p.subject not in told], lines
            )
        out += misfit(fit)
        out += [f for line in fit.model.lines for f in undecided_shapes(line, settings)]
    return out


def _beside_contradictions(fit: Fit, drawn: Sequence[Line], told: Set[str]) -> list[Finding]:
    """Return a finding on each end of a stretch that nothing fits which the paths hold for wrong.

    Unless one of the ends is told to be wrong already.
    """
    found: dict[str, Finding] = {}
    for line in fit.model.lines:
        for s in np.flatnonzero(line.shapes.contradicted).tolist():
            ends = line.points[s : s + 2]
            if not told.isdisjoint(p.subject for p in ends):
                continue
            limit = float(chi2.isf(ALPHA, max(int(line.shapes.dof[s, 0]), 1)))
            made = blunder_beside(ends, drawn, (float(line.shapes.chi2[s, 0]), limit))
            if made is not None:
                found.setdefault(made.subject, made)
    return [*found.values()]


def _worst_stretch(line: NetworkLine) -> int | None:
    """The stretch that contradicts itself most, if it does so grossly."""
    off = [
        (fits / dof, s)
        for s in np.flatnonzero(line.shapes.contradicted).tolist()
        for fits, dof in [_best(line, s)]
        if is_gross(fits, dof)
    ]
    return max(off)[1] if off else None


def _best(line: NetworkLine, stretch: int) -> tuple[float, int]:
    """χ² and degrees of freedom of the shape that fits a stretch best."""
    fits, dof = line.shapes.chi2[stretch], np.maximum(line.shapes.dof[stretch], 1)
    best = int(np.argmin(fits / dof))
    return float(fits[best]), int(dof[best])


def misfit(fit: Fit) -> list[Finding]:
    """Return the finding of the global test: upper 2.5 % of χ², covariance left as it is."""
    result = fit.result
    if result.dof <= 0 or not result.chi2 > (limit := float(chi2.isf(0.025, result.dof))):
        return []
    lines = [p.id for p in fit.model.lines]
    return [
        finding(
            "misfit/line",
            f"line {lines[0]}" if len(lines) == 1 else f"lines {', '.join(lines)}",
            chi2=result.chi2,
            dof=result.dof,
            limit=limit,
            misfit_ratio=np.sqrt(result.chi2 / result.dof),
        )
    ]


def contradicted(fit: Fit) -> frozenset[str]:
    """Return the names of exposures whose position or level the line contradicts, or may."""
    return frozenset(
        s.alternative.subject.ref
        for s in fit.suspects
        if s.alternative.subject.kind == "exposure" and s.alternative.what in ("plan", "level")
    )


def undecided_shapes(line: NetworkLine, settings: Settings) -> list[Finding]:
    """Return a finding on each stretch that is undecided, unless a turn at a stop says why."""
    shapes = line.shapes
    return [
        _undecided(line, i, settings)
        for i, shape in enumerate(shapes.shape)
        if shape == "undecided" and not shapes.beside_turn[i]
    ]


def _midway(line: NetworkLine, s: int, settings: Settings) -> dict[str, Given]:
    """Where a crew finds the middle of a stretch: by the counter that was read nearest about it."""
    along = chainage([p.xyz_m for p in line.points])
    best: int = len(along)
    found: dict[str, Given] = {"uncounted": True}
    for run in settings.runs:
        read = np.array([p.readings.get(run.id, np.nan) for p in line.points])
        known = np.flatnonzero(np.isfinite(read))
        before, after = known[known <= s], known[known > s]
        if len(before) and len(after) and after[0] - before[-1] < best:
            best = int(after[0] - before[-1])
            at = np.interp(along[s : s + 2].mean(), along[known], read[known])
            unit = settings.units.get("counter", "m")
            counter = float((at + run.transmitter_lag_m) / METRES_PER[unit])
            found = {"uncounted": False, "counter": counter, "unit": unit, "run": run.id}
    return found


def _undecided(line: NetworkLine, s: int, settings: Settings) -> Finding:
    a, b = line.points[s], line.points[s + 1]
    shapes = line.shapes
    more = _midway(line, s, settings)
    if shapes.contradicted[s]:
        variant = "contradiction"
        found, dof = float(shapes.chi2[s, 0]), int(shapes.dof[s, 0])
        ratio = float(np.sqrt(found / dof)) if dof > 0 else float("nan")
        more |= {"chi2": found, "dof": dof, "misfit_ratio": ratio}
    elif np.isfinite(shapes.step_m[s]).any():
        variant = "step"
        across, up = np.nan_to_num(shapes.step_m[s])
        more |= {"across_m": across, "up_m": up}
    elif shapes.ambiguous[s]:
        variant = "alike"
    else:
        variant = "hidden"
        more["times"] = float(np.sqrt(shapes.hidden_bend[s]))
    return finding(
        "shape-undecided",
        f"line {line.id}",
        variant=variant,
        where=b.where or a.where,
        about=[between(a.subject, b.subject)],
        start=a.subject,
        end=b.subject,
        more=more,
    )
