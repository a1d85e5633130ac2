"""From marks and stops to one least-squares problem."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.records import Flags, Floats, Ints, Marks, StopRows, Texts
from lateralline.settings import Accuracy, Settings
from lateralline.solve.ground import fit_planes, site_slope
from lateralline.solve.kinds import AXIAL, END, KINDS, MID, TOTAL
from lateralline.solve.problem import LOOSE_RAD, MarkArrays, StopArrays, StopProblem

#: σ of a heading guessed from the neighbouring stops, and of one that nothing tells (uniform over
#: a half-turn): common practice, no source.
NEIGHBOUR_SIGMA_RAD = np.pi / 6.0
UNKNOWN_SIGMA_RAD = np.pi / np.sqrt(12.0)

NO_MARK = "no usable mark at this stop"
ONE_NULL = (
    "one end null alone tells neither the side on which the transmitter lies nor its "
    "depth; mark the mid null or the other end null"
)
NO_DEPTH = "nothing tells the depth; mark an end null or read a depth"


@dataclass(frozen=True, slots=True)
class Gathered:
    """The solvable stops as a problem, and why the others are not solvable."""

    problem: StopProblem
    stop: Ints  # (k,) index into StopRows
    heading_observed: Flags  # (k,)
    unsolvable: dict[int, str]  # index into StopRows → why


@dataclass(frozen=True, slots=True)
class _MarkTally:
    """Per row of StopRows (s,): how many marks of each kind, and where they lie on average."""

    count: Ints  # (4, s)
    middle_m: Floats  # (2, s) the best single spot: mid null, else peak, else mean of end nulls


def gather(marks: Marks, stops: StopRows, settings: Settings) -> Gathered:
    """Bucket usable marks by stop and build the batch."""
    of_stop, kind = _assign(marks, stops)
    usable = np.flatnonzero((of_stop >= 0) & (kind >= 0) & marks.usable)
    usable = usable[np.lexsort((kind[usable], of_stop[usable]))]
    tally = _tally(marks.xyz_m[usable], kind[usable], of_stop[usable], len(stops.row))
    heading, sigma = _travel(tally, stops, settings.accuracy)
    unsolvable = _unsolvable(tally, stops)
    solvable = np.ones(len(stops.row), dtype=bool)
    solvable[list(unsolvable)] = False
    usable = usable[solvable[of_stop[usable]]]
    stop = np.flatnonzero(solvable)
    rank = np.cumsum(solvable) - 1
    count = np.bincount(rank[of_stop[usable]], minlength=len(stop)).astype(np.int64)

    levels = np.flatnonzero(marks.usable & marks.level_known)
    slope = site_slope(marks.xyz_m[levels], marks.cov_m2[levels, 2, 2])
    ground = _ground_marks(marks, of_stop, rank, solvable)
    centre, plane, plane_cov = fit_planes(
        marks.xyz_m[ground].T,
        marks.cov_m2[ground, 2, 2],
        np.bincount(rank[of_stop[ground]], minlength=len(stop)).astype(np.int64),
        slope,
        settings.accuracy.ground_slope_ratio,
    )
    ends = tally.count[END, stop]
    # an end null points along the axis only when something marks the middle or the other end
    observed = (ends > 0) & (tally.count[:, stop].sum(axis=0) > 1)
    accuracy = settings.accuracy
    measured = np.isfinite(stops.tilt_rad[stop])
    aerial = np.full(len(stop), settings.aerial_height_m)
    problem = StopProblem(
        MarkArrays(
            xyz_m=marks.xyz_m[usable].T + np.array([[0.0], [0.0], [settings.aerial_height_m]]),
            cov_m2=np.moveaxis(marks.cov_m2[usable], 0, -1).copy(),
            kind=kind[usable],
            lateral=np.repeat(ends < 2, count),
            in_plane=np.isin(usable, ground),
            row=usable,
        ),
        StopArrays(
            count=count,
            depth_reading_m=stops.depth_reading_m[stop],
            scale=np.ones(len(stop)),
            scale_sigma=np.full(len(stop), accuracy.depth_scale_ratio),
            aerial_m=aerial,
            tilt_rad=np.where(measured, stops.tilt_rad[stop], 0.0),
            tilt_sigma_rad=np.where(measured, accuracy.tilt_measured_rad, accuracy.tilt_prior_rad),
            heading_rad=heading[stop],
            heading_sigma_rad=np.where(observed, LOOSE_RAD, sigma[stop]),
            half_rod_m=_half_rod(stops.run[stop], settings),
            centre_m=centre,
            plane=plane,
            plane_cov=plane_cov,
        ),
        accuracy,
    )
    return Gathered(problem, stop, observed, unsolvable)


def _assign(marks: Marks, stops: StopRows) -> tuple[Ints, Ints]:
    """Return each mark's row of StopRows (−1: none) and kind code (−1: no field condition)."""
    row = {key: i for i, key in enumerate(zip(stops.run, stops.stop, strict=True))}
    of_stop = np.array([row.get(k, -1) for k in zip(marks.run, marks.stop, strict=True)], np.int64)
    code = {name: i for i, name in enumerate(KINDS)}
    return of_stop, np.array([code.get(k, -1) for k in marks.kind], np.int64)


