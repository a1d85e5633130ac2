"""The batched solver against the textbook's formulas; published regressions: test_nist.py."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.kernels import lsq
from tests.support.one_network import adjust

Floats = npt.NDArray[np.float64]

COUNTS = [np.array([2, 4, 3]), np.array([3, 3, 3])]
UNKNOWNS = 3


@dataclass(frozen=True)
class Plane:
    """k linear problems: marks of two correlated rows, and three priors, the last not observed.

    With `bend` the rows are bent, and their noise grows away from the origin.
    """

    count: npt.NDArray[np.int64]
    design: Floats  # (2, P, n)
    observed: Floats  # (2, n)
    spread: Floats  # (3, n)
    prior: Floats  # (q, k)
    bend: float = 0.0

    def linearise(self, p: Floats) -> lsq.Linearised:
        at = np.repeat(p, self.count, axis=1)
        straight = np.einsum("qin,in->qn", self.design, at)
        mark_f = straight + self.bend * straight**2 - self.observed
        slope = self.design * (1 + 2 * self.bend * straight)[:, None]
        noise = self.spread * (1 + abs(self.bend) * np.square(at).sum(axis=0))
        own_j = np.repeat(np.eye(UNKNOWNS)[:, :, None], p.shape[1], axis=2)
        variance = np.array([[4.0], [0.25], [np.inf]]) + np.zeros_like(p)
        return lsq.Linearised(self.count, mark_f, slope, noise, p - self.prior, own_j, variance)

    def advance(self, p: Floats, step: Floats) -> Floats:
        return p + step

    def take(self, keep: npt.NDArray[np.bool_]) -> Plane:
        marks = np.repeat(keep, self.count)
        return Plane(
            self.count[keep], self.design[..., marks], self.observed[..., marks],
            self.spread[..., marks], self.prior[..., keep], self.bend,
        )  # fmt: skip


def plane(count: npt.NDArray[np.int64], bend: float = 0.0) -> Plane:
    rng = np.random.default_rng(4)
    n, k = int(count.sum()), len(count)
    root = np.array([[0.6, 0.0], [0.3, 0.2]])[..., None] * rng.uniform(0.5, 2.0, n)
    full = np.einsum("ijn,kjn->ikn", root, root)
    design, observed = rng.normal(size=(2, UNKNOWNS, n)), rng.normal(size=(2, n))
    spread = np.stack([full[0, 0], full[0, 1], full[1, 1]])
    return Plane(count, design, observed, spread, rng.normal(size=(UNKNOWNS, k)), bend)


def textbook(at: lsq.Linearised, i: int) -> tuple[Floats, Floats, Floats]:
    """Return one problem's residuals (m,), Jacobian (m, P) and covariance (m, m), as dense rows."""
    first = int(at.count[:i].sum())
    rows = [*range(first, first + int(at.count[i]))]
    seen = np.isfinite(at.own_var[:, i])
    m = 2 * len(rows)
    cov = np.zeros((m + seen.sum(), m + seen.sum()))
    for n, mark in enumerate(rows):
        s11, s12, s22 = at.mark_s[:, mark]
        cov[2 * n : 2 * n + 2, 2 * n : 2 * n + 2] = [[s11, s12], [s12, s22]]
    cov[m:, m:] = np.diag(at.own_var[seen, i])
    f = np.concatenate([at.mark_f[:, rows].T.ravel(), at.own_f[seen, i]])
    j = np.concatenate(
        [np.moveaxis(at.mark_j[..., rows], -1, 0).reshape(m, UNKNOWNS), at.own_j[seen, :, i]]
    )
    return f, j, cov


@pytest.mark.parametrize("count", COUNTS)
def test_sums_by_problem_are_those_of_a_loop(count: npt.NDArray[np.int64]) -> None:
    values = np.random.default_rng(1).normal(size=(2, int(count.sum())))
    ends = np.cumsum(count)
    loop = [values[:, end - n : end].sum(axis=1) for end, n in zip(ends, count, strict=True)]
    assert lsq.per_problem(values, count) == pytest.approx(np.stack(loop, axis=1))
    assert lsq.per_problem(values[:, :0], count[:0]).shape == (2, 0)


