"""A stop: what its marks say, how they were weighed, and what a pencil gets from them."""

from __future__ import annotations

from functools import lru_cache
from math import hypot, isfinite, isnan, nan, sqrt
from typing import Final

import numpy as np

from lateralline.derive.ellipses import ELLIPSE_95
from lateralline.distributions import chi2
from lateralline.explain.by_hand import by_hand
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
from lateralline.explain.in_short import LIMIT, in_short
from lateralline.explain.origin import corner_of, in_files, setting
from lateralline.record.rows import BandRow, EllipseRow, FixRow, MarkRow, NodeRow, PipePointRow
from lateralline.record.view import RecordView

#: What a mark of each kind says, in words.
_SAYS: Final = {
    "end_null": "field upright here",
    "mid_null": "field level here",
    "peak_total": "strongest here",
    "peak_axial": "strongest along the pipe here",
    "ground": "ground level alone",
}
_MARK_HEADS: Final = (
    "mark",
    "says",
    "as booked",
    "file and row",
    "east",
    "north",
    "level",
    "σ along",
    "σ across",
    "weight along (1/σ²)",
    "weight across",
    "residual along",
    "residual across",
    f"times expected (limit {LIMIT})",
    "share of χ²",
    "checked by others (0 to 1)",
)


def tell_stop(view: RecordView, fix: FixRow, told: ToldSpot) -> None:
    """Tell what a stop rests on."""
    of_stop = _marks_of(view).get((fix.run_id, fix.stop_id), [])
    marks = [m for m, _ in of_stop]
    told.said += in_short(view, fix, marks)
    if fix.geometry is not None:
        told.figures += by_hand(view, fix, marks)
        told.figures += _depth(fix)
        told.figures += ellipse_figures(
            fix, fix.east_sigma_m, fix.north_sigma_m, fix.east_north_covariance_m2, fix.name
        )
        told.figures += _misfit(fix, marks)
        told.figures += _adjusted(view, fix)
    note = (
        f"east and north in metres on the ground from a {corner_of(view)}; residuals are + ahead "
        "and to the right of the heading; σ is what the mark was weighed with: its placing and "
        "tape or GNSS, and what the receiver leaves open at this depth, by the accuracies below"
    )
    told.table(
        "Marks",
        note,
        (*_MARK_HEADS[:4], *_in_file(view), *_MARK_HEADS[4:]),
        [_mark_row(view, *m) for m in of_stop],
        *in_files(view, [m.source_row for m in marks]),
        formula("dipole"),
        formula("least squares"),
    )


@lru_cache(maxsize=1)
def _marks_of(view: RecordView) -> dict[tuple[str, str], list[tuple[MarkRow, float]]]:
    """Return the marks of each run and stop, with their levels."""
    found: dict[tuple[str, str], list[tuple[MarkRow, float]]] = {}
    for mark, level_m in zip(view.rows(MarkRow), view.mark_levels_m.tolist(), strict=True):
        found.setdefault((mark.run_id, mark.stop_id), []).append((mark, level_m))
    return found


def _in_file(view: RecordView) -> tuple[str, str]:
    """Return the heads of the coordinates as the file has them."""
    first, second = view.axis_names
    return (f"{first} in the file, {view.coordinate_unit}", f"{second} in the file")


def _mark_row(view: RecordView, m: MarkRow, level_m: float) -> tuple[str, ...]:
    place = ("–",) * 5
    if at := m.geometry:
        [[x, y]] = view.coordinates(np.array([[at.x, at.y]])).tolist()
        in_file = (view.coordinate(x), view.coordinate(y))
        place = (*in_file, said(at.x, 3), said(at.y, 3), said(level_m, 3))
    weights = (said(1 / s**2 if s else nan, 0) for s in (m.along_sigma_m, m.across_sigma_m))
    return (
        m.mark_id,
        _SAYS.get(m.kind, m.kind) + ("" if m.used else " (not used)"),
        m.booked or m.method,
        m.source_row,
        *place,
        said(m.along_sigma_m),
        said(m.across_sigma_m),
        *weights,
        said(m.residual_along_m),
        said(m.residual_across_m),
        said(m.std_residual, 2),
        said(m.chi2_share, 3),
        said(m.redundancy_number, 2),
    )


def _depth(fix: FixRow) -> list[ExplainedFigure]:
    figures = [
        half_95(
            "depth ± (95 %)",
            fix.transmitter_depth_sigma_m,
            held("transmitter_fixes", fix.name, "transmitter_depth_sigma_m"),
            more=", which takes in marks, reading, tilt, ground, receiver",
        )
    ]
    if isfinite(fix.transmitter_level_m) and isfinite(fix.ground_level_m):
        figures.append(
            ExplainedFigure(
                "level of the transmitter",
                fix.ground_level_m - fix.transmitter_depth_m,
                "m",
                "ground level − depth",
                f"{put(fix.ground_level_m)} − {put(fix.transmitter_depth_m)}",
                (
                    formula("definition"),
                    held("transmitter_fixes", fix.name, "ground_level_m", "transmitter_depth_m"),
                ),
                fix.transmitter_level_m,
            )
        )
    return figures


