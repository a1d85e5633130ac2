"""The `pipe_observations` layer: what the camera saw, set on the line by its counter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from math import nan

import numpy as np

from lateralline import contract
from lateralline.derive.axis import Axis
from lateralline.derive.chainage import Reached, reach
from lateralline.derive.ellipses import plan_columns
from lateralline.derive.marks import points
from lateralline.derive.tables import Row, Values, from_rows, rows_of
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.findings import Finding, Given, finding
from lateralline.records import ObservationRows, Product
from lateralline.settings import Run, Settings
from lateralline.wording import metres


def pipe_observations(
    settings: Settings,
    datum: str,
    seen: ObservationRows,
    axes: Sequence[Axis],
    control: ControlPoints,
) -> tuple[Product, tuple[Finding, ...]]:
    """Return the layer in the order of the file, and a finding for each not on the located line."""
    rows = _as_read(settings, datum, seen)
    beyond_m = np.full(len(rows), nan)
    shapes: list[object] = [None] * len(rows)
    of_line = {axis.line.line: axis for axis in axes}
    for run in settings.runs:
        own = np.flatnonzero(seen.run == run.id)
        axis = of_line.get(run.line)
        if axis is None or not len(own):
            continue
        found = reach(axis, run, seen.counter_m[own], settings.accuracy)
        columns, geometry = _places(settings, axis, run, found, control)
        for i, place, shape in zip(own.tolist(), rows_of(columns, len(own)), geometry, strict=True):
            rows[i] |= place
            shapes[i] = shape
        beyond_m[own] = found.beyond_m
    findings = tuple(
        _finding(row, beyond, axis_known=str(row["line_id"]) in of_line)
        for row, beyond in zip(rows, beyond_m.tolist(), strict=True)
        if row["status"] != "on_line"
    )
    return from_rows("pipe_observations", rows, shapes), findings


def _as_read(settings: Settings, datum: str, seen: ObservationRows) -> list[Row]:
    """Return the rows as the file gives them, none of them placed."""
    lines = {run.id: run.line for run in settings.runs}
    number: Counter[str] = Counter()
    rows: list[Row] = []
    for i, run in enumerate(seen.run.tolist()):
        number[run] += 1
        given: Row = {
            "site_id": settings.id,
            "observation_id": f"{run}/O{number[run]}",
            "line_id": lines.get(run),
            "run_id": run,
            "counter_m": float(seen.counter_m[i]),
            "code": str(seen.code[i]),
            "severity": str(seen.severity[i]),
            "clock_from": str(seen.clock_from[i]),
            "clock_to": str(seen.clock_to[i]),
            "text": str(seen.text[i]),
            "status": "not_placed",
            "reason": f"line {lines.get(run, '')} is not located",
            "level_datum": datum,
            "source_row": f"{seen.file}:{seen.row[i]}",
            "caution": contract.load("pipe_observations").caution,
        }
        rows.append(dict.fromkeys(_NOT_READ, nan) | _NO_TIE | given)
    return rows


def _places(
    settings: Settings, axis: Axis, run: Run, found: Reached, control: ControlPoints
) -> tuple[dict[str, Values], list[object]]:
    """Return the columns that follow from the place, unknown where there is none, and points."""
    there = found.status != "not_placed"
    places = axis.at(np.where(there, found.chainage_m, 0.0))
    places = places.by_counter(np.where(there, found.counter_sigma_m, 0.0))
    along = np.einsum("ni,nij,nj->n", places.tangent, places.cov_m2, places.tangent)
    numbers = {
        "chainage_m": places.chainage_m,
        "sigma_along_m": np.sqrt(along),
        "invert_level_m": places.invert_m,
        "invert_sigma_m": places.invert_sigma_m,
        "ground_level_m": places.ground_m,
        "cover_m": places.cover_m,
        "cover_sigma_m": places.depth_sigma_m,
        **plan_columns(places.cov_m2),
    }
    columns: dict[str, Values] = {k: np.where(there, v, nan) for k, v in numbers.items()}
    plan = np.where(there[:, None], places.xyz_m[:, :2], nan)
    columns |= two_tapes(plan, control, settings.accuracy)
    columns["status"] = found.status.tolist()
    columns["reason"] = _reasons(axis, run, found)
    return columns, points(places.on_invert, there)


def _reasons(axis: Axis, run: Run, found: Reached) -> list[object]:
    reasons: list[object] = []
    for status, beyond in zip(found.status.tolist(), found.beyond_m.tolist(), strict=True):
        if status == "on_line":
            reasons.append("")
        elif status == "beyond_end":
            reasons.append(f"{metres(beyond)} past the end of the line, carried on straight")
        elif np.isfinite(beyond):
            reasons.append(f"{metres(beyond)} past the end of the located line")
        else:
            reasons.append(f"run {run.id} has no located point on line {axis.line.line}")
    return reasons


def _finding(row: Row, beyond_m: float, *, axis_known: bool) -> Finding:
    subject = f"observation {row['observation_id']}"
    seen: dict[str, Given] = {
        "seen": str(row["code"] or "observation"),
        "counter_m": float(str(row["counter_m"])),
    }
    if np.isfinite(beyond_m):
        code, variant = "observation-not-placed", "past"
        if row["status"] == "beyond_end":
            code, variant = "observation-beyond-end", ""
        seen["beyond_m"] = beyond_m
    else:
        code, variant = "observation-not-placed", "run" if axis_known else "line"
        seen["line"] = str(row["line_id"] or "")
        if axis_known:
            seen["run"] = str(row["run_id"])
    where = str(row["source_row"])
    return finding(code, subject, variant=variant, where=where, more=seen)


_NO_TIE: Row = {"tie_a_point": "", "tie_b_point": "", "tie_side": ""}
_NOT_READ = tuple(c.name for c in contract.load("pipe_observations").field if c.type == "real")
