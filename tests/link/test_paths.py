"""Paths over all shapes: against a batch adjustment, by what bends and what is wrong, turned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares

from lateralline.derive.sampled import PathsAlong
from lateralline.kernels.curves import wrap
from lateralline.kernels.expected import PIPE_WANDER_RAD, TILT_WANDER_RAD
from lateralline.link import path_filter, path_looks
from lateralline.link.lines import LocatedPoint
from lateralline.link.path_filter import STEEL_M, filtered
from lateralline.link.paths import _compressed, path_data, sample_paths
from lateralline.published import BendRadii
from lateralline.records import SampledPaths
from lateralline.settings import Accuracy
from tests.support.made_scene import ACCURACY

Floats = npt.NDArray[np.float64]
SIGMA = np.array([0.03, 0.04, 0.05, np.radians(4.0), np.radians(3.0)])
STRAIGHT = [(0.0, 2.0 * i, 0.02 * i, 0.0, 0.01) for i in range(6)]
#: North for 5 m, then 45° to the right: the corner halfway between two stops.
BENT = [
    (0.0, 0.0, 0.0, 0.0, 0.0),
    (0.0, 2.0, 0.0, 0.0, 0.0),
    (0.0, 4.0, 0.0, 0.0, 0.0),
    *((np.sqrt(0.5) * d, 5.0 + np.sqrt(0.5) * d, 0.0, np.pi / 4, 0.0) for d in (1.0, 3.0, 5.0)),
]


def points(
    poses: Sequence[tuple[float, ...]], *, counted: bool = True, seed: int | None = None
) -> list[LocatedPoint]:
    """Stops of one run every 2 m of pipe, observed to SIGMA; exactly, or with errors of a seed."""
    off = np.zeros((len(poses), 5))
    if seed is not None:
        off = np.random.default_rng(seed).normal(size=off.shape) * SIGMA
    out = []
    for i, (pose, by) in enumerate(zip(np.array(poses), off, strict=True)):
        seen = pose + by
        readings = {"R1": 10.0 + 2.0 * i} if counted else {}
        cov = np.diag(SIGMA**2)
        look = (float(seen[3]), float(seen[4]))
        out.append(LocatedPoint("fix", f"R1/{i}", "", i, seen[:3], *look, cov, readings))
    return out


def sampled(line: Sequence[LocatedPoint], accuracy: Accuracy = ACCURACY) -> SampledPaths:
    """The paths of a line, which must be there."""
    paths = sample_paths(line, accuracy)
    assert paths is not None
    return paths


def at_points(paths: SampledPaths) -> Floats:
    """Places of all paths at the located points (s, k, 3)."""
    here = np.isclose(paths.place, np.round(paths.place))
    return np.asarray(paths.xyz_m[:, here])


def test_a_straight_line_scatters_as_a_batch_adjustment_says(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without bends or blunders the draws are those of least squares: scipy's, all at once."""
    monkeypatch.setattr(path_filter, "WRONG_SHARE", 1e-9)
    monkeypatch.setattr(path_looks, "WRONG_SHARE", 1e-9)
    line = points(STRAIGHT, seed=4)
    k = len(line)
    seen = np.array([[*p.xyz_m, p.heading_rad, p.tilt_rad] for p in line])
    spread = 2.0 * np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]])
    aside, up = (
        np.linalg.inv(np.linalg.cholesky(wander**2 * spread))
        for wander in (PIPE_WANDER_RAD, TILT_WANDER_RAD)
    )
    a = ACCURACY

    def residuals(x: Floats) -> Floats:
        """Poses (k, 5), lengths (k-1,), zero and scale of the counter."""
        pose, length, zero, scale = x[: 5 * k].reshape(k, 5), x[5 * k : -2], x[-2], x[-1]
        out = [((pose - seen) / SIGMA).ravel(), [(scale - 1.0) / a.counter_scale_ratio]]
        run = np.concatenate([[0.0], np.cumsum(length)])
        off = 10.0 + 2.0 * np.arange(k) - zero - run / scale
        slack = np.minimum.outer(np.arange(k), np.arange(k)) * (a.counter_ratio * 2.0) ** 2
        noise = np.linalg.inv(np.linalg.cholesky(a.counter_m**2 * np.eye(k) + slack))
        out.append(noise @ off)
        for p, q, ell in zip(pose[:-1], pose[1:], length, strict=True):
            h, t = p[3], p[4]
            way = np.array([np.sin(h) * np.cos(t), np.cos(h) * np.cos(t), np.sin(t)])
            side = np.array([np.cos(h), -np.sin(h), 0.0])
            gap = q[:3] - p[:3] - ell * way
            out.append(aside @ np.array([gap @ side / 2.0, wrap(q[3] - h)]))
            out.append(up @ np.array([gap[2] / 2.0, q[4] - t]))
            out.append([gap @ way / 1e-4])
        return np.concatenate([np.ravel(o) for o in out])

    start = np.concatenate([seen.ravel(), np.full(k - 1, 2.0), [10.0, 1.0]])
    best = least_squares(residuals, start, x_scale="jac")
    cov = np.linalg.inv(best.jac.T @ best.jac)
    there = at_points(sampled(line, replace(a, bends_per_m=1e-9)))
    where = (5 * np.arange(k)[:, None] + np.arange(3)).ravel()
    sigma = np.sqrt(np.diag(cov)[where].reshape(k, 3))
    assert there.std(axis=0) == pytest.approx(sigma, rel=0.15)
    off = there.mean(axis=0) - best.x[where].reshape(k, 3)
    assert (np.abs(off) < 4.0 * sigma / np.sqrt(len(there))).all()


