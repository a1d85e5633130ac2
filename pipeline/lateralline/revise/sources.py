"""The site as texts, one for each of its files, and what is to be added as sheets."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from lateralline import contract, csv_file
from lateralline.read.book import Book, read_book
from lateralline.read.files import (
    SITE_FILE,
    TABLES,
    entries,
    is_book,
    read_files,
    read_input,
)
from lateralline.read.intake import decode, is_file
from lateralline.read.ledger import Ledger, nearest
from lateralline.read.sections import Site, read_site_toml
from lateralline.read.sheets import Sheet, csv_sheet
from lateralline.read.site_sheets import site_of_sheets
from lateralline.read.toml_lines import find_lines
from lateralline.template import toml_literal

#: What may be added to `site.toml`, under this name in the folder of what is added.
ADDED_FILE: Final = "added.toml"

_CSV: Final = tuple(f"{name}.csv" for name in TABLES)
_BOM: Final = b"\xef\xbb\xbf"
_READ_OR_LOST: Final = (".csv", ".toml", ".tsv", ".xls", ".ods")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a row of a merged file stands in the file it came from."""

    added: bool  # of what was added; else of the site
    file: str  # as messages name it
    line: int
    letters: Mapping[str, str] = field(default_factory=dict)  # of the columns of a workbook


@dataclass(frozen=True, slots=True)
class SiteTexts:
    """A sound site as texts: `site.toml` and one csv for each table it has."""

    site: Site
    texts: Mapping[str, str]  # by file name
    sheets: Mapping[str, Sheet]  # by table: what stands in those texts
    marked: frozenset[str]  # files that begin with a byte-order mark
    places: Mapping[str, Mapping[int, Place]]  # of rows that were in a workbook
    books: tuple[str, ...]  # workbooks whose sheets these are: not part of the merged site


@dataclass(frozen=True, slots=True)
class Added:
    """What is to be added, before it is held against the site."""

    name: str  # of its folder
    sheets: Mapping[str, Sheet]  # by table
    toml: str  # text of `added.toml`, "" when there is none


# ---- the site ------------------------------------------------------------------------------


def site_texts(source: Path, target: Path) -> SiteTexts:
    """Return a site that reads without faults as texts that mean the same at `target`.

    The rows of a workbook become csv, its settings a `site.toml`. A folder of grids keeps its
    place though the site moves.
    """
    ledger = Ledger()
    content = read_files(source, ledger).content
    texts: dict[str, str] = {}
    sheets: dict[str, Sheet] = {}
    places: dict[str, dict[int, Place]] = {}
    site: Site | None = None
    books = tuple(name for name in content if is_book(Path(name)))
    for name, data in content.items():
        if name not in books and (text := decode(name, data, ledger)) is not None:
            texts[name] = text
            if name != SITE_FILE and (sheet := csv_sheet(name, text, ledger)):
                sheets[name.removesuffix(".csv")] = sheet
    for name in books:
        book = read_book(name, content[name], ledger)
        for table, rows in book.tables.items():
            if rows is not None:
                file = f"{table}.csv"
                texts[file], places[file] = _csv_of(rows)
                sheets[table] = Sheet(file, 1, rows.header, _numbered(rows), units=rows.units)
        if book.site and (site := site_of_sheets(name, book.site, ledger)):
            texts[SITE_FILE] = _toml_of(site)
    if site is None:
        site = read_site_toml(texts[SITE_FILE], ledger)
    ledger.raise_faults(source.name)
    assert site is not None  # without a site there is a fault
    folder = source if source.is_dir() else source.parent
    texts[SITE_FILE] = _with_grids_found(texts[SITE_FILE], folder, target)
    marked = frozenset(name for name, data in content.items() if data.startswith(_BOM))
    return SiteTexts(site, texts, sheets, marked, places, books)


def _csv_of(sheet: Sheet) -> tuple[str, dict[int, Place]]:
    """Return the rows of a workbook's sheet as csv, and where each line of it comes from."""
    named = [f"{n} [{sheet.units[n]}]" if n in sheet.units else n for n in sheet.header]
    text = csv_file.record(named)
    places = {1: Place(False, sheet.file, sheet.header_line, sheet.letters)}
    for line, cells in sheet.rows:
        places[text.count("\n") + 1] = Place(False, sheet.file, line, sheet.letters)
        text += csv_file.record(cells)
    return text, places


