"""What a name means in a record, and the explanation of what it names."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Final

from lateralline.errors import UnknownSpotError
from lateralline.explain.along import tell_node, tell_observation, tell_place
from lateralline.explain.content import CHANGED, Explanation, ToldSpot
from lateralline.explain.origin import assumed_in, identity, tell_origin, text_of
from lateralline.explain.segment import tell_segments
from lateralline.explain.stop import tell_stop
from lateralline.record.rows import FindingRow, FixRow, NodeRow, SegmentRow
from lateralline.record.view import RecordView, read_record
from lateralline.wording import plain

#: A place on a line: its name, and how far along it with the unit.
_PLACE: Final = re.compile(r"(.+)@\s*(.*\d.*)")
_NAMED: Final = ("stop", "node", "segment", "observation", "finding", "bend")


def explain(gpkg: Path, ref: str, site_id: str = "") -> Explanation:
    """Return what one spot or finding of a built record rests on, by the record alone.

    `ref` is a stop (R1/4), a node (L1/bend-1), a segment (L1/segment-3), an observation (R1/O2), a
    place on a line (L1@13.97m, L1@45.83ft), or a finding by its cause or as "code subject".
    Raises UnknownSiteError, UnknownSpotError with the nearest names there are, UnreadableError.
    """
    view = read_record(gpkg, site_id)
    kind, named, tell, about = _meant(view, ref.strip())
    told = ToldSpot()
    tell(told)
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


def explain_stops(view: RecordView) -> list[tuple[str, ToldSpot]]:
    """Return what each stop rests on by its own marks, in the order of the layer, by its name."""
    told = [(fix, ToldSpot()) for fix in view.fixes]
    for fix, of_stop in told:
        tell_stop(view, fix, of_stop)
    return [(fix.name, of_stop) for fix, of_stop in told]


#: Kind, name, what tells of it, and which findings are about it.
Meant = tuple[str, str, Callable[[ToldSpot], None], Callable[[FindingRow], bool]]


def _meant(view: RecordView, ref: str) -> Meant:
    """Return what a name means; the first kind that has it."""
    first, _, rest = ref.partition(" ")
    if first in _NAMED and rest:
        return _meant(view, rest.strip())
    if (fix := {fix.name: fix for fix in view.fixes}.get(ref)) is not None:
        return "stop", ref, partial(_tell_stop, view, fix), partial(_about_stop, ref)
    if (node := {n.node_id: n for n in view.rows(NodeRow)}.get(ref)) is not None:
        called = {f"node {ref}", f"bend {ref}", node.named}
        return "node", ref, partial(tell_node, view, node), lambda row: row.subject in called
    if (segment := {s.segment_id: s for s in view.rows(SegmentRow)}.get(ref)) is not None:
        alone = partial(tell_segments, view, [segment])
        return "segment", ref, alone, lambda row: row.subject == f"segment {ref}"
    if (seen := {o.observation_id: o for o in view.observations}.get(ref)) is not None:
        subject = f"observation {ref}"
        tell = partial(tell_observation, view, seen)
        return "observation", ref, tell, lambda row: row.subject == subject
    return _place(view, ref) or _finding(view, ref) or _unknown(view, ref)


def _tell_stop(view: RecordView, fix: FixRow, told: ToldSpot) -> None:
    """Tell a stop, and the pipe on both sides of it."""
    tell_stop(view, fix, told)
    beside = [s for s in view.rows(SegmentRow) if fix.name in (s.from_ref, s.to_ref)]
    tell_segments(view, beside, told)


def _about_stop(ref: str, row: FindingRow) -> bool:
    return ref in row.subject.split()


def _place(view: RecordView, ref: str) -> Meant | None:
    """Return a place on a line, given as L1@13.97m."""
    found = _PLACE.fullmatch(ref)
    line = next(
        (row for row in view.centrelines if found and row.line_id == found[1].strip()), None
    )
    if found is None or line is None:
        return None
    if found[2].strip()[-1:].isdigit():
        raise UnknownSpotError(f"{ref}: the length must carry its unit, as {line.line_id}@12.4m")
    try:
        along_m = view.measure.read(found[2])
    except ValueError as e:
        raise UnknownSpotError(f"{ref}: {e}") from None
    if not 0.0 <= along_m <= line.length_m:
        longest = view.length_both(line.length_m)
        raise UnknownSpotError(f"{ref}: line {line.line_id} is located over {longest}")
    return (
        "place", ref, lambda told: tell_place(view, line.line_id, along_m, told),
        lambda row: row.subject == f"line {line.line_id}",
    )  # fmt: skip


def _finding(view: RecordView, ref: str) -> Meant | None:
    """Return a finding by its cause, or by code and subject; its stop is told with it."""
    rows = view.rows(FindingRow)
    found = [r for r in rows if ref.lower() == r.cause or ref in (r.code, f"{r.code} {r.subject}")]
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
    stop = row.subject.removeprefix("stop ")

    def tell(told: ToldSpot) -> None:
        told.said.append(text_of(view, row))
        told.said.append(f"Code {row.code}{f'/{row.variant}' if row.variant else ''}: {row.title}.")
        if row.source_row:
            told.said.append(f"It comes from {row.source_row}.")
        for fix in view.fixes:
            if fix.name == stop:
                tell_stop(view, fix, told)

    return "finding", f"{row.code} {row.subject}", tell, lambda other: False


def _briefly(row: FindingRow, others: Sequence[FindingRow]) -> str:
    """Return what tells a finding from others, in few words."""
    alike = sum(other.subject == row.subject for other in others) > 1
    return f"{row.subject}: {plain(row.what)}" if alike else row.subject


def _unknown(view: RecordView, ref: str) -> Meant:
    known = [
        *(fix.name for fix in view.fixes),
        *(node.node_id for node in view.rows(NodeRow)),
        *(s.segment_id for s in view.rows(SegmentRow)),
        *(o.observation_id for o in view.observations),
        *(row.cause for row in view.rows(FindingRow)),
    ]
    near = get_close_matches(ref, known, 6, 0.5) or known[:8]
    raise UnknownSpotError(
        f"site {view.site_id} holds no {ref!r}; say a stop, node, segment, observation, a place as "
        f"L1@12.4m, or the cause of a finding: {', '.join(near)}"
    )
