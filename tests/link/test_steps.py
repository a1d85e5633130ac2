"""Single steps of link by themselves: what each limit and each sign in them does."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import numpy.typing as npt
import pytest

from lateralline.kernels.network import Adjustment
from lateralline.link import shapes
from lateralline.link.adjust import _without_one_bend
from lateralline.link.counters import _Readings
from lateralline.link.gather import _from_fix
from lateralline.link.joint import AT_VERTEX_M, WITHIN_M, _moved, _turning, reassign_legs
from lateralline.link.lengths import impossible_lengths
from lateralline.link.lines import (
    Alternative,
    IntermediatePoint,
    LocatedPoint,
    NetworkLine,
    PointObservations,
    SuspectedBlunder,
    likely_positions_m,
)
from lateralline.link.network import NetworkModel
from lateralline.link.order import _along_both, oriented
from lateralline.link.result import _share, _spaced, _Vertex
from lateralline.link.search import Fit, _on_way, adjust_batch
from lateralline.link.selection import _price, _turn
from lateralline.link.shapes import StretchAdjustment, _two_bends
from lateralline.records import Fixes
from lateralline.settings import bare_settings
from tests.link.test_model import decided, network, points
from tests.support.finding_names import called
from tests.support.made_scene import ACCURACY, LAG, R1, Scene

Floats = npt.NDArray[np.float64]


def point(
    north_m: float, *, counter: float, kind: str = "fix", name: str = "", turned: bool = True
) -> LocatedPoint:
    """A point on a pipe that runs north, known to 20 mm, looking along it or nowhere."""
    look = (0.0, 0.0) if turned and kind == "fix" else (np.nan, np.nan)
    ref = name or f"R1/{north_m:g}"
    fix = 0 if kind == "fix" else -1
    cov = np.diag([4e-4, 4e-4, 4e-4, 3e-3, 3e-3])
    xyz = np.array([0.0, north_m, 0.0])
    return LocatedPoint(kind, ref, f"made.csv:{north_m:g}", fix, xyz, *look, cov, {"R1": counter})


# ---- shapes --------------------------------------------------------------------------------


@pytest.mark.parametrize("counted", [6.6, 7.0, 7.6])
def test_two_bends_start_with_the_length_that_was_counted(counted: float) -> None:
    """Both tangents alike, the legs together as long as the cable: the quadratic's solution."""
    ends = np.array([[0.0, 0.0, 0.0], [3.0, 5.0, 0.4]])
    ways = np.radians([[20.0, 2.0], [50.0, -3.0]])
    points = [
        LocatedPoint("fix", str(i), "", i, xyz, *way, np.eye(5) * 1e-3, {"R1": i * counted})
        for i, (xyz, way) in enumerate(zip(ends, ways, strict=True))
    ]
    one = np.arange(1)
    stretch = StretchAdjustment.of(PointObservations.of(points), one, one + 1, ACCURACY)
    bends, both = _two_bends(stretch)
    legs = np.linalg.norm(np.diff(np.concatenate([ends[:1], bends[0], ends[1:]]), axis=0), axis=1)
    assert legs.sum() == pytest.approx(counted, abs=1e-9)
    assert legs[[0, 2]] == pytest.approx([both[0] / 2] * 2)


@pytest.mark.parametrize("counter", [True, False])
@pytest.mark.parametrize("tilt", [0.0, 0.3])
def test_a_hidden_bend_s_non_centrality_is_the_misfit_it_would_leave(
    monkeypatch: pytest.MonkeyPatch, counter: bool, tilt: float
) -> None:
    """Noise-free sights of a pipe that bends midway, adjusted as a straight: χ², to first order."""
    bend = np.radians(3.0)
    monkeypatch.setattr(shapes, "HIDDEN_BEND_RAD", bend)
    chord = 6.0
    length = ({"R1": 0.0}, {"R1": chord / np.cos(bend / 2)}) if counter else ({}, {})
    up = np.array([0.0, np.cos(tilt), np.sin(tilt)])
    cov = np.diag([1e-6, 1e-6, 1e-6, 4e-4, 4e-4])
    made = []
    for turned in (0.0, bend / 2):
        points = [
            LocatedPoint("fix", str(i), "", i, i * chord * up, way, tilt, cov, length[i])
            for i, way in enumerate((turned / np.cos(tilt), -turned / np.cos(tilt)))
        ]
        one = np.arange(1)
        made.append(StretchAdjustment.of(PointObservations.of(points), one, one + 1, ACCURACY))
    straight, bent = made
    expected = float(bent.adjust(np.zeros((1, 0, 3)))[1][0])
    x, _ = straight.adjust(np.zeros((1, 0, 3)))
    assert expected > 1.0
    slight = float(straight.hidden_bend(x)[0])
    assert slight == pytest.approx(expected, rel=0.02)
    monkeypatch.undo()
    if not counter:  # an eighth bend turns fifteen times as far
        assert straight.hidden_bend(x)[0] == pytest.approx(225 * slight)


