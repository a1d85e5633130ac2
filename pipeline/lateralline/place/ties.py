"""Spots tied by taped distances: two and a side, or three and more adjusted."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, radians, sin
from typing import Final, NamedTuple

import numpy as np
from scipy.stats import chi2 as chi2_distribution

from lateralline.findings import Given
from lateralline.kernels import taping
from lateralline.place.control import PlacedControl, PlanPositions
from lateralline.place.tape import SpotTable, complete, where
from lateralline.records import Floats, Ints

_WEAK_ANGLE_RAD: Final = radians(20.0)
_MIRROR_M: Final = 0.05  # closer than this the two solutions are one, with a wide error
_LEAST_SIGMA_M: Final = 1e-4  # no tape is better, whatever site.toml says


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


def place_ties(control: PlacedControl, table: SpotTable) -> Iterator[tuple[Ints, PlanPositions]]:
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
