"""The search for shapes and gross errors on one small line: what is weighed, kept and told."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy.stats import chi2

from lateralline.link.gather import gather_fixes
from lateralline.link.lines import LocatedPoint, NetworkLine
from lateralline.link.path_filter import filtered
from lateralline.link.path_looks import POOR, POOR_SHARE, doubted_noises
from lateralline.link.paths import path_data
from lateralline.link.search import Fit, least_squares, run_searches, with_effects
from lateralline.link.selection import _select, bends_stand_clear, find_steps
from lateralline.link.shapes import likeliest_bends
from lateralline.records import Fixes
from lateralline.settings import bare_settings
from tests.link.test_model import decided
from tests.link.test_paths import STRAIGHT, points
from tests.link.test_steps import fixes_of
from tests.support.finding_names import called
from tests.support.made_scene import ACCURACY, PVC, R1, Scene


def stops(
    *, at: int = 99, up_m: float = 0.0, aside_m: dict[int, float] | None = None
) -> NetworkLine:
    """Eight stops every 2 m, drawn straight; from one on so much higher, some so far aside."""
    line = points([(0.0, 2.0 * i, 0.02 * i + up_m * (i > at), 0.0, 0.01) for i in range(8)])
    for i, by in (aside_m or {}).items():
        line[i] = replace(line[i], xyz_m=line[i].xyz_m + np.array([by, 0.0, 0.0]))
    return NetworkLine("L1", tuple(line), decided(*["straight"] * 7))


def test_a_line_is_told_how_far_each_blunder_by_itself_would_have_pulled_it() -> None:
    """Two stops, 0.8 m to the right and 1.2 m to the left: each moves the line most at its own."""
    line = stops(aside_m={2: 0.8, 5: -1.2})
    (fit,) = run_searches([least_squares([line], ACCURACY)])
    (told,) = run_searches([with_effects(fit)])
    assert {s.alternative.subject.ref for s in told.left_out} == {"R1/2", "R1/5"}
    for s in told.left_out:
        assert s.moved_most == f"stop {s.alternative.subject.ref}"
        assert s.moved_m > 0.1


@pytest.mark.parametrize(("up_m", "shape"), [(0.2, "straight"), (0.5, "undecided")])
def test_a_stretch_drawn_straight_is_left_open_where_the_pipe_surely_steps_up(
    up_m: float, shape: str
) -> None:
    """Level looks on both sides of a drop: 0.2 m may be their error, 0.5 m is none."""
    line = stops(at=3, up_m=up_m)
    (fit,) = run_searches([least_squares([line], ACCURACY)])
    ((found, _),) = run_searches([find_steps(line, fit, ACCURACY)])
    assert found.shapes.shape == (*["straight"] * 3, shape, *["straight"] * 3)


@pytest.mark.parametrize(("aside_m", "bends"), [(0.2, 1), (0.4, 2)])
def test_a_bend_gives_way_to_two_that_gain_what_one_more_costs(aside_m: float, bends: int) -> None:
    """Aside at 45° and on: χ² of two bends less than of one by 16.3 at least."""
    line = stops()
    longer = aside_m * (np.sqrt(2.0) - 1.0)
    beyond = [
        replace(
            p,
            xyz_m=p.xyz_m + np.array([aside_m, 0.0, 0.0]),
            readings={"R1": p.readings["R1"] + longer},
        )
        for p in line.points[4:]
    ]
    line = replace(line, points=(*line.points[:4], *beyond))
    one, two = likeliest_bends(line.points, 3, ACCURACY)
    bent = line.with_shapes(line.shapes.bent(3, one))
    twice = line.with_shapes(line.shapes.bent(3, two))
    fit, better = run_searches([least_squares([x], ACCURACY) for x in (bent, twice)])
    ((found, _),) = run_searches([_select(bent, fit, 3, ACCURACY)])
    assert len(found.shapes.bends_m[3]) == bends
    assert (fit.score - better.score > chi2.isf(0.001, 3)) == (bends == 2)


@pytest.mark.parametrize(
    ("turn_deg", "leg_m", "clear"),
    [(45.0, 1.0, True), (130.0, 1.0, True), (140.0, 1.0, False), (45.0, 0.04, False)],
)
def test_bends_stand_clear_when_no_leg_is_short_and_none_is_a_hairpin(
    turn_deg: float, leg_m: float, clear: bool
) -> None:
    """Legs of 50 mm at least, turns up to 135°; what the line does elsewhere is another matter."""
    turn = np.radians(turn_deg)
    corner = np.array([0.0, 3.0, 0.0])
    past = corner + leg_m * np.array([np.sin(turn), np.cos(turn), 0.0])
    path = np.array([[0.0, 1.0, 0.0], [0.0, 1.01, 0.0], corner, past, past - [0.0, 0.01, 0.0]])
    model = SimpleNamespace(path=lambda line, x: path)
    fit = cast(Fit, SimpleNamespace(model=model, result=SimpleNamespace(x=np.zeros(0))))
    line = SimpleNamespace(id="L1", path=(path, np.array([0, 1, 3, 4])))
    assert bends_stand_clear(fit, cast(NetworkLine, line), 1) is clear


def test_of_a_point_seen_the_place_may_be_wrong_or_poor_and_of_one_counted_the_counter() -> None:
    """A level alone, counted: all may be; a counter alone has no place to doubt."""
    line = points(STRAIGHT)
    cov = np.zeros((5, 5))
    nowhere = LocatedPoint(
        "exposure", "E1", "", -1, np.full(3, np.nan), *[np.nan] * 2, cov, {"R1": 15.0}
    )
    data, _ = path_data([*line[:3], nowhere, *line[3:]], ACCURACY)
    noise = np.eye(6)[None] * 0.01
    place, counter, (share, poor) = doubted_noises(data, 1, noise)
    assert place[1] is not None
    assert counter[1] is not None
    assert share == POOR_SHARE
    assert poor is not None
    assert np.diagonal(poor[0]) == pytest.approx([0.01 * POOR**2] * 5 + [0.01])
    place, counter, (_, poor) = doubted_noises(data, 3, noise[:, :1, :1])
    assert place[1] is None
    assert counter[1] is not None
    assert poor is None


def test_a_stop_whose_heading_has_no_error_is_used_by_its_place() -> None:
    """Nothing is known of where it looks; what is known of where it lies is complete."""
    fixes = fixes_of(heading_rad=np.nan)
    fixes.cov[0, 3:, :] = fixes.cov[0, :, 3:] = np.nan
    fixes = cast(Fixes, SimpleNamespace(**vars(fixes), row=np.array([5]), solved=np.array([True])))
    settings = replace(bare_settings(), accuracy=ACCURACY, runs=(R1,))
    (used,), _ = gather_fixes("L1", fixes, settings)
    assert used.ref == "R1/4"
    assert not used.directed
    fixes.cov[0, 0, 0] = np.nan
    none, findings = gather_fixes("L1", fixes, settings)
    assert none == []
    assert "stop-not-located/no-error" in [called(f) for f in findings]


def test_where_marks_tell_nothing_a_stretch_bends_as_often_as_pipe_does() -> None:
    """One bend in 20 m, 72 % of bends by themselves: of the next 2 m, against none at all."""
    first, second, *rest = points(STRAIGHT, counted=False)
    vague = replace(second, cov=np.diag([1e3] * 5) ** 2, heading_rad=np.nan, tilt_rad=np.nan)
    data, _ = path_data([first, vague, *rest], ACCURACY)
    after = filtered(data).steps[1]
    share = [np.exp(after.log_weight)[after.kind == kind].sum() for kind in (0, 1)]
    once = 0.72 * np.expm1(2.0 * ACCURACY.bends_per_m)
    assert share[1] / share[0] == pytest.approx(once, rel=1e-3)


def test_a_pipe_known_at_one_stop_strays_from_there_by_what_pipes_wander() -> None:
    """1° over √m: 2.85 cm aside at the next stop 2 m on, and as much more as the cube of it."""
    known = replace(points(STRAIGHT)[0], cov=np.diag([1e-4] * 5) ** 2)
    for apart_m in (2.0, 4.0):
        line = points([(0.0, apart_m * i, 0.02 * i, 0.0, 0.01) for i in range(4)])
        line = [replace(p, readings={"R1": apart_m * i}) for i, p in enumerate([known, *line[1:]])]
        data, _ = path_data(line, ACCURACY)
        after = filtered(data).steps[1]
        straight = int(np.flatnonzero(after.kind == 0)[0])
        aside = np.sqrt(after.predicted_cov[straight, 0, 0])
        assert aside == pytest.approx(np.radians(1.0) * np.sqrt(apart_m**3 / 3.0), rel=0.01)


def test_of_two_groups_of_stops_those_near_another_line_are_drawn() -> None:
    """Three here and three 5 km off, among them nothing to choose, but for line L2 beside one."""
    r2 = replace(R1, id="R2", line="L2")
    scene = Scene(runs=[R1, r2], pipes=[PVC, replace(PVC, line="L2")])
    scene.stops([[0.0, 0.0, 0.0], [0.0, 8.0, 0.1]], [1.0, 3.0, 5.0])
    scene.stops([[4e3, 3e3, 0.0], [4e3, 3008.0, 0.1]], [6.5, 7.0, 7.5])
    scene.stops([[4.0, 0.0, 0.0], [4.0, 8.0, 0.1]], [1.0, 3.0, 5.0], run=r2)
    linked = scene.link()
    (line,) = [x for x in linked.lines if x.line == "L1"]
    assert np.abs(line.xyz_m[:, :2]).max() < 10.0
