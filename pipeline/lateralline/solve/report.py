"""Findings of the solve stage: what could not be solved, is doubtful, or does not fit the field."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from lateralline.findings import Finding, Given, finding
from lateralline.kernels.network import W_LIMIT
from lateralline.records import (
    Fixes,
    Floats,
    Ints,
    MarkResults,
    Marks,
    StopRows,
    Texts,
)
from lateralline.solve.gather import NO_DEPTH, NO_MARK, ONE_NULL, Gathered
from lateralline.solve.kinds import MID
from lateralline.solve.modes import Modes
from lateralline.solve.readings import receiver_findings
from lateralline.solve.results import (
    ABOVE,
    ALONE,
    CONTRADICT,
    DEEP,
    DIVERGED,
    FAILED,
    NOT_SOUND,
    SETTLED,
    UPRIGHT,
    WEAK,
)
from lateralline.solve.scale import ReceiverScale
from lateralline.solve.suspects import Suspicion

#: Variants of findings by the reason a stop is not solved, or is weak.
_UNSOLVED = {
    NO_MARK: "bare",
    ONE_NULL: "one-null",
    NO_DEPTH: "no-depth",
    DIVERGED: "diverged",
    ABOVE: "above",
    DEEP: "deep",
    NOT_SOUND: "unsound",
}
_WEAK = {WEAK: "neighbours", ALONE: "alone", UPRIGHT: "upright", SETTLED: "chosen"}
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
    scale: ReceiverScale,
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


def _where(stops: StopRows, i: int) -> str:
    return f"{stops.file}:{stops.row[i]}"


def _stops(fixes: Fixes, stops: StopRows) -> Iterator[Finding]:
    for i in map(int, np.flatnonzero(fixes.status != "solved")):
        subject, where, why = _name(stops, i), _where(stops, i), str(fixes.reason[i])
        if fixes.status[i] == "unsolved":
            failed = why.startswith(FAILED)
            yield finding(
                "stop-unsolved",
                subject,
                variant="failed" if failed else _UNSOLVED[why],
                where=where,
                why=why,
                marks=int(fixes.marks_used[i]),
                more={"error": why[len(FAILED) :].strip(" ()")} if failed else None,
            )
        elif fixes.status[i] == "weak" and why == CONTRADICT:
            chi2_, dof = float(fixes.chi2[i]), int(fixes.dof[i])
            ratio = np.sqrt(chi2_ / dof)
            yield finding(
                "marks-contradict", subject, where=where, chi2=chi2_, dof=dof, misfit_ratio=ratio
            )
        elif fixes.status[i] == "weak":
            sigma = min(float(np.degrees(np.sqrt(fixes.cov[i, 3, 3]))), 90.0)
            yield finding(
                "heading-unobserved", subject, variant=_WEAK[why], where=where, sigma_deg=sigma
            )


def _candidates(
    fixes: Fixes, stops: StopRows, gathered: Gathered, modes: Modes
) -> Iterator[Finding]:
    """Yield both candidates of every ambiguous stop, and every steep transmitter."""
    for k in np.flatnonzero(np.isfinite(modes.rival[0]) & ~modes.settled):
        i = int(gathered.stop[k])
        if fixes.status[i] != "ambiguous":
            continue
        a, b = modes.chosen.p[:, k], modes.rival[:, k]
        move = b[:2] - a[:2]
        yield finding(
            "stop-ambiguous",
            _name(stops, i),
            variant="two-sides",
            where=_where(stops, i),
            why=str(fixes.reason[i]),
            apart_m=np.hypot(*move),
            bearing_deg=float(np.degrees(np.arctan2(move[0], move[1]))) % 360.0,
        )
    for k in np.flatnonzero(modes.steep):
        i = int(gathered.stop[k])
        yield finding(
            "steep-transmitter",
            _name(stops, i),
            where=_where(stops, i),
            tilt_deg=np.degrees(fixes.tilt_rad[i]),
            sigma_deg=np.degrees(np.sqrt(fixes.cov[i, 4, 4])),
        )


def _bookings(stops: StopRows, gathered: Gathered, doubts: list[Suspicion]) -> Iterator[Finding]:
    for d in doubts:
        i = int(gathered.stop[d.stop])
        variant, values = d.told
        yield finding(
            "booking-suspected",
            _name(stops, i),
            variant=variant,
            severity="warning",
            where=_where(stops, i),
            left_out=False,
            more=values | _better(d),
        )


def bookings_left_out(
    stops: StopRows, gathered: Gathered, doubts: list[Suspicion], marks: Marks
) -> Iterator[Finding]:
    """Yield the error of each booking that alone accounts for a stop that cannot be as booked."""
    for d in doubts:
        i = int(gathered.stop[d.stop])
        stop, (variant, values) = _name(stops, i), d.told
        of_mark = f"{marks.file}:{marks.row[d.marks[0]]}" if len(d.marks) == 1 else ""
        if d.mirrored:
            yield finding(
                "mark-mirrored",
                f"mark {marks.mark[d.marks[0]]}",
                variant="booked",
                where=of_mark,
                about=[stop],
                explains=[stop],
                stop=stop,
                more=values | _better(d),
            )
        else:
            yield finding(
                "booking-suspected",
                stop,
                variant=variant,
                severity="error",
                where=of_mark or _where(stops, i),
                about=[stop],
                explains=[stop],
                left_out=True,
                more=values | _better(d),
            )


def _better(d: Suspicion) -> dict[str, Given]:
    return {"chi2_before": d.chi2_before, "chi2_after": d.chi2_after, "dof": d.dof}


def _rods(fixes: Fixes, stops: StopRows, gathered: Gathered, modes: Modes) -> Iterator[Finding]:
    """Yield a finding where the transmitter is too long to be a point for its depth."""
    rod = 2.0 * modes.problem.stops.half_rod_m
    depth = fixes.depth_m[gathered.stop]
    for k in np.flatnonzero((rod > 0.0) & (depth < ROD_LENGTHS * rod)):
        i = int(gathered.stop[k])
        yield finding(
            "rod-near",
            _name(stops, i),
            where=_where(stops, i),
            depth_ratio=depth[k] / rod[k],
            least_ratio=ROD_LENGTHS,
        )


def _torn_apart(fixes: Fixes) -> Iterator[Finding]:
    """Yield an error when most stops contradict themselves: the cause is one they share."""
    torn = int(np.sum(fixes.reason == CONTRADICT))
    if torn >= 3 and 2 * torn >= len(fixes.reason):
        yield finding("site-contradicts", "site", torn=torn, stops=len(fixes.reason))


def _off_axis(modes: Modes) -> tuple[Floats, Floats]:
    """Return how far marks (m,) lie beside the axis of their fix: in metres, in depths."""
    r = modes.problem.in_axes(modes.chosen.p)
    return np.abs(r[1]), np.abs(r[1]) / np.maximum(np.abs(r[2]), 0.1)


def beside_axis(modes: Modes) -> Ints:
    """Return the mid nulls, of the problem's marks, that lie far off the line of the end nulls."""
    _, depths = _off_axis(modes)
    return np.flatnonzero((modes.problem.marks.kind == MID) & (depths > BESIDE_DEPTHS))


