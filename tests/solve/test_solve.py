"""One fix per stop: every mix of marks is solved, and its error bars are true."""

from dataclasses import replace

import numpy as np
import pytest

from lateralline.kernels.network import W_LIMIT
from lateralline.records import Marks, StopRows
from lateralline.settings import Run, bare_settings, standard_accuracy
from lateralline.simulate.field import place_marks
from lateralline.simulate.truth import Poses, TrueGround
from lateralline.solve import solve
from lateralline.solve.batch import level_start
from lateralline.solve.gather import gather
from tests.support.finding_names import called

SURVEY_M = 0.02
NAN = float("nan")


def settings(**accuracy):
    run = Run("R1", "L1", "CO1", 0.0, "with", 0.35, 0.03)
    return replace(bare_settings(), accuracy=standard_accuracy(**accuracy), runs=(run,))


def simulate(k, kinds, seed, *, grade=0.0, tilt_deg=5.0, depth=(0.4, 4.0), drop=None, quiet=False):
    """Return marks, stops and true poses of k stops; drop(pose, kind, nth) leaves marks out."""
    rng = np.random.default_rng(seed)
    accuracy = standard_accuracy()
    if quiet:
        accuracy = standard_accuracy(
            receiver_angle_rad=0.0, mark_placing_m=0.0, mid_across_depths=0.0,
            peak_across_depths=0.0, peak_along_depths=0.0,
        )  # fmt: skip
    ground = TrueGround(0.0, 0.8 * grade, 0.6 * grade)
    plan = np.stack([10.0 * np.arange(k), np.zeros(k)], -1)
    level = ground.level(plan[:, 0], plan[:, 1]) - rng.uniform(*depth, k)
    poses = Poses(
        ("R1",) * k, tuple(map(str, range(k))), np.zeros(k), np.zeros(k),
        np.column_stack([plan, level]),
        rng.uniform(-np.pi / 4, np.pi / 4, k) + np.pi / 2,
        np.radians(tilt_deg) * rng.normal(size=k),
        ground.level(plan[:, 0], plan[:, 1]) - level,
    )  # fmt: skip
    pose, names, spots = place_marks(rng, poses, ground, kinds, accuracy)
    kind = np.array(names)
    same = (pose == pose[:, None]) & (kind == kind[:, None])
    nth = np.tril(same, -1).sum(axis=1)
    keep = np.array([not (drop and drop(*row)) for row in zip(pose, kind, nth, strict=True)])
    pose, kind, spots = pose[keep], kind[keep], spots[keep]
    survey = 0.0 if quiet else SURVEY_M
    n = len(pose)
    spots = spots + survey * rng.normal(size=spots.shape)
    sigma_plan = np.hypot(SURVEY_M, standard_accuracy().mark_placing_m)
    cov = np.tile(np.diag([sigma_plan**2, sigma_plan**2, SURVEY_M**2]), (n, 1, 1))
    text = np.full(n, "")
    marks = Marks(
        "marks.csv", np.arange(2, n + 2), np.array([f"M{i}" for i in range(n)]),
        np.full(n, "R1"), pose.astype(str), kind, text, text, spots, cov,
        np.ones(n, bool), np.ones(n, bool), np.full(n, NAN), np.zeros(n, np.int64),
    )  # fmt: skip
    d = poses.depth_m
    reading = d.copy()
    if not quiet:
        reading = d * rng.normal(1, 0.05) + np.maximum(0.07 * d, 0.03) * rng.normal(size=k)
    stops = StopRows(
        "stops.csv", np.arange(2, k + 2), np.full(k, "R1"), np.arange(k).astype(str),
        10.0 * np.arange(k), reading, np.full(k, NAN), np.full(k, ""),
    )  # fmt: skip
    return marks, stops, poses


def errors(fixes, poses):
    """Return position errors (k, 3) and angle errors (k, 2) folded over the ±180° ambiguity."""
    turned = np.cos(fixes.heading_rad - poses.heading_rad) < 0
    heading = np.where(turned, fixes.heading_rad + np.pi, fixes.heading_rad)
    tilt = np.where(turned, -fixes.tilt_rad, fixes.tilt_rad)
    angle = np.remainder(heading - poses.heading_rad + np.pi, 2 * np.pi) - np.pi
    return fixes.xyz_m - poses.xyz_m, np.stack([angle, tilt - poses.tilt_rad], -1)


def one_end(pose, kind, nth):
    return kind == "end_null" and nth == 1


MIXES = {
    "two ends": (("end_null",), None, False),
    "two ends and mid": (("end_null", "mid_null"), None, False),
    "one end and mid": (("end_null", "mid_null"), one_end, False),
    "one end, mid, reading": (("end_null", "mid_null"), one_end, True),
    "mid, peak, reading": (("mid_null", "peak_total"), None, True),
    "peak_total and reading": (("peak_total",), None, True),
    "peak_axial and reading": (("peak_axial",), None, True),
    "everything": (("end_null", "mid_null", "peak_total", "peak_axial"), None, True),
}


