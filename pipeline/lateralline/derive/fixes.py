"""The `transmitter_fixes` layer: each stop's own solution, and how the line moved it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lateralline import contract
from lateralline.derive.axis import Axis
from lateralline.derive.ellipses import plan_columns
from lateralline.derive.marks import points, source_rows
from lateralline.derive.tables import Values, product
from lateralline.records import Fixes, Product, StopRows
from lateralline.settings import Settings


def transmitter_fixes(
    settings: Settings, datum: str, stops: StopRows, fixes: Fixes, axes: Sequence[Axis]
) -> Product:
    """Return the layer, solved or not; `fixes` are turned to the camera's way by `link`.

    The geometry and its covariance are the stop's own, so they can be held against the line.
    """
    n = len(fixes.stop)
    chainage, shift = np.full(n, np.nan), np.full(n, np.nan)
    for axis in axes:
        at = axis.line.fix >= 0
        chainage[axis.line.fix[at]] = axis.chainage_m[at]
        shift[axis.line.fix[at]] = axis.line.shift_m[at]
    lines = {run.id: run.line for run in settings.runs}
    notes = dict(zip(stops.row.tolist(), stops.note.tolist(), strict=True))
    sigma = np.sqrt(np.diagonal(fixes.cov, axis1=1, axis2=2))
    rows: list[int] = fixes.row.tolist()
    columns: dict[str, Values] = {
        "site_id": [settings.id] * n,
        "line_id": [lines.get(run) for run in fixes.run.tolist()],
        "run_id": fixes.run,
        "stop_id": fixes.stop,
        "counter_m": fixes.counter_m,
        "chainage_m": chainage,
        "level_m": fixes.xyz_m[:, 2],
        "level_datum": [datum] * n,
        "ground_level_m": fixes.ground_m,
        "depth_m": fixes.depth_m,
        "depth_sigma_m": fixes.depth_sigma_m,
        "heading_deg": np.mod(np.degrees(fixes.heading_rad), 360.0),
        "heading_sigma_deg": np.degrees(sigma[:, 3]),
        "tilt_deg": np.degrees(fixes.tilt_rad),
        "tilt_sigma_deg": np.degrees(sigma[:, 4]),
        **plan_columns(fixes.cov[:, :3, :3]),
        "chi2": fixes.chi2,
        "dof": fixes.dof.tolist(),
        "marks_used": fixes.marks_used.tolist(),
        "shift_m": shift,
        "status": fixes.status,
        "reason": fixes.reason,
        "note": [notes.get(row) for row in rows],
        "source_row": source_rows(stops.file, rows),
        "caution": [contract.load("transmitter_fixes").caution] * n,
    }
    there = np.isfinite(fixes.xyz_m[:, 0])  # an ambiguous stop is drawn at its better candidate
    return product("transmitter_fixes", columns, points(fixes.xyz_m, there))
