"""How high and how low the pipe may be; grades, falls and sags; each against draws or geometry."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import inf, isnan, nan
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
import shapely

from lateralline.derive.adapted import without_levels
from lateralline.derive.axis import Axis, joint_cov
from lateralline.derive.corridor import corridor
from lateralline.derive.dates import SurveyDays
from lateralline.derive.ellipses import ELLIPSOID_95, INTERVAL_95
from lateralline.derive.falls import ALPHA, LowPoint, VertexLevels, falls, low_points
from lateralline.derive.grades import (
    Slope,
    grade_between,
    grade_columns,
    grade_findings,
)
from lateralline.derive.ids import LineIds
from lateralline.derive.level_band import SPACING_M, cover_findings, level_band, level_bands
from lateralline.derive.lines import centreline
from lateralline.derive.tables import layer
from lateralline.kernels import curves
from lateralline.published import grades
from lateralline.records import Floats, Line, Product, Stretch
from lateralline.settings import Pipe
from tests.support.finding_names import called

PIPE = Pipe("L1", "PVC", "4 in SCH40", "sanitary", 0.102, 0.006, "")
GROUND_M = 102.0
SEGMENTS = [f"L1/segment-{i}" for i in range(1, 9)]


def axis_with(
    level_m: list[float],
    joint: Floats | float = 0.01,
    *,
    shape: str = "straight",
    slack_m: float = 0.15,
    slope_rad: float = 0.0,
    leg_m: float = 2.0,
    pipe: Pipe = PIPE,
) -> Axis:
    """An axis north, a fix every `leg_m`, transmitter at those levels; `joint` (3m, 3m) or σ."""
    m = len(level_m)
    xyz = np.column_stack([np.zeros(m), leg_m * np.arange(m), level_m])
    full = np.eye(3 * m) * joint**2 if isinstance(joint, float) else joint
    blocks = full.reshape(m, 3, m, 3).transpose(0, 2, 1, 3)
    i = np.arange(m)
    chord = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    reach = chord + slack_m if slack_m < inf else np.full(m - 1, nan)
    line = Line(
        line="L1",
        kind=np.array(["fix"] * m),
        ref=np.array([f"R1/{v}" for v in range(m)]),
        fix=i,
        run=np.array(["R1"] * m),
        counter_m=curves.chainage(xyz),
        xyz_m=xyz,
        cov_m2=blocks[i, i],
        cross_m2=blocks[i[:-1], i[1:]],
        stretches=tuple(
            Stretch(v, v + 1, shape, float(chord[v]), float(chord[v]), float(reach[v]), ())
            for v in range(m - 1)
        ),
        shift_m=np.zeros(m),
        chi2=0.0,
        dof=0,
        joint_cov_m2=full,
    )
    zero = np.zeros(m)
    slopes = np.full((m, 2), slope_rad)
    at = curves.chainage(xyz)
    return Axis(line, pipe, at, zero + 0.03, zero + GROUND_M, zero + 0.02, slopes)


def shared_cov(m: int, own_m: float, common_m: float) -> Floats:
    """Errors of σ `own_m` at each vertex and one of σ `common_m` that all share, every axis."""
    return np.asarray(np.kron(np.eye(m) * own_m**2 + common_m**2, np.eye(3)))


def falls_of(axis: Axis) -> list[str]:
    """What is said of each segment's fall."""
    return [str(fall) for fall in falls(axis, VertexLevels.of(axis))]


def low_points_of(axis: Axis) -> tuple[LowPoint, ...]:
    """The low points of a line that its levels show."""
    return low_points(VertexLevels.of(axis))


def band_of(axis: Axis) -> Product:
    """The layer `level_band` of one line."""
    return layer(
        "level_band",
        level_bands([axis], {axis.line.line: SEGMENTS}),
        {"site_id": "S", "level_datum": "site zero"},
    )


# ---- the band -----------------------------------------------------------------------------


