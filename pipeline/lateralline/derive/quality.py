"""Accuracy bands of the published quality levels, judged by 95 % uncertainties, each with its rule.

A band is met when the semi-major axis of the 95 % plan ellipse and the half-width of the 95 %
depth interval both stay within it. What was read of the standards names no confidence level; 95 %
is the project's choice. The bands are numbers only: a quality level also depends on how the work
was done, and ASCE 38-22 leaves its levels to a licensed professional altogether.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.tables import Values
from lateralline.published import Band, bands
from lateralline.records import Flags, Floats, Texts

#: Said of every feature, whatever its accuracy (read: the standard sets no tolerance).
ASCE_38: Final = "judged by a licensed professional"
ASCE_38_RULE: Final = "ASCE 38-22 sets no numeric tolerance"

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
        plan, level = _limits_m(band, depth_m)
        within = plan_95_m <= plan
        if band.bounds_level:
            within &= depth_95 <= level
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
    columns: dict[str, Values] = {}
    for standard, name in _STANDARDS.items():
        judged = Judged(standard, plan_95_m, depth_sigma_m, depth_m, seen)
        columns[f"{name}_band"] = judged.met.tolist()
        columns[f"{name}_rule"] = [judged.rule(i) for i in range(len(plan_95_m))]
    columns["asce38_level"] = [ASCE_38] * len(plan_95_m)
    columns["asce38_rule"] = [ASCE_38_RULE] * len(plan_95_m)
    return columns


def worst_columns(plan_95_m: Floats, depth_sigma_m: Floats, depth_m: Floats) -> dict[str, str]:
    """Return the quality columns of one feature from points along it (n,), none of them seen.

    A feature is as good as its worst point. None is exposed from end to end, so none is given a
    band that only what was exposed may have.
    """
    unseen = np.zeros(len(plan_95_m), dtype=np.bool_)
    columns: dict[str, str] = {}
    for standard, name in _STANDARDS.items():
        judged = Judged(standard, plan_95_m, depth_sigma_m, depth_m, unseen)
        at = judged.worst
        columns[f"{name}_band"] = str(judged.met[at])
        columns[f"{name}_rule"] = judged.rule(at)
    return columns | {"asce38_level": ASCE_38, "asce38_rule": ASCE_38_RULE}


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Points (n,) held against a standard's bands; parameters as `bands_met`."""

    standard: Standard
    plan_95_m: Floats
    depth_sigma_m: Floats
    depth_m: Floats
    seen: Flags

    @property
    def met(self) -> Texts:
        """The tightest band each point meets."""
        return bands_met(self.standard, self.plan_95_m, self.depth_sigma_m, self.depth_m, self.seen)

    @property
    def worst(self) -> int:
        """The point that meets the loosest band, and of those the widest for its depth."""
        met = self.met
        loosest = np.flatnonzero(met == worst(self.standard, met))
        with np.errstate(invalid="ignore", divide="ignore"):
            wide = np.fmax(self.plan_95_m, self.depth_sigma_m * INTERVAL_95) / np.fmax(
                self.depth_m, 0.0
            )
        return int(loosest[np.nan_to_num(wide[loosest], nan=0.0, posinf=np.inf).argmax()])

    def rule(self, i: int) -> str:
        """Say in words which number met, and which missed, which limit of which source."""
        if np.isnan(self.plan_95_m[i]):
            return "nothing bounds the plan position"
        ladder = bands(self.standard)
        key = str(self.met[i])
        at = next((n for n, band in enumerate(ladder) if band.key == key), len(ladder))
        said = [self._against(ladder[at], i, met=True)] if at < len(ladder) else []
        if at > 0:
            tighter = ladder[at - 1]
            unseen = tighter.exposed and not self.seen[i]
            missed = "not exposed" if unseen else self._against(tighter, i, met=False)
            said.append(f"not {tighter.key}: {missed}")
        return "; ".join(said)

    def _against(self, band: Band, i: int, *, met: bool) -> str:
        """Return the numbers of a point that keep within a band, or those that do not."""
        plan, level = (float(limit) for limit in _limits_m(band, self.depth_m[i]))
        said = [
            _number("plan", self.plan_95_m[i], plan, band.plan_m, band.plan_read, met=met),
            _number(
                "level",
                INTERVAL_95 * self.depth_sigma_m[i],
                level,
                band.level_m,
                band.level_read,
                met=met,
            )
            if band.bounds_level
            else "",
        ]
        return f"{', '.join(filter(None, said))} [{band.source}]"


def _number(
    name: str, own_m: float, limit_m: float, fixed_m: float, read: bool, *, met: bool
) -> str:
    """Return "plan 0.126 m ≤ 0.265 m (share of depth)", or "" when it did otherwise."""
    if (own_m <= limit_m) != met:
        return ""
    if np.isnan(own_m):
        return f"{name} not known"
    notes = ["share of depth"] * (limit_m > fixed_m) + ["limit from memory, not read"] * (not read)
    said = f"{name} {own_m:.3f} m {'≤' if met else '>'} {limit_m:.3f} m"
    return f"{said} ({', '.join(notes)})" if notes else said


def _limits_m(band: Band, depth_m: Floats) -> tuple[Floats, Floats]:
    """Return a band's limits in plan and in level at detected depths (n,)."""
    return (
        np.fmax(band.plan_m, band.plan_depth_ratio * depth_m),
        np.fmax(band.level_m, band.level_depth_ratio * depth_m),
    )


_STANDARDS: Final[dict[Standard, str]] = {"PAS 128": "pas128", "AS 5488": "as5488"}
