"""What to measure next: what it would leave, against a least-squares solution of its own; words."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import numpy as np
import pytest
from scipy import sparse

from lateralline.derive.advice import (
    WORTH,
    Candidate,
    _best,
    candidates,
    missing_marks,
    next_advice,
    outlook,
    typical_fix,
)
from lateralline.derive.axis import Axis, influence, moved_with
from lateralline.derive.chainage import best_run, counters_at, reach
from lateralline.derive.corridor import corridor
from lateralline.derive.ellipses import ELLIPSE_95, INTERVAL_95, ellipses_95
from lateralline.derive.quality import (
    Standard,
    band_columns,
    bands_met,
    line_evidence,
    point_evidence,
)
from lateralline.kernels import curves
from lateralline.published import bands
from lateralline.records import Fixes, Floats, Line, Marks, Stretch
from lateralline.settings import Flow, Pipe, Run, Settings, bare_settings

PIPE = Pipe("L1", "PVC", "4 in SCH40", "sanitary", 0.102, 0.006, "")
LAG_M = 0.35
#: Covariance of the stops of the invented line: east, north, up, heading, tilt.
FIX = np.diag([0.01, 0.0016, 0.0036, 0.005, 0.002])


def site(flow: Flow = "against") -> Settings:
    return replace(bare_settings(), runs=(Run("R1", "L1", "CO1", 0.0, flow, LAG_M, 0.03),))


def axis_with(
    sigma_m: list[float],
    shapes: list[str],
    *,
    slope_rad: float = 0.03,
    slack_m: float = 0.4,
    common_m: float = 0.0,
) -> Axis:
    """An axis along a 45° bearing, a fix every 3 m, σ of each alike on every axis."""
    m = len(sigma_m)
    step = 3.0 * np.array([np.sqrt(0.5), np.sqrt(0.5), 0.02])
    xyz = np.array([0.0, 0.0, 100.0]) + np.arange(m)[:, None] * step
    full: Floats = np.kron(np.diag(np.square(sigma_m)) + common_m**2, np.eye(3)).astype(np.float64)
    blocks = full.reshape(m, 3, m, 3).transpose(0, 2, 1, 3)
    i, at = np.arange(m), curves.chainage(xyz)
    leg = float(at[1])
    reach = leg + slack_m if slack_m < inf else nan
    line = Line(
        line="L1",
        kind=np.array(["fix"] * m),
        ref=np.array([f"R1/{v + 1}" for v in range(m)]),
        fix=i,
        run=np.array(["R1"] * m),
        counter_m=10.0 + at,
        xyz_m=xyz,
        cov_m2=blocks[i, i],
        cross_m2=blocks[i[:-1], i[1:]],
        stretches=tuple(Stretch(v, v + 1, s, leg, leg, reach, ()) for v, s in enumerate(shapes)),
        shift_m=np.zeros(m),
        chi2=0.0,
        dof=0,
        joint_cov_m2=full,
    )
    flat = np.zeros(m)
    return Axis(line, PIPE, at, flat + 0.03, flat + 102.0, flat + 0.02, np.full((m, 2), slope_rad))


def fixes_of(axis: Axis) -> Fixes:
    m = len(axis.line.fix)
    one = np.ones(m)
    return Fixes(
        run=axis.line.run,
        stop=np.array([str(v + 1) for v in range(m)]),
        row=np.arange(m),
        counter_m=axis.line.counter_m + LAG_M,
        xyz_m=axis.line.xyz_m,
        heading_rad=one,
        tilt_rad=one,
        cov=np.tile(FIX, (m, 1, 1)),
        ground_m=one,
        depth_m=one,
        depth_sigma_m=one,
        chi2=one,
        dof=np.arange(m),
        status=np.array(["located"] * m),
        reason=np.array([""] * m),
        marks_used=np.arange(m),
        tilt_prior_rad=one,
    )


def marks_of(kinds: dict[str, list[str]]) -> Marks:
    """Marks of the stops of R1, by stop; a kind that begins with - was not placed."""
    rows = [(stop, kind) for stop, of_stop in kinds.items() for kind in of_stop]
    n = len(rows)
    text, number = np.array([""] * n), np.zeros(n)
    return Marks(
        file="marks.csv",
        row=np.arange(n),
        mark=text,
        run=np.array(["R1"] * n),
        stop=np.array([stop for stop, _ in rows], np.str_),
        kind=np.array([kind.removeprefix("-") for _, kind in rows], np.str_),
        method=text,
        note=text,
        xyz_m=np.zeros((n, 3)),
        cov_m2=np.zeros((n, 3, 3)),
        level_known=number > 0,
        placed=np.array([not kind.startswith("-") for _, kind in rows], np.bool_),
        misfit_chi2=number,
        misfit_dof=np.arange(n),
    )


FULL = ["end_null", "end_null", "mid_null"]


# ---- what a measurement leaves ------------------------------------------------------------


def _state_cov(axis: Axis) -> Floats:
    """How a line's state (5m) moves with itself."""
    return moved_with(axis, sparse.csr_array(np.eye(5 * len(axis.line.kind))))


