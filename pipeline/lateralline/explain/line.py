"""A line as a whole: length, depths, cover, worst place and ±; and the runs it rests on."""

from __future__ import annotations

from math import isfinite, nan

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.explain.content import ExplainedFigure, ToldSpot, formula, half_95, held, put, said
from lateralline.explain.in_short import line_in_short
from lateralline.explain.origin import in_files, setting
from lateralline.explain.segment import tell_parameters
from lateralline.record.rows import (
    BandRow,
    CentrelineRow,
    FixRow,
    NodeRow,
    ParameterRow,
    SegmentRow,
)
from lateralline.record.view import RecordView


def tell_line(view: RecordView, line: CentrelineRow, told: ToldSpot) -> None:
    """Tell what a line comes to, and the nodes and segments it is made of."""
    told.said += line_in_short(view, line)
    segments = view.rows(SegmentRow, line.line_id)
    stops = [fix for fix in view.fixes if fix.line_id == line.line_id]
    told.figures += [*_whole(line, segments), *_depths(line, stops)]
    told.figures += [*_cover(view, line), *_unsure(view, line, segments)]
    told.table(
        "Nodes",
        "from downstream; cover and ± by the formulas that `explain` gives for each",
        ("node", "what", "along", "invert", "ground", "cover", "cover σ", "position ± 95 %",
         "placed by"),
        [
            (n.node_id, n.named, said(n.chainage_m, 3), said(n.invert_level_m, 3),
             said(n.ground_level_m, 3), said(n.cover_m, 3), said(n.cover_sigma_m),
             said(n.position_95_m), n.placed_by)
            for n in sorted(view.rows(NodeRow, line.line_id), key=lambda n: n.chainage_m)
        ],
        held("pipe_nodes", f"of line {line.line_id}"),
    )  # fmt: skip
    told.table(
        "Segments",
        "from downstream",
        ("segment", "from", "to", "length", "gradient %", "gradient σ %", "position ± 95 % at most",
         "cover at least anywhere", "shape"),
        [
            (s.segment_id, s.from_ref, s.to_ref, said(s.length_m, 3), said(100 * s.gradient, 2),
             said(100 * s.gradient_sigma, 2), said(s.position_95_max_m), said(s.cover_min_m, 3),
             s.shape_named)
            for s in segments
        ],
        held("pipe_segments", f"of line {line.line_id}"),
    )  # fmt: skip
    tell_parameters(view, {line.line_id}, set(line.run_ids.split(", ")), told)


def _whole(line: CentrelineRow, segments: tuple[SegmentRow, ...]) -> list[ExplainedFigure]:
    lengths = [s.length_m for s in segments if isfinite(s.length_m)]
    return [
        ExplainedFigure(
            "length",
            sum(lengths),
            "m",
            "lengths of its segments, added",
            " + ".join(map(put, lengths)),
            (formula("definition"), held("pipe_segments", f"of {line.line_id}", "length_m")),
            line.length_m,
        )
    ] if lengths else []  # fmt: skip


def _depths(line: CentrelineRow, stops: list[FixRow]) -> list[ExplainedFigure]:
    known = [fix for fix in stops if isfinite(fix.transmitter_depth_m)]
    if not known:
        return []
    figures = []
    for which, fix in (
        ("least", min(known, key=lambda f: f.transmitter_depth_m)),
        ("greatest", max(known, key=lambda f: f.transmitter_depth_m)),
    ):
        figures.append(
            ExplainedFigure(
                f"{which} depth to the transmitter, at stop {fix.name}",
                fix.transmitter_depth_m,
                "m",
                f"the {which} among its {len(known)} located stops; `explain` {fix.name} tells it",
                "",
                (
                    formula("least squares"),
                    held("transmitter_fixes", f"of line {line.line_id}", "transmitter_depth_m"),
                ),
            )
        )
    return figures


def _cover(view: RecordView, line: CentrelineRow) -> list[ExplainedFigure]:
    band = [b for b in view.rows(BandRow, line.line_id) if isfinite(b.cover_lower_95_m)]
    least = view.least_cover_95_m(line.line_id)
    if not band or not isfinite(least):
        return []
    at = min(band, key=lambda b: b.cover_lower_95_m)
    return [
        ExplainedFigure(
            f"cover at least (95 %), at {said(at.chainage_m, 2)} m along the pipe",
            at.cover_lower_95_m,
            "m",
            f"the least among {len(band)} places; `explain` {line.line_id}@{at.chainage_m:.2f}m "
            "tells it",
            "",
            (
                formula("paths"),
                held("level_band", f"of line {line.line_id}", "cover_lower_95_m"),
            ),
            least,
        )
    ]


