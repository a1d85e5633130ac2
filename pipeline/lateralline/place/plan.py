"""Plan positions of spots by each of the four methods."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from lateralline.frames import Frame
from lateralline.kernels import taping
from lateralline.place.control import PlacedControl, PlanPositions
from lateralline.place.north import BearingsNorth
from lateralline.place.tape import SpotTable, complete, where
from lateralline.place.ties import place_ties
from lateralline.proportions import MOST_SITE_M, groups
from lateralline.records import Ints


def plan_positions(
    frame: Frame, control: PlacedControl, north: BearingsNorth, table: SpotTable
) -> PlanPositions:
    """Return where the spots of a table lie in plan; what is wrong with them becomes findings."""
    plan = _unplaced(len(table.spots.name), control)
    methods: dict[str, Callable[[Ints, PlacedControl, SpotTable], PlanPositions]]
    methods = {"gnss": partial(_gnss, frame), "offset": _offsets, "polar": partial(_polar, north)}
    parts = [
        (rows, place(rows, control, table))
        for method, place in methods.items()
        if len(rows := np.flatnonzero(table.spots.method == method))
    ]
    for rows, part in [*parts, *place_ties(control, table)]:
        for whole, values in zip(plan, part, strict=True):
            whole[rows] = values
    table.report_slopes()
    _far(plan, control, table)
    return plan


def _unplaced(n: int, control: PlacedControl) -> PlanPositions:
    return PlanPositions(
        np.full((n, 2), np.nan),
        np.full((n, 2, 2), np.nan),
        np.zeros((n, 2, control.width)),
        np.zeros((n, 2)),
        np.full(n, np.nan),
        np.zeros(n, dtype=np.int64),
        np.zeros((n, 2)),
    )


def _gnss(frame: Frame, rows: Ints, control: PlacedControl, table: SpotTable) -> PlanPositions:
    spots, given = table.spots, table.spots.sigma_h_m[rows]
    sigma = np.where(np.isnan(given), table.settings.accuracy.gnss_m, given)
    return _unplaced(len(rows), control)._replace(
        xy_m=frame.to_local(spots.x[rows], spots.y[rows], np.zeros(len(rows)))[:, :2],
        cov_m2=np.square(sigma)[:, None, None] * np.eye(2),
    )


def _offsets(rows: Ints, control: PlacedControl, table: SpotTable) -> PlanPositions:
    spots = table.spots
    start, end = control.rows(spots.base_from[rows]), control.rows(spots.base_to[rows])
    base = control.xyz_m[end] - control.xyz_m[start]
    length = np.hypot(base[:, 0], base[:, 1])
    # A sloping tape runs along the baseline's own grade, then from its foot to the spot.
    with np.errstate(divide="ignore", invalid="ignore"):
        grade = base[:, 2] / length
    reading, nil = spots.station_m[rows], np.zeros(len(rows))
    level = reading * grade / np.sqrt(1.0 + grade**2)
    station = table.reduce(rows, reading, level, nil)
    rise = spots.z_m[rows] - (control.xyz_m[start, 2] + level)
    offset = table.reduce(rows, spots.offset_m[rows], rise, control.sigma_v_m[start])
    placed = taping.offset(
        control.xyz_m[start, :2], control.xyz_m[end, :2], station.length_m, offset.length_m
    )
    names = [{"start": spots.base_from[row], "end": spots.base_to[row]} for row in rows]
    for i in where(length == 0.0):
        table.add(int(rows[i]), "baseline-unfit/zero", **names[i])
    beyond = np.maximum(station.length_m - length, -station.length_m)
    for i in where((length > 0.0) & (beyond > length)):
        short = {"base_m": length[i], "beyond_m": beyond[i]}
        table.add(int(rows[i]), "baseline-unfit/short", **names[i], **short)
    return control.taped(
        placed,
        np.column_stack([start, end]),
        np.column_stack([station.sigma_m, offset.sigma_m]),
        np.column_stack([nil, offset.by_level]),
    )


def _polar(
    north: BearingsNorth, rows: Ints, control: PlacedControl, table: SpotTable
) -> PlanPositions:
    spots, nil = table.spots, np.zeros(len(rows))
    at = control.rows(spots.base_from[rows])
    rise = spots.z_m[rows] - control.xyz_m[at, 2]
    distance = table.reduce(rows, spots.station_m[rows], rise, control.sigma_v_m[at])
    accuracy = table.settings.accuracy
    bearing_sigma = nil + np.hypot(accuracy.bearing_rad, accuracy.bearing_reading_rad)
    bearing = spots.bearing_rad[rows] + north.turn_rad
    polar = taping.polar(control.xyz_m[at, :2], distance.length_m, bearing)
    placed = control.taped(
        polar,
        at[:, None],
        np.column_stack([distance.sigma_m, bearing_sigma]),
        np.column_stack([distance.by_level, nil]),
    )
    several = np.flatnonzero(table.compass[rows] >= 0)
    column = 2 * control.shares + table.compass[rows[several]]
    turned = accuracy.bearing_rad * polar.by_measured[several, :, 1]
    placed.by_shared[several, :, column] = turned
    by_north = polar.by_measured[:, :, 1] * north.sigma_rad
    cov = placed.cov_m2 + by_north[:, :, None] * by_north[:, None, :]
    return placed._replace(cov_m2=cov, by_north=by_north)


def _far(plan: PlanPositions, control: PlacedControl, table: SpotTable) -> None:
    """Leave out spots far from the group that most spots and the control are among.

    Without such a group they are warned of: nothing tells which of them are right.
    """
    placed = complete(plan.xy_m)
    known = control.xyz_m[complete(control.xyz_m[:, :2]), :2]
    both = np.concatenate([plan.xy_m[placed], known])
    if not placed.any():
        return
    of = groups(both, MOST_SITE_M)
    size = np.bincount(of)
    sure = 2 * int(size.max()) > len(of)
    middle = np.median(both[of == size.argmax()] if sure else plan.xy_m[placed], axis=0)
    distance = np.linalg.norm(plan.xy_m - middle, axis=1)
    outside = np.zeros(len(placed), dtype=np.bool_)
    outside[placed] = of[: int(placed.sum())] != size.argmax() if sure else False
    for i in where((distance > MOST_SITE_M) & (outside | (not sure))):
        table.add(i, "coordinates-outside", "far" if sure else "perhaps-far", away_m=distance[i])
        if sure:
            plan.xy_m[i], plan.cov_m2[i] = np.nan, np.nan
