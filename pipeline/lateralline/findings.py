"""Findings: what a person should know of a site, worded in one catalogue.

`findings.toml` of `lateralline_schemas` declares each code once: severity, stage, title, sentences,
the values they show, and the findings that cause it. A call site gives a code and typed values;
nothing is worded elsewhere:

    finding("baseline-unfit/short", "mark M3", where="marks.csv:4", start="A", beyond_m=4.1, …)

One code stands for one thing to put right; a variant of it has words of its own, and may have a
severity, stage and causes of its own. "code/variant" is the name of a finding.

Sentences follow ten rules (a test holds them): one sentence, one figure, one action; the thing is
named; ± is 95 %; no test statistic; no action, no text. `what` is read behind its subject.

A template shows a value as `{name:format}`:

    length, length0 … length3   metres with a mark, for `wording` to say in the site's unit
    +length, +length0 …         the same with its sign
    km0, km1                    a length in kilometres
    count NOUN                  "1 mark", "3 marks"
    names                       names in a row, the first eight
    ±length, ±.0f …             of a standard deviation: "± " and half of its 95 % interval
    ?                           nothing: a flag that only keeps its [[…]]
    else                        as Python formats numbers; text has no format

What stands in `[[…]]` is left out when a value in it is empty: no text, no names, False, or a
number that is not known. Elsewhere a number that is not known reads "unknown". A subject needs no
declaration: `{subject}`.

To add a finding: declare its code in `findings.toml`, call `finding` where it is found, and renew
`schemas/README.md`. Whoever finds a cause names the subjects that it explains; `caused_by` of the
codes that follow says which of their findings are then left out.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Mapping, Set
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from hashlib import sha256
from importlib.resources import files
from math import isfinite
from numbers import Integral, Real
from typing import Annotated, Final, Literal, TypeAlias, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from lateralline.errors import ContractError
from lateralline.renamed import names_of_v1_finding
from lateralline.wording import METRES, OPTIONAL, Value, formatted, placeholders, rendered

Severity = Literal["error", "warning", "info"]
Stage = Literal["read", "place", "solve", "link", "derive", "write", "update", "match"]
Given: TypeAlias = float | str | Iterable[str] | None
_One = TypeVar("_One", bound=str)

#: What a value is: its unit, or what else it is. A "?" behind it: it may be missing.
NUMBERS: Final = ("m", "deg", "percent", "ppm", "ratio", "number")
KINDS: Final = (*NUMBERS, "count", "text", "names", "flag")
#: Stands for every subject in what a finding explains.
ANY: Final = "*"
_WORD: Final = re.compile(r"[a-z]+[ ,:]")
_CHAINAGE: Final = re.compile(r"chainage \{(\w+):length\}")
#: Names that `finding` itself has.
_TAKEN: Final = frozenset(
    ("code", "subject", "variant", "severity", "stage", "where", "about", "explains", "more")
)


@dataclass(frozen=True, slots=True)
class Effect:
    """Findings that only follow from another: of these names, about any of these subjects."""

    names: frozenset[str]  # "misfit/line": `Finding.name`
    subjects: frozenset[str] | None  # "stop R1/4"; None = whatever they are about

    @classmethod
    def of(cls, names: Iterable[str], subjects: Iterable[str] | None = None) -> Effect:
        """Return the effect on findings of some names and subjects."""
        return cls(frozenset(names), None if subjects is None else frozenset(subjects))


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the person should know: what, by how much, and what to do about it."""

    severity: Severity
    stage: str  # a `Stage`
    code: str  # short and stable, kebab-case: "tie-misfit"
    subject: str  # "mark M3", "stop R1/4", "line L1", "site"
    what: str
    by_how_much: str
    what_to_do: str
    where: str = ""  # "marks.csv:14" when a row is to blame
    about: tuple[str, ...] = ()  # what it speaks of beside its subject: "stop R1/5"
    #: What follows from it and is not reported beside it: see `diagnose.causes`.
    explains: tuple[Effect, ...] = ()
    title: str = ""  # of its code in the catalogue, where none is given
    variant: str = ""  # which of the code's texts it is worded by
    values: Mapping[str, Value] = field(default_factory=dict, hash=False)
    chainage_m: float | None = None  # where along its line, when it is about one place of it
    line_id: str = ""  # the line, run and stop it is about: known once lines are derived
    run_id: str = ""
    stop_id: str = ""
    accepted_by: str = ""  # who answers for it; "" = nobody, it is asked for
    accepted_on: date | None = None
    accepted_reason: str = ""
    cause: str = ""  # what of it must stay for an acceptance to hold, in eight characters

    def __post_init__(self) -> None:
        """Take the title of the code, and the cause of the values."""
        if not self.title:
            object.__setattr__(self, "title", title_of(self.code))
        if not self.cause:
            object.__setattr__(self, "cause", _cause(self))

    @property
    def name(self) -> str:
        """Code and variant: "tie-misfit/short"."""
        return "/".join(filter(None, (self.code, self.variant)))

    def is_one_of(self, names: Collection[str]) -> bool:
        """Whether one of these is its code, or its code and variant."""
        return self.code in names or self.name in names

    @property
    def unsettles(self) -> bool:
        """Whether it is an error from which all that is worked out of the site may only follow."""
        entry = catalogue().entries.get(self.code)
        return entry is not None and entry.unsettles and self.severity == "error"

    @property
    def causes(self) -> frozenset[str]:
        """The cause, and what it was under each code this finding had before."""
        old = names_of_v1_finding(self.code, self.variant) if self.values else ()
        return frozenset((self.cause, *(_cause(self, *name) for name in old)))

    @property
    def asked(self) -> bool:
        """Whether somebody must still look at it: it is not accepted."""
        return not self.accepted_by

    @property
    def message(self) -> str:
        """What was found and by how much, as one sentence.

        >>> Finding("info", "link", "made-up", "line L1", "runs on", "0.31 m", "").message
        'Runs on: 0.31 m.'
        """
        between = "; " if ": " in self.what else ": "
        text = between.join(filter(None, (self.what, self.by_how_much)))
        return f"{text[:1].upper() if _WORD.match(text) else text[:1]}{text[1:]}."


