"""Where marks allow more than one story: both are told, and only evidence chooses."""

from dataclasses import replace
from importlib import import_module

import numpy as np
import pytest

from lateralline.kernels.dipole import end_null_offsets, mid_null_offset
from lateralline.records import Exposures, Marks, StopRows
from lateralline.settings import Run, bare_settings
from lateralline.solve import solve
from lateralline.solve.gather import SITE_SLOPE_SIGMA, site_slope
from lateralline.units import METRES_PER
from tests.support.finding_names import called

NAN = float("nan")
RUN = Run("R1", "L1", "CO1", 0.0, "with", 0.0, 0.03)
SITE = replace(bare_settings(), runs=(RUN,))


def marks_of(rows, z=0.0):
    """Marks from (stop, kind, east, north) rows, on level ground unless told."""
    stop, kind, east, north = zip(*rows, strict=True)
    n = len(rows)
    text = np.full(n, "")
    return Marks(
        "marks.csv", np.arange(2, n + 2), np.array([f"M{i + 1}" for i in range(n)]),
        np.full(n, "R1"), np.array(stop).astype(str), np.array(kind), text, text,
        np.column_stack([east, north, np.full(n, z)]).astype(float),
        np.tile(np.diag([0.036**2, 0.036**2, 0.02**2]), (n, 1, 1)),
        np.ones(n, bool), np.ones(n, bool), np.full(n, NAN), np.zeros(n, np.int64),
    )  # fmt: skip


def stops_of(counters, readings):
    k = len(counters)
    return StopRows(
        "stops.csv", np.arange(2, k + 2), np.full(k, "R1"), np.arange(1, k + 1).astype(str),
        np.array(counters, float), np.array(readings, float), np.full(k, NAN), np.full(k, ""),
    )  # fmt: skip


def level_stop(stop, north, depth, kinds=("end", "end", "mid"), east=0.0):
    """Exact marks of a level transmitter heading north."""
    at = {"end": iter((-depth / np.sqrt(2), depth / np.sqrt(2))), "mid": iter((0.0,))}
    return [(stop, f"{k}_null", east, north + next(at[k])) for k in kinds]


def codes(solved):
    return [called(f) for f in solved.findings]


# ---- upright transmitters


@pytest.mark.parametrize("tilt_deg", [60.0, 75.0, 90.0])
def test_a_standing_transmitter_is_solved_not_rejected(tilt_deg):
    """One end null near overhead and the ring of mid nulls, found numerically on the ground."""
    depth, tilt = 1.2, np.radians(tilt_deg)
    ahead = 0.0 if tilt_deg == 90.0 else float(end_null_offsets(tilt)[1])
    spots = [("1", "end_null", 0.0, depth * ahead)]
    for bearing in np.radians([10.0, 130.0, 250.0]):
        # along this bearing the mid null is where 3(m·r)u = R² m_u; solve the quadratic for r
        c = np.cos(tilt) * np.cos(bearing)
        a, b, k = np.sin(tilt), -3.0 * c, -2.0 * np.sin(tilt)
        r = depth * (-b + np.sqrt(b * b - 4 * a * k)) / (2 * a)
        spots.append(("1", "mid_null", r * np.sin(bearing), r * np.cos(bearing)))
    solved = solve(marks_of(spots), stops_of([0.0], [depth]), SITE)
    fix = solved.fixes
    assert fix.status[0] != "not_located"
    assert "transmitter-steep" in codes(solved)
    np.testing.assert_allclose(fix.xyz_m[0], [0.0, 0.0, -depth], atol=0.02)
    assert np.degrees(abs(fix.tilt_rad[0])) == pytest.approx(tilt_deg, abs=1.0)
    # upright: no heading to tell; leaning, its marks tell it to some degrees
    assert fix.status[0] == ("weak" if tilt_deg == 90.0 else "located")


def test_a_level_transmitter_is_not_taken_for_a_steep_one():
    solved = solve(marks_of(level_stop("1", 0.0, 1.0)), stops_of([0.0], [1.05]), SITE)
    assert solved.fixes.status[0] == "located"
    assert "transmitter-steep" not in codes(solved)


