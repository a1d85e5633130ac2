"""The observation equations of a layout: computed minus observed, and analytic derivatives."""

from __future__ import annotations

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.link.equations import leg_directions
from lateralline.link.layout import Layout
from lateralline.records import Floats, Ints

_XYZ = np.arange(3)
_TWO = np.arange(2)


class Evaluator:
    """Computed minus observed (g, rows) and Jacobian (g, rows, n) of a layout, at x (g, n).

    What touches what never changes from one x to the next, so where the derivatives go is worked
    out at the first call and kept.
    """

    def __init__(self, layout: Layout, rows: int) -> None:
        """`rows`: observations each network of the layout has room for."""
        self.layout, self.rows = layout, rows
        self._at: Ints | None = None

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Evaluate at x (g, n)."""
        g, n = x.shape
        out = _Sums(g * self.rows, n, known=self._at is not None)
        _evaluate(self.layout, x.ravel(), out)
        if self._at is None:
            self._at = out.places()
        size = g * self.rows * n
        a = np.bincount(self._at, weights=out.values(), minlength=size)
        return (
            out.v.reshape(g, self.rows),
            np.asarray(a, dtype=np.float64).reshape(g, self.rows, n),
        )


class _Sums:
    """Residuals and derivatives as they come in, entry by entry; what meets is added up."""

    def __init__(self, rows: int, unknowns: int, *, known: bool) -> None:
        self.v = np.zeros(rows)
        self._unknowns, self._known = unknowns, known
        self._at: list[Ints] = []
        self._by: list[Floats] = []

    def by(self, row: Ints, x: Ints, value: Floats) -> None:
        """Add derivatives, as many as `value`, with which the others broadcast."""
        self._by.append(value.ravel())
        if not self._known:
            at = row * self._unknowns + x % self._unknowns
            self._at.append(np.broadcast_to(at, value.shape).ravel())

    def places(self) -> Ints:
        """Where each derivative belongs in the flat Jacobian."""
        return np.concatenate(self._at)

    def values(self) -> Floats:
        """The derivatives."""
        return np.concatenate(self._by)


def _evaluate(layout: Layout, flat: Floats, out: _Sums) -> None:
    start, end = (flat[at[:, None] + _XYZ] for at in (layout.leg_from, layout.leg_to))
    leg = end - start
    length = np.maximum(np.linalg.norm(leg, axis=1), 1e-9)
    legs = _Legs(layout, start, end, leg, length, leg / length[:, None])
    _points(layout, flat, out)
    _aims(layout, flat, legs, out)
    if len(layout.station_x):
        _stations(layout, flat, legs, out)
    if len(layout.reading_row):
        _readings(layout, flat, legs, out)
    if len(layout.balance_row) or len(layout.turn_row):
        _turns(layout, legs, out)
    out.v[layout.prior_row] = flat[layout.prior_x] - layout.prior_value
    out.by(layout.prior_row, layout.prior_x, np.ones(len(layout.prior_row)))
    if len(layout.shared_row):
        np.add.at(out.v, layout.shared_row, layout.shared_by * flat[layout.shared_x])
        out.by(layout.shared_row, layout.shared_x, layout.shared_by)


class _Legs:
    """Legs as they are at x."""

    def __init__(
        self, layout: Layout, start: Floats, end: Floats, leg: Floats, length: Floats, unit: Floats
    ) -> None:
        self.start, self.end, self.leg, self.length, self.unit = start, end, leg, length, unit
        self.from_x, self.to_x = layout.leg_from, layout.leg_to

    def lengthen(self, out: _Sums, row: Ints, leg: Ints, times: Floats) -> None:
        """Add the derivative of `times` a leg's length to rows."""
        by = times[:, None] * self.unit[leg]
        out.by(row[:, None], self.to_x[leg][:, None] + _XYZ, by)
        out.by(row[:, None], self.from_x[leg][:, None] + _XYZ, -by)

    def turn(self, out: _Sums, row: Ints, leg: Ints, by_end: Floats) -> None:
        """Add a derivative (…, r, 3) by a leg's end, and its opposite by the start, to r rows."""
        rows = row[:, None, None] + np.arange(by_end.shape[1])[:, None]
        out.by(rows, self.to_x[leg][:, None, None] + _XYZ, by_end)
        out.by(rows, self.from_x[leg][:, None, None] + _XYZ, -by_end)


def _points(layout: Layout, x: Floats, out: _Sums) -> None:
    rows, at = layout.point_row[:, None] + _XYZ, layout.point_x[:, None] + _XYZ
    out.v[rows] = x[at] - layout.point_m
    out.by(rows, at, np.ones(rows.shape))
    rows, at = layout.look_row[:, None] + _TWO, layout.look_x[:, None] + _TWO
    off = x[at] - layout.look_rad
    off[:, 0] = wrap(off[:, 0])
    out.v[rows] = off
    out.by(rows, at, np.ones(rows.shape))


