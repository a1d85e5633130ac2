"""Numbers as people and programs of many countries write them: told apart, never guessed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal as Exact
from typing import Final, Literal

from lateralline.read.cells import LARGEST

Decimal = Literal[".", ","]

_DIGITS: Final = r"[+-]?(?:\d+|\d{1,3}(?:[ \u00a0\u202f'’]\d{3})+)"  # also 1 234 and 1'234
_PLAIN: Final = re.compile(rf"{_DIGITS}(?:\.\d*)?(?:[eE][+-]?\d{{1,2}})?|[+-]?\.\d+", re.ASCII)
_COMMA: Final = re.compile(rf"{_DIGITS},\d+|[+-]?,\d+", re.ASCII)
_BOTH: Final = re.compile(  # 1,234.5 and 1.234,5
    r"[+-]?\d{1,3}(?:(?:,\d{3})+\.\d*|(?:\.\d{3})+,\d*)", re.ASCII
)
_GROUPS: Final = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+", re.ASCII)  # 1,234: which is it?


def is_numeric(text: str) -> bool:
    """Tell whether a cell holds a number written in any of the ways known here.

    >>> [is_numeric(t) for t in ("1,234.50", "12,5", "1'234", "-3", "4.5 ft", "N1", "")]
    [True, True, True, True, False, False, False]
    """
    forms = (_PLAIN, _COMMA, _BOTH, _GROUPS)
    return any(form.fullmatch(text) for form in forms)


def decimal_mark(cells: Iterable[str]) -> Decimal | None:
    """Return the sign that stands before the decimals in a file; None when it cannot be told.

    It cannot when a number such as 1,234 may be either, and no other number of the file settles it.

    >>> decimal_mark(["12.5", "3"]), decimal_mark(["12,5", "1,234"]), decimal_mark(["1,234"])
    ('.', ',', None)
    >>> decimal_mark(["12,5", "12.5"]) is None
    True
    """
    point = comma = open_ = False
    for cell in cells:
        if _BOTH.fullmatch(cell):
            last_is_point = cell.rfind(".") > cell.rfind(",")
            point, comma = point or last_is_point, comma or not last_is_point
        elif _GROUPS.fullmatch(cell) and not cell.lstrip("+-").startswith("0"):
            open_ = True
        elif _COMMA.fullmatch(cell):
            comma = True
        elif "." in cell and _PLAIN.fullmatch(cell):
            point = True
    if point and comma:
        return None
    if comma:
        return ","
    return "." if point or not open_ else None


def number(text: str, decimal: Decimal) -> float | None:
    """Return a number of a file whose decimal sign is known; None when it is none, or too large.

    >>> number("1,234.50", "."), number("1.234,5", ","), number("12,5", "."), number("1 234", ".")
    (1234.5, 1234.5, None, 1234.0)
    """
    if decimal == ",":
        text = text.translate(str.maketrans(",.", ".,"))
    plain = text.replace(",", "") if _BOTH.fullmatch(text) or _GROUPS.fullmatch(text) else text
    if not _PLAIN.fullmatch(plain):
        return None
    value = float(re.sub(r"[ \u00a0\u202f'’]", "", plain))
    return value if abs(value) <= LARGEST else None


def plainly(value: float, decimals: int | None = None) -> str:
    """Return a number as a csv cell: the shortest text that reads back the same, no exponent.

    >>> plainly(888500.1), plainly(2.0), plainly(1e-7), plainly(1.23456789, 6), plainly(-0.0, 3)
    ('888500.1', '2.0', '0.0000001', '1.234568', '0.0')
    """
    value = value if decimals is None else round(value, decimals)
    return format(Exact(repr(value + 0.0)), "f")
