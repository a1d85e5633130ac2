"""Raw tables: a header and rows of text cells, each with its line as an editor shows it."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lateralline import csv_file
from lateralline.read.ledger import Ledger

_BOM = "\ufeff"
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


def decode(file: str, data: bytes, ledger: Ledger) -> str | None:
    """Return the text of a UTF-8 file; None, with a fault, when it is not."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        ledger.fault(file, 1, "file", "UTF-16", "must be UTF-8 text", "save it as UTF-8")
        return None
    if (at := data.find(b"\0")) >= 0:
        line = _line_at(data, at)
        ledger.fault(file, line, "file", "", "must be text; it holds a NUL byte", "save it again")
        return None
    try:
        return data.decode("utf-8").removeprefix(_BOM)
    except UnicodeDecodeError as e:
        byte = f"byte 0x{data[e.start]:02X}"
        ledger.fault(
            file, _line_at(data, e.start), "file", byte, "must be UTF-8 text", "save it as UTF-8"
        )
        return None


def csv_sheet(file: str, text: str, ledger: Ledger) -> Sheet | None:
    """Return a comma-separated file as a Sheet; None, with faults, when it has no usable header.

    Lines that begin with # are notes to the reader and skipped.
    """
    try:
        records = [(first, cells) for first, _, cells in csv_file.records(text)]
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
) -> Sheet | None:
    """Strip blanks, drop empty rows and comments, and check that rows fit the header.

    `letters` are those of the columns of a workbook; files of text have none.
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
    for line, cells in body:
        # Empty cells count: behind a decimal comma every cell moves on by one, and the one pushed
        # over the edge is often empty. Those a spreadsheet adds stand in the header as well.
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
    )


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


def _line_at(data: bytes, at: int) -> int:
    return data.count(b"\n", 0, at) + 1
