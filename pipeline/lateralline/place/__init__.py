"""Stage `place`: every mark and exposure into the site frame, with a full covariance.

What goes into a covariance: the error of control and of tape or compass, or of GNSS; for marks
the error of putting paint where the field showed its sign; and the error of the level. Errors
that several marks share (one control point, one unknown ground) are counted in each of them.
Control is off as a whole, too: shifted and turned, as a traverse or a photo is.

Decisions, with reasons
-----------------------
Each baseline's computed length is a finding, so the crew can compare it with the tape; control
out of proportion is a warning (a typed digit turned a whole trial site by 90°, and every
residual was zero). σ of a taped distance is tape_m + tape_ratio × length (the sum; a worst case
rather than quadrature). Control without σ: `gnss_m` in plan, `level_m` in level. Ground marks
have no placing error. A mark without level stands at the mean of the known levels, with
`unknown_ground_m` and their spread as σ. Two ties that cannot meet are not placed; three or
more are adjusted, and with one spare tie the finding does not name one. Bearings from true or
magnetic north are turned by convergence and declination (`north`); the declination's σ is one error
of all of them. Bearings of which nobody says what north they count from are taken from the grid's,
with a warning of what they would be off by if a compass was read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot
from typing import Final, NamedTuple

import numpy as np

from lateralline.findings import Finding
from lateralline.frames import Frame
from lateralline.frames.sketch import map_errors
from lateralline.place.control import (
    PlacedControl,
    PlanPositions,
    control_in,
    control_plausible,
)
from lateralline.place.levels import (
    Ground,
    Levels,
    level_findings,
    level_ground,
    levels_mixed,
    spot_levels,
    with_levels_of_gnss,
    without_far_levels,
)
from lateralline.place.misplaced import misplaced, roots
from lateralline.place.north import BearingsNorth, bearings_north
from lateralline.place.plan import plan_positions
from lateralline.place.tape import SpotTable, complete, where
from lateralline.records import Exposures, FieldRecord, Floats, Marks

__all__ = ["Placed", "place"]

#: Two marks closer than this are one spot measured or written twice.
_SAME_SPOT_M: Final = 0.005


@dataclass(frozen=True, slots=True)
class Placed:
    """Output of place."""

    frame: Frame
    marks: Marks
    exposures: Exposures
    findings: tuple[Finding, ...]
    lengths_unreliable: bool = False  # coordinates are wrong, and with them lengths between marks


def place(record: FieldRecord) -> Placed:
    """Return every mark and exposure of a site in its frame, with covariance and findings.

    A spot that cannot be placed is NaN with `placed` False and a finding of severity error; only a
    CRS that cannot be used at all raises (FrameError).
    """
    record, far = without_far_levels(record)
    record, frame, reduced = with_levels_of_gnss(record)
    control = control_in(frame, record)
    north = bearings_north(frame, record)
    ground = level_ground(record, control)
    by = _PlacedBy(frame, control, north, ground)
    marks, from_marks = _marks(record, by)
    exposures, from_exposures = _exposures(record, by)
    lost = misplaced(frame, record)
    plausible = (*control_plausible(record, control), *levels_mixed(record, frame))
    of_spots = (*from_marks, *from_exposures)
    found = roots((*frame.findings, *reduced, *far, *north.findings, *plausible, *of_spots), lost)
    marks, exposures = _used(marks, exposures)
    return Placed(frame, marks, exposures, (*lost.findings, *found), lengths_unreliable=lost.shape)


class _PlacedBy(NamedTuple):
    """What all spots of a site are placed by."""

    frame: Frame
    control: PlacedControl
    north: BearingsNorth
    ground: Ground


def _marks(record: FieldRecord, by: _PlacedBy) -> tuple[Marks, list[Finding]]:
    rows, spots = record.marks, record.marks.spots
    table = SpotTable("mark", spots, record.settings, by.control.compass_of["mark"])
    plan, levels, cov, shared = _located(table, by)
    # A ground shot shows no sign of the field that its paint could miss.
    placing = np.where(rows.kind == "ground", 0.0, record.settings.accuracy.mark_placing_m**2)
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
    _coinciding(marks, table)
    return marks, [*level_findings("mark", levels.known, by.ground), *table.found]


def _exposures(record: FieldRecord, by: _PlacedBy) -> tuple[Exposures, list[Finding]]:
    rows, spots = record.exposures, record.exposures.spots
    table = SpotTable("exposure", spots, record.settings, by.control.compass_of["exposure"])
    plan, levels, cov, shared = _located(table, by)
    from_ground = np.isfinite(rows.depth_m)
    level = levels.z_m - np.where(from_ground, rows.depth_m, 0.0)
    level[~from_ground & ~levels.known] = np.nan  # the ground's level is no guess at a pipe's
    sigma = np.where(np.isnan(rows.sigma_m), record.settings.accuracy.exposure_m, rows.sigma_m)
    cov[:, 2, 2] += np.square(sigma)
    alone = (spots.method == "level") & np.isfinite(level)
    if not np.isfinite(record.marks.spots.z_m).any():
        for i in where(alone):
            table.add(i, "level-missing/nothing-to-hold-against", level_m=level[i])
        alone[:] = False
    level_var = cov[alone, 2, 2]
    in_plan = complete(plan.xy_m) & complete(cov[:, :2, :2]) & np.isnan(level)
    plan_cov = cov[in_plan, :2, :2]
    xyz, cov = _whole(np.column_stack([plan.xy_m, level]), cov)
    xyz[alone, 2], cov[alone, 2, 2] = level[alone], level_var
    xyz[in_plan, :2], cov[in_plan, :2, :2] = plan.xy_m[in_plan], plan_cov
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
        placed=complete(xyz[:, :2]),
        shared_m=shared,
        level_only=alone,
    )
    ground_given = levels.known | ~from_ground
    return exposures, [*level_findings("exposure", ground_given, by.ground), *table.found]


def _located(
    table: SpotTable, placed_by: _PlacedBy
) -> tuple[PlanPositions, Levels, Floats, Floats]:
    """Return plan, levels and covariance (n, 3, 3) of spots, and errors shared through the site.

    Plan and level hang together where a sloping tape was reduced. The last, (n, 3, 3c + b + 7 + p),
    is what one σ of each shared error does to each spot: east and north of each point that several
    spots hang on, compasses, control as a whole (shifted, turned), levels of the points; then GNSS,
    all three; the north of bearings; the p errors of setting a sketch onto a map.
    """
    frame, control, north, ground = placed_by
    settings, gnss = table.settings, table.spots.method == "gnss"
    plan = plan_positions(frame, control, north, table)
    levels = spot_levels(table.spots, control, ground, settings.accuracy)
    n, in_plan, c = len(levels.z_m), control.width, control.shares
    # Heights of GNSS reduced to levels share the error of the geoid's separation.
    common = settings.accuracy.gnss_common_m
    common_up = hypot(common, settings.georeference.separation_sigma_m)
    by_gnss = np.diag([common, common, common_up])
    through = np.column_stack([plan.by_level, np.ones(n)])
    cov = np.square(levels.sigma_m)[:, None, None] * through[:, :, None] * through[:, None, :]
    cov[:, :2, :2] += plan.cov_m2
    cov[gnss] += np.square(by_gnss)
    by_map = map_errors(frame, settings.on_map, plan.xy_m)
    cov[:, :2, :2] += by_map @ by_map.transpose(0, 2, 1)
    shared = np.zeros((n, 3, in_plan + c + 4 + by_map.shape[2]))
    shared[:, :2, :in_plan] = plan.by_shared
    shared[:, :2, in_plan + c + 3] = np.nan_to_num(plan.by_north)
    shared[:, :2, in_plan + c + 4 :] = np.nan_to_num(by_map)
    by = np.flatnonzero(levels.control >= 0)
    by = by[control.shared[levels.control[by]] >= 0]
    sigma = np.nan_to_num(control.sigma_v_m[levels.control[by]])
    # a sloping tape is reduced by the level: with it the position moves too
    shared[by, :, in_plan + control.shared[levels.control[by]]] = sigma[:, None] * through[by]
    shared[gnss, :, in_plan + c : in_plan + c + 3] = by_gnss
    return plan, levels, cov, shared


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


def _coinciding(marks: Marks, table: SpotTable) -> None:
    """Warn of marks of one stop on the same spot: of one kind, or an end null with anything else.

    A mid null and a peak may well coincide, right above the transmitter; an end null never does.
    """
    at = np.flatnonzero(marks.placed & (marks.kind != "ground"))
    if len(at) < 2:
        return
    runs, stops = (np.unique(t[at], return_inverse=True)[1] for t in (marks.run, marks.stop))
    at = at[np.lexsort((stops, runs))]  # marks of a stop beside each other, in their order
    pairs: list[tuple[int, int]] = []
    for step in range(1, len(at)):
        first, second = at[:-step], at[step:]
        mates = (marks.run[first] == marks.run[second]) & (marks.stop[first] == marks.stop[second])
        if not mates.any():
            break
        east_m, north_m = (marks.xyz_m[first] - marks.xyz_m[second])[:, :2].T
        near = mates & (east_m**2 + north_m**2 <= _SAME_SPOT_M**2)
        pairs += zip(first[near].tolist(), second[near].tolist(), strict=True)
    for i, j in sorted(pairs):
        kinds = {"other_kind": marks.kind[i], "kind": marks.kind[j]}
        if marks.kind[i] == marks.kind[j] or "end_null" in kinds.values():
            table.add(j, "mark-duplicate", other=marks.mark[i], within_m=_SAME_SPOT_M, **kinds)
