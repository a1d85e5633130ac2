"""The observation equations of line networks: computed minus observed, and analytic derivatives.

An `EquationLayout` gives in plain arrays of indices where everything stands: the unknowns, the
rows, and which touch which; so one network or many side by side are evaluated by the same few calls
of numpy. An `x` index counts unknowns, a `row` index observations; legs, stations and readings are
numbered apart. `side_by_side` shifts each kind by what stands before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any, NamedTuple

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.records import Flags, Floats, Ints


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
    # from the first reading of a piece on; slack adds up from each to the next
    reading_row: Ints = field(metadata=_ROW)
    reading_offset: Ints = field(metadata=_X)
    reading_scale: Ints = field(metadata=_X)
    reading_way: Floats  # ±1
    reading_m: Floats
    reading_before: Ints = field(metadata=_READING)  # the one before; of the first, itself
    reading_from: Ints = field(metadata=_LEG)  # leg that begins where the first was read
    reading_to: Ints = field(metadata=_LEG)  # leg that begins where this was, or its station's leg
    reading_slack_m: Floats  # σ of what the cable gains since the one before
    # those read at stations
    part_reading: Ints = field(metadata=_READING)
    part_station: Ints = field(metadata=_STATION)
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
        self._spans = _Spans.from_first(layout)

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Evaluate at x (g, n)."""
        g, n = x.shape
        out = _Sums(g * self.rows, n, known=self._at is not None)
        with np.errstate(over="ignore", invalid="ignore"):  # a step astray misfits without end
            _evaluate(self.layout, x.ravel(), out, self._spans)
        if self._at is None:
            self._at = out.places()
        size = g * self.rows * n
        a = np.bincount(self._at, weights=out.values(), minlength=size)
        return (
            out.v.reshape(g, self.rows),
            np.asarray(a, dtype=np.float64).reshape(g, self.rows, n),
        )


class CounterStates(NamedTuple):
    """What the counter would have read at each reading, as unknowns of their own."""

    x: Ints  # (readings,) the first of a piece is the piece's offset; −1 = none of its own
    before: Ints  # (readings,) the last reading before it that has one; of the first, itself
    row: Ints  # (readings,) that ties it to the one before; the first has none


