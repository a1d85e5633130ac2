"""The catalogue of findings: what each code is made of, and what its values mean.

`findings.toml` of `lateralline_schemas` is the catalogue; `findings` says how a template is written
and how a code is added. All of it is checked when it is read.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import isfinite
from numbers import Integral, Real
from typing import Annotated, Final, Literal, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, model_validator

from lateralline.errors import ContractError
from lateralline.wording import HUNDREDS, METRES, OPTIONAL, Value, placeholders

Severity = Literal["error", "warning", "info"]
Stage = Literal["read", "place", "solve", "link", "derive", "write", "update", "match"]
Given: TypeAlias = float | str | Iterable[str] | None

#: What a value is: its unit, or what else it is. A "?" behind it: it may be missing.
NUMBERS: Final = ("m", "deg", "percent", "ppm", "ratio", "number")
KINDS: Final = (*NUMBERS, "count", "text", "names", "flag")
#: Units of numbers that have none of their own.
_PLAIN: Final = ("ratio", "number", "count")
_CHAINAGE: Final = re.compile(r"chainage \{(\w+):length\}")
#: Names that `finding` itself has.
_TAKEN: Final = frozenset(
    ("code", "subject", "variant", "severity", "stage", "where", "about", "explains", "more")
)


def is_number(kind: str) -> bool:
    """Whether a value of a kind is a number.

    >>> is_number("m?"), is_number("count"), is_number("names")
    (True, True, False)
    """
    return kind.removesuffix("?") in (*NUMBERS, "count")


def unit_of(kind: str) -> str:
    """Return the unit of a number of a kind.

    >>> unit_of("m?"), unit_of("ratio")
    ('m', '1')
    """
    kind = kind.removesuffix("?")
    return "1" if kind in _PLAIN else kind


def _several(value: object) -> object:
    return (value,) if isinstance(value, str) else value


class Meaning(BaseModel):
    """What a value of findings is, in plain words; of a statistic or limit how to judge by it."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    means: str
    source: str = ""  # of a statistic, and whether that was read
    against: tuple[str, ...] = ()  # of a limit: values, or "one / other", the first there is
    least: bool = False  # the other must not fall below it
    alpha: float | None = None  # of a limit of χ²: how often chance alone exceeds it
    together: bool = False  # by that chance at all places tested together, at each by its share
    freedoms: str = ""  # a number, the value that tells them, or "w": √ of χ² of one

    @model_validator(mode="before")
    @classmethod
    def _of_words(cls, given: object) -> object:
        return {"means": given} if isinstance(given, str) else given


class Texts(BaseModel):
    """Texts of a code, or of one variant of it; what a variant leaves out is the code's."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    severity: Annotated[tuple[Severity, ...], BeforeValidator(_several)] = ()
    stage: Annotated[tuple[Stage, ...], BeforeValidator(_several)] = ()
    explained: str | None = None  # package whose docstrings say by what criterion it is found
    caused_by: tuple[str, ...] | None = None  # codes, or "code/variant", that it only follows from
    values: dict[str, str] = {}
    means: dict[str, Meaning] = {}
    title: str = ""
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
    means: Mapping[str, Meaning]  # of each value that is a number
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


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Every code, in the order of the file."""

    entries: Mapping[str, CatalogueEntry]
    means: Mapping[str, Meaning]  # of values by name, where a form says nothing else

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
        values = entry.values | own.values
        means = {**self.means, **entry.means, **own.means}
        return Form(
            code,
            variant,
            own.title or entry.title,
            own.severity or entry.severity,
            own.stage or entry.stage,
            own.explained or entry.explained or "",
            (own.caused_by if own.caused_by is not None else entry.caused_by) or (),
            values,
            {name: means[name] for name in values if name in means},
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


def read(text: str) -> Catalogue:
    """Return the catalogue that a TOML text declares."""
    try:
        raw = tomllib.loads(text)
        means = {n: Meaning.model_validate(m) for n, m in raw.pop("means", {}).items()}
        entries = {code: CatalogueEntry.model_validate(raw[code]) for code in raw}
    except (tomllib.TOMLDecodeError, ValidationError) as e:
        raise ContractError(f"findings.toml: {e}") from e
    made = Catalogue(entries, means)
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
        for name in (n for n, kind in form.values.items() if is_number(kind)):
            if name not in form.means:
                yield f"{form}: nothing says what {name} means"
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
    if spec == HUNDREDS:
        return kind == "number"
    return bool(re.fullmatch(r"\+?,?(\.\d+)?[fg]", spec))