def finding(
    code: str,
    subject: str,
    *,
    variant: str = "",
    severity: Severity | None = None,
    stage: Stage | None = None,
    where: str = "",
    about: Iterable[str] = (),
    explains: Iterable[str] = (),
    more: Mapping[str, Given] | None = None,
    **values: Given,
) -> Finding:
    """Return the finding of a code, worded by the catalogue; `more` are values beside `values`.

    `code` may name its variant, as "code/variant"; `variant` is for one that is chosen at run time.
    `severity` and `stage` are given where the catalogue allows several. `explains` are the subjects
    whose findings follow from this one, [ANY] for all; which of theirs, the catalogue says. Raises
    TypeError for a code, variant, severity or value that the catalogue does not declare.
    """
    code, _, named = code.partition("/")
    if named and variant:
        raise TypeError(f"finding {code}: two variants, {named} and {variant}")
    variant = variant or named
    form = catalogue().form(code, variant)
    typed = form.typed({**values, **(more or {})})
    shown = {"subject": subject, **typed}
    subjects = frozenset(explains)
    effects: tuple[Effect, ...] = ()
    if subjects:
        names = catalogue().effects(code, variant)
        if not names:
            raise TypeError(f"finding {code}: nothing is caused by it")
        effects = (Effect(names, None if ANY in subjects else subjects),)
    return Finding(
        _one(form, "severity", severity, form.severity),
        _one(form, "stage", stage, form.stage),
        code,
        subject,
        rendered(form.what, shown),
        rendered(form.by_how_much, shown),
        rendered(form.to_do, shown),
        where,
        tuple(about),
        effects,
        form.title,
        variant,
        typed,
        form.chainage_m(typed),
    )


# ---- the catalogue --------------------------------------------------------------------------


def _several(value: object) -> object:
    return (value,) if isinstance(value, str) else value


