"""What is to be added to a site: read from its folder, and compared with what the site has.

Tables are text files, or sheets of a workbook, of the same names and columns as a site's;
`added.toml` holds the day of the visit (`revise.visit`) and new runs, branches
and pipes; pictures lie in photos/ as in a site. Faults point into these files.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Final

from lateralline.ingest.conventions import read_table
from lateralline.ingest.intake import SITE_FILE, decode, entries, is_book, is_file, read_input
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.photos import FOLDER
from lateralline.ingest.sections import (
    Lines,
    RawSection,
    fault_of_toml,
    find_lines,
    line_of_section,
    load_toml,
    section_names,
)
from lateralline.ingest.site_input import SiteInput
from lateralline.ingest.tables import TextTable
from lateralline.ingest.workbook import TABLES, read_book

#: What may be added to `site.toml`, under this name in the folder of what is added.
ADDED_FILE: Final = "added.toml"
#: Stands before the names of added files while both are read: no file of a site begins with it.
ADDED: Final = "/"

_CSV: Final = tuple(f"{name}.csv" for name in TABLES)
_READ_OR_LOST: Final = (".csv", ".toml", ".tsv", ".xls", ".ods")
#: What names a row of each table, and what the row is called in words.
_KEYS: Final[Mapping[str, tuple[tuple[str, ...], str]]] = {
    "control": (("point",), "control point"),
    "marks": (("mark",), "mark"),
    "stops": (("run", "stop"), "stop of a run"),
    "exposures": (("name",), "exposure"),
    "assets": (("line_id",), "line"),
}
#: The same of the sections of `added.toml`.
_SECTIONS: Final[Mapping[str, str]] = {"run": "id", "branch": "line", "pipe": "line"}


@dataclass(frozen=True, slots=True)
class Added:
    """What is to be added, before it is checked against the site."""

    name: str  # of its folder
    tables: Mapping[str, TextTable | None]  # by name; None = could not be read
    toml: str  # text of `added.toml`, "" when there is none


def read_added(folder: Path, ledger: Ledger) -> Added:
    """Return what a folder adds, noting a fault for whatever would not be read."""
    tables: dict[str, TextTable | None] = {}
    toml = ""
    found = False

    def take(name: str, table: TextTable | None, file: str) -> None:
        if name in tables:
            must = f"must stand in one place; {name} is in another file too"
            ledger.fault(file, 0, "table", "", must)
        tables.setdefault(name, table)

    for path in entries(folder, ledger):
        name, file = path.name, ADDED + path.name
        if not (name in _CSV or name == ADDED_FILE or is_book(path)):
            hidden = name.startswith((".", "~"))
            if path.suffix.casefold() in _READ_OR_LOST and not hidden and is_file(path):
                hint = nearest(name, (*_CSV, ADDED_FILE))
                if name == SITE_FILE:
                    hint = "the site keeps its settings; new runs, branches and pipes go into "
                    hint += ADDED_FILE
                ledger.fault(file, 0, "file", "", "must be a file that can be added", hint)
            continue
        found = True
        own = Ledger()
        data = read_input(path, own)
        ledger.faults += [replace(fault, file=file) for fault in own.faults]
        if data is None:
            continue
        if name == ADDED_FILE:
            toml = decode(file, data, ledger) or ""
        elif name in _CSV:
            take(path.stem, read_table(path.stem, file, data, ledger), file)
        else:
            book = read_book(file, data, ledger)
            for sheet in book.site:
                must = "must not be in a workbook of what is added: settings are the site's"
                hint = f"new runs go into {ADDED_FILE}"
                ledger.fault(f"{file} {sheet}", 0, "sheet", "", must, hint)
            for sheet, table in book.tables.items():
                take(sheet, table, f"{file} {sheet}")
    if not found and not ledger.faults and not (folder / FOLDER).is_dir():
        must = f"must hold any of {', '.join((*_CSV, ADDED_FILE))}"
        ledger.fault(ADDED + folder.name, 0, "folder", "", must)
    return Added(folder.name, tables, toml)


def check_added(
    new: Added, to: SiteInput, ledger: Ledger
) -> tuple[dict[str, TextTable | None], dict[str, int]]:
    """Note every conflict; return the tables without rows the site has, and sections by kind.

    Only control points may be given twice: a crew copies them from job to job, and the same
    coordinates twice are no conflict.
    """
    sections = _check_sections(new.toml, to.sections or {}, ledger)
    kept = dict(new.tables)
    for name, table in new.tables.items():
        there = to.table(name)
        if table is not None and name == "control" and there is not None:
            kept[name] = _new_control(table, there, ledger)
        elif table is not None and name in _KEYS:
            _check_names(name, table, there, ledger)
    return kept, sections


# ---- rows ----------------------------------------------------------------------------------


def _check_names(table: str, sheet: TextTable, there: TextTable | None, ledger: Ledger) -> None:
    key, called = _KEYS[table]
    file = there.file if there else ""
    taken = {name: f"{file}:{line} of the site" for name, line, _ in _named(there, key)}
    for name, line, cells in _named(sheet, key):
        if name in taken:
            must, hint = f"must name a new {called}", f"{taken[name]} has it already"
            sheet.fault(ledger, line, key[-1], cells[key[-1]], must, hint)
        taken.setdefault(name, f"line {line}")


def _new_control(sheet: TextTable, there: TextTable, ledger: Ledger) -> TextTable:
    """Return the control points that are new; known ones must agree in all they say."""
    key, _ = _KEYS["control"]
    known = {name: (f"{there.file}:{line}", cells) for name, line, cells in _named(there, key)}
    again: set[int] = set()
    for name, line, cells in _named(sheet, key):
        if name not in known:
            known[name] = f"{sheet.file}:{line}", cells
            continue
        where, before = known[name]
        again.add(line)
        for column in ("x", "y", "z", "sigma_h", "sigma_v"):
            value = before.get(column, "")
            if cells.get(column, "") and not _same(cells[column], value):
                must = f"must be what {where} has, {value or 'nothing'}"
                hint = "a point has one place: mend the one that is wrong, or name another point"
                sheet.fault(ledger, line, column, cells[column], must, hint)
    return replace(sheet, rows=tuple(r for r in sheet.rows if r[0] not in again))


def _named(
    sheet: TextTable | None, key: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], int, Mapping[str, str]]]:
    """Yield the name, line and cells of the rows that have a name."""
    for line, cells in sheet.rows if sheet else ():
        row = dict(zip(sheet.header, cells, strict=True)) if sheet else {}
        name = tuple(row.get(k, "") for k in key)
        if all(name):
            yield name, line, row


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


def _check_sections(
    text: str, site: Mapping[str, Sequence[RawSection]], ledger: Ledger
) -> dict[str, int]:
    """Note what `added.toml` may not say: settings of the site, names taken, other TOML forms.

    Returns how many sections of each kind it adds.
    """
    file = ADDED + ADDED_FILE
    try:
        data = load_toml(text)
    except ValueError as e:
        fault_of_toml(file, text, e, ledger)
        return {}
    lines, counts = find_lines(text), dict[str, int]()
    for name, given in data.items():
        line = line_of_section(lines, name)
        if name == "visit":
            if not isinstance(given, dict) or ("visit", 0, "") not in lines:
                ledger.fault(file, line, name, "", "must be a section", "write [visit]")
        elif name not in _SECTIONS:
            must = "must be [visit], [[run]], [[branch]] or [[pipe]]: nothing else can be added"
            hint = "the site's own holds for what is added too; change it in the site"
            hint = hint if name in section_names() else nearest(name, _SECTIONS)
            ledger.fault(file, line, name, "", must, hint)
        elif not isinstance(given, list) or (name, len(given) - 1, "") not in lines:
            ledger.fault(file, line, name, "", "must be a section", f"write [[{name}]]")
        else:
            counts[name] = len(given)
            _check_names_of_sections(name, given, site[name], lines, ledger)
    return counts


def _check_names_of_sections(
    name: str, given: Sequence[object], site: Sequence[RawSection], lines: Lines, ledger: Ledger
) -> None:
    key = _SECTIONS[name]
    taken = {str(w.given.get(key)): f"{w.file}:{w.lines.get('', 0)} of the site" for w in site}
    for n, section in enumerate(given):
        value = section.get(key) if isinstance(section, dict) else None
        if not isinstance(value, str):
            continue  # whatever is wrong shows when the merged site is read
        line = lines.get((name, n, key), 0)
        if value in taken:
            must = f"must name a {name} that is not there yet"
            ledger.fault(
                ADDED + ADDED_FILE, line, key, value, must, f"{taken[value]} has it already"
            )
        taken.setdefault(value, f"line {line}")
