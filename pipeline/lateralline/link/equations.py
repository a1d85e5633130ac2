"""The observation equations of line networks: computed minus observed, and analytic derivatives.

An `EquationLayout` gives in plain arrays of indices where everything stands: the unknowns, the
rows, and which touch which; so one network or many side by side are evaluated by the same few calls
of numpy. An `x` index counts unknowns, a `row` index observations; legs, stations and readings are
numbered apart. `side_by_side` shifts each kind by what stands before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.records import Floats, Ints


def leg_directions(start_m: Floats, end_m: Floats, angles_rad: Floats) -> tuple[Floats, ...]:
    """Return how far legs point away from headings and tilts, and the derivatives.

    start, end (…, 3); angles (…, 2) heading, tilt. Gives the residual (…, 2), its derivative by
    `end` (…, 2, 3; by `start` it is the opposite) and by the angles (…, 2, 2). The heading residual
    is reduced to the leg's own slope (times cosine of tilt), so that both are angles on the sphere
    and a steep leg, whose heading means little, counts little.
    """
    leg = end_m - start_m
    length = np.maximum(np.linalg.norm(leg, axis=-1), 1e-9)
    d = leg / length[..., None]
    level = np.maximum(np.hypot(d[..., 0], d[..., 1]), 1e-12)
    off = wrap(np.arctan2(d[..., 0], d[..., 1]) - angles_rad[..., 0])
    tilt = np.arctan2(d[..., 2], level)
    residual = np.stack([level * off, wrap(tilt - angles_rad[..., 1])], axis=-1)

    east, north, up = d[..., 0] / level, d[..., 1] / level, d[..., 2]
    zero = np.zeros_like(up)
    by_direction = np.stack(
        [
            np.stack([off * east + north, off * north - east, zero], axis=-1),
            np.stack([-up * east, -up * north, level], axis=-1),
        ],
        axis=-2,
    )
    across = (np.eye(3) - d[..., :, None] * d[..., None, :]) / length[..., None, None]
    by_angles = np.zeros((*residual.shape, 2))
    by_angles[..., 0, 0] = -level
    by_angles[..., 1, 1] = -1.0
    return residual, by_direction @ across, by_angles


#: What the numbers of a column of indices count.
_X, _ROW, _LEG, _STATION, _READING = (
    {"counts": what} for what in ("x", "row", "leg", "station", "reading")
)


@dataclass(frozen=True, slots=True)
class EquationLayout:
    """The equations of one network, or of several side by side.

    Unknowns: three coordinates per vertex, heading and tilt per directed vertex, a scale and an
    offset per counter, a fraction of a leg per station, a value per shared error. A station is a
    place on a leg that is no vertex: a junction, or a stop of another run.
    """

    # observed positions of vertices, three rows each
    point_x: Ints = field(metadata=_X)
    point_row: Ints = field(metadata=_ROW)
    point_m: Floats  # (k, 3)
    # observed directions at vertices, two rows each
    look_x: Ints = field(metadata=_X)
    look_row: Ints = field(metadata=_ROW)
    look_rad: Floats  # (d, 2)
    # legs from vertex to vertex
    leg_from: Ints = field(metadata=_X)
    leg_to: Ints = field(metadata=_X)
    # a leg against the direction at its end, two rows each
    aim_leg: Ints = field(metadata=_LEG)
    aim_x: Ints = field(metadata=_X)
    aim_row: Ints = field(metadata=_ROW)
    # stations
    station_x: Ints = field(metadata=_X)
    station_leg: Ints = field(metadata=_LEG)
    # observed positions of stations, three rows each, and directions of their legs, two
    seen_station: Ints = field(metadata=_STATION)
    seen_row: Ints = field(metadata=_ROW)
    seen_m: Floats  # (r, 3)
    along_leg: Ints = field(metadata=_LEG)
    along_row: Ints = field(metadata=_ROW)
    along_rad: Floats  # (q, 2)
    # vertices that are stations of another line, three rows each
    join_station: Ints = field(metadata=_STATION)
    join_x: Ints = field(metadata=_X)
    join_row: Ints = field(metadata=_ROW)
    # levels observed at stations
    level_station: Ints = field(metadata=_STATION)
    level_row: Ints = field(metadata=_ROW)
    level_m: Floats
    # counter readings: offset + way · path / scale, the path being whole legs and parts of legs
    reading_row: Ints = field(metadata=_ROW)
    reading_offset: Ints = field(metadata=_X)
    reading_scale: Ints = field(metadata=_X)
    reading_way: Floats  # ±1
    reading_m: Floats
    span_reading: Ints = field(metadata=_READING)
    span_leg: Ints = field(metadata=_LEG)
    span_share: Floats  # ±1
    part_reading: Ints = field(metadata=_READING)
    part_station: Ints = field(metadata=_STATION)
    part_share: Floats  # ±1
    # first leg less last leg of a bent stretch
    balance_row: Ints = field(metadata=_ROW)
    balance_first: Ints = field(metadata=_LEG)
    balance_last: Ints = field(metadata=_LEG)
    # the turn from one leg to the next
    turn_row: Ints = field(metadata=_ROW)
    turn_in: Ints = field(metadata=_LEG)
    turn_out: Ints = field(metadata=_LEG)
    turn_rad: Floats
    # unknowns known beforehand
    prior_row: Ints = field(metadata=_ROW)
    prior_x: Ints = field(metadata=_X)
    prior_value: Floats
    # what one σ of a shared error does to an observation
    shared_row: Ints = field(metadata=_ROW)
    shared_x: Ints = field(metadata=_X)
    shared_by: Floats


def side_by_side(layouts: Sequence[EquationLayout], unknowns: int, rows: int) -> EquationLayout:
    """Return several networks as one, each with room for so many unknowns and rows."""
    step = {
        "x": np.arange(len(layouts)) * unknowns,
        "row": np.arange(len(layouts)) * rows,
        "leg": _before([len(x.leg_from) for x in layouts]),
        "station": _before([len(x.station_x) for x in layouts]),
        "reading": _before([len(x.reading_row) for x in layouts]),
    }
    columns: dict[str, Any] = {}
    for f in fields(EquationLayout):
        parts = [getattr(layout, f.name) for layout in layouts]
        if f.metadata:
            by = step[f.metadata["counts"]]
            parts = [part + first for part, first in zip(parts, by, strict=True)]
        columns[f.name] = np.concatenate(parts)
    return EquationLayout(**columns)


def _before(counts: Sequence[int]) -> Ints:
    return np.cumsum([0, *counts[:-1]])


class LayoutBuilder:
    """A layout being written: lists that become its columns."""

    def __init__(self) -> None:
        """Start with nothing."""
        self._lists: dict[str, list[object]] = {f.name: [] for f in fields(EquationLayout)}

    def add(self, **columns: object) -> None:
        """Add one entry to each column named."""
        for name, value in columns.items():
            self._lists[name].append(value)

    def count(self, name: str) -> int:
        """Return how many entries a column has."""
        return len(self._lists[name])

    def done(self) -> EquationLayout:
        """Return the layout."""
        wide = {"point_m": (-1, 3), "seen_m": (-1, 3), "look_rad": (-1, 2), "along_rad": (-1, 2)}
        columns: dict[str, Any] = {}
        for f in fields(EquationLayout):
            kind = np.int64 if f.metadata else np.float64
            columns[f.name] = np.array(self._lists[f.name], dtype=kind).reshape(
                wide.get(f.name, (-1,))
            )
        return EquationLayout(**columns)


_XYZ = np.arange(3)
_TWO = np.arange(2)


class Evaluator:
    """Computed minus observed (g, rows) and Jacobian (g, rows, n) of a layout, at x (g, n).

    What touches what never changes from one x to the next, so where the derivatives go is worked
    out at the first call and kept.
    """

    def __init__(self, layout: EquationLayout, rows: int) -> None:
        """`rows`: observations each network of the layout has room for."""
        self.layout, self.rows = layout, rows
        self._at: Ints | None = None

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Evaluate at x (g, n)."""
        g, n = x.shape
        out = _Sums(g * self.rows, n, known=self._at is not None)
        with np.errstate(over="ignore", invalid="ignore"):  # a step astray misfits without end
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


