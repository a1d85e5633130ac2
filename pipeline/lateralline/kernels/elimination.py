"""Normal equations of long networks, solved and inverted cell by cell.

The unknowns of a long line hang together only along it: those of one vertex (a cell) with those of
the next few, and all of them with a few that everything shares (the border: a counter's scale, an
error of a control point). So cells are eliminated many at once: each round takes a set of cells no
two of which touch, those with the fewest neighbours first, and what is left of the others is again
such a network, of some two thirds of the cells. Cost and memory grow with the cells, and Python
runs once a round. Backwards through the rounds goes the solution, and the covariance of all pairs
of unknowns that an observation or a test touches together (the selected inverse), which is all that
redundancies and tests ask for.

Source: block elimination and the recursion for the selected inverse (Takahashi, Fagan and Chen,
1973), from memory; tests hold both to dense inverses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


#: Cells with no more neighbours than this may go in any round: what neighbours two apart have.
_NEAR = 8


def sums(at: Ints, values: Floats, count: int) -> Floats:
    """Return the sums (count,) of values (e,) that belong at the same place."""
    return np.asarray(np.bincount(at, weights=values, minlength=count), dtype=np.float64)


class Cells(NamedTuple):
    """Where each of U unknowns of g networks stands."""

    network: Ints  # (U,)
    cell: Ints  # (U,) −1 = of its network's border
    used: Flags  # (U,) False: no unknown at all, only room


class _Sum(NamedTuple):
    """Adds blocks up by where they belong; what belongs nowhere is left out."""

    order: Ints
    start: Ints
    target: Ints

    @classmethod
    def of(cls, target: Ints) -> _Sum:
        order = np.argsort(target, kind="stable")
        order = order[target[order] >= 0]
        at = target[order]
        start = np.flatnonzero(np.diff(at, prepend=-1))
        return cls(order, start, at[start])

    def take_off(self, blocks: Floats, total: Floats) -> None:
        """Take blocks (k, …) off a total in place."""
        if len(self.start):
            total[self.target] -= np.add.reduceat(blocks[self.order], self.start, axis=0)


class _Round(NamedTuple):
    """Cells eliminated at once, each with d neighbours (padded by the cell that is none)."""

    cell: Ints  # (k,)
    network: Ints  # (k,)
    near: Ints  # (k, d)
    edge: Ints  # (k, d) to that neighbour
    turned: Flags  # (k, d) the edge is written from the neighbour to the cell
    first: Ints  # (p,) of pairs of neighbours
    second: Ints  # (p,)
    pair: Ints  # (k, p) their edge
    to_near: _Sum  # of (k · d)
    to_pair: _Sum  # of (k · p)
    to_border: _Sum  # of (k,)


class Elimination:
    """In which order the cells of a pattern of unknowns are eliminated."""

    def __init__(self, cells: Cells, rows: Ints, columns: Ints) -> None:
        """`rows`, `columns` (e,): which unknowns the normal matrix or a test ties, both ways."""
        self.unknowns = len(cells.cell)
        self.networks = int(cells.network.max(initial=-1)) + 1
        inside, border = cells.used & (cells.cell >= 0), cells.used & (cells.cell < 0)
        self.count = int(cells.cell.max(initial=-1)) + 1
        self.size, slot = _slots(cells.cell, inside)
        self.width, border_slot = _slots(cells.network, border)
        self.cell, self.border, self.inside = cells.cell, border, inside
        self.network, self.slot = cells.network, np.where(inside, slot, border_slot)
        self.of_cell = np.zeros(self.count + 1, np.int64)
        self.of_cell[cells.cell[inside]] = cells.network[inside]
        # where an unknown stands in (cells + 1) · size, and in networks · width
        self.at_cell = np.where(inside, cells.cell * self.size + slot, self.count * self.size)
        self.at_border = np.where(border, cells.network * self.width + border_slot, 0)
        tie = inside[rows] & inside[columns]
        a, b = cells.cell[rows[tie]], cells.cell[columns[tie]]
        keys = np.unique(np.minimum(a, b)[a != b] * (self.count + 1) + np.maximum(a, b)[a != b])
        self.low, self.high = keys // (self.count + 1), keys % (self.count + 1)
        self.rounds: list[_Round] = []
        self._plan()
        order = np.argsort(self._keys(), kind="stable")
        self._sorted, self._order = self._keys()[order], order

    def _keys(self) -> Ints:
        return np.asarray(self.low * (self.count + 1) + self.high)

    def edge_of(self, a: Ints, b: Ints) -> tuple[Ints, Flags]:
        """Return the edges between cells, −1 where there is none, and which run from b to a."""
        key = np.minimum(a, b) * (self.count + 1) + np.maximum(a, b)
        at = np.minimum(np.searchsorted(self._sorted, key), max(len(self._sorted) - 1, 0))
        found = self._sorted[at] == key if len(self._sorted) else np.zeros(key.shape, bool)
        return np.where(found, self._order[at] if len(self._order) else -1, -1), a > b

    # ---- the order --------------------------------------------------------------------------

    def _plan(self) -> None:
        low, high, edge = self.low, self.high, np.arange(len(self.low))
        left = np.zeros(self.count + 1, bool)
        left[np.unique(self.cell[self.inside])] = True
        # scattered as by chance, so that no two neighbours wait for each other, yet always the same
        mixed = (np.arange(self.count + 1) * 2654435761) % (1 << 32)
        total, added = len(low), []
        while left.any():
            degree = np.bincount(low, minlength=self.count + 1)
            degree = degree + np.bincount(high, minlength=self.count + 1)
            chosen = _apart(left, degree, mixed, low, high, self.of_cell)
            plan, fresh = _round(chosen, low, high, edge, self.of_cell, self.count, total)
            self.rounds.append(plan)
            left[chosen] = False
            keep = left[low] & left[high]
            low, high = (
                np.concatenate([old[keep], new])
                for old, new in zip((low, high), fresh, strict=True)
            )
            edge = np.concatenate([edge[keep], total + np.arange(len(fresh[0]))])
            total += len(fresh[0])
            added.append(fresh)
        self.low = np.concatenate([self.low, *(one for one, _ in added)])
        self.high = np.concatenate([self.high, *(one for _, one in added)])


def _slots(group: Ints, among: Flags) -> tuple[int, Ints]:
    """Return the size of the largest group, and the place (U,) of each member within its own."""
    slot = np.zeros(len(group), np.int64)
    members = np.flatnonzero(among)
    order = members[np.argsort(group[members], kind="stable")]
    first = np.flatnonzero(np.diff(group[order], prepend=-1))
    counts = np.diff(np.append(first, len(order)))
    slot[order] = np.arange(len(order)) - np.repeat(first, counts)
    return int(counts.max(initial=0)), slot


def _apart(left: Flags, degree: Ints, mixed: Ints, low: Ints, high: Ints, network: Ints) -> Ints:
    """Return cells no two of which touch, those with few neighbours first."""
    most = np.full(int(network.max(initial=0)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(most, network[left], degree[left])
    may = left & (degree <= np.maximum(most, _NEAR)[network])
    rank = (degree + 3) // 4 * (1 << 32) + mixed
    chosen = np.zeros(len(left), bool)
    for _ in range(3):
        best = np.full(len(left), np.iinfo(np.int64).max)
        tie = may[low] & may[high]
        np.minimum.at(best, low[tie], rank[high[tie]])
        np.minimum.at(best, high[tie], rank[low[tie]])
        new = may & (rank < best)
        chosen |= new
        may = may & ~new
        may[high[new[low]]] = False
        may[low[new[high]]] = False
    return np.flatnonzero(chosen)


def _round(
    chosen: Ints, low: Ints, high: Ints, edge: Ints, network: Ints, none: int, total: int
) -> tuple[_Round, tuple[Ints, Ints]]:
    """Return what is eliminated at once, and the edges this makes between their neighbours."""
    number = np.full(none + 1, -1)
    number[chosen] = np.arange(len(chosen))
    out, back = number[low] >= 0, number[high] >= 0
    own = np.concatenate([number[low[out]], number[high[back]]])
    other = np.concatenate([high[out], low[back]])
    by = np.concatenate([edge[out], edge[back]])
    order = np.lexsort((other, own))
    own, other, by = own[order], other[order], by[order]
    counts = np.bincount(own, minlength=len(chosen))
    place = np.arange(len(own)) - np.repeat(np.cumsum(counts) - counts, counts)
    wide = int(counts.max(initial=0))
    near = np.full((len(chosen), wide), none)
    edges = np.full((len(chosen), wide), -1)
    near[own, place], edges[own, place] = other, by
    first, second = np.triu_indices(wide, 1)
    a, b = near[:, first], near[:, second]  # sorted: a < b, and whoever is none comes last
    real = b < none
    keys = low * (none + 1) + high
    order = np.argsort(keys, kind="stable")
    asked = (a * (none + 1) + b)[real]
    wanted, at = np.unique(asked, return_inverse=True)
    place = np.minimum(np.searchsorted(keys[order], wanted), max(len(keys) - 1, 0))
    there = keys[order][place] == wanted if len(keys) else np.zeros(len(wanted), bool)
    ids = np.empty(len(wanted), np.int64)
    ids[there] = edge[order][place[there]]
    fresh = wanted[~there]
    ids[~there] = total + np.arange(len(fresh))
    pair = np.full(a.shape, -1)
    pair[real] = ids[at]
    return (
        _Round(
            chosen,
            network[chosen],
            near,
            edges,
            chosen[:, None] > near,
            first,
            second,
            pair,
            _Sum.of(np.where(near < none, near, -1).ravel()),
            _Sum.of(pair.ravel()),
            _Sum.of(network[chosen]),
        ),
        (fresh // (none + 1), fresh % (none + 1)),
    )


# ---- numbers --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Blocks:
    """A symmetric matrix on an elimination's pattern, or the part of its inverse on it."""

    plan: Elimination
    own: Floats  # (cells + 1, size, size)
    between: Floats  # (edges + 1, size, size) from the lower cell to the higher
    to_border: Floats  # (cells + 1, size, width)
    border: Floats  # (networks, width, width)


