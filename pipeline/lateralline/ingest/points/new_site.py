"""Sorted points as the files of a site folder: site.toml, marks, stops, control, exposures."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite, isnan
from typing import Final

from lateralline import contract, csv_file
from lateralline.errors import Fault
from lateralline.frames.systems import Systems
from lateralline.ingest.conventions import decimal_text
from lateralline.ingest.ledger import Ledger, one_line
from lateralline.ingest.points.classify import ClassifiedPoint
from lateralline.ingest.points.transform import TransformedPoints, unit_name
from lateralline.ingest.sections import SiteSettings
from lateralline.ingest.tables import TextTable
from lateralline.template import toml_literal
from lateralline.units import METRES_PER

Cells = dict[str, str]
StopKey = tuple[str, str]  # run, stop

#: Decimals that hold a micrometre and better, where a number is computed and not as it came.
_DECIMALS_LENGTH: Final = 6
_DECIMALS_DEGREES: Final = 11
#: Column of a table → field of a classified point.
_COLUMNS: Final[Mapping[str, Mapping[str, str]]] = {
    "marks": {"mark": "name", "run": "run", "stop": "stop", "kind": "kind"},
    "control": {"point": "name"},
    "exposures": {
        **{name: name for name in ("name", "run", "line", "counter", "depth", "sigma")},
        "measured_to": "to",
    },
}
_OF_A_STOP: Final = {"counter": "counter", "depth": "depth_reading", "tilt_deg": "tilt_deg"}


@dataclass(frozen=True, slots=True)
class RunGiven:
    """A run as named on the command line; nothing of it can be read off points."""

    id: str
    line: str
    entry: str
    flow: str
    transmitter_lag: str = ""  # in the counter's unit; "" = to be written in later
    ride_height: str = ""  # in the same unit


@dataclass(frozen=True, slots=True)
class SiteGiven:
    """What a new site.toml says beyond the points."""

    id: str
    name: str
    surveyed: date | None
    horizontal: str
    vertical: str
    unit: str  # of tapes, depths and the counter
    level_unit: str
    runs: tuple[RunGiven, ...]


def site_toml(given: SiteGiven, transformed: Sequence[TransformedPoints]) -> str:
    """Return the text of a new site.toml; how the points came to it stands in comments."""
    quoted = toml_literal
    out = ["# Made by `lateralline import-points`."]
    comments = (f"{b.points.file}: {'; '.join((*b.points.notes, *b.notes))}" for b in transformed)
    out += [f"# {one_line(comment, 1000)}" for comment in comments]
    out += ["[site]", f"id = {quoted(given.id)}", f"name = {quoted(given.name or given.id)}"]
    day = given.surveyed or quoted("write the day")
    out += [f"surveyed = {day}", "", "[crs]"]
    out += [f"horizontal = {quoted(given.horizontal)}", f"vertical = {quoted(given.vertical)}"]
    out += ["", "[units]", f'tape = "{given.unit}"', f'level = "{given.level_unit}"']
    out += [f'depth = "{given.unit}"', f'counter = "{given.unit}"']
    if common_m := _common_m(transformed):
        out += ["", "[accuracy]", f"gnss_common_m = {common_m:g}  # of the operation named above"]
    for line in dict.fromkeys(run.line for run in given.runs):
        out += ["", "[[pipe]]", f"line = {quoted(line)}"]
        out += ['# material = "PVC"', '# nominal = "4 in SDR35"']
    for run in given.runs:
        out += ["", "[[run]]", f"id = {quoted(run.id)}", f"line = {quoted(run.line)}"]
        out += [f"entry = {quoted(run.entry)}", f'flow = "{run.flow}"']
        for key, value, what in (
            ("transmitter_lag", run.transmitter_lag, "camera face to the transmitter's centre"),
            ("ride_height", run.ride_height, "transmitter axis above the invert"),
        ):
            out += [f"{key} = {value}" if value else f"# {key} = …  # {what}, {given.unit}"]
    return "\n".join(out) + "\n"


def _common_m(transformed: Sequence[TransformedPoints]) -> float:
    """Return the accuracy of the least sure operation: it moves all points of its file together."""
    known = [b.operation.accuracy_m for b in transformed if b.operation is not None]
    return max((a for a in known if a > 0), default=0.0)


# ---- tables --------------------------------------------------------------------------------


def tables(
    found: Sequence[ClassifiedPoint],
    transformed: Sequence[TransformedPoints],
    stops: Mapping[StopKey, Cells],
    site: SiteSettings,
    systems: Systems,
) -> dict[str, str]:
    """Return file name → text of every table that holds rows; marks and stops always."""
    rows: dict[str, list[Cells]] = {"control": [], "marks": [], "stops": [], "exposures": []}
    for s in found:
        if s.table:
            own = {column: getattr(s, group) for column, group in _COLUMNS[s.table].items()}
            method = {} if s.table == "control" else {"method": "gnss"}
            spot = _spot(s, transformed[s.file], site, systems)
            rows[s.table].append({**spot, **own, **method})
    rows["stops"] = list(stops.values())
    return {
        f"{table}.csv": _csv(table, kept)
        for table, kept in rows.items()
        if kept or table in ("marks", "stops")
    }


def stop_rows(
    found: Sequence[ClassifiedPoint],
    transformed: Sequence[TransformedPoints],
    given: TextTable | None,
    ledger: Ledger,
) -> dict[StopKey, Cells]:
    """Return a row for each stop that has marks, or that the stops file gives.

    A reading given twice must be the same both times.
    """
    rows: dict[StopKey, Cells] = {}
    for s in found:
        if not s.belongs:
            continue
        points = transformed[s.file].points
        row = rows.setdefault((s.run, s.stop), {"run": s.run, "stop": s.stop})
        for group, column in _OF_A_STOP.items():
            value = getattr(s, group)
            if value and row.setdefault(column, value) != value:
                must = f"must agree with the stop's other marks: {column} is {row[column]} there"
                at = int(points.row[s.at])
                ledger.fault(points.file, at, "description", value, must)
            elif value:
                row["note"] = f"{points.where(s.at)} {s.code}"
    if given is not None:
        _take_given(rows, given, ledger)
    return rows


def _take_given(rows: dict[StopKey, Cells], given: TextTable, ledger: Ledger) -> None:
    missing = [c for c in ("run", "stop") if c not in given.header]
    if missing:
        must = f"must have the columns run and stop; {' and '.join(missing)} missing"
        ledger.fault(given.file, given.header_line, "header", "", must)
        return
    for line, cells in given.rows:
        given_cells = {h: c for h, c in zip(given.header, cells, strict=True) if h and c}
        key = (given_cells.get("run", ""), given_cells.get("stop", ""))
        row = rows.setdefault(key, {"run": key[0], "stop": key[1]})
        note = "; ".join(filter(None, (row.get("note", ""), given_cells.get("note", ""))))
        for column, value in given_cells.items():
            if column != "note" and row.setdefault(column, value) != value:
                must = f"must agree with what a mark's description says: {row[column]}"
                ledger.fault(given.file, line, column, value, must)
        row["note"] = "; ".join(filter(None, (note, f"{given.file}:{line}")))


def _spot(s: ClassifiedPoint, b: TransformedPoints, site: SiteSettings, systems: Systems) -> Cells:
    """Return position, σ and note of a point, in the units of its table."""
    axes = site.axes
    assert axes is not None  # a site without usable axes is at fault before
    points, i = b.points, s.at
    degrees = systems.horizontal is not None and systems.horizontal.is_geographic
    decimals = (_DECIMALS_DEGREES if degrees else _DECIMALS_LENGTH) if b.moved else None
    z_m = site.metres("level") if s.table == "control" else axes.gnss_z_m
    sigma_h = b.sigma_h_m[i] / axes.sigma_h_m if systems.horizontal else points.sigma_h[i]
    return {
        "x": decimal_text(float(b.x[i]), decimals),
        "y": decimal_text(float(b.y[i]), decimals),
        "z": _length(float(b.z[i]), b.z_unit, z_m, moved=b.lifted),
        "sigma_h": "" if isnan(sigma_h) else decimal_text(float(sigma_h), _DECIMALS_LENGTH),
        "sigma_v": _length(float(b.sigma_v[i]), b.z_unit, z_m, moved=False),
        "note": " ".join(filter(None, (one_line(points.where(i), 200), s.code))),
    }


def _length(value: float, unit: str, target_m: float, *, moved: bool) -> str:
    """Return a level or its σ as a cell, in the target's unit; as it came when that is its own."""
    if not isfinite(value):
        return ""
    if unit_name(target_m) == unit:
        return decimal_text(value, _DECIMALS_LENGTH if moved else None)
    return decimal_text(value * METRES_PER[unit] / target_m, _DECIMALS_LENGTH)


def _csv(table: str, rows: Iterable[Cells]) -> str:
    """Return a table as csv text: its declared columns that hold anything, then any others."""
    kept = list(rows)
    declared = contract.load(table).field
    used = dict.fromkeys(name for row in kept for name, cell in row.items() if cell)
    names = [c.name for c in declared if c.required or c.name in used]
    names += [name for name in used if name not in names]
    return csv_file.table(names, kept)


def traced(fault: Fault, files: Mapping[str, str]) -> Fault:
    """Return a fault of one of these files with the point it comes from, as its row's note says."""
    if not fault.file.endswith(".csv") or fault.file not in files:
        return fault
    (_, _, header), *rows = csv_file.records(files[fault.file])
    for first, _, cells in rows:
        note = dict(zip(header, cells, strict=True)).get("note", "")
        if first == fault.row and note:
            return replace(fault, hint="; ".join(filter(None, (fault.hint, f"from {note}"))))
    return fault
