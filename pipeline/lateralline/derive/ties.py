"""Two tapes that find a spot again: the pair of control points that sets it out best."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sin
from typing import Final

import numpy as np

from lateralline.derive.tables import Values
from lateralline.records import Floats, Texts
from lateralline.settings import Accuracy

#: Tapes crossing flatter than this do not fix a spot: common practice, no source.
FLATTEST_CROSSING_RAD: Final = radians(20.0)


@dataclass(frozen=True, slots=True, eq=False)
class ControlPoints:
    """Control points in the site frame (k,)."""

    point: Texts
    xyz_m: Floats  # (k, 3)


def two_tapes(plan_m: Floats, control: ControlPoints, accuracy: Accuracy) -> dict[str, Values]:
    """Return the tie columns of spots (n, 2 or more).

    The pair with the least σ of the crossing, √(σ_a² + σ_b²) / sin(angle between the tapes),
    is taken; no pair crossing at 20° or steeper gives no tie. Distances are horizontal.
    """
    n, row = len(plan_m), np.arange(len(plan_m))
    a, b = np.triu_indices(len(control.point), k=1)
    if not len(a):
        return _columns([""] * n, [""] * n, np.full((n, 4), np.nan))
    to = control.xyz_m[None, :, :2] - plan_m[:, None, :2]  # (n, k, 2)
    distance = np.hypot(to[..., 0], to[..., 1])
    sigma = accuracy.tape_m + accuracy.tape_ratio * distance
    cross = to[:, a, 0] * to[:, b, 1] - to[:, a, 1] * to[:, b, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        sine = cross / (distance[:, a] * distance[:, b])
        spread = np.hypot(sigma[:, a], sigma[:, b]) / np.abs(sine)
    spread[~(np.abs(sine) >= sin(FLATTEST_CROSSING_RAD))] = np.inf  # NaN too
    best = spread.argmin(axis=1)
    found = np.column_stack(
        [distance[row, a[best]], distance[row, b[best]], sine[row, best], spread[row, best]]
    )
    fixed = np.isfinite(found[:, 3])
    found[~fixed] = np.nan
    first, second = (np.where(fixed, control.point[pair[best]], "").tolist() for pair in (a, b))
    return _columns(first, second, found)


def _columns(first: list[object], second: list[object], found: Floats) -> dict[str, Values]:
    # Turning from A's tape to B's is counter-clockwise when the spot is left of A → B.
    sides = np.select([found[:, 2] > 0, found[:, 2] < 0], ["left", "right"], "")
    return {
        "tie_a_point": first,
        "tie_a_m": found[:, 0],
        "tie_b_point": second,
        "tie_b_m": found[:, 1],
        "tie_side": sides.tolist(),
        "tie_sigma_m": found[:, 3],
    }
