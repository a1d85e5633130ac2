"""Text files of points: lines to cells (`read_text`), cells to points (`text_points`).

Beside what tables are, they may be without a header and separated by blanks; each line is a point
of its own, so a quote left open is a fault of one line alone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import nan
from typing import Final

import numpy as np

from lateralline import csv_file
from lateralline.ingest.cells import means_unknown
from lateralline.ingest.conventions import (
    POINT_NAMES,
    Decimal,
    decimal_mark,
    is_numeric,
    number,
    without_signs,
)
from lateralline.ingest.intake import decode_any
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import DESCRIPTION, POINTS
from lateralline.ingest.points.survey_points import (
    ORDER_WORDS,
    Order,
    PointColumns,
    SurveyPoints,
    texts,
    unused,
)
from lateralline.ingest.tables import TextTable, column_title, separator_of, too_many
from lateralline.names import wrong_sign

_UNITS = {
    "m": "m", "metre": "m", "meter": "m", "metres": "m", "meters": "m",
    "ft": "ft", "ift": "ft", "us-ft": "us-ft", "usft": "us-ft", "ftus": "us-ft", "us ft": "us-ft",
}  # fmt: skip


def text_points(
    text: TextTable, columns: PointColumns, order: Order | None, ledger: Ledger
) -> SurveyPoints:
    """Return the points of a text file, x easting and y northing; rows at fault are noted.

    With `order` None, before anyone confirmed one, they serve for nothing but to find faults.
    """
    reader = _Reader(text, columns, order, ledger)
    name = [
        cells[columns.at["name"]] if columns.at["name"] >= 0 else str(n) for n, cells in text.rows
    ]
    _check_names(text, name, ledger)
    first, second = (reader.numbers(c, needed=True) for c in columns.pair)
    x, y = (first, second) if order == "penzd" else (second, first)
    z, moved = reader.levels()
    code = [cells[columns.at["code"]] if columns.at["code"] >= 0 else "" for _, cells in text.rows]
    filled = [any(cells[c] for _, cells in text.rows) for c in range(len(text.header))]
    unused_notes, unused_warnings = unused(text.header, columns.taken, filled)
    roles, lacking = _of_header(text, columns)
    return SurveyPoints(
        file=text.file,
        row=np.array([n for n, _ in text.rows], dtype=np.int64),
        name=texts(name),
        x=np.array(x),
        y=np.array(y),
        z=np.array(z),
        sigma_h=np.array(reader.numbers(columns.at["sigma_h"], positive=True)),
        sigma_v=np.array(reader.numbers(columns.at["sigma_v"], positive=True)),
        code=texts(moved or code),
        attributes={
            role: texts([cells[at] for _, cells in text.rows])
            for role, at in columns.attributes.items()
        },
        xy_unit=reader.unit(columns.pair[0]) or reader.unit(columns.pair[1]),
        z_unit=reader.unit(columns.at["z"]),
        decimal=reader.mark,
        notes=(
            *text.notes,
            *([f"{order}: {ORDER_WORDS[order]}"] if order else []),
            *reader.notes,
            *roles,
            *unused_notes,
        ),
        warnings=(*lacking, *unused_warnings),
    )


def _of_header(text: TextTable, columns: PointColumns) -> tuple[list[str], list[str]]:
    """Return which column was taken for what, and what the header names no column for."""
    if not text.header:
        return [], []
    at = columns.at
    own = {"names": at["name"], "levels": at["z"], "codes": at["code"], **columns.attributes}
    roles = [f"{role} from {text.header[place]}" for role, place in own.items() if place >= 0]
    absent = {
        "names: points are called by their lines": at["name"],
        "levels: points come without": at["z"],
        "descriptions": at["code"] if "kind" not in columns.attributes else 0,
    }
    lacking = [f"no column is known to hold {what}" for what, place in absent.items() if place < 0]
    return [", ".join(roles)] if roles else [], lacking


class _Reader:
    """Turns cells into numbers; knows the file's decimal sign and what its columns are called."""

    def __init__(
        self, text: TextTable, columns: PointColumns, order: Order | None, ledger: Ledger
    ) -> None:
        self.text, self.columns, self.ledger, self.notes = text, columns, ledger, []
        self.order = order
        numeric = [c for c in (*columns.pair, columns.at["z"]) if c >= 0]
        cells = [row[c] for _, row in text.rows for c in numeric]
        mark = decimal_mark(cells)
        if mark is None:
            some = next((c for c in cells if "," in c), "")
            must = "must show which sign stands before the decimals; point and comma may both do so"
            hint = "write every number with a decimal point, and no signs between thousands"
            ledger.fault(text.file, 0, "numbers", some, must, hint)
        elif mark == ",":
            self.notes.append("with decimal commas")
        self.mark: Decimal = mark or "."
        self.unsure = mark is None

    def title(self, column: int) -> str:
        """Return what a column is called in messages."""
        if self.text.header:
            return self.text.header[column]
        if self.order is None and column in (1, 2):
            return "coordinate"
        names = ("point", "northing", "easting", "level", "description")
        swap = {1: 2, 2: 1} if self.order == "penzd" else {}
        return names[swap.get(column, column)]

    def unit(self, column: int) -> str:
        """Return the unit the header names beside a column; "" for none."""
        if not self.text.header or column < 0:
            return ""
        return _UNITS.get(self.text.units.get(self.text.header[column], ""), "")

    def numbers(self, column: int, *, needed: bool = False, positive: bool = False) -> list[float]:
        """Return a column; NaN where a cell is empty or at fault."""
        if column < 0:
            return [nan] * len(self.text.rows)
        return [
            self._number(n, column, cells[column], needed=needed, positive=positive)
            for n, cells in self.text.rows
        ]

    def levels(self) -> tuple[list[float], list[str]]:
        """Return the levels, and the descriptions where the file holds no levels at all.

        Without a header, point, two coordinates and a description make a file without levels.
        """
        column = self.columns.at["z"]
        if not self.text.header and not any(is_numeric(cells[3]) for _, cells in self.text.rows):
            self.notes.append("without levels")
            joined = [" ".join(filter(None, cells[3:])) for _, cells in self.text.rows]
            return [nan] * len(self.text.rows), joined
        return self.numbers(column), []

    def _number(self, n: int, column: int, cell: str, *, needed: bool, positive: bool) -> float:
        if not needed and (not cell or means_unknown(cell)):
            return nan
        value = number(cell, self.mark)
        if value is not None and not (positive and value <= 0):
            return value
        if not (self.unsure and is_numeric(cell)):
            must = f"must be a number{' above 0' if positive else ''}"
            hint = ""
            if not needed and self.text.separator == " ":
                hint = "a level left out leaves no trace between blanks: separate cells by commas"
            elif not needed:
                hint = "leave it empty when it is not known"
            elif is_numeric(cell):
                hint = (
                    f"the decimals of this file follow a {'comma' if self.mark == ',' else 'point'}"
                )
            self.ledger.fault(self.text.file, n, self.title(column), cell, must, hint)
        return nan


