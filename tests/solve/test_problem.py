"""Noise and first guesses of a batch of stops, term by term."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.kernels.dipole import total_peak_offset
from lateralline.solve.batch import level_start, other_side, steep_start
from lateralline.solve.gather import gather
from lateralline.solve.problem import AXIAL, END, MID, TOTAL, StopProblem, _peak_along
from tests.solve.test_solve import NAN, one_end, settings, simulate

Floats = npt.NDArray[np.float64]
EVERY = ("end_null", "mid_null", "peak_total", "peak_axial")


def problem_of(kinds: tuple[str, ...] = EVERY, seed: int = 17, drop: object = None) -> StopProblem:
    marks, stops, _ = simulate(6, kinds, seed, grade=0.1, drop=drop)
    return gather(marks, stops, settings()).problem


def shifted(problem: StopProblem, by_m: Floats) -> StopProblem:
    """The same with every mark moved, east, north, up."""
    marks = replace(problem.marks, xyz_m=problem.marks.xyz_m + by_m[:, None])
    return replace(problem, marks=marks)


def test_noise_of_a_mark_is_its_condition_s_and_its_position_s() -> None:
    """F Σ Fᵀ by numeric differences of the conditions; the receiver's angle; a peak's softness."""
    problem = problem_of()
    a, s, kind, of = problem.accuracy, problem.stops, problem.marks.kind, problem.of_stop
    p = level_start(problem)
    h = 1e-6
    by_mark = np.stack(
        [
            (
                shifted(problem, step).linearise(p).mark_f
                - shifted(problem, -step).linearise(p).mark_f
            )
            / (2 * h)
            for step in h * np.eye(3)
        ],
        axis=1,
    )  # (2, 3, n)
    by_place = np.einsum("qin,ijn,rjn->qrn", by_mark, problem.marks.cov_m2, by_mark)
    along = np.stack([np.sin(p[3]), np.cos(p[3])])[:, of]
    across = np.stack([along[1], -along[0]])
    slope_var = s.plane_cov[1:, 1:][:, :, of]
    along_var, across_var = (np.einsum("in,ijn,jn->n", w, slope_var, w) for w in (along, across))
    lean = s.tilt_rad[of] - np.arctan(np.einsum("in,in->n", along, s.plane[1:][:, of]))
    _, wander = _peak_along(lean, s.tilt_sigma_rad[of] ** 2 + along_var)
    angle = np.full(len(kind), a.receiver_angle_rad**2)
    first = np.where(kind <= MID, angle, a.peak_across_depths**2 + across_var)
    second = np.select(
        [kind == END, kind == MID, kind == TOTAL],
        [angle, 1.0, a.peak_along_depths**2 + along_var + wander],
        a.peak_across_depths**2 / 3 + along_var / 9,
    )
    got = problem.linearise(p).mark_s
    assert {END, MID, TOTAL, AXIAL} == set(kind.tolist())
    assert got[0] == pytest.approx(by_place[0, 0] + first, rel=1e-5)
    assert got[1] == pytest.approx(by_place[0, 1], rel=1e-5, abs=1e-9)
    assert got[2] == pytest.approx(by_place[1, 1] + second, rel=1e-5)


def test_a_mid_null_without_a_second_end_null_was_marked_near_the_axis() -> None:
    problem = problem_of(("end_null", "mid_null"), drop=one_end)
    assert problem.marks.lateral.all()
    p = level_start(problem)
    mid = problem.marks.kind == MID
    at, r = problem.linearise(p), problem.in_axes(p)
    assert at.mark_f[1, mid] == pytest.approx((r[1] / np.linalg.norm(r, axis=0))[mid])
    exact = replace(problem, marks=replace(problem.marks, cov_m2=0.0 * problem.marks.cov_m2))
    spread = exact.linearise(p).mark_s[2, mid]
    assert spread == pytest.approx(np.full(mid.sum(), problem.accuracy.mid_across_depths**2))
    assert (problem.rows == 2).all()


@pytest.mark.parametrize(
    ("lean_deg", "sigma_deg", "shifts"),
    [(9.0, 5.0, False), (11.0, 5.0, True), (-11.0, 5.0, True), (20.0, 5.0, True)],
)
def test_a_leaning_transmitter_s_top_is_shifted_where_the_lean_is_told_at_two_sigma(
    lean_deg: float, sigma_deg: float, shifts: bool
) -> None:
    """No further than at 12°; what the lean does not tell is spread, 0.9 of it."""
    lean, sigma = np.radians([lean_deg]), np.radians([sigma_deg])
    shift, variance = _peak_along(lean, sigma**2)
    top = np.radians(12.0)
    expected = float(total_peak_offset(np.clip(lean, -top, top))[0]) if shifts else 0.0
    assert shift[0] == pytest.approx(expected)
    wide = float(total_peak_offset(np.minimum(np.hypot(lean, sigma), top))[0])
    assert variance[0] == pytest.approx(0.81 * max(wide**2 - expected**2, 0.0), abs=1e-12)


def test_a_reading_s_noise_is_its_own_the_scale_s_and_the_ground_s() -> None:
    problem = problem_of()
    scale, sigma = np.full(6, 1.1), np.full(6, 0.04)
    problem = problem.with_stops(scale=scale, scale_sigma=sigma, aerial_m=np.full(6, 0.2))
    p = level_start(problem)
    p[2, 0] = problem.ground(p)[0] - 0.1  # so shallow that the least noise counts
    a, s = problem.accuracy, problem.stops
    distance = problem.ground(p) + 0.2 - p[2]
    own = np.maximum(a.depth_reading_ratio * distance, a.depth_reading_min_m)
    assert own[0] == a.depth_reading_min_m
    row = np.stack([np.ones(6), p[0] - s.centre_m[0], p[1] - s.centre_m[1]])
    ground = np.einsum("ik,ijk,jk->k", row, s.plane_cov, row)
    at = problem.linearise(p)
    assert at.own_f[0] == pytest.approx(1.1 * distance - s.depth_reading_m)
    assert at.own_var[0] == pytest.approx(own**2 + (0.04 * distance) ** 2 + 1.21 * ground)
    silent = problem.with_stops(depth_reading_m=np.full(6, NAN)).linearise(p)
    assert np.isinf(silent.own_var[0]).all()
    assert silent.own_f[0].tolist() == [0.0] * 6


def test_a_step_is_half_a_depth_or_half_a_radian_at_most_and_the_way_given() -> None:
    problem = problem_of()
    p = level_start(problem)
    depth = problem.ground(p) - p[2]
    small = np.zeros((5, 6))
    small[:, :] = np.array([[0.01], [0.02], [-0.01], [0.03], [0.02]])
    moved = problem.advance(p, small) - p
    assert moved[2:] == pytest.approx(small[2:])
    sin, cos = np.sin(p[3]), np.cos(p[3])
    assert moved[0] == pytest.approx(0.01 * sin + 0.02 * cos)
    assert moved[1] == pytest.approx(0.01 * cos - 0.02 * sin)
    far = problem.advance(p, 1000.0 * np.array([[1.0, 0, 0, 0, 0]]).T * np.ones(6)) - p
    assert np.linalg.norm(far[:3], axis=0) == pytest.approx(0.5 * depth)
    spun = problem.advance(p, np.array([[0, 0, 0, -7.0, 2.0]]).T * np.ones(6)) - p
    assert spun[3] == pytest.approx(np.full(6, -0.5))
    assert spun[4] == pytest.approx(np.full(6, 1.0 / 7.0))


# ---- first guesses -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kinds", "drop"),
    [
        (("end_null",), None),
        (("end_null", "mid_null"), None),
        (("end_null", "mid_null"), one_end),
        (("mid_null", "peak_total"), None),
    ],
)
@pytest.mark.parametrize("read", [True, False])
def test_exact_marks_of_level_transmitters_give_the_first_guess_itself(
    kinds: tuple[str, ...], drop: object, read: bool
) -> None:
    marks, stops, poses = simulate(8, kinds, 3, quiet=True, tilt_deg=0.0, drop=drop)
    if not read:
        if "end_null" not in kinds:
            return
        stops = replace(stops, depth_reading_m=np.full(8, NAN))
    start = level_start(gather(marks, stops, settings()).problem)
    assert pytest.approx(poses.xyz_m, abs=2e-3 * float(poses.depth_m.max())) == start[:3].T
    if "end_null" in kinds:
        assert np.sin(start[3] - poses.heading_rad) == pytest.approx(np.zeros(8), abs=2e-3)


def test_a_lone_end_null_is_ahead_and_its_other_side_as_far_behind() -> None:
    """1/√2 of the depth read."""
    marks, stops, _ = simulate(4, ("end_null",), 3, quiet=True, tilt_deg=0.0, drop=one_end)
    problem = gather(marks, stops, settings()).problem
    start = level_start(problem)
    end = problem.marks.xyz_m[:2]
    off = end - start[:2]
    way = np.stack([np.sin(start[3]), np.cos(start[3])])
    assert off == pytest.approx(way * stops.depth_reading_m / np.sqrt(2))
    assert other_side(problem, start)[:2] == pytest.approx(end + off)
    assert other_side(problem, start)[2:] == pytest.approx(start[2:])


def test_a_standing_transmitter_starts_under_its_end_null_as_deep_as_its_ring_tells() -> None:
    """Mid nulls lie √2 of the depth away; less steep ones start where a level one would."""
    marks, stops, _ = simulate(2, ("end_null", "mid_null"), 3, quiet=True, tilt_deg=0.0)
    problem = gather(marks, stops, settings()).problem
    start = level_start(problem)
    up = steep_start(problem, start, np.radians(85.0), 0.5)
    lean = steep_start(problem, start, np.radians(35.0), 0.5)
    assert lean[:3] == pytest.approx(start[:3])
    for some, tilt in ((up, 85.0), (lean, 35.0)):
        assert some[3] == pytest.approx(start[3] + 0.5)
        assert np.degrees(some[4]) == pytest.approx([tilt] * 2)
    for k in range(2):
        mine = problem.of_stop == k
        xy, kind = problem.marks.xyz_m[:2, mine], problem.marks.kind[mine]
        overhead = xy[:, kind == END].mean(axis=1)
        assert up[:2, k] == pytest.approx(overhead)
        ring = np.hypot(*(xy[:, kind == MID] - overhead[:, None])).mean()
        expected = problem.ground(start)[k] - max(ring / np.sqrt(2), 0.1)
        assert up[2, k] == pytest.approx(expected)
