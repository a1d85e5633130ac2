"""A record without a single level: depths and plan stand, levels must not seem to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

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
)


def without_levels(products: Iterable[Product]) -> tuple[Product, ...]:
    """Return products with every level null; geometry keeps its z, from ground taken as level."""
    return tuple(
        replace(p, columns={k: _nulled(k, v) for k, v in p.columns.items()}) for p in products
    )


def _nulled(name: str, values: Values) -> Values:
    return np.full(len(values), np.nan) if name in LEVELS else values