def solved_path(*legs_m: tuple[float, float]) -> tuple[StretchAdjustment, Floats]:
    """A stretch that looks north at both ends, and its unknowns with bends after each leg."""
    path = np.cumsum([(0.0, 0.0), *legs_m], axis=0)
    ends = [point(0.0, counter=0.0), point(1.0, counter=1.0)]
    one = np.arange(1)
    stretch = StretchAdjustment.of(PointObservations.of(ends), one, one + 1, ACCURACY)
    level = np.column_stack([path, np.zeros(len(path))])
    first, last = ([*xyz, 0.0, 0.0] for xyz in (level[0], level[-1]))
    return stretch, np.array([[*first, *last, 1.0, *level[1:-1].ravel()]])


def leg(heading_deg: float, length_m: float = 1.0) -> tuple[float, float]:
    h = np.radians(heading_deg)
    return length_m * float(np.sin(h)), length_m * float(np.cos(h))


@pytest.mark.parametrize(
    ("legs", "ok"),
    [
        ([leg(0), leg(85)], True),  # still ahead of where the far end looks
        ([leg(0), leg(95)], False),
        ([leg(-80), leg(50)], True),
        ([leg(-80), leg(60)], False),
        ([leg(-95), leg(30)], False),
        ([leg(0), leg(0, 0.06)], True),
        ([leg(0), leg(0, 0.04)], False),
        ([leg(0), leg(89), leg(0)], True),
        ([leg(-62), leg(30), leg(62)], True),
        ([leg(-63), leg(30), leg(63)], False),  # 126° between first and last
    ],
)
def test_a_path_leaves_its_ends_the_way_they_look_and_turns_no_sharper_than_fittings(
    legs: list[tuple[float, float]], ok: bool
) -> None:
    """135° at one bend, 125° over two; a leg is longer than 50 mm."""
    assert bool(shapes.in_front(*solved_path(*legs))[0]) is ok


def test_more_bends_must_gain_what_each_is_significant_by() -> None:
    """χ² at α = 0.001 of two freedoms, then of three more."""
    assert _price(0) == 0.0
    assert _price(1) == pytest.approx(13.816, abs=1e-3)
    assert _price(2) == pytest.approx(13.816 + 16.266, abs=2e-3)


def test_a_turn_s_slope_is_the_derivative_of_its_angle() -> None:
    three = np.array([[0.0, 0.0, 0.1], [1.0, 2.0, 0.0], [3.0, 2.5, -0.4]])
    angle, slope = _turn(three)
    u, w = np.diff(three, axis=0)
    assert angle == pytest.approx(np.arccos(u @ w / np.linalg.norm(u) / np.linalg.norm(w)))
    for i, step in enumerate(1e-6 * np.eye(9).reshape(9, 3, 3)):
        numeric = (_turn(three + step)[0] - _turn(three - step)[0]) / 2e-6
        assert slope[i] == pytest.approx(numeric, abs=1e-8)


