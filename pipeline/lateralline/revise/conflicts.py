"""What the added rows say that the site says already, or says otherwise."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Final

from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.sections import (
    Lines,
    RawSection,
    fault_of_toml,
    find_lines,
    load_toml,
    section_names,
)
from lateralline.ingest.site_input import SiteInput
from lateralline.ingest.tables import TextTable

#: What may be added to `site.toml`, under this name in the folder of what is added.
ADDED_FILE: Final = "added.toml"

#: What names a row of each table, and what the row is called in words.
KEYS: Final[Mapping[str, tuple[tuple[str, ...], str]]] = {
    "control": (("point",), "control point"),
    "marks": (("mark",), "mark"),
    "stops": (("run", "stop"), "stop of a run"),
    "exposures": (("name",), "exposure"),
}
#: The same of the sections of `added.toml`.
SECTIONS: Final[Mapping[str, str]] = {"run": "id", "branch": "line", "pipe": "line"}

_ELSEWHERE: Final = "the site's own holds for what is added too; change it in the site"


@dataclass(frozen=True, slots=True)
class _Named:
    """One row by name."""

    line: int
    cells: Mapping[str, str]


def check_added(
    tables: Mapping[str, TextTable | None], toml: str, to: SiteInput, ledger: Ledger
) -> tuple[dict[str, TextTable | None], dict[str, int]]:
    """Note every conflict, and return the tables without rows the site has already, and how many
    of each section there are.

    Faults point into the files of what is added. Only control points may be given twice: a crew
    copies them from job to job, and the same coordinates twice are no conflict.
    """
    sections = check_sections(toml, to.sections or {}, ledger)
    kept: dict[str, TextTable | None] = {}
    for name, table in tables.items():
        there = to.table(name)
        kept[name] = table
        if table is not None and name == "control" and there is not None:
            kept[name] = _new_control(table, there, ledger)
        elif table is not None and name in KEYS:
            _check_names(name, table, there, ledger)
    return kept, sections


# ---- rows ----------------------------------------------------------------------------------


def _check_names(table: str, sheet: TextTable, there: TextTable | None, ledger: Ledger) -> None:
    key, called = KEYS[table]
    file = there.file if there else ""
    taken = {name: f"{file}:{row.line} of the site" for name, row in _named(there, key)}
    for name, row in _named(sheet, key):
        if name in taken:
            must, hint = f"must name a new {called}", f"{taken[name]} has it already"
            sheet.fault(ledger, row.line, key[-1], row.cells[key[-1]], must, hint)
        taken.setdefault(name, f"line {row.line}")


def _new_control(sheet: TextTable, there: TextTable, ledger: Ledger) -> TextTable:
    """Return the control points that are new; known ones must agree in all they say."""
    key, _ = KEYS["control"]
    known = {name: (there.file, row) for name, row in _named(there, key)}
    again: set[int] = set()
    for name, row in _named(sheet, key):
        if name not in known:
            known[name] = (sheet.file, row)
            continue
        file, before = known[name]
        again.add(row.line)
        for column in ("x", "y", "z", "sigma_h", "sigma_v"):
            value = before.cells.get(column, "")
            if row.cells.get(column, "") and not _same(row.cells[column], value):
                must = f"must be what {file}:{before.line} has, {value or 'nothing'}"
                hint = "a point has one place: mend the one that is wrong, or name another point"
                sheet.fault(ledger, row.line, column, row.cells[column], must, hint)
    return replace(sheet, rows=tuple(r for r in sheet.rows if r[0] not in again))


def _named(
    sheet: TextTable | None, key: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], _Named]]:
    """Yield the rows that have a name, with it."""
    for line, cells in sheet.rows if sheet else ():
        row = dict(zip(sheet.header, cells, strict=True)) if sheet else {}
        name = tuple(row.get(k, "") for k in key)
        if all(name):
            yield name, _Named(line, row)


def _same(one: str, other: str) -> bool:
    """Tell whether two cells say the same.

    >>> _same("12.50", "12.5"), _same("12.50", ""), _same("1e400", "9e999")
    (True, False, False)
    """
    try:
        a, b = float(one), float(other)
    except ValueError:
        return one == other
    return isfinite(a) and a == b


# ---- added.toml ----------------------------------------------------------------------------


def check_sections(
    text: str, site: Mapping[str, Sequence[RawSection]], ledger: Ledger
) -> dict[str, int]:
    """Note what `added.toml` may not say: settings of the site, names taken, other TOML forms.

    Returns how many sections of each kind it adds.
    """
    file = f"/{ADDED_FILE}"
    try:
        data = load_toml(text)
    except ValueError as e:
        fault_of_toml(file, text, e, ledger)
        return {}
    lines, counts = find_lines(text), dict[str, int]()
    for name, given in data.items():
        line = lines.get((name, 0, ""), 0) or lines.get(("", 0, name), 0)
        if name not in SECTIONS:
            must = "must be [[run]], [[branch]] or [[pipe]]: nothing else can be added"
            known = name in section_names()
            hint = _ELSEWHERE if known else nearest(name, SECTIONS)
            ledger.fault(file, line, name, "", must, hint)
        elif not isinstance(given, list) or (name, len(given) - 1, "") not in lines:
            ledger.fault(file, line, name, "", "must be a section", f"write [[{name}]]")
        else:
            counts[name] = len(given)
            _check_section(file, name, given, site[name], lines, ledger)
    return counts


def _check_section(
    file: str,
    name: str,
    given: list[object],
    site: Sequence[RawSection],
    lines: Lines,
    ledger: Ledger,
) -> None:
    key = SECTIONS[name]
    taken = {str(w.given.get(key)): f"{w.file}:{w.lines.get('', 0)} of the site" for w in site}
    for n, section in enumerate(given):
        value = section.get(key) if isinstance(section, dict) else None
        if not isinstance(value, str):
            continue  # whatever is wrong shows when the merged site is read
        line = lines.get((name, n, key), 0)
        if value in taken:
            must = f"must name a {name} that is not there yet"
            ledger.fault(file, line, key, value, must, f"{taken[value]} has it already")
        taken.setdefault(value, f"line {line}")
