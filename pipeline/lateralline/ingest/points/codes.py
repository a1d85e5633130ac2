"""`codes.toml`, and the values within descriptions: what turns descriptions of points into marks.

Words and patterns say what a point is. Values, as in `R1 3 EN c=5' 9 1/2" d=4,2`, are cut out whole
and read as the cells of a site are, with the decimal mark of their file; a part of a number is
never taken for all of it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from typing import Final

from lateralline.ingest.cells import is_plain_number, length_hint, plain_number_hint
from lateralline.ingest.conventions import Decimal, decimal_text, number
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.rows import InputRow
from lateralline.ingest.sections import checked, section_names, toml_sections
from lateralline.units import parse_length

MARKS: Final = ("end_null", "mid_null", "peak_total", "peak_axial", "peak", "ground")
TARGETS: Final = ("invert", "inside_top", "outside_top", "transmitter")  # of exposures
GROUPS: Final = ("run", "stop", "line", "name", "kind", "to", "counter", "depth", "tilt_deg",
                 "sigma", "note")  # fmt: skip

_NAME: Final = r"[^\s/:;,]+"  # what runs, stops and lines may be called
#: Where words stand before them: names that are no words themselves, as R1 and 3A are.
_NUMBERED: Final = {
    "numbered_run": r"(?P<run>[a-z]{1,2}\d+)",
    "numbered_stop": r"(?P<stop>\d+[a-z]?)",
}
_HOLDERS: Final[Mapping[str, tuple[str, ...]]] = {
    "mark": MARKS,
    "ground": ("ground",),
    "control": ("control",),
    "exposure": ("exposure",),
    "ignore": ("ignore",),
    "to": TARGETS,
}
_HOLDER: Final = re.compile(r"\{(\w*)\}")


@dataclass(frozen=True, slots=True)
class Pattern:
    """One way a description may begin, and the values that this beginning stands for."""

    expression: re.Pattern[str]
    constants: Mapping[str, str]  # group → value
    line: int  # in the mapping file


@dataclass(frozen=True, slots=True)
class Codes:
    """A mapping file, ready to use."""

    words: Mapping[str, str]  # folded word → what it means: a kind or a target
    keys: Mapping[str, str]  # folded key → group
    patterns: tuple[Pattern, ...]
    refuse_unmapped: bool

    @property
    def shown(self) -> str:
        """The words for marks, for a person who used none of them."""
        return ", ".join(w for w, meaning in self.words.items() if meaning in MARKS)


def default_text() -> str:
    """Return the mapping file used when none is given, comments and all."""
    source = files("lateralline_schemas") / "v2" / "codes_default.toml"
    return source.read_text(encoding="utf-8")


def read_codes(file: str, text: str, ledger: Ledger) -> Codes | None:
    """Return a mapping file, what it leaves out filled in from the default.

    None, with faults, when it cannot be used.
    """
    before = len(ledger.faults)
    own = _sections(file, text, ledger)
    base = own if text == default_text() else _default_sections()
    words = _listed([*base["words"], *own["words"]])
    keys = _listed([*base["keys"], *own["keys"]])
    _once(file, own["words"], words, ledger)
    patterns = own["pattern"] or base["pattern"]
    compiled = [_compiled(row, words, ledger) for row in patterns]
    unmapped = [
        r.text("unmapped") for r in (*base["points"], *own["points"]) if r.given("unmapped")
    ]
    if len(ledger.faults) > before:
        return None
    return Codes(
        {fold(w): meaning for meaning, several in words.items() for w in several},
        {fold(k): group for group, several in keys.items() for k in several},
        tuple(p for p in compiled if p is not None),
        unmapped[-1:] == ["fault"],
    )


@cache
def default_codes() -> Codes:
    """Return the default mapping."""
    codes = read_codes("codes_default.toml", default_text(), Ledger())
    assert codes is not None  # a test reads it
    return codes


def fold(word: str) -> str:
    """Return a word without what carries no meaning: case, blanks and signs between words.

    >>> fold("End_Null"), fold("MID  null")
    ('end null', 'mid null')
    """
    return " ".join(re.split(r"[\s_-]+", word.strip().casefold()))


# ---- the file ------------------------------------------------------------------------------


@cache
def _default_sections() -> Mapping[str, tuple[InputRow, ...]]:
    return _sections("codes_default.toml", default_text(), Ledger())


def _sections(file: str, text: str, ledger: Ledger) -> dict[str, tuple[InputRow, ...]]:
    """Return the rows of each section; what the schema does not know is at fault."""
    hint = "a pattern with a backslash stands in single quotes"
    written = toml_sections(file, text, ledger, "codes", hint)
    if written is None:
        return dict.fromkeys(section_names("codes"), ())
    return {
        name: tuple(checked("codes", name, section, lambda _: "", ledger) for section in several)
        for name, several in written.items()
    }


def _listed(rows: Sequence[InputRow]) -> dict[str, tuple[str, ...]]:
    """Return each key's words; a later row's go before an earlier one's."""
    return {
        key: tuple(filter(None, (w.strip() for w in str(value).split(","))))
        for row in rows
        for key, value in row.cells.items()
    }


