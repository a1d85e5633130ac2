"""Control points, and the two tapes from them that find a spot again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import radians, sin
from typing import Final

import numpy as np

from lateralline.derive.tables import GEOMETRY, Columns, fields_of, points, source_rows
from lateralline.records import ControlRows, Floats, Product, Texts
from lateralline.settings import Accuracy

#: Tapes crossing flatter than this do not fix a spot: common practice, no source.
FLATTEST_CROSSING_RAD: Final = radians(20.0)


@dataclass(frozen=True, slots=True, eq=False)
class ControlPoints:
    """Control points in the site frame (k,)."""

    point: Texts
    xyz_m: Floats  # (k, 3)


def two_tapes(plan_m: Floats, control: ControlPoints, accuracy: Accuracy) -> Columns:
    """Return the tie columns of spots (n, 2 or more).

    The pair with the least σ of the crossing, √(σ_a² + σ_b²) / sin(angle between the tapes),
    is taken; no pair crossing at 20° or steeper gives no tie. Distances are horizontal.
    """
    n, row = len(plan_m), np.arange(len(plan_m))
    found, names = np.full((n, 4), np.nan), np.full((2, n), "")
    a, b = np.triu_indices(len(control.point), k=1)
    if len(a):
        to = control.xyz_m[None, :, :2] - plan_m[:, None, :2]  # (n, k, 2)
        distance = np.hypot(to[..., 0], to[..., 1])
        sigma = accuracy.tape_m + accuracy.tape_ratio * distance
        cross = to[:, a, 0] * to[:, b, 1] - to[:, a, 1] * to[:, b, 0]
        with np.errstate(invalid="ignore", divide="ignore"):
            sine = cross / (distance[:, a] * distance[:, b])
            spread = np.hypot(sigma[:, a], sigma[:, b]) / np.abs(sine)
        spread[~(np.abs(sine) >= sin(FLATTEST_CROSSING_RAD))] = np.inf  # NaN too
        best = spread.argmin(axis=1)
        first, second = a[best], b[best]
        found = np.column_stack(
            [distance[row, first], distance[row, second], sine[row, best], spread[row, best]]
        )
        fixed = np.isfinite(found[:, 3])
        found[~fixed] = np.nan
        names = np.where(fixed, control.point[np.stack([first, second])], "")
    # Turning from A's tape to B's is counter-clockwise when the spot is left of A → B.
    sides = np.select([found[:, 2] > 0, found[:, 2] < 0], ["left", "right"], "")
    return {
        "tie_a_point": names[0].tolist(),
        "tie_a_m": found[:, 0],
        "tie_b_point": names[1].tolist(),
        "tie_b_m": found[:, 1],
        "tie_side": sides.tolist(),
        "tie_sigma_m": found[:, 3],
    }


def control_points(rows: ControlRows, control: ControlPoints, tied: Iterable[Product]) -> Columns:
    """Return the layer `control_points`; `tied` are the layers whose ties start at these points.

    A point without a level is drawn at the mean of the others, at 0 when none has one.
    """
    known = np.isfinite(rows.z_m)
    mean_m = float(rows.z_m[known].mean()) if known.any() else 0.0
    starts = {p for made in tied for tape in "ab" for p in made.columns[f"tie_{tape}_point"]}
    return {
        **fields_of("control_points", rows),
        "x_given": rows.x,
        "y_given": rows.y,
        "point_level_m": rows.z_m,
        "position_sigma_m": rows.sigma_h_m,
        "level_sigma_m": rows.sigma_v_m,
        "in_a_tie": [point in starts for point in rows.point.tolist()],
        "source_row": source_rows(rows.file, rows.row.tolist()),
        GEOMETRY: points(
            np.column_stack([control.xyz_m[:, :2], np.where(known, rows.z_m, mean_m)])
        ),
    }
