"""The adjustment of `network` for long networks, at a cost that grows with their length.

Nothing is ever a full matrix: the Jacobian is a list of entries, the normal matrix is eliminated
cell by cell (`elimination`), and covariances are had where they are asked for. Observations whose
errors add up along a line, as counter readings do, would tie all of it together; so what they would
have read without their own error are *states*, unknowns of their own, each tied to the one before.
For any other unknowns the states are at their best values at once, as if they were not there: the
iteration is that of `network`, step by step, but for what damping does to a step that failed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
from scipy import sparse

from lateralline.kernels.elimination import (
    Blocks,
    CellFactor,
    Cells,
    Elimination,
    Filling,
    entries,
    sums,
)
from lateralline.kernels.lsq import inverse_each
from lateralline.kernels.network import Adjusted, Ended, Outliers, iterate, outliers, unit_inverse

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

#: Right-hand sides solved at once.
_SOLVED = 64


class EntryEquations(Protocol):
    """Residuals of networks side by side, and the entries (e,) of their Jacobian."""

    row: Ints  # (e,) known once it has been evaluated
    x: Ints  # (e,)

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Return residuals (g · m,) and entries (e,) at x (g, n)."""


class Roots(NamedTuple):
    """Entries of L⁻¹, of covariances = L Lᵀ of few observations each."""

    row: Ints
    column: Ints
    value: Floats

    @classmethod
    def of(cls, blocks: Sequence[tuple[Ints, Floats]]) -> Roots:
        """Of blocks, each the rows (k,) and their covariance (k, k)."""
        rows, columns, values = [], [], []
        sizes = np.array([len(at) for at, _ in blocks])
        for size in np.unique(sizes).tolist():
            some = np.flatnonzero(sizes == size).tolist()
            at = np.array([blocks[i][0] for i in some])
            root = np.linalg.inv(np.linalg.cholesky(np.array([blocks[i][1] for i in some])))
            i, j = np.tril_indices(size)
            rows.append(at[:, i].ravel())
            columns.append(at[:, j].ravel())
            values.append(root[:, i, j].ravel())
        return cls(np.concatenate(rows), np.concatenate(columns), np.concatenate(values))


@dataclass(frozen=True, slots=True)
class LongNetworks:
    """g networks of up to m observations and n unknowns, side by side.

    Rows count in g · m and unknowns in g · n: those of a network, its states, its biases.
    """

    equations: EntryEquations
    rows: int  # m
    roots: Roots
    cells: Cells
    states: Ints  # unknowns (s,), each but tied to the one before
    biases: tuple[Ints, Ints]  # rows that are off by an unknown, and these
    groups: Ints  # (t, 2) rows that are tested together


class LongSizes(NamedTuple):
    """What one network has of all its stack has room for."""

    observations: int
    unknowns: int
    biases: int
    first_bias: int  # among its unknowns


def adjust_long(
    among: Callable[[Ints], LongNetworks],
    start: Floats,
    sizes: Sequence[LongSizes],
    *,
    iterations: int = 40,
    tolerance: float = 1e-6,
) -> list[LongAdjustment]:
    """Return the adjustments of g networks from start (g, n), as `adjust_stack` does."""
    whole = _LongSystem(among(np.arange(len(start))), start.shape)

    def system(at: Ints) -> _LongSystem:
        return whole if len(at) == len(start) else _LongSystem(among(at), (len(at), start.shape[1]))

    end = iterate(system, start, iterations=iterations, tolerance=tolerance)
    return _solved(whole, end, sizes)


class _Products(NamedTuple):
    """Pairs of entries whose products add up to entries of a product of two matrices."""

    left: Ints
    right: Ints

    @classmethod
    def of(cls, left: Ints, right: Ints) -> _Products:
        """Every pair of entries whose keys (e,) agree; `right` is sorted."""
        first = np.searchsorted(right, left, side="left")
        count = np.searchsorted(right, left, side="right") - first
        mine = np.repeat(np.arange(len(left)), count)
        return cls(mine, np.arange(len(mine)) - np.repeat(np.cumsum(count) - count - first, count))


