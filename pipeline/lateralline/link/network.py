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

from lateralline.kernels.expected import PIPE_WANDER_RAD
from lateralline.kernels.lsq import shared_within
from lateralline.link.equations import Evaluator, LayoutBuilder
from lateralline.link.lines import (
    Alternative,
    IntermediatePoint,
    LocatedPoint,
    NetworkLine,
    PointObservations,
)
from lateralline.link.stochastic import balance_sigma, factorable
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy

#: Axis of the branch where it enters against that of the parent: it may enter above, and a fitting
#: is not a point. Common practice, no source.
JUNCTION_LEVEL_M, JUNCTION_PLAN_M = 0.05, 0.02
#: σ of a bend constrained to a standard fitting. Common practice, no source.
FITTING_RAD = np.radians(1.0)


class _CounterPlace(NamedTuple):
    """Where a counter was read: at a vertex, or at a station on the leg after it."""

    order: float
    vertex: int
    station: int  # −1 = at the vertex
    point: int  # index among the line's points; −1 = intermediate point or junction
    subject: LocatedPoint
    reading_m: float


def _junction(branch: NetworkLine, run: str, counter_m: float) -> LocatedPoint:
    """The junction of a branch as a finding about its counter names it."""
    at = branch.points[0]
    return replace(at, ref=branch.id, where="site.toml", readings={run: counter_m})