def ellipse_figures(
    row: EllipseRow, east: float, north: float, covariance: float, named: str
) -> list[ExplainedFigure]:
    """Return both half axes of a 95 % ellipse from σ east, σ north and their covariance."""
    mean, half = (east**2 + north**2) / 2, hypot((east**2 - north**2) / 2, covariance)
    each = (
        ("long", mean + half, "+", row.ellipse_major_95_m),
        ("short", max(mean - half, 0.0), "−", row.ellipse_minor_95_m),
    )
    if isnan(mean):
        return []
    columns = ("east_sigma_m", "north_sigma_m", "east_north_covariance_m2")
    return [
        ExplainedFigure(
            f"{name} half axis of the 95 % ellipse",
            ELLIPSE_95 * sqrt(square),
            "m",
            f"2.4477 × √(m {sign} h), m = (σe² + σn²) / 2, h = √(((σe² − σn²) / 2)² + c²)",
            f"2.447747 × √({put(mean, 9)} {sign} {put(half, 9)}) "
            f"with σe = {put(east)}, σn = {put(north)}, c = {put(covariance, 9)}",
            (formula("normal"), held(row.layer, named, *columns)),
            own,
        )
        for name, square, sign, own in each
    ]


def _misfit(fix: FixRow, marks: list[MarkRow]) -> list[ExplainedFigure]:
    """Return what the marks add to the misfit of the stop, and how large it may be."""
    shares = [m.chi2_share for m in marks if m.used and isfinite(m.chi2_share)]
    if isnan(fix.chi2) or not shares:
        return []
    rest = fix.chi2 - sum(shares)
    figures = [
        ExplainedFigure(
            "misfit that the marks of the stop add (χ²)",
            sum(shares),
            "1",
            f"shares of the marks; of the stop's whole misfit {said(fix.chi2, 3)} depth reading "
            f"and expected tilt and heading add the other {said(rest, 3)}",
            " + ".join(map(put, shares)),
            (
                formula("least squares"),
                held("field_marks", fix.name, "chi2_share"),
                held("transmitter_fixes", fix.name, "chi2"),
            ),
        )
    ]
    if fix.dof > 0:
        limit = float(chi2.isf(0.05, fix.dof))
        what = "within" if fix.chi2 <= limit else "above"
        figures.append(
            ExplainedFigure(
                f"misfit that 95 of 100 such stops stay below; this one is {what}",
                limit,
                "1",
                f"95 % limit of χ² with {fix.dof:.0f} spare",
                "",
                (formula("chi2"), held("transmitter_fixes", fix.name, "dof")),
            )
        )
    return figures


def _adjusted(view: RecordView, fix: FixRow) -> list[ExplainedFigure]:
    """Return how far the adjustment of the line moved the stop, and its levels there."""
    node = next((n for n in view.rows(NodeRow) if n.ref == fix.name and n.geometry), None)
    at = fix.geometry
    if node is None or node.geometry is None or at is None:
        return []
    ride = setting(view, f"run {fix.run_id}: ride height", 0.0)
    place = node.geometry
    east, north = place.x - at.x, place.y - at.y
    up = node.invert_level_m + ride - fix.transmitter_level_m
    if isnan(up):
        return level_figures(view, node, node.node_id)
    figures = [
        ExplainedFigure(
            "how far the adjustment of the whole line moved the stop",
            hypot(east, north, up),
            "m",
            "distance in space from the stop by its own marks to the same in the line; "
            f"the invert lies lower by the ride height, {said(ride)}",
            f"√({put(east)}² + {put(north)}² + {put(up)}²)",
            (
                formula("least squares"),
                held("transmitter_fixes", fix.name, "geometry", "transmitter_level_m"),
                held("pipe_nodes", node.node_id, "geometry", "invert_level_m"),
            ),
            fix.shift_m,
        )
    ]
    return figures + level_figures(view, node, node.node_id)


def level_figures(
    view: RecordView, spot: PipePointRow | BandRow, named: str
) -> list[ExplainedFigure]:
    """Return the cover of a spot on a line, from its levels and the size of the pipe."""
    pipe = next((row for row in view.centrelines if row.line_id == spot.line_id), None)
    if isnan(spot.cover_m):
        return []
    cited_off = held(spot.layer, named, "cover_sigma_m")
    off = half_95("cover ± (95 %)", spot.cover_sigma_m, cited_off)
    if pipe is None or isnan(spot.invert_level_m) or isnan(spot.ground_level_m):
        words = "depth to the outside top by the adjustment; the record holds no levels here"
        cited = (formula("least squares"), held(spot.layer, named, "cover_m"))
        return [ExplainedFigure("cover", spot.cover_m, "m", words, "", cited), off]
    top = pipe.inside_diameter_m + pipe.wall_m
    size = ExplainedSource(f"size of pipe: {pipe.dimensions_from}") if pipe.dimensions_from else (
        held("pipe_centreline", pipe.line_id, "inside_diameter_m", "wall_m")
    )  # fmt: skip
    return [
        ExplainedFigure(
            "cover",
            spot.ground_level_m - (spot.invert_level_m + top),
            "m",
            "ground level − (invert + inside diameter + wall)",
            f"{put(spot.ground_level_m)} − ({put(spot.invert_level_m)} + "
            f"{put(pipe.inside_diameter_m)} + {put(pipe.wall_m)})",
            (
                formula("definition"),
                held(spot.layer, named, "ground_level_m", "invert_level_m"),
                size,
            ),
            spot.cover_m,
        ),
        off,
    ]
