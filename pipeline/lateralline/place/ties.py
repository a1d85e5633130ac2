"""Spots tied by taped distances: two and a side, or three and more adjusted."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, radians, sin
from typing import Final, NamedTuple

import numpy as np
from scipy.stats import chi2 as chi2_distribution

from lateralline.kernels import taping
from lateralline.place.control import PlacedControl
from lateralline.place.notes import PlacingNotes, complete, where
from lateralline.place.tape import TapeReadings
from lateralline.records import Floats, Ints

_WEAK_ANGLE_RAD: Final = radians(20.0)
_MIRROR_M: Final = 0.05  # closer than this the two solutions are one, with a wide error
_LEAST_SIGMA_M: Final = 1e-4  # no tape is better, whatever site.toml says


class Tied(NamedTuple):
    """Positions of the spots at `rows`."""

    rows: Ints
    xy_m: Floats
    cov_m2: Floats
    by_control: Floats  # (n, 2, 2c) of one σ of each shared point's east and north
    by_level: Floats
    chi2: Floats
    dof: Ints


class _Ties(NamedTuple):
    """Ties of n spots, m to each at most; NaN and point 0 where there are fewer."""

    rows: Ints
    point: Ints  # (n, m)
    xy_m: Floats  # (n, m, 2)
    length_m: Floats  # (n, m) horizontal
    sigma_m: Floats  # (n, m) tape alone
    by_level: Floats  # (n, m)
    left: Floats  # (n,) +1 left of first → second, −1 right, 0 not said


def place_ties(control: PlacedControl, tape: TapeReadings, notes: PlacingNotes) -> Iterator[Tied]:
    """Yield the tied spots: first those with two ties, then those with more."""
    spots = notes.spots
    tied = spots.method == "ties"
    count = np.array([len(t) for t in spots.ties], dtype=np.int64)
    for i in where(tied & (count < 2)):
        notes.add(i, "tie-too-few", ties=int(count[i]))
    for rows, solve in (
        (np.flatnonzero(tied & (count == 2)), _two),
        (np.flatnonzero(tied & (count > 2)), _more),
    ):
        if len(rows):
            yield solve(_gather(rows, control, tape, notes), control, notes)


def _gather(rows: Ints, control: PlacedControl, tape: TapeReadings, notes: PlacingNotes) -> _Ties:
    spots = notes.spots
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
    length[there], sigma[there], by_level[there] = tape.reduce(
        row_of, reading[there], rise[there], control.sigma_v_m[point][there]
    )
    side = np.where(spots.side[rows] == "left", 1.0, np.where(spots.side[rows] == "right", -1, 0))
    return _Ties(rows, point, control.xyz_m[point, :2], length, sigma, by_level, side)


def _two(ties: _Ties, control: PlacedControl, notes: PlacingNotes) -> Tied:
    first, second = ties.xy_m[:, 0], ties.xy_m[:, 1]
    placed = taping.two_ties(
        first, second, ties.length_m[:, 0], ties.length_m[:, 1], ties.left >= 0
    )
    # An error of control along the tie does what the same error of the tape does.
    sigma = np.hypot(ties.sigma_m, control.sigma_h_m[ties.point])
    spread = placed.by_measured * sigma[:, None, :]
    xy = placed.xy_m
    base = np.linalg.norm(second - first, axis=1)
    gap = taping.tie_gap(base, ties.length_m[:, 0], ties.length_m[:, 1])
    for i in where(base == 0.0):
        start, end = _points(ties, notes, i)
        notes.add(int(ties.rows[i]), "baseline-zero", "ties", start=start, end=end)
    lost = ~complete(xy) & complete(ties.length_m)
    for i in where(lost & (base > 0.0)):
        notes.add(
            int(ties.rows[i]),
            "tie-triangle",
            "short" if gap[i] > 0 else "long" if gap[i] < 0 else "touch",
            points=_points(ties, notes, i),
            apart_m=base[i],
            gap_m=abs(gap[i]),
        )
    for i in where(ties.left == 0.0):
        notes.add(int(ties.rows[i]), "tie-side-missing", points=_points(ties, notes, i))
    xy = np.where((ties.left == 0.0)[:, None], np.nan, xy)
    _weak_angles(ties, xy, notes)
    by_level = np.einsum("nim,nm->ni", placed.by_measured, ties.by_level)
    return Tied(
        ties.rows,
        xy,
        spread @ spread.transpose(0, 2, 1),
        control.in_plan(ties.point[:, :2], placed.by_control),
        by_level,
        np.full(len(xy), np.nan),
        np.zeros(len(xy), dtype=np.int64),
    )


def _more(ties: _Ties, control: PlacedControl, notes: PlacingNotes) -> Tied:
    sigma = np.hypot(ties.sigma_m, control.sigma_h_m[ties.point])
    fit = taping.adjust_ties(ties.xy_m, ties.length_m, np.maximum(sigma, _LEAST_SIGMA_M), ties.left)
    xy = fit.xyz_m.copy()
    apart = np.linalg.norm(fit.mirror_m - xy, axis=1)
    twin = (fit.mirror_chi2 - fit.chi2 < taping.EQUALLY_GOOD_CHI2) & (apart > _MIRROR_M)
    side = taping.side_of(ties.xy_m[:, 0], ties.xy_m[:, 1], xy)
    # A tie steeper than it is long is NaN but has a σ; an absent one has none.
    steep = (np.isnan(ties.length_m) & np.isfinite(ties.sigma_m)).any(axis=1)
    for i in where(~steep & ~complete(fit.cov_m2)):
        notes.add(int(ties.rows[i]), "tie-undetermined", points=_points(ties, notes, i))
    for i in where(twin & (ties.left == 0.0)):
        points = _points(ties, notes, i)
        notes.add(int(ties.rows[i]), "tie-mirror", points=points, apart_m=apart[i])
    for i in where(~twin & (ties.left * side < 0.0)):
        row = int(ties.rows[i])
        notes.add(row, "tie-side-contradicted", side=notes.spots.side[row], chi2=fit.chi2[i])
    limit = chi2_distribution.ppf(0.95, np.maximum(fit.dof, 1))
    for i in where(~steep & (fit.chi2 > limit)):
        _misfit(ties, fit, float(limit[i]), i, notes)
    xy[steep | (twin & (ties.left == 0.0))] = np.nan
    _weak_angles(ties, xy, notes)
    by_level = np.nansum(fit.by_measured * ties.by_level[:, None, :], axis=2)
    by_control = control.in_plan(ties.point, fit.by_control)
    return Tied(ties.rows, xy, fit.cov_m2, by_control, by_level, fit.chi2, fit.dof)


def _misfit(
    ties: _Ties, fit: taping.TieAdjustment, limit: float, i: int, notes: PlacingNotes
) -> None:
    """Name the tie that fits worst, unless one spare tie leaves no telling which it is."""
    w = np.abs(np.where(np.isfinite(fit.w[i]), fit.w[i], 0.0))
    worst = int(np.argmax(w))
    name, _ = notes.spots.ties[ties.rows[i]][worst]
    alone = (w > 0.99 * w[worst]).sum() == 1
    notes.add(
        int(ties.rows[i]),
        "tie-misfit",
        "" if alone else "untold",
        worst=name,
        miss_m=abs(fit.residual_m[i, worst]),
        w=fit.w[i, worst],
        chi2=fit.chi2[i],
        limit=limit,
        spare=int(fit.dof[i]),
    )


def _weak_angles(ties: _Ties, xy: Floats, notes: PlacingNotes) -> None:
    """Warn where no two ties cross at a good angle: across them the position is soft."""
    away = xy[:, None, :] - ties.xy_m
    length = np.linalg.norm(away, axis=2, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        unit = np.where(np.isfinite(ties.length_m)[..., None], away / length, np.nan)
    cross = np.abs(
        unit[:, :, None, 0] * unit[:, None, :, 1] - unit[:, :, None, 1] * unit[:, None, :, 0]
    )
    best = np.where(np.isfinite(cross), cross, 0.0).max(axis=(1, 2))
    for i in where(complete(xy) & (best < sin(_WEAK_ANGLE_RAD))):
        notes.add(
            int(ties.rows[i]),
            "tie-weak-angle",
            points=_points(ties, notes, i),
            angle_deg=degrees(np.arcsin(best[i])),
            least_deg=degrees(_WEAK_ANGLE_RAD),
        )


def _points(ties: _Ties, notes: PlacingNotes, i: int) -> tuple[str, ...]:
    return tuple(name for name, _ in notes.spots.ties[ties.rows[i]])
