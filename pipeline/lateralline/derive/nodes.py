"""The `pipe_nodes` layer: ends, entries, bends, junctions, exposures of each line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, isfinite, nan

import numpy as np

from lateralline.derive.axis import Along, Axis
from lateralline.derive.bends import bend_angle, nearest_fitting
from lateralline.derive.chainage import reach
from lateralline.derive.ellipses import plan_columns
from lateralline.derive.marks import points
from lateralline.derive.quality import point_columns
from lateralline.derive.tables import Row, Values, from_rows, rows_of
from lateralline.derive.ties import Control, two_tapes
from lateralline.records import Finding, Product
from lateralline.settings import Run, Settings

#: An entry this close along the line to a vertex is that vertex: common practice, no source.
SAME_PLACE_M = 0.10


@dataclass(frozen=True, slots=True)
class Node:
    """A node before its columns: what it is, where on its line, and which vertex."""

    chainage_m: float
    kind: str
    ref: str
    vertex: int = -1  # none of the line's own
    counter_sigma_m: float = 0.0  # along the line, when the counter gave the place


def pipe_nodes(
    settings: Settings, datum: str, axes: Sequence[Axis], control: Control
) -> tuple[Product, tuple[Finding, ...]]:
    """Return the layer, and a finding for every entry the line does not reach."""
    rows: list[Row] = []
    shapes: list[object] = []
    findings: list[Finding] = []
    for axis in axes:
        entries, missed = entry_nodes(settings, axis)
        findings += missed
        nodes = sorted([*vertex_nodes(axis, axes, entries), *entries], key=lambda n: n.chainage_m)
        places = axis.at(np.array([node.chainage_m for node in nodes]))
        places = places.by_counter(np.array([node.counter_sigma_m for node in nodes]))
        columns = _columns(settings, datum, axis, nodes, places)
        columns |= two_tapes(places.xyz_m, control, settings.accuracy)
        rows += rows_of(columns, len(nodes))
        shapes += points(places.on_invert, np.ones(len(nodes), dtype=np.bool_))
    return from_rows("pipe_nodes", rows, shapes), tuple(findings)


def entry_nodes(settings: Settings, axis: Axis) -> tuple[list[Node], list[Finding]]:
    """Return the entries of a line's runs: an exposure of that name, else by their counter."""
    line = axis.line
    nodes: dict[str, Node] = {}
    findings = []
    for run in settings.runs:
        if run.line != line.line or not run.entry or run.entry in nodes:
            continue
        seen = np.flatnonzero((line.kind == "exposure") & (line.ref == run.entry))
        if len(seen):
            vertex = int(seen[0])
            nodes[run.entry] = Node(float(axis.chainage_m[vertex]), "entry", run.entry, vertex)
            continue
        found = reach(axis, run, np.array([run.counter_at_entry_m]), settings.accuracy)
        if found.status[0] == "not_placed":
            findings += _unlocated(run, float(found.beyond_m[0]))
        else:
            nodes[run.entry] = Node(
                float(found.chainage_m[0]),
                "entry",
                run.entry,
                counter_sigma_m=float(found.counter_sigma_m[0]),
            )
    return list(nodes.values()), findings


def vertex_nodes(axis: Axis, axes: Sequence[Axis], entries: Sequence[Node]) -> list[Node]:
    """Return the nodes that are vertices of the line, apart from those that are entries."""
    line = axis.line
    last = len(line.kind) - 1
    branches = {a.line.joins_at: a.line.line for a in axes if a.line.joins == line.line}
    nodes = []
    for vertex, (kind, ref) in enumerate(zip(line.kind.tolist(), line.ref.tolist(), strict=True)):
        place = float(axis.chainage_m[vertex])
        if any(e.vertex == vertex or abs(e.chainage_m - place) <= SAME_PLACE_M for e in entries):
            continue
        if vertex in branches:
            nodes.append(Node(place, "junction", branches[vertex], vertex))
        elif vertex == 0 and line.joins:
            nodes.append(Node(place, "junction", line.joins, vertex))
        elif kind in ("bend", "junction", "exposure"):
            nodes.append(Node(place, kind, ref, vertex))
        elif vertex in (0, last):
            nodes.append(Node(place, "line_end", ref, vertex))
    return nodes


def _columns(
    settings: Settings,
    datum: str,
    axis: Axis,
    nodes: Sequence[Node],
    places: Along,
) -> dict[str, Values]:
    plan = plan_columns(places.cov_m2)
    seen = np.array([n.vertex >= 0 and axis.line.kind[n.vertex] == "exposure" for n in nodes])
    return {
        "site_id": [settings.id] * len(nodes),
        "line_id": [axis.line.line] * len(nodes),
        "node_id": [f"{axis.line.line}/N{i + 1}" for i in range(len(nodes))],
        "kind": [n.kind for n in nodes],
        "ref": [n.ref for n in nodes],
        "chainage_m": places.chainage_m,
        "invert_level_m": places.invert_m,
        "invert_sigma_m": places.invert_sigma_m,
        "level_datum": [datum] * len(nodes),
        "ground_level_m": places.ground_m,
        "cover_m": places.cover_m,
        "cover_sigma_m": places.depth_sigma_m,
        **_bend_columns(axis, nodes),
        **plan,
        **point_columns(plan["semi_major_95_m"], places.depth_sigma_m, places.depth_m, seen),
    }


def _bend_columns(axis: Axis, nodes: Sequence[Node]) -> dict[str, Values]:
    rows = []
    for node in nodes:
        if node.kind != "bend":
            rows.append((nan, nan, "", nan, nan, ""))
            continue
        angle, sigma = bend_angle(axis.line, node.vertex)
        fitting = nearest_fitting(degrees(angle), axis.pipe.nominal)
        off = degrees(angle) - fitting.angle_deg
        rows.append(
            (degrees(angle), degrees(sigma), fitting.name, fitting.angle_deg, off, fitting.source)
        )
    names = (
        "bend_deg",
        "bend_sigma_deg",
        "nearest_fitting",
        "fitting_deg",
        "fitting_misfit_deg",
        "fitting_source",
    )
    return {name: [row[i] for row in rows] for i, name in enumerate(names)}


def _unlocated(run: Run, beyond_m: float) -> list[Finding]:
    if not isfinite(beyond_m):  # no located point of the run at all: said of its stops
        return []
    return [
        Finding(
            "info",
            "derive",
            "entry-not-located",
            f"run {run.id}",
            f"the pipe between entry {run.entry} and the nearest located point is not located",
            f"{beyond_m:.2f} m by the counter",
            f"add a stop near the entry, or measure {run.entry} as an exposure",
        )
    ]