class _LongSystem:
    """A stack ready to be iterated."""

    def __init__(self, stack: LongNetworks, shape: tuple[int, int]) -> None:
        self.stack, (self.g, self.n) = stack, shape
        self.unknowns = self.g * self.n
        self._ready = False
        self._banded: Floats | None = None

    def _prepare(self) -> None:
        """Work out what never changes, now that the entries' places are known."""
        stack, roots = self.stack, self.stack.roots
        row = np.concatenate([stack.equations.row, stack.biases[0]])
        x = np.concatenate([stack.equations.x, stack.biases[1]])
        order = np.argsort(row, kind="stable")
        pairs = _Products.of(roots.column, row[order])
        self._left, self._right = pairs.left, order[pairs.right]
        key = roots.row[pairs.left] * self.unknowns + x[self._right]
        there, self._entry = np.unique(key, return_inverse=True)
        self.row, self.x = there // self.unknowns, there % self.unknowns
        self.network = self.x // self.n
        squares = _Products.of(self.row, self.row)
        i, j = self.x[squares.left], self.x[squares.right]
        ties = self._tied()
        cells = stack.cells
        deepest = np.full(self.g * stack.rows, -1)
        np.maximum.at(deepest, stack.equations.row, cells.cell[stack.equations.x])
        cells.cell[stack.biases[1]] = deepest[stack.biases[0]]  # beside what is off by it
        self.plan = Elimination(cells, np.concatenate([i, ties[0]]), np.concatenate([j, ties[1]]))
        self._filling = Filling(self.plan, i, j)
        kept = self._filling.kept
        self._by, self._with = squares.left[kept], squares.right[kept]
        self._ready = True

    def _tied(self) -> tuple[Ints, Ints]:
        """Unknowns that are tied by what is tested together."""
        groups = self.stack.groups
        member = np.zeros(self.g * self.stack.rows, np.int64)
        member[groups[:, 0]] = np.arange(len(groups)) + 1
        one = member[self.row]
        member[groups[:, 0]] = 0
        member[groups[:, 1]] = np.arange(len(groups)) + 1
        other = member[self.row]
        a, b = np.flatnonzero(one), np.flatnonzero(other)
        b = b[np.argsort(other[b], kind="stable")]
        pairs = _Products.of(one[a], other[b])
        return self.x[a[pairs.left]], self.x[b[pairs.right]]

    def evaluate(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Return x with its states at their best, whitened residuals (g, m), and entries (e,)."""
        stack, roots = self.stack, self.stack.roots
        v, values = stack.equations(x)
        if not self._ready:
            self._prepare()
        values = np.concatenate([values, np.ones(len(stack.biases[0]))])
        np.add.at(v, stack.biases[0], x.ravel()[stack.biases[1]])
        white = sums(roots.row, roots.value * v[roots.column], len(v))
        a = sums(self._entry, roots.value[self._left] * values[self._right], len(self.row))
        if len(stack.states):
            x, white = self._best(x, white, a)
        return x, white.reshape(self.g, -1), a

    def _best(self, x: Floats, v: Floats, a: Floats) -> tuple[Floats, Floats]:
        """Move states to where the sum of squares is least."""
        from scipy import linalg  # slow to import, and most lines are short

        move, states = np.zeros(self.unknowns), self.stack.states
        factor = self._state_factor(a), True
        move[states] = -linalg.cho_solve_banded(factor, self._pull(v, a)[states])
        v = v + sums(self.row, a * move[self.x], len(v))
        return x + move.reshape(x.shape), v

    def _state_factor(self, a: Floats) -> Floats:
        """The factor of the states' own normal matrix, which never changes."""
        if self._banded is None:
            from scipy import linalg  # slow to import, and most lines are short

            states = self.stack.states
            number = np.full(self.unknowns, -1)
            number[states] = np.arange(len(states))
            at = np.flatnonzero(number[self.x] >= 0)
            pairs = _Products.of(self.row[at], self.row[at])
            i, j = number[self.x[at[pairs.left]]], number[self.x[at[pairs.right]]]
            value = a[at[pairs.left]] * a[at[pairs.right]]
            band = np.zeros((2, len(states)))
            for below in (0, 1):
                mine = i - j == below
                band[below] = sums(j[mine], value[mine], len(states))
            self._banded = np.asarray(linalg.cholesky_banded(band, lower=True))
        return self._banded

    def _pull(self, v: Floats, a: Floats) -> Floats:
        """Aᵀv (U,)."""
        return sums(self.x, a * v.ravel()[self.row], self.unknowns)

    def resumed(self, x: Floats, v: Floats, a: Floats, of: Flags) -> tuple[Floats, Floats, Floats]:
        """Return the same of these networks, evaluated anew."""
        return self.evaluate(x)

    def scale(self, a: Floats) -> Floats:
        """Return what makes the diagonal of the normal matrix one (U,)."""
        square = sums(self.x, a * a, self.unknowns)
        with np.errstate(divide="ignore"):
            return np.where(self.stack.cells.used, 1 / np.sqrt(square), 0.0)

    def factor(
        self, a: Floats, damping: Floats, invert: Callable[[Floats], Floats]
    ) -> tuple[CellFactor, Floats]:
        """Return the factor of the scaled normal matrix, and the scale."""
        scale = self.scale(a)
        with np.errstate(invalid="ignore"):
            unit = a * scale[self.x]
        return CellFactor(self._filling(unit[self._by] * unit[self._with], damping), invert), scale

    def step(self, v: Floats, a: Floats, damping: Floats) -> tuple[Floats, Floats]:
        """Return the step (g, n) with λ = damping (g,), NaN where singular, and −Aᵀv (g, n)."""
        factor, scale = self.factor(a, damping, inverse_each)
        downhill = -self._pull(v, a)
        with np.errstate(invalid="ignore"):
            step = factor.solve((scale * downhill)[:, None])[:, 0] * scale
        return step.reshape(self.g, self.n), downhill.reshape(self.g, self.n)

    def chosen(self, take: Flags, new: Floats, old: Floats) -> Floats:
        """Return the new entries of networks to take (g,), the old ones of the others."""
        return np.where(take[self.network], new, old)


@dataclass(frozen=True, slots=False)
class _AtSolution:
    """A stack at its end, with what all its adjustments are asked from. Unknowns are scaled."""

    v: Floats  # (g · m,) P·v
    a: sparse.csr_array  # (g · m, U) P·A
    weight: sparse.csr_array  # (g · m, g · m) P
    factor: CellFactor
    scale: Floats  # (U,)

    @cached_property
    def selected(self) -> Blocks:
        """The inverse on the pattern."""
        return self.factor.selected()

    def among(self, a: Ints, b: Ints) -> Floats:
        """Scaled covariances at pairs of unknowns, those not selected solved for."""
        value = entries(self.selected, a, b)
        missing = np.isnan(value)
        if missing.any():
            asked, number = np.unique(a[missing], return_inverse=True)
            other = b[missing]
            found = np.empty(len(other))
            for first in range(0, len(asked), _SOLVED):
                some = asked[first : first + _SOLVED]
                right = np.zeros((len(self.scale), len(some)))
                right[some, np.arange(len(some))] = 1.0
                solved = self.factor.solve(right)
                mine = (number >= first) & (number < first + len(some))
                found[mine] = solved[other[mine], number[mine] - first]
            value[missing] = found
        return value

    def products(self, rows: Ints, others: Ints) -> Floats:
        """Return (P·A)ᵣ · C · (P·A)ₛᵀ of pairs of rows (k,), whose unknowns are all selected."""
        begin, end = self.a.indptr[rows], self.a.indptr[rows + 1]
        other, last = self.a.indptr[others], self.a.indptr[others + 1]
        counts = (end - begin) * (last - other)
        pair = np.repeat(np.arange(len(rows)), counts)
        place = np.arange(len(pair)) - np.repeat(np.cumsum(counts) - counts, counts)
        width = (last - other)[pair]
        i, j = begin[pair] + place // width, other[pair] + place % width
        value = self.among(self.a.indices[i], self.a.indices[j])
        value = value * self.a.data[i] * self.a.data[j]
        return sums(pair, value, len(rows))


@dataclass(frozen=True, slots=True)
class LongAdjustment(Adjusted):
    """One network of a stack that was adjusted."""

    solved: _AtSolution = field(repr=False)
    unknown: Ints  # (n,) of the stack
    first_row: int
    largest: float  # weight

    def cov_among(self, at: Ints) -> Floats:
        """Return the a-priori covariance (…, p, p) among unknowns (…, p)."""
        at = self.unknown[at]
        a, b = np.broadcast_arrays(at[..., :, None], at[..., None, :])
        scale = self.solved.scale
        if not self.determined:
            return np.full(a.shape, np.nan)
        value = self.solved.among(a.ravel(), b.ravel()).reshape(a.shape)
        return np.asarray(value * scale[a] * scale[b])

    def cov_of(self, by: sparse.csr_array) -> Floats:
        """Return the a-priori covariance (k, k) of sums of unknowns, `by` (k, n)."""
        solved, k = self.solved, by.shape[0]
        if not self.determined:
            return np.full((k, k), np.nan)
        wide = sparse.csr_array(
            (by.data, self.unknown[by.indices], by.indptr), shape=(k, len(solved.scale))
        )
        wide = (wide * solved.scale[None]).tocsr()
        out = np.empty((k, k))
        for first in range(0, k, _SOLVED):
            some = slice(first, first + _SOLVED)
            out[:, some] = wide @ solved.factor.solve(wide[some].T.toarray())
        for first in range(0, k, _SOLVED):  # in place: of a long line it is a hundred megabytes
            some, rest = slice(first, first + _SOLVED), slice(first, k)
            out[some, rest] = (out[some, rest] + out[rest, some].T) / 2
            out[rest, some] = out[some, rest].T
        return out

    @property
    def determined(self) -> bool:
        """Whether all its unknowns are."""
        return bool(np.isfinite(self.x).all())

    def sigma(self) -> Floats:
        """Return the standard deviation (n,) of each unknown."""
        u = self.unknown
        return np.asarray(np.sqrt(entries(self.solved.selected, u, u)) * self.solved.scale[u])

    def _tests(self, rows: Ints) -> tuple[Floats, Floats]:
        """P·v (g, q) and P·Qvv·P (g, q, q) of groups of rows."""
        rows, q = rows + self.first_row, rows.shape[1]
        k = np.full((*rows.shape, q), np.nan)
        if not self.determined:
            return np.full(rows.shape, np.nan), k
        for i in range(q):
            for j in range(i + 1):
                k[:, i, j] = self.solved.weight[rows[:, i], rows[:, j]]
                k[:, i, j] -= self.solved.products(rows[:, i], rows[:, j])
                k[:, j, i] = k[:, i, j]
        return self.solved.v[rows], k

    def test_rows(self, rows: Ints) -> Outliers:
        """Test groups of observations (g, q), each observation free to be wrong by itself."""
        u, k = self._tests(rows)
        return self._outliers(u, k, np.full(len(rows), rows.shape[1]))

    def test_sums(self, rows: Ints, times: Floats) -> Outliers:
        """Test groups of observations (g, q), all of a group off by one error, `times` each."""
        u, k = self._tests(rows)
        u = np.einsum("gq,gq->g", times, u)[:, None]
        k = np.einsum("gq,gqr,gr->g", times, k, times)[:, None, None]
        return self._outliers(u, k, np.einsum("gq,gq->g", times, times))

    def test_columns(self, rows: Sequence[Ints], times: float) -> Outliers:
        """Test alternatives: of each the rows (k, q) that q errors, `times`, put off together."""
        solved, q = self.solved, rows[0].shape[1]
        row = np.concatenate([some.ravel() for some in rows]) + self.first_row
        column = np.concatenate(
            [i * q + np.tile(np.arange(q), len(some)) for i, some in enumerate(rows)]
        )
        h = sparse.csc_array(
            (np.full(len(row), times), (row, column)), shape=(len(solved.v), len(rows) * q)
        )
        u = (h.T @ solved.v).reshape(-1, q)
        k = np.empty((len(rows), q, q))
        at = max(_SOLVED // q, 1)
        for first in range(0, len(rows), at):
            some = h[:, first * q : (first + at) * q]
            own = (solved.a.T @ some).toarray()
            inner = (some.T @ (solved.weight @ some)).toarray()
            inner = inner - own.T @ solved.factor.solve(own)
            count = inner.shape[0] // q
            blocks = inner.reshape(count, q, count, q)
            k[first : first + count] = blocks[np.arange(count), :, np.arange(count)]
        length = np.array([some.size for some in rows]) * times**2
        return self._outliers(u, k, length)

    def _outliers(self, u: Floats, k: Floats, length: npt.NDArray[np.generic]) -> Outliers:
        if not self.determined:
            k = np.full_like(k, np.nan)
            nothing = np.full_like(u, np.nan)
            return Outliers(nothing[:, 0], nothing, k)
        return outliers(u, k, length, self.largest)


def _solved(system: _LongSystem, end: Ended, sizes: Sequence[LongSizes]) -> list[LongAdjustment]:
    """Everything that is asked of the solutions."""
    x, white, a = system.evaluate(end.x)
    g, m = white.shape
    factor, scale = system.factor(a, np.zeros(g), unit_inverse)
    roots = system.stack.roots
    root = sparse.csr_array((roots.value, (roots.row, roots.column)), shape=(g * m, g * m))
    jacobian = sparse.csr_array(
        (a * scale[system.x], (system.row, system.x)), shape=(g * m, system.unknowns)
    )
    weighted = (root.T @ jacobian).tocsr()
    weight = (root.T @ root).tocsr()
    solved = _AtSolution(root.T @ white.ravel(), weighted, weight, factor, scale)
    own = solved.selected
    # a network with an unknown that is not determined has none that is
    bad = ~np.isfinite(own.own).all(axis=(1, 2))
    broken = np.bincount(system.plan.of_cell[bad], minlength=g) > 0
    broken |= ~np.isfinite(own.border).all(axis=(1, 2))
    out = []
    for i, size in enumerate(sizes):
        unknown = i * system.n + np.concatenate(
            [np.arange(size.unknowns), size.first_bias + np.arange(size.biases)]
        )
        there = not broken[i]
        rows = np.arange(i * m, i * m + size.observations)
        out.append(
            LongAdjustment(
                x=x.ravel()[unknown] if there else np.full(len(unknown), np.nan),
                chi2=float(white[i] @ white[i]) if there else float("nan"),
                dof=size.observations - len(unknown),
                iterations=int(end.iterations[i]),
                converged=bool(end.converged[i] and there),
                solved=solved,
                unknown=unknown,
                first_row=i * m,
                largest=float(np.max(weight.diagonal()[rows], initial=1e-300)),
            )
        )
    return out