class NetworkModel:
    """The equations of one connected set of lines, for `kernels.network.adjust_stack`."""

    def __init__(
        self, lines: Sequence[NetworkLine], accuracy: Accuracy, *, shared: bool = False
    ) -> None:
        """Lay out unknowns and rows. `shared`: what errors have in common becomes unknown."""
        self.lines, self.accuracy = tuple(lines), accuracy
        self._builder = LayoutBuilder()
        self._blocks: list[tuple[Ints, Floats]] = []
        self._slacks: list[tuple[int, Floats]] = []  # first row and σ² of a piece of readings
        self._alternatives: list[Alternative] = []
        self._start: list[float] = []
        #: of each unknown and of each counter reading, the vertex it hangs at; −1 = all of them
        self._cells: list[int] = []
        self._reading_cells: list[int] = []
        self._first_cell: dict[str, int] = {}
        self.observations = 0
        self.vertex_x: dict[str, Ints] = {}  # per line, x index of each vertex
        self.point_vertex: dict[str, Ints] = {}
        self.angle_x: dict[str, dict[int, int]] = {}
        self.scale_x: dict[str, int] = {}
        #: per run, x index of each piece's offset: the counter at its first place, as adjusted
        self.offset_x: dict[str, list[tuple[int, LocatedPoint, float]]] = {}
        #: per line, x index of each intermediate point's fraction
        self.intermediate_x: dict[str, list[int]] = {}
        self.join_x: dict[str, int] = {}  # branch → x index of its fraction of the parent's leg
        self._first_leg: dict[str, int] = {}
        self._join_station: dict[str, int] = {}
        self._intermediate_station: dict[str, list[int]] = {}
        self.shared_x = self._shared_unknowns() if shared else np.zeros(0, dtype=np.int64)
        for line in lines:
            self._lay_unknowns(line)
        for line in lines:
            self._lay_stations(line)
        for line in lines:
            self._lay_points(line)
            self._lay_directions(line)
            self._lay_bends(line)
            self._lay_counters(line)
        self.unknowns = len(self._start)
        self.layout = self._builder.done()

    # ---- what the adjustment asks -----------------------------------------------------------

    def start(self) -> Floats:
        """Unknowns (n,) to start from."""
        return np.array(self._start)

    def covariance(self) -> Floats:
        """Covariance (m, m) of the observations."""
        q = np.zeros((self.observations, self.observations))
        for rows, block in self._blocks:
            q[np.ix_(rows, rows)] = block
        for row, slack in self._slacks:
            at = slice(row, row + len(slack))
            q[at, at] += np.minimum.outer(slack, slack)
        return q

    def blocks(self) -> list[tuple[Ints, Floats]]:
        """Observations (k,) whose errors hang together, and their covariance (k, k) without slack.

        What the slack of a cable adds is in `layout.reading_slack_m`.
        """
        return self._blocks

    def cells(self) -> tuple[Ints, Ints]:
        """Return the vertex each unknown and each counter reading hangs at; −1 = all of them."""
        return np.array(self._cells, dtype=np.int64), np.array(self._reading_cells, dtype=np.int64)

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Computed minus observed (m,) and Jacobian (m, n) at x (n,)."""
        v, a = Evaluator(self.layout, self.observations)(x[None])
        return v[0], a[0]

    def alternatives(self) -> list[Alternative]:
        """Everything a blunder test asks after."""
        return self._alternatives

    def path(self, line_id: str, x: Floats) -> Floats:
        """Vertices (V, 3) of a line at x."""
        return np.asarray(x[self.vertex_x[line_id][:, None] + np.arange(3)])

    # ---- laying out -------------------------------------------------------------------------

    def _unknown(self, *values: float, cell: int = -1) -> int:
        """Take the next unknowns, of a vertex's cell or of what the network shares."""
        at = len(self._start)
        self._start += values
        self._cells += [cell] * len(values)
        return at

    def _rows(self, block: Floats) -> int:
        """Take the next rows, with the covariance between them."""
        at = self.observations
        self.observations += len(block)
        self._blocks.append((at + np.arange(len(block)), block))
        return at

    def _shared_unknowns(self) -> Ints:
        points = [
            p for line in self.lines for p in (*line.points, *(r.point for r in line.intermediates))
        ]
        touched = [(p.shared != 0).any(axis=0) for p in points if p.shared.size]
        used = np.any(touched, axis=0) if touched else np.zeros(0, dtype=np.bool_)
        out = np.full(len(used), -1)
        for i in np.flatnonzero(used):
            out[i] = self._unknown(0.0)
            row = self._rows(np.eye(1))
            self._builder.add(prior_row=row, prior_x=out[i], prior_value=0.0)
        return out

    def _lay_unknowns(self, line: NetworkLine) -> None:
        observed = PointObservations.of(line.points)
        path, number = line.path
        first = max(self._cells, default=-1) + 1
        self._first_cell[line.id] = first
        x = np.array([self._unknown(*xyz, cell=first + v) for v, xyz in enumerate(path)])
        self.vertex_x[line.id], self.point_vertex[line.id] = x, number
        self._first_leg[line.id] = self._builder.count("leg_from")
        for a, b in pairwise(x):
            self._builder.add(leg_from=a, leg_to=b)
        self.angle_x[line.id] = {
            i: self._unknown(*observed.start_angles_rad[i], cell=first + int(number[i]))
            for i, p in enumerate(line.points)
            if p.directed
        }

    def _station(self, line_id: str, leg: int, fraction: float, sigma_m: float) -> tuple[int, int]:
        """A place on a leg; return its station number and x index."""
        x = self._unknown(fraction, cell=self._first_cell[line_id] + leg)
        leg_number = self._first_leg[line_id] + leg
        self._builder.add(station_x=x, station_leg=leg_number)
        if np.isfinite(sigma_m):
            a, b = (np.array(self._start[i : i + 3]) for i in self.vertex_x[line_id][leg : leg + 2])
            length = max(float(np.linalg.norm(b - a)), 1e-3)
            row = self._rows(np.array([[(sigma_m / length) ** 2]]))
            self._builder.add(prior_row=row, prior_x=x, prior_value=fraction)
        return self._builder.count("station_x") - 1, x

    def _lay_stations(self, line: NetworkLine) -> None:
        made = [self._station(line.id, *line.place(r), r.sigma_m) for r in line.intermediates]
        self._intermediate_station[line.id] = [station for station, _ in made]
        self.intermediate_x[line.id] = [x for _, x in made]
        if line.join is not None:
            join = line.join
            station, x = self._station(join.parent, join.leg, join.fraction, join.sigma_m)
            self._join_station[line.id], self.join_x[line.id] = station, x

    def _own(self, point: LocatedPoint) -> Floats:
        """A point's covariance (5, 5) without what it shares, when that is unknown by itself."""
        if not len(self.shared_x):
            return point.cov
        common = self._common(point)
        return factorable(point.cov - common @ common.T)

    def _share(self, point: LocatedPoint, row: int, size: int) -> None:
        if not len(self.shared_x):
            return
        common = self._common(point)
        for i, j in zip(*np.nonzero(common[:size]), strict=True):
            by = common[i, j]
            self._builder.add(shared_row=row + i, shared_x=self.shared_x[j], shared_by=by)

    def _common(self, point: LocatedPoint) -> Floats:
        """What shared errors do to a point (5, c); freed of its prior it may have more of them."""
        return np.asarray(shared_within(point.cov[None], point.shared[None])[0])

    def _lay_points(self, line: NetworkLine) -> None:
        for i, point in enumerate(line.points):
            x = self.vertex_x[line.id][self.point_vertex[line.id][i]]
            if line.join is not None and i == 0:
                sigma = (JUNCTION_PLAN_M, JUNCTION_PLAN_M, JUNCTION_LEVEL_M)
                row = self._rows(np.diag(np.square(sigma)))
                station = self._join_station[line.id]
                self._builder.add(join_station=station, join_x=x, join_row=row)
                continue
            size = 5 if point.directed else 3
            row = self._rows(self._own(point)[:size, :size])
            self._builder.add(point_x=x, point_row=row, point_m=point.xyz_m)
            if point.directed:
                angles = (point.heading_rad, point.tilt_rad)
                at = self.angle_x[line.id][i]
                self._builder.add(look_x=at, look_row=row + 3, look_rad=angles)
            self._share(point, row, size)
            self._may_be_wrong(line.id, i, point, row, directed=point.directed)
        for intermediate, station in zip(
            line.intermediates, self._intermediate_station[line.id], strict=True
        ):
            decided = line.decided[intermediate.stretch]
            self._lay_intermediate(
                line.id, intermediate, station, line.place(intermediate)[0], decided=decided
            )

    def _lay_intermediate(
        self,
        line_id: str,
        intermediate: IntermediatePoint,
        station: int,
        leg_of_line: int,
        *,
        decided: bool,
    ) -> None:
        point = intermediate.point
        if intermediate.level_only:
            row = self._rows(point.cov[2:3, 2:3])
            self._builder.add(level_station=station, level_row=row, level_m=point.xyz_m[2])
            self._alternatives.append(Alternative(line_id, -1, point, "level", "", (row,)))
            return
        size = 5 if point.directed and decided else 3
        block = self._own(point)[:size, :size].copy()
        block[3:, 3:] += PIPE_WANDER_RAD**2 * np.eye(size - 3)
        row = self._rows(block)
        self._builder.add(seen_station=station, seen_row=row, seen_m=point.xyz_m)
        if size == 5:
            # its rows say leg minus seen, like a vertex's: what it shares enters with one sign
            leg = self._first_leg[line_id] + leg_of_line
            angles = (point.heading_rad, point.tilt_rad)
            self._builder.add(along_leg=leg, along_row=row + 3, along_rad=angles)
        self._share(point, row, size)
        self._may_be_wrong(line_id, -1, point, row, directed=size == 5)

    def _may_be_wrong(
        self, line_id: str, i: int, point: LocatedPoint, row: int, *, directed: bool
    ) -> None:
        def add(what: str, *rows: int) -> None:
            self._alternatives.append(Alternative(line_id, i, point, what, "", rows))

        add("plan", row, row + 1)
        add("level", row + 2)
        if directed:
            add("heading", row + 3)
            add("tilt", row + 4)

    def _lay_directions(self, line: NetworkLine) -> None:
        """Every leg that touches a directed point within a decided stretch."""
        wander = PIPE_WANDER_RAD**2 * np.eye(2)
        decided = line.decided
        for i, angle in self.angle_x[line.id].items():
            leg = self._first_leg[line.id] + int(self.point_vertex[line.id][i])
            rows = []
            for side, beside in ((leg - 1, i - 1), (leg, i)):
                if 0 <= beside < len(decided) and decided[beside]:
                    rows.append(self._rows(wander))
                    self._builder.add(aim_leg=side, aim_x=angle, aim_row=rows[-1])
            if len(rows) == 2:
                kink = Alternative(line.id, i, line.points[i], "kink", "", tuple(rows))
                self._alternatives.append(kink)

    def _lay_bends(self, line: NetworkLine) -> None:
        path, number = line.path
        legs = np.linalg.norm(np.diff(path, axis=0), axis=1)
        leg = self._first_leg[line.id]
        for s, bends in enumerate(line.shapes.bends_m):
            if len(bends):
                first, last = int(number[s]), int(number[s + 1]) - 1
                sigma = float(balance_sigma(legs[first] + legs[last]))
                row = self._rows(np.array([[sigma**2]]))
                self._builder.add(
                    balance_row=row, balance_first=leg + first, balance_last=leg + last
                )
        for i, point in enumerate(line.points[1:-1], start=1):
            # without counter or direction only its own position says where it is along the pipe:
            # were that wrong, nothing would keep it between its neighbours
            v = int(number[i])
            if not point.directed and not point.readings:
                sigma = float(balance_sigma(legs[v - 1] + legs[v]))
                row = self._rows(np.array([[sigma**2]]))
                self._builder.add(balance_row=row, balance_first=leg + v - 1, balance_last=leg + v)
        for vertex, turn in line.bend_rad:
            row = self._rows(np.array([[FITTING_RAD**2]]))
            self._builder.add(
                turn_row=row, turn_in=leg + vertex - 1, turn_out=leg + vertex, turn_rad=turn
            )

    # ---- counters ---------------------------------------------------------------------------

    def _lay_counters(self, line: NetworkLine) -> None:
        for run, places in self._places(line).items():
            places.sort(key=lambda p: p.order)
            if len(places) < 2:
                continue
            scale = self._unknown(1.0)
            row = self._rows(np.array([[self.accuracy.counter_scale_ratio**2]]))
            self._builder.add(prior_row=row, prior_x=scale, prior_value=1.0)
            self.scale_x[run], self.offset_x[run] = scale, []
            for piece in self._pieces(line, places):
                self._lay_piece(line.id, run, scale, piece)

    def _places(self, line: NetworkLine) -> Mapping[str, list[_CounterPlace]]:
        """Where each run's counter is known on a line."""
        out: dict[str, list[_CounterPlace]] = {}
        number = self.point_vertex[line.id]
        for i, point in enumerate(line.points):
            for run, reading in point.readings.items():
                vertex = int(number[i])
                out.setdefault(run, []).append(_CounterPlace(vertex, vertex, -1, i, point, reading))
        for intermediate, station in zip(
            line.intermediates, self._intermediate_station[line.id], strict=True
        ):
            for run, reading in intermediate.point.readings.items():
                leg, fraction = line.place(intermediate)
                place = _CounterPlace(leg + fraction, leg, station, -1, intermediate.point, reading)
                out.setdefault(run, []).append(place)
        for other in self.lines:
            join = other.join
            if join is not None and join.parent == line.id and np.isfinite(join.counter_m):
                station = self._join_station[other.id]
                order = join.leg + join.fraction
                seen = _junction(other, join.run, join.counter_m)
                place = _CounterPlace(order, join.leg, station, -1, seen, join.counter_m)
                out.setdefault(join.run, []).append(place)
        return out

    def _pieces(
        self, line: NetworkLine, places: Sequence[_CounterPlace]
    ) -> list[list[_CounterPlace]]:
        """Readings between which the path is decided throughout, at least two in each piece."""
        number, decided = self.point_vertex[line.id], line.decided

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

    def _lay_piece(
        self, line_id: str, run: str, scale: int, piece: Sequence[_CounterPlace]
    ) -> None:
        """Readings of one piece: each by itself off by the counter, all by the slack so far."""
        a, leg = self.accuracy, self._first_leg[line_id]
        readings = np.array([p.reading_m for p in piece])
        slack = a.counter_ratio * np.diff(readings, prepend=readings[0])
        variance = np.array([[a.counter_m**2]])
        row = self._rows(variance)
        for _ in piece[1:]:
            self._rows(variance)
        self._slacks.append((row, np.cumsum(slack**2)))
        cell = self._first_cell[line_id]
        offset = self._unknown(float(readings[0]), cell=cell + piece[0].vertex)
        self._reading_cells += [cell + place.vertex for place in piece]
        self.offset_x[run].append((offset, piece[0].subject, float(readings[0])))
        way = 1.0 if readings[-1] >= readings[0] else -1.0
        first = piece[0]
        for i, place in enumerate(piece):
            number = self._builder.count("reading_row")
            self._builder.add(
                reading_row=row + i,
                reading_offset=offset,
                reading_scale=scale,
                reading_way=way,
                reading_m=place.reading_m,
                reading_before=max(number - 1, number - i),
                reading_from=leg + first.vertex,
                reading_to=leg + place.vertex,
                reading_slack_m=abs(float(slack[i])),
            )
            if place.station >= 0:
                self._builder.add(part_reading=number, part_station=place.station)
            self._alternatives.append(
                Alternative(line_id, place.point, place.subject, "counter", run, (row + i,))
            )
