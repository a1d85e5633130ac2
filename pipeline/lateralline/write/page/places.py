"""What can be picked on a page, what is known of it, and where each finding points."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely

from lateralline.records import Floats
from lateralline.write.page.facts import Fact, known, measured, worded
from lateralline.write.picture.scene import Scene

#: In the words of findings: "near chainage 13.23 m".
_CHAINAGE: Final = re.compile(r"chainage (-?\d+(?:\.\d+)?)\sm\b")
_NODE_NAMES: Final = {
    "entry": "entry",
    "line_end": "line end",
    "bend": "bend",
    "junction": "junction",
    "exposure": "exposure",
}


@dataclass(frozen=True, slots=True)
class Place:
    """A stop, node or observation: where it is and what is known of it."""

    title: str
    line: str
    chainage: float | None
    x: float | None
    y: float | None
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True)
class Target:
    """Where a finding points: part of the plan, part of a line, perhaps one stop."""

    box: tuple[float, float, float, float] | None = None  # west, south, east, north, m
    line: str = ""
    reach: tuple[float, float] | None = None  # chainages, m
    stop: int | None = None


def stops(scene: Scene) -> list[Place]:
    """Return every stop, in the order of the layer, unsolved ones too."""
    return [
        _place(row, f"stop {row.run_id}/{row.stop_id}", tuple(_of_stop(row)))
        for row in scene.layers["transmitter_fixes"].itertuples()
    ]


def nodes(scene: Scene) -> list[Place]:
    """Return every node."""
    return [
        _place(row, " ".join(filter(None, (_NODE_NAMES.get(row.kind, row.kind), row.ref))),
               tuple(_of_node(row)))
        for row in scene.layers["pipe_nodes"].itertuples()
    ]  # fmt: skip


def seen(scene: Scene) -> list[Place]:
    """Return every observation of the camera."""
    return [
        _place(row, " ".join(filter(None, ("seen:", row.code or row.text))), tuple(_of_seen(row)))
        for row in scene.layers["pipe_observations"].itertuples()
    ]


def _place(row: Any, title: str, facts: tuple[Fact, ...]) -> Place:
    there = row.geometry is not None and not row.geometry.is_empty
    x, y = (row.geometry.x, row.geometry.y) if there else (None, None)
    return Place(title, row.line_id or "", known(row.chainage_m), x, y, facts)


def _of_stop(row: Any) -> Iterator[Fact]:
    yield from worded("status", row.status)
    yield from worded("because", row.reason)
    yield from measured("depth", row.depth_m, row.depth_sigma_m)
    yield from measured("level of transmitter", row.level_m, row.sigma_u_m)
    yield from measured("ground level", row.ground_level_m)
    yield from measured("chainage", row.chainage_m)
    yield from measured("counter", row.counter_m)
    yield from measured("95 % half axis, long", row.semi_major_95_m)
    yield from measured("95 % half axis, short", row.semi_minor_95_m)
    yield from measured("heading", row.heading_deg, row.heading_sigma_deg, "angle")
    yield from measured("tilt", row.tilt_deg, row.tilt_sigma_deg, "angle")
    yield from measured("moved by the line's adjustment", row.shift_m)
    if known(row.chi2) is not None:
        yield Fact("χ²", f"{row.chi2:.2f} on {known(row.dof) or 0:.0f} to spare")
    yield from worded("note", row.note)
    yield from worded("from", row.source_row)


def _of_node(row: Any) -> Iterator[Fact]:
    if row.placed_by == "carried_on":
        yield Fact("not located", "carried on by the counter alone")
    yield from measured("chainage", row.chainage_m)
    yield from measured("invert", row.invert_level_m, row.invert_sigma_m)
    yield from measured("cover", row.cover_m, row.cover_sigma_m)
    yield from measured("ground level", row.ground_level_m)
    yield from measured("bend", row.bend_deg, row.bend_sigma_deg, "angle")
    yield from worded("nearest fitting", row.nearest_fitting)
    yield from measured("95 % half axis, long", row.semi_major_95_m)
    yield from _tied(row)


def _of_seen(row: Any) -> Iterator[Fact]:
    yield from worded("what", row.text)
    yield from worded("severity", row.severity)
    yield from worded("clock", " to ".join(filter(None, (row.clock_from, row.clock_to))))
    yield from measured("chainage", row.chainage_m, row.sigma_along_m)
    yield from measured("counter", row.counter_m)
    yield from measured("invert", row.invert_level_m, row.invert_sigma_m)
    yield from measured("cover", row.cover_m, row.cover_sigma_m)
    yield from measured("95 % half axis, long", row.semi_major_95_m)
    yield from worded("because", row.reason)
    yield from _tied(row)


def _tied(row: Any) -> Iterator[Fact]:
    if row.tie_a_point and row.tie_b_point:
        for point, tape in ((row.tie_a_point, row.tie_a_m), (row.tie_b_point, row.tie_b_m)):
            yield from measured(f"tape from {point}", tape, row.tie_sigma_m)
        yield from worded("side", row.tie_side)


def targets(scene: Scene) -> list[Target]:
    """Return where each finding points, from its subject and any chainage in its words.

    A subject is what `Finding.subject` says: "stop R1/4", "mark M3", "line L1", "run R1", "site".
    """
    return [_target(scene, row) for row in scene.layers["findings"].itertuples()]


def _target(scene: Scene, row: Any) -> Target:
    what, _, name = str(row.subject).partition(" ")
    fixes, marks = scene.layers["transmitter_fixes"], scene.layers["field_marks"]
    if what == "mark":
        mark = marks[marks["mark_id"] == name].head(1)
        if len(mark):
            stop = f"{mark['run_id'].iloc[0]}/{mark['stop_id'].iloc[0]}"
            found = _of_stop_named(fixes, stop)
            return Target(_box(mark) or found.box, found.line, found.reach, found.stop)
    if what == "stop":
        return _of_stop_named(fixes, name)
    if what == "run":
        lines = fixes[fixes["run_id"] == name]["line_id"]
        name, what = (str(lines.iloc[0]), "line") if len(lines) else (name, what)
    if what in ("line", "lines"):
        return _of_line(scene, name.split(",")[0].strip(), _CHAINAGE.search(str(row.what)))
    if what in ("control", "baseline", "point"):
        control = scene.layers["control_points"]
        return Target(_box(control[control["point"].isin(re.split(r"[–, ]+", name))]))
    return Target()


def _of_stop_named(fixes: Any, name: str) -> Target:
    at = np.flatnonzero((fixes["run_id"] + "/" + fixes["stop_id"]) == name)
    if not len(at):
        return Target()
    row = fixes.iloc[at[:1]]
    chainage = known(row["chainage_m"].iloc[0])
    reach = None if chainage is None else (chainage, chainage)
    return Target(_box(row), str(row["line_id"].iloc[0] or ""), reach, int(at[0]))


def _of_line(scene: Scene, line: str, near: re.Match[str] | None) -> Target:
    path = centreline(scene, line)
    if not len(path):
        return Target()
    if near is not None:
        at = float(near[1])
        x, y = (float(np.interp(at, path[:, 0], path[:, i])) for i in (1, 2))
        return Target((x, y, x, y), line, (at, at))
    (west, south), (east, north) = path[:, 1:].min(axis=0), path[:, 1:].max(axis=0)
    box = (float(west), float(south), float(east), float(north))
    return Target(box, line, (float(path[0, 0]), float(path[-1, 0])))


def _box(frame: Any) -> tuple[float, float, float, float] | None:
    west, south, east, north = map(float, frame.total_bounds) if len(frame) else (np.nan,) * 4
    return None if np.isnan(west + south + east + north) else (west, south, east, north)


def centreline(scene: Scene, line: str) -> Floats:
    """Return chainage, x, y (n, 3) of a line's vertices, from downstream, m.

    Chainage runs along the pipe in three dimensions; within a segment it is shared out by the
    length in plan.
    """
    parts: list[Floats] = []
    segments = scene.of_line("pipe_segments", line).sort_values("from_chainage_m")
    for row in segments.itertuples():
        if row.geometry is None or row.geometry.is_empty:
            continue
        xy = shapely.get_coordinates(row.geometry)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        share = along / along[-1] if along[-1] > 0.0 else np.linspace(0.0, 1.0, len(along))
        at = row.from_chainage_m + share * (row.to_chainage_m - row.from_chainage_m)
        parts.append(np.column_stack([at, xy]))
    path = np.vstack(parts) if parts else np.empty((0, 3))
    path = path[np.isfinite(path).all(axis=1)]
    _, first = np.unique(path[:, 0].round(4), return_index=True)
    return np.asarray(path[first])