def test_of_two_bends_the_one_is_given_up_without_which_the_line_settles() -> None:
    """Where the line settles without either, without that which leaves the least misfit."""
    line = NetworkLine("L1", tuple(points()), decided("straight", "straight", "bend", "two_bends"))
    cases = (
        ((False, True), [2]),
        ((True, False), [3]),
        ((False, False), [2, 3]),
        ((True, True), [3]),
    )
    for settles, kept in cases:
        search = _without_one_bend(line, cast(Fit, None), ACCURACY)
        wanted = next(search)
        settled = dict(zip([id(r.model) for r in wanted], settles, strict=True))
        misfit = dict(zip(settled, (0.0, 1e6), strict=True))
        try:
            while True:
                answers = adjust_batch(wanted)
                wanted = search.send(
                    [
                        replace(a, converged=settled[id(r.model)], chi2=misfit[id(r.model)])
                        for a, r in zip(answers, wanted, strict=True)
                    ]
                )
        except StopIteration as done:
            found, _ = done.value
        assert [i for i, bends in enumerate(found.shapes.bends_m) if len(bends)] == kept


def test_only_the_line_that_turns_at_a_stop_is_drawn_anew_there() -> None:
    """Its branch stays as it was, on the same place of it."""
    parent, branch = network()
    alternative = Alternative("L1", 2, parent.points[2], "plan", "", (0,))
    turn = SuspectedBlunder(alternative, 20.0, 10.8, np.zeros(2))
    one, other = _turning([parent, branch], [turn])
    assert one.shapes.shape[1:3] == ("undecided", "undecided")
    assert one.shapes.shape[0] == parent.shapes.shape[0]
    assert other.shapes is branch.shapes
    assert other.join == branch.join
    assert _turning([parent, branch], [])[0] is parent


def test_the_way_past_a_point_is_that_from_the_vertex_before_to_the_one_behind() -> None:
    """However the pipe came there: north, then east past the third of five vertices."""
    path = np.array([[0.0, 0, 0], [0, 4, 0], [3, 4, 0.2], [6, 4, 0.4], [6, 0, 0.6]])
    model = SimpleNamespace(path=lambda line, x: path, point_vertex={"L1": np.array([0, 2, 4])})
    result = cast(Adjustment, SimpleNamespace(x=np.zeros(0)))
    of = point(0.0, counter=0.0)
    suspects = [
        SuspectedBlunder(Alternative("L1", i, of, "plan", "", (0,)), 20.0, 10.8, np.zeros(2))
        for i in range(3)
    ]
    ways = [s.way for s in _on_way(cast(NetworkModel, model), result, suspects)]
    assert ways == [pytest.approx(w) for w in ([0.0, 1.0], [1.0, 0.0], [0.0, -1.0])]


# ---- order ---------------------------------------------------------------------------------


def test_a_stop_near_where_its_counter_puts_it_goes_halfway_to_where_it_lies() -> None:
    along = np.arange(10.0, 24.0, 2.0)
    off = np.array([0.0, 0.0, 0.0, 0.6, 0.0, 0.0, 5.0])
    got = _along_both(along, along + off, np.ones(7, dtype=bool), None)
    counted = got[:3].mean() - along[:3].mean()  # what the zero made of the outlier's share
    assert abs(counted) < 0.1
    assert got[3] - along[3] == pytest.approx(0.3, abs=0.1)  # halfway
    assert got[6] - along[6] == pytest.approx(0.0, abs=0.2)  # metres off: by its counter alone


# ---- counters ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kinds", "contested"),
    [
        (("exposure", "exposure"), {"A", "B"}),
        (("fix", "exposure"), set()),
        (("exposure", "fix"), set()),
        (("fix", "fix"), set()),
    ],
)
def test_only_two_exposures_contest_each_other_by_a_chord(
    kinds: tuple[str, str], contested: set[str]
) -> None:
    """A stop beside an exposure may itself lie wrong: that contests no exposure."""
    pair = [
        point(at, counter=at / 2, kind=kind, name=name)
        for at, kind, name in zip((0.0, 6.0), kinds, "AB", strict=True)
    ]
    found, names = impossible_lengths(pair, [], ACCURACY)
    assert [called(f) for f in found] == ["counter-wrong/too-short"]
    assert names == contested