@pytest.mark.parametrize("rise_m", [0.04, 2.0], ids=["gentle", "at 45°"])
def test_where_the_shape_is_decided_the_band_is_the_interval_of_the_path(rise_m: float) -> None:
    """What lies beside counts at bends alone: the path's own σ has the error along a grade."""
    axis = axis_with([100.0, 100.0 + rise_m], 0.02, slope_rad=0.05, slack_m=inf)
    points = axis.sampled[0]
    band = level_band(axis, axis.line.stretches[0], points)
    half = INTERVAL_95 * points.invert_sigma_m
    assert band.upper_m - points.xyz_m[:, 2] == pytest.approx(half)
    assert points.xyz_m[:, 2] - band.lower_m == pytest.approx(half)
    assert band.bounded_by.tolist() == ["located", *["path"] * (len(half) - 2), "located"]


def test_each_station_s_band_holds_the_true_level_95_times_in_100() -> None:
    """Draws of both ends together and of the slopes there; the cubic of `path` between."""
    rng = np.random.default_rng(4)
    joint, slope, n = shared_cov(2, 0.03, 0.02), 0.04, 20_000
    axis = axis_with([100.0, 100.04], joint, slope_rad=slope, slack_m=inf)
    ends = rng.multivariate_normal(axis.line.xyz_m.ravel(), joint, n).reshape(n, 2, 3)[..., 2]
    slopes = rng.normal(0.0, slope, (n, 2))
    length = axis.length_m
    for w in (0.0, 0.3, 0.5, 0.9):
        point = axis.at(np.array([w * length]))
        band = level_band(axis, axis.line.stretches[0], point)
        bow = length * (slopes[:, 0] * w * (1 - w) ** 2 - slopes[:, 1] * w**2 * (1 - w))
        true = (1 - w) * ends[:, 0] + w * ends[:, 1] + bow
        held = ((true >= band.lower_m[0]) & (true <= band.upper_m[0])).mean()
        assert held == pytest.approx(0.95, abs=0.006)


def test_an_undecided_stretch_has_all_the_counter_allows_and_its_ends_their_own() -> None:
    axis = axis_with([100.0, 100.0], 0.01, shape="undecided", slack_m=0.3)
    points = axis.sampled[0]
    band = level_band(axis, axis.line.stretches[0], points)
    major = 2.3 + 2 * ELLIPSOID_95 * 0.01
    middle = int(np.argmin(np.abs(points.chainage_m - 1.0)))
    assert band.upper_m[middle] - 100.0 == pytest.approx(np.sqrt(major**2 - 4.0) / 2, rel=1e-6)
    half = (band.upper_m - band.lower_m)[[0, -1]] / 2
    assert half == pytest.approx(INTERVAL_95 * 0.01)
    assert set(band.bounded_by[1:-1]) == {"reach"}


def test_true_pipes_of_the_counted_length_stay_in_an_undecided_band() -> None:
    """Corners as far out as the count lets two straights be, in space, between drawn true ends."""
    rng = np.random.default_rng(9)
    axis = axis_with([100.0, 100.3], 0.03, shape="undecided", slack_m=0.2)
    a = axis.line.stretches[0].reach_m / 2
    held = []
    for _ in range(400):
        first, last = axis.line.xyz_m + rng.normal(0.0, 0.03, (2, 3))
        chord = last - first
        frame = np.linalg.qr(np.column_stack([chord, rng.normal(size=(3, 2))]))[0]
        b = np.sqrt(a**2 - chord @ chord / 4)
        turn = rng.uniform(0.3, np.pi - 0.3)
        corner = (first + last) / 2 + frame @ [a * np.cos(turn), b * np.sin(turn), 0.0]
        assert np.linalg.norm(corner - first) + np.linalg.norm(last - corner) == pytest.approx(
            2 * a
        )
        if 0.0 < corner[1] < 2.0:
            there = axis.at(np.array([corner[1] / 2.0 * axis.length_m]))
            band = level_band(axis, axis.line.stretches[0], there)
            held.append(band.lower_m[0] <= corner[2] <= band.upper_m[0])
    assert len(held) > 300
    assert np.mean(held) >= 0.95