# ---- a lone end null


def lone(neighbours, level=0.0):
    rows = level_stop("2", 3.0, 1.0, kinds=("end",))
    counters, readings = [0.0, 3.0, 6.0], [1.0, 1.0, 1.0]
    if neighbours:
        rows = level_stop("1", 0.0, 1.0) + rows + level_stop("3", 6.0, 1.0)
        return solve(marks_of(rows), stops_of(counters, readings), SITE), 1
    only = replace(marks_of(rows, level), stop=np.array(["1"]))
    return solve(only, stops_of(counters[:1], readings[:1]), SITE), 0


@pytest.mark.parametrize("level", [0.0, 250.0])  # whatever levels count from
def test_a_lone_end_null_is_two_candidates_when_nothing_chooses(level):
    solved, i = lone(neighbours=False, level=level)
    assert solved.fixes.status[i] == "two_positions"
    assert not solved.fixes.solved[i]
    finding = next(f for f in solved.findings if called(f) == "stop-two-positions")
    assert finding.values["apart_m"] == pytest.approx(1.41, abs=0.005)


def test_a_counter_of_another_scale_still_tells_the_side_of_a_lone_end_null():
    """3 % is twice a counter's scale error: 0.7 m over 24 m, where the sides are 1.4 m apart."""
    rows = [*level_stop("1", 0.0, 1.0), *level_stop("2", 24.0, 1.0, kinds=("end",)),
            *level_stop("3", 48.0, 1.0)]  # fmt: skip
    solved = solve(marks_of(rows), stops_of([0.0, 24.7, 49.4], [1.0] * 3), SITE)
    assert solved.fixes.status[1] == "weak"
    np.testing.assert_allclose(solved.fixes.xyz_m[1], [0.0, 24.0, -1.0], atol=0.15)


def test_neighbours_choose_the_side_of_a_lone_end_null():
    solved, i = lone(neighbours=True)
    assert solved.fixes.status[i] == "weak"
    assert "neighbours" in solved.fixes.reason[i]
    np.testing.assert_allclose(solved.fixes.xyz_m[i], [0.0, 3.0, -1.0], atol=0.15)


# ---- booking errors are suggested, never carried out; what they name is not used meanwhile


MARKS_OF_FOUR = [f"M{i + 1}" for i in range(12)]


def booked(change, readings=(1.0, 1.0, 1.0, 1.0)):
    """Four stops of 1 m depth, 3 m apart; change(rows) misbooks some."""
    rows = [r for i in range(4) for r in level_stop(str(i + 1), 3.0 * i, 1.0)]
    change(rows)
    return solve(marks_of(rows), stops_of([0.0, 3.0, 6.0, 9.0], readings), SITE)


def test_right_bookings_raise_no_suspicion():
    assert "mark-blunder" not in codes(booked(lambda rows: None))


def test_a_mid_null_booked_as_end_null_is_recognised():
    def change(rows):
        rows[4] = ("2", "mid_null", *rows[4][2:])
        rows[5] = ("2", "end_null", *rows[5][2:])

    solved = booked(change)
    finding = next(f for f in solved.findings if called(f) == "mark-blunder")
    assert finding.subject == "stop R1/2"
    assert (finding.variant, {finding.values["mark"], finding.values["other"]}) == (
        "kinds",
        {"M5", "M6"},
    )
    assert finding.severity == "error"
    # suggested, not done: neither is used, and nothing is blamed for what they would do
    used = solved.mark_results.used
    assert [not u for u in used] == [m in ("M5", "M6") for m in MARKS_OF_FOUR]
    assert not {"mark-blunder/all", "mark-blunder/one", "mark-blunder/beside"} & set(codes(solved))


