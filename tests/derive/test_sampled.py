"""What drawn paths claim of a line: errors, corridor, levels; and who is accused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from lateralline.derive import sampled
from lateralline.derive.axis import Axis, axis_of
from lateralline.derive.corridor import corridor
from lateralline.derive.level_band import line_bands
from lateralline.derive.nodes import bend_angle, bend_radius
from lateralline.derive.sampled import STRAY_SHARE, _ways, turns
from lateralline.link import link
from lateralline.link.gross_errors import (
    blunder,
    blunder_beside,
    blunder_or_bend,
    doubted_stops,
    moved_stops,
)
from lateralline.link.lines import Alternative, LocatedPoint, SuspectedBlunder
from lateralline.proof.line_scores import no_exposures
from lateralline.proof.line_truth import simulate_site
from lateralline.records import Linked
from lateralline.solve import solve
from tests.support.made_scene import Scene, only

SITE = simulate_site(3, 0, 3)


@pytest.fixture(scope="module")
def linked() -> Linked:
    """Three lines as the stages link them."""
    solved = solve(SITE.marks, SITE.stops, SITE.settings, no_exposures())
    return link(solved, no_exposures(), SITE.settings)


@pytest.fixture(scope="module")
def axes(linked: Linked) -> list[Axis]:
    """Their axes, ground known to 3 cm."""
    ground = np.full(len(linked.fixes.run), 0.03)
    return [
        axis_of(line, linked.fixes, ground, no_exposures(), SITE.settings) for line in linked.lines
    ]


@pytest.mark.parametrize(("undrawn_m", "least", "most"), [(1e-4, 0.88, 0.96), (None, 0.92, 1.0)])
def test_a_corridor_holds_the_share_of_paths_it_claims(
    axes: list[Axis],
    monkeypatch: pytest.MonkeyPatch,
    undrawn_m: float | None,
    least: float,
    most: float,
) -> None:
    """Nine in ten of the drawn paths, whole; with what none of them drew, more."""
    if undrawn_m is not None:
        monkeypatch.setattr(sampled, "UNDRAWN_M", undrawn_m)
    for axis in axes:
        along = axis.sampled_paths
        assert along is not None
        region = shapely.buffer(corridor(axis).polygon, 1e-6)
        lines = shapely.linestrings(along.paths.xyz_m[:, :, :2])
        assert least <= shapely.contains_properly(region, lines).mean() <= most


def test_a_corridor_reaches_to_the_corners_of_bends(axes: list[Axis]) -> None:
    """Corners lie between the points of a path, and are held all the same."""
    for axis in axes:
        along = axis.sampled_paths
        assert along is not None
        region = shapely.buffer(corridor(axis).polygon, 1e-6)
        corners = shapely.points(along.paths.corner_m[:, :, :2])
        held = shapely.contains(region, corners).all(axis=1).mean()
        assert held >= 1 - STRAY_SHARE - 0.02


def test_what_lies_along_the_pipe_is_no_distance_from_the_line(axes: list[Axis]) -> None:
    """The corridor reaches past the ends; aside of the line it reaches no farther than is said."""
    for axis in axes:
        region = corridor(axis)
        plan = axis.samples.xyz_m[:, :2]
        ways = [plan[at] - plan[beside] for at, beside in ((0, 1), (-1, -2))]
        ends = [
            end + 10.0 * way / np.hypot(*way) for end, way in zip(plan[[0, -1]], ways, strict=True)
        ]
        whole = shapely.LineString([ends[0], *plan, ends[1]])
        outline = shapely.points(shapely.get_coordinates(region.polygon))
        aside = float(shapely.distance(outline, whole).max())
        assert float(region.aside_m.max()) == pytest.approx(aside, abs=0.01)
        assert (region.aside_m <= region.off_m + 0.01).all()
        assert region.ellipse_major_95_max_m >= axis.vertices.ellipse_major_95_m.max()
        undecided = replace(axis.line.stretches[0], shape="undecided")
        assert region.off_95_m(undecided, 0, axis.sampled[0]).max() == region.aside_m[0]


def test_errors_of_vertices_are_how_paths_scatter_about_them(axes: list[Axis]) -> None:
    """Second moments, so what a path is off on the whole counts as well."""
    for axis in axes:
        paths = axis.line.paths
        assert paths is not None
        for v in np.flatnonzero(axis.line.fix >= 0).tolist():
            off = paths.xyz_m[:, np.abs(paths.place - v).argmin()] - axis.line.xyz_m[v]
            assert axis.line.cov_m2[v] == pytest.approx(off.T @ off / len(off), abs=1e-5)
            assert axis.vertices.cov_m2[v] == pytest.approx(axis.line.cov_m2[v], abs=1e-3)


def test_a_line_carried_on_is_less_sure_the_farther(axes: list[Axis]) -> None:
    """Past either end: as each of its paths goes on, and what is expected of pipe nobody marked."""
    past = np.array([0.0, 1e-6, 0.5, 1.0, 2.0, 4.0])
    for axis in axes:
        end = len(axis.chainage_m) - 1
        for at, vertex in ((-past, 0), (axis.length_m + past, end)):
            spread = np.sqrt(np.einsum("nii->n", axis.at(at).cov_m2))
            assert spread[1] == pytest.approx(spread[0], abs=1e-4)  # no step at the end
            assert (np.diff(spread[1:]) > 0).all()
            here = axis.line.paths
            assert here is not None
            ways = here.xyz_m[:, [1, -2][vertex > 0]] - here.xyz_m[:, [0, -1][vertex > 0]]
            ways /= np.linalg.norm(ways, axis=1, keepdims=True)
            aside = 4.0 * np.sqrt(ways.var(axis=0).sum())  # by the directions of its paths alone
            assert spread[-1] > 0.9 * aside


def test_a_level_band_holds_the_middle_of_the_paths(axes: list[Axis]) -> None:
    """Within their extremes, about as wide as twice 1.96 σ where one shape is sure."""
    axis = axes[0]
    stations = axis.at_each([axis.spaced(s, 0.5) for s in axis.line.stretches])
    points, band = stations[0], line_bands(axis, stations)[0]
    assert (band.lower_m <= points.xyz_m[:, 2]).all()
    assert (band.upper_m >= points.xyz_m[:, 2]).all()
    width = (band.upper_m - band.lower_m) / (2 * 1.96 * points.invert_sigma_m)
    assert ((width > 0.7) & (width < 1.6)).all()


def test_a_step_that_is_doubted_may_be_anywhere_between_two_stops(axes: list[Axis]) -> None:
    """The band of an undecided stretch holds at each place what the paths keep at both ends."""
    axis = max(axes, key=lambda a: float(np.ptp(a.line.xyz_m[:2, 2])))
    stretch = axis.line.stretches[0]
    stations = axis.at_each([axis.spaced(s, 0.5) for s in axis.line.stretches])
    open_one = replace(stretch, shape="undecided")
    line = replace(axis.line, stretches=(open_one, *axis.line.stretches[1:]))
    sure, band = (line_bands(a, stations)[0] for a in (axis, replace(axis, line=line)))
    assert band.lower_m == pytest.approx(min(sure.lower_m.min(), sure.lower_m[[0, -1]].min()))
    assert band.upper_m == pytest.approx(max(sure.upper_m.max(), sure.upper_m[[0, -1]].max()))
    assert (band.upper_m - band.lower_m > sure.upper_m - sure.lower_m).any()


def test_where_a_line_runs_upright_it_goes_on_in_plan_as_it_does_beside() -> None:
    """Straight up for 0.6 m with a millimetre back in plan: no direction to measure places by."""
    line = np.array([[0.0, 0.1 * i, 0.0] for i in range(6)])
    up = np.array([[0.0, 0.5 - 0.001 * i, 0.12 * i] for i in range(1, 6)])
    on = np.array([[0.0, 0.495 + 0.1 * i, 0.6] for i in range(1, 6)])
    way = _ways(np.concatenate([line, up, on]))
    assert way == pytest.approx(np.tile([0.0, 1.0], (16, 1)))


def test_without_paths_the_claims_are_those_of_the_adjustment(axes: list[Axis]) -> None:
    """A line whose numbers failed in the filter is drawn and claimed as it was adjusted."""
    bare = replace(axes[0], line=replace(axes[0].line, paths=None))
    assert bare.sampled_paths is None
    assert corridor(bare).polygon.area > 0


def test_nobody_is_accused_of_what_a_bend_explains(linked: Linked) -> None:
    """Just over the limit, or by few paths of a pipe that wanders: a doubt. Plain: an error."""
    line = linked.lines[0]
    assert line.paths is not None
    ref = line.paths.subjects[2].removeprefix("stop ")
    point = LocatedPoint("fix", ref, "", 2, np.zeros(3), 0.0, 0.0, np.eye(5), {"R0": 1.0})
    counter = Alternative(line.line, 2, point, "counter", "R0", (0,))
    blamed = SuspectedBlunder(counter, 12.0, 11.0, np.array([0.4]), np.array([[0.01]]))
    doubt = blunder_or_bend([blamed], [line])
    assert (doubt.name, doubt.severity) == ("shape-undecided/or-wrong", "warning")
    assert (doubt.values["readings"], doubt.suspects, doubt.values["off_m"]) == (
        (f"counter reading of stop {ref}",), (f"stop {ref}",), 0.4,
    )  # fmt: skip
    assert blunder(blamed).name == "blunder/counter"
    plain = replace(blamed, statistic=20.0)
    assert blunder_or_bend([plain], [line]) == blunder(plain)
    assert blunder_or_bend([plain], [line], by_estimate=True).severity == "warning"
    plainer = replace(blamed, statistic=28.0)
    assert blunder_or_bend([plainer], [line], by_estimate=True) == blunder(plainer)
    for share, name in ((0.1, "shape-undecided/or-wrong"), (0.2, "blunder/counter")):
        shares = np.full_like(line.paths.wrong_share, share)
        wanders = replace(line.paths, wrong_share=shares, wide_share=0.2)
        assert blunder_or_bend([plain], [replace(line, paths=wanders)]).name == name
    other = replace(blamed, alternative=replace(counter, subject=replace(point, ref="R0/9")))
    tied = [blamed, replace(other, statistic=11.5)]
    assert blunder_or_bend(tied, [line]).name == "blunder/tied"  # R0/9 is in no path
    beside = line.paths.subjects[3].removeprefix("stop ")
    other = replace(other, alternative=replace(counter, subject=replace(point, ref=beside)))
    assert blunder_or_bend([blamed, other], [line]).name == "shape-undecided/or-wrong"


def test_a_stop_that_paths_hold_for_wrong_is_doubted(linked: Linked) -> None:
    """Three in ten of them, by its place or its counter; no exposure, and none of another line."""
    line = linked.lines[0]
    assert line.paths is not None
    refs = [subject.removeprefix("stop ") for subject in line.paths.subjects[2:4]]
    stops = [LocatedPoint("fix", r, "", 2, np.zeros(3), 0.0, 0.0, np.eye(5), {}) for r in refs]
    shares = np.zeros_like(line.paths.wrong_share)
    shares[2], shares[3] = (0.02, 0.25, 0.04), (0.1, 0.12, 0.05)
    doubted = replace(line, paths=replace(line.paths, wrong_share=shares))
    (made,) = doubted_stops(stops, [doubted])
    assert (made.name, made.severity, made.subject) == (
        "shape-undecided/or-wrong", "warning", stops[0].subject,
    )  # fmt: skip
    assert made.values["readings"] == (f"counter reading of {stops[0].subject}",)
    assert made.values["of_hundred"] == pytest.approx(31.0)
    assert not doubted_stops([replace(stops[0], fix=-1)], [doubted])
    assert not doubted_stops([replace(stops[0], ref="R9/1")], [doubted])


def test_where_no_pipe_fits_the_end_that_paths_hold_for_wrong_is_named(linked: Linked) -> None:
    """Its reading too; of a stretch whose ends most paths trust, or that has none, neither is."""
    line = linked.lines[0]
    assert line.paths is not None
    refs = [subject.removeprefix("stop ") for subject in line.paths.subjects[2:4]]
    ends = [LocatedPoint("fix", r, "", 2, np.zeros(3), 0.0, 0.0, np.eye(5), {}) for r in refs]
    assert blunder_beside(ends, [line], (30.0, 16.0)) is None
    shares = np.zeros_like(line.paths.wrong_share)
    shares[3] = 0.15, 0.45, 0.15
    torn = replace(line, paths=replace(line.paths, wrong_share=shares))
    made = blunder_beside(ends, [torn], (30.0, 16.0))
    assert made is not None
    assert (made.name, made.severity, made.subject) == (
        "blunder/contradiction", "error", ends[1].subject,
    )  # fmt: skip
    assert made.values["readings"] == ("position in plan", "counter reading")
    shares[3, 1] = 0.39
    assert blunder_beside(ends, [torn], (30.0, 16.0)) is None
    assert blunder_beside(ends, [replace(line, paths=None)], (30.0, 16.0)) is None


def test_a_stop_drawn_outside_its_own_ellipse_is_told(linked: Linked) -> None:
    """By how far, beside what its own marks claim; not where something else is said of it."""
    line, fixes = linked.lines[0], linked.fixes
    assert not moved_stops(linked.lines, fixes, linked.findings)
    v = int(np.flatnonzero(line.fix >= 0)[1])
    xyz = line.xyz_m.copy()
    xyz[v] += [2.0, 0.0, 0.0]
    (told,) = moved_stops([replace(line, xyz_m=xyz)], fixes, ())
    assert told.code == "stop-moved"
    assert told.values["off_m"] == pytest.approx(2.0, abs=0.5)
    assert not moved_stops([replace(line, xyz_m=xyz)], fixes, [told])


def test_a_bend_is_as_sure_as_the_turns_of_its_paths(axes: list[Axis]) -> None:
    """A few degrees where stops on both sides look along the pipe; the corner may be rounded."""
    found = 0
    for axis in axes:
        line = axis.line
        for v in np.flatnonzero(line.kind == "bend").tolist():
            if line.kind[v - 1] == "bend" or line.kind[v + 1] == "bend":
                continue
            assert line.paths is not None
            turn, sigma = bend_angle(line, v)
            assert np.degrees(sigma) < 15.0
            assert abs(np.median(turns(line.paths, v)) - turn) < 3 * sigma
            assert sigma**2 == pytest.approx(np.square(turns(line.paths, v) - turn).mean())
            found += 1
    assert found


def test_a_corner_between_counted_stops_has_a_small_radius_at_its_node_alone() -> None:
    """A right angle with 2.5 m to the stops beside it; every other vertex is no bend."""
    scene = Scene().stops([(0, 0, 0), (0, 8, 0), (8, 8, 0)], [1, 3, 5.5, 10.5, 13, 15])
    line = only(scene.link())
    (at,) = np.flatnonzero(line.kind == "bend").tolist()
    radius, sigma = bend_radius(line, at)
    assert 0.0 <= radius < 1.96 * sigma < 1.3
    assert np.isnan([bend_radius(line, v) for v in range(len(line.kind)) if v != at]).all()