def _aims(layout: Layout, x: Floats, legs: _Legs, out: _Sums) -> None:
    leg = layout.aim_leg
    angles = layout.aim_x[:, None] + _TWO
    residual, by_end, by_angles = leg_directions(legs.start[leg], legs.end[leg], x[angles])
    out.v[layout.aim_row[:, None] + _TWO] = residual
    legs.turn(out, layout.aim_row, leg, by_end)
    out.by(layout.aim_row[:, None, None] + _TWO[:, None], angles[:, None, :], by_angles)


def _stations(layout: Layout, x: Floats, legs: _Legs, out: _Sums) -> None:
    t, leg = x[layout.station_x], layout.station_leg
    place = legs.start[leg] + t[:, None] * legs.leg[leg]

    def on_path(row: Ints, station: Ints, sign: float, coordinates: Ints) -> None:
        """Derivatives of a station's coordinates: by both ends of its leg, and its fraction."""
        rows, w = row[:, None] + np.arange(len(coordinates)), sign * t[station][:, None]
        ends = (layout.leg_from, layout.leg_to)
        for at, share in zip(ends, (sign - w, w), strict=True):
            value = np.broadcast_to(share, rows.shape)
            out.by(rows, at[leg[station]][:, None] + coordinates, value)
        along = sign * legs.leg[leg[station]][:, coordinates]
        out.by(rows, layout.station_x[station][:, None], along)

    out.v[layout.seen_row[:, None] + _XYZ] = place[layout.seen_station] - layout.seen_m
    on_path(layout.seen_row, layout.seen_station, 1.0, _XYZ)
    out.v[layout.level_row] = place[layout.level_station, 2] - layout.level_m
    on_path(layout.level_row, layout.level_station, 1.0, _XYZ[2:])
    rows, at = layout.join_row[:, None] + _XYZ, layout.join_x[:, None] + _XYZ
    out.v[rows] = x[at] - place[layout.join_station]
    out.by(rows, at, np.ones(rows.shape))
    on_path(layout.join_row, layout.join_station, -1.0, _XYZ)

    leg = layout.along_leg
    residual, by_end, _ = leg_directions(legs.start[leg], legs.end[leg], layout.along_rad)
    out.v[layout.along_row[:, None] + _TWO] = residual
    legs.turn(out, layout.along_row, leg, by_end)


def _readings(layout: Layout, x: Floats, legs: _Legs, out: _Sums) -> None:
    t = x[layout.station_x]
    station = layout.part_station
    part_leg = layout.station_leg[station]
    parts = layout.part_share * t[station] * legs.length[part_leg]
    spans = layout.span_share * legs.length[layout.span_leg]
    count = len(layout.reading_row)
    path = np.bincount(layout.span_reading, weights=spans, minlength=count)
    path = path + np.bincount(layout.part_reading, weights=parts, minlength=count)
    scale, rows = x[layout.reading_scale], layout.reading_row
    per_m = layout.reading_way / scale
    out.v[rows] = x[layout.reading_offset] + per_m * path - layout.reading_m
    out.by(rows, layout.reading_offset, np.ones(count))
    out.by(rows, layout.reading_scale, -per_m * path / scale)
    of = layout.span_reading
    legs.lengthen(out, rows[of], layout.span_leg, per_m[of] * layout.span_share)
    of = layout.part_reading
    times = per_m[of] * layout.part_share
    legs.lengthen(out, rows[of], part_leg, times * t[station])
    out.by(rows[of], layout.station_x[station], times * legs.length[part_leg])


def _turns(layout: Layout, legs: _Legs, out: _Sums) -> None:
    first, last, rows = layout.balance_first, layout.balance_last, layout.balance_row
    out.v[rows] = legs.length[first] - legs.length[last]
    legs.lengthen(out, rows, first, np.ones(len(rows)))
    legs.lengthen(out, rows, last, -np.ones(len(rows)))

    into, away, rows = layout.turn_in, layout.turn_out, layout.turn_row
    u, w = legs.unit[into], legs.unit[away]
    cosine = np.einsum("nc,nc->n", u, w)
    sine = np.maximum(np.linalg.norm(np.cross(u, w), axis=1), 1e-9)
    out.v[rows] = np.arctan2(sine, cosine) - layout.turn_rad
    for leg, own, other in ((into, u, w), (away, w, u)):
        by_leg = (cosine[:, None] * own - other) / (sine * legs.length[leg])[:, None]
        legs.turn(out, rows, leg, by_leg[:, None])
