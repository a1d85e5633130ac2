"""The equations of the link stage against central differences."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.link.equations import Evaluator, leg_directions, side_by_side
from lateralline.link.lines import (
    IntermediatePoint,
    JunctionConstraint,
    LocatedPoint,
    NetworkLine,
    PointObservations,
    Shapes,
)
from lateralline.link.network import NetworkModel
from lateralline.link.search import AdjustmentRequest, adjust_batch
from lateralline.link.shapes import StretchAdjustment
from lateralline.settings import Accuracy

Floats = npt.NDArray[np.float64]
ACCURACY = cast(
    Accuracy, SimpleNamespace(counter_m=0.05, counter_ratio=0.005, counter_scale_ratio=0.015)
)
RNG = np.random.default_rng(5)


def central(f: Callable[[Floats], Floats], x: Floats, h: float = 1e-6) -> Floats:
    """Derivative (m, n) of f (m,) at x (n,)."""
    steps = h * np.eye(len(x))
    return np.stack([(f(x + s) - f(x - s)) / (2 * h) for s in steps], axis=-1)


def points() -> list[LocatedPoint]:
    """Five points, the middle one an exposure without direction, read by two runs."""
    place = [(0, 0, 0), (0.1, 2, 0.1), (0, 4, 0.1), (2, 6, 0.2), (3, 8, 0.5)]
    out = []
    for i, xyz in enumerate(place):
        directed = i != 2
        root = RNG.normal(size=(5, 5)) * 0.05
        cov = root @ root.T + 0.001 * np.eye(5)
        if not directed:
            cov[3:] = cov[:, 3:] = 0
        readings = {"A": 2.0 * i} | ({"B": 9.0 - 2.1 * i} if i != 1 else {})
        heading, tilt = (0.2 * i, 0.05) if directed else (np.nan, np.nan)
        ref = str(i)
        out.append(
            LocatedPoint("fix", ref, "", i, np.array(xyz, float), heading, tilt, cov, readings)
        )
    return out


def decided(*shape: str) -> Shapes:
    bends = {"bend": [(0.4, 4.6, 0.1)], "two_bends": [(2.0, 6.9, 0.2), (3.0, 7.1, 0.3)]}
    s = len(shape)
    none = np.zeros((s, 3))
    return Shapes(
        shape,
        tuple(np.array(bends.get(x, []), float).reshape(-1, 3) for x in shape),
        np.zeros(s, bool),
        np.zeros(s, bool),
        np.zeros(s, bool),
        np.full((s, 2), np.nan),
        np.zeros(s, bool),
        none,
        none.astype(np.int64),
        none[:, 0],
    )


STRAIGHT = decided(*["straight"] * 4)


def with_shared(point: LocatedPoint, by: Floats) -> LocatedPoint:
    """The same point with a part of its covariance shared through the site."""
    return replace(point, shared=by, cov=point.cov + by @ by.T * np.outer(*[point.cov.any(0)] * 2))


def network() -> list[NetworkLine]:
    """A bent line with a rider, a level on it and a held bend; a branch that hangs on it."""
    line = [with_shared(p, 0.02 * RNG.normal(size=(5, 2))) for p in points()]
    rider = replace(line[1], ref="rider", readings={"C": 3.0}, xyz_m=np.array([0.1, 2.6, 0.1]))
    level = LocatedPoint(
        "exposure", "level", "", -1, np.array([0, 5.0, 0.2]), *[np.nan] * 2, np.eye(5), {"A": 5.1}
    )
    parent = NetworkLine(
        "L1",
        tuple(line),
        decided("straight", "straight", "bend", "two_bends"),
        (
            IntermediatePoint(rider, 1, 0.3),
            IntermediatePoint(level, 2, 0.4, level_only=True, sigma_m=0.2),
        ),
        bend_rad=((3, 0.8),),
    )
    start = replace(points()[0], kind="junction", heading_rad=np.nan, tilt_rad=np.nan)
    rest = [replace(p, readings={"D": p.readings["A"]}) for p in points()[1:]]
    moved = [replace(p, xyz_m=p.xyz_m + np.array([1.0, 1.0, 0.0])) for p in (start, *rest)]
    join = JunctionConstraint("L1", 0, 0.4, "A", 0.9, 0.3)
    branch = NetworkLine("L2", tuple(moved), decided(*["straight"] * 3, "undecided"), join=join)
    return [parent, branch]


@pytest.mark.parametrize(
    "parts",
    [
        [NetworkLine("L1", tuple(points()), STRAIGHT)],
        [NetworkLine("L1", tuple(points()), decided("straight", "undecided", "bend", "two_bends"))],
        network(),
    ],
    ids=["straight", "shapes", "network"],
)
@pytest.mark.parametrize("shared", [False, True])
def test_model_jacobian(parts: list[NetworkLine], shared: bool) -> None:
    model = NetworkModel(parts, ACCURACY, shared=shared)
    x = model.start() + 0.02 * RNG.normal(size=model.unknowns)
    v, a = model(x)
    assert v.shape == (model.observations,)
    assert a == pytest.approx(central(lambda p: model(p)[0], x), abs=1e-6)
    np.linalg.cholesky(model.covariance())


def test_networks_side_by_side_are_what_each_is_alone() -> None:
    """Stacked or not, padded or not: the same equations and the same adjustment."""
    some = [
        NetworkModel([NetworkLine("L1", tuple(points()), STRAIGHT)], ACCURACY),
        NetworkModel(network(), ACCURACY, shared=True),
        NetworkModel(
            [NetworkLine("L1", tuple(points()[:3]), decided("straight", "straight"))], ACCURACY
        ),
    ]
    n, m = max(x.unknowns for x in some), max(x.observations for x in some)
    at = RNG.normal(size=(3, n))
    v, a = Evaluator(side_by_side([x.layout for x in some], n, m), m)(at)
    for i, model in enumerate(some):
        alone_v, alone_a = model(at[i, : model.unknowns])
        assert v[i, : model.observations] == pytest.approx(alone_v)
        assert a[i, : model.observations, : model.unknowns] == pytest.approx(alone_a)
        assert not a[i, model.observations :].any()
    alone = [adjust_batch([AdjustmentRequest(x)])[0] for x in some]
    for one, other in zip(adjust_batch([AdjustmentRequest(x) for x in some]), alone, strict=True):
        assert one.x == pytest.approx(other.x, abs=1e-6)
        assert one.cov == pytest.approx(other.cov, rel=1e-6, abs=1e-9)
        assert (one.dof, one.converged) == (other.dof, other.converged)
        assert one.chi2 == pytest.approx(other.chi2)


def test_shared_errors_are_the_covariance_between_points() -> None:
    """Unknown once or correlated between all: the same normal equations, by Woodbury."""
    by = [0.05 * RNG.normal(size=(5, 2)) for _ in range(5)]
    seen = [with_shared(p, g) for p, g in zip(points(), by, strict=True)]
    model = NetworkModel([NetworkLine("L1", tuple(seen), STRAIGHT)], ACCURACY, shared=True)
    x = model.start()
    _, a = model(x)
    weight = np.linalg.inv(model.covariance())
    cov = np.linalg.inv(a.T @ weight @ a)
    at = np.setdiff1d(np.arange(model.unknowns), model.shared_x)
    rows = np.setdiff1d(np.arange(model.observations), np.arange(2))  # the two priors came first
    between = model.covariance() + a[:, model.shared_x] @ a[:, model.shared_x].T
    between, design = between[np.ix_(rows, rows)], a[np.ix_(rows, at)]
    whole = np.linalg.inv(design.T @ np.linalg.solve(between, design))
    assert cov[np.ix_(at, at)] == pytest.approx(whole, rel=1e-6)


def test_undecided_stretches_say_nothing_of_direction_or_length() -> None:
    """Two legs fewer to hold; each run's last reading, alone beyond the stretch, says nothing."""
    whole = NetworkModel([NetworkLine("L1", tuple(points()), STRAIGHT)], ACCURACY).layout
    shapes = decided("straight", "straight", "straight", "undecided")
    part = NetworkModel([NetworkLine("L1", tuple(points()), shapes)], ACCURACY).layout
    assert len(whole.aim_leg) - len(part.aim_leg) == 2
    assert len(whole.reading_row) - len(part.reading_row) == 2