def test_an_end_null_booked_as_a_mid_null_is_the_one_thing_told():
    """It used to be one finding of nine, below the level and heading of its own stop."""

    def change(rows):
        rows[4] = ("2", "mid_null", *rows[4][2:])

    solved = booked(change)
    told = [f for f in solved.findings if f.severity != "info"]
    assert [(f.severity, called(f), f.subject) for f in told] == [
        ("error", "mark-blunder", "stop R1/2")
    ]
    named = told[0].values
    assert (named["mark"], named["kind"], named["other_kind"]) == ("M5", "mid_null", "end_null")
    assert named["left_out"]
    np.testing.assert_allclose(solved.fixes.xyz_m[1], [0.0, 3.0, -1.0], atol=0.15)


def test_a_slight_misfit_is_suspected_and_kept():
    """A stop that may be as booked loses nothing: only what cannot be is left out."""
    solved = booked(lambda rows: None, [1.0, 1.5, 1.0, 1.0])
    assert {f.severity for f in solved.findings if called(f) == "mark-blunder"} <= {"warning"}
    assert solved.mark_results.used.all()


def test_a_mid_null_mirrored_within_reach_of_its_stop_is_told_by_its_baseline():
    """Two depths aside: near enough to be of this stop, and no residual shows it."""
    rows = [r for i in range(4) for r in level_stop(str(i + 1), 3.0 * i, 1.0)]
    rows[5] = ("2", "mid_null", 2.0, rows[5][3])
    marks = marks_of(rows)
    mirror = np.full((len(rows), 2), NAN)
    mirror[:, 1], mirror[:, 0] = marks.xyz_m[:, 1], 2.0 - marks.xyz_m[:, 0]  # a baseline 1 m aside
    stops = stops_of([0.0, 3.0, 6.0, 9.0], [1.0] * 4)
    solved = solve(replace(marks, mirror_m=mirror), stops, SITE)
    (finding,) = [f for f in solved.findings if f.severity != "info"]
    assert (called(finding), finding.severity, finding.subject) == (
        "mark-mirrored",
        "error",
        "mark M6",
    )
    assert (finding.variant, finding.values["stop"]) == ("booked", "stop R1/2")
    assert solved.mark_results.used.sum() == len(rows) - 1


def test_ends_of_two_stops_exchanged_are_recognised():
    def change(rows):
        rows[1], rows[4] = ("1", *rows[4][1:]), ("2", *rows[1][1:])

    solved = booked(change)
    named = {f.subject: f.values for f in solved.findings if called(f) == "mark-blunder"}
    assert set(named) == {"stop R1/1", "stop R1/2"}
    assert (named["stop R1/1"]["mark"], named["stop R1/1"]["other"]) == ("M2", "M5")


# ---- depth readings


def test_the_receiver_scale_is_learnt_from_the_other_stops():
    """Readings 20 % long on every stop; a peak-only stop has nothing else for its depth."""
    rows = [r for i in range(8) for r in level_stop(str(i + 1), 3.0 * i, 1.0)]
    rows.append(("9", "peak_axial", 0.0, 24.0))
    solved = solve(marks_of(rows), stops_of(3.0 * np.arange(9), [1.2] * 9), SITE)
    finding = next(f for f in solved.findings if called(f) == "receiver-scale")
    assert (finding.variant, finding.values["readings"]) == ("", 8)  # it reads high
    assert 10.0 < finding.values["off_percent"] < 20.0  # drawn to what receivers are like
    assert abs(solved.fixes.depth_m[8] - 1.0) < abs(1.2 - 1.0) / 1.5
    alone = solve(marks_of(rows[-1:]), replace(stops_of([24.0], [1.2]), stop=np.array(["9"])), SITE)
    assert alone.fixes.depth_m[0] == pytest.approx(1.2, abs=1e-6)
    assert solved.fixes.depth_sigma_m[8] < alone.fixes.depth_sigma_m[0]


