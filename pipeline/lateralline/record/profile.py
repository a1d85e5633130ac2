"""The profile of one line: heights over chainage, levels or, in a record of depths alone, depths.

Depths count downwards from a ground taken as level at 0.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from math import isnan, nan
from typing import Final, TypeVar

import numpy as np

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.record.rows import (
    AlongRow,
    BandRow,
    CentrelineRow,
    FixRow,
    NodeRow,
    ObservationRow,
    SegmentRow,
)
from lateralline.record.view import RecordView
from lateralline.records import Floats

#: A row that stands somewhere along the line, and its height, m.
At = TypeVar("At", FixRow, NodeRow, ObservationRow)

_SAME_M: Final = 1e-6  # chainages this close are one


@dataclass(frozen=True, slots=True, eq=False)
class LineProfile:
    """One line's heights, m."""

    line: CentrelineRow
    inverts: Floats  # (n, 4) chainage, invert, its lower and upper 95 % bound; NaN where not known
    ground: Floats  # (m, 2) chainage, ground; NaN where not known
    fixes: tuple[tuple[FixRow, float], ...]  # with the transmitter's height, from downstream
    nodes: tuple[tuple[NodeRow, float], ...]  # with the height of the invert
    seen: tuple[tuple[ObservationRow, float], ...]
    segments: tuple[SegmentRow, ...]
    depth_only: bool
    of_transmitter: bool  # the size of the pipe is not known: `inverts` are the transmitter's

    @property
    def bore_m(self) -> float:
        """Invert to inside top; NaN when not known."""
        return self.line.bore_m

    @property
    def top_m(self) -> float:
        """Invert to outside top; NaN when not known."""
        return self.line.top_m

    @property
    def drawn(self) -> Floats:
        """Every height that is drawn (n, 2), over chainage."""
        top = 0.0 if isnan(self.top_m) else self.top_m
        parts = [self.inverts[:, [0, k]] for k in (1, 2, 3)]
        parts += [self.inverts[:, :2] + [0.0, top], self.ground]
        spots: Iterable[tuple[AlongRow, float]] = chain(self.fixes, self.nodes)
        parts.append(np.array([(row.chainage_m, y) for row, y in spots]).reshape(-1, 2))
        return known_points(np.vstack(parts))

    @property
    def reach(self) -> tuple[float, float]:
        """Chainage of both ends of all that is drawn."""
        at = self.drawn[:, 0]
        return (float(at.min()), float(at.max())) if len(at) else (0.0, 1.0)

    def heights(self, low: float, high: float) -> tuple[float, float]:
        """Return the least and greatest height drawn between two chainages."""
        at, height = self.drawn.T
        here = height[(at >= low - _SAME_M) & (at <= high + _SAME_M)]
        here = here if len(here) else height
        return (float(here.min()), float(here.max())) if len(here) else (0.0, 1.0)


def line_profile(view: RecordView, line: str) -> LineProfile:
    """Return the profile of a line, from the level band where the file has one."""
    pipe = next(row for row in view.centrelines if row.line_id == line)
    fixes = _along(view.rows(FixRow, line), view, pipe)
    nodes = _along(tuple(n for n in view.line_nodes if n.line_id == line), view, pipe)
    segments = view.rows(SegmentRow, line)
    found = _of_band(view, pipe)
    if found is None:
        found = _of_located_points(view.depth_only, pipe, segments, nodes, fixes)
    return LineProfile(
        pipe,
        *found,
        fixes,
        nodes,
        _along(view.rows(ObservationRow, line), view, pipe),
        tuple(sorted(segments, key=lambda s: s.from_chainage_m)),
        view.depth_only,
        view.depth_only and isnan(pipe.top_m),
    )


def ground_of(view: RecordView, row: FixRow) -> float:
    """Return the height of the ground at a stop; NaN when not known."""
    return 0.0 if view.depth_only else row.ground_level_m


def height_of(
    view: RecordView, row: FixRow | NodeRow | ObservationRow, pipe: CentrelineRow | None
) -> float:
    """Return the height of a stop's transmitter, or of the invert at a node or observation."""
    if isinstance(row, FixRow):
        return -row.transmitter_depth_m if view.depth_only else row.transmitter_level_m
    if not view.depth_only:
        return row.invert_level_m
    return nan if pipe is None else -(row.cover_m + pipe.top_m)


def _along(
    rows: tuple[At, ...], view: RecordView, pipe: CentrelineRow
) -> tuple[tuple[At, float], ...]:
    """Return the rows that stand somewhere along the line with their height, from downstream."""
    pairs = ((row, height_of(view, row, pipe)) for row in rows)
    known = [(row, y) for row, y in pairs if np.isfinite(row.chainage_m) and np.isfinite(y)]
    return tuple(sorted(known, key=lambda pair: pair[0].chainage_m))


def _of_band(view: RecordView, pipe: CentrelineRow) -> tuple[Floats, Floats] | None:
    rows = sorted(view.rows(BandRow, pipe.line_id), key=lambda b: b.chainage_m)
    if view.depth_only:
        table = [
            (b.chainage_m, y := -(b.cover_m + pipe.top_m), y - (h := INTERVAL_95 * b.cover_sigma_m),
             y + h, 0.0)
            for b in rows
        ]  # fmt: skip
    else:
        table = [
            (b.chainage_m, b.invert_level_m, b.invert_lower_95_m, b.invert_upper_95_m,
             b.ground_level_m)
            for b in rows
        ]  # fmt: skip
    found = np.array(table, dtype=float).reshape(-1, 5)
    return (found[:, :4], found[:, [0, 4]]) if np.isfinite(found[:, 1]).any() else None


def _of_located_points(
    depth_only: bool,
    pipe: CentrelineRow,
    segments: tuple[SegmentRow, ...],
    nodes: tuple[tuple[NodeRow, float], ...],
    fixes: tuple[tuple[FixRow, float], ...],
) -> tuple[Floats, Floats]:
    """Return the same from nodes and segments: of a file without a level band."""
    placed = [(n, y) for n, y in nodes if not n.carried_on]
    if depth_only and isnan(pipe.top_m):  # nothing known but how deep the transmitter stood
        points = [(f.chainage_m, y, f.transmitter_depth_sigma_m) for f, y in fixes]
    elif depth_only:
        points = [(n.chainage_m, y, n.cover_sigma_m) for n, y in placed]
    else:
        points = [
            (s.from_chainage_m, s.invert_down_level_m, s.invert_down_sigma_m) for s in segments
        ]
        points += [(s.to_chainage_m, s.invert_up_level_m, s.invert_up_sigma_m) for s in segments]
        points += [(n.chainage_m, y, n.invert_sigma_m) for n, y in placed]
    at, invert, sigma = _once(np.array(points, dtype=float).reshape(-1, 3)).T
    half = INTERVAL_95 * sigma
    spots = [(f.chainage_m, 0.0 if depth_only else f.ground_level_m) for f, _ in fixes]
    if not depth_only:
        spots += [(n.chainage_m, n.ground_level_m) for n, _ in nodes]
    ground = _once(np.array(spots, dtype=float).reshape(-1, 2))
    return np.column_stack([at, invert, invert - half, invert + half]), ground


def _once(points: Floats) -> Floats:
    """Return the points whose chainage and height are known, one at each chainage."""
    points = points[np.isfinite(points[:, :2]).all(axis=1)]
    _, first = np.unique(points[:, 0].round(4), return_index=True)
    return np.asarray(points[first])


def known_points(points: Floats) -> Floats:
    """Return the points (n, k) of which every figure is known."""
    return np.asarray(points[np.isfinite(points).all(axis=1)])
