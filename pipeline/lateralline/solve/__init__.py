"""Stage 3: one fix per stop, from the directions its marks say the field has.

Mathematics
-----------
Unknowns. Five per stop. Priors: tilt 0 ± 5° unless measured; heading none, or the way to the
neighbouring stops ± 30° when no mark points along the axis; depth reading divided by the
receiver's scale.

Average. Null separation is even in tilt, so the best fit, whose tilt sits near the prior's
mean, is too deep for every tilted stop, and a covariance taken there too narrow. Given the
angles the rest is nearly linear, so each stop is solved again at Gauss–Hermite nodes of its own
tilt (and heading, when wider than 5°), and means and covariances of the mixture are reported.
χ², residuals and tests stay those of the best fit.

Depth. Ground and transmitter hang on the same levelled marks, and a depth reading on the same
ground. `solve/depth.py` puts into covariance and depth what the weights left out. Without it a
stop with unknown ground levels claimed its depth to a micrometre.

Receiver scale. Nulls and exposures tell depths without a reading; the ratio over all other
stops of the receiver is a stop's scale, so no reading is used twice.

Decisions, with reasons
-----------------------
- A mid null counts as marked on the axis, ± 0.10 depth, only when there are not two end nulls;
  otherwise it is one condition, along the axis.
- The ground over a stop is a plane through its own marks. Across them its slope is the site's ±
  5 %; peaks, which slide downhill, carry that.
- A lone end null is two candidates. Neighbours decide when one fits their counters and the
  other does not; else the stop is `ambiguous`, drawn at its better candidate, named with the
  other, and left out of the line.
- A stop that no level transmitter explains (p < 1e-6) is tried without the tilt prior from
  steep starts, and accepted above 30° only with redundancy to spare: an end null overhead and a
  ring of mid nulls.
- Booking errors (a kind exchanged, ends of two stops swapped) are searched only for stops that
  fail their test, and suggested, never carried out.
- Readings that are all off by the ratio of two units (foot and metre, inch and foot, …) are an
  error and are not used: a trial survey came out far too deep that way, and the marks were
  blamed. One reading that two end nulls deny by a factor of two or more is an error too, and
  its stop is solved without it; where nothing is spare to test the nulls by, only when a unit
  or a digit accounts for it.
- Wrong units are told together (`solve/units.py`): depths and counters off alike are a wrong
  tape, and the fewest wrong keys that explain all are named. Each following its own hint ended
  in a clean record 3.3 times too large. With the tape in doubt nothing is told of bends,
  blunders or advice: they all follow from it. A metric tape over a grid and levels in feet is a
  warning of its own, since all units wrong alike contradict nothing.
- With two end nulls a mid null is good only along the pipe, so one on the wrong side of a
  baseline leaves no residual; beyond one depth beside the axis it is a warning of its own.
- When most stops contradict themselves the cause is one they share, and the site is an error.
- A blunder is named by its w-test, never down-weighted. With one redundant condition all marks
  fail alike and the finding says "one of".
- `smallest_blunder_m` is for the mark's least controlled direction. The across direction of an
  end null is checked by little; the figure says so by being metres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from lateralline.isolate import without_culprits
from lateralline.kernels.lsq import per_problem
from lateralline.kernels.network import W_LIMIT
from lateralline.proportions import MOST_DEPTH_M
from lateralline.records import (
    DepthScale,
    Exposures,
    Flags,
    MarkResults,
    Marks,
    Solved,
    StopRows,
    Texts,
)
from lateralline.settings import Settings
from lateralline.solve.batch import solve_batch
from lateralline.solve.gather import Gathered, gather
from lateralline.solve.modes import Modes, find_modes
from lateralline.solve.readings import too_deep, unit_findings
from lateralline.solve.report import Fitted, beside_axis, bookings_left_out, findings_of
from lateralline.solve.results import FAILED, fixes_of, mark_results_of
from lateralline.solve.scale import ReceiverScale, shared_scale
from lateralline.solve.seen import seen_depths
from lateralline.solve.suspects import Suspicion, suspects
from lateralline.solve.units import agreement, explanations, tape_finding

__all__ = ["solve", "solve_batch"]

#: A stop whose χ² is this unlikely is searched for booking errors.
REJECT = 1e-3


def solve(
    marks: Marks, stops: StopRows, settings: Settings, exposures: Exposures | None = None
) -> Solved:
    """Return one fix per row of stops, what it says of every mark, and findings.

    Five unknowns per stop (east, north, up, heading, tilt) by least squares on the field-direction
    conditions of its marks, with the tilt's and, when no mark points along the axis, the heading's
    prior. Exposures only calibrate the depth readings here; `link` holds the pipe to them.

    A stop whose numbers fail is left out, and said to be; the others are solved without it.
    """

    def work(left_out: Mapping[int, str]) -> Solved:
        with np.errstate(all="ignore"):  # what comes to nothing finite is unsolved, and said to be
            return _solve(marks, stops, settings, exposures, left_out)

    return without_culprits(work, range(len(stops.row)))


def _solve(
    marks: Marks,
    stops: StopRows,
    settings: Settings,
    exposures: Exposures | None,
    failed: Mapping[int, str],
) -> Solved:
    """Solve all stops but those whose numbers failed, by row of `stops` and why."""
    marks = _without(marks, stops, failed)
    gathered = _but_for(gather(marks, stops, settings), failed)
    scale, receivers = _scale(gathered, stops, settings, exposures)
    units = {key: settings.units.get(key) or "m" for key in ("tape", "depth", "counter")}
    found = agreement(gathered, marks, stops, settings, scale.by_marks)
    fits = explanations(found, units)
    misshapen = any("tape" in fit for fit in fits)
    slipped = np.isfinite(scale.slip)[scale.group] | scale.impossible | misshapen
    deep = ~slipped & (stops.depth_reading_m[gathered.stop] > MOST_DEPTH_M)
    off = slipped | deep
    findings = (
        (tape_finding(fits, found),)
        if misshapen
        else (
            *unit_findings(scale, receivers, units, stops, gathered.stop),
            *too_deep(stops, gathered.stop[deep], units["depth"]),
        )
    )
    if off.any():  # readings that cannot be place nothing: solve without them
        reading = stops.depth_reading_m.copy()
        reading[gathered.stop[off]] = np.nan
        stops = replace(stops, depth_reading_m=reading)
        gathered = _but_for(gather(marks, stops, settings), failed)
        scale, receivers = _scale(gathered, stops, settings, exposures)
    fitted = _fitted(gathered, marks, stops, scale)
    doubts = _doubts(fitted, marks)
    left_out = [d for d in doubts if d.sure]
    if left_out and not misshapen:
        findings += tuple(bookings_left_out(stops, fitted.gathered, left_out, marks))
        marks, stops = _but_bookings(fitted.gathered, marks, stops, left_out)
        gathered = _but_for(gather(marks, stops, settings), failed)
        scale, receivers = _scale(gathered, stops, settings, exposures)
        fitted = _fitted(gathered, marks, stops, scale)
        doubts = [d for d in _doubts(fitted, marks) if not d.sure]
    if not misshapen:
        findings += findings_of(fitted, marks, stops, scale, receivers, doubts)
    return Solved(
        fitted.fixes, fitted.results, findings, _depth_scales(scale, receivers), misshapen
    )


def _fitted(gathered: Gathered, marks: Marks, stops: StopRows, scale: ReceiverScale) -> Fitted:
    """Solve the stops, each with the receiver's scale that the others tell."""
    problem = gathered.problem
    problem = replace(
        problem,
        stops=replace(problem.stops, scale=scale.others, scale_sigma=scale.others_sigma),
    )
    modes = find_modes(problem, stops, gathered.stop)
    shared_m = marks.shared_m if len(marks.shared_m) else np.zeros((len(marks.row), 3, 0))
    fixes = fixes_of(gathered, modes, stops, shared_m, scale)
    fixes = replace(fixes, by_gnss=_by_gnss(gathered, marks, len(stops.row)))
    return Fitted(gathered, modes, fixes, mark_results_of(modes, len(marks.row)))


