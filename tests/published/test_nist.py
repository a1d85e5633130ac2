"""Both least-squares kernels against NIST's certified non-linear regressions.

Source: NIST Statistical Reference Datasets, Misra1a and MGH09; data and certified values as given
in the lmfit source distribution's copy and the shared check list. Both starts are solved in one
batch, as two problems of the same kind; the network adjustment takes them one by one.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from lateralline.kernels.lsq import Linearised, levenberg_marquardt, whiten
from tests.support.one_network import adjust

MISRA1A = np.array(
    [
        [10.07, 77.6], [14.73, 114.9], [17.94, 141.1], [23.93, 190.8], [29.61, 239.9],
        [35.18, 289.0], [40.02, 332.8], [44.82, 378.4], [50.76, 434.8], [55.05, 477.3],
        [61.01, 536.8], [66.40, 593.1], [75.47, 689.1], [81.78, 760.0],
    ]
)  # fmt: skip
MGH09 = np.array(
    [
        [1.957e-01, 4.0], [1.947e-01, 2.0], [1.735e-01, 1.0], [1.600e-01, 0.5], [8.44e-02, 0.25],
        [6.27e-02, 0.167], [4.56e-02, 0.125], [3.42e-02, 0.1], [3.23e-02, 8.33e-02],
        [2.35e-02, 7.14e-02], [2.46e-02, 6.25e-02],
    ]
)  # fmt: skip


def misra1a(x, b):
    e = np.exp(-b[1] * x)
    return b[0] * (1 - e), np.stack([1 - e, b[0] * x * e])


def mgh09(x, b):
    top, bottom = x**2 + x * b[1], x**2 + x * b[2] + b[3]
    f = b[0] * top / bottom
    return f, np.stack([top / bottom, b[0] * x / bottom, -f * x / bottom, -f / bottom])


@dataclass(frozen=True)
class Regression:
    """k copies of one regression, each datum a mark with one real row."""

    model: object
    data: np.ndarray
    k: int

    def linearise(self, p):
        y, x = (np.tile(c, self.k) for c in self.data.T)
        f, j = self.model(x, np.repeat(p, len(self.data), axis=1))
        zero, one = np.zeros_like(f), np.ones_like(f)
        return Linearised(
            np.full(self.k, len(self.data)),
            np.stack([f - y, zero]),
            np.stack([j, np.zeros_like(j)]),
            np.stack([one, zero, one]),
            np.zeros((0, self.k)),
            np.zeros((0, len(p), self.k)),
            np.zeros((0, self.k)),
        )

    def advance(self, p, step):
        return p + step

    def take(self, keep):
        return Regression(self.model, self.data, int(keep.sum()))


@pytest.mark.parametrize(
    ("model", "data", "starts", "certified", "rss"),
    [
        (
            misra1a, MISRA1A, [[500, 0.0001], [250, 0.0005]],
            [2.3894212918e02, 5.5015643181e-04], 1.2455138894e-01,
        ),
        (
            mgh09, MGH09, [[0.25, 0.39, 0.415, 0.39]],
            [1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01],
            3.0750560385e-04,
        ),
    ],
)  # fmt: skip
def test_certified_values(model, data, starts, certified, rss):
    start = np.array(starts, float).T
    problem = Regression(model, data, start.shape[1])
    # NIST's noise is of no stated size; ours is stated, so scale residuals by the certified one
    sigma = np.sqrt(rss / (len(data) - len(certified)))

    @dataclass(frozen=True)
    class Scaled(Regression):
        def linearise(self, p):
            at = super().linearise(p)
            size = np.stack([np.full_like(at.mark_s[0], sigma**2), *at.mark_s[1:]])
            return Linearised(
                at.count, at.mark_f, at.mark_j, size, *(at.own_f, at.own_j, at.own_var)
            )

        def take(self, keep):
            return Scaled(self.model, self.data, int(keep.sum()))

    problem = Scaled(model, data, start.shape[1])
    solution = levenberg_marquardt(problem, start, max_iterations=500, step_sigmas=1e-6)
    assert solution.converged.all()
    np.testing.assert_allclose(
        solution.p, np.repeat(np.array(certified)[:, None], start.shape[1], axis=1), rtol=1e-6
    )
    squares = whiten(problem.linearise(solution.p)).objective() * sigma**2
    np.testing.assert_allclose(squares, rss, rtol=1e-6)


def test_certified_standard_deviations():
    """Misra1a: 2.7070075241 and 7.2668688436E−06, from the normal matrix."""
    problem = Regression(misra1a, MISRA1A, 1)
    at = np.array([[2.3894212918e02], [5.5015643181e-04]])
    matrix, _ = whiten(problem.linearise(at)).normal()
    s2 = 1.2455138894e-01 / (len(MISRA1A) - 2)
    np.testing.assert_allclose(
        np.sqrt(s2 * np.diag(np.linalg.inv(matrix[0]))), [2.7070075241, 7.2668688436e-06], rtol=1e-6
    )


@pytest.mark.parametrize(
    ("model", "data", "start", "certified", "deviations", "rss"),
    [
        (
            misra1a, MISRA1A, start, [2.3894212918e02, 5.5015643181e-04],
            [2.7070075241, 7.2668688436e-06], 1.2455138894e-01,
        )
        for start in ([500, 0.0001], [250, 0.0005])
    ]
    + [
        (
            mgh09, MGH09, start,
            [1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01],
            # certified standard deviations of MGH09: from memory
            [1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02],
            3.0750560385e-04,
        )
        for start in ([25, 39, 41.5, 39], [0.25, 0.39, 0.415, 0.39])
    ],
)  # fmt: skip
def test_network_adjustment_has_the_certified_digits(
    model, data, start, certified, deviations, rss
):
    """From NIST's far start and its near one: six digits at least, deviations and sum of squares.

    The size of the noise is told as the certified residual deviation, so the a-priori covariance
    is the one NIST certifies a posteriori, and χ² is the degrees of freedom.
    """
    y, x = data.T

    def equations(b):
        f, slopes = model(x, b)
        return f - y, slopes.T

    dof = len(y) - len(certified)
    variance = np.full(len(y), rss / dof)
    fit = adjust(equations, variance, start, iterations=500, tolerance=1e-8)
    np.testing.assert_allclose(fit.x, certified, rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), deviations, rtol=1e-6)
    assert fit.chi2 == pytest.approx(dof, rel=1e-8)
    assert fit.dof == dof
