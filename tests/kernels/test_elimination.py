"""Elimination cell by cell against full matrices."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.kernels.elimination import CellFactor, Cells, Elimination, Filling, entries
from lateralline.kernels.network import unit_inverse

Floats = npt.NDArray[np.float64]


def network(rng: np.random.Generator, cells: int, size: int, border: int) -> tuple[Floats, Cells]:
    """A chain of cells with a branch from its middle to its end, and what all of it shares."""
    n = cells * size + border
    cell = np.where(np.arange(n) < cells * size, np.arange(n) // size, -1)
    matrix = np.eye(n)
    shared = np.arange(cells * size, n)
    for a, b in [*((c, c + 1) for c in range(cells - 1)), (cells // 2, cells - 1)]:
        at = np.concatenate([np.flatnonzero((cell == a) | (cell == b)), shared])
        rows = rng.normal(size=(size, len(at)))
        matrix[np.ix_(at, at)] += rows.T @ rows
    scale = np.sqrt(np.diag(matrix))
    return matrix / np.outer(scale, scale), Cells(np.zeros(n, np.int64), cell, np.ones(n, bool))


def factored(matrix: Floats, cells: Cells) -> tuple[CellFactor, npt.NDArray[np.int64], Floats]:
    i, j = np.nonzero(matrix)
    filling = Filling(Elimination(cells, i, j), i, j)
    pairs = np.stack([i, j])
    values = matrix[i, j][filling.kept]
    return (
        CellFactor(filling(values, np.zeros(len(np.unique(cells.network)))), unit_inverse),
        pairs,
        i,
    )


@pytest.mark.parametrize(
    ("cells", "size", "border"), [(1, 3, 0), (2, 1, 2), (40, 5, 3), (77, 4, 0)]
)
def test_solution_and_selected_inverse_are_those_of_the_full_matrix(
    cells: int, size: int, border: int
) -> None:
    rng = np.random.default_rng(cells)
    matrix, where = network(rng, cells, size, border)
    factor, (i, j), _ = factored(matrix, where)
    inverse = np.linalg.inv(matrix)
    right = rng.normal(size=(len(matrix), 2))
    assert factor.solve(right) == pytest.approx(inverse @ right, abs=1e-10)
    assert entries(factor.selected(), i, j) == pytest.approx(inverse[i, j], abs=1e-10)


def test_rounds_grow_with_the_logarithm_of_the_cells() -> None:
    """A chain ten times as long takes a few rounds more, not ten times as many."""
    rounds = []
    for cells in (60, 600):
        matrix, where = network(np.random.default_rng(1), cells, 1, 1)
        i, j = np.nonzero(matrix)
        rounds.append(len(Elimination(where, i, j).rounds))
    assert rounds[1] <= rounds[0] + 8


def test_networks_side_by_side_leave_each_other_alone() -> None:
    """One of them singular: the other has the same inverse as alone, and it has none."""
    rng = np.random.default_rng(3)
    matrix, where = network(rng, 7, 2, 1)
    broken = matrix.copy()
    broken[2] = broken[:, 2] = 0.0
    broken[2, 2] = 1e-16
    n = len(matrix)
    both = np.zeros((2 * n, 2 * n))
    both[:n, :n], both[n:, n:] = broken, matrix
    cells = Cells(
        np.repeat([0, 1], n),
        np.concatenate([where.cell, np.where(where.cell < 0, -1, where.cell + 7)]),
        np.ones(2 * n, bool),
    )
    factor, (i, j), _ = factored(both, cells)
    found = entries(factor.selected(), i, j)
    assert found[i >= n] == pytest.approx(np.linalg.inv(matrix)[i[i >= n] - n, j[i >= n] - n])
    assert np.isnan(factor.border[0]).all()