def test_the_state_gives_every_point_its_covariance() -> None:
    axis = axis_with([0.05, 0.03, 0.08], ["straight"] * 2, common_m=0.04)
    points = axis.at(np.linspace(0.0, axis.length_m, 23))
    by = influence(axis, points).toarray().reshape(len(points.chainage_m), 3, -1)
    assert by @ _state_cov(axis) @ np.swapaxes(by, 1, 2) == pytest.approx(points.cov_m2, abs=1e-15)


@pytest.mark.parametrize("where", [0.0, 2.9, 4.5, 8.0])
def test_what_is_left_is_that_of_a_least_squares_solution(where: float) -> None:
    """Normal equations with the new observation, inverted whole; no update formula."""
    axis = axis_with([0.05, 0.03, 0.08, 0.04], ["straight"] * 3, common_m=0.04)
    measured = np.diag([0.0004, 0.0009, 0.0001])
    found = outlook(axis, corridor(axis), [Candidate("exposure", where, measured)])
    here = influence(axis, axis.at(np.array([where]))).toarray()
    normal = np.linalg.inv(_state_cov(axis)) + here.T @ np.linalg.inv(measured) @ here
    points = axis.at(np.concatenate([part.chainage_m for part in axis.sampled]))
    by = influence(axis, points).toarray().reshape(len(points.chainage_m), 3, -1)
    left = by @ np.linalg.inv(normal) @ np.swapaxes(by, 1, 2)
    assert found["plan"].after_m[0] == pytest.approx(ellipses_95(left).semi_major_m.max(), rel=1e-6)
    level = INTERVAL_95 * np.sqrt(left[:, 2, 2].max())
    assert found["level"].after_m[0] == pytest.approx(level, rel=1e-6)


def test_a_useless_measurement_changes_nothing_and_a_common_error_is_shrunk_everywhere() -> None:
    axis = axis_with([0.01] * 3, ["straight"] * 2, common_m=0.10)
    region = corridor(axis)
    none = outlook(axis, region, [Candidate("exposure", 3.0, np.eye(3) * 1e8)])
    assert none["plan"].after_m[0] == pytest.approx(none["plan"].before_m, rel=1e-6)
    far = outlook(axis, region, [Candidate("exposure", 0.0, np.eye(3) * 1e-6)])
    assert far["plan"].after_m[0] < 0.6 * far["plan"].before_m


def test_only_a_stop_in_it_settles_an_undecided_stretch() -> None:
    axis = axis_with([0.03] * 3, ["straight", "undecided"])
    region = corridor(axis)
    before = float(region.off_m[1])
    inside = outlook(axis, region, [Candidate("stop", 4.5, FIX[:3, :3], stretch=1)])
    assert inside["plan"].before_m == pytest.approx(before)
    assert inside["plan"].at_m == pytest.approx(4.5, abs=0.2)
    # no better there than the stop itself
    assert inside["plan"].after_m[0] == pytest.approx(ELLIPSE_95 * 0.1, rel=1e-6)
    assert inside["level"].after_m[0] == pytest.approx(INTERVAL_95 * 0.06, rel=1e-6)
    for other in (
        [Candidate("stop", 1.5, FIX[:3, :3], stretch=0)],
        [Candidate("exposure", 3.0, np.eye(3) * 1e-4)],
    ):
        assert outlook(axis, region, other)["plan"].after_m[0] == pytest.approx(before)


