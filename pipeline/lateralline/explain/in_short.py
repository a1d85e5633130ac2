"""A stop in short: what is claimed of it, on what that rests, and what of it is in doubt.

It leads what `explain` tells of a stop, on the terminal, on paper and on the page; all else that is
told follows, with the figures and sources behind each of these sentences.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from math import isfinite, isnan
from typing import Final

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.distributions import chi2
from lateralline.findings import message_of
from lateralline.record.rows import FindingRow, FixRow, MarkRow, NodeRow
from lateralline.record.view import RecordView

#: Times its expected error that one residual in a thousand is beyond, as the table of marks says.
LIMIT: Final = 3.29
_MOST_FINDINGS: Final = 4
_RANKS: Final = ("error", "warning", "info")


def in_short(view: RecordView, fix: FixRow, marks: Sequence[MarkRow]) -> list[str]:
    """Return the sentences that lead the explanation of a stop: a screen of them at most."""
    doubts = list(_doubts(view, fix, marks))
    if fix.geometry is None:
        because = fix.reason or "no position follows from its marks"
        return ["Claimed: nothing. This stop is not located.", f"In doubt: {because}.", *doubts]
    doubts = doubts or ["nothing that the record shows; what nobody gave stands under Assumed."]
    return [
        *_claims(view, fix),
        _grounds(view, fix, marks),
        f"In doubt: {doubts[0]}",
        *doubts[1:],
    ]


def about_stop(name: str, row: FindingRow) -> bool:
    """Whether a finding speaks of a stop."""
    return name in row.subject.split()


def _casts_doubt(row: FindingRow, fix: FixRow) -> bool:
    """Whether a finding is a warning or error of a stop, or an error of its line or its site."""
    of_stop = (row.run_id, row.stop_id) == (fix.run_id, fix.stop_id) or about_stop(fix.name, row)
    of_all = row.severity == "error" and not row.stop_id and row.line_id in ("", fix.line_id)
    return row.severity != "info" and (of_stop or of_all)


def _claims(view: RecordView, fix: FixRow) -> Iterator[str]:
    half = view.off_both(INTERVAL_95 * fix.transmitter_depth_sigma_m)
    yield (
        f"Claimed: the transmitter lay {view.taped_both(fix.transmitter_depth_m)} below the "
        f"ground, ± {half} (95 %), and may be off in plan by "
        f"{view.off_both(fix.ellipse_major_95_m)} (95 %, the long half axis)."
    )
    node = next((n for n in view.rows(NodeRow) if n.ref == fix.name and n.geometry), None)
    if node is None:
        yield "No line runs through this stop: nothing is claimed of the pipe."
        return
    said = [f"{view.word('distance along pipe')} {view.length_both(node.chainage_m)}"]
    if isfinite(node.invert_level_m):
        level = view.length_95(node.invert_level_m, node.invert_sigma_m)
        said.append(f"{view.word('invert')} {level} {view.unit}")
    if isfinite(node.cover_m):
        off = view.off_both(INTERVAL_95 * node.cover_sigma_m)
        said.append(f"cover {view.taped_both(node.cover_m)} ± {off}")
    yield f"Of the pipe there, by the whole of line {fix.line_id}: {', '.join(said)} (95 %)."


def _grounds(view: RecordView, fix: FixRow, marks: Sequence[MarkRow]) -> str:
    used = [m for m in marks if m.used]
    kinds = Counter(m.kind.replace("_", " ") for m in used)
    each = ", ".join(f"{n} {kind}{'s' * (n > 1)}" for kind, n in kinds.items())
    reading = (
        f" and a depth reading of {view.taped_both(fix.depth_reading_m)}"
        if isfinite(fix.depth_reading_m) else ""
    )  # fmt: skip
    checked = ": nothing checks this stop" if fix.dof == 0 else ""
    return (
        f"Rests on {len(used)} of {len(marks)} marks ({each or 'none'}){reading}; "
        f"{fix.dof:.0f} measurements are spare and check the others{checked}."
    )


def _doubts(view: RecordView, fix: FixRow, marks: Sequence[MarkRow]) -> Iterator[str]:
    """Yield what is in doubt, each in a sentence; none where nothing is."""
    if fix.geometry is not None and fix.reason:
        yield f"{fix.status.replace('_', ' ')}: {fix.reason}."
    if left := [m.mark_id for m in marks if not m.used and m.kind != "ground"]:
        yield f"not used: mark {', '.join(left)}."
    beyond = [m for m in marks if m.used and abs(m.std_residual) > LIMIT]
    if beyond:
        worst = max(beyond, key=lambda m: abs(m.std_residual))
        yield (
            f"mark {', '.join(m.mark_id for m in beyond)}: beyond what is expected of one, "
            f"{worst.mark_id} {abs(worst.std_residual):.1f} times (limit {LIMIT})."
        )
    if fix.dof > 0 and not isnan(fix.chi2):
        limit = float(chi2.isf(0.05, fix.dof))
        if fix.chi2 > limit:
            yield (
                "marks and reading fit worse than those of 95 of 100 such stops: "
                f"χ² {fix.chi2:.2f}, limit {limit:.2f}."
            )
    found = [row for row in view.rows(FindingRow) if _casts_doubt(row, fix)]
    found.sort(key=lambda r: (bool(r.accepted), _RANKS.index(r.severity)))
    for row in found[:_MOST_FINDINGS]:
        severity = f"accepted {row.severity}" if row.accepted else row.severity
        yield f"{severity}: {view.prose(message_of(row.what, row.by_how_much))}"
    if len(found) > _MOST_FINDINGS:
        yield f"and {len(found) - _MOST_FINDINGS} findings more, below."
