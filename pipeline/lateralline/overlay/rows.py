"""Pairs of lines and planned works as rows of the overlay's layers, and in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from math import isfinite, isnan
from typing import Any, Final, TypeAlias

import numpy as np
import shapely

from lateralline import contract, wording
from lateralline.overlay.as_built import Lines
from lateralline.overlay.bodies import LevelsBy, PlannedWork
from lateralline.overlay.clearance import Pair
from lateralline.units import METRES_PER
from lateralline.wording import metres

LAYERS: Final = ("planned_works", "clearance_pairs", "clearance_conflicts", "unlocated")
_ORDER: Final = ("not_located", "conflict", "none_shown")
_BY_WORDS: Final[dict[LevelsBy, str]] = {
    "level": "levels of both on one basis",
    "depth_below_ground": "both measured down from the ground at the pipe",
    "plan_only": "in plan alone, as if the works reached every depth",
}


def pair_row(lines: Lines, pair: Pair, frame_sigma_m: float) -> dict[str, Any]:
    """Return a pair as a row of `clearance_pairs`."""
    has_level = lines.level_datum[pair.line] != "depth only"
    work = pair.work
    return {
        "site_id": str(lines.site[pair.line]),
        "line_id": str(lines.line[pair.line]),
        "work_id": work.id,
        "work_name": work.name,
        "kind": work.kind,
        "verdict": "conflict" if pair.is_conflict else "none_shown",
        "required_m": work.required_m,
        "separation_m": pair.separation_m,
        "lower_95_m": pair.lower_95_m,
        "sigma_m": pair.sigma_m,
        "probability_below_required": pair.below_required,
        "probability_contact": pair.contact,
        "chainage_m": pair.chainage_m,
        "worst_chainage_m": pair.worst_chainage_m,
        "levels_by": pair.by,
        "shape": pair.shape,
        "pipe_axis_level_m": float(pair.axis_m[2]) if has_level else np.nan,
        "pipe_axis_depth_m": pair.depth_m,
        "outside_diameter_m": float(lines.outside_diameter_m[pair.line]),
        "diameter_assumed": bool(lines.diameter_assumed[pair.line]),
        "open_end": pair.open_end,
        "frame_sigma_m": frame_sigma_m,
        "plan_tolerance_95_m": work.tolerance_95_m,
        "what": in_words(pair, assumed=bool(lines.diameter_assumed[pair.line])),
        "caution": contract.load("clearance_pairs").caution,
    }


def in_words(pair: Pair, *, assumed: bool, say: Callable[[float], str] = metres) -> str:
    """Say what was found, what it rests on, and what it does not say; lengths by `say`."""
    required = pair.work.required_m
    said = f"{say(pair.separation_m)} between surfaces as located, {_BY_WORDS[pair.by]}"
    if pair.level_unfit:
        said += " (its level does not go with the ground at the pipe and was not used)"
    if pair.open_end:
        said += "; the located line ends near here and the pipe runs on, nobody knows where, so no "
        said += "clearance is shown"
    elif isnan(pair.lower_95_m):
        said += "; nothing bounds how far off the pipe may be, so no clearance is shown"
    else:
        anywhere = ", the pipe anywhere in its corridor" if pair.shape == "undecided" else ""
        touch = f"{say(pair.lower_95_m)} at the least"
        touch = "they may touch" if pair.lower_95_m < 0.0 else touch
        said += f"; {touch} (95 %{anywhere})"
        if pair.no_chance:
            said += f", how likely nobody can tell, for {pair.no_chance}"
    said += f", {say(required)} required"
    if not pair.is_conflict:
        said += "; no conflict shown, which is no clearance to dig"
    if assumed:
        said += "; the pipe's outside diameter is assumed"
    return said


Key: TypeAlias = tuple[str, str, str, bool]


def key(row: dict[str, Any]) -> Key:
    """Return site, line, work of a row, and whether it is of located pipe: what tells it apart."""
    return row["site_id"], row["line_id"], row["work_id"], row["verdict"] != "not_located"


def by_risk(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows with the riskiest first: unknown, then likeliest, then nearest.

    Pipe nobody located comes before all that is.
    """

    def risk(row: dict[str, Any]) -> tuple[int, float, float, float]:
        below, lower = row["probability_below_required"], row["lower_95_m"]
        sure = 1.0 if isnan(below) else below
        margin = -np.inf if isnan(lower) else lower - row["required_m"]
        apart = row["separation_m"]
        return _ORDER.index(row["verdict"]), -sure, margin, -np.inf if isnan(apart) else apart

    return sorted(rows, key=risk)


def approach(pair: Pair) -> tuple[shapely.LineString, Any]:
    """Return the line from axis to planned thing in plan, and its two levels."""
    places = np.stack([pair.axis_m, pair.surface_m])
    return shapely.linestrings(places[:, :2]), places[:, 2]


def work_rows(
    works: tuple[PlannedWork, ...], pairs: Counter[str], record_sha256: str, *, with_levels: bool
) -> tuple[list[dict[str, Any]], Any]:
    """Return rows of `planned_works`, `pairs` being how many each has, and footprints in metres."""
    caution = contract.load("planned_works").caution
    rows = [
        {
            "work_id": work.id,
            "work_name": work.name,
            "kind": work.kind,
            "depth_m": work.depth_m,
            "level_lowest_m": float(work.z_m.min()) if with_levels and work.has_level else np.nan,
            "radius_m": work.radius_m,
            "required_m": work.required_m,
            "tolerance_95_m": work.tolerance_95_m,
            "pairs": pairs[work.id],
            "record_sha256": record_sha256,
            "caution": caution,
        }
        for work in works
    ]
    shapes = np.empty(len(works), dtype=object)
    shapes[:] = [work.footprint for work in works]
    return rows, shapes


def columns(layer: str, rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
    """Return rows as the declared columns of a layer."""
    return {name: [row[name] for row in rows] for name in contract.load(layer).names}


def plain(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row for machines: no NaN, plain blanks, no caution on every line."""
    return {k: _plain(v) for k, v in row.items() if k != "caution"}


def _plain(value: object) -> object:
    if isinstance(value, str):
        return wording.plain(value)
    return None if isinstance(value, float) and not isfinite(value) else value


def at_least(lower_95_m: float, unit: str = "m") -> str:
    """Say a lower bound in `unit`; contact has no depth worth telling.

    >>> [at_least(bound) for bound in (float("nan"), -5.82, 0.004, 0.361)]
    ['no bound', '≤ 0', '0.00', '0.36']
    """
    if isnan(lower_95_m):
        return "no bound"
    return "≤ 0" if lower_95_m < 0.0 else length(lower_95_m, unit)


def length(value_m: float, unit: str = "m") -> str:
    """Say a length in `unit`, which stands above it.

    >>> length(0.3048, "ft"), length(0.3048, "in"), length(0.3048), length(float("nan"))
    ('1.00', '12.0', '0.30', '?')
    """
    if isnan(value_m):
        return "?"
    return f"{value_m / METRES_PER[unit]:.{1 if unit == 'in' else 2}f}"


def chance(probability: float) -> str:
    """Say a probability as precisely as it is known.

    >>> [chance(p) for p in (float("nan"), 0.0, 0.0004, 0.25, 0.9999)]
    ['unknown', '< 0.1 %', '< 0.1 %', '25.0 %', '> 99.9 %']
    """
    if isnan(probability):
        return "unknown"
    if probability < 0.001:
        return "< 0.1 %"
    return "> 99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"
