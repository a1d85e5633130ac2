"""The `pipe_nodes` layer: ends, entries, bends, junctions, exposures of each line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from math import degrees, nan, sqrt
from typing import Final

import numpy as np

from lateralline.derive.axis import Axis, joint_cov
from lateralline.derive.chainage import reach
from lateralline.derive.corridor import Corridor
from lateralline.derive.dates import SurveyDays
from lateralline.derive.ellipses import plan_columns
from lateralline.derive.quality import point_columns
from lateralline.derive.tables import GEOMETRY, Columns, fields_of, points
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.kernels.curves import angle_between
from lateralline.published import nearest_fittings
from lateralline.records import Floats, Line
from lateralline.settings import Settings

#: An entry this close along the line to a vertex is that vertex: common practice, no source.
SAME_PLACE_M: Final = 0.10
#: Step of the differences that carry position errors into the angle of a bend.
_STEP_M: Final = 1e-5
_BEND_COLUMNS: Final = (
    "bend_deg",
    "bend_sigma_deg",
    "nearest_fitting",
    "fitting_deg",
    "fitting_misfit_deg",
    "fitting_source",
)


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
    days: SurveyDays,
    regions: Sequence[tuple[Axis, Corridor]],
    control: ControlPoints,
) -> Iterator[Columns]:
    """Yield the nodes of each line; an entry the line does not reach is not among them."""
    axes = [axis for axis, _ in regions]
    for axis, region in regions:
        entries = entry_nodes(settings, axis)
        nodes = sorted([*vertex_nodes(axis, axes, entries), *entries], key=lambda n: n.chainage_m)
        places = axis.at(np.array([node.chainage_m for node in nodes]))
        places = places.by_counter(np.array([node.counter_sigma_m for node in nodes]))
        plan = plan_columns(places.cov_m2)
        off_95 = np.fmin(plan["semi_major_95_m"], _reach_at_bends(axis, region, nodes))
        seen = np.array([_seen(axis, n) for n in nodes], dtype=np.bool_)
        bends = [_bend(axis, node) for node in nodes]
        vertex_days = days.of_vertices(axis.line)
        yield {
            "line_id": axis.line.line,
            "node_id": [f"{axis.line.line}/N{i + 1}" for i in range(len(nodes))],
            "kind": [n.kind for n in nodes],
            "ref": [n.ref for n in nodes],
            "placed_by": [n.placed_by for n in nodes],
            "surveyed_on": [_day(days, axis, vertex_days, n) for n in nodes],
            **fields_of("pipe_nodes", places),
            **plan,
            "plan_95_m": off_95,
            **{name: [bend[i] for bend in bends] for i, name in enumerate(_BEND_COLUMNS)},
            **point_columns(off_95, places.cover_sigma_m, places.depth_m, seen),
            **two_tapes(places.xyz_m, control, settings.accuracy),
            GEOMETRY: points(places.on_invert),
        }


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
            by = "counter" if found.status[0] == "on_line" else "carried_on"
            place, sigma = float(found.chainage_m[0]), float(found.counter_sigma_m[0])
            nodes[run.entry] = Node(place, "entry", run.entry, by, counter_sigma_m=sigma)
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


def _day(days: SurveyDays, axis: Axis, vertex_days: Sequence[date], node: Node) -> date:
    """Return the day of a node's vertex; of one the counter places, the line's latest."""
    if node.vertex >= 0:
        return vertex_days[node.vertex]
    return days.of_line(axis.line)[1]


def _seen(axis: Axis, node: Node) -> bool:
    """True where the pipe was exposed, and nothing contradicts what was measured there."""
    line, at = axis.line, node.vertex
    return at >= 0 and line.kind[at] == "exposure" and str(line.ref[at]) not in line.contested


def _reach_at_bends(axis: Axis, region: Corridor, nodes: Sequence[Node]) -> Floats:
    """Return how far reach lets nodes be off (n,), metres: ∞ but at bends.

    Along the pipe a bend is barely fixed by anything else.
    """
    within = {
        vertex: float(region.off_m[number])
        for number, stretch in enumerate(axis.line.stretches)
        for vertex in range(stretch.first + 1, stretch.last)
    }
    return np.array([within.get(node.vertex, np.inf) for node in nodes])


# ---- bends ---------------------------------------------------------------------------------


def _bend(axis: Axis, node: Node) -> tuple[float, float, str, float, float, str]:
    """Return the values of `_BEND_COLUMNS` of a node."""
    if node.kind != "bend":
        return nan, nan, "", nan, nan, ""
    angle, sigma = (degrees(v) for v in bend_angle(axis.line, node.vertex))
    found = nearest_fittings(angle, sigma, axis.pipe.nominal)
    names, nearest = " or ".join(f.name for f in found), found[0]
    return angle, sigma, names, nearest.angle_deg, angle - nearest.angle_deg, nearest.source


def bend_angle(line: Line, vertex: int) -> tuple[float, float]:
    """Return the deflection at an inner vertex and its σ, radians; NaN at an end.

    σ carries the covariance of the vertex and both its neighbours.
    """
    if not 0 < vertex < len(line.kind) - 1:
        return nan, nan
    near = slice(vertex - 1, vertex + 2)
    three, cov = line.xyz_m[near], joint_cov(line)[near, :, near, :]
    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (_deflection(three + steps) - _deflection(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ cov.reshape(9, 9) @ slope)
    return float(_deflection(three)), sqrt(max(variance, 0.0))


def _deflection(three: Floats) -> Floats:
    return angle_between(three[..., 1, :] - three[..., 0, :], three[..., 2, :] - three[..., 1, :])