@pytest.mark.parametrize("count", COUNTS)
def test_linear_problems_are_solved_by_the_textbook_formula(count: npt.NDArray[np.int64]) -> None:
    """x̂ = −(AᵀPA)⁻¹AᵀPf from zero, with its normal matrix and its weighted sum of squares."""
    problem = plane(count)
    start = np.zeros((UNKNOWNS, len(count)))
    found = lsq.levenberg_marquardt(problem, start, step_sigmas=1e-6)
    assert found.converged.all()
    at = problem.linearise(found.p)
    white = lsq.whiten(at)
    for i in range(len(count)):
        f, a, cov = textbook(problem.linearise(start), i)
        p = np.linalg.inv(cov)
        normal = a.T @ p @ a
        x = -np.linalg.solve(normal, a.T @ p @ f)
        v = f + a @ x
        assert found.p[:, i] == pytest.approx(x)
        assert found.matrix[i] == pytest.approx(normal)
        assert found.objective[i] == pytest.approx(v @ p @ v)
        assert white.objective()[i] == pytest.approx(v @ p @ v)
        assert lsq.objective_under(at, at)[i] == pytest.approx(v @ p @ v)
    assert (found.iterations <= 4).all()


def test_weights_follow_the_solution_and_a_bent_problem_ends_where_its_gradient_vanishes() -> None:
    """What is solved is AᵀPf = 0 with the weights of that place: within 1e-6 of each σ."""
    problem = plane(COUNTS[0], bend=0.05)
    found = lsq.levenberg_marquardt(problem, np.zeros((UNKNOWNS, 3)), step_sigmas=1e-8)
    assert found.converged.all()
    at = problem.linearise(found.p)
    matrix, right = lsq.whiten(at).normal()
    step = lsq.solve_each(matrix, right)
    assert np.sqrt(np.einsum("ki,kij,kj->k", step, matrix, step)).max() < 1e-6
    for i in range(3):
        f, a, cov = textbook(at, i)
        assert right[i] == pytest.approx(-a.T @ np.linalg.solve(cov, f), abs=1e-9)
        assert found.matrix[i] == pytest.approx(a.T @ np.linalg.solve(cov, a), rel=1e-4)
        assert found.objective[i] == pytest.approx(f @ np.linalg.solve(cov, f), rel=1e-6)


def test_a_problem_comes_out_alike_alone_and_among_others() -> None:
    problem = plane(COUNTS[0], bend=0.05)
    start = np.array([[0.0, 3.0, -2.0], [0.0, 3.0, 1.0], [0.0, -3.0, 2.0]])
    together = lsq.levenberg_marquardt(problem, start, step_sigmas=1e-7)
    for i in range(3):
        keep = np.arange(3) == i
        alone = lsq.levenberg_marquardt(problem.take(keep), start[:, keep], step_sigmas=1e-7)
        assert together.p[:, i] == pytest.approx(alone.p[:, 0], abs=1e-7)
        assert together.objective[i] == pytest.approx(alone.objective[0])
        assert together.matrix[i] == pytest.approx(alone.matrix[0], rel=1e-5)
        assert together.converged[i] == alone.converged[0]


@dataclass(frozen=True)
class Watched(Plane):
    """A problem that keeps every place it was asked to look at."""

    seen: tuple[list[Floats], ...] = ()

    def advance(self, p: Floats, step: Floats) -> Floats:
        self.seen[0].append(p[:, 0] + step[:, 0])
        return p + step


def test_the_way_down_is_marquardt_s_with_nielsen_s_damping() -> None:
    """Every trial of one hard problem, against the rule of the gain ratio written out plainly.

    λ from 1e-4; a good step divides it by up to 3, by 1 − (2ρ − 1)³ of the gain ratio ρ; a bad one
    multiplies it by 2, 4, 8 … Rule: Nielsen (1999), from memory. Weights of the accepted place.
    """
    easy = plane(COUNTS[1][:1], bend=0.6)
    start, seen = np.array([[6.0], [-7.0], [5.0]]), []
    fields = (easy.count, easy.design, easy.observed, easy.spread, easy.prior, easy.bend)
    lsq.levenberg_marquardt(Watched(*fields, seen=(seen,)), start, step_sigmas=1e-5)

    x, damping, growth, rejected = start[:, 0], 1e-4, 2.0, 0
    for trial in seen[:-1]:
        f, a, cov = textbook(easy.linearise(x[:, None]), 0)
        normal, downhill = a.T @ np.linalg.solve(cov, a), -a.T @ np.linalg.solve(cov, f)
        scale = np.diag(np.diag(normal))
        step = np.linalg.solve(normal + damping * scale, downhill)
        assert trial == pytest.approx(x + step, rel=1e-6, abs=1e-9)
        ahead = textbook(easy.linearise(trial[:, None]), 0)[0]
        gained = f @ np.linalg.solve(cov, f) - ahead @ np.linalg.solve(cov, ahead)
        ratio = gained / (step @ (damping * scale @ step + downhill))
        if ratio > 0:
            x, growth = trial, 2.0
            damping *= max(1 / 3, 1 - (2 * min(ratio, 1) - 1) ** 3)
        else:
            rejected += 1
            damping, growth = damping * growth, growth * 2
    assert rejected > 1
    assert len(seen) > 8


