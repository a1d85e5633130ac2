"""Published network adjustments, reproduced by `kernels.network`.

All examples: Krumm, F., Geodetic Network Adjustment Examples, University of Stuttgart, rev. 3.5,
2020 (read); each names the textbook or paper it was taken from there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.kernels.network import W_LIMIT, Adjustment
from tests.support.one_network import Equations, adjust

Floats = npt.NDArray[np.float64]


def s0(a: Adjustment) -> float:
    """A-posteriori σ of unit weight."""
    return float(np.sqrt(a.chi2 / a.dof))


def distances_to(anchors: Floats, observed: Floats) -> Equations:
    """Equations of one point tied to fixed anchors by distances, in as many dimensions."""

    def equations(x: Floats) -> tuple[Floats, Floats]:
        away = x - anchors
        length = np.linalg.norm(away, axis=1)
        return length - observed, away / length[:, None]

    return equations


def test_one_tie_too_many_fails_but_cannot_be_localised() -> None:
    """Example from Strang & Borre 1997: three distances, one degree of freedom."""
    anchors = np.array([[170.71, 270.71], [100.0, 100.0], [241.42, 100.0]])
    equations = distances_to(anchors, np.array([100.01, 100.02, 100.03]))
    a = adjust(equations, np.full(3, 0.01**2), [170.0, 170.0])
    assert a.x == pytest.approx([170.7029, 170.7234], abs=5e-5)
    assert a.v == pytest.approx([-0.02336, -0.01652, -0.01651], abs=5e-6)
    assert a.redundancy == pytest.approx([0.50, 0.25, 0.25], abs=5e-3)
    assert a.w == pytest.approx([-3.303] * 3, abs=5e-4)
    assert a.chi2 == pytest.approx(10.909, abs=5e-4)
    assert a.dof == 1
    posterior = s0(a) * np.sqrt(np.diag(a.cov))
    assert posterior == pytest.approx([0.03303, 0.02335], abs=1e-5)


def test_four_slope_distances() -> None:
    """Example from Wolf 1979: a point in space; published standard deviations are a posteriori."""
    anchors = np.array([[1200, 900, 900], [900, 600, 900], [600, 900, 900], [900, 1200, 900.0]])
    equations = distances_to(anchors, np.array([499.99, 500.00, 500.01, 500.02]))
    a = adjust(equations, np.full(4, 0.01**2), [880.0, 920.0, 1250.0])
    assert a.x == pytest.approx([900.0167, 899.9833, 1300.0062], abs=5e-5)
    assert s0(a) == pytest.approx(1.000, abs=5e-4)
    assert s0(a) * np.sqrt(np.diag(a.cov)) == pytest.approx([0.01179, 0.01179, 0.00625], abs=5e-6)


def test_trilateration_of_two_stations() -> None:
    """Example from Ghilani 2010, 14.5: two unknown stations, five distances."""
    badger, bucky = np.array([2410000.0, 390000.0]), np.array([2411820.0, 386881.222])
    observed = np.array([5870.302, 7297.588, 3616.434, 5742.878, 5123.760])

    def equations(x: Floats) -> tuple[Floats, Floats]:
        wisconsin, campus = x[:2], x[2:]
        ends = np.stack([wisconsin, campus, campus, wisconsin, campus])
        starts = np.stack([badger, badger, wisconsin, bucky, bucky])
        away = ends - starts
        length = np.linalg.norm(away, axis=1)
        unit = away / length[:, None]
        a = np.zeros((5, 4))
        for row, column in ((0, 0), (1, 2), (2, 2), (3, 0), (4, 2)):
            a[row, column : column + 2] = unit[row]
        a[2, :2] = -unit[2]
        return length - observed, a

    start = [2415776.819, 391043.461, 2416892.670, 387603.450]
    a = adjust(equations, np.full(5, 0.01**2), start)
    published = [2415776.9044, 391043.2945, 2416892.6955, 387603.2551]
    assert a.x == pytest.approx(published, abs=1e-4)
    assert s0(a) == pytest.approx(13.59, abs=5e-3)
    axes = [s0(a) * np.sqrt(np.linalg.eigvalsh(a.cov[i : i + 2, i : i + 2]))[::-1] for i in (0, 2)]
    assert axes[0] == pytest.approx([0.24618, 0.10099], abs=5e-5)
    assert axes[1] == pytest.approx([0.27264, 0.09815], abs=5e-5)


def test_level_net() -> None:
    """Example from Ghilani, 12.6: three unknown levels, six height differences."""
    difference = np.array([10.509, 5.360, -8.523, -7.348, -3.167, 15.881])
    sigma = np.array([0.006, 0.004, 0.005, 0.003, 0.004, 0.012])
    to = np.array([[1, 0, 0], [-1, 1, 0], [0, -1, 1], [0, 0, -1], [-1, 0, 1], [0, 1, 0]], float)
    known = 437.596 * np.array([1, 0, 0, -1, 0, 1])

    def equations(x: Floats) -> tuple[Floats, Floats]:
        return to @ x - known - difference, to

    a = adjust(equations, sigma**2, np.zeros(3))
    assert a.x == pytest.approx([448.1087, 453.4685, 444.9436], abs=5e-5)
    assert a.redundancy.sum() == pytest.approx(a.dof)


ANCHORS_5 = np.array(
    [
        (-8.62, 27.42, 10.29),
        (-4.95, 27.30, 10.04),
        (-4.85, 20.69, 10.51),
        (0.52, 22.59, 9.77),
        (-6.12, 25.48, 10.92),
        (0.45, 27.39, 10.75),
        (0.61, 17.19, 9.71),
        (-7.88, 22.45, 10.16),
    ]
)
DISTANCES_5 = np.array([8.20, 3.85, 4.35, 3.51, 3.98, 4.37, 8.17, 5.73])


def test_two_blunders_stand_out() -> None:
    """Example from Blankenbach & Willert 2009: the first and the seventh distance are wrong."""
    variance = np.full(8, 0.05**2)
    a = adjust(distances_to(ANCHORS_5, DISTANCES_5), variance, [-3.0, 24.0, 9.0])
    assert a.x == pytest.approx([-2.3042, 24.3101, 9.5248], abs=5e-5)
    assert a.w[[0, 6]] == pytest.approx([-25.09, -11.41], abs=5e-3)
    assert set(np.argsort(-np.abs(a.w))[:2]) == {0, 6}


def test_snooping_leaves_the_two_blunders_out_one_by_one() -> None:
    """Same example: each turn gives the worst observation a bias of its own, until all pass."""
    equations = distances_to(ANCHORS_5, DISTANCES_5)
    suspects: list[int] = []
    while True:
        biases = np.eye(8)[:, suspects]
        a = adjust(equations, np.full(8, 0.05**2), [-3.0, 24.0, 9.0], biases=biases)
        worst = int(np.nanargmax(np.abs(a.w)))
        if abs(a.w[worst]) < W_LIMIT:
            break
        suspects.append(worst)
    assert suspects == [0, 6]
    keep = np.setdiff1d(np.arange(8), suspects)
    without = adjust(
        distances_to(ANCHORS_5[keep], DISTANCES_5[keep]), np.full(6, 0.05**2), [-3.0, 24.0, 9.0]
    )
    assert a.x[:3] == pytest.approx(without.x, abs=1e-8)
    assert a.chi2 == pytest.approx(without.chi2)
    assert a.dof == without.dof == 3
