"""Counter readings that cannot be, on a pipe that runs north: each limit at its two sides."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from lateralline.link.counters import check_counters, exchanged
from lateralline.link.lines import LocatedPoint
from tests.support.finding_names import called
from tests.support.made_scene import ACCURACY, LAG, R1

EVERY_M = 4.0


def pipe(
    readings: Sequence[float], *, at: Mapping[int, tuple[float, float]] | None = None
) -> list[LocatedPoint]:
    """Stops every 4 m along a pipe due north, known to 20 mm, in the order they were written.

    at: where some of them lie instead, east and north.
    """
    cov = np.diag([4e-4, 4e-4, 4e-4, 3e-3, 3e-3])
    out = []
    for i, reading in enumerate(readings):
        xyz = np.array([*(at or {}).get(i, (0.0, EVERY_M * i)), 0.0])
        out.append(LocatedPoint("fix", f"R1/{i}", "", i, xyz, 0.0, 0.0, cov, {"R1": reading}))
    return out


def true(n: int) -> list[float]:
    return [EVERY_M * i for i in range(n)]


def misread(n: int, **wrong: float) -> list[float]:
    """n true readings but for some: r3=1.0."""
    readings = true(n)
    for name, reading in wrong.items():
        readings[int(name[1:])] = reading
    return readings


def test_true_readings_are_let_be() -> None:
    points = pipe(true(6))
    checked = check_counters(points, [R1], ACCURACY)
    assert checked.findings == []
    assert checked.points == points
    assert checked.order_only == frozenset()


# ---- all readings --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "slip"),
    [
        (10.0, "a decimal point, ten times too large"),
        (0.1, "a decimal point, ten times too small"),
        (100.0, "centimetres for metres, or a decimal point"),
        (0.01, "metres for centimetres, or a decimal point"),
        (3.2808, "feet taken for metres"),
        (0.3048, "metres taken for feet"),
        (12.0, "inches taken for feet"),
        (1 / 12, "feet taken for inches"),
        (39.37, "inches taken for metres"),
        (0.0254, "metres taken for inches"),
        (1.17, ""),
        (0.88, ""),
        (1.13, None),
        (0.92, None),
    ],
)
def test_readings_off_by_one_factor_keep_their_order_and_lose_their_length(
    factor: float, slip: str | None
) -> None:
    checked = check_counters(pipe([factor * r for r in true(7)]), [R1], ACCURACY)
    if slip is None:
        assert checked.findings == []
        return
    (found,) = checked.findings
    assert (called(found), found.subject) == ("unit-wrong/counter", "run R1")
    assert found.values["typical"] == pytest.approx(factor)
    assert found.values["stretches"] == 6
    assert found.values["slip"] == slip
    assert checked.order_only == {"R1"}
    assert [p.readings["R1"] for p in checked.points] == pytest.approx(true(7))


@pytest.mark.parametrize(("sigma_m", "named"), [(0.3, True), (0.5, False)])
def test_a_small_factor_is_one_only_further_than_the_ends_may_be_off(
    sigma_m: float, named: bool
) -> None:
    """2.88 m of 24: three σ of ends known to 0.3 m on each axis are 1.8 m, to 0.5 m 3.0 m."""
    soft = [
        replace(p, cov=np.diag([sigma_m**2, sigma_m**2, 4e-4, 3e-3, 3e-3]))
        for p in pipe([0.88 * r for r in true(7)])
    ]
    found = check_counters(soft, [R1], ACCURACY).findings
    assert [called(f) for f in found] == (["unit-wrong/counter"] if named else [])


@pytest.mark.parametrize(("apart", "stretches"), [(0.4, 5), (0.6, 6)])
def test_a_stretch_of_half_a_metre_or_less_gives_no_factor(apart: float, stretches: int) -> None:
    """Its chord is as wrong as two marks are."""
    norths = [0.0, 4.0, 8.0, 12.0, 12.0 + apart, 16.0, 20.0]
    feet = pipe([n / 0.3048 for n in norths], at={i: (0.0, n) for i, n in enumerate(norths)})
    (found,) = check_counters(feet, [R1], ACCURACY).findings
    assert found.values["stretches"] == stretches


@pytest.mark.parametrize(("stops", "named"), [(4, False), (5, True)])
def test_a_factor_of_no_unit_takes_four_stretches(stops: int, named: bool) -> None:
    """Three stretches may all be bent; feet for metres are told by three, and by one."""
    odd = check_counters(pipe([1.25 * r for r in true(stops)]), [R1], ACCURACY)
    assert [called(f) for f in odd.findings] == (["unit-wrong/counter"] if named else [])
    feet = check_counters(pipe([r / 0.3048 for r in true(stops - 2)]), [R1], ACCURACY)
    assert [called(f) for f in feet.findings] == ["unit-wrong/counter"]


@pytest.mark.parametrize(("last", "still"), [(3.01, True), (3.03, False)])
def test_a_counter_that_stood_still_leaves_the_order_it_was_written_in(
    last: float, still: bool
) -> None:
    """Within 20 mm at stops 4 m apart; what it would have read follows from the chords.

    It is the one finding: that the readings contradict the marks is the same thing once more.
    """
    checked = check_counters(pipe([3.0, 3.0, 3.0, last]), [R1], ACCURACY)
    found = [f for f in checked.findings if called(f) == "counter-wrong/still"]
    assert [f.values["stops"] for f in found] == ([4] if still else [])
    if still:
        assert checked.findings == found
        assert checked.order_only == {"R1"}
        assert [p.readings["R1"] for p in checked.points] == pytest.approx(true(4))


# ---- one reading ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("read", "slip"),
    [
        (2.0, "a decimal point, ten times too small"),
        (200.0, "a decimal point, ten times too large"),
        (20.0 / 0.3048, "feet taken for metres"),
        (20.0 * 0.3048, "metres taken for feet"),
        (31.0, ""),
    ],
)
def test_one_reading_off_is_named_with_what_it_should_have_been(read: float, slip: str) -> None:
    """As read at the camera's face: the transmitter lags behind it."""
    # the sixth of eight stops; what is booked at the face is slipped, so the lag goes round it
    at_sonde = read if slip == "" else read + (read / 20.0 - 1.0) * LAG
    checked = check_counters(pipe(misread(8, r5=at_sonde)), [R1], ACCURACY)
    (found,) = checked.findings
    assert (called(found), found.subject) == ("counter-wrong/reading", "stop R1/5")
    assert found.values["read_m"] == pytest.approx(at_sonde + LAG)
    assert found.values["expected_m"] == pytest.approx(20.0 + LAG)
    assert found.values["slip"] == slip
    kept = {p.ref: p.readings for p in checked.points}
    assert kept["R1/5"] == {}
    assert all(kept[f"R1/{i}"] == {"R1": 4.0 * i} for i in range(8) if i != 5)