def test_counter_readings_vary_as_differences_do() -> None:
    """Var(Δ) = 2 counter² + (ratio·L)²; Cov of neighbours = −counter²; across runs none."""
    model = NetworkModel([NetworkLine("L1", tuple(points()), STRAIGHT)], ACCURACY)
    rows, run = model.layout.reading_row, model.layout.reading_scale
    q = model.covariance()[np.ix_(rows, rows)]
    same = run[:, None] == run[None, :]
    assert not q[~same].any()
    a = np.flatnonzero(run == run[0])
    step = np.diff(np.eye(len(rows))[a], axis=0)
    spread = step @ q @ step.T
    assert spread[0, 0] == pytest.approx(2 * 0.05**2 + (0.005 * 2.0) ** 2)
    assert spread[0, 1] == pytest.approx(-(0.05**2))
    assert spread[0, 2] == pytest.approx(0.0)
    assert model.layout.reading_way[run != run[0]].tolist() == [-1.0] * 4  # counts downstream


@pytest.mark.parametrize("bent", [True, False], ids=["bend", "point"])
def test_a_bend_and_a_point_nothing_orders_may_be_anywhere_between_their_neighbours(
    bent: bool,
) -> None:
    """First leg less last is uniform over plus and minus both: a variance of a third of S²."""
    some = points()
    if not bent:
        some[2] = replace(some[2], readings={})
    shapes = decided("straight", "straight", "bend" if bent else "straight", "straight")
    model = NetworkModel([NetworkLine("L1", tuple(some), shapes)], ACCURACY)
    (row,) = np.ravel(model.layout.balance_row)
    middle = [[0, 4, 0.1], [0.4, 4.6, 0.1]] if bent else [[0.1, 2, 0.1], [0, 4, 0.1]]
    path = np.array([*middle, [2, 6, 0.2]])
    both = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
    assert model.covariance()[row, row] == pytest.approx(both**2 / 3)


