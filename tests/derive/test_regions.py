"""Corridor, reach and dig zones: areas and widths against closed forms, and what holds what."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan, pi, sqrt

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from lateralline.derive.axis import Axis
from lateralline.derive.corridor import corridor, envelope, reach_with_ends_m, sweep
from lateralline.derive.dig import (
    UNKNOWN_DIAMETER_M,
    Tolerance,
    around,
    dig_zones,
    drawn_diameter_m,
    zone_width_m,
)
from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95, ellipses_95
from lateralline.derive.path import bow_sigmas
from lateralline.derive.tables import layer
from lateralline.kernels import curves
from lateralline.records import Floats, Line, Stretch
from lateralline.settings import Pipe
from tests.support.finding_names import called

PVC_4_IN = Pipe("L1", "PVC", "4 in SCH40", "sanitary", 0.102, 0.006, "")


def axis_through(
    xyz_m: list[list[float]],
    cov_m2: Floats,
    *,
    slack_m: float = inf,
    shape: str = "straight",
    shared: bool = True,
    slope_rad: float = 0.0,
    pipe: Pipe = PVC_4_IN,
) -> Axis:
    """An axis of one stretch over all vertices, every vertex with the same covariance.

    `shared` makes all errors one and the same; `slack_m` is reach less path.
    """
    xyz = np.array(xyz_m, dtype=np.float64)
    m = len(xyz)
    at = curves.chainage(xyz)
    covs = np.broadcast_to(cov_m2, (m, 3, 3)).copy()
    chord = float(np.linalg.norm(xyz[-1] - xyz[0]))
    reach = nan if slack_m == inf else float(at[-1]) + slack_m
    line = Line(
        line="L1",
        kind=np.array(["fix", *["bend"] * (m - 2), "fix"]),
        ref=np.array(["R1/1", *[""] * (m - 2), "R1/2"]),
        fix=np.array([0, *[-1] * (m - 2), 1]),
        run=np.array(["R1", *[""] * (m - 2), "R1"]),
        counter_m=np.array([0.0, *[nan] * (m - 2), float(at[-1])]),
        xyz_m=xyz,
        cov_m2=covs,
        cross_m2=covs[:-1] if shared else np.zeros((m - 1, 3, 3)),
        stretches=(Stretch(0, m - 1, shape, float(at[-1]), chord, reach, ()),),
        shift_m=np.zeros(m),
        chi2=0.0,
        dof=0,
    )
    ground = np.full(m, 102.0)
    zero = np.zeros(m)
    return Axis(line, pipe, at, zero + 0.03, ground, zero + 0.02, np.full((m, 2), slope_rad))


def isotropic(sigma_m: float) -> Floats:
    return np.eye(3) * sigma_m**2


# ---- ellipses -----------------------------------------------------------------------------


def test_the_factors_are_the_published_ones() -> None:
    # 95 % ellipse factor 2.4477: computed, √(−2 ln 0.05); 1.9600 of any table of the normal.
    assert pytest.approx(sqrt(-2 * np.log(0.05)), abs=1e-12) == ELLIPSE_95
    assert round(ELLIPSE_95, 4) == 2.4477
    assert round(INTERVAL_95, 4) == 1.9600


@given(a=st.floats(0.01, 1), b=st.floats(0.01, 1), azimuth=st.floats(0.0, 179.0))
def test_an_ellipse_is_found_again_from_its_axes(a: float, b: float, azimuth: float) -> None:
    major, minor = max(a, b) * 1.01, min(a, b)
    u = np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
    v = np.array([u[1], -u[0]])
    cov = (np.outer(u, u) * major**2 + np.outer(v, v) * minor**2) / ELLIPSE_95**2
    found = ellipses_95(cov[None])
    assert found.semi_major_m[0] == pytest.approx(major, rel=1e-9)
    assert found.semi_minor_m[0] == pytest.approx(minor, rel=1e-6)
    turn = (found.azimuth_deg[0] - azimuth + 90.0) % 180.0 - 90.0
    assert turn == pytest.approx(0.0, abs=1e-4)


# ---- how far a pipe may bow ----------------------------------------------------------------


def test_the_bow_is_that_of_a_cubic_with_those_end_slopes() -> None:
    """scipy's Hermite spline is the outside reference: σ² is the sum over both unit slopes."""
    length, s1, s2 = 3.0, 0.05, 0.02
    w = np.linspace(0, 1, 11)
    first = CubicHermiteSpline([0, length], [0, 0], [s1, 0])(w * length)
    second = CubicHermiteSpline([0, length], [0, 0], [0, s2])(w * length)
    slopes = np.array([[s1, s1], [s2, s2]])
    found = bow_sigmas(slopes, np.full(11, length), np.zeros(11, np.int64), w)
    assert found[:, 0] == pytest.approx(np.hypot(first, second), abs=1e-12)


