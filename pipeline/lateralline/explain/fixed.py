"""What is on the ground: a mark alone, control points, baselines, and the site as a whole."""

from __future__ import annotations

from math import hypot, isfinite, isnan

from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95
from lateralline.explain.content import ExplainedFigure, ToldSpot, formula, held, put, said
from lateralline.explain.origin import corner_of, in_files
from lateralline.kernels.network import W_LIMIT
from lateralline.record.rows import ControlRow, MarkRow
from lateralline.record.view import RecordView
from lateralline.wording import rounded_down


def tell_mark(view: RecordView, mark: MarkRow, told: ToldSpot) -> None:
    """Tell a mark by itself."""
    stop = f"{mark.run_id}/{mark.stop_id}"
    used = "" if mark.used else " and is not used"
    told.said.append(
        f"Mark {mark.mark_id} of stop {stop} is booked as {mark.kind.replace('_', ' ')}{used}: "
        f"{mark.booked or mark.method} ({mark.source_row})."
    )
    if isfinite(mark.residual_m):
        off = hypot(mark.residual_along_m, mark.residual_across_m)
        told.figures.append(
            ExplainedFigure(
                f"how far off mark {mark.mark_id} lies",
                off,
                "m",
                "√(residual along² + residual across²)",
                f"√({put(mark.residual_along_m)}² + {put(mark.residual_across_m)}²)",
                (
                    formula("least squares"),
                    held("field_marks", mark.mark_id, "residual_along_m", "residual_across_m"),
                ),
                mark.residual_m,
            )
        )
    if isfinite(mark.std_residual):
        told.figures.append(
            ExplainedFigure(
                f"how far within the limit mark {mark.mark_id} is (negative: beyond it)",
                W_LIMIT - mark.std_residual,
                "1",
                "3.29 − w; w is how many times its expected error the residual is",
                f"{put(W_LIMIT)} − {put(mark.std_residual)}",
                (formula("least squares"), held("field_marks", mark.mark_id, "std_residual")),
            )
        )


def tell_control(view: RecordView, point: ControlRow, told: ToldSpot) -> None:
    """Tell a control point, and what hangs on it."""
    tell_points(view, [point], told)
    named = point.point
    own = [m for m in view.rows(MarkRow) if named in m.booked.replace("–", " ").split()]
    told.table(
        f"Marks measured from {named}",
        "as booked",
        ("mark", "stop", "as booked", "file and row", "times expected (limit 3.29)"),
        [
            (m.mark_id, f"{m.run_id}/{m.stop_id}", m.booked, m.source_row, said(m.std_residual, 2))
            for m in own
        ],
        *in_files(view, [m.source_row for m in own]),
    )


def tell_points(view: RecordView, points: list[ControlRow], told: ToldSpot) -> None:
    """Tell control points: as given, as placed, and how good they were taken to be."""
    for point in points:
        sigma_m = _sigma_m(view, point)
        told.said.append(
            f"Control point {point.point} is taken as good to "
            f"{view.off_both(ELLIPSE_95 * sigma_m)} (95 %) in plan."
            if sigma_m
            else f"Control point {point.point} is taken as exact in plan."
        )
    told.table(
        "Control points",
        f"x and y as given; east and north in metres on the ground from a {corner_of(view)}; σ as "
        "given or assumed",
        ("point", "x as given", "y as given", "east", "north", "level", "σ in plan", "σ of level",
         "file and row"),
        [
            (p.point, f"{p.x_given:.12g}", f"{p.y_given:.12g}",
             said(p.geometry.x, 3) if p.geometry else "–",
             said(p.geometry.y, 3) if p.geometry else "–",
             said(p.point_level_m, 3), said(_sigma_m(view, p)), said(p.level_sigma_m),
             p.source_row)
            for p in points
        ],
        *in_files(view, [p.source_row for p in points]),
        held("control_points", ", ".join(p.point for p in points)),
    )  # fmt: skip


def _sigma_m(view: RecordView, point: ControlRow) -> float:
    """Return the σ in plan that a control point had in the survey, metres on each axis."""
    own = point.position_sigma_m
    return view.control_sigma_m if isnan(own) else own


def tell_baseline(view: RecordView, points: list[ControlRow], told: ToldSpot) -> None:
    """Tell a baseline between two control points: its length, and how far that may be off."""
    one, other = points
    what = f"level length of {one.point}–{other.point} by coordinates"
    if (length := length_between(one, other, what)) is not None:
        told.figures += [
            length,
            ExplainedFigure(
                "that length ± (95 %)",
                INTERVAL_95 * hypot(_sigma_m(view, one), _sigma_m(view, other)),
                "m",
                "1.960 × √(σ of the one² + σ of the other²)",
                f"1.959964 × √({put(_sigma_m(view, one))}² + {put(_sigma_m(view, other))}²)",
                (formula("normal"),
                 held("control_points", f"{one.point}, {other.point}", "position_sigma_m")),
            ),
        ]  # fmt: skip
    tell_points(view, points, told)


def length_between(
    one: ControlRow, other: ControlRow, what: str, *, sloped: bool = False
) -> ExplainedFigure | None:
    """Return the level or sloped length between two control points; None where one is unplaced."""
    a, b = one.geometry, other.geometry
    if a is None or b is None:
        return None
    up = one.point_level_m - other.point_level_m if sloped else 0.0
    level = f" + ({put(one.point_level_m)} − {put(other.point_level_m)})²" if up else ""
    return ExplainedFigure(
        what,
        hypot(a.x - b.x, a.y - b.y, up),
        "m",
        "√((difference of east)² + (difference of north)²"
        + (" + (difference of level)²)" if up else "), on the ground"),
        f"√(({put(a.x)} − {put(b.x)})² + ({put(a.y)} − {put(b.y)})²{level})",
        (
            formula("definition"),
            held("control_points", f"{one.point}, {other.point}", "geometry"),
        ),
    )


def tell_site(view: RecordView, told: ToldSpot) -> None:
    """Tell what a site comes to: its lines, and its control points."""
    told.said.append(
        f"Site {view.site_id} has {len(view.centrelines)} located lines, {len(view.fixes)} stops "
        f"and {len(view.rows(MarkRow))} marks; `explain` tells each line by its name."
    )
    told.table(
        "Lines",
        "what each comes to, in metres",
        ("line", "length", "cover at least (95 %)", "position ± (95 %) at most",
         "level ± (95 %) at most", "misfit χ²", "spare"),
        [
            (line.line_id, said(line.length_m, 3),
             said(rounded_down(view.least_cover_95_m(line.line_id), 3), 3),
             said(line.position_95_max_m), said(INTERVAL_95 * line.invert_sigma_max_m),
             said(line.chi2, 2), said(line.dof, 0))
            for line in view.centrelines
        ],
        held("pipe_centreline", "of each line"),
    )  # fmt: skip
    if view.control:
        tell_points(view, list(view.control), told)