def test_receivers_do_not_share_a_scale():
    rows = [r for i in range(8) for r in level_stop(str(i + 1), 3.0 * i, 1.0)]
    rows.append(("9", "peak_axial", 0.0, 24.0))
    marks, stops = marks_of(rows), stops_of(3.0 * np.arange(9), [1.12] * 9)
    run = np.where(marks.stop == "9", "R2", "R1")
    marks, stops = (
        replace(marks, run=run),
        replace(stops, run=np.where(stops.stop == "9", "R2", "R1")),
    )
    site = replace(SITE, runs=(RUN, replace(RUN, id="R2", receiver="other")))
    assert solve(marks, stops, site).fixes.depth_m[8] == pytest.approx(1.12, abs=1e-6)


def test_an_exposure_teaches_the_scale():
    rows = [("1", "peak_axial", 0.0, 0.0), ("2", "peak_axial", 0.0, 3.0)]
    marks, stops = marks_of(rows), stops_of([0.0, 3.0], [1.10, 1.10])
    text = np.array(["TH1"])
    seen = Exposures(
        "exposures.csv", np.array([2]), text, np.array(["R1"]), np.array([""]), np.array([0.0]),
        np.array(["transmitter"]), np.array([[0.0, 0.0, -1.0]]), np.diag([1e-4, 1e-4, 1e-4])[None],
        np.array([0.0]), np.array([True]),
    )  # fmt: skip
    with_it = solve(marks, stops, SITE, seen).fixes
    without = solve(marks, stops, SITE).fixes
    assert abs(with_it.depth_m[1] - 1.0) < abs(without.depth_m[1] - 1.0) - 0.02


def test_an_aerial_above_ground_is_allowed_for():
    """Marks and reading of a receiver carried 0.3 m up: the pipe is 1.0 m under the ground."""
    site = replace(SITE, aerial_height_m=0.3)
    rows = level_stop("1", 0.0, 1.3)
    stops = replace(stops_of([0.0], [1.3]), tilt_rad=np.array([0.0]))
    fixes = solve(marks_of(rows), stops, site).fixes
    assert fixes.depth_m[0] == pytest.approx(1.0, abs=2e-3)


def test_the_aerial_s_height_lifts_every_fix_and_is_one_error_of_the_site():
    """A height of 0.10 ± 0.10 m: up by as much, depth less by as much, nothing else."""
    rows = [r for i in range(3) for r in level_stop(str(i + 1), 3.0 * i, 1.0 + 0.2 * i)]
    marks, stops = marks_of(rows), stops_of(3.0 * np.arange(3), [1.05, 1.15, 1.45])
    low = solve(marks, stops, SITE).fixes
    raised = replace(SITE, aerial_height_m=0.1, aerial_height_sigma_m=0.1)
    high = solve(marks, stops, raised).fixes
    assert high.xyz_m - low.xyz_m == pytest.approx(np.tile([0.0, 0.0, 0.1], (3, 1)), abs=1e-6)
    assert high.depth_m == pytest.approx(low.depth_m - 0.1, abs=1e-6)
    assert high.depth_sigma_m == pytest.approx(np.hypot(low.depth_sigma_m, 0.1), rel=1e-6)
    assert high.cov[:, 2, 2] == pytest.approx(low.cov[:, 2, 2] + 0.01, rel=1e-6)
    assert high.shared[:, :, 2] == pytest.approx(np.tile([0, 0, 0.1, 0, 0], (3, 1)), abs=1e-9)


