"""Every stretch between two points adjusted by itself, all of them at once.

The same observations as the line's own adjustment (`model`), cut down to two ends and what lies
between, so that hypotheses about the shape can be compared cheaply. Unknowns of a stretch: both
ends' position and angles, its counter scale, its bends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.kernels import curves
from lateralline.link.equations import (
    PIPE_WANDER_RAD,
    SHORTEST_LEG_M,
    counter_variance,
    leg_directions,
)
from lateralline.link.sights import Sights
from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Accuracy

#: The bend that must not hide in a stretch called straight: an eighth bend, midway.
HIDDEN_BEND_RAD = np.radians(45.0)
#: No fitting of a drain turns further than this, nor do two within one stretch turn it back.
SHARPEST_RAD, _SHARPEST_BOTH_RAD = np.radians(135.0), np.radians(125.0)


@dataclass(frozen=True, slots=True)
class Pairs:
    """s stretches by themselves: both ends' observations and the counted length."""

    ends_m: Floats  # (s, 2, 3)
    angles_rad: Floats  # (s, 2, 2)
    whiten: Floats  # (s, 2, 5, 5) inverse Cholesky; zero rows for directions not observed
    directed: Flags  # (s, 2)
    counted_m: Floats  # (s,) NaN = no counter
    start_angles_rad: Floats  # (s, 2, 2)
    accuracy: Accuracy

    @classmethod
    def of(cls, sights: Sights, first: Ints, last: Ints, accuracy: Accuracy) -> Pairs:
        """Return the stretches between points of these numbers (s,), neighbours or not."""
        pair = np.stack([first, last], axis=1)
        cov = sights.cov[pair].copy()
        blind = ~sights.directed[pair]
        cov[blind, 3:, 3:] = np.eye(2)
        whiten = np.linalg.inv(np.linalg.cholesky(cov))
        whiten[blind, 3:, :] = 0.0
        readings = np.abs(sights.readings_m[:, last] - sights.readings_m[:, first])
        counted = np.full(len(first), np.nan)
        for row in readings[::-1]:
            counted = np.where(np.isfinite(row), row, counted)
        return cls(
            sights.xyz_m[pair],
            sights.angles_rad[pair],
            whiten,
            sights.directed[pair],
            counted,
            sights.start_angles_rad[pair],
            accuracy,
        )

    def take(self, rows: Ints) -> Pairs:
        """The stretches of these numbers, repeats allowed."""
        return Pairs(
            self.ends_m[rows],
            self.angles_rad[rows],
            self.whiten[rows],
            self.directed[rows],
            self.counted_m[rows],
            self.start_angles_rad[rows],
            self.accuracy,
        )

    @property
    def chord_m(self) -> Floats:
        """Distance (s,) between the ends as observed."""
        return np.asarray(np.linalg.norm(self.ends_m[:, 1] - self.ends_m[:, 0], axis=1))

    @property
    def misclosures(self) -> Ints:
        """Conditions (s,) a straight stretch must meet: two per direction, one per length."""
        return np.asarray(2 * self.directed.sum(axis=1) + np.isfinite(self.counted_m))

    def start(self, bends_m: Floats) -> Floats:
        """Unknowns (s, 11 + 3b): both ends' position and angles, counter scale, bends."""
        ends = np.concatenate([self.ends_m, self.start_angles_rad], axis=2)
        s = len(ends)
        return np.concatenate(
            [ends.reshape(s, 10), np.ones((s, 1)), bends_m.reshape(s, -1)], axis=1
        )

    def equations(self, x: Floats, balance_m: Floats | None) -> tuple[Floats, Floats]:
        """Whitened residuals (s, m) and Jacobian (s, m, n); `balance_m`: σ of first − last leg."""
        s, n = x.shape
        ends = x[:, :10].reshape(s, 2, 5)
        scale, bends = x[:, 10], x[:, 11:].reshape(s, -1, 3)
        path = np.concatenate([ends[:, :1, :3], bends, ends[:, 1:, :3]], axis=1)
        columns = [0, *range(11, n, 3), 5]  # where each path vertex sits among the unknowns
        rows: list[Floats] = []
        jacobians: list[Floats] = []

        off = ends - np.concatenate([self.ends_m, self.angles_rad], axis=2)
        off[..., 3] = curves.wrap(off[..., 3])
        for end in (0, 1):
            j = np.zeros((s, 5, n))
            j[:, :, 5 * end : 5 * end + 5] = self.whiten[:, end]
            rows.append(np.einsum("sij,sj->si", self.whiten[:, end], off[:, end]))
            jacobians.append(j)
            a, b = (0, 1) if end == 0 else (-2, -1)
            r, by_end, by_angles = leg_directions(path[:, a], path[:, b], ends[:, end, 3:])
            j = np.zeros((s, 2, n))
            j[:, :, columns[a] : columns[a] + 3] -= by_end / PIPE_WANDER_RAD
            j[:, :, columns[b] : columns[b] + 3] += by_end / PIPE_WANDER_RAD
            j[:, :, 5 * end + 3 : 5 * end + 5] = by_angles / PIPE_WANDER_RAD
            rows.append(r / PIPE_WANDER_RAD)
            jacobians.append(j)

        legs = np.diff(path, axis=1)
        length = np.maximum(np.linalg.norm(legs, axis=2), 1e-9)
        unit = legs / length[..., None]
        weight = np.where(np.isfinite(self.counted_m), 1 / np.sqrt(self._counter_variance()), 0.0)
        total = length.sum(axis=1)
        counted = np.where(np.isfinite(self.counted_m), self.counted_m, 0.0)
        j = np.zeros((s, 1, n))
        for i in range(legs.shape[1]):
            step = (weight / scale)[:, None] * unit[:, i]
            j[:, 0, columns[i] : columns[i] + 3] -= step
            j[:, 0, columns[i + 1] : columns[i + 1] + 3] += step
        j[:, 0, 10] = -weight * total / scale**2
        rows.append((weight * (total / scale - counted))[:, None])
        jacobians.append(j)

        j = np.zeros((s, 1, n))
        j[:, 0, 10] = 1 / self.accuracy.counter_scale_ratio
        rows.append(((scale - 1) / self.accuracy.counter_scale_ratio)[:, None])
        jacobians.append(j)

        if balance_m is not None:
            j = np.zeros((s, 1, n))
            for i, sign in ((0, 1.0), (legs.shape[1] - 1, -1.0)):
                step = (sign / balance_m)[:, None] * unit[:, i]
                j[:, 0, columns[i] : columns[i] + 3] -= step
                j[:, 0, columns[i + 1] : columns[i + 1] + 3] += step
            rows.append(((length[:, 0] - length[:, -1]) / balance_m)[:, None])
            jacobians.append(j)
        return np.concatenate(rows, axis=1), np.concatenate(jacobians, axis=1)

    def _counter_variance(self) -> Floats:
        return counter_variance(np.nan_to_num(self.counted_m), self.accuracy)

    def settle(self, bends_m: Floats, balance_m: Floats | None = None) -> tuple[Floats, Floats]:
        """Adjust every stretch by itself; return unknowns (s, n) and χ² (s,)."""
        x = self.start(bends_m)
        n = x.shape[1]
        damping = np.full(len(x), 1e-4)
        r, j = self.equations(x, balance_m)
        for _ in range(30):
            normal = np.einsum("smi,smj->sij", j, j)
            gradient = np.einsum("smi,sm->si", j, r)
            diagonal = np.einsum("sii->si", normal) + 1e-9
            damped = normal + np.eye(n) * (damping[:, None] * diagonal + 1e-9)[:, None, :]
            step = -np.linalg.solve(damped, gradient[..., None])[..., 0]
            trial, trial_j = self.equations(x + step, balance_m)
            cost = np.einsum("sm,sm->s", r, r)
            gain = cost - np.einsum("sm,sm->s", trial, trial)
            better = gain >= 0
            x = np.where(better[:, None], x + step, x)
            r = np.where(better[:, None], trial, r)
            j = np.where(better[:, None, None], trial_j, j)
            damping = np.where(better, damping * 0.1, np.minimum(damping * 10, 1e8))
            if np.all(np.abs(gain) < 1e-2):
                break
        return x, np.einsum("sm,sm->s", r, r)

    def hidden_bend(self, x: Floats) -> Floats:
        """Non-centrality (s,) of a 45° bend midway against the straight solution x."""
        _, j = self.equations(x, None)
        half = HIDDEN_BEND_RAD / 2
        level = np.cos(self.angles_rad[..., 1])
        wrong = np.zeros((len(x), j.shape[1]))
        turn = half / np.maximum(level, 0.1)
        wrong[:, 0:5] = self.whiten[:, 0, :, 3] * turn[:, :1]
        wrong[:, 7:12] = -self.whiten[:, 1, :, 3] * turn[:, 1:]
        longer = self.chord_m * (1 / np.cos(half) - 1)
        seen = np.isfinite(self.counted_m)
        wrong[:, 14] = np.where(seen, longer / np.sqrt(self._counter_variance()), 0.0)
        normal = np.einsum("smi,smj->sij", j, j) + 1e-9 * np.eye(j.shape[2])
        pull = np.einsum("smi,sm->si", j, wrong)
        explained = np.einsum("si,si->s", pull, np.linalg.solve(normal, pull[..., None])[..., 0])
        return np.asarray(np.einsum("sm,sm->s", wrong, wrong) - explained)


def in_front(p: Pairs, x: Floats) -> Flags:
    """True (s,) where every leg is long enough and leaves the ends the way they look."""
    s = len(x)
    ends = x[:, :10].reshape(s, 2, 5)
    path = np.concatenate([ends[:, :1, :3], x[:, 11:].reshape(s, -1, 3), ends[:, 1:, :3]], axis=1)
    legs = np.diff(path, axis=1)
    long = (np.linalg.norm(legs, axis=2) > SHORTEST_LEG_M).all(axis=1)
    ways = curves.directions(ends[..., 3], ends[..., 4])
    ahead = [np.einsum("sc,sc->s", legs[:, i], ways[:, i]) > 0 for i in (0, -1)]
    turns = curves.angle_between(legs[:, :-1], legs[:, 1:])
    back = curves.angle_between(legs[:, 0], legs[:, -1]) >= _SHARPEST_BOTH_RAD
    return np.asarray(
        long
        & ~(back & (legs.shape[1] > 2))
        & (ahead[0] | ~p.directed[:, 0])
        & (ahead[1] | ~p.directed[:, 1])
        & (turns < SHARPEST_RAD).all(axis=1)
    )
