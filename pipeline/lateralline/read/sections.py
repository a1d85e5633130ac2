"""`site.toml` as written: its sections, each key checked against the schema."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import nan
from typing import cast

from lateralline import contract
from lateralline.contract import Column
from lateralline.read.cells import accept, hint_for, must_be, row_model
from lateralline.read.crs import Axes, read_axes
from lateralline.read.files import SITE_FILE
from lateralline.read.ledger import Ledger, nearest
from lateralline.read.tables import Row, explain
from lateralline.read.toml_lines import Lines, find_lines
from lateralline.units import METRES_PER


@dataclass(frozen=True, slots=True)
class Site:
    """What could be read of `site.toml`: whole when no fault was noted."""

    sections: Mapping[str, tuple[Row, ...]]
    units: dict[str, str]
    axes: Axes | None

    def one(self, section: str) -> Row:
        """Return a section written once; an empty one when it is not there."""
        return self.sections[section][0]

    def metres(self, unit: str) -> float:
        """Return the metres in one of a [units] key; NaN when that is at fault."""
        return METRES_PER.get(self.units.get(unit, ""), nan)

    def unit_of(self, column: Column) -> str:
        """Return the unit a column is filled in, "" when it differs by row."""
        if column.name in ("x", "y"):
            return self.axes.xy_unit if self.axes else ""
        if column.name == "z" and self.axes and self.axes.gnss_z_unit != self.units.get("level"):
            return ""
        return column.unit or self.units.get(column.unit_from, "")


def read_site_toml(text: str, ledger: Ledger) -> Site | None:
    """Return the sections of `site.toml`; None, with a fault, when it is not TOML at all."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as e:
        at = re.search(r"line (\d+)", str(e))
        hint = "text stands in quotes; see https://toml.io" if at else ""
        ledger.fault(SITE_FILE, int(at[1]) if at else 0, "file", "", f"must be TOML: {e}", hint)
        return None
    table = contract.load("site")
    names = tuple(dict.fromkeys(c.section for c in table.field))
    lines = find_lines(text)
    for name in data:
        if name not in names:
            line = lines.get((name, 0, ""), 0) or lines.get(("", 0, name), 0)
            ledger.fault(
                SITE_FILE, line, name, "", "must be a known section", _heading(name, names)
            )
    units = {k: v for k, v in _mapping(data.get("units")).items() if isinstance(v, str)}
    if "pipe" not in units and "tape" in units:
        units["pipe"] = units["tape"]
    units = {k: v for k, v in units.items() if k in unit_keys() and v in METRES_PER}
    sections = {
        name: _sections(name, data.get(name), name in table.repeated, lines, units, ledger)
        for name in names
    }
    return Site(sections, units, read_axes(sections["crs"][0], units, ledger))


def _sections(
    name: str, given: object, repeated: bool, lines: Lines, units: dict[str, str], ledger: Ledger
) -> tuple[Row, ...]:
    """Return the section, or sections, of one name; always one when it is not repeated."""
    form = f"[[{name}]]" if repeated else f"[{name}]"
    right = isinstance(given, list if repeated else dict)
    if given is not None and not right:
        line = lines.get((name, 0, ""), 0) or lines.get(("", 0, name), 0)
        ledger.fault(SITE_FILE, line, name, "", "must be a section", f"write {form}")
    elif repeated and any(not isinstance(g, dict) for g in cast("list[object]", given or [])):
        ledger.fault(SITE_FILE, 0, name, "", "must hold keys with values", f"write {form}")
        right = False
    many = cast("list[object]", given or []) if repeated else [given]
    if not right:
        many = [] if repeated else [None]
    return tuple(_section(name, _mapping(g), i, lines, units, ledger) for i, g in enumerate(many))


def _section(
    name: str,
    given: Mapping[str, object],
    index: int,
    lines: Lines,
    units: dict[str, str],
    ledger: Ledger,
) -> Row:
    """Return one section as a Row: known keys typed, the others at fault."""
    columns = {c.name: c for c in contract.load("site").field if c.section == name}
    at = {key: line for (s, i, key), line in lines.items() if (s, i) == (name, index)}
    for key in given:
        if key not in columns:
            must = f"must be a key of [{name}]"
            hint = _home(key) or nearest(key, columns)
            ledger.fault(SITE_FILE, at.get(key, 0), key, "", must, hint)
    known = {k: v for k, v in given.items() if k in columns}
    good, bad = accept(row_model("site", name, strict=True), known)
    row = Row(SITE_FILE, at.get("", 0), good, bad, at)

    def unit_of(column: Column) -> str:
        return column.unit or units.get(column.unit_from, "")

    explain(row, [columns[b] for b in bad], known, unit_of, ledger)
    for c in columns.values():
        empty = good.get(c.name) == ""
        if c.required and (c.name not in known or empty):
            form = f"[[{name}]]" if name in contract.load("site").repeated else f"[{name}]"
            must = f"must be given in {form}"
            hint = must_be(c, unit_of(c)) if c.values else hint_for(c, "") or c.title
            ledger.fault(SITE_FILE, row.line_of(c.name), c.name, "", must, hint)
            bad |= {c.name}
    return Row(SITE_FILE, row.line, good, bad, at)


def _mapping(given: object) -> Mapping[str, object]:
    return given if isinstance(given, dict) else {}


def _heading(name: str, known: Sequence[str]) -> str:
    """Name the nearest section, or the section a stray key belongs to."""
    if close := get_close_matches(name, known, n=1):
        return f"did you mean [{close[0]}]?"
    return _home(name) or nearest(name, known)


def _home(key: str) -> str:
    """Name the section a stray key belongs to; "" when it belongs to none."""
    homes = (c.section for c in contract.load("site").field if c.name == key)
    return next((f"{key} stands under [{home}]" for home in homes), "")


def unit_keys() -> tuple[str, ...]:
    """Return the keys of [units] that name a unit of length."""
    columns = contract.load("site").field
    return tuple(c.name for c in columns if c.section == "units" and c.values)
