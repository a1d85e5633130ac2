"""What each point becomes: a mark, a control point, an exposure, or nothing, and why."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from lateralline.names import MUST_BE, wrong_name
from lateralline.read.ledger import Ledger, nearest
from lateralline.survey_files.codes import MARKS, TARGETS, Codes, Pattern, fold
from lateralline.survey_files.likeness import compact, looks_like_a_mark
from lateralline.survey_files.points import Points
from lateralline.survey_files.values import NUMBERS, cut, read_value, strange_key

Table = Literal["marks", "control", "exposures", ""]


@dataclass(frozen=True, slots=True)
class Sorted:
    """One point and what it becomes; "" where nothing is said."""

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
    unmapped: bool = False  # no pattern fits, as against being named under ignore

    @property
    def belongs(self) -> bool:
        """True for a mark of a stop: all but ground shots that name none."""
        return self.table == "marks" and bool(self.run and self.stop)


def sort_points(
    imported: Sequence[Points], codes: Codes, ledger: Ledger, *, prefix: bool = False
) -> tuple[Sorted, ...]:
    """Return what each point of each file becomes; descriptions that nearly fit are at fault."""
    found = [
        _sort(points, f, i, codes, ledger)
        for f, points in enumerate(imported)
        for i in range(len(points))
    ]
    runs = {compact(s.run): s.run for s in found if s.belongs}
    for s in found:
        if s.unmapped:
            _near_miss(imported[s.file], s, runs, codes, ledger)
    if prefix:
        found = [replace(s, name=f"{_stem(imported[s.file].file)}-{s.name}") for s in found]
    _check_names(imported, found, ledger)
    return tuple(found)


def _sort(points: Points, f: int, i: int, codes: Codes, ledger: Ledger) -> Sorted:
    code = " ".join(str(points.code[i]).split())
    bare, said = cut(code, codes.keys)
    pattern = next(_fits(bare, codes), None)
    if pattern is None and {"run", "stop"} <= said.keys() and _meaning(bare, codes) in MARKS:
        pattern = {"kind": bare}  # the rest is said by keys
    if pattern is not None:
        said = pattern | said
    for group in NUMBERS:
        if group in said:
            at = ("description", code)
            said |= {group: _read_value(points, i, group, said.pop(group), ledger, at)}
    for role, column in points.told.items():
        told = str(column[i]).strip()
        group = "to" if role == "measured_to" else role
        if told and group in NUMBERS:
            told = _read_value(points, i, group, told, ledger, (role, told))
        if told and said.setdefault(group, told) != told and group not in ("kind", "to"):
            must = f"must agree with the description, which says {said[group]}"
            ledger.fault(points.file, int(points.row[i]), role, told, must)
    meaning = _meaning(said.get("kind", ""), codes)
    base = Sorted(f, i, code, "", name=str(points.name[i]))
    if not said.get("kind"):
        reason = "no pattern fits its description" if code else "it has no description"
        return replace(base, reason=reason, unmapped=bool(code))
    if meaning == "ignore":
        return replace(base, reason=f'named under ignore: "{said["kind"]}"')
    if meaning not in (*MARKS, "control", "exposure"):
        must = "must be a kind of mark, control, exposure or a word for it"
        hint = nearest(said["kind"], tuple(codes.words), 20)
        ledger.fault(points.file, int(points.row[i]), "description", code, must, hint)
        return replace(base, reason="its kind is not known")
    table: Table = (
        "marks" if meaning in MARKS else "control" if meaning == "control" else "exposures"
    )
    made = Sorted(
        f,
        i,
        code,
        table,
        kind=meaning,
        run=said.get("run", ""),
        stop=said.get("stop", ""),
        line=said.get("line", ""),
        name=said.get("name", "") if table != "marks" else base.name,
        to=_meaning(said.get("to", ""), codes),
        counter=said.get("counter", ""),
        depth=said.get("depth", ""),
        tilt_deg=said.get("tilt_deg", ""),
        sigma=said.get("sigma", ""),
        note=said.get("note", ""),
    )
    made = replace(made, name=made.name or base.name)
    _check(points, made, codes, ledger)
    return made


def _meaning(word: str, codes: Codes) -> str:
    """Return what a word of the codes means; a word that is none as the schemas would write it."""
    return codes.words.get(fold(word), fold(word).replace(" ", "_"))


def _read_value(
    points: Points, i: int, group: str, text: str, ledger: Ledger, at: tuple[str, str]
) -> str:
    """Return a number as the site's cells take it; "", with a fault, when it is none.

    `at` is the column and its cell, as the fault names them.
    """
    try:
        return read_value(group, text, points.decimal)
    except ValueError as e:
        what = "degrees for tilt" if group == "tilt_deg" else group
        must = (
            f'must have a number {"of" if group == "tilt_deg" else "for"} {what}; "{text}" is none'
        )
        ledger.fault(points.file, int(points.row[i]), *at, must, str(e))
        return ""


def _fits(bare: str, codes: Codes) -> Iterator[dict[str, str]]:
    """Yield what each pattern that fits says of the point."""
    for pattern in codes.patterns:
        if m := pattern.expression.match(bare):
            yield _said(pattern, m, bare)


def _said(pattern: Pattern, found: re.Match[str], bare: str) -> dict[str, str]:
    said = {k: v.strip() for k, v in found.groupdict().items() if v}
    rest = bare[found.end() :].strip(" ,;.:-")
    notes = filter(None, (said.get("note", ""), rest))
    return {**pattern.constants, **said, "note": "; ".join(notes)}


# ---- checks --------------------------------------------------------------------------------


def _check(points: Points, s: Sorted, codes: Codes, ledger: Ledger) -> None:
    row = int(points.row[s.at])

    def fault(must: str, hint: str = "") -> None:
        ledger.fault(points.file, row, "description", s.code, must, hint)

    for what, name in (("point", s.name), ("run", s.run), ("stop", s.stop), ("line", s.line)):
        if name and (hint := wrong_name(name)):
            ledger.fault(points.file, row, what, name, f"must be {MUST_BE}", hint)
    if s.table == "marks" and s.kind != "ground" and not s.belongs:
        fault(f"must name run and stop of the {s.kind}", "as R1 3 EN, or with run=R1 stop=3")
    key, near = strange_key(s.note, codes.keys)
    if key:
        fault(f"must have known keys; {key} is none", f'did you mean "{near}"?')
    if s.table == "exposures":
        if s.to not in TARGETS:
            fault("must say what the exposure was measured to", "as EXP CO1 R1 invert d=1.10")
        if not (s.run or s.line):
            fault("must name the run or the line of the exposure", "as EXP CO1 R1 invert")


def _near_miss(
    points: Points, s: Sorted, runs: Mapping[str, str], codes: Codes, ledger: Ledger
) -> None:
    """A mark lost to a typing error would not be missed, so what looks like one is at fault."""
    looks = looks_like_a_mark(s.code, runs, codes)
    if not (looks or codes.refuse_unmapped):
        return
    must = "must fit a pattern of the codes" + (f"; it {looks}" if looks else "")
    hint = "or name its word under ignore"
    last = s.code.split()[-1]
    if looks and fold(last) not in codes.words and last.isalpha():
        hint = nearest(last, tuple(codes.words), 30)
    elif looks:
        hint = f"as R1 3 EN, or with run=R1 stop=3; {hint}"
    ledger.fault(points.file, int(points.row[s.at]), "description", s.code, must, hint)


def _check_names(imported: Sequence[Points], found: Sequence[Sorted], ledger: Ledger) -> None:
    """Names are unique in a site; within a file they are already."""
    first: dict[tuple[str, str], Sorted] = {}
    for s in found:
        if not s.table:
            continue
        other = first.setdefault((s.table, s.name), s)
        if other is s:
            continue
        points = imported[s.file]
        if other.file == s.file and s.name == points.name[s.at] == points.name[other.at]:
            continue  # said where the file was read
        must = f"must be a name of its own; {imported[other.file].where(other.at)} has it too"
        hint = "--prefix puts each file's name before its points" if other.file != s.file else ""
        ledger.fault(points.file, int(points.row[s.at]), "point", s.name, must, hint)


def _stem(file: str) -> str:
    return re.split(r"[.\[]", file, maxsplit=1)[0]


def unmapped(found: Sequence[Sorted]) -> Mapping[str, int]:
    """Return the descriptions that fit no pattern, and how many points have each."""
    counts: dict[str, int] = {}
    for s in found:
        if s.unmapped:
            counts[s.code] = counts.get(s.code, 0) + 1
    return counts