def test_reach_cuts_a_band_that_poor_tilts_made_wide() -> None:
    wide = axis_with([100.0, 100.0], 0.01, slope_rad=0.5, slack_m=inf)
    tight = axis_with([100.0, 100.0], 0.01, slope_rad=0.5, slack_m=0.001)
    middle = np.array([1.0])
    free = level_band(wide, wide.line.stretches[0], wide.at(middle))
    cut = level_band(tight, tight.line.stretches[0], tight.at(middle))
    assert free.bounded_by.tolist() == ["path"]
    assert cut.bounded_by.tolist() == ["path_and_reach"]
    major = 2.001 + 2 * ELLIPSOID_95 * 0.01
    widths = [float((band.upper_m - band.lower_m)[0]) for band in (cut, free)]
    assert widths[0] == pytest.approx(np.sqrt(major**2 - 4.0), rel=1e-6)
    assert widths[0] < 0.7 * widths[1]


def test_a_counter_shorter_than_the_path_cuts_nothing() -> None:
    axis = axis_with([100.0, 100.0], 0.01, slope_rad=0.2, slack_m=-0.5)
    band = level_band(axis, axis.line.stretches[0], axis.at(np.array([1.0])))
    assert band.bounded_by.tolist() == ["path"]


def test_where_nothing_bounds_a_level_the_layer_says_nothing() -> None:
    axis = axis_with([100.0, 100.0], 0.01, shape="undecided", slack_m=inf)
    columns = band_of(axis).columns
    assert list(columns["bounded_by"]) == ["located", "nothing", "nothing", "nothing", "located"]
    inner = [
        columns[name][2]
        for name in ("invert_lower_95_m", "outside_top_upper_95_m", "cover_sigma_m")
    ]
    assert np.isnan(np.array(inner, float)).all()


def test_stations_are_at_every_vertex_and_no_further_apart_than_half_a_metre() -> None:
    axis = axis_with([100.0, 100.02, 100.04], leg_m=1.7)
    band = band_of(axis)
    chainage = np.array(band.columns["chainage_m"], float)
    assert np.diff(chainage).max() <= SPACING_M
    assert np.isin(axis.chainage_m.round(9), chainage.round(9)).all()
    assert len(set(chainage.round(9))) == len(chainage)
    names = [name for name in band.columns["at_ref"] if name]
    assert names == ["R1/0", "R1/1", "R1/2"]
    assert band.geometry is not None
    z = shapely.get_coordinates(band.geometry, include_z=True)[:, 2]
    assert z == pytest.approx(np.array(band.columns["invert_level_m"], float))


def test_a_leg_has_as_many_stations_as_its_length_asks_for() -> None:
    """1.7 m at 0.5 m: four steps. The third leg, farther along the line, has no more."""
    axis = axis_with([100.0, 100.0, 100.0, 100.0], leg_m=1.7)
    assert [len(axis.spaced(s, SPACING_M)) for s in axis.line.stretches] == [5, 5, 5]
    assert [len(axis.spaced(s, SPACING_M, least=8)) for s in axis.line.stretches] == [9, 9, 9]
    assert axis.spaced(axis.line.stretches[2], SPACING_M) == pytest.approx(
        [3.4, 3.825, 4.25, 4.675, 5.1]
    )
    assert len(band_of(axis).columns["chainage_m"]) == 13  # inner vertices once


