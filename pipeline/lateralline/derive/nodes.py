"""The layers `pipe_nodes` and `node_lines`: named points of lines, one where lines meet.

Nodes are entries, the connection to the main, ends, bends, junctions, exposures, and the located
points between segments. Where a line joins another the node is that of the line joined; what each
line says of it stands in `node_lines`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import degrees, nan, sqrt
from typing import Final, TypeVar

import numpy as np

from lateralline.derive.axis import Along, Axis, joint_cov
from lateralline.derive.chainage import reach
from lateralline.derive.corridor import Corridor
from lateralline.derive.dates import SurveyDays
from lateralline.derive.ellipses import plan_columns
from lateralline.derive.quality import band_columns, point_evidence
from lateralline.derive.sampled import turns
from lateralline.derive.tables import GEOMETRY, Columns, fields_of, points
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.kernels.curves import angle_between
from lateralline.published import nearest_fittings
from lateralline.records import Floats, Line
from lateralline.settings import Run, Settings

T = TypeVar("T")

#: An entry this close along the line to a vertex is that vertex: common practice, no source.
SAME_PLACE_M: Final = 0.10
#: Step of the differences that carry position errors into the angle of a bend.
_STEP_M: Final = 1e-5
_BEND_COLUMNS: Final = (
    "bend_deg",
    "bend_sigma_deg",
    "bend_radius_m",
    "bend_radius_sigma_m",
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
    meets: tuple[str, int] | None = None  # line and vertex that the node belongs to, not this line


@dataclass(frozen=True, eq=False)
class LineNodes:
    """The nodes of one line (n), from downstream, where they are and how far off they may be."""

    axis: Axis
    nodes: tuple[Node, ...]
    places: Along
    plan: Mapping[str, Floats]  # σ and ellipse columns
    off_95_m: Floats

    @property
    def line(self) -> str:
        """The line's id."""
        return self.axis.line.line

    @property
    def xy_m(self) -> Floats:
        """Plan positions (n, 2), metres of the site frame."""
        return self.places.xyz_m[:, :2]

    def at_vertex(self, of_nodes: Sequence[T]) -> dict[int, T]:
        """Return what `of_nodes` (n) says of the node at each end of a stretch, by vertex."""
        at = {n.vertex: said for n, said in zip(self.nodes, of_nodes, strict=True)}
        for vertex in {v for s in self.axis.line.stretches for v in (s.first, s.last)} - at.keys():
            # an entry by its counter stands for the vertex
            apart = np.abs(self.places.chainage_m - self.axis.chainage_m[vertex])
            at[vertex] = of_nodes[int(np.argmin(apart))]
        return at


def line_nodes(
    settings: Settings, regions: Sequence[tuple[Axis, Corridor]]
) -> tuple[LineNodes, ...]:
    """Return the nodes of each line; an entry the line does not reach is not among them.

    A line stands behind the one it joins.
    """
    axes = [axis for axis, _ in regions]
    made: dict[str, LineNodes] = {}
    for axis, region in regions:
        named = entry_nodes(settings, axis) + connection_nodes(settings, axis)
        nodes = sorted([*vertex_nodes(axis, axes, named), *named], key=lambda n: n.chainage_m)
        places = axis.at(np.array([node.chainage_m for node in nodes]))
        places = places.by_counter(np.array([node.counter_sigma_m for node in nodes]))
        plan = plan_columns(places.cov_m2)
        off_95 = np.fmin(plan["ellipse_major_95_m"], _reach_at_bends(axis, region, nodes))
        made[axis.line.line] = LineNodes(axis, tuple(nodes), places, plan, off_95)
    left, ordered = dict(made), list[LineNodes]()
    while left:
        ready = [n for n in left.values() if n.axis.line.joins not in left] or list(left.values())
        ordered += ready
        left = {name: n for name, n in left.items() if n not in ready}
    return tuple(ordered)


