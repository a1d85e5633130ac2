"""Plan positions of spots by each of the four methods, with what the tape says of itself."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lateralline.frames import Frame
from lateralline.kernels import taping
from lateralline.kernels.taping import Placement
from lateralline.place.control import PlacedControl
from lateralline.place.notes import PlacingNotes, complete, where
from lateralline.place.tape import TapeReadings
from lateralline.place.ties import place_ties
from lateralline.proportions import MOST_SITE_M, groups
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy


class PlanPositions(NamedTuple):
    """Plan positions of n spots; NaN where one cannot be placed."""

    xy_m: Floats  # (n, 2)
    cov_m2: Floats  # (n, 2, 2) control and tape, or GNSS; without placing and level
    by_control: Floats  # (n, 2, 2c) what one σ of east and north of each shared point does
    by_level: Floats  # (n, 2) how the position moves with the spot's own level (sloping tape)
    chi2: Floats  # (n,) misfit of three or more ties; else NaN
    dof: Ints  # (n,)


def plan_positions(
    frame: Frame, control: PlacedControl, accuracy: Accuracy, slope_tape: bool, notes: PlacingNotes
) -> PlanPositions:
    """Return where the spots of `notes` lie in plan; what is wrong with them goes into `notes`."""
    spots = notes.spots
    n = len(spots.name)
    plan = PlanPositions(
        np.full((n, 2), np.nan),
        np.full((n, 2, 2), np.nan),
        np.zeros((n, 2, 2 * control.shares)),
        np.zeros((n, 2)),
        np.full(n, np.nan),
        np.zeros(n, dtype=np.int64),
    )
    tape = TapeReadings(accuracy, slope_tape)
    _gnss(plan, frame, accuracy, notes)
    _offsets(plan, control, tape, notes)
    _polar(plan, control, tape, notes)
    for tie in place_ties(control, tape, notes):
        plan.xy_m[tie.rows], plan.cov_m2[tie.rows] = tie.xy_m, tie.cov_m2
        plan.by_control[tie.rows] = tie.by_control
        plan.by_level[tie.rows] = tie.by_level
        plan.chi2[tie.rows], plan.dof[tie.rows] = tie.chi2, tie.dof
    tape.report(notes)
    _far(plan, control, notes)
    return plan


def _gnss(plan: PlanPositions, frame: Frame, accuracy: Accuracy, notes: PlacingNotes) -> None:
    spots = notes.spots
    rows = np.flatnonzero(spots.method == "gnss")
    if not len(rows):
        return
    plan.xy_m[rows] = frame.to_local(spots.x[rows], spots.y[rows], np.zeros(len(rows)))[:, :2]
    given = spots.sigma_h_m[rows]
    sigma = np.where(np.isnan(given), accuracy.gnss_m, given)
    plan.cov_m2[rows] = np.square(sigma)[:, None, None] * np.eye(2)


def _offsets(
    plan: PlanPositions, control: PlacedControl, tape: TapeReadings, notes: PlacingNotes
) -> None:
    spots = notes.spots
    rows = np.flatnonzero(spots.method == "offset")
    if not len(rows):
        return
    start, end = control.rows(spots.base_from[rows]), control.rows(spots.base_to[rows])
    base = control.xyz_m[end] - control.xyz_m[start]
    length = np.hypot(base[:, 0], base[:, 1])
    # A sloping tape runs along the baseline's own grade, then from its foot to the spot.
    with np.errstate(divide="ignore", invalid="ignore"):
        grade = base[:, 2] / length
    reading = spots.station_m[rows]
    level = reading * grade / np.sqrt(1.0 + grade**2)
    station = tape.reduce(rows, reading, level, np.zeros(len(rows)))
    rise = spots.z_m[rows] - (control.xyz_m[start, 2] + level)
    offset = tape.reduce(rows, spots.offset_m[rows], rise, control.sigma_v_m[start])
    placed = taping.offset(
        control.xyz_m[start, :2], control.xyz_m[end, :2], station.length_m, offset.length_m
    )
    plan.xy_m[rows] = placed.xy_m
    plan.cov_m2[rows] = _covariance(
        placed,
        np.column_stack([station.sigma_m, offset.sigma_m]),
        np.column_stack([control.sigma_h_m[start], control.sigma_h_m[end]]),
    )
    plan.by_control[rows] = control.in_plan(np.column_stack([start, end]), placed.by_control)
    plan.by_level[rows] = placed.by_measured[:, :, 1] * offset.by_level[:, None]
    for i in where(length == 0.0):
        notes.add(
            int(rows[i]),
            "baseline-zero",
            start=spots.base_from[rows[i]],
            end=spots.base_to[rows[i]],
        )
    beyond = np.maximum(station.length_m - length, -station.length_m)
    for i in where((length > 0.0) & (beyond > length)):
        notes.add(
            int(rows[i]),
            "baseline-short",
            start=spots.base_from[rows[i]],
            end=spots.base_to[rows[i]],
            base_m=length[i],
            beyond_m=beyond[i],
        )


def _polar(
    plan: PlanPositions, control: PlacedControl, tape: TapeReadings, notes: PlacingNotes
) -> None:
    spots = notes.spots
    rows = np.flatnonzero(spots.method == "polar")
    if not len(rows):
        return
    at = control.rows(spots.base_from[rows])
    rise = spots.z_m[rows] - control.xyz_m[at, 2]
    distance = tape.reduce(rows, spots.station_m[rows], rise, control.sigma_v_m[at])
    placed = taping.polar(control.xyz_m[at, :2], distance.length_m, spots.bearing_rad[rows])
    bearing_rad = np.full(len(rows), tape.accuracy.bearing_rad)
    plan.xy_m[rows] = placed.xy_m
    plan.cov_m2[rows] = _covariance(
        placed,
        np.column_stack([distance.sigma_m, bearing_rad]),
        control.sigma_h_m[at][:, None],
    )
    plan.by_control[rows] = control.in_plan(at[:, None], placed.by_control)
    plan.by_level[rows] = placed.by_measured[:, :, 0] * distance.by_level[:, None]


def _covariance(placed: Placement, sigma: Floats, control_sigma_m: Floats) -> Floats:
    """Carry σ of k measured quantities (n, k) and c control points (n, c) into the position."""
    measured = placed.by_measured * sigma[:, None, :]
    control = placed.by_control * np.repeat(control_sigma_m, 2, axis=1)[:, None, :]
    both = np.concatenate([measured, control], axis=2)
    return np.asarray(both @ both.transpose(0, 2, 1))


def _far(plan: PlanPositions, control: PlacedControl, notes: PlacingNotes) -> None:
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
        notes.add(i, "spot-far", "" if sure else "doubt", away_m=distance[i])
        if sure:
            plan.xy_m[i], plan.cov_m2[i] = np.nan, np.nan
