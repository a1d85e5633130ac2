"""A stop: what its marks say, how they were weighed, and what a pencil gets from them."""

from __future__ import annotations

from functools import lru_cache
from math import hypot, isfinite, isnan, nan, sqrt
from typing import Final

import shapely

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.distributions import chi2
from lateralline.explain.content import ExplainedFigure, ToldSpot, said
from lateralline.record.lineage import AERIAL
from lateralline.record.rows import EllipseRow, FixRow, MarkRow, NodeRow, PipePointRow
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
    "measured by",
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
    "times expected (limit 3.29)",
    "share of χ²",
    "checked by others (0 to 1)",
)


def tell_stop(view: RecordView, fix: FixRow, told: ToldSpot) -> None:
    """Tell what a stop rests on."""
    of_stop = _marks_of(view).get((fix.run_id, fix.stop_id), [])
    marks = [m for m, _ in of_stop]
    told.said += _plainly(view, fix, marks)
    if fix.geometry is not None:
        told.figures += _by_hand(view, fix, marks)
        told.figures += _depth(fix)
        told.figures += ellipse_figures(fix, fix.east_sigma_m, fix.north_sigma_m,
                                        fix.east_north_covariance_m2)  # fmt: skip
        told.figures += _misfit(fix, marks)
        told.figures += _adjusted(view, fix)
    note = (
        "east and north in metres on the ground, " + view.corner + "; + ahead and to the right of "
        "the heading; each mark pulls by its weight"
    )
    told.table("Marks", note, _MARK_HEADS, [_mark_row(*m) for m in of_stop])


def _plainly(view: RecordView, fix: FixRow, marks: list[MarkRow]) -> list[str]:
    used = sum(m.used for m in marks)
    if fix.geometry is None:
        return [f"Not located: {fix.reason or 'no position follows from its marks'}."]
    half = view.off_both(INTERVAL_95 * fix.transmitter_depth_sigma_m)
    texts = [
        f"The transmitter lay {view.taped_both(fix.transmitter_depth_m)} below the ground, "
        f"± {half} (95 %), and may be off in plan by {view.off_both(fix.ellipse_major_95_m)} "
        "(95 %, the long half axis).",
        f"That rests on {used} of {len(marks)} marks"
        + (f" and a depth reading of {view.taped_both(fix.depth_reading_m)}"
           if isfinite(fix.depth_reading_m) else "")
        + f"; {fix.dof:.0f} measurements are spare and check the others"
        + (": nothing checks this stop." if fix.dof == 0 else "."),
    ]  # fmt: skip
    if fix.reason:
        texts.append(f"{fix.status.replace('_', ' ')}: {fix.reason}.")
    return texts


@lru_cache(maxsize=1)
def _marks_of(view: RecordView) -> dict[tuple[str, str], list[tuple[MarkRow, float]]]:
    """Return the marks of each run and stop, with their levels."""
    found: dict[tuple[str, str], list[tuple[MarkRow, float]]] = {}
    for mark, level_m in zip(view.rows(MarkRow), view.mark_levels_m.tolist(), strict=True):
        found.setdefault((mark.run_id, mark.stop_id), []).append((mark, level_m))
    return found


def _mark_row(m: MarkRow, level_m: float) -> tuple[str, ...]:
    at = m.geometry
    place = (said(at.x, 3), said(at.y, 3), said(level_m, 3)) if at else ()
    weights = (said(1 / s**2 if s else nan, 0) for s in (m.along_sigma_m, m.across_sigma_m))
    return (
        m.mark_id,
        _SAYS.get(m.kind, m.kind) + ("" if m.used else " (not used)"),
        m.method,
        m.source_row,
        *(place or ("–", "–", "–")),
        said(m.along_sigma_m),
        said(m.across_sigma_m),
        *weights,
        said(m.residual_along_m),
        said(m.residual_across_m),
        said(m.std_residual, 2),
        said(m.chi2_share, 3),
        said(m.redundancy_number, 2),
    )


@lru_cache(maxsize=1)
def _lineage(view: RecordView) -> dict[str, str]:
    """Return what the lineage states, by item."""
    rows = view.layers["lineage"]
    return dict(zip(rows["item"][::-1], rows["value"][::-1], strict=True))  # the first of an item


def _height_m(view: RecordView, item: str) -> float:
    """Return a height that the lineage states, in metres; 0 where it names none."""
    return float(_lineage(view).get(item, 0.0))


