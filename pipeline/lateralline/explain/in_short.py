"""A stop, a line, a finding in short: what is claimed, on what that rests, and what is in doubt.

It leads what `explain` tells of one, on the terminal, on paper and on the page; all else that is
told follows, with the figures and sources behind each of these sentences.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from math import isfinite, isnan
from typing import Final

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.distributions import chi2
from lateralline.explain.found import FoundBy
from lateralline.explain.origin import text_of
from lateralline.findings import message_of
from lateralline.record.rows import (
    CentrelineRow,
    FindingRow,
    FixRow,
    MarkRow,
    NodeRow,
    SegmentRow,
)
from lateralline.record.view import RecordView
from lateralline.wording import counted

#: Times its expected error that one residual in a thousand is beyond, as the table of marks says.
LIMIT: Final = 3.29
_NO_DOUBT: Final = "nothing that the record shows; what nobody gave stands under Assumed."
_MOST_FINDINGS: Final = 4
_MOST: Final = 4  # figures of a finding that are told first
_RANKS: Final = ("error", "warning", "info")


def in_short(view: RecordView, fix: FixRow, marks: Sequence[MarkRow]) -> list[str]:
    """Return the sentences that lead the explanation of a stop: a screen of them at most."""
    doubts = list(_doubts(view, fix, marks))
    if fix.geometry is None:
        because = fix.reason or "no position follows from its marks"
        claim = "Claimed: nothing. This stop is not located."
        return [claim, *_in_doubt([f"{because}.", *doubts])]
    return [*_claims(view, fix), _grounds(view, fix, marks), *_in_doubt(doubts)]


def line_in_short(view: RecordView, line: CentrelineRow) -> list[str]:
    """Return the sentences that lead the explanation of a line."""
    stops = [fix for fix in view.fixes if fix.line_id == line.line_id]
    segments = view.rows(SegmentRow, line.line_id)
    pipe = " ".join(filter(None, (line.material, line.nominal)))
    least_m = view.least_cover_95_m(line.line_id)
    bounds = (
        (f"{view.word('position ±')} at most", view.off_both, line.position_95_max_m),
        (f"{view.word('level ±')} at most", view.off_both, INTERVAL_95 * line.invert_sigma_max_m),
        ("cover at least", view.taped_both, least_m),
    )
    told = [f"{what} {written(value_m)}" for what, written, value_m in bounds if isfinite(value_m)]
    unshown = [s.segment_id for s in segments if s.shape == "undecided"]
    doubts = [f"the shape of segment {', '.join(unshown)} is not shown."] if unshown else []
    lost = [fix.name for fix in stops if fix.geometry is None]
    doubts += [f"stop {', '.join(lost)} is not located."] if lost else []
    doubts += _of_findings(view, lambda row: _bears_on(row, line.line_id))
    bounded = f"; {', '.join(told)} (95 %, where worst)" if told else "; nothing bounds its errors"
    return [
        f"Claimed: line {line.line_id}{f', {pipe},' * bool(pipe)} is located over "
        f"{view.length_both(line.length_m)}{bounded}.",
        f"Rests on {len(stops) - len(lost)} of {counted(len(stops), 'stop')}; run {line.run_ids}.",
        *_in_doubt(doubts),
    ]


def finding_in_short(view: RecordView, found: FoundBy, cannot: Sequence[str]) -> list[str]:
    """Return the sentences that lead the explanation of a finding.

    `cannot` are those on what of its test cannot be worked again from the record alone.
    """
    row = found.row
    numbers = [name for name in found.values if isfinite(found.number(name))]
    each = [f"{found.meaning(name).means} {_figure(view, found, name)}" for name in numbers[:_MOST]]
    each += [f"{len(numbers) - _MOST} more, below"] * (len(numbers) > _MOST)
    kept = f"Rests on {counted(len(numbers), 'figure')} kept with it: {'; '.join(each)}."
    return [
        f"Claimed: {text_of(view, row)}",
        kept if numbers else "Rests on no figures.",
        *_in_doubt(cannot),
    ]


def _figure(view: RecordView, found: FoundBy, name: str) -> str:
    value, unit = found.number(name), found.unit(name)
    if unit == "m":
        return view.length_both(value)
    return f"{value:.4g}{'' if unit == '°' else ' '}{unit}".rstrip()


def _in_doubt(doubts: Sequence[str]) -> list[str]:
    """Return doubts as sentences that follow one another; where there are none, that."""
    first, *others = doubts or (_NO_DOUBT,)
    return [f"In doubt: {first}", *(text[:1].upper() + text[1:] for text in others)]


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
    yield from _of_findings(view, lambda row: _casts_doubt(row, fix))


def _bears_on(row: FindingRow, line: str) -> bool:
    """Whether a finding is a warning or error of a line as a whole, or an error of its site."""
    of_line = row.line_id == line and not row.stop_id
    return (of_line and row.severity != "info") or (not row.line_id and row.severity == "error")


def _of_findings(view: RecordView, which: Callable[[FindingRow], bool]) -> Iterator[str]:
    """Yield the findings that cast doubt, the gravest first, and how many there are more."""
    found = [row for row in view.rows(FindingRow) if which(row)]
    found.sort(key=lambda r: (bool(r.accepted), _RANKS.index(r.severity)))
    for row in found[:_MOST_FINDINGS]:
        severity = f"accepted {row.severity}" if row.accepted else row.severity
        yield f"{severity}: {view.prose(message_of(row.what, row.by_how_much))}"
    if len(found) > _MOST_FINDINGS:
        yield f"and {len(found) - _MOST_FINDINGS} findings more, below."
