"""What cannot be as it was booked: each limit of placing at its two sides, and its size."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, nan, sqrt

import numpy as np
import pytest
from scipy.stats import chi2

from lateralline.place import Placed
from tests.place.test_place import SQUARE, Point, Spot, codes, finding, placed, ties
from tests.support.finding_names import called


def named(site: Placed, code: str) -> int:
    return sum(called(f) == code for f in site.findings)


# ---- control -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "taped", "variant"),
    [(299.0, 20.0, None), (301.0, 20.0, "long"), (119.0, 6.0, None), (121.0, 6.0, "taped")],
)
def test_a_baseline_is_300_m_at_most_and_twenty_times_what_is_taped_from_it(
    length: float, taped: float, variant: str | None
) -> None:
    """Along it or off it, whichever was longer."""
    control = (SQUARE[0], Point("B", 0.6 * length, 0.8 * length))
    for spot in (Spot(station=taped, offset=-1.0), Spot(station=1.0, offset=-taped)):
        site = placed(spot, control=control)
        assert named(site, "control-implausible") == (variant is not None)
        if variant:
            found = finding(site, "control-implausible")
            assert (found.variant, found.where) == (variant, "control.csv:2")
            assert found.values["length_m"] == pytest.approx(length)
        if variant == "taped":
            assert found.values["times"] == pytest.approx(length / taped)


@pytest.mark.parametrize(("apart", "warned"), [(19.9, False), (20.1, True)])
def test_levels_of_control_lie_within_20_m(apart: float, warned: bool) -> None:
    control = (SQUARE[0], Point("B", 10.0, 0.0, 100.0 - apart), Point("C", 0.0, 10.0, 95.0))
    site = placed(Spot(station=6.0, offset=1.0), ties(3.0, 4.0, "AB"), control=control)
    assert named(site, "control-implausible/levels") == warned
    if warned:
        found = finding(site, "control-implausible/levels")
        assert (found.subject, found.values["low"]) == ("control point A", "B")
        assert found.values["apart_m"] == pytest.approx(apart)


@pytest.mark.parametrize(("far", "alone"), [(29.0, "D"), (26.0, "")])
def test_one_point_far_from_all_others_is_named_alone(far: float, alone: str) -> None:
    """Five times as far from the middle as the next."""
    control = (Point("A", 0, 0), Point("B", 10, 0), Point("C", 9, 1), Point("D", 0, far))
    spot = Spot("ties", ties=(("A", 1.0), ("B", 1.1), ("C", 1.2), ("D", 1.3)))
    found = finding(placed(spot, control=control), "control-implausible")
    assert found.values["alone"] == alone


@pytest.mark.parametrize("level", [0.0, 400.0])
def test_points_are_far_apart_in_plan_and_not_by_their_levels(level: float) -> None:
    """10 m apart, taped 1 m from; a level of another zero is a finding of its own."""
    control = (Point("A", 0.0, 0.0, 0.0), Point("B", 10.0, 0.0, level))
    site = placed(Spot(station=1.0, offset=1.0), control=control)
    assert not [f for f in site.findings if f.variant in ("long", "taped")]


# ---- tapes and ties ------------------------------------------------------------------------


@pytest.mark.parametrize(("rise", "impossible"), [(2.09, False), (2.11, True)])
def test_a_rise_may_pass_a_tape_by_a_decimetre(rise: float, impossible: bool) -> None:
    site = placed(Spot("polar", station=2.0, bearing=0.0, z=100.0 + rise), slope_tape=True)
    assert named(site, "slope-tape/impossible") == impossible
    assert site.marks.placed[0] != impossible
    if impossible:
        assert finding(site, "slope-tape/impossible").values["excess_m"] == pytest.approx(
            rise - 2.0
        )
    else:  # plumb: at the point itself, and as unsure as the whole rise
        assert site.marks.xyz_m[0, :2] == pytest.approx([0.0, 0.0])
        assert sqrt(site.marks.cov_m2[0, 1, 1]) == pytest.approx(rise, rel=0.01)


@pytest.mark.parametrize(("beyond", "warned"), [(9.9, False), (10.1, True)])
@pytest.mark.parametrize("before", [False, True])
def test_a_station_may_lie_a_baseline_s_length_beyond_it(
    beyond: float, warned: bool, before: bool
) -> None:
    site = placed(Spot(station=-beyond if before else 10.0 + beyond, offset=1.0))
    assert named(site, "baseline-unfit/short") == warned
    if warned:
        found = finding(site, "baseline-unfit/short")
        assert found.values["beyond_m"] == pytest.approx(beyond)
        assert found.values["base_m"] == pytest.approx(10.0)


@pytest.mark.parametrize(("angle", "warned"), [(19.0, True), (21.0, False)])
@pytest.mark.parametrize("acute", [True, False])
def test_ties_cross_at_twenty_degrees_or_are_weak(angle: float, warned: bool, acute: bool) -> None:
    """Far off on the middle line the arcs cross at twice the angle whose tangent is 5 / north."""
    half = np.radians(angle if acute else 180.0 - angle) / 2
    site = placed(ties(5.0, 5.0 / float(np.tan(half)), "AB"))
    assert named(site, "tie-weak/angle") == warned
    if warned:
        assert finding(site, "tie-weak/angle").values["angle_deg"] == pytest.approx(angle)


@pytest.mark.parametrize(("share", "warned"), [(0.95, False), (1.05, True)])
def test_three_ties_misfit_past_95_percent_of_chance(share: float, warned: bool) -> None:
    """χ² of one freedom: 3.84."""
    limit = float(chi2.ppf(0.95, 1))
    one = float(placed(ties(3.0, 4.0, B=0.02)).marks.misfit_chi2[0])
    site = placed(ties(3.0, 4.0, B=0.02 * sqrt(share * limit / one)))
    assert site.marks.misfit_chi2[0] == pytest.approx(share * limit, rel=0.02)
    assert named(site, "tie-misfit/worst") == warned
    if warned:
        found = finding(site, "tie-misfit/worst").values
        assert found["limit"] == pytest.approx(3.8415, abs=1e-4)
        assert found["w"] ** 2 == pytest.approx(found["chi2"])


@pytest.mark.parametrize(("apart", "mirrored"), [(0.04, False), (0.06, True)])
def test_two_solutions_5_cm_apart_are_two(apart: float, mirrored: bool) -> None:
    """Beside a wall with three points in a row; the other solution is as far on its other side."""
    wall = (Point("A", 0, 0), Point("B", 5, 0), Point("C", 10, 0))
    off = apart / 2
    taped = tuple((n, hypot(3.0 - x, off)) for n, x in (("A", 0.0), ("B", 5.0), ("C", 10.0)))
    site = placed(Spot("ties", ties=taped), control=wall)
    assert named(site, "tie-side/mirror") == mirrored
    assert site.marks.placed[0] != mirrored


# ---- places --------------------------------------------------------------------------------


@pytest.mark.parametrize(("away", "far"), [(1900.0, False), (2100.0, True)])
def test_a_spot_2_km_from_the_others_is_left_out(away: float, far: bool) -> None:
    marks = [Spot("gnss", x=float(i), y=0.0, stop=str(i)) for i in range(5)]
    site = placed(*marks, Spot("gnss", x=away, y=0.0))
    assert named(site, "coordinates-outside/far") == far
    assert site.marks.placed.tolist() == [*[True] * 5, not far]


@pytest.mark.parametrize(("apart", "one"), [(0.004, True), (0.006, False)])
def test_marks_within_5_mm_are_one_spot(apart: float, one: bool) -> None:
    spot = Spot(station=3.0, offset=1.0)
    site = placed(spot, replace(spot, station=3.0 + apart))
    assert named(site, "mark-duplicate") == one


# ---- levels --------------------------------------------------------------------------------


@pytest.mark.parametrize(("off", "far"), [(490.0, False), (-490.0, False), (510.0, True)])
def test_a_level_500_m_from_the_others_is_none(off: float, far: bool) -> None:
    marks = [Spot(station=float(i), offset=1.0, stop=str(i)) for i in range(4)]
    site = placed(*marks, Spot(station=7.0, offset=1.0, z=100.0 + off))
    assert named(site, "level-far") == far
    assert bool(site.marks.level_known[-1]) != far
    if far:
        assert finding(site, "level-far").values["off_m"] == pytest.approx(off)


@pytest.mark.parametrize(("level", "far"), [(9_990.0, False), (10_010.0, True)])
def test_no_ground_is_higher_than_10_km(level: float, far: bool) -> None:
    site = placed(*(Spot(station=3.0 + i, offset=1.0, z=level) for i in range(3)))
    assert ("level-far" in codes(site)) == far


@pytest.mark.parametrize(
    ("apart", "code"),
    [
        (7.9, ""),  # 5 m, and 0.3 of the 10 m between them
        (8.1, "levels-mixed/gnss"),
        (-8.1, "levels-mixed/gnss"),
    ],
)
def test_gnss_levels_may_lie_as_far_off_control_as_ground_is_steep(apart: float, code: str) -> None:
    control = [Point(n, x, y, 100.0) for n, x, y in (("A", 0, 0), ("B", 2, 0), ("C", 1, 0))]
    marks = [Spot("gnss", x=1.0, y=10.0, z=100.0 + apart, stop=str(i)) for i in range(2)]
    site = placed(*marks, control=control)
    found = [
        f
        for f in site.findings
        if f.code in ("levels-mixed", "unit-wrong") and f.severity == "error"
    ]
    assert [called(f) for f in found] == ([code] if code else [])
    if code:
        assert found[0].values["apart_m"] == pytest.approx(apart)


def test_ground_of_unknown_level_is_the_mean_of_what_is_known_and_as_wide() -> None:
    """Of 99, 100 and 103 m: 100.667 ± the deviation of three and what ground hides."""
    spots = [Spot(station=3.0 + i, offset=1.0, z=z) for i, z in enumerate((99.0, 100.0, 103.0))]
    site = placed(*spots, Spot(station=9.0, offset=1.0, z=nan))
    hidden = 0.10
    deviation = float(np.std([99.0, 100.0, 103.0], ddof=1))
    assert site.marks.xyz_m[3, 2] == pytest.approx(302.0 / 3)
    assert site.marks.cov_m2[3, 2, 2] == pytest.approx(hidden**2 + deviation**2, rel=1e-3)


def test_a_point_within_twenty_times_the_longest_taped_is_in_proportion() -> None:
    """24 m from the furthest; the longest tie is 1.3 m, the shortest 1 m."""
    control = (Point("A", 0, 0), Point("B", 10, 0), Point("C", 9, 1), Point("D", 0, 22.0))
    spot = Spot("ties", ties=(("A", 1.0), ("B", 1.1), ("C", 1.2), ("D", 1.3)))
    assert "control-implausible" not in codes(placed(spot, control=control))


def test_only_points_that_several_spots_hang_on_are_shared_between_them() -> None:
    """A and B carry two spots, C one: two points, east and north each; and all control."""
    one, other = ties(3.0, 4.0, "ABC"), ties(6.0, 5.0, "AB")
    control = tuple(replace(p, sigma_h=0.02) for p in SQUARE)
    shared = placed(one, other, control=control).marks.shared_m
    moved = np.flatnonzero(np.abs(shared[:, :2]).max(axis=(0, 1)) > 1e-9)
    assert len(moved) == 4 + 3
    alone = placed(one, control=control).marks.shared_m
    assert not np.abs(alone[:, :2]).max(initial=0.0) > 1e-9


def test_a_tape_held_plumb_is_as_unsure_as_it_is_long() -> None:
    """A metre of tape for a metre of rise."""
    site = placed(Spot("polar", station=1.0, bearing=0.0, z=101.0), slope_tape=True)
    assert sqrt(site.marks.cov_m2[0, 1, 1]) == pytest.approx(1.0, rel=0.01)
