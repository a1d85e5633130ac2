"""Findings of the solve stage: what could not be solved, is doubtful, or does not fit the field."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from lateralline.catalogue import Given
from lateralline.distributions import chi2
from lateralline.findings import Finding, finding
from lateralline.kernels.network import W_LIMIT
from lateralline.records import Floats, Ints
from lateralline.settings import key_of
from lateralline.solve.doubt import Doubt, DoubtedAccuracy
from lateralline.solve.gather import UNSOLVED
from lateralline.solve.modes import Modes
from lateralline.solve.problem import MID
from lateralline.solve.results import CONTRADICT, WEAK, Fitted
from lateralline.solve.suspects import Suspicion
from lateralline.solve.units import receiver_findings

#: Variants of findings by the reason a stop is not solved, or is weak.
_VARIANT = {reason: variant for variant, reason in (UNSOLVED | WEAK).items()}
#: A site's stops together are doubted at this α.
SITE_ALPHA = 1e-3
#: A mid null this many depths off the axis was hardly walked along it.
BESIDE_DEPTHS = 1.0
#: A dipole is a fair stand-in for a rod down to this many rod lengths (end null 0.5 % off).
ROD_LENGTHS = 3.0


def findings_of(fit: Fitted, suspicions: Iterable[Suspicion]) -> tuple[Finding, ...]:
    """Return the findings: doubtful stops, disagreeing marks, booking errors, receivers."""
    return (
        *_doubtful(fit),
        *_candidates(fit),
        *_disagreements(fit),
        *(_suggested(fit, s) for s in suspicions),
        *_rods(fit),
        *_beside(fit),
        *receiver_findings(fit.scale),
        *_site(fit),
    )


def _at_stop(
    fit: Fitted, i: int, code: str, variant: str = "", where: str = "", **values: Given
) -> Finding:
    """Return a finding about a row of stops."""
    where = where or _where(fit, i)
    return finding(code, _subject(fit, i), variant=variant, where=where, more=values)


def _subject(fit: Fitted, i: int) -> str:
    return f"stop {fit.stops.run[i]}/{fit.stops.stop[i]}"


def _where(fit: Fitted, i: int) -> str:
    return f"{fit.stops.file}:{fit.stops.row[i]}"


def _doubtful(fit: Fitted) -> Iterator[Finding]:
    """Yield the stops that are not solved, or whose heading or marks are in doubt."""
    fixes = fit.fixes
    for i in map(int, np.flatnonzero(fixes.status != "located")):
        why = str(fixes.reason[i])
        if fixes.status[i] == "not_located":
            used = fixes.marks_used[i]
            if why in _VARIANT:
                yield _at_stop(fit, i, "stop-not-located", _VARIANT[why], why=why, marks=used)
            else:
                error = why.removeprefix(UNSOLVED["failed"]).strip(" ()")
                yield _at_stop(
                    fit, i, "stop-not-located", "failed", why=why, marks=used, error=error
                )
        elif fixes.status[i] == "weak" and why == CONTRADICT:
            misfit = _misfit(float(fixes.chi2[i]), int(fixes.dof[i]))
            yield finding("mark-blunder/all", _subject(fit, i), where=_where(fit, i), more=misfit)
        elif fixes.status[i] == "weak":
            sigma = min(float(np.degrees(np.sqrt(fixes.cov[i, 3, 3]))), 90.0)
            yield _at_stop(fit, i, "heading-unknown", _VARIANT[why], sigma_deg=sigma)


def _misfit(value: float, dof: int) -> dict[str, Given]:
    return {"chi2": value, "dof": dof, "misfit_ratio": np.sqrt(value / dof)}


def _candidates(fit: Fitted) -> Iterator[Finding]:
    """Yield both candidates of every ambiguous stop, and every steep transmitter."""
    fixes, modes, rows = fit.fixes, fit.modes, fit.gathered.stop
    for k in np.flatnonzero((fixes.status == "two_positions")[rows]):
        east, north = modes.rival[:2, k] - modes.chosen.p[:2, k]
        yield _at_stop(
            fit,
            rows[k],
            "stop-two-positions",
            "two-sides",
            why=str(fixes.reason[rows[k]]),
            apart_m=np.hypot(east, north),
            bearing_deg=float(np.degrees(np.arctan2(east, north))) % 360.0,
        )
    for i in rows[modes.steep]:
        yield _at_stop(
            fit,
            i,
            "transmitter-steep",
            tilt_deg=np.degrees(fixes.tilt_rad[i]),
            sigma_deg=np.degrees(np.sqrt(fixes.cov[i, 4, 4])),
        )


def _disagreements(fit: Fitted) -> Iterator[Finding]:
    """Yield one finding per stop whose worst mark fails the test."""
    marks, results = fit.marks, fit.results
    tested = np.flatnonzero(results.used & (results.std_residual > W_LIMIT))
    for run, stop in dict.fromkeys(zip(marks.run[tested], marks.stop[tested], strict=True)):
        here = np.flatnonzero((marks.run == run) & (marks.stop == stop) & results.used)
        worst = here[np.argmax(results.std_residual[here])]
        w = float(results.std_residual[worst])
        # with one redundant observation every mark fails by the same w: no one can be blamed
        rivals = here[results.std_residual[here] > w - 0.05]
        yield finding(
            "mark-blunder",
            f"stop {run}/{stop}",
            variant="one-of" if len(rivals) > 1 else "one",
            where=f"{marks.file}:{marks.row[worst]}",
            marks=[f"{marks.mark[i]} ({marks.kind[i]})" for i in rivals],
            off_m=results.residual_m[worst],
            w=w,
            limit=W_LIMIT,
        )


def _suggested(fit: Fitted, suspicion: Suspicion) -> Finding:
    """Return the warning of a booking error that would explain a stop."""
    i = int(fit.gathered.stop[suspicion.stop])
    return finding(
        "mark-blunder",
        _subject(fit, i),
        variant=suspicion.variant,
        severity="warning",
        where=_where(fit, i),
        left_out=False,
        more=suspicion.values,
    )


def left_out(fit: Fitted, suspicion: Suspicion) -> Finding:
    """Return the error of a booking that alone accounts for a stop that cannot be as booked."""
    i, marks = int(fit.gathered.stop[suspicion.stop]), fit.marks
    stop = _subject(fit, i)
    of_mark = f"{marks.file}:{marks.row[suspicion.marks[0]]}" if len(suspicion.marks) == 1 else ""
    if suspicion.variant == "mirrored":
        return finding(
            "mark-mirrored",
            f"mark {marks.mark[suspicion.marks[0]]}",
            variant="booked",
            where=of_mark,
            about=[stop],
            explains=[stop],
            stop=stop,
            more=suspicion.values,
        )
    return finding(
        "mark-blunder",
        stop,
        variant=suspicion.variant,
        severity="error",
        where=of_mark or _where(fit, i),
        about=[stop],
        explains=[stop],
        left_out=True,
        more=suspicion.values,
    )


def _rods(fit: Fitted) -> Iterator[Finding]:
    """Yield a finding where the transmitter is too long to be a point for its depth."""
    rod = 2.0 * fit.modes.problem.stops.half_rod_m
    depth = fit.fixes.depth_m[fit.gathered.stop]
    for k in np.flatnonzero((rod > 0.0) & (depth < ROD_LENGTHS * rod)):
        ratio = depth[k] / rod[k]
        i = fit.gathered.stop[k]
        yield _at_stop(fit, i, "transmitter-long", depth_ratio=ratio, least_ratio=ROD_LENGTHS)


def _off_axis(modes: Modes) -> tuple[Floats, Floats]:
    """Return how far marks (m,) lie beside the axis of their fix: in metres, in depths."""
    r = modes.problem.in_axes(modes.chosen.p)
    return np.abs(r[1]), np.abs(r[1]) / np.maximum(np.abs(r[2]), 0.1)


def beside_axis(modes: Modes) -> Ints:
    """Return the mid nulls, of the problem's marks, that lie far off the line of the end nulls."""
    _, depths = _off_axis(modes)
    return np.flatnonzero((modes.problem.marks.kind == MID) & (depths > BESIDE_DEPTHS))


