"""Bounds and probabilities of whole lines, whose stops err each on its own, against Monte Carlo."""

from __future__ import annotations

from math import hypot
from pathlib import Path

import numpy as np
import pytest
import shapely

from lateralline.overlay.as_built import open_as_built
from lateralline.overlay.bounds import SearchTerms
from lateralline.overlay.clearance import pairs_of
from lateralline.overlay.planned import PlannedWork
from lateralline.overlay.separation import body_of, nearest, stacked

DRAWS = 4_000
#: A line with a bend, a stop every two metres or so.
PATH = (
    (0.0, 0.0, 98.0), (2.0, 0.1, 98.02), (4.0, 0.0, 98.05), (6.0, -0.1, 98.06), (8.0, 0.0, 98.1),
    (10.0, 0.1, 98.12), (11.5, 1.2, 98.15), (12.6, 2.9, 98.2), (13.5, 4.7, 98.22),
)  # fmt: skip
GROUND, PLAN_SIGMA, UP_SIGMA, GROUND_SIGMA, RADIUS = 99.5, 0.08, 0.06, 0.02, 0.08


def work(kind: str, shape: shapely.Geometry, depth: float, radius: float = 0.1) -> PlannedWork:
    return PlannedWork(kind, kind, kind, shape, np.empty(0), depth, radius, 0.25, 0.0)


def line(*xy: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString(xy)


WORKS = {
    "trench along five segments": work("trench", shapely.box(0.5, 0.55, 9.5, 1.5), 3.0),
    "trench along, its bottom above": work("trench", shapely.box(0.5, -0.5, 9.5, 0.5), 0.9),
    "trench across": work("trench", shapely.box(4.0, -3, 4.6, 3), 1.0),
    "bore across": work("bore", line((3, -4), (3.5, 4)), 2.05, 0.08),
    "bore along, askew": work("bore", line((0, -0.9), (10, -0.3)), 1.2, 0.1),
    "bore that winds about the pipe": work(
        "bore", line((1, -0.45), (3, 0.45), (5, -0.45), (7, 0.45), (9, -0.45)), 1.95, 0.05
    ),
    "post": work("post", shapely.Point(6.2, 0.45), 1.2, 0.1),
    "pile in the bend": work("pile", shapely.Point(11.0, 1.6), 6.0, 0.2),
    "trench in the bend": work(
        "trench", shapely.Polygon([(8, 0.5), (10.1, 0.6), (11.2, 1.9), (12, 4), (9, 4)]), 2.5
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def record(make_record, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(make_record, tmp_path_factory.mktemp("record") / "a.gpkg", PATH)


def written(make_record, path: Path, stops: tuple[tuple[float, float, float], ...]) -> Path:
    pipe = {
        "path": stops, "by_stop": True, "joins": "L0", "sigma_plan": PLAN_SIGMA,
        "sigma_level": UP_SIGMA, "ground": GROUND, "ground_sigma": GROUND_SIGMA,
    }  # fmt: skip
    return make_record(path, (pipe,), crs=None, middle=(0.0, 0.0))


def found(record: Path, thing: PlannedWork, crs_shift_sigma_m: float = 0.0):
    as_built = open_as_built(record)
    (lines,) = (region.lines for region in as_built.regions())
    (pair,) = pairs_of(
        lines,
        *as_built.stations(),
        [thing],
        SearchTerms(0.9, crs_shift_sigma_m, levels_compare=False),
    )
    return pair


def true_separations(thing: PlannedWork, stops=PATH, crs_shift_sigma_m: float = 0.0) -> np.ndarray:
    """Draw pipes whose stops are off each on its own, straight between; depths from the ground."""
    rng = np.random.default_rng(17)
    nodes = np.array(stops) - (0.0, 0.0, GROUND)
    off = rng.standard_normal((DRAWS, *nodes.shape))
    off *= [PLAN_SIGMA, PLAN_SIGMA, hypot(UP_SIGMA, GROUND_SIGMA)]
    shift = crs_shift_sigma_m * rng.standard_normal((DRAWS, 1, 2))  # all stops together
    pipes = nodes + off + np.pad(shift, ((0, 0), (0, 0), (0, 1)))
    body = body_of(thing, "depth_below_ground")
    start, end = pipes[:, :-1].reshape(-1, 3), pipes[:, 1:].reshape(-1, 3)
    one = stacked([body], np.zeros(len(start), dtype=np.int64))
    return nearest(one, start, end).distance_m.reshape(DRAWS, -1).min(axis=1) - RADIUS


@pytest.mark.parametrize("name", WORKS)
def test_a_lines_true_separation_is_above_its_bound_in_95_of_100(record: Path, name: str) -> None:
    pair = found(record, WORKS[name])
    true = true_separations(WORKS[name])
    above = float((true >= pair.separation_lower_95_m).mean())
    assert above >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / DRAWS), f"{name}: {above:.3f}"


@pytest.mark.parametrize("crs_shift_sigma_m", [0.5, 4.0])
@pytest.mark.parametrize("name", WORKS)
def test_a_shift_of_datum_brings_nothing_nearer_than_levels_let_it(
    record: Path, name: str, crs_shift_sigma_m: float
) -> None:
    """The bound holds, and never says that they may touch beside a chance of next to nothing."""
    pair = found(record, WORKS[name], crs_shift_sigma_m)
    true = true_separations(WORKS[name], crs_shift_sigma_m=crs_shift_sigma_m)
    assert (true >= pair.separation_lower_95_m).mean() >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / DRAWS)
    if pair.separation_lower_95_m < 0.0:
        assert np.isnan(pair.probability_contact) or pair.probability_contact > 0.01
    assert np.isnan(pair.probability_contact) == (pair.no_chance != "")
    if crs_shift_sigma_m > 2.0 and "above" in name:  # bottom 0.9 m down, pipe not above 1.28
        assert 0.0 < pair.separation_lower_95_m < 1.28 - 0.9 - RADIUS


def test_beside_a_long_trench_the_interval_of_one_place_would_not_do(
    make_record, tmp_path: Path
) -> None:
    """Twenty stops err each on its own: at 1.96 σ four lines in ten come nearer."""
    stops = tuple((2.0 * n, 0.0, 98.0) for n in range(21))
    wall = work("trench", shapely.box(0.5, 0.6, 38.5, 1.5), 3.0)
    pair = found(written(make_record, tmp_path / "a.gpkg", stops), wall)
    true = true_separations(wall, stops)
    assert (true >= pair.separation_m - 1.959964 * pair.separation_sigma_m).mean() < 0.75
    assert 0.95 < (true >= pair.separation_lower_95_m).mean() < 0.99


@pytest.mark.parametrize("name", WORKS)
def test_a_lines_probabilities_are_never_too_little(record: Path, name: str) -> None:
    pair = found(record, WORKS[name])
    true = true_separations(WORKS[name])
    for limit, said in (
        (pair.work.required_m, pair.probability_below_required),
        (0.0, pair.probability_contact),
    ):
        share = float((true < limit).mean())
        assert said >= share - 4.5 * np.sqrt(max(share, 1e-4) / DRAWS) - 1e-3, f"{share:.4f}"