def test_many_candidates_are_worked_out_as_each_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    axis = axis_with([0.05, 0.03, 0.08], ["straight", "undecided"], common_m=0.04)
    region, fixes = corridor(axis), fixes_of(axis)
    all_of_them = candidates(axis, fixes, {"R1/1": "the mid null"}, site())
    at_once = outlook(axis, region, all_of_them)
    monkeypatch.setattr("lateralline.derive.advice._AT_ONCE", 1)
    in_turn = outlook(axis, region, all_of_them)
    assert at_once["plan"].after_m == pytest.approx(in_turn["plan"].after_m)
    assert at_once["level"].after_m == pytest.approx(in_turn["level"].after_m)


# ---- which, and in what words -------------------------------------------------------------


def test_what_nulls_a_stop_lacks() -> None:
    marks = marks_of({
        "1": FULL,
        "2": ["end_null", "peak_total"],
        "3": ["end_null", "-end_null", "mid_null"],
        "4": ["peak_total"],
    })  # fmt: skip
    assert missing_marks(marks) == {
        "R1/1": "",
        "R1/2": "the other end null and the mid null",
        "R1/3": "the other end null",
        "R1/4": "both end nulls and the mid null",
    }


def test_every_candidate_has_its_accuracy() -> None:
    axis = axis_with([0.05] * 3, ["straight", "undecided"])
    found = candidates(axis, fixes_of(axis), {"R1/2": "the mid null"}, site())
    assert [(c.kind, c.vertex, c.stretch) for c in found] == [
        ("exposure", 0, -1),
        ("exposure", 1, -1),
        ("marks", 1, -1),
        ("exposure", 2, -1),
        ("exposure", -1, 0),
        ("stop", -1, 0),
        ("stop", -1, 1),  # nothing is dug for where nobody knows where
    ]
    assert found[2].cov_m2 == pytest.approx(FIX[:3, :3])
    assert found[5].cov_m2 == pytest.approx(np.diag([0.0058, 0.0058, 0.0036]))
    assert found[0].cov_m2 == pytest.approx(np.eye(3) * site().accuracy.exposure_m ** 2)
    assert typical_fix(np.tile(FIX, (2, 1, 1))) == pytest.approx(found[6].cov_m2)


def test_an_undecided_stretch_asks_for_a_stop_by_counter_and_chainage() -> None:
    """Counters as the crew reads them: the camera's face is a lag ahead of the transmitter."""
    axis = axis_with([0.03] * 3, ["straight", "undecided"])
    marks = marks_of({str(v): FULL for v in (1, 2, 3)})
    (found,) = next_advice(axis, corridor(axis), fixes_of(axis), marks, site())
    assert (found.severity, found.code, found.subject) == ("info", "advice-next", "line L1")
    said = found.values
    assert found.variant == "stop"
    assert (said["start_counter"], said["end_counter"]) == pytest.approx((13.35, 16.35), abs=0.005)
    assert (said["unit"], said["run"]) == ("m", "R1")
    assert (said["start_m"], said["end_m"]) == pytest.approx((3.0, 6.0), abs=0.005)
    assert said["both"]
    assert said["plan_95_m"] == pytest.approx(corridor(axis).off_m[1])


