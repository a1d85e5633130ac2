"""What lies on a line: nodes, segments, places between, and what the camera saw."""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot, isfinite, isnan, nan
from typing import Final

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.explain.content import ExplainedFigure, ToldSpot, said
from lateralline.explain.stop import ellipse_figures, level_figures
from lateralline.record.rows import (
    BandRow,
    NodeRow,
    ObservationRow,
    ParameterRow,
    PipePointRow,
    SegmentRow,
)
from lateralline.record.view import RecordView
from lateralline.records import Floats

#: What a node's place rests on, in words.
_PLACED: Final = {
    "adjustment": "located: the adjustment of the whole line put it there",
    "counter": "not located by marks of its own: its counter puts it on the located line",
    "carried_on": "not located: the counter alone carries it on beyond the located line",
}
_SHAPES: Final = (("straight", "straight"), ("bend", "one bend"), ("two_bends", "two bends"))
#: What so many bends take of the spare measurements, as in the adjustment.
_TAKEN: Final = {"straight": 0, "bend": 2, "two_bends": 5}


def tell_node(view: RecordView, node: NodeRow, told: ToldSpot) -> None:
    """Tell what a node rests on, and the pipe on both sides of it."""
    told.said.append(f"This is {node.named or node.node_id}; {_PLACED.get(node.placed_by, '')}.")
    tell_spot(view, node, told)
    if isfinite(node.bend_deg):
        half = INTERVAL_95 * node.bend_sigma_deg
        told.said.append(
            f"The pipe turns by {node.bend_deg:.1f}° ± {half:.1f}° (95 %) in space"
            + (f"; the nearest standard fitting is {node.nearest_fitting}"
               if node.nearest_fitting else "")
            + "."
        )  # fmt: skip
    if node.kind == "bend":
        told.figures += _bend(view, node)
    beside = [s for s in view.rows(SegmentRow) if _touches(s, node)]
    tell_segments(view, beside, told)


def tell_spot(view: RecordView, spot: PipePointRow, told: ToldSpot) -> None:
    """Tell place, levels and cover of a spot on a line."""
    if isfinite(spot.cover_m):
        told.said.append(
            f"Cover {view.taped_both(spot.cover_m)} ± "
            f"{view.off_both(INTERVAL_95 * spot.cover_sigma_m)} (95 %)."
        )
    if isfinite(spot.ellipse_major_95_m):
        told.said.append(
            f"In plan it may be off by {view.off_both(spot.ellipse_major_95_m)} (95 %, the long "
            "half axis)."
        )
    told.figures += level_figures(view, spot, spot.line_id)
    told.figures += ellipse_figures(
        spot, spot.east_sigma_m, spot.north_sigma_m, spot.east_north_covariance_m2
    )


def tell_observation(view: RecordView, seen: ObservationRow, told: ToldSpot) -> None:
    """Tell where the counter puts what the camera saw."""
    told.said.append(
        f"The camera saw {seen.name} at counter {view.length_both(seen.counter_m)} of its run."
    )
    if seen.reason:
        told.said.append(f"{seen.status.replace('_', ' ')}: {view.prose(seen.reason)}.")
    if isfinite(seen.chainage_m):
        half = view.length_both(INTERVAL_95 * seen.chainage_sigma_m)
        told.said.append(
            f"That is {view.word('distance along pipe')} {view.length_both(seen.chainage_m)} "
            f"± {half} (95 %) of line {seen.line_id}."
        )
        tell_spot(view, seen, told)
        tell_segments(view, _at(view, seen.line_id, seen.chainage_m), told)


