"""The `field_marks` layer: every mark as placed, with what the solution says of it."""

from __future__ import annotations

import numpy as np
import shapely

from lateralline.derive.tables import Values, objects, product
from lateralline.records import Flags, Floats, MarkResults, Marks, Product


def field_marks(site_id: str, marks: Marks, results: MarkResults) -> Product:
    """Return the layer; a mark without position has no geometry."""
    n = len(marks.mark)
    sigma = np.sqrt(np.diagonal(marks.cov_m2, axis1=1, axis2=2))
    columns: dict[str, Values] = {
        "site_id": [site_id] * n,
        "mark_id": marks.mark,
        "run_id": marks.run,
        "stop_id": marks.stop,
        "kind": marks.kind,
        "method": marks.method,
        "placed": marks.placed,
        "level_known": marks.level_known,
        "sigma_e_m": sigma[:, 0],
        "sigma_n_m": sigma[:, 1],
        "cov_en_m2": marks.cov_m2[:, 0, 1],
        "sigma_u_m": sigma[:, 2],
        "used": results.used,
        "residual_m": results.residual_m,
        "residual_w": results.residual_w,
        "redundancy": results.redundancy,
        "smallest_blunder_m": finite(results.smallest_blunder_m),
        "tie_chi2": marks.misfit_chi2,
        "tie_dof": [
            int(dof) if known else None
            for dof, known in zip(marks.misfit_dof, np.isfinite(marks.misfit_chi2), strict=True)
        ],
        "note": marks.note,
        "source_row": source_rows(marks.file, marks.row.tolist()),
    }
    return product("field_marks", columns, points(marks.xyz_m, marks.placed))


def points(xyz_m: Floats, there: Flags) -> list[object]:
    """Return points (n,) with z, None where there is nothing to draw."""
    known = there & np.isfinite(xyz_m).all(axis=1)
    shapes = objects([None] * len(xyz_m))
    assert shapes is not None
    shapes[known] = shapely.points(xyz_m[known])
    return list(shapes)


def finite(values: Floats) -> Floats:
    """Return values with the infinite ones unknown: a mark no other controls hides any blunder."""
    return np.where(np.isfinite(values), values, np.nan)


def source_rows(file: str, rows: list[int]) -> list[object]:
    """Return file and line of rows, as an editor finds them."""
    return [f"{file}:{row}" for row in rows]
