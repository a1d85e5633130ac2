"""What a name means in a record, and the explanation of what it names."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from difflib import get_close_matches
from functools import lru_cache, partial
from pathlib import Path
from typing import Final, NamedTuple

from lateralline.errors import UnknownSpotError
from lateralline.explain.along import tell_node, tell_observation, tell_place
from lateralline.explain.content import CHANGED, Explanation, ToldSpot
from lateralline.explain.exposure import tell_exposure
from lateralline.explain.finding import tell_finding
from lateralline.explain.fixed import tell_baseline, tell_control, tell_mark, tell_site
from lateralline.explain.line import tell_line, tell_run
from lateralline.explain.origin import assumed_in, identity, stated, tell_origin, text_of
from lateralline.explain.segment import tell_segments
from lateralline.explain.stop import tell_stop
from lateralline.record.rows import (
    CentrelineRow,
    ExposureRow,
    FindingRow,
    FixRow,
    MarkRow,
    NodeRow,
    SegmentRow,
)
from lateralline.record.view import RecordView, read_record
from lateralline.wording import plain

#: A place on a line: its name, and how far along it with the unit.
_PLACE: Final = re.compile(r"(.+)@\s*(.*\d.*)")
_NAMED: Final = (
    "stop", "mark", "node", "bend", "junction", "entry", "segment", "observation", "exposure",
    "line", "run", "control point", "point", "baseline", "finding",
)  # fmt: skip
#: Kinds whose names a person may say without the kind, in this order where one thing has several.
_BARE: Final = (
    "stop", "node", "segment", "observation", "line", "run", "exposure", "control point", "mark",
)  # fmt: skip
#: An end of a line as it is printed may lie past it by as much.
_PRINTED_M: Final = 0.01
_CALLED: Final = {"bend": "node", "junction": "node", "entry": "node", "point": "control point"}


def explain(gpkg: Path, ref: str, site_id: str = "") -> Explanation:
    """Return what one spot or finding of a built record rests on, by the record alone.

    `ref` is a stop (R1/4), mark (3B, R1/3B), node (L1/bend-1, CO1), segment (L1/segment-3),
    observation (R1/O2), line (L1), run (R1), control point (P1), baseline (P1–P2), the "site", a
    place on a line (L1@13.97m, L1@45.83ft), or a finding by its cause or as "code subject"; a kind
    before the name says which is meant where several have it. Names are found whatever their case.
    Raises UnknownSiteError, UnknownSpotError with the nearest names there are, UnreadableError.
    """
    view = read_record(gpkg, site_id)
    kind, named, tell, about = _meant(view, ref.strip())
    told = ToldSpot()
    tell(told)
    told.figures = list(dict.fromkeys(told.figures))
    told.tables = list(dict.fromkeys(told.tables))
    told.findings += [
        text_of(view, row) for row in view.rows(FindingRow) if about(row) and kind != "finding"
    ]
    tell_origin(view, told)
    record = identity(view)
    if ("state", CHANGED) in record:
        told.said.insert(0, f"The record was {CHANGED}: nothing below is vouched for.")
    return Explanation(
        site_id=view.site_id,
        ref=named,
        kind=kind,
        title=f"{kind.capitalize()} {named} of site {view.site_id}: what it rests on",
        said=tuple(told.said),
        figures=tuple(told.figures),
        tables=tuple(told.tables),
        findings=tuple(told.findings),
        assumed=assumed_in(view),
        record=record,
        caution=view.caution,
    )


def explain_all(view: RecordView) -> list[tuple[str, ToldSpot]]:
    """Return what a whole record rests on: stops, nodes that are none, findings that ask something.

    Each by its name, by its own figures: what lies beside it is told there.
    """
    told = [(f"Stop {fix.name}", partial(tell_stop, view, fix)) for fix in view.fixes]
    stops = {fix.name for fix in view.fixes}
    nodes = [node for node in view.rows(NodeRow) if node.ref not in stops]
    told += [
        (f"Node {node.node_id}", partial(tell_node, view, node, beside=False)) for node in nodes
    ]
    told += [
        (plain(f"{row.title}: {row.subject}"), partial(tell_finding, view, row))
        for row in view.rows(FindingRow)
        if row.severity != "info"
    ]
    spots = [(name, ToldSpot()) for name, _ in told]
    for (_, spot), (_, tell) in zip(spots, told, strict=True):
        tell(spot)
    return spots


class Meant(NamedTuple):
    """What a name means: its kind, its name, what tells of it, and the subjects of its findings."""

    kind: str
    named: str
    tell: Callable[[ToldSpot], None]
    about: Callable[[FindingRow], bool]


def _meant(view: RecordView, ref: str) -> Meant:
    """Return what a name means."""
    known = _things(view)
    if ref.lower() in ("site", f"site {view.site_id}".lower()):
        return known["site"]["site"]
    for kind in _NAMED:
        if ref.lower().startswith(f"{kind} "):
            rest = ref[len(kind) + 1 :].strip()
            own = _CALLED.get(kind, kind)
            found = _by_case(known.get(own, {}), rest) if kind != "finding" else None
            return found or _meant(view, rest)
    named = [t for kind in _BARE if (t := known[kind].get(ref)) is not None]
    named = named or [t for kind in _BARE if (t := _by_case(known[kind], ref)) is not None]
    if len(named) > 1:
        each = ", ".join(f'"{t.kind} {t.named}"' for t in named)
        raise UnknownSpotError(f"{ref} names several things. In its place, say one: {each}")
    if named:
        return named[0]
    return _ends(view, ref) or _place(view, ref) or _finding(view, ref) or _unknown(view, ref)


def _by_case(of: Mapping[str, Meant], name: str) -> Meant | None:
    """Return what has a name, whatever its case where only one has it so."""
    if name in of:
        return of[name]
    alike = [meant for key, meant in of.items() if key.casefold() == name.casefold()]
    return alike[0] if len({meant.named for meant in alike}) == 1 else None


@lru_cache(maxsize=1)
def _things(view: RecordView) -> dict[str, dict[str, Meant]]:
    """Return everything of a record that has a name, by its kind and its names."""
    of: dict[str, dict[str, Meant]] = {kind: {} for kind in (*_BARE, "site")}

    def add(
        kind: str, named: str, tell: Callable[[ToldSpot], None], *about: str, also: str = ""
    ) -> None:
        subjects = {f"{kind} {named}", *about}
        meant = Meant(kind, named, tell, lambda row: row.subject in subjects)
        of[kind].setdefault(named, meant)
        if also:
            of[kind].setdefault(also, meant)

    for fix in view.fixes:
        of["stop"][fix.name] = Meant(
            "stop", fix.name, partial(_tell_stop, view, fix), partial(_about_stop, fix.name)
        )
    for n in view.rows(NodeRow):
        own = n.ref if n.ref not in of["stop"] and n.kind in ("entry", "exposure") else ""
        add("node", n.node_id, partial(tell_node, view, n), f"bend {n.node_id}", n.named, also=own)
    for s in view.rows(SegmentRow):
        add("segment", s.segment_id, partial(tell_segments, view, [s]))
    for seen in view.observations:
        add("observation", seen.observation_id, partial(tell_observation, view, seen))
    for line in view.rows(CentrelineRow):
        add("line", line.line_id, partial(tell_line, view, line))
    for run in dict.fromkeys(fix.run_id for fix in view.fixes):
        add("run", run, partial(tell_run, view, run))
        entry = stated(view).get(f"run {run}: entry", "")
        if entry and not any(entry in of[kind] for kind in ("node", "line", "run")):
            of["run"][entry] = of["run"][run]  # nothing located it: all there is, is the run
    for out in view.rows(ExposureRow):
        of["node"].pop(out.exposure, None)  # the node is told with it
        add("exposure", out.exposure, partial(tell_exposure, view, out), f"entry {out.exposure}")
    for point in view.control:
        add("control point", point.point, partial(tell_control, view, point))
    for mark in view.rows(MarkRow):
        both = f"{mark.run_id}/{mark.mark_id}"
        both = "" if both in of["stop"] else both
        add("mark", mark.mark_id, partial(tell_mark, view, mark), also=both)
    of["site"]["site"] = Meant(
        "site", "site", partial(tell_site, view), lambda row: row.subject == "site"
    )
    return of


def _tell_stop(view: RecordView, fix: FixRow, told: ToldSpot) -> None:
    """Tell a stop, and the pipe on both sides of it."""
    tell_stop(view, fix, told)
    beside = [s for s in view.rows(SegmentRow) if fix.name in (s.from_ref, s.to_ref)]
    tell_segments(view, beside, told)


def _about_stop(ref: str, row: FindingRow) -> bool:
    return ref in row.subject.split()


def _ends(view: RecordView, ref: str) -> Meant | None:
    """Return a baseline between two control points, as P1–P2."""
    named = ref[len("baseline ") :] if ref.lower().startswith("baseline ") else ref
    points = {row.point: row for row in view.control}
    for start, one in points.items():
        other = points.get(named.removeprefix(f"{start}–"))
        if other is not None and named.startswith(f"{start}–"):
            tell = partial(tell_baseline, view, [one, other])
            return Meant("baseline", named, tell, lambda row: row.subject == f"baseline {named}")
    return None


def _place(view: RecordView, ref: str) -> Meant | None:
    """Return a place on a line, given as L1@13.97m."""
    found = _PLACE.fullmatch(ref)
    meant = _by_case(_things(view)["line"], found[1].strip()) if found else None
    if found is None or meant is None:
        return None
    line = next(row for row in view.centrelines if row.line_id == meant.named)
    if found[2].strip()[-1:].isdigit():
        plainly = re.fullmatch(r"-?[\d.]+", found[2].strip()) is not None
        example = f"{line.line_id}@{found[2].strip() if plainly else '12.4'}{view.measure.plain}"
        raise UnknownSpotError(f"{ref}: the length must carry its unit, as {example}")
    try:
        along_m = view.measure.read(found[2])
    except ValueError as e:
        raise UnknownSpotError(f"{ref}: {e}") from None
    if not -_PRINTED_M <= along_m <= line.length_m + _PRINTED_M:
        longest = view.length_both(line.length_m)
        raise UnknownSpotError(
            f"{ref}: line {line.line_id} is located from 0 to {longest} along the pipe"
        )
    return Meant(
        "place", f"{line.line_id}@{found[2].strip()}",
        lambda told: tell_place(view, line.line_id, min(max(along_m, 0.0), line.length_m), told),
        lambda row: row.subject == f"line {line.line_id}",
    )  # fmt: skip


def _finding(view: RecordView, ref: str) -> Meant | None:
    """Return a finding by its cause, or by code and subject; its subject is told with it."""
    rows = view.rows(FindingRow)
    asked = ref.casefold()
    found = [r for r in rows if asked in (r.cause, r.code, f"{r.code} {r.subject}".casefold())]
    if len({r.cause for r in found}) > 1:
        each = "; ".join(f"{r.cause} ({_briefly(r, found)})" for r in found[:12])
        more = f"; and {len(found) - 12} more" if len(found) > 12 else ""
        raise UnknownSpotError(
            f"{ref} stands for {len(found)} findings. In its place, say the one you mean: "
            f"{each}{more}"
        )
    if not found:
        return None
    row = found[0]

    def tell(told: ToldSpot) -> None:
        tell_finding(view, row, told)
        for subject in _subjects(view, row.subject):
            told.said.append(f"What {subject.kind} {subject.named} rests on, follows.")
            subject.tell(told)

    return Meant("finding", f"{row.code} {row.subject}", tell, lambda other: False)


def _subjects(view: RecordView, subject: str) -> list[Meant]:
    """Return the things that a finding is about, those that the record knows."""
    kind, _, rest = subject.partition(" ")
    names = {
        "lines": [f"line {name}" for name in rest.split(", ")],
        "between": rest.split(" and "),
    }.get(kind, [subject])
    found = []
    for name in names:
        own = next((k for k in (*_NAMED, "site") if name == k or name.startswith(f"{k} ")), "")
        if own == "site":
            found.append(_things(view)["site"]["site"])
            continue
        meant = _by_case(_things(view).get(_CALLED.get(own, own), {}), name[len(own) + 1 :])
        meant = meant or _ends(view, name) if own else None
        found += [meant] if meant is not None else []
    return found


def _briefly(row: FindingRow, others: Sequence[FindingRow]) -> str:
    """Return what tells a finding from others, in few words."""
    alike = sum(other.subject == row.subject for other in others) > 1
    return f"{row.subject}: {plain(row.what)}" if alike else row.subject


def _unknown(view: RecordView, ref: str) -> Meant:
    things = _things(view)
    known = [name for kind in _BARE for name in things[kind]]
    known += [row.cause for row in view.rows(FindingRow)]
    near = get_close_matches(ref, known, 6, 0.5) or known[:8]
    raise UnknownSpotError(
        f"site {view.site_id} holds no {ref!r}; say a stop, mark, node, segment, observation, "
        "exposure, line, run or control point, a place as L1@12.4m, or the cause of a finding: "
        f"{', '.join(near)}"
    )