def _tally(xyz_m: Floats, kind: Ints, of_stop: Ints, size: int) -> _MarkTally:
    cell = kind * size + of_stop
    count = np.bincount(cell, minlength=4 * size)
    total = np.stack([np.bincount(cell, weights=x, minlength=4 * size) for x in xyz_m.T[:2]])
    with np.errstate(invalid="ignore"):
        mean = (total / np.where(count, count, np.nan)).reshape(2, 4, size)
    middle = np.full((2, size), np.nan)
    for code in (END, TOTAL, AXIAL, MID):
        middle = np.where(np.isfinite(mean[:, code]), mean[:, code], middle)
    return _MarkTally(count.reshape(4, size).astype(np.int64), middle)


def _ground_marks(marks: Marks, of_stop: Ints, rank: Ints, solvable: Flags) -> Ints:
    """Return marks that tell the ground's level, sorted by stop: known levels, or for want of them.

    A stop with no known level at all uses what `place` assumed, whose variance says so.
    """
    here = marks.usable & (of_stop >= 0)
    here[here] &= solvable[of_stop[here]]
    known = np.zeros(len(solvable), dtype=bool)
    known[of_stop[here & marks.level_known]] = True
    use = here.copy()
    use[here] &= marks.level_known[here] | ~known[of_stop[here]]
    index = np.flatnonzero(use)
    return index[np.argsort(rank[of_stop[index]], kind="stable")]


def _travel(tally: _MarkTally, stops: StopRows, accuracy: Accuracy) -> tuple[Floats, Floats]:
    """Return the way of travel at each stop (s,) from its neighbours by counter, and its σ.

    A stop that has nothing sharper than a total peak is itself uncertain along the pipe, by about
    as much again as the peak is soft; over a short distance that turns the direction too.
    """
    heading = np.zeros(len(stops.row))
    sigma = np.full(len(stops.row), UNKNOWN_SIGMA_RAD)
    located = np.isfinite(tally.middle_m[0])
    soft = (tally.count[TOTAL] > 0) & (tally.count[[END, MID, AXIAL]].sum(axis=0) == 0)
    reading = np.nan_to_num(stops.depth_reading_m, nan=1.0)
    spread = np.where(soft, np.sqrt(2.0) * accuracy.peak_along_depths * reading, 0.0)
    for run in np.unique(stops.run):
        i = np.flatnonzero((stops.run == run) & located & np.isfinite(stops.counter_m))
        i = i[np.argsort(stops.counter_m[i], kind="stable")]
        if len(i) < 2:
            continue
        before, after = np.concatenate([i[:1], i[:-1]]), np.concatenate([i[1:], i[-1:]])
        east, north = tally.middle_m[:, after] - tally.middle_m[:, before]
        apart = np.maximum(np.hypot(east, north), 1e-3)
        heading[i] = np.arctan2(east, north)
        turn = np.hypot(spread[before], spread[after]) / apart
        sigma[i] = np.minimum(np.hypot(NEIGHBOUR_SIGMA_RAD, turn), UNKNOWN_SIGMA_RAD)
    return heading, sigma


def _unsolvable(tally: _MarkTally, stops: StopRows) -> dict[int, str]:
    """Return the stops whose marks cannot fix five unknowns, each with what would help."""
    ends, mids = tally.count[END], tally.count[MID]
    peaks = tally.count[TOTAL] + tally.count[AXIAL]
    read = np.isfinite(stops.depth_reading_m)
    why = [
        (ends + mids + peaks == 0, NO_MARK),
        (
            (ends == 1) & (mids + peaks == 0) & ~read,
            ONE_NULL,
        ),
        ((ends == 0) & ~read, NO_DEPTH),
    ]
    out: dict[int, str] = {}
    for test, text in why:
        for i in np.flatnonzero(test):
            out.setdefault(int(i), text)
    return out


def _half_rod(run: Texts, settings: Settings) -> Floats:
    half = {r.id: 0.5 * r.rod_length_m for r in settings.runs}
    return np.nan_to_num(np.array([half.get(str(r), 0.0) for r in run], dtype=np.float64))