class Texts(BaseModel):
    """Texts of a code, or of one variant of it; what a variant leaves out is the code's."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    severity: Annotated[tuple[Severity, ...], BeforeValidator(_several)] = ()
    stage: Annotated[tuple[Stage, ...], BeforeValidator(_several)] = ()
    explained: str | None = None  # package whose docstrings say by what criterion it is found
    caused_by: tuple[str, ...] | None = None  # codes, or "code/variant", that it only follows from
    values: dict[str, str] = {}
    what: str | None = None
    by_how_much: str | None = None
    to_do: str | None = None


class CatalogueEntry(Texts):
    """One code of the catalogue."""

    title: str
    unsettles: bool = False  # all that is worked out of the site may only follow from its errors
    variant: dict[str, Texts] = {}


@dataclass(frozen=True, slots=True)
class Form:
    """What a finding of one code and variant is made of."""

    code: str
    variant: str
    title: str
    severity: tuple[Severity, ...]
    stage: tuple[Stage, ...]
    explained: str
    caused_by: tuple[str, ...]
    values: Mapping[str, str]
    what: str
    by_how_much: str
    to_do: str

    @property
    def texts(self) -> tuple[str, str, str]:
        """The three templates."""
        return self.what, self.by_how_much, self.to_do

    def chainage_m(self, typed: Mapping[str, Value]) -> float | None:
        """Return the chainage that `what` names, the first that is known; None when it names none.

        >>> catalogue().form("cover-negative").chainage_m({"at_m": 4.5})
        4.5
        """
        named = (typed[name] for name in _CHAINAGE.findall(self.what))
        return next((v for v in named if isinstance(v, float) and isfinite(v)), None)

    def typed(self, given: Mapping[str, Given]) -> dict[str, Value]:
        """Return the values as plain Python has them; TypeError for wrong or missing ones."""
        unknown = given.keys() - self.values.keys()
        missing = {n for n, kind in self.values.items() if kind[-1] != "?"} - given.keys()
        if unknown or missing:
            raise TypeError(
                f"finding {self}: unknown values {sorted(unknown)}, missing {sorted(missing)}"
            )
        return {
            name: self._typed(name, kind, given.get(name)) for name, kind in self.values.items()
        }

    def _typed(self, name: str, kind: str, value: Given) -> Value:
        if value is None and kind[-1] == "?":
            return None
        match kind.removesuffix("?"), value:
            case ("flag", _):
                return bool(value)
            case ("count", Integral()):
                return int(value)
            case ("text", str()):
                return str(value)
            case ("names", Iterable()) if not isinstance(value, str):
                ordered = sorted(value, key=str) if isinstance(value, Set) else value
                return tuple(map(str, ordered))
            case (number, Real()) if number in NUMBERS:
                return float(value)
        raise TypeError(f"finding {self}: {name} must be {kind}; got {value!r}")

    def __str__(self) -> str:
        """Name code and variant: "tie-misfit/short"."""
        return "/".join(filter(None, (self.code, self.variant)))


def _one(form: Form, key: str, given: _One | None, allowed: tuple[_One, ...]) -> _One:
    """Return what was given, else the only one allowed."""
    if given is None and len(allowed) == 1:
        return allowed[0]
    if given is None or given not in allowed:
        raise TypeError(f"finding {form}: {key} must be one of {allowed}; got {given!r}")
    return given


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Every code, in the order of the file."""

    entries: Mapping[str, CatalogueEntry]

    def form(self, code: str, variant: str = "") -> Form:
        """Return what a finding is made of; TypeError for an undeclared code or variant."""
        entry = self.entries.get(code)
        if entry is None:
            raise TypeError(f"finding {code}: not in the catalogue")
        if variant and variant not in entry.variant:
            known = ", ".join(entry.variant) or "none"
            raise TypeError(f"finding {code}: no variant {variant!r}; there are: {known}")
        own = entry.variant.get(variant, Texts())
        what = own.what if own.what is not None else entry.what
        if what is None:
            known = ", ".join(entry.variant)
            raise TypeError(f"finding {code}: no text; variants: {known}")
        return Form(
            code,
            variant,
            entry.title,
            own.severity or entry.severity,
            own.stage or entry.stage,
            own.explained or entry.explained or "",
            (own.caused_by if own.caused_by is not None else entry.caused_by) or (),
            entry.values | own.values,
            what,
            (own.by_how_much if own.by_how_much is not None else entry.by_how_much) or "",
            (own.to_do if own.to_do is not None else entry.to_do) or "",
        )

    def forms(self, code: str) -> tuple[Form, ...]:
        """Return every form of a code."""
        entry = self.entries[code]
        names = (("",) if entry.what is not None else ()) + tuple(entry.variant)
        return tuple(self.form(code, name) for name in names)

    def effects(self, code: str, variant: str = "") -> frozenset[str]:
        """Return the names of the findings that one may cause."""
        names = {code, f"{code}/{variant}"}
        forms = (form for entry in self.entries for form in self.forms(entry))
        return frozenset(str(form) for form in forms if names & set(form.caused_by))


