"""Workbooks in place of text files: sheets of the same names, brought to the same text cells.

What a spreadsheet makes of a cell unasked (a date of 3/4, an error of a formula, merged or hidden
cells) is a fault or a finding here, where the address of the cell is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from difflib import get_close_matches
from typing import Final, TypeAlias

from lateralline import contract
from lateralline.contract import Column
from lateralline.ingest.cells import must_be
from lateralline.ingest.conventions import as_declared
from lateralline.ingest.ledger import Ledger, one_line
from lateralline.ingest.limits import CELL, SETTING
from lateralline.ingest.tables import TextTable, as_table, column_title, trimmed
from lateralline.ingest.worksheets import (
    Cell,
    WorkbookError,
    Worksheet,
    letters_of,
    opened,
    titles_of,
)

#: The tables of a site: text files, or sheets, of these names.
TABLES: Final = tuple(n for n in contract.INPUTS if n not in ("site", *contract.KEPT))
#: Sheets of a book for what stands in `site.toml` as often as needed: a row for each.
SECTION_SHEETS: Final[Mapping[str, str]] = {
    "pipes": "pipe",
    "runs": "run",
    "branches": "branch",
    "accepted": "accepted",
}
#: The sheet of what is written once in `site.toml`: a row for each key.
SITE_SHEET: Final = "site"
SITE_HEADER: Final = ("section", "key", "value", "unit", "meaning")
#: A sheet to be read by people alone.
CAUTIONS_SHEET: Final = "cautions"

_OURS: Final = (*TABLES, SITE_SHEET, *SECTION_SHEETS)
_HEADER_WITHIN: Final = 20  # rows in which a header is looked for in a sheet of another name
_ANY_DAY: Final = (20_000, 80_000)  # day numbers of the years 1954 to 2119

#: Which declared column a cell belongs to, from the header over it and its row by header.
ColumnAt: TypeAlias = Callable[[str, Mapping[str, str]], Column | None]


@dataclass(frozen=True, slots=True)
class SiteWorkbook:
    """The sheets of one workbook that mean something; one that cannot be used is None."""

    tables: Mapping[str, TextTable | None]
    site: Mapping[
        str, TextTable | None
    ]  # "site", "pipe", "run", "branch"; empty = settings elsewhere
    damaged: bool = False  # it could not be opened at all, and is at fault


def read_book(file: str, data: bytes, ledger: Ledger) -> SiteWorkbook:
    """Return the sheets of a workbook, noting a fault for each cell that holds no plain value."""
    tables: dict[str, TextTable | None] = {}
    site: dict[str, TextTable | None] = {}
    try:
        with opened(data) as grids:
            for name, grid in _known(file, grids, ledger):
                into, key, sheet = _read_known(file, name, grid, ledger)
                (tables if into else site)[key] = sheet
    except WorkbookError as e:
        ledger.fault(file, 0, "file", e.value, e.must, e.hint)
        return SiteWorkbook({}, {}, damaged=True)
    return SiteWorkbook(tables, site)


def _read_known(
    file: str, name: str, grid: Worksheet, ledger: Ledger
) -> tuple[bool, str, TextTable | None]:
    """Return whether a sheet is a table or settings, what it is called there, and what it holds."""
    where = f"{file} {grid.title.strip()}"
    _remark_hidden(where, grid, ledger)
    declared = _declared(name)
    column_at = _site_column if name == SITE_SHEET else lambda title, _: declared.get(title)
    longest = CELL if name in TABLES else SETTING
    table = _read_sheet(where, grid, column_at, longest, ledger)
    if name in TABLES and table is not None:
        table = as_declared(name, table, ledger)
    return name in TABLES, SECTION_SHEETS.get(name, name), table


def holds_settings(data: bytes) -> bool:
    """Return whether a workbook has a sheet of site settings, and so is a site by itself."""
    try:
        names = {name.strip().casefold() for name in titles_of(data)}
    except WorkbookError:  # `read_book` says so
        return False
    return not names.isdisjoint({SITE_SHEET, *SECTION_SHEETS})


# ---- sheets --------------------------------------------------------------------------------


def _known(
    file: str, grids: Sequence[Worksheet], ledger: Ledger
) -> Iterator[tuple[str, Worksheet]]:
    """Yield the sheets that are ours; others are named, and at fault when nearly ours."""
    titles = [grid.title.strip().casefold() for grid in grids]
    for at, (name, sheet) in enumerate(zip(titles, grids, strict=True)):
        if name in titles[:at]:
            must = "must stand in the workbook once"
            ledger.fault(file, 0, "sheet", sheet.title, must)
        elif name in _OURS:
            yield name, sheet
        elif name != CAUTIONS_SHEET and sheet.facts.cells:
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
    ledger.note(
        "input-unused",
        f"sheet {one_line(sheet.title)}",
        variant="sheet-of-ours" if table else "sheet",
        severity="warning" if table else "info",
        file=file,
        **({"table": table} if table else {"read": _OURS}),
    )


def _by_header(sheet: Worksheet) -> str:
    """Return the sheet of ours whose columns stand in one of the first rows; "" for none.

    All columns that must be there, and three at least of which most are known: a remark holds none.
    """
    found: dict[str, int] = {}
    for row in sheet.rows(_HEADER_WITHIN):
        titles = {column_title(trimmed(as_text(cell.value)))[0] for cell in row} - {""}
        for name in _OURS:
            known = {c.name: c.required for c in _declared(name).values()}
            known = known if name != SITE_SHEET else dict.fromkeys(SITE_HEADER, True)
            hits = titles & known.keys()
            needed = {column for column, required in known.items() if required}
            if needed <= titles and len(hits) >= 3 and 2 * len(hits) >= len(titles):
                found[name] = max(found.get(name, 0), len(hits))
    return max(found, key=found.__getitem__, default="")


def _declared(name: str) -> dict[str, Column]:
    """Return the columns of a sheet of ours by name; none for that of the site's settings."""
    section = SECTION_SHEETS.get(name, "")
    declared = contract.load("site" if section else name).field
    return {c.name: c for c in declared if c.section == section}


