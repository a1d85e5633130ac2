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
ground. `solve/covariance.py` puts into covariance and depth what the weights left out. Without it
a stop with unknown ground levels claimed its depth to a micrometre.

Receiver scale. Nulls and exposures give depths without a reading; the ratio over all other
stops of the receiver is a stop's scale, so no reading is used twice.

Accuracies. A site's own residuals may deny those stated: of marks and readings (`residuals`), of
headings along straight pipe against the way from stop to stop (`directions`; nearly all that marks
say goes into their fix, and a receiver three times as dull as stated shows in these or nowhere),
and of distances between stops against their counters (`spacing`), which alone show how tilts nobody
measured scatter. What is least by chance is believed first: wide tilts make marks look ill placed,
and marks taken for worse hide the tilts. All stops are then solved again with the accuracies found
(`doubt`), and what follows, link included, claims by these; they never fall below what is stated.
One reading is no reason to doubt an accuracy: a misread counter stretches one length and shortens
the next, and tilts wide enough for both would hide it from `link`. An error shared by a site, as
the height of the receiver's aerial, leaves no residual: its σ is what is stated, and where no
height is given 0.10 ± 0.10 m, since a raised receiver makes pipe look too deep.

Steps, each from frozen records to the next: `gather` (stops and ground as one least-squares
`problem`) → `scale` (depth readings) → `units` (readings that cannot be used) → `batch` (first
guesses, batched solution) → `modes` (more than one transmitter) → `covariance` and `results`
(fixes, tests of marks) → `doubt` (accuracies, from `residuals`, `directions` and `spacing`) →
`suspects` (booking errors) → `report` (findings).

Decisions, with reasons
-----------------------
- A mid null counts as marked on the axis, ± 0.10 depth, only when there are not two end nulls;
  otherwise it is one condition, along the axis.
- The ground over a stop is a plane through its own marks. Across them its slope is the site's ±
  5 %. The site's own comes from all levels; across a line, where no level tells, it is level, ± 3 %
  or as steep as the line is along. Peaks slide downhill and carry both, the site's as one error.
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
- Wrong units are reported together (`solve/units.py`): depths and counters off alike are a wrong
  tape, and the fewest wrong keys that explain all are named. Each following its own hint ended
  in a clean record 3.3 times too large. With the tape in doubt nothing is reported of bends,
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
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from lateralline.isolate import without_culprits
from lateralline.kernels.network import W_LIMIT
from lateralline.kernels.variance import Networks
from lateralline.records import (
    AccuracyEvidence,
    DepthScale,
    Exposures,
    Flags,
    Marks,
    Solved,
    StopRows,
    Texts,
)
from lateralline.settings import Accuracy, Settings
from lateralline.solve.directions import direction_residuals, in_groups
from lateralline.solve.doubt import Doubt, doubt
from lateralline.solve.gather import Gathered, gather
from lateralline.solve.learning import evidence_of
from lateralline.solve.modes import find_modes
from lateralline.solve.problem import LOOSE_RAD
from lateralline.solve.report import accuracies_doubted, beside_axis, findings_of, left_out
from lateralline.solve.residuals import OF_STOPS, stop_residuals
from lateralline.solve.results import Fitted, fitted
from lateralline.solve.scale import ReceiverScale, receiver_scale
from lateralline.solve.spacing import LONG, OF_SPACING, spacing_residuals
from lateralline.solve.suspects import Suspicion, suspects
from lateralline.solve.units import check_units

__all__ = ["solve"]

#: A stop whose χ² is this unlikely is searched for booking errors.
REJECT = 1e-3


def solve(
    marks: Marks, stops: StopRows, settings: Settings, exposures: Exposures | None = None
) -> Solved:
    """Return one fix per row of stops, the test of every mark, and findings.

    Five unknowns per stop (east, north, up, heading, tilt) by least squares on the field-direction
    conditions of its marks, with the tilt's and, when no mark points along the axis, the heading's
    prior. Exposures only calibrate the depth readings here; `link` holds the pipe to them.

    A stop whose numbers fail is left out and reported; the others are solved without it.
    """

    def work(failed: Mapping[int, str]) -> Solved:
        with np.errstate(all="ignore"):  # what comes to nothing finite is unsolved, and reported
            return _solve(marks, stops, settings, exposures, failed)

    return without_culprits(work, range(len(stops.row)))