def test_beside_a_bend_the_band_takes_in_what_lies_over_the_place() -> None:
    """On an even grade g it is 1.96 √(σ_u² + g² σ_along²), in the middle of a leg of two."""
    axis = axis_with([100.0, 100.0, 101.0], 0.05, slack_m=inf, leg_m=2.0)
    bent = Stretch(0, 2, "bend", nan, 4.0, nan, (0.5,))
    axis = replace(axis, line=replace(axis.line, stretches=(bent,)))
    point = axis.at(axis.chainage_m[1:2] + axis.arcs.length_m[1] / 2)
    band = level_band(axis, bent, point)
    assert band.bounded_by.tolist() == ["path"]
    sigma = point.invert_sigma_m[0]
    half = INTERVAL_95 * np.hypot(sigma, 0.5 * sigma)
    assert band.upper_m[0] - point.xyz_m[0, 2] == pytest.approx(half, rel=0.03)
    assert point.xyz_m[0, 2] - band.lower_m[0] == pytest.approx(half, rel=0.03)


def test_a_pipe_above_the_ground_is_an_error_with_its_place_and_error() -> None:
    """Ground 102; transmitter 101.96 at the second stop, so 0.038 m of the pipe is above."""
    (found,) = cover_findings(axis_with([100.0, 101.96, 100.0], 0.05, slack_m=inf))
    assert (called(found), found.severity, found.subject) == ("cover-negative", "error", "line L1")
    given = found.values
    assert given["at_m"] == pytest.approx(np.hypot(2.0, 1.96))
    assert given["cover_m"] == pytest.approx(102 - (101.96 - 0.03) - 0.108)
    assert given["sigma_m"] == pytest.approx(np.hypot(0.05, 0.02))
    assert f"± {1.96 * np.hypot(0.05, 0.02):.2f}\xa0m" in found.message  # ± is 95 %
    assert not cover_findings(axis_with([100.0, 101.8, 100.0], 0.05))


def test_the_layer_s_levels_and_cover_by_hand() -> None:
    """Invert 100 − 0.03, crown + 0.102, outside top + 0.006 more; ground 102 ± 0.02."""
    band = band_of(axis_with([100.0, 100.0], 0.05)).columns
    first = {name: values[0] for name, values in band.items()}
    assert first["invert_level_m"] == pytest.approx(99.97)
    assert first["inside_top_level_m"] == pytest.approx(100.072)
    assert first["outside_top_level_m"] == pytest.approx(100.078)
    assert first["outside_top_upper_95_m"] == pytest.approx(100.078 + 1.96 * 0.05, abs=1e-5)
    assert first["cover_m"] == pytest.approx(1.922)
    assert first["cover_sigma_m"] == pytest.approx(np.hypot(0.05, 0.02))
    assert first["cover_lower_95_m"] == pytest.approx(1.922 - 1.96 * np.hypot(0.05, 0.02), abs=1e-5)


def test_on_an_undecided_stretch_reach_and_ground_add_up() -> None:
    axis = axis_with([100.0, 100.0], 0.01, shape="undecided", slack_m=0.3)
    band = band_of(axis).columns
    top, upper, cover, least = (
        np.array(band[name], float)[2]
        for name in ("outside_top_level_m", "outside_top_upper_95_m", "cover_m", "cover_lower_95_m")
    )
    assert least == pytest.approx(cover - (upper - top) - INTERVAL_95 * 0.02)


def test_a_pipe_of_unknown_size_has_no_top() -> None:
    bare = Pipe("L1", "", "", "unknown", nan, nan, "")
    band = band_of(axis_with([100.0, 100.0], pipe=bare)).columns
    assert np.isnan(np.array(band["outside_top_upper_95_m"], float)).all()
    assert np.isnan(np.array(band["cover_lower_95_m"], float)).all()
    assert np.isfinite(np.array(band["invert_upper_95_m"], float)).all()


def test_a_record_without_levels_has_no_band_but_a_cover() -> None:
    (band,) = without_levels([band_of(axis_with([100.0, 100.0]))])
    ends = ("_level_m", "lower_95_m", "upper_95_m")
    levels = [n for n in band.columns if n.endswith(ends) and not n.startswith("cover")]
    assert len(levels) == 10
    assert all(np.isnan(np.array(band.columns[name], float)).all() for name in levels)
    assert np.isfinite(np.array(band.columns["cover_lower_95_m"], float)).all()


# ---- grades -------------------------------------------------------------------------------


