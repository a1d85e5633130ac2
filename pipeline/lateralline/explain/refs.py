"""What a name means in a record, and the explanation of what it names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from lateralline.errors import UnknownSpotError
from lateralline.explain.along import PRINTED_M
from lateralline.explain.content import Explanation, ToldSpot
from lateralline.explain.origin import assumed_in, identity, tell_changed, tell_origin, text_of
from lateralline.explain.things import (
    BARE,
    CALLED,
    NAMED,
    Meant,
    baseline,
    by_case,
    finding_of,
    place_on,
    tell,
    things,
)
from lateralline.record.rows import FindingRow
from lateralline.record.view import RecordView, read_record
from lateralline.wording import plain

#: A place on a line: its name, and how far along it with the unit.
_PLACE: Final = re.compile(r"(.+)@\s*(.*\d.*)")


def explain(gpkg: Path, ref: str, site_id: str = "") -> Explanation:
    """Return what one spot or finding of a built record rests on, by the record alone.

    `ref` is a stop (R1/4), mark (3B, R1/3B), node (L1/bend-1, CO1), segment (L1/segment-3),
    observation (R1/O2), line (L1), run (R1), control point (P1), baseline (P1–P2), the "site", a
    place on a line (L1@13.97m, L1@45.83ft), or a finding by its cause or as "code subject"; a kind
    before the name says which is meant where several have it. Names are found whatever their case.
    Raises UnknownSiteError, UnknownSpotError with the nearest names there are, UnreadableError.
    """
    view = read_record(gpkg, site_id)
    meant = _meant(view, ref.strip())
    kind, named = meant.kind, meant.named
    told = ToldSpot()
    tell(view, meant, told)
    told.figures = list(dict.fromkeys(told.figures))
    told.tables = list(dict.fromkeys(told.tables))
    told.findings += [
        text_of(view, row)
        for row in view.rows(FindingRow)
        if meant.about(row) and kind != "finding"
    ]
    tell_origin(view, told)
    record = identity(view)
    tell_changed(record, told)
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


def _meant(view: RecordView, ref: str) -> Meant:
    """Return what a name means."""
    known = things(view)
    if ref.lower() in ("site", f"site {view.site_id}".lower()):
        return known["site"]["site"]
    for kind in NAMED:
        if ref.lower().startswith(f"{kind} "):
            rest = ref[len(kind) + 1 :].strip()
            own = CALLED.get(kind, kind)
            found = by_case(known.get(own, {}), rest) if kind != "finding" else None
            return found or _meant(view, rest)
    named = [t for kind in BARE if (t := known[kind].get(ref)) is not None]
    named = named or [t for kind in BARE if (t := by_case(known[kind], ref)) is not None]
    if len(named) > 1:
        each = ", ".join(f'"{t.kind} {t.named}"' for t in named)
        raise UnknownSpotError(f"{ref} names several things. In its place, say one: {each}")
    if named:
        return named[0]
    return baseline(view, ref) or _place(view, ref) or _finding(view, ref) or _unknown(view, ref)


def _place(view: RecordView, ref: str) -> Meant | None:
    """Return a place on a line, given as L1@13.97m."""
    found = _PLACE.fullmatch(ref)
    meant = by_case(things(view)["line"], found[1].strip()) if found else None
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
    if not -PRINTED_M <= along_m <= line.length_m + PRINTED_M:
        longest = view.length_both(line.length_m)
        raise UnknownSpotError(
            f"{ref}: line {line.line_id} is located from 0 to {longest} along the pipe"
        )
    at_m = min(max(along_m, 0.0), line.length_m)
    return place_on(view, line.line_id, at_m, f"{line.line_id}@{found[2].strip()}")


def _finding(view: RecordView, ref: str) -> Meant | None:
    """Return a finding by its cause, or by code and subject."""
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
    return finding_of(view, found[0]) if found else None


def _briefly(row: FindingRow, others: Sequence[FindingRow]) -> str:
    """Return what tells a finding from others, in few words."""
    alike = sum(other.subject == row.subject for other in others) > 1
    return f"{row.subject}: {plain(row.what)}" if alike else row.subject


def _unknown(view: RecordView, ref: str) -> Meant:
    known = [name for kind in BARE for name in things(view)[kind]]
    known += [row.cause for row in view.rows(FindingRow)]
    near = get_close_matches(ref, known, 6, 0.5) or known[:8]
    raise UnknownSpotError(
        f"site {view.site_id} holds no {ref!r}; say a stop, mark, node, segment, observation, "
        "exposure, line, run or control point, a place as L1@12.4m, or the cause of a finding: "
        f"{', '.join(near)}"
    )
