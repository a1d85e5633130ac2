"""Everything of a record that has a name: what tells of it, and what lies beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final

from lateralline.explain.along import tell_node, tell_observation, tell_place
from lateralline.explain.content import ExplainedSource, ToldSpot
from lateralline.explain.exposure import nodes_of, tell_exposure
from lateralline.explain.finding import tell_finding
from lateralline.explain.fixed import tell_baseline, tell_control, tell_mark, tell_site
from lateralline.explain.in_short import about_stop
from lateralline.explain.line import tell_line, tell_run
from lateralline.explain.origin import stated
from lateralline.explain.segment import segments_at, tell_segments, touches
from lateralline.explain.stop import tell_stop
from lateralline.findings import subjects_in
from lateralline.record.rows import (
    CentrelineRow,
    ExposureRow,
    FindingRow,
    FixRow,
    MarkRow,
    NodeRow,
    ObservationRow,
    SegmentRow,
)
from lateralline.record.view import RecordView

NAMED: Final = (
    "stop", "mark", "node", "bend", "junction", "entry", "segment", "observation", "exposure",
    "line", "run", "control point", "point", "baseline", "finding",
)  # fmt: skip
#: Kinds whose names a person may say without the kind, in this order where one thing has several.
BARE: Final = (
    "stop", "node", "segment", "observation", "line", "run", "exposure", "control point", "mark",
)  # fmt: skip
CALLED: Final = {"bend": "node", "junction": "node", "entry": "node", "point": "control point"}


#: Where the sentences on what lies beside are from.
_BELOW: Final = ExplainedSource("the record, by the figures and tables of the same explanation")


@dataclass(frozen=True, slots=True)
class Meant:
    """What a name means: what tells of it alone, of which findings it is, what lies beside it."""

    kind: str
    named: str
    own: Callable[[ToldSpot], None]
    about: Callable[[FindingRow], bool]
    beside: Callable[[], Sequence[Meant]] = tuple


def tell(view: RecordView, meant: Meant, told: ToldSpot) -> None:
    """Tell what is meant and what lies beside it; of what a finding is about, that beside it too.

    Segments share their tables.
    """
    meant.own(told)
    beside = meant.beside()
    for other in beside:
        if meant.kind == "finding":
            own = ToldSpot()
            tell(view, other, own)
            about = f"What {other.kind} {other.named} rests on, in words"
            told.table(about, "", ("sentence",), [(text,) for text in own.said], _BELOW)
            told.figures += own.figures
            told.tables += own.tables
            told.findings += own.findings
        elif other.kind != "segment":
            other.own(told)
    if meant.kind != "finding":
        names = {other.named for other in beside if other.kind == "segment"}
        tell_segments(view, [s for s in view.rows(SegmentRow) if s.segment_id in names], told)


@lru_cache(maxsize=1)
def things(view: RecordView) -> dict[str, dict[str, Meant]]:
    """Return everything of a record that has a name, by its kind and its names."""
    of: dict[str, dict[str, Meant]] = {kind: {} for kind in (*BARE, "site")}

    def add(
        kind: str,
        named: str,
        own: Callable[[ToldSpot], None],
        *about: str,
        also: str = "",
        beside: Callable[[], Sequence[Meant]] = tuple,
    ) -> None:
        subjects = {f"{kind} {named}", *about}
        meant = Meant(kind, named, own, lambda row: row.subject in subjects, beside)
        of[kind].setdefault(named, meant)
        if also:
            of[kind].setdefault(also, meant)

    for fix in view.fixes:
        of["stop"][fix.name] = Meant(
            "stop", fix.name, partial(tell_stop, view, fix), partial(about_stop, fix.name),
            partial(_beside_stop, view, fix),
        )  # fmt: skip
    for n in view.rows(NodeRow):
        own = n.ref if n.ref not in of["stop"] and n.kind in ("entry", "exposure") else ""
        add("node", n.node_id, partial(tell_node, view, n), f"bend {n.node_id}", n.named, also=own,
            beside=partial(_beside_nodes, view, [n]))  # fmt: skip
    for s in view.rows(SegmentRow):
        add("segment", s.segment_id, partial(tell_segments, view, [s]))
    for seen in view.observations:
        add("observation", seen.observation_id, partial(tell_observation, view, seen),
            beside=partial(_beside_seen, view, seen))  # fmt: skip
    for line in view.rows(CentrelineRow):
        runs = {f"run {fix.run_id}" for fix in view.fixes if fix.line_id == line.line_id}
        add("line", line.line_id, partial(tell_line, view, line), *runs)
    for run in dict.fromkeys(fix.run_id for fix in view.fixes):
        add("run", run, partial(tell_run, view, run), beside=partial(_beside_run, view, run))
        entry = stated(view).get(f"run {run}: entry", "")
        if entry and not any(entry in of[kind] for kind in ("node", "line", "run")):
            of["run"][entry] = of["run"][run]  # nothing located it: all there is, is the run
    for out in view.rows(ExposureRow):
        of["node"].pop(out.exposure, None)  # the node is told with it
        add("exposure", out.exposure, partial(tell_exposure, view, out), f"entry {out.exposure}",
            beside=partial(_beside_nodes, view, nodes_of(view, out)))  # fmt: skip
    for point in view.control:
        add("control point", point.point, partial(tell_control, view, point))
    for mark in view.rows(MarkRow):
        both = f"{mark.run_id}/{mark.mark_id}"
        both = "" if both in of["stop"] else both
        add("mark", mark.mark_id, partial(tell_mark, view, mark), also=both,
            beside=partial(_stop_of, view, mark))  # fmt: skip
    of["site"]["site"] = Meant(
        "site", "site", partial(tell_site, view), lambda row: row.subject == "site"
    )
    return of


def place_on(view: RecordView, line: str, chainage_m: float, named: str) -> Meant:
    """Return a place on a located line."""
    return Meant(
        "place", named, partial(tell_place, view, line, chainage_m),
        lambda row: row.subject == f"line {line}",
        lambda: _segments(view, segments_at(view, line, chainage_m)),
    )  # fmt: skip


def baseline(view: RecordView, ref: str) -> Meant | None:
    """Return a baseline between two control points, as P1–P2."""
    named = ref[len("baseline ") :] if ref.lower().startswith("baseline ") else ref
    points = {row.point: row for row in view.control}
    for start, one in points.items():
        other = points.get(named.removeprefix(f"{start}–"))
        if other is not None and named.startswith(f"{start}–"):
            own = partial(tell_baseline, view, [one, other])
            return Meant("baseline", named, own, lambda row: row.subject == f"baseline {named}")
    return None


def finding_of(view: RecordView, row: FindingRow) -> Meant:
    """Return a finding; what it is about is told with it."""
    return Meant(
        "finding", f"{row.code} {row.subject}", partial(tell_finding, view, row),
        lambda other: False, partial(_of_finding, view, row),
    )  # fmt: skip


def by_case(of: dict[str, Meant], name: str) -> Meant | None:
    """Return what has a name, whatever its case where only one has it so."""
    if name in of:
        return of[name]
    alike = [meant for key, meant in of.items() if key.casefold() == name.casefold()]
    return alike[0] if len({meant.named for meant in alike}) == 1 else None


def _of_finding(view: RecordView, row: FindingRow) -> list[Meant]:
    """Return what a finding is about, then what else it speaks of, each once."""
    named = [row.subject, *subjects_in(row.also_about)]
    every = {(m.kind, m.named): m for subject in named for m in _subjects(view, subject)}
    return list(every.values())


def _subjects(view: RecordView, subject: str) -> list[Meant]:
    """Return the things that a subject of a finding names, those that the record knows."""
    kind, _, rest = subject.partition(" ")
    names = {
        "lines": [f"line {name}" for name in rest.split(", ")],
        "between": rest.split(" and "),
    }.get(kind, [subject])
    found = []
    for name in names:
        own = next((k for k in (*NAMED, "site") if name == k or name.startswith(f"{k} ")), "")
        if own == "site":
            found.append(things(view)["site"]["site"])
            continue
        meant = by_case(things(view).get(CALLED.get(own, own), {}), name[len(own) + 1 :])
        meant = meant or baseline(view, name) if own else None
        found += [meant] if meant is not None else []
    return found


# ---- what lies beside ------------------------------------------------------------------------


def _segments(view: RecordView, rows: Sequence[SegmentRow]) -> list[Meant]:
    return [things(view)["segment"][s.segment_id] for s in rows]


def _beside_stop(view: RecordView, fix: FixRow) -> list[Meant]:
    rows = view.rows(SegmentRow)
    return _segments(view, [s for s in rows if fix.name in (s.from_ref, s.to_ref)])


def _beside_nodes(view: RecordView, nodes: Sequence[NodeRow]) -> list[Meant]:
    rows = view.rows(SegmentRow)
    return _segments(view, [s for s in rows if any(touches(s, n) for n in nodes)])


def _beside_seen(view: RecordView, seen: ObservationRow) -> list[Meant]:
    return _segments(view, segments_at(view, seen.line_id, seen.chainage_m))


def _beside_run(view: RecordView, run: str) -> list[Meant]:
    lines = {fix.line_id for fix in view.fixes if fix.run_id == run}
    return [things(view)["line"][row.line_id] for row in view.centrelines if row.line_id in lines]


def _stop_of(view: RecordView, mark: MarkRow) -> list[Meant]:
    stop = things(view)["stop"].get(f"{mark.run_id}/{mark.stop_id}")
    return [] if stop is None else [stop]


def _about_stop(ref: str, row: FindingRow) -> bool:
    return ref in row.subject.split()