def pipe_nodes(
    settings: Settings,
    days: SurveyDays,
    lines: Sequence[LineNodes],
    ids: Mapping[str, Sequence[str]],
    control: ControlPoints,
) -> Iterator[Columns]:
    """Yield the nodes that belong to each line, under their ids."""
    for line in lines:
        axis, places = line.axis, line.places
        seen = np.array([_seen(axis, n) for n in line.nodes], dtype=np.bool_)
        bends = [_bend(axis, node) for node in line.nodes]
        vertex_days = days.of_vertices(axis.line)
        whole: Columns = {
            "node_id": list(ids[line.line]),
            "kind": [n.kind for n in line.nodes],
            "ref": [n.ref for n in line.nodes],
            "placed_by": [n.placed_by for n in line.nodes],
            "surveyed_on": [_day(settings, days, axis, vertex_days, n) for n in line.nodes],
            **fields_of("pipe_nodes", places),
            **line.plan,
            "position_95_m": line.off_95_m,
            **{name: [bend[i] for bend in bends] for i, name in enumerate(_BEND_COLUMNS)},
            **band_columns(
                point_evidence(line.off_95_m, places.cover_sigma_m, places.depth_m, seen)
            ),
            **two_tapes(places.xyz_m, control, settings.accuracy),
            GEOMETRY: points(places.on_invert),
        }
        own = [i for i, node in enumerate(line.nodes) if node.meets is None]
        yield {"line_id": line.line} | {
            name: [values[i] for i in own] if isinstance(values, (list, np.ndarray)) else values
            for name, values in whole.items()
        }


def node_lines(lines: Sequence[LineNodes], ids: Mapping[str, Sequence[str]]) -> Iterator[Columns]:
    """Yield what each line says of its nodes: where along it, and its own invert there."""
    for line in lines:
        number = line.at_vertex(range(len(line.nodes)))
        first, last = number[0], number[len(line.axis.line.kind) - 1]
        roles = ["within"] * len(line.nodes)
        roles[first], roles[last] = "downstream_end", "upstream_end"
        yield {
            "line_id": line.line,
            "node_id": list(ids[line.line]),
            "role": roles,
            **fields_of("node_lines", line.places),
        }


def connection_nodes(settings: Settings, axis: Axis) -> list[Node]:
    """Return where runs of a line reached the main, by their counter."""
    nodes: dict[str, Node] = {}
    for run in settings.runs:
        if run.line == axis.line.line and run.main and run.main not in nodes:
            node = _by_counter(settings, axis, run, "connection", run.main, run.counter_at_main_m)
            nodes |= {run.main: node} if node else {}
    return list(nodes.values())


def _by_counter(
    settings: Settings, axis: Axis, run: Run, kind: str, name: str, counter_m: float
) -> Node | None:
    """Return the node at a counter of a run; None where the counter does not carry to it."""
    found = reach(axis, run, np.array([counter_m]), settings.accuracy)
    if found.status[0] == "not_located":
        return None
    by = "counter" if found.status[0] == "located" else "carried_on"
    place, sigma = float(found.chainage_m[0]), float(found.counter_sigma_m[0])
    return Node(place, kind, name, by, counter_sigma_m=sigma)


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
        node = _by_counter(settings, axis, run, "entry", run.entry, run.counter_at_entry_m)
        nodes |= {run.entry: node} if node else {}
    return list(nodes.values())