@pytest.mark.parametrize("mix", MIXES)
@pytest.mark.parametrize("grade", [0.0, 0.2])
def test_noise_free_marks_give_the_transmitter_back(mix, grade):
    """Level transmitters under level and sloping ground; what no noise is left to explain.

    Nulls give the truth to a millimetre. Peaks are left with what their rule or the guessed heading
    cannot know: on a slope the strongest spot is a quarter depth from the perpendicular's foot.
    """
    kinds, drop, read = MIXES[mix]
    marks, stops, poses = simulate(12, kinds, 3, grade=grade, tilt_deg=0.0, drop=drop, quiet=True)
    if not read:
        stops = replace(stops, depth_reading_m=np.full(12, NAN))
    level = settings(tilt_prior_rad=np.radians(1.0))  # known so well, no tilts are averaged over
    fixes = solve(marks, stops, level).fixes
    assert (fixes.status != "not_located").all()
    position, angle = errors(fixes, poses)
    away = np.abs(position).max(axis=1) / poses.depth_m
    if "peak" in mix or mix == "everything":
        assert away.max() < (0.3 if grade else 0.1)
    else:
        # with one end null the heading is averaged over: an arc's mean lies inside it
        averaged = mix.startswith("one end")
        assert away.max() < (0.02 if averaged else 0.001)
        assert np.degrees(np.abs(angle[:, 0])).max() < (0.6 if averaged else 0.1)


@pytest.mark.parametrize("mix", MIXES)
def test_error_bars_are_true(mix):
    """95 % plan ellipse and depth interval hold the truth in 92.5…99.5 % of 800 stops."""
    kinds, drop, read = MIXES[mix]
    k = 800
    marks, stops, poses = simulate(k, kinds, 8, drop=drop, depth=(0.6, 3.0))
    if not read:
        stops = replace(stops, depth_reading_m=np.full(k, NAN))
    fixes = solve(marks, stops, settings()).fixes
    good = fixes.solved
    assert good.mean() > 0.985
    position, _ = errors(fixes, poses)
    cov = fixes.cov[good][:, :2, :2]
    plan = position[good, :2]
    inside = np.einsum("ki,kij,kj->k", plan, np.linalg.inv(cov), plan) < 5.9915
    depth = np.abs(fixes.depth_m - poses.depth_m)[good] < 1.96 * fixes.depth_sigma_m[good]
    # a lone mark cannot tell the ground's slope: the allowance for it is idle on this level ground
    assert 0.93 < inside.mean() < 0.995
    assert 0.93 < depth.mean() < 0.985


def test_statistics_are_those_of_the_noise():
    """With redundancy 2 the mean χ² is 2, and w exceeds its 0.1 % limit about that often."""
    marks, stops, _ = simulate(3000, ("end_null", "mid_null"), 21)
    solved = solve(marks, stops, settings())
    assert (solved.fixes.dof == 2).all()
    assert solved.fixes.chi2.mean() == pytest.approx(2.0, abs=0.15)
    assert np.mean(solved.mark_results.std_residual > W_LIMIT) < 0.005
    assert np.nanmax(solved.mark_results.redundancy) <= 1.0


def test_redundancy_numbers_add_up():
    """Redundancy of marks, reading and prior together is the degrees of freedom."""
    marks, stops, _ = simulate(50, ("end_null", "mid_null"), 4)
    stops = replace(stops, depth_reading_m=np.full(50, NAN))
    solved = solve(marks, stops, settings(tilt_prior_rad=9.0))  # a prior that says nothing
    rows = np.where(marks.kind == "mid_null", 1, 2)
    total = np.bincount(marks.stop.astype(int), weights=solved.mark_results.redundancy * rows)
    np.testing.assert_allclose(total + 1.0, solved.fixes.dof, atol=0.03)


def test_a_measured_tilt_replaces_the_prior():
    """Marks and reading of a 15° tilt: solved closer when the tilt was measured."""
    marks, stops, poses = simulate(40, ("end_null",), 9, tilt_deg=15.0, quiet=True)
    measured = replace(stops, tilt_rad=poses.tilt_rad, depth_reading_m=np.full(40, NAN))
    guessed = replace(stops, depth_reading_m=np.full(40, NAN))
    away = [
        np.abs(errors(solve(marks, s, settings()).fixes, poses)[0]).max()
        for s in (measured, guessed)
    ]
    assert away[0] < 0.003 < 0.01 < away[1]


@pytest.mark.parametrize(
    ("kinds", "drop", "reason"),
    [
        (("end_null",), one_end, "the side on which"),
        (("mid_null",), None, "depth"),
        (("ground",), None, "no usable mark"),
    ],
)
def test_what_cannot_be_solved_says_why_and_stays_in_the_record(kinds, drop, reason):
    marks, stops, _ = simulate(3, kinds, 2, drop=drop)
    solved = solve(marks, replace(stops, depth_reading_m=np.full(3, NAN)), settings())
    assert (solved.fixes.status == "not_located").all()
    assert all(reason in why for why in solved.fixes.reason)
    assert np.isnan(solved.fixes.xyz_m).all()
    assert [called(f) for f in solved.findings] == ["stop-not-located"] * 3
    assert not solved.mark_results.used.any()


