"""Values within descriptions, as in `R1 3 EN c=5' 9 1/2" d=4,2`: cut out whole, and read.

They are read as the cells of a site are, with the decimal mark of their file; a part of a number is
never taken for all of it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from typing import Final

from lateralline.ingest.cells import is_plain_number, length_hint, plain_number_hint
from lateralline.ingest.conventions import Decimal, number, plainly
from lateralline.ingest.points.codes import fold
from lateralline.units import parse_length

#: What holds a length, and what holds a number at all.
LENGTHS: Final = ("counter", "depth", "sigma")
NUMBERS: Final = (*LENGTHS, "tilt_deg")

_KEY: Final = re.compile(r"(?<![^\s,;])(\w+)\s*([=:])\s*")
_TEXT: Final = re.compile(r'\s*("[^"]*"|[^\s,;]+)[,;]?')
_DIGIT: Final = r"[\d½¼¾⅛⅜⅝⅞]"
_UNIT: Final = r"""(?:us-ft|ft|feet|foot|inches|inch|cm|mm|m|deg|['"°’′″”])\.?(?=[\s,;]|$)"""
#: All that belongs to a number, right or wrong: 5' 9 1/2", 1 234.5, 12.4 m, 5,8. What follows a
#: number and is one too must not be left behind.
_RUN: Final = re.compile(
    rf"""[^\s,;]*(?:[,;]{_DIGIT}[^\s,;]*)*
    (?:,?\s+(?: [+−–-]?\s?[.,]?{_DIGIT}[^\s,;]*(?:[,;]{_DIGIT}[^\s,;]*)*
              | {_UNIT} | in\.?(?=\s*(?:[,;\d]|$)) ))*""",
    re.VERBOSE | re.IGNORECASE,
)
_INCHES_OR_WORD: Final = re.compile(r"\s+in\.?\s+\w", re.IGNORECASE)
_SIGNED: Final = re.compile(r"""ft|feet|foot|['"’′″”]""", re.IGNORECASE)
_GROUPS: Final = {
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+", re.ASCII),
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII),
}
_DECIMAL_COMMA: Final = re.compile(r"(?<=\d),(?=\d)", re.ASCII)
_OF_UNIT: Final = re.compile(r".*\d ?(us-ft|cm|mm|m)\.?", re.ASCII | re.IGNORECASE)


def cut(code: str, keys: Mapping[str, str]) -> tuple[str, dict[str, str]]:
    r"""Return a description without the values of known keys, and those values by group.

    >>> cut("R1 3 EN c=5' 9 1/2\", d=4 wet", {"c": "counter", "d": "depth"})
    ('R1 3 EN wet', {'counter': '5\' 9 1/2"', 'depth': '4'})
    """
    found = [m for m in _KEY.finditer(code) if _is_key(m, code, keys)]
    starts = [m.start() for m in found] + [len(code)]
    values: dict[str, str] = {}
    rest = [code[: starts[0]]]
    for m, end in zip(found, starts[1:], strict=True):
        group, text = keys[fold(m[1])], code[m.end() : end].strip()
        value, left = _numeric(text) if group in NUMBERS else _worded(text)
        values["to" if group == "measured_to" else group] = value
        rest.append(left)
    return " ".join(" ".join(rest).split()).rstrip(",; "), values


def _is_key(m: re.Match[str], code: str, keys: Mapping[str, str]) -> bool:
    """Tell whether a word is a key: before = always, before : when a number follows."""
    group = keys.get(fold(m[1]))
    numeric = group in NUMBERS and re.match(rf"[+-]?[.,]?{_DIGIT}", code[m.end() :])
    return group is not None and (m[2] == "=" or bool(numeric))


def _worded(text: str) -> tuple[str, str]:
    m = _TEXT.match(text)
    return (m[1].strip('"'), text[m.end() :]) if m else ("", text)


def _numeric(text: str) -> tuple[str, str]:
    """Return all that a number may be of the text behind a key, and what is left."""
    if text.startswith('"'):  # a quote that closes, or an inch: the longest that can be read
        for at in range(len(text) - 1, 0, -1):
            if text[at] == '"' and _is_length(text[1:at]):
                return text[1:at], text[at + 1 :]
        return text, ""
    m = _RUN.match(text)
    end = m.end() if m else 0
    if _INCHES_OR_WORD.match(text[end:]) and not _SIGNED.search(text[:end]):
        return text, ""  # 12.4 in the kerb: inches, or a word? Not to be guessed
    return text[:end].strip(), text[end:].lstrip(",; ")


def read_value(group: str, text: str, decimal: Decimal) -> str:
    r"""Return a value as a cell of the site's tables takes it.

    Raises ValueError, whose message is what to write instead, when the text is no number, or one
    that may be read in two ways.

    >>> read_value("depth", "4,2", ","), read_value("depth", "4' 2 1/2\"", ",")
    ('4.2', '4\' 2 1/2"')
    >>> read_value("counter", "1 234.5", "."), read_value("tilt_deg", "3°", ".")
    ('1234.5', '3')
    """
    if _GROUPS[decimal].fullmatch(text):
        whole = re.sub(r"[.,]", "", text)
        part = re.sub(r"[.,]", decimal, text, count=1)
        raise ValueError(f"write {whole} or {part}, whichever it is")
    if group == "tilt_deg":
        text = re.sub(r"\s*(°|deg)$", "", text)
    fits = is_plain_number if group == "tilt_deg" else _is_length
    pointed = _DECIMAL_COMMA.sub(".", text) if decimal == "," else text
    for written in (text, pointed):
        if fits(written):
            return written
    if (value := number(text, decimal)) is not None:
        return plainly(value)
    raise ValueError(_hint(text, decimal))


def _hint(text: str, decimal: Decimal) -> str:
    if m := _OF_UNIT.fullmatch(text):
        return f"readings are in the unit of --units: leave {m[1]} out, if that is the unit"
    if _DECIMAL_COMMA.search(text) and decimal == ".":
        return plain_number_hint(text) or "the decimals of this file follow a point"
    values = length_hint(text, "ft") or plain_number_hint(text) or ""
    return values or "put a semicolon between a value and what is said behind it"


def _is_length(text: str) -> bool:
    """Tell whether a text is a decimal number or feet and inches; the unit is known later."""
    for unit in ("ft", "in"):
        try:
            parse_length(text, unit)
        except (ValueError, ZeroDivisionError):
            continue
        return True
    return False


def strange_key(bare: str, keys: Mapping[str, str]) -> tuple[str, str]:
    """Return a key that is not known and the known one it resembles; ("", "") for none.

    >>> strange_key("R1 3 EN dep=4.3", {"d": "depth", "depth": "depth"})
    ('dep', 'depth')
    """
    for m in _KEY.finditer(bare):
        word = fold(m[1])
        if m[2] == ":" or word in keys:
            continue
        begun = [k for k in keys if len(word) > 1 and k.startswith(word)]
        if near := begun or get_close_matches(word, [k for k in keys if len(k) > 1], 1, 0.6):
            return m[1], near[0]
    return "", ""
