"""Which points tie a spot best: two tapes that cross well, and a third that checks them.

Plan coordinates are (n, 2) metres, east and north, at ground scale. Everything is batched over the
spots; a spot that cannot be tied has −1 for its points and NaN for its numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sin
from typing import Final

import numpy as np

from lateralline.kernels.taping import Flags, Floats, Ints

#: Points looked at for each spot, the nearest: pairs grow with their square.
_NEAREST: Final = 24


@dataclass(frozen=True, slots=True, eq=False)
class Tying:
    """The points chosen for n spots: two tapes and a check, in this order."""

    point: Ints  # (n, 3) rows of the points; −1 where there is none
    distance_m: Floats  # (n, 3) horizontal
    cut_rad: Floats  # (n,) between the two tapes, 0…π/2 the best
    left: Ints  # (n,) +1 where the spot is left of first → second, −1 right, 0 untied
    tape_cov_m2: Floats  # (n, 2, 2) of the crossing, by the tapes alone
    point_cov_m2: Floats  # (n, 2, 2) by the points' own errors alone
    check_sigma_m: Floats  # (n,) of what the third tape reads less what it should
    within: Ints  # (n,) points within the longest tape
    best_cut_rad: Floats  # (n,) steepest crossing any two of them offer; NaN with fewer than two


def choose(
    spot_m: Floats,
    point_m: Floats,
    point_sigma_m: Floats,
    *,
    tape_m: float,
    tape_ratio: float,
    longest_m: float,
    flattest_rad: float,
) -> Tying:
    """Return the ties of spots (n, 2) to points (k, 2) of σ (k,) on each axis.

    A tape has σ `tape_m` + `tape_ratio` × length. The pair with the least σ of the crossing,
    √(σ_a² + σ_b²) / sin(cut), is taken among those that no tape longer than `longest_m` reaches
    and that cross no flatter than `flattest_rad`. The third is the point that would make an
    adjustment of all three best, by the determinant of its covariance.

    >>> found = choose(np.array([[1.8, 2.4]]), np.array([[0.0, 0.0], [5.0, 0.0]]), np.zeros(2),
    ...                tape_m=0.01, tape_ratio=0.0, longest_m=30.0, flattest_rad=0.3)
    >>> found.distance_m.round(6).tolist(), found.cut_rad.round(6).tolist(), found.left.tolist()
    ([[3.0, 4.0, nan]], [1.570796], [1])
    """
    n, k = len(spot_m), min(len(point_m), _NEAREST)
    row = np.arange(n)
    if k == 0:
        return _untied(n)
    away = np.linalg.norm(spot_m[:, None, :] - point_m, axis=-1)
    near = np.argsort(away, axis=1, kind="stable")[:, :k]  # (n, k) rows of the points
    distance = np.take_along_axis(away, near, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        unit = (spot_m[:, None, :] - point_m[near]) / distance[..., None]  # (n, k, 2)
    reached = (distance <= longest_m) & (distance > 0.0)
    tape = tape_m + tape_ratio * distance
    weight = 1.0 / np.maximum(tape**2 + point_sigma_m[near] ** 2, 1e-12)

    a, b = np.triu_indices(k, k=1)
    cross = unit[:, a, 0] * unit[:, b, 1] - unit[:, a, 1] * unit[:, b, 0]
    both = reached[:, a] & reached[:, b]
    sine = np.where(both, np.abs(cross), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(1.0 / weight[:, a] + 1.0 / weight[:, b]) / sine
    spread = np.where(sine >= sin(flattest_rad), spread, np.inf)
    if not len(a):
        return _untied(n, reached.sum(axis=1))
    best = spread.argmin(axis=1)
    tied = np.isfinite(spread[row, best])
    pair = np.stack([a[best], b[best]], axis=1)

    third = _third(unit, weight, reached, pair)
    chosen = np.column_stack([pair, third])
    known = np.column_stack([tied, tied, tied & (third >= 0)])
    chosen = np.where(known, chosen, 0)
    taped = np.where(known, np.take_along_axis(distance, chosen, axis=1), np.nan)
    inverse = np.full((n, 2, 2), np.nan)
    inverse[tied] = np.linalg.inv(unit[row[:, None], pair][tied])
    of_tape = np.take_along_axis(tape, pair, axis=1)
    of_point = point_sigma_m[np.take_along_axis(near, pair, axis=1)]
    by_tape, by_point = (_carried(inverse, s) for s in (of_tape, of_point))
    along = unit[row, chosen[:, 2]]
    check = np.einsum("ni,nij,nj->n", along, by_tape + by_point, along) + 1 / weight[row, third]
    return Tying(
        point=np.where(known, np.take_along_axis(near, chosen, axis=1), -1),
        distance_m=taped,
        cut_rad=np.where(tied, np.arcsin(np.minimum(sine[row, best], 1.0)), np.nan),
        # From A's ray to B's one turns counter-clockwise when the spot is left of A → B.
        left=np.where(tied, np.sign(cross[row, best]), 0).astype(np.int64),
        tape_cov_m2=by_tape,
        point_cov_m2=by_point,
        check_sigma_m=np.where(known[:, 2], np.sqrt(check), np.nan),
        within=reached.sum(axis=1),
        best_cut_rad=np.where(
            both.any(axis=1), np.arcsin(np.minimum(sine.max(axis=1), 1.0)), np.nan
        ),
    )


def _carried(inverse: Floats, sigma: Floats) -> Floats:
    """Return what independent σ (n, 2) of the two distances do to the crossing (n, 2, 2)."""
    spread = inverse * sigma[:, None, :]
    return np.asarray(spread @ spread.transpose(0, 2, 1))


def _third(unit: Floats, weight: Floats, reached: Flags, pair: Ints) -> Ints:
    """Return the point (n,) that best joins the pair in an adjustment; −1 where none is reached."""
    row = np.arange(len(pair))[:, None]
    outer = unit[..., :, None] * unit[..., None, :] * weight[..., None, None]
    normal = outer[row, pair].sum(axis=1)[:, None] + outer  # (n, k, 2, 2)
    gain = normal[..., 0, 0] * normal[..., 1, 1] - normal[..., 0, 1] ** 2
    gain = np.where(reached & np.isfinite(gain), gain, -np.inf)
    np.put_along_axis(gain, pair, -np.inf, axis=1)
    third = gain.argmax(axis=1)
    return np.where(np.isfinite(gain[row[:, 0], third]), third, -1)


def _untied(n: int, within: Ints | None = None) -> Tying:
    nothing = np.full(n, np.nan)
    cov = np.full((n, 2, 2), np.nan)
    return Tying(
        point=np.full((n, 3), -1),
        distance_m=np.full((n, 3), np.nan),
        cut_rad=nothing,
        left=np.zeros(n, dtype=np.int64),
        tape_cov_m2=cov,
        point_cov_m2=cov,
        check_sigma_m=nothing,
        within=np.zeros(n, dtype=np.int64) if within is None else within,
        best_cut_rad=nothing,
    )
