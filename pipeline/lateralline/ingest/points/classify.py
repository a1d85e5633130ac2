"""What each point becomes: a mark, a control point, an exposure, or nothing, and why."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from itertools import pairwise
from typing import Final, Literal

from lateralline.ingest.cells import means_unknown
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.points.codes import (
    GROUPS,
    MARKS,
    NUMBERS,
    TARGETS,
    Codes,
    fold,
    read_value,
    split_values,
    unknown_key,
)
from lateralline.ingest.points.survey_points import SurveyPoints
from lateralline.names import MUST_BE, wrong_name

Table = Literal["marks", "control", "exposures", ""]
_NO_PATTERN: Final = "no pattern fits its description"
_NO_KIND: Final = "its kind is not known"


@dataclass(frozen=True, slots=True)
class ClassifiedPoint:
    """One point and the row it becomes; "" where no description or attribute gives a value."""

    file: int  # index into the files imported
    at: int  # index into its points
    code: str
    table: Table  # "" = left out
    kind: str = ""
    run: str = ""
    stop: str = ""
    line: str = ""
    name: str = ""
    to: str = ""
    counter: str = ""
    depth: str = ""
    tilt_deg: str = ""
    sigma: str = ""
    note: str = ""
    reason: str = ""  # why it is left out

    @property
    def unmapped(self) -> bool:
        """True when no pattern fits, as against being named under ignore."""
        return self.reason == _NO_PATTERN

    @property
    def belongs(self) -> bool:
        """True for a mark of a stop: all but ground shots that name none."""
        return self.table == "marks" and bool(self.run and self.stop)


def classify_points(
    imported: Sequence[SurveyPoints], codes: Codes, ledger: Ledger, *, prefix: bool = False
) -> tuple[ClassifiedPoint, ...]:
    """Return what each point of each file becomes; descriptions that nearly fit are at fault."""
    found = [
        _sort(points, f, i, codes, ledger)
        for f, points in enumerate(imported)
        for i in range(len(points))
    ]
    runs = _runs_by_shape(found) | {compact(s.run): s.run for s in found if s.belongs}
    strangers: defaultdict[str, list[tuple[int, int, str]]] = defaultdict(list)
    before: defaultdict[str, list[tuple[int, int, str]]] = defaultdict(list)
    of_marks = set[str]()
    for s in found:
        word = s.kind if s.reason == _NO_KIND else ""
        if s.unmapped:  # what stands beside run and stop can only be a mark
            ahead, word = _near_miss(imported[s.file], s, runs, codes, ledger)
            of_marks |= {word} - {""}
            if ahead:
                before[ahead].append((s.file, s.at, s.code))
        if word:
            strangers[word].append((s.file, s.at, s.code))
    _report_office_codes(imported, strangers, before, of_marks, codes, ledger)
    if prefix:
        stems = [re.split(r"[.\[]", points.file, maxsplit=1)[0] for points in imported]
        found = [replace(s, name=f"{stems[s.file]}-{s.name}") for s in found]
    _check_names(imported, found, ledger)
    return tuple(found)


def _sort(points: SurveyPoints, f: int, i: int, codes: Codes, ledger: Ledger) -> ClassifiedPoint:
    code = " ".join(str(points.code[i]).split())
    bare, values = split_values(code, codes.keys)
    pattern = _matched(bare, codes)
    if pattern is None and {"run", "stop"} <= values.keys() and _meaning(bare, codes) in MARKS:
        pattern = {"kind": bare}  # keys give the rest
    if pattern is not None:
        values = pattern | values
    for group in NUMBERS:
        if group in values:
            at = ("description", code)
            values |= {group: _read_value(points, i, group, values.pop(group), ledger, at)}
    for role, column in points.attributes.items():
        own = str(column[i]).strip()
        group = "to" if role == "measured_to" else role
        if own and group in NUMBERS:
            own = _read_value(points, i, group, own, ledger, (role, own))
        if own and values.setdefault(group, own) != own and group not in ("kind", "to"):
            must = f"must agree with the description, which says {values[group]}"
            ledger.fault(points.file, int(points.row[i]), role, own, must)
    meaning = _meaning(values.get("kind", ""), codes)
    base = ClassifiedPoint(f, i, code, "", name=str(points.name[i]))
    if not values.get("kind"):
        return replace(base, reason=_NO_PATTERN if code else "it has no description")
    if meaning == "ignore":
        return replace(base, reason=f'named under ignore: "{values["kind"]}"')
    if meaning not in (*MARKS, "control", "exposure"):
        return replace(base, kind=values["kind"], reason=_NO_KIND)
    table: Table = (
        "marks" if meaning in MARKS else "control" if meaning == "control" else "exposures"
    )
    own_name = values.get("name", "") if table != "marks" else ""
    texts = {group: values.get(group, "") for group in GROUPS} | {
        "kind": meaning,
        "name": own_name or base.name,
        "to": _meaning(values.get("to", ""), codes),
    }
    made = ClassifiedPoint(f, i, code, table, **texts)
    _check(points, made, codes, ledger)
    return made


def _meaning(word: str, codes: Codes) -> str:
    """Return what a word of the codes means; a word that is none as the schemas would write it."""
    return codes.words.get(fold(word), fold(word).replace(" ", "_"))


def _read_value(
    points: SurveyPoints, i: int, group: str, text: str, ledger: Ledger, at: tuple[str, str]
) -> str:
    """Return a number as the site's cells take it; "" when unknown or, with a fault, none.

    `at` is the column and its cell, as the fault names them.
    """
    if means_unknown(text):
        return ""
    try:
        return read_value(group, text, points.decimal)
    except ValueError as e:
        what = "degrees for tilt" if group == "tilt_deg" else group
        must = (
            f'must have a number {"of" if group == "tilt_deg" else "for"} {what}; "{text}" is none'
        )
        ledger.fault(points.file, int(points.row[i]), *at, must, str(e))
        return ""


def _matched(bare: str, codes: Codes) -> dict[str, str] | None:
    """Return what the first pattern that fits says of the point; None when none fits."""
    for pattern in codes.patterns:
        if m := pattern.expression.match(bare):
            values = {k: v.strip() for k, v in m.groupdict().items() if v}
            notes = filter(None, (values.get("note", ""), bare[m.end() :].strip(" ,;.:-")))
            return {**pattern.constants, **values, "note": "; ".join(notes)}
    return None


# ---- checks --------------------------------------------------------------------------------


def _check(points: SurveyPoints, s: ClassifiedPoint, codes: Codes, ledger: Ledger) -> None:
    row = int(points.row[s.at])

    def fault(must: str, hint: str = "") -> None:
        ledger.fault(points.file, row, "description", s.code, must, hint)

    for what, name in (("point", s.name), ("run", s.run), ("stop", s.stop), ("line", s.line)):
        if name and (hint := wrong_name(name)):
            ledger.fault(points.file, row, what, name, f"must be {MUST_BE}", hint)
    if s.table == "marks" and s.kind != "ground" and not s.belongs:
        fault(f"must name run and stop of the {s.kind}", "as R1 3 EN, or with run=R1 stop=3")
    key, near = unknown_key(s.note, codes.keys)
    if key:
        fault(f"must have known keys; {key} is none", f'did you mean "{near}"?')
    if s.table == "exposures":
        if s.to not in TARGETS:
            fault("must say what the exposure was measured to", "as EXP CO1 R1 invert d=1.10")
        if not (s.run or s.line):
            fault("must name the run or the line of the exposure", "as EXP CO1 R1 invert")


def _near_miss(
    points: SurveyPoints, s: ClassifiedPoint, runs: Mapping[str, str], codes: Codes, ledger: Ledger
) -> tuple[str, str]:
    """Return what stands ahead of a mark's run and stop and says nothing, and its unknown word.

    "" for none; what else looks like a mark is at fault.

    A mark lost to a typing error would not be missed.
    """
    looks = looks_like_a_mark(s.code, runs, codes)
    if not (looks or codes.refuse_unmapped):
        return "", ""
    ahead, word = _kind_word(s.code, codes)
    if looks and word and fold(word) not in codes.words:
        return ahead, word
    if looks and ahead:
        return ahead, ""
    must = "must fit a pattern of the codes" + (f"; it {looks}" if looks else "")
    hint = "or name its word under ignore"
    if looks:
        hint = f"as R1 3 EN, or with run=R1 stop=3; {hint}"
    ledger.fault(points.file, int(points.row[s.at]), "description", s.code, must, hint)
    return "", ""


def _kind_word(code: str, codes: Codes) -> tuple[str, str]:
    """Return what stands for the kind, where run and stop have nothing but words beside.

    With words on both sides those ahead say nothing, unless they alone resemble a known one; else
    there are none ahead. What `before` of the codes names already is passed over.

    >>> from lateralline.ingest.points.codes import default_codes
    >>> [_kind_word(c, default_codes()) for c in ("R1 3 end nul c=4", "R1/3 ENUL", "R1 3 4")]
    [('', 'end nul'), ('', 'ENUL'), ('', '')]
    >>> [_kind_word(c, default_codes()) for c in ("SAN R1-3 NULL-E", "ENUL R1 3 wet")]
    [('SAN', 'NULL-E'), ('', 'ENUL')]
    """
    bare, _ = split_values(code, codes.keys)
    words = [
        word
        for given in re.split(r"[\s/]+", bare)
        for word in ([given] if _joined(given) else given.split("-"))
        if word
    ]
    named = [bool(_NAME.fullmatch(word.casefold())) for word in words]
    first = named.index(True) if True in named else 0
    kept = [word for word, is_name in zip(words, named, strict=True) if not is_name]
    if not 0 < len(kept) < 4 or not all(word.isalpha() or _joined(word) for word in kept):
        return "", ""
    ahead, behind = " ".join(words[:first]), " ".join(kept[first:])
    if not (ahead and behind):
        return "", ahead or behind
    if _nearest_meanings(ahead, codes) and not _nearest_meanings(behind, codes):
        return "", ahead
    return ("" if codes.words.get(fold(ahead)) == "before" else ahead), behind


def _joined(word: str) -> bool:
    """Tell whether a hyphen joins letters to one word of an office: NULL-E, and not R1-3."""
    return "-" in word and word.replace("-", "").isalpha()


def _check_names(
    imported: Sequence[SurveyPoints], found: Sequence[ClassifiedPoint], ledger: Ledger
) -> None:
    """Names are unique in a site; within a file they are already."""
    first: dict[tuple[str, str], ClassifiedPoint] = {}
    for s in found:
        if not s.table:
            continue
        other = first.setdefault((s.table, s.name), s)
        if other is s:
            continue
        points = imported[s.file]
        if other.file == s.file and s.name == points.name[s.at] == points.name[other.at]:
            continue  # at fault already
        must = f"must be a name of its own; {imported[other.file].where(other.at)} has it too"
        hint = "--prefix puts each file's name before its points" if other.file != s.file else ""
        ledger.fault(points.file, int(points.row[s.at]), "point", s.name, must, hint)


def unmapped(found: Sequence[ClassifiedPoint]) -> Mapping[str, int]:
    """Return the descriptions that fit no pattern, and how many points have each."""
    return Counter(s.code for s in found if s.unmapped)


# ---- descriptions that fit no pattern and yet look like marks -----------------------------

_WORD: Final = re.compile(r"[^\W_]+")
#: What runs and stops are called: R1, 3, 12A, or a letter that lost its number.
_NAME: Final = re.compile(r"[a-z]{0,2}\d+[a-z]?|[a-z]")
_RUN: Final = re.compile(r"[a-z]{1,2}\d+")
_STOP: Final = re.compile(r"\d+[a-z]?")


def compact(name: str) -> str:
    """Return a name without case and signs, as runs are compared here.

    >>> compact("R-1"), compact("r 1")
    ('r1', 'r1')
    """
    return "".join(_WORD.findall(name.casefold()))


def looks_like_a_mark(code: str, runs: Mapping[str, str], codes: Codes) -> str:
    """Return in words why a description looks like a mark; "" when it does not.

    `runs` are those that other points name, by their compact names. A tree or a kerb says neither a
    run nor, beside a word for a mark, nothing but names and numbers.
    """
    bare, values = split_values(code, codes.keys)
    words = [w.casefold() for w in _WORD.findall(bare)]
    run = next((runs[n] for i in (1, 2) if (n := "".join(words[:i])) in runs), "")
    if run:
        return f"begins like a mark of run {run}"
    if (
        values.keys() & {"run", "stop"} or {"counter", "depth"} <= values.keys()
    ):  # a tree may have d=
        return f"has {' and '.join(sorted(values))} of a mark"
    if run := next((runs[a] for a, b in pairwise(words) if a in runs and _STOP.fullmatch(b)), ""):
        return f"names run {run} and a stop"
    phrases = [
        _WORD.findall(word)
        for word, meaning in codes.words.items()
        if meaning in MARKS and meaning != "ground"
    ]
    for phrase in sorted(phrases, key=len, reverse=True):
        rest = _without(words, phrase)
        if rest is not None and (all(map(_NAME.fullmatch, rest)) or any(w in runs for w in rest)):
            return f"has a word for a mark, {' '.join(phrase)}"
    if len(words) > 2 and _RUN.fullmatch(words[0]) and _STOP.fullmatch(words[1]):
        near = set(_nearest_meanings(" ".join(words[2:]), codes)) & {*MARKS} - {"ground"}
        if near:
            return f"looks like a mark, {' or '.join(sorted(near))}"
    return ""


def _runs_by_shape(found: Sequence[ClassifiedPoint]) -> dict[str, str]:
    """Return what is written as a run before two stops or more, of points that fit no pattern.

    An office's own words leave no mark whose run is known; a tree with a number has but one.
    """
    stops: defaultdict[str, set[str]] = defaultdict(set)
    for s in found:
        if s.unmapped:
            for a, b in pairwise(_WORD.findall(s.code)):
                if _RUN.fullmatch(a.casefold()) and _STOP.fullmatch(b.casefold()):
                    stops[a].add(b)
    return {run.casefold(): run for run, several in stops.items() if len(several) > 1}


def _without(words: Sequence[str], phrase: Sequence[str]) -> list[str] | None:
    """Return words without a phrase among them; None when it is not there."""
    n = len(phrase)
    for at in range(len(words) - n + 1):
        if list(words[at : at + n]) == list(phrase):
            return [*words[:at], *words[at + n :]]
    return None


# ---- words of an office that are none of ours: the nearest known ones ----------------------

#: How much a word must have in common with a known one to be taken for a form of it.
_ALIKE: Final = 0.6
#: Words named in one line; more are counted.
_MOST_WORDS: Final = 6


def _nearest_meanings(word: str, codes: Codes) -> tuple[str, ...]:
    """Return what the known words most like `word` mean: several where they are equally like it.

    >>> from lateralline.ingest.points.codes import default_codes
    >>> _nearest_meanings("ENULL", default_codes()), _nearest_meanings("NULL", default_codes())
    (('end_null',), ('end_null', 'mid_null'))
    """
    best: dict[str, float] = {}
    for known, meaning in codes.words.items():
        pair = (word.casefold().replace(" ", ""), known.replace(" ", ""))
        alike = SequenceMatcher(None, *pair).ratio()
        best[meaning] = max(best.get(meaning, 0.0), alike)
    most = max(best.values(), default=0.0)
    return tuple(sorted(m for m, a in best.items() if most >= _ALIKE and a > most - 0.01))


def _report_office_codes(
    imported: Sequence[SurveyPoints],
    strangers: Mapping[str, Sequence[tuple[int, int, str]]],
    before: Mapping[str, Sequence[tuple[int, int, str]]],
    of_marks: Collection[str],
    codes: Codes,
    ledger: Ledger,
) -> None:
    """Note all unknown words for kinds of marks in one fault, with the codes file they need.

    `strangers` holds for each word the file, point and description of all points that have it;
    `before` the same of what stands ahead of run and stop and says nothing; `of_marks` are the
    words that can mean nothing but a mark.
    """
    if not (strangers or before):
        return
    said: list[str] = []
    lines: dict[str, list[str]] = {}
    unlike: dict[str, str] = {}
    for word, points in strangers.items():
        near_to = _nearest_meanings(word, codes)
        meant = [m for m in near_to if m in MARKS or word not in of_marks]
        near = f", near {' or '.join(meant)}" if meant else ""
        said.append(f'"{word}" at {len(points)} point{"s" * (len(points) != 1)}{near}')
        if len(meant) == 1:
            lines.setdefault(meant[0], []).append(word)
        else:
            unlike[word] = meant[0] if meant else "mid_null"
    files = [
        f'words.{meaning} = "{", ".join([*_known_words(meaning, codes), *words])}"'
        for meaning, words in lines.items()
    ]
    if unlike:
        word, meaning = next(iter(unlike.items()))
        known = ", ".join([*_known_words(meaning, codes), word])
        files.append(
            f'each of "{", ".join(unlike)}" under what it means, '
            f'as words.{meaning} = "{known}" would, or under words.ignore'
        )
    all_points = (*strangers.values(), *before.values())
    f, at, description = min(one for points in all_points for one in points)
    if before:
        known = ", ".join([*_known_words("before", codes), *sorted(before)])
        files.append(f'words.before = "{known}"')
    if not strangers:
        said = [
            f'"{word}" is ahead of run and stop at {len(of)} points' for word, of in before.items()
        ]
    more = f"; and {len(said) - _MOST_WORDS} more" if len(said) > _MOST_WORDS else ""
    found = "; ".join(said[:_MOST_WORDS])
    lacks = "it has no known word for a mark: " if strangers else ""
    must = f"must fit a pattern of the codes; {lacks}{found}{more}"
    hint = f"if that is meant, write into codes.toml {' and '.join(files)}; give --codes codes.toml"
    ledger.fault(imported[f].file, int(imported[f].row[at]), "description", description, must, hint)


def _known_words(meaning: str, codes: Codes) -> list[str]:
    return [word for word, means in codes.words.items() if means == meaning]
