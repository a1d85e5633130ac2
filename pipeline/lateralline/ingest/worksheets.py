"""A workbook opened within limits: its sheets as grids of cells, and what stands behind them.

A workbook is a zip of XML, and a small one can unpack to gigabytes, so nothing is unpacked before
its sizes are known, and no cell is made before one pass over the XML of its sheet has counted rows,
columns and cells. The same pass finds what a reader of values does not see: hidden rows and
columns, merged cells, formulas. Drawings, comments and links are never opened.

Names of elements: ECMA-376, part 1, SpreadsheetML (from memory).
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import PurePosixPath
from typing import IO, TYPE_CHECKING, Final, TypeAlias
from xml.parsers.expat import ParserCreate
from zipfile import ZipFile

from lateralline.ingest.limits import BOOK_CELLS, BOOK_XML_BYTES, COLUMNS, ROWS, megabytes

if TYPE_CHECKING:  # openpyxl is slow to import, and most sites have no workbook
    from openpyxl import Workbook
    from openpyxl.cell.read_only import EmptyCell, ReadOnlyCell
    from openpyxl.worksheet._read_only import ReadOnlyWorksheet

_PARTS: Final = 10_000  # files within the zip
_MAIN: Final = "http://schemas.openxmlformats.org/spreadsheetml/2006/main "
_HEADING: Final = 100  # rows above a table and below: titles, remarks
_WIDEST: Final = 16_384  # cells of a row, filled or not: a sheet has no more columns
_MOST: Final = 100_000  # elements of a sheet that are no cells: columns, merged ranges, rules
_IN_CELLS: Final = frozenset(_MAIN + name for name in ("v", "is", "t", "r", "rPr"))

Cell: TypeAlias = "ReadOnlyCell | EmptyCell"
Range: TypeAlias = tuple[
    int, int, int, int
]  # first column, first row, last column, last row, from 1


class WorkbookError(ValueError):
    """A workbook or sheet that cannot be read or is beyond the limits, in the words of a fault."""

    def __init__(self, must: str, hint: str = "", value: str = "") -> None:
        """Keep what would be right, how to get there, and what was found."""
        super().__init__(must)
        self.must, self.hint, self.value = must, hint, value


def letters_of(column: int) -> str:
    """Return the letters of a column, which counts from 1.

    >>> letters_of(28)
    'AB'
    """
    from openpyxl.utils import get_column_letter

    return str(get_column_letter(column))


@contextmanager
def _tripping() -> Iterator[None]:
    """Turn whatever a damaged workbook makes others raise into WorkbookError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styling a reader of cells need not know
            yield
    except WorkbookError:
        raise
    except Exception as e:  # zip, XML and openpyxl have no error in common
        raise WorkbookError("must be a readable .xlsx workbook", value=type(e).__name__) from e


@dataclass(slots=True)
class SheetFacts:
    """What one pass over a sheet finds; rows and columns count from 1."""

    last_row: int = 0  # that holds something
    last_column: int = 0
    cells: int = 0  # that hold something
    hidden_rows: list[int] = field(default_factory=list)  # that hold something
    hidden_columns: list[int] = field(default_factory=list)
    merged: list[Range] = field(default_factory=list)
    formulas: set[tuple[int, int]] = field(default_factory=set)  # row, column


@dataclass(frozen=True, slots=True)
class Worksheet:
    """One sheet, its cells not read yet."""

    title: str
    hidden: bool
    facts: SheetFacts
    source: ReadOnlyWorksheet
    epoch: datetime

    def rows(self, most: int | None = None) -> list[tuple[Cell, ...]]:
        """Return the rows from the first on, as far as anything stands in the sheet."""
        last = min(self.facts.last_row, most or self.facts.last_row)
        if not last:
            return []
        across = min(self.facts.last_column, COLUMNS)
        with _tripping():
            return list(self.source.iter_rows(min_row=1, max_row=last, max_col=across))

    @property
    def too_large(self) -> WorkbookError | None:
        """Why the sheet is no table of a site, by its size alone; None when it may be one."""
        reach = ""
        if self.facts.last_row > ROWS + _HEADING:
            reach = f"row {self.facts.last_row}"
        elif self.facts.last_column > COLUMNS:
            reach = f"column {letters_of(self.facts.last_column)}"
        if not reach:
            return None
        return WorkbookError(
            f"must be a table of field size; it reaches to {reach}",
            f"delete the empty rows and columns, and save: at most {ROWS} rows and {COLUMNS} "
            "columns are read",
        )


@contextmanager
def opened(data: bytes) -> Iterator[tuple[Worksheet, ...]]:
    """Give the sheets of a workbook; their cells can be read until the block ends.

    Raises WorkbookError for a workbook beyond the limits, and for what is none.
    """
    from openpyxl import load_workbook

    with _tripping():
        _check_sizes(data)
        book = load_workbook(io.BytesIO(data), data_only=True, read_only=True)
        grids = tuple(_grids(book, data))
    try:
        yield grids
    finally:
        book.close()


