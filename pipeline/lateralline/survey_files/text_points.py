"""Points of a text file whose columns and order are known; every cell that will not do a fault."""

from __future__ import annotations

from math import nan

import numpy as np

from lateralline.read.ledger import Ledger
from lateralline.survey_files.columns import ORDER_WORDS, Columns, Order, unused
from lateralline.survey_files.numbers import Decimal, decimal_mark, is_numeric, number
from lateralline.survey_files.points import Points, texts
from lateralline.survey_files.text_file import TextFile

_UNITS = {
    "m": "m", "metre": "m", "meter": "m", "metres": "m", "meters": "m",
    "ft": "ft", "ift": "ft", "us-ft": "us-ft", "usft": "us-ft", "ftus": "us-ft", "us ft": "us-ft",
}  # fmt: skip


def text_points(text: TextFile, columns: Columns, order: Order | None, ledger: Ledger) -> Points:
    """Return the points of a text file, x easting and y northing; rows at fault are noted.

    With `order` None, before anyone confirmed one, they serve for nothing but to find faults.
    """
    reader = _Reader(text, columns, order, ledger)
    name = [cells[columns.name] if columns.name >= 0 else str(n) for n, cells in text.rows]
    _check_names(text, name, ledger)
    first, second = (reader.numbers(c, needed=True) for c in (columns.first, columns.second))
    x, y = (first, second) if order == "penzd" else (second, first)
    z, moved = reader.levels()
    code = [cells[columns.code] if columns.code >= 0 else "" for _, cells in text.rows]
    filled = [any(cells[c] for _, cells in text.rows) for c in range(len(text.header))]
    spare = unused(text.header, columns.taken, filled)
    return Points(
        file=text.file,
        row=np.array([n for n, _ in text.rows], dtype=np.int64),
        name=texts(name),
        x=np.array(x),
        y=np.array(y),
        z=np.array(z),
        sigma_h=np.array(reader.numbers(columns.sigma_h, positive=True)),
        sigma_v=np.array(reader.numbers(columns.sigma_v, positive=True)),
        code=texts(moved or code),
        told={
            role: texts([cells[at] for _, cells in text.rows]) for role, at in columns.told.items()
        },
        xy_unit=reader.unit(columns.first) or reader.unit(columns.second),
        z_unit=reader.unit(columns.z),
        decimal=reader.mark,
        said=(
            *text.said,
            *([f"{order}: {ORDER_WORDS[order]}"] if order else []),
            *reader.said,
            *_roles(text, columns),
            *spare.said,
        ),
        warned=(*_lacking(text, columns), *spare.warned),
    )


def _roles(text: TextFile, columns: Columns) -> tuple[str, ...]:
    """Say which column of a header was taken for what."""
    if not text.header:
        return ()
    own = {"names": columns.name, "levels": columns.z, "codes": columns.code}
    roles = [f"{role} from {text.header[at]}" for role, at in own.items() if at >= 0]
    roles += [f"{role} from {text.header[at]}" for role, at in columns.told.items()]
    return (", ".join(roles),) if roles else ()


def _lacking(text: TextFile, columns: Columns) -> tuple[str, ...]:
    """Say what a header names no column for, and what follows from that."""
    if not text.header:
        return ()
    none = {
        "names: points are called by their lines": columns.name,
        "levels: points come without": columns.z,
        "descriptions": columns.code if "kind" not in columns.told else 0,
    }
    return tuple(f"no column is known to hold {what}" for what, at in none.items() if at < 0)


class _Reader:
    """Turns cells into numbers; knows the file's decimal sign and what its columns are called."""

    def __init__(
        self, text: TextFile, columns: Columns, order: Order | None, ledger: Ledger
    ) -> None:
        self.text, self.columns, self.ledger, self.said = text, columns, ledger, []
        self.order = order
        numeric = [c for c in (columns.first, columns.second, columns.z) if c >= 0]
        cells = [row[c] for _, row in text.rows for c in numeric]
        mark = decimal_mark(cells)
        if mark is None:
            some = next((c for c in cells if "," in c), "")
            must = "must show which sign stands before the decimals; point and comma may both do so"
            hint = "write every number with a decimal point, and no signs between thousands"
            ledger.fault(text.file, 0, "numbers", some, must, hint)
        elif mark == ",":
            self.said.append("with decimal commas")
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
        return _UNITS.get(self.text.units[column], "") if self.text.units and column >= 0 else ""

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
        column = self.columns.z
        if not self.text.header and not any(is_numeric(cells[3]) for _, cells in self.text.rows):
            self.said.append("without levels")
            joined = [" ".join(filter(None, cells[3:])) for _, cells in self.text.rows]
            return [nan] * len(self.text.rows), joined
        return self.numbers(column), []

    def _number(self, n: int, column: int, cell: str, *, needed: bool, positive: bool) -> float:
        if not cell and not needed:
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


def _check_names(text: TextFile, names: list[str], ledger: Ledger) -> None:
    first: dict[str, int] = {}
    for (n, _), name in zip(text.rows, names, strict=True):
        if not name:
            ledger.fault(text.file, n, "point", "", "must have a number or a name")
        elif name in first:
            must = f"must be a number of its own; line {first[name]} has it too"
            ledger.fault(text.file, n, "point", name, must)
        first.setdefault(name, n)
