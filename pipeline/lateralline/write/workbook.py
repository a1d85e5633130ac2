"""A site as one workbook to fill in: made from the schemas, read back by `read.book`.

Headers and settings that hold it together are locked without a password; everything to be filled
in is open, with drop-downs and limits where the schema has them.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any, Final
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from openpyxl import Workbook
from openpyxl.cell.cell import Cell
from openpyxl.comments import Comment
from openpyxl.drawing.spreadsheet_drawing import SpreadsheetDrawing
from openpyxl.styles import Alignment, Font, PatternFill, Protection
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._writer import WorksheetWriter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet
from openpyxl.writer.excel import ExcelWriter

from lateralline import contract
from lateralline.contract import Column
from lateralline.csv_file import guarded
from lateralline.ingest.cells import LARGEST, is_plain_number, must_be
from lateralline.ingest.workbook import (
    CAUTIONS_SHEET,
    SECTION_SHEETS,
    SITE_HEADER,
    SITE_SHEET,
    TABLES,
)
from lateralline.units import PER_FOOT

_OPEN: Final = Protection(locked=False)
_HEAD: Final = PatternFill("solid", fgColor="D9D9D9")
_BODY: Final = Alignment(vertical="top", wrap_text=True)
_FREE_COLUMNS: Final = 4  # open columns at the right of a table, for the crew's own

_WIDE: Final = {"ties": 44, "note": 32, "text": 32}  # of columns, in signs; else by the header
_SITE_WIDTHS: Final = (12, 22, 28, 8, 90)

#: Settings the headers were made from; to change them is to make another book.
_FIXED: Final = frozenset({"tape", "level", "depth", "counter", "pipe"})

Rows = Sequence[Mapping[str, object]]


def site_book(
    settings: Mapping[str, Rows], tables: Mapping[str, Sequence[Mapping[str, str]]] | None = None
) -> bytes:
    """Return a workbook with the settings filled in, and the rows of `tables` if there are any.

    `settings` are the sections of `site.toml` by name, each as often as it is there; numbers in
    `tables` are texts, as a csv file holds them. Equal content gives equal bytes.
    """
    book = Workbook()
    book.remove(book.worksheets[0])
    units = {key: str(unit) for key, unit in (settings.get("units") or [{}])[0].items()}
    units.setdefault("pipe", units.get("tape", ""))
    _write_cautions(book.create_sheet(CAUTIONS_SHEET), units)
    _write_site(book.create_sheet(SITE_SHEET), settings, units)
    for sheet, section in SECTION_SHEETS.items():
        columns = [c for c in contract.load("site").field if c.section == section]
        _write_table(book.create_sheet(sheet), columns, settings.get(section, ()), units)
    for name in TABLES:
        rows = (tables or {}).get(name, ())
        _write_table(book.create_sheet(name), contract.load(name).field, rows, units)
    for sheet_made in book.worksheets:
        _finish(sheet_made)
    book.active = 0
    return steady_bytes(book)


def heading(column: Column, units: Mapping[str, str]) -> str:
    """Return the header of a column, with the unit where it is one for the whole column.

    >>> heading(contract.load("marks").column("base_distance"), {"tape": "us-ft"})
    'base_distance [us-ft]'
    """
    # Levels may come in the vertical CRS's own unit; an angle's unit stands in its name.
    unit = "" if column.name == "z" else units.get(column.unit_from, "")
    return f"{column.name} [{unit}]" if unit else column.name


# ---- sheets --------------------------------------------------------------------------------


def _write_cautions(sheet: Worksheet, units: Mapping[str, str]) -> None:
    sheet.column_dimensions["A"].width = 110
    for line, (text, bold) in enumerate(cautions(units), start=1):
        cell = sheet.cell(line, 1, text)
        cell.font = Font(bold=bold, size=13 if line == 1 else 11)
        cell.alignment = _BODY


def _write_site(sheet: Worksheet, settings: Mapping[str, Rows], units: Mapping[str, str]) -> None:
    """Write a row for each key that stands in `site.toml` once."""
    _write_header(sheet, SITE_HEADER)
    once = [c for c in contract.load("site").field if c.section not in SECTION_SHEETS.values()]
    for line, column in enumerate(once, start=2):
        given = (settings.get(column.section) or [{}])[0].get(column.name)
        if isinstance(given, list):  # of keys, as TOML has them
            given = ", ".join(map(str, given))
        if column.type == "date" and isinstance(given, str):
            given = date.fromisoformat(given)
        unit = units.get(column.unit_from, "") or ("" if column.unit == "1" else column.unit)
        row = (column.section, column.name, None, unit, _meaning(column))
        for at, text in enumerate(row, start=1):
            _put(sheet.cell(line, at), text, as_text=True)
        value = sheet.cell(line, 3)
        _put(value, given, as_text=column.type == "text")
        fixed = column.section == "units" and column.name in _FIXED
        value.protection = Protection(locked=fixed)
        if fixed:
            value.fill = _HEAD
        else:
            add_rule(sheet, column, f"C{line}", units)
        if column.type == "date":
            value.number_format = "yyyy-mm-dd"
    declared = {(c.section, c.name) for c in once}
    own = [
        (section, key, value)
        for section in contract.load("site").free
        for key, value in (settings.get(section) or [{}])[0].items()
        if (section, key) not in declared
    ]
    for line, cells in enumerate(own, start=len(once) + 2):
        for at, cell in enumerate(cells, start=1):
            value = str(cell).lower() if isinstance(cell, bool) else str(cell)
            _put(sheet.cell(line, at), value, as_text=True)
        sheet.cell(line, 3).protection = _OPEN
    for letter, width in zip("ABCDE", _SITE_WIDTHS, strict=True):
        sheet.column_dimensions[letter].width = width


def _write_table(
    sheet: Worksheet, columns: Iterable[Column], rows: Rows, units: Mapping[str, str]
) -> None:
    """Write a table: declared columns in order, then those of the crew's own that `rows` have."""
    declared = {c.name: c for c in columns}
    extra = [
        name
        for name in dict.fromkeys(k for row in rows for k in row)
        if name and name not in declared
    ]
    titles = [*(heading(c, units) for c in declared.values()), *extra]
    _write_header(sheet, titles)
    for at, (name, title) in enumerate(zip((*declared, *extra), titles, strict=True), start=1):
        letter, column = get_column_letter(at), declared.get(name)
        width = sheet.column_dimensions[letter]
        width.width = _WIDE.get(name, max(len(title) + 3, 10))
        width.protection = _OPEN
        as_text = column is None or column.type == "text"
        if as_text:
            width.number_format = "@"
        if column is not None:
            sheet.cell(1, at).comment = _comment(column)
            add_rule(sheet, column, f"{letter}2:{letter}{LAST_ROW}", units)
        for line, row in enumerate(rows, start=2):
            cell = sheet.cell(line, at)
            cell.protection = _OPEN
            _put(cell, row.get(name), as_text=as_text)
    for at in range(len(titles) + 1, len(titles) + 1 + _FREE_COLUMNS):
        sheet.column_dimensions[get_column_letter(at)].protection = _OPEN
    sheet.freeze_panes = "B2"


