"""A record without a single level: depths and plan stand; levels and grades must not seem to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

import numpy as np

from lateralline.derive.tables import Values
from lateralline.records import Product

#: Columns that are levels, or rest on the levels of two places.
LEVELS: Final = (
    "level_m",
    "ground_level_m",
    "invert_level_m",
    "invert_sigma_m",
    "invert_down_m",
    "invert_down_sigma_m",
    "invert_up_m",
    "invert_up_sigma_m",
    "crown_level_m",
    "top_level_m",
    *(f"{what}_{end}_95_m" for what in ("invert", "crown", "top") for end in ("lower", "upper")),
    "mean_grade",
    "grade",
    "grade_sigma",
    "sag_chainage_m",
    "sag_depth_m",
    "sag_depth_sigma_m",
)
#: What columns say that compare levels with one another, when there is nothing to compare.
NOT_SHOWN: Final[dict[str, Any]] = {
    "fall": "not_shown",
    "sags": 0,
    "ipc_grade": None,
    "upc_grade": None,
    "adh_grade": None,
}


def without_levels(products: Iterable[Product]) -> tuple[Product, ...]:
    """Return products with every level and grade null; geometry keeps its z.

    z counts from ground taken as level, which is enough for a depth. A grade would be that of the
    ground as much as of the pipe, and its σ would not know.
    """
    return tuple(
        replace(p, columns={k: _nulled(k, v) for k, v in p.columns.items()}) for p in products
    )


def _nulled(name: str, values: Values) -> Values:
    if name in NOT_SHOWN:
        return [NOT_SHOWN[name]] * len(values)
    return np.full(len(values), np.nan) if name in LEVELS else values