class StepwiseEvaluator:
    """The same with counters as `CounterStates`, as entries: readings then tie no distant legs.

    Row and unknown (e,) of each entry stand in `row` and `x` once it has been evaluated.
    """

    def __init__(self, layout: EquationLayout, rows: int, states: CounterStates) -> None:
        """`rows`: observations and steps each network of the layout has room for."""
        self.layout, self.rows, self.states = layout, rows, states
        self._spans = _Spans.from_last(layout, states.before)
        self.row, self.x = np.zeros(0, np.int64), np.zeros(0, np.int64)
        self._entry: Ints | None = None

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Evaluate at x (g, n): residuals (g · rows) and entries (e,)."""
        g, n = x.shape
        known = self._entry is not None
        out = _Sums(g * self.rows, g * n, known=known)
        with np.errstate(over="ignore", invalid="ignore"):
            _evaluate(self.layout, x.ravel(), out, self._spans, self.states)
        if self._entry is None:
            there, self._entry = np.unique(out.places(), return_inverse=True)
            self.row, self.x = there // (g * n), there % (g * n)
        a = np.bincount(self._entry, weights=out.values(), minlength=len(self.row))
        return out.v, np.asarray(a, dtype=np.float64)


class _Spans(NamedTuple):
    """The path to readings: whole legs, and parts of legs up to stations."""

    reading: Ints
    leg: Ints
    share: Floats  # ±1
    part_reading: Ints
    part_station: Ints
    part_share: Floats  # ±1

    @classmethod
    def from_first(cls, layout: EquationLayout) -> _Spans:
        """From the first reading of the piece."""
        first = np.maximum.accumulate(
            np.where(_firsts(layout), np.arange(len(layout.reading_row)), 0)
        )
        return cls._between(layout, layout.reading_from, first)

    @classmethod
    def from_last(cls, layout: EquationLayout, before: Ints) -> _Spans:
        """From a reading before (readings,)."""
        reached = np.maximum(layout.reading_to, layout.reading_from)
        return cls._between(layout, reached[before], before)

    @classmethod
    def _between(cls, layout: EquationLayout, start: Ints, other: Ints) -> _Spans:
        end = np.maximum(layout.reading_to, layout.reading_from)
        reading = np.repeat(np.arange(len(end)), np.abs(end - start))
        before = np.cumsum(np.abs(end - start)) - np.abs(end - start)
        leg = np.minimum(start, end)[reading] + np.arange(len(reading)) - before[reading]
        station = np.full(len(end), -1)
        station[layout.part_reading] = layout.part_station
        later = ~_firsts(layout)
        less = np.flatnonzero(later & (station[other] >= 0))
        more = np.flatnonzero(later & (station >= 0))
        order = np.argsort(np.concatenate([less, more]), kind="stable")
        return cls(
            reading,
            leg,
            np.where(end < start, -1.0, 1.0)[reading],
            np.concatenate([less, more])[order],
            np.concatenate([station[other][less], station[more]])[order],
            np.concatenate([-np.ones(len(less)), np.ones(len(more))])[order],
        )


def _firsts(layout: EquationLayout) -> Flags:
    """Which readings are the first of their piece."""
    return np.asarray(layout.reading_before == np.arange(len(layout.reading_row)))


class _Sums:
    """Residuals and derivatives as they come in, entry by entry; what meets is added up."""

    def __init__(self, rows: int, columns: int, *, known: bool) -> None:
        self.v = np.zeros(rows)
        self._columns, self._known = columns, known
        self._at: list[Ints] = []
        self._by: list[Floats] = []

    def by(self, row: Ints, x: Ints, value: Floats) -> None:
        """Add derivatives, as many as `value`, with which the others broadcast."""
        self._by.append(value.ravel())
        if not self._known:
            at = row * self._columns + x % self._columns
            self._at.append(np.broadcast_to(at, value.shape).ravel())

    def places(self) -> Ints:
        """Where each derivative belongs in the flat Jacobian."""
        return np.concatenate(self._at)

    def values(self) -> Floats:
        """The derivatives."""
        return np.concatenate(self._by)


def _evaluate(
    layout: EquationLayout,
    flat: Floats,
    out: _Sums,
    spans: _Spans,
    states: CounterStates | None = None,
) -> None:
    legs = _Legs(layout, flat)
    _points(layout, flat, out)
    _aims(layout, flat, legs, out)
    if len(layout.station_x):
        _stations(layout, flat, legs, out)
    if len(layout.reading_row):
        if states is None:
            _readings(layout, flat, legs, out, spans)
        else:
            _steps(layout, flat, legs, out, spans, states)
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


def _readings(layout: EquationLayout, x: Floats, legs: _Legs, out: _Sums, spans: _Spans) -> None:
    rows, count = layout.reading_row, len(layout.reading_row)
    path = _path(layout, x, legs, spans)
    per_m = layout.reading_way / x[layout.reading_scale]
    out.v[rows] = x[layout.reading_offset] + per_m * path - layout.reading_m
    out.by(rows, layout.reading_offset, np.ones(count))
    _along(layout, x, legs, out, spans, rows)


def _steps(
    layout: EquationLayout,
    x: Floats,
    legs: _Legs,
    out: _Sums,
    spans: _Spans,
    states: CounterStates,
) -> None:
    """Readings against what the counter would have read; that against what it was before."""
    own = states.x >= 0
    rows, now = layout.reading_row[own], states.x[own]
    out.v[rows] = x[now] - layout.reading_m[own]
    out.by(rows, now, np.ones(len(rows)))
    path = _path(layout, x, legs, spans)
    per_m = layout.reading_way / x[layout.reading_scale]
    later = ~_firsts(layout)
    rows, before = states.row[later], states.x[states.before][later]
    reached = np.where(own, x[states.x], layout.reading_m)
    out.v[rows] = x[before] + (per_m * path)[later] - reached[later]
    out.by(rows, before, np.ones(len(rows)))
    rows, now = states.row[later & own], states.x[later & own]
    out.by(rows, now, -np.ones(len(rows)))
    _along(layout, x, legs, out, spans, states.row)


def _path(layout: EquationLayout, x: Floats, legs: _Legs, spans: _Spans) -> Floats:
    """Length (readings,) of the path of each."""
    station, count = spans.part_station, len(layout.reading_row)
    lengths = legs.length[layout.station_leg[station]]
    parts = spans.part_share * x[layout.station_x[station]] * lengths
    whole = spans.share * legs.length[spans.leg]
    path = np.bincount(spans.reading, weights=whole, minlength=count)
    return np.asarray(path + np.bincount(spans.part_reading, weights=parts, minlength=count))


def _along(
    layout: EquationLayout, x: Floats, legs: _Legs, out: _Sums, spans: _Spans, rows: Ints
) -> None:
    """Add the derivatives of path · way / scale to rows."""
    path, per_m = _path(layout, x, legs, spans), layout.reading_way / x[layout.reading_scale]
    out.by(rows, layout.reading_scale, -per_m * path / x[layout.reading_scale])
    of = spans.reading
    legs.lengthen(out, rows[of], spans.leg, per_m[of] * spans.share)
    of, station = spans.part_reading, spans.part_station
    leg = layout.station_leg[station]
    times = per_m[of] * spans.part_share
    legs.lengthen(out, rows[of], leg, times * x[layout.station_x[station]])
    out.by(rows[of], layout.station_x[station], times * legs.length[leg])


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
