"""Long networks are adjusted otherwise, with the same results: on networks that both can take."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from lateralline.kernels.network import Adjusted
from lateralline.link import search
from lateralline.link.lines import NetworkLine
from lateralline.link.network import NetworkModel
from lateralline.link.search import AdjustmentRequest, adjust_batch
from tests.link.test_model import ACCURACY, STRAIGHT, Floats, decided, network, points


def requests() -> list[AdjustmentRequest]:
    """A straight line, one with a gap, and a network; some readings left out."""
    lines = NetworkLine("L1", tuple(points()), STRAIGHT)
    shaped = NetworkLine("L1", tuple(points()), decided(*["straight"] * 2, "undecided", "straight"))

    def net() -> list[NetworkLine]:
        return [replace(line, shapes=STRAIGHT, bend_rad=()) for line in network()]

    models = [
        NetworkModel([lines], ACCURACY),
        NetworkModel([shaped], ACCURACY, shared=True),
        NetworkModel(net(), ACCURACY, shared=True),
        NetworkModel(net(), ACCURACY),
    ]
    out = [AdjustmentRequest(m) for m in models]
    for model in models[2:]:
        one = next(a for a in model.alternatives() if a.what == "plan")
        read = [a for a in model.alternatives() if a.what == "counter"][1]
        out.append(AdjustmentRequest(model, (*one.rows, *read.rows)))
    return out


@pytest.fixture(scope="module")
def both() -> list[tuple[AdjustmentRequest, Adjusted, Adjusted]]:
    """Each request, adjusted as a whole and as a long network."""
    asked = requests()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "_LONG", 10**9)
        whole = adjust_batch(asked)
        patch.setattr(search, "_LONG", 0)
        long = adjust_batch(asked)
    assert {type(r).__name__ for r in (*whole, *long)} == {"Adjustment", "LongAdjustment"}
    return list(zip(asked, whole, long, strict=True))


def near(found: Floats, expected: Floats) -> None:
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-9, nan_ok=True)


def test_unknowns_and_their_covariance_agree(both) -> None:
    for _, whole, long in both:
        assert long.converged
        assert whole.converged
        assert (long.dof, long.iterations) == (whole.dof, whole.iterations)
        near(long.x, whole.x)
        near(long.chi2, whole.chi2)
        near(long.sigma(), whole.sigma())
        every = np.arange(len(whole.x))
        near(long.cov_among(every), whole.cov_among(every))


def test_tests_agree(both) -> None:
    rng = np.random.default_rng(2)
    for asked, whole, long in both:
        alternatives = asked.model.alternatives()
        for q in (1, 2):
            rows = np.array([a.rows for a in alternatives if len(a.rows) == q])
            for found, expected in zip(long.test_rows(rows), whole.test_rows(rows), strict=True):
                near(found, expected)
        pairs = np.array([a.rows for a in alternatives if a.what == "plan"])
        times = rng.normal(size=pairs.shape)
        for found, expected in zip(
            long.test_sums(pairs, times), whole.test_sums(pairs, times), strict=True
        ):
            near(found, expected)
        beyond = [pairs[i:] for i in range(1, len(pairs))]
        for found, expected in zip(
            long.test_columns(beyond, -1.0), whole.test_columns(beyond, -1.0), strict=True
        ):
            near(found, expected)


def test_a_network_without_all_its_unknowns_says_so_and_leaves_the_others_alone() -> None:
    """A line whose last point has no position to speak of, beside one that is sound."""
    sound = NetworkModel([NetworkLine("L1", tuple(points()), STRAIGHT)], ACCURACY)
    broken = NetworkModel([NetworkLine("L1", tuple(points()), STRAIGHT)], ACCURACY)
    without = tuple(
        row for a in broken.alternatives() if a.what in ("plan", "level") for row in a.rows
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "_LONG", 0)
        alone, (one, other) = (
            adjust_batch([AdjustmentRequest(sound)]),
            adjust_batch([AdjustmentRequest(sound), AdjustmentRequest(broken, without)]),
        )
    assert np.isnan(other.x).all()
    assert not other.converged
    assert np.isnan(other.cov_among(np.arange(2))).all()
    assert np.isnan(other.test_rows(np.array([[0]])).statistic).all()
    near(one.x, alone[0].x)
    near(one.sigma(), alone[0].sigma())


def test_readings_at_one_place_tie_no_knot() -> None:
    """Two stops whose counters read the same: no slack between them, and nothing breaks."""
    stops = points()
    same = [
        replace(p, readings={"A": a}) for p, a in zip(stops, (0.0, 2.0, 2.0, 6.0, 8.0), strict=True)
    ]
    assert any(a.readings == b.readings for a, b in pairwise(same))
    line = NetworkLine("L1", tuple(same), STRAIGHT)
    asked = [AdjustmentRequest(NetworkModel([line], ACCURACY))]
    with pytest.MonkeyPatch.context() as patch:
        (whole,) = adjust_batch(asked)
        patch.setattr(search, "_LONG", 0)
        (long,) = adjust_batch(asked)
    near(long.x, whole.x)
    near(long.chi2, whole.chi2)
