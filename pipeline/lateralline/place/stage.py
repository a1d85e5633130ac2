"""The stage itself: plan and level of every spot put together, with one covariance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from lateralline.findings import Finding
from lateralline.frames import Frame
from lateralline.place.control import PlacedControl, control_in
from lateralline.place.level_bases import levels_mixed
from lateralline.place.levels import (
    Ground,
    Levels,
    level_findings,
    level_ground,
    spot_levels,
    without_far_levels,
)
from lateralline.place.misplaced import misplaced, roots
from lateralline.place.notes import PlacingNotes, complete
from lateralline.place.plan import PlanPositions, plan_positions
from lateralline.place.plausible import control_plausible
from lateralline.place.reduce import with_levels_of_gnss
from lateralline.records import Exposures, FieldRecord, Floats, Marks, Spots
from lateralline.settings import Settings

#: Two marks closer than this are one spot measured or written twice.
_SAME_SPOT_M: Final = 0.005


@dataclass(frozen=True, slots=True)
class Placed:
    """Output of place."""

    frame: Frame
    marks: Marks
    exposures: Exposures
    findings: tuple[Finding, ...]
    misshapen: bool = False  # coordinates are wrong so that lengths between marks are wrong too


def place(record: FieldRecord) -> Placed:
    """Return every mark and exposure of a site in its frame, with covariance and findings.

    A spot that cannot be placed is NaN with `placed` False and a finding of severity error; only a
    CRS that cannot be used at all raises (FrameError).
    """
    record, far = without_far_levels(record)
    record, frame, reduced = with_levels_of_gnss(record)
    control, assumed = control_in(frame, record)
    ground = level_ground(record, control)
    marks, from_marks = _marks(record, frame, control, ground)
    exposures, from_exposures = _exposures(record, frame, control, ground)
    lost = misplaced(frame, record)
    plausible = (*control_plausible(record, control), *levels_mixed(record, frame))
    of_spots = (*from_marks, *from_exposures)
    found = roots((*frame.findings, *reduced, *far, *assumed, *plausible, *of_spots), lost)
    marks, exposures = _used(marks, exposures)
    return Placed(frame, marks, exposures, (*lost.findings, *found), misshapen=lost.shape)


def _marks(
    record: FieldRecord, frame: Frame, control: PlacedControl, ground: Ground
) -> tuple[Marks, list[Finding]]:
    rows, accuracy = record.marks, record.settings.accuracy
    spots, notes = rows.spots, PlacingNotes("mark", rows.spots)
    plan, levels, cov = _located(record, frame, control, ground, notes)
    # A ground shot shows no sign of the field that its paint could miss.
    placing = np.where(rows.kind == "ground", 0.0, accuracy.mark_placing_m**2)
    shared = _shared(spots, control, record.settings, plan, levels)
    cov[:, [0, 1], [0, 1]] += placing[:, None]
    xyz, cov = _whole(np.column_stack([plan.xy_m, levels.z_m]), cov)
    marks = Marks(
        file=spots.file,
        row=spots.row,
        mark=spots.name,
        run=rows.run,
        stop=rows.stop,
        kind=rows.kind,
        method=spots.method,
        note=spots.note,
        xyz_m=xyz,
        cov_m2=cov,
        level_known=levels.known,
        placed=complete(xyz),
        misfit_chi2=plan.chi2,
        misfit_dof=plan.dof,
        shared_m=shared,
    )
    _coinciding(marks, notes)
    return marks, [*level_findings("mark", levels.known, ground), *notes.found]


def _exposures(
    record: FieldRecord, frame: Frame, control: PlacedControl, ground: Ground
) -> tuple[Exposures, list[Finding]]:
    rows, accuracy = record.exposures, record.settings.accuracy
    spots, notes = rows.spots, PlacingNotes("exposure", rows.spots)
    plan, levels, cov = _located(record, frame, control, ground, notes)
    from_ground = np.isfinite(rows.depth_m)
    level = levels.z_m - np.where(from_ground, rows.depth_m, 0.0)
    for i in np.flatnonzero(~from_ground & ~levels.known):
        # The ground's level is no guess at a pipe's.
        level[i] = np.nan
        notes.add(int(i), "exposure-no-level", measured_to=rows.measured_to[i])
    sigma = np.where(np.isnan(rows.sigma_m), accuracy.exposure_m, rows.sigma_m)
    cov[:, 2, 2] += np.square(sigma)
    alone = (spots.method == "level") & np.isfinite(level)
    if not np.isfinite(record.marks.spots.z_m).any():
        for at in np.flatnonzero(alone).tolist():
            notes.add(at, "level-without-ground", level_m=level[at])
        alone[:] = False
    level_var = cov[alone, 2, 2]
    xyz, cov = _whole(np.column_stack([plan.xy_m, level]), cov)
    xyz[alone, 2], cov[alone, 2, 2] = level[alone], level_var
    exposures = Exposures(
        file=spots.file,
        row=spots.row,
        name=spots.name,
        run=rows.run,
        line=rows.line,
        counter_m=rows.counter_m,
        measured_to=rows.measured_to,
        xyz_m=xyz,
        cov_m2=cov,
        ground_m=np.where(from_ground, levels.z_m, np.nan),
        placed=complete(xyz),
        shared_m=_shared(spots, control, record.settings, plan, levels),
        level_only=alone,
    )
    ground_given = levels.known | ~from_ground
    return exposures, [*level_findings("exposure", ground_given, ground), *notes.found]


def _located(
    record: FieldRecord, frame: Frame, control: PlacedControl, ground: Ground, notes: PlacingNotes
) -> tuple[PlanPositions, Levels, Floats]:
    """Return plan, levels and covariance (n, 3, 3) of the spots of `notes`.

    Plan and level hang together where a sloping tape was reduced.
    """
    settings = record.settings
    plan = plan_positions(frame, control, settings.accuracy, settings.slope_tape, notes)
    levels = spot_levels(notes.spots, control, ground, settings.accuracy)
    through = np.column_stack([plan.by_level, np.ones(len(levels.z_m))])
    cov = np.square(levels.sigma_m)[:, None, None] * through[:, :, None] * through[:, None, :]
    cov[:, :2, :2] += plan.cov_m2
    gnss = notes.spots.method == "gnss"
    cov[gnss] += np.diag(np.square(_gnss_common_m(settings)))
    return plan, levels, cov


def _shared(
    spots: Spots, control: PlacedControl, settings: Settings, plan: PlanPositions, levels: Levels
) -> Floats:
    """Return what one σ of each error shared through the site does to n spots (n, 3, 3c + 3).

    East and north of each point that several spots hang on, their levels; then GNSS, all three.
    """
    n, c = len(levels.z_m), control.shares
    out = np.zeros((n, 3, 3 * c + 3))
    out[:, :2, : 2 * c] = plan.by_control
    by = np.flatnonzero(levels.control >= 0)
    by = by[control.shared[levels.control[by]] >= 0]
    at = 2 * c + control.shared[levels.control[by]]
    sigma = np.nan_to_num(control.sigma_v_m[levels.control[by]])
    out[by, 2, at] = sigma
    # a sloping tape is reduced by the level: with it the position moves too
    out[by[:, None], np.arange(2), at[:, None]] = plan.by_level[by] * sigma[:, None]
    out[np.ix_(spots.method == "gnss", range(3), range(3 * c, 3 * c + 3))] = np.diag(
        _gnss_common_m(settings)
    )
    return out


def _gnss_common_m(settings: Settings) -> Floats:
    """Return 1 σ east, north, up of what all GNSS spots are off by together.

    Heights reduced to levels share the error of the geoid's separation.
    """
    common = settings.accuracy.gnss_common_m
    return np.array([common, common, hypot(common, settings.georeference.separation_sigma_m)])


def _used(marks: Marks, exposures: Exposures) -> tuple[Marks, Exposures]:
    """Drop the columns of shared errors that move nothing, or one spot only."""
    both = np.concatenate([marks.shared_m, exposures.shared_m])
    several = (np.abs(both) > 0.0).any(axis=1).sum(axis=0) > 1
    return (
        replace(marks, shared_m=marks.shared_m[:, :, several]),
        replace(exposures, shared_m=exposures.shared_m[:, :, several]),
    )


def _whole(xyz: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return positions and covariances NaN throughout where any part is."""
    lost = ~(complete(xyz) & complete(cov))
    return (
        np.where(lost[:, None], np.nan, xyz),
        np.where(lost[:, None, None], np.nan, cov),
    )


def _coinciding(marks: Marks, notes: PlacingNotes) -> None:
    """Warn of marks of one stop on the same spot: of one kind, or an end null with anything else.

    A mid null and a peak may well coincide, right above the transmitter; an end null never does.
    """
    at = np.flatnonzero(marks.placed & (marks.kind != "ground"))
    if len(at) < 2:
        return
    # Stops stand apart as storeys, so that only marks of one stop can be neighbours.
    runs, stops = (np.unique(t[at], return_inverse=True)[1] for t in (marks.run, marks.stop))
    apart = np.column_stack([marks.xyz_m[at, :2], runs, stops])
    for first, second in sorted(cKDTree(apart).query_pairs(_SAME_SPOT_M)):
        i, j = int(at[first]), int(at[second])
        kinds = (marks.kind[i], marks.kind[j])
        if kinds[0] == kinds[1] or "end_null" in kinds:
            notes.add(
                j,
                "marks-coincide",
                kind=kinds[1],
                other=marks.mark[i],
                other_kind=kinds[0],
                within_m=_SAME_SPOT_M,
            )
