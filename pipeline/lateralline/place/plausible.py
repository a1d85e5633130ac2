"""What control says of itself that a person with the tape in hand can see to be wrong.

A slip in a coordinate moves every mark taped from the point and contradicts nothing: a baseline
always fits itself. So its length is said aloud, and what is out of proportion is warned of.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import chain
from math import hypot, inf, isnan
from typing import Final, TypeAlias

import numpy as np
from pyproj import CRS

from lateralline.place.control import Control
from lateralline.place.notes import metres
from lateralline.records import FieldRecord, Finding, Severity, Spots
from lateralline.units import METRES_PER

Baseline: TypeAlias = tuple[str, str]  # in the order first taped
Taped: TypeAlias = Mapping[Baseline, float]  # the longest reading along or off each, metres

# Common practice, no source: nobody tapes a lateral from further away than this.
_LONG_M: Final = 300.0
_TIMES_TAPED: Final = 20.0
_LEVELS_M: Final = 20.0
_METRIC: Final = ("m", "cm")
_A_FOOT: Final = 1e-3  # feet of any definition differ by less


def control_plausible(record: FieldRecord, control: Control) -> Iterator[Finding]:
    """Yield the length of each baseline, and what of the control is out of proportion."""
    taped = _baselines((record.marks.spots, record.exposures.spots))
    stretched: set[str] = set()
    for (start, end), longest_m in taped.items():
        length_m = _length_m(control, start, end, sloping=record.settings.slope_tape)
        if not length_m > 0.0:
            continue  # said of the spots taped from it
        yield _baseline(record, start, end, length_m)
        if why := _out_of_proportion(length_m, longest_m):
            stretched |= {start, end}
            yield _stretched(record, (start, end), length_m, why, "baseline-out-of-proportion")
    yield from _mixed(record, taped)
    yield from _levels_mixed(record)
    used = _used(record)
    yield from _spread(record, control, used, stretched)
    yield from _levels(record, control, used)


def _mixed(record: FieldRecord, taped: Taped) -> Iterator[Finding]:
    """Warn of a metric tape over a grid and levels in feet: nothing else need show it.

    Where depths and counters are in that unit too, the site is consistent, and 3.3 times its size.
    """
    settings = record.settings
    units = {key: settings.units.get(key, "") for key in ("tape", "level")}
    if not taped or units["tape"] not in _METRIC or units["level"] in _METRIC:
        return
    if settings.horizontal == "local" or not _in_feet(settings.horizontal):
        return
    yield Finding(
        "warning",
        "place",
        "units-mixed",
        "site",
        f"the tape is set to {units['tape']}, but the grid is in feet and levels in "
        f"{units['level']}; read in feet, all that was taped would lie 3.3 times too far out, and "
        "the pipe as much too deep, with nothing else to show it",
        "",
        "look at the tape: if it shows feet, set tape under [units], and depth and counter too "
        "when they were set alike",
    )


def _levels_mixed(record: FieldRecord) -> Iterator[Finding]:
    """Warn of levels in feet beside lengths in metres, or the other way round.

    Depths and places do not hang on levels, so on ground all but level nothing need show it.
    """
    settings = record.settings
    tables = (record.marks.spots, record.exposures.spots)
    if not any(np.isfinite(s.z_m).any() for s in tables) or "level" not in settings.units:
        return
    metric = settings.units["level"] in _METRIC
    units = [settings.units[key] for key in ("tape", "depth", "counter") if key in settings.units]
    others = {unit in _METRIC for unit in units}
    if settings.horizontal != "local":
        others.add(not _in_feet(settings.horizontal))
    if others != {not metric}:
        return
    off, shows = ("3.3 times too large", "feet") if metric else ("less than a third", "metres")
    yield Finding(
        "warning",
        "place",
        "units-mixed",
        "site",
        f"levels are set to {settings.units['level']} where all else of the site is in "
        f"{', '.join(dict.fromkeys(units))}; were they read in that too, every rise and fall of "
        f"ground and pipe comes out {off}, and on ground all but level nothing else shows it",
        "",
        f"look at the level sheet: if it shows {shows}, set level under [units]",
    )


def _in_feet(horizontal: str) -> bool:
    unit_m = CRS.from_user_input(horizontal).axis_info[0].unit_conversion_factor
    return abs(unit_m / METRES_PER["ft"] - 1.0) < _A_FOOT


# ---- lengths -------------------------------------------------------------------------------


def _baselines(tables: tuple[Spots, ...]) -> Taped:
    """Return each baseline once, whichever way it was taped."""
    longest: dict[Baseline, float] = {}
    for spots in tables:
        for i in np.flatnonzero(spots.method == "offset"):
            start, end = str(spots.base_from[i]), str(spots.base_to[i])
            key = (end, start) if (end, start) in longest else (start, end)
            reading = float(max(abs(spots.station_m[i]), abs(spots.offset_m[i])))
            longest[key] = max(longest.get(key, 0.0), reading)
    return longest


def _length_m(control: Control, start: str, end: str, *, sloping: bool = False) -> float:
    """Return the length a tape between two points would read: level, or along the slope."""
    a, b = control.rows((start, end))
    east, north, up = (float(d) for d in control.xyz_m[b] - control.xyz_m[a])
    return hypot(east, north, up) if sloping and not isnan(up) else hypot(east, north)


def _out_of_proportion(length_m: float, taped_m: float) -> str:
    """Say why a length cannot well be, or "" when it can."""
    if length_m > _LONG_M:
        return f"longer than {metres(_LONG_M, 0)}"
    if 0.0 < taped_m * _TIMES_TAPED < length_m:
        return f"{length_m / taped_m:.0f} times the longest length taped from it, {metres(taped_m)}"
    return ""


def _spread(
    record: FieldRecord, control: Control, used: list[str], stretched: set[str]
) -> Iterator[Finding]:
    """Warn of the point furthest from the middle, unless a baseline already was warned of."""
    if len(used) < 2:
        return
    xy = control.xyz_m[control.rows(used), :2]
    away = np.linalg.norm(xy - np.median(xy, axis=0), axis=1)
    far = int(np.argmax(away))
    apart = np.linalg.norm(xy - xy[far], axis=1)
    other = int(np.argmax(apart))
    why = _out_of_proportion(float(apart[other]), _longest_taped_m(record))
    if why and not stretched & {used[far], used[other]}:
        second, first = np.sort(away)[-2:]
        alone = used[far] if len(used) > 2 and first > 5.0 * second else ""
        ends = used[far], used[other]
        yield _stretched(record, ends, float(apart[other]), why, "control-out-of-proportion", alone)


def _longest_taped_m(record: FieldRecord) -> float:
    """Return the longest length taped on the site; infinite when none was."""
    taped: list[float] = []
    for spots in (record.marks.spots, record.exposures.spots):
        taped += [abs(v) for v in (*spots.station_m, *spots.offset_m) if not isnan(v)]
        taped += [length for ties in spots.ties for _, length in ties]
    return max(taped, default=inf)


def _used(record: FieldRecord) -> list[str]:
    """Return the control points something was taped from; all of them when nothing was yet."""
    known = {str(p) for p in record.control.point}
    named: dict[str, None] = {}
    for spots in (record.marks.spots, record.exposures.spots):
        taped = spots.method != "gnss"
        ties = (name for several in spots.ties for name, _ in several)
        for name in chain(spots.base_from[taped], spots.base_to[taped], ties):
            if str(name) in known:  # a method may leave base_to, or both, empty
                named[str(name)] = None
    return list(named) or [str(p) for p in record.control.point]


# ---- levels --------------------------------------------------------------------------------


def _levels(record: FieldRecord, control: Control, used: list[str]) -> Iterator[Finding]:
    levels = {p: float(control.xyz_m[control.index[p], 2]) for p in used}
    known = {p: z for p, z in levels.items() if not isnan(z)}
    if not known:
        return
    low, high = min(known, key=known.__getitem__), max(known, key=known.__getitem__)
    if (apart_m := known[high] - known[low]) > _LEVELS_M:
        yield _of_point(
            record,
            high,
            "control-levels-apart",
            f"its level lies far above that of {low}",
            f"by {metres(apart_m)}; more than {metres(_LEVELS_M, 0)} is rare on one site",
            "check z of both in control.csv: digits, unit of level",
        )


# ---- findings ------------------------------------------------------------------------------


def _baseline(record: FieldRecord, start: str, end: str, length_m: float) -> Finding:
    how = "along the slope" if record.settings.slope_tape else "level"
    return _of(
        record,
        "info",
        "baseline-length",
        f"baseline {start}–{end}",
        f"{metres(length_m)} long, {how}, by its coordinates",
        "",
        "compare with the tape; if they differ, a coordinate or a name is wrong",
        start,
    )


def _stretched(
    record: FieldRecord, ends: Baseline, length_m: float, why: str, code: str, alone: str = ""
) -> Finding:
    start, end = ends
    noun = "baseline" if code.startswith("baseline") else "control points"
    blame = f"; {alone} lies far from all others" if alone else ""
    return _of(
        record,
        "warning",
        code,
        f"{noun} {start}–{end}",
        f"{metres(length_m)} apart by their coordinates, out of proportion to the site{blame}",
        why,
        "check x and y of both in control.csv: digits, unit, a decimal comma",
        alone or start,
    )


def _of_point(
    record: FieldRecord, point: str, code: str, what: str, by_how_much: str, to_do: str
) -> Finding:
    subject = f"control point {point}"
    return _of(record, "warning", code, subject, what, by_how_much, to_do, point)


def _of(
    record: FieldRecord,
    severity: Severity,
    code: str,
    subject: str,
    what: str,
    by_how_much: str,
    to_do: str,
    point: str,
) -> Finding:
    """Return a finding that points at the row of a control point."""
    rows = record.control
    line = rows.row[int(np.flatnonzero(rows.point == point)[0])]
    where = f"{rows.file}:{line}"
    return Finding(severity, "place", code, subject, what, by_how_much, to_do, where)
