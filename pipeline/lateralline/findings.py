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
    hundreds                    how many of a hundred: "none", "31"
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
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from hashlib import sha256
from json import dumps, loads
from math import isfinite
from typing import Final, TypeVar

from lateralline.catalogue import Form, Given, Severity, Stage, catalogue, is_number, unit_of
from lateralline.renamed import names_of_v1_finding
from lateralline.wording import Value, formatted, placeholders, rendered

_One = TypeVar("_One", bound=str)

#: Stands for every subject in what a finding explains.
ANY: Final = "*"
_WORD: Final = re.compile(r"[a-z]+[ ,:]")


def is_open_error(severity: str, accepted_by: str) -> bool:
    """Whether a finding is an error that nobody answers for: what bars a line, or a site, from use.

    >>> is_open_error("error", ""), is_open_error("error", "A. B."), is_open_error("warning", "")
    (True, False, False)
    """
    return severity == "error" and not accepted_by


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
    def found_by(self) -> str | None:
        """The values as JSON, unrounded, in the order of the catalogue; None where it has none.

        >>> made = finding("baseline-check", "baseline A–B", length_m=16.745)
        >>> made.found_by
        '{"length_m": {"value": 16.745, "unit": "m"}}'
        """
        if not self.values:
            return None
        kinds = catalogue().form(self.code, self.variant).values
        given = {n: kind for n, kind in kinds.items() if self.values.get(n) is not None}
        told = {name: _with_unit(self.values[name], kind) for name, kind in given.items()}
        return dumps(told, ensure_ascii=False)

    @property
    def also_about(self) -> str | None:
        """What it speaks of beside its subject, each once, as JSON; None where that is nothing.

        >>> finding("baseline-check", "baseline A–B", about=["line L1"], length_m=9.0).also_about
        '["line L1"]'
        """
        named = [subject for subject in dict.fromkeys(self.about) if subject != self.subject]
        return dumps(named, ensure_ascii=False) if named else None

    @property
    def denies(self) -> bool:
        """Whether it says that a measurement of its suspects is wrong."""
        return self.is_one_of(("blunder", "counter-wrong/detour")) and self.severity == "error"

    @property
    def suspects(self) -> tuple[str, ...]:
        """The points of which one is wrong, or may be, if it is about such; else its subject."""
        named = self.values.get("suspects")
        return named if isinstance(named, tuple) else (self.subject,)

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
    def open_error(self) -> bool:
        """Whether it is an error that nobody answers for."""
        return is_open_error(self.severity, self.accepted_by)

    @property
    def message(self) -> str:
        """What was found and by how much, as one sentence.

        >>> Finding("info", "link", "made-up", "line L1", "runs on", "0.31 m", "").message
        'Runs on: 0.31 m.'
        """
        return message_of(self.what, self.by_how_much)


def message_of(what: str, by_how_much: str) -> str:
    """Return the one sentence of a finding: what was found, and by how much."""
    between = "; " if ": " in what else ": "
    text = between.join(filter(None, (what, by_how_much)))
    return f"{text[:1].upper() if _WORD.match(text) else text[:1]}{text[1:]}."


def values_in(found_by: str) -> dict[str, Value]:
    """Return the values that `Finding.found_by` tells; none where somebody edited that.

    >>> values_in('{"off_m": {"value": 0.3, "unit": "m"}, "marks": {"value": ["1A", "1B"]}}')
    {'off_m': 0.3, 'marks': ('1A', '1B')}
    """
    try:
        told = {name: each["value"] for name, each in loads(found_by or "{}").items()}
    except (ValueError, AttributeError, KeyError, TypeError):
        return {}
    return {n: tuple(map(str, v)) if isinstance(v, list) else v for n, v in told.items()}


def subjects_in(also_about: str) -> tuple[str, ...]:
    """Return the subjects that `Finding.also_about` tells; none where somebody edited that.

    >>> subjects_in('["stop R1/5", "line L2"]'), subjects_in(""), subjects_in('{"a": 1}')
    (('stop R1/5', 'line L2'), (), ())
    """
    try:
        told = loads(also_about or "[]")
    except ValueError:
        return ()
    return tuple(map(str, told)) if isinstance(told, list) else ()


def _with_unit(value: Value, kind: str) -> dict[str, object]:
    """Return a value as JSON has it, with its unit where it is a number."""
    lost = isinstance(value, float) and not isfinite(value)
    plainly: dict[str, object] = {"value": None if lost else value}
    return plainly | ({"unit": unit_of(kind)} if is_number(kind) else {})


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


def _one(form: Form, key: str, given: _One | None, allowed: tuple[_One, ...]) -> _One:
    """Return what was given, else the only one allowed."""
    if given is None and len(allowed) == 1:
        return allowed[0]
    if given is None or given not in allowed:
        raise TypeError(f"finding {form}: {key} must be one of {allowed}; got {given!r}")
    return given


def title_of(code: str) -> str:
    """Return the title of a code; "" for one that is not in the catalogue.

    >>> title_of("stop-not-located")
    'Stop is not located'
    """
    entry = catalogue().entries.get(code)
    return entry.title if entry else ""


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