def test_between_stops_of_two_runs_one_run_s_counter_is_named_in_the_crew_s_unit() -> None:
    """R1 has read on both sides of the stretch, R2 at one end of it only."""
    axis = axis_with([0.03] * 4, ["straight", "undecided", "straight"])
    run = np.array(["R1", "R1", "R2", "R1"])
    counter = np.where(run == "R1", axis.line.counter_m, 50.0)
    axis = replace(axis, line=replace(axis.line, run=run, counter_m=counter))
    settings = site()
    again = replace(settings.runs[0], id="R2")
    settings = replace(settings, runs=(again, *settings.runs), units={"counter": "ft"})
    marks = marks_of({str(v): FULL for v in (1, 2, 3, 4)})
    (found,) = next_advice(axis, corridor(axis), fixes_of(axis), marks, settings)
    # 10 m and a lag of 0.35 m, and one leg or two of 3.0006 m
    said = found.values
    assert (said["start_counter"], said["end_counter"]) == pytest.approx((43.80, 53.65), abs=0.005)
    assert (found.variant, said["unit"], said["run"]) == ("stop", "ft", "R1")
    assert (said["start_m"], said["end_m"]) == pytest.approx((3.0, 6.0), abs=0.005)


@pytest.mark.parametrize("flow", ["against", "with"])
def test_a_place_has_the_reading_that_leads_back_to_it(flow: Flow) -> None:
    """Also past the last stop, where the adjusted counter scale rules."""
    axis = axis_with([0.03] * 3, ["straight"] * 2)
    counter = axis.line.counter_m if flow == "against" else axis.line.counter_m[::-1]
    line = replace(axis.line, counter_m=counter, counter_scale={"R1": (1.02, 0.01)})
    axis, settings = replace(axis, line=line), site(flow)
    run, places = settings.runs[0], np.array([-0.5, 0.0, 1.0, 4.5, 6.0, 6.8])
    read = counters_at(axis, run, places)
    assert read is not None
    back = reach(axis, run, read - LAG_M, settings.accuracy)  # the face stood where it reads
    assert back.chainage_m == pytest.approx(places)
    assert best_run(axis, [run], places) is run
    assert best_run(axis, [replace(run, id="R9")], places) is None
    assert counters_at(axis, replace(run, id="R9"), places) is None


def test_a_weak_stop_asks_for_its_missing_marks_rather_than_for_more_work() -> None:
    """Its own covariance once more halves what it has; digging there does no better overall."""
    axis = axis_with([0.02, 0.02, 0.02, 0.02, 0.075], ["straight"] * 4, slope_rad=0.005)
    marks = marks_of({"1": FULL, "2": FULL, "3": FULL, "4": FULL, "5": ["end_null", "mid_null"]})
    weak = fixes_of(axis)
    weak.cov[:] = np.eye(5) * 0.02**2
    found = next_advice(axis, corridor(axis), weak, marks, site())
    assert [(f.variant, f.values["at"], f.values["missing"]) for f in found] == [
        ("marks", "stop R1/5", "the other end null")
    ]
    assert found[0].values["start_counter"] == pytest.approx(22.35, abs=0.005)
    assert found[0].values["start_m"] == pytest.approx(12.0, abs=0.005)


def test_an_exposure_is_asked_for_by_hand_or_vacuum_after_the_one_call_service() -> None:
    axis = axis_with([0.02, 0.20, 0.02], ["straight"] * 2, slope_rad=0.005)
    marks = marks_of({"1": FULL, "2": FULL, "3": FULL})
    found = next_advice(axis, corridor(axis), fixes_of(axis), marks, site())
    assert (found[0].variant, found[0].values["at"]) == ("exposure", "stop R1/2")
    assert "by hand or vacuum" in found[0].what_to_do
    assert "one-call service" in found[0].what_to_do


def test_nothing_is_advised_that_would_help_little_or_cannot_be_told() -> None:
    good = axis_with([0.005] * 4, ["straight"] * 3, slope_rad=0.0005, common_m=0.0)
    marks = marks_of({str(v): FULL for v in (1, 2, 3, 4)})
    assert next_advice(good, corridor(good), fixes_of(good), marks, site()) == ()
    lost = axis_with([0.03] * 3, ["undecided", "undecided"], slack_m=inf)
    assert next_advice(lost, corridor(lost), fixes_of(lost), marks, site()) == ()


