"""What levels would have shown of low points and back-falls: against a pipe that wanders, whole.

The model is the one the claims presume: an integrated random walk of tilt and level, each stop with
its own level and tilt and an error of level that all share. Its posterior is solved whole here, of
levels and tilts together; what is tested has of it nothing but the covariance of levels.
"""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from math import nan, radians

import numpy as np
import pytest

from lateralline.derive.falls import (
    ALPHA,
    DIP_M,
    VertexLevels,
    back_falls_shown_80_m,
    falls,
    low_point_shown_80_m,
    low_points,
    pool_depth_m,
)
from lateralline.records import Floats
from tests.derive.test_levels import axis_with

AT_M = np.array([0.0, 1.6, 4.1, 6.0, 8.7, 10.9, 12.6, 15.2, 17.0, 19.6, 21.5])
WANDER_RAD, FALL = radians(2.0), 0.01
DRAWS = 300


def wander_precision() -> Floats:
    """Of levels, then tilts (2m, 2m): each step's level and tilt follow from those before."""
    m = len(AT_M)
    precision = np.zeros((2 * m, 2 * m))
    for i, step in enumerate(np.diff(AT_M).tolist()):
        by = np.zeros((2, 2 * m))
        by[0, [i, i + 1, m + i]] = -1.0, 1.0, -step
        by[1, [m + i, m + i + 1]] = -1.0, 1.0
        cov = WANDER_RAD**2 * np.array([[step**3 / 3, step**2 / 2], [step**2 / 2, step]])
        precision += by.T @ np.linalg.solve(cov, by)
    return precision


def known(sigma_m: float = 0.05) -> tuple[VertexLevels, Floats, Floats]:
    """Levels as they are known, the whole gain (2m, 2m) of what is measured, and its covariance."""
    m = len(AT_M)
    noise = np.diag(np.repeat([sigma_m**2, radians(4.0) ** 2], m))
    noise[:m, :m] += 0.03**2
    data = np.linalg.inv(noise)
    cov = np.linalg.inv(wander_precision() + data)
    zero = np.zeros((0, m))
    return VertexLevels(AT_M, FALL * AT_M, cov[:m, :m], zero, WANDER_RAD), cov @ data, noise


def with_tilts(level_m: Floats) -> Floats:
    """Levels with the tilts (2m,) of the pipe that bends least through them."""
    m, p = len(AT_M), wander_precision()
    tilts = -np.linalg.solve(p[m:, m:] + 1e-9 * np.eye(m), p[m:, :m] @ level_m)
    return np.concatenate([level_m, tilts])


def dip(depth_m: float, middle_m: float) -> Floats:
    """Levels of a straight grade with a dip of a cosine in it."""
    off = AT_M - middle_m
    inside = np.abs(off) < DIP_M / 2
    return FALL * AT_M - depth_m * np.where(inside, 0.5 + 0.5 * np.cos(2 * np.pi * off / DIP_M), 0)


def drawn(true_m: Floats) -> Floats:
    """Levels that would be found of a pipe (n, m)."""
    rng = np.random.default_rng(5)
    _, gain, noise = known()
    data = rng.multivariate_normal(with_tilts(true_m), noise, DRAWS)
    return np.asarray((data @ gain.T)[:, : len(AT_M)])


def test_what_is_seen_of_a_pipe_is_what_the_whole_model_sees() -> None:
    levels, gain, _ = known()
    shape = np.random.default_rng(2).normal(size=len(AT_M))
    assert levels.seen @ shape == pytest.approx((gain @ with_tilts(shape))[: len(AT_M)], abs=1e-5)
    assert levels.seen @ AT_M == pytest.approx(AT_M)  # of a straight grade all


def shown(pipes_m: Floats) -> float:
    """Share of lines (n, m) as found of which a low point is stated."""
    levels, _, _ = known()
    return float(np.mean([bool(low_points(replace(levels, invert_m=one))) for one in pipes_m]))


