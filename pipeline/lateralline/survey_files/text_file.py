"""Text files of points, before their columns mean anything: lines, cells, header."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lateralline.names import wrong_sign
from lateralline.read.intake import decode_any
from lateralline.read.ledger import Ledger
from lateralline.read.limits import DESCRIPTION, POINTS
from lateralline.survey_files.numbers import is_numeric

_TOKEN: Final = re.compile(r'"[^"]*"|\S+')
_UNIT: Final = re.compile(r"(.*\S)\s*[\[(]\s*([^\[\]()]+?)\s*[\])]")
SEPARATORS: Final = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
#: Columns of a file without a header: point, two coordinates, level, description.
PLAIN_COLUMNS: Final = 5


@dataclass(frozen=True, slots=True)
class TextFile:
    """One text file as cells; blank lines and comments (#) are gone."""

    file: str
    separator: str
    header: tuple[str, ...]  # in small letters, units taken off; () when there is none
    header_line: int
    units: tuple[str, ...]  # that the header names beside each column; "" for none
    rows: tuple[tuple[int, tuple[str, ...]], ...]  # line, cells
    said: tuple[str, ...]  # how it was read


def read_text(file: str, data: bytes, ledger: Ledger) -> TextFile | None:
    """Return a file as cells; None, with faults, when it cannot be taken apart."""
    said: list[str] = []
    text = decode_any(file, data, said, ledger)
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
        return TextFile(file, ",", geometry, lines[0][0], (), (), ("positions as geometry",))
    separator = _separator([line for _, line in lines])
    said.append(f"separated by {SEPARATORS[separator]}")
    cut = [(n, _cells(file, n, line, separator, ledger)) for n, line in lines]
    records = [(n, cells) for n, cells in cut if cells is not None]
    header_line = 0
    header: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    if records and not any(map(is_numeric, records[0][1])) and len(records[0][1]) > 1:
        header_line, names = records.pop(0)
        named = [_named(name) for name in names]
        header, units = tuple(n for n, _ in named), tuple(u for _, u in named)
        said.append("with a header")
    else:
        said.append("without a header")
    if not records and not ledger.faults:
        ledger.fault(file, 0, "file", "", "must hold points below its header")
        return None
    rows = [
        (n, fitted)
        for n, cells in records
        if (fitted := _fit(file, n, cells, header, separator, ledger)) is not None
    ]
    return TextFile(file, separator, header, header_line, units, tuple(rows), tuple(said))


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
    """Return the sign between cells: the one that leaves two coordinates where they should stand.

    Blanks also stand within descriptions, so they separate cells only where no other sign does.
    """
    some = lines[:200]
    cut = {sep: [_split(line, sep) or line.split(sep) for line in some] for sep in SEPARATORS}

    def alone(separator: str, cells: Sequence[str]) -> int:
        """Count the numbers; a comma between cells is none within a number."""
        loose = separator == ","
        return sum(is_numeric(cell) and not (loose and " " in cell) for cell in cells)

    fits = {s: sum(alone(s, cells[1:4]) > 1 for cells in cut[s]) for s in SEPARATORS}
    best = [s for s in SEPARATORS if fits[s] == max(fits.values())]
    if len(best) > 1 and max(fits.values()):
        best = [s for s in best if s != " "]
    return max(best, key=lambda s: (sum(alone(s, cells) for cells in cut[s]), len(cut[s][0])))


def _split(line: str, separator: str) -> list[str] | None:
    """Return the cells of one line; None when a quote does not close."""
    if separator == " ":
        return _TOKEN.findall(line)
    try:
        (cells,) = csv.reader([line], delimiter=separator, skipinitialspace=True, strict=True)
    except csv.Error:
        return None
    return [c.strip() for c in cells]


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


def _named(name: str) -> tuple[str, str]:
    """Return a column's name in small letters and the unit beside it.

    >>> _named("Northing [us-ft]"), _named("Elev_ation")
    (('northing', 'us-ft'), ('elev_ation', ''))
    """
    m = _UNIT.fullmatch(name.strip())
    bare, unit = (m[1], m[2]) if m else (name, "")
    return bare.strip().casefold(), unit.casefold()


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
        hint = "a decimal comma is written as a point; text with a comma needs quotes"
        ledger.fault(file, n, "row", f"{len(cells)} cells", f"must have {across} cells", hint)
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
