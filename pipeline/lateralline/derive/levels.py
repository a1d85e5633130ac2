"""Levels of a pipe from the levels of the transmitter that rode in it.

Invert = transmitter level − ride height; crown = invert + inside diameter; cover = ground −
(crown + wall). Ride height and pipe dimensions are taken as exact: what is left of them is far
below the level's own σ.
"""

from __future__ import annotations

from math import isfinite, nan

import numpy as np

from lateralline.records import Exposures, Fixes, Floats, Line, Marks, Texts
from lateralline.settings import Pipe, Settings


def outside_diameter_m(pipe: Pipe) -> float:
    """Return the outside diameter: as published, or inside diameter and two walls; NaN unknown."""
    if isfinite(pipe.outside_diameter_m):
        return pipe.outside_diameter_m
    return pipe.inside_diameter_m + 2 * pipe.wall_m


def outside_top_m(pipe: Pipe) -> float:
    """Return how far the outside top stands above the invert: inside diameter plus one wall.

    With only the outside diameter known it is that diameter, a wall too high: less cover, not more.
    """
    top = pipe.inside_diameter_m + pipe.wall_m
    return top if isfinite(top) else pipe.outside_diameter_m


def ride_heights_m(line: Line, settings: Settings, chainage_m: Floats) -> Floats:
    """Return the transmitter's height above the invert at each vertex (m,).

    A vertex no run stood at takes it from its neighbours along the line; a line of exposures only
    takes the mean of the line's runs, and 0 when it has none.
    """
    rides = {run.id: run.ride_height_m for run in settings.runs}
    own = np.array([rides.get(run, nan) for run in line.run.tolist()])
    if np.isfinite(own).any():
        return carried(chainage_m, own)
    of_line = [run.ride_height_m for run in settings.runs if run.line == line.line]
    return np.full(len(own), np.mean(of_line) if of_line else 0.0)


def ground_sigmas_m(marks: Marks, fixes: Fixes, unknown_ground_m: float) -> Floats:
    """Return the σ of each fix's ground level (k,) in metres, from its own marks.

    The mean variance of their levels, not divided by their number: they share one control level.
    A stop none of whose marks has a level takes `unknown_ground_m`.
    """
    keys, at = np.unique(_keys(fixes.run, fixes.stop), return_inverse=True)
    mark_keys = _keys(marks.run, marks.stop)
    variance = marks.cov_m2[:, 2, 2]
    at_mark = np.searchsorted(keys, mark_keys).clip(max=max(len(keys) - 1, 0))
    counts = marks.usable & np.isfinite(variance)
    if len(keys):
        counts &= keys[at_mark] == mark_keys
    total = np.bincount(at_mark[counts], variance[counts], minlength=len(keys))
    number = np.bincount(at_mark[counts], minlength=len(keys))
    mean = np.divide(total, number, out=np.full(len(keys), unknown_ground_m**2), where=number > 0)
    return np.asarray(np.sqrt(mean)[at])


def grounds_m(
    line: Line, fixes: Fixes, fix_sigma_m: Floats, exposures: Exposures, chainage_m: Floats
) -> tuple[Floats, Floats]:
    """Return ground level and its σ at each vertex (m,): own where known, carried between."""
    level = np.full(len(line.fix), nan)
    sigma = level.copy()
    at_fix = line.fix >= 0
    level[at_fix], sigma[at_fix] = fixes.ground_m[line.fix[at_fix]], fix_sigma_m[line.fix[at_fix]]
    row = {name: i for i, name in enumerate(exposures.name.tolist())}
    for vertex in np.flatnonzero(line.kind == "exposure"):
        if (i := row.get(str(line.ref[vertex]))) is not None:
            level[vertex] = exposures.ground_m[i]
            sigma[vertex] = np.sqrt(exposures.cov_m2[i, 2, 2])
    sigma[np.isnan(level)] = nan
    return carried(chainage_m, level), carried(chainage_m, sigma)


def carried(chainage_m: Floats, values: Floats) -> Floats:
    """Return values (m,) with NaN filled along the line: linear between, level beyond the ends.

    >>> carried(np.array([0.0, 1.0, 4.0]), np.array([10.0, np.nan, 12.0])).tolist()
    [10.0, 10.5, 12.0]
    """
    known = np.isfinite(values)
    if not known.any():
        return values
    return np.interp(chainage_m, chainage_m[known], values[known])


def _keys(run: Texts, stop: Texts) -> Texts:
    return np.strings.add(np.strings.add(run, "/"), stop)
