"""Levels of spots: heights of GNSS made levels, what cannot be right, what is taken where none is.

GNSS heights among levels of control and tape: ellipsoidal ones lie up to a hundred metres off, feet
among metres by a factor; either way each set fits itself, and only the ground they share shows it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import hypot, isnan, nan
from typing import Final, NamedTuple

import numpy as np

from lateralline.catalogue import Given
from lateralline.findings import ANY, Finding, finding
from lateralline.frames import Frame, levels_by_grid, site_frame
from lateralline.place.control import PlacedControl
from lateralline.place.tape import complete, where
from lateralline.proportions import MOST_LEVEL_M, MOST_RISE_M
from lateralline.records import FieldRecord, Flags, Floats, Ints, Spots
from lateralline.settings import Accuracy
from lateralline.units import METRES_PER

#: Common practice, no source: steeper ground than this is no site for a lateral.
_STEEP: Final = 0.3
_APART_M: Final = 5.0
#: Units that differ by less are one here, as two kinds of feet.
_UNLIKE: Final = 0.1
#: Where the geoid lies furthest below and above the ellipsoid, rounded outward (from memory).
_GEOID_M: Final = (-110.0, 90.0)


class Ground(NamedTuple):
    """Ground taken as level through the site, for spots without a level of their own."""

    level_m: float  # mean of the levels known; 0 when none is
    sigma_m: float  # unknown_ground_m and the spread of the known levels together
    known: int  # how many levels it rests on


class Levels(NamedTuple):
    """Levels of n spots; `sigma_m` is 1 σ."""

    z_m: Floats
    sigma_m: Floats
    known: Flags
    control: Ints  # control point whose σ is part of this one's; −1 = none


# ---- before anything is placed --------------------------------------------------------------


def without_far_levels(record: FieldRecord) -> tuple[FieldRecord, list[Finding]]:
    """Return the record without levels out of measure, and a finding on each.

    Those no ground on earth has, and those far from the middle of the others. Where no half of them
    lies together nothing tells which are right, and they stay.
    """
    control, marks, exposures = record.control, record.marks.spots, record.exposures.spots
    tables = (("mark", marks), ("exposure", exposures), ("control point", control))
    given = np.concatenate([rows.z_m for _, rows in tables])
    given = given[np.abs(given) <= MOST_LEVEL_M]
    middle = float(np.median(given)) if len(given) else 0.0
    together = 2 * int((np.abs(given - middle) <= MOST_RISE_M).sum()) > len(given)
    kept: list[Floats] = []
    found: list[Finding] = []
    for noun, rows in tables:
        names = rows.name if isinstance(rows, Spots) else rows.point
        off, beyond = rows.z_m - middle, np.abs(rows.z_m) > MOST_LEVEL_M
        far = beyond | (together & (np.abs(off) > MOST_RISE_M))
        kept.append(np.where(far, nan, rows.z_m))
        for i in where(far):
            values: dict[str, Given] = {"level_m": rows.z_m[i]}
            if not beyond[i]:
                values |= {"off_m": off[i], "most_m": MOST_RISE_M}
            variant, row = "" if beyond[i] else "site", f"{rows.file}:{rows.row[i]}"
            subject = f"{noun} {names[i]}"
            found.append(finding("level-far", subject, variant=variant, where=row, more=values))
    if found and (other := _other_unit(record)):
        found.insert(0, other)
    if len(found) > 1 and not len(given):  # one cause, as a unit
        first = found[0]
        count = {"count": len(found), "level_m": first.values["level_m"]}
        found = [finding("level-far/all", "site", where=first.where, explains=[ANY], more=count)]
    record = _with_levels(record, kept[0], kept[1])
    return replace(record, control=replace(control, z_m=kept[2])), found


def _other_unit(record: FieldRecord) -> Finding | None:
    """Return the error of levels taken that, read in another unit, are those of GNSS beside them.

    Asked where levels lie out of all measure: then no two units bring both together by chance.
    """
    tables = (record.marks.spots, record.exposures.spots)
    by_gnss = np.concatenate([spots.method == "gnss" for spots in tables])
    z = np.concatenate([spots.z_m for spots in tables])
    gnss = z[by_gnss & np.isfinite(z)]
    taken = np.concatenate([z[~by_gnss], record.control.z_m])
    taken = taken[np.isfinite(taken)]
    if not len(gnss) or not len(taken):
        return None
    zero, level = float(np.median(gnss)), float(np.median(taken))
    if abs(level - zero) <= MOST_RISE_M:
        return None
    unit = record.settings.units.get("level") or "m"
    for other in ("ft", "m", "in", "cm"):
        times = METRES_PER[other] / METRES_PER[unit]
        rise_m = _APART_M + times * float(np.ptp(taken)) + float(np.ptp(gnss))
        if abs(times - 1.0) > _UNLIKE and abs(times * level - zero) <= rise_m:
            values: dict[str, Given] = {"unit": unit, "other": other, "apart_m": level - zero}
            return finding("unit-wrong/taken", "site", explains=[ANY], more=values)
    return None


def with_levels_of_gnss(record: FieldRecord) -> tuple[FieldRecord, Frame, tuple[Finding, ...]]:
    """Return the record with GNSS heights as levels, its frame, and how that was done.

    By the separation the site gives, else by a geoid grid. Where there is neither, GNSS spots have
    no level, and an error says so: an ellipsoidal height is never passed off as one.
    """
    frame, given = site_frame(record), record.settings.georeference
    if given.gnss_heights != "ellipsoidal" or not frame.levels_given:
        return record, frame, ()
    tables = (record.marks.spots, record.exposures.spots)
    heights = [np.where(spots.method == "gnss", spots.z_m, nan) for spots in tables]
    operations = frame.operations
    if not isnan(given.separation_m):
        how = f"gnss heights less the separation given, {given.separation_m:.3f} m"
        sigma_m = given.separation_sigma_m
        reduced = finding("geoid-used/separation", "site", separation_m=given.separation_m)
        levels = [height - given.separation_m for height in heights]
    else:
        by_grid = [
            levels_by_grid(frame, spots.x, spots.y, height)
            for spots, height in zip(tables, heights, strict=True)
        ]
        levels, operation = [level for level, _ in by_grid], by_grid[-1][1]
        operations = (*operations, operation)
        how, sigma_m = "gnss heights not used", 0.0
        if not operation.usable:
            reduced = finding("geoid-missing/no-grid", "site", grids=operation.grids_missing)
        elif isnan(operation.accuracy_m):
            variant = "undated" if operation.undated else "unpublished"
            reduced = finding("geoid-missing", "site", variant=variant, operation=operation.name)
        else:
            how, sigma_m = f"gnss heights by {operation.name}", operation.accuracy_m
            reduced = finding(
                "geoid-used/grid",
                "site",
                operation=operation.name,
                accuracy_m=operation.accuracy_m,
                grids=operation.grids_missing,
            )
    z_m = [
        np.where(spots.method == "gnss", level, spots.z_m)
        for spots, level in zip(tables, levels, strict=True)
    ]
    settings = replace(record.settings, georeference=replace(given, separation_sigma_m=sigma_m))
    record = replace(_with_levels(record, *z_m), settings=settings)
    frame = replace(site_frame(record), operations=operations, gnss_heights=how)
    return record, frame, (reduced,)


def _with_levels(record: FieldRecord, marks_m: Floats, exposures_m: Floats) -> FieldRecord:
    marks, exposures = record.marks, record.exposures
    return replace(
        record,
        marks=replace(marks, spots=replace(marks.spots, z_m=marks_m)),
        exposures=replace(exposures, spots=replace(exposures.spots, z_m=exposures_m)),
    )


def levels_mixed(record: FieldRecord, frame: Frame) -> Iterator[Finding]:
    """Yield an error when GNSS levels cannot count from the zero of control and taped levels.

    Where control has no level, those of taped spots stand at the middle of control.
    """
    tables, rows = (record.marks.spots, record.exposures.spots), record.control
    by_gnss = np.concatenate([spots.method == "gnss" for spots in tables])
    x, y, z = (np.concatenate([getattr(s, axis) for s in tables]) for axis in ("x", "y", "z_m"))
    gnss = frame.to_local(x[by_gnss], y[by_gnss], z[by_gnss])
    control = frame.to_local(rows.x, rows.y, rows.z_m)
    gnss, others = gnss[complete(gnss)], control[complete(control)]
    if not len(others) and len(control):
        taped = z[~by_gnss & np.isfinite(z)]
        middle = np.median(control[:, :2], axis=0)
        others = np.column_stack([np.tile(middle, (len(taped), 1)), taped])
        others = others[complete(others)]
    if not len(gnss) or not len(others):
        return
    here, there = np.median(gnss, axis=0), np.median(others, axis=0)
    east, north, apart_m = (here - there).tolist()
    ground_m = _STEEP * hypot(east, north)
    level, zero = float(here[2]), float(there[2])
    spread_m = float(np.ptp(gnss[:, 2])) + float(np.ptp(others[:, 2]))
    if abs(apart_m) <= _APART_M + ground_m + spread_m:
        return
    foot = METRES_PER["ft"]
    medians = {"gnss_m": level, "others_m": zero, "apart_m": apart_m}
    for factor, slip in ((foot, "gnss-feet"), (1.0 / foot, "gnss-metres")):
        if abs(level * factor - zero) <= _APART_M + ground_m:
            yield finding("unit-wrong", "site", variant=slip, more=medians)
            return
    as_geoid = _GEOID_M[0] <= apart_m <= _GEOID_M[1] and frame.levels != "ellipsoidal"
    variant = "gnss-ellipsoidal" if as_geoid else "gnss"
    yield finding("levels-mixed", "site", variant=variant, more=medians)


# ---- of each spot --------------------------------------------------------------------------


def level_ground(record: FieldRecord, control: PlacedControl) -> Ground:
    """Return the one level the site's ground is taken to have where none is given.

    From the marks' levels and exposures' ground levels; from control only when there are none,
    since a control point may be a nail in a wall. Its σ is never less than what the known levels
    scatter: on a slope "level ground" is a poor guess, and its σ must show it.
    """
    exposures = record.exposures
    at_ground = np.concatenate(
        [record.marks.spots.z_m, exposures.spots.z_m[np.isfinite(exposures.depth_m)]]
    )
    levels = at_ground[np.isfinite(at_ground)]
    if not len(levels):
        levels = control.xyz_m[np.isfinite(control.xyz_m[:, 2]), 2]
    spread = float(levels.std(ddof=1)) if len(levels) > 1 else 0.0
    sigma = hypot(record.settings.accuracy.unknown_ground_m, spread)
    return Ground(float(levels.mean()) if len(levels) else 0.0, sigma, len(levels))


def spot_levels(spots: Spots, control: PlacedControl, ground: Ground, accuracy: Accuracy) -> Levels:
    """Return every spot's level: given, else the ground's.

    σ is the one given; else gnss_m for GNSS, and for taped spots level_m together with the σ of
    the control point the level came from, taken to be the first one named.
    """
    known = np.isfinite(spots.z_m)
    taped = ~np.isin(spots.method, ("gnss", "level"))
    default = np.where(spots.method == "level", accuracy.level_m, accuracy.gnss_m)
    named = [spots.ties[i][0][0] if spots.ties[i] else spots.base_from[i] for i in where(taped)]
    first = np.full(len(known), -1)
    first[taped] = control.rows(named)
    default[taped] = np.hypot(accuracy.level_m, control.sigma_v_m[first[taped]])
    sigma = np.where(np.isnan(spots.sigma_v_m), default, spots.sigma_v_m)
    return Levels(
        np.where(known, spots.z_m, ground.level_m),
        np.where(known, sigma, ground.sigma_m),
        known,
        np.where(known & np.isnan(spots.sigma_v_m), first, -1),
    )


def level_findings(noun: str, known: Flags, ground: Ground) -> list[Finding]:
    """Return one finding for all spots of a kind that have no level."""
    if known.all():
        return []
    assumed = finding(
        "level-missing",
        "site",
        variant="ground" if ground.known else "no-ground",
        without=int((~known).sum()),
        of=len(known),
        noun=noun,
        more=ground._asdict(),
    )
    return [assumed]