def test_a_straight_line_stays_straight_and_a_bent_one_bends() -> None:
    """Shares of shapes follow the data; nobody is accused of anything."""
    straight, bent = sampled(points(STRAIGHT)), sampled(points(BENT))
    assert (straight.shape_share[:, 0] > 0.9).all()
    assert bent.shape_share[2, 0] < 0.01
    assert (bent.shape_share[[0, 4], 0] > 0.8).all()
    assert straight.wrong_share.max() < 0.05
    assert bent.wrong_share.max() < 0.05


def test_paths_round_the_corner_as_far_as_their_legs_allow() -> None:
    """Some paths pass the corner itself, and some cut it as the roundest bend of 1 m legs does."""
    paths = sampled(points(BENT))
    corner = np.array([0.0, 5.0])
    away = np.linalg.norm(paths.xyz_m[:, :, :2] - corner, axis=2).min(axis=1)
    roundest = 1.0 / np.tan(np.pi / 8) * (1 / np.cos(np.pi / 8) - 1)
    assert np.quantile(away, 0.05) < 0.06
    assert np.quantile(away, 0.95) > 0.8 * roundest


def swept(radius_m: float, seed: int, past_m: float = 0.5) -> list[LocatedPoint]:
    """Stops of a run before and after a right angle of a radius, the nearest so far from it."""
    past = past_m + np.array([0.0, 2.0, 4.0])
    east, middle = np.pi / 2, np.array([radius_m, 0.0])
    poses = [(0.0, -d, 0.0, 0.0, 0.0) for d in past[::-1]]
    poses += [(middle[0] + d, radius_m, 0.0, east, 0.0) for d in past]
    counted = np.concatenate([-past[::-1], radius_m * east + past])
    noise = np.random.default_rng(seed).normal(size=len(counted)) * ACCURACY.counter_m
    return [
        replace(p, readings={"R1": float(c)})
        for p, c in zip(points(poses, seed=seed), 10.0 + counted + noise, strict=True)
    ]


@pytest.mark.parametrize(("true_m", "past_m"), [(4.0, 0.5), (2.0, 1.0), (0.2, 2.5)])
def test_a_radius_is_told_by_the_length_within_its_claim(true_m: float, past_m: float) -> None:
    """Six surveys, of which five at least hold the truth within ± 95 %, and none goes far."""
    told = [sampled(swept(true_m, seed, past_m)).bend_radius_m for seed in range(6)]
    assert all(np.isnan(of[[0, 1, 3, 4]]).all() for of in told), "of a straight stretch"
    radius, sigma = np.array([of[2] for of in told if np.isfinite(of[2]).all()]).T
    assert len(radius) >= 5
    assert (sigma < 0.25 * (true_m + past_m)).all()
    off = np.abs(radius - true_m) / sigma
    assert np.mean(off < 1.96) > 0.8
    assert off.max() < 3.3


def test_a_radius_is_not_told_of_a_slight_bend_or_without_counters() -> None:
    """22° over legs of a metre is shorter by a centimetre at the roundest."""
    for line in (points(BENT), [replace(p, readings={}) for p in swept(4.0, 1)]):
        assert np.isnan(sampled(line).bend_radius_m).all()