def _once(
    file: str, own: Sequence[InputRow], words: Mapping[str, tuple[str, ...]], ledger: Ledger
) -> None:
    """Note a word that means two things."""
    meaning: dict[str, str] = {}
    for key, several in words.items():
        for word in map(fold, several):
            if meaning.setdefault(word, key) != key:
                line = own[0].line_of(key) if own else 0
                must = f"must mean one thing; it stands under {meaning[word]} too"
                ledger.fault(file, line, key, word, must, f"take it out of {meaning[word]}")


# ---- patterns ------------------------------------------------------------------------------


def _compiled(
    row: InputRow, words: Mapping[str, tuple[str, ...]], ledger: Ledger
) -> Pattern | None:
    forms = [name for name in ("form", "match") if row.given(name)]
    if len(forms) != 1:
        row.fault(ledger, "form", "must be given, or match: one of the two")
        return None
    text = row.text(forms[0])
    if not text or forms[0] in row.bad:
        return None
    try:
        source = _before(words) + _expression(text, words) if forms[0] == "form" else text
        expression = re.compile(rf"(?:{source})(?![\w])", re.IGNORECASE)
    except (re.error, KeyError) as e:
        holders = ("run", "stop", "line", "name", *_NUMBERED, *_HOLDERS)
        known = ", ".join(f"{{{h}}}" for h in holders)
        message = str(e).strip("'")
        row.fault(ledger, forms[0], f"must be a pattern: {message}", f"known: {known}")
        return None
    for group in expression.groupindex.keys() - set(GROUPS):
        row.fault(ledger, "match", f"must have known groups; {group} is none", ", ".join(GROUPS))
    constants = {key: row.text(key) for key in ("kind", "run", "stop", "to") if row.given(key)}
    if "kind" not in expression.groupindex and "kind" not in constants:
        row.fault(ledger, forms[0], "must say what the points are", 'or give kind = "…" beside it')
        return None
    return Pattern(expression, constants, row.line)


def _before(words: Mapping[str, tuple[str, ...]]) -> str:
    """Return what skips words of an office; once skipped, none is taken for a run."""
    several = [r"[\s_-]+".join(map(re.escape, fold(w).split())) for w in words.get("before", ())]
    several.sort(key=len, reverse=True)
    return rf"(?:(?:{'|'.join(several)})[\s_/-]+)?+" if several else ""


def _expression(form: str, words: Mapping[str, tuple[str, ...]]) -> str:
    """Return the regular expression of a form; KeyError, with a reason, for an unknown {holder}."""
    parts, last = [], 0
    for holder in _HOLDER.finditer(form):
        parts += [_literal(form[last : holder.start()]), _words_for(holder[1], words)]
        last = holder.end()
    return "".join([*parts, _literal(form[last:])])


def _literal(text: str) -> str:
    return r"\s+".join(re.escape(t) for t in re.split(r"\s+", text))


def _words_for(holder: str, words: Mapping[str, tuple[str, ...]]) -> str:
    if holder in ("run", "stop", "line", "name"):
        return f"(?P<{holder}>{_NAME})"
    if holder in _NUMBERED:
        return _NUMBERED[holder]
    if holder not in _HOLDERS:
        raise KeyError(f"{{{holder}}} stands for nothing")
    several = [w for meaning in _HOLDERS[holder] for w in words.get(meaning, ())]
    several.sort(key=len, reverse=True)  # "end null" before "end"
    either = "|".join(r"[\s_-]+".join(map(re.escape, fold(w).split())) for w in several)
    group = "to" if holder == "to" else "kind"
    return f"(?P<{group}>{either or '(?!)'})"


# ---- values within descriptions --------------------------------------------------------------

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
_THOUSANDS: Final = {
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+", re.ASCII),
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII),
}
_DECIMAL_COMMA: Final = re.compile(r"(?<=\d),(?=\d)", re.ASCII)
_OF_UNIT: Final = re.compile(r".*\d ?(us-ft|cm|mm|m)\.?", re.ASCII | re.IGNORECASE)


def split_values(code: str, keys: Mapping[str, str]) -> tuple[str, dict[str, str]]:
    r"""Return a description without the values of known keys, and those values by group.

    >>> split_values("R1 3 EN c=5' 9 1/2\", d=4 wet", {"c": "counter", "d": "depth"})
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
    if _THOUSANDS[decimal].fullmatch(text):
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
        return decimal_text(value)
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


def unknown_key(bare: str, keys: Mapping[str, str]) -> tuple[str, str]:
    """Return a key that is not known and the known one it resembles; ("", "") for none.

    >>> unknown_key("R1 3 EN dep=4.3", {"d": "depth", "depth": "depth"})
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
