"""Finished layers adapted to what is known of levels, and of the way to another CRS.

A record without a single level: depths and plan stand; levels and grades must not seem to.

A CRS that is reached by an operation good to so much only: what a shift of datum is off by moves
all of a site together, so no distance within it is wrong, but every position is. Standard
deviations and ellipses take that in as one more independent error of the same size on both axes;
polygons that could guide digging are widened by its 95 %, which is a little more than the two
together need. Accuracy bands are judged anew with the shift, and the width stated of a zone has it
on both sides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import isnan, nan
from typing import Final

import numpy as np

from lateralline.derive.dig import around
from lateralline.derive.quality import band_columns
from lateralline.derive.tables import objects
from lateralline.frames import Operation
from lateralline.published import grades
from lateralline.records import Floats, Product

#: Columns that are levels, or rest on the levels of two places.
LEVELS: Final = (
    "transmitter_level_m",
    "point_level_m",
    "ground_level_m",
    "invert_level_m",
    "invert_sigma_m",
    "invert_down_level_m",
    "invert_down_sigma_m",
    "invert_up_level_m",
    "invert_up_sigma_m",
    "inside_top_level_m",
    "outside_top_level_m",
    *(
        f"{what}_{end}_95_m"
        for what in ("invert", "inside_top", "outside_top")
        for end in ("lower", "upper")
    ),
    "gradient",
    "gradient_sigma",
    "low_point_chainage_m",
    "low_point_depth_m",
    "low_point_depth_sigma_m",
    "low_point_shown_80_m",
    "back_fall_shown_80_m",
)
#: Values of columns that compare levels with one another, when there is nothing to compare.
NOT_SHOWN: Final[dict[str, object]] = {"fall": "not_shown", "low_points": 0} | {
    f"{grade.code.lower()}_gradient": None for grade in grades()
}
#: Column that gives how far a polygon was widened.
WIDENED: Final = "crs_shift_95_m"
#: Layers whose polygons are widened; left out where nobody knows by how much.
ZONES: Final = ("position_corridor", "tolerance_zone")
#: Obstacles: widened likewise, but where nobody knows by how much they stay, without a place.
OBSTACLES: Final = ("unlocated",)
#: Columns of a plan σ, and of a plan distance at 95 %, in every layer.
PLAN_SIGMAS: Final = ("east_sigma_m", "north_sigma_m", "position_sigma_m")
PLAN_95S: Final = ("ellipse_major_95_m", "ellipse_minor_95_m", "position_95_m", "position_95_max_m")


def without_levels(products: Iterable[Product]) -> tuple[Product, ...]:
    """Return products with every level and grade null; geometry keeps its z.

    z counts from ground taken as level, which is enough for a depth. A grade would be that of the
    ground as much as of the pipe, and its σ would not know.
    """
    nulls = dict.fromkeys(LEVELS, nan) | NOT_SHOWN
    return tuple(
        replace(
            p, columns={k: [nulls[k]] * len(v) if k in nulls else v for k, v in p.columns.items()}
        )
        for p in products
    )


def shifted(products: Iterable[Product], operation: Operation | None) -> tuple[Product, ...]:
    """Return products, in the site frame, as they are after `operation`; None = in the site's CRS.

    With an accuracy nobody knows, σ are null and there are no polygons; what is not located keeps
    its rows.
    """
    if operation is None or operation.accuracy_m == 0.0:
        return tuple(products)
    added = dict.fromkeys(PLAN_SIGMAS, operation.accuracy_m)
    added |= dict.fromkeys(PLAN_95S, operation.shift_95_m)

    def less_accurate(p: Product) -> Product:
        columns = {
            k: np.hypot(_numbers(v), added[k]) if k in added else v for k, v in p.columns.items()
        }
        if p.judged_by:
            anew = band_columns(p.judged_by, operation.shift_95_m)
            columns |= {name: anew[name] for name in columns if name in anew}
        return replace(p, columns=columns)

    return tuple(
        _wider(p, operation.shift_95_m) if p.layer in (*ZONES, *OBSTACLES) else less_accurate(p)
        for p in products
    )


def _wider(product: Product, wide_m: float) -> Product:
    if product.geometry is None:
        return product
    columns = dict(product.columns)
    if isnan(wide_m) and product.layer in OBSTACLES:
        n = len(product.geometry)
        columns["area_m2"] = np.full(n, np.nan)
        columns["made_by"] = ["nothing: nobody knows how good the shift of datum here is"] * n
        return replace(product, columns=columns, geometry=objects([None] * n))
    if isnan(wide_m):
        none = {name: values[:0] for name, values in product.columns.items()}
        return replace(product, columns=none, geometry=np.empty(0, dtype=object))
    wider = [None if g is None else around(g, wide_m) for g in product.geometry]
    columns[WIDENED] = np.full(len(wider), wide_m)
    columns["area_m2"] = [np.nan if g is None else g.area for g in wider]
    if "width_m" in columns:
        columns["width_m"] = _numbers(columns["width_m"]) + 2.0 * wide_m
    if "ellipse_major_95_max_m" in columns:
        columns["ellipse_major_95_max_m"] = _numbers(columns["ellipse_major_95_max_m"]) + wide_m
    return replace(product, columns=columns, geometry=objects(wider))


def _numbers(values: object) -> Floats:
    """Return a column of numbers with None as NaN."""
    return np.array(values, dtype=np.float64)
