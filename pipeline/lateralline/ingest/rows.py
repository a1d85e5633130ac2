"""InputRows with typed cells, from sheets or from sections of `site.toml`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from math import nan
from typing import Final

import numpy as np

from lateralline import contract
from lateralline.contract import Column, Table
from lateralline.ingest.cells import (
    UNKNOWN_UNIT,
    Value,
    accept,
    declared_unit,
    hint_for,
    in_decimals,
    is_unknown,
    must_be,
    row_model,
)
from lateralline.ingest.conventions import meant_by
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import CELL
from lateralline.ingest.tables import TextTable
from lateralline.names import wrong_sign
from lateralline.records import Floats, Ints, Texts
from lateralline.units import symbol

#: Columns in the unit of the horizontal CRS, which is that of the tape on a local sketch.
IN_THE_PLANE: Final = ("x", "y", "sigma_h")

#: Gives the unit a column is filled in, or "" when that is not one unit for all rows.
UnitOf = Callable[[Column], str]


@dataclass(frozen=True, slots=True)
class InputRow:
    """One row: the cells that were given and are valid, in the units they were given in."""

    file: str
    line: int
    cells: Mapping[str, Value]
    bad: frozenset[str] = frozenset()  # already at fault: nothing more is reported of these
    lines: Mapping[str, int] = field(default_factory=dict)  # where one row spans lines, as in TOML
    letters: Mapping[str, str] = field(default_factory=dict)  # of the columns of a workbook

    def given(self, name: str) -> bool:
        """True when the cell is filled, rightly or wrongly."""
        return name in self.cells or name in self.bad

    def text(self, name: str, default: str = "") -> str:
        """Return a cell as text; `default` when it is not given or not valid."""
        return str(self.cells.get(name, default))

    def number(self, name: str, default: float = nan) -> float:
        """Return a cell as a number; `default` when it is not given or not valid."""
        value = self.cells.get(name, default)
        return float(value) if isinstance(value, (int, float)) else default

    def line_of(self, name: str) -> int:
        """Return the line the cell stands on."""
        return self.lines.get(name, self.line)

    def cell_of(self, name: str) -> str:
        """Return the address of the cell in its sheet; "" in a text file."""
        letter = self.letters.get(name, "")
        return f"{letter}{self.line_of(name)}" if letter else ""

    def fault(self, ledger: Ledger, column: str, must: str, hint: str = "") -> None:
        """Note a fault of one cell, unless one is noted already."""
        if column not in self.bad:
            line, value = self.line_of(column), self.cells.get(column, "")
            ledger.fault(self.file, line, column, value, must, hint, self.cell_of(column))

    @property
    def where(self) -> str:
        """The row as findings name it."""
        return self.where_of("")

    def where_of(self, name: str) -> str:
        """Return where a cell stands as findings name it: `site.toml:5`, `a.xlsx site!C5`."""
        cell = self.cell_of(name)
        return f"{self.file}!{cell}" if cell else f"{self.file}:{self.line_of(name)}"


@dataclass(frozen=True, slots=True)
class InputRows:
    """All rows of one table; columns come out as arrays, "" or NaN where nothing was given."""

    file: str
    rows: tuple[InputRow, ...] = ()
    complete: bool = True  # False when some rows were too broken to read

    def __iter__(self) -> Iterator[InputRow]:
        """Go through the rows."""
        return iter(self.rows)

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.rows)

    @property
    def lines(self) -> Ints:
        """(n,) line of each row."""
        return np.array([r.line for r in self.rows], dtype=np.int64)

    def texts(self, name: str) -> Texts:
        """(n,) cells of a column."""
        return np.array([r.text(name) for r in self.rows], dtype=np.str_)

    def numbers(self, name: str, metres_per: float = 1.0) -> Floats:
        """(n,) cells of a column, multiplied by the metres in one of its unit."""
        return np.array([r.number(name) for r in self.rows], dtype=np.float64) * metres_per


def joined(parts: Sequence[InputRows]) -> InputRows:
    """Return the rows of several tables as one, called as the first; each row keeps its file."""
    if len(parts) == 1:
        return parts[0]
    rows = tuple(row for part in parts for row in part)
    return InputRows(parts[0].file, rows, all(part.complete for part in parts))


def typed_rows(name: str, sheet: TextTable, unit_of: UnitOf | None, ledger: Ledger) -> InputRows:
    """Return the rows of input table `name`; cells that will not do become faults.

    Columns that are not declared are kept in the row's note and reported. `unit_of` is None when
    the site's units could not be read.
    """
    table = contract.load(name)
    columns = {c.name: c for c in table.field}
    absent = [c for c in table.field if c.name not in sheet.header]
    for c in absent:
        if c.required:
            has = ", ".join(h for h in sheet.header if h)
            must, hint = "must be a column of the header; it is missing", f"the header has {has}"
            ledger.fault(sheet.file, sheet.header_line, c.name, "", must, hint)
    extra = [h for h in dict.fromkeys(sheet.header) if h and h not in columns]
    if table.free:
        slips = _near_misses(table, sheet, extra, [c.name for c in absent], ledger)
        extra = [h for h in extra if h not in slips]
    else:
        _report_extra(table, sheet, extra, [c.name for c in absent], ledger)
    extra = [h for h in extra if not wrong_sign(h)]
    if unit_of is None:
        unit_of = _unit_not_known
    else:
        _check_units(sheet, columns, unit_of, ledger)

    model = row_model(name)
    missing = frozenset(c.name for c in absent if c.required)
    rows: list[InputRow] = []
    for line, cells in sheet.rows:
        given = {h: text for h, text in zip(sheet.header, cells, strict=True) if h and text}
        ill = frozenset(name for at, name in sheet.bad if at == line)  # at fault already
        known = {h: text for h, text in given.items() if h in columns and h not in ill}
        known = {h: text for h, text in known.items() if not is_unknown(columns[h], text)}
        good, bad = accept(model, in_decimals(columns.values(), known, unit_of))
        row = InputRow(sheet.file, line, good, letters=sheet.letters)
        explain(row, [c for c in table.field if c.name in bad], known, unit_of, ledger)
        bad |= ill
        for c in table.field:
            if c.required and c.name not in known and c.name not in missing | bad:
                choices = f"one of {', '.join(c.enum)}" if c.enum else hint_for(c, "")
                row.fault(ledger, c.name, "must not be empty", choices)
                bad |= {c.name}
        if table.free:
            good |= {h: given[h] for h in extra if h in given and h not in ill}
        kept = "; ".join(f"{h}={given[h]}" for h in extra if h in given and h not in ill)
        remark = "note" if "note" in columns else "text"
        if kept and remark in columns:
            good[remark] = "; ".join(filter(None, (str(good.get(remark, "")), kept)))
            _check_kept(row, remark, str(good[remark]), ledger)
        rows.append(InputRow(sheet.file, line, good, bad | missing, letters=sheet.letters))
    return InputRows(sheet.file, tuple(rows), sheet.complete)


def _unit_not_known(column: Column) -> str:
    """Return the unit of a column of a site whose settings could not be read."""
    return declared_unit(column, {}) or (UNKNOWN_UNIT if column.name in IN_THE_PLANE else "")


def explain(
    row: InputRow,
    columns: Sequence[Column],
    given: Mapping[str, object],
    unit_of: UnitOf,
    ledger: Ledger,
) -> None:
    """Note a fault for each cell that was not accepted: what it must be, and how to write it."""
    for c in columns:
        value, unit = given[c.name], unit_of(c)
        must, hint = must_be(c, unit), hint_for(c, value, unit)
        line, cell = row.line_of(c.name), row.cell_of(c.name)
        ledger.fault(row.file, line, c.name, value, must, hint, cell)


def _check_kept(row: InputRow, remark: str, text: str, ledger: Ledger) -> None:
    """Note remarks that cannot be kept: what a cell of ours may not hold, no note holds either."""
    if hint := wrong_sign(text):
        row.fault(ledger, remark, "must be text, and the columns kept in it", hint)
    elif len(text) > CELL:
        must = f"must be at most {CELL} characters, with the columns kept in it"
        row.fault(ledger, remark, must, f"they have {len(text)}: delete columns of no use")


def _check_units(
    sheet: TextTable, columns: Mapping[str, Column], unit_of: UnitOf, ledger: Ledger
) -> None:
    """A header that names another unit than the settings do would be read wrongly, unseen."""
    for name in [name for name in columns if name in sheet.units]:
        claimed, unit = sheet.units[name], unit_of(columns[name])
        if unit == UNKNOWN_UNIT or symbol(claimed) == symbol(unit):
            continue
        must = f"must be in {unit}, as the site's settings say" if unit else "must name no unit"
        hint = "mend the header or the settings, whichever is wrong" if unit else f"write {name}"
        sheet.fault(ledger, sheet.header_line, name, claimed, must, hint)


def _near_misses(
    table: Table, sheet: TextTable, extra: Sequence[str], absent: Sequence[str], ledger: Ledger
) -> set[str]:
    """A table with columns of the user's own: only a slip of the pen in one of ours is a fault."""
    slips = set()
    for name in extra:
        cell = sheet.cell(sheet.header_line, name)
        if close := get_close_matches(name, absent, n=1, cutoff=0.9):
            must, hint = f"must be a column of {table.name}", f'did you mean "{close[0]}"?'
        elif hint := wrong_sign(name):
            must = "must be text"
        else:
            continue
        ledger.fault(sheet.file, sheet.header_line, "header", name, must, hint, cell)
        slips.add(name)
    return slips


def _report_extra(
    table: Table, sheet: TextTable, extra: Sequence[str], absent: Sequence[str], ledger: Ledger
) -> None:
    """A misspelt column would lose what it holds, so a near miss is a fault; others are notes."""
    kept = any(c in table.names for c in ("note", "text"))
    for name in extra:
        line, cell = sheet.header_line, sheet.cell(sheet.header_line, name)
        if hint := wrong_sign(name):
            ledger.fault(sheet.file, line, "header", name, "must be text", hint, cell)
            continue
        if meant := meant_by(name, [c for c in absent if c != "note"]):
            either = '" or "'.join(meant)
            must, hint = f"must be a column of {table.name}", f'did you mean "{either}"?'
            ledger.fault(sheet.file, line, "header", name, must, hint, cell)
            continue
        ledger.note(
            "input-unused/column",
            f"column {name}",
            where=f"{sheet.file}:{sheet.header_line}",
            file=sheet.file,
            table=table.name,
            kept=kept,
            lost=not kept,
        )
