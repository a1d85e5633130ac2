"""Accuracy bands of the published quality levels, judged by 95 % uncertainties.

A band is met when the semi-major axis of the 95 % plan ellipse and the half-width of the 95 %
depth interval both stay within it. What was read of the standards names no confidence level; 95 %
is the project's choice. The bands are numbers only: a quality level also depends on how the work
was done, and ASCE 38-22 leaves its levels to a licensed professional altogether.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.tables import Values
from lateralline.published import bands
from lateralline.records import Flags, Floats, Texts

#: Said of every feature, whatever its accuracy (read: the standard sets no tolerance).
ASCE_38: Final = "judged by a licensed professional"

Standard = Literal["PAS 128", "AS 5488"]


def bands_met(
    standard: Standard, plan_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats, seen: Flags
) -> Texts:
    """Return the tightest band each point (n,) meets: its key, "outside", or "unknown".

    `plan_95_m` is the semi-major axis of the 95 % ellipse, `depth_m` the detected depth, `seen`
    True where the pipe was exposed. "unknown" where the plan uncertainty is NaN; without a depth
    only bands that do not bound the level can be met.
    """
    depth_95 = INTERVAL_95 * depth_sigma_m
    keys, met = [], []
    for band in bands(standard):
        plan_limit = np.fmax(band.plan_m, band.plan_depth_ratio * depth_m)
        within = plan_95_m <= plan_limit
        if band.bounds_level:
            within &= depth_95 <= np.fmax(band.level_m, band.level_depth_ratio * depth_m)
        keys.append(band.key)
        met.append(within & seen if band.exposed else within)
    return np.select([np.isnan(plan_95_m), *met], ["unknown", *keys], "outside")


def worst(standard: Standard, met: Texts) -> str:
    """Return the loosest of the bands met along a feature; "unknown" when one point is."""
    order = [*(band.key for band in bands(standard)), "outside", "unknown"]
    return max(met.tolist(), key=order.index, default="unknown")


def point_columns(
    plan_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats, seen: Flags
) -> dict[str, Values]:
    """Return the quality columns of points (n,); parameters as `bands_met`."""
    met = {s: bands_met(s, plan_95_m, depth_sigma_m, depth_m, seen) for s in _STANDARDS}
    return {
        "pas128_band": met["PAS 128"].tolist(),
        "as5488_band": met["AS 5488"].tolist(),
        "asce38_level": [ASCE_38] * len(plan_95_m),
    }


def worst_columns(plan_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats) -> dict[str, str]:
    """Return the quality columns of one feature from points along it (n,), none of them seen."""
    unseen = np.zeros(len(plan_95_m), dtype=np.bool_)
    met = {s: worst(s, bands_met(s, plan_95_m, depth_sigma_m, depth_m, unseen)) for s in _STANDARDS}
    return {
        "pas128_band": met["PAS 128"],
        "as5488_band": met["AS 5488"],
        "asce38_level": ASCE_38,
    }


_STANDARDS: Final[tuple[Standard, ...]] = ("PAS 128", "AS 5488")
