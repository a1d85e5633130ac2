"""How tables are written in many countries and trades: names of columns, signs before decimals.

`as_declared` brings a table to the names of its schema and to decimal points, and says what it
took for what. Nothing is guessed: a column that may be meant for two, or numbers with both signs
before their decimals, are faults.

* Names of version 1 of the schemas are taken first, with a note (`version_1`).
* A column called by another name the trade knows (`ALIASES`) is taken, with a note. Names that may
  mean something else as well (`MAY_MEAN`: a pitch is also a fall) are only named in the fault.
* In files separated by semicolons or tabs a decimal comma is accepted when the whole file uses it.
  In comma-separated files, where it would part the cell, and in workbooks, whose numbers are no
  text, a number is written with a decimal point.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from decimal import Decimal as Exact
from difflib import get_close_matches
from typing import Final, Literal

from lateralline import contract
from lateralline.contract import Column
from lateralline.ingest.cells import LARGEST
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.tables import TextTable, csv_table
from lateralline.ingest.version_1 import with_names_of_today

Decimal = Literal[".", ","]

# ---- names of columns ----------------------------------------------------------------------

#: What the columns of a point file are called, best first, signs between words taken out (common
#: practice, no source).
POINT_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "name": ("point", "pointnumber", "pointno", "pointnum", "pointid", "pointname", "pt", "ptno",
             "ptnum", "ptid", "ptname", "pnt", "pntno", "pntnum", "pntid", "pno", "p", "name",
             "number", "no", "nr", "id"),
    "northing": ("northing", "north", "n", "latitude", "lat"),
    "easting": ("easting", "east", "e", "longitude", "long", "lon", "lng"),
    "z": ("z", "elevation", "elev", "elv", "level", "ele", "height", "hgt", "ht", "rl",
          "reducedlevel", "groundlevel", "groundelevation", "altitude", "alt"),
    "code": ("fullcode", "fulldescription", "fulldesc", "code", "desc", "description", "descriptio",
             "descr", "descriptor", "d", "cmt", "rawdescription", "rawdesc", "pointdescription",
             "pointcode", "feature", "featurecode", "remarks", "remark", "comment", "comments",
             "note", "notes", "text"),
    "sigma_h": ("sigmah",),
    "sigma_v": ("sigmav",),
}  # fmt: skip
#: Names by which a column of a site's tables is taken, beside its own.
ALIASES: Final[Mapping[str, tuple[str, ...]]] = {
    "point": POINT_NAMES["name"],
    "x": POINT_NAMES["easting"],
    "y": POINT_NAMES["northing"],
    "z": POINT_NAMES["z"],
    "depth_reading": ("depth", "depthread", "measureddepth", "locateddepth"),
    "depth": ("depthreading", "depthread"),
    "tilt_deg": ("tilt",),
    "polar_azimuth_deg": ("polarazimuth", "azimuth", "bearing"),
}
#: Names that may mean a column of ours, or something else.
MAY_MEAN: Final[Mapping[str, tuple[str, ...]]] = {
    "counter": ("distance", "dist", "cable", "cablelength", "footage"),
    "depth": ("dip",),
    "tilt_deg": ("pitch", "inclination"),
    "measured_to": ("measuredat", "target"),
    "base_distance": ("chainage", "runningdistance"),
}


def without_signs(name: str) -> str:
    """Return a name without the signs between its words and what stands in brackets behind it.

    >>> without_signs("Point No."), without_signs("point_no"), without_signs("North (grid)")
    ('pointno', 'pointno', 'north')
    """
    return re.sub(r"[\W_]", "", re.sub(r"(?<=\S)\s*[\[(].*$", "", name).casefold())


def meant_by(name: str, absent: Iterable[str]) -> tuple[str, ...]:
    """Return the columns, of those absent, that a name of none may stand for, in their order.

    A beginning that some share, else a near miss, a part of its name, or what the trade calls it.

    >>> meant_by("sigma", ["z", "sigma_h", "sigma_v"]), meant_by("sigma_u", ["sigma_h", "z"])
    (('sigma_h', 'sigma_v'), ('sigma_h',))
    >>> meant_by("RL", ["x", "z"]), meant_by("depth", ["depth_reading"]), meant_by("hat", ["z"])
    (('z',), ('depth_reading',), ())
    """
    absent = list(absent)
    words = re.findall(r"[^\W_]+", name.casefold())
    whole = "_".join(words)
    shared = tuple(c for c in absent if whole and c.startswith(f"{whole}_"))
    if len(shared) > 1:
        return shared
    if close := get_close_matches(whole, absent, n=1, cutoff=0.8):
        return tuple(close)
    for column in absent:
        called = (*ALIASES.get(column, ()), *MAY_MEAN.get(column, ()))
        if "".join(words) in called or (words and set(words) < set(column.split("_"))):
            return (column,)
    return ()


# ---- decimals ------------------------------------------------------------------------------

_DIGITS: Final = r"[+-]?(?:\d+|\d{1,3}(?:[ \u00a0\u202f'’]\d{3})+)"  # also 1 234 and 1'234
_PLAIN: Final = re.compile(rf"{_DIGITS}(?:\.\d*)?(?:[eE][+-]?\d{{1,2}})?|[+-]?\.\d+", re.ASCII)
_COMMA: Final = re.compile(rf"{_DIGITS},\d+|[+-]?,\d+", re.ASCII)
_BOTH: Final = re.compile(  # 1,234.5 and 1.234,5
    r"[+-]?\d{1,3}(?:(?:,\d{3})+\.\d*|(?:\.\d{3})+,\d*)", re.ASCII
)
_GROUPS: Final = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+", re.ASCII)  # 1,234: which is it?
_EXCHANGED: Final = str.maketrans(",.", ".,")


def is_numeric(text: str) -> bool:
    """Tell whether a cell holds a number written in any of the ways known here.

    >>> [is_numeric(t) for t in ("1,234.50", "12,5", "1'234", "-3", "4.5 ft", "N1", "")]
    [True, True, True, True, False, False, False]
    """
    forms = (_PLAIN, _COMMA, _BOTH, _GROUPS)
    return any(form.fullmatch(text) for form in forms)


def sign_of(cell: str) -> Literal[".", ",", "?", ""]:
    """Return the sign before the decimals of a number; "?" when it may be either, "" for none.

    >>> sign_of("12.5"), sign_of("0,123"), sign_of("1.234,5"), sign_of("1,234"), sign_of("12")
    ('.', ',', ',', '?', '')
    """
    if _BOTH.fullmatch(cell):
        return "." if cell.rfind(".") > cell.rfind(",") else ","
    if _GROUPS.fullmatch(cell) and not cell.lstrip("+-").startswith("0"):
        return "?"
    if _COMMA.fullmatch(cell):
        return ","
    return "." if "." in cell and _PLAIN.fullmatch(cell) else ""


def decimal_mark(cells: Iterable[str]) -> Decimal | None:
    """Return the sign that stands before the decimals in a file; None when it cannot be known.

    It cannot when a number such as 1,234 may be either, and no other number of the file settles it.

    >>> decimal_mark(["12.5", "3"]), decimal_mark(["12,5", "1,234"]), decimal_mark(["1,234"])
    ('.', ',', None)
    >>> decimal_mark(["12,5", "12.5"]) is None
    True
    """
    signs = set(map(sign_of, cells))
    if {".", ","} <= signs:
        return None
    if "," in signs:
        return ","
    return "." if "." in signs or "?" not in signs else None


def number(text: str, decimal: Decimal) -> float | None:
    """Return a number of a file whose decimal sign is known; None when it is none, or too large.

    >>> number("1,234.50", "."), number("1.234,5", ","), number("12,5", "."), number("1 234", ".")
    (1234.5, 1234.5, None, 1234.0)
    """
    if decimal == ",":
        text = text.translate(_EXCHANGED)
    plain = text.replace(",", "") if _BOTH.fullmatch(text) or _GROUPS.fullmatch(text) else text
    if not _PLAIN.fullmatch(plain):
        return None
    value = float(_without_blanks(plain))
    return value if abs(value) <= LARGEST else None


def _without_blanks(text: str) -> str:
    return re.sub(r"[ \u00a0\u202f'’]", "", text)


def decimal_text(value: float, decimals: int | None = None) -> str:
    """Return a number as a csv cell: the shortest text that reads back the same, no exponent.

    >>> [decimal_text(value) for value in (888500.1, 2.0, 1e-7)]
    ['888500.1', '2.0', '0.0000001']
    >>> decimal_text(1.23456789, 6), decimal_text(-0.0, 3)
    ('1.234568', '0.0')
    """
    value = value if decimals is None else round(value, decimals)
    return format(Exact(repr(value + 0.0)), "f")


# ---- tables --------------------------------------------------------------------------------

_TIE: Final = re.compile(r"(?<=:)\s*[^;:]+")  # the length in P1:6.32;P2:4.85


def read_table(name: str, file: str, data: bytes | None, ledger: Ledger) -> TextTable | None:
    """Return input table `name` from the content of a text file, in the names of its schema.

    None, with faults, when it has no usable header, and without when there is no content.
    """
    table = None if data is None else csv_table(file, data, ledger)
    return None if table is None else as_declared(name, table, ledger)


def as_declared(name: str, table: TextTable, ledger: Ledger) -> TextTable:
    """Return a table with the column names of schema `name`, and decimal points in its numbers."""
    today = with_names_of_today(name, table, ledger)
    return _with_points(name, _renamed(name, today), ledger)


def _renamed(name: str, table: TextTable) -> TextTable:
    """Return a table with our name for each column that is there by another name alone."""
    declared = contract.load(name).names
    called = {h: without_signs(h) for h in table.header if h and h not in declared}
    ours: dict[str, str] = {}
    for column in declared:
        also = {column.replace("_", ""), *ALIASES.get(column, ())}
        found = [h for h, bare in called.items() if bare in also]
        if column not in table.header and len(found) == 1:
            ours[found[0]] = column
    return table.renamed(ours, *(f"column {theirs} as {column}" for theirs, column in ours.items()))


def _with_points(name: str, table: TextTable, ledger: Ledger) -> TextTable:
    """Return a table of text with decimal points; numbers with both signs are at fault.

    Where both signs are used, the cells with the rarer one are at fault.
    """
    if table.separator not in (";", "\t"):
        return table
    header = table.header
    numeric = {
        header.index(c.name): c
        for c in contract.load(name).field
        if (c.type in ("real", "integer") or c.unit_from) and c.name in header
    }
    signs = [
        (line, column.name, cells[at], sign)
        for line, cells in table.rows
        for at, column in numeric.items()
        for sign in {sign_of(text) for text in _numbers_in(cells[at], column)} - {""}
    ]
    count = Counter(sign for *_, sign in signs)
    usual: Decimal = "," if count[","] > count["."] else "."
    bad = set(table.bad)
    for line, column, cell, sign in signs:
        if sign == usual or (sign == "?" and count["."] + count[","]):
            continue
        must = "must show which sign stands before the decimals; point and comma may both do so"
        hint = "write every number with a decimal point, and no signs between thousands"
        if sign != "?":
            word = "comma" if usual == "," else "point"
            must = f"must have a {word} before its decimals, as the rest of the file has"
            hint = f"write {cell.translate(_EXCHANGED)}"
        if (line, column) not in bad:
            table.fault(ledger, line, column, cell, must, hint)
        bad.add((line, column))
    table = replace(table, bad=frozenset(bad))
    if usual == ".":
        return table
    rows = tuple(
        (line, tuple(_pointed(cell, numeric.get(at)) for at, cell in enumerate(cells)))
        for line, cells in table.rows
    )
    return replace(table, rows=rows, notes=(*table.notes, "with decimal commas"))


def _numbers_in(cell: str, column: Column) -> list[str]:
    """Return the numbers of a cell; of text only ties have any, the lengths behind colons."""
    return [m[0].strip() for m in _TIE.finditer(cell)] if column.type == "text" else [cell]


def _pointed(cell: str, column: Column | None) -> str:
    """Return a cell of a file with decimal commas as it would stand in one with points."""
    if column is None:
        return cell
    if column.type == "text":
        return _TIE.sub(lambda m: _with_point(m[0].strip()), cell)
    return _with_point(cell)


def _with_point(text: str) -> str:
    if sign_of(text) in ("", ".") or number(text, ",") is None:
        return text
    return _without_blanks(text.replace(".", "")).replace(",", ".")
