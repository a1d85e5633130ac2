"""Raw tables: a header and rows of text cells, each with its line as an editor shows it."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lateralline import csv_file
from lateralline.read.ledger import Ledger
from lateralline.read.limits import CELL, COLUMNS, LINES, ROWS

_UNSEEN = re.compile("[\u200b\u2060\ufeff]")  # signs of no width that come with pasted text
_TITLE = re.compile(r"(.*\S)\s*\[\s*(\S[^\[\]]*?)\s*\]")
_TOO_MANY = "a decimal comma is written as a point; text with a comma needs quotes"


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table before its cells mean anything; all blank rows and comments are gone."""

    file: str  # as messages name it: "marks.csv", "field.xlsx marks"
    header_line: int
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    complete: bool = True  # False when some rows do not fit the header
    units: Mapping[str, str] = field(default_factory=dict)  # that the header names: station [ft]
    letters: Mapping[str, str] = field(default_factory=dict)  # of the columns of a workbook
    bad: frozenset[tuple[int, str]] = frozenset()  # line and column of cells already at fault


def csv_sheet(file: str, text: str, ledger: Ledger) -> Sheet | None:
    """Return a comma-separated file as a Sheet; None, with faults, when it has no usable header.

    Lines that begin with # are notes to the reader and skipped.
    """
    records: list[tuple[int, list[str]]] = []
    lines = text.count("\n")
    if lines > LINES:
        must = f"must hold at most {LINES} lines, blank ones and comments too"
        ledger.fault(file, 0, "file", f"{lines} lines", must, "delete those that say nothing")
        return None
    try:
        for line, _, cells in csv_file.records(text):
            if not any(cells):
                continue
            if len(records) > ROWS or len(cells) > COLUMNS:
                _too_large(file, line, len(cells), ledger)
                return None
            records.append((line, cells))
    except csv.Error as e:
        why, line = e.args
        hint = 'a quote that opens must close; write "" for a quote inside quotes'
        ledger.fault(file, line, "row", "", f"must be comma separated text ({why})", hint)
        return None
    return tidy(file, records, ledger)


def tidy(
    file: str,
    records: list[tuple[int, list[str]]],
    ledger: Ledger,
    letters: Sequence[str] = (),
    longest: int = CELL,
) -> Sheet | None:
    """Strip blanks, drop empty rows and comments, and check that rows fit the header.

    `letters` are those of the columns of a workbook; files of text have none. `longest` is what a
    cell may hold, in characters.
    """
    stripped = [(line, [bare(c) for c in cells]) for line, cells in records]
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
    for mark, name in ((";", "semicolon"), ("\t", "tab")):
        if len(header) == 1 and mark in header[0]:
            hint = f"it has {name}s: save as CSV with commas and decimal points, or as .xlsx"
            ledger.fault(file, header_line, "header", mark, "must be comma separated", hint)
            return None
    titles = [title(h) for h in header]
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
        hint = "empty cells still need their commas" if len(cells) < across else _TOO_MANY
        ledger.fault(file, line, "row", f"{len(cells)} cells", f"must have {across} cells", hint)
    return Sheet(
        file,
        header_line,
        tuple(header),
        tuple(rows),
        len(rows) == len(body),
        {name: unit for name, unit in titles if unit},
        dict(zip(header, letters, strict=False)),
        frozenset(bad),
    )


def _too_large(file: str, line: int, columns: int, ledger: Ledger) -> None:
    """Note that a table is none of field size."""
    if columns > COLUMNS:
        must = f"must have at most {COLUMNS} columns"
        ledger.fault(file, line, "row", f"{columns} cells", must, "delete those not needed")
        return
    must = f"must hold at most {ROWS} rows; more begin here"
    ledger.fault(file, line, "table", "", must, "split the site: one site, one crew's survey")


def bare(text: str) -> str:
    """Return a cell without blanks, hard ones included, and signs of no width about it."""
    return _UNSEEN.sub("", text).strip()


def title(text: str) -> tuple[str, str]:
    """Return the name of a column and the unit its header names, both in small letters.

    >>> title("Station [ft]"), title("note"), title("sigma_h\u00a0[ m ]")
    (('station', 'ft'), ('note', ''), ('sigma_h', 'm'))
    """
    text = text.casefold()
    m = _TITLE.fullmatch(text)
    return (m[1], m[2]) if m else (text, "")