@pytest.mark.parametrize("kind", ["peak_total", "peak_axial", "nulls"])
def test_fixes_follow_the_slope_of_the_site_as_their_columns_say(kind, monkeypatch):
    """Marks of one line tell no slope across; peaks slide down whatever it is, nulls hardly."""
    norths = 2.2 * np.arange(6)
    if kind == "nulls":
        rows = [
            (s, k, e, north + y)
            for i, north in enumerate(norths)
            for s, k, e, y in level_stop(str(i + 1), 0.0, 1.2)
        ]
    else:
        rows = [(str(i + 1), kind, 0.02 * (-1) ** i, north) for i, north in enumerate(norths)]
    marks, stops = marks_of(rows), stops_of(norths, [1.2] * 6)
    solved = solve(marks, stops, SITE).fixes
    slope, cov = site_slope(marks.xyz_m, marks.cov_m2[:, 2, 2])
    assert np.sqrt(np.diag(cov)) == pytest.approx([SITE_SLOPE_SIGMA, 0.0], abs=0.003)
    for column, off in enumerate(np.linalg.cholesky(cov).T):
        moved = (slope + 0.01 * off, cov)
        module = import_module("lateralline.solve.gather")  # the package's `gather` is a function
        monkeypatch.setattr(module, "site_slope", lambda *_, to=moved: to)
        step = (solve(marks, stops, SITE).fixes.xyz_m - solved.xyz_m) / 0.01
        said = solved.shared[:, :3, column]
        # the mean over guessed headings follows less than the best fit
        assert step == pytest.approx(said, abs=0.15 * np.abs(said).max() + 5e-4)
    across = np.abs(solved.shared[:, 0, :2]).max(axis=1)
    if kind == "nulls":
        assert across.max() < 0.002
    else:
        assert across == pytest.approx(SITE_SLOPE_SIGMA * 1.2, rel=0.15)
    assert (solved.cov[:, 0, 0] > across**2).all()


def test_a_rod_near_the_ground_is_said():
    site = replace(SITE, runs=(replace(RUN, rod_length_m=0.3),))
    assert "transmitter-long" in codes(
        solve(marks_of(level_stop("1", 0.0, 0.6)), stops_of([0.0], [NAN]), site)
    )


def test_mid_null_offset_is_used_as_computed():
    """A 10° transmitter with its tilt read: mid null 0.1168 depths behind, no misfit."""
    tilt = np.radians(10.0)
    behind, ahead = end_null_offsets(tilt)
    rows = [("1", "end_null", 0.0, float(u)) for u in (behind, ahead)]
    rows.append(("1", "mid_null", 0.0, float(mid_null_offset(tilt))))
    stops = replace(stops_of([0.0, 3.0], [NAN, NAN]), tilt_rad=np.array([tilt, NAN]))
    rows += level_stop("2", 3.0, 1.0)
    fixes = solve(marks_of(rows), stops, SITE).fixes
    assert fixes.chi2[0] == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose(fixes.xyz_m[0], [0.0, 0.0, -1.0], atol=1e-4)


@pytest.mark.parametrize(
    ("set_to", "times", "fits"),
    [("m", 1 / 0.3048, "ft"), ("ft", 0.3048, "m"), ("us-ft", 12.0, "in"), ("in", 2.54, "cm")],
)
def test_readings_in_another_unit_are_said_and_not_used(set_to, times, fits):
    """Five stops of 1 m depth whose readings were typed under the wrong unit."""
    rows = [r for i in range(5) for r in level_stop(str(i + 1), 3.0 * i, 1.0)]
    stops = stops_of(3.0 * np.arange(5), np.array([1.02, 0.97, 1.05, 0.99, 1.0]) * times)
    site = replace(SITE, units=dict.fromkeys(("tape", "depth", "counter"), set_to))
    solved = solve(marks_of(rows), stops, site)
    finding = next(f for f in solved.findings if called(f) == "unit-wrong/depth-unknown")
    assert finding.severity == "error"
    assert (finding.variant, finding.values["written"]) == ("depth", fits)
    np.testing.assert_allclose(solved.fixes.depth_m, 1.0, atol=0.02)
    assert "mark-blunder/all" not in codes(solved)


def test_a_true_receiver_is_not_taken_for_another_unit():
    rows = [r for i in range(5) for r in level_stop(str(i + 1), 3.0 * i, 1.0)]
    assert "unit-wrong/depth-unknown" not in codes(
        solve(marks_of(rows), stops_of(3.0 * np.arange(5), [1.15] * 5), SITE)
    )


def test_one_wrong_reading_is_suspected_by_itself():
    """Off by half: no unit, and not so far that the marks alone would be believed."""
    readings = [1.0, 1.6, 1.0, 1.0]
    solved = booked(lambda rows: None, readings)
    finding = next(f for f in solved.findings if called(f) == "mark-blunder")
    assert finding.subject == "stop R1/2"
    assert (finding.variant, finding.values["reading_m"]) == ("reading", pytest.approx(1.6))
    assert "depth-reading-wrong" not in codes(solved)