@pytest.mark.parametrize(("off_m", "named"), [(1.4, False), (1.7, True), (-1.4, False)])
def test_a_reading_is_impossible_from_half_as_much_again_as_a_gross_chord(
    off_m: float, named: bool
) -> None:
    """1.5 m; what is less the adjustment weighs."""
    checked = check_counters(pipe(misread(8, r3=12.0 + off_m)), [R1], ACCURACY)
    assert [called(f) for f in checked.findings] == (["counter-wrong/reading"] if named else [])


@pytest.mark.parametrize(("aside_m", "named"), [(1.6, True), (2.0, False)])
def test_a_stop_beside_the_path_of_the_others_may_be_round_a_bend(
    aside_m: float, named: bool
) -> None:
    """0.75 m and a quarter of the leg of 4 m it would cut across; here the leg is 8 m: 2.75 m."""
    points = pipe(misread(8, r3=0.5), at={3: (aside_m + 1.0, 12.0)})
    checked = check_counters(points, [R1], ACCURACY)
    assert [called(f) for f in checked.findings] == (["counter-wrong/reading"] if named else [])


def test_a_counter_that_jumped_twice_is_one_finding() -> None:
    """Two stops in the middle read 3 m too much, and the counter was set right again."""
    checked = check_counters(pipe(misread(9, r4=19.0, r5=23.0)), [R1], ACCURACY)
    (found,) = checked.findings
    assert (called(found), found.subject) == ("counter-wrong/jump", "run R1")
    assert found.values["jump_m"] == pytest.approx(3.0)
    assert found.values["points"] == ("stop R1/4", "stop R1/5")


