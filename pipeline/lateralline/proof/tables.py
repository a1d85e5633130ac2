"""What was proven, as Markdown: read on a terminal, pasted into a page, the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from lateralline.proof.coverage import BAND, WORST_RATIO, Coverage
from lateralline.proof.lines import Statistic
from lateralline.proof.speed import LOOPED, Speed
from lateralline.proof.world import CaseResult


def markdown(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table with its first column left-aligned and the others right-aligned.

    >>> print(markdown(("stop", "depth m"), [("R1/1", "1.20")]))
    | stop | depth m |
    | :--- | ------: |
    | R1/1 |    1.20 |
    """
    lines = [tuple(header), *(tuple(r) for r in rows)]
    widths = [max(4, *(len(line[i]) for line in lines)) for i in range(len(header))]

    def row(cells: Sequence[str]) -> str:
        padded = [cells[0].ljust(widths[0])]
        padded += [c.rjust(w) for c, w in zip(cells[1:], widths[1:], strict=True)]
        return "| " + " | ".join(padded) + " |"

    rule = [":" + "-" * (widths[0] - 1), *("-" * (w - 1) + ":" for w in widths[1:])]
    return "\n".join([row(lines[0]), row(rule), *map(row, lines[1:])])


def _share(value: float) -> str:
    return f"{100.0 * value:.1f} %" if value == value else "–"


def coverage_table(outcomes: Iterable[Coverage]) -> str:
    """Return how often 95 % regions hold the truth, and RMS error over the Cramér–Rao bound."""
    header = ("scenario", "stops", "plan", "depth", "along", "across", "level", "unsolved")
    rows = (
        (o.name, f"{o.stops:,}", _share(o.plan_coverage), _share(o.depth_coverage),
         *(f"{r:.3f}" for r in o.ratio), f"{100.0 * o.lost:.2f} %")
        for o in outcomes
    )  # fmt: skip
    return markdown(header, rows)


def bounds() -> str:
    """Return in words the bounds of the coverage table."""
    low, high = BAND
    return (
        f"plan, depth: share of 95 % regions that hold the truth, {_share(low)} to {_share(high)}; "
        f"along, across, level: RMS error over the Cramér–Rao bound, at most {WORST_RATIO}"
    )


def hand_table(outcomes: Iterable[Coverage]) -> str:
    """Return RMS errors of the rule of hand beside the adjusted ones, in metres."""
    header = ("scenario", "along", "by hand", "across", "by hand", "depth", "by hand")
    pairs = ((o.name, zip(o.rms_m, o.hand_rms_m, strict=True)) for o in outcomes)
    return markdown(
        header, ((name, *(f"{v:.3f} m" for two in of for v in two)) for name, of in pairs)
    )


def wrong_table(outcomes: Iterable[Coverage]) -> str:
    """Return what a wrong prior does to coverage, and how lines of ten stops give it away."""
    header = ("told and true", "plan", "depth", "χ²/dof", "10 stops rejected", "100 stops rejected")
    rows = (
        (o.name, _share(o.plan_coverage), _share(o.depth_coverage), f"{o.mean_chi2_per_dof:.2f}",
         _share(o.lines_rejected), _share(o.batches_rejected))
        for o in outcomes
    )  # fmt: skip
    return markdown(header, rows)


def lines_table(rows: Iterable[Statistic]) -> str:
    """Return what lines come to, each value beside its bound."""
    header = ("lines", "measure", "cases", "value", "bound", "")
    cells = (
        (m.group, m.what, f"{m.cases:,}", _value(m.value, m.unit), _bound(m), _verdict(m))
        for m in rows
    )
    return markdown(header, cells)


def world_table(results: Iterable[CaseResult]) -> str:
    """Return what each case comes to: shares that hold, how far off the worst is, and the cost."""
    header = (
        "case", "lines", "corridor", "worst out", "length in", "half width", "90th",
        "plan", "depth", "adjusted", "ends", "band", "worst off", "seen", "grade", "grades",
        "false falls", "false errors", "> 5 cm", "silent", "no misfit",
    )  # fmt: skip
    rows = (
        (r.case.name, f"{len(r.scores):,}", _share(r.corridor), f"{r.worst_outside_m:.2f} m",
         _share(float(np.mean([s.inside for s in r.scores]))),
         f"{r.half_width_m(50):.3f} m", f"{r.half_width_m(90):.3f} m",
         _share(r.share(lambda s: s.plan)), _share(r.share(lambda s: s.depth)),
         _share(r.share(lambda s: s.adjusted)), _share(r.share(lambda s: s.ends)),
         _share(r.share(lambda s: s.band)), f"{r.worst_band_m:.2f} m",
         _share(r.share(lambda s: s.observations)), _share(r.share(lambda s: s.gradient)),
         _share(r.share(lambda s: s.grades)), _share(r.share(lambda s: [s.false_fall])),
         _share(r.false_errors), f"{len(r.missed)}", _share(r.silent), _share(r.no_misfit))
        for r in results
    )  # fmt: skip
    return markdown(header, rows)


def said_table(results: Iterable[CaseResult]) -> str:
    """Return which codes the lines of each case raise, by how many of a hundred lines."""
    return markdown(
        ("case", "false errors", "warnings and errors, of a hundred lines"),
        ((r.case.name, _false(r), _said(r)) for r in results),
    )


def _false(r: CaseResult) -> str:
    codes = Counter(code for s in r.scores for code in set(s.false_errors))
    return ", ".join(f"{code} {n}" for code, n in _commonest(codes)) or "none"


def _said(r: CaseResult) -> str:
    codes = Counter(code for s in r.scores for code in s.said)
    return ", ".join(f"{code} {100 * n / len(r.scores):.0f}" for code, n in _commonest(codes)[:8])


def _commonest(codes: Counter[str]) -> list[tuple[str, int]]:
    """Return codes and how often each stands, the most frequent first, then by name."""
    return sorted(codes.items(), key=lambda c: (-c[1], c[0]))


def _value(value: float, unit: str) -> str:
    if value != value:
        return "no case"
    return {"share": _share(value), "m": f"{value:.3f} m", "ratio": f"{value:.2f}"}[unit]


def _bound(m: Statistic) -> str:
    if not m.bounded:
        return ""
    if m.least == m.least and m.most == m.most:
        return f"{_value(m.least, m.unit)} to {_value(m.most, m.unit)}"
    return f"≥ {_value(m.least, m.unit)}" if m.least == m.least else f"≤ {_value(m.most, m.unit)}"


def _verdict(m: Statistic) -> str:
    return "" if not m.bounded else "missed" if m.missed else "holds"


def speed_table(speeds: Iterable[Speed]) -> str:
    """Return stops per second side by side with the loop."""
    loop = f"loop per s ({LOOPED} stops)"
    header = ("stops", "threads", "batched per s", loop, "ratio", "peak memory", "apart")
    rows = (
        (f"{s.stops:,}", f"{s.threads}", f"{s.batched_per_s:,.0f}", f"{s.looped_per_s:,.0f}",
         f"{s.ratio:.0f} ×", f"{s.peak_memory_mb:.0f} MB", f"{s.apart_sigmas:.4f} σ")
        for s in speeds
    )  # fmt: skip
    return markdown(header, rows)