@pytest.mark.parametrize(
    ("set_to", "times", "variant", "written"),
    [
        ("m", 1 / 0.3048, "unit", "ft"),
        ("ft", 12.0, "unit", "in"),
        ("ft", 30.48, "unit", "cm"),
        ("in", 1 / 12, "unit", "ft"),
        ("m", 10.0, "digit", ""),
        ("ft", 10.0, "digit", ""),
        ("m", 6.0, "odd", ""),
    ],
)
@pytest.mark.parametrize("kinds", [("end", "end", "mid"), ("end", "end")])
def test_one_reading_that_cannot_be_is_told_and_its_stop_kept(
    kinds, set_to, times, variant, written
):
    """Its marks are good: the stop is solved by them, as if the reading had not been booked."""
    rows = [r for i in range(4) for r in level_stop(str(i + 1), 3.0 * i, 1.0, kinds)]
    site = replace(SITE, units=dict.fromkeys(("tape", "depth", "counter"), set_to))
    counters, readings = 3.0 * np.arange(4), np.ones(4)
    readings[1] = times
    solved = solve(marks_of(rows), stops_of(counters, readings), site)
    told = [f for f in solved.findings if called(f) == "depth-reading-wrong"]
    if variant == "odd" and len(kinds) == 2:  # it, or an end null: nothing is spare to tell which
        assert not told
        return
    assert [(f.severity, f.subject, f.where) for f in told] == [
        ("error", "stop R1/2", "stops.csv:3")
    ]
    said, read = told[0].values, times / METRES_PER[set_to]
    assert (told[0].variant, said.get("written", ""), said["unit"]) == (variant, written, set_to)
    assert (said["times"], said["read"]) == pytest.approx((times, read), rel=0.02)
    assert said["by_marks"] == pytest.approx(1.0 / METRES_PER[set_to], rel=0.02)
    if written:
        right = read * METRES_PER[written] / METRES_PER[set_to]
        assert said["right"] == pytest.approx(right)
    assert "stop-not-located" not in codes(solved)
    readings[1] = NAN
    unread = solve(marks_of(rows), stops_of(counters, readings), site)
    assert (solved.fixes.status == "located").all()
    np.testing.assert_allclose(solved.fixes.xyz_m, unread.fixes.xyz_m, atol=1e-9)
    np.testing.assert_allclose(solved.fixes.cov, unread.fixes.cov, atol=1e-9)


def test_a_wrong_end_null_is_not_taken_for_a_wrong_reading():
    """One end null paced out at three times its distance: the nulls deny each other, not it."""

    def change(rows):
        stop, kind, east, _ = rows[4]
        rows[4] = (stop, kind, east, 3.0 + 3.0 / np.sqrt(2))

    assert "depth-reading-wrong" not in codes(booked(change))


def test_a_mid_null_on_the_wrong_side_is_noticed():
    """With two end nulls it is good only along the pipe, so no residual shows it."""
    rows = level_stop("1", 0.0, 1.0)
    rows[2] = ("1", "mid_null", 3.6, rows[2][3])
    solved = solve(marks_of(rows), stops_of([0.0], [1.0]), SITE)
    finding = next(f for f in solved.findings if called(f) == "mark-blunder/beside")
    assert (finding.values["mark"], finding.values["away_m"]) == ("M3", pytest.approx(3.6))
    assert "mark-blunder/beside" not in codes(booked(lambda rows: None))


def test_a_site_whose_stops_mostly_contradict_themselves_is_an_error():
    """Depth set to inches, say, on nulls of another scale: every stop torn the same way."""

    def change(rows):
        for i, (stop, kind, east, north) in enumerate(rows):
            if kind == "mid_null":
                rows[i] = (stop, kind, east, north + 1.2)

    solved = booked(change)
    assert "misfit/site" in codes(solved)
    assert "misfit/site" not in codes(booked(lambda rows: None))