def test_a_grade_between_far_vertices_has_the_sigma_of_draws() -> None:
    """What all stops share leaves their differences: the joint covariance, not its blocks."""
    joint = shared_cov(4, 0.02, 0.10)
    axis = axis_with([100.0, 100.05, 100.02, 100.12], joint)
    found = grade_between(axis, 0, 3)
    rng = np.random.default_rng(8)
    xyz = rng.multivariate_normal(axis.line.xyz_m.ravel(), joint, 20_000).reshape(-1, 4, 3)
    step = xyz[:, 3] - xyz[:, 0]
    samples = step[:, 2] / np.hypot(step[:, 0], step[:, 1])
    assert found.sigma == pytest.approx(samples.std(), rel=0.02)
    assert found.sigma == pytest.approx(0.02 * np.sqrt(2) / 6.0, rel=0.01)


def test_without_a_joint_covariance_neighbours_are_exact_and_the_rest_errs_wide() -> None:
    whole = axis_with([100.0, 100.0, 100.0], shared_cov(3, 0.02, 0.10))
    blocks = replace(whole, line=replace(whole.line, joint_cov_m2=np.zeros((0, 0))))
    assert joint_cov(blocks.line)[1, :, 2, :] == pytest.approx(joint_cov(whole.line)[1, :, 2, :])
    assert grade_between(blocks, 0, 1).sigma == pytest.approx(grade_between(whole, 0, 1).sigma)
    assert grade_between(blocks, 0, 2).sigma > grade_between(whole, 0, 2).sigma


def test_every_code_s_least_grade_has_its_column() -> None:
    columns = grade_columns(axis_with([100.0, 100.1]), Slope(0.05, 0.001))
    assert set(columns) == {f"{g.code.lower()}_gradient" for g in grades()} | {"least_gradients"}


@pytest.mark.parametrize(
    ("grade", "sigma", "ipc"),
    [
        (0.02, 0.002, "met"),
        (0.005, 0.002, "not_met"),
        (0.0104, 0.002, "not_shown"),
        (nan, nan, None),
    ],
)
def test_a_grade_meets_a_least_grade_only_when_its_error_allows(
    grade: float, sigma: float, ipc: str | None
) -> None:
    """⅛ in/ft for 4 in: International Plumbing Code, Table 704.1."""
    columns = grade_columns(axis_with([100.0, 100.1]), Slope(grade, sigma))
    assert columns["ipc_gradient"] == ipc
    assert "International Plumbing Code, Table 704.1" in str(columns["least_gradients"])
    assert "from memory" in str(columns["least_gradients"])  # Approved Document H


# ---- falls and sags -----------------------------------------------------------------------


def test_a_fall_is_stated_only_when_levels_show_it() -> None:
    axis = axis_with([100.0, 100.2, 100.15, 99.9, 99.91], 0.01)
    assert falls_of(axis) == ["falls", "back_fall", "back_fall", "not_shown"]


def test_what_all_levels_share_hides_no_fall() -> None:
    """A metre of common doubt about the benchmark is nothing to a fall of 5 cm."""
    axis = axis_with([100.0, 100.05], shared_cov(2, 0.005, 1.0))
    assert falls_of(axis) == ["falls"]


@pytest.mark.parametrize("own", [0.01, 0.05])
def test_level_lines_are_accused_on_no_more_than_one_in_a_hundred(own: float) -> None:
    """Draws about a level line: a false back-fall on at most 1 %, a false sag on at most 1 %."""
    rng = np.random.default_rng(12)
    m, n = 7, 800
    base = axis_with([100.0] * m, own)
    adverse = sagging = 0
    for noise in rng.normal(0.0, own, (n, m)):
        xyz = base.line.xyz_m + np.column_stack([np.zeros((m, 2)), noise])
        axis = replace(base, line=replace(base.line, xyz_m=xyz))
        adverse += bool("back_fall" in falls_of(axis))
        sagging += bool(low_points_of(axis))
    assert adverse / n < ALPHA + 3 * np.sqrt(ALPHA / n)
    assert adverse > 0  # the bound is Bonferroni's, no wall
    assert sagging / n < ALPHA