def _solve(
    marks: Marks,
    stops: StopRows,
    settings: Settings,
    exposures: Exposures | None,
    failed: Mapping[int, str],
) -> Solved:
    """Solve all stops but those whose numbers failed, by row of `stops` and why.

    Depth readings that cannot be used are left out first, then marks and readings that a proven
    booking error names; each time what is left is gathered and scaled anew.
    """

    def gathered(marks: Marks, stops: StopRows) -> tuple[Gathered, ReceiverScale]:
        problem = gather(marks, stops, replace(settings, accuracy=accuracy), failed)
        return problem, receiver_scale(problem, stops, settings, exposures)

    accuracy = settings.accuracy
    batch, scale = gathered(marks, stops)
    units = check_units(batch, scale, marks, stops, settings)
    findings = units.findings
    if units.unusable.any():
        stops = _unread(stops, batch, units.unusable)
        batch, scale = gathered(marks, stops)
    fit = _fit(marks, stops, batch, scale)
    left = _Left(fit, accuracy)
    ask = [] if units.lengths_unreliable else [_by_residuals, _by_spacing]
    while found := [(doubted, of) for of in ask if (doubted := of(left)) is not None]:
        # tilts wider than stated spoil what marks leave, and dull marks what distances leave
        doubted, of = min(found, key=lambda pair: pair[0].by_chance)
        ask.remove(of)
        stated, accuracy = accuracy, doubted.accuracy(accuracy)
        marks = _placed_as_well_as(marks, stated, accuracy)
        fit = _fit(marks, stops, *gathered(marks, stops))
        left = _Left(fit, accuracy)
        findings += accuracies_doubted(doubted)
    suspicions = _suspicions(fit)
    proven = [s for s in suspicions if s.proven]
    if proven and not units.lengths_unreliable:
        findings += tuple(left_out(fit, s) for s in proven)
        wrong, unread = np.zeros(len(marks.row), np.bool_), np.zeros(len(batch.stop), np.bool_)
        wrong[[m for s in proven for m in s.marks]] = True
        unread[[s.stop for s in proven if s.variant == "reading"]] = True
        marks, stops = marks.doubting(wrong), _unread(stops, batch, unread)
        fit = _fit(marks, stops, *gathered(marks, stops))
        left = _Left(fit, accuracy)
        suspicions = [s for s in _suspicions(fit) if not s.proven]
    if not units.lengths_unreliable:
        findings += findings_of(fit, suspicions)
    scale = fit.scale
    rows = zip(scale.receiver.tolist(), scale.value.tolist(), scale.sigma.tolist(), strict=True)
    scales = tuple(DepthScale(*row) for row in rows)
    evidence: tuple[AccuracyEvidence, ...] = ()
    if not units.lengths_unreliable:
        claimed = replace(settings, accuracy=accuracy)
        evidence = evidence_of(left.of_stops, left.of_spacing, scale, claimed)
    return Solved(
        fit.fixes, fit.results, findings, scales, units.lengths_unreliable, accuracy, evidence
    )


def _unread(stops: StopRows, batch: Gathered, unusable: Flags) -> StopRows:
    """Return the stops without the depth readings of these (k,) of a batch."""
    reading = stops.depth_reading_m.copy()
    reading[batch.stop[unusable]] = np.nan
    return replace(stops, depth_reading_m=reading)


def _fit(marks: Marks, stops: StopRows, batch: Gathered, scale: ReceiverScale) -> Fitted:
    """Solve the stops, each with the receiver's scale that the others give."""
    problem = batch.problem.with_stops(scale=scale.others, scale_sigma=scale.others_sigma)
    return fitted(marks, stops, batch, scale, find_modes(problem, stops, batch.stop))