def test_beyond_an_end_the_bow_grows_with_the_distance() -> None:
    slopes = np.array([[0.05, 0.05], [0.02, 0.02]])
    w = np.array([-0.5, 1.0, 1.5])
    found = bow_sigmas(slopes, np.full(3, 4.0), np.zeros(3, np.int64), w)
    assert found[:, 0] == pytest.approx([2 * 0.05, 0.0, 2 * 0.02])


# ---- corridor -----------------------------------------------------------------------------


def test_constant_isotropic_error_sweeps_a_capsule() -> None:
    length, radius = 10.0, ELLIPSE_95 * 0.1
    axis = axis_through([[0, 0, 100], [6, 8, 100]], isotropic(0.1))
    exact = pi * radius**2 + 2 * radius * length
    found = corridor(axis)
    assert exact <= found.polygon.area <= 1.003 * exact
    assert found.polygon.covers(shapely.LineString([(0, 0), (6, 8)]).buffer(radius, quad_segs=64))
    assert found.ellipse_major_95_max_m == pytest.approx(radius)


@settings(max_examples=30, deadline=None)
@given(
    a=st.floats(0.02, 0.5),
    b=st.floats(0.02, 0.5),
    turn=st.floats(0, pi),
    heading=st.floats(0, 2 * pi),
)
def test_any_constant_ellipse_sweeps_its_area_and_its_width(
    a: float, b: float, turn: float, heading: float
) -> None:
    """Minkowski sum of a segment and an ellipse: π a b + 2 L h, h half the width across."""
    c, s = np.cos(turn), np.sin(turn)
    cov = np.array([[c, -s], [s, c]]) @ np.diag([a**2, b**2]) @ np.array([[c, s], [-s, c]])
    step = 5.0 * np.array([np.sin(heading), np.cos(heading)])
    across = np.array([step[1], -step[0]]) / 5.0
    exact = ELLIPSE_95**2 * pi * a * b + 2 * 5.0 * ELLIPSE_95 * sqrt(across @ cov @ across)
    plan = np.linspace(0, 1, 9)[:, None] * step
    found = sweep(plan, np.broadcast_to(cov, (9, 2, 2)))
    assert exact * (1 - 1e-9) <= found.area <= 1.005 * exact


def test_errors_that_are_not_shared_leave_the_middle_narrower() -> None:
    """Mean of two independent ends: σ/√2, as interpolation says."""
    axis = axis_through([[0, 0, 100], [8, 0, 100]], isotropic(0.1), shared=False)
    across = shapely.LineString([(4, -5), (4, 5)])
    width = corridor(axis).polygon.intersection(across).length
    assert width == pytest.approx(2 * ELLIPSE_95 * 0.1 / sqrt(2), rel=0.01)