def _write_header(sheet: Worksheet, titles: Sequence[str]) -> None:
    for at, title in enumerate(titles, start=1):
        cell = sheet.cell(1, at, title)
        cell.font, cell.fill = Font(bold=True), _HEAD
        cell.alignment = Alignment(wrap_text=False, vertical="center")
    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"


def _finish(sheet: Worksheet) -> None:
    """Lock what is not open, leaving rows and columns to be sized and added; set up the page."""
    sheet.protection.sheet = True
    for allowed in ("formatCells", "formatColumns", "formatRows", "insertRows", "deleteRows",
                    "sort", "autoFilter"):  # fmt: skip
        setattr(sheet.protection, allowed, False)  # False = not held back
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text = "No clearance to dig."
    sheet.oddFooter.right.text = "&A, page &P of &N"


# ---- cells ---------------------------------------------------------------------------------


def _put(cell: Cell, value: object, *, as_text: bool) -> None:
    """Write a value so that a spreadsheet takes it for nothing else than what it is."""
    if value is None or value == "":
        if as_text:
            cell.number_format = "@"
        return
    if isinstance(value, bool):
        value = str(value).lower()
    if not as_text and isinstance(value, str) and is_plain_number(value):
        value = float(value)
        value = int(value) if value.is_integer() else value
    if as_text:
        value = str(value)
        cell.number_format = "@"
    assert isinstance(value, (str, int, float, date))
    cell.value = value
    if as_text and len(str(value)) > 40:
        cell.alignment = _BODY