def _by_gnss(gathered: Gathered, marks: Marks, size: int) -> Flags:
    """Return the rows of stops (size,) all of whose used marks were placed by GNSS."""
    problem = gathered.problem
    taped = marks.method[problem.marks.row] != "gnss"
    out = np.zeros(size, dtype=np.bool_)
    out[gathered.stop] = np.bincount(problem.of_stop, taped, len(gathered.stop)) == 0
    return out


def _doubts(fitted: Fitted, marks: Marks) -> list[Suspicion]:
    """Return the booking errors that would explain stops as they were fitted."""
    modes = fitted.modes
    rejected = _rejected(modes, fitted.results)
    return suspects(modes.problem, modes.chosen, rejected, marks, beside_axis(modes))


def _but_bookings(
    gathered: Gathered, marks: Marks, stops: StopRows, left_out: list[Suspicion]
) -> tuple[Marks, StopRows]:
    """Return marks and stops without what booking errors name."""
    doubted = np.zeros(len(marks.row), dtype=np.bool_)
    doubted[[m for d in left_out for m in d.marks]] = True
    reading = stops.depth_reading_m.copy()
    reading[[gathered.stop[d.stop] for d in left_out if d.reading]] = np.nan
    return marks.doubting(doubted), replace(stops, depth_reading_m=reading)


