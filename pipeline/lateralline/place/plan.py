"""Plan positions of spots by each of the four methods.

Of ties two and a side place a spot; three and more are adjusted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from math import degrees, radians, sin
from typing import Final, NamedTuple

import numpy as np

from lateralline.catalogue import Given
from lateralline.distributions import chi2 as chi2_distribution
from lateralline.frames import Frame
from lateralline.kernels import taping
from lateralline.place.control import PlacedControl, PlanPositions
from lateralline.place.north import BearingsNorth
from lateralline.place.tape import SpotTable, complete, where
from lateralline.proportions import MOST_SITE_M, groups
from lateralline.records import Floats, Ints


def plan_positions(
    frame: Frame, control: PlacedControl, north: BearingsNorth, table: SpotTable
) -> PlanPositions:
    """Return where the spots of a table lie in plan; what is wrong with them becomes findings."""
    plan = _unplaced(len(table.spots.name), control)
    methods: dict[str, Callable[[Ints, PlacedControl, SpotTable], PlanPositions]]
    methods = {"gnss": partial(_gnss, frame), "offset": _offsets, "polar": partial(_polar, north)}
    parts = [
        (rows, place(rows, control, table))
        for method, place in methods.items()
        if len(rows := np.flatnonzero(table.spots.method == method))
    ]
    for rows, part in [*parts, *_tied(control, table)]:
        for whole, values in zip(plan, part, strict=True):
            whole[rows] = values
    table.report_slopes()
    _far(plan, control, table)
    return plan


def _unplaced(n: int, control: PlacedControl) -> PlanPositions:
    return PlanPositions(
        np.full((n, 2), np.nan),
        np.full((n, 2, 2), np.nan),
        np.zeros((n, 2, control.width)),
        np.zeros((n, 2)),
        np.full(n, np.nan),
        np.zeros(n, dtype=np.int64),
        np.zeros((n, 2)),
    )


def _gnss(frame: Frame, rows: Ints, control: PlacedControl, table: SpotTable) -> PlanPositions:
    spots, given = table.spots, table.spots.sigma_h_m[rows]
    sigma = np.where(np.isnan(given), table.settings.accuracy.gnss_m, given)
    return _unplaced(len(rows), control)._replace(
        xy_m=frame.to_local(spots.x[rows], spots.y[rows], np.zeros(len(rows)))[:, :2],
        cov_m2=np.square(sigma)[:, None, None] * np.eye(2),
    )


def _offsets(rows: Ints, control: PlacedControl, table: SpotTable) -> PlanPositions:
    spots = table.spots
    start, end = control.rows(spots.base_from[rows]), control.rows(spots.base_to[rows])
    base = control.xyz_m[end] - control.xyz_m[start]
    length = np.hypot(base[:, 0], base[:, 1])
    # A sloping tape runs along the baseline's own grade, then from its foot to the spot.
    with np.errstate(divide="ignore", invalid="ignore"):
        grade = base[:, 2] / length
    reading, nil = spots.station_m[rows], np.zeros(len(rows))
    level = reading * grade / np.sqrt(1.0 + grade**2)
    station = table.reduce(rows, reading, level, nil)
    rise = spots.z_m[rows] - (control.xyz_m[start, 2] + level)
    offset = table.reduce(rows, spots.offset_m[rows], rise, control.sigma_v_m[start])
    placed = taping.offset(
        control.xyz_m[start, :2], control.xyz_m[end, :2], station.length_m, offset.length_m
    )
    names = [{"start": spots.base_from[row], "end": spots.base_to[row]} for row in rows]
    for i in where(length == 0.0):
        table.add(int(rows[i]), "baseline-unfit/zero", **names[i])
    beyond = np.maximum(station.length_m - length, -station.length_m)
    for i in where((length > 0.0) & (beyond > length)):
        short = {"base_m": length[i], "beyond_m": beyond[i]}
        table.add(int(rows[i]), "baseline-unfit/short", **names[i], **short)
    return control.taped(
        placed,
        np.column_stack([start, end]),
        np.column_stack([station.sigma_m, offset.sigma_m]),
        np.column_stack([nil, offset.by_level]),
    )


def _polar(
    north: BearingsNorth, rows: Ints, control: PlacedControl, table: SpotTable
) -> PlanPositions:
    spots, nil = table.spots, np.zeros(len(rows))
    at = control.rows(spots.base_from[rows])
    rise = spots.z_m[rows] - control.xyz_m[at, 2]
    distance = table.reduce(rows, spots.station_m[rows], rise, control.sigma_v_m[at])
    accuracy = table.settings.accuracy
    bearing_sigma = nil + np.hypot(accuracy.bearing_rad, accuracy.bearing_reading_rad)
    bearing = spots.bearing_rad[rows] + north.turn_rad
    polar = taping.polar(control.xyz_m[at, :2], distance.length_m, bearing)
    placed = control.taped(
        polar,
        at[:, None],
        np.column_stack([distance.sigma_m, bearing_sigma]),
        np.column_stack([distance.by_level, nil]),
    )
    several = np.flatnonzero(table.compass[rows] >= 0)
    column = 2 * control.shares + table.compass[rows[several]]
    turned = accuracy.bearing_rad * polar.by_measured[several, :, 1]
    placed.by_shared[several, :, column] = turned
    by_north = polar.by_measured[:, :, 1] * north.sigma_rad
    cov = placed.cov_m2 + by_north[:, :, None] * by_north[:, None, :]
    return placed._replace(cov_m2=cov, by_north=by_north)


def _far(plan: PlanPositions, control: PlacedControl, table: SpotTable) -> None:
    """Leave out spots far from the group that most spots and the control are among.

    Without such a group they are warned of: nothing tells which of them are right.
    """
    placed = complete(plan.xy_m)
    known = control.xyz_m[complete(control.xyz_m[:, :2]), :2]
    both = np.concatenate([plan.xy_m[placed], known])
    if not placed.any():
        return
    of = groups(both, MOST_SITE_M)
    size = np.bincount(of)
    sure = 2 * int(size.max()) > len(of)
    middle = np.median(both[of == size.argmax()] if sure else plan.xy_m[placed], axis=0)
    distance = np.linalg.norm(plan.xy_m - middle, axis=1)
    outside = np.zeros(len(placed), dtype=np.bool_)
    outside[placed] = of[: int(placed.sum())] != size.argmax() if sure else False
    for i in where((distance > MOST_SITE_M) & (outside | (not sure))):
        table.add(i, "coordinates-outside", "far" if sure else "perhaps-far", away_m=distance[i])
        if sure:
            plan.xy_m[i], plan.cov_m2[i] = np.nan, np.nan


_WEAK_ANGLE_RAD: Final = radians(20.0)
_MIRROR_M: Final = 0.05  # closer than this the two solutions are one, with a wide error
_LEAST_SIGMA_M: Final = 1e-4  # no tape is better, whatever site.toml says


# ---- ties ---------------------------------------------------------------------------------


class _Ties(NamedTuple):
    """Ties of n spots, m to each at most; NaN and point 0 where there are fewer."""

    table: SpotTable
    rows: Ints
    point: Ints  # (n, m)
    xy_m: Floats  # (n, m, 2)
    length_m: Floats  # (n, m) horizontal
    sigma_m: Floats  # (n, m) tape alone
    by_level: Floats  # (n, m)
    left: Floats  # (n,) +1 left of first → second, −1 right, 0 not given

    def points(self, i: int) -> list[str]:
        """Return the names of the points spot `i` is tied to."""
        return [name for name, _ in self.table.spots.ties[self.rows[i]]]

    def add(self, i: int, code: str, variant: str = "", **values: Given) -> None:
        """Add a finding about spot `i`."""
        self.table.add(int(self.rows[i]), code, variant, **values)


def _tied(control: PlacedControl, table: SpotTable) -> Iterator[tuple[Ints, PlanPositions]]:
    """Yield rows and positions of the tied spots: first those with two ties, then with more."""
    spots = table.spots
    tied = spots.method == "ties"
    count = np.array([len(t) for t in spots.ties], dtype=np.int64)
    for i in where(tied & (count < 2)):
        table.add(i, "tie-weak/one", ties=int(count[i]))
    for rows, solve in (
        (np.flatnonzero(tied & (count == 2)), _two),
        (np.flatnonzero(tied & (count > 2)), _more),
    ):
        if len(rows):
            ties = _gather(rows, control, table)
            placed = solve(ties, control)
            _weak_angles(ties, placed.xy_m)
            yield rows, placed


def _gather(rows: Ints, control: PlacedControl, table: SpotTable) -> _Ties:
    spots = table.spots
    most = max(len(spots.ties[i]) for i in rows)
    point = np.zeros((len(rows), most), dtype=np.int64)
    reading = np.full((len(rows), most), np.nan)
    for i, row in enumerate(rows):
        ties = spots.ties[row]
        point[i, : len(ties)] = control.rows(name for name, _ in ties)
        reading[i, : len(ties)] = [length for _, length in ties]
    rise = spots.z_m[rows][:, None] - control.xyz_m[point, 2]
    there = np.isfinite(reading)
    length, sigma, by_level = (np.full(reading.shape, np.nan) for _ in range(3))
    row_of = np.broadcast_to(rows[:, None], reading.shape)[there]
    length[there], sigma[there], by_level[there] = table.reduce(
        row_of, reading[there], rise[there], control.sigma_v_m[point][there]
    )
    side = np.where(spots.side[rows] == "left", 1.0, np.where(spots.side[rows] == "right", -1, 0))
    return _Ties(table, rows, point, control.xyz_m[point, :2], length, sigma, by_level, side)


def _two(ties: _Ties, control: PlacedControl) -> PlanPositions:
    first, second = ties.xy_m[:, 0], ties.xy_m[:, 1]
    to_first, to_second = ties.length_m.T
    placed = taping.two_ties(first, second, to_first, to_second, ties.left >= 0)
    base = np.linalg.norm(second - first, axis=1)
    gap = taping.tie_gap(base, to_first, to_second)
    for i in where(base == 0.0):
        start, end = ties.points(i)
        ties.add(i, "baseline-unfit", "zero-ties", start=start, end=end)
    lost = ~complete(placed.xy_m) & complete(ties.length_m)
    for i in where(lost & (base > 0.0)):
        variant = "short" if gap[i] > 0 else "long" if gap[i] < 0 else "touch"
        values = {"points": ties.points(i), "apart_m": base[i], "gap_m": abs(gap[i])}
        ties.add(i, "tie-misfit", variant, **values)
    for i in where(ties.left == 0.0):
        ties.add(i, "tie-side/missing", points=ties.points(i))
    found = control.taped(placed, ties.point, ties.sigma_m, ties.by_level)
    return found._replace(xy_m=np.where((ties.left == 0.0)[:, None], np.nan, found.xy_m))


def _more(ties: _Ties, control: PlacedControl) -> PlanPositions:
    sigma = np.hypot(ties.sigma_m, control.own_sigma_m[ties.point])
    fit = taping.adjust_ties(ties.xy_m, ties.length_m, np.maximum(sigma, _LEAST_SIGMA_M), ties.left)
    xy = fit.xyz_m.copy()
    apart = np.linalg.norm(fit.mirror_m - xy, axis=1)
    twin = (fit.mirror_chi2 - fit.chi2 < taping.EQUALLY_GOOD_CHI2) & (apart > _MIRROR_M)
    side = taping.side_of(ties.xy_m[:, 0], ties.xy_m[:, 1], xy)
    # A tie steeper than it is long is NaN but has a σ; an absent one has none.
    steep = (np.isnan(ties.length_m) & np.isfinite(ties.sigma_m)).any(axis=1)
    for i in where(~steep & ~complete(fit.cov_m2)):
        ties.add(i, "tie-weak/undetermined", points=ties.points(i))
    for i in where(twin & (ties.left == 0.0)):
        ties.add(i, "tie-side/mirror", points=ties.points(i), apart_m=apart[i])
    for i in where(~twin & (ties.left * side < 0.0)):
        given = ties.table.spots.side[ties.rows[i]]
        ties.add(i, "tie-side/contradicted", side=given, chi2=fit.chi2[i])
    limit = chi2_distribution.ppf(0.95, np.maximum(fit.dof, 1))
    for i in where(~steep & (fit.chi2 > limit)):
        _misfit(ties, fit, float(limit[i]), i)
    xy[steep | (twin & (ties.left == 0.0))] = np.nan
    by_level = np.nansum(fit.by_measured * ties.by_level[:, None, :], axis=2)
    cov, by_shared = control.hung_on(ties.point, fit.by_control, fit.cov_m2)
    by_north = np.zeros((len(xy), 2))
    return PlanPositions(xy, cov, by_shared, by_level, fit.chi2, fit.dof, by_north)


def _misfit(ties: _Ties, fit: taping.TieAdjustment, limit: float, i: int) -> None:
    """Name the tie that fits worst, unless one spare tie cannot tell which it is."""
    w = np.abs(np.nan_to_num(fit.w[i], posinf=0.0, neginf=0.0))
    worst = int(np.argmax(w))
    alone = (w > 0.99 * w[worst]).sum() == 1
    ties.add(
        i,
        "tie-misfit",
        "worst" if alone else "untold",
        worst=ties.points(i)[worst],
        miss_m=abs(fit.residual_m[i, worst]),
        w=fit.w[i, worst],
        chi2=fit.chi2[i],
        limit=limit,
        spare=int(fit.dof[i]),
    )


def _weak_angles(ties: _Ties, xy: Floats) -> None:
    """Warn where no two ties cross at a good angle: across them the position is soft."""
    away = xy[:, None, :] - ties.xy_m
    length = np.linalg.norm(away, axis=2, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        unit = np.where(np.isfinite(ties.length_m)[..., None], away / length, np.nan)
    cross = np.abs(
        unit[:, :, None, 0] * unit[:, None, :, 1] - unit[:, :, None, 1] * unit[:, None, :, 0]
    )
    best = np.nan_to_num(cross, posinf=0.0).max(axis=(1, 2))
    for i in where(complete(xy) & (best < sin(_WEAK_ANGLE_RAD))):
        angle, least = degrees(np.arcsin(best[i])), degrees(_WEAK_ANGLE_RAD)
        ties.add(i, "tie-weak/angle", points=ties.points(i), angle_deg=angle, least_deg=least)
