"""From marks and stops to one least-squares problem, the ground over each stop included.

The ground over a stop is a plane through the levels of its own marks. These lie nearly on a line,
so the slope across that line is known only from the site as a whole; the plane's covariance holds
a stop's own, what the site's may be off by is one error of all stops, and peaks (which slide
downhill on a side slope) and depths inherit both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from lateralline.kernels.curves import chainage
from lateralline.kernels.lsq import per_problem
from lateralline.records import Flags, Floats, Ints, Marks, StopRows, Texts
from lateralline.settings import Accuracy, Settings
from lateralline.solve.problem import (
    AXIAL,
    END,
    KINDS,
    LOOSE_RAD,
    MID,
    TOTAL,
    MarkArrays,
    StopArrays,
    StopProblem,
)

#: σ of a heading guessed from the neighbouring stops, and of one that nothing tells (uniform over
#: a half-turn): common practice, no source.
NEIGHBOUR_SIGMA_RAD = np.pi / 6.0
UNKNOWN_SIGMA_RAD = np.pi / np.sqrt(12.0)

#: σ of the site's slope about level where the slope seen is no steeper, and how far real ground
#: leaves a plane over a few metres: common practice, no source.
SITE_SLOPE_SIGMA = 0.03
ROUGHNESS_M = 0.01

#: Why a stop is not solved, by the variant of its finding.
UNSOLVED = {
    "bare": "no usable mark at this stop",
    "one-null": "one end null alone tells neither the side on which the transmitter lies nor its "
    "depth; mark the mid null or the other end null",
    "no-depth": "nothing tells the depth; mark an end null or read a depth",
    "failed": "its numbers could not be worked out; look for a mark, level or accuracy out of "
    "measure",
    "diverged": "the adjustment did not converge; look for a mark of another stop or of another "
    "kind",
    "above": "the solution lies above the ground; look for a wrong level or depth reading",
    "deep": "it would lie deeper than any transmitter is found; look for a mark or level far off",
    "unsound": "its numbers come to nothing that can be used; look for a reading or mark far off",
}


@dataclass(frozen=True, slots=True)
class Gathered:
    """The solvable stops as a problem, and why the others are not solvable."""

    problem: StopProblem
    stop: Ints  # (k,) index into StopRows
    heading_observed: Flags  # (k,)
    reason: Texts  # (s,) why a row of StopRows is not solvable; "" where it is

    def all_marks(self, of_marks: Flags) -> Flags:
        """Return the stops (k,) for all of whose used marks something holds; of_marks (n,)."""
        others = ~of_marks[self.problem.marks.row]
        return np.asarray(np.bincount(self.problem.of_stop, others, len(self.stop)) == 0)


@dataclass(frozen=True, slots=True)
class _MarkTally:
    """Per row of StopRows (s,): how many marks of each kind, and where they lie on average."""

    count: Ints  # (4, s)
    middle_m: Floats  # (2, s) the best single spot: mid null, else peak, else mean of end nulls


def gather(
    marks: Marks, stops: StopRows, settings: Settings, failed: Mapping[int, str] | None = None
) -> Gathered:
    """Return the solvable stops and their usable marks as one problem.

    `failed` are rows of `stops` to leave out of everything because their numbers fail, and how.
    """
    failed = failed or {}
    of_stop, kind = _assign(marks, stops)
    use = marks.usable & ~np.isin(of_stop, list(failed))
    usable = np.flatnonzero((of_stop >= 0) & (kind >= 0) & use)
    usable = usable[np.lexsort((kind[usable], of_stop[usable]))]
    tally = _tally(marks.xyz_m[usable], kind[usable], of_stop[usable], len(stops.row))
    heading, sigma = _travel(tally, stops, settings.accuracy)
    reason = _reasons(tally, stops, failed)
    solvable = reason == ""
    usable = usable[solvable[of_stop[usable]]]
    stop = np.flatnonzero(solvable)
    rank = np.cumsum(solvable) - 1
    count = np.bincount(rank[of_stop[usable]], minlength=len(stop)).astype(np.int64)

    levels = np.flatnonzero(use & marks.level_known)
    slope, slope_cov = site_slope(marks.xyz_m[levels], marks.cov_m2[levels, 2, 2])
    ground = _ground_marks(use & (of_stop >= 0), marks.level_known, of_stop, solvable)
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
    half_rod = {r.id: 0.5 * r.rod_length_m for r in settings.runs}
    problem = StopProblem(
        count,
        MarkArrays(
            xyz_m=marks.xyz_m[usable].T + np.array([[0.0], [0.0], [settings.aerial_height_m]]),
            cov_m2=np.moveaxis(marks.cov_m2[usable], 0, -1).copy(),
            kind=kind[usable],
            lateral=np.repeat(ends < 2, count),
            in_plane=np.isin(usable, ground),
            row=usable,
        ),
        StopArrays(
            depth_reading_m=stops.depth_reading_m[stop],
            scale=np.ones(len(stop)),
            scale_sigma=np.full(len(stop), accuracy.depth_scale_ratio),
            aerial_m=np.full(len(stop), settings.aerial_height_m),
            aerial_sigma_m=np.full(len(stop), settings.aerial_height_sigma_m),
            tilt_rad=np.where(measured, stops.tilt_rad[stop], 0.0),
            tilt_sigma_rad=np.where(measured, accuracy.tilt_measured_rad, accuracy.tilt_prior_rad),
            heading_rad=heading[stop],
            heading_sigma_rad=np.where(observed, LOOSE_RAD, sigma[stop]),
            half_rod_m=np.nan_to_num(
                np.array([half_rod.get(str(r), 0.0) for r in stops.run[stop]], dtype=np.float64)
            ),
            centre_m=centre,
            plane=plane,
            plane_cov=plane_cov,
            plane_shared=np.einsum("ijk,jc->ick", plane_cov[:, 1:], np.linalg.cholesky(slope_cov))
            / accuracy.ground_slope_ratio**2,
        ),
        accuracy,
    )
    return Gathered(problem, stop, observed, reason)


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


def _ground_marks(here: Flags, level_known: Flags, of_stop: Ints, solvable: Flags) -> Ints:
    """Return marks that tell the ground's level, sorted by stop: known levels, or for want of them.

    A stop with no known level at all uses what `place` assumed, whose variance says so. `here` (n,)
    are the usable marks of stops.
    """
    index = np.flatnonzero(here)
    index = index[solvable[of_stop[index]]]
    known = np.zeros(len(solvable), dtype=bool)
    known[of_stop[index[level_known[index]]]] = True
    index = index[level_known[index] | ~known[of_stop[index]]]
    return index[np.argsort(of_stop[index], kind="stable")]


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
        i = np.flatnonzero((stops.run == run) & located)
        if len(i) < 2:
            continue
        i = i[np.argsort(along_run_m(stops.counter_m[i], tally.middle_m[:, i].T), kind="stable")]
        before, after = np.concatenate([i[:1], i[:-1]]), np.concatenate([i[1:], i[-1:]])
        east, north = tally.middle_m[:, after] - tally.middle_m[:, before]
        apart = np.maximum(np.hypot(east, north), 1e-3)
        heading[i] = np.arctan2(east, north)
        turn = np.hypot(spread[before], spread[after]) / apart
        sigma[i] = np.minimum(np.hypot(NEIGHBOUR_SIGMA_RAD, turn), UNKNOWN_SIGMA_RAD)
    return heading, sigma


def along_run_m(counter_m: Floats, xy_m: Floats) -> Floats:
    """Return about how far along their run stops (k,) in the order of their rows stand.

    That is their counter; without one, where the rows beside have them: as far between as the
    plan positions xy_m (k, 2) are. A run without any is ordered by its rows.

    >>> along_run_m(np.array([5.0, np.nan, 9.0]), np.array([[0.0, 0], [0, 1], [0, 4]]))
    array([5., 6., 9.])
    """
    way = chainage(xy_m)
    read = np.flatnonzero(np.isfinite(counter_m))
    if not len(read):
        return way
    sense = -1.0 if counter_m[read[-1]] < counter_m[read[0]] else 1.0
    before = counter_m[read[0]] + sense * (way - way[read[0]])
    after = counter_m[read[-1]] + sense * (way - way[read[-1]])
    out = np.interp(way, way[read], counter_m[read])
    row = np.arange(len(way))
    out = np.where(row < read[0], before, np.where(row > read[-1], after, out))
    return np.where(np.isfinite(counter_m), counter_m, out)


def _reasons(tally: _MarkTally, stops: StopRows, failed: Mapping[int, str]) -> Texts:
    """Return why the marks of each stop (s,) cannot fix five unknowns, with what would help."""
    ends, others = tally.count[END], tally.count[[MID, TOTAL, AXIAL]].sum(axis=0)
    read = np.isfinite(stops.depth_reading_m)
    tests = {
        "bare": ends + others == 0,
        "one-null": (ends == 1) & (others == 0) & ~read,
        "no-depth": (ends == 0) & ~read,
    }
    reason = np.select(list(tests.values()), [UNSOLVED[name] for name in tests], "")
    reason = reason.astype("<U200")
    for i, error in failed.items():
        reason[i] = f"{UNSOLVED['failed']} ({error})"
    return reason


# ---- the ground -----------------------------------------------------------------------------


def site_slope(xyz_m: Floats, var_up_m2: Floats) -> tuple[Floats, Floats]:
    """Return the slope (2,) east and north of a plane through all ground levels (n, 3).

    And its covariance (2, 2). Marks of one line tell the slope along it; the slope across, which
    nothing tells, may be as steep, and has no less than `SITE_SLOPE_SIGMA` beforehand.
    """
    if len(xyz_m) < 2:
        return np.zeros(2), SITE_SLOPE_SIGMA**2 * np.eye(2)
    weight = 1.0 / (var_up_m2 + ROUGHNESS_M**2)
    centred = xyz_m - np.average(xyz_m, axis=0, weights=weight)
    flat = centred[:, :2]
    normal, rhs = (flat * weight[:, None]).T @ flat, flat.T @ (weight * centred[:, 2])
    told, ways = np.linalg.eigh(normal)
    steepness = abs(ways[:, -1] @ rhs) / max(float(told[-1]), SITE_SLOPE_SIGMA**-2)
    cov = np.linalg.inv(normal + np.eye(2) / max(SITE_SLOPE_SIGMA, float(steepness)) ** 2)
    return np.asarray(cov @ rhs), np.asarray((cov + cov.T) / 2.0)


def fit_planes(
    xyz_m: Floats,
    var_up_m2: Floats,
    count: Ints,
    slope: Floats,
    slope_sigma: float,
) -> tuple[Floats, Floats, Floats]:
    """Return centres (2, k), planes (3, k) and their covariance (3, 3, k) for k stops.

    Parameters: xyz_m (3, n) marks sorted by stop, var_up_m2 (n,), count (k,) marks per stop,
    slope (2,) of the site and σ of a stop's own about it. A plane is the level at its centre, the
    slope east and the slope north.
    """
    centre = per_problem(xyz_m[:2], count) / count
    weight = 1.0 / (var_up_m2 + ROUGHNESS_M**2)
    row = plane_rows(xyz_m, centre, count)
    normal = per_problem(np.einsum("in,jn,n->ijn", row, row, weight), count)
    rhs = per_problem(row * (weight * xyz_m[2]), count)
    for i in (1, 2):
        normal[i, i] += 1.0 / slope_sigma**2
        rhs[i] += slope[i - 1] / slope_sigma**2
    cov: Floats = np.linalg.inv(np.moveaxis(normal, -1, 0)).astype(np.float64)
    plane = np.einsum("kij,jk->ik", cov, rhs)
    return centre, plane, np.moveaxis(cov, 0, -1)


def plane_rows(xyz_m: Floats, centre_m: Floats, count: Ints) -> Floats:
    """Return ∂level/∂plane (3, n) at marks (3, n)."""
    offset = xyz_m[:2] - np.repeat(centre_m, count, axis=1)
    return np.concatenate([np.ones((1, xyz_m.shape[1])), offset])
