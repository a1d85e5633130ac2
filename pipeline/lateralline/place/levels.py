"""Levels of spots: the ones given, and what is taken for the ones that are not."""

from __future__ import annotations

from dataclasses import replace
from math import hypot
from typing import NamedTuple

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.place.control import PlacedControl
from lateralline.proportions import MOST_LEVEL_M, MOST_RISE_M
from lateralline.records import FieldRecord, Flags, Floats, Ints, Spots
from lateralline.settings import Accuracy


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


def without_far_levels(record: FieldRecord) -> tuple[FieldRecord, list[Finding]]:
    """Return the record without levels out of measure, and a finding on each.

    Those no ground on earth has, and those far from the middle of the others. Where no half of them
    lies together nothing tells which are right, and they stay.
    """
    tables = ("marks", "exposures", "control")
    z = [_levels_of(record, name) for name in tables]
    given = np.concatenate(z)
    given = given[np.abs(given) <= MOST_LEVEL_M]
    middle = float(np.median(given)) if len(given) else 0.0
    together = 2 * int((np.abs(given - middle) <= MOST_RISE_M).sum()) > len(given)
    found: list[Finding] = []
    for name, levels in zip(tables, z, strict=True):
        off = np.abs(levels - middle)
        far = np.flatnonzero((np.abs(levels) > MOST_LEVEL_M) | (together & (off > MOST_RISE_M)))
        if not len(far):
            continue
        kept = levels.copy()
        kept[far] = np.nan
        found += [_level_far(record, name, int(i), float(levels[i]), middle) for i in far]
        if name == "control":
            record = replace(record, control=replace(record.control, z_m=kept))
        elif name == "marks":
            spots = replace(record.marks.spots, z_m=kept)
            record = replace(record, marks=replace(record.marks, spots=spots))
        else:
            spots = replace(record.exposures.spots, z_m=kept)
            record = replace(record, exposures=replace(record.exposures, spots=spots))
    return record, found


def _levels_of(record: FieldRecord, name: str) -> Floats:
    if name == "control":
        return record.control.z_m
    return record.marks.spots.z_m if name == "marks" else record.exposures.spots.z_m


def _level_far(record: FieldRecord, name: str, i: int, level_m: float, middle_m: float) -> Finding:
    control, spots = record.control, (record.marks if name == "marks" else record.exposures).spots
    noun = {"marks": "mark", "exposures": "exposure", "control": "control point"}[name]
    subject = f"{noun} {control.point[i] if name == 'control' else spots.name[i]}"
    file, row = (control.file, control.row) if name == "control" else (spots.file, spots.row)
    where = f"{file}:{row[i]}"
    if abs(level_m) > MOST_LEVEL_M:
        return finding("level-far", subject, where=where, level_m=level_m)
    return finding(
        "level-far",
        subject,
        variant="site",
        where=where,
        level_m=level_m,
        off_m=level_m - middle_m,
        most_m=MOST_RISE_M,
    )


def level_ground(record: FieldRecord, control: PlacedControl) -> Ground:
    """Return the one level the site's ground is taken to have where none is given.

    From the marks' levels and exposures' ground levels; from control only when there are none,
    since a control point may be a nail in a wall. Its σ is never less than what the known levels
    scatter: on a slope "level ground" is a poor guess, and must say so.
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
    first = np.full(len(known), -1)
    first[taped] = _first_named(spots, control)
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
    without = int((~known).sum())
    if not without:
        return []
    assumed = finding(
        "ground-level-assumed",
        "site",
        variant="" if ground.known else "none",
        without=without,
        of=len(known),
        noun=noun,
        level_m=ground.level_m,
        known=ground.known,
        sigma_m=ground.sigma_m,
    )
    return [assumed]


def _first_named(spots: Spots, control: PlacedControl) -> Ints:
    taped = np.flatnonzero(~np.isin(spots.method, ("gnss", "level")))
    names = [spots.ties[i][0][0] if spots.ties[i] else spots.base_from[i] for i in taped]
    return control.rows(names)