def titles_of(data: bytes) -> tuple[str, ...]:
    """Return the titles of all sheets; raises as `opened`."""
    from openpyxl import load_workbook

    with _tripping():
        _check_sizes(data)
        book = load_workbook(io.BytesIO(data), read_only=True)
        book.close()
    return tuple(book.sheetnames)


def _check_sizes(data: bytes) -> None:
    """Raise WorkbookError by what the zip's directory says; no part unpacks to more than that."""
    with ZipFile(io.BytesIO(data)) as parts:
        inside = parts.infolist()
    xml = sum(p.file_size for p in inside if PurePosixPath(p.filename).parent.name != "media")
    if len(inside) > _PARTS:
        raise WorkbookError(f"must be a workbook of field size; it has {len(inside)} parts")
    if xml > BOOK_XML_BYTES:
        raise WorkbookError(
            f"must unpack to at most {megabytes(BOOK_XML_BYTES)}; it would be {megabytes(xml)}",
            "delete empty rows and columns and sheets of no use, and save; or split the site",
        )


def _grids(book: Workbook, data: bytes) -> Iterator[Worksheet]:
    cells = 0
    with ZipFile(io.BytesIO(data)) as parts:
        for sheet in book.worksheets:
            # openpyxl has no public name for the part a sheet stands in.
            with parts.open(sheet._worksheet_path) as part:
                facts = _Pass().facts_of(part, cells)
            cells += facts.cells
            sheet.reset_dimensions()  # what a file claims of its size counts for nothing
            shown = sheet.sheet_state == "visible"
            yield Worksheet(sheet.title, not shown, facts, sheet, book.epoch)


class _Pass:
    """One pass over the XML of a sheet."""

    def __init__(self) -> None:
        from openpyxl.utils import coordinate_to_tuple

        self.facts, self.place_of = SheetFacts(), coordinate_to_tuple
        self.row = self.column = self.others = self.before = 0
        self.hidden = self.in_row = self.in_cell = self.filled = False

    def facts_of(self, part: IO[bytes], before: int) -> SheetFacts:
        """Return what stands in a sheet; `before` are the cells of the sheets before it."""
        self.before = before
        parser = ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.StartDoctypeDeclHandler = self._doctype
        parser.ParseFile(part)
        return self.facts

    def _doctype(self, *_: object) -> None:
        raise ValueError("a sheet declares no document type")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if self.in_cell:
            if name == _MAIN + "v" or name == _MAIN + "t":
                self.filled = True
            elif name == _MAIN + "f":
                self.filled = True
                self.facts.formulas.add((self.row, self.column))
            elif name not in _IN_CELLS:
                self._count()
        elif name == _MAIN + "c" and self.in_row:
            self.in_cell, self.filled = True, False
            if at := attributes.get("r"):
                self.row, self.column = self.place_of(at)
            else:
                self.column += 1
            self.cells_of_row += 1
            if self.cells_of_row > _WIDEST:
                raise WorkbookError(f"must have at most {COLUMNS} columns; row {self.row} has more")
        elif name == _MAIN + "row":
            self.in_row, self.column, self.cells_of_row = True, 0, 0
            self.row = int(attributes["r"]) if "r" in attributes else self.row + 1
            self.hidden = attributes.get("hidden", "0") in ("1", "true")
        else:
            self._count()
            if name == _MAIN + "mergeCell":
                self.facts.merged.append(_range(attributes["ref"]))
            elif name == _MAIN + "col" and attributes.get("hidden", "0") in ("1", "true"):
                first, last = int(attributes["min"]), int(attributes["max"])
                self.facts.hidden_columns += range(first, min(last, COLUMNS) + 1)

    def _end(self, name: str) -> None:
        if name == _MAIN + "c" and self.in_cell:
            self.in_cell = False
            if self.filled:
                self._filled()
        elif name == _MAIN + "row":
            self.in_row = False

    def _filled(self) -> None:
        facts = self.facts
        facts.cells += 1
        if self.before + facts.cells > BOOK_CELLS:
            raise WorkbookError(
                f"must have at most {BOOK_CELLS} filled cells in all its sheets; it has more",
                "delete sheets of no use, and save; or split the site",
            )
        facts.last_row = max(facts.last_row, self.row)
        facts.last_column = max(facts.last_column, self.column)
        if self.hidden and facts.hidden_rows[-1:] != [self.row]:
            facts.hidden_rows.append(self.row)

    def _count(self) -> None:
        self.others += 1
        if self.others > _MOST:
            raise WorkbookError("must be a workbook of field size; a sheet has too many ranges")

    cells_of_row: int = 0


def _range(text: str) -> Range:
    from openpyxl.utils import range_boundaries

    first, above, last, below = range_boundaries(text)
    if first is None or above is None or last is None or below is None:
        raise ValueError(f"no range of cells: {text}")
    return int(first), int(above), int(last), int(below)
