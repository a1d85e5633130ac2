"""Workbooks in place of text files: sheets of the same names, brought to the same text cells.

Whatever a spreadsheet does to a cell behind one's back is caught here, where its address is known.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from difflib import get_close_matches
from typing import Final, TypeAlias
from zipfile import ZipFile

from openpyxl import Workbook, load_workbook
from openpyxl.cell.cell import Cell, MergedCell
from openpyxl.utils import get_column_letter
from openpyxl.utils.datetime import from_excel
from openpyxl.worksheet.worksheet import Worksheet

from lateralline import contract
from lateralline.contract import Column
from lateralline.read.cells import must_be
from lateralline.read.files import SECTION_SHEETS, TABLES
from lateralline.read.ledger import Ledger, one_line
from lateralline.read.sheets import Sheet, bare, tidy, title

#: The sheet of what is written once in `site.toml`: a row for each key.
SITE_SHEET: Final = "site"
SITE_HEADER: Final = ("section", "key", "value", "unit", "meaning")
#: A sheet to be read by people alone.
CAUTIONS_SHEET: Final = "cautions"

_OURS: Final = (*TABLES, SITE_SHEET, *SECTION_SHEETS)
_HEADER_WITHIN: Final = 20  # rows in which a header is looked for in a sheet of another name
_FORMULA: Final = re.compile(rb"<(?:\w+:)?f[\s>/]")  # an element f, whatever its namespace's prefix
_LARGEST: Final = 1_000_000  # cells; no field book is larger, and reading more takes minutes
_ANY_DAY: Final = (20_000, 80_000)  # day numbers of the years 1954 to 2119

#: Which declared column a cell belongs to, from the header over it and its row by header.
ColumnAt: TypeAlias = Callable[[str, Mapping[str, str]], Column | None]


@dataclass(frozen=True, slots=True)
class Book:
    """The sheets of one workbook that mean something; one that cannot be used is None."""

    tables: Mapping[str, Sheet | None]
    site: Mapping[str, Sheet | None]  # "site", "pipe", "run", "branch"; empty = settings elsewhere


def read_book(file: str, data: bytes, ledger: Ledger) -> Book:
    """Return the sheets of a workbook, noting a fault for each cell that holds no plain value."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styling a reader of cells need not know
            values = load_workbook(io.BytesIO(data), data_only=True)
            formulas = load_workbook(io.BytesIO(data)) if _has_formulas(data) else values
    except Exception as e:  # a damaged workbook raises whatever zip, XML or openpyxl trip over
        ledger.fault(file, 0, "file", type(e).__name__, "must be a readable .xlsx workbook")
        return Book({}, {})
    tables: dict[str, Sheet | None] = {}
    site: dict[str, Sheet | None] = {}
    for name, sheet in _known(file, values, ledger):
        where = f"{file} {sheet.title.strip()}"
        _remark_hidden(where, sheet, ledger)
        if name in TABLES:
            declared = {c.name: c for c in contract.load(name).field}
            into, key = tables, name
        else:
            into, key = site, SECTION_SHEETS.get(name, name)
            declared = {c.name: c for c in contract.load("site").field if c.section == key}
        column_at = _site_column if name == SITE_SHEET else _table_column(declared)
        into[key] = _read_sheet(where, sheet, formulas[sheet.title], column_at, ledger)
    return Book(tables, site)