def test_a_sag_is_named_with_its_place_and_depth() -> None:
    """Low at 6 m; the lower side stands at 2 m, 0.15 m above it; the other side 0.25 m."""
    axis = axis_with([100.0, 100.10, 100.0, 99.95, 100.20], 0.01)
    (sag,) = low_points_of(axis)
    assert (sag.low, sag.rim, sag.downstream) == (3, 1, 1)
    assert sag.depth_m == pytest.approx(0.15)
    assert sag.sigma_m == pytest.approx(0.01 * np.sqrt(2))
    findings = {called(f): f for f in grade_findings(axis, SEGMENTS, ())}
    said = findings["low-point"].values
    assert said["low_m"] == pytest.approx(6.0, abs=0.05)
    assert (said["depth_m"], said["sigma_m"]) == pytest.approx((sag.depth_m, sag.sigma_m))
    assert "0.150\xa0m ± 0.028\xa0m" in findings["low-point"].by_how_much  # ± is 95 %: 1.96 σ
    assert "licensed practice" in findings["low-point"].what
    assert "back-fall/segment" not in findings  # the back-falls are the sag's own


def test_water_leaves_over_the_lower_side() -> None:
    axis = axis_with([100.3, 100.0, 100.1, 100.4], 0.01)
    (sag,) = low_points_of(axis)
    assert (sag.low, sag.rim) == (1, 0)
    assert sag.depth_m == pytest.approx(0.3)
    lower_upstream = axis_with([100.3, 100.0, 100.2], 0.01)
    (sag,) = low_points_of(lower_upstream)
    assert (sag.low, sag.rim) == (1, 2)
    assert sag.depth_m == pytest.approx(0.2)


def test_two_pools_below_one_rim_are_one_sag_and_two_rims_make_two() -> None:
    one = axis_with([100.3, 100.0, 100.2, 100.05, 100.5], 0.005)
    assert [sag.low for sag in low_points_of(one)] == [1]
    two = axis_with([100.2, 100.0, 100.4, 100.1, 100.5], 0.005)
    assert [sag.low for sag in low_points_of(two)] == [1, 3]


@pytest.mark.parametrize("levels", [[0.3, 0.0, 0.4, 0.2, 0.5], [0.4, 0.3, 0.5, 0.2, 0.5]])
def test_a_line_is_given_the_deepest_of_its_low_points(levels: list[float]) -> None:
    axis = axis_with([100.0 + z for z in levels], 0.005)
    day = date(2026, 5, 6)
    days = SurveyDays(day, "Crew A", {}, {}, {}, {})
    ids = cast(LineIds, SimpleNamespace(ends=[("n1", "n2")]))
    row = centreline(days, axis, corridor(axis), ids)
    deepest = max(low_points_of(axis), key=lambda sag: sag.depth_m)
    assert row["low_points"] == 2
    assert deepest.depth_m == pytest.approx(0.3)
    assert row["low_point_depth_m"] == deepest.depth_m
    assert row["low_point_chainage_m"] == axis.chainage_m[deepest.low]


def test_what_levels_do_not_show_is_no_sag_and_a_plain_fall_has_none() -> None:
    assert not low_points_of(axis_with([100.0, 100.10, 100.0, 99.95, 100.20], 0.1))
    assert not low_points_of(axis_with([100.0, 100.1, 100.2, 100.3], 0.001))
    assert not low_points_of(axis_with([100.3, 100.2, 100.1, 100.0], 0.001))
    assert not low_points_of(axis_with([100.0, 100.1], 0.001))


def test_a_vertical_pipe_has_no_grade_to_hold_against_a_code() -> None:
    axis = axis_with([100.0, 101.0], leg_m=0.0)
    assert isnan(grade_between(axis, 0, 1).grade)
    assert falls_of(axis) == ["falls"]