def _unsure(
    view: RecordView, line: CentrelineRow, segments: tuple[SegmentRow, ...]
) -> list[ExplainedFigure]:
    """Return position ± and level ± where they are worst, as the screen has them."""
    figures = []
    bound = [s for s in segments if isfinite(s.position_95_max_m)]
    if bound and isfinite(line.position_95_max_m):
        worst = max(bound, key=lambda s: s.position_95_max_m)
        figures.append(
            ExplainedFigure(
                f"{view.word('position ±')} (95 %), worst between {worst.from_ref} and "
                f"{worst.to_ref}",
                worst.position_95_max_m,
                "m",
                f"the greatest among its {len(bound)} segments; `explain` {worst.segment_id}",
                "",
                (
                    formula("paths"),
                    held("pipe_segments", f"of {line.line_id}", "position_95_max_m"),
                    held("pipe_centreline", line.line_id, "position_95_max_m"),
                ),
                line.position_95_max_m,
            )
        )
    if isfinite(line.invert_sigma_max_m):
        figures.append(
            half_95(
                f"{view.word('level ±')} (95 %), where worst",
                line.invert_sigma_max_m,
                held("pipe_centreline", line.line_id, "invert_sigma_max_m"),
                which="the greatest ",
                more=" of the invert along the line",
            )
        )
    return figures


# ---- runs -----------------------------------------------------------------------------------


def tell_run(view: RecordView, run: str, told: ToldSpot) -> None:
    """Tell what a run was counted by, and its stops in order."""
    stops = [fix for fix in view.fixes if fix.run_id == run]
    lag = setting(view, f"run {run}: transmitter lag", 0.0)
    ride = setting(view, f"run {run}: ride height", 0.0)
    entry = setting(view, f"run {run}: counter at entry", 0.0)
    lines = sorted({fix.line_id for fix in stops if fix.line_id})
    told.said.append(
        f"Run {run} has {len(stops)} stops on line {', '.join(lines) or 'none'}. The transmitter "
        f"lies {view.length_both(lag)} behind the camera face and {view.length_both(ride)} above "
        f"the invert; the counter at the entry read {view.length_both(entry)}."
    )
    scale = next((p for p in view.rows(ParameterRow)
                  if (p.kind, p.subject) == ("counter_scale", f"run {run}")), None)  # fmt: skip
    if scale is not None:
        told.figures.append(
            ExplainedFigure(
                "scale of its counter ± (95 %)",
                INTERVAL_95 * scale.sigma,
                "1",
                f"1.960 × its standard deviation; length of pipe is {said(scale.value, 6)} times "
                f"what was counted, taken as {said(scale.prior, 4)} ± "
                f"{said(INTERVAL_95 * scale.prior_sigma)} beforehand",
                f"1.959964 × {put(scale.sigma, 6)}",
                (
                    formula("least squares"),
                    held("adjusted_parameters", f"run {run} counter_scale", "value", "sigma"),
                ),
            )
        )
    ordered = sorted(stops, key=lambda fix: (np.isnan(fix.counter_m), fix.counter_m))
    told.table(
        "Stops",
        "by the counter; along: chainage on the line; by the counter: difference to the stop before"
        " × the scale, beside the difference of chainages",
        ("stop", "counter", "along", "by the counter", "along the pipe", "apart", "depth",
         "status", "file and row"),
        [
            (fix.name, said(fix.counter_m, 3), said(fix.chainage_m, 3),
             *_step(ordered[n - 1] if n else None, fix, scale.value if scale else nan),
             said(fix.transmitter_depth_m, 3), fix.status.replace("_", " "), fix.source_row)
            for n, fix in enumerate(ordered)
        ],
        *in_files(view, [fix.source_row for fix in stops]),
        held("transmitter_fixes", f"of run {run}", "counter_m, chainage_m, transmitter_depth_m"),
    )  # fmt: skip


def _step(before: FixRow | None, fix: FixRow, scale: float) -> tuple[str, str, str]:
    if before is None:
        return ("–", "–", "–")
    counted = (fix.counter_m - before.counter_m) * scale
    along = abs(fix.chainage_m - before.chainage_m)
    return (said(counted, 3), said(along, 3), said(along - counted, 3))