@pytest.mark.parametrize(
    ("chord", "counted", "may"),
    [
        (2.0, 5.9, True),  # longer than the chord by a chord and 1.9 m: two bends at most
        (2.0, 6.5, False),  # by a chord and 2.5 m: it would turn back on itself
        (6.0, 13.9, True),
        (6.0, 14.6, False),
        (6.0, 5.1, True),  # shorter by 0.9 m: a bad mark can be that
        (6.0, 4.5, False),  # by 1.5 m
    ],
)
def test_a_cable_may_be_so_much_longer_or_shorter_than_its_chord(
    chord: float, counted: float, may: bool
) -> None:
    """One chord and 2 m longer, 1 m shorter, and three times what both are off by (0.1 m)."""
    pair = [point(0.0, counter=0.0), point(chord, counter=counted)]
    assert bool(_Readings.of(pair, "R1", ACCURACY).fits[0, 1]) is may


# ---- leg reassignment ----------------------------------------------------------------------


def adjusted(*norths: float) -> Fit:
    """A line adjusted along straight legs, as leg reassignment looks at it."""
    path = np.array([[0.0, n, 0.0] for n in norths])
    model = SimpleNamespace(path=lambda line, x: path)
    return cast(Fit, SimpleNamespace(model=model, result=SimpleNamespace(x=np.zeros(0))))


LINE = cast(NetworkLine, SimpleNamespace(id="L1", join=None))


def test_a_place_before_its_leg_goes_to_the_end_of_the_leg_before() -> None:
    """A quarter of a leg of 4 m before it: 1 m before the end of a leg of 5 m."""
    moved = _moved(LINE, adjusted(0.0, 5.0, 9.0), 1, -0.25, set(), beyond=True)
    assert moved == (0, pytest.approx(0.8), np.inf)


def test_a_place_past_its_leg_goes_to_the_start_of_the_next() -> None:
    moved = _moved(LINE, adjusted(0.0, 5.0, 9.0), 0, 1.2, set(), beyond=True)
    assert moved == (1, pytest.approx(0.25), np.inf)


@pytest.mark.parametrize(("leg", "sign"), [(0, 1.0), (1, -1.0)])
def test_a_place_at_the_end_of_its_leg_stays(leg: int, sign: float) -> None:
    """Half the tolerance past the end is at the end; a centimetre is not."""
    fit, length = adjusted(0.0, 5.0, 9.0), (5.0, 4.0)[leg]
    end = 1.0 if sign > 0 else 0.0
    near, far = (end + sign * off / length for off in (WITHIN_M / 2, 0.01))
    assert _moved(LINE, fit, leg, near, set(), beyond=True) is None
    assert _moved(LINE, fit, leg, 0.5, set(), beyond=True) is None
    assert _moved(LINE, fit, leg, far, set(), beyond=True) is not None


def test_a_place_sent_back_where_it_came_from_is_at_the_vertex_between() -> None:
    fit = adjusted(0.0, 5.0, 9.0)
    known = {1}
    assert _moved(LINE, fit, 0, 1.2, known, beyond=True) == (0, 1.0, AT_VERTEX_M)
    assert _moved(LINE, fit, 1, -0.2, {0}, beyond=True) == (1, 0.0, AT_VERTEX_M)
    assert known == {0, 1}


@pytest.mark.parametrize(("leg", "then"), [(3, 3), (2, 3)])
def test_a_stop_past_its_leg_is_on_the_next_one_and_past_the_line_stays(
    leg: int, then: int
) -> None:
    shapes = decided(*["straight"] * 4)
    stop = IntermediatePoint(point(0.0, counter=0.0, name="beside"), leg, 0.5)
    line = NetworkLine("L1", tuple(points()), shapes, (stop,))
    fit = adjusted(0.0, 5.0, 9.0, 14.0, 18.0)
    model = SimpleNamespace(path=fit.model.path, lines=[line], intermediate_x={"L1": [0]})
    past = SimpleNamespace(model=model, result=SimpleNamespace(x=np.array([1.2])))
    moved = reassign_legs(line, cast(Fit, past), {})
    assert (moved is line) == (leg == then)
    assert moved.place(moved.intermediates[0])[0] == then