def _meaning(column: Column) -> str:
    """Return what a key means, what it may be and what holds without it."""
    parts = [f"{column.title}. {column.description}"]
    if column.values:
        parts.append(f"One of {', '.join(column.enum)}.")
    if column.section == "units" and column.name in _FIXED:
        parts.append("Fixed when this book was made, because headers name it.")
    elif column.default not in (None, ""):
        default = str(column.default).lower() if column.type == "boolean" else column.default
        parts.append(f"{default} when empty.")
    elif not column.required:
        parts.append("Optional.")
    return " ".join(parts)


def _comment(column: Column) -> Comment:
    text = [f"{column.title}. {column.description}", "" if column.required else "Optional."]
    text += [f"{v.value}: {v.description}" for v in column.values]
    comment = Comment("\n".join(filter(None, text)), "lateralline")
    comment.width, comment.height = 360, 60 + 18 * sum(1 + len(t) // 55 for t in text)
    return comment


# ---- What a book to fill in says for itself, before any table.


def cautions(units: Mapping[str, str]) -> Iterator[tuple[str, bool]]:
    """Yield the lines of the sheet of cautions, and whether each is a heading."""
    yield "No clearance to dig", True
    yield contract.load("tolerance_zone").caution, False
    yield (
        "This book records where marks stood on the ground. Nothing in it, and nothing made from "
        "it, says where it is safe to dig.",
        False,
    )
    yield "How to fill it in", True
    yield from ((line, False) for line in _how(units))
    yield "Then", True
    yield (
        "Save it and run: lateralline check BOOK.xlsx, and lateralline build BOOK.xlsx -o out",
        False,
    )
    yield (
        "Where a message speaks of site.toml, look on the sheets site, pipes, runs and branches; "
        "where it names a cell, as marks!D14, go there.",
        False,
    )


def _how(units: Mapping[str, str]) -> Iterator[str]:
    yield (
        "Begin with site, pipes and runs, then control, then marks and stops; exposures and "
        "observations if there are any. One row for each thing; rows may be left empty."
    )
    yield (
        "The note on each header says what goes below it. Headers and units are locked, without a "
        "password; the columns at the right of each table are free for your own, and kept as notes."
    )
    yield (
        "marks: fill only the columns of the row's method. gnss: x, y, z, sigma_h, sigma_v. "
        "offset: base_from, base_to, base_distance, base_offset. ties: ties, as "
        "P1:6.32;P2:4.85, and side with two of them. polar: base_from, polar_distance, "
        "polar_azimuth_deg."
    )
    yield f"Units, as headers name them: {_units(units)}."
    if PER_FOOT.keys() & set(units.values()):
        yield (
            'Feet and inches may be typed as they are read, 4\' 7 1/2" or 55 1/2", into every '
            "cell whose header names ft, us-ft or in; also in ties, P1:21' 4 1/2\";P2:15.25."
        )
    yield "Type plain values, with a decimal point. Leave empty what is not known. Merge no cells."
    yield "Rows that begin with # are remarks and not read."


def _units(units: Mapping[str, str]) -> str:
    return ", ".join(f"{key} {unit}" for key, unit in units.items() if key != "slope_tape")


# ---- Drop-downs and limits of a book's cells, from what the schema says of a column.


#: Down to here cells have drop-downs and limits; more rows are read all the same.
LAST_ROW: Final = 1000

#: Columns that name something declared on another sheet: which sheet, and its column there.
_DECLARED_IN: Final[Mapping[str, str]] = {
    "run": "runs!$A$2:$A$1000",
    "line": "pipes!$A$2:$A$1000",
    "joins": "pipes!$A$2:$A$1000",
    "base_from": "control!$A$2:$A$1000",
    "base_to": "control!$A$2:$A$1000",
}
_LONGEST: Final = 255  # signs in a message of a spreadsheet


def add_rule(sheet: Worksheet, column: Column, cells: str, units: Mapping[str, str]) -> None:
    """Give cells the column's drop-down or limit, if it has one.

    What the schema refuses is refused; a name not declared yet on its own sheet is only asked
    about, since sheets may be filled in any order.
    """
    unit = units.get(column.unit_from, "") or column.unit
    rule = _rule(sheet, column, cells.partition(":")[0], unit)
    if rule is None:
        return
    rule.allow_blank = True
    rule.showErrorMessage = True
    rule.errorTitle = column.name[:32]
    rule.error = rule.error or f"{column.name} {must_be(column, unit)}."[:_LONGEST]
    if column.values:
        rule.showInputMessage = True
        rule.promptTitle = column.title[:32]
        rule.prompt = "\n".join(f"{v.value}: {v.description}" for v in column.values)[:_LONGEST]
    rule.add(cells)
    sheet.add_data_validation(rule)


def _rule(sheet: Worksheet, column: Column, first: str, unit: str) -> DataValidation | None:
    sheet_of = _DECLARED_IN.get(column.name, "")
    if column.values:
        return DataValidation("list", formula1=f'"{",".join(column.enum)}"')
    if sheet_of and sheet_of.partition("!")[0] != sheet.title:
        asked = f"No such name on the sheet {sheet_of.partition('!')[0]} yet. Keep it?"
        return DataValidation("list", formula1=sheet_of, errorStyle="warning", error=asked)
    match column.type:
        case "boolean":
            return DataValidation("list", formula1='"true,false"')
        case "date":
            return DataValidation("date", operator="greaterThan", formula1="36526")  # from 2000 on
        case "integer":
            low, high = column.minimum or 0, column.maximum or LARGEST
            return DataValidation("whole", formula1=f"{low:.0f}", formula2=f"{high:.0f}")
        case "real":
            return DataValidation("custom", formula1=_number(column, first, unit))
    return None


def _number(column: Column, cell: str, unit: str) -> str:
    """Return the formula of a number within limits, or of text where feet and inches may stand."""
    limits = [
        f"{cell}{sign}{limit:.15g}"
        for sign, limit in ((">=", column.minimum), (">", column.above), ("<=", column.maximum))
        if limit is not None
    ]
    number = f"AND({','.join([f'ISNUMBER({cell})', *limits])})"
    feet = column.unit_from and unit in PER_FOOT
    return f"OR(ISTEXT({cell}),{number})" if feet else number


# ---- Workbooks as they are saved: equal content gives equal bytes, and no cell is a formula.


_CORE: Final = "docProps/core.xml"
#: Whatever prefix another library of the process has registered for their namespace.
_TIMES: Final = re.compile(rb"<(\w+):(created|modified)\b[^>]*>[^<]*</\1:\2>")
_EARLIEST: Final = (1980, 1, 1, 0, 0, 0)  # the first day a zip archive can name


def steady_bytes(book: Workbook) -> bytes:
    """Return a workbook as it is saved, less the clock.

    Nothing written here is a formula: what begins like one is text, and stays text when it is
    edited (the spreadsheets' own mark for a cell typed behind an apostrophe).
    """
    for cell in (cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row):
        if isinstance(cell.value, str):
            cell.data_type = "s"  # neither a formula nor an error such as #N/A
            cell.quotePrefix = guarded(cell.value) != cell.value
    saved, steady = io.BytesIO(), io.BytesIO()
    book.properties.creator = "lateralline"
    with ZipFile(saved, "w") as archive:
        writer: Any = ExcelWriter(book, archive)
        writer.write_worksheet = partial(_write_sheet, writer)
        writer.save()
    with ZipFile(saved) as old, ZipFile(steady, "w", ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            if name == _CORE:
                data = _TIMES.sub(b"", data)
            entry = ZipInfo(name, _EARLIEST)
            entry.compress_type = ZIP_DEFLATED
            new.writestr(entry, data)
    return steady.getvalue()


def _write_sheet(writer: Any, sheet: Any) -> None:
    """Put a sheet into the archive as openpyxl does, but without a file that a kill would leave."""
    sheet._drawing = SpreadsheetDrawing()
    sheet._drawing.charts, sheet._drawing.images = sheet._charts, sheet._images
    out = io.BytesIO()
    made = WorksheetWriter(sheet, out)
    made.write()
    sheet._rels = made._rels
    writer._archive.writestr(sheet.path[1:], out.getvalue())
    writer.manifest.append(sheet)
