"""The equations of the link stage against central differences."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.link.equations import leg_directions
from lateralline.link.model import LineModel
from lateralline.link.pairs import Pairs
from lateralline.link.points import Point
from lateralline.link.shapes import Shapes
from lateralline.link.sights import Sights
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


def points() -> list[Point]:
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
        out.append(Point("fix", ref, "", i, np.array(xyz, float), heading, tilt, cov, readings))
    return out


def decided(*shape: str) -> Shapes:
    bends = {"bend": [(0.4, 4.6, 0.1)], "double_bend": [(2.0, 6.9, 0.2), (3.0, 7.1, 0.3)]}
    s = len(shape)
    none = np.zeros((s, 3))
    return Shapes(
        shape,
        tuple(np.array(bends.get(x, []), float).reshape(-1, 3) for x in shape),
        np.zeros(s, bool),
        np.zeros(s, bool),
        none,
        none.astype(np.int64),
        none[:, 0],
    )


@pytest.mark.parametrize(
    "shape",
    [
        ("straight", "straight", "straight", "straight"),
        ("straight", "undecided", "bend", "double_bend"),
    ],
)
def test_model_jacobian(shape: tuple[str, ...]) -> None:
    model = LineModel(points(), decided(*shape), ACCURACY)
    x = model.start() + 0.02 * RNG.normal(size=model.unknowns)
    assert model(x)[1] == pytest.approx(central(lambda p: model(p)[0], x), abs=1e-6)


def test_undecided_stretches_say_nothing_of_direction_or_length() -> None:
    """Two legs fewer to hold and, for each run, the difference over the stretch gone."""
    whole = LineModel(points(), decided(*["straight"] * 4), ACCURACY)
    part = LineModel(points(), decided("straight", "straight", "straight", "undecided"), ACCURACY)
    assert len(whole.leg_end) - len(part.leg_end) == 2
    assert len(whole.step_m) - len(part.step_m) == 2


def test_neighbouring_counter_differences_share_a_reading() -> None:
    """Var(Δ) = 2 counter² + (ratio·L)²; Cov of neighbours = −counter²; across runs none."""
    model = LineModel(points(), decided(*["straight"] * 4), ACCURACY)
    q = model.covariance()
    step = int(model.rows[3])
    assert q[step, step] == pytest.approx(2 * 0.05**2 + (0.005 * 2.0) ** 2)
    assert q[step, step + 1] == pytest.approx(-(0.05**2))
    assert q[step, step + 2] == 0
    assert q[step + 3, step + 4] == 0
    assert model.step_m[4] == pytest.approx(4.2)  # run B has no reading at the second point
    np.linalg.cholesky(q)


@pytest.mark.parametrize("bends", [0, 1, 2])
def test_stretch_jacobian(bends: int) -> None:
    """All stretches at once, each with its own derivatives."""
    pairs = Pairs.of(Sights.of(points()), np.arange(4), np.arange(1, 5), ACCURACY)
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
