"""From marks and stops to one least-squares problem, and to a first guess by closed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.kernels.dipole import null_separation
from lateralline.records import Flags, Floats, Ints, Marks, StopRows, Texts
from lateralline.settings import Settings
from lateralline.solve.ground import fit_planes, site_slope
from lateralline.solve.problem import END, KINDS, MID, TOTAL, MarkArrays, StopArrays, StopProblem

#: σ of a heading guessed from the neighbouring stops, and of one that nothing tells (uniform over
#: a half-turn): common practice, no source.
NEIGHBOUR_SIGMA_RAD = np.pi / 6.0
UNKNOWN_SIGMA_RAD = np.pi / np.sqrt(12.0)
#: End null to transmitter over depth, level: 1/√2.
END_OFFSET = float(null_separation(0.0)) / 2.0


@dataclass(frozen=True, slots=True)
class Gathered:
    """The solvable stops as a problem, and why the others are not solvable."""

    problem: StopProblem
    stop: Ints  # (k,) index into StopRows
    start: Floats  # (5, k)
    heading_observed: Flags  # (k,)
    unsolvable: dict[int, str]  # index into StopRows → why


@dataclass(frozen=True, slots=True)
class _Tally:
    """Per row of StopRows (s,): how many marks of each kind, and where they lie on average."""

    count: Ints  # (4, s)
    mean_m: Floats  # (4, 3, s); NaN where there is none

    @property
    def middle_m(self) -> Floats:
        """Return the best single spot (3, s): mid null, else peak, else mean of the end nulls."""
        out = np.full(self.mean_m.shape[1:], np.nan)
        for code in (END, TOTAL, TOTAL + 1, MID):
            out = np.where(self.count[code] > 0, self.mean_m[code], out)
        return out


def gather(marks: Marks, stops: StopRows, settings: Settings) -> Gathered:
    """Bucket usable marks by stop and build the batch."""
    of_stop, kind = _assign(marks, stops)
    usable = np.flatnonzero((of_stop >= 0) & (kind >= 0) & marks.placed)
    usable = usable[np.lexsort((kind[usable], of_stop[usable]))]
    tally = _tally(marks.xyz_m[usable], kind[usable], of_stop[usable], len(stops.row))
    heading, sigma = _travel(tally, stops)
    unsolvable = _unsolvable(tally, stops)
    solvable = np.ones(len(stops.row), dtype=bool)
    solvable[list(unsolvable)] = False
    usable = usable[solvable[of_stop[usable]]]
    stop = np.flatnonzero(solvable)
    rank = np.cumsum(solvable) - 1
    count = np.bincount(rank[of_stop[usable]], minlength=len(stop)).astype(np.int64)

    levels = np.flatnonzero(marks.placed & marks.level_known)
    slope = site_slope(marks.xyz_m[levels], marks.cov_m2[levels, 2, 2])
    ground = _ground_marks(marks, of_stop, rank, solvable)
    centre, plane, plane_cov = fit_planes(
        marks.xyz_m[ground].T,
        marks.cov_m2[ground, 2, 2],
        np.bincount(rank[of_stop[ground]], minlength=len(stop)).astype(np.int64),
        slope,
    )
    ends = tally.count[END, stop]
    observed = ends > 0
    accuracy = settings.accuracy
    measured = np.isfinite(stops.tilt_rad[stop])
    problem = StopProblem(
        MarkArrays(
            xyz_m=marks.xyz_m[usable].T.copy(),
            cov_m2=np.moveaxis(marks.cov_m2[usable], 0, -1).copy(),
            kind=kind[usable],
            lateral=np.repeat(ends < 2, count),
            in_plane=np.isin(usable, ground),
            row=usable,
        ),
        StopArrays(
            count=count,
            depth_reading_m=stops.depth_reading_m[stop],
            tilt_rad=np.where(measured, stops.tilt_rad[stop], 0.0),
            tilt_sigma_rad=np.where(measured, accuracy.tilt_measured_rad, accuracy.tilt_prior_rad),
            heading_rad=heading[stop],
            heading_sigma_rad=np.where(observed, np.inf, sigma[stop]),
            heading_var=np.where(observed, 0.0, sigma[stop] ** 2),
            half_rod_m=_half_rod(stops.run[stop], settings),
            centre_m=centre,
            plane=plane,
            plane_cov=plane_cov,
        ),
        accuracy,
    )
    return Gathered(problem, stop, _start(problem, tally, stop), observed, unsolvable)


def _assign(marks: Marks, stops: StopRows) -> tuple[Ints, Ints]:
    """Return each mark's row of StopRows (−1: none) and kind code (−1: no field condition)."""
    row = {key: i for i, key in enumerate(zip(stops.run, stops.stop, strict=True))}
    of_stop = np.array([row.get(k, -1) for k in zip(marks.run, marks.stop, strict=True)], np.int64)
    code = {name: i for i, name in enumerate(KINDS)}
    return of_stop, np.array([code.get(k, -1) for k in marks.kind], np.int64)


