"""Taped positions: offset from a baseline, ties, polar; each batched and with its Jacobians.

Plan coordinates are (n, 2) metres, east and north; bearings radians clockwise from grid north.
Row i of every array is spot i. A spot that cannot be placed is NaN, never an exception.

Two kinds of Jacobian go with each position, so that a caller can carry any covariance through:
`by_measured` (n, 2, k) for the k quantities read off tape or compass, and `by_control` (n, 2, 2c)
for east and north of the c control points, in the order of the arguments.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]

_STEPS: Final = 60
_CONVERGED_M: Final = 1e-10
#: Two solutions whose χ² differ by less are equally good: χ² 95 %, 1 degree of freedom.
EQUALLY_GOOD_CHI2: Final = 3.841


class Placement(NamedTuple):
    """Positions with their Jacobians; NaN throughout where a spot cannot be placed."""

    xy_m: Floats  # (n, 2)
    by_measured: Floats  # (n, 2, k)
    by_control: Floats  # (n, 2, 2c)


def offset(
    base_from_m: Floats, base_to_m: Floats, station_m: Floats, offset_m: Floats
) -> Placement:
    """Place spots by station along a baseline and offset, positive right looking to `base_to_m`.

    `by_measured` is ordered station, offset. NaN for a baseline of no length.

    >>> offset(np.zeros((1, 2)), np.array([[0.0, 5.0]]), np.array([2.0]), np.array([0.5])).xy_m
    array([[0.5, 2. ]])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        base = base_to_m - base_from_m
        length = np.linalg.norm(base, axis=-1)
        along = base / length[:, None]
        right = np.stack([along[:, 1], -along[:, 0]], axis=-1)
        xy = base_from_m + station_m[:, None] * along + offset_m[:, None] * right
        # Turning the baseline by dθ clockwise, dθ = right·d(base)/length, moves the spot by
        # dθ·(station·right − offset·along).
        swing = station_m[:, None] * right - offset_m[:, None] * along
        by_to = swing[:, :, None] * right[:, None, :] / length[:, None, None]
        by_from = np.eye(2) - by_to
    return Placement(
        xy, np.stack([along, right], axis=-1), np.concatenate([by_from, by_to], axis=-1)
    )


def polar(station_xy_m: Floats, distance_m: Floats, bearing_rad: Floats) -> Placement:
    """Place spots by distance and bearing from one control point.

    `by_measured` is ordered distance, bearing.
    """
    sine, cosine = np.sin(bearing_rad), np.cos(bearing_rad)
    out = np.stack([sine, cosine], axis=-1)
    across = np.stack([cosine, -sine], axis=-1)
    return Placement(
        station_xy_m + distance_m[:, None] * out,
        np.stack([out, distance_m[:, None] * across], axis=-1),
        np.broadcast_to(np.eye(2), (len(out), 2, 2)).copy(),
    )


