"""Findings of one site or many by what causes them: what a person has to act on, once each.

Findings of one code and variant are one cause: their subjects stand in a row, and of their figures
and actions what differs is a range or a row. What may only follow from another cause is folded
under that one: all that is worked out of coordinates which are wrong, and whatever else is said of
a stop that has an error of its own. Nothing is lost: groups hold their findings.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Final

from lateralline.findings import Finding
from lateralline.wording import in_unit

_NUMBER: Final = re.compile(r"[+-]?\d+(?:\.\d+)?")
_RANKS: Final = {"error": 0, "warning": 1, "info": 2}
#: Subjects that are placed, and so lie wrong where coordinates do.
_PLACED: Final = ("mark", "marks", "stop", "baseline", "exposure")
_SHOWN: Final = 6  # names of a row


@dataclass(frozen=True, slots=True)
class Told:
    """One finding as its site tells it: lengths in the unit of the site."""

    site: str  # "" where there is but one
    unit: str  # a key of units.METRES_PER
    found: Finding

    @property
    def subject(self) -> str:
        """What it is about, with its site where there are several."""
        return f"{self.site} {self.found.subject}".strip()

    @property
    def stop(self) -> tuple[str, str, str] | None:
        """The stop it is about, if it is about one."""
        f = self.found
        return (self.site, f.run_id, f.stop_id) if f.stop_id else None

    def said(self, text: str) -> str:
        """Return a text of the finding in the site's unit."""
        return in_unit(text, self.unit)


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """One cause: the findings of it, and those folded under it."""

    members: tuple[Told, ...]
    follows: tuple[Told, ...] = ()

    @property
    def severity(self) -> str:
        """How serious: "error" or "warning"."""
        return self.members[0].found.severity

    @property
    def code(self) -> str:
        """The code of its findings, by which `accept`, `explain` and the dictionary name them."""
        return self.members[0].found.code

    @property
    def sentence(self) -> str:
        """What is the matter and where, without its figure and without a full stop."""
        if len(self.members) > 1:
            return f"{self.members[0].found.title}: {_row_of_subjects(self.members)}"
        told = self.members[0]
        what = told.said(told.found.what).partition(": ")[0]
        if told.found.subject not in what:
            what = f"{told.found.subject}: {what}"
        return _opened(f"{told.site} {what}".strip()) + _in_file(told)

    @property
    def figure(self) -> str:
        """By how much; a range where members differ, "" where nothing says it."""
        return _ranged([t.said(t.found.by_how_much) for t in self.members])

    @property
    def action(self) -> str:
        """What to do; "" where there is nothing to do."""
        return _merged([t.said(t.found.what_to_do) for t in self.members])


def grouped(told: Iterable[Told]) -> tuple[FindingGroup, ...]:
    """Return the causes that ask for action, most serious first; accepted ones and notes do not."""
    asked = [t for t in told if t.found.asked and t.found.severity != "info"]
    asked.sort(key=lambda t: _RANKS[t.found.severity])
    roots = [t for t in asked if t.found.unsettles]
    stops: dict[tuple[str, str, str] | None, Told] = {}
    for t in asked:
        if t.stop is not None and t.found.severity == "error":
            stops.setdefault(t.stop, t)
    under: dict[int, list[Told]] = {}
    kept: dict[tuple[str, str], list[Told]] = {}
    for t in asked:
        cause = _cause(t, roots, stops)
        if cause is None:
            kept.setdefault((t.found.severity, t.found.name), []).append(t)
        else:
            under.setdefault(id(cause), []).append(t)
    groups = [
        FindingGroup(tuple(own), tuple(f for t in own for f in under.get(id(t), ())))
        for own in kept.values()
    ]
    return tuple(sorted(groups, key=lambda g: (_RANKS[g.severity], not _lead(g).unsettles)))


def _lead(group: FindingGroup) -> Finding:
    return group.members[0].found


def _cause(
    told: Told, roots: Sequence[Told], stops: Mapping[tuple[str, str, str] | None, Told]
) -> Told | None:
    """Return what a finding may only follow from, that is itself folded under nothing."""
    found = told.found
    if any(told is root for root in roots):
        return None
    for root in roots:
        worked_out = found.stage in ("solve", "link", "derive", "write")
        if root.site == told.site and (worked_out or found.subject.split(" ")[0] in _PLACED):
            return root
    of_stop = stops.get(told.stop)
    if of_stop is None or of_stop is told:
        return None
    return _cause(of_stop, roots, {}) or of_stop


# ---- several findings in one sentence -------------------------------------------------------


def _opened(text: str) -> str:
    """Begin a sentence: a plain word gets its capital, a name stays as it is."""
    first = text.split(" ", 1)[0].rstrip(":,")
    return text[:1].upper() + text[1:] if first.isalpha() and first.islower() else text


def _in_file(told: Told) -> str:
    return f" ({told.found.where})" if told.found.where else ""


def _row_of_subjects(members: Sequence[Told]) -> str:
    """Say which: "7 stops: R1/2, R1/3"; by sites where there are several."""
    sites = list(dict.fromkeys(t.site for t in members))
    nouns = {t.found.subject.partition(" ")[0] for t in members}
    names = [t.found.subject.partition(" ")[2] for t in members]
    if len(nouns) > 1 or not all(names):
        many, names = f"{len(members)} times", [t.subject for t in members]
    else:
        many = f"{len(members)} {nouns.pop()}s"
    if len(sites) > 1:
        return f"{many} on {len(sites)} sites: {_listed(sites)}"
    return f"{many}: {_listed(dict.fromkeys(names))}"


def _listed(names: Iterable[str]) -> str:
    row = list(names)
    return ", ".join(row[:_SHOWN]) + (", …" if len(row) > _SHOWN else "")


def _ranged(texts: Sequence[str]) -> str:
    """Return one text for texts that differ in their numbers alone, each number as a range.

    >>> _ranged(["0.2 m off", "0.5 m off"]), _ranged(["1 m", "2 m", "far"])
    ('0.2 to 0.5 m off', '')
    """
    if len({_NUMBER.sub("#", text) for text in texts}) != 1:
        return ""
    rows = list(zip(*(_NUMBER.findall(text) for text in texts), strict=True))
    ends = iter([(min(row, key=float), max(row, key=float)) for row in rows])

    def shown(_: re.Match[str]) -> str:
        least, most = next(ends)
        return least if float(least) == float(most) else f"{least} to {most}"

    return _NUMBER.sub(shown, texts[0])


def _merged(texts: Sequence[str]) -> str:
    """Return one action for actions that differ in one place: what differs there, in a row.

    >>> _merged(["check mark A twice", "check mark B twice"])
    'check mark A, B twice'
    """
    rows = [text.split(" ") for text in dict.fromkeys(texts)]
    if len(rows) == 1:
        return " ".join(rows[0])
    head = _alike(rows)
    tail = _alike([row[head:][::-1] for row in rows])
    middles = [" ".join(row[head : len(row) - tail]) for row in rows]
    if head + tail == 0 or max(map(len, middles)) > 40:
        return f"{' '.join(rows[0])}, and likewise for the others"
    return " ".join([*rows[0][:head], _listed(middles), *rows[0][len(rows[0]) - tail :]]).strip()


def _alike(rows: Sequence[Sequence[str]]) -> int:
    """How many words all rows begin with."""
    columns = zip(*rows, strict=False)
    return sum(1 for _ in takewhile(lambda words: len(set(words)) == 1, columns))
