"""What each point becomes: a mark, a control point, an exposure, or nothing, and why."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from lateralline.read.ledger import Ledger, nearest
from lateralline.survey_files.codes import MARKS, TARGETS, Codes, Pattern, fold
from lateralline.survey_files.points import Points
from lateralline.units import parse_length

Table = Literal["marks", "control", "exposures", ""]

_KEY_VALUE: Final = re.compile(r"""(?<!\S)(\w+)\s*=\s*("[^"]*"|[^\s,;]+)[,;]?""")


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
    runs = {fold(s.run) for s in found if s.belongs}
    for s in found:
        if s.unmapped:
            _near_miss(imported[s.file], s, runs, codes, ledger)
    if prefix:
        found = [replace(s, name=f"{_stem(imported[s.file].file)}-{s.name}") for s in found]
    _check_names(imported, found, ledger)
    return tuple(found)


def _sort(points: Points, f: int, i: int, codes: Codes, ledger: Ledger) -> Sorted:
    code = " ".join(str(points.code[i]).split())
    bare, said = _values(code, codes)
    pattern = next(_fits(bare, codes), None)
    if pattern is not None:
        said = pattern | said
    for role, column in points.told.items():
        told = str(column[i]).strip()
        group = "to" if role == "measured_to" else role
        if told and said.setdefault(group, told) != told and group not in ("kind", "to"):
            must = f"must agree with the description, which says {said[group]}"
            ledger.fault(points.file, int(points.row[i]), role, told, must)
    meaning = codes.words.get(
        fold(said.get("kind", "")), fold(said.get("kind", "")).replace(" ", "_")
    )
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
        to=codes.words.get(fold(said.get("to", "")), fold(said.get("to", "")).replace(" ", "_")),
        counter=said.get("counter", ""),
        depth=said.get("depth", ""),
        tilt_deg=said.get("tilt_deg", ""),
        sigma=said.get("sigma", ""),
        note=said.get("note", ""),
    )
    made = replace(made, name=made.name or base.name)
    _check(points, made, ledger)
    return made


def _values(code: str, codes: Codes) -> tuple[str, dict[str, str]]:
    """Return a description without its key=value parts, and those values by group."""
    said: dict[str, str] = {}

    def take(found: re.Match[str]) -> str:
        group = codes.keys.get(fold(found[1]))
        if group is None:
            return found[0]
        said["to" if group == "measured_to" else group] = re.sub('^"(.*)"$', r"\1", found[2])
        return " "

    bare = _KEY_VALUE.sub(take, code)
    return " ".join(bare.split()).rstrip(",; "), said


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


def _check(points: Points, s: Sorted, ledger: Ledger) -> None:
    row = int(points.row[s.at])

    def fault(must: str, hint: str = "") -> None:
        ledger.fault(points.file, row, "description", s.code, must, hint)

    if s.table == "marks" and s.kind != "ground" and not s.belongs:
        fault(f"must name run and stop of the {s.kind}", "as R1 3 EN, or with run=R1 stop=3")
    if s.table == "exposures":
        if s.to not in TARGETS:
            fault("must say what the exposure was measured to", "as EXP CO1 R1 invert d=1.10")
        if not (s.run or s.line):
            fault("must name the run or the line of the exposure", "as EXP CO1 R1 invert")
    for group in ("counter", "depth", "sigma"):
        text = getattr(s, group)
        if text and not _is_length(text):
            fault(f'must have a number for {group}; "{text}" is none')
    if s.tilt_deg and not re.fullmatch(r"[+-]?\d+(\.\d*)?", s.tilt_deg):
        fault(f'must have a number of degrees for tilt; "{s.tilt_deg}" is none')


def _is_length(text: str) -> bool:
    """Tell whether a text is a decimal number or feet and inches; the unit is known later."""
    for unit in ("ft", "in"):
        try:
            parse_length(text, unit)
        except (ValueError, ZeroDivisionError):
            continue
        return True
    return False


def _near_miss(points: Points, s: Sorted, runs: set[str], codes: Codes, ledger: Ledger) -> None:
    """A mark lost to a typing error would not be missed, so what begins like one is at fault."""
    first = re.split(r"[\s/:;,-]", s.code, maxsplit=1)[0]
    begins = fold(first) in runs or fold(s.code.partition(" ")[0]) in runs
    if not (begins or codes.refuse_unmapped):
        return
    last = s.code.split()[-1]
    hint = nearest(last, tuple(codes.words), 30) if begins else "or name its word under ignore"
    must = "must fit a pattern of the codes"
    must += f"; it begins like a mark of run {first}" if begins else ""
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
