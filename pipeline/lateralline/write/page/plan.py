"""The plan: dig zone, corridor, pipe by its shape, ellipses, marks, stops, nodes, north up."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from bokeh.models import CDSView, ColumnDataSource, GroupFilter
from bokeh.models.filters import Filter, IntersectionFilter

from lateralline.write.page.figures import chosen, dressed, frame, names, pickable
from lateralline.write.page.sources import Sources
from lateralline.write.page.works import Works
from lateralline.write.picture.scene import Scene


def draw(scene: Scene, of: Sources, works: Works | None = None) -> Any:
    """Return the plan; x and y are metres from the scene's corner."""
    plan = frame("plan", equal=True)
    _areas(plan, scene)
    if works is not None:
        _planned(plan, works)
    _pipe(plan, scene)
    for source, role in ((of.stops, "fix"), (of.nodes, "pipe"), (of.seen, "seen")):
        ellipse = plan.ellipse(
            "x", "y", width="major", height="minor", angle="angle", source=source,
            fill_alpha=0.10, line_width=1.3, line_dash="solid" if role == "fix" else "dotted",
        )  # fmt: skip
        dressed(ellipse, "ellipses", line_color=role, fill_color=role)
    path = plan.line("x", "y", source=ColumnDataSource({"x": [], "y": []}, name="measured_plan"),
                     line_width=7, line_alpha=0.65)  # fmt: skip
    dressed(path, line_color="measured")
    marks = plan.scatter("x", "y", marker="marker", size="size", source=of.marks, line_width=1.4)
    dressed(marks, "marks", line_color="ink", fill_color="paper")
    chosen(marks, 13)
    control = plan.scatter("x", "y", marker="circle_cross", size=12, source=of.control)
    dressed(control, "control", line_color="ink", fill_color="paper")
    names(plan, "control", "ink")
    nodes = plan.scatter("x", "y", marker="marker", size=13, source=of.nodes, line_width=2)
    dressed(nodes, "nodes", line_color="pipe", fill_color="paper")
    seen = plan.scatter("x", "y", marker="inverted_triangle", size=12, source=of.seen)
    dressed(seen, "seen", line_color="paper", fill_color="seen")
    stops = plan.scatter("x", "y", marker="circle", size=9, source=of.stops)
    dressed(stops, "stops", line_color="paper", fill_color="fix")
    for renderer in (nodes, seen, stops):
        chosen(renderer, 17)
    for kind, role in (("nodes", "pipe"), ("seen", "seen"), ("stops", "fix")):
        names(plan, kind, role)
    approaches = [] if works is None else least_separations(plan, of, "axis_x", "axis_y", "x", "y")
    measured_ends(plan)
    pickable(plan, (stops, nodes, seen, *approaches))
    return plan


def _areas(plan: Any, scene: Scene) -> None:
    zones = scene.layers["dig_zone"]
    whole = zones[zones["zone"] == "tolerance_and_corridor"].geometry
    near = zones[zones["zone"] == "tolerance"].geometry
    filled = plan.multi_polygons("xs", "ys", source=_polygons(whole), fill_alpha=0.75, line_width=2)
    dressed(filled, "zone", fill_color="zone", line_color="zone_edge")
    dashed = plan.multi_polygons(
        "xs", "ys", source=_polygons(near), fill_alpha=0.0, line_width=1.4, line_dash="dashed"
    )
    dressed(dashed, "zone", line_color="zone_edge")
    corridor = plan.multi_polygons(
        "xs", "ys", source=_polygons(scene.layers["position_corridor"].geometry), fill_alpha=0.7,
        line_width=1,
    )  # fmt: skip
    dressed(corridor, "corridor", fill_color="corridor", line_color="pipe")


def _planned(plan: Any, works: Works) -> None:
    """Outline the planned works, hatched: they are not there yet."""
    shapes = plan.multi_polygons(
        "xs", "ys", source=_polygons(works.outlines.geometry), fill_alpha=0.0, line_width=1.6,
        hatch_pattern="right_diagonal_line", hatch_scale=7, hatch_weight=0.7,
    )  # fmt: skip
    dressed(shapes, "works", line_color="works", hatch_color="works")


