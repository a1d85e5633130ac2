"""Heights of GNSS above the ellipsoid, made levels before anything else is done with them."""

from __future__ import annotations

from dataclasses import replace
from math import isnan

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.frames import Frame, Operation, levels_by_grid, site_frame
from lateralline.records import FieldRecord, Floats, Spots


def with_levels_of_gnss(record: FieldRecord) -> tuple[FieldRecord, Frame, tuple[Finding, ...]]:
    """Return the record with GNSS heights as levels, its frame, and how that was done.

    By the separation the site gives, else by a geoid grid. Where there is neither, GNSS spots have
    no level, and an error says so: an ellipsoidal height is never passed off as one.
    """
    frame, said = site_frame(record), record.settings.georeference
    if said.gnss_heights != "ellipsoidal" or not frame.levels_given:
        return record, frame, ()
    if not isnan(said.separation_m):
        how = f"gnss heights less the separation given, {said.separation_m:.3f} m"
        sigma_m = said.separation_sigma_m
        told = finding("heights-by-separation", "site", separation_m=said.separation_m)
        lower = {t: _z(s) - said.separation_m for t, s in _tables(record).items()}
        operations = frame.operations
    else:
        lower, operation = _by_grid(frame, record)
        operations = (*frame.operations, operation)
        known = operation.usable and not isnan(operation.accuracy_m)
        how = f"gnss heights by {operation.name}" if known else "gnss heights not used"
        sigma_m = operation.accuracy_m if known else 0.0
        told = _by_grid_told(operation)
    marks = replace(record.marks, spots=_put(record.marks.spots, lower["marks"]))
    exposures = replace(record.exposures, spots=_put(record.exposures.spots, lower["exposures"]))
    settings = replace(record.settings, georeference=replace(said, separation_sigma_m=sigma_m))
    record = replace(record, settings=settings, marks=marks, exposures=exposures)
    frame = replace(site_frame(record), operations=operations, gnss_heights=how)
    return record, frame, (told,)


def _tables(record: FieldRecord) -> dict[str, Spots]:
    return {"marks": record.marks.spots, "exposures": record.exposures.spots}


def _z(spots: Spots) -> Floats:
    """Return heights (n,) of GNSS spots; NaN for others."""
    return np.where(spots.method == "gnss", spots.z_m, np.nan)


def _put(spots: Spots, level_m: Floats) -> Spots:
    return replace(spots, z_m=np.where(spots.method == "gnss", level_m, spots.z_m))


def _by_grid(frame: Frame, record: FieldRecord) -> tuple[dict[str, Floats], Operation]:
    levels, operation = {}, None
    for table, spots in _tables(record).items():
        levels[table], operation = levels_by_grid(frame, spots.x, spots.y, _z(spots))
    assert operation is not None  # two tables
    return levels, operation


def _by_grid_told(operation: Operation) -> Finding:
    grids = operation.grids_missing
    if not operation.usable:
        return finding("geoid-missing", "site", grids=grids)
    if isnan(operation.accuracy_m):
        variant = "undated" if operation.undated else ""
        return finding("geoid-unsure", "site", variant=variant, operation=operation.name)
    return finding(
        "heights-by-geoid",
        "site",
        operation=operation.name,
        accuracy_m=operation.accuracy_m,
        grids=grids,
    )