def vertex_nodes(axis: Axis, axes: Sequence[Axis], named: Sequence[Node]) -> list[Node]:
    """Return the nodes that are vertices of the line, apart from those that are `named`."""
    line = axis.line
    drawn = {a.line.line for a in axes}
    last = len(line.kind) - 1
    branches = {a.line.joins_at: a.line.line for a in axes if a.line.joins == line.line}
    nodes = []
    for vertex, (kind, ref) in enumerate(zip(line.kind.tolist(), line.ref.tolist(), strict=True)):
        place = float(axis.chainage_m[vertex])
        if any(
            e.vertex == vertex
            # an exposure under a name of its own stays a node of its own
            or (kind != "exposure" and abs(e.chainage_m - place) <= SAME_PLACE_M)
            for e in named
        ):
            continue
        if vertex in branches:
            nodes.append(Node(place, "junction", branches[vertex], vertex=vertex))
        elif vertex == 0 and line.joins:
            known = line.joins in drawn and line.joins_at >= 0
            meets = (line.joins, line.joins_at) if known else None
            nodes.append(Node(place, "junction", line.joins, vertex=vertex, meets=meets))
        elif kind in ("bend", "junction", "exposure"):
            nodes.append(Node(place, kind, ref, vertex=vertex))
        elif vertex in (0, last):
            nodes.append(Node(place, "end_located", ref, vertex=vertex))
        else:
            nodes.append(Node(place, "point", ref, vertex=vertex))
    return nodes


def _day(
    settings: Settings, days: SurveyDays, axis: Axis, vertex_days: Sequence[date], node: Node
) -> date:
    """Return the day of a node's vertex; of one a counter places, the latest of its runs.

    Those runs began at the node, or are of its line where none did.
    """
    if node.vertex >= 0:
        return vertex_days[node.vertex]
    of_line = [run for run in settings.runs if run.line == axis.line.line]
    own = [run.id for run in of_line if node.kind == "entry" and run.entry == node.ref]
    return max(days.of_runs(own), default=days.of_line(axis.line)[1])


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


def _bend(axis: Axis, node: Node) -> tuple[float, float, float, float, str, float, float, str]:
    """Return the values of `_BEND_COLUMNS` of a node."""
    if node.kind != "bend":
        return nan, nan, nan, nan, "", nan, nan, ""
    angle, sigma = (degrees(v) for v in bend_angle(axis.line, node.vertex))
    found = nearest_fittings(angle, sigma, axis.pipe.nominal)
    names, nearest = " or ".join(f.name for f in found), found[0]
    radius, radius_sigma = bend_radius(axis.line, node.vertex)
    off, source = angle - nearest.angle_deg, nearest.source
    return angle, sigma, radius, radius_sigma, names, nearest.angle_deg, off, source


def bend_radius(line: Line, vertex: int) -> tuple[float, float]:
    """Return the radius of the one bend of a stretch and its σ, metres; NaN where nothing tells."""
    if line.paths is None or not _one_bend(line, vertex):
        return nan, nan
    stretch = int(np.searchsorted(line.paths.stands, vertex)) - 1
    radius, sigma = line.paths.bend_radius_m[stretch]
    return float(radius), float(sigma)


def _one_bend(line: Line, vertex: int) -> bool:
    """Whether a vertex is the one bend between two located points."""
    near = line.kind[max(vertex - 1, 0) : vertex + 2] == "bend"
    return bool(near.tolist() == [False, True, False])


def bend_angle(line: Line, vertex: int) -> tuple[float, float]:
    """Return the deflection at an inner vertex and its σ, radians; NaN at an end.

    σ of the one bend of a stretch is how far the turns of its paths are off; else it carries the
    covariance of the vertex and both its neighbours.
    """
    if not 0 < vertex < len(line.kind) - 1:
        return nan, nan
    near = slice(vertex - 1, vertex + 2)
    three, cov = line.xyz_m[near], joint_cov(line)[near, :, near, :]
    if line.paths is not None and _one_bend(line, vertex):
        turn = float(_deflection(three))
        return turn, float(np.sqrt(np.mean((turns(line.paths, vertex) - turn) ** 2)))
    steps = np.eye(9).reshape(9, 3, 3) * _STEP_M
    slope = (_deflection(three + steps) - _deflection(three - steps)) / (2 * _STEP_M)
    variance = float(slope @ cov.reshape(9, 9) @ slope)
    return float(_deflection(three)), sqrt(max(variance, 0.0))


def _deflection(three: Floats) -> Floats:
    return angle_between(three[..., 1, :] - three[..., 0, :], three[..., 2, :] - three[..., 1, :])