def two_ties(
    first_m: Floats, second_m: Floats, to_first_m: Floats, to_second_m: Floats, left: Flags
) -> Placement:
    """Place spots by taped distances from two points, left or right of first → second.

    `by_measured` is ordered to_first, to_second. NaN where the two arcs do not meet (`tie_gap`
    says by how much) or merely touch, since there the position has no finite error.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        base = second_m - first_m
        length = np.linalg.norm(base, axis=-1)
        along = base / length[:, None]
        to_left = np.stack([-along[:, 1], along[:, 0]], axis=-1)
        foot = (to_first_m**2 - to_second_m**2 + length**2) / (2.0 * length)
        height_squared = to_first_m**2 - foot**2
        height = np.where(height_squared > 0.0, np.sqrt(height_squared), np.nan)
        height = np.where(left, height, -height)
        xy = first_m + foot[:, None] * along + height[:, None] * to_left
        # |P − C| = d differentiates to n·dP = dd + n·dC, n the unit vector from control to spot.
        points = np.stack([first_m, second_m], axis=1)
        n = (xy[:, None, :] - points) / np.stack([to_first_m, to_second_m], axis=-1)[..., None]
        cross = n[:, 0, 0] * n[:, 1, 1] - n[:, 0, 1] * n[:, 1, 0]
        inverse = np.stack([n[:, 1, 1], -n[:, 0, 1], -n[:, 1, 0], n[:, 0, 0]], axis=-1)
        by_measured = inverse.reshape(-1, 2, 2) / cross[:, None, None]
        by_control = (by_measured[..., None] * n[:, None, :, :]).reshape(-1, 2, 4)
    return Placement(xy, by_measured, by_control)


def tie_gap(length_m: Floats, to_first_m: Floats, to_second_m: Floats) -> Floats:
    """Return (n,) by how much two ties fail to meet; 0 where they do.

    Positive: together they are too short for the distance between the points. Negative: one is too
    long for the other.

    >>> tie_gap(np.array([5.0, 5.0, 5.0]), np.array([2.0, 9.0, 3.0]), np.array([2.5, 3.0, 4.0]))
    array([ 0.5, -1. ,  0. ])
    """
    short = length_m - (to_first_m + to_second_m)
    long = np.abs(to_first_m - to_second_m) - length_m
    return np.where(short > 0.0, short, np.where(long > 0.0, -long, 0.0))


def side_of(first_m: Floats, second_m: Floats, spot_m: Floats) -> Floats:
    """Return (n,) +1 where a spot lies left of first → second, −1 right, 0 on the line.

    >>> side_of(np.zeros((1, 2)), np.array([[0.0, 5.0]]), np.array([[-1.0, 2.0]]))
    array([1.])
    """
    base, spot = second_m - first_m, spot_m - first_m
    return np.sign(base[:, 0] * spot[:, 1] - base[:, 1] * spot[:, 0])


@dataclass(frozen=True, slots=True)
class TieAdjustment:
    """Least-squares positions from three or more ties (n spots, m ties, d = 2 or 3 dimensions).

    Covariance is a priori: it is never rescaled by the misfit, which stands beside it.
    """

    xyz_m: Floats  # (n, d); NaN when not converged or not determined
    cov_m2: Floats  # (n, d, d)
    by_measured: Floats  # (n, d, m)
    by_control: Floats  # (n, d, m·d)
    residual_m: Floats  # (n, m) adjusted − taped; NaN for absent ties
    redundancy: Floats  # (n, m) redundancy numbers, 0…1; they sum to dof
    w: Floats  # (n, m) standardised residuals, N(0, 1) when all is well
    chi2: Floats  # (n,) Σ(v/σ)²
    dof: Ints  # (n,) ties − dimensions
    mirror_m: Floats  # (n, d) best solution on the other side of the control's plane; NaN if none
    mirror_chi2: Floats  # (n,) its χ²; near `chi2` = the ties cannot tell the two apart


def adjust_ties(
    control_m: Floats, distance_m: Floats, sigma_m: Floats, left: Floats | None = None
) -> TieAdjustment:
    """Adjust spots from m taped distances each: control (n, m, d), distances and σ (n, m).

    NaN distances are absent ties; σ holds the tape's error and the control's along the tie. Both
    sides of the control are tried and the better fit is kept. Where they fit equally well (control
    in a straight line) `left` (n,) decides, 2-D only: +1 left of first → second tie, −1 right,
    0 or None unknown. The functional model is the distance itself, |P − C|, as in Krumm,
    *Geodetic Network Adjustment Examples* (2020), trilateration.

    All is reckoned from each spot's first control point: on axes that count in millions of metres
    a coordinate is rounded to 1e-9 m, more than a step that has converged.
    """
    present = np.isfinite(distance_m)
    weight = np.where(present, 1.0 / sigma_m**2, 0.0)
    taped = np.where(present, distance_m, 0.0)
    origin = control_m[:, 0]
    points = np.where(present[..., None], control_m - origin[:, None, :], 0.0)
    starts = _starts(points, taped, present)  # (2, n, d)
    ends = np.stack([_descend(points, taped, weight, s) for s in starts])
    chi2 = np.stack([_chi2(points, taped, weight, p) for p in ends])
    chi2 = np.where(np.isfinite(chi2), chi2, np.inf)
    second = chi2[1] < chi2[0]
    if left is not None:
        sides = np.stack([side_of(points[:, 0], points[:, 1], p) for p in ends]) * left
        alike = chi2.max(axis=0) < chi2.min(axis=0) + EQUALLY_GOOD_CHI2
        second = np.where(alike & (sides[0] * sides[1] < 0.0), sides[1] > 0.0, second)
    row = np.arange(len(taped))
    kept, other = second.astype(np.int64), 1 - second.astype(np.int64)
    found = _account(
        points, taped, weight, present, ends[kept, row], ends[other, row], chi2[other, row]
    )
    return replace(found, xyz_m=found.xyz_m + origin, mirror_m=found.mirror_m + origin)


def _account(
    points: Floats,
    taped: Floats,
    weight: Floats,
    present: Flags,
    at: Floats,
    mirror: Floats,
    mirror_chi2: Floats,
) -> TieAdjustment:
    """Return everything an adjustment says at its solution `at`."""
    n, m, d = points.shape
    distance, unit = _distances(points, at)
    unit = np.where(present[..., None], unit, 0.0)
    cov = _inverse(np.einsum("nmi,nm,nmj->nij", unit, weight, unit))
    by_measured = np.einsum("nij,nmj,nm->nim", cov, unit, weight)
    by_control = (by_measured[..., None] * unit[:, None, :, :]).reshape(n, d, m * d)
    residual = np.where(present, distance - taped, np.nan)
    redundancy = np.where(present, 1.0 - np.einsum("nmi,nim->nm", unit, by_measured), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        # A tie nothing else controls (redundancy 0) cannot be tested: its w is NaN, not infinite.
        controlled = redundancy > 1e-9
        w = np.where(
            controlled, residual * np.sqrt(weight / np.where(controlled, redundancy, 1)), np.nan
        )
    apart = np.linalg.norm(mirror - at, axis=-1) > 1e-4
    return TieAdjustment(
        xyz_m=at,
        cov_m2=cov,
        by_measured=by_measured,
        by_control=by_control,
        residual_m=residual,
        redundancy=redundancy,
        w=w,
        chi2=_chi2(points, taped, weight, at),
        dof=present.sum(axis=1).astype(np.int64) - d,
        mirror_m=np.where(apart[:, None], mirror, np.nan),
        mirror_chi2=np.where(apart, mirror_chi2, np.inf),
    )


def _starts(points: Floats, taped: Floats, present: Flags) -> Floats:
    """Return (2, n, d) starting positions, one each side of the control's own line or plane.

    About the control's centroid, dᵢ² − mean(d²) = −2 q·cᵢ + cᵢ² − mean(c²) is linear in the
    position q, and |q|² = mean(d²) − mean(c²). The first gives q along the control's principal
    axes but the weakest; the second what is left for that one, up to its sign. So control in a
    straight line, along a house wall, needs no special case.
    """
    count = np.maximum(present.sum(axis=1)[:, None], 1)
    centroid = points.sum(axis=1) / count
    c = np.where(present[..., None], points - centroid[:, None, :], 0.0)
    spread, axes = np.linalg.eigh(np.einsum("nmi,nmj->nij", c, c))  # ascending
    c_squared = np.square(c).sum(axis=-1)
    d_squared = np.square(taped)
    q_squared = (d_squared.sum(axis=1) - c_squared.sum(axis=1)) / count[:, 0]
    q = np.einsum("nmi,nm->ni", c, c_squared - d_squared) / 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.einsum("nij,ni->nj", axes, q)[:, 1:] / spread[:, 1:]
    across = np.sqrt(np.maximum(q_squared - np.square(along).sum(axis=1), 0.0))
    # Off the line by a hand's breadth at least: on it the two sides are one saddle.
    across = np.maximum(across, 0.02 * np.sqrt(np.maximum(q_squared, 0.0)) + 1e-3)
    flat = np.einsum("nij,nj->ni", axes[:, :, 1:], along)
    normal = axes[:, :, 0] * across[:, None]
    both: Floats = centroid + np.stack([flat + normal, flat - normal])
    return both


def _descend(points: Floats, taped: Floats, weight: Floats, start: Floats) -> Floats:
    """Return (n, d) positions of least χ² from `start`, by damped Gauss–Newton; NaN = no end."""
    at, best = start.copy(), _chi2(points, taped, weight, start)
    damping = np.full(len(at), 1e-3)
    found = np.zeros(len(at), dtype=bool)
    eye = np.eye(points.shape[-1])
    for _ in range(_STEPS):
        on = np.flatnonzero(~found)  # spots still on their way
        if not len(on):
            break
        c, t, w, p = points[on], taped[on], weight[on], at[on]
        distance, unit = _distances(c, p)
        normal = np.einsum("nmi,nm,nmj->nij", unit, w, unit)
        gradient = np.einsum("nmi,nm,nm->ni", unit, w, t - distance)
        lift = damping[on] * np.trace(normal, axis1=1, axis2=2)
        step = np.einsum("nij,nj->ni", _inverse(normal + lift[:, None, None] * eye), gradient)
        chi2 = _chi2(c, t, w, p + step)
        # At the bottom χ² is all rounding; there a full step counts as good.
        better = chi2 <= best[on] * (1.0 + 1e-9) + 1e-12
        at[on] = np.where(better[:, None], p + step, p)
        best[on] = np.where(better, chi2, best[on])
        damping[on] *= np.where(better, 0.1, 10.0)
        found[on] = better & (np.linalg.norm(step, axis=-1) < _CONVERGED_M)
    return np.where(found[:, None], at, np.nan)


def _distances(points: Floats, at: Floats) -> tuple[Floats, Floats]:
    """Return (n, m) distances from control to spot and (n, m, d) unit vectors that way."""
    away = at[:, None, :] - points
    distance = np.linalg.norm(away, axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return distance, away / distance[..., None]


def _chi2(points: Floats, taped: Floats, weight: Floats, at: Floats) -> Floats:
    away = np.linalg.norm(at[:, None, :] - points, axis=-1)
    chi2: Floats = np.einsum("nm,nm->n", weight, np.square(away - taped))
    return chi2


def _inverse(matrices: Floats) -> Floats:
    """Return inverses of symmetric (n, d, d); NaN where one is singular or not finite."""
    finite = np.asarray(np.isfinite(matrices).all(axis=(1, 2)))
    eye = np.eye(matrices.shape[-1])
    safe = np.where(finite[:, None, None], matrices, eye)
    spread = np.linalg.eigvalsh(safe)
    good = finite & np.asarray(spread[:, 0] > 1e-13 * spread[:, -1])
    inverse = np.linalg.inv(np.where(good[:, None, None], safe, eye))
    return np.where(good[:, None, None], inverse, np.nan)