def test_past_the_line_s_end_a_stop_goes_on_and_a_junction_is_at_the_end() -> None:
    fit = adjusted(0.0, 5.0, 9.0)
    assert _moved(LINE, fit, 1, 1.2, set(), beyond=True) is None
    assert _moved(LINE, fit, 1, 1.2, set(), beyond=False) == (1, 1.0, AT_VERTEX_M)
    assert _moved(LINE, fit, 0, -0.2, set(), beyond=True) is None
    assert _moved(LINE, fit, 0, -0.2, set(), beyond=False) == (0, 0.0, AT_VERTEX_M)
    joined = cast(NetworkLine, SimpleNamespace(id="L1", join=object()))
    assert _moved(joined, fit, 0, -0.2, set(), beyond=True) == (0, 0.0, AT_VERTEX_M)
    assert _moved(joined, fit, 1, 1.2, set(), beyond=True) is None


# ---- record --------------------------------------------------------------------------------


@pytest.mark.parametrize(("first", "by"), [("junction", 0.01), ("stop", -0.01)])
def test_a_stop_at_a_junction_is_drawn_just_beside_it(first: str, by: float) -> None:
    """Every vertex has a place of its own; the junction keeps its own, the stop its side of it."""
    leg = (0, 3, 6)
    ends = [_Vertex(float(i), "fix", f"R1/{i}", None, "", np.nan, (3 * i,)) for i in range(2)]
    junction = _Vertex(0.5, "junction", "L2", None, "", np.nan, leg, 0.5, 0.01)
    stop = _Vertex(0.5, "fix", "R2/1", None, "", np.nan, leg, 0.5, 0.01)
    two = [junction, stop] if first == "junction" else [stop, junction]
    got = _spaced([*ends, *two])
    assert [v.ref for v in got] == ["R1/0", *(v.ref for v in two), "R1/1"]
    orders = {v.ref: v.order for v in got}
    assert (orders["L2"], orders["R2/1"]) == pytest.approx((0.5, 0.5 + by))
    assert next(v for v in got if v.ref == "R2/1").share == pytest.approx(0.5 + by)


@pytest.mark.parametrize(
    ("fraction", "leg", "ends", "start", "expected"),
    [
        (0.5, 0, False, True, 0.5),
        (0.001, 0, False, True, 0.005),
        (0.999, 1, False, True, 0.995),
        (1.004, 1, True, True, 0.995),  # not past the end by 10 mm: at it
        (1.006, 1, True, True, 1.006),  # past the line's end it goes straight on
        (1.006, 0, True, True, 0.995),  # but not past the end of another leg
        (-0.004, 0, True, True, 0.005),
        (-0.006, 0, True, True, -0.006),
        (-0.006, 0, True, False, 0.005),  # a line that begins at a junction has nothing before it
        (-0.006, 1, True, True, 0.005),
    ],
)
def test_a_place_keeps_10_mm_from_the_ends_of_its_leg_or_lies_past_the_line_s(
    fraction: float, leg: int, ends: bool, start: bool, expected: float
) -> None:
    """Two legs of 2 m."""
    x = np.array([0.0, 0.0, 0.0, 0.0, 2.0, 0.0, 0.0, 4.0, 0.0])
    xs = np.array([0, 3, 6])
    share, clear = _share(xs, leg, fraction, x, ends=ends, start=start)
    assert share == pytest.approx(expected)
    assert clear == pytest.approx(0.005)


def test_a_record_s_shifts_are_how_far_the_adjustment_moved_each_stop() -> None:
    rng = np.random.default_rng(3)
    path = [(0.0, 0.0, 100.0), (0.0, 16.0, 100.3)]
    scene = Scene().stops(path, np.arange(0.0, 17.0, 4.0), rng=rng)
    linked = scene.link()
    line, fixes = linked.lines[0], linked.fixes
    moved = np.linalg.norm(line.xyz_m - fixes.xyz_m[line.fix], axis=1)
    assert moved.max() > 1e-3
    assert line.shift_m == pytest.approx(moved)
    # and its headings look the way the camera went, up this pipe, from 0 to 360°
    assert (fixes.heading_rad >= 0.0).all()
    assert (fixes.heading_rad < 2 * np.pi).all()
    assert np.cos(fixes.heading_rad) == pytest.approx(np.ones(5), abs=0.05)


# ---- points --------------------------------------------------------------------------------