def _polygons(shapes: Any) -> ColumnDataSource:
    """Return polygons with their holes: one row a polygon."""
    parts = [p for p in shapely.get_parts(np.asarray(shapes.array)) if p is not None]
    rings = [[np.asarray(r.coords)[:-1].T for r in (p.exterior, *p.interiors)] for p in parts]
    return ColumnDataSource(
        {
            "xs": [[[x.tolist() for x, _ in polygon]] for polygon in rings],
            "ys": [[[y.tolist() for _, y in polygon]] for polygon in rings],
        }
    )


def _pipe(plan: Any, scene: Scene) -> None:
    segments = scene.layers["pipe_segments"]
    undecided = segments["shape"] == "undecided"
    for rows, dash in ((segments[~undecided], "solid"), (segments[undecided], "9 6")):
        paths = [shapely.get_coordinates(g) for g in rows.geometry if g is not None]
        dressed(_paths(plan, paths, line_width=3.5, line_dash=dash), "pipe", line_color="pipe")
    ends = scene.layers["pipe_centreline"].set_index("line_id").geometry
    paths = []
    for node in scene.carried_on.itertuples():
        if node.line_id in ends.index and node.geometry is not None:
            path = shapely.get_coordinates(ends[node.line_id])
            end = path[0] if node.chainage_m < 0.0 else path[-1]
            paths.append(np.array([end, [node.geometry.x, node.geometry.y]]))
    dressed(_paths(plan, paths, line_width=2, line_dash="2 5"), "pipe", line_color="pipe")
    _flow(plan, ends)


def _paths(plan: Any, paths: list[Any], **look: Any) -> Any:
    columns = {"xs": [p[:, 0].tolist() for p in paths], "ys": [p[:, 1].tolist() for p in paths]}
    return plan.multi_line("xs", "ys", source=ColumnDataSource(columns), **look)


def _flow(plan: Any, lines: Any) -> None:
    """Set a tip on each line, pointing the way the water runs: towards its start."""
    columns: dict[str, list[float]] = {"x": [], "y": [], "angle": []}
    for line in lines:
        if line is None or line.length == 0.0:
            continue
        for share in (0.3, 0.7):
            at = line.interpolate(share, normalized=True)
            onward = line.interpolate(max(share * line.length - 0.05, 0.0))
            columns["x"].append(at.x)
            columns["y"].append(at.y)
            columns["angle"].append(np.arctan2(onward.y - at.y, onward.x - at.x) - np.pi / 2)
    tips = plan.scatter(
        "x", "y", angle="angle", marker="triangle", size=13, source=ColumnDataSource(columns)
    )
    dressed(tips, "pipe", fill_color="pipe", line_color="paper")


def least_separations(
    drawing: Any, of: Sources, x0: str, y0: str, x1: str, y1: str, line: GroupFilter | None = None
) -> list[Any]:
    """Draw each pair's least separation, from pipe to planned thing; return what can be picked."""
    ends = []
    for verdict, role, marker, look in (
        ("none_shown", "works", "square", {"line_width": 1.5, "line_dash": "dashed"}),
        ("conflict", "warn", "square_x", {"line_width": 3.0}),
    ):
        kept: Filter = GroupFilter(column_name="verdict", group=verdict)
        if line is not None:
            kept = IntersectionFilter(operands=[kept, line])
        bar = drawing.segment(x0, y0, x1, y1, source=of.works, view=CDSView(filter=kept), **look)
        dressed(bar, "works", line_color=role)
        end = drawing.scatter(
            x1, y1, marker=marker, size=12, source=of.works, view=CDSView(filter=kept), line_width=2
        )
        dressed(end, "works", line_color=role, fill_color="paper")
        ends.append(chosen(end, 17))
    names(drawing, "works", "works")
    return ends


def measured_ends(drawing: Any) -> None:
    """Draw both ends of a measured distance, named, empty until something is measured."""
    name = f"measured_{drawing.name}_ends"
    source = ColumnDataSource({"x": [], "y": [], "label": []}, name=name)
    ends = drawing.scatter("x", "y", marker="circle_dot", size=18, source=source, line_width=3)
    dressed(ends, line_color="measured", fill_color="paper")
    text = drawing.text(
        "x", "y", text="label", source=source, text_font_size="15px", text_font_style="bold",
        y_offset=-12, text_align="center",
    )  # fmt: skip
    dressed(text, text_color="measured")
