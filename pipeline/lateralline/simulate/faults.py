"""Faults planted into a sound site, one by one, each written down in `planted.toml`.

Every planting says where an error must point and a piece of text it must hold.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from lateralline import csv_file


@dataclass(frozen=True, slots=True)
class Planting:
    """One fault: a cell (or a `site.toml` line) given a wrong value.

    `where` is the first cell of a csv row, or `section.key` of `site.toml`; `nth` picks one of
    several alike. An empty `where` with a column drops that whole column.
    """

    file: str
    where: str
    column: str
    put: str
    contains: str
    kind: str
    nth: int = 0


PLANTED = (
    Planting("site.toml", "crs.vertical", "vertical", '"EPSG:99999"', "EPSG:99999", "unknown CRS"),
    Planting("site.toml", "units.tape", "tape", '"feet"', "feet", "bad unit"),
    Planting("site.toml", "pipe.material", "matrial", '"PVC"', "material", "misspelt key"),
    Planting("site.toml", "run.flow", "flow", '"up"', "against", "bad choice"),
    Planting("site.toml", "run.ride_height", "ride_height", "-0.03", "-0.03", "negative length"),
    Planting("control.csv", "P3", "y", "142.1", "142.1", "latitude out of range"),
    Planting("marks.csv", "1A", "offset", "3,2", "3.2", "decimal comma"),
    Planting("marks.csv", "1M", "base_to", "P1", "P1", "baseline without length"),
    Planting("marks.csv", "1B", "base_to", "P22", "P22", "unknown control point"),
    Planting("marks.csv", "2A", "side", "", "side", "side missing"),
    Planting("marks.csv", "2M", "ties", "P1:7.4;P2=9.9", "P2=9.9", "tie that cannot be read"),
    Planting("marks.csv", "2B", "method", "laser", "laser", "unknown method"),
    Planting("marks.csv", "3A", "kind", "end_nul", "end_null", "unknown kind"),
    Planting("marks.csv", "3M", "x", "-281.4", "-281.4", "longitude out of range"),
    Planting("marks.csv", "3B", "run", "R9", "R9", "unknown run"),
    Planting("marks.csv", "4M", "mark", "4A", "4A", "name used twice"),
    Planting("marks.csv", "4B", "stop", "7", "7", "unknown stop"),
    Planting("stops.csv", "R1", "counter", "abc", "abc", "not a number", 0),
    Planting("stops.csv", "R1", "depth_reading", "0", "0", "depth of nought", 1),
    Planting("stops.csv", "R1", "tilt_deg", "95", "95", "angle out of range", 2),
    Planting("stops.csv", "R1", "stop", "3", "3", "stop twice", 3),
    Planting("exposures.csv", "CO1", "measured_to", "top", "crown", "unknown choice"),
    Planting("observations.csv", "", "code", "", "code", "column missing"),
)


def plant(files: dict[str, str], plantings: tuple[Planting, ...]) -> dict[str, str]:
    """Return the files with every fault planted, and `planted.toml` that lists them.

    KeyError when a planting names a place that is not there.
    """
    out = dict(files)
    listed = ["# Faults planted on purpose; every one must be named by `lateralline check`."]
    for p in plantings:
        put = _plant_key if p.file.endswith(".toml") else _plant_cell
        out[p.file], row = put(out[p.file], p)
        listed += ["", "[[planted]]", f'kind = "{p.kind}"', f'file = "{p.file}"']
        listed += [f"row = {row}", f'column = "{p.column}"', f'contains = "{p.contains}"']
    del out["truth.json"]  # a site that cannot be read has no solution to check
    return out | {"planted.toml": "\n".join(listed) + "\n"}


def _plant_key(text: str, p: Planting) -> tuple[str, int]:
    """Replace a `key = value` line; return the text and the line's number."""
    section, key = p.where.split(".")
    lines = text.split("\n")
    here = ""
    for i, line in enumerate(lines):
        if heading := re.fullmatch(r"\[+(\w+)\]+", line):
            here = heading[1]
        elif here == section and line.startswith(f"{key} ="):
            lines[i] = f"{p.column} = {p.put}"
            return "\n".join(lines), i + 1
    raise KeyError(p.where)


def _plant_cell(text: str, p: Planting) -> tuple[str, int]:
    """Replace a cell, or drop a column; return the text and the row's line number."""
    rows = [cells for _, _, cells in csv_file.records(text)]
    column = rows[0].index(p.column)
    if p.where:
        found = [i for i, row in enumerate(rows) if i and row[0] == p.where]
        if len(found) <= p.nth:
            raise KeyError(p.where)
        at = found[p.nth]
        rows[at][column] = p.put
    else:
        at = 0
        rows = [row[:column] + row[column + 1 :] for row in rows]
    return "".join(map(csv_file.record, rows)), at + 1