def tell_place(view: RecordView, line: str, chainage_m: float, told: ToldSpot) -> None:
    """Tell what a place on a line rests on: the segment it lies in, and its levels."""
    band = [b for b in view.rows(BandRow, line) if isfinite(b.chainage_m)]
    before = max((b for b in band if b.chainage_m <= chainage_m), key=lambda b: b.chainage_m)
    after = min((b for b in band if b.chainage_m >= chainage_m), key=lambda b: b.chainage_m)
    between = after.chainage_m - before.chainage_m
    share = (chainage_m - before.chainage_m) / between if between else 0.0
    for what, a, b in (
        ("invert", before.invert_level_m, after.invert_level_m),
        ("invert, lowest (95 %)", before.invert_lower_95_m, after.invert_lower_95_m),
        ("invert, highest (95 %)", before.invert_upper_95_m, after.invert_upper_95_m),
        ("ground level", before.ground_level_m, after.ground_level_m),
        ("cover", before.cover_m, after.cover_m),
        ("cover, at least (95 %)", before.cover_lower_95_m, after.cover_lower_95_m),
    ):
        if isnan(a) or isnan(b):
            continue
        told.figures.append(
            ExplainedFigure(
                what,
                a + share * (b - a),
                "m",
                f"straight between the places of level_band at {said(before.chainage_m, 2)} m "
                f"and {said(after.chainage_m, 2)} m along the pipe",
                f"{said(a)} + {said(share)} × ({said(b)} − {said(a)})",
                "definition",
            )
        )
    segments = _at(view, line, chainage_m)
    if segments and isfinite(segments[0].position_95_max_m):
        told.said.append(
            f"In plan the pipe may lie aside by at most "
            f"{view.off_both(view.no_more(segments[0].position_95_max_m))} (95 %) on this segment."
        )
    least = min(before.cover_lower_95_m, after.cover_lower_95_m)
    told.said.append(
        f"Cover at least {view.taped_both(view.no_less(least))} (95 %)." if isfinite(least)
        else "Nothing bounds the cover here."
    )  # fmt: skip
    tell_segments(view, segments, told)


def tell_segments(view: RecordView, segments: Iterable[SegmentRow], told: ToldSpot) -> None:
    """Tell between which located points pipe runs, which shapes were weighed, and which rules."""
    parts = list(segments)
    for s in parts:
        told.said.append(f"Segment {s.segment_id} ({s.from_ref} to {s.to_ref}): {s.shape_named}.")
        told.figures += _length(view, s)
    told.table(
        "Shapes weighed",
        "misfit of the pipe between two located points by itself, against its 95 % limit and its "
        "spare measurements; share of the paths that all data of the line leave plausible",
        ("segment", "shape", "misfit (χ²)", "spare", "share of paths", "drawn"),
        [row for s in parts for row in _weighed(s)],
    )
    told.table(
        "Rules",
        "bands of accuracy and least gradients as information; which applies is for those licensed",
        ("segment", "rule", "comes to", "because"),
        [
            (s.segment_id, name, got, why)
            for s in parts
            for name, got, why in (
                ("PAS 128", s.pas128_band, s.pas128_rule),
                ("AS 5488", s.as5488_band, s.as5488_rule),
                ("least gradients", "", s.least_gradients),
            )
            if why
        ],
    )
    runs = {f"run {s.run_id}" for s in parts if s.run_id}
    lines = {s.line_id for s in parts}
    told.table(
        "Adjusted parameters",
        "what the adjustment found of instruments, beside what was taken of them beforehand; 1 σ",
        ("what", "of", "adjusted", "σ", "before", "σ before", "unit"),
        [
            (p.kind.replace("_", " "), p.subject, said(p.value), said(p.sigma), said(p.prior),
             said(p.prior_sigma), p.unit)
            for p in view.rows(ParameterRow)
            if p.subject in runs or any(p.subject.endswith(f"line {line}") for line in lines)
            or any(p.subject.startswith(f"{run} at ") for run in runs)
        ],
    )  # fmt: skip


def _touches(s: SegmentRow, node: NodeRow) -> bool:
    within = s.line_id == node.line_id and s.from_chainage_m < node.chainage_m < s.to_chainage_m
    return node.node_id in (s.from_node_id, s.to_node_id) or within


def _at(view: RecordView, line: str, chainage_m: float) -> list[SegmentRow]:
    """Return the segment at a chainage; of two that meet there the one downstream."""
    there = [s for s in view.rows(SegmentRow, line)
             if s.from_chainage_m - 1e-9 <= chainage_m <= s.to_chainage_m + 1e-9]  # fmt: skip
    return there[:1]


def _weighed(s: SegmentRow) -> Iterable[tuple[str, ...]]:
    for shape, named in _SHAPES:
        chi2 = getattr(s, f"{shape}_chi2")
        spare = s.straight_dof - _TAKEN[shape]
        share = getattr(s, f"{shape}_share")
        yield (
            s.segment_id,
            named,
            said(chi2, 2) if isfinite(chi2) else "not tried",
            f"{max(spare, 0.0):.0f}" if isfinite(chi2) else "",
            f"{share:.1%}" if isfinite(share) else "",
            "drawn" if s.shape == shape else "",
        )


