"""Layers of what was surveyed: marks, stops, and what the camera saw."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite, nan
from typing import Final

import numpy as np

from lateralline import contract
from lateralline.catalogue import Given
from lateralline.derive.axis import Axis
from lateralline.derive.chainage import Reached, reach
from lateralline.derive.dates import SurveyDays
from lateralline.derive.ellipses import plan_columns, sigma_columns
from lateralline.derive.tables import GEOMETRY, OF_RECORD, Columns, fields_of, points, source_rows
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.findings import Finding, finding
from lateralline.records import (
    ExposureRows,
    Exposures,
    Fixes,
    Marks,
    ObservationRows,
    Solved,
    Spots,
    StopRows,
)
from lateralline.settings import Run, Settings
from lateralline.units import METRES_PER
from lateralline.wording import metres

#: What the rest of a line says against a stop of it.
_AGAINST: Final = ("blunder", "stops-shifted", "shape-undecided/or-wrong")


def field_marks(
    days: SurveyDays,
    marks: Marks,
    solved: Solved,
    fixes: Fixes,
    spots: Spots,
    units: Mapping[str, str],
) -> Columns:
    """Return every mark as placed, with its residual; one without position has no geometry.

    `spots` and `units` are what the field record says of them. `fixes` are turned to the
    camera's way by `link`, and residuals along and across with them.
    """
    results = solved.mark_results
    turned = np.cos(fixes.heading_rad - solved.fixes.heading_rad) < 0.0
    stops = zip(fixes.run[turned].tolist(), fixes.stop[turned].tolist(), strict=True)
    back = set(stops)
    of_marks = zip(marks.run.tolist(), marks.stop.tolist(), strict=True)
    way = np.array([-1.0 if stop in back else 1.0 for stop in of_marks])
    tied = np.isfinite(marks.misfit_chi2).tolist()
    blunder, runs = results.smallest_blunder_m, marks.run.tolist()
    booked = dict(zip(spots.row.tolist(), as_booked(spots, units), strict=True))
    return {
        **fields_of("field_marks", marks),
        **fields_of("field_marks", results),
        **sigma_columns(marks.cov_m2),
        "mark_id": marks.mark,
        "booked": [booked.get(row) for row in marks.row.tolist()],
        "run_id": marks.run,
        "redundancy_number": results.redundancy,
        "residual_along_m": way * results.residual_along_m,
        "residual_across_m": way * results.residual_across_m,
        "stop_id": marks.stop,
        # infinite: a mark no other controls hides any blunder
        "smallest_blunder_m": np.where(np.isfinite(blunder), blunder, np.nan),
        "tie_chi2": marks.misfit_chi2,
        "tie_dof": [
            dof if known else None
            for dof, known in zip(marks.misfit_dof.tolist(), tied, strict=True)
        ],
        "source_row": source_rows(marks.file, marks.row.tolist()),
        **_when_and_who(days, runs),
        GEOMETRY: points(marks.xyz_m, marks.placed),
    }


def exposed(
    settings: Settings, days: SurveyDays, rows: ExposureRows, exposures: Exposures
) -> Columns:
    """Return every exposure as measured, and how far above the invert that is."""
    given = {row: i for i, row in enumerate(rows.spots.row.tolist())}
    at = [given[row] for row in exposures.row.tolist()]
    pipes = {pipe.line: pipe for pipe in settings.pipes}
    lines = list(map(settings.line_of, exposures.line.tolist(), exposures.run.tolist()))
    above = []
    for line, run, to in zip(
        lines, exposures.run.tolist(), exposures.measured_to.tolist(), strict=True
    ):
        ride_m = settings.ride_height_m(line, run)
        known = to and line in pipes
        above.append(ride_m - pipes[line].axis_above_m(to, ride_m) if known else nan)
    booked = as_booked(rows.spots, settings.units)
    return {
        **fields_of("field_exposures", exposures),
        **sigma_columns(exposures.cov_m2),
        "exposure": exposures.name,
        "line_id": [line or None for line in lines],
        "run_id": [run or None for run in exposures.run.tolist()],
        "method": [str(rows.spots.method[i]) for i in at],
        "booked": [booked[i] for i in at],
        "measured_to": [to or None for to in exposures.measured_to.tolist()],
        "depth_m": [float(rows.depth_m[i]) for i in at],
        "ground_level_m": exposures.ground_m,
        "point_level_m": exposures.xyz_m[:, 2],
        "above_invert_m": above,
        "note": [str(rows.spots.note[i]) or None for i in at],
        "source_row": source_rows(exposures.file, exposures.row.tolist()),
        "surveyed_on": [days.exposure.get(n, days.site) for n in exposures.name.tolist()],
        GEOMETRY: points(exposures.xyz_m, exposures.placed),
    }


def as_booked(spots: Spots, units: Mapping[str, str]) -> list[str]:
    """Return the measurement of each spot (n) as its row has it, in the units of the site.

    Numbers are those that were read: feet and inches as decimals of the foot.
    """
    tape, level = units.get("tape") or "m", units.get("level") or "m"
    per, per_level = METRES_PER[tape], METRES_PER[level]

    def taped(metres: float) -> str:
        return f"{metres / per:.7g} {tape}"

    booked = []
    for i, method in enumerate(spots.method.tolist()):
        a, b, off_m = str(spots.base_from[i]), str(spots.base_to[i]), float(spots.offset_m[i])
        if method == "gnss":
            text = f"x {spots.x[i]:.12g}, y {spots.y[i]:.12g}"
        elif method == "offset":
            side = f", {taped(abs(off_m))} {'right' if off_m > 0 else 'left'}" if off_m else ""
            text = f"{taped(spots.station_m[i])} along {a}–{b}{side or ', on the line'}"
        elif method == "level":
            text = "a level at a counter"
        elif method == "polar":
            azimuth = f"{np.degrees(spots.bearing_rad[i]) % 360.0:.7g}°"
            text = f"{taped(spots.station_m[i])} from {a} at {azimuth}"
        else:
            tapes = [f"{point} {taped(metres)}" for point, metres in spots.ties[i]]
            text = ", ".join([*tapes, *([str(spots.side[i])] if spots.side[i] else [])])
        if isfinite(spots.z_m[i]):
            text += f", z {spots.z_m[i] / per_level:.9g} {level}"
        booked.append(text)
    return booked


def _when_and_who(days: SurveyDays, runs: Sequence[str]) -> Columns:
    """Return when, by whom and with which receiver the rows of these runs were surveyed."""
    return {
        "surveyed_on": days.of_runs(runs),
        "surveyor": days.surveyors(runs),
        "receiver": days.receivers(runs),
    }


def transmitter_fixes(
    settings: Settings,
    days: SurveyDays,
    stops: StopRows,
    fixes: Fixes,
    axes: Sequence[Axis],
    found: Iterable[Finding],
) -> Columns:
    """Return each stop's own solution, located or not, and how the line moved it.

    Of a stop that an error of `found` contradicts, or one that names the stop among others, status
    and reason say so. A warning on it stands in the reason alone.

    `fixes` are turned to the camera's way by `link`. Geometry and covariance are the stop's own,
    so they can be compared with the line; a stop of two positions is drawn at its better candidate.
    """
    n = len(fixes.stop)
    chainage, shift = np.full(n, np.nan), np.full(n, np.nan)
    for axis in axes:
        at = axis.line.fix >= 0
        chainage[axis.line.fix[at]] = axis.chainage_m[at]
        shift[axis.line.fix[at]] = axis.line.shift_m[at]
    lines = {run.id: run.line for run in settings.runs}
    notes = dict(zip(stops.row.tolist(), stops.note.tolist(), strict=True))
    read = dict(zip(stops.row.tolist(), stops.depth_reading_m.tolist(), strict=True))
    measured = dict(zip(stops.row.tolist(), stops.tilt_rad.tolist(), strict=True))
    tilt = np.array([measured[row] for row in fixes.row.tolist()])
    expected = np.where(np.isnan(fixes.tilt_prior_rad), tilt, 0.0)
    expected_sigma = np.where(
        np.isnan(tilt), fixes.tilt_prior_rad, settings.accuracy.tilt_measured_rad
    )
    sigma = np.sqrt(np.diagonal(fixes.cov, axis1=1, axis2=2))
    return {
        **fields_of("transmitter_fixes", fixes),
        **plan_columns(fixes.cov[:, :3, :3]),
        "line_id": [lines.get(run) for run in fixes.run.tolist()],
        "run_id": fixes.run,
        "stop_id": fixes.stop,
        "chainage_m": chainage,
        "transmitter_level_m": fixes.xyz_m[:, 2],
        "transmitter_depth_m": fixes.depth_m,
        "transmitter_depth_sigma_m": fixes.depth_sigma_m,
        "ground_level_m": fixes.ground_m,
        "heading_deg": np.mod(np.degrees(fixes.heading_rad), 360.0),
        "heading_sigma_deg": np.degrees(sigma[:, 3]),
        "tilt_deg": np.degrees(fixes.tilt_rad),
        "tilt_sigma_deg": np.degrees(sigma[:, 4]),
        "depth_reading_m": [read[row] for row in fixes.row.tolist()],
        "tilt_expected_deg": np.degrees(expected),
        "tilt_expected_sigma_deg": np.degrees(expected_sigma),
        "shift_m": shift,
        **_status(fixes, found),
        "note": [notes.get(row) for row in fixes.row.tolist()],
        "source_row": source_rows(stops.file, fixes.row.tolist()),
        **_when_and_who(days, fixes.run.tolist()),
        GEOMETRY: points(fixes.xyz_m),
    }


def _status(fixes: Fixes, found: Iterable[Finding]) -> Columns:
    """Return how far each fix can be trusted, beside the rest of its line, too."""
    status, reason = fixes.status.tolist(), fixes.reason.tolist()
    at = {f"stop {r}/{s}": i for i, (r, s) in enumerate(zip(fixes.run, fixes.stop, strict=True))}
    against = [f for f in found if f.is_one_of(_AGAINST)]
    pairs = [(f, s) for f in against for s in dict.fromkeys((*f.suspects, *f.about))]
    for f, stop in pairs:
        i = at.get(stop, -1)
        if i >= 0 and status[i] != "not_located":
            status[i] = "contradicted" if f.severity == "error" else status[i]
            reason[i] = "; ".join(filter(None, (reason[i], f"{f.what} ({f.name})")))
    return {"status": status, "reason": reason}


def pipe_observations(
    settings: Settings,
    days: SurveyDays,
    seen: ObservationRows,
    axes: Sequence[Axis],
    control: ControlPoints,
) -> tuple[Columns, tuple[Finding, ...]]:
    """Return the layer in the order of the file, and a finding for each not on the located line."""
    n, runs = len(seen.run), seen.run.tolist()
    lines = {run.id: run.line for run in settings.runs}
    of_line = {axis.line.line: axis for axis in axes}
    ids = [f"{run}/O{runs[: i + 1].count(run)}" for i, run in enumerate(runs)]
    rows = source_rows(seen.file, seen.row.tolist())
    given = fields_of("pipe_observations", seen) | {
        "observation_id": ids,
        "line_id": [lines.get(run) for run in runs],
        "run_id": seen.run,
        "source_row": rows,
        **_when_and_who(days, runs),
    }
    placed = {
        c.name: np.full(n, nan if c.type == "real" else "", dtype=object)
        for c in contract.load("pipe_observations").field
        if not c.required
        and c.name not in given
        and c.name not in OF_RECORD
        and c not in contract.assets()
    }
    placed |= {GEOMETRY: np.full(n, None), "status": np.full(n, "not_located", dtype=object)}
    placed["reason"][:] = [f"line {lines.get(run, '')} is not located" for run in runs]
    beyond_m = np.full(n, nan)
    for run in settings.runs:
        own = np.flatnonzero(seen.run == run.id)
        axis = of_line.get(run.line)
        if axis is not None and len(own):
            found = reach(axis, run, seen.counter_m[own], settings.accuracy)
            beyond_m[own] = found.beyond_m
            for name, values in _places(settings, axis, run, found, control).items():
                placed[name][own] = values
    findings = []
    for i, status in enumerate(placed["status"]):
        if status == "located":
            continue
        variant = "past"
        more: dict[str, Given] = {
            "seen": str(seen.code[i] or "observation"),
            "counter_m": float(seen.counter_m[i]),
        }
        line = lines.get(runs[i], "")
        if isfinite(beyond_m[i]):
            more["beyond_m"] = float(beyond_m[i])
            if status == "beyond_end":
                variant = "beyond"
        elif line in of_line:
            variant = "run"
            more |= {"line": line, "run": runs[i]}
        else:
            variant = "line"
            more["line"] = line
        subject = f"observation {ids[i]}"
        findings.append(
            finding("observation-not-located", subject, variant=variant, where=rows[i], more=more)
        )
    return given | placed, tuple(findings)


def _places(
    settings: Settings, axis: Axis, run: Run, found: Reached, control: ControlPoints
) -> Columns:
    """Return the columns that follow from the place, unknown where there is none, and points."""
    there = found.status != "not_located"
    places = axis.at(np.where(there, found.chainage_m, 0.0))
    places = places.by_counter(np.where(there, found.counter_sigma_m, 0.0))
    along = np.einsum("ni,nij,nj->n", places.tangent, places.cov_m2, places.tangent)
    numbers = fields_of("pipe_observations", places) | {
        "chainage_sigma_m": np.sqrt(along),
        **plan_columns(places.cov_m2),
    }
    plan = np.where(there[:, None], places.xyz_m[:, :2], nan)
    return {
        **{name: np.where(there, np.asarray(values), nan) for name, values in numbers.items()},
        **two_tapes(plan, control, settings.accuracy),
        "status": found.status,
        "reason": _reasons(axis, run, found),
        GEOMETRY: points(places.on_invert, there),
    }


def _reasons(axis: Axis, run: Run, found: Reached) -> list[str]:
    """Return why observations (n,) are not on the located line; "" where they are."""
    reasons = []
    for status, beyond in zip(found.status.tolist(), found.beyond_m.tolist(), strict=True):
        if status == "located":
            reasons.append("")
        elif status == "beyond_end":
            reasons.append(f"{metres(beyond)} past the end of the line, carried on straight")
        elif isfinite(beyond):
            reasons.append(f"{metres(beyond)} past the end of the located line")
        else:
            reasons.append(f"run {run.id} has no located point on line {axis.line.line}")
    return reasons