def test_who_runs_out_of_iterations_stays_where_it_got_and_is_not_called_converged() -> None:
    problem = plane(COUNTS[0], bend=0.05)
    start = np.full((UNKNOWNS, 3), 3.0)
    cut = lsq.levenberg_marquardt(problem, start, max_iterations=2, step_sigmas=1e-9)
    assert not cut.converged.any()
    assert cut.iterations.tolist() == [2, 2, 2]
    matrix, _ = lsq.whiten(problem.linearise(cut.p)).normal()
    assert cut.matrix == pytest.approx(matrix)
    first = lsq.whiten(problem.linearise(start)).objective()
    assert (cut.objective < first).all()


def test_a_singular_problem_is_nan_and_leaves_the_others_alone() -> None:
    good, bad = np.array([[2.0, 1.0], [1.0, 3.0]]), np.ones((2, 2))
    matrix, right = np.stack([good, bad, 2 * good]), np.array([[3.0, 4.0], [1.0, 1.0], [6.0, 8.0]])
    solved, inverse = lsq.solve_each(matrix, right), lsq.inverse_each(matrix)
    assert solved[[0, 2]] == pytest.approx(np.ones((2, 2)))
    assert inverse[0] @ good == pytest.approx(np.eye(2))
    assert inverse[2] == pytest.approx(inverse[0] / 2)
    assert np.isnan(solved[1]).all()
    assert np.isnan(inverse[1]).all()
    assert lsq.solve_each(matrix[[0]], right[[0]]) == pytest.approx(np.ones((1, 2)))
    assert lsq.inverse_each(matrix[[0]])[0] @ good == pytest.approx(np.eye(2))


@pytest.mark.parametrize("count", COUNTS)
def test_reliability_is_that_of_the_network_adjustment(count: npt.NDArray[np.int64]) -> None:
    """Redundancy and standardised residuals of uncorrelated rows, against the other kernel."""
    problem = plane(count)
    spread = problem.spread.copy()
    spread[1] = 0.0
    problem = Plane(count, problem.design, problem.observed, spread, problem.prior)
    found = lsq.levenberg_marquardt(problem, np.zeros((UNKNOWNS, len(count))), step_sigmas=1e-9)
    at = problem.linearise(found.p)
    rows = np.full(int(count.sum()), 2)
    tests = lsq.reliability(lsq.whiten(at), lsq.inverse_each(found.matrix), count, rows)
    for i, last in enumerate(np.cumsum(count)):
        f, a, cov = textbook(problem.linearise(np.zeros_like(found.p)), i)
        one = adjust(lambda x, f=f, a=a: (f + a @ x, a), cov, np.zeros(UNKNOWNS))
        marks = slice(last - count[i], last)
        pairs = one.redundancy[: 2 * count[i]].reshape(-1, 2)
        assert tests.redundancy[marks] == pytest.approx(pairs.mean(axis=1))
        w = np.abs(one.w[: 2 * count[i]].reshape(-1, 2)).max(axis=1)
        assert tests.std_residual[marks] == pytest.approx(w)
        assert pytest.approx(pairs) == np.einsum("qqn->qn", tests.free[..., marks]).T