def _read_sheet(
    where: str, sheet: Worksheet, column_at: ColumnAt, longest: int, ledger: Ledger
) -> TextTable | None:
    """Return one sheet as text cells; None, with faults, when it is none of use."""
    if too_large := sheet.too_large:
        ledger.fault(where, 0, "sheet", "", too_large.must, too_large.hint)
        return None
    grid = sheet.rows()
    across = sheet.facts.last_column
    texts = [[as_text(cell.value) for cell in row] for row in grid]
    used = [at for at in range(across) if any(trimmed(row[at]) for row in texts)]
    first = used[0] if used else 0  # a table need not begin in column A
    letters = [letters_of(at + 1) for at in range(first, across)]
    records = [(line, row[first:]) for line, row in enumerate(texts, start=1)]
    tidied = as_table(where, records, ledger, letters, longest)
    if tidied is None:
        return None
    names = [column_title(trimmed(t))[0] for t in texts[tidied.header_line - 1]]
    bad = _merged(where, sheet, texts, tidied, names, ledger)
    for line, cells in tidied.rows:
        row = dict(zip(tidied.header, cells, strict=True))
        for at, name in enumerate(names[first:], start=first):
            if (line, name) in bad:
                continue
            cell = grid[line - 1][at]
            formula = (line, at + 1) in sheet.facts.formulas
            column = column_at(name, row)
            if why := _no_plain_value(cell, formula, column, sheet.epoch):
                shown = "" if cell.value is None else as_text(cell.value)
                address = f"{letters_of(at + 1)}{line}"
                ledger.fault(
                    where,
                    line,
                    column.name if column else name or "cell",
                    shown,
                    *why,
                    cell=address,
                )
                bad.add((line, name))
    return replace(tidied, bad=frozenset(bad), separator="")


def _merged(
    where: str,
    sheet: Worksheet,
    texts: Sequence[Sequence[str]],
    tidied: TextTable,
    names: Sequence[str],
    ledger: Ledger,
) -> set[tuple[int, str]]:
    """Note merged cells that hold a value of the table, and return where they are."""
    bad = set(tidied.bad)
    lines = {tidied.header_line, *(line for line, _ in tidied.rows)}
    for left, above, right, below in sheet.facts.merged:
        if (
            above not in lines
            or left > len(names)
            or not (value := trimmed(texts[above - 1][left - 1]))
        ):
            continue  # a heading above the table, or a remark in it, or nothing
        area = f"{letters_of(left)}{above}:{letters_of(right)}{below}"
        must = f"must stand in a cell of its own; {area} are merged into one"
        hint = "unmerge them and fill each that has a value"
        ledger.fault(where, above, names[left - 1] or "cell", value, must, hint, cell=area)
        bad.update(
            (line, names[at - 1])
            for line in range(above, min(below, len(texts)) + 1)
            for at in range(left, min(right, len(names)) + 1)
        )
    return bad


def _remark_hidden(where: str, sheet: Worksheet, ledger: Ledger) -> None:
    """Say that what the crew does not see is read all the same."""
    rows = sorted(sheet.facts.hidden_rows)
    columns = [letters_of(n) for n in sorted(sheet.facts.hidden_columns)]
    subject = f"sheet {sheet.title}"
    if sheet.hidden:
        ledger.note("input-hidden/sheet", subject, where=where)
    if rows:
        ledger.note("input-hidden/rows", subject, where=where, rows=map(str, rows))
    if columns:
        ledger.note("input-hidden/columns", subject, where=where, columns=columns)


# ---- cells ---------------------------------------------------------------------------------


def _no_plain_value(
    cell: Cell, formula: bool, column: Column | None, epoch: datetime
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
        from openpyxl.utils.datetime import from_excel

        day = from_excel(value, epoch) if low <= value <= high else None
        meant = f"format the cell as a date; {value:g} would be {day:%Y-%m-%d}" if day else ""
        return must_be(column), meant
    return None


def _site_column(name: str, row: Mapping[str, str]) -> Column | None:
    if name != "value":
        return None
    at = section_name(row.get("section", "")), row.get("key", "")
    return next((c for c in contract.load("site").field if (c.section, c.name) == at), None)


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