def _evaluate(layout: EquationLayout, flat: Floats, out: _Sums) -> None:
    legs = _Legs(layout, flat)
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

    def __init__(self, layout: EquationLayout, x: Floats) -> None:
        self.from_x, self.to_x = layout.leg_from, layout.leg_to
        self.start, self.end = (x[at[:, None] + _XYZ] for at in (self.from_x, self.to_x))
        self.leg = self.end - self.start
        self.length = np.maximum(np.linalg.norm(self.leg, axis=1), 1e-9)
        self.unit = self.leg / self.length[:, None]

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


def _points(layout: EquationLayout, x: Floats, out: _Sums) -> None:
    rows, at = layout.point_row[:, None] + _XYZ, layout.point_x[:, None] + _XYZ
    out.v[rows] = x[at] - layout.point_m
    out.by(rows, at, np.ones(rows.shape))
    rows, at = layout.look_row[:, None] + _TWO, layout.look_x[:, None] + _TWO
    off = x[at] - layout.look_rad
    off[:, 0] = wrap(off[:, 0])
    out.v[rows] = off
    out.by(rows, at, np.ones(rows.shape))


def _aims(layout: EquationLayout, x: Floats, legs: _Legs, out: _Sums) -> None:
    leg = layout.aim_leg
    angles = layout.aim_x[:, None] + _TWO
    residual, by_end, by_angles = leg_directions(legs.start[leg], legs.end[leg], x[angles])
    out.v[layout.aim_row[:, None] + _TWO] = residual
    legs.turn(out, layout.aim_row, leg, by_end)
    out.by(layout.aim_row[:, None, None] + _TWO[:, None], angles[:, None, :], by_angles)


def _stations(layout: EquationLayout, x: Floats, legs: _Legs, out: _Sums) -> None:
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


def _readings(layout: EquationLayout, x: Floats, legs: _Legs, out: _Sums) -> None:
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


def _turns(layout: EquationLayout, legs: _Legs, out: _Sums) -> None:
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