def _beside(fit: Fitted) -> Iterator[Finding]:
    """Yield mid nulls far off the line between the end nulls: they fit anywhere across it."""
    marks, problem = fit.marks, fit.modes.problem
    away, depths = _off_axis(fit.modes)
    for m in beside_axis(fit.modes):
        row = problem.marks.row[m]
        yield _at_stop(
            fit,
            fit.gathered.stop[problem.of_stop[m]],
            "mark-blunder/beside",
            where=f"{marks.file}:{marks.row[row]}",
            mark=str(marks.mark[row]),
            away_m=away[m],
            depth_ratio=depths[m],
        )


def accuracies_doubted(doubt: Doubt) -> tuple[Finding, ...]:
    """Return the warning of each accuracy that the stops' residuals deny."""
    return tuple(
        finding(
            "misfit",
            "site",
            variant="accuracy",
            more=_in_file_units(one)
            | {"misfit_ratio": one.estimate / one.stated, "degrees": one.degrees},
        )
        for one in doubt.doubted
    )


def _in_file_units(one: DoubtedAccuracy) -> dict[str, Given]:
    """Return an accuracy as site.toml has it: its key, and both values in the key's unit."""
    key, stated = key_of(one.name, one.stated)
    return {"accuracy": key, "stated": stated, "estimate": key_of(one.name, one.estimate)[1]}


def _site(fit: Fitted) -> Iterator[Finding]:
    """Yield findings of the site's stops as a whole.

    A warning when they fit worse than the accuracies claimed by allow; stops that contradict
    themselves are left to their own finding, and no accuracy explains it. An error when most stops
    contradict themselves: the cause is one they share.
    """
    fixes = fit.fixes
    torn = fixes.reason == CONTRADICT
    calm = (fixes.dof > 0) & fixes.solved & ~torn
    total, dof = float(fixes.chi2[calm].sum()), int(fixes.dof[calm].sum())
    if dof > 0 and chi2.sf(total, dof) < SITE_ALPHA:
        yield finding("misfit/stops", "site", more=_misfit(total, dof))
    count = int(torn.sum())
    if count >= 3 and 2 * count >= len(torn):
        yield finding("misfit/site", "site", torn=count, stops=len(torn))