def test_a_stop_settles_a_stretch_no_counter_bounds() -> None:
    axis = axis_with([0.03] * 3, ["straight", "undecided"], slack_m=inf)
    marks = marks_of({str(v): FULL for v in (1, 2, 3)})
    (found,) = next_advice(axis, corridor(axis), fixes_of(axis), marks, site())
    assert (found.variant, found.values["plan_unbounded"]) == ("stop", True)


# ---- quality rules ------------------------------------------------------------------------

STANDARDS: tuple[tuple[Standard, str], ...] = (("PAS 128", "pas128"), ("AS 5488", "as5488"))


@pytest.mark.parametrize(("standard", "name"), STANDARDS)
def test_each_rule_names_the_band_it_gave_and_what_the_next_one_asks(
    standard: Standard, name: str
) -> None:
    plan = np.array([0.01, 0.10, 0.20, 0.28, 0.45, 2.0, nan])
    sigma, depth = np.full(7, 0.04), np.full(7, 1.2)
    columns = band_columns(point_evidence(plan, sigma, depth, np.array([True] + [False] * 6)))
    for band, rule in zip(columns[f"{name}_band"], columns[f"{name}_rule"], strict=True):
        keys = [b.key for b in bands(standard)]
        if band == "unknown":
            assert rule == "nothing bounds the plan position"
            continue
        tighter = keys[-1] if band == "outside" else keys[max(keys.index(str(band)) - 1, 0)]
        assert (f"not {tighter}:" in str(rule)) == (tighter != band)
        assert ("≤" in str(rule)) == (band != "outside")
        assert bands(standard)[-1].source.split(",")[0] in str(rule)


def test_a_rule_says_number_limit_source_and_what_is_from_memory() -> None:
    """PAS 128 B1: 150 mm or 15 % of depth, read; its level limit is from memory."""
    columns = band_columns(
        point_evidence(np.array([0.16]), np.array([0.05]), np.array([1.2]), np.array([False]))
    )
    assert columns["pas128_rule"] == [
        "plan 0.160 m ≤ 0.180 m (share of depth), depth 0.098 m ≤ 0.180 m (share of depth, "
        "limit from memory, not read) [BSI PAS 128, summary page]; not A: not exposed"
    ]
    unknown = band_columns(
        point_evidence(np.array([0.16]), np.array([nan]), np.array([nan]), np.array([False]))
    )
    assert "not B2: depth not known" in str(unknown["pas128_rule"][0])


def test_no_feature_is_given_what_only_exposed_points_may_have() -> None:
    plan, sigma, depth = np.array([0.001]), np.array([0.001]), np.array([1.0])
    assert bands_met("PAS 128", plan, sigma, depth, np.array([True])) == ["A"]
    columns = band_columns([line_evidence(plan, sigma, depth)])
    assert (columns["pas128_band"], columns["as5488_band"]) == (["B1"], ["B"])
    assert columns["asce38_rule"] == ["ASCE 38-22 sets no numeric tolerance"]


def test_a_feature_s_rule_is_that_of_its_worst_place() -> None:
    plan, sigma = np.array([0.10, 0.31, 0.35, 0.12]), np.full(4, 0.03)
    columns = band_columns([line_evidence(plan, sigma, np.array([1.0, 1.0, 1.0, 0.9]))])
    assert columns["as5488_band"] == ["outside"]
    assert columns["as5488_rule"] == ["not B: plan 0.350 m > 0.300 m [Standards Australia AS 5488]"]


@pytest.mark.parametrize(
    ("after_m", "best"),
    [
        ([0.19, 0.181], -1),
        ([0.19, WORTH * 0.2], 1),  # nine tenths of what it was
        ([0.100, 0.104, 0.106], 1),  # 5 mm more, and no digging; 6 mm more is too much
        ([0.100, 0.106, 0.106], 0),
        ([inf, inf], -1),
    ],
)
def test_what_leaves_over_nine_tenths_is_not_worth_a_trip_and_of_equals_the_least_work_is(
    after_m: list[float], best: int
) -> None:
    possible = [Candidate(kind, 1.0, FIX[:3, :3]) for kind in ("exposure", "stop", "marks")]
    assert _best(possible[: len(after_m)], 0.2, np.array(after_m)) == best