@cache
def catalogue() -> Catalogue:
    """Return the shipped catalogue; ContractError with all that is wrong with it."""
    source = files("lateralline_schemas") / "v2" / "findings.toml"
    return read(source.read_text(encoding="utf-8"))


def title_of(code: str) -> str:
    """Return the title of a code; "" for one that is not in the catalogue.

    >>> title_of("stop-not-located")
    'Stop is not located'
    """
    entry = catalogue().entries.get(code)
    return entry.title if entry else ""


def read(text: str) -> Catalogue:
    """Return the catalogue that a TOML text declares."""
    try:
        raw = tomllib.loads(text)
        entries = {code: CatalogueEntry.model_validate(raw[code]) for code in raw}
    except (tomllib.TOMLDecodeError, ValidationError) as e:
        raise ContractError(f"findings.toml: {e}") from e
    made = Catalogue(entries)
    faults = [fault for code in entries for fault in _faults(made, code)]
    if faults:
        raise ContractError("findings.toml: " + "; ".join(faults))
    return made


def _faults(made: Catalogue, code: str) -> Iterable[str]:
    if not made.forms(code):
        yield f"{code}: no text"
    for form in made.forms(code):
        if not form.severity or not form.stage or not form.explained:
            yield f"{form}: no severity, no stage or not explained"
        for cause in form.caused_by:
            name, _, variant = cause.partition("/")
            there = made.entries.get(name)
            if there is None or (variant and variant not in there.variant):
                yield f"{form}: caused by {cause}, which is not there"
        for name, kind in form.values.items():
            if name in _TAKEN or kind.removesuffix("?") not in KINDS:
                yield f"{form}: value {name} = {kind} cannot be"
        for text in form.texts:
            yield from (f"{form}: {why}" for why in _template_faults(text, form.values))


def _template_faults(text: str, values: Mapping[str, str]) -> Iterable[str]:
    try:
        outside = placeholders(OPTIONAL.sub("", text))
        shown = [*outside, *(f for part in OPTIONAL.findall(text) for f in placeholders(part))]
    except ValueError as e:
        yield f"{text!r}: {e}"
        return
    for name, spec in shown:
        kind = values.get(name, "text" if name == "subject" else "")
        if not kind:
            yield f"{name} is shown and not declared"
        elif not _fits(kind.removesuffix("?"), spec):
            yield f"{name} is {kind} and cannot be shown as {spec!r}"
        elif kind[-1] == "?" and kind[:-1] not in NUMBERS and (name, spec) in outside:
            yield f"{name} may be missing and is shown outside [[…]]"


def _fits(kind: str, spec: str) -> bool:
    """Whether a value of a kind can be shown so; a length never without its unit."""
    if kind in NUMBERS:
        spec = spec.removeprefix("±")
    match kind:
        case "m":
            return bool(METRES.fullmatch(spec))
        case "count":
            return spec in ("", ",") or spec.startswith("count ")
        case "text":
            return not spec
        case "names" | "flag":
            return spec == {"names": "names", "flag": "?"}[kind]
    return bool(re.fullmatch(r"\+?,?(\.\d+)?[fg]", spec))


# ---- what an acceptance holds for ------------------------------------------------------------


def _cause(found: Finding, code: str = "", variant: str = "") -> str:
    """Return the fingerprint of code, variant and values, rounded as its sentences print them.

    `code` and `variant` are those it had before, where that is asked for.
    """
    texts: tuple[str, ...] = ()
    if found.values:  # a finding read from a record has none: its words tell
        texts = catalogue().form(found.code, found.variant).texts
    specs: dict[str, str] = {}
    for text in texts:
        for name, spec in placeholders(re.sub(r"\[\[|\]\]", "", text)):
            specs.setdefault(name, spec)
    printed = [code, variant] if code else [found.code, found.variant]
    for name, value in sorted(found.values.items()):
        if isinstance(value, float) and not isinstance(value, bool):
            text = formatted(value, specs.get(name, ".3g"))
        else:
            text = "\t".join(value) if isinstance(value, tuple) else str(value)
        printed.append(f"{name}={text}")
    if not found.values:
        printed += [found.what, found.by_how_much]
    return sha256("\n".join(printed).encode()).hexdigest()[:8]
