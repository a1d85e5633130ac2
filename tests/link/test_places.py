"""Places measured twice, stops of two runs near each other, and how large a blunder is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.link.gross_errors import blunder, blunder_or_bend
from lateralline.link.lines import Alternative, LocatedPoint, SuspectedBlunder
from lateralline.link.places import merge_same_places, place_levels, split_intermediates
from tests.support.finding_names import called
from tests.support.made_scene import ACCURACY, R1

Floats = npt.NDArray[np.float64]


def point(
    north_m: float,
    east_m: float = 0.0,
    *,
    kind: str = "fix",
    name: str = "",
    counter: float | None = None,
    run: str = "R1",
    sigma_m: float = 0.02,
    up_m: float = 0.0,
    heading_rad: float = 0.0,
) -> LocatedPoint:
    """A point on a pipe that runs north; an exposure looks nowhere."""
    look = (heading_rad, 0.0) if kind == "fix" else (np.nan, np.nan)
    cov = np.diag([sigma_m**2] * 3 + [0.05**2] * 2)
    return LocatedPoint(
        kind, name or f"{run}/{north_m:g}", f"made.csv:{north_m:g}", 0 if kind == "fix" else -1,
        np.array([east_m, north_m, up_m]), *look, cov, {} if counter is None else {run: counter},
    )  # fmt: skip


def between(*middle: LocatedPoint) -> list[LocatedPoint]:
    """Points on a line that runs from 5 m before to 5 m after 4 m north."""
    return [point(-1.0, counter=-1.0), *middle, point(9.0, counter=9.0)]


# ---- one place, measured twice -------------------------------------------------------------


@pytest.mark.parametrize(("apart", "one"), [(0.019, True), (0.021, False)])
def test_two_stops_of_a_run_within_20_mm_by_the_counter_are_one(apart: float, one: bool) -> None:
    second = point(4.02, 0.03, counter=4.0 + apart, name="R1/b", sigma_m=0.03)
    merged = merge_same_places(between(point(4.0, counter=4.0, name="R1/a"), second), ACCURACY)
    assert len(merged.points) == (3 if one else 4)
    assert [called(f) for f in merged.findings] == (["counter-wrong/duplicate"] if one else [])
    if one:  # the surer is kept
        assert merged.points[1].ref == "R1/a"
        assert merged.findings[0].subject == "stop R1/b"
        assert merged.findings[0].values["apart_m"] == pytest.approx(np.hypot(0.02, 0.03))


@pytest.mark.parametrize(("apart", "one"), [(0.09, True), (0.11, False)])
def test_an_exposure_within_a_decimetre_by_the_counter_is_at_the_stop(
    apart: float, one: bool
) -> None:
    shot = point(4.0, kind="exposure", name="A", counter=4.0 + apart)
    merged = merge_same_places(between(point(4.0, counter=4.0), shot), ACCURACY)
    assert [p.kind for p in merged.points] == [
        "fix",
        *(["exposure"] if one else ["fix", "exposure"]),
        "fix",
    ]
    assert merged.findings == []


@pytest.mark.parametrize(("apart", "one"), [(0.09, True), (0.11, False)])
def test_without_a_counter_it_is_a_decimetre_in_plan(apart: float, one: bool) -> None:
    shots = [point(4.0, e, kind="exposure", name=n) for e, n in ((0.0, "A"), (apart, "B"))]
    assert len(merge_same_places(between(*shots), ACCURACY).points) == (3 if one else 4)


def test_exposures_that_agree_are_averaged_by_their_weights() -> None:
    """Across the pipe and in level as the textbook says; along it one may lie 0.1 m further."""
    a = point(4.0, 0.00, kind="exposure", name="A", sigma_m=0.02, up_m=1.00)
    b = point(4.03, 0.06, kind="exposure", name="B", sigma_m=0.04, up_m=1.03)
    merged = merge_same_places(between(a, b), ACCURACY, names=["A"])
    place = merged.points[1]
    assert place.ref == "A"
    assert [(called(f), f.subject) for f in merged.findings] == [
        ("exposure-duplicate", "exposure B")
    ]
    share = 0.02**2 / (0.02**2 + 0.04**2)
    along = 0.02**2 / (0.02**2 + 0.04**2 + 0.1**2)
    assert place.xyz_m == pytest.approx([0.06 * share, 4.0 + 0.03 * along, 1.0 + 0.03 * share])
    variances = 0.02**2 * (1 - np.array([share, along, share]))
    assert np.diag(place.cov)[:3] == pytest.approx(variances)
    assert merged.contested == frozenset()


def test_of_exposures_the_first_that_was_named_gives_its_name() -> None:
    shots = [point(4.0, kind="exposure", name=n) for n in "ABC"]
    merged = merge_same_places(between(*shots), ACCURACY, names=["Z", "C", "A"])
    assert merged.points[1].ref == "C"


def test_exposures_that_contradict_are_both_named_with_opposite_errors() -> None:
    """0.2 m across and 0.1 m in level; the place is their mean, as wide as both."""
    a = point(4.0, 0.0, kind="exposure", name="A", up_m=1.0)
    b = point(4.0, 0.2, kind="exposure", name="B", up_m=1.1)
    b = replace(b, readings={"R1": 4.0})
    a = replace(a, readings={"R1": 4.0})
    merged = merge_same_places(between(a, b), ACCURACY)
    one, other = merged.findings
    assert (one.subject, other.subject) == ("exposure A", "exposure B")
    assert merged.contested == {"A", "B"}
    for made, bearing, up in ((one, 90.0, 0.1), (other, 270.0, -0.1)):
        assert made.values["off_m"] == pytest.approx(0.2)
        assert made.values["bearing_deg"] == pytest.approx(bearing)
        assert made.values["level_off_m"] == pytest.approx(up)
        assert made.values["sigma_m"] == pytest.approx(0.02 * np.sqrt(2))
        assert made.values["level_sigma_m"] == pytest.approx(0.02 * np.sqrt(2))
        assert made.values["statistic"] == pytest.approx((0.2**2 + 0.1**2) / (2 * 0.02**2))
        assert made.values["limit"] == pytest.approx(16.266, abs=1e-3)  # χ² 99.9 %, 3 freedoms
    place = merged.points[1]
    assert place.xyz_m == pytest.approx([0.1, 4.0, 1.05])
    assert np.diag(place.cov)[:3] == pytest.approx([4e-4 + 0.1**2, 4e-4, 4e-4 + 0.05**2])


def test_an_error_that_both_exposures_share_is_no_difference_between_them() -> None:
    common = np.zeros((5, 1))
    common[0] = 0.1
    shots = [point(4.0, e, kind="exposure", name=n) for e, n in ((0.0, "A"), (0.09, "B"))]
    own = [replace(p, cov=p.cov + common @ common.T) for p in shots]
    alike = [replace(p, shared=common) for p in own]
    assert merge_same_places(between(*own), ACCURACY).contested == frozenset()
    found = merge_same_places(between(*[replace(p, xyz_m=p.xyz_m * 1.1) for p in alike]), ACCURACY)
    assert found.contested == frozenset()
    place = merge_same_places(between(*alike), ACCURACY).points[1]
    assert place.xyz_m[0] == pytest.approx(0.045)
    assert place.cov[0, 0] == pytest.approx(0.1**2 + 0.02**2 / 2)
    assert place.shared == pytest.approx(common)


@pytest.mark.parametrize(("counted", "one"), [(0.49, True), (0.51, False)])
def test_exposures_half_a_metre_apart_by_counter_and_far_in_place_are_one_measured_wrong(
    counted: float, one: bool
) -> None:
    a = point(4.0, kind="exposure", name="A", counter=4.0)
    b = point(6.0, kind="exposure", name="B", counter=4.0 + counted)
    merged = merge_same_places(between(a, b), ACCURACY)
    assert merged.contested == ({"A", "B"} if one else frozenset())


@pytest.mark.parametrize(("off", "agrees"), [(0.11, True), (0.12, False)])
def test_a_stop_beside_its_exposure_is_used_while_both_agree(off: float, agrees: bool) -> None:
    """χ² of three freedoms at 99.9 %, 16.27, of 28 mm: 0.114 m."""
    shot = point(4.0, off, kind="exposure", name="A", counter=4.0)
    merged = merge_same_places(between(point(4.0, counter=4.0), shot), ACCURACY)
    place = merged.points[1]
    assert (place.kind, place.ref, place.fix) == ("exposure", "A", 0)
    assert [called(f) for f in merged.findings] == ([] if agrees else ["exposure-disagrees/stop"])
    assert place.xyz_m[0] == pytest.approx(off / 2 if agrees else off)
    assert place.cov[0, 0] == pytest.approx(2e-4 if agrees else 4e-4)
    assert place.heading_rad == 0.0
    if not agrees:
        assert merged.findings[0].values["off_m"] == pytest.approx(off)
        assert merged.findings[0].values["level_off_m"] == 0.0


# ---- stops of two runs ---------------------------------------------------------------------

R2 = replace(R1, id="R2", entry="CO2")


@pytest.mark.parametrize(("apart", "rides"), [(0.49, True), (0.51, False)])
def test_a_stop_within_half_a_metre_of_another_run_s_rides_between_vertices(
    apart: float, rides: bool
) -> None:
    mine = [point(4.0 * i, counter=4.0 * i) for i in range(4)]
    other = point(4.0 + apart, 0.1, run="R2", counter=4.0 + apart)
    kept, riding = split_intermediates([*mine[:2], other, *mine[2:]], [R1, R2])
    assert [p.ref for p in kept] == [
        "R1/0",
        "R1/4",
        *([] if rides else [other.ref]),
        "R1/8",
        "R1/12",
    ]
    if rides:
        assert (riding[0].point.ref, riding[0].stretch) == (other.ref, 1)
        assert riding[0].share == pytest.approx(apart / 4.0)


@pytest.mark.parametrize(("sigma_m", "other_leads"), [(0.011, False), (0.009, True)])
def test_of_two_runs_the_one_that_stopped_most_gives_the_vertices_up_to_twice_the_sigma(
    sigma_m: float, other_leads: bool
) -> None:
    mine = [point(4.0 * i, counter=4.0 * i) for i in range(4)]
    other = point(8.3, run="R2", counter=8.3, sigma_m=sigma_m)
    kept, (riding,) = split_intermediates([*mine[:3], other, mine[3]], [R1, R2])
    assert riding.point.ref == ("R1/8" if other_leads else other.ref)
    assert len(kept) == 4


@pytest.mark.parametrize(
    ("reading", "stretch", "share"),
    [(1.0, 0, 0.25), (4.0, 1, 0.0), (10.0, 2, 0.5), (12.0, 2, 1.0), (12.5, -1, 0), (-0.5, -1, 0)],
)
def test_a_level_at_a_counter_lies_between_the_stops_that_read_about_it(
    reading: float, stretch: int, share: float
) -> None:
    stops = [point(4.0 * i, counter=4.0 * i) for i in range(4)]
    level = point(0.0, kind="exposure", name="V", counter=reading, up_m=98.0)
    level = replace(level, xyz_m=np.array([np.nan, np.nan, 98.0]))
    on, off = place_levels(stops, [], [level])
    if stretch < 0:
        assert (on, [p.ref for p in off]) == ([], ["V"])
        return
    assert off == []
    assert (on[0].stretch, on[0].level_only, on[0].sigma_m) == (stretch, True, 0.5)
    assert on[0].share == pytest.approx(share)


# ---- findings on blunders ------------------------------------------------------------------


def suspected(
    what: str, size: tuple[float, ...], cov: Floats, way: tuple[float, float] = (np.nan, np.nan),
    *, counter: float | None = 4.0,
) -> SuspectedBlunder:  # fmt: skip
    of = Alternative("L1", 0, point(4.0, counter=counter), what, "R1", (0,))
    return SuspectedBlunder(of, 30.0, 16.3, np.array(size), cov, np.array(way), 0.2, "stop R1/8")


def test_an_error_in_plan_is_a_length_and_a_bearing() -> None:
    values = blunder(suspected("plan", (0.3, 0.4), np.diag([1e-4, 4e-4]))).values
    assert values["off_m"] == pytest.approx(0.5)
    assert values["bearing_deg"] == pytest.approx(np.degrees(np.arctan2(0.3, 0.4)))
    assert values["sigma_m"] == pytest.approx(np.sqrt(0.6**2 * 1e-4 + 0.8**2 * 4e-4))
    assert (values["across"], values["one_way"]) == (False, False)
    west = blunder(suspected("plan", (-0.3, 0.0), 1e-4 * np.eye(2))).values
    assert west["bearing_deg"] == pytest.approx(270.0)


@pytest.mark.parametrize(
    ("north", "sigma", "told"),
    [(0.5, 0.49, "whole"), (0.5, 0.51, "part"), (0.99, 0.51, "part"), (1.01, 0.51, "whole")],
)
def test_of_an_error_in_plan_only_what_the_data_tell_is_given(
    north: float, sigma: float, told: str
) -> None:
    """A component less sure than 0.5 m is not, unless it is more than chance (95 %)."""
    made = suspected("plan", (-0.4, north), np.diag([0.1**2, sigma**2]), (0.0, 1.0))
    values = blunder(made).values
    if told == "whole":
        assert values["off_m"] == pytest.approx(np.hypot(0.4, north))
        assert values["across"] is False
        return
    assert values["off_m"] == pytest.approx(0.4)
    assert values["sigma_m"] == pytest.approx(0.1)
    assert values["bearing_deg"] == pytest.approx(270.0)
    assert (values["across"], values["one_way"]) == (True, False)


@pytest.mark.parametrize(("turn_deg", "across"), [(29.0, True), (31.0, False)])
def test_what_is_told_within_30_degrees_of_across_is_called_so(
    turn_deg: float, across: bool
) -> None:
    way = np.radians(turn_deg)
    made = suspected("plan", (0.4, 0.1), np.diag([0.1**2, 4.0]), (np.sin(way), np.cos(way)))
    values = blunder(made).values
    assert (values["across"], values["one_way"]) == (across, not across)
    assert values["bearing_deg"] == pytest.approx(90.0)


def test_along_the_pipe_only_a_counter_could_tell_where_a_point_belongs() -> None:
    made = suspected("plan", (0.4, 0.3), 1e-4 * np.eye(2), (0.0, 1.0), counter=None)
    values = blunder(made).values
    assert values["off_m"] == pytest.approx(0.4)
    assert values["across"] is True


@pytest.mark.parametrize(
    ("what", "size", "expected"),
    [
        ("level", (-0.2,), {"off_m": -0.2, "sigma_m": 0.1}),
        ("counter", (0.3,), {"off_m": 0.3, "sigma_m": 0.1}),
        ("heading", (0.1,), {"off_deg": np.degrees(0.1), "sigma_deg": np.degrees(0.1)}),
        ("tilt", (-0.1,), {"off_deg": -np.degrees(0.1), "sigma_deg": np.degrees(0.1)}),
        ("kink", (0.2, -0.3), {"turn_deg": np.degrees(0.5), "beside_m": 0.5}),
        ("kink", (2.0, -2.0), {"turn_deg": 180.0}),
    ],
)
def test_other_errors_have_a_size_and_a_sigma(
    what: str, size: tuple[float, ...], expected: dict[str, float]
) -> None:
    made = blunder(suspected(what, size, 0.01 * np.eye(len(size))))
    assert {k: made.values[k] for k in expected} == pytest.approx(expected)
    assert made.values["statistic"] == 30.0
    assert made.values["limit"] == 16.3
    assert called(made) == ("shape-undecided/turn" if what == "kink" else "blunder")


def test_an_error_that_ties_names_every_reading_it_may_be() -> None:
    one, other = (suspected(w, (0.2,), 0.01 * np.eye(1)) for w in ("level", "counter"))
    made = blunder_or_bend([one, other], [])
    assert made.variant == "tied"
    assert made.values["readings"] == ("level of stop R1/4", "counter reading of stop R1/4")
    assert made.values["suspects"] == ("stop R1/4",)
    assert made.values["off_m"] == pytest.approx(0.2)


@pytest.mark.parametrize(("at", "stretch", "share"), [(-0.3, 0, -0.075), (12.3, 2, 1.075)])
def test_a_stop_of_another_run_may_lie_past_either_end(
    at: float, stretch: int, share: float
) -> None:
    mine = [point(4.0 * i, counter=4.0 * i) for i in range(4)]
    other = point(at, run="R2", counter=at, sigma_m=0.05)
    ordered = sorted([*mine, other], key=lambda p: float(p.xyz_m[1]))
    _, (riding,) = split_intermediates(ordered, [R1, R2])
    assert (riding.point.ref, riding.stretch) == (other.ref, stretch)
    assert riding.share == pytest.approx(share)


def test_a_stop_ordered_before_the_last_may_lie_past_it() -> None:
    """Counters order, places lie: 50 mm past the end of the line it rides on the last stretch."""
    mine = [point(4.0 * i, counter=4.0 * i) for i in range(4)]
    other = point(12.05, run="R2", counter=11.9, sigma_m=0.05)
    _, (riding,) = split_intermediates([*mine[:3], other, mine[3]], [R1, R2])
    assert riding.stretch == 2
    assert riding.share == pytest.approx(4.05 / 4.0)


@pytest.mark.parametrize(("apart", "contradict"), [(0.64, False), (0.66, True)])
def test_exposures_nearly_at_one_counter_contradict_past_their_errors_and_the_counter_s(
    apart: float, contradict: bool
) -> None:
    """Counted 0.4 m; 3.29 times σ of two places (20 mm) and of two readings (50 mm): 0.65 m."""
    a = point(4.0, kind="exposure", name="A", counter=4.0)
    b = point(4.0, apart, kind="exposure", name="B", counter=4.4)
    limit = 0.4 + 3.2905 * np.sqrt(2 * 0.02**2 + 2 * 0.05**2)
    assert 0.64 < limit < 0.66
    assert len(merge_same_places(between(a, b), ACCURACY).points) == (3 if contradict else 4)