def _length(view: RecordView, s: SegmentRow) -> list[ExplainedFigure]:
    """Return length and gradient of a segment, from its ends."""
    figures = [
        ExplainedFigure(
            f"length of {s.segment_id}",
            s.to_chainage_m - s.from_chainage_m,
            "m",
            "distance along the pipe at its upper end − at its lower end",
            f"{said(s.to_chainage_m)} − {said(s.from_chainage_m)}",
            "definition",
            s.length_m,
        )
    ]
    figures += _counted(view, s)
    level = _plan_length(view, s)
    if isfinite(s.gradient) and level:
        figures.append(
            ExplainedFigure(
                f"gradient of {s.segment_id}, + falls downstream",
                (s.invert_up_level_m - s.invert_down_level_m) / level,
                "1",
                "(invert at the upper end − at the lower end) / length in plan",
                f"({said(s.invert_up_level_m)} − {said(s.invert_down_level_m)}) / {said(level)}",
                "definition",
                s.gradient,
                by_hand=True,  # rounded bends are drawn, their length in plan is that of corners
            )
        )
    return figures


def _counted(view: RecordView, s: SegmentRow) -> list[ExplainedFigure]:
    """Return the length by the counter of the run that stood at both ends."""
    read = {fix.name: fix.counter_m for fix in view.fixes if fix.run_id == s.run_id}
    scale = next((p.value for p in view.rows(ParameterRow)
                  if (p.kind, p.subject) == ("counter_scale", f"run {s.run_id}")), nan)  # fmt: skip
    here, there = read.get(s.from_ref, nan), read.get(s.to_ref, nan)
    if isnan(here + there + scale):
        return []
    return [
        ExplainedFigure(
            f"length of {s.segment_id} by the counter",
            abs(here - there) * scale,
            "m",
            "difference of the counters at both ends × the adjusted scale of the run",
            f"|{said(here)} − {said(there)}| × {said(scale)}",
            "least squares",
            s.counter_difference_m,
        )
    ]


def _plan_length(view: RecordView, s: SegmentRow) -> float:
    return 0.0 if s.geometry is None else float(shapely.length(shapely.force_2d(s.geometry)))


def _bend(view: RecordView, node: NodeRow) -> list[ExplainedFigure]:
    """Return the turn of the drawn pipe past a bend, from the legs on both sides in plan."""
    line = next((row for row in view.centrelines if row.line_id == node.line_id), None)
    if line is None or line.geometry is None or node.geometry is None:
        return []
    legs = _legs(view, node)
    if legs is None:
        return []
    (a, b), (c, d) = legs[0][:2].tolist(), legs[1][:2].tolist()
    turn = abs((np.degrees(np.arctan2(a, b) - np.arctan2(c, d)) + 180.0) % 360.0 - 180.0)
    return [
        ExplainedFigure(
            "turn in plan, from the legs on both sides",
            float(turn),
            "°",
            "bearing of the leg above − bearing of the leg below, corner to located point",
            f"atan({said(c)} / {said(d)}) − atan({said(a)} / {said(b)})",
            "definition",
            node.bend_deg,
            by_hand=True,
        )
    ]


def _legs(view: RecordView, node: NodeRow) -> tuple[Floats, Floats] | None:
    """Return the way (3,) from the located point below a bend to it, and on to the one above."""
    [*on] = (
        n
        for n in view.rows(NodeRow)
        if n.line_id == node.line_id and n.geometry is not None and not n.carried_on
    )
    below = [n for n in on if n.chainage_m < node.chainage_m - 1e-6]
    above = [n for n in on if n.chainage_m > node.chainage_m + 1e-6]
    if not below or not above:
        return None
    here = shapely.get_coordinates(node.geometry, include_z=True)[0]
    first = max(below, key=lambda n: n.chainage_m).geometry
    last = min(above, key=lambda n: n.chainage_m).geometry
    legs = (
        here - shapely.get_coordinates(first, include_z=True)[0],
        shapely.get_coordinates(last, include_z=True)[0] - here,
    )
    return legs if all(hypot(*leg[:2]) > 0.0 for leg in legs) else None
