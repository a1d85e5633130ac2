"""Pipe of built records that nobody located: what is planned near it is never shown to be clear.

An area is where the pipe may run, and nothing says how deep. Whatever stands within the required
clearance of it is not located; within the search distance too where the whole line or run is not,
since its pipe runs on past its area as past an open end. A row without an area may be anywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite, isnan, nan
from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from lateralline import contract
from lateralline.derive.dig import UNKNOWN_DIAMETER_M, around
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.frames.operations import PLAN_95
from lateralline.overlay.as_built import UNLOCATED, Unlocated
from lateralline.overlay.bodies import PlannedWork
from lateralline.overlay.bounds import SearchTerms
from lateralline.overlay.files import Overlay, lonlat_off_m, to_lonlat
from lateralline.overlay.metric import Metric
from lateralline.record.layers import Shapes, to_table
from lateralline.wording import metres


@dataclass(frozen=True, slots=True, eq=False)
class Blocked:
    """A planned thing near pipe that nobody located."""

    about: dict[str, Any]  # row of the layer
    area_m: shapely.Geometry
    work: PlannedWork  # in metres
    apart_m: float  # in plan, outside of the pipe to the thing; ≤ 0 where the pipe may be in it

    @property
    def key(self) -> tuple[str, str, str]:
        """Site, line and work, as of a pair."""
        return self.about["site_id"], self.about["line_id"], self.work.id

    @property
    def place(self) -> shapely.LineString:
        """The shortest way from area to thing; of no length where they overlap."""
        if shapely.intersects(self.area_m, self.work.shape):
            shared = shapely.intersection(self.area_m, self.work.shape)
            at = shapely.get_coordinates(shapely.point_on_surface(shared))[0]
            return shapely.LineString([at, at])
        return shapely.shortest_line(self.area_m, self.work.shape)


def blocked_by(areas: Unlocated, works: Sequence[PlannedWork], terms: SearchTerms) -> list[Blocked]:
    """Return each planned thing with each line near it that is not located, the nearest area."""
    found: dict[tuple[str, str, str], Blocked] = {}
    for n, row in enumerate(areas.rows):
        for work in works:
            body = 0.0 if work.kind == "trench" else work.radius_m
            skins = body + _diameter_m(row)[0] / 2
            apart = float(shapely.distance(areas.area_m[n], work.shape)) - skins
            most = work.required_m
            if row["extent"] != "beyond_end":
                most = max(most, terms.search_m)
            if apart > most + work.tolerance_95_m + INTERVAL_95 * terms.frame_sigma_m:
                continue
            one = Blocked(row, areas.area_m[n], work, apart)
            if one.key not in found or apart < found[one.key].apart_m:
                found[one.key] = one
    return list(found.values())


def blocked_row(one: Blocked, frame_sigma_m: float) -> dict[str, Any]:
    """Return a row of `clearance_pairs`."""
    work, (diameter, assumed) = one.work, _diameter_m(one.about)
    unknown = (
        "separation_m", "lower_95_m", "sigma_m", "probability_below_required",
        "probability_contact", "chainage_m", "worst_chainage_m", "pipe_axis_level_m",
        "pipe_axis_depth_m",
    )  # fmt: skip
    return {
        "site_id": one.about["site_id"],
        "line_id": one.about["line_id"],
        "work_id": work.id,
        "work_name": work.name,
        "kind": work.kind,
        "verdict": "not_located",
        "required_m": work.required_m,
        **dict.fromkeys(unknown, nan),
        "levels_by": "plan_only",
        "shape": "undecided",
        "outside_diameter_m": diameter,
        "diameter_assumed": assumed,
        "open_end": one.about["extent"] == "beyond_end",
        "frame_sigma_m": frame_sigma_m,
        "plan_tolerance_95_m": work.tolerance_95_m,
        "what": in_words(one),
        "caution": contract.load("clearance_pairs").caution,
    }


def in_words(one: Blocked, say: Callable[[float], str] = metres) -> str:
    """Say what is not located, and how near to the planned thing it may be; lengths by `say`."""
    near = "the pipe may be in these works"
    if one.apart_m > 0.0:
        near = f"the pipe may be as near as {say(one.apart_m)}, and runs on from there"
    return (
        f"not located: {one.about['what']}; {one.about['why']}; {near}, at any depth, so no "
        f"clearance is shown; {say(one.work.required_m)} required"
    )


def tables_of(
    metric: Metric, rows: Sequence[dict[str, Any]], area_m: Sequence[shapely.Geometry]
) -> tuple[pa.Table, pa.Table | None]:
    """Return rows of a region as the layer, in the file's CRS and in longitude and latitude.

    The latter widened by what the way there may be off; None when that would be a guess.
    """
    own = _table(rows, metric.shapes_to_file(_objects(area_m)), 0.0)
    off_m = PLAN_95 * lonlat_off_m(metric)
    if not isfinite(off_m):
        return own, None
    wider = _objects([around(area, off_m) for area in area_m])
    return own, _table(rows, to_lonlat(metric, wider), off_m)


def add_unlocated(overlay: Overlay, areas: Unlocated) -> None:
    """Write the areas of one region into an overlay."""
    own, lonlat = tables_of(areas.metric, areas.rows, list(areas.area_m))
    overlay.add({UNLOCATED: own}, None if lonlat is None else {UNLOCATED: lonlat})


def add_placeless(overlay: Overlay, rows: Sequence[dict[str, Any]]) -> None:
    """Write rows that have no place into an overlay, after all that have one."""
    table = _table(rows, _objects([None] * len(rows)), 0.0)
    overlay.add({UNLOCATED: table}, {UNLOCATED: table} if overlay.in_degrees else None)


def named(rows: Sequence[dict[str, Any]], most: int = 20) -> str:
    """Say which lines, runs and sites rows are, each once."""
    names = dict.fromkeys(
        " ".join(
            part
            for part in (
                row["site_id"],
                row["line_id"] or "(whole site)",
                f"(run {row['run_id']})" if row["extent"] == "run" else "",
                "(past its end)" if row["extent"] == "beyond_end" else "",
            )
            if part
        )
        for row in rows
    )
    shown = ", ".join(list(names)[:most])
    return shown + (f" and {len(names) - most} more" if len(names) > most else "")


def said(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row for machines: names, reasons and lengths, null for what is not known."""
    kept = (
        "site_id", "line_id", "run_id", "stop_id", "extent", "what", "why", "made_by", "counted_m",
        "mark_reach_m", "area_m2",
    )  # fmt: skip
    return {k: None if row[k] == "" or _unknown(row[k]) else row[k] for k in kept}


def _objects(shapes: Sequence[object]) -> Shapes:
    out = np.empty(len(shapes), dtype=object)
    out[:] = list(shapes)
    return out


def _unknown(value: object) -> bool:
    return isinstance(value, float) and isnan(value)


def _diameter_m(row: dict[str, Any]) -> tuple[float, bool]:
    own = float(row["outside_diameter_m"])
    return (own, False) if isfinite(own) else (UNKNOWN_DIAMETER_M, True)


def _table(rows: Sequence[dict[str, Any]], shapes: Shapes | None, off_m: float) -> pa.Table:
    names = contract.load(UNLOCATED).names
    columns = {name: [row[name] for row in rows] for name in names}
    columns["frame_shift_95_m"] = [row["frame_shift_95_m"] + off_m for row in rows]
    return to_table(UNLOCATED, columns, shapes)
