"""Accuracy bands of the published quality levels, judged by 95 % uncertainties, each with its rule.

A band is met when the semi-major axis of the 95 % plan ellipse and the half-width of the 95 %
depth interval both stay within it. What was read of the standards names no confidence level; 95 %
is the project's choice. In a file of another CRS the shift's own error counts: no position there is
better than the shift. The bands are numbers only: a quality level also depends on how the work was
done, and ASCE 38-22 leaves its levels to a licensed professional altogether.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.tables import JUDGED_BY
from lateralline.published import Band, bands
from lateralline.records import BandEvidence, Flags, Floats, Texts

#: Of every feature, whatever its accuracy (read: the standard sets no tolerance).
ASCE_38: Final = "judged by a licensed professional"
ASCE_38_RULE: Final = "ASCE 38-22 sets no numeric tolerance"

Standard = Literal["PAS 128", "AS 5488"]


def bands_met(
    standard: Standard, position_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats, seen: Flags
) -> Texts:
    """Return the tightest band each point (n,) meets: its key, "outside", or "unknown".

    `position_95_m` is the semi-major axis of the 95 % ellipse, `depth_m` the detected depth, `seen`
    True where the pipe was exposed. "unknown" where the plan uncertainty is NaN; without a depth
    only bands that do not bound the level can be met.
    """
    depth_95 = INTERVAL_95 * depth_sigma_m
    keys, met = [], []
    for band in bands(standard):
        plan, level = _limits_m(band, depth_m)
        within = position_95_m <= plan
        if band.bounds_level:
            within &= depth_95 <= level
        keys.append(band.key)
        met.append(within & seen if band.exposed else within)
    return np.select([np.isnan(position_95_m), *met], ["unknown", *keys], "outside")


def worst(standard: Standard, met: Texts) -> str:
    """Return the loosest of the bands met along a feature; "unknown" when one point is."""
    order = [*(band.key for band in bands(standard)), "outside", "unknown"]
    return max(met.tolist(), key=order.index, default="unknown")


def band_columns(
    features: Sequence[BandEvidence], shift_95_m: float = 0.0
) -> dict[str, list[object]]:
    """Return the quality columns of features (n), with what they are judged by.

    A feature is as good as its worst place: the one that meets the loosest band, and of those the
    widest for its depth. `shift_95_m` is what a shift of datum moves every place by at 95 %, an
    error more and independent; NaN where nobody knows how much.
    """
    columns: dict[str, list[object]] = {
        "asce38_level": [ASCE_38] * len(features),
        "asce38_rule": [ASCE_38_RULE] * len(features),
        JUDGED_BY: list(features),
    }
    for standard, name in _STANDARDS.items():
        judged = [_judged(standard, feature, shift_95_m) for feature in features]
        columns[f"{name}_band"] = [met for met, _ in judged]
        columns[f"{name}_rule"] = [rule for _, rule in judged]
    return columns


def point_evidence(
    position_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats, seen: Flags
) -> list[BandEvidence]:
    """Return what points (n,) are judged by, each for itself; parameters as `bands_met`."""
    parts = [slice(i, i + 1) for i in range(len(position_95_m))]
    return [BandEvidence(position_95_m[i], depth_sigma_m[i], depth_m[i], seen[i]) for i in parts]


def line_evidence(position_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats) -> BandEvidence:
    """Return what one line is judged by, from points along it (n,).

    None is exposed from end to end, so none is given a band that only what was exposed may have.
    """
    unseen = np.zeros(len(position_95_m), dtype=np.bool_)
    return BandEvidence(position_95_m, depth_sigma_m, depth_m, unseen)


def _judged(standard: Standard, of: BandEvidence, shift_95_m: float) -> tuple[str, str]:
    """Return the band a feature meets and the rule it meets that by."""
    position_95_m = np.hypot(of.position_95_m, shift_95_m)
    depth_95_m = INTERVAL_95 * of.depth_sigma_m
    met = bands_met(standard, position_95_m, of.depth_sigma_m, of.depth_m, of.seen)
    loosest = worst(standard, met)
    with np.errstate(invalid="ignore", divide="ignore"):
        wide = np.nan_to_num(
            np.fmax(position_95_m, depth_95_m) / np.fmax(of.depth_m, 0.0), posinf=np.inf
        )
    at = int(np.where(met == loosest, wide, -1.0).argmax())
    seen = bool(of.seen[at])
    return loosest, _rule(
        standard, loosest, position_95_m[at], depth_95_m[at], of.depth_m[at], seen
    )


def _rule(
    standard: Standard,
    met: str,
    position_95_m: float,
    depth_95_m: float,
    depth_m: float,
    seen: bool,
) -> str:
    """Return in words which number met, and which missed, which limit of which source."""
    if np.isnan(position_95_m):
        return "nothing bounds the plan position"

    def against(band: Band, *, within: bool) -> str:
        """Return the numbers that keep within a band, or those that do not."""
        plan, level = (float(limit) for limit in _limits_m(band, np.array(depth_m)))
        numbers = [_number("plan", position_95_m, plan, band.plan_m, band.plan_read, within)]
        if band.bounds_level:
            level_read = band.level_read
            numbers.append(_number("depth", depth_95_m, level, band.level_m, level_read, within))
        return f"{', '.join(filter(None, numbers))} [{band.source}]"

    ladder = bands(standard)
    at = next((n for n, band in enumerate(ladder) if band.key == met), len(ladder))
    parts = [against(band, within=True) for band in ladder[at : at + 1]]
    for tighter in ladder[max(at - 1, 0) : at]:
        unseen = tighter.exposed and not seen
        missed = "not exposed" if unseen else against(tighter, within=False)
        parts.append(f"not {tighter.key}: {missed}")
    return "; ".join(parts)


def _number(
    name: str, own_m: float, limit_m: float, fixed_m: float, read: bool, within: bool
) -> str:
    """Return "plan 0.126 m ≤ 0.265 m (share of depth)", or "" when it did otherwise."""
    if (own_m <= limit_m) != within:
        return ""
    if np.isnan(own_m):
        return f"{name} not known"
    notes = ["share of depth"] * (limit_m > fixed_m) + ["limit from memory, not read"] * (not read)
    compared = f"{name} {own_m:.3f} m {'≤' if within else '>'} {limit_m:.3f} m"
    return f"{compared} ({', '.join(notes)})" if notes else compared


def _limits_m(band: Band, depth_m: Floats) -> tuple[Floats, Floats]:
    """Return a band's limits in plan and in level at detected depths (n,)."""
    return (
        np.fmax(band.plan_m, band.plan_depth_ratio * depth_m),
        np.fmax(band.level_m, band.level_depth_ratio * depth_m),
    )


_STANDARDS: Final[dict[Standard, str]] = {"PAS 128": "pas128", "AS 5488": "as5488"}