def _tally(xyz_m: Floats, kind: Ints, of_stop: Ints, size: int) -> _Tally:
    cell = kind * size + of_stop
    count = np.bincount(cell, minlength=4 * size)
    total = np.stack([np.bincount(cell, weights=x, minlength=4 * size) for x in xyz_m.T])
    with np.errstate(invalid="ignore"):
        mean = total / np.where(count, count, np.nan)
    return _Tally(
        count.reshape(4, size).astype(np.int64), mean.reshape(3, 4, size).transpose(1, 0, 2)
    )


def _ground_marks(marks: Marks, of_stop: Ints, rank: Ints, solvable: Flags) -> Ints:
    """Return marks that tell the ground's level, sorted by stop: known levels, or for want of them.

    A stop with no known level at all uses what `place` assumed, whose variance says so.
    """
    here = marks.placed & (of_stop >= 0)
    here[here] &= solvable[of_stop[here]]
    known = np.zeros(len(solvable), dtype=bool)
    known[of_stop[here & marks.level_known]] = True
    use = here.copy()
    use[here] &= marks.level_known[here] | ~known[of_stop[here]]
    index = np.flatnonzero(use)
    return index[np.argsort(rank[of_stop[index]], kind="stable")]


def _travel(tally: _Tally, stops: StopRows) -> tuple[Floats, Floats]:
    """Return the way of travel at each stop (s,) from its neighbours by counter, and its σ."""
    middle = tally.middle_m
    heading = np.zeros(len(stops.row))
    sigma = np.full(len(stops.row), UNKNOWN_SIGMA_RAD)
    located = np.isfinite(middle[0])
    for run in np.unique(stops.run):
        i = np.flatnonzero((stops.run == run) & located & np.isfinite(stops.counter_m))
        i = i[np.argsort(stops.counter_m[i], kind="stable")]
        if len(i) < 2:
            continue
        before, after = np.concatenate([i[:1], i[:-1]]), np.concatenate([i[1:], i[-1:]])
        d = middle[:2, after] - middle[:2, before]
        heading[i] = np.arctan2(d[0], d[1])
        sigma[i] = np.where(np.hypot(*d) > 0.0, NEIGHBOUR_SIGMA_RAD, UNKNOWN_SIGMA_RAD)
    return heading, sigma


def _unsolvable(tally: _Tally, stops: StopRows) -> dict[int, str]:
    """Return the stops whose marks cannot fix five unknowns, each with what would help."""
    ends, mids = tally.count[END], tally.count[MID]
    peaks = tally.count[TOTAL] + tally.count[TOTAL + 1]
    read = np.isfinite(stops.depth_reading_m)
    why = [
        (ends + mids + peaks == 0, "no usable mark at this stop"),
        (
            (ends > 0) & (ends < 2) & (mids + peaks == 0),
            "one end null alone does not tell on which side the transmitter lies; "
            "mark the mid null or the other end null",
        ),
        (
            (ends < 2) & ~((ends == 1) & (mids + peaks > 0)) & ~read,
            "nothing tells the depth; mark an end null or read a depth",
        ),
    ]
    out: dict[int, str] = {}
    for test, text in why:
        for i in np.flatnonzero(test):
            out.setdefault(int(i), text)
    return out


def _half_rod(run: Texts, settings: Settings) -> Floats:
    half = {r.id: 0.5 * r.rod_length_m for r in settings.runs}
    return np.nan_to_num(np.array([half.get(str(r), 0.0) for r in run], dtype=np.float64))


def _start(problem: StopProblem, tally: _Tally, stop: Ints) -> Floats:
    """Return closed-form starting values (5, k) for a level transmitter."""
    s, m = problem.stops, problem.marks
    k = len(stop)
    middle = tally.middle_m[:, stop]
    ends = tally.count[END, stop]
    is_end = m.kind == END
    of_stop = np.repeat(np.arange(k), s.count)
    # with one end null, first and last are the same mark
    first, last = np.full(k, -1), np.full(k, -1)
    index = np.flatnonzero(is_end)
    first[of_stop[index][::-1]] = index[::-1]
    last[of_stop[index]] = index
    axis = np.where(
        ends >= 2, m.xyz_m[:2, last] - m.xyz_m[:2, first], m.xyz_m[:2, first] - middle[:2]
    )
    span = np.hypot(*axis)
    heading = np.where(ends > 0, np.arctan2(axis[0], axis[1]), s.heading_rad)
    backwards = np.cos(heading - s.heading_rad) < 0.0  # face the way of travel
    heading = np.where(backwards & (ends > 0), heading + np.pi, heading)
    by_nulls = span / np.where(ends >= 2, 2.0 * END_OFFSET, END_OFFSET)
    read = s.depth_reading_m
    depth = np.where(ends >= 2, by_nulls, np.where(np.isfinite(read), read, by_nulls))
    depth = np.maximum(depth, 0.1)
    start = np.stack([middle[0], middle[1], np.zeros(k), heading, s.tilt_rad])
    start[2] = problem.ground(start) - depth
    return start
