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

from lateralline.findings import Finding, Given, finding
from lateralline.place.control import PlacedControl
from lateralline.records import FieldRecord, Spots
from lateralline.units import METRES_PER

Baseline: TypeAlias = tuple[str, str]  # in the order first taped
Taped: TypeAlias = Mapping[Baseline, float]  # the longest reading along or off each, metres

# Common practice, no source: nobody tapes a lateral from further away than this.
_LONG_M: Final = 300.0
_TIMES_TAPED: Final = 20.0
_LEVELS_M: Final = 20.0
_METRIC: Final = ("m", "cm")
_A_FOOT: Final = 1e-3  # feet of any definition differ by less


def control_plausible(record: FieldRecord, control: PlacedControl) -> Iterator[Finding]:
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
            subject = f"baseline {start}–{end}"
            yield _of(record, start, "baseline-out-of-proportion", subject, why | {"alone": ""})
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
    yield finding("units-mixed", "site", variant="tape", tape=units["tape"], level=units["level"])


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
    yield finding(
        "units-mixed",
        "site",
        variant="level-metric" if metric else "level-feet",
        level=settings.units["level"],
        others=dict.fromkeys(units),
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


def _length_m(control: PlacedControl, start: str, end: str, *, sloping: bool = False) -> float:
    """Return the length a tape between two points would read: level, or along the slope."""
    a, b = control.rows((start, end))
    east, north, up = (float(d) for d in control.xyz_m[b] - control.xyz_m[a])
    return hypot(east, north, up) if sloping and not isnan(up) else hypot(east, north)


def _out_of_proportion(length_m: float, taped_m: float) -> dict[str, float | str]:
    """Return variant and values of why a length cannot well be; none when it can."""
    if length_m > _LONG_M:
        return {"variant": "long", "length_m": length_m, "most_m": _LONG_M}
    if 0.0 < taped_m * _TIMES_TAPED < length_m:
        times = length_m / taped_m
        return {"variant": "taped", "length_m": length_m, "times": times, "longest_m": taped_m}
    return {}


def _spread(
    record: FieldRecord, control: PlacedControl, used: list[str], stretched: set[str]
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
        subject = f"control points {used[far]}–{used[other]}"
        values = why | {"alone": alone}
        yield _of(record, alone or used[far], "control-out-of-proportion", subject, values)


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


def _levels(record: FieldRecord, control: PlacedControl, used: list[str]) -> Iterator[Finding]:
    levels = {p: float(control.xyz_m[control.index[p], 2]) for p in used}
    known = {p: z for p, z in levels.items() if not isnan(z)}
    if not known:
        return
    low, high = min(known, key=known.__getitem__), max(known, key=known.__getitem__)
    if (apart_m := known[high] - known[low]) > _LEVELS_M:
        apart: dict[str, Given] = {"low": low, "apart_m": apart_m, "most_m": _LEVELS_M}
        yield _of(record, high, "control-levels-apart", f"control point {high}", apart)


def _baseline(record: FieldRecord, start: str, end: str, length_m: float) -> Finding:
    variant = "slope" if record.settings.slope_tape else ""
    values: dict[str, Given] = {"variant": variant, "length_m": length_m}
    return _of(record, start, "baseline-length", f"baseline {start}–{end}", values)


def _of(
    record: FieldRecord, point: str, code: str, subject: str, values: Mapping[str, Given]
) -> Finding:
    """Return a finding that points at the row of a control point."""
    rows = record.control
    line = rows.row[int(np.flatnonzero(rows.point == point)[0])]
    where = f"{rows.file}:{line}"
    more = {k: v for k, v in values.items() if k != "variant"}
    variant = str(values.get("variant", ""))
    return finding(code, subject, variant=variant, where=where, more=more)