def _check_names(text: TextTable, names: list[str], ledger: Ledger) -> None:
    first: dict[str, int] = {}
    for (n, _), name in zip(text.rows, names, strict=True):
        if not name:
            ledger.fault(text.file, n, "point", "", "must have a number or a name")
        elif name in first:
            must = f"must be a number of its own; line {first[name]} has it too"
            ledger.fault(text.file, n, "point", name, must)
        first.setdefault(name, n)


# ---- lines and cells ----------------------------------------------------------------------

_TOKEN: Final = re.compile(r'"[^"]*"|\S+')
#: Signs between cells: those of tables, and blanks.
_SEPARATORS: Final = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
_COORDINATES: Final = frozenset({*POINT_NAMES["easting"], *POINT_NAMES["northing"], "x", "y"})
#: Columns of a file without a header: point, two coordinates, level, description.
PLAIN_COLUMNS: Final = 5


def read_text(file: str, data: bytes, ledger: Ledger) -> TextTable | None:
    """Return a file as cells; None, with faults, when it cannot be taken apart."""
    notes: list[str] = []
    text = decode_any(file, data, notes, ledger)
    if text is None:
        return None
    lines = [(n, line) for n, line in enumerate(text.splitlines(), start=1)]
    lines = [(n, line) for n, line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        ledger.fault(file, 0, "file", "", "must hold points; it is empty")
        return None
    if len(lines) > POINTS + 1:
        must = f"must hold at most {POINTS} points; more begin here"
        ledger.fault(file, lines[POINTS + 1][0], "file", "", must, "give it in parts")
        return None
    unfit = len(ledger.faults)
    for n, line in lines:
        if len(line) > DESCRIPTION:
            must = f"must be at most {DESCRIPTION} characters long"
            ledger.fault(file, n, "row", line, must, "one point stands on one line")
        elif hint := wrong_sign(line):
            ledger.fault(file, n, "row", line, "must be text", hint)
    if len(ledger.faults) > unfit:
        return None
    if geometry := _names_geometry(lines[0][1]):
        return TextTable(file, lines[0][0], geometry, (), notes=("positions as geometry",))
    separator = _separator([line for _, line in lines])
    notes.append(f"separated by {_SEPARATORS[separator]}")
    cut = [(n, _cells(file, n, line, separator, ledger)) for n, line in lines]
    records = [(n, cells) for n, cells in cut if cells and not cells[0].startswith("#")]
    header_line = 0
    header: tuple[str, ...] = ()
    units: dict[str, str] = {}
    if records and not any(map(is_numeric, records[0][1])) and len(records[0][1]) > 1:
        header_line, names = records.pop(0)
        titles = [column_title(name) for name in names]
        header, units = tuple(name for name, _ in titles), dict(titles)
        notes.append("with a header")
    else:
        notes.append("without a header")
    if not records and not ledger.faults:
        ledger.fault(file, 0, "file", "", "must hold points below its header")
        return None
    rows = [
        (n, fitted)
        for n, cells in records
        if (fitted := _fit(file, n, cells, header, separator, ledger)) is not None
    ]
    return TextTable(
        file,
        header_line,
        header,
        tuple(rows),
        units=units,
        separator=separator,
        notes=tuple(notes),
    )


def _names_geometry(line: str) -> tuple[str, ...]:
    """Return the names of a header one of which is WKT, whose rows are none of ours; else none.

    Coordinates within `POINT Z (…)` have blanks between them, which separate no cells.
    """
    for separator in (",", ";", "\t"):
        names = tuple(name.casefold() for name in _split(line, separator) or ())
        if "wkt" in names:
            return names
    return ()


def _separator(lines: Sequence[str]) -> str:
    """Return the sign between cells: that of the header where it names the two coordinates.

    Else the one that leaves two coordinates where they should stand. Blanks also stand within
    descriptions, so they separate cells only where no other sign does.
    """
    sign = separator_of(lines[0])
    if len(_COORDINATES.intersection(map(without_signs, _split(lines[0], sign) or ()))) == 2:
        return sign
    some = lines[:200]
    cut = {sep: [_split(line, sep) or line.split(sep) for line in some] for sep in _SEPARATORS}

    def alone(separator: str, cells: Sequence[str]) -> int:
        """Count the numbers; a comma between cells is none within a number."""
        loose = separator == ","
        return sum(is_numeric(cell) and not (loose and " " in cell) for cell in cells)

    fits = {s: sum(alone(s, cells[1:4]) > 1 for cells in cut[s]) for s in _SEPARATORS}
    best = [s for s in _SEPARATORS if fits[s] == max(fits.values())]
    if len(best) > 1 and max(fits.values()):
        best = [s for s in best if s != " "]
    return max(best, key=lambda s: (sum(alone(s, cells) for cells in cut[s]), len(cut[s][0])))


def _split(line: str, separator: str) -> list[str] | None:
    """Return the cells of one line; None when a quote does not close."""
    if separator == " ":
        return _TOKEN.findall(line)
    cells = csv_file.parted(line, separator)
    return None if cells is None else [c.strip() for c in cells]


def _cells(file: str, n: int, line: str, separator: str, ledger: Ledger) -> list[str] | None:
    cells = _split(line, separator)
    if cells is None:
        hint = 'a quote that opens must close; write "" for a quote inside quotes'
        ledger.fault(file, n, "row", line, "must have its quotes in pairs", hint)
        return None
    return [_unquoted(c) for c in cells] if separator == " " else cells


def _unquoted(cell: str) -> str:
    """Return a cell without the quotes about it; a quote at its end alone is an inch."""
    return cell[1:-1] if len(cell) > 1 and cell[0] == cell[-1] == '"' else cell


def _fit(
    file: str, n: int, cells: list[str], header: Sequence[str], separator: str, ledger: Ledger
) -> tuple[str, ...] | None:
    """Return cells that fit the header, or the five plain columns: the last takes what is over."""
    across = len(header) or PLAIN_COLUMNS
    over = cells[across - 1 :]
    if len(cells) > across and not header and sum(map(is_numeric, over[:3])) == 3:
        hint = "is the comma a decimal one? then separate cells by semicolons or tabs"
        must = "must be point, two coordinates, level, description; it has more numbers than that"
        ledger.fault(file, n, "row", f"{len(cells)} cells", must, hint)
        return None
    if len(cells) > across and header and separator != " ":
        must, hint = f"must have {across} cells", too_many(separator)
        ledger.fault(file, n, "row", f"{len(cells)} cells", must, hint)
        return None
    if len(cells) > across:
        joint = ", " if separator == "," else " "
        cells = [*cells[: across - 1], joint.join(filter(None, over))]
    if len(cells) < (len(header) if header and separator != " " else 3):
        hint = "empty cells still need their separators"
        must = f"must have {across} cells" if header else "must be point, two coordinates, …"
        ledger.fault(file, n, "row", f"{len(cells)} cells", must, hint)
        return None
    return tuple(cells + [""] * (across - len(cells)))
