"""What a crew writes down: true spots turned into tape, GNSS, counter and depth readings.

Every reading carries the noise stated in `Accuracy`, and is rounded to what the tape or display
shows. The result is rows of text, as they stand on a field sheet.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import atan2, degrees, hypot

import numpy as np
import pyproj

from lateralline.records import Floats
from lateralline.settings import Accuracy
from lateralline.simulate.field import place_marks
from lateralline.simulate.truth import Kind, Poses, TrueControl, TrueRun, Truth, stand
from lateralline.units import METRES_PER

Row = dict[str, str]

_EARTH_RADIUS_M = 6_371_000.0
_SIDES = ("A", "B")  # behind and ahead of the transmitter
_LETTER: dict[Kind, str] = {
    "end_null": "",
    "mid_null": "M",
    "peak_total": "P",
    "peak_axial": "X",
    "ground": "G",
}


@dataclass(frozen=True, slots=True)
class Surveyed:
    """The tables of one surveyed site as text, and what was true."""

    truth: Truth
    poses: Poses
    control: list[Row]
    marks: list[Row]
    stops: list[Row]
    exposures: list[Row]
    observations: list[Row]
    at_counter: dict[str, tuple[str, str]]  # joining line → run, counter at the junction
    to_crs: Callable[[Floats], Floats]  # site plan metres (n, 2) → CRS coordinates


def crs_placer(truth: Truth) -> tuple[Callable[[Floats], Floats], float, int]:
    """Return the map from site plan metres (n, 2) to CRS coordinates, its unit in metres, decimals.

    Ground distances become grid distances by the projection's point scale at the anchor times the
    height factor R/(R+H). The unit is that of sigma_h: metres for a geographic CRS.
    """
    x0, y0 = truth.anchor
    if truth.horizontal == "local":
        unit = METRES_PER[truth.steps.tape[0]]
        return lambda plan: plan / unit + (x0, y0), unit, 2
    crs = pyproj.CRS(truth.horizontal)
    height = _EARTH_RADIUS_M / (_EARTH_RADIUS_M + truth.ground.level_m)
    if crs.is_geographic:
        geod = pyproj.Geod(ellps="WGS84")

        def along_geodesics(plan: Floats) -> Floats:
            azimuth = np.degrees(np.arctan2(plan[:, 0], plan[:, 1]))
            far = np.hypot(plan[:, 0], plan[:, 1]) * height
            start = np.ones_like(far)
            lon, lat, _ = geod.fwd(x0 * start, y0 * start, azimuth, far)
            return np.column_stack([lon, lat])

        return along_geodesics, 1.0, 9
    unit = float(crs.axis_info[0].unit_conversion_factor)
    geographic = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = geographic.transform(x0, y0)
    scale = pyproj.Proj(crs).get_factors(lon, lat).meridional_scale
    per_metre = scale * height / unit
    return lambda plan: plan * per_metre + (x0, y0), unit, 3


def shown(value_m: float, step: tuple[str, float]) -> str:
    """Return a length in metres as it stands on the sheet: in the unit, rounded to the step.

    >>> shown(1.0, ("ft", 0.05))
    '3.30'
    """
    unit, smallest = step
    decimals = len(f"{smallest:g}".partition(".")[2])
    rounded = round(value_m / METRES_PER[unit] / smallest) * smallest
    return f"{rounded + 0.0:.{decimals}f}"


@dataclass(frozen=True, slots=True)
class _Party:
    """The survey party: measures spots one by one, in the way the sheet asks for."""

    rng: np.random.Generator
    truth: Truth
    accuracy: Accuracy
    to_crs: Callable[[Floats], Floats]
    unit_m: float
    decimals: int
    compass_rad: float  # what the compass is off by at its base

    def taped(self, length_m: float) -> str:
        a = self.accuracy
        sigma = hypot(a.tape_m, a.tape_ratio * length_m)
        return shown(length_m + self.rng.normal(0.0, sigma), self.truth.steps.tape)

    def control(self, point: str) -> TrueControl:
        return {c.point: c for c in self.truth.control}[point]

    def coordinates(self, plan_m: Floats) -> tuple[str, str]:
        x, y = self.to_crs(plan_m[None, :])[0]
        return f"{x:.{self.decimals}f}", f"{y:.{self.decimals}f}"

    def spot(self, xyz_m: Floats, method: str) -> Row:
        """Return the position cells of one spot (3,)."""
        match method:
            case "gnss":
                return self._gnss(xyz_m)
            case "offset":
                row = self._offset(xyz_m)
            case "polar":
                row = self._polar(xyz_m)
            case "ties2" | "ties3":
                row = self._ties(xyz_m, int(method[-1]))
            case _:
                raise ValueError(f"no way of measuring is called {method!r}")
        if self.truth.crew.levels:
            level = xyz_m[2] + self.rng.normal(0.0, self.accuracy.level_m)
            row["z"] = shown(level, self.truth.steps.level)
        return row

    def _gnss(self, xyz_m: Floats) -> Row:
        crew = self.truth.crew
        plan = xyz_m[:2] + self.rng.normal(0.0, crew.gnss_sigma_h_m, 2)
        x, y = self.coordinates(plan)
        row = {"method": "gnss", "x": x, "y": y}
        row["sigma_h"] = f"{crew.gnss_sigma_h_m / self.unit_m:.3f}"
        if crew.levels:
            level = xyz_m[2] + self.rng.normal(0.0, crew.gnss_sigma_v_m)
            row["z"] = shown(level, (self.truth.steps.level[0], 0.001))
            row["sigma_v"] = shown(crew.gnss_sigma_v_m, (self.truth.steps.level[0], 0.001))
        return row

    def _offset(self, xyz_m: Floats) -> Row:
        start, end = (self.control(p) for p in self.truth.crew.baseline)
        along = np.array([end.east_m - start.east_m, end.north_m - start.north_m])
        along /= np.linalg.norm(along)
        d = xyz_m[:2] - (start.east_m, start.north_m)
        distance, offset = float(d @ along), float(d[0] * along[1] - d[1] * along[0])
        return {
            "method": "offset",
            "base_from": start.point,
            "base_to": end.point,
            "base_distance": self.taped(distance),
            "base_offset": self.taped(offset),
        }

    def _polar(self, xyz_m: Floats) -> Row:
        start = self.control(self.truth.crew.compass)
        east, north = xyz_m[0] - start.east_m, xyz_m[1] - start.north_m
        reading = self.rng.normal(0.0, self.accuracy.bearing_reading_rad)
        bearing = atan2(east, north) + self.compass_rad + reading
        return {
            "method": "polar",
            "base_from": start.point,
            "polar_distance": self.taped(hypot(east, north)),
            "polar_azimuth_deg": f"{degrees(bearing) % 360.0:.1f}",
        }

    def _ties(self, xyz_m: Floats, count: int) -> Row:
        points = [self.control(p) for p in self.truth.crew.tie_points[:count]]
        lengths = [hypot(xyz_m[0] - p.east_m, xyz_m[1] - p.north_m) for p in points]
        row = {
            "method": "ties",
            "ties": ";".join(
                f"{p.point}:{self.taped(s)}" for p, s in zip(points, lengths, strict=True)
            ),
        }
        if count == 2:
            a, b = points
            turn = (b.east_m - a.east_m) * (xyz_m[1] - a.north_m)
            turn -= (b.north_m - a.north_m) * (xyz_m[0] - a.east_m)
            row["side"] = "left" if turn > 0.0 else "right"
        return row


def _control_rows(party: _Party) -> list[Row]:
    """Return control as published: true places plus the error their sigma states."""
    rows = []
    for c in party.truth.control:
        error = party.rng.normal(0.0, c.sigma_h_m, 2)
        if party.truth.horizontal == "local":
            error = np.zeros(2)  # control itself defines a local frame
        x, y = party.coordinates(np.array([c.east_m, c.north_m]) + error)
        row = {"point": c.point, "x": x, "y": y}
        row["sigma_h"] = (
            "0" if party.truth.horizontal == "local" else f"{c.sigma_h_m / party.unit_m:.3f}"
        )
        if party.truth.crew.levels:
            level = float(party.truth.ground.level(c.east_m, c.north_m))
            row["z"] = shown(level, party.truth.steps.level)
        rows.append(row)
    return rows


def _counters(party: _Party, run: TrueRun, travel_m: Floats, scale: float) -> list[str]:
    """Return counter readings (n,) with the camera face `travel_m` from the entry.

    Slip gathers along the way, `counter_ratio` of each step; each reading adds `counter_m`.
    """
    a = party.accuracy
    order = np.argsort(travel_m)
    steps = np.diff(travel_m[order], prepend=0.0)
    slip = np.empty_like(travel_m)
    slip[order] = np.cumsum(party.rng.normal(0.0, 1.0, len(steps)) * a.counter_ratio * steps)
    reading = run.counter_at_entry_m + travel_m * scale + slip
    reading += party.rng.normal(0.0, a.counter_m, len(travel_m))
    return [shown(c, party.truth.steps.counter) for c in reading]


def _stop_rows(party: _Party, poses: Poses, scales: dict[str, float]) -> list[Row]:
    a, rng, truth = party.accuracy, party.rng, party.truth
    day = 1.0 + rng.normal(0.0, a.depth_scale_ratio)  # one receiver, one day
    sigma = np.maximum(a.depth_reading_ratio * poses.depth_m, a.depth_reading_min_m)
    depth = day * poses.depth_m + rng.normal(0.0, 1.0, len(sigma)) * sigma
    tilt = poses.tilt_rad + rng.normal(0.0, a.tilt_measured_rad, len(sigma))
    counters = [
        c
        for r in truth.runs
        for c in _counters(
            party, r, np.asarray(r.travel_m, float) + r.transmitter_lag_m, scales[r.id]
        )
    ]
    rows = []
    for i, (run, stop) in enumerate(zip(poses.run, poses.stop, strict=True)):
        row = {"run": run, "stop": stop, "counter": counters[i]}
        row["depth_reading"] = shown(float(depth[i]), truth.steps.depth)
        if truth.crew.tilt:
            row["tilt_deg"] = f"{degrees(float(tilt[i])):.1f}"
        row["note"] = truth.crew.notes.get(f"{run}/{stop}", "")
        rows.append(row)
    return rows


def _mark_rows(party: _Party, poses: Poses) -> list[Row]:
    truth, crew = party.truth, party.truth.crew
    pose, kinds, spots = place_marks(party.rng, poses, truth.ground, crew.kinds, party.accuracy)
    ahead = np.sum((spots[:, :2] - poses.xyz_m[pose, :2]) * poses.along[pose], axis=1) > 0.0
    several = len(truth.runs) > 1
    column, values = crew.extra_column
    rows: list[Row] = []
    for i, kind, spot, is_ahead in zip(pose.tolist(), kinds, spots, ahead.tolist(), strict=True):
        run, stop = poses.run[i], poses.stop[i]
        letter = _LETTER[kind] or _SIDES[is_ahead]
        name = f"{run}-{stop}{letter}" if several else f"{stop}{letter}"
        cells = party.spot(spot, crew.methods[i % len(crew.methods)])
        if name in crew.missing:
            continue
        row = {"mark": name, "run": run, "stop": stop, "kind": kind, **cells}
        row["note"] = crew.notes.get(name, "")
        if column:
            row[column] = values[len(rows) % len(values)]
        rows.append(row)
    return rows


def _exposure_rows(party: _Party) -> list[Row]:
    rows = []
    for o in party.truth.openings:
        run = party.truth.run(o.run)
        line = party.truth.line(run.line)
        axis = line.at([line.node_chainage_m(o.node)])[0]
        seen = axis[:2] + party.rng.normal(0.0, party.accuracy.mark_placing_m, 2)
        spot = party.truth.ground.on(seen)
        depth = spot[2] - (axis[2] - run.ride_height_m) + party.rng.normal(0.0, o.sigma_m)
        row = {"name": o.name, "run": o.run, "line": run.line, **party.spot(spot, o.method)}
        if o.node == run.entry:
            row["counter"] = shown(run.counter_at_entry_m, party.truth.steps.counter)
        row |= {"depth": shown(depth, party.truth.steps.depth), "measured_to": "invert"}
        row["sigma"] = shown(o.sigma_m, (party.truth.steps.depth[0], 0.01))
        rows.append(row)
    return rows


def _observation_rows(party: _Party, scales: dict[str, float]) -> list[Row]:
    rows = []
    for s in party.truth.sights:
        run = party.truth.run(s.run)
        row = {"run": s.run, "code": s.code, "defect_severity": s.severity, "text": s.text}
        row["counter"] = _counters(party, run, np.array([s.travel_m]), scales[s.run])[0]
        row["clock_from"] = "" if s.clock_from is None else str(s.clock_from)
        row["clock_to"] = "" if s.clock_to is None else str(s.clock_to)
        rows.append(row)
    return rows


def _junctions(party: _Party, scales: dict[str, float]) -> dict[str, tuple[str, str]]:
    """Return, per joining line, a run that passed its junction and the counter it showed there."""
    found = {}
    for line in party.truth.lines:
        if not line.joins:
            continue
        run = next(r for r in party.truth.runs if r.line == line.joins)
        parent = party.truth.line(line.joins)
        meet = int(np.linalg.norm(parent.axis_m - line.axis_m[0], axis=1).argmin())
        travel = abs(float(parent.chainage_m[meet]) - parent.node_chainage_m(run.entry))
        reading = _counters(party, run, np.array([travel]), scales[run.id])[0]
        found[line.line] = (run.id, reading)
    return found


def survey(rng: np.random.Generator, truth: Truth, accuracy: Accuracy) -> Surveyed:
    """Survey a site: stand the transmitter, paint the marks, read the tapes, write it all down."""
    stops = sum(len(r.travel_m) for r in truth.runs)
    skew = rng.normal(0.0, 1.0, (stops, 2)) * (accuracy.axis_heading_rad, accuracy.axis_tilt_rad)
    poses = stand(truth, skew)
    to_crs, unit, decimals = crs_placer(truth)
    compass_rad = rng.spawn(1)[0].normal(0.0, accuracy.bearing_rad)
    party = _Party(rng, truth, accuracy, to_crs, unit, decimals, compass_rad)
    scales = {r.id: 1.0 + rng.normal(0.0, accuracy.counter_scale_ratio) for r in truth.runs}
    return Surveyed(
        truth,
        poses,
        _control_rows(party),
        _mark_rows(party, poses),
        _stop_rows(party, poses, scales),
        _exposure_rows(party),
        _observation_rows(party, scales),
        _junctions(party, scales),
        to_crs,
    )