class Filling:
    """Where products belong that add up to a matrix, entry by entry.

    `kept`: which of the products (e,) are needed, the matrix being symmetric.
    """

    def __init__(self, plan: Elimination, rows: Ints, columns: Ints) -> None:
        """Work out where; `rows` and `columns` (e,) are those of products, given both ways."""
        self.plan = p = plan
        size, width = p.size, p.width
        shapes = (
            (p.count + 1, size, size),
            (len(p.low) + 1, size, size),
            (p.count + 1, size, width),
            (p.networks, width, width),
        )
        self.shapes, self.first = shapes, np.cumsum([0, *(np.prod(s) for s in shapes)])
        a, b = p.cell[rows], p.cell[columns]
        in_a, in_b = p.inside[rows], p.inside[columns]
        sa, sb = p.slot[rows], p.slot[columns]
        edge = np.full(len(rows), -1)
        across = np.flatnonzero(in_a & in_b & (a < b))
        edge[across] = p.edge_of(a[across], b[across])[0]
        at = np.where(edge >= 0, self.first[1] + (edge * size + sa) * size + sb, -1)
        at = np.where(in_a & in_b & (a == b), (a * size + sa) * size + sb, at)
        if width:
            corner = (p.network[rows] * width + sa) * width + sb
            at = np.where(
                in_a & p.border[columns], self.first[2] + (a * size + sa) * width + sb, at
            )
            at = np.where(p.border[rows] & p.border[columns], self.first[3] + corner, at)
        self.kept = np.flatnonzero(at >= 0)
        self.at = at[self.kept]
        # room without an unknown: 1 on the diagonal, or nothing could be inverted
        self.idle = np.ones((p.count + 1, size), bool)
        self.idle.ravel()[p.at_cell[p.inside]] = False
        self.idle_border = np.ones((p.networks, width), bool)
        self.idle_border.ravel()[p.at_border[p.border]] = False

    def __call__(self, products: Floats, more: Floats) -> Blocks:
        """Add up those kept, and `more` (networks,) on the diagonal of every unknown."""
        p = self.plan
        flat = sums(self.at, products, int(self.first[-1]))
        parts = np.split(flat, self.first[1:-1])
        own, between, out, border = (x.reshape(s) for x, s in zip(parts, self.shapes, strict=True))
        at = np.arange(p.size)
        own[:, at, at] += np.where(self.idle, 1.0, more[p.of_cell][:, None])
        at = np.arange(p.width)
        border[:, at, at] += np.where(self.idle_border, 1.0, more[:, None])
        return Blocks(p, own, between, out, border)


