"""Marks as they would lie if control lay elsewhere, and how badly counters and tapes then fit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from lateralline.kernels import taping
from lateralline.place import Placed
from lateralline.records import FieldRecord, Flags, Floats, Ints, Spots, Texts

#: A chord longer and one shorter than was counted, and a stop beside the way of the transmitter
#: before, are likely by so much: placing a stop, bends. Common practice, no source.
_LONG_M, _SHORT_M, _BESIDE_M = 0.2, 0.5, 0.4
#: σ of a tape among several to one mark, placing left out. Common practice, no source.
_TAPE_M: Final = 0.03
#: Two ties that hardly meet do so this far from their baseline; steps of the adjustment of three.
_LEAST_HEIGHT_M: Final = 0.1
_GAUSS_NEWTON: Final = 3
#: What a mark counts that cannot be placed, or whose tapes miss at most, in σ.
_LOST: Final = 20.0


@dataclass(frozen=True, slots=True)
class HungMarks:
    """The n marks of s stops that show the field, and the c control points they hang on."""

    placed: Placed
    z_m: Floats  # (c,)
    xy_m: Floats  # (n, 2) as placed
    method: Texts  # (n,)
    base: Ints  # (n, 2) control points of a baseline or bearing, -1 = none
    away_m: Floats  # (n, 2) along and right of the baseline; of a bearing east and north
    tie: Ints  # (n, t) control points
    length_m: Floats  # (n, t), NaN = no tie
    left: Floats  # (n,) as `taping.adjust_ties` has it
    stop: Ints  # (n,)
    run: Texts  # (s,)
    counter_m: Floats  # (s,)
    pairs: Ints  # (p, 2) stops next to each other by the counter of their run
    ends: Ints  # (s, 2) marks that are end nulls, -1 = not two

    @classmethod
    def of(cls, record: FieldRecord, placed: Placed) -> HungMarks:
        """Return the marks of a site as placed."""
        marks, control, rows = placed.marks, record.control, record.stops
        here = np.flatnonzero(marks.kind != "ground")
        key = list(zip(rows.run.tolist(), rows.stop.tolist(), strict=True))
        of = {k: i for i, k in enumerate(key)}
        mine = zip(marks.run[here].tolist(), marks.stop[here].tolist(), strict=True)
        stop = np.array([of[k] for k in mine], dtype=np.int64)
        index = {str(name): i for i, name in enumerate(control.point)}
        spots, xy = record.marks.spots, marks.xyz_m[here, :2]
        base, tie, length = _hung_on(spots, here, index)
        places = placed.frame.to_local(control.x, control.y, control.z_m)[:, :2]
        side = spots.side[here]
        ends = np.full((len(key), 2), -1)
        for i in range(len(key)):
            two = np.flatnonzero((stop == i) & (marks.kind[here] == "end_null"))
            if len(two) == 2:
                ends[i] = two
        return cls(
            placed,
            control.z_m,
            xy,
            spots.method[here],
            base,
            _away(xy, places, base, spots.method[here] == "offset"),
            tie,
            length,
            np.where(side == "left", 1.0, np.where(side == "right", -1.0, 0.0)),
            stop,
            rows.run,
            rows.counter_m,
            _neighbours(rows.run, rows.counter_m, stop),
            ends,
        )

    def local(self, xy: Floats) -> Floats:
        """Return site metres (c, 2) of coordinates of the control."""
        return self.placed.frame.to_local(xy[:, 0], xy[:, 1], self.z_m)[:, :2]

    def uses(self, i: int) -> bool:
        """Whether a mark hangs on control point `i`."""
        by_base = (self.base == i).any(axis=1) & np.isin(self.method, ("offset", "polar"))
        return bool(by_base.any() or ((self.tie == i) & np.isfinite(self.length_m)).any())

    def without(self, i: int) -> HungMarks:
        """Return the same without stop `i`: neither marks nor counter of it count."""
        counter = self.counter_m.copy()
        counter[i] = np.nan
        method = np.where(self.stop == i, "gnss", self.method)  # placed, and no tape to miss
        return replace(self, method=method, pairs=_neighbours(self.run, counter, self.stop))

    def put(self, control_m: Floats) -> tuple[Floats, Floats]:
        """Return marks (k, n, 2) by control at (k, c, 2), and by how many σ tapes miss (k, n)."""
        k, n = len(control_m), len(self.xy_m)
        out, miss = np.broadcast_to(self.xy_m, (k, n, 2)).copy(), np.zeros((k, n))
        at = np.flatnonzero(self.method == "offset")
        start, end = (control_m[:, self.base[at, j]].reshape(-1, 2) for j in (0, 1))
        along, right = (np.tile(self.away_m[at, j], k) for j in (0, 1))
        out[:, at] = taping.offset(start, end, along, right).xy_m.reshape(k, -1, 2)
        at = np.flatnonzero(self.method == "polar")
        out[:, at] = control_m[:, self.base[at, 0]] + self.away_m[at]
        count = np.isfinite(self.length_m).sum(axis=1)
        at = np.flatnonzero((self.method == "ties") & (count == 2))
        one, two = (control_m[:, self.tie[at, j]].reshape(-1, 2) for j in (0, 1))
        first, second = (np.tile(self.length_m[at, j], k) for j in (0, 1))
        left = np.tile(self.left[at] >= 0.0, k)
        out[:, at] = taping.two_ties(one, two, first, second, left).xy_m.reshape(k, -1, 2)
        at = np.flatnonzero((self.method == "ties") & (count > 2))
        if len(at):
            points = control_m[:, self.tie[at]].reshape(k * len(at), -1, 2)
            spot, off = _nearest(points, np.tile(self.length_m[at], (k, 1)))
            out[:, at], miss[:, at] = spot.reshape(k, -1, 2), off.reshape(k, -1) / _TAPE_M
        lost = ~np.isfinite(out).all(axis=2) | ~np.isfinite(miss)
        return out, np.where(lost, _LOST, np.minimum(miss, _LOST))

    def score(self, control_m: Floats) -> Floats:
        """Return (k,) how badly control at (k, c, 2) fits counters, directions and spare tapes."""
        xy, miss = self.put(control_m)
        there = np.asarray(np.isfinite(xy).all(axis=2))
        of_stop = (self.stop == np.arange(len(self.counter_m))[:, None]).astype(np.float64)
        count = there.astype(np.float64) @ of_stop.T
        total = np.einsum("sn,knd->ksd", of_stop, np.where(there[..., None], xy, 0.0))
        with np.errstate(invalid="ignore", divide="ignore"):
            middle = total / count[..., None]
            way = xy[:, self.ends[:, 1]] - xy[:, self.ends[:, 0]]
            way /= np.linalg.norm(way, axis=2, keepdims=True)
        way[:, self.ends[:, 0] < 0] = np.nan
        i, j = self.pairs.T
        chord = middle[:, j] - middle[:, i]
        more = np.linalg.norm(chord, axis=2) - (self.counter_m[j] - self.counter_m[i])
        off = [np.where(more > 0.0, more / _LONG_M, more / _SHORT_M), miss]
        for of in (way[:, i], way[:, j]):
            beside = chord[..., 0] * of[..., 1] - chord[..., 1] * of[..., 0]
            off.append(beside / _BESIDE_M)
        return np.asarray(sum(_counts(part).sum(axis=1) for part in off))


def _nearest(points_m: Floats, length_m: Floats) -> tuple[Floats, Floats]:
    """Return spots (m, 2) of three ties and more, and by how much these miss (m,) in all.

    To some centimetres, from either side of the first two points: hundreds of places are tried,
    and the best is adjusted in full when the site is worked out anew.
    """
    taped = np.nan_to_num(length_m)
    there = np.isfinite(length_m)
    base = points_m[:, 1] - points_m[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.linalg.norm(base, axis=1)
        along = base / apart[:, None]
        foot = (taped[:, 0] ** 2 - taped[:, 1] ** 2 + apart**2) / (2.0 * apart)
        height = np.sqrt(np.maximum(taped[:, 0] ** 2 - foot**2, _LEAST_HEIGHT_M**2))
        across = np.stack([-along[:, 1], along[:, 0]], axis=1) * height[:, None]
        middle = points_m[:, 0] + foot[:, None] * along
        at = np.nan_to_num(np.stack([middle + across, middle - across]))
        for _ in range(_GAUSS_NEWTON):
            away = at[:, :, None] - points_m
            distance = np.linalg.norm(away, axis=3)
            unit = np.where(there[..., None], away / distance[..., None], 0.0)
            unit = np.nan_to_num(unit)
            normal = np.einsum("smti,smtj->smij", unit, unit) + 1e-6 * np.eye(2)
            right = np.einsum("smti,smt->smi", unit, np.where(there, taped - distance, 0.0))
            at = at + np.linalg.solve(normal, right[..., None])[..., 0]
    distance = np.linalg.norm(at[:, :, None] - points_m, axis=3)
    miss = np.sqrt(np.square(np.where(there, taped - distance, 0.0)).sum(axis=2))
    side = miss.argmin(axis=0)
    row = np.arange(len(taped))
    return at[side, row], miss[side, row]


def _counts(off: Floats) -> Floats:
    """Return what residuals count: about their squares where small, twice them where large."""
    return 2.0 * (np.sqrt(1.0 + np.square(np.nan_to_num(off, nan=0.0))) - 1.0)


def _hung_on(spots: Spots, here: Ints, index: dict[str, int]) -> tuple[Ints, Ints, Floats]:
    """Return the points of baselines (n, 2), of ties (n, t), and their lengths (n, t)."""
    names = zip(spots.base_from[here].tolist(), spots.base_to[here].tolist(), strict=True)
    base = np.array([[index.get(p, -1) for p in two] for two in names], dtype=np.int64)
    ties = [[(index[p], d) for p, d in spots.ties[i] if p in index] for i in here.tolist()]
    most = max(2, max(map(len, ties), default=0))
    tie = np.zeros((len(ties), most), dtype=np.int64)
    length = np.full(tie.shape, np.nan)
    for i, of in enumerate(ties):
        for j, (point, taped) in enumerate(of):
            tie[i, j], length[i, j] = point, taped
    return base.reshape(-1, 2), tie, length


def _away(xy_m: Floats, places_m: Floats, base: Ints, offset: Flags) -> Floats:
    """Return (n, 2) where marks lie from their baseline, along and right, or from their point."""
    away = xy_m - places_m[base[:, 0]]
    way = places_m[base[:, 1]] - places_m[base[:, 0]]
    with np.errstate(divide="ignore", invalid="ignore"):
        way = way / np.linalg.norm(way, axis=1, keepdims=True)
    along = (away * way).sum(axis=1)
    right = away[:, 0] * way[:, 1] - away[:, 1] * way[:, 0]
    return np.where(offset[:, None], np.column_stack([along, right]), away)


def _neighbours(run: Texts, counter_m: Floats, stop: Ints) -> Ints:
    """Return (p, 2) stops with marks next to each other by the counters of their run."""
    pairs: list[tuple[int, int]] = []
    marked = np.isin(np.arange(len(run)), stop) & np.isfinite(counter_m)
    for name in dict.fromkeys(run.tolist()):
        mine = np.flatnonzero(marked & (run == name))
        mine = mine[np.argsort(counter_m[mine], kind="stable")].tolist()
        pairs += pairwise(mine)
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)
