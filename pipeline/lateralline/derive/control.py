"""The `control_points` layer: where the tapes of the survey, and those of the ties, start."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from lateralline import contract
from lateralline.derive.marks import points, source_rows
from lateralline.derive.tables import Values, product
from lateralline.derive.ties import ControlPoints
from lateralline.records import ControlRows, Product

_TIES = ("tie_a_point", "tie_b_point")


def control_points(
    site_id: str, datum: str, rows: ControlRows, control: ControlPoints, tied: Iterable[Product]
) -> Product:
    """Return the layer; `tied` are the layers whose ties start at these points.

    A point without a level is drawn at the mean of the others, at 0 when none has one.
    """
    n = len(rows.point)
    starts = {str(p) for layer in tied for name in _TIES for p in layer.columns[name] if p}
    known = np.isfinite(rows.z_m)
    mean_m = float(rows.z_m[known].mean()) if known.any() else 0.0
    xyz_m = np.column_stack([control.xyz_m[:, :2], np.where(known, rows.z_m, mean_m)])
    columns: dict[str, Values] = {
        "site_id": [site_id] * n,
        "point": rows.point,
        "x_given": rows.x,
        "y_given": rows.y,
        "level_m": rows.z_m,
        "level_datum": [datum] * n,
        "sigma_h_m": rows.sigma_h_m,
        "sigma_v_m": rows.sigma_v_m,
        "in_a_tie": [point in starts for point in rows.point.tolist()],
        "source_row": source_rows(rows.file, rows.row.tolist()),
        "caution": [contract.load("control_points").caution] * n,
    }
    return product("control_points", columns, points(xyz_m, np.ones(n, dtype=np.bool_)))