def test_a_low_point_of_the_size_stated_is_shown_four_times_in_five() -> None:
    """Near an end, where it is seen worst, by the test that is published; elsewhere more often."""
    stated_m = low_point_shown_80_m(known()[0])
    depths = np.linspace(0.05, 1.5, 800)
    deep = float(np.interp(stated_m, pool_depth_m(depths, DIP_M, FALL), depths))
    ends = [DIP_M / 2, float(AT_M[-1]) - DIP_M / 2]
    share = min(shown(drawn(dip(deep, middle))) for middle in ends)
    assert share == pytest.approx(0.8, abs=0.04 + 3 * np.sqrt(0.16 / DRAWS))  # its own draws: 0.04
    assert shown(drawn(dip(deep, float(AT_M[5])))) > 0.9
    assert shown(drawn(dip(0.6 * deep, ends[1]))) < 0.3


def test_a_back_fall_of_the_size_stated_is_shown_four_times_in_five() -> None:
    levels, _, _ = known()
    axis = axis_with([100.0] * len(AT_M), 0.05)
    stated = back_falls_shown_80_m(axis, levels)
    for segment in (2, 6):
        step = np.arange(len(AT_M)) > segment
        over_m = FALL * float(AT_M[segment + 1] - AT_M[segment])
        pipes = drawn(FALL * AT_M - step * (stated[segment] + over_m))
        said = [falls(axis, replace(levels, invert_m=one))[segment] for one in pipes]
        assert np.mean([s == "back_fall" for s in said]) == pytest.approx(
            0.8, abs=3 * np.sqrt(0.16 / DRAWS)
        )


def test_better_levels_show_smaller_low_points() -> None:
    sizes = [low_point_shown_80_m(known(sigma)[0]) for sigma in (0.02, 0.05, 0.10)]
    assert sizes[0] < 0.6 * sizes[1] < sizes[1] < sizes[2]


def test_low_points_are_as_deep_wherever_chainage_counts_from() -> None:
    levels = known(0.02)[0]
    shifted = replace(levels, chainage_m=levels.chainage_m + 50.0)
    assert low_point_shown_80_m(shifted) == pytest.approx(low_point_shown_80_m(levels), rel=1e-6)


def test_of_many_places_those_tried_reach_from_end_to_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Levels of the first two metres are known seven times worse: there a low point hides best."""
    module = import_module("lateralline.derive.falls")  # the package's `falls` is a function
    monkeypatch.setattr(module, "_NUMBERS", 10**9)
    at = 0.5 * np.arange(31)
    sigma = np.where(at < 2.1, 0.15, 0.02)
    levels = VertexLevels(at, FALL * at, np.diag(sigma**2), np.zeros((0, len(at))), nan)
    every = low_point_shown_80_m(levels)
    monkeypatch.setattr(module, "_PLACES", 3)
    assert low_point_shown_80_m(levels) == pytest.approx(every)


def test_where_nothing_would_be_shown_nothing_is_stated() -> None:
    """Two vertices have no low between them; of levels known to a kilometre no dip is seen."""
    two = VertexLevels(AT_M[:2], AT_M[:2] * FALL, np.eye(2) * 1e-4, np.zeros((0, 2)), nan)
    assert np.isnan(low_point_shown_80_m(two))
    vague = replace(known()[0], cov_m2=np.eye(len(AT_M)) * 1e6, wander_rad=nan)
    assert np.isnan(low_point_shown_80_m(vague))


def test_paths_that_say_otherwise_keep_a_fall_from_being_stated() -> None:
    """A drop in a few paths: the mean falls by five σ, and yet 3 % of paths rise downstream."""
    rng = np.random.default_rng(3)
    paths = np.array([0.0, 0.5]) + rng.normal(0.0, 0.01, (400, 2))
    odd = np.arange(len(paths)) < 12
    paths[odd] = [0.1, 0.05]
    axis, level = axis_with([100.0, 100.5], 0.1), paths.mean(axis=0)
    levels = VertexLevels(np.array([0.0, 2.0]), level, np.cov(paths.T), paths, WANDER_RAD)
    assert levels.rise_m[1, 0] > 5 * levels.sigma_m[1, 0]
    assert falls(axis, levels).tolist() == ["not_shown"]
    assert odd.mean() > ALPHA
    sure = replace(levels, drawn_m=paths[~odd])
    assert falls(axis, sure).tolist() == ["falls"]
