"""A finding: the figures it rests on, what they are held against, and which of the record agree."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from math import isfinite, nan, sqrt
from typing import Final

from lateralline.catalogue import Meaning
from lateralline.derive.ellipses import ELLIPSE_95
from lateralline.distributions import chi2
from lateralline.explain.content import (
    ExplainedFigure,
    ExplainedSource,
    ToldSpot,
    formula,
    half_95,
    held,
    put,
)
from lateralline.explain.fixed import length_between
from lateralline.explain.found import FoundBy, found_by
from lateralline.explain.in_short import finding_in_short
from lateralline.explain.origin import setting
from lateralline.explain.statistic import beyond_the_record, statistic_figures
from lateralline.findings import subjects_in
from lateralline.record.rows import (
    BandRow,
    CentrelineRow,
    FallRow,
    FindingRow,
    FixRow,
    MarkRow,
    NodeRow,
    SegmentRow,
)
from lateralline.record.view import RecordView
from lateralline.wording import counted

#: What the ± of a σ is of, by the name of the σ.
_OF_SIGMA: Final = {
    "sigma_m": "how far off",
    "sigma_deg": "the direction",
    "sigma_percent": "the share",
    "level_sigma_m": "how far off in level",
    "off_sigma_m": "how far off",
    "gap_sigma_m": "the gap",
    "below_sigma_m": "how far below",
}
#: A limit that is kept as a rounded number in the code is the exact one to this.
_ROUNDED: Final = 1e-4
#: Where two figures of one place lie along a line, to be the same place.
_SAME_PLACE_M: Final = 1e-6


def tell_finding(view: RecordView, row: FindingRow, told: ToldSpot) -> None:
    """Tell a finding, the figures it rests on, and what they were held against."""
    found = found_by(row)
    told.said += finding_in_short(view, found, list(beyond_the_record(found)))
    told.said.append(f"Code {row.code}{f'/{row.variant}' if row.variant else ''}: {row.title}.")
    if row.source_row:
        told.said.append(f"It comes from {row.source_row}.")
    if also := subjects_in(row.also_about):
        told.said.append(f"It speaks of {', '.join(also)} too.")
    if found.form is not None:
        told.said.append(
            f"By what criterion it is found stands in the docstrings of the package "
            f"lateralline.{found.form.explained}."
        )
    numbers = [name for name in found.values if isfinite(found.number(name))]
    told.table(
        "What it was found by",
        "as the finding keeps them, unrounded there; limits and tests below",
        ("what", "value", "unit", "called"),
        [
            (
                found.meaning(name).means,
                f"{found.number(name):.7g}",
                found.unit(name),
                name,
            )
            for name in numbers
        ],
        found.source(),
        *(
            ExplainedSource(source)
            for source in dict.fromkeys(found.meaning(name).source for name in numbers)
            if source
        ),
    )
    told.figures += [*_reckoned(found), *_limits(found), *_of_record(view, found)]
    told.figures += statistic_figures(view, found)


def _reckoned(found: FoundBy) -> Iterator[ExplainedFigure]:
    """Yield what follows from other figures of the finding: the misfit, and each ±."""
    squares, dof = found.number("chi2"), found.number("dof")
    if "misfit_ratio" in found.values and squares >= 0.0 and dof > 0.0:
        yield ExplainedFigure(
            "misfit",
            sqrt(squares / dof),
            "1",
            "√(χ² / spare measurements); 1 on average where all accuracies are true",
            f"√({put(squares)} / {dof:.0f})",
            (formula("chi2"), found.source("chi2", "dof")),
            found.number("misfit_ratio"),
        )
    for name, of in _OF_SIGMA.items():
        if isfinite(sigma := found.number(name)):
            yield half_95(f"± (95 %) of {of}", sigma, found.source(name), unit=found.unit(name))


def _limits(found: FoundBy) -> Iterator[ExplainedFigure]:
    """Yield each limit, where it follows from a distribution, and how far beyond it one is."""
    for name in found.values:
        limit, means = found.number(name), found.meaning(name)
        if not (means.against and isfinite(limit)):
            continue
        if means.alpha is not None and not means.together:
            yield _limit(found, name, means, means.alpha)
        for spec in means.against:
            one, _, other = spec.partition(" / ")
            over = found.number(other) if other else 1.0
            value = found.number(one) / over if over else nan
            if isfinite(value):
                yield _beyond(found, (name, limit, means), (one, other, value))
                break


def _limit(found: FoundBy, name: str, means: Meaning, alpha: float) -> ExplainedFigure:
    """Return a limit from its distribution."""
    root = means.freedoms == "w"
    told = found.number(means.freedoms)
    freedoms = 1.0 if root else told if isfinite(told) else float(means.freedoms)
    square = float(chi2.isf(alpha, freedoms))
    of = f"what χ² with {counted(int(freedoms), 'freedom')} exceeds by a chance of {alpha:g}"
    return ExplainedFigure(
        means.means,
        sqrt(square) if root else square,
        "1",
        f"√ of {of}" if root else of,
        "",
        (formula("chi2"), found.source(name)),
        found.number(name),
        within=_ROUNDED,
    )


def _beyond(
    found: FoundBy, bound: tuple[str, float, Meaning], held_against: tuple[str, str, float]
) -> ExplainedFigure:
    """Return by how much a figure is beyond its limit."""
    name, limit, means = bound
    one, other, value = held_against
    sign = -1.0 if means.least else 1.0
    unit = "1" if other else found.unit(name)
    short = found.meaning(one).means.partition(":")[0]
    own = f"{put(found.number(one))} / {put(found.number(other))}" if other else put(value)
    words = (f"({short} / its standard deviation)" if other else short, "limit")
    first, second = reversed(words) if means.least else words
    beyond = sign * (value - limit)
    side = "below" if means.least else "above"
    return ExplainedFigure(
        f"by how much it is {side} the limit" if beyond >= 0.0
        else "how far it stays within the limit (negative: within)",
        beyond,
        unit,
        f"{first} − {second}",
        f"{put(limit)} − {own}" if means.least else f"{own} − {put(limit)}",
        (formula("definition"), found.source(*filter(None, (one, other, name)))),
    )  # fmt: skip


# ---- figures that are in the record too ------------------------------------------------------


def _of_record(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    """Yield the figures of a finding that follow from layers of the record, held against them."""
    tell = _FOLLOWS.get(found.row.code)
    if tell is not None:
        yield from (f for f in tell(view, found) if isfinite(f.value) and isfinite(f.in_record))


def _same(
    found: FoundBy, name: str, value: float, layer: str, row: str, column: str, words: str = ""
) -> ExplainedFigure:
    """Return a figure of a finding as a column of the record has it."""
    return ExplainedFigure(
        found.meaning(name).means.partition(":")[0],
        value,
        found.unit(name),
        words or f"{column} of {row}",
        "",
        (formula("definition"), held(layer, row, column), found.source(name)),
        found.number(name),
    )


def _stop_of(view: RecordView, found: FoundBy) -> FixRow | None:
    kind, _, name = found.row.subject.partition(" ")
    return next((f for f in view.fixes if kind == "stop" and f.name == name), None)


def _mark_blunder(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    fix = _stop_of(view, found)
    if fix is None:
        return
    if found.row.variant == "all":
        for name in ("chi2", "dof"):
            value = getattr(fix, name)
            yield _same(found, name, value, "transmitter_fixes", fix.name, name)
    tested = [
        m for m in view.rows(MarkRow)
        if (m.run_id, m.stop_id) == (fix.run_id, fix.stop_id) and m.used
        and isfinite(m.std_residual)
    ]  # fmt: skip
    if "w" not in found.values or not tested:
        return
    worst = max(tested, key=lambda m: m.std_residual)
    among = f"the greatest among {', '.join(m.mark_id for m in tested)}: mark {worst.mark_id}"
    row = f"mark {worst.mark_id}"
    yield _same(found, "w", worst.std_residual, "field_marks", row, "std_residual", among)
    at = f"of the mark whose w is greatest: {worst.mark_id}"
    yield _same(found, "off_m", worst.residual_m, "field_marks", row, "residual_m", at)


def _tie_misfit(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    kind, _, name = found.row.subject.partition(" ")
    for mark in view.rows(MarkRow):
        if kind == "mark" and mark.mark_id == name:
            yield _same(found, "chi2", mark.tie_chi2, "field_marks", found.row.subject, "tie_chi2")
            yield _same(found, "spare", mark.tie_dof, "field_marks", found.row.subject, "tie_dof")


def _misfit(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    for line in view.centrelines:
        if found.row.subject == f"line {line.line_id}":
            for name in ("chi2", "dof"):
                value = getattr(line, name)
                yield _same(found, name, value, "pipe_centreline", line.line_id, name)


def _gradient(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    kind, _, name = found.row.subject.partition(" ")
    of: FallRow | None = None
    if kind == "line":
        of = next((r for r in view.rows(CentrelineRow) if r.line_id == name), None)
    elif kind == "segment":
        of = next((r for r in view.rows(SegmentRow) if r.segment_id == name), None)
    if of is None:
        return
    for own, column in (("gradient_percent", "gradient"), ("sigma_percent", "gradient_sigma")):
        share = getattr(of, column)
        yield ExplainedFigure(
            found.meaning(own).means.partition(";")[0],
            100.0 * share,
            "%",
            f"100 × {column} of {found.row.subject}",
            f"100 × {put(share, 8)}",
            (formula("definition"), held(of.layer, name, column), found.source(own)),
            found.number(own),
        )


def _low_point(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    for line in view.centrelines:
        if found.row.subject == f"line {line.line_id}":
            value = line.low_point_depth_m
            yield _same(
                found, "depth_m", value, "pipe_centreline", line.line_id, "low_point_depth_m"
            )


def _cover(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    line = found.row.subject.removeprefix("line ")
    for at in view.rows(BandRow, line):
        if abs(at.chainage_m - found.number("at_m")) < _SAME_PLACE_M:
            row = f"{line} at {at.chainage_m:.2f} m"
            yield _same(found, "cover_m", at.cover_m, "level_band", row, "cover_m")
            yield _same(found, "sigma_m", at.cover_sigma_m, "level_band", row, "cover_sigma_m")
            return


def _advice(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    line = found.row.subject.removeprefix("line ")
    for node in view.rows(NodeRow, line):
        if abs(node.chainage_m - found.number("plan_at_m")) < _SAME_PLACE_M:
            row = node.node_id
            yield _same(found, "plan_95_m", node.position_95_m, "pipe_nodes", row, "position_95_m")
            return


def _entry(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    run = found.row.subject.removeprefix("run ")
    lag = setting(view, f"run {run}: transmitter lag", 0.0)
    entry = setting(view, f"run {run}: counter at entry", 0.0)
    away = [
        (abs(fix.counter_m - lag - entry), fix)
        for fix in view.fixes
        if fix.run_id == run and isfinite(fix.counter_m) and isfinite(fix.chainage_m)
    ]
    if away:
        counted, fix = min(away, key=lambda each: each[0])
        yield ExplainedFigure(
            found.meaning("counted_m").means,
            counted,
            "m",
            "|counter of the nearest located stop − transmitter's lag − counter at the entry|",
            f"|{put(fix.counter_m)} − {put(lag)} − {put(entry)}|",
            (
                formula("definition"),
                held("transmitter_fixes", fix.name, "counter_m"),
                held("lineage", f"run {run}", "transmitter lag, counter at entry"),
                found.source("counted_m"),
            ),
            found.number("counted_m"),
        )


def _grid_scale(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    scale, of = setting(view, "combined scale"), found.number("of_m")
    yield ExplainedFigure(
        found.meaning("off_m").means,
        abs(scale - 1.0) * of,
        "m",
        "|combined scale − 1| × the length spoken of",
        f"|{put(scale, 9)} − 1| × {put(of)}",
        (formula("definition"), held("lineage", "combined scale", "value"), found.source("of_m")),
        found.number("off_m"),
    )


def _datum(_view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    accuracy = found.number("accuracy_m")
    yield ExplainedFigure(
        found.meaning("shift_95_m").means.partition(",")[0],
        ELLIPSE_95 * accuracy,
        "m",
        "2.4477 × the accuracy of the operation",
        f"2.447747 × {put(accuracy)}",
        (formula("normal"), found.source("accuracy_m")),
        found.number("shift_95_m"),
    )


def _baseline(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    ends = found.row.subject.removeprefix("baseline ")
    at = {c.point: c for c in view.control}
    for start, one in at.items():
        other = at.get(ends.removeprefix(f"{start}–"))
        if other is None or not ends.startswith(f"{start}–"):
            continue
        what, sloped = found.meaning("length_m").means, found.row.variant == "slope"
        if (length := length_between(one, other, what, sloped=sloped)) is not None:
            yield replace(
                length,
                sources=(*length.sources, found.source("length_m")),
                in_record=found.number("length_m"),
                within=1e-3,  # the plane that coordinates are seen in scales a little
            )


def _heading(view: RecordView, found: FoundBy) -> Iterator[ExplainedFigure]:
    if (fix := _stop_of(view, found)) is not None:
        which = "tilt" if found.row.code == "transmitter-steep" else "heading"
        names = {"sigma_deg": f"{which}_sigma_deg"} | (
            {"tilt_deg": "tilt_deg"} if which == "tilt" else {}
        )
        for name, column in names.items():
            value = getattr(fix, column)
            yield _same(found, name, value, "transmitter_fixes", fix.name, column)


#: What of a code's figures follows from the record, by a formula of a line.
_FOLLOWS: Final[Mapping[str, Callable[[RecordView, FoundBy], Iterator[ExplainedFigure]]]] = {
    "mark-blunder": _mark_blunder,
    "tie-misfit": _tie_misfit,
    "misfit": _misfit,
    "gradient-low": _gradient,
    "back-fall": _gradient,
    "low-point": _low_point,
    "cover-negative": _cover,
    "advice-next": _advice,
    "entry-not-located": _entry,
    "grid-scale": _grid_scale,
    "datum-shift-error": _datum,
    "baseline-check": _baseline,
    "transmitter-steep": _heading,
}