def _beside(stops: StopRows, gathered: Gathered, modes: Modes, marks: Marks) -> Iterator[Finding]:
    """Yield mid nulls far off the line between the end nulls: they fit anywhere across it."""
    problem = modes.problem
    away, depths = _off_axis(modes)
    for m in beside_axis(modes):
        row = problem.marks.row[m]
        yield finding(
            "mark-beside",
            _name(stops, int(gathered.stop[problem.of_stop[m]])),
            where=f"{marks.file}:{marks.row[row]}",
            mark=marks.mark[row],
            away_m=away[m],
            depth_ratio=depths[m],
        )


def _accuracies(fixes: Fixes) -> Iterator[Finding]:
    """Yield a finding when the site's stops as a whole fit worse than the accuracies allow.

    Stops that contradict themselves are left to their own finding. The covariance is not rescaled.
    """
    calm = (fixes.dof > 0) & fixes.solved & (fixes.reason != CONTRADICT)
    total, dof = float(fixes.chi2[calm].sum()), int(fixes.dof[calm].sum())
    if dof > 0 and chi2.sf(total, dof) < SITE_ALPHA:
        ratio = np.sqrt(total / dof)
        yield finding("accuracy-doubted", "site", chi2=total, dof=dof, misfit_ratio=ratio)


def _disagreements(fixes: Fixes, results: MarkResults, marks: Marks) -> Iterator[Finding]:
    """Yield one finding per stop whose worst mark fails the test."""
    tested = np.flatnonzero(results.used & (results.residual_w > W_LIMIT))
    for run, stop in dict.fromkeys(zip(marks.run[tested], marks.stop[tested], strict=True)):
        here = np.flatnonzero((marks.run == run) & (marks.stop == stop) & results.used)
        worst = here[np.argmax(results.residual_w[here])]
        w = float(results.residual_w[worst])
        # with one redundant observation every mark fails by the same w: no one can be blamed
        rivals = here[results.residual_w[here] > w - 0.05]
        yield finding(
            "mark-disagrees",
            f"stop {run}/{stop}",
            variant="one-of" if len(rivals) > 1 else "",
            where=f"{marks.file}:{marks.row[worst]}",
            marks=[f"{marks.mark[i]} ({marks.kind[i]})" for i in rivals],
            off_m=results.residual_m[worst],
            w=w,
            limit=W_LIMIT,
        )
