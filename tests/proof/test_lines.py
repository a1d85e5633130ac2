"""The proof of lines: its simulation, its yardsticks, and that it can fail."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
import shapely
from typer.testing import CliRunner

from lateralline.catalogue import Severity
from lateralline.cli import app
from lateralline.findings import Finding
from lateralline.kernels.curves import angle_between, angles
from lateralline.proof import line_scores, lines
from lateralline.proof.coverage import by_hand
from lateralline.proof.line_compare import Turn, contained_share, squares_apart_m2, turns
from lateralline.proof.line_scores import BLUNDER_M, Scores, gathered, named, plant, score_site
from lateralline.proof.line_truth import GRADE, HARDER, STOPS, USUAL, SimulatedSite, simulate_site
from lateralline.proof.lines import Statistic, measures, misses
from lateralline.proof.tables import lines_table
from lateralline.records import Exposures, Floats, Line, Linked, Solved, Stretch
from lateralline.settings import Settings
from lateralline.simulate.truth import TrueLine

#: Few lines, so each test of the whole chain takes seconds.
FEW = 4


@pytest.fixture(scope="module")
def site() -> SimulatedSite:
    return simulate_site(3, 0)


@dataclass(frozen=True)
class Honest:
    """A few lines through the real linker, once for all tests."""

    scores: Scores
    linked: list[Linked]  # of the site, with stops moved, with counters misread


@pytest.fixture(scope="module")
def honest() -> Honest:
    real, linked = line_scores.link, []

    def watched(solved: Solved, exposures: Exposures, settings: Settings) -> Linked:
        linked.append(real(solved, exposures, settings))
        return linked[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_scores, "link", watched)
        return Honest(score_site(3, 0, FEW), linked)


@pytest.fixture
def scores(honest: Honest) -> Scores:
    return honest.scores


def by_name(rows: Sequence[Statistic]) -> dict[str, Statistic]:
    return {m.what: m for m in rows}


# ---- what is simulated ----------------------------------------------------------------------


def test_lines_are_as_the_docstring_says(site: SimulatedSite) -> None:
    turns_deg = []
    for line in site.lines:
        rows = site.rows(line)
        assert STOPS[0] <= len(rows) <= STOPS[1]
        legs = np.diff(line.axis_m, axis=0)
        assert len(legs) <= 4
        turns_deg += np.degrees(angle_between(legs[:-1], legs[1:])).tolist()
        _, tilt = angles(legs)
        gentle = np.tan(tilt) <= GRADE[1] + 1e-9
        assert (np.tan(tilt[gentle]) >= GRADE[0] - 1e-9).all()
        assert not gentle[[0, -1]].any() or gentle[[0, -1]].all()  # steep only inside a drop
        steps = np.diff(np.sort(site.poses.chainage_m[rows]))
        assert steps.min() > 0.9
        for bend in line.chainage_m[1:-1]:
            assert np.abs(site.poses.chainage_m[rows] - bend).min() > 0.5 - 1e-9
    low, high = USUAL.depth_m
    assert low <= site.poses.depth_m.min() < site.poses.depth_m.max() <= high
    deep = simulate_site(3, 0, population=HARDER).poses.depth_m
    assert high < deep.max() <= HARDER.depth_m[1]
    assert 15.0 < min(turns_deg) < max(turns_deg) < 92.0
    ends = site.marks.kind == "end_null"
    at_stop = np.char.add(np.char.add(site.marks.run, "/"), site.marks.stop)[ends]
    _, one_end = np.unique(at_stop, return_counts=True)
    assert set(one_end) == {1, 2}
    assert 0.08 < np.mean(one_end == 1) < 0.22


def test_equal_seeds_give_equal_sites_and_other_seeds_others() -> None:
    a, b, c = (simulate_site(seed, 0, 2) for seed in (5, 5, 6))
    np.testing.assert_array_equal(a.marks.xyz_m, b.marks.xyz_m)
    np.testing.assert_array_equal(a.stops.counter_m, b.stops.counter_m)
    assert a.lines[0].length_m != c.lines[0].length_m


def test_counters_stray_as_much_as_told(site: SimulatedSite) -> None:
    """A step has two readings of 5 cm, a scale of 1 ± 0.015 and slip of 0.5 %."""
    off = []
    for line in site.lines:
        rows = site.rows(line)
        step = np.diff(site.poses.travel_m[rows])
        sigma = np.sqrt(2 * 0.05**2 + (0.015 * step) ** 2 + (0.005 * step) ** 2)
        off.append((np.diff(site.stops.counter_m[rows]) - step) / sigma)
    assert 0.9 < np.std(np.concatenate(off)) < 1.1


def test_the_hand_rule_at_its_best_is_better_across_and_equal_elsewhere(
    site: SimulatedSite,
) -> None:
    plain, best = (by_hand(site.marks, site.stops, squared=s) for s in (False, True))
    off = [(x[:, :3] - site.poses.xyz_m)[:, :2] for x in (plain, best)]
    across = [np.sqrt(np.mean(np.sum(o * site.poses.across, axis=1) ** 2)) for o in off]
    assert across[1] < 0.7 * across[0]
    np.testing.assert_array_equal(plain[:, 3], best[:, 3])


# ---- yardsticks -----------------------------------------------------------------------------

STRAIGHT = TrueLine("L1", np.array([[0.0, 0, 0], [10.0, 0, 0]]), ("MAIN", "CO"))
ELBOW = TrueLine("L1", np.array([[0.0, 0, 0], [5.0, 0, 0], [5.0, 5.0, 0]]), ("MAIN", "", "CO"))


def test_paths_apart_are_measured_both_ways() -> None:
    beside = np.array([[1.0, 0.3, 0.4], [9.0, 0.3, 0.4]])
    assert squares_apart_m2(beside, STRAIGHT, 1.0, 9.0) == pytest.approx(0.25)
    spur = np.array([[1.0, 0, 0], [5.0, 0, 0], [5.0, 2.0, 0], [5.0, 0, 0], [9.0, 0, 0]])
    there, back = np.split(squares_apart_m2(spur, STRAIGHT, 1.0, 9.0), 2)
    assert there.max() == pytest.approx(0.0)  # every place of the pipe is on the path
    assert back.max() == pytest.approx(4.0, rel=0.05)  # not every place of the path is pipe
    short = np.array([[1.0, 0, 0], [7.0, 0, 0]])
    assert squares_apart_m2(short, STRAIGHT, 1.0, 9.0).max() == pytest.approx(4.0)


def test_a_region_holds_a_pipe_whole_or_in_part() -> None:
    assert contained_share(shapely.box(-1, -1, 6, 6), ELBOW, 0.5, 9.5) == 1.0
    assert contained_share(shapely.box(-1, -1, 4.9, 6), ELBOW, 0.5, 9.5) == pytest.approx(4.4 / 9.0)


def adjusted(xyz: Sequence[Sequence[float]], shape: str, sigma_m: float = 0.02) -> Line:
    """A line of two stops, R1/1 and R1/2, with bends between."""
    m = len(xyz)
    kind = np.array(["fix", *["bend"] * (m - 2), "fix"])
    ref = np.array(["R1/1", *[""] * (m - 2), "R1/2"])
    none, number = np.full(m, -1), np.full(m, np.nan)
    joint = sigma_m**2 * np.eye(3 * m)
    stretch = Stretch(0, m - 1, shape, 9.0, 9.0, 9.5, ())
    return Line(
        "L1", kind, ref, none, np.full(m, "R1"), number, np.array(xyz, float),
        np.tile(sigma_m**2 * np.eye(3), (m, 1, 1)), np.zeros((m - 1, 3, 3)), (stretch,), number,
        0.0, 0, joint_cov_m2=joint,
    )  # fmt: skip


def only_turn(true: TrueLine, line: Line, at: tuple[float, float] = (3.0, 7.0)) -> Turn:
    (turn,) = turns(true, dict(zip(("R1/1", "R1/2"), at, strict=True)), line)
    return turn


FOUND = adjusted([[3, 0, 0], [5.05, 0, 0], [5, 2, 0]], "bend")


def test_a_found_bend_is_matched_by_stretch_and_angle() -> None:
    turn = only_turn(ELBOW, FOUND)
    assert turn.turn_rad == pytest.approx(np.pi / 2)
    assert turn.asked
    assert turn.claimed
    assert turn.matched
    skew = only_turn(ELBOW, adjusted([[3, 0, 0], [4.5, 0.2, 0], [5, 2, 0]], "bend"))
    assert skew.claimed
    assert not skew.matched  # 22° short


def test_a_bend_where_there_is_none_is_false_and_a_missed_one_is_missed() -> None:
    false = only_turn(STRAIGHT, FOUND)
    assert false.claimed
    assert not false.asked
    assert not false.matched
    for shape in ("straight", "undecided"):
        missed = only_turn(ELBOW, adjusted([[3, 0, 0], [5, 2, 0]], shape))
        assert missed.asked
        assert not missed.matched
        assert not missed.claimed


def test_a_bend_far_from_its_stops_is_not_asked_after() -> None:
    far = only_turn(ELBOW, adjusted([[1, 0, 0], [5, 0, 0], [5, 4, 0]], "bend"), (1.0, 9.0))
    assert not far.asked
    assert not far.claimed
    assert far.matched


def test_two_bends_in_one_stretch_count_as_what_they_turn_together() -> None:
    twice = np.array([[0.0, 0, 0], [5.0, 0, 0], [5.5, 0.5, 0], [5.5, 5.5, 0]])
    pair = TrueLine("L1", twice, ("MAIN", "", "", "CO"))
    one = only_turn(pair, adjusted([[3, 0, 0], [5.4, 0, 0], [5.5, 2, 0]], "bend"), (3.0, 7.5))
    assert one.bends == 2
    assert one.turn_rad == pytest.approx(np.pi / 2)
    assert one.matched
    aside = np.array([[0.0, 0, 0], [5.0, 0, 0], [5.5, 0.5, 0], [10.0, 0.5, 0]])
    offset = only_turn(
        TrueLine("L1", aside, ("MAIN", "", "", "CO")),
        adjusted([[3, 0, 0], [7, 0.5, 0]], "straight"),
    )
    assert offset.cancels
    assert not offset.drop
    assert not offset.asked


def blunder(subject: str, *suspects: str, severity: Severity = "error") -> Finding:
    values = {"suspects": suspects} if suspects else {}
    return Finding(severity, "link", "blunder", subject, "", "", "", variant="plan", values=values)


def test_naming_is_by_one_finding_of_two_stops_at_most() -> None:
    two = ("stop R1/4", "stop R1/5", "stop R1/5")
    three = (*two, "stop R1/6")
    assert named("R1/4", [blunder("stop R1/4")])
    assert named("R1/5", [blunder("stop R1/4", *two)])
    assert not named("R1/5", [blunder("stop R1/4", *three)])
    assert not named("R1/4", [blunder("stop R1/40")])
    assert not named("R1/4", [blunder("stop R1/4", severity="warning")])
    doubt = replace(blunder("stop R1/4", severity="warning"), code="shape-undecided")
    assert named("R1/4", [replace(doubt, variant="or-wrong")])
    assert not named("R1/4", [replace(doubt, variant="turn")])


def test_blunders_are_planted_in_one_stop_of_every_line_and_nowhere_else(
    site: SimulatedSite,
) -> None:
    moved, misread = plant(site, np.random.default_rng(1))
    step = moved.site.marks.xyz_m - site.marks.xyz_m
    touched = np.abs(step).max(axis=1) > 0.0
    names = np.char.add(np.char.add(site.marks.run, "/"), site.marks.stop)
    assert set(names[touched]) == set(moved.stop)
    assert np.linalg.norm(step[touched], axis=1) == pytest.approx(BLUNDER_M)
    assert not step[:, 2].any()
    off = misread.site.stops.counter_m - site.stops.counter_m
    assert np.count_nonzero(off) == len(site.lines)
    assert np.abs(off[off != 0.0]) == pytest.approx(BLUNDER_M)
    for line, stop in zip(site.lines, moved.stop, strict=True):
        rows = site.rows(line).tolist()
        at = [f"{site.stops.run[i]}/{site.stops.stop[i]}" for i in rows].index(stop)
        assert 2 <= at < len(rows) - 2
    for stop, kind in zip(moved.stop, moved.kind, strict=True):
        row = [f"{r}/{s}" for r, s in zip(site.stops.run, site.stops.stop, strict=True)].index(stop)
        along, across = (
            abs(float(step[names == stop][0, :2] @ axis[row]))
            for axis in (site.poses.along, site.poses.across)
        )
        assert kind == ("along" if along > across else "across")


# ---- the whole, and that it can fail --------------------------------------------------------


def test_adjusted_lines_beat_the_draftsman(scores: Scores) -> None:
    rows = by_name(measures(*scores))
    assert rows["adjusted over hand at its best"].value < 0.75
    assert rows["lines not drawn"].value == 0.0
    assert rows["95 % ellipses of stops that hold the truth"].value > 0.85
    assert rows["recall, 30° and more"].cases > 0
    assert rows["stop moved, named"].cases == rows["counter misread, named"].cases == FEW


def with_linker(
    monkeypatch: pytest.MonkeyPatch, honest: Honest, change: Callable[[Line], Line]
) -> list[str]:
    """What is missed when every adjusted line is spoilt, and all findings are withheld."""
    made = iter(honest.linked)

    def spoilt(solved: Solved, exposures: Exposures, settings: Settings) -> Linked:
        linked = next(made)
        return replace(linked, lines=tuple(map(change, linked.lines)), findings=())

    monkeypatch.setattr(line_scores, "link", spoilt)
    return misses(measures(*score_site(3, 0, FEW)))


def test_a_linker_that_is_off_and_says_nothing_is_caught(
    monkeypatch: pytest.MonkeyPatch, honest: Honest
) -> None:
    aside = np.array([0.3, 0.3, 0.0])

    def moved(line: Line) -> Line:
        paths = line.paths
        if paths is not None:
            paths = replace(paths, xyz_m=paths.xyz_m + aside, corner_m=paths.corner_m + aside)
        return replace(line, xyz_m=line.xyz_m + aside, paths=paths)

    missed = with_linker(monkeypatch, honest, moved)
    assert any("adjusted over hand" in m for m in missed)
    assert any("holds the whole pipe" in m for m in missed)
    assert any("of 0.5 m, named" in m for m in missed)


def unbent(line: Line) -> Line:
    """The same with all bends forgotten."""
    keep = np.flatnonzero(line.kind != "bend")
    place: Floats = np.cumsum(line.kind != "bend") - 1
    at = (3 * keep[:, None] + np.arange(3)).ravel()
    stretches = tuple(
        replace(s, first=int(place[s.first]), last=int(place[s.last]), shape="straight")
        for s in line.stretches
    )
    return replace(
        line, kind=line.kind[keep], ref=line.ref[keep], fix=line.fix[keep], run=line.run[keep],
        counter_m=line.counter_m[keep], xyz_m=line.xyz_m[keep], cov_m2=line.cov_m2[keep],
        cross_m2=line.cross_m2[keep[:-1]], stretches=stretches, shift_m=line.shift_m[keep],
        joint_cov_m2=line.joint_cov_m2[np.ix_(at, at)], direction_rad=line.direction_rad[keep],
        paths=None,
    )  # fmt: skip


def test_a_linker_that_finds_no_bend_is_caught(
    monkeypatch: pytest.MonkeyPatch, honest: Honest
) -> None:
    missed = with_linker(monkeypatch, honest, unbent)
    assert any("recall" in m for m in missed)


def test_a_linker_that_accuses_everyone_is_caught(scores: Scores) -> None:
    scored, planted = scores
    loud = [replace(x, alarmed=True) for x in scored]
    assert any("false alarms" in m for m in misses(measures(loud, planted)))


def test_a_line_that_is_not_drawn_counts_against_the_corridor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def none(solved: Solved, exposures: Exposures, settings: Settings) -> Linked:
        return Linked(solved.fixes, (), ())

    monkeypatch.setattr(line_scores, "link", none)
    rows = measures(*score_site(3, 0, 2))
    assert by_name(rows)["lines not drawn"].value == 1.0
    missed = {m.what for m in rows if m.missed}
    bounded = {m.what for m in rows if m.bounded}
    of_faultless = {"false alarms, lines", "false doubts of a stop, lines"}
    assert missed == bounded - of_faultless  # of nothing, nothing is proven


def test_the_table_shows_every_measure_beside_its_bound(scores: Scores) -> None:
    rows = measures(*scores)
    table = lines_table(rows).splitlines()
    assert len(table) == len(rows) + 2
    assert sum("holds" in row or "missed" in row for row in table) >= sum(m.bounded for m in rows)


def test_parts_are_put_together_in_order(scores: Scores) -> None:
    both = gathered([scores, scores])
    assert [len(x) for x in both] == [2 * len(x) for x in scores]


def test_prove_lines_ends_with_an_exit_code_that_can_be_wrong(
    monkeypatch: pytest.MonkeyPatch, scores: Scores
) -> None:
    monkeypatch.setattr(lines, "score_lines", lambda count, seed, population=None: scores)
    monkeypatch.setattr(lines, "WORST_RATIO", 0.0001)
    failed = CliRunner().invoke(app, ["prove", "lines", "--lines", "5"])
    assert failed.exit_code == 1
    assert "missed: accuracy: adjusted over hand at its best" in failed.output
    assert "level ground" not in failed.output  # lines alone
    held_bounds = [replace(m, least=float("nan"), most=float("nan")) for m in measures(*scores)]
    monkeypatch.setattr(lines, "prove_lines", lambda count, seed: tuple(held_bounds))
    passed = CliRunner().invoke(app, ["prove", "lines", "--lines", "5"])
    assert passed.exit_code == 0
    assert "every bound holds" in passed.output