def _numbered(sheet: Sheet) -> tuple[tuple[int, tuple[str, ...]], ...]:
    """Return the rows of a sheet with the lines `_csv_of` puts them on."""
    at, rows = 2, []
    for _, cells in sheet.rows:
        rows.append((at, cells))
        at += 1 + sum(cell.count("\n") for cell in cells)
    return tuple(rows)


def _toml_of(site: Site) -> str:
    """Return the settings of a workbook as `site.toml`."""
    table = contract.load("site")
    out: list[str] = []
    for name, rows in site.sections.items():
        for row in rows:
            if row.cells:
                out.append(f"[[{name}]]" if name in table.repeated else f"[{name}]")
                keys = [c.name for c in table.field if c.section == name and c.name in row.cells]
                out += [f"{key} = {toml_literal(row.cells[key])}" for key in keys]
                out.append("")
    return "\n".join(out)


def _with_grids_found(text: str, folder: Path, target: Path) -> str:
    """Return `site.toml` with a relative folder of grids outside the site named from `target`."""
    line = find_lines(text).get(("crs", 0, "grids"))
    if line is None:
        return text
    lines = text.splitlines(keepends=True)
    m = re.match(r"""(\s*["']?grids["']?\s*=\s*)(["'])(.*?)\2(.*)""", lines[line - 1], re.S)
    if m is None or Path(m[3]).is_absolute() or not m[3].startswith(".."):
        return text
    there = os.path.relpath((folder / m[3]).resolve(), target.absolute().resolve())
    lines[line - 1] = f"{m[1]}{toml_literal(Path(there).as_posix())}{m[4]}"
    return "".join(lines)


# ---- what is added -------------------------------------------------------------------------


def read_added(folder: Path, ledger: Ledger) -> Added:
    """Return what a folder adds, noting a fault for whatever would not be read.

    Tables are csv files, or sheets of a workbook, of the same names and columns as a site's.
    """
    sheets: dict[str, Sheet] = {}
    toml = ""
    found = False
    for path in entries(folder, ledger):
        name = path.name
        if name in _CSV or name == ADDED_FILE or is_book(path):
            found = True
            if (data := read_input(path, ledger)) is None:
                continue
            if is_book(path):
                _take_book(read_book(name, data, ledger), name, sheets, ledger)
            elif (text := decode(name, data, ledger)) is not None:
                if name == ADDED_FILE:
                    toml = text
                elif (sheet := csv_sheet(name, text, ledger)) is not None:
                    _take(sheet, name.removesuffix(".csv"), sheets, ledger)
        elif path.suffix.casefold() in _READ_OR_LOST and not name.startswith((".", "~")):
            if not is_file(path):
                continue
            ledger.fault(name, 0, "file", "", "must be a file that can be added", _meant(name))
    if not found and not ledger.faults:
        must = f"must hold any of {', '.join((*_CSV, ADDED_FILE))}"
        ledger.fault(folder.name, 0, "folder", "", must)
    return Added(folder.name, sheets, toml)


def _take_book(book: Book, file: str, sheets: dict[str, Sheet], ledger: Ledger) -> None:
    for name in book.site:
        must = "must not be in a workbook of what is added: settings are the site's"
        ledger.fault(f"{file} {name}", 0, "sheet", "", must, f"new runs go into {ADDED_FILE}")
    for name, sheet in book.tables.items():
        if sheet is not None:
            _take(sheet, name, sheets, ledger)


def _take(sheet: Sheet, table: str, sheets: dict[str, Sheet], ledger: Ledger) -> None:
    if table in sheets:
        must = f"must stand in one place; {sheets[table].file} is there too"
        ledger.fault(sheet.file, 0, "table", "", must)
        return
    sheets[table] = sheet


def _meant(name: str) -> str:
    if name == SITE_FILE:
        return f"the site keeps its settings; new runs, branches and pipes go into {ADDED_FILE}"
    return nearest(name, (*_CSV, ADDED_FILE))
