"""Findings of solved stops: each limit at its two sides."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy import stats

from lateralline.proof.scenarios import SCENARIOS, stop_rows
from lateralline.proof.scenarios import simulate as simulate_stops
from lateralline.records import Exposures, StopRows
from lateralline.settings import Run
from lateralline.solve import scale as scale_module
from lateralline.solve import solve
from lateralline.solve.batch import solve_level
from lateralline.solve.covariance import SHARP_TILT_RAD, Averaged, _at, average, with_left_out
from lateralline.solve.gather import (
    SITE_SLOPE_SIGMA,
    Gathered,
    fit_planes,
    gather,
    site_slope,
)
from lateralline.solve.modes import find_modes
from lateralline.solve.report import _disagreements, _misfit, _site
from lateralline.solve.results import CONTRADICT, Fitted, _offset, _sound, _wrapped, fitted
from lateralline.solve.scale import (
    UNIT_RATIOS,
    _exposed_depths,
    _medians,
    _slips,
    receiver_scale,
)
from lateralline.solve.units import ReceiverScale, receiver_findings
from tests.solve.test_solve import NAN, one_end, settings, simulate
from tests.support.finding_names import called

ROUGH_M = 0.01  # of ground beside a mark; common practice, no source


def site(chi2: list[float], dof: list[int], torn: int = 0, weak: int = 0) -> Fitted:
    """Solved stops of these misfits, then stops torn and stops without redundancy."""
    n = len(chi2)
    fixes = SimpleNamespace(
        chi2=np.array([*chi2, *([1e4] * torn), *([0.0] * weak)]),
        dof=np.array([*dof, *([1] * torn), *([0] * weak)]),
        solved=np.ones(n + torn + weak, dtype=bool),
        reason=np.array([""] * n + [CONTRADICT] * torn + [""] * weak),
    )
    return cast(Fitted, SimpleNamespace(fixes=fixes))


@pytest.mark.parametrize(("share", "doubted"), [(0.99, False), (1.01, True)])
def test_accuracies_are_doubted_past_one_site_in_a_thousand(share: float, doubted: bool) -> None:
    """χ² of all stops together; those that contradict themselves or have no redundancy apart."""
    limit = float(stats.chi2.isf(1e-3, 10))
    assert limit == pytest.approx(29.588, abs=1e-3)
    found = list(_site(site([0.4 * share * limit, 0.6 * share * limit], [4, 6], torn=2, weak=3)))
    assert [called(f) for f in found] == (["misfit/stops"] if doubted else [])
    if doubted:
        assert found[0].values["chi2"] == pytest.approx(share * limit)
        assert found[0].values["dof"] == 10
        assert found[0].values["misfit_ratio"] == pytest.approx(np.sqrt(share * limit / 10))


def test_a_misfit_ratio_is_how_many_times_the_stated_accuracies_marks_scatter() -> None:
    assert _misfit(36.0, 4) == {"chi2": 36.0, "dof": 4, "misfit_ratio": 3.0}


@pytest.mark.parametrize(
    ("torn", "others", "named"), [(3, 3, True), (3, 4, False), (2, 0, False), (4, 4, True)]
)
def test_most_stops_contradicting_themselves_is_a_matter_of_the_site(
    torn: int, others: int, named: bool
) -> None:
    """Three at least, and half of all."""
    found = list(_site(site([1.0] * others, [1] * others, torn=torn)))
    assert [called(f) for f in found] == (["misfit/site"] if named else [])
    if named:
        assert (found[0].values["torn"], found[0].values["stops"]) == (torn, torn + others)


@pytest.mark.parametrize(
    ("w", "named"),
    [
        ([3.2, 1.0, 0.5], []),
        ([3.3, 1.0, 0.5], [0]),
        ([3.3, 5.0, 0.5], [1]),
        ([5.0, 4.96, 0.5], [0, 1]),  # as good as the same: nobody can be blamed
        ([5.0, 4.94, 0.5], [0]),
    ],
)
def test_the_mark_of_the_largest_w_is_named_and_any_as_large(
    w: list[float], named: list[int]
) -> None:
    marks = SimpleNamespace(
        run=np.array(["R1"] * 4), stop=np.array(["1", "1", "1", "2"]), file="marks.csv",
        row=np.arange(2, 6), mark=np.array(["A", "B", "C", "D"]), kind=np.array(["end_null"] * 4),
    )  # fmt: skip
    results = SimpleNamespace(
        used=np.array([True, True, True, False]),
        std_residual=np.array([*w, 9.0]),
        residual_m=np.array([0.1, 0.2, 0.3, 0.4]),
    )
    found = list(_disagreements(cast(Fitted, SimpleNamespace(marks=marks, results=results))))
    assert len(found) == (1 if named else 0)
    if named:
        (one,) = found
        assert one.values["marks"] == tuple(f"{'ABC'[i]} (end_null)" for i in named)
        worst = max(named, key=lambda i: w[i])
        assert one.where == f"marks.csv:{2 + worst}"
        assert one.values["off_m"] == pytest.approx([0.1, 0.2, 0.3][worst])
        assert one.values["limit"] == 3.2905
        assert one.variant == ("one-of" if len(named) > 1 else "one")


@pytest.mark.parametrize(("lengths", "near"), [(2.9, True), (3.1, False)])
def test_a_transmitter_within_three_of_its_lengths_is_near(lengths: float, near: bool) -> None:
    marks, stops, _ = simulate(1, ("end_null",), 1, quiet=True, tilt_deg=0.0, depth=(2.0, 2.0))
    found = solve(marks, stops, settings())
    depth = float(found.fixes.depth_m[0])
    rod = Run("R1", "L1", "CO1", 0.0, "with", 0.35, 0.03, rod_length_m=depth / lengths)
    solved = solve(marks, stops, replace(settings(), runs=(rod,)))
    # as a rod the stop comes out a little deeper than as a dipole
    ratio = float(solved.fixes.depth_m[0]) / (depth / lengths)
    named = [f for f in solved.findings if called(f) == "transmitter-long"]
    assert (ratio < 3.0) is near
    assert [f.values["depth_ratio"] for f in named] == ([pytest.approx(ratio)] if near else [])


@pytest.mark.parametrize(("depths", "named"), [(0.93, False), (1.07, True)])
def test_a_mid_null_beside_the_axis_by_its_depth_was_not_walked_along_it(
    depths: float, named: bool
) -> None:
    marks, stops, poses = simulate(
        3, ("end_null", "mid_null"), 5, quiet=True, tilt_deg=0.0, depth=(1.5, 1.5)
    )
    moved = np.flatnonzero((marks.stop == "1") & (marks.kind == "mid_null"))
    xyz = marks.xyz_m.copy()
    way = poses.along[1]
    xyz[moved, :2] += depths * 1.5 * np.array([way[1], -way[0]])
    found = solve(replace(marks, xyz_m=xyz), stops, settings()).findings
    beside = [f for f in found if called(f) == "mark-blunder/beside"]
    assert len(beside) == (1 if named else 0)
    if named:
        assert beside[0].subject == "stop R1/1"
        assert beside[0].values["away_m"] == pytest.approx(depths * 1.5, rel=0.03)
        assert beside[0].values["depth_ratio"] == pytest.approx(depths, rel=0.03)


# ---- receivers -----------------------------------------------------------------------------


def scale(value: float, sigma: float, used: int = 5) -> ReceiverScale:
    none = np.array([np.nan])
    return ReceiverScale(
        np.array(["RX"]), np.array([0]), np.array([value]), np.array([sigma]), 0.05,
        np.array([used]), none, none, none, none, none, np.array([False]),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("value", "variant", "severity", "percent"),
    [
        (1.077, "true", "info", 7.7),
        (1.078, "", "warning", 7.8),
        (0.923, "true", "info", -7.7),
        (0.922, "low", "warning", 7.8),
    ],
)
def test_a_receiver_reads_off_when_its_scale_is_unlikely_among_receivers_as_stated(
    value: float, variant: str, severity: str, percent: float
) -> None:
    """σ 0.04 of a prior 0.05 leaves 0.03 of scatter about 1; 2.576 of it is one in a hundred."""
    (found,) = receiver_findings(scale(value, 0.04))
    assert (found.variant, found.severity) == (variant, severity)
    assert found.values["off_percent"] == pytest.approx(percent)
    assert found.values["sigma_percent"] == pytest.approx(4.0)
    assert list(receiver_findings(scale(value, 0.04, used=1))) == []
    assert len(list(receiver_findings(scale(value, 0.04, used=2)))) == 1


def test_a_receiver_s_scale_is_doubted_at_its_level_and_a_fifth_off_is_seen() -> None:
    """200 receivers as stated, ten stops each: at most 2.5 % doubted; of those 20 % off, most."""
    s = simulate_stops(SCENARIOS[0], 2000, 7)
    true = receiver_scale(gather(s.marks, s.stops, s.settings), s.stops, s.settings, None)
    assert len(true.unlikely) == 200
    assert np.mean(true.unlikely) <= 0.025
    rng = np.random.default_rng(5)
    off = stop_rows(rng, s.poses, s.poses.travel_m, np.full(2000, 1.2), s.settings.accuracy)
    seen = receiver_scale(gather(s.marks, off, s.settings), off, s.settings, None)
    assert np.mean(seen.unlikely) > 0.9


@pytest.mark.parametrize("unit", UNIT_RATIOS)
def test_a_typical_ratio_within_twelve_percent_of_a_unit_s_is_its_slip(unit: float) -> None:
    got = _slips(unit * np.array([0.9, 1.1, 1.0, np.nan]))
    assert got[:3] == pytest.approx([unit] * 3)
    assert np.isnan(got[3])
    assert np.isnan(
        _slips(np.array([1.0, 0.87 * UNIT_RATIOS.min(), 1.13 * UNIT_RATIOS.max()]))
    ).all()


def test_two_readings_make_a_habit_and_one_does_not() -> None:
    ratio, group = np.array([3.0, 3.4, 9.0, 2.0]), np.array([0, 0, 0, 1])
    got = _medians(ratio, np.array([True, True, False, True]), group, 2)
    assert got[0] == pytest.approx(3.2)
    assert np.isnan(got[1])


def test_a_receiver_s_scale_is_the_weighted_mean_of_reading_over_depth() -> None:
    """Exact nulls, so that a ratio's σ is the reading's; the prior counts as one ratio more."""
    marks, stops, poses = simulate(
        20, ("end_null", "mid_null"), 6, quiet=True, tilt_deg=0.0, depth=(1.0, 2.0)
    )
    accurate = settings(tilt_prior_rad=1e-3, receiver_angle_rad=1e-3, mid_across_depths=0.01)
    marks = replace(marks, cov_m2=1e-4 * marks.cov_m2)
    stops = replace(stops, depth_reading_m=1.08 * poses.depth_m)
    gathered = gather(marks, stops, accurate)
    of = receiver_scale(gathered, stops, accurate, None)
    assert of.used.tolist() == [20]
    assert of.by_marks == pytest.approx(np.full(20, 1.08), rel=2e-3)
    one = 0.07**-2  # information of one ratio; nulls add a little to its variance
    assert of.sigma[0] == pytest.approx(1 / np.sqrt(20 * one + 0.05**-2), rel=0.05)
    assert of.value[0] == pytest.approx(1 + 0.08 * 20 * one / (20 * one + 0.05**-2), rel=2e-3)
    assert of.others_sigma == pytest.approx(np.full(20, 1 / np.sqrt(19 * one + 0.05**-2)), rel=0.05)
    # a stop's own reading is not among the others'
    read = stops.depth_reading_m.copy()
    read[0] *= 1.1
    again = receiver_scale(gather(marks, s := replace(stops, depth_reading_m=read), accurate), s,
                           accurate, None)  # fmt: skip
    assert again.others[0] == pytest.approx(of.others[0], rel=1e-6)
    assert (again.others[1:] > of.others[1:] + 1e-3).all()
    # one that was not read tells nothing
    unread = np.where(np.arange(20) == 3, NAN, stops.depth_reading_m)
    s = replace(stops, depth_reading_m=unread)
    bare = receiver_scale(gather(marks, s, accurate), s, accurate, None)
    assert bare.used.tolist() == [19]
    assert bare.value[0] == pytest.approx(float(of.others[3]), rel=1e-6)
    # and one metres off is no scale
    read[0] *= 2.0
    spoilt = receiver_scale(gather(marks, s := replace(stops, depth_reading_m=read), accurate), s,
                            accurate, None)  # fmt: skip
    assert spoilt.used.tolist() == [19]
    assert spoilt.value[0] == pytest.approx(float(of.others[0]), rel=1e-6)


# ---- geometry ------------------------------------------------------------------------------


def test_the_ground_over_a_stop_is_the_weighted_plane_through_its_marks() -> None:
    """Against the textbook's formula; the slope is observed about the site's, with its σ."""
    rng = np.random.default_rng(3)
    count, slope, sigma = np.array([3, 5]), np.array([0.04, -0.02]), 0.05
    xyz, var = rng.normal(size=(3, 8)), rng.uniform(1e-4, 4e-4, 8)
    centre, plane, cov = fit_planes(xyz, var, count, slope, sigma)
    for k, rows in enumerate((slice(0, 3), slice(3, 8))):
        assert centre[:, k] == pytest.approx(xyz[:2, rows].mean(axis=1))
        off = xyz[:2, rows] - centre[:, k : k + 1]
        a = np.concatenate([np.stack([np.ones(off.shape[1]), *off], axis=1), np.eye(3)[1:]])
        p = np.diag([*(1 / (var[rows] + ROUGH_M**2)), sigma**-2, sigma**-2])
        normal = a.T @ p @ a
        seen = np.array([*xyz[2, rows], *slope])
        assert plane[:, k] == pytest.approx(np.linalg.solve(normal, a.T @ p @ seen))
        assert cov[:, :, k] == pytest.approx(np.linalg.inv(normal))


def test_a_site_s_slope_is_that_of_its_levels_and_level_where_they_tell_nothing() -> None:
    rng = np.random.default_rng(4)
    xyz = rng.uniform(0, 40, (30, 3))
    xyz[:, 2] = 7.0 + 0.05 * xyz[:, 0] - 0.03 * xyz[:, 1]
    slope, cov = site_slope(xyz, np.full(30, 1e-4))
    assert slope == pytest.approx([0.05, -0.03], abs=1e-4)
    assert cov == pytest.approx(np.linalg.inv(_weighted_scatter(xyz)), rel=0.01)
    slope, cov = site_slope(xyz[:1], np.full(1, 1e-4))
    assert slope.tolist() == [0.0, 0.0]
    assert cov == pytest.approx(SITE_SLOPE_SIGMA**2 * np.eye(2))


def _weighted_scatter(xyz: np.ndarray) -> np.ndarray:
    flat = xyz[:, :2] - xyz[:, :2].mean(axis=0)
    return np.asarray(flat.T @ flat / (1e-4 + ROUGH_M**2))


def test_the_slope_across_a_line_may_be_as_steep_as_the_one_along_it() -> None:
    """Nothing tells it: it is level on average, and no surer than the slope that was seen."""
    along = np.linspace(0.0, 20.0, 9)[:, None] * np.array([[0.6, 0.8, 0.12]])
    slope, cov = site_slope(along, np.full(9, 1e-4))
    assert slope == pytest.approx([0.12 * 0.6, 0.12 * 0.8], rel=1e-3)
    assert np.array([0.8, -0.6]) @ cov @ np.array([0.8, -0.6]) == pytest.approx(0.12**2, rel=1e-3)
    # two levels 0.2 m apart, each known to 10 mm and a rough 10 mm
    near = np.array([[0.0, 0.0, 0.0], [0.2, 0.0, 0.002]])
    told = 2 * 0.1**2 / (1e-4 + ROUGH_M**2)
    slope, cov = site_slope(near, np.full(2, 1e-4))
    assert slope == pytest.approx([0.01 * told / (told + SITE_SLOPE_SIGMA**-2), 0.0])
    assert cov[0, 0] == pytest.approx(1.0 / (told + SITE_SLOPE_SIGMA**-2))


@pytest.mark.parametrize(
    ("heading", "tilt", "expected"),
    [
        (10.0, 20.0, (10.0, 20.0, False)),
        (-10.0, -20.0, (350.0, -20.0, False)),
        (10.0, 100.0, (190.0, 80.0, True)),
        (10.0, -100.0, (190.0, -80.0, True)),
        (200.0, 170.0, (20.0, 10.0, True)),
        (10.0, 370.0, (10.0, 10.0, False)),
    ],
)
def test_a_transmitter_tilted_over_the_top_looks_the_other_way(
    heading: float, tilt: float, expected: tuple[float, float, bool]
) -> None:
    got = _wrapped(np.radians([heading]), np.radians([tilt]))
    assert np.degrees([got[0][0], got[1][0]]) == pytest.approx(expected[:2])
    assert bool(got[2][0]) is expected[2]


def test_a_mark_is_off_by_the_shortest_move_that_satisfies_it() -> None:
    rng = np.random.default_rng(5)
    f, by_mark = rng.normal(size=(2, 6)), rng.normal(size=(2, 2, 6))
    mid = np.arange(6) >= 3
    got = _offset(f, by_mark, mid)
    for n in range(6):
        rows = 1 if mid[n] else 2
        move = np.linalg.lstsq(by_mark[:rows, :, n], -f[:rows, n], rcond=None)[0]
        assert got[n] == pytest.approx(np.linalg.norm(move))


@pytest.mark.parametrize(("lost", "taken"), [(0.99, True), (0.9995, False), (-0.5, True)])
def test_what_weights_left_out_is_taken_in_unless_all_of_a_variance_would_go(
    lost: float, taken: bool
) -> None:
    """Of a direction askew to the axes, 99.9 % at most."""
    turn = np.linalg.qr(np.random.default_rng(6).normal(size=(5, 5)))[0]
    cov = turn @ np.diag([1.0, 2.0, 3.0, 4.0, 5.0]) @ turn.T
    change = -lost * 3.0 * np.outer(turn[:, 2], turn[:, 2])
    got = with_left_out(cov[None], change[None])[0]
    assert got == pytest.approx(cov + change if taken else cov)
    assert with_left_out(np.full((1, 5, 5), NAN), change[None])[0] == pytest.approx(
        np.full((5, 5), NAN), nan_ok=True
    )


def test_a_transmitter_over_the_top_is_the_same_one_seen_from_its_other_end() -> None:
    """Heading + 180° and tilt 180° − θ are one attitude: the same fix, covariance and shares."""
    marks, stops, _ = simulate(4, ("end_null", "mid_null"), 7, tilt_deg=8.0)
    stops = replace(stops, tilt_rad=np.full(4, 0.1))  # measured, so sharp that nothing is averaged
    shared = np.random.default_rng(1).normal(size=(len(marks.row), 3, 2)) * 1e-3
    marks = replace(marks, shared_m=shared)
    gathered = gather(marks, stops, settings())
    scale = receiver_scale(gathered, stops, settings(), None)
    modes = find_modes(gathered.problem, stops, gathered.stop)
    plain = fitted(marks, stops, gathered, scale, modes).fixes
    p, cov = modes.chosen.p.copy(), modes.chosen.cov.copy()
    p[3], p[4] = p[3] + np.pi, np.pi - p[4]
    turn = np.diag([-1.0, -1.0, 1.0, 1.0, -1.0])  # along, across and tilt the other way
    other = replace(modes, chosen=replace(modes.chosen, p=p, cov=turn @ cov @ turn))
    flipped = fitted(marks, stops, gathered, scale, other).fixes
    assert np.cos(flipped.heading_rad - plain.heading_rad) == pytest.approx(np.ones(4))
    assert flipped.tilt_rad == pytest.approx(plain.tilt_rad)
    assert np.abs(plain.cov[:, 4, :4]).max() > 1e-5
    assert flipped.cov == pytest.approx(plain.cov, rel=1e-6, abs=1e-12)
    assert np.abs(plain.shared[:, 4]).max() > 1e-6
    assert flipped.shared == pytest.approx(plain.shared, rel=1e-6, abs=1e-12)


def test_a_fix_that_is_not_finite_or_has_less_than_no_variance_is_not_sound() -> None:
    p, cov = np.zeros((5, 7)), np.tile(np.eye(5), (7, 1, 1))
    depth, depth_var = np.ones(7), np.ones(7)
    p[2, 1] = np.nan
    cov[2, 0, 1] = np.inf
    depth[3] = np.nan
    depth_var[4] = np.inf
    cov[5, 2, 2] = 0.0
    cov[6, 0, 1] = cov[6, 1, 0] = 1.00001  # a correlation over one
    averaged = Averaged(p, cov, depth, depth_var)
    with np.errstate(invalid="ignore"):
        assert _sound(p, cov, averaged).tolist() == [True, *[False] * 6]
    cov[6, 0, 1] = cov[6, 1, 0] = 1.0 + 1e-8  # what rounding does
    assert _sound(p[:, [6]], cov[[6]], Averaged(p[:, [6]], cov[[6]], depth[[6]], depth_var[[6]]))[0]


@pytest.mark.parametrize(
    ("counter", "stop"),
    [(10.0, 1), (9.7, 0), (10.55, 1), (10.7, None), (8.9, 0), (8.7, None)],
)
def test_an_exposure_shows_the_depth_of_the_stop_whose_transmitter_was_nearest(
    counter: float, stop: int | None
) -> None:
    """Within 0.5 m along the pipe; the transmitter lags 0.35 m behind what a stop read."""
    rows = SimpleNamespace(run=np.array(["R1", "R1", "R2"]), counter_m=np.array([9.7, 10.5, 10.35]))
    shot = SimpleNamespace(
        placed=np.array([True, False]), counter_m=np.array([counter, counter]),
        run=np.array(["R1", "R1"]), measured_to=np.array(["invert", "invert"]),
        ground_m=np.array([100.0, 50.0]), xyz_m=np.array([[0.0, 0.0, 98.5]] * 2),
        cov_m2=np.array([np.diag([1.0, 1.0, 0.02**2])] * 2),
    )  # fmt: skip
    gathered = cast(Gathered, SimpleNamespace(stop=np.arange(3)))
    depth, sigma = _exposed_depths(
        gathered, cast(StopRows, rows), settings(), cast(Exposures, shot)
    )
    assert np.flatnonzero(np.isfinite(depth)).tolist() == ([] if stop is None else [stop])
    if stop is not None:
        assert depth[stop] == pytest.approx(1.5 - 0.03)  # the axis rides 30 mm over the invert
        gap = abs((9.7, 10.5)[stop] - 0.35 - counter)
        assert sigma[stop] == pytest.approx(np.hypot(0.02, 0.05 * max(gap, 0.05)))


def test_a_tilt_is_called_assumed_only_where_none_was_measured() -> None:
    marks, stops, _ = simulate(4, ("end_null", "mid_null"), 7)
    stops = replace(stops, tilt_rad=np.array([0.05, NAN, 0.05, NAN]))
    prior = solve(marks, stops, settings()).fixes.tilt_prior_rad
    assert np.isnan(prior).tolist() == [True, False, True, False]
    assert prior[1] == pytest.approx(settings().accuracy.tilt_prior_rad)


def test_a_lone_end_null_has_two_candidates_on_its_two_sides() -> None:
    """√2 of the depth apart, along the way of travel, and neither chosen."""
    marks, stops, poses = simulate(
        1, ("end_null",), 3, quiet=True, tilt_deg=0.0, depth=(1.5, 1.5), drop=one_end
    )
    found = solve(marks, stops, settings())
    assert found.fixes.status.tolist() == ["two_positions"]
    (two,) = [f for f in found.findings if called(f) == "stop-two-positions"]
    assert two.values["apart_m"] == pytest.approx(np.sqrt(2.0) * poses.depth_m[0], rel=1e-3)


def test_averaging_over_a_tilt_known_well_leaves_the_best_fit_as_it_is() -> None:
    """σ 2°: little bends within that; the mixture's mean and covariance are the fit's own."""
    marks, stops, _ = simulate(6, ("end_null", "mid_null"), 7, tilt_deg=1.0)
    problem = gather(marks, stops, settings(tilt_prior_rad=np.radians(2.0))).problem
    fits = solve_level(problem)
    assert (fits.cov[:, 4, 4] > SHARP_TILT_RAD**2).all()
    plain, averaged = _at(problem, fits), average(problem, fits)
    sigma = np.sqrt(np.einsum("kii->ki", plain.cov))
    assert np.abs(averaged.p - plain.p).T / sigma == pytest.approx(np.zeros((6, 5)), abs=0.1)
    assert averaged.cov[:, 4, 4] == pytest.approx(plain.cov[:, 4, 4], rel=0.03)
    assert np.sqrt(np.einsum("kii->ki", averaged.cov)) == pytest.approx(sigma, rel=0.03)
    assert averaged.depth_var_m2 == pytest.approx(plain.depth_var_m2, rel=0.06)


@pytest.mark.parametrize(("sigma", "used"), [(0.29, 6), (0.31, 0)])
def test_a_depth_known_no_better_than_three_tenths_of_itself_gives_no_scale(
    monkeypatch: pytest.MonkeyPatch, sigma: float, used: int
) -> None:
    marks, stops, _ = simulate(6, ("end_null", "mid_null"), 7)
    stops = replace(stops, depth_reading_m=np.full(6, 2.1))
    yes = np.ones(6, dtype=bool)
    by_nulls = np.full(6, 2.0), np.full(6, 2.0 * sigma), yes, yes
    monkeypatch.setattr(scale_module, "_depth_without_reading", lambda problem: by_nulls)
    found = receiver_scale(gather(marks, stops, settings()), stops, settings(), None)
    assert found.used.tolist() == [used]
    assert found.by_marks == pytest.approx(np.full(6, 1.05))
    assert found.typical[0] == pytest.approx(1.05 if used else NAN, nan_ok=True)


@pytest.mark.parametrize(("share", "used"), [(0.99, 6), (1.01, 0)])
def test_no_number_of_exposures_averages_the_height_of_the_aerial_away(
    monkeypatch: pytest.MonkeyPatch, share: float, used: int
) -> None:
    """Six depths shown below a seen pipe, as good together as three tenths of one of them."""
    marks, stops, _ = simulate(6, ("end_null", "mid_null"), 7)
    gathered = gather(marks, stops, replace(settings(), aerial_height_sigma_m=0.1))
    limit = share * 0.3 * (2.0 + gathered.problem.stops.aerial_m)
    own = np.sqrt(limit**2 - 6 * 0.1**2)
    nothing = np.full(6, NAN), np.full(6, np.inf), np.zeros(6, dtype=bool), np.zeros(6, dtype=bool)
    monkeypatch.setattr(scale_module, "_depth_without_reading", lambda problem: nothing)
    monkeypatch.setattr(scale_module, "_exposed_depths", lambda *given: (np.full(6, 2.0), own))
    found = receiver_scale(gathered, stops, settings(), None)
    assert found.used.tolist() == [used]
