"""An exposure: what was measured, its chain of levels, and how the line agrees with it."""

from __future__ import annotations

from math import hypot, isfinite, sqrt

from lateralline.explain.along import tell_node
from lateralline.explain.content import ExplainedFigure, ToldSpot, formula, held, put, said
from lateralline.explain.origin import corner_of, in_files
from lateralline.record.rows import ExposureRow, FindingRow, NodeRow
from lateralline.record.view import RecordView


def tell_exposure(view: RecordView, seen: ExposureRow, told: ToldSpot) -> None:
    """Tell an exposure, and the node of the line that it makes."""
    to = seen.measured_to.replace("_", " ") or "nothing in level"
    told.said.append(
        f"Exposure {seen.exposure} of line {seen.line_id}: booked {seen.booked}, measured to "
        f"{to} ({seen.source_row})."
    )
    told.figures += _levels(view, seen)
    nodes = nodes_of(view, seen)
    for node in nodes:
        told.figures += _residuals(seen, node)
    if not nodes:
        rejected = any(
            row.subject == f"exposure {seen.exposure}" and row.severity != "info"
            for row in view.rows(FindingRow)
        )
        why = "the findings below say why" if rejected else "the line does not reach it"
        told.said.append(f"The line has no node of it: {why}.")
    told.table(
        "As measured",
        f"east and north in metres on the ground from a {corner_of(view)}; σ by what was stated of "
        "tape, GNSS and depth; the weight of each is 1 / σ²",
        ("exposure", "booked", "measured to", "counter", "east", "north", "level", "σ east",
         "σ north", "σ level", "weight of level (1/σ²)"),
        [
            (
                seen.exposure, seen.booked, to, said(seen.counter_m, 3),
                said(seen.geometry.x, 3) if seen.geometry else "–",
                said(seen.geometry.y, 3) if seen.geometry else "–",
                said(seen.point_level_m, 3), said(seen.east_sigma_m), said(seen.north_sigma_m),
                said(seen.level_sigma_m), said(1 / seen.level_sigma_m**2, 0)
                if seen.level_sigma_m > 0.0 else "–",
            )
        ],
        *in_files(view, [seen.source_row]),
        held("field_exposures", seen.exposure),
    )  # fmt: skip
    for node in nodes:
        tell_node(view, node, told)


def nodes_of(view: RecordView, seen: ExposureRow) -> list[NodeRow]:
    """Return the node that an exposure makes of its line; none where the line does not take it."""
    rows = view.rows(NodeRow, seen.line_id)
    return [n for n in rows if n.ref == seen.exposure and n.geometry]


def _levels(view: RecordView, seen: ExposureRow) -> list[ExplainedFigure]:
    """Return the chain of levels: ground, what was measured, invert."""
    figures = []
    to = seen.measured_to.replace("_", " ")
    file = in_files(view, [seen.source_row])
    if isfinite(seen.depth_m) and isfinite(seen.ground_level_m):
        figures.append(
            ExplainedFigure(
                f"level of the {to} that was measured",
                seen.ground_level_m - seen.depth_m,
                "m",
                "level of the ground − depth measured",
                f"{put(seen.ground_level_m)} − {put(seen.depth_m)}",
                (
                    formula("definition"),
                    *file,
                    held("field_exposures", seen.exposure, "ground_level_m", "depth_m"),
                ),
                seen.point_level_m,
            )
        )
    if isfinite(seen.point_level_m) and isfinite(seen.above_invert_m):
        figures.append(
            ExplainedFigure(
                "level of the invert by the exposure alone",
                seen.point_level_m - seen.above_invert_m,
                "m",
                f"level of the {to} − how far that lies above the invert, by the size of the pipe",
                f"{put(seen.point_level_m)} − {put(seen.above_invert_m)}",
                (
                    formula("definition"),
                    held("field_exposures", seen.exposure, "point_level_m", "above_invert_m"),
                ),
            )
        )
    return figures


def _residuals(seen: ExposureRow, node: NodeRow) -> list[ExplainedFigure]:
    """Return how far the adjusted line passes the exposure by, in plan and level."""
    figures = []
    cites = (
        formula("least squares"),
        held("field_exposures", seen.exposure, "geometry", "point_level_m", "above_invert_m"),
        held("pipe_nodes", node.node_id, "geometry", "invert_level_m"),
    )
    a, b = seen.geometry, node.geometry
    if a is not None and b is not None:
        east, north = b.x - a.x, b.y - a.y
        figures.append(
            ExplainedFigure(
                "how far the adjusted line lies from the exposure, in plan",
                hypot(east, north),
                "m",
                "√((east of the node − of the exposure)² + (north of the node − of the exposure)²)",
                f"√(({put(b.x)} − {put(a.x)})² + ({put(b.y)} − {put(a.y)})²)",
                cites,
            )
        )
        spread = sqrt((seen.east_sigma_m**2 + seen.north_sigma_m**2) / 2)
        if spread > 0.0:
            figures.append(
                ExplainedFigure(
                    "the same over its σ in plan",
                    hypot(east, north) / spread,
                    "1",
                    "how far / √((σ east² + σ north²) / 2)",
                    f"{put(hypot(east, north))} / √(({put(seen.east_sigma_m)}² + "
                    f"{put(seen.north_sigma_m)}²) / 2)",
                    cites,
                )
            )
    up = node.invert_level_m - (seen.point_level_m - seen.above_invert_m)
    if isfinite(up):
        figures.append(
            ExplainedFigure(
                "how far the adjusted line lies above the exposure, in level",
                up,
                "m",
                "invert of the node − (level of what was measured − how far that lies above it)",
                f"{put(node.invert_level_m)} − ({put(seen.point_level_m)} − "
                f"{put(seen.above_invert_m)})",
                cites,
            )
        )
        if seen.level_sigma_m > 0.0:
            figures.append(
                ExplainedFigure(
                    "the same over its σ of level",
                    up / seen.level_sigma_m,
                    "1",
                    "how far / σ of the level as measured",
                    f"{put(up)} / {put(seen.level_sigma_m)}",
                    cites,
                )
            )
    return figures
