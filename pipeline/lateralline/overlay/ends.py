"""Ends of located lines past which the pipe runs on, and what is planned ahead of them."""

from __future__ import annotations

import numpy as np
import shapely

from lateralline.overlay.as_built import Lines
from lateralline.overlay.bodies import PlannedWork
from lateralline.overlay.stations import StationLegs
from lateralline.record.layers import Shapes
from lateralline.records import Flags, Floats, Ints


def runs_on_towards(
    lines: Lines,
    legs: StationLegs,
    works: list[PlannedWork],
    of_line: Ints,
    of_work: Ints,
    within_m: float,
) -> Flags:
    """Return, for each pair, whether the pipe may run on to the thing past an end of its line.

    Nobody knows where it goes there: whatever stands in the half circle ahead of an open end, no
    farther off than `within_m`, may be met. The downstream end is not open where the line joins
    another.
    """
    first = np.searchsorted(legs.line, np.arange(len(lines.line)))
    last = np.searchsorted(legs.line, np.arange(len(lines.line)), side="right") - 1
    up = _ahead(legs.xy_m[last, 1], legs.xy_m[last, 1] - legs.xy_m[last, 0], within_m)
    down = _ahead(legs.xy_m[first, 0], legs.xy_m[first, 0] - legs.xy_m[first, 1], within_m)
    radius = np.array([0.0 if w.kind == "trench" else w.radius_m for w in works])[of_work]
    radius = radius + lines.outside_diameter_m[of_line] / 2
    shapes = np.array([w.shape for w in works], dtype=object)[of_work]
    towards = shapely.dwithin(up[of_line], shapes, radius)
    return np.asarray(
        towards | (shapely.dwithin(down[of_line], shapes, radius) & ~lines.joined[of_line])
    )


def open_ends(lines: Lines, rows: Ints) -> tuple[Floats, Floats]:
    """Return where the pipes of some lines run on (n, 2), and the unit way they leave there.

    Both ends of a line, but for a downstream one on another line.
    """
    at, ways = [], []
    for n in rows.tolist():
        path = shapely.get_coordinates(lines.path_m[n])
        ends = [(path[-1], path[-1] - path[-2])]
        if not lines.joined[n]:
            ends.append((path[0], path[0] - path[1]))
        at += [end for end, _ in ends]
        ways += [way / max(float(np.hypot(*way)), 1e-12) for _, way in ends]
    return np.array(at).reshape(-1, 2), np.array(ways).reshape(-1, 2)


def _ahead(end: Floats, way: Floats, radius_m: float) -> Shapes:
    """Return half circles (n) ahead of line ends (n, 2), as far as the radius."""
    ahead = np.arctan2(way[:, 1], way[:, 0])
    turn = ahead[:, None] + np.linspace(-np.pi / 2, np.pi / 2, 25)
    ring = end[:, None, :] + radius_m * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return np.asarray(shapely.polygons(np.concatenate([ring, end[:, None, :]], axis=1)))