@dataclass(frozen=True)
class _Left:
    """What is left of a fit under the accuracies it was made with, each worked out once."""

    fit: Fitted
    accuracy: Accuracy

    @cached_property
    def of_stops(self) -> tuple[Networks, Texts]:
        """What is left of every stop that was solved, and the run (k,) of each."""
        fit = self.fit
        problem, chosen, stops = fit.modes.problem, fit.modes.chosen, fit.stops
        good = np.flatnonzero(chosen.converged)
        rows = fit.gathered.stop[good]
        measured = np.isfinite(stops.tilt_rad[rows])
        return stop_residuals(problem.pick(good), chosen.p[:, good], measured), stops.run[rows]

    @cached_property
    def of_directions(self) -> Networks:
        """What is left of headings and places along straight pipe, of stops solved by marks."""
        fit = self.fit
        problem, chosen = fit.modes.problem, fit.modes.chosen
        good = np.flatnonzero(chosen.converged)
        rows = fit.gathered.stop[good]
        of_stops, runs = self.of_stops
        by_marks = problem.stops.heading_sigma_rad[good] >= LOOSE_RAD
        use = by_marks & fit.fixes.solved[rows]
        run = np.unique(runs, return_inverse=True)[1]
        groups = in_groups(run, fit.fixes.counter_m[rows], use, of_stops.y.shape[1])
        heading = self.accuracy.axis_heading_rad
        return direction_residuals(of_stops, chosen.p[:, good], groups, heading)

    @cached_property
    def of_spacing(self) -> tuple[Networks, Texts]:
        """What is left of distances between stops, and the run (g,) of each network."""
        return spacing_residuals(self.fit.fixes, self.accuracy)


def _by_residuals(left: _Left) -> Doubt | None:
    """Return what the marks and readings of stops say against the accuracies stated."""
    return doubt(left.of_stops[0].and_those(left.of_directions), OF_STOPS, left.accuracy)


def _by_spacing(left: _Left) -> Doubt | None:
    """Return what distances between stops say against the tilt stated; None if nothing.

    A tilt that scatters more is a camera that lies more crookedly in its pipe. A chord is no
    path: bends and single misread counters tell of counters what is not so, hence counters take
    their share of what distances say and are claimed by as they are stated. But for a long line: so
    many readings are not all misread, and what they show alike of counters is laid to the tilt.
    """
    stated = left.accuracy
    lengths = left.of_spacing[0]
    doubted = doubt(lengths, OF_SPACING, stated)
    tilts = [d for d in doubted.doubted if d.name == "tilt_prior_rad"] if doubted else []
    if doubted is not None and not tilts and lengths.there.sum(axis=1).max() > LONG:
        doubted = doubt(lengths.by_first_part(), OF_SPACING[:1], stated)
        tilts = list(doubted.doubted) if doubted else []
    if doubted is None or not tilts:
        return None
    wide = doubted.wide["tilt_prior_rad"]
    crooked = float(np.sqrt(stated.axis_tilt_rad**2 + wide**2 - stated.tilt_prior_rad**2))
    return Doubt(
        {"tilt_prior_rad": wide, "axis_tilt_rad": crooked}, tuple(tilts), doubted.by_chance
    )


def _placed_as_well_as(marks: Marks, stated: Accuracy, accuracy: Accuracy) -> Marks:
    """Return the marks with the covariance that another accuracy of placing gives them."""
    more = accuracy.mark_placing_m**2 - stated.mark_placing_m**2
    return replace(marks, cov_m2=marks.cov_m2 + more * np.diag([1.0, 1.0, 0.0])) if more else marks


def _suspicions(fit: Fitted) -> list[Suspicion]:
    """Return the booking errors that would explain stops whose χ² or worst mark fails its test."""
    modes, problem = fit.modes, fit.modes.problem
    dof = problem.dof
    failing = fit.results.std_residual[problem.marks.row] > W_LIMIT
    failing_marks = problem.per_stop(failing.astype(np.float64))
    rejected = (dof > 0) & ((modes.chosen.likelihood(dof) < REJECT) | (failing_marks > 0))
    return suspects(modes, rejected, fit.marks, beside_axis(modes))