@pytest.mark.parametrize(("aside_m", "named"), [(26.0, True), (22.0, False)])
def test_a_point_far_beyond_its_cable_lies_somewhere_else(aside_m: float, named: bool) -> None:
    """20 m further than the 4 m of cable to its neighbours: as the crow flies, from the nearer."""
    points = pipe(true(8), at={3: (aside_m, 12.0)})
    checked = check_counters(points, [R1], ACCURACY)
    lost = [f for f in checked.findings if called(f) == "point-astray"]
    assert [f.subject for f in lost] == (["stop R1/3"] if named else [])
    assert len(checked.points) == (7 if named else 8)
    if named:
        assert lost[0].values["beyond_m"] == pytest.approx(np.hypot(aside_m, 4.0) - 4.0)


# ---- two readings exchanged ----------------------------------------------------------------


@pytest.mark.parametrize("pair", [(2, 3), (1, 4), (0, 5)])
def test_two_readings_exchanged_are_found_by_their_places(pair: tuple[int, int]) -> None:
    i, j = pair
    readings = misread(7, **{f"r{i}": EVERY_M * j, f"r{j}": EVERY_M * i})
    points = pipe(readings)
    rising = sorted(points, key=lambda p: p.readings["R1"])
    assert exchanged(rising, "R1", ACCURACY) == pair
    checked = check_counters(points, [R1], ACCURACY)
    (found,) = checked.findings
    assert called(found) == "counters-exchanged"
    assert {found.values["one"], found.values["other"]} == {f"stop R1/{i}", f"stop R1/{j}"}
    read = sorted((float(str(found.values[k]))) for k in ("one_read_m", "other_read_m"))
    assert read == pytest.approx([EVERY_M * i + LAG, EVERY_M * j + LAG])
    assert [p.ref for p in checked.points if not p.readings] == [f"R1/{i}", f"R1/{j}"]


def test_of_three_stops_two_neighbours_exchanged_are_two_wrong_readings() -> None:
    checked = check_counters(pipe([4.0, 0.0, 8.0]), [R1], ACCURACY)
    expected = {f.subject: f.values["expected_m"] for f in checked.findings}
    assert {called(f) for f in checked.findings} == {"counter-wrong/reading"}
    assert expected == pytest.approx({"stop R1/0": LAG, "stop R1/1": 4.0 + LAG})


@pytest.mark.parametrize(("apart", "named"), [(0.45, False), (0.55, True)])
def test_an_exchange_must_put_a_metre_right(apart: float, named: bool) -> None:
    """Neighbours so near put twice their distance right; with readings this sharp 0.3 m shows."""
    sharp = replace(ACCURACY, counter_m=1e-3, counter_ratio=1e-4, counter_scale_ratio=1e-4)
    at = [0.0, 4.0, 8.0, 8.0 + apart, 12.0, 16.0]
    read = [0.0, 4.0, 8.0 + apart, 8.0, 12.0, 16.0]
    points = [
        replace(p, xyz_m=np.array([0.0, north, 0.0]), cov=1e-8 * np.eye(5))
        for p, north in zip(pipe(read), at, strict=True)
    ]
    rising = sorted(points, key=lambda p: p.readings["R1"])
    assert exchanged(rising, "R1", sharp) == ((2, 3) if named else None)


def test_three_stops_cannot_tell_which_two_were_exchanged() -> None:
    rising = sorted(pipe([4.0, 0.0, 8.0]), key=lambda p: p.readings["R1"])
    assert exchanged(rising, "R1", ACCURACY) is None
    assert exchanged(pipe(true(6)), "R1", ACCURACY) is None