def holds_settings(data: bytes) -> bool:
    """Return whether a workbook has a sheet of site settings, and so is a site by itself."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = load_workbook(io.BytesIO(data), read_only=True)
            names = {name.strip().casefold() for name in book.sheetnames}
            book.close()
    except Exception:  # damaged: `read_book` says so
        return False
    return not names.isdisjoint({SITE_SHEET, *SECTION_SHEETS})


def _has_formulas(data: bytes) -> bool:
    """Return whether a workbook must be read twice: for stored results and for formulas."""
    with ZipFile(io.BytesIO(data)) as parts:
        sheets = (name for name in parts.namelist() if name.startswith("xl/worksheets/"))
        return any(_FORMULA.search(parts.read(name)) for name in sheets)


# ---- sheets --------------------------------------------------------------------------------


def _known(file: str, book: Workbook, ledger: Ledger) -> Iterator[tuple[str, Worksheet]]:
    """Yield the sheets that are ours; others are named, and at fault when nearly ours."""
    titles = [sheet.title.strip().casefold() for sheet in book.worksheets]
    for at, (name, sheet) in enumerate(zip(titles, book.worksheets, strict=True)):
        if name in titles[:at]:
            must = "must stand in the workbook once"
            ledger.fault(file, 0, "sheet", sheet.title, must)
        elif name in _OURS:
            yield name, sheet
        elif name != CAUTIONS_SHEET and _anything_in(sheet):
            _remark_other(file, sheet, [t for t in _OURS if t not in titles], ledger)


def _remark_other(file: str, sheet: Worksheet, absent: Sequence[str], ledger: Ledger) -> None:
    """Name a sheet that is not read; one that was meant to be a sheet of ours is at fault.

    `absent` are the sheets of ours that the workbook lacks.
    """
    near = get_close_matches(sheet.title.strip().casefold(), absent, n=1, cutoff=0.8)
    table = near[0] if near else _by_header(sheet)
    if table in absent:
        hint = f'did you mean "{table}"?' if near else f"its columns are those of {table}"
        must = "must have a name of the contract"
        ledger.fault(file, 0, "sheet", sheet.title, must, hint if near else f"{hint}: name it so")
        return
    ledger.finding(
        "warning" if table else "info",
        "sheet-ignored",
        f"sheet {one_line(sheet.title)}",
        f"{file} has a sheet that is not part of a site; it is not read"
        + (f", though its columns are those of {table}" if table else ""),
        f"move its rows to {table} if they belong to the site"
        if table
        else f"nothing, if it is a remark; sheets that are read: {', '.join(_OURS)}",
    )


def _by_header(sheet: Worksheet) -> str:
    """Return the sheet of ours whose columns stand in one of the first rows; "" for none.

    All columns that must be there, and three at least of which most are known: a remark holds none.
    """
    found: dict[str, int] = {}
    if sheet.max_row * sheet.max_column > _LARGEST:
        return ""
    for row in sheet.iter_rows(max_row=_HEADER_WITHIN, values_only=True):
        titles = {title(bare(as_text(value)))[0] for value in row} - {""}
        for name in _OURS:
            known = _columns_of(name)
            hits = titles & known.keys()
            needed = {column for column, required in known.items() if required}
            if needed <= titles and len(hits) >= 3 and 2 * len(hits) >= len(titles):
                found[name] = max(found.get(name, 0), len(hits))
    return max(found, key=found.__getitem__, default="")


def _columns_of(name: str) -> dict[str, bool]:
    """Return the columns of a sheet of ours, and whether each must be there."""
    if name == SITE_SHEET:
        return dict.fromkeys(SITE_HEADER, True)
    section = SECTION_SHEETS.get(name, "")
    declared = contract.load("site" if section else name).field
    return {c.name: c.required for c in declared if c.section == section}


def _read_sheet(
    where: str, sheet: Worksheet, formulas: Worksheet, column_at: ColumnAt, ledger: Ledger
) -> Sheet | None:
    """Return one sheet as text cells; None, with faults, when it is none of use."""
    if sheet.max_row * sheet.max_column > _LARGEST:
        must = f"must be a table of field size; it reaches to row {sheet.max_row}"
        ledger.fault(where, 0, "sheet", "", must, "delete the empty rows and columns, and save")
        return None
    grid = [list(row) for row in sheet.iter_rows()]
    texts = [[as_text(cell.value) for cell in row] for row in grid]
    used = [at for at in range(sheet.max_column) if any(bare(row[at]) for row in texts)]
    first = used[0] if used else 0  # a table need not begin in column A
    letters = [get_column_letter(at + 1) for at in range(first, sheet.max_column)]
    records = [(line, row[first:]) for line, row in enumerate(texts, start=1)]
    tidied = tidy(where, records, ledger, letters)
    if tidied is None:
        return None
    names = [title(bare(t))[0] for t in texts[tidied.header_line - 1]]
    bad = _merged(where, sheet, tidied, names, ledger)
    for line, cells in tidied.rows:
        row = dict(zip(tidied.header, cells, strict=True))
        for name, cell in zip(names[first:], grid[line - 1][first:], strict=False):
            if (line, name) in bad:
                continue
            formula = formulas[cell.coordinate].data_type == "f"
            column = column_at(name, row)
            if why := _no_plain_value(cell, formula, column, formulas.parent.epoch):
                shown = "" if cell.value is None else as_text(cell.value)
                at = cell.coordinate
                ledger.fault(where, line, _named(column, name), shown, *why, cell=at)
                bad.add((line, name))
    return replace(tidied, bad=frozenset(bad))


def _merged(
    where: str, sheet: Worksheet, tidied: Sheet, names: list[str], ledger: Ledger
) -> set[tuple[int, str]]:
    """Note merged cells that hold a value of the table, and return where they are."""
    bad: set[tuple[int, str]] = set()
    lines = {tidied.header_line, *(line for line, _ in tidied.rows)}
    for area in sheet.merged_cells.ranges:
        value = bare(as_text(sheet.cell(area.min_row, area.min_col).value))
        inside = [
            (line, names[at - 1])
            for line in range(area.min_row, area.max_row + 1)
            for at in range(area.min_col, min(area.max_col, len(names)) + 1)
        ]
        if not value or area.min_row not in lines:
            continue  # a heading above the table, or a remark in it
        must = f"must stand in a cell of its own; {area.coord} are merged into one"
        hint = "unmerge them and fill each that has a value"
        name = names[area.min_col - 1] or "cell"
        ledger.fault(where, area.min_row, name, value, must, hint, cell=area.coord)
        bad.update(inside)
    return bad


def _remark_hidden(where: str, sheet: Worksheet, ledger: Ledger) -> None:
    """Say that what the crew does not see is read all the same."""
    rows = [n for n, row in sorted(sheet.row_dimensions.items()) if row.hidden]
    rows = [n for n in rows if any(cell.value is not None for cell in sheet[n])]
    columns = sorted(letter for letter, c in sheet.column_dimensions.items() if c.hidden)
    for code, what, many in (
        ("hidden-sheet", "the sheet is hidden", [] if sheet.sheet_state == "visible" else [0]),
        ("hidden-rows", f"rows {_listed(rows)} are hidden", rows),
        ("hidden-columns", f"columns {_listed(columns)} are hidden", columns),
    ):
        if many:
            said = f"{what}; what stands there is read like the rest"
            todo = "show it to see whether it belongs to the site"
            ledger.finding("info", code, f"sheet {sheet.title}", said, todo, where=where)


def _listed(items: list[int] | list[str], most: int = 8) -> str:
    return ", ".join(map(str, items[:most])) + (", …" if len(items) > most else "")


def _anything_in(sheet: Worksheet) -> bool:
    return sheet.max_row * sheet.max_column > _LARGEST or any(
        value is not None for row in sheet.values for value in row
    )


# ---- cells ---------------------------------------------------------------------------------


def _no_plain_value(
    cell: Cell | MergedCell, formula: bool, column: Column | None, epoch: datetime
) -> tuple[str, str] | None:
    """Return what a cell must be and how to mend it; None when it holds a plain value."""
    value = cell.value
    if cell.data_type == "e":
        return "must be a value; it is an error of the spreadsheet", "mend the formula or type it"
    if value is None and formula:
        must = "must be a value; it is a formula without a stored result"
        return must, "open it in a spreadsheet program and save it again, or type the value"
    if column is None:
        return None
    if column.type != "date" and isinstance(value, (date, time, timedelta)):
        hint = "the spreadsheet took it for a date or time: format the cell as text, type it again"
        return must_be(column), hint
    if column.type == "date" and isinstance(value, (int, float)) and not isinstance(value, bool):
        low, high = _ANY_DAY
        day = from_excel(value, epoch) if low <= value <= high else None
        meant = f"format the cell as a date; {value:g} would be {day:%Y-%m-%d}" if day else ""
        return must_be(column), meant
    return None


def _table_column(declared: Mapping[str, Column]) -> ColumnAt:
    return lambda name, row: declared.get(name)


def _site_column(name: str, row: Mapping[str, str]) -> Column | None:
    if name != "value":
        return None
    at = section_name(row.get("section", "")), row.get("key", "")
    return next((c for c in contract.load("site").field if (c.section, c.name) == at), None)


def _named(column: Column | None, header: str) -> str:
    return column.name if column else header or "cell"


def section_name(text: str) -> str:
    """Return the name of a section of `site.toml`, brackets or not.

    >>> section_name("[units]"), section_name("site")
    ('units', 'site')
    """
    return text.strip("[] ").casefold()


def as_text(value: object) -> str:
    """Return a workbook cell as it would stand in a csv file.

    >>> as_text(3.0), as_text(2.5), as_text(None), as_text("CO1"), as_text(datetime(2026, 5, 6))
    ('3', '2.5', '', 'CO1', '2026-05-06')
    """
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case float() if value.is_integer():
            return str(int(value))
        case datetime():
            return value.date().isoformat()  # the time of day is no part of a day of survey
        case date() | time():
            return value.isoformat()
        case _:
            return str(value)