def test_paths_of_an_untold_bend_are_as_sharp_as_fittings_of_the_size() -> None:
    """And pipe that is bent, not fitted, has no corner of a metre: it is a fitting, or wide."""
    line = points(BENT)
    corner = np.array([0.0, 5.0])

    def away(radii: BendRadii) -> Floats:
        paths = sample_paths(line, ACCURACY, radii)
        assert paths is not None
        return np.asarray(np.linalg.norm(paths.xyz_m[:, :, :2] - corner, axis=2).min(axis=1))

    cut = 1.0 / np.cos(np.pi / 8) - 1.0  # off the corner, over the radius
    sharp, wide = away(BendRadii(0.1, 0.2)), away(BendRadii(1.0, 1.2))
    assert np.median(np.sort(wide)[:100]) - np.median(np.sort(sharp)[:100]) > 0.5 * cut
    bent = away(BendRadii(0.1, 0.2, 2.0))
    between = (0.6 * cut, 1.5 * cut)
    assert np.mean((bent > between[0]) & (bent < between[1])) < np.mean(
        (sharp > between[0]) & (sharp < between[1])
    )


@pytest.mark.parametrize("turned", [0.0, 2.0])
def test_a_line_has_the_same_paths_wherever_it_lies(turned: float) -> None:
    """Turned and moved, the paths turn and move with it: they are drawn in the line's own axes."""
    line = points(BENT, seed=2)
    c, s = np.cos(turned), np.sin(turned)
    turn, by = np.array([[c, s, 0.0], [-s, c, 0.0], [0, 0, 1.0]]), np.array([500.0, -70.0, 12.0])
    five = np.eye(5)
    five[:3, :3] = turn
    other = [
        replace(
            p,
            xyz_m=turn @ p.xyz_m + by,
            heading_rad=p.heading_rad + turned,
            cov=five @ p.cov @ five.T,
        )
        for p in line
    ]
    expected = sampled(line).xyz_m @ turn.T + by
    assert sampled(other).xyz_m == pytest.approx(expected, abs=1e-4)


def test_a_stop_moved_half_a_metre_is_taken_for_wrong_and_pulls_nothing() -> None:
    """The paths stay on the pipe; without the one in a hundred they would be dragged along."""
    line = points(STRAIGHT)
    line[3] = replace(line[3], xyz_m=line[3].xyz_m + np.array([0.5, 0.0, 0.0]))
    paths = sampled(line)
    assert paths.wrong_share[3, 0] > 0.5
    assert np.median(np.abs(at_points(paths)[:, 3, 0])) < 0.05


def test_a_counter_misread_by_half_a_metre_is_taken_for_wrong() -> None:
    """By its run alone; the position is not doubted."""
    line = points(STRAIGHT)
    line[3] = replace(line[3], readings={"R1": line[3].readings["R1"] + 0.5})
    paths = sampled(line)
    assert paths.wrong_share[3, 1] > 0.5
    assert paths.wrong_share[3, 0] < 0.1


def test_points_without_counter_or_direction_still_give_paths() -> None:
    """Nothing but positions: the direction follows from the neighbours."""
    line = [
        replace(p, heading_rad=np.nan, tilt_rad=np.nan, cov=np.diag([*SIGMA[:3] ** 2, 0.0, 0.0]))
        for p in points(STRAIGHT, counted=False)
    ]
    there = at_points(sampled(line))
    assert np.abs(there[:, :, 0]).max() < 0.2
    assert there.std(axis=0)[1:-1, 0].max() < 0.04


def test_a_level_known_alone_holds_the_paths_there() -> None:
    """A level at a counter, between two stops: no place of its own, yet the pipe passes at it."""
    line = points(STRAIGHT)
    nowhere = np.array([np.nan, np.nan, 0.05])
    cov = np.zeros((5, 5))
    cov[2, 2] = 0.005**2
    level = LocatedPoint("exposure", "E1", "", -1, nowhere, np.nan, np.nan, cov, {"R1": 15.0})
    with_it = at_points(sampled([*line[:3], level, *line[3:]]))
    assert with_it[:, 3, 2].std() < 0.008
    assert at_points(sampled(line))[:, 2, 2].std() > 0.015


@pytest.mark.parametrize("seen", [True, False])
def test_metal_that_was_seen_lets_stops_lie_aside_together(seen: bool) -> None:
    """Two stops 0.13 m to the right, as by a field turned 6° over 1.2 m of depth."""
    line = [replace(p, depth_m=1.2) for p in points([*STRAIGHT, *STRAIGHT])[:6]]
    aside = np.array([0.13, 0.0, 0.0])
    for i in (2, 3):
        line[i] = replace(line[i], xyz_m=line[i].xyz_m + aside, metal=seen)
    east = at_points(sampled(line))[:, 2:4, 0]
    holds = np.abs(np.median(east, axis=0)) < 2.0 * east.std(axis=0)
    assert holds.all() == seen
    assert sampled(line).steel_share[[0, 5]].max() < 0.2