def test_each_true_point_is_in_the_corridor_at_least_95_times_in_100() -> None:
    rng = np.random.default_rng(7)
    cov = np.diag([0.04, 0.01, 0.0025])
    axis = axis_through([[0, 0, 100], [2, 2, 100], [2, 5, 100]], cov, shared=False, slope_rad=0.05)
    region = corridor(axis).polygon
    shapely.prepare(region)
    for chainage in (0.0, 1.4, 2.83, 4.5):
        point = axis.at(np.array([chainage]))
        truth = rng.multivariate_normal(point.xyz_m[0, :2], point.cov_m2[0, :2, :2], 4000)
        assert shapely.contains_xy(region, truth[:, 0], truth[:, 1]).mean() > 0.94


@settings(max_examples=30, deadline=None)
@given(
    corner=st.tuples(st.floats(-3, 3), st.floats(0.5, 3)),
    sigma=st.floats(0.005, 0.4),
    slack=st.floats(0.0, 0.5),
    slope=st.floats(0.0, 0.2),
)
def test_a_corridor_holds_its_path_and_keeps_within_reach(
    corner: tuple[float, float], sigma: float, slack: float, slope: float
) -> None:
    xyz = [[0.0, 0.0, 100.0], [*corner, 100.02], [1.0, 4.0, 100.1]]
    axis = axis_through(xyz, isotropic(sigma), slack_m=slack, slope_rad=slope)
    found = corridor(axis)
    path = shapely.LineString(np.array(xyz)[:, :2])
    assert found.polygon.covers(path)
    bound = envelope(axis, axis.line.stretches[0])
    assert bound is not None
    assert shapely.union(bound, path.buffer(0.002)).buffer(1e-6).covers(found.polygon)
    assert found.reach_cut_m2 >= 0.0


def test_reach_cuts_what_only_the_bow_allowed() -> None:
    """Poor headings let a straight of 6 m bow by a metre; 1 cm of slack does not."""
    wide = axis_through([[0, 0, 100], [6, 0, 100]], isotropic(0.01), slope_rad=0.5)
    tight = axis_through([[0, 0, 100], [6, 0, 100]], isotropic(0.01), slope_rad=0.5, slack_m=0.01)
    assert corridor(wide).unbounded_segments == 1
    cut = corridor(tight)
    across = shapely.LineString([(3, -9), (3, 9)])
    major = 6.01 + 2 * ELLIPSE_95 * 0.01
    assert cut.polygon.intersection(across).length == pytest.approx(
        sqrt(major**2 - 6.0**2), rel=0.01
    )
    assert cut.reach_cut_m2 > 1.0
    assert cut.unbounded_segments == 0


def test_the_envelope_does_not_deny_the_ends_their_own_uncertainty() -> None:
    axis = axis_through([[0, 0, 100], [6, 0, 100]], isotropic(0.1), slack_m=0.0)
    stretch = axis.line.stretches[0]
    assert reach_with_ends_m(axis, stretch) == pytest.approx(6 + 2 * ELLIPSE_95 * 0.1)
    end = shapely.Point(0, 0).buffer(ELLIPSE_95 * 0.1 * 0.98)
    assert corridor(axis).polygon.intersection(end).area > 0.95 * end.area


def test_an_undecided_stretch_is_given_all_the_counter_can_reach() -> None:
    axis = axis_through([[0, 0, 100], [4, 0, 100]], isotropic(0.02), slack_m=0.5, shape="undecided")
    bound = envelope(axis, axis.line.stretches[0])
    found = corridor(axis)
    assert bound is not None
    assert found.undecided_segments == 1
    assert found.polygon.buffer(1e-9).covers(bound)
    across = shapely.LineString([(2, -5), (2, 5)])
    major = 4.5 + 2 * ELLIPSE_95 * 0.02
    minor = sqrt(major**2 - 4.0**2)
    assert found.polygon.intersection(across).length == pytest.approx(minor, rel=0.003)
    off = found.off_95_m(axis.line.stretches[0], 0, axis.sampled[0])
    assert off == pytest.approx(minor / 2, rel=0.01)


def test_where_nothing_bounds_an_undecided_stretch_its_accuracy_is_unknown() -> None:
    axis = axis_through([[0, 0, 100], [4, 0, 100]], isotropic(0.02), shape="undecided")
    found = corridor(axis)
    assert np.isnan(found.off_95_m(axis.line.stretches[0], 0, axis.sampled[0])).all()


