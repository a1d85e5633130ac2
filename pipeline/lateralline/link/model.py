"""One line as a network: its unknowns, its observations and their covariance.

Unknowns: three coordinates per vertex (located points and bends), heading and tilt of the pipe at
each directed point, a counter scale per run. Observations: each point's position and direction with
full covariance; the direction of each leg against the pipe at its end; counter differences as path
lengths; the scales' prior. An undecided stretch says nothing of its directions or its length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.link.equations import (
    PIPE_WANDER_RAD,
    balance_sigma,
    counter_variance,
    leg_directions,
)
from lateralline.link.points import Point
from lateralline.link.shapes import Shapes
from lateralline.link.sights import Sights
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy


@dataclass(frozen=True, slots=True)
class Alternative:
    """One thing that may be wrong: a column per freedom it would give the observations."""

    point: int
    what: str  # plan | level | heading | tilt | counter | kink
    run: str  # counter only
    columns: Floats  # (m, q)


class LineModel:
    """The equations of one line, for `kernels.network.adjust`."""

    def __init__(self, points: Sequence[Point], shapes: Shapes, accuracy: Accuracy) -> None:
        """Lay out unknowns and rows; at least two points."""
        self.sights = s = Sights.of(points)
        self.accuracy = accuracy
        self.start_vertices, self.point_vertex = _vertices(s.xyz_m, shapes.bends_m)
        self.vertices = len(self.start_vertices)
        self.directed = np.flatnonzero(s.directed)
        self.decided = np.array([x != "undecided" for x in shapes.shape], bool)

        self.angle_at = np.full(len(points), -1)
        self.angle_at[self.directed] = 3 * self.vertices + 2 * np.arange(len(self.directed))
        self.scale_at = 3 * self.vertices + 2 * len(self.directed)
        self._lay_directions()
        self._lay_counters()
        bent = [i for i, bends in enumerate(shapes.bends_m) if len(bends)]
        self.first_leg = self.point_vertex[bent]
        self.last_leg = self.point_vertex[np.array(bent, int) + 1] - 1
        self.balance_sigma_m = self._balance_sigma()
        self.unknowns = self.scale_at + len(s.runs)

        sizes = [
            3 * len(points),
            2 * len(self.directed),
            2 * len(self.leg_end),
            len(self.step_m),
            len(s.runs),
            len(bent),
        ]
        self.rows = np.concatenate([[0], np.cumsum(sizes)])
        self._constant = self._constant_jacobian()

    def _balance_sigma(self) -> Floats:
        legs = np.linalg.norm(np.diff(self.start_vertices, axis=0), axis=1)
        return balance_sigma(legs[self.first_leg] + legs[self.last_leg])

    def _lay_directions(self) -> None:
        """Every leg that touches a directed point within a decided stretch."""
        legs: list[tuple[int, int, int]] = []
        for i in self.directed:
            v = int(self.point_vertex[i])
            if i > 0 and self.decided[i - 1]:
                legs.append((v - 1, v, int(i)))
            if i < len(self.decided) and self.decided[i]:
                legs.append((v, v + 1, int(i)))
        table = np.array(legs, int).reshape(-1, 3)
        self.leg_start, self.leg_end, self.leg_point = table.T

    def _lay_counters(self) -> None:
        """Every difference of consecutive readings of a run over decided stretches only."""
        s = self.sights
        step, run, span, incidence = [], [], [], []
        numbers = np.arange(s.readings_m.size).reshape(s.readings_m.shape)
        for r, readings in enumerate(s.readings_m):
            at = np.flatnonzero(np.isfinite(readings))
            for a, b in pairwise(at):
                if self.decided[a:b].all():
                    step.append(abs(readings[b] - readings[a]))
                    run.append(r)
                    span.append((self.point_vertex[a], self.point_vertex[b]))
                    row = np.zeros(numbers.size)
                    sign = np.sign(readings[b] - readings[a])
                    row[numbers[r, b]], row[numbers[r, a]] = sign, -sign
                    incidence.append(row)
        self.step_m = np.array(step, float)
        self.step_run = np.array(run, int)
        ends = np.array(span, int).reshape(-1, 2)
        leg = np.arange(self.vertices - 1)
        self.step_legs = ((leg >= ends[:, :1]) & (leg < ends[:, 1:])).astype(float)
        self.step_readings = np.array(incidence, float).reshape(len(incidence), numbers.size)

    def _constant_jacobian(self) -> Floats:
        a = np.zeros((int(self.rows[-1]), self.unknowns))
        position, angle, _, _, scale, _, _ = self.rows
        k = 3 * len(self.point_vertex)
        columns = (3 * self.point_vertex[:, None] + np.arange(3)).ravel()
        a[position + np.arange(k), columns] = 1.0
        d = 2 * len(self.directed)
        a[angle + np.arange(d), 3 * self.vertices + np.arange(d)] = 1.0
        runs = np.arange(len(self.sights.runs))
        a[scale + runs, self.scale_at + runs] = 1.0
        return a

    def start(self) -> Floats:
        """Unknowns (n,) to start from."""
        angles = self.sights.start_angles_rad[self.directed]
        return np.concatenate(
            [self.start_vertices.ravel(), angles.ravel(), np.ones(len(self.sights.runs))]
        )

    def covariance(self) -> Floats:
        """Covariance (m, m) of the observations."""
        q = np.zeros((int(self.rows[-1]),) * 2)
        position, angle, leg, step, scale, balance, end = self.rows
        rank = {int(i): j for j, i in enumerate(self.directed)}
        for i, cov in enumerate(self.sights.cov):
            at = position + 3 * i + np.arange(3)
            if i in rank:
                at = np.concatenate([at, angle + 2 * rank[i] + np.arange(2)])
            q[np.ix_(at, at)] = cov[: len(at), : len(at)]
        diagonal = np.arange(len(q))
        q[diagonal[leg:step], diagonal[leg:step]] = PIPE_WANDER_RAD**2
        # Neighbouring differences share a reading.
        a = self.accuracy
        shared = a.counter_m**2 * (self.step_readings @ self.step_readings.T)
        slack = counter_variance(self.step_m, a) - 2 * a.counter_m**2
        q[step:scale, step:scale] = shared + np.diag(slack)
        q[diagonal[scale:balance], diagonal[scale:balance]] = a.counter_scale_ratio**2
        q[diagonal[balance:end], diagonal[balance:end]] = self.balance_sigma_m**2
        return q

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Computed minus observed (m,) and Jacobian (m, n) at x."""
        s, a = self.sights, self._constant.copy()
        v = np.zeros(len(a))
        position, angle, leg, step, scale, balance, _ = self.rows
        xyz = x[: 3 * self.vertices].reshape(-1, 3)
        angles = x[3 * self.vertices : self.scale_at].reshape(-1, 2)
        v[position:angle] = (xyz[self.point_vertex] - s.xyz_m).ravel()
        off = angles - s.angles_rad[self.directed]
        off[:, 0] = wrap(off[:, 0])
        v[angle:leg] = off.ravel()

        here = self.angle_at[self.leg_point]
        residual, by_end, by_angles = leg_directions(
            xyz[self.leg_start], xyz[self.leg_end], x[here[:, None] + np.arange(2)]
        )
        v[leg:step] = residual.ravel()
        rows = (leg + np.arange(step - leg)).reshape(-1, 2, 1)
        a[rows, _block(self.leg_end)] = by_end
        a[rows, _block(self.leg_start)] = -by_end
        a[rows, here[:, None, None] + np.arange(2)] = by_angles

        legs = np.diff(xyz, axis=0)
        length = np.maximum(np.linalg.norm(legs, axis=1), 1e-9)
        ends = np.zeros((len(legs), self.vertices, 3))
        i = np.arange(len(legs))
        ends[i, i + 1] = legs / length[:, None]
        ends[i, i] = -ends[i, i + 1]
        by_vertex = ends.reshape(len(legs), -1)  # derivative of each leg's length
        ratio = x[self.scale_at :][self.step_run]
        path = self.step_legs @ length
        v[step:scale] = path / ratio - self.step_m
        a[step:scale, : 3 * self.vertices] = (self.step_legs @ by_vertex) / ratio[:, None]
        a[step + np.arange(len(path)), self.scale_at + self.step_run] = -path / ratio**2

        v[scale:balance] = x[self.scale_at :] - 1.0
        v[balance:] = length[self.first_leg] - length[self.last_leg]
        a[balance:, : 3 * self.vertices] = by_vertex[self.first_leg] - by_vertex[self.last_leg]
        return v, a

    def alternatives(self) -> list[Alternative]:
        """Everything a blunder test asks after, point by point."""
        m = int(self.rows[-1])
        position, angle, leg, step, scale, _, _ = self.rows
        rank = {int(i): j for j, i in enumerate(self.directed)}
        out: list[Alternative] = []

        def add(point: int, what: str, rows: list[int], run: str = "") -> None:
            columns = np.zeros((m, len(rows)))
            columns[rows, np.arange(len(rows))] = 1.0
            out.append(Alternative(point, what, run, columns))

        for i in range(len(self.point_vertex)):
            at = int(position) + 3 * i
            add(i, "plan", [at, at + 1])
            add(i, "level", [at + 2])
            if i in rank:
                at = int(angle) + 2 * rank[i]
                add(i, "heading", [at])
                add(i, "tilt", [at + 1])
                legs = np.flatnonzero(self.leg_point == i)
                if len(legs) == 2:
                    add(i, "kink", [int(leg) + 2 * int(j) for j in legs])
        for r, run in enumerate(self.sights.runs):
            for i in range(len(self.point_vertex)):
                column = self.step_readings[:, r * len(self.point_vertex) + i]
                if column.any():
                    columns = np.zeros((m, 1))
                    columns[step:scale, 0] = column
                    out.append(Alternative(i, "counter", run, columns))
        return out


def _block(vertex: Ints) -> Ints:
    """Column numbers (…, 1, 3) of vertices' coordinates."""
    return np.asarray(3 * vertex[:, None, None] + np.arange(3))


def _vertices(points_m: Floats, bends_m: Sequence[Floats]) -> tuple[Floats, Ints]:
    """Path (V, 3) with bends between the points, and the vertex number (k,) of each point."""
    parts, number, count = [], [], 0
    for i, xyz in enumerate(points_m):
        number.append(count)
        parts.append(xyz[None])
        count += 1
        if i < len(bends_m):
            parts.append(bends_m[i])
            count += len(bends_m[i])
    return np.concatenate(parts), np.array(number, int)