def test_a_pipe_that_wanders_more_than_most_is_known_for_it() -> None:
    """Headings that stray by 5° a stop: between stops the paths stray as much, too."""
    stray = np.radians([0.0, 5.0, -4.0, 6.0, -5.0, 4.0])
    line, other = points(STRAIGHT), points(STRAIGHT)
    sure = np.diag([*SIGMA[:3], np.radians(0.5), np.radians(3.0)]) ** 2
    line = [replace(p, cov=sure) for p in line]
    other = [replace(p, cov=sure, heading_rad=float(h)) for p, h in zip(line, stray, strict=True)]
    spread = [np.median(sampled(x).xyz_m[:, :, 0].std(axis=0)) for x in (line, other)]
    assert spread[1] > 1.5 * spread[0]


def test_a_poor_point_counts_less_and_is_not_called_wrong() -> None:
    """Off by four of its σ across and up: the others hold the pipe."""
    line = points(STRAIGHT)
    off = np.array([4.0 * SIGMA[0], 0.0, 4.0 * SIGMA[2]])
    line[3] = replace(line[3], xyz_m=line[3].xyz_m + off)
    paths = sampled(line)
    assert np.abs(np.median(at_points(paths)[:, 3, 0])) < 0.5 * off[0]
    assert paths.wrong_share[3, 0] < 0.5


def test_weights_of_hypotheses_add_up() -> None:
    """At every point, whatever was left out as too light."""
    data, _ = path_data(points(BENT, seed=1), ACCURACY)
    for step in filtered(data).steps:
        assert np.exp(step.log_weight).sum() == pytest.approx(1.0)


def test_where_a_drop_stands_between_two_stops_nobody_knows() -> None:
    """A step of 0.8 m between two stops 1.7 m apart: half the paths have it by the middle.

    A drop that falls downstream is weighed before a step that rises: heavier beforehand.
    """
    low = [(0.0, 2.0 * i, 0.02 * i, 0.0, 0.01) for i in range(4)]
    high = [(0.0, 7.7 + 2.0 * i, 0.88 + 0.02 * i, 0.0, 0.01) for i in range(4)]
    line = [
        replace(p, readings={"R1": 2.0 * i + (0.5 if i > 3 else 0.0)})
        for i, p in enumerate(points([*low, *high]))
    ]
    paths = sampled(line)
    assert paths.shape_share[3, 2:].sum() > 0.9
    along = PathsAlong(paths, paths.place, np.median(paths.xyz_m, axis=0))
    bottom, top = along.levels_m(np.array([3.3, 3.7]), 0.95)
    assert (bottom < 0.15).all()
    assert (top > 0.80).all()
    sides = path_filter._OF_TWO
    assert sides[0, 1] > sides[0, -1]


def test_errors_shared_are_the_fewest_independent_ones_that_move_stops_by_2_mm() -> None:
    """Two that move all stops alike are one, and what moves no stop by more than 1 mm is none."""
    way = np.ones((6, 1)) * [1.0, 0.0, 0.0, 0.0, 0.0]
    up = np.ones((6, 1)) * [0.0, 0.0, 1.0, 0.0, 0.0]
    alike = np.stack([0.0018 * way, 0.0024 * way], axis=2)
    fewest = _compressed(np.concatenate([alike, 0.001 * up[:, :, None]], axis=2))
    assert fewest.shape == (6, 5, 1)
    assert fewest[:, :, 0] == pytest.approx(0.003 * way)


def test_where_marks_tell_nothing_a_stop_is_beside_steel_as_often_as_pipe_is() -> None:
    """Every 50 m steel begins beside the pipe, and goes along with it for 4 m."""
    line = points(STRAIGHT)
    vague = np.diag([1e3, 1e3, 1e3, 1e3, 1e3]) ** 2
    line[0] = replace(line[0], cov=vague, heading_rad=np.nan, tilt_rad=np.nan)
    data, _ = path_data(line, ACCURACY)
    first = filtered(replace(data, steel_per_m=1 / 50)).steps[0]
    share = np.exp(first.log_weight)[first.steel == 1].sum()
    assert share == pytest.approx(STEEL_M / (STEEL_M + 50.0))


def test_what_a_guessed_heading_leaves_open_is_counted_without_what_all_stops_share() -> None:
    """10 cm along and 30 across, of which 6 cm on every axis are one error of the whole line."""
    line = points(STRAIGHT)
    shared = np.zeros((5, 2))
    shared[0, 0] = shared[1, 1] = 0.06
    cov = line[2].cov + shared @ shared.T
    line = [replace(p, cov=cov, shared=shared) for p in line]
    line[2] = replace(line[2], axis_sigma_m=np.array([0.1, 0.3]))
    data, _ = path_data(line, ACCURACY)
    assert data.along_across_m2[2] == pytest.approx([0.1**2 - 0.06**2, 0.3**2 - 0.06**2])
    assert not data.observed[2, 3:].any()