def test_a_bend_barely_fixed_along_the_pipe_is_off_no_further_than_reach_lets_it() -> None:
    """A bend's ellipse may be metres long; the counter has decimetres to give."""
    cov = np.diag([0.0004, 1.0, 0.0004])
    axis = axis_through([[0, 0, 100], [0, 2, 100], [0.5, 4, 100]], cov, slack_m=0.1, shape="bend")
    end = isotropic(0.03)
    covs = np.stack([end, cov, end])
    line = replace(axis.line, cov_m2=covs, cross_m2=np.zeros((2, 3, 3)))
    found = corridor(replace(axis, line=line))
    assert found.ellipse_major_95_max_m == pytest.approx(ELLIPSE_95)
    assert found.off_m[0] < 1.0


def test_a_counter_shorter_than_its_chord_cuts_nothing() -> None:
    axis = axis_through([[0, 0, 100], [4, 0, 100]], isotropic(0.05), slack_m=-0.5)
    found = corridor(axis)
    assert found.unbounded_segments == 1
    assert found.reach_cut_m2 == 0.0


# ---- dig zones ----------------------------------------------------------------------------

RULE = Tolerance("cga", "t", "s", False, 0.4572)


def test_zones_lie_in_each_other_and_say_their_width() -> None:
    axis = axis_through([[0, 0, 100], [3, 1, 100], [5, 5, 100]], isotropic(0.1))
    region = corridor(axis).polygon
    rows, findings = dig_zones(axis, region, RULE)
    common = {"site_id": "S", "crs_shift_95_m": 0.0, "record_version": 2, "valid_from": None}
    made = layer("tolerance_zone", rows, common)
    assert made.geometry is not None
    bare, whole = made.geometry
    assert made.columns["zone"] == ["as_located", "with_corridor"]
    assert whole.covers(bare)
    assert whole.covers(region)
    assert rows[0]["width_m"] == pytest.approx(0.114 + 2 * 0.4572)
    # ground 102, transmitter 100, ride 0.03, 0.102 + 0.006 of pipe above the invert
    assert rows[0]["cover_min_m"] == pytest.approx(102 - (100 - 0.03) - 0.108)
    assert not findings
    assert all("No clearance to dig" in str(caution) for caution in made.columns["caution"])


@given(radius=st.floats(0.01, 5.0))
def test_round_corners_are_drawn_outside(radius: float) -> None:
    found = around(shapely.Point(0, 0), radius)
    assert found.exterior.distance(shapely.Point(0, 0)) >= radius * (1 - 1e-12)
    assert found.area <= 1.01 * pi * radius**2


def test_a_pipe_of_unknown_size_is_drawn_wide_and_said() -> None:
    unknown = Pipe("L1", "", "", "unknown", nan, nan, "")
    axis = axis_through([[0, 0, 100], [5, 0, 100]], isotropic(0.1), pipe=unknown)
    rows, findings = dig_zones(axis, corridor(axis).polygon, RULE)
    assert [called(f) for f in findings] == ["pipe-size-unsure/assumed"]
    assert rows[0]["diameter_assumed"] is True
    assert rows[0]["width_m"] == pytest.approx(zone_width_m(UNKNOWN_DIAMETER_M, 0.4572))
    assert rows[0]["cover_min_m"] != rows[0]["cover_min_m"]  # NaN


def test_sizes_known_by_halves_are_used_as_far_as_they_go() -> None:
    barrel = replace(PVC_4_IN, inside_diameter_m=nan, wall_m=nan, outside_diameter_m=0.1113)
    assert drawn_diameter_m(barrel) == (0.1113, False)
    bore = replace(PVC_4_IN, inside_diameter_m=0.300, wall_m=nan)
    diameter, assumed = drawn_diameter_m(bore)
    assert assumed
    assert diameter > 0.300
