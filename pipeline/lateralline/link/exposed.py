"""Exposures brought to the transmitter's axis, and levels known at a counter without a position."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan

import numpy as np

from lateralline.link.points import Point, factorable, reading_of
from lateralline.records import Exposures, Finding
from lateralline.settings import Run, Settings

#: Level of a point whose level nobody measured, about that of its neighbours on the line.
LEVEL_UNKNOWN_M = 1.0


def gather_exposures(
    line: str, exposures: Exposures, width: int, settings: Settings
) -> tuple[list[Point], list[Finding]]:
    """Return the placed exposures of a line as points, in the order of their file.

    `width` is how many errors the site's fixes share.
    """
    runs = [r for r in settings.runs if r.line == line]
    points: list[Point] = []
    findings: list[Finding] = []
    for i in np.flatnonzero(exposures.placed).tolist():
        run = next((r for r in runs if r.id == exposures.run[i]), None)
        if run is not None or (exposures.line[i] == line and not exposures.run[i]):
            point = _point(exposures, i, line, runs, run, settings, width)
            points.append(point)
            if isfinite(exposures.xyz_m[i, 2]) and np.isnan(point.xyz_m[2]):
                findings.append(_level_unused(point, line, str(exposures.measured_to[i])))
    return points, findings


def gather_levels(line: str, exposures: Exposures, width: int, settings: Settings) -> list[Point]:
    """Return the levels known at counters of a line's runs: points whose position is NaN."""
    out = []
    for i in np.flatnonzero(exposures.level_only).tolist():
        run = next((r for r in settings.runs if r.id == exposures.run[i] and r.line == line), None)
        if run is None:
            continue
        up = settings.pipe(line).axis_above_m(str(exposures.measured_to[i]), run.ride_height_m)
        cov = np.zeros((5, 5))
        cov[2, 2] = exposures.cov_m2[i, 2, 2]
        out.append(
            Point(
                "exposure",
                str(exposures.name[i]),
                f"{exposures.file}:{exposures.row[i]}",
                -1,
                np.array([nan, nan, exposures.xyz_m[i, 2] + up]),
                nan,
                nan,
                cov,
                reading_of(run, _counter_m(exposures, i, run)),
                np.zeros((5, width)),
            )
        )
    return out


def _counter_m(exposures: Exposures, i: int, run: Run) -> float:
    """Where on the run's path an exposure lies.

    The camera face reaches a cleanout; a transmitter that is seen sits its lag behind.
    """
    lag = run.transmitter_lag_m if exposures.measured_to[i] == "transmitter" else 0.0
    return float(exposures.counter_m[i]) - lag


def _point(
    exposures: Exposures,
    i: int,
    line: str,
    runs: Sequence[Run],
    run: Run | None,
    settings: Settings,
    width: int,
) -> Point:
    name, where = str(exposures.name[i]), f"{exposures.file}:{exposures.row[i]}"
    if run is None and len(runs) == 1:
        run = runs[0]
    if run is not None and isfinite(exposures.counter_m[i]):
        readings = reading_of(run, _counter_m(exposures, i, run))
    else:
        readings = {r.id: r.counter_at_entry_m for r in runs if r.entry == name}
    ride = run if run is not None else next(iter(runs), None)
    up = settings.pipe(line).axis_above_m(
        str(exposures.measured_to[i]), ride.ride_height_m if ride else 0.0
    )
    xyz, cov = exposures.xyz_m[i].copy(), np.zeros((5, 5))
    cov[:3, :3] = exposures.cov_m2[i]
    xyz[2] += up
    level_known = bool(isfinite(xyz[2]) and isfinite(cov[2, 2]))
    if not level_known:
        xyz[2] = nan
        cov[2, :] = cov[:, 2] = 0.0
        cov[2, 2] = LEVEL_UNKNOWN_M**2
    shared = np.zeros((5, width))
    if len(exposures.shared_m):
        known = exposures.shared_m.shape[2]
        shared[:3, :known] = np.nan_to_num(exposures.shared_m[i])
        shared[2] *= level_known
    return Point("exposure", name, where, -1, xyz, nan, nan, factorable(cov), readings, shared)


def _level_unused(point: Point, line: str, measured_to: str) -> Finding:
    return Finding(
        "warning",
        "link",
        "exposure-level-unused",
        point.subject,
        f"measured to {measured_to.replace('_', ' ')}, but the pipe's dimensions are not "
        "known: it holds the line in plan only",
        "",
        f"give line {line} a nominal size, or inside_diameter and wall, in site.toml",
        point.where,
    )