def _without(marks: Marks, stops: StopRows, failed: Mapping[int, str]) -> Marks:
    """Return the marks with those of stops whose numbers failed left out of everything."""
    if not failed:
        return marks
    gone = {(str(stops.run[i]), str(stops.stop[i])) for i in failed}
    keys = zip(marks.run.tolist(), marks.stop.tolist(), strict=True)
    return replace(marks, placed=marks.placed & np.array([key not in gone for key in keys]))


def _but_for(gathered: Gathered, failed: Mapping[int, str]) -> Gathered:
    """Return what was gathered with the true reason why stops were left out."""
    said = {i: f"{FAILED} ({why})" for i, why in failed.items()}
    return replace(gathered, unsolvable=gathered.unsolvable | said)


def _depth_scales(scale: ReceiverScale, receivers: Texts) -> tuple[DepthScale, ...]:
    rows = zip(receivers.tolist(), scale.value.tolist(), scale.sigma.tolist(), strict=True)
    return tuple(DepthScale(*row) for row in rows)


def _rejected(modes: Modes, results: MarkResults) -> Flags:
    """Return the stops (k,) whose χ² or worst mark fails its test."""
    problem = modes.problem
    dof = problem.dof
    unlikely = modes.chosen.likelihood(dof) < REJECT
    failing = results.residual_w[problem.marks.row] > W_LIMIT
    worst = per_problem(failing.astype(np.float64), problem.stops.count) > 0
    return np.asarray((dof > 0) & (unlikely | worst))


def _scale(
    gathered: Gathered, stops: StopRows, settings: Settings, exposures: Exposures | None
) -> tuple[ReceiverScale, Texts]:
    """Return the depth-reading scale of each receiver, and the receivers' names."""
    name = {r.id: r.receiver for r in settings.runs}
    of_stop = np.array([name.get(str(r), "") for r in stops.run[gathered.stop]], dtype=np.str_)
    receivers, group = np.unique(of_stop, return_inverse=True)
    depth, sigma = seen_depths(gathered, stops, settings, exposures)
    return shared_scale(gathered.problem, group.astype(np.int64), depth, sigma), receivers
