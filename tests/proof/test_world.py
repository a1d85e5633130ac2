"""The proof outside the model: what is simulated, how it is scored, and that it can fail."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from pathlib import Path

import numpy as np
import pytest
import shapely
from typer.testing import CliRunner

from lateralline.cli import app
from lateralline.proof import world, world_scores
from lateralline.proof.world import CASES, PLAIN, CaseResult, world_bounds
from lateralline.proof.world_marks import find_marks
from lateralline.proof.world_scores import WorldScore, score_world
from lateralline.proof.world_seen import power
from lateralline.proof.world_survey import survey_lines, write_site
from lateralline.proof.world_truth import DEPTH_M, TrueSite, World, true_site
from lateralline.records import Product
from lateralline.settings import standard_accuracy
from lateralline.stages import SiteResult, run_site

#: Nothing errs but what is asked after.
EXACT = replace(
    standard_accuracy(),
    axis_heading_rad=0.0,
    receiver_angle_rad=0.0,
    mark_placing_m=0.0,
    mid_across_depths=0.0,
)
STILL = World("still", tilt_sigma_deg=0.0, receiver_deg=0.0)


@pytest.fixture(scope="module")
def plain() -> tuple[WorldScore, ...]:
    return tuple(score_world(3, 3, PLAIN.departure))


def turned_deg(site: TrueSite) -> float:
    """The sharpest turn within 4 cm of the path."""
    return float(np.degrees(np.abs(site.path.heading_rad[2:] - site.path.heading_rad[:-2]).max()))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_stops_lie_as_deep_as_house_drains_do(case: world.Case) -> None:
    for line in range(3):
        site = true_site(3, line, case.departure)
        at = site.path.at(site.travel_m)
        depth = site.ground_m(at[:, :2]) - at[:, 2]
        assert DEPTH_M[0] - 1e-6 < depth.min() < depth.max() < DEPTH_M[1] + 1e-6
        assert site.travel_m[-1] + case.departure.lag_m < site.path.travel_m[-1]


def test_a_line_is_the_same_however_many_are_simulated() -> None:
    few, many = (find_marks(5, [true_site(5, i, STILL) for i in range(n)], STILL, EXACT)
                 for n in (1, 3))  # fmt: skip
    own = many.line == 0
    np.testing.assert_allclose(few.xyz_m, many.xyz_m[own], atol=1e-9)
    other = find_marks(6, [true_site(6, 0, STILL)], STILL, EXACT)
    assert few.xyz_m.shape != other.xyz_m.shape or not np.allclose(few.xyz_m, other.xyz_m)


def test_sweeps_turn_gently_and_fittings_at_once() -> None:
    sweep, sharp = (
        World("s", bends=(2, 2), bend_radius_m=radius) for radius in ((3.0, 5.0), (0.0, 0.0))
    )
    assert turned_deg(true_site(3, 1, sweep)) <= np.degrees(0.04 / 3.0) + 1e-6
    assert turned_deg(true_site(3, 1, sharp)) > 20.0


def test_without_errors_end_nulls_of_a_level_transmitter_are_root_two_depths_apart() -> None:
    sites = [true_site(3, i, STILL) for i in range(3)]
    found = find_marks(3, sites, STILL, EXACT)
    ends = found.xyz_m[found.kind == "end_null"].reshape(-1, 2, 3)
    apart = np.linalg.norm(np.diff(ends, axis=1)[:, 0], axis=1)
    ratio = apart / found.poses.depth_m
    assert ratio == pytest.approx(np.sqrt(2.0), rel=0.03)  # falls and slopes of 5 %


def test_steel_moves_neighbouring_marks_alike_and_far_ones_not_at_all() -> None:
    steel = replace(STILL, steel_deg=(4.0, 4.0))
    sites = [true_site(3, i, STILL) for i in range(4)]
    still, moved = (find_marks(3, sites, d, EXACT) for d in (STILL, steel))
    off = np.linalg.norm((moved.xyz_m - still.xyz_m)[:, :2], axis=1)
    depth = still.poses.depth_m[still.first[still.line] + still.stop]
    assert (off > 0.0).any()
    assert (off == 0.0).any()
    assert off.max() / depth[off.argmax()] < 1.5 * radians(4.0)  # 0.75 a null, more for mid nulls


def test_a_pipe_that_leaves_its_corridor_is_told_by_how_far() -> None:
    pipe = np.array([[0.0, 0, 0], [5.0, 0, 0], [10.0, 0.5, 0]])
    region = shapely.box(-1.0, -0.2, 11.0, 0.2)
    outside, inside, half = world_scores._corridor(region, pipe)
    assert outside == pytest.approx(0.3)
    assert 0.65 < inside < 0.75
    assert half == pytest.approx(12.0 * 0.4 / 2 / 10.0, rel=0.01)
    assert world_scores._corridor(region, pipe[:2])[:2] == (0.0, 1.0)


def test_a_line_that_is_not_drawn_has_no_grades() -> None:
    none: dict[str, list[object]] = {
        name: [] for name in ("from_ref", "to_ref", "fall", "gradient", "gradient_sigma")
    }
    site = true_site(3, 0, STILL)
    layer = Product("pipe_segments", {**none}, None)
    held, false = world_scores._grades(layer, site.path.at(site.travel_m), site.path, site.travel_m)
    assert not len(held)
    assert not false


def test_a_blunder_is_seen_as_often_as_its_size_and_the_design_of_its_line_allow(
    tmp_path: Path,
) -> None:
    """None at all as often as by chance, half a metre mostly, one in a bend less, five always."""
    (case,) = (c.departure for c in CASES if c.blunders)
    line = next(iter(survey_lines(1, 1, case, blunders=True)))
    built = run_site(write_site(line, tmp_path), until="solve")
    assert isinstance(built, SiteResult)
    none = replace(line, moved_m=np.zeros(2))
    assert power(none, built) == pytest.approx(0.001, rel=1e-6)
    usual = power(line, built)
    assert 0.5 < usual < 0.999
    assert power(replace(line, moved_m=10.0 * line.moved_m), built) > 0.999999
    (stop,) = line.bad_stops
    at = line.site.travel_m[int(stop) - 1] + np.array([-0.8, 0.8])
    between = replace(line, site=replace(line.site, bend_m=np.sort([*line.site.bend_m, *at])))
    assert power(between, built) < usual - 0.05


def test_a_stop_that_no_pipe_fits_beside_is_named(tmp_path: Path) -> None:
    """Moved beside a bend: nothing fits on one side, and no reading of the line tests as wrong."""
    (case,) = (c.departure for c in CASES if c.blunders)
    line = next(iter(survey_lines(1, 1, case, blunders=True)))
    built = run_site(write_site(line, tmp_path), until="derive")
    assert isinstance(built, SiteResult)
    wrong = [f for f in built.findings if f.code == "blunder"]
    assert [(f.variant, f.subject) for f in wrong] == [("contradiction", "stop R1/3")]


def test_plain_lines_are_scored_whole(plain: tuple[WorldScore, ...]) -> None:
    for score in plain:
        assert score.drawn
        assert len(score.plan) == len(score.adjusted) >= 8
        assert len(score.ends) == 2
        assert len(score.observations) == 3
        assert len(score.band) > len(score.plan)
        assert not score.false_errors


def test_a_bound_that_is_missed_is_named(plain: tuple[WorldScore, ...]) -> None:
    astray = [replace(s, outside_m=0.3, said=frozenset({"common"})) for s in plain]
    result = CaseResult(PLAIN, tuple(astray * 100), frozenset({"common"}))
    assert result.corridor == 0.0
    assert result.silent == 1.0
    assert any(m.missed and m.what.startswith("corridor") for m in world_bounds([result]))
    wide = [replace(s, half_width_m=0.2) for s in plain]
    missed = [m.what for m in world_bounds([CaseResult(PLAIN, tuple(wide * 100))]) if m.missed]
    assert sum("half width" in what for what in missed) == 2
    told = CaseResult(replace(PLAIN, or_told=True), result.scores)
    assert told.silent == 0.0
    assert not any(m.what.startswith("corridor") for m in world_bounds([told]))


@pytest.mark.parametrize(("chance", "held"), [(0.3, True), (0.001, False)])
def test_a_silent_miss_is_excused_only_where_a_pipe_as_drawn_explains_its_data(
    plain: tuple[WorldScore, ...], chance: float, held: bool
) -> None:
    common = frozenset({"common"})
    astray = tuple(replace(s, outside_m=0.3, said=common, as_drawn=chance) for s in plain)
    unseen = replace(PLAIN, or_told=True, unseen=True)
    rows = {m.what: m for m in world_bounds([CaseResult(unseen, astray * 100, common)])}
    assert rows["silent misses that a pipe as drawn explains"].missed is not held
    assert all(0.0 < s.as_drawn <= 1.0 for s in plain)


def test_prove_world_ends_with_an_exit_code_that_can_be_wrong(
    monkeypatch: pytest.MonkeyPatch, plain: tuple[WorldScore, ...]
) -> None:
    monkeypatch.setattr(world, "score_world", lambda *_: plain)
    passed = CliRunner().invoke(app, ["prove", "world", "--only", "none", "--lines", "3"])
    assert passed.exit_code == 0
    assert "every bound holds" in passed.output
    astray = [replace(s, outside_m=0.3) for s in plain]
    monkeypatch.setattr(world, "score_world", lambda *_: astray)
    failed = CliRunner().invoke(app, ["prove", "world", "--only", "none", "--lines", "3"])
    assert failed.exit_code == 1
    assert "missed: none: corridor holds the whole pipe" in failed.output
    unknown = CliRunner().invoke(app, ["prove", "world", "--only", "mars"])
    assert unknown.exit_code == 2
    assert "sweeps" in unknown.output
