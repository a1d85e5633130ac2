"""Findings of the solve stage: what could not be solved, is doubtful, or does not fit the field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from lateralline.kernels.network import W_LIMIT
from lateralline.records import (
    Effect,
    Finding,
    Fixes,
    Floats,
    Ints,
    MarkResults,
    Marks,
    StopRows,
    Texts,
)
from lateralline.solve.gather import Gathered
from lateralline.solve.kinds import MID
from lateralline.solve.modes import Modes
from lateralline.solve.readings import receiver_findings
from lateralline.solve.results import (
    ABOVE,
    CONTRADICT,
    DEEP,
    DIVERGED,
    FAILED,
    NOT_SOUND,
)
from lateralline.solve.scale import Scale
from lateralline.solve.suspects import Suspicion
from lateralline.wording import metres

#: What follows at a stop from leaving out a mark or a reading of it.
_FOLLOWS = (
    "stop-unsolved",
    "heading-unobserved",
    "stop-ambiguous",
    "stop-weak",
    "heading-poor",
)
#: A site's stops together are doubted at this α.
SITE_ALPHA = 1e-3
#: A mid null this many depths off the axis was hardly walked along it.
BESIDE_DEPTHS = 1.0
#: A dipole is a fair stand-in for a rod down to this many rod lengths (end null 0.5 % off).
ROD_LENGTHS = 3.0


@dataclass(frozen=True, slots=True)
class Fitted:
    """The stops as they were solved, and what that says of their marks."""

    gathered: Gathered
    modes: Modes
    fixes: Fixes
    results: MarkResults


def findings_of(
    fitted: Fitted,
    marks: Marks,
    stops: StopRows,
    scale: Scale,
    receivers: Texts,
    doubts: list[Suspicion],
) -> tuple[Finding, ...]:
    """Return the findings: doubtful stops, disagreeing marks, booking errors, receivers."""
    fixes, gathered, modes = fitted.fixes, fitted.gathered, fitted.modes
    return (
        *_stops(fixes, stops),
        *_candidates(fixes, stops, gathered, modes),
        *_disagreements(fixes, fitted.results, marks),
        *_bookings(stops, gathered, doubts),
        *_rods(fixes, stops, gathered, modes),
        *_beside(stops, gathered, modes, marks),
        *receiver_findings(scale, receivers),
        *_accuracies(fixes),
        *_torn_apart(fixes),
    )


def _name(stops: StopRows, i: int) -> str:
    return f"stop {stops.run[i]}/{stops.stop[i]}"


def _stops(fixes: Fixes, stops: StopRows) -> list[Finding]:
    out: list[Finding] = []
    for i in map(int, np.flatnonzero(fixes.status != "solved")):
        where, why = f"{stops.file}:{stops.row[i]}", str(fixes.reason[i])
        if fixes.status[i] == "unsolved":
            out.append(
                Finding(
                    "error",
                    "solve",
                    "stop-unsolved",
                    _name(stops, i),
                    f"no position could be solved: {why}",
                    f"{fixes.marks_used[i]} usable mark(s)",
                    "mark again what is wrong here; until then the stop is left out of the line"
                    if why in (DIVERGED, ABOVE, DEEP, NOT_SOUND) or why.startswith(FAILED)
                    else "go back and mark what is missing; until then the stop is left out of "
                    "the line",
                    where,
                )
            )
        elif fixes.status[i] == "weak":
            sigma = min(float(np.degrees(np.sqrt(fixes.cov[i, 3, 3]))), 90.0)
            torn = why == CONTRADICT
            out.append(
                Finding(
                    "warning",
                    "solve",
                    "marks-contradict" if torn else "heading-unobserved",
                    _name(stops, i),
                    why,
                    f"χ² {fixes.chi2[i]:.0f} with {fixes.dof[i]} redundant"
                    if torn
                    else f"heading ± {sigma:.0f}° (1 σ)",
                    "find the wrong mark or reading; until then trust neither place nor depth"
                    if torn
                    else "mark both end nulls, so the pipe's direction is seen here",
                    where,
                )
            )
    return out


def _candidates(fixes: Fixes, stops: StopRows, gathered: Gathered, modes: Modes) -> list[Finding]:
    """Return both candidates of every ambiguous stop, and every steep transmitter."""
    out: list[Finding] = []
    for k in np.flatnonzero(np.isfinite(modes.rival[0]) & ~modes.settled):
        i = int(gathered.stop[k])
        if fixes.status[i] != "ambiguous":
            continue
        a, b = modes.chosen.p[:, k], modes.rival[:, k]
        move = b[:2] - a[:2]
        bearing = float(np.degrees(np.arctan2(move[0], move[1]))) % 360.0
        out.append(
            Finding(
                "error",
                "solve",
                "stop-ambiguous",
                _name(stops, i),
                str(fixes.reason[i]),
                f"the other candidate lies {metres(np.hypot(*move))} from the one shown, "
                f"bearing {bearing:.0f}° from grid north",
                "mark the mid null or the other end null; the stop is left out of the line",
                f"{stops.file}:{stops.row[i]}",
            )
        )
    for k in np.flatnonzero(modes.steep):
        i = int(gathered.stop[k])
        tilt = float(np.degrees(fixes.tilt_rad[i]))
        out.append(
            Finding(
                "warning",
                "solve",
                "steep-transmitter",
                _name(stops, i),
                "no nearly level transmitter explains these marks, a steep one does",
                f"tilt {tilt:.0f}° ± {np.degrees(np.sqrt(fixes.cov[i, 4, 4])):.0f}°",
                "expect a drop, a stack or an upturned head here; note the tilt if it was read",
                f"{stops.file}:{stops.row[i]}",
            )
        )
    return out


def _bookings(stops: StopRows, gathered: Gathered, doubts: list[Suspicion]) -> list[Finding]:
    return [
        Finding(
            "warning",
            "solve",
            "booking-suspected",
            _name(stops, int(gathered.stop[d.stop])),
            d.what,
            _better(d),
            "compare with the field sheet and correct the marks; nothing was changed",
            f"{stops.file}:{stops.row[gathered.stop[d.stop]]}",
        )
        for d in doubts
    ]


def bookings_left_out(
    stops: StopRows, gathered: Gathered, doubts: list[Suspicion], marks: Marks
) -> tuple[Finding, ...]:
    """Return the error of each booking that alone accounts for a stop that cannot be as booked."""
    out = []
    for d in doubts:
        stop = _name(stops, int(gathered.stop[d.stop]))
        one = len(d.marks) == 1
        out.append(
            Finding(
                "error",
                "solve",
                "mark-mirrored" if d.mirrored else "booking-suspected",
                f"mark {marks.mark[d.marks[0]]}" if d.mirrored else stop,
                f"{d.what}; as booked no transmitter explains {stop}"
                if not d.mirrored
                else f"lies far from where it can at {stop}; {d.what}",
                _better(d),
                "compare with the field sheet and correct it; "
                + (
                    "it is not used until then"
                    if one or d.reading
                    else "neither is used until then"
                ),
                f"{marks.file}:{marks.row[d.marks[0]]}"
                if one
                else f"{stops.file}:{stops.row[gathered.stop[d.stop]]}",
                about=(stop,),
                explains=(Effect.of(_FOLLOWS, [stop]),),
            )
        )
    return tuple(out)


def _better(d: Suspicion) -> str:
    return f"χ² {d.chi2_before:.0f} as booked, {d.chi2_after:.1f} that way ({d.dof} redundant)"


def _rods(fixes: Fixes, stops: StopRows, gathered: Gathered, modes: Modes) -> list[Finding]:
    """Return a finding where the transmitter is too long to be a point for its depth."""
    rod = 2.0 * modes.problem.stops.half_rod_m
    depth = fixes.depth_m[gathered.stop]
    return [
        Finding(
            "warning",
            "solve",
            "rod-near",
            _name(stops, int(gathered.stop[k])),
            "the transmitter is long for its depth; it was solved as a rod, peaks as a point",
            f"depth is {depth[k] / rod[k]:.1f} rod lengths (a point serves from {ROD_LENGTHS:.0f})",
            "check rod_length; it moves the end nulls outward",
            f"{stops.file}:{stops.row[gathered.stop[k]]}",
        )
        for k in np.flatnonzero((rod > 0.0) & (depth < ROD_LENGTHS * rod))
    ]


def _torn_apart(fixes: Fixes) -> list[Finding]:
    """Return an error when most stops contradict themselves: the cause is one they share."""
    torn = int(np.sum(fixes.reason == CONTRADICT))
    if torn < 3 or 2 * torn < len(fixes.reason):
        return []
    return [
        Finding(
            "error",
            "solve",
            "site-contradicts",
            "site",
            "most stops contradict themselves, so the cause is one they share",
            f"{torn} of {len(fixes.reason)} stops",
            "look for a wrong unit, a wrong kind throughout, mixed-up stops or a wrong baseline; "
            "rely on no position or depth of this site until then",
        )
    ]


def _off_axis(modes: Modes) -> tuple[Floats, Floats]:
    """Return how far marks (m,) lie beside the axis of their fix: in metres, in depths."""
    r = modes.problem.in_axes(modes.chosen.p)
    return np.abs(r[1]), np.abs(r[1]) / np.maximum(np.abs(r[2]), 0.1)


def beside_axis(modes: Modes) -> Ints:
    """Return the mid nulls, of the problem's marks, that lie far off the line of the end nulls."""
    _, depths = _off_axis(modes)
    return np.flatnonzero((modes.problem.marks.kind == MID) & (depths > BESIDE_DEPTHS))