@pytest.mark.parametrize(("count", "readings"), [(2, 2), (3, 5)])
def test_two_readings_of_a_run_tell_a_length_and_one_tells_nothing(
    count: int, readings: int
) -> None:
    """Run B did not read at the second of the points."""
    line = NetworkLine("L1", tuple(points()[:count]), decided(*["straight"] * (count - 1)))
    assert len(NetworkModel([line], ACCURACY).layout.reading_row) == readings


@pytest.mark.parametrize("bends", [0, 1, 2])
def test_stretch_jacobian(bends: int) -> None:
    """All stretches at once, each with its own derivatives."""
    pairs = StretchAdjustment.of(
        PointObservations.of(points()), np.arange(4), np.arange(1, 5), ACCURACY
    )
    middle = pairs.ends_m.mean(axis=1)[:, None] + RNG.normal(size=(4, bends, 3))
    x = pairs.start(middle) + 0.02 * RNG.normal(size=(4, 11 + 3 * bends))
    balance = np.full(4, 0.7) if bends == 2 else None
    _, jacobian = pairs.equations(x, balance)
    for s in range(4):

        def one(p: Floats, s: int = s) -> Floats:
            moved = x.copy()
            moved[s] = p
            return np.asarray(pairs.equations(moved, balance)[0][s])

        numeric = central(one, x[s])
        assert jacobian[s] == pytest.approx(numeric, rel=1e-5, abs=1e-4)


def test_leg_directions_are_angles_on_the_sphere() -> None:
    """A leg along its angles is zero; small turns come back as sizes, steep or not."""
    angles = np.array([[0.3, 0.0], [0.3, 1.4], [-2.9, -0.5]])
    level = np.cos(angles[:, 1])
    way = np.stack(
        [level * np.sin(angles[:, 0]), level * np.cos(angles[:, 0]), np.sin(angles[:, 1])], axis=1
    )
    residual, _, _ = leg_directions(np.zeros((3, 3)), 2 * way, angles)
    assert residual == pytest.approx(np.zeros((3, 2)), abs=1e-12)
    residual, _, _ = leg_directions(np.zeros((3, 3)), 2 * way, angles - [0.01, 0.02])
    assert residual[:, 0] == pytest.approx(0.01 * level)
    assert residual[:, 1] == pytest.approx([0.02] * 3)


def test_a_place_is_carried_over_by_its_distance_along_the_stretch() -> None:
    """A bend 4 m into a stretch of 10 m, drawn and not drawn: the same metres from its start."""
    ends = [
        LocatedPoint("fix", str(i), "", i, np.array([0.0, 10.0 * i, 0.0]), 0, 0, np.eye(5), {})
        for i in range(3)
    ]
    bent = replace(
        decided("straight", "bend"), bends_m=(np.zeros((0, 3)), np.array([[0.0, 14, 0]]))
    )
    drawn, plain = (
        NetworkLine("L1", tuple(ends), s) for s in (bent, decided("straight", "straight"))
    )
    for leg, fraction, expected in ((1, 0.5, 0.2), (2, 0.5, 0.7), (2, 0.25, 0.55)):
        assert drawn.carried(leg, fraction, plain) == (1, pytest.approx(expected))
    assert drawn.carried(0, 0.3, plain) == (0, pytest.approx(0.3))
    assert plain.carried(1, 0.7, drawn) == (2, pytest.approx(0.5))


def test_a_point_of_neither_counter_nor_direction_is_kept_between_its_neighbours() -> None:
    made = points()
    bare = replace(made[2], readings={})
    line = NetworkLine("L1", (*made[:2], bare, *made[3:]), STRAIGHT)
    layout = NetworkModel([line], ACCURACY).layout
    assert layout.balance_first.tolist() == [1]
    assert layout.balance_last.tolist() == [2]