def fixes_of(tilt_prior_rad: float = np.nan, heading_rad: float = 0.3) -> Fixes:
    """One stop of a run, as it was solved."""
    root = np.random.default_rng(2).normal(size=(5, 5)) * 0.05
    return cast(Fixes, SimpleNamespace(
        run=np.array(["R1"]), stop=np.array(["4"]), counter_m=np.array([12.0]),
        xyz_m=np.array([[1.0, 2.0, 3.0]]), heading_rad=np.array([heading_rad]),
        tilt_rad=np.array([0.05]), cov=(root @ root.T)[None],
        tilt_prior_rad=np.array([tilt_prior_rad]), shared=np.full((1, 5, 1), 0.01),
        by_gnss=np.array([True]),
        depth_m=np.array([1.2]),
        metal=np.array([True]), axis_sigma_m=np.zeros((0, 2)), where=lambda i: "stops.csv:5",
    ))  # fmt: skip


def test_a_stop_enters_with_its_covariance_and_the_transmitter_s_own_against_the_pipe() -> None:
    """A crooked camera is not a crooked pipe: 3° of heading and tilt more; nothing in place."""
    fixes = fixes_of()
    made = _from_fix(fixes, 0, R1, replace(bare_settings(), accuracy=ACCURACY))
    expected = fixes.cov[0] + np.diag([0.0, 0.0, 0.0, *[np.radians(3.0) ** 2] * 2])
    assert made.cov == pytest.approx(expected, rel=1e-9)
    assert [*made.xyz_m, made.heading_rad, made.tilt_rad] == pytest.approx([1, 2, 3, 0.3, 0.05])
    assert made.readings == {"R1": pytest.approx(12.0 - LAG)}
    assert (made.ref, made.where, made.fix, made.gnss) == ("R1/4", "stops.csv:5", 0, True)
    assert (made.depth_m, made.metal) == (1.2, True)
    assert made.shared == pytest.approx(np.full((5, 1), 0.01))


def test_a_stop_that_looks_nowhere_enters_by_its_place_alone() -> None:
    fixes = fixes_of(heading_rad=np.nan)
    made = _from_fix(fixes, 0, R1, replace(bare_settings(), accuracy=ACCURACY))
    assert not made.directed
    assert made.cov[:3, :3] == pytest.approx(fixes.cov[0, :3, :3])
    assert made.shared[:, 0].tolist() == [0.01] * 3 + [0.0] * 2


def test_points_are_turned_to_look_up_the_line_whatever_way_they_were_solved() -> None:
    places = [(0.0, 0.0), (0.0, 4.0), (0.0, 8.0), (4.0, 8.0), (8.0, 8.0)]
    ways = np.radians([0.0, 0.0, 45.0, 90.0, 90.0])
    for seed in range(6):
        turned = np.random.default_rng(seed).random(5) < 0.5
        points = [
            replace(
                point(n, counter=4.0 * i), xyz_m=np.array([e, n, 0.0]),
                heading_rad=float(way + np.pi * back),
            )
            for i, ((e, n), way, back) in enumerate(zip(places, ways, turned, strict=True))
        ]  # fmt: skip
        got = [p.heading_rad for p in oriented(points)]
        assert np.cos(np.array(got) - ways) == pytest.approx(np.ones(5))


def test_where_a_point_most_likely_lies_is_its_regression_on_a_pipe_nearly_level() -> None:
    """A tilt of σ 20° seen at 10°, about 0 ± 5°: moved along by its covariance with the tilt."""
    seen, sigma, prior = np.radians([10.0, 20.0, 5.0])
    one = point(3.0, counter=0.0)
    cov = one.cov.copy()
    cov[4, 4] = sigma**2
    cov[1, 4] = cov[4, 1] = 0.1
    (got,) = likely_positions_m([replace(one, tilt_rad=float(seen), cov=cov)])
    assert got == pytest.approx([0.0, 3.0 - 0.1 * seen / (sigma**2 + prior**2), 0.0])
    (bare,) = likely_positions_m([point(3.0, counter=0.0, kind="exposure")])
    assert bare.tolist() == [0.0, 3.0, 0.0]