def _beside(stops: StopRows, gathered: Gathered, modes: Modes, marks: Marks) -> list[Finding]:
    """Return mid nulls far off the line between the end nulls: they fit anywhere across it."""
    problem = modes.problem
    away, depths = _off_axis(modes)
    out: list[Finding] = []
    for m in beside_axis(modes):
        row = problem.marks.row[m]
        out.append(
            Finding(
                "warning",
                "solve",
                "mark-beside",
                _name(stops, int(gathered.stop[problem.of_stop[m]])),
                f"mid null {marks.mark[row]} lies far beside the line between the end nulls",
                f"{metres(away[m])}, {depths[m]:.1f} times the depth",
                "look at the sign of its offset or the side of its ties; a mid null is good only "
                "for the place along the pipe, so the fix does not show it",
                f"{marks.file}:{marks.row[row]}",
            )
        )
    return out


def _accuracies(fixes: Fixes) -> list[Finding]:
    """Return a finding when the site's stops as a whole fit worse than the accuracies allow.

    Stops that contradict themselves are left to their own finding. The covariance is not rescaled.
    """
    calm = (fixes.dof > 0) & fixes.solved & (fixes.reason != CONTRADICT)
    total, dof = float(fixes.chi2[calm].sum()), int(fixes.dof[calm].sum())
    if dof == 0 or chi2.sf(total, dof) >= SITE_ALPHA:
        return []
    return [
        Finding(
            "warning",
            "solve",
            "accuracy-doubted",
            "site",
            "the stops as a whole fit worse than the accuracies in site.toml allow",
            f"χ² {total:.0f} with {dof} redundant: scatter about {np.sqrt(total / dof):.1f} times "
            "what was stated",
            "state accuracies that hold (receiver angle, placing, tilt prior), or look for a "
            "cause all stops share; the stated errors were kept and are too small",
        )
    ]


def _disagreements(fixes: Fixes, results: MarkResults, marks: Marks) -> list[Finding]:
    """Return one finding per stop whose worst mark fails the test."""
    out: list[Finding] = []
    tested = np.flatnonzero(results.used & (results.residual_w > W_LIMIT))
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
                f"{metres(results.residual_m[worst])} from where it should lie "
                f"(w = {w:.1f}, limit {W_LIMIT:.2f})",
                "check its kind, its measurement and whether it belongs to this stop; "
                "it was kept, not silently down-weighted",
                f"{marks.file}:{marks.row[worst]}",
            )
        )
    return out
