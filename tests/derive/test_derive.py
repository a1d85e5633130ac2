"""The derive stage on lines made in code: levels, places, bends, grades, ties, and every layer."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, nan, radians
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lateralline import contract
from lateralline.derive import derive
from lateralline.derive.advice import stop_advice
from lateralline.derive.axis import Axis, axis_of, ground_sigmas_m, ride_heights_m
from lateralline.derive.chainage import CARRY_ON_M, reach
from lateralline.derive.grades import grade_between, grade_findings
from lateralline.derive.nodes import bend_angle
from lateralline.derive.tables import layer
from lateralline.derive.ties import ControlPoints, two_tapes
from lateralline.errors import ContractError
from lateralline.findings import Finding, finding
from lateralline.frames import site_frame
from lateralline.kernels import curves
from lateralline.records import (
    AccuracyEvidence,
    AdjustedParameter,
    ControlRows,
    Exposures,
    FieldRecord,
    Fixes,
    Floats,
    Line,
    Linked,
    MarkResults,
    Marks,
    ObservationRows,
    Product,
    Solved,
    StopRows,
    Stretch,
)
from lateralline.settings import Branch, Flow, Pipe, Run, Settings, bare_settings, standard_accuracy
from tests.support.as_frames import to_frames
from tests.support.bare_record import bare_record
from tests.support.finding_names import called

GROUND_M = 102.0
SEGMENTS = [f"L1/segment-{i}" for i in range(1, 9)]
NONE_TEXT = np.empty(0, np.str_)
NONE_REAL = np.empty(0)
NONE_WHOLE = np.empty(0, np.int64)


# ---- a site made in code ------------------------------------------------------------------
# L1 goes 6 m north, bends 45° to the right, goes 4 m on; L2 joins at its bend. Invented.

SIDE = 4 * np.sqrt(0.5)
L1_XYZ = np.array([[0, 0, 100.0], [0, 3, 100.06], [0, 6, 100.12], [SIDE, 6 + SIDE, 100.2]])
L2_XYZ = np.array([[0, 6, 100.12], [-3, 6, 100.2]])


def made_settings(flow: Flow = "against") -> Settings:
    return replace(
        bare_settings(),
        id="EX-1",
        pipes=(
            Pipe("L1", "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401"),
            Pipe("L2", "", "", "unknown", nan, nan, ""),
        ),
        runs=(
            Run("R1", "L1", "CO1", -0.5, flow, 0.35, 0.03),
            Run("R2", "L2", "CO2", 0.0, "with", 0.35, 0.03),
        ),
        branches=(Branch("L2", "L1", nan, "R1"),),
        dig_rule="cga",
        dig_tolerance_m=nan,
    )


def made_line(
    name: str,
    xyz: Floats,
    kind: list[str],
    ref: list[str],
    fix: list[int],
    run: list[str],
    counter_m: list[float],
    stretches: list[Stretch],
    sigma_m: float = 0.05,
) -> Line:
    m = len(xyz)
    return Line(
        line=name,
        kind=np.array(kind),
        ref=np.array(ref),
        fix=np.array(fix),
        run=np.array(run),
        counter_m=np.array(counter_m),
        xyz_m=xyz,
        cov_m2=np.tile(np.eye(3) * sigma_m**2, (m, 1, 1)),
        cross_m2=np.tile(np.eye(3) * sigma_m**2 / 2, (m - 1, 1, 1)),
        stretches=tuple(stretches),
        shift_m=np.where(np.array(fix) >= 0, 0.02, nan),
        chi2=3.0,
        dof=4,
        counter_scale={"R1": (1.0, 0.004)} if name == "L1" else {},
    )


def line_1() -> Line:
    """Two fixes on the straight, a bend, a fix: counters run upstream, as against the flow."""
    at = curves.chainage(L1_XYZ)
    long = float(at[3] - at[1])
    return made_line(
        "L1",
        L1_XYZ,
        ["fix", "fix", "bend", "fix"],
        ["R1/1", "R1/2", "", "R1/3"],
        [0, 1, -1, 2],
        ["R1", "R1", "", "R1"],
        [1.0, 1.0 + float(at[1]), nan, 1.0 + float(at[3])],
        [
            Stretch(0, 1, "straight", float(at[1]), float(at[1]), float(at[1]) + 0.15, ()),
            Stretch(1, 3, "bend", long, 6.48, long + 0.2, (radians(45),)),
        ],
    )


def line_2() -> Line:
    chord = float(np.linalg.norm(L2_XYZ[1] - L2_XYZ[0]))
    line = made_line(
        "L2",
        L2_XYZ,
        ["junction", "fix"],
        ["L1", "R2/1"],
        [-1, 3],
        ["", "R2"],
        [nan, 5.0],
        [Stretch(0, 1, "undecided", nan, chord, nan, ())],
    )
    return replace(line, joins="L1", joins_at=2)


def made_fixes() -> Fixes:
    """Three fixes of R1, one of R2, and one of R2 without solution."""
    xyz = np.vstack([L1_XYZ[[0, 1, 3]], L2_XYZ[1:], np.full((1, 3), nan)])
    cov = np.tile(np.diag([0.01, 0.0025, 0.0036, radians(4) ** 2, radians(3) ** 2]), (5, 1, 1))
    cov[4] = nan
    return Fixes(
        run=np.array(["R1", "R1", "R1", "R2", "R2"]),
        stop=np.array(["1", "2", "3", "1", "2"]),
        row=np.arange(2, 7),
        counter_m=np.array([1.35, 4.35, 11.35, 5.35, 8.0]),
        xyz_m=xyz,
        heading_rad=np.array([0.0, 0.0, radians(-315), radians(90), nan]),
        tilt_rad=np.array([0.02, 0.02, 0.02, -0.02, nan]),
        cov=cov,
        ground_m=np.array([GROUND_M] * 4 + [nan]),
        depth_m=GROUND_M - xyz[:, 2],
        depth_sigma_m=np.array([0.06] * 4 + [nan]),
        chi2=np.array([1.0, 2.0, 1.5, 0.5, nan]),
        dof=np.array([2, 2, 2, 1, 0]),
        status=np.array(["located", "located", "located", "weak", "not_located"]),
        reason=np.array(["", "", "", "one end null", "no marks with a position"]),
        marks_used=np.array([4, 4, 4, 3, 0]),
        tilt_prior_rad=np.full(5, nan),
    )


def made_marks() -> Marks:
    """Two marks a stop for R1/1 (σ level 0.02), one unplaced for R2/2."""
    cov = np.tile(np.diag([0.0009, 0.0009, 0.0004]), (3, 1, 1))
    cov[2] = nan
    return Marks(
        file="marks.csv",
        row=np.array([2, 3, 4]),
        mark=np.array(["M1", "M2", "M3"]),
        run=np.array(["R1", "R1", "R2"]),
        stop=np.array(["1", "1", "2"]),
        kind=np.array(["end_null", "mid_null", "end_null"]),
        method=np.array(["ties", "offset", "ties"]),
        note=np.array(["", "wet", ""]),
        xyz_m=np.array([[0, 1.4, GROUND_M], [0, 0, GROUND_M], [nan] * 3]),
        cov_m2=cov,
        level_known=np.array([True, False, False]),
        placed=np.array([True, True, False]),
        misfit_chi2=np.array([0.7, nan, nan]),
        misfit_dof=np.array([1, 0, 0]),
    )


SCALE = AdjustedParameter("counter_scale", "run R1", 1.004, 0.003, "1", 1.0, 0.015)


def no_exposures() -> Exposures:
    return Exposures(
        file="exposures.csv",
        row=NONE_WHOLE,
        name=NONE_TEXT,
        run=NONE_TEXT,
        line=NONE_TEXT,
        counter_m=NONE_REAL,
        measured_to=NONE_TEXT,
        xyz_m=np.empty((0, 3)),
        cov_m2=np.empty((0, 3, 3)),
        ground_m=NONE_REAL,
        placed=np.empty(0, np.bool_),
    )


def made_stops() -> StopRows:
    unread = np.full(5, nan)
    return StopRows(
        file="stops.csv",
        row=np.arange(2, 7),
        run=np.array(["R1", "R1", "R1", "R2", "R2"]),
        stop=np.array(["1", "2", "3", "1", "2"]),
        counter_m=unread,
        depth_reading_m=unread,
        tilt_rad=unread,
        note=np.array(["", "", "kerb", "", ""]),
    )


def made_record(site: Settings, counters: list[float], runs: list[str]) -> FieldRecord:
    n = len(counters)
    blank = np.full(n, "")
    three = np.array([2, 3, 4])
    control = ControlRows(
        "control.csv",
        three,
        np.array(["P1", "P2", "P3"]),
        np.array([10.0, 10.0, -8.0]),
        np.array([0.0, 10.0, 3.0]),
        np.full(3, GROUND_M),
        np.full(3, 0.01),
        np.full(3, 0.01),
    )
    observations = ObservationRows(
        "observations.csv",
        np.arange(2, 2 + n),
        np.array(runs, dtype=np.str_),
        np.array(counters),
        blank,
        blank,
        np.full(n, "BAB"),
        blank,
        np.full(n, "a crack"),
    )
    return bare_record(site, control, stops=made_stops(), observations=observations)


def axis_1(site: Settings | None = None, line: Line | None = None) -> Axis:
    fixes = made_fixes()
    return axis_of(
        line or line_1(), fixes, np.full(5, 0.02), no_exposures(), site or made_settings()
    )


def derived(
    counters: list[float] | None = None, runs: list[str] | None = None
) -> dict[str, Product]:
    site = made_settings()
    marks, fixes = made_marks(), made_fixes()
    results = MarkResults(
        np.array([True, True, False]),
        np.array([0.01, 0.02, nan]),
        np.array([0.5, 1.2, nan]),
        np.array([0.4, 0.0, nan]),
        np.array([0.3, np.inf, nan]),
        *np.full((5, 3), nan),
    )
    earlier = (Finding("info", "place", "made-up", "mark M1", "a", "b", "c", "marks.csv:2"),)
    keys = ("counter_m", "counter_m", 0.05, 0.05)
    said = AccuracyEvidence("", "crew 1", *keys, squares=9.0, spare=8.0, overlap=7.5)
    made = derive(
        made_record(site, counters or [], runs or []),
        marks,
        no_exposures(),
        Solved(fixes, results, (), evidence=(said,)),
        Linked(fixes, (line_1(), line_2()), (), (SCALE,)),
        earlier=earlier,
    )
    return {p.layer: p for p in made.with_findings(site.id, (*earlier, *made.findings))}


# ---- levels -------------------------------------------------------------------------------


def test_levels_by_hand() -> None:
    """Invert 100 − 0.03; crown + 0.1036; outside top + 0.0032; ground 102."""
    start = axis_1().at(np.array([0.0]))
    assert start.invert_level_m[0] == pytest.approx(99.97)
    assert start.cover_m[0] == pytest.approx(102 - (99.97 + 0.1036 + 0.0032))
    assert start.depth_m[0] == pytest.approx(2.0)
    assert start.invert_sigma_m[0] == pytest.approx(0.05)
    assert start.cover_sigma_m[0] == pytest.approx(np.hypot(0.05, 0.02))


def test_ground_sigma_comes_from_the_stop_s_own_marks_else_is_unknown_ground() -> None:
    found = ground_sigmas_m(made_marks(), made_fixes(), 0.10)
    assert found == pytest.approx([0.02, 0.10, 0.10, 0.10, 0.10])


def test_ground_is_carried_between_fixes_and_an_exposure_has_its_own() -> None:
    exposures = Exposures(
        "exposures.csv",
        np.array([2]),
        np.array(["TH1"]),
        np.array(["R1"]),
        np.array(["L1"]),
        np.array([nan]),
        np.array(["invert"]),
        np.array([[0, 6, 100.09]]),
        np.eye(3)[None] * 0.0001,
        np.array([104.0]),
        np.array([True]),
    )
    line = replace(
        line_1(),
        kind=np.array(["fix", "fix", "exposure", "fix"]),
        ref=np.array(["R1/1", "R1/2", "TH1", "R1/3"]),
    )
    axis = axis_of(line, made_fixes(), np.full(5, 0.02), exposures, made_settings())
    assert axis.ground_m == pytest.approx([102, 102, 104, 102])
    assert axis.ground_sigma_m[2] == pytest.approx(0.01)
    middle = axis.at(axis.chainage_m[1:2] + 1.5)
    assert middle.ground_level_m[0] == pytest.approx(103, abs=0.01)


# ---- chainage -----------------------------------------------------------------------------


def test_the_face_at_a_reading_is_where_the_transmitter_has_that_counter() -> None:
    """The stop read 4.35 with the transmitter 0.35 behind: what the face saw at 4.00 is there."""
    axis = axis_1()
    found = reach(axis, made_settings().runs[0], np.array([1.0, 2.5, 4.0]), standard_accuracy())
    scale = axis.chainage_m[1] / 3.0  # counters 1.00 and 1 + chainage of the second fix
    assert found.chainage_m == pytest.approx([0.0, 1.5, 3.0 * scale], abs=1e-3)
    assert set(found.status) == {"located"}


def test_with_the_flow_the_counter_falls_along_the_chainage() -> None:
    at = curves.chainage(L1_XYZ)
    line = replace(line_1(), counter_m=np.array([20.0, 20 - at[1], nan, 20 - at[3]]))
    axis = axis_1(made_settings("with"), line)
    run = made_settings("with").runs[0]
    found = reach(axis, run, np.array([19.0, 20.5, 20 - at[3] - 0.5]), standard_accuracy())
    assert found.chainage_m == pytest.approx([1.0, -0.5, at[3] + 0.5])
    assert found.status.tolist() == ["located", "beyond_end", "beyond_end"]


def test_past_the_end_a_reading_is_carried_on_no_further_than_lag_and_a_metre() -> None:
    axis, run = axis_1(), made_settings().runs[0]
    end = 1.0 + axis.length_m
    limit = run.transmitter_lag_m + CARRY_ON_M
    found = reach(
        axis, run, np.array([end + limit - 1e-6, end + limit + 1e-6]), standard_accuracy()
    )
    assert found.status.tolist() == ["beyond_end", "not_located"]
    assert found.beyond_m == pytest.approx([limit, limit], abs=1e-5)
    point = axis.at(found.chainage_m[:1])
    step = point.xyz_m[0] - axis.line.xyz_m[-1]
    assert step / np.linalg.norm(step) == pytest.approx(point.tangent[0])


def test_the_counter_scale_rules_past_the_outermost_stop() -> None:
    line = replace(line_1(), counter_scale={"R1": (1.02, 0.01)})
    found = reach(axis_1(line=line), made_settings().runs[0], np.array([0.0]), standard_accuracy())
    assert found.chainage_m[0] == pytest.approx(-1.02)
    accuracy = standard_accuracy()
    expected = np.sqrt(2 * accuracy.counter_m**2 + accuracy.counter_ratio**2 + 0.01**2)
    assert found.counter_sigma_m[0] == pytest.approx(expected)


# ---- covariance along a leg ----------------------------------------------------------------


def test_points_agree_with_samples_of_a_line_whose_ends_err_together() -> None:
    """Monte Carlo over the 6×6 covariance of two vertices, headings taken as exact."""
    rng = np.random.default_rng(3)
    line = line_1()
    axis = replace(axis_1(line=line), slope_sigma_rad=np.zeros((4, 2)))
    joint = np.block([[line.cov_m2[0], line.cross_m2[0]], [line.cross_m2[0].T, line.cov_m2[1]]])
    ends = rng.multivariate_normal(np.zeros(6), joint, 20_000)
    inside = 0.3 * axis.chainage_m[1]
    samples = 0.7 * ends[:, :3] + 0.3 * ends[:, 3:]
    found = axis.at(np.array([inside])).cov_m2[0]
    assert found == pytest.approx(np.cov(samples.T), abs=6e-5)


# ---- bends and grades ----------------------------------------------------------------------


def test_a_bend_s_angle_and_sigma_agree_with_samples() -> None:
    line = replace(line_1(), cross_m2=np.zeros((3, 3, 3)))
    angle, sigma = bend_angle(line, 2)
    rng = np.random.default_rng(5)
    moved = line.xyz_m[1:] + rng.normal(0, 0.05, (20_000, 3, 3))
    legs = np.diff(moved, axis=1)
    samples = curves.angle_between(legs[:, 0], legs[:, 1])
    assert degrees(angle) == pytest.approx(45.0, abs=0.05)
    assert sigma == pytest.approx(samples.std(), rel=0.03)
    assert np.isnan(bend_angle(line, 0)[0])


def test_grade_and_its_sigma_agree_with_samples() -> None:
    axis = axis_1()
    found = grade_between(axis, 0, 1)
    assert found.grade == pytest.approx(0.02)
    line = axis.line
    joint = np.block([[line.cov_m2[0], line.cross_m2[0]], [line.cross_m2[0].T, line.cov_m2[1]]])
    rng = np.random.default_rng(11)
    ends = rng.multivariate_normal(np.concatenate([L1_XYZ[0], L1_XYZ[1]]), joint, 20_000)
    step = ends[:, 3:] - ends[:, :3]
    samples = step[:, 2] / np.hypot(step[:, 0], step[:, 1])
    assert found.sigma == pytest.approx(samples.std(), rel=0.03)


def test_grade_over_a_bend_is_per_length_of_pipe_not_of_chord() -> None:
    found = grade_between(axis_1(), 0, 3)
    assert found.grade == pytest.approx(0.2 / 10.0)


def test_a_grade_has_a_finding_only_when_it_is_surely_low() -> None:
    def codes(rise_m: float, sigma_m: float) -> list[str]:
        xyz = L1_XYZ * [1, 1, 0] + np.array([[100], [100], [100], [100]]) * [0, 0, 1.0]
        xyz[:, 2] += curves.chainage(xyz) / 10.0 * rise_m
        line = line_1()
        line = replace(line, xyz_m=xyz, cov_m2=line.cov_m2 * (sigma_m / 0.05) ** 2)
        line = replace(line, cross_m2=line.cross_m2 * 0)
        return [called(f) for f in grade_findings(axis_1(line=line), SEGMENTS, ())]

    assert codes(0.05, 0.001) == ["gradient-low"]  # 0.5 %, ⅛ in/ft is 1.04 %
    assert codes(0.05, 0.1) == []  # could as well be 2 %
    assert codes(0.50, 0.001) == []
    assert codes(-0.05, 0.001) == ["back-fall/line"]  # once, not for every segment
    assert codes(-0.05, 0.3) == []  # within 2 σ of level


# ---- ties ---------------------------------------------------------------------------------


def test_two_tapes_by_hand() -> None:
    """A (0,0), B (5,0), 3 and 4 → (1.8, ±2.4): computed, the 3–4–5 triangle."""
    control = ControlPoints(np.array(["A", "B"]), np.array([[0, 0, 9.0], [5, 0, 9.0]]))
    spots = np.array([[1.8, 2.4], [1.8, -2.4], [2.5, 0.1], [nan, nan]])
    found = two_tapes(spots, control, standard_accuracy(tape_m=0.01, tape_ratio=0.0))
    assert found["tie_a_m"][:2] == pytest.approx([3.0, 3.0])
    assert found["tie_b_m"][:2] == pytest.approx([4.0, 4.0])
    assert found["tie_side"] == ["left", "right", "", ""]  # the third crosses too flat
    assert found["tie_a_point"] == ["A", "A", "", ""]
    assert found["tie_sigma_m"][0] == pytest.approx(0.01 * np.sqrt(2))  # tapes at right angles
    stretched = two_tapes(spots, control, standard_accuracy(tape_m=0.01, tape_ratio=0.001))
    at_ends = 0.01 + 0.001 * np.array([found["tie_a_m"][0], found["tie_b_m"][0]])
    assert stretched["tie_sigma_m"][0] == pytest.approx(np.hypot(*at_ends))


@settings(max_examples=50, deadline=None)
@given(st.floats(-20, 20), st.floats(-20, 20))
def test_a_tie_leads_back_to_its_spot(x: float, y: float) -> None:
    control = ControlPoints(
        np.array(["A", "B", "C"]), np.array([[0, 0, 0], [12, 1, 0], [3, 15.0, 0]])
    )
    found = two_tapes(np.array([[x, y]]), control, standard_accuracy())
    if not found["tie_side"][0]:
        return
    at = dict(zip("ABC", control.xyz_m[:, :2], strict=True))
    a, b = at[str(found["tie_a_point"][0])], at[str(found["tie_b_point"][0])]
    r, s = (float(np.asarray(found[tape])[0]) for tape in ("tie_a_m", "tie_b_m"))
    base = float(np.hypot(*(b - a)))
    along = (r**2 - s**2 + base**2) / (2 * base)
    off = np.sqrt(max(r**2 - along**2, 0.0)) * (1 if found["tie_side"][0] == "left" else -1)
    u = (b - a) / base
    assert a + along * u + off * np.array([-u[1], u[0]]) == pytest.approx([x, y], abs=1e-5)


def test_one_control_point_ties_nothing() -> None:
    control = ControlPoints(np.array(["A"]), np.zeros((1, 3)))
    assert two_tapes(np.ones((2, 2)), control, standard_accuracy())["tie_side"] == ["", ""]


# ---- the layers ---------------------------------------------------------------------------


def test_every_layer_keeps_the_contract() -> None:
    """`layers` checks every type, domain, null and geometry against the schemas."""
    counters, runs = [2.0, 12.5, 40.0, 5.0], ["R1", "R1", "R1", "R2"]
    products, record = derived(counters, runs), made_record(made_settings(), counters, runs)
    assert set(products) == set(contract.LAYERS) - {"lineage"}
    frames = to_frames(products.values(), record, site_frame(record))
    empty = [name for name, frame in frames.items() if not len(frame)]
    assert empty == ["field_exposures", "field_photos"]
    for product in products.values():
        if product.geometry is not None:
            assert all(g.is_valid for g in product.geometry if g is not None)


def test_a_site_without_a_line_still_has_every_layer() -> None:
    record, fixes, marks = made_record(made_settings(), [2.0], ["R1"]), made_fixes(), made_marks()
    nothing = MarkResults(np.zeros(3, bool), *np.full((9, 3), nan))
    made = derive(record, marks, no_exposures(), Solved(fixes, nothing, ()), Linked(fixes, (), ()))
    frames = to_frames(
        made.with_findings(record.settings.id, made.findings), record, site_frame(record)
    )
    assert len(frames["pipe_centreline"]) == 0
    assert frames["pipe_observations"]["status"].tolist() == ["not_located"]


@pytest.mark.parametrize("unknown", [slice(0, 4), slice(2, 3)], ids=["everywhere", "at one point"])
def test_a_line_of_unknown_uncertainty_is_not_drawn_and_said(unknown: slice) -> None:
    site, fixes, marks = made_settings(), made_fixes(), made_marks()
    nothing = MarkResults(np.zeros(3, bool), *np.full((9, 3), nan))
    blind = replace(line_1(), cov_m2=line_1().cov_m2.copy())
    blind.cov_m2[unknown] = nan
    made = derive(
        made_record(site, [], []),
        marks,
        no_exposures(),
        Solved(fixes, nothing, ()),
        Linked(fixes, (blind,), ()),
    )
    by_layer = {p.layer: p for p in made.layers}
    assert len(by_layer["tolerance_zone"].columns["zone"]) == 0
    (found,) = (f for f in made.findings if called(f) == "line-not-located")
    assert (found.variant, found.values["located"]) == ("points", 4)


def test_in_the_crs_of_its_survey_no_layer_is_widened() -> None:
    shifts = [p.columns.get("crs_shift_95_m") for p in derived().values()]
    assert sum(shift is not None for shift in shifts) >= 3
    assert not any(np.any(np.array(shift, dtype=float)) for shift in shifts if shift is not None)


def test_a_vertex_no_run_stood_at_lies_as_deep_below_the_transmitter_as_those_beside_it() -> None:
    """Two runs with transmitters that ride 30 and 90 mm over the invert; a bend between them."""
    runs = (Run("R1", "L1", "", 0.0, "against", 0.35, 0.03),
            Run("R2", "L1", "", 0.0, "against", 0.35, 0.09))  # fmt: skip
    line = cast(Line, SimpleNamespace(line="L1", run=np.array(["R1", "", "R2", ""])))
    settings = replace(bare_settings(), runs=runs)
    ride = ride_heights_m(line, settings, np.array([0.0, 2.0, 6.0, 7.0]))
    assert ride == pytest.approx([0.03, 0.05, 0.09, 0.09])


def test_fixes_keep_the_unsolved_stop_without_geometry() -> None:
    fixes = derived()["transmitter_fixes"]
    assert fixes.geometry is not None
    assert [g is None for g in fixes.geometry] == [False] * 4 + [True]
    assert fixes.columns["heading_deg"][:4] == pytest.approx([0, 0, 45, 90])
    assert fixes.columns["ellipse_azimuth_deg"][0] == pytest.approx(90.0)
    assert fixes.columns["ellipse_major_95_m"][0] == pytest.approx(2.4477 * 0.1, abs=1e-4)
    assert fixes.columns["chainage_m"][3] == pytest.approx(curves.chainage(L2_XYZ)[1])
    assert fixes.columns["note"] == ["", "", "kerb", "", ""]
    assert fixes.columns["source_row"][4] == "stops.csv:6"


def test_marks_carry_their_row_and_no_infinite_blunder() -> None:
    marks = derived()["field_marks"]
    assert marks.geometry is not None
    assert marks.geometry[2] is None
    assert marks.columns["source_row"] == ["marks.csv:2", "marks.csv:3", "marks.csv:4"]
    assert marks.columns["smallest_blunder_m"][:2] == pytest.approx([0.3, nan], nan_ok=True)
    assert marks.columns["tie_dof"] == [1, None, None]


def test_pipes_are_drawn_at_their_invert() -> None:
    products = derived()
    for name in ("pipe_centreline", "pipe_segments"):
        geometry = products[name].geometry
        assert geometry is not None
        z = shapely.get_coordinates(geometry[0], include_z=True)[:, 2]
        assert z[0] == pytest.approx(99.97)
    segments = products["pipe_segments"]
    assert segments.columns["segment_id"] == ["L1/segment-1", "L1/segment-2", "L2/segment-1"]
    assert segments.columns["from_node_id"] == ["L1/end-1", "L1/point-1", "L1/junction-1"]
    assert segments.columns["to_node_id"] == ["L1/point-1", "L1/end-2", "L2/end-1"]
    assert segments.columns["bend_1_deg"] == pytest.approx([nan, 45, nan], nan_ok=True)
    assert segments.columns["to_ref"] == ["R1/2", "R1/3", "R2/1"]


def test_adjusted_parameters_are_rows_in_their_own_unit() -> None:
    (row,) = zip(*derived()["adjusted_parameters"].columns.values(), strict=True)
    assert row == ("EX-1", "counter_scale", "run R1", 1.004, 0.003, "1", 1.0, 0.015)


def test_nodes_of_a_branched_line() -> None:
    nodes = derived()["pipe_nodes"]
    kinds = list(zip(nodes.columns["line_id"], nodes.columns["kind"], strict=True))
    # CO1 is read at −0.5 and the first fix at 1.0: 1.5 m before it, too far to be carried back.
    assert kinds == [
        ("L1", "end_located"),
        ("L1", "point"),
        ("L1", "junction"),
        ("L1", "end_located"),
        ("L2", "end_located"),
    ]
    assert nodes.columns["ref"][2] == "L2"


def test_an_entry_seen_as_an_exposure_is_a_node() -> None:
    line = replace(
        line_1(),
        kind=np.array(["exposure", "fix", "bend", "fix"]),
        ref=np.array(["CO1", "R1/2", "", "R1/3"]),
        fix=np.array([-1, 1, -1, 2]),
    )
    site, fixes, marks = made_settings(), made_fixes(), made_marks()
    nothing = MarkResults(np.zeros(3, bool), *np.full((9, 3), nan))
    products = derive(
        made_record(site, [], []),
        marks,
        no_exposures(),
        Solved(fixes, nothing, ()),
        Linked(fixes, (line,), ()),
    ).layers
    nodes = {p.layer: p for p in products}["pipe_nodes"]
    assert nodes.columns["kind"] == ["entry", "point", "bend", "end_located"]
    assert nodes.columns["ref"][0] == "CO1"
    assert nodes.columns["bend_deg"][2] == pytest.approx(45.0, abs=0.05)
    assert nodes.columns["nearest_fitting"][2] == "45° bend"
    assert nodes.columns["fitting_source"][2] == "common practice, no source"


def test_observations_are_placed_flagged_or_left_out_with_a_reason() -> None:
    end = 1.0 + curves.chainage(L1_XYZ)[3]
    products = derived([1.5, end + 0.5, 40.0], ["R1", "R1", "R1"])
    seen = products["pipe_observations"]
    assert seen.columns["status"] == ["located", "beyond_end", "not_located"]
    assert seen.columns["observation_id"] == ["R1/O1", "R1/O2", "R1/O3"]
    assert seen.geometry is not None
    assert seen.geometry[2] is None
    assert (seen.geometry[0].x, seen.geometry[0].y) == pytest.approx((0.0, 0.5), abs=1e-3)
    assert seen.columns["cover_m"][2] != seen.columns["cover_m"][2]
    assert seen.columns["tie_side"][0] in ("left", "right")
    assert seen.columns["tie_a_point"][2] == ""
    found = products["findings"].columns
    placed = dict(zip(found["code"], found["source_row"], strict=True))
    assert placed["observation-not-located"] == "observations.csv:4"
    said = dict(zip(found["code"], found["what"], strict=True))
    assert said["observation-not-located"].startswith("BAB at counter")


def test_the_sigma_along_holds_counter_and_position() -> None:
    seen = derived([2.5], ["R1"])["pipe_observations"]
    accuracy = standard_accuracy()
    span = curves.chainage(L1_XYZ)[1]
    counter = accuracy.counter_m**2 * 1.5 + (accuracy.counter_ratio * (span - 1.5)) ** 2
    path = 0.05**2 * (0.25 + 0.25 + 0.25)  # ends σ 0.05, half of it shared, at the middle
    assert seen.columns["chainage_sigma_m"][0] == pytest.approx(np.sqrt(counter + path), rel=2e-3)


def test_findings_of_earlier_stages_come_first_and_weak_stops_are_named() -> None:
    found = derived()["findings"].columns
    assert found["code"][0] == "made-up"
    assert found["source_row"][0] == "marks.csv:2"
    pairs = set(zip(found["code"], found["subject"], strict=True))
    assert ("stop-weak", "stop R2/1") in pairs
    assert ("stop-not-located", "stop R2/2") in pairs
    assert ("shape-undecided", "line L2") in pairs
    assert ("pipe-size-unsure", "line L2") in pairs


def test_a_heading_is_called_poor_once() -> None:
    """By solve, which knows why, or else here."""
    fixes = made_fixes()
    fixes.cov[3, 3, 3] = radians(60) ** 2
    solved = finding("heading-unknown", "stop R2/1", variant="alone", sigma_deg=60.0)
    assert "heading-unknown/poor" in {called(f) for f in stop_advice(fixes, ())}
    assert "heading-unknown/poor" not in {called(f) for f in stop_advice(fixes, (solved,))}


def test_one_value_stands_for_all_features_of_a_part_and_parts_follow_one_another() -> None:
    row: dict[str, object] = dict.fromkeys(contract.load("adjusted_parameters").names, "")
    parts = [row | {"subject": ["a", "b"], "value": np.array([1.0, 2.0])}, row | {"value": 3.0}]
    made = layer("adjusted_parameters", parts, {"unit": "1", "level_datum": "not of this layer"})
    assert made.columns["subject"] == ["a", "b", ""]
    assert made.columns["value"] == [1.0, 2.0, 3.0]
    assert made.columns["unit"] == ["", "", ""]  # a part's own
    assert list(made.columns) == list(contract.load("adjusted_parameters").names)
    assert made.geometry is None


def test_columns_of_different_lengths_are_refused() -> None:
    row: dict[str, object] = dict.fromkeys(contract.load("adjusted_parameters").names, "")
    with pytest.raises(ContractError, match=r"different lengths \[1, 2\]"):
        layer("adjusted_parameters", [row | {"kind": ["a"], "value": [1.0, 2.0]}], {})


def test_rows_that_miss_a_column_are_refused() -> None:
    with pytest.raises(ContractError, match="severity"):
        layer("findings", [{"site_id": "S"}], {})
