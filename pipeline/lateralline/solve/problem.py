"""One batch of stops as a least-squares problem: what was marked, and what is known beforehand.

Unknowns per stop: east, north, up, heading, tilt. Steps and Jacobians are taken in the
transmitter's own axes (along, across, up), in which all marks of a stop share one rotation; only
`advance` and the final covariance turn back to east and north.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np

from lateralline.kernels import conditions
from lateralline.kernels.lsq import Linearised, per_problem
from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Accuracy
from lateralline.solve.kinds import END, MID, TOTAL
from lateralline.solve.peaks import Rows, Underfoot, peak_rows

#: σ of an angle of which nothing is known beforehand: keeps matrices invertible and says nothing.
LOOSE_RAD = 10.0


@dataclass(frozen=True, slots=True)
class MarkArrays:
    """n marks with a field condition, sorted by stop."""

    xyz_m: Floats  # (3, n) of the receiver's aerial
    cov_m2: Floats  # (3, 3, n) east, north, up
    kind: Ints  # END, MID, TOTAL or AXIAL
    lateral: Flags  # a mid null taken as marked on the axis, for want of a second end null
    in_plane: Flags  # its level helped to fit the ground plane
    row: Ints  # index into Marks

    def pick(self, index: Ints) -> Self:
        """Return the marks of an index, repeats allowed."""
        return replace(self, **{f.name: getattr(self, f.name)[..., index] for f in fields(self)})


@dataclass(frozen=True, slots=True)
class StopArrays:
    """k stops, each with at least one mark."""

    count: Ints  # marks of each stop
    depth_reading_m: Floats  # aerial to transmitter; NaN = none
    scale: Floats  # of this stop's depth readings, and σ, from everything but this stop
    scale_sigma: Floats
    aerial_m: Floats  # aerial above ground
    tilt_rad: Floats  # prior mean and σ; LOOSE_RAD = none
    tilt_sigma_rad: Floats
    heading_rad: Floats  # way of travel; LOOSE_RAD when marks alone decide
    heading_sigma_rad: Floats
    half_rod_m: Floats  # half the transmitter's magnetic length; 0 = point dipole
    centre_m: Floats  # (2, k) of the ground plane
    plane: Floats  # (3, k) level at the centre, slope east, slope north
    plane_cov: Floats  # (3, 3, k)

    def pick(self, index: Ints) -> Self:
        """Return the stops of an index, repeats allowed."""
        return replace(self, **{f.name: getattr(self, f.name)[..., index] for f in fields(self)})


def spread_of(by_mark: Floats, cov_m2: Floats, sin: Floats, cos: Floats) -> Floats:
    """Return the covariance s11, s12, s22 (3, n) that mark positions put into two conditions.

    F Σ Fᵀ with F = by_mark (2, 3, n) in transmitter axes and Σ = cov_m2 (3, 3, n) in east, north,
    up; written out, because this is the innermost loop and n is long while 2 and 3 are not.
    """
    along, across, up = np.moveaxis(by_mark, 1, 0)  # each (2, n)
    f = (along * sin + across * cos, along * cos - across * sin, up)  # by east, north, up
    of_cov = [sum(f[i] * cov_m2[i, j] for i in range(3)) for j in range(3)]
    first = sum(f[j][0] * of_cov[j] for j in range(3))
    return np.stack([first[0], first[1], sum(f[j][1] * of_cov[j][1] for j in range(3))])


@dataclass(frozen=True, slots=True)
class StopProblem:
    """A batch of stops; see `kernels.lsq.Problem`."""

    marks: MarkArrays
    stops: StopArrays
    accuracy: Accuracy

    def take(self, keep: Flags) -> Self:
        """Return the sub-batch of the stops where keep (k,) is True."""
        return self.pick(np.flatnonzero(keep))

    def pick(self, index: Ints) -> Self:
        """Return the stops of an index (repeats allowed, any order), each with all its marks."""
        count = self.stops.count
        first = np.cumsum(count) - count
        chosen = count[index]
        begin = np.cumsum(chosen) - chosen
        of_mark = np.repeat(first[index] - begin, chosen) + np.arange(chosen.sum())
        return replace(self, marks=self.marks.pick(of_mark), stops=self.stops.pick(index))

    @property
    def of_stop(self) -> Ints:
        """Return the stop of each mark (n,)."""
        return np.repeat(np.arange(len(self.stops.count)), self.stops.count)

    def tally(self, *kinds: int) -> Ints:
        """Return how many marks of these kinds each stop has (k,)."""
        chosen = np.isin(self.marks.kind, kinds).astype(np.float64)
        return per_problem(chosen, self.stops.count).astype(np.int64)

    @property
    def rows(self) -> Ints:
        """Return how many conditions each mark gives (n,): one for a plain mid null, else two."""
        return np.where((self.marks.kind == MID) & ~self.marks.lateral, 1, 2).astype(np.int64)

    def advance(self, p: Floats, step: Floats) -> Floats:
        """Return p (5, k) moved by a step in transmitter axes; never up through the ground.

        Positions move at most half a depth and angles half a radian at a time.
        """
        depth = np.maximum(self.ground(p) - p[2], 0.05)
        length = np.sqrt(np.sum(step[:3] ** 2, axis=0))
        turn = np.max(np.abs(step[3:]), axis=0)
        limit = np.minimum(0.5 * depth / np.maximum(length, 1e-12), 0.5 / np.maximum(turn, 1e-12))
        d = step * np.minimum(1.0, limit)
        sin, cos = np.sin(p[3]), np.cos(p[3])
        moved: Floats = p + d
        moved[0] = p[0] + d[0] * sin + d[1] * cos
        moved[1] = p[1] + d[0] * cos - d[1] * sin
        return moved

    def ground(self, p: Floats) -> Floats:
        """Return the ground level (k,) over the plan positions of p."""
        s = self.stops
        east, north = p[0] - s.centre_m[0], p[1] - s.centre_m[1]
        return np.asarray(s.plane[0] + s.plane[1] * east + s.plane[2] * north)

    def slopes(self, p: Floats) -> tuple[Floats, Floats]:
        """Return the ground's slope along and across each heading (k,)."""
        sin, cos = np.sin(p[3]), np.cos(p[3])
        _, east, north = self.stops.plane
        return east * sin + north * cos, east * cos - north * sin

    def in_axes(self, p: Floats) -> Floats:
        """Return marks (3, n) in their stop's transmitter axes."""
        of = np.repeat(p[:4], self.stops.count, axis=1)
        east, north, up = self.marks.xyz_m - of[:3]
        sin, cos = np.sin(of[3]), np.cos(of[3])
        return np.stack([east * sin + north * cos, east * cos - north * sin, up])

    def linearise(self, p: Floats) -> Linearised:
        """Return residuals, Jacobians and noise at p (5, k)."""
        f, jacobian, by_mark, own_var = self._mark_rows(p)
        turn = np.repeat(p[3], self.stops.count)
        s = spread_of(by_mark, self.marks.cov_m2, np.sin(turn), np.cos(turn))
        s[0] += own_var[0]
        s[2] += own_var[1]
        return Linearised(self.stops.count, f, jacobian, s, *self._own_rows(p))

    def by_position(self, p: Floats) -> Floats:
        """Return ∂f/∂(mark position) (2, 3, n) in transmitter axes."""
        by_position: Floats = self._mark_rows(p)[2]
        return by_position

    def _mark_rows(self, p: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return f (2, n), ∂f/∂unknowns (2, 5, n), ∂f/∂mark (2, 3, n), own variance (2, n).

        A kind with one condition leaves its second row at zero with variance one.
        """
        r = self.in_axes(p)
        n = r.shape[1]
        tilt = np.repeat(p[4], self.stops.count)
        rows = Rows(np.zeros((2, n)), np.zeros((2, 4, n)), np.zeros((2, n)), np.ones((2, n)))
        self._nulls(r, tilt, rows)
        if (self.marks.kind >= TOTAL).any():
            peak_rows(self._under_peaks(p, r, tilt), self.accuracy, rows)
        raw = rows.raw
        jacobian = np.empty((2, 5, n))
        jacobian[:, :3] = -raw[:, :3]
        jacobian[:, 3] = r[1] * raw[:, 0] - r[0] * raw[:, 1] + rows.by_slope
        jacobian[:, 4] = raw[:, 3]
        return rows.f, jacobian, raw[:, :3], rows.own_var

    def _nulls(self, r: Floats, tilt: Floats, rows: Rows) -> None:
        """Fill in B along = B across = 0 at end nulls, B up = 0 at mid nulls."""
        a, kind, half = self.accuracy, self.marks.kind, self.stops.half_rod_m
        if (kind <= MID).any():  # peaks too, overwritten later: cheaper than picking nulls out
            rod = np.repeat(half, self.stops.count) if half.any() else None
            u, du = conditions.direction(r, tilt, rod)
            is_end = kind == END
            rows.f[0], rows.raw[0] = np.where(is_end, u[0], u[2]), np.where(is_end, du[0], du[2])
            rows.f[1], rows.raw[1] = np.where(is_end, u[1], 0.0), np.where(is_end, du[1], 0.0)
            rows.own_var[0] = a.receiver_angle_rad**2
            rows.own_var[1, is_end] = a.receiver_angle_rad**2
        i = np.flatnonzero((kind == MID) & self.marks.lateral)
        if i.size:
            rows.f[1, i], rows.raw[1][:, i] = conditions.offset_in_depths(r[:, i], axis=1)
            rows.own_var[1, i] = a.mid_across_depths**2

    def _under_peaks(self, p: Floats, r: Floats, tilt: Floats) -> Underfoot:
        """Return what peaks need to know of ground and prior, mark by mark."""
        s = self.stops
        sin, cos = np.sin(p[3]), np.cos(p[3])
        e, en, n = s.plane_cov[1, 1], s.plane_cov[1, 2], s.plane_cov[2, 2]
        along, across = self.slopes(p)
        by_stop = np.stack(
            [
                along,
                across,
                e * sin**2 + 2 * en * sin * cos + n * cos**2,
                e * cos**2 - 2 * en * sin * cos + n * sin**2,
                s.tilt_rad,
                s.tilt_sigma_rad,
            ]
        )
        return Underfoot(self.marks.kind, r, tilt, *np.repeat(by_stop, s.count, axis=1))

    @property
    def dof(self) -> Ints:
        """Return conditions and priors less the five unknowns (k,)."""
        s = self.stops
        marks = per_problem(self.rows.astype(np.float64), s.count).astype(np.int64)
        return np.asarray(
            marks
            + np.isfinite(s.depth_reading_m)
            + (s.tilt_sigma_rad < LOOSE_RAD)
            + (s.heading_sigma_rad < LOOSE_RAD)
            - 5,
            dtype=np.int64,
        )

    def reading_noise_m(self, depth_m: Floats) -> Floats:
        """Return σ (k,) of a depth reading at a depth, without the receiver's own scale."""
        a = self.accuracy
        return np.asarray(np.maximum(a.depth_reading_ratio * depth_m, a.depth_reading_min_m))

    def _own_rows(self, p: Floats) -> tuple[Floats, Floats, Floats]:
        """Return residuals (3, k), Jacobians (3, 5, k) and variances of depth, tilt, heading."""
        s, k = self.stops, p.shape[1]
        f, jacobian, var = np.zeros((3, k)), np.zeros((3, 5, k)), np.full((3, k), np.inf)
        read = np.isfinite(s.depth_reading_m)
        distance = self.ground(p) + s.aerial_m - p[2]
        along, across = self.slopes(p)
        f[0] = np.where(read, s.scale * distance - s.depth_reading_m, 0.0)
        jacobian[0, :3] = s.scale * np.stack([along, across, np.full(k, -1.0)])
        noise = self.reading_noise_m(np.maximum(distance, 0.0)) ** 2
        noise += (s.scale_sigma * distance) ** 2 + s.scale**2 * self.ground_var(p)
        var[0, read] = noise[read]
        f[1] = p[4] - s.tilt_rad
        jacobian[1, 4] = 1.0
        var[1] = s.tilt_sigma_rad**2
        f[2] = np.remainder(p[3] - s.heading_rad + np.pi, 2.0 * np.pi) - np.pi
        jacobian[2, 3] = 1.0
        var[2] = s.heading_sigma_rad**2
        return f, jacobian, var

    def plane_row(self, p: Floats) -> Floats:
        """Return ∂(ground level at the fix)/∂(plane parameters) (3, k)."""
        c = self.stops.centre_m
        return np.stack([np.ones(p.shape[1]), p[0] - c[0], p[1] - c[1]])

    def ground_var(self, p: Floats) -> Floats:
        """Return the variance (k,) of the ground level over the plan position of p."""
        row = self.plane_row(p)
        return np.asarray(np.einsum("ik,ijk,jk->k", row, self.stops.plane_cov, row))