def _turn(blocks: Floats, turned: Flags) -> Floats:
    """The same, transposed where turned."""
    return np.where(turned[..., None, None], np.swapaxes(blocks, -1, -2), blocks)


class CellFactor:
    """A factored matrix: its solutions, and its inverse on the pattern."""

    def __init__(self, matrix: Blocks, invert: Callable[[Floats], Floats]) -> None:
        """Eliminate, `matrix` being used up; `invert` gives NaN for a block (k, p, p) without."""
        p = self.plan = matrix.plan
        size, width = p.size, p.width
        own, between, out, border = matrix.own, matrix.between, matrix.to_border, matrix.border
        self.inverse: list[Floats] = []
        self.carry: list[Floats] = []  # per round (k, size, d · size + width)
        for r in p.rounds:
            k, d = r.near.shape
            inverse = invert(own[r.cell])
            beside = _turn(between[r.edge], r.turned)  # (k, d, size, size)
            row = np.concatenate(
                [np.moveaxis(beside, 1, 2).reshape(k, size, d * size), out[r.cell]], axis=2
            )
            carry = inverse @ row
            less = np.swapaxes(row, 1, 2) @ carry
            self.inverse.append(inverse)
            self.carry.append(carry)
            inner = less[:, : d * size, : d * size].reshape(k, d, size, d, size)
            at = np.arange(d)
            r.to_near.take_off(
                np.moveaxis(inner[:, at, :, at], 0, 1).reshape(k * d, size, size), own
            )
            pairs = np.moveaxis(inner[:, r.first, :, r.second], 0, 1)
            r.to_pair.take_off(pairs.reshape(-1, size, size), between)
            if width:
                side = less[:, : d * size, d * size :].reshape(k * d, size, width)
                r.to_near.take_off(side, out)
                r.to_border.take_off(less[:, d * size :, d * size :], border)
        self.border = invert(border) if width else border

    def solve(self, right: Floats) -> Floats:
        """Return the solutions (U, q) of right-hand sides (U, q)."""
        p, q = self.plan, right.shape[1]
        size, width = p.size, p.width
        cells: Floats = np.zeros((p.count + 1, size, q))
        cells.reshape(-1, q)[p.at_cell[p.inside]] = right[p.inside]
        border: Floats = np.zeros((p.networks, width, q))
        border.reshape(-1, q)[p.at_border[p.border]] = right[p.border]
        for r, carry in zip(p.rounds, self.carry, strict=True):
            k, d = r.near.shape
            less = np.swapaxes(carry, 1, 2) @ cells[r.cell]
            r.to_near.take_off(less[:, : d * size].reshape(k * d, size, q), cells)
            if width:
                r.to_border.take_off(less[:, d * size :], border)
        border = self.border @ border
        cells[p.count] = 0.0
        for r, carry, inverse in zip(
            reversed(p.rounds), reversed(self.carry), reversed(self.inverse), strict=True
        ):
            k, d = r.near.shape
            beside = np.concatenate(
                [cells[r.near].reshape(k, d * size, q), border[r.network]], axis=1
            )
            cells[r.cell] = inverse @ cells[r.cell] - carry @ beside
        out = np.zeros_like(right)
        out[p.inside] = cells.reshape(-1, q)[p.at_cell[p.inside]]
        out[p.border] = border.reshape(-1, q)[p.at_border[p.border]]
        return out

    def selected(self) -> Blocks:
        """Return the inverse on the pattern."""
        p = self.plan
        size, width = p.size, p.width
        own = np.zeros((p.count + 1, size, size))
        between = np.zeros((len(p.low) + 1, size, size))
        out = np.zeros((p.count + 1, size, width))
        for r, carry, inverse in zip(
            reversed(p.rounds), reversed(self.carry), reversed(self.inverse), strict=True
        ):
            k, d = r.near.shape
            full = d * size
            beside = np.zeros((k, full + width, full + width))
            inner = np.zeros((k, d, d, size, size))
            at = np.arange(d)
            inner[:, at, at] = own[r.near]
            pairs = between[r.pair]
            inner[:, r.first, r.second] = pairs
            inner[:, r.second, r.first] = np.swapaxes(pairs, -1, -2)
            beside[:, :full, :full] = np.swapaxes(inner, 2, 3).reshape(k, full, full)
            if width:
                side = out[r.near].reshape(k, full, width)
                beside[:, :full, full:] = side
                beside[:, full:, :full] = np.swapaxes(side, 1, 2)
                beside[:, full:, full:] = self.border[r.network]
            across = -carry @ beside
            own[r.cell] = inverse - across @ np.swapaxes(carry, 1, 2)
            out[r.cell] = across[:, :, full:]
            blocks = np.moveaxis(across[:, :, :full].reshape(k, size, d, size), 2, 1)
            real = r.edge >= 0
            between[r.edge[real]] = _turn(blocks, r.turned)[real]
        return Blocks(p, own, between, out, self.border)


def entries(inverse: Blocks, a: Ints, b: Ints) -> Floats:
    """Return the inverse at pairs of unknowns of one network; NaN where it was not selected."""
    p = inverse.plan
    in_a, in_b = p.inside[a], p.inside[b]
    ca, cb = np.where(in_a, p.cell[a], p.count), np.where(in_b, p.cell[b], p.count)
    sa, sb = p.slot[a], p.slot[b]
    edge, turned = p.edge_of(ca, cb)
    low, high = np.where(turned, sb, sa), np.where(turned, sa, sb)
    both = in_a & in_b
    value = np.where(edge >= 0, inverse.between[edge, low * both, high * both], np.nan)
    value = np.where(ca == cb, inverse.own[ca, sa * in_a, sb * in_b], value)
    if p.width:
        net = p.network[a]
        ab, ba = in_a & ~in_b, in_b & ~in_a
        value = np.where(ab, inverse.to_border[ca, sa * ab, sb * ab], value)
        value = np.where(ba, inverse.to_border[cb, sb * ba, sa * ba], value)
        none = ~in_a & ~in_b
        value = np.where(none, inverse.border[net, sa * none, sb * none], value)
    return np.asarray(value)