def _by_hand(view: RecordView, fix: FixRow, marks: list[MarkRow]) -> list[ExplainedFigure]:
    """Return what two end nulls, or one and the middle, say of a level transmitter."""
    there = [m for m in marks if m.used and m.geometry is not None]
    ends = [m.geometry for m in there if m.kind == "end_null" and m.geometry is not None]
    middles = [m.geometry for m in there if m.kind == "mid_null" and m.geometry is not None]
    at, high = fix.geometry, _height_m(view, AERIAL)
    assert at is not None
    found: list[ExplainedFigure] = []
    two: list[shapely.Point] = []
    if len(ends) == 2:
        two = ends
        a, b = ends
        for name, p, q, own in (("east", a.x, b.x, at.x), ("north", a.y, b.y, at.y)):
            found.append(
                ExplainedFigure(
                    f"{name} by hand, midway between both end nulls",
                    (p + q) / 2,
                    "m",
                    f"({name} of one end null + {name} of the other) / 2",
                    f"({said(p)} + {said(q)}) / 2",
                    "dipole",
                    own,
                    by_hand=True,
                )
            )
    elif len(ends) == 1 and len(middles) == 1:
        two = [*ends, *middles]
    if two:
        a, b = two
        apart, both = hypot(a.x - b.x, a.y - b.y), len(ends) == 2
        factor, sign = (sqrt(2.0), "/") if both else (1 / sqrt(2.0), "×")
        name = "both end nulls" if both else "end null and mid null"
        what = f"√(({said(a.x)} − {said(b.x)})² + ({said(a.y)} − {said(b.y)})²)"
        times = f"{sign} 1.4142 − {said(high)}"
        found.append(
            ExplainedFigure(
                "depth by hand, of a level transmitter under level ground",
                apart / factor - high,
                "m",
                f"distance {sign} √2 of {name}, less how high the receiver was held",
                f"{what} {times} = {said(apart)} {times}",
                "dipole",
                fix.transmitter_depth_m,
                by_hand=True,
            )
        )
    if isfinite(fix.depth_reading_m):
        found.append(
            ExplainedFigure(
                "depth by the reading",
                fix.depth_reading_m - high,
                "m",
                "depth reading less how high the receiver was held; the scale of the receiver, "
                "where one was adjusted, is among the adjusted parameters",
                f"{said(fix.depth_reading_m)} − {said(high)}",
                "definition",
                fix.transmitter_depth_m,
                by_hand=True,
            )
        )
    return found


def _depth(fix: FixRow) -> list[ExplainedFigure]:
    figures = [
        ExplainedFigure(
            "depth ± (95 %)",
            INTERVAL_95 * fix.transmitter_depth_sigma_m,
            "m",
            "1.960 × its standard deviation, which takes in marks, reading, tilt, ground, receiver",
            f"1.960 × {said(fix.transmitter_depth_sigma_m)}",
            "normal",
        )
    ]
    if isfinite(fix.transmitter_level_m) and isfinite(fix.ground_level_m):
        figures.append(
            ExplainedFigure(
                "level of the transmitter",
                fix.ground_level_m - fix.transmitter_depth_m,
                "m",
                "ground level − depth",
                f"{said(fix.ground_level_m)} − {said(fix.transmitter_depth_m)}",
                "definition",
                fix.transmitter_level_m,
            )
        )
    return figures


def ellipse_figures(
    row: EllipseRow, east: float, north: float, covariance: float
) -> list[ExplainedFigure]:
    """Return both half axes of a 95 % ellipse from σ east, σ north and their covariance."""
    mean, half = (east**2 + north**2) / 2, hypot((east**2 - north**2) / 2, covariance)
    each = (
        ("long", mean + half, "+", row.ellipse_major_95_m),
        ("short", max(mean - half, 0.0), "−", row.ellipse_minor_95_m),
    )
    if isnan(mean):
        return []
    return [
        ExplainedFigure(
            f"{name} half axis of the 95 % ellipse",
            ELLIPSE_95 * sqrt(square),
            "m",
            f"2.4477 × √(m {sign} h), m = (σe² + σn²) / 2, h = √(((σe² − σn²) / 2)² + c²)",
            f"2.4477 × √({said(mean, 6)} {sign} {said(half, 6)}) "
            f"with σe {said(east)}, σn {said(north)}, c {said(covariance, 6)}",
            "normal",
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
            " + ".join(said(s, 3) for s in shares),
            "least squares",
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
                "chi2",
            )
        )
    return figures


def _adjusted(view: RecordView, fix: FixRow) -> list[ExplainedFigure]:
    """Return how far the adjustment of the line moved the stop, and its levels there."""
    node = next((n for n in view.rows(NodeRow) if n.ref == fix.name and n.geometry), None)
    at = fix.geometry
    if node is None or node.geometry is None or at is None:
        return []
    ride = _height_m(view, f"run {fix.run_id}: ride height")
    place = node.geometry
    east, north = place.x - at.x, place.y - at.y
    up = node.invert_level_m + ride - fix.transmitter_level_m
    if isnan(up):
        return level_figures(view, node, node.line_id)
    figures = [
        ExplainedFigure(
            "how far the adjustment of the whole line moved the stop",
            hypot(east, north, up),
            "m",
            "distance in space from the stop by its own marks to the same in the line; "
            f"the invert lies lower by the ride height, {said(ride)}",
            f"√({said(east)}² + {said(north)}² + {said(up)}²)",
            "least squares",
            fix.shift_m,
        )
    ]
    return figures + level_figures(view, node, node.line_id)


def level_figures(view: RecordView, spot: PipePointRow, line: str) -> list[ExplainedFigure]:
    """Return the cover of a spot on a line, from its levels and the size of the pipe."""
    pipe = next((row for row in view.centrelines if row.line_id == line), None)
    if pipe is None or any(map(isnan, (spot.cover_m, spot.invert_level_m, spot.ground_level_m))):
        return []
    top = pipe.inside_diameter_m + pipe.wall_m
    return [
        ExplainedFigure(
            "cover",
            spot.ground_level_m - (spot.invert_level_m + top),
            "m",
            "ground level − (invert + inside diameter + wall)",
            f"{said(spot.ground_level_m)} − ({said(spot.invert_level_m)} + "
            f"{said(pipe.inside_diameter_m)} + {said(pipe.wall_m)})",
            "definition",
            spot.cover_m,
        ),
        ExplainedFigure(
            "cover ± (95 %)",
            INTERVAL_95 * spot.cover_sigma_m,
            "m",
            "1.960 × its standard deviation",
            f"1.960 × {said(spot.cover_sigma_m)}",
            "normal",
        ),
    ]
