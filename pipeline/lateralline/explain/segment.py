"""Segments of a line: length, gradient, shapes that were weighed, rules; and the turn at a bend."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from math import acos, atan2, degrees, hypot, isfinite, isnan, nan
from typing import Final

import numpy as np
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.distributions import chi2 as chi2_limits
from lateralline.explain.content import (
    ExplainedFigure,
    ExplainedSource,
    ToldSpot,
    formula,
    half_95,
    held,
    put,
    said,
)
from lateralline.explain.origin import in_files
from lateralline.record.rows import NodeRow, ParameterRow, SegmentRow
from lateralline.record.view import RecordView
from lateralline.records import Floats

_SHAPES: Final = (("straight", "straight"), ("bend", "one bend"), ("two_bends", "two bends"))
#: How far the scale of the plane that coordinates are seen in may be off, as a share.
_PLANE: Final = 1e-4
#: What so many bends take of the spare measurements, as in the adjustment.
_TAKEN: Final = {"straight": 0, "bend": 2, "two_bends": 5}


def tell_segments(view: RecordView, segments: Iterable[SegmentRow], told: ToldSpot) -> None:
    """Tell between which located points pipe runs, which shapes were weighed, and which rules."""
    parts = list(segments)
    for s in parts:
        told.said.append(f"Segment {s.segment_id} ({s.from_ref} to {s.to_ref}): {s.shape_named}.")
        told.figures += [*_length(view, s), *_aside(view, s)]
    told.table(
        "Shapes weighed",
        "misfit of the pipe between two located points by itself, against its 95 % limit and its "
        "spare measurements; share of the paths that all data of the line leave plausible",
        ("segment", "shape", "misfit (χ²)", "spare", "95 % limit", "share of paths", "drawn"),
        [row for s in parts for row in _weighed(s)],
        formula("chi2"),
        formula("paths"),
        held("pipe_segments", ", ".join(s.segment_id for s in parts), "chi2 and share of each"),
    )
    told.table(
        "Rules",
        "bands and least gradients as information; which applies is for those licensed; "
        "a band is judged where position ± or depth ± is widest for the depth there: the figures "
        "said are of that place, and may be less than the widest; depth ± takes in the ground's "
        "own, which level ± of the invert does not",
        ("segment", "rule", "comes to", "because", "widest ±"),
        [
            (s.segment_id, name, got, why, said(s.position_95_max_m) if got else "")
            for s in parts
            for name, got, why in (
                ("PAS 128", s.pas128_band, s.pas128_rule),
                ("AS 5488", s.as5488_band, s.as5488_rule),
                ("least gradients", "", s.least_gradients),
            )
            if why
        ],
        ExplainedSource("the published rule that each names"),
        held("pipe_segments", ", ".join(s.segment_id for s in parts), "rules"),
    )
    runs = {s.run_id for s in parts if s.run_id}
    tell_parameters(view, {s.line_id for s in parts}, runs, told)


def tell_parameters(
    view: RecordView, lines: Collection[str], runs: Collection[str], told: ToldSpot
) -> None:
    """Tell what the adjustment found of the instruments of lines and runs."""
    subjects = {f"run {run}" for run in runs}
    told.table(
        "Adjusted parameters",
        "what the adjustment found of instruments, beside what was taken of them beforehand; 1 σ",
        ("what", "of", "adjusted", "σ", "before", "σ before", "unit"),
        [
            (p.kind.replace("_", " "), p.subject, said(p.value), said(p.sigma), said(p.prior),
             said(p.prior_sigma), p.unit)
            for p in view.rows(ParameterRow)
            if p.subject in subjects
            or not {*re.split(r", line |, | and ", p.subject)[1:]}.isdisjoint(lines)
            or any(p.subject.startswith(f"{run} at ") for run in subjects)
        ],
        formula("least squares"),
        held("adjusted_parameters", "value, sigma"),
    )  # fmt: skip


def touches(s: SegmentRow, node: NodeRow) -> bool:
    """Whether a node is an end of a segment, or lies on it."""
    within = s.line_id == node.line_id and s.from_chainage_m < node.chainage_m < s.to_chainage_m
    return node.node_id in (s.from_node_id, s.to_node_id) or within


def segments_at(view: RecordView, line: str, chainage_m: float) -> list[SegmentRow]:
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
            said(float(chi2_limits.isf(0.05, spare)), 2) if isfinite(chi2) and spare > 0 else "",
            f"{share:.1%}" if isfinite(share) else "",
            "drawn" if s.shape == shape else "",
        )


def _length(view: RecordView, s: SegmentRow) -> list[ExplainedFigure]:
    """Return length and gradient of a segment, from its ends."""
    ends = ("from_chainage_m", "to_chainage_m")
    figures = [
        ExplainedFigure(
            f"length of {s.segment_id}",
            s.to_chainage_m - s.from_chainage_m,
            "m",
            "distance along the pipe at its upper end − at its lower end",
            f"{put(s.to_chainage_m)} − {put(s.from_chainage_m)}",
            (formula("definition"), held("pipe_segments", s.segment_id, *ends)),
            s.length_m,
        )
    ]
    figures += _counted(view, s)
    corners = _corners(view, s)
    level = float(sum(hypot(*way) for way in np.diff(corners, axis=0).tolist()))
    if isfinite(s.gradient) and level:
        inverts = ("invert_up_level_m", "invert_down_level_m")
        figures.append(
            ExplainedFigure(
                f"gradient of {s.segment_id}, + falls downstream",
                100.0 * (s.invert_up_level_m - s.invert_down_level_m) / level,
                "%",
                "100 × (invert at the upper end − at the lower end) / length in plan, from corner "
                "to corner",
                f"100 × ({put(s.invert_up_level_m)} − {put(s.invert_down_level_m)}) / {put(level)}",
                (
                    formula("definition"),
                    held("pipe_segments", s.segment_id, *inverts),
                    held("pipe_nodes", "its nodes", "geometry"),
                ),
                100.0 * s.gradient,
                within=100.0 * (_PLANE * abs(s.gradient) + 1e-6),
            )
        )
        figures.append(
            ExplainedFigure(
                f"gradient of {s.segment_id} ± (95 %)",
                100.0 * INTERVAL_95 * s.gradient_sigma,
                "%",
                "100 × 1.960 × its standard deviation",
                f"100 × 1.959964 × {put(s.gradient_sigma, 8)}",
                (formula("normal"), held("pipe_segments", s.segment_id, "gradient_sigma")),
            )
        )
    return figures


def _corners(view: RecordView, s: SegmentRow) -> Floats:
    """Return the nodes (n, 2) of a segment in plan, from its lower end; bends at their corner."""
    ends = {node.node_id: node for node in view.rows(NodeRow) if node.geometry is not None}
    if s.from_node_id not in ends or s.to_node_id not in ends:
        return np.zeros((0, 2))
    between = sorted(
        (n for n in ends.values() if n.line_id == s.line_id and n.kind == "bend"
         and s.from_chainage_m < n.chainage_m < s.to_chainage_m),
        key=lambda n: n.chainage_m,
    )  # fmt: skip
    on = [ends[s.from_node_id], *between, ends[s.to_node_id]]
    return np.asarray(shapely.get_coordinates([node.geometry for node in on]))


def _counted(view: RecordView, s: SegmentRow) -> list[ExplainedFigure]:
    """Return the length by the counter of the run that stood at both ends."""
    read = {fix.name: fix.counter_m for fix in view.fixes if fix.run_id == s.run_id}
    rows = {fix.name: fix.source_row for fix in view.fixes}
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
            f"|{put(here)} − {put(there)}| × {put(scale)}",
            (
                formula("least squares"),
                *in_files(view, [rows[s.from_ref], rows[s.to_ref]]),
                held("adjusted_parameters", f"run {s.run_id} counter_scale", "value"),
            ),
            s.counter_difference_m,
        )
    ]


def _aside(view: RecordView, s: SegmentRow) -> list[ExplainedFigure]:
    """Return how far at most pipe of a segment may lie aside in plan."""
    if isnan(s.position_95_max_m):
        return []
    nodes = {node.node_id: node for node in view.rows(NodeRow)}
    on = [(n, nodes[n].ellipse_major_95_m) for n in (s.from_node_id, s.to_node_id)
          if n in nodes and isfinite(nodes[n].ellipse_major_95_m)]  # fmt: skip
    return [
        ExplainedFigure(
            f"aside in plan at most (95 %) on {s.segment_id}",
            s.position_95_max_m,
            "m",
            "greatest, over the segment, of how far the 95 % corridor reaches aside; no plan "
            "bound stands closer while the shape is not shown"
            if s.undecided
            else "greatest, over the segment, of the long half axis of the 95 % ellipse, "
            "wherever the 95 % corridor does not end closer to the line",
            "no single numbers to put in: ellipses between nodes are no columns of the record"
            + "".join(f"; at {name} the long half axis is {put(axis)}" for name, axis in on),
            (
                formula("paths"),
                held("pipe_segments", s.segment_id, "position_95_max_m"),
                *(held("pipe_nodes", name, "ellipse_major_95_m") for name, _ in on),
            ),
        )
    ]


# ---- bends ---------------------------------------------------------------------------------


def bend_figures(view: RecordView, node: NodeRow) -> list[ExplainedFigure]:
    """Return the turn of the pipe at a bend, from the legs on both sides, and its ±."""
    figures = []
    if (legs := _legs(view, node)) is not None:
        levels = bool(np.isfinite(legs).all())
        figures.append(_turn(node, legs) if levels else _turn_in_plan(node, legs[:, :2]))
    if isfinite(node.bend_sigma_deg):
        figures.append(
            half_95(
                "turn ± (95 %)",
                node.bend_sigma_deg,
                held("pipe_nodes", node.node_id, "bend_sigma_deg"),
                unit="°",
            )
        )
    return figures


def _turn(node: NodeRow, legs: Floats) -> ExplainedFigure:
    """Return the turn in space of legs (2, 3) that have levels."""
    first, second = legs.tolist()
    lengths = np.linalg.norm(legs, axis=1).tolist()
    inner = float(legs[0] @ legs[1])
    products = " + ".join(f"{put(a, 9)} × {put(b, 9)}" for a, b in zip(first, second, strict=True))
    return ExplainedFigure(
        "turn in space, from the legs on both sides",
        degrees(acos(max(min(inner / (lengths[0] * lengths[1]), 1.0), -1.0))),
        "°",
        "acos((a₁ b₁ + a₂ b₂ + a₃ b₃) / (|a| × |b|)): a is the way from the located point below to "
        "the bend, b from the bend to the one above, each east, north, up by node and invert",
        f"acos(({products}) / ({put(lengths[0], 9)} × {put(lengths[1], 9)}))",
        (
            formula("definition"),
            held("pipe_nodes", f"{node.node_id} and both beside it", "geometry", "invert_level_m"),
        ),
        node.bend_deg,
        within=0.01,  # the plane that coordinates are seen in turns and scales a little
    )


def _turn_in_plan(node: NodeRow, legs: Floats) -> ExplainedFigure:
    """Return the turn in plan of legs (2, 2)."""
    (a, b), (c, d) = legs.tolist()
    below, above = (degrees(atan2(*leg)) % 360.0 for leg in ((a, b), (c, d)))
    apart = abs(above - below)
    return ExplainedFigure(
        "turn in plan, from the legs on both sides",
        min(apart, 360.0 - apart),
        "°",
        "how far apart the bearings of both legs are, the shorter way round; the bearing of a leg "
        "is the angle whose tangent is east / north",
        f"|{put(above)} − {put(below)}|"
        + (f" = {put(apart)}, 360 − {put(apart)}" if apart > 180.0 else "")
        + f"; bearings of ({put(c)} east, {put(d)} north) and ({put(a)} east, {put(b)} north)",
        (
            formula("definition"),
            held("pipe_nodes", f"{node.node_id} and both beside it", "geometry"),
        ),
        node.bend_deg,
        by_hand=True,
        why="the record's is the turn in space, and here are no levels to take in",
    )


def _legs(view: RecordView, node: NodeRow) -> Floats | None:
    """Return the ways (2, 3) from the located point below a bend to it, and on to the one above.

    Up is NaN without levels.
    """
    [*on] = (
        n
        for n in view.rows(NodeRow)
        if n.line_id == node.line_id and n.geometry is not None and not n.carried_on
    )
    below = [n for n in on if n.chainage_m < node.chainage_m - 1e-6]
    above = [n for n in on if n.chainage_m > node.chainage_m + 1e-6]
    if not below or not above or node.geometry is None:
        return None
    three = (
        max(below, key=lambda n: n.chainage_m), node, min(above, key=lambda n: n.chainage_m)
    )  # fmt: skip
    plan = shapely.get_coordinates([n.geometry for n in three])
    places = np.column_stack([plan, [n.invert_level_m for n in three]])
    legs: Floats = np.diff(places, axis=0)
    return legs if (np.hypot(*legs[:, :2].T) > 0.0).all() else None
