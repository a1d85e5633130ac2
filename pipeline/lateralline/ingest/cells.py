"""What one cell may hold: types made from the schemas, and the words for what they accept.

What a column accepts is declared in the schemas alone and asked of `lateralline.contract`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from datetime import date
from functools import cache, lru_cache, partial
from math import isnan, nan
from typing import Annotated, Any, Final, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, create_model

from lateralline import contract
from lateralline.contract import Column
from lateralline.ingest.ledger import nearest
from lateralline.names import LONGEST, MUST_BE, composed, wrong_name, wrong_sign
from lateralline.units import METRES_PER, PER_FOOT, parse_length

Value: TypeAlias = str | float | int | bool | date

#: No field sheet holds a larger number in any unit; beyond it arithmetic would overflow later.
LARGEST: Final = 1e9

#: Stands for the unit of a column when the settings do not give it. What is a length in some unit
#: is then no fault: the settings are.
UNKNOWN_UNIT: Final = "unknown"

_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA = re.compile(r"([+-]?\d+),(\d+)", re.ASCII)
_THOUSANDS = re.compile(r"([+-]?\d{1,3}(?:,\d{3})+\.\d+)", re.ASCII)
_WITH_UNIT = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))\s*(m|cm|mm|ft|us-ft|in|'|\"|°|deg)", re.ASCII)
_DAY = re.compile(r"(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{1,4})", re.ASCII)
_ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
#: What people write into a cell nobody can fill; a name or remark may be one of the words.
_NOT_KNOWN: Final = frozenset(["?", "??", "???", "-", "--", "---", "–", "—", "n/a", "n.a."])
_NOT_KNOWN_WORDS: Final = frozenset(
    ["nan", "inf", "-inf", "+inf", "infinity", "na", "null", "none", "unknown"]
)


@cache
def row_model(table: str, section: str = "", *, strict: bool = False) -> type[BaseModel]:
    """Return the pydantic model of one row of a table, or of one section of `site.toml`.

    Every field may be left out: whether a cell must be filled depends on more than its column.
    `strict` refuses to read a number out of quotes, as TOML keeps the two apart.
    """
    fields: dict[str, Any] = {
        c.name: (_accepted(c) | None, None)
        for c in contract.load(table).field
        if c.section == section
    }
    config = ConfigDict(strict=strict, extra="forbid", frozen=True)
    return create_model(f"{table}_{section}", __config__=config, **fields)


def accept(
    model: type[BaseModel], raw: Mapping[str, object]
) -> tuple[dict[str, Value], frozenset[str]]:
    """Return the valid cells, typed, and the names of those that are not."""
    bad: frozenset[str] = frozenset()
    try:
        row = model.model_validate(raw)
    except ValidationError as e:
        bad = frozenset(str(error["loc"][0]) for error in e.errors())
        row = model.model_validate({k: v for k, v in raw.items() if k not in bad})
    return {k: getattr(row, k) for k in row.model_fields_set}, bad


def is_unknown(column: Column, given: object) -> bool:
    """Return whether an optional cell says that nobody knows, in one of the usual ways.

    >>> reading = contract.load("stops").column("depth_reading")
    >>> service = contract.load("site").column("service", "pipe")
    >>> is_unknown(reading, "?"), is_unknown(reading, "None"), is_unknown(service, "unknown")
    (True, True, False)
    """
    if column.required or not isinstance(given, str) or given.strip().casefold() in column.enum:
        return False
    return means_unknown(given, word=column.type != "text" or bool(column.values))


def means_unknown(text: str, *, word: bool = True) -> bool:
    """Return whether a text in place of a value says that nobody knows; by a `word` too, or not."""
    text = text.strip().casefold()
    return text in _NOT_KNOWN or (word and text in _NOT_KNOWN_WORDS)


def in_decimals(
    columns: Iterable[Column], given: Mapping[str, object], unit_of: Callable[[Column], str]
) -> dict[str, object]:
    """Return the cells with lengths in feet and inches brought to their unit, in decimals.

    Lengths are the numbers in feet or inches. What cannot be read stays as it is, for `accept` to
    refuse.
    """
    cells = dict(given)
    for c in columns:
        text, unit = given.get(c.name), unit_of(c)
        if not isinstance(text, str) or c.type != "real":
            continue
        if unit in (*PER_FOOT, UNKNOWN_UNIT) and not _PLAIN.fullmatch(text):
            length = length_in(text, unit)
            cells[c.name] = text if isnan(length) else length
    return cells


def declared_unit(column: Column, units: Mapping[str, str]) -> str:
    """Return the unit a column is filled in by its schema and [units], UNKNOWN_UNIT without."""
    return column.unit or (column.unit_from and units.get(column.unit_from, UNKNOWN_UNIT))


@lru_cache(maxsize=4096)  # a taped length is read where it is checked and where it is taken
def length_in(text: str, unit: str) -> float:
    """Return a length in `unit`, NaN when the text is none; any length does for UNKNOWN_UNIT."""
    for one in PER_FOOT if unit == UNKNOWN_UNIT else (unit,):
        with suppress(ValueError):
            return float(parse_length(text, one))
    return nan


def must_be(column: Column, unit: str = "") -> str:
    """Return what a cell of the column must be, in words.

    >>> must_be(contract.load("stops").column("tilt_deg"), "deg")
    'must be a number in deg from -90 to 90'
    """
    unit = "" if unit in ("1", UNKNOWN_UNIT) else unit
    match column.type:
        case "real":
            words = f"a number in {unit}" if unit else "a number"
        case "integer":
            words = "a whole number"
        case "boolean":
            words = "true or false"
        case "date" | "datetime":
            words = "a date such as 2026-05-06, without quotes"
        case _ if column.values:
            words = f"one of {', '.join(column.enum)}"
        case _ if column.calls == "file":
            words = f"letters, digits, - and _, at most {LONGEST}"
        case _ if column.calls:
            words = MUST_BE
        case _ if column.pattern:
            words = f"text that matches {column.pattern}"
        case _:
            words = "text"
    low, high = column.minimum, column.maximum
    if low is not None and high is not None:
        words += f" from {low:g} to {high:g}"
    elif low is not None:
        words += f" of at least {low:g}"
    elif column.above is not None:
        words += f" above {column.above:g}" + (f" and at most {high:g}" if high is not None else "")
    return f"must be {words}"


def hint_for(column: Column, given: object, unit: str = "") -> str:
    r"""Return how a cell that was not accepted would be written, as far as it can be known.

    >>> hint_for(contract.load("marks").column("base_offset"), "3,2")
    'write 3.2'
    >>> hint_for(contract.load("stops").column("counter"), "4' 7\"", "cm")
    'the unit is cm: write 139.7 if these are feet of 0.3048 m'
    """
    text = str(given)
    if column.type in ("real", "integer"):
        if not isinstance(given, str):
            return ""
        if means_unknown(text):
            return "a row without this cell is of no use: leave the row out"
        return (unit in METRES_PER and length_hint(text, unit)) or plain_number_hint(text) or ""
    if column.type == "date":
        days = " or ".join(map(str, _days(text)))
        return f"write {days}" if days else ""
    if column.values:
        near = nearest(text, column.enum)
        return "" if near.startswith("known") else near  # what is known stands in `must_be`
    if column.type == "text" and isinstance(given, str):
        if column.calls and text:
            return wrong_name(text, file=column.calls == "file")
        return wrong_sign(text) or column.description.partition(";")[0].partition(". ")[0].rstrip(
            "."
        )
    if column.type == "text":
        return "write it in quotes"
    return ""


def _days(text: str) -> list[date]:
    """Return the days a date written some other way may be: month first, or day first.

    >>> [str(day) for day in _days("06/02/2026")], [str(day) for day in _days("2026.5.6")]
    (['2026-06-02', '2026-02-06'], ['2026-05-06'])
    """
    if (m := _DAY.fullmatch(text)) is None:
        return []
    a, b, c = (int(n) for n in m.groups())
    days: dict[date, None] = {}
    for year, month, day in [(a, b, c)] if a > 31 else [(c, a, b), (c, b, a)]:
        try:
            days[date(year, month, day)] = None
        except ValueError:
            continue
    return [day for day in days if day.year > 1900]


def length_hint(text: str, unit: str) -> str:
    """Return how a length that was not accepted would be written in `unit`, or ""."""
    try:
        parse_length(text, unit)
    except ValueError as e:
        return str(e)
    return ""


def is_plain_number(text: str) -> bool:
    """Return whether a text is a plain decimal number, as every table takes it."""
    return _PLAIN.fullmatch(text) is not None


def plain_number_hint(text: str) -> str | None:
    """Return None for a plain decimal number, else how it would be written, or "".

    >>> plain_number_hint("3.2"), plain_number_hint("4.5 ft"), plain_number_hint("about 3")
    (None, "write 4.5: units stand once, in the site's settings", '')
    """
    if _PLAIN.fullmatch(text):
        return None
    if m := _THOUSANDS.fullmatch(text):
        return f"write {m[0].replace(',', '')}"
    if m := _COMMA.fullmatch(text):
        point = f"{m[1]}.{m[2]}"
        return f"write {point}" + (f" or {m[1]}{m[2]}" if len(m[2]) == 3 else "")
    if m := _WITH_UNIT.fullmatch(text):
        return f"write {m[1]}: units stand once, in the site's settings"
    return ""


def _accepted(column: Column) -> Any:  # a type, made as the schema says
    """Return the annotated type whose values the column accepts."""
    low = -LARGEST if column.minimum is None and column.above is None else column.minimum
    high = LARGEST if column.maximum is None else column.maximum
    bounds = Field(ge=low, gt=column.above, le=high)
    match column.type:
        case "real":
            finite = Field(allow_inf_nan=False)
            return Annotated[float, bounds, finite, BeforeValidator(_plain_number)]
        case "integer":
            return Annotated[int, bounds, BeforeValidator(_plain_number)]
        case "boolean":
            return bool
        case "date" | "datetime":
            return Annotated[date, BeforeValidator(_plain_day)]
        case _ if column.values:
            return Annotated[str, BeforeValidator(_one_of(column.enum))]
        case _ if column.calls:
            called = partial(_name, file=column.calls == "file")
            return Annotated[str, Field(pattern=column.pattern or None), BeforeValidator(called)]
        case _:
            pattern = Field(pattern=column.pattern or None)
            return Annotated[str, pattern, BeforeValidator(_plain_text)]


def _plain_number(raw: object) -> object:
    # float() would also take "nan", "1_000" and digits of other scripts.
    if isinstance(raw, str) and not _PLAIN.fullmatch(raw):
        raise ValueError("not a plain decimal number")
    return raw


def _plain_day(raw: object) -> object:
    # A number would be taken for the seconds since 1970.
    if isinstance(raw, str) and not _ISO_DAY.fullmatch(raw):
        raise ValueError("not a day such as 2026-05-06")
    return raw


def _plain_text(raw: object) -> object:
    """One line without signs that could garble a terminal, a layer or how a line reads."""
    if not isinstance(raw, str):
        return raw
    text = composed(raw)
    if wrong_sign(text):
        raise ValueError("holds a sign that is none of text")
    return text


def _name(raw: object, *, file: bool = False) -> object:
    if isinstance(raw, str) and wrong_name(raw, file=file):
        raise ValueError("is no name")
    return composed(raw) if isinstance(raw, str) else raw


def _one_of(values: tuple[str, ...]) -> Callable[[object], str]:
    """Accept `End null` for `end_null`: case, blanks and hyphens carry no meaning here."""
    known = {v.casefold(): v for v in values} | {v.casefold().replace("-", "_"): v for v in values}

    def canonical(raw: object) -> str:
        key = str(raw).strip().casefold().replace(" ", "_") if isinstance(raw, str) else ""
        for k in (key, key.replace("-", "_")):
            if k in known:
                return known[k]
        raise ValueError("not one of the values")

    return canonical
