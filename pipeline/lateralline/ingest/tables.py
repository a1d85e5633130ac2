"""Tables of text: a header and rows of cells, each row with its line as an editor shows it.

Text files, sheets of workbooks and point files all become a `TextTable` before any cell means
something. A table of text is read in one way wherever it comes from: a site folder, what is added
to a site, `--stops`, `--points`:

* UTF-8 with or without a byte-order mark, UTF-16 with one, else Windows-1252, the superset of
  Latin-1 that spreadsheets write; what is no UTF-8 is noted.
* Cells are separated by the sign that parts the header into most names: comma, semicolon or tab.
* A line, or a first cell, that begins with # is a comment. Blank lines are skipped.
* What columns are called and how decimals are written: `ingest.conventions`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from lateralline import csv_file
from lateralline.ingest.intake import decode_any
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import CELL, COLUMNS, LINES, ROWS

#: Signs between the cells of text files that have a header, the usual one first.
SEPARATORS: Final[Mapping[str, str]] = {",": "comma", ";": "semicolon", "\t": "tab"}

_UNSEEN: Final = re.compile("[\u200b\u2060\ufeff]")  # signs of no width that come with pasted text
_TITLE: Final = re.compile(
    r"(.*\S)\s*(?:\[\s*(\S[^\[\]]*?)\s*\]"
    r"|\(\s*(m|cm|mm|in|met(?:re|er)s?|i?ft|us[- ]?ft|ftus|deg|°)\s*\))"
)
_QUOTES: Final = 'a quote that opens must close; write "" for a quote inside quotes'


@dataclass(frozen=True, slots=True)
class TextTable:
    """One table before its cells mean anything; all blank rows and comments are gone."""

    file: str  # as messages name it: "marks.csv", "field.xlsx marks"
    header_line: int
    header: tuple[str, ...]  # in small letters, units taken off; () in point files without one
    rows: tuple[tuple[int, tuple[str, ...]], ...]  # line, cells
    complete: bool = True  # False when some rows do not fit the header
    units: Mapping[str, str] = field(default_factory=dict)  # that the header names: depth [ft]
    letters: Mapping[str, str] = field(default_factory=dict)  # of the columns of a workbook
    bad: frozenset[tuple[int, str]] = frozenset()  # line and column of cells already at fault
    separator: str = ","
    notes: tuple[str, ...] = ()  # how it was read where that is not as plain comma-separated UTF-8

    def cell(self, line: int, column: str) -> str:
        """Return the address of a cell in its sheet; "" in a text file."""
        letter = self.letters.get(column, "")
        return f"{letter}{line}" if letter else ""

    def renamed(self, names: Mapping[str, str], *notes: str) -> TextTable:
        """Return the table with columns by other names, old → new, and notes on that."""

        def new(column: str) -> str:
            return names.get(column, column)

        return replace(
            self,
            header=tuple(map(new, self.header)),
            units={new(column): unit for column, unit in self.units.items()},
            letters={new(column): letter for column, letter in self.letters.items()},
            bad=frozenset((line, new(column)) for line, column in self.bad),
            notes=(*self.notes, *notes),
        )

    def fault(
        self, ledger: Ledger, line: int, column: str, value: str, must: str, hint: str = ""
    ) -> None:
        """Note a fault of one cell."""
        ledger.fault(self.file, line, column, value, must, hint, self.cell(line, column))


def csv_table(file: str, data: bytes, ledger: Ledger) -> TextTable | None:
    """Return a text file as a table; None, with faults, when it has no usable header."""
    notes: list[str] = []
    text = decode_any(file, data, notes, ledger)
    if text is None:
        return None
    lines = text.count("\n")
    if lines > LINES:
        must = f"must hold at most {LINES} lines, blank ones and comments too"
        ledger.fault(file, 0, "file", f"{lines} lines", must, "delete those that say nothing")
        return None
    separator = separator_of(text)
    records: list[tuple[int, list[str]]] = []
    try:
        for line, _, cells in csv_file.records(text, separator):
            if not any(cells):
                continue
            if len(records) > ROWS or len(cells) > COLUMNS:
                _too_large(file, line, len(cells), ledger)
                return None
            records.append((line, cells))
    except csv_file.Error as e:
        why, line = e.args
        must = f"must be {SEPARATORS[separator]} separated text ({why})"
        ledger.fault(file, line, "row", "", must, _QUOTES)
        return None
    table = as_table(file, records, ledger, separator=separator)
    if separator != ",":
        notes.append(f"with {SEPARATORS[separator]}s between cells")
    return None if table is None else replace(table, notes=tuple(notes))


def separator_of(text: str) -> str:
    """Return the sign between the cells of a text, by its header: its first line with content.

    >>> separator_of("# 6 May, wet"), separator_of("a;b [m, ft];c"), separator_of("x")
    (',', ';', ',')
    """
    lines = (line for line in text.splitlines() if trimmed(line))
    header = next((line for line in lines if not trimmed(line).lstrip('"').startswith("#")), "")
    parted = {sign: len(csv_file.parted(header, sign) or ()) for sign in SEPARATORS}
    return max(parted, key=parted.__getitem__)


def as_table(
    file: str,
    records: list[tuple[int, list[str]]],
    ledger: Ledger,
    letters: Sequence[str] = (),
    longest: int = CELL,
    separator: str = ",",
) -> TextTable | None:
    """Strip blanks, drop empty rows and comments, and check that rows fit the header.

    `letters` are those of the columns of a workbook; files of text have none. `longest` is what a
    cell may hold, in characters.
    """
    stripped = [(line, [trimmed(c) for c in cells]) for line, cells in records]
    filled = [
        # A spreadsheet puts comments with commas in quotes, so the cell decides, not the line.
        (line, cells)
        for line, cells in stripped
        if any(cells) and not cells[0].startswith("#")
    ]
    if not filled:
        ledger.fault(file, 0, "file", "", "must begin with a header row; it is empty")
        return None
    (header_line, header), *body = filled
    if len(body) > ROWS:
        _too_large(file, body[ROWS][0], len(header), ledger)
        return None
    titles = [column_title(h) for h in header]
    header = [name for name, _ in titles]
    across = len(header)
    while header and not header[-1] and not any("".join(c[len(header) - 1 :]) for _, c in body):
        header.pop()  # spreadsheets leave empty columns behind
    for at, name in enumerate(header):
        cell = f"{letters[at]}{header_line}" if letters else ""
        if not name:
            must = f"must name column {at + 1}"
            ledger.fault(file, header_line, "header", "", must, cell=cell)
        elif name in header[:at]:
            must = "must name each column once"
            ledger.fault(file, header_line, "header", name, must, cell=cell)
    rows: list[tuple[int, tuple[str, ...]]] = []
    bad: set[tuple[int, str]] = set()
    for line, cells in body:
        # Empty cells count: behind a decimal comma every cell moves on by one, and the one pushed
        # over the edge is often empty. Those a spreadsheet adds stand in the header as well.
        long = [at for at, cell in enumerate(cells[: len(header)]) if len(cell) > longest]
        for at in long:
            bad.add((line, header[at]))
            must, hint = f"must be at most {longest} characters", f"it has {len(cells[at])}"
            address = f"{letters[at]}{line}" if letters else ""
            ledger.fault(file, line, header[at], cells[at], must, hint, address)
        if len(cells) == across:
            rows.append((line, tuple(cells[: len(header)])))
            continue
        few = f"empty cells still need their {SEPARATORS.get(separator, 'separator')}s"
        hint = few if len(cells) < across else too_many(separator)
        ledger.fault(file, line, "row", f"{len(cells)} cells", f"must have {across} cells", hint)
    return TextTable(
        file,
        header_line,
        tuple(header),
        tuple(rows),
        len(rows) == len(body),
        {name: unit for name, unit in titles if unit},
        dict(zip(header, letters, strict=False)),
        frozenset(bad),
        separator,
    )


def _too_large(file: str, line: int, columns: int, ledger: Ledger) -> None:
    """Note that a table is none of field size."""
    if columns > COLUMNS:
        must = f"must have at most {COLUMNS} columns"
        ledger.fault(file, line, "row", f"{columns} cells", must, "delete those not needed")
        return
    must = f"must hold at most {ROWS} rows; more begin here"
    ledger.fault(file, line, "table", "", must, "split the site: one site, one crew's survey")


def too_many(separator: str) -> str:
    """Return what may be wrong with a row of more cells than the header."""
    if separator == ",":
        return "a decimal comma is written as a point; text with a comma needs quotes"
    return f"text with a {SEPARATORS.get(separator, 'blank')} needs quotes"


def trimmed(text: str) -> str:
    """Return a cell without blanks, hard ones included, and signs of no width about it."""
    return _UNSEEN.sub("", text).strip()


def column_title(text: str) -> tuple[str, str]:
    """Return the name of a column and the unit its header names, both in small letters.

    >>> column_title("Station [ft]"), column_title("Counter (m)"), column_title("note")
    (('station', 'ft'), ('counter', 'm'), ('note', ''))
    """
    text = text.casefold()
    m = _TITLE.fullmatch(text)
    return (m[1], m[2] or m[3]) if m else (text, "")
