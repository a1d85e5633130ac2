"""A connected set of lines as a network: its unknowns, its observations and their covariance.

Observations: each point's position and direction with full covariance; the direction of each leg
against the pipe at its end; counter readings as path lengths; what is known beforehand of counter
scales and shared errors; that a branch begins on its parent. An undecided stretch says nothing of
its directions or its length.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from lateralline.kernels.lsq import shared_within
from lateralline.link.equations import Evaluator, Sheet
from lateralline.link.lines import Alternative, Part, Point, Rider, Sights
from lateralline.link.stochastic import PIPE_WANDER_RAD, balance_sigma, factorable
from lateralline.records import (
    Floats,
    Ints,
)
from lateralline.settings import Accuracy

#: Axis of the branch where it enters against that of the parent: it may enter above, and a fitting
#: is not a point. Common practice, no source.
JUNCTION_LEVEL_M, JUNCTION_PLAN_M = 0.05, 0.02
#: σ of a bend held to a standard fitting. Common practice, no source.
FITTING_RAD = np.radians(1.0)


class _Place(NamedTuple):
    """Where a counter was read: at a vertex, or at a station on the leg after it."""

    order: float
    vertex: int
    station: int  # −1 = at the vertex
    point: int  # index among the line's points; −1 = rider or junction
    subject: Point
    reading_m: float


def _junction(branch: Part, run: str, counter_m: float) -> Point:
    """The junction of a branch as a finding about its counter names it."""
    at = branch.points[0]
    return replace(at, ref=branch.line, where="site.toml", readings={run: counter_m})


class Model:
    """The equations of one connected set of lines, for `kernels.network.adjust_stack`."""

    def __init__(self, parts: Sequence[Part], accuracy: Accuracy, *, shared: bool = False) -> None:
        """Lay out unknowns and rows. `shared`: what errors have in common becomes unknown."""
        self.parts, self.accuracy = tuple(parts), accuracy
        self._sheet = Sheet()
        self._blocks: list[tuple[Ints, Floats]] = []
        self._alternatives: list[Alternative] = []
        self._start: list[float] = []
        self.observations = 0
        self.vertex_x: dict[str, Ints] = {}  # per line, x index of each vertex
        self.point_vertex: dict[str, Ints] = {}
        self.angle_x: dict[str, dict[int, int]] = {}
        self.scale_x: dict[str, int] = {}
        #: per run, x index of each piece's offset: the counter at its first place, as adjusted
        self.offset_x: dict[str, list[tuple[int, Point, float]]] = {}
        self.rider_x: dict[str, list[int]] = {}  # per line, x index of each rider's fraction
        self.join_x: dict[str, int] = {}  # branch → x index of its fraction of the parent's leg
        self._first_leg: dict[str, int] = {}
        self._join_station: dict[str, int] = {}
        self._rider_station: dict[str, list[int]] = {}
        self.shared_x = self._shared_unknowns() if shared else np.zeros(0, dtype=np.int64)
        for part in parts:
            self._lay_unknowns(part)
        for part in parts:
            self._lay_stations(part)
        for part in parts:
            self._lay_points(part)
            self._lay_directions(part)
            self._lay_bends(part)
            self._lay_counters(part)
        self.unknowns = len(self._start)
        self.layout = self._sheet.done()

    # ---- what the adjustment asks -----------------------------------------------------------

    def start(self) -> Floats:
        """Unknowns (n,) to start from."""
        return np.array(self._start)

    def covariance(self) -> Floats:
        """Covariance (m, m) of the observations."""
        q = np.zeros((self.observations, self.observations))
        for rows, block in self._blocks:
            q[np.ix_(rows, rows)] = block
        return q

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Computed minus observed (m,) and Jacobian (m, n) at x (n,)."""
        v, a = Evaluator(self.layout, self.observations)(x[None])
        return v[0], a[0]

    def alternatives(self) -> list[Alternative]:
        """Everything a blunder test asks after."""
        return self._alternatives

    def path(self, line: str, x: Floats) -> Floats:
        """Vertices (V, 3) of a line at x."""
        return np.asarray(x[self.vertex_x[line][:, None] + np.arange(3)])

    # ---- laying out -------------------------------------------------------------------------

    def _unknown(self, *values: float) -> int:
        at = len(self._start)
        self._start += values
        return at

    def _rows(self, block: Floats) -> int:
        """Take the next rows, with the covariance between them."""
        at = self.observations
        self.observations += len(block)
        self._blocks.append((at + np.arange(len(block)), block))
        return at

    def _shared_unknowns(self) -> Ints:
        points = [p for part in self.parts for p in (*part.points, *(r.point for r in part.riders))]
        touched = [(p.shared != 0).any(axis=0) for p in points if p.shared.size]
        used = np.any(touched, axis=0) if touched else np.zeros(0, dtype=np.bool_)
        out = np.full(len(used), -1)
        for i in np.flatnonzero(used):
            out[i] = self._unknown(0.0)
            row = self._rows(np.eye(1))
            self._sheet.add(prior_row=row, prior_x=out[i], prior_value=0.0)
        return out

    def _lay_unknowns(self, part: Part) -> None:
        sights = Sights.of(part.points)
        path, number = part.path
        x = np.array([self._unknown(*xyz) for xyz in path])
        self.vertex_x[part.line], self.point_vertex[part.line] = x, number
        self._first_leg[part.line] = self._sheet.count("leg_from")
        for a, b in pairwise(x):
            self._sheet.add(leg_from=a, leg_to=b)
        self.angle_x[part.line] = {
            i: self._unknown(*sights.start_angles_rad[i])
            for i, p in enumerate(part.points)
            if p.directed
        }

    def _station(self, line: str, leg: int, fraction: float, sigma_m: float) -> tuple[int, int]:
        """A place on a leg; return its station number and x index."""
        x = self._unknown(fraction)
        leg_number = self._first_leg[line] + leg
        self._sheet.add(station_x=x, station_leg=leg_number)
        if np.isfinite(sigma_m):
            a, b = (np.array(self._start[i : i + 3]) for i in self.vertex_x[line][leg : leg + 2])
            length = max(float(np.linalg.norm(b - a)), 1e-3)
            row = self._rows(np.array([[(sigma_m / length) ** 2]]))
            self._sheet.add(prior_row=row, prior_x=x, prior_value=fraction)
        return self._sheet.count("station_x") - 1, x

    def _lay_stations(self, part: Part) -> None:
        made = [self._station(part.line, *part.place(r), r.sigma_m) for r in part.riders]
        self._rider_station[part.line] = [station for station, _ in made]
        self.rider_x[part.line] = [x for _, x in made]
        if part.join is not None:
            join = part.join
            station, x = self._station(join.parent, join.leg, join.fraction, join.sigma_m)
            self._join_station[part.line], self.join_x[part.line] = station, x

    def _own(self, point: Point) -> Floats:
        """A point's covariance (5, 5) without what it shares, when that is unknown by itself."""
        if not len(self.shared_x):
            return point.cov
        common = self._common(point)
        return factorable(point.cov - common @ common.T)

    def _share(self, point: Point, row: int, size: int) -> None:
        if not len(self.shared_x):
            return
        common = self._common(point)
        for i, j in zip(*np.nonzero(common[:size]), strict=True):
            by = common[i, j]
            self._sheet.add(shared_row=row + i, shared_x=self.shared_x[j], shared_by=by)

    def _common(self, point: Point) -> Floats:
        """What shared errors do to a point (5, c); freed of its prior it may have more of them."""
        return np.asarray(shared_within(point.cov[None], point.shared[None])[0])

    def _lay_points(self, part: Part) -> None:
        for i, point in enumerate(part.points):
            x = self.vertex_x[part.line][self.point_vertex[part.line][i]]
            if part.join is not None and i == 0:
                sigma = (JUNCTION_PLAN_M, JUNCTION_PLAN_M, JUNCTION_LEVEL_M)
                row = self._rows(np.diag(np.square(sigma)))
                station = self._join_station[part.line]
                self._sheet.add(join_station=station, join_x=x, join_row=row)
                continue
            size = 5 if point.directed else 3
            row = self._rows(self._own(point)[:size, :size])
            self._sheet.add(point_x=x, point_row=row, point_m=point.xyz_m)
            if point.directed:
                angles = (point.heading_rad, point.tilt_rad)
                at = self.angle_x[part.line][i]
                self._sheet.add(look_x=at, look_row=row + 3, look_rad=angles)
            self._share(point, row, size)
            self._may_be_wrong(part.line, i, point, row, directed=point.directed)
        for rider, station in zip(part.riders, self._rider_station[part.line], strict=True):
            decided = part.decided[rider.stretch]
            self._lay_rider(part.line, rider, station, part.place(rider)[0], decided=decided)

    def _lay_rider(
        self, line: str, rider: Rider, station: int, leg_of_line: int, *, decided: bool
    ) -> None:
        point = rider.point
        if rider.level_only:
            row = self._rows(point.cov[2:3, 2:3])
            self._sheet.add(level_station=station, level_row=row, level_m=point.xyz_m[2])
            self._alternatives.append(Alternative(line, -1, point, "level", "", (row,)))
            return
        size = 5 if point.directed and decided else 3
        block = self._own(point)[:size, :size].copy()
        block[3:, 3:] += PIPE_WANDER_RAD**2 * np.eye(size - 3)
        row = self._rows(block)
        self._sheet.add(seen_station=station, seen_row=row, seen_m=point.xyz_m)
        if size == 5:
            # its rows say leg minus seen, like a vertex's: what it shares enters with one sign
            leg = self._first_leg[line] + leg_of_line
            angles = (point.heading_rad, point.tilt_rad)
            self._sheet.add(along_leg=leg, along_row=row + 3, along_rad=angles)
        self._share(point, row, size)
        self._may_be_wrong(line, -1, point, row, directed=size == 5)

    def _may_be_wrong(self, line: str, i: int, point: Point, row: int, *, directed: bool) -> None:
        def add(what: str, *rows: int) -> None:
            self._alternatives.append(Alternative(line, i, point, what, "", rows))

        add("plan", row, row + 1)
        add("level", row + 2)
        if directed:
            add("heading", row + 3)
            add("tilt", row + 4)

    def _lay_directions(self, part: Part) -> None:
        """Every leg that touches a directed point within a decided stretch."""
        wander = PIPE_WANDER_RAD**2 * np.eye(2)
        decided = part.decided
        for i, angle in self.angle_x[part.line].items():
            leg = self._first_leg[part.line] + int(self.point_vertex[part.line][i])
            rows = []
            for side, beside in ((leg - 1, i - 1), (leg, i)):
                if 0 <= beside < len(decided) and decided[beside]:
                    rows.append(self._rows(wander))
                    self._sheet.add(aim_leg=side, aim_x=angle, aim_row=rows[-1])
            if len(rows) == 2:
                kink = Alternative(part.line, i, part.points[i], "kink", "", tuple(rows))
                self._alternatives.append(kink)

    def _lay_bends(self, part: Part) -> None:
        path, number = part.path
        legs = np.linalg.norm(np.diff(path, axis=0), axis=1)
        leg = self._first_leg[part.line]
        for s, bends in enumerate(part.shapes.bends_m):
            if len(bends):
                first, last = int(number[s]), int(number[s + 1]) - 1
                sigma = float(balance_sigma(legs[first] + legs[last]))
                row = self._rows(np.array([[sigma**2]]))
                self._sheet.add(balance_row=row, balance_first=leg + first, balance_last=leg + last)
        for i, point in enumerate(part.points[1:-1], start=1):
            # without counter or direction only its own position says where it is along the pipe:
            # were that wrong, nothing would keep it between its neighbours
            v = int(number[i])
            if not point.directed and not point.readings:
                sigma = float(balance_sigma(legs[v - 1] + legs[v]))
                row = self._rows(np.array([[sigma**2]]))
                self._sheet.add(balance_row=row, balance_first=leg + v - 1, balance_last=leg + v)
        for vertex, turn in part.bend_rad:
            row = self._rows(np.array([[FITTING_RAD**2]]))
            self._sheet.add(
                turn_row=row, turn_in=leg + vertex - 1, turn_out=leg + vertex, turn_rad=turn
            )

    # ---- counters ---------------------------------------------------------------------------

    def _lay_counters(self, part: Part) -> None:
        for run, places in self._places(part).items():
            places.sort(key=lambda p: p.order)
            if len(places) < 2:
                continue
            scale = self._unknown(1.0)
            row = self._rows(np.array([[self.accuracy.counter_scale_ratio**2]]))
            self._sheet.add(prior_row=row, prior_x=scale, prior_value=1.0)
            self.scale_x[run], self.offset_x[run] = scale, []
            for piece in self._pieces(part, places):
                self._lay_piece(part.line, run, scale, piece)

    def _places(self, part: Part) -> Mapping[str, list[_Place]]:
        """Where each run's counter is known on a line."""
        out: dict[str, list[_Place]] = {}
        number = self.point_vertex[part.line]
        for i, point in enumerate(part.points):
            for run, reading in point.readings.items():
                vertex = int(number[i])
                out.setdefault(run, []).append(_Place(vertex, vertex, -1, i, point, reading))
        for rider, station in zip(part.riders, self._rider_station[part.line], strict=True):
            for run, reading in rider.point.readings.items():
                leg, fraction = part.place(rider)
                place = _Place(leg + fraction, leg, station, -1, rider.point, reading)
                out.setdefault(run, []).append(place)
        for other in self.parts:
            join = other.join
            if join is not None and join.parent == part.line and np.isfinite(join.counter_m):
                station = self._join_station[other.line]
                order = join.leg + join.fraction
                seen = _junction(other, join.run, join.counter_m)
                place = _Place(order, join.leg, station, -1, seen, join.counter_m)
                out.setdefault(join.run, []).append(place)
        return out

    def _pieces(self, part: Part, places: Sequence[_Place]) -> list[list[_Place]]:
        """Readings between which the path is decided throughout, at least two in each piece."""
        number, decided = self.point_vertex[part.line], part.decided

        def stretch(vertex: int) -> int:
            return int(np.searchsorted(number, vertex, side="right")) - 1

        pieces, piece = [], [places[0]]
        for a, b in pairwise(places):
            last = stretch(b.vertex) if b.station >= 0 else stretch(b.vertex) - 1
            if all(decided[stretch(a.vertex) : last + 1]):
                piece.append(b)
            else:
                pieces.append(piece)
                piece = [b]
        return [p for p in (*pieces, piece) if len(p) > 1]

    def _lay_piece(self, line: str, run: str, scale: int, piece: Sequence[_Place]) -> None:
        """Readings of one piece: each by itself off by the counter, all by the slack so far."""
        a, leg = self.accuracy, self._first_leg[line]
        readings = np.array([p.reading_m for p in piece])
        slack = np.concatenate([[0.0], np.cumsum((a.counter_ratio * np.diff(readings)) ** 2)])
        row = self._rows(a.counter_m**2 * np.eye(len(piece)) + np.minimum.outer(slack, slack))
        offset = self._unknown(float(readings[0]))
        self.offset_x[run].append((offset, piece[0].subject, float(readings[0])))
        way = 1.0 if readings[-1] >= readings[0] else -1.0
        first = piece[0]
        for i, place in enumerate(piece):
            number = self._sheet.count("reading_row")
            self._sheet.add(
                reading_row=row + i,
                reading_offset=offset,
                reading_scale=scale,
                reading_way=way,
                reading_m=place.reading_m,
            )
            for vertex in range(first.vertex, place.vertex):
                self._sheet.add(span_reading=number, span_leg=leg + vertex, span_share=1.0)
            for station, share in ((first.station, -1.0), (place.station, 1.0)):
                if i and station >= 0:
                    self._sheet.add(part_reading=number, part_station=station, part_share=share)
            self._alternatives.append(
                Alternative(line, place.point, place.subject, "counter", run, (row + i,))
            )
