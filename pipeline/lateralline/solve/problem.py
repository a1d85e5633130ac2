"""One batch of stops as a least-squares problem: what was marked, and what is known beforehand.

Unknowns per stop: east, north, up, heading, tilt. Steps and Jacobians are taken in the
transmitter's own axes (along, across, up), in which all marks of a stop share one rotation; only
`advance` and the final covariance turn back to east and north.

Peaks. At a peak the field's strength has no slope along the ground. That slope is scaled by the
strength's curvature, so every residual is an offset in depths. Two things beside the receiver blur
it: the ground's slope, for a peak slides downhill, and for the whole field, which is quartic-flat
along the axis, the tilt.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Self, TypeVar

import numpy as np

from lateralline.kernels import conditions
from lateralline.kernels.dipole import total_peak_offset
from lateralline.kernels.lsq import Linearised, per_problem
from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Accuracy

#: Mark kinds that carry a field condition: their codes here, and names in the field record.
END, MID, TOTAL, AXIAL = range(4)
KINDS = ("end_null", "mid_null", "peak_total", "peak_axial")
#: σ of an angle of which nothing is known beforehand: keeps matrices invertible and says nothing.
LOOSE_RAD = 10.0
#: Root mean square of the total peak's offset over its offset at one σ of tilt (computed, 3–10°),
#: and the tilt at which that offset is greatest.
PEAK_WANDER, PEAK_LEAN_RAD = 0.9, np.radians(12.0)


@dataclass(frozen=True, slots=True)
class MarkArrays:
    """n marks with a field condition, sorted by stop."""

    xyz_m: Floats  # (3, n) of the receiver's aerial
    cov_m2: Floats  # (3, 3, n) east, north, up
    kind: Ints  # END, MID, TOTAL or AXIAL
    lateral: Flags  # a mid null taken as marked on the axis, for want of a second end null
    in_plane: Flags  # its level helped to fit the ground plane
    row: Ints  # index into Marks


@dataclass(frozen=True, slots=True)
class StopArrays:
    """k stops, each with at least one mark."""

    depth_reading_m: Floats  # aerial to transmitter; NaN = none
    scale: Floats  # of this stop's depth readings, and σ, from everything but this stop
    scale_sigma: Floats
    aerial_m: Floats  # aerial above ground
    aerial_sigma_m: Floats  # one error of all stops
    tilt_rad: Floats  # prior mean and σ; LOOSE_RAD = none
    tilt_sigma_rad: Floats
    heading_rad: Floats  # way of travel; LOOSE_RAD when marks alone decide
    heading_sigma_rad: Floats
    half_rod_m: Floats  # half the transmitter's magnetic length; 0 = point dipole
    centre_m: Floats  # (2, k) of the ground plane
    plane: Floats  # (3, k) level at the centre, slope east, slope north
    plane_cov: Floats  # (3, 3, k) about the slope of the site
    plane_shared: Floats  # (3, 2, k) by one σ of each of two errors of the site's slope


Columns = TypeVar("Columns", MarkArrays, StopArrays)


def _picked(columns: Columns, index: Ints) -> Columns:
    """Return the marks or stops of an index, repeats allowed."""
    return replace(
        columns, **{f.name: getattr(columns, f.name)[..., index] for f in fields(columns)}
    )


@dataclass(frozen=True, slots=True)
class Rows:
    """Two conditions per mark, filled in kind by kind."""

    f: Floats  # (2, n)
    raw: Floats  # (2, 4, n) by along, across, up of the mark, and tilt
    by_slope: Floats  # (2, n) the first by the ground's slope across, the second by that along
    own_var: Floats  # (2, n) of the condition itself, without the mark's position


def turned(first: Floats, second: Floats, sin: Floats, cos: Floats) -> tuple[Floats, Floats]:
    """Turn plan components by a heading's sine and cosine.

    East and north become along and across (to the right of the heading), and the reverse: the turn
    is its own inverse.
    """
    return first * sin + second * cos, first * cos - second * sin


def moved(p: Floats, step: Floats) -> Floats:
    """Return p (5, k) moved by a step in transmitter axes."""
    out: Floats = p + step
    out[:2] = p[:2] + turned(step[0], step[1], np.sin(p[3]), np.cos(p[3]))
    return out


def spread_of(by_mark: Floats, cov_m2: Floats, sin: Floats, cos: Floats) -> Floats:
    """Return the covariance s11, s12, s22 (3, n) that mark positions put into two conditions.

    F Σ Fᵀ with F = by_mark (2, 3, n) in transmitter axes and Σ = cov_m2 (3, 3, n) in east, north,
    up; written out, because this is the innermost loop and n is long while 2 and 3 are not.
    """
    along, across, up = np.moveaxis(by_mark, 1, 0)  # each (2, n)
    f = (*turned(along, across, sin, cos), up)  # by east, north, up
    of_cov = [sum(f[i] * cov_m2[i, j] for i in range(3)) for j in range(3)]
    first = sum(f[j][0] * of_cov[j] for j in range(3))
    return np.stack([first[0], first[1], sum(f[j][1] * of_cov[j][1] for j in range(3))])


@dataclass(frozen=True, slots=True)
class StopProblem:
    """A batch of stops; see `kernels.lsq.Problem`."""

    count: Ints  # (k,) marks of each stop
    marks: MarkArrays
    stops: StopArrays
    accuracy: Accuracy

    def take(self, keep: Flags) -> Self:
        """Return the sub-batch of the stops where keep (k,) is True."""
        return self.pick(np.flatnonzero(keep))

    def pick(self, index: Ints) -> Self:
        """Return the stops of an index (repeats allowed, any order), each with all its marks."""
        count = self.count
        first = np.cumsum(count) - count
        chosen = count[index]
        begin = np.cumsum(chosen) - chosen
        of_mark = np.repeat(first[index] - begin, chosen) + np.arange(chosen.sum())
        marks, stops = _picked(self.marks, of_mark), _picked(self.stops, index)
        return replace(self, count=chosen, marks=marks, stops=stops)

    def per_stop(self, values: Floats) -> Floats:
        """Return sums (…, k) over each stop's marks of values (…, n)."""
        return per_problem(values, self.count)

    def with_stops(self, **columns: Floats) -> Self:
        """Return the batch with these columns of its stops instead."""
        return replace(self, stops=replace(self.stops, **columns))

    @property
    def of_stop(self) -> Ints:
        """Return the stop of each mark (n,)."""
        return np.repeat(np.arange(len(self.count)), self.count)

    def tally(self, *kinds: int) -> Ints:
        """Return how many marks of these kinds each stop has (k,)."""
        chosen = np.isin(self.marks.kind, kinds).astype(np.float64)
        return self.per_stop(chosen).astype(np.int64)

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
        return moved(p, d)

    def ground(self, p: Floats) -> Floats:
        """Return the ground level (k,) over the plan positions of p."""
        s = self.stops
        east, north = p[0] - s.centre_m[0], p[1] - s.centre_m[1]
        return np.asarray(s.plane[0] + s.plane[1] * east + s.plane[2] * north)

    def slopes(self, p: Floats) -> tuple[Floats, Floats]:
        """Return the ground's slope along and across each heading (k,)."""
        return turned(self.stops.plane[1], self.stops.plane[2], np.sin(p[3]), np.cos(p[3]))

    def in_axes(self, p: Floats) -> Floats:
        """Return marks (3, n) in their stop's transmitter axes."""
        of = np.repeat(p[:4], self.count, axis=1)
        east, north, up = self.marks.xyz_m - of[:3]
        return np.stack([*turned(east, north, np.sin(of[3]), np.cos(of[3])), up])

    def linearise(self, p: Floats) -> Linearised:
        """Return residuals, Jacobians and noise at p (5, k)."""
        f, jacobian, by_mark, own_var, _ = self._mark_rows(p)
        turn = np.repeat(p[3], self.count)
        s = spread_of(by_mark, self.marks.cov_m2, np.sin(turn), np.cos(turn))
        s[0] += own_var[0]
        s[2] += own_var[1]
        return Linearised(self.count, f, jacobian, s, *self._own_rows(p))

    def by_position(self, p: Floats) -> Floats:
        """Return ∂f/∂(mark position) (2, 3, n) in transmitter axes."""
        by_position: Floats = self._mark_rows(p)[2]
        return by_position

    def by_plane_shared(self, p: Floats) -> Floats:
        """Return what one σ of each error of the site's slope does to the conditions (2, 2, n)."""
        by_slope, of = self._mark_rows(p)[4], self.of_stop
        shared = self.stops.plane_shared[1:][:, :, of]
        along, across = turned(shared[0], shared[1], np.sin(p[3])[of], np.cos(p[3])[of])
        return np.stack([by_slope[0] * across, by_slope[1] * along])

    def _mark_rows(self, p: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Return f (2, n), ∂f/∂unknowns (2, 5, n), ∂f/∂mark (2, 3, n), own variance (2, n).

        And ∂f/∂(ground's slope) (2, n), as `Rows` has it.

        A kind with one condition leaves its second row at zero with variance one.
        """
        r = self.in_axes(p)
        n = r.shape[1]
        tilt = np.repeat(p[4], self.count)
        rows = Rows(np.zeros((2, n)), np.zeros((2, 4, n)), np.zeros((2, n)), np.ones((2, n)))
        self._nulls(r, tilt, rows)
        if (self.marks.kind >= TOTAL).any():
            self._peaks(p, r, tilt, rows)
        raw = rows.raw
        jacobian = np.empty((2, 5, n))
        jacobian[:, :3] = -raw[:, :3]
        along, across = np.repeat(self.slopes(p), self.count, axis=1)
        jacobian[:, 3] = r[1] * raw[:, 0] - r[0] * raw[:, 1]
        jacobian[:, 3] += rows.by_slope * np.stack([-along, across])
        jacobian[:, 4] = raw[:, 3]
        return rows.f, jacobian, raw[:, :3], rows.own_var, rows.by_slope

    def _nulls(self, r: Floats, tilt: Floats, rows: Rows) -> None:
        """Fill in B along = B across = 0 at end nulls, B up = 0 at mid nulls."""
        a, kind, half = self.accuracy, self.marks.kind, self.stops.half_rod_m
        if (kind <= MID).any():  # peaks too, overwritten later: cheaper than picking nulls out
            rod = np.repeat(half, self.count) if half.any() else None
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

    def _peaks(self, p: Floats, r: Floats, tilt: Floats, rows: Rows) -> None:
        """Fill in the rows of every peak: first across the axis, then along it."""
        s, a = self.stops, self.accuracy
        sin, cos = np.sin(p[3]), np.cos(p[3])
        e, en, n = s.plane_cov[1, 1], s.plane_cov[1, 2], s.plane_cov[2, 2]
        along_var = e * sin**2 + 2 * en * sin * cos + n * cos**2  # of the ground's slopes
        across_var = e * cos**2 - 2 * en * sin * cos + n * sin**2
        by_stop = np.stack([*self.slopes(p), along_var, across_var, s.tilt_rad, s.tilt_sigma_rad])
        of_stop = self.of_stop
        for code, gradient in (
            (TOTAL, conditions.total_gradient),
            (AXIAL, conditions.axial_gradient),
        ):
            i = np.flatnonzero(self.marks.kind == code)
            if not i.size:
                continue
            along, across, along_var, across_var, lean, lean_sigma = by_stop[:, of_stop[i]]
            g, dg = gradient(r[:, i], tilt[i])
            k = -1.0 / conditions.ACROSS_CURVATURE
            rows.f[0, i] = k * (g[1] + across * g[2])
            rows.raw[0][:, i] = k * (dg[1] + across * dg[2])
            rows.by_slope[0, i] = k * g[2]
            rows.own_var[0, i] = a.peak_across_depths**2 + across_var
            if code == AXIAL:
                # as much sharper along than across as its curvature is greater: equal loss of
                # strength
                k = -1.0 / conditions.AXIAL_CURVATURE
                sharper = conditions.ACROSS_CURVATURE / conditions.AXIAL_CURVATURE
                rows.f[1, i] = k * (g[0] + along * g[2])
                rows.raw[1][:, i] = k * (dg[0] + along * dg[2])
                rows.by_slope[1, i] = k * g[2]
                rows.own_var[1, i] = sharper * a.peak_across_depths**2 + sharper**2 * along_var
            else:
                shift, wander = _peak_along(lean - np.arctan(along), lean_sigma**2 + along_var)
                ahead, by_ahead = conditions.offset_in_depths(r[:, i], axis=0)
                up, by_up = conditions.offset_in_depths(r[:, i], axis=2)
                rows.f[1, i] = ahead + along * up - shift
                rows.raw[1][:, i] = by_ahead + along * by_up
                rows.by_slope[1, i] = up
                rows.own_var[1, i] = a.peak_along_depths**2 + along_var + wander

    @property
    def dof(self) -> Ints:
        """Return conditions and priors less the five unknowns (k,)."""
        s = self.stops
        marks = self.per_stop(self.rows.astype(np.float64)).astype(np.int64)
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


def _peak_along(lean_rad: Floats, lean_var: Floats) -> tuple[Floats, Floats]:
    """Return how far along the axis the whole field's top lies, and its variance, in depths.

    It hangs on the tilt against the ground. To which side it has moved is used where the prior of
    that tilt tells; otherwise it is spread.
    """

    def offset(tilt_rad: Floats) -> Floats:
        return total_peak_offset(np.clip(tilt_rad, -PEAK_LEAN_RAD, PEAK_LEAN_RAD))

    sigma = np.sqrt(lean_var)
    shift = np.where(np.abs(lean_rad) > 2.0 * sigma, offset(lean_rad), 0.0)
    spread = np.maximum(offset(np.hypot(lean_rad, sigma)) ** 2 - shift**2, 0.0)
    return shift, PEAK_WANDER**2 * spread
