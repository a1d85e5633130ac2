"""`codes.toml`: the words and patterns that turn descriptions of points into marks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

from lateralline.ingest.ledger import Ledger
from lateralline.ingest.rows import InputRow
from lateralline.ingest.sections import checked, section_names, toml_sections

MARKS: Final = ("end_null", "mid_null", "peak_total", "peak_axial", "peak", "ground")
TARGETS: Final = ("invert", "crown", "outside_top", "transmitter")  # of exposures
GROUPS: Final = ("run", "stop", "line", "name", "kind", "to", "counter", "depth", "tilt_deg",
                 "sigma", "note")  # fmt: skip

_NAME: Final = r"[^\s/:;,]+"  # what runs, stops and lines may be called
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
    source = files("lateralline_schemas") / "v1" / "codes_default.toml"
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
        source = _expression(text, words) if forms[0] == "form" else text
        expression = re.compile(rf"(?:{source})(?![\w])", re.IGNORECASE)
    except (re.error, KeyError) as e:
        known = "{run}, {stop}, {line}, {name}, " + ", ".join(f"{{{h}}}" for h in _HOLDERS)
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
    if holder not in _HOLDERS:
        raise KeyError(f"{{{holder}}} stands for nothing")
    several = [w for meaning in _HOLDERS[holder] for w in words.get(meaning, ())]
    several.sort(key=len, reverse=True)  # "end null" before "end"
    either = "|".join(r"[\s_-]+".join(map(re.escape, fold(w).split())) for w in several)
    group = "to" if holder == "to" else "kind"
    return f"(?P<{group}>{either or '(?!)'})"
