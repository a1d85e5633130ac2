"""The `pipe_nodes` layer: ends, entries, bends, junctions, exposures of each line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, nan

import numpy as np

from lateralline import contract
from lateralline.derive.axis import Along, Axis
from lateralline.derive.bends import bend_angle
from lateralline.derive.chainage import reach
from lateralline.derive.corridor import Corridor
from lateralline.derive.ellipses import plan_columns
from lateralline.derive.marks import points
from lateralline.derive.quality import point_columns
from lateralline.derive.tables import Row, Values, from_rows, rows_of
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.published import nearest_fittings
from lateralline.records import Product
from lateralline.settings import Settings

#: An entry this close along the line to a vertex is that vertex: common practice, no source.
SAME_PLACE_M = 0.10


@dataclass(frozen=True, slots=True)
class Node:
    """A node before its columns: what it is, where on its line, and which vertex."""

    chainage_m: float
    kind: str
    ref: str
    placed_by: str = "adjustment"
    vertex: int = -1  # none of the line's own
    counter_sigma_m: float = 0.0  # along the line, when the counter gave the place


def pipe_nodes(
    settings: Settings,
    datum: str,
    axes: Sequence[Axis],
    regions: Sequence[Corridor],
    control: ControlPoints,
) -> Product:
    """Return the layer; an entry the line does not reach is not in it (`link` says so)."""
    rows: list[Row] = []
    shapes: list[object] = []
    for axis, region in zip(axes, regions, strict=True):
        entries = entry_nodes(settings, axis)
        nodes = sorted([*vertex_nodes(axis, axes, entries), *entries], key=lambda n: n.chainage_m)
        places = axis.at(np.array([node.chainage_m for node in nodes]))
        places = places.by_counter(np.array([node.counter_sigma_m for node in nodes]))
        columns = _columns(settings, datum, axis, region, nodes, places)
        columns |= two_tapes(places.xyz_m, control, settings.accuracy)
        rows += rows_of(columns, len(nodes))
        shapes += points(places.on_invert, np.ones(len(nodes), dtype=np.bool_))
    return from_rows("pipe_nodes", rows, shapes)


def entry_nodes(settings: Settings, axis: Axis) -> list[Node]:
    """Return the entries of a line's runs: an exposure of that name, else by their counter."""
    line = axis.line
    nodes: dict[str, Node] = {}
    for run in settings.runs:
        if run.line != line.line or not run.entry or run.entry in nodes:
            continue
        seen = np.flatnonzero((line.kind == "exposure") & (line.ref == run.entry))
        if len(seen):
            vertex = int(seen[0])
            place = float(axis.chainage_m[vertex])
            nodes[run.entry] = Node(place, "entry", run.entry, "adjustment", vertex)
            continue
        found = reach(axis, run, np.array([run.counter_at_entry_m]), settings.accuracy)
        if found.status[0] != "not_placed":
            nodes[run.entry] = Node(
                float(found.chainage_m[0]),
                "entry",
                run.entry,
                "counter" if found.status[0] == "on_line" else "carried_on",
                counter_sigma_m=float(found.counter_sigma_m[0]),
            )
    return list(nodes.values())


def vertex_nodes(axis: Axis, axes: Sequence[Axis], entries: Sequence[Node]) -> list[Node]:
    """Return the nodes that are vertices of the line, apart from those that are entries."""
    line = axis.line
    last = len(line.kind) - 1
    branches = {a.line.joins_at: a.line.line for a in axes if a.line.joins == line.line}
    nodes = []
    for vertex, (kind, ref) in enumerate(zip(line.kind.tolist(), line.ref.tolist(), strict=True)):
        place = float(axis.chainage_m[vertex])
        if any(
            e.vertex == vertex
            # an exposure under a name of its own stays a node of its own
            or (kind != "exposure" and abs(e.chainage_m - place) <= SAME_PLACE_M)
            for e in entries
        ):
            continue
        if vertex in branches:
            nodes.append(Node(place, "junction", branches[vertex], vertex=vertex))
        elif vertex == 0 and line.joins:
            nodes.append(Node(place, "junction", line.joins, vertex=vertex))
        elif kind in ("bend", "junction", "exposure"):
            nodes.append(Node(place, kind, ref, vertex=vertex))
        elif vertex in (0, last):
            nodes.append(Node(place, "line_end", ref, vertex=vertex))
    return nodes


def _columns(
    settings: Settings,
    datum: str,
    axis: Axis,
    region: Corridor,
    nodes: Sequence[Node],
    places: Along,
) -> dict[str, Values]:
    plan = plan_columns(places.cov_m2)
    seen = np.array([_seen(axis, n) for n in nodes], dtype=np.bool_)
    within = _reach_at_bends(axis, region)
    off_95 = np.fmin(
        plan["semi_major_95_m"], np.array([within.get(n.vertex, np.inf) for n in nodes])
    )
    return {
        "site_id": [settings.id] * len(nodes),
        "line_id": [axis.line.line] * len(nodes),
        "node_id": [f"{axis.line.line}/N{i + 1}" for i in range(len(nodes))],
        "kind": [n.kind for n in nodes],
        "ref": [n.ref for n in nodes],
        "placed_by": [n.placed_by for n in nodes],
        "chainage_m": places.chainage_m,
        "invert_level_m": places.invert_m,
        "invert_sigma_m": places.invert_sigma_m,
        "level_datum": [datum] * len(nodes),
        "ground_level_m": places.ground_m,
        "cover_m": places.cover_m,
        "cover_sigma_m": places.depth_sigma_m,
        **_bend_columns(axis, nodes),
        **plan,
        "plan_95_m": off_95,
        "caution": [contract.load("pipe_nodes").caution] * len(nodes),
        **point_columns(off_95, places.depth_sigma_m, places.depth_m, seen),
    }


def _seen(axis: Axis, node: Node) -> bool:
    """True where the pipe was exposed, and nothing contradicts what was measured there."""
    line, at = axis.line, node.vertex
    return at >= 0 and line.kind[at] == "exposure" and str(line.ref[at]) not in line.contested


def _reach_at_bends(axis: Axis, region: Corridor) -> dict[int, float]:
    """Return, by vertex, how far reach lets a bend be off: along the pipe it is barely fixed."""
    return {
        vertex: float(region.off_m[number])
        for number, stretch in enumerate(axis.line.stretches)
        for vertex in range(stretch.first + 1, stretch.last)
    }


def _bend_columns(axis: Axis, nodes: Sequence[Node]) -> dict[str, Values]:
    rows = []
    for node in nodes:
        if node.kind != "bend":
            rows.append((nan, nan, "", nan, nan, ""))
            continue
        angle, sigma = bend_angle(axis.line, node.vertex)
        found = nearest_fittings(degrees(angle), degrees(sigma), axis.pipe.nominal)
        names, nearest = " or ".join(f.name for f in found), found[0]
        off = degrees(angle) - nearest.angle_deg
        rows.append((degrees(angle), degrees(sigma), names, nearest.angle_deg, off, nearest.source))
    columns = (
        "bend_deg",
        "bend_sigma_deg",
        "nearest_fitting",
        "fitting_deg",
        "fitting_misfit_deg",
        "fitting_source",
    )
    return {name: [row[i] for row in rows] for i, name in enumerate(columns)}
