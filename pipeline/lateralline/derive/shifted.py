"""Layers as they are in a CRS that is reached by an operation good to so much only.

What a shift of datum is off by moves all of a site together: no distance within it is wrong, but
every position is. Standard deviations and ellipses take that in as one more independent error of
the same size on both axes; polygons that could guide digging are widened by its 95 %, which is a
little more than the two together need.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import isnan
from typing import Final

import numpy as np

from lateralline.derive.dig import around
from lateralline.derive.tables import objects
from lateralline.frames import Operation
from lateralline.records import Floats, Product

#: Column that says how far a polygon was widened.
WIDENED: Final = "frame_shift_95_m"
#: Layers whose polygons are widened; left out where nobody knows by how much.
ZONES: Final = ("position_corridor", "dig_zone")
#: Obstacles: widened likewise, but where nobody knows by how much they stay, without a place.
OBSTACLES: Final = ("unlocated",)
#: Columns of a plan σ, and of a plan distance at 95 %, in every layer.
PLAN_SIGMAS: Final = ("sigma_e_m", "sigma_n_m", "sigma_h_m")
PLAN_95S: Final = ("semi_major_95_m", "semi_minor_95_m", "plan_95_m", "semi_major_95_max_m")


def shifted(products: Iterable[Product], operation: Operation | None) -> tuple[Product, ...]:
    """Return products, in the site frame, as they are after `operation`; None = in the site's CRS.

    With an accuracy nobody knows, σ are null and there are no polygons; what is not located keeps
    its rows.
    """
    accuracy_m = 0.0 if operation is None else operation.accuracy_m
    wide_m = 0.0 if operation is None else operation.shift_95_m
    if accuracy_m == 0.0:
        return tuple(products)
    return tuple(
        _wider(p, wide_m) if p.layer in (*ZONES, *OBSTACLES) else _less_sure(p, accuracy_m, wide_m)
        for p in products
    )


def _less_sure(product: Product, accuracy_m: float, wide_m: float) -> Product:
    columns = dict(product.columns)
    for names, by in ((PLAN_SIGMAS, accuracy_m), (PLAN_95S, wide_m)):
        for name in names:
            if name in columns:
                columns[name] = np.hypot(_numbers(columns[name]), by)
    return replace(product, columns=columns)


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
    if "half_width_max_m" in columns:
        columns["half_width_max_m"] = _numbers(columns["half_width_max_m"]) + wide_m
    return replace(product, columns=columns, geometry=objects(wider))


def _numbers(values: object) -> Floats:
    """Return a column of numbers with None as NaN."""
    return np.array(values, dtype=np.float64)