def test_a_mark_of_one_row_is_judged_by_that_row_and_one_without_check_by_none() -> None:
    """Two marks, three unknowns: the second mark alone fixes the last two."""
    design = np.zeros((2, UNKNOWNS, 3))
    design[0, 0, :2] = 1.0  # one row each, the same quantity
    design[:, 1:, 2] = np.eye(2)
    white = lsq.Whitened(
        np.array([3]), np.array([[-0.5, 0.5, 0.0], [9.0, 9.0, 0.0]]), design,
        np.zeros((0, 1)), np.zeros((0, UNKNOWNS, 1)),
    )  # fmt: skip
    matrix, _ = white.normal()
    tests = lsq.reliability(white, lsq.inverse_each(matrix), np.array([3]), np.array([1, 1, 2]))
    assert tests.std_residual == pytest.approx([np.sqrt(0.5), np.sqrt(0.5), 0.0])
    assert tests.redundancy == pytest.approx([0.5, 0.5, 0.0])


@pytest.mark.parametrize(("times", "judged"), [(970.0, True), (1030.0, False)])
def test_a_mark_left_less_than_a_millionth_of_redundancy_is_not_judged(
    times: float, judged: bool
) -> None:
    """Of two marks of one quantity the one seen 1000 times sharper is checked by 1e-6 of itself."""
    design = np.zeros((2, 1, 2))
    design[0, 0] = [times, 1.0]
    white = lsq.Whitened(
        np.array([2]), np.array([[-1.0 / times, 1.0], [0.0, 0.0]]), design,
        np.zeros((0, 1)), np.zeros((0, 1, 1)),
    )  # fmt: skip
    cov = lsq.inverse_each(white.normal()[0])
    tests = lsq.reliability(white, cov, np.array([2]), np.array([1, 1]))
    assert tests.std_residual[1] == pytest.approx(1.0, rel=1e-4)
    assert tests.std_residual[0] == pytest.approx(1.0 if judged else 0.0, rel=1e-3)


# ---- shared errors ------------------------------------------------------------------------


def test_shared_errors_that_fit_their_covariance_stay_as_they_are() -> None:
    root = np.random.default_rng(6).normal(size=(5, 3, 3))
    cov = root @ np.swapaxes(root, 1, 2)
    shared = 0.9 * root[..., :2]
    assert lsq.shared_within(cov, shared) == pytest.approx(shared, rel=1e-12)
    none = np.zeros((5, 3, 0))
    assert lsq.shared_within(cov, none) is none


@pytest.mark.parametrize(
    ("times", "left"), [(0.99, 0.99), (1.0, 0.995), (1.003, 0.995), (2.0, 0.5), (10.0, 0.1)]
)
def test_a_shared_error_past_its_range_counts_the_less_the_further(
    times: float, left: float
) -> None:
    """Of σ 3 along one axis: s·σ is kept below 0.995 σ, and as σ/s beyond."""
    cov, shared = np.diag([9.0, 4.0])[None], np.array([[[3.0 * times], [0.0]]])
    assert lsq.shared_within(cov, shared)[0, :, 0] == pytest.approx([3.0 * left, 0.0])


def test_what_is_not_shared_stays_a_covariance_whatever_the_axes_and_units() -> None:
    rng = np.random.default_rng(8)
    root = rng.normal(size=(20, 3, 3))
    cov, shared = root @ np.swapaxes(root, 1, 2), 2.0 * rng.normal(size=(20, 3, 2))
    within = lsq.shared_within(cov, shared)
    own = cov - within @ np.swapaxes(within, 1, 2)
    assert np.linalg.eigvalsh(own).min() > -1e-9
    assert np.abs(within - shared).max() > 0.1
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0] * np.array([[1000.0], [1.0], [0.001]])
    turned = lsq.shared_within(turn @ cov @ turn.T, turn @ shared)
    assert turned == pytest.approx(turn @ within, rel=1e-6, abs=1e-6)


def test_what_is_not_observed_or_not_finite_owes_nothing_to_others() -> None:
    cov = np.stack([np.diag([1.0, 0.0]), np.diag([1.0, np.nan]), np.diag([1.0, 1.0])])
    shared = np.array([[[4.0], [0.0]], [[4.0], [1.0]], [[4.0], [0.0]]])
    out = lsq.shared_within(cov, shared)
    assert out[0, :, 0] == pytest.approx([0.25, 0.0])
    assert out[1] == pytest.approx(shared[1])
    assert out[2, :, 0] == pytest.approx([0.25, 0.0])
