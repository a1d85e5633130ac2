"""A sketch with control points that are known on a map, set onto it: a site of the map's CRS.

Shift and turn follow from the points known in both; lengths stay as taped, so the scale is the
grid's. How sure they are is one error of the whole site. A distance that differs between tape and
map by more than both allow is told, and shift and turn are then as much less sure.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from math import degrees, hypot, sqrt
from typing import Final

import numpy as np

from lateralline.distributions import chi2 as chi2_distribution
from lateralline.findings import Finding, finding
from lateralline.frames.build import site_frame
from lateralline.frames.frame import Frame
from lateralline.kernels.sketch_fit import SketchFit, fit_sketch, moved_by
from lateralline.records import ControlRows, FieldRecord, Floats, Spots
from lateralline.settings import OnMap

#: How unlikely the misfit of points known in both is, for it to be told.
_UNLIKELY: Final = 0.01
#: A point of a sketch is good to as much where nothing is said, in metres: paint on a corner.
_LEAST_M: Final = 0.005


def set_onto_map(record: FieldRecord) -> FieldRecord:
    """Return a sketch as a site of the map its settings name; any other record as it is.

    Raises FrameError for a map that its points do not lie on.
    """
    settings, rows = record.settings, record.control
    about = settings.georeference
    if not about.map_crs:
        return record
    known = np.isfinite(rows.map_x) & np.isfinite(rows.map_y)
    there = replace(settings, horizontal=about.map_crs)
    ties = replace(rows, x=np.where(known, rows.map_x, np.nan), y=rows.map_y)
    frame = site_frame(
        replace(
            record,
            settings=there,
            control=ties,
            marks=replace(record.marks, spots=_nowhere(record.marks.spots)),
            exposures=replace(record.exposures, spots=_nowhere(record.exposures.spots)),
        )
    )
    on_map = frame.to_local(rows.map_x[known], rows.map_y[known], np.zeros(int(known.sum())))[:, :2]
    own = np.nan_to_num(rows.sigma_h_m[known])
    sigma = np.maximum(np.hypot(own, rows.map_sigma_m[known]), _LEAST_M)
    sketch = np.column_stack([rows.x, rows.y])
    fit = fit_sketch(sketch[known], on_map, sigma, free_scale=about.map_scale_free)
    widened = max(1.0, fit.chi2 / fit.dof) if fit.dof else 1.0
    centre = frame.to_site_crs(np.append(fit.centre_m, 0.0)[None])[0, :2].tolist()
    placed = OnMap((centre[0], centre[1]), tuple(map(tuple, (widened * fit.cov).tolist())))
    names = [str(p) for p in rows.point[known]]
    told = _told(names, sketch[known], on_map, sigma, fit, about.map_crs)
    x, y = _moved(frame, fit, sketch).T
    control = replace(rows, x=x, y=y, sigma_h_m=np.nan_to_num(rows.sigma_h_m))
    return replace(
        record,
        settings=replace(there, on_map=placed),
        control=control,
        marks=replace(record.marks, spots=_on(frame, fit, record.marks.spots, about.bearings)),
        exposures=replace(
            record.exposures, spots=_on(frame, fit, record.exposures.spots, about.bearings)
        ),
        findings=(*record.findings, *told),
    )


def map_errors(frame: Frame, on_map: OnMap | None, xy_m: Floats) -> Floats:
    """Return what one σ of each error of setting a sketch onto a map does to points (n, 2, p)."""
    if on_map is None:
        return np.zeros((len(xy_m), 2, 0))
    east, north = (np.array([v]) for v in on_map.centre)
    centre = frame.to_local(east, north, np.zeros(1))[0, :2]
    moved = moved_by(xy_m - centre, len(on_map.cov))
    return np.asarray(moved @ np.linalg.cholesky(np.array(on_map.cov)))


def with_map_errors(rows: ControlRows, frame: Frame, on_map: OnMap | None) -> ControlRows:
    """Return control with the σ that points of a sketch have on the map."""
    if on_map is None:
        return rows
    xy = frame.to_local(rows.x, rows.y, np.zeros(len(rows.x)))[:, :2]
    by_map = np.square(map_errors(frame, on_map, xy)).sum(axis=(1, 2)) / 2.0
    return replace(rows, sigma_h_m=np.sqrt(np.square(rows.sigma_h_m) + by_map))


def _nowhere(spots: Spots) -> Spots:
    nothing = np.full(len(spots.x), np.nan)
    return replace(spots, x=nothing, y=nothing)


def _moved(frame: Frame, fit: SketchFit, sketch_m: Floats) -> Floats:
    """Return points (n, 2) of the sketch in the map's own coordinates."""
    xy = fit.onto_map(sketch_m)
    return frame.to_site_crs(np.column_stack([xy, np.zeros(len(xy))]))[:, :2]


def _on(frame: Frame, fit: SketchFit, spots: Spots, bearings: str) -> Spots:
    """Return spots with coordinates, and bearings from the sketch's own y axis, on the map."""
    x, y = _moved(frame, fit, np.column_stack([spots.x, spots.y])).T
    turn = fit.turn_rad if bearings in ("", "grid") else 0.0
    return replace(spots, x=x, y=y, bearing_rad=spots.bearing_rad - turn)


def _told(
    names: list[str], sketch: Floats, on_map: Floats, sigma: Floats, fit: SketchFit, crs: str
) -> list[Finding]:
    """Return the turn found, and the distance that differs most where points do not fit."""
    turned = finding(
        "sketch-on-map/set",
        "site",
        crs=crs,
        points=len(names),
        turn_deg=degrees(fit.turn_rad),
        sigma_deg=degrees(sqrt(fit.cov[2, 2])),
    )
    if not fit.dof or chi2_distribution.sf(fit.chi2, fit.dof) > _UNLIKELY:
        return [turned]
    pairs = {}
    for i, j in combinations(range(len(names)), 2):
        taped = fit.scale * hypot(*(sketch[j] - sketch[i]))
        off = hypot(*(on_map[j] - on_map[i])) - taped
        pairs[i, j] = (abs(off) / hypot(sigma[i], sigma[j]), off)
    (i, j), (_, off_m) = max(pairs.items(), key=lambda pair: pair[1][0])
    apart = finding(
        "sketch-on-map/distance",
        f"control points {names[i]}–{names[j]}",
        off_m=off_m,
        sigma_m=hypot(sigma[i], sigma[j]),
    )
    return [turned, apart]
