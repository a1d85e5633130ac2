"""Findings of the depth readings: what a receiver's scale is, and units that were mistaken."""

from __future__ import annotations

import numpy as np

from lateralline.records import Finding, Texts
from lateralline.solve.scale import Scale

#: What was mistaken for what, by reading over depth.
_UNITS = {
    0.3048: "metres where the unit is set to feet",
    1.0 / 0.3048: "feet where the unit is set to metres",
    1.0 / 12.0: "feet where the unit is set to inches",
    12.0: "inches where the unit is set to feet",
    0.0254: "metres where the unit is set to inches",
    1.0 / 0.0254: "inches where the unit is set to metres",
    0.01: "metres where the unit is set to centimetres",
    100.0: "centimetres where the unit is set to metres",
    2.54: "centimetres where the unit is set to inches",
    1.0 / 2.54: "inches where the unit is set to centimetres",
}


def unit_findings(scale: Scale, receivers: Texts) -> tuple[Finding, ...]:
    """Return an error for each receiver whose readings are all off by the ratio of two units."""
    return tuple(
        Finding(
            "error",
            "solve",
            "depth-unit",
            _receiver(receivers, g),
            f"depth readings are {scale.typical[g]:.2f} times the depths that the nulls give: "
            f"written in {_UNITS[float(scale.slip[g])]}?",
            f"typically {scale.typical[g]:.2f}; a receiver is rarely off by more than 1.15",
            "set depth under [units] to what was written; no reading of it was used meanwhile",
        )
        for g in map(int, np.flatnonzero(np.isfinite(scale.slip)))
    )


def _receiver(receivers: Texts, g: int) -> str:
    return f"receiver {receivers[g]}" if receivers[g] else "site"


def receiver_findings(scale: Scale, receivers: Texts) -> list[Finding]:
    """Return what was learnt of each receiver's depth-reading scale."""
    out: list[Finding] = []
    for g in map(int, np.flatnonzero(scale.used > 1)):
        off = float(scale.value[g] - 1.0)
        sure = abs(off) > 2.0 * scale.sigma[g]
        out.append(
            Finding(
                "warning" if sure else "info",
                "solve",
                "depth-scale",
                _receiver(receivers, g),
                "depth readings against depths from nulls and exposures",
                f"scale {scale.value[g]:.3f} ± {scale.sigma[g]:.3f} (1 σ) "
                f"from {scale.used[g]} readings",
                "readings are divided by it; have the receiver checked if it persists"
                if sure
                else "none needed: the receiver reads true within its error",
            )
        )
    return out