def test_a_stop_without_end_null_is_solved_but_weak():
    marks, stops, _ = simulate(4, ("peak_total",), 2)
    solved = solve(marks, stops, settings())
    assert (solved.fixes.status == "weak").all()
    assert "heading-unknown" in {called(f) for f in solved.findings}


def test_an_unplaced_mark_is_not_used():
    marks, stops, _ = simulate(3, ("end_null", "mid_null"), 5)
    placed = marks.placed.copy()
    placed[0] = False
    solved = solve(replace(marks, placed=placed), stops, settings())
    assert not solved.mark_results.used[0]
    assert (solved.fixes.status == "located").all()


def test_a_blunder_is_named_not_hidden():
    """A mid null painted half a metre off on a 1.5 m deep pipe; at 1 m it would be an end null."""
    marks, stops, _ = simulate(
        5, ("end_null", "mid_null", "peak_axial"), 14, depth=(1.4, 1.6), tilt_deg=1.0
    )
    bad = np.flatnonzero((marks.stop == "2") & (marks.kind == "mid_null"))[0]
    xyz = marks.xyz_m.copy()
    ends = xyz[(marks.stop == "2") & (marks.kind == "end_null"), :2]
    ahead = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    xyz[bad, :2] += 0.5 * ahead
    solved = solve(replace(marks, xyz_m=xyz), stops, settings())
    named = [f for f in solved.findings if called(f) == "mark-blunder/one"]
    assert [f.subject for f in named] == ["stop R1/2"]
    assert named[0].values["marks"] == (f"{marks.mark[bad]} ({marks.kind[bad]})",)
    assert named[0].where == f"marks.csv:{marks.row[bad]}"


def test_a_rod_is_solved_as_a_rod():
    """End nulls of a rod one third of its depth long, from magpylib's cylinder (0.7222 d)."""
    marks, stops, _ = simulate(1, ("end_null",), 1, quiet=True, tilt_deg=0.0)
    xyz = np.array([[0.0, -0.72225, 0.0], [0.0, 0.72225, 0.0]])
    stops = replace(stops, depth_reading_m=np.array([NAN]), tilt_rad=np.array([0.0]))
    marks = replace(marks, xyz_m=xyz)
    rod = Run("R1", "L1", "CO1", 0.0, "with", 0.35, 0.03, rod_length_m=1 / 3)
    as_rod = solve(marks, stops, replace(settings(), runs=(rod,))).fixes
    as_dipole = solve(marks, stops, settings()).fixes
    assert as_rod.depth_m[0] == pytest.approx(1.0, abs=1e-3)
    assert as_dipole.depth_m[0] == pytest.approx(0.72225 * np.sqrt(2), abs=1e-4)


def test_jacobian_of_the_whole_problem_matches_central_differences():
    marks, stops, _ = simulate(
        10, ("end_null", "mid_null", "peak_total", "peak_axial"), 17, grade=0.1
    )
    gathered = gather(marks, stops, settings())
    problem, p = gathered.problem, level_start(gathered.problem)
    p = p + 0.05 * np.random.default_rng(2).normal(size=p.shape)
    at, h = problem.linearise(p), 1e-6
    for i in range(5):
        step = np.zeros_like(p)
        step[i] = h
        ahead, back = (problem.linearise(problem.advance(p, s * step)) for s in (1, -1))
        np.testing.assert_allclose(
            (ahead.mark_f - back.mark_f) / (2 * h), at.mark_j[:, i], rtol=1e-5, atol=1e-5
        )
        np.testing.assert_allclose(
            (ahead.own_f - back.own_f) / (2 * h), at.own_j[:, i], rtol=1e-6, atol=1e-6
        )


def test_a_site_without_stops_is_solved_to_nothing():
    marks, _, _ = simulate(1, ("end_null",), 1)
    none = np.zeros(0, np.int64)
    text, number = np.zeros(0, "<U1"), np.zeros(0)
    empty = StopRows("stops.csv", none, text, text, number, number, number, text)
    solved = solve(marks, empty, settings())
    assert len(solved.fixes.status) == 0
    assert not solved.mark_results.used.any()


def test_the_smallest_detectable_blunder_is_found_in_eighty_of_a_hundred():
    """Mid nulls moved along the axis by what the record calls detectable (α 0.001, power 0.80)."""
    marks, stops, poses = simulate(1500, ("end_null", "mid_null"), 31, tilt_deg=3.0, depth=(1, 2))
    told = settings(tilt_prior_rad=np.radians(3.0))
    size = solve(marks, stops, told).mark_results.smallest_blunder_m
    mid = marks.kind == "mid_null"
    ahead = poses.along[marks.stop[mid].astype(int)]
    xyz = marks.xyz_m.copy()
    xyz[mid, :2] += size[mid, None] * ahead
    w = solve(replace(marks, xyz_m=xyz), stops, told).mark_results.std_residual[mid]
    assert np.mean(w > W_LIMIT) == pytest.approx(0.80, abs=0.04)
