"""The path between stops where no bend is found: arcs, what they touch, and when there are none."""

from __future__ import annotations

from dataclasses import replace
from math import nan, radians

import numpy as np
import pytest
import shapely

from lateralline.derive.axis import DRAWN_WITHIN_M, Axis
from lateralline.derive.corridor import corridor
from lateralline.derive.dig import Tolerance, dig_zones
from lateralline.derive.path import MOST_TURN_RAD, arcs_of
from lateralline.kernels import curves
from lateralline.records import Floats, Line, Stretch
from lateralline.settings import Pipe

PIPE = Pipe("L1", "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401")


def bowed(turn_rad: float, radius_m: float, legs: int) -> tuple[Floats, Floats]:
    """Vertices (m, 3) on a level circle that leaves north for the east, and headings there."""
    heading = np.linspace(0.0, turn_rad * legs, legs + 1)
    xyz = np.column_stack(
        [radius_m * (1 - np.cos(heading)), radius_m * np.sin(heading), np.full(legs + 1, 100.0)]
    )
    return xyz, heading


def line_of(xyz: Floats, direction_rad: Floats, shape: str = "straight") -> Line:
    m = len(xyz)
    chord = np.linalg.norm(np.diff(xyz, axis=0), axis=1)
    return Line(
        line="L1",
        kind=np.array(["fix"] * m),
        ref=np.array([f"R1/{i}" for i in range(m)]),
        fix=np.arange(m),
        run=np.array(["R1"] * m),
        counter_m=np.concatenate([[0.0], np.cumsum(chord)]),
        xyz_m=xyz,
        cov_m2=np.tile(np.eye(3) * 0.03**2, (m, 1, 1)),
        cross_m2=np.zeros((m - 1, 3, 3)),
        stretches=tuple(
            Stretch(i, i + 1, shape, float(c), float(c), float(c) + 0.15, ())
            for i, c in enumerate(chord)
        ),
        shift_m=np.zeros(m),
        chi2=0.0,
        dof=0,
        direction_rad=direction_rad,
    )


def axis_of(line: Line) -> Axis:
    m = len(line.xyz_m)
    at = np.concatenate([[0.0], np.cumsum(arcs_of(line).length_m)])
    level = np.full(m, 102.0)
    return Axis(line, PIPE, at, np.full(m, 0.03), level, np.full(m, 0.02), np.full((m, 2), 0.02))


def circle(
    turn_deg: float, radius_m: float = 30.0, legs: int = 3, shape: str = "straight"
) -> tuple[Axis, float]:
    xyz, heading = bowed(radians(turn_deg), radius_m, legs)
    directions = np.column_stack([heading, np.zeros(legs + 1)])
    return axis_of(line_of(xyz, directions, shape)), radius_m


@pytest.mark.parametrize("shape", ["straight", "undecided"])
def test_a_pipe_that_bows_evenly_is_found_on_its_circle(shape: str) -> None:
    """Vertices and tangents of a circle give the circle back, its length, and its tangents."""
    axis, radius = circle(6.0, shape=shape)
    points = axis.at(np.linspace(0.0, axis.length_m, 50))
    off_centre = np.hypot(points.xyz_m[:, 0] - radius, points.xyz_m[:, 1])
    assert off_centre == pytest.approx(radius, abs=1e-9)
    assert axis.length_m == pytest.approx(radius * radians(18.0), rel=1e-9)
    outward = (points.xyz_m - [radius, 0, 100]) / radius
    assert np.einsum("ni,ni->n", outward, points.tangent) == pytest.approx(0.0, abs=1e-9)


def test_vertices_stay_where_the_adjustment_put_them() -> None:
    axis, _ = circle(6.0)
    bent = replace(axis.line, direction_rad=axis.line.direction_rad + np.array([0.03, 0.01]))
    assert axis_of(bent).vertices.xyz_m == pytest.approx(axis.line.xyz_m, abs=1e-12)


def test_equal_directions_or_none_leave_straight_legs() -> None:
    xyz, heading = bowed(radians(6.0), 30.0, 3)
    straight = curves.chainage(xyz)
    for directions in (np.zeros((0, 2)), np.full((4, 2), nan), np.tile([0.1, 0.0], (4, 1))):
        axis = axis_of(line_of(xyz, directions))
        assert axis.chainage_m == pytest.approx(straight)
        middle = axis.at(axis.chainage_m[:1] + straight[1] / 2)
        assert middle.xyz_m[0] == pytest.approx(xyz[:2].mean(axis=0))
    one_unknown = np.column_stack([heading, np.zeros(4)])
    one_unknown[1] = nan
    assert (arcs_of(line_of(xyz, one_unknown)).sagitta_m > 0).tolist() == [False, False, True]


def test_a_turn_like_a_fitting_s_is_no_flexing_pipe() -> None:
    """1/32 bend, 11.25°: common practice, no source. Off the chord counts like a turn."""
    assert np.degrees(MOST_TURN_RAD) == pytest.approx(11.25)
    assert circle(11.2)[0].arcs.sagitta_m.min() > 0
    assert circle(11.3)[0].arcs.sagitta_m.max() == 0.0
    xyz, _ = bowed(radians(2.0), 30.0, 1)
    across = np.array([[radians(40.0), 0.0], [radians(43.0), 0.0]])
    assert arcs_of(line_of(xyz, across)).sagitta_m.max() == 0.0


def test_the_legs_of_a_bend_stay_straight() -> None:
    axis, _ = circle(6.0, legs=2)
    stretch = Stretch(0, 2, "bend", nan, 6.0, nan, (0.1,))
    assert arcs_of(replace(axis.line, stretches=(stretch,))).sagitta_m.max() == 0.0


@pytest.mark.parametrize(("turn_deg", "between"), [(0.1, 0), (2.0, 1), (8.0, 2)])
def test_lines_are_drawn_to_a_centimetre_with_no_more_vertices_than_that_takes(
    turn_deg: float, between: int
) -> None:
    axis, _ = circle(turn_deg, radius_m=3.0 / radians(turn_deg), legs=1)
    drawn = axis.drawn(DRAWN_WITHIN_M)
    assert len(drawn.chainage_m) == 2 + between
    path = shapely.LineString(drawn.xyz_m[:, :2])
    true = axis.at(np.linspace(0.0, axis.length_m, 200)).xyz_m[:, :2]
    assert shapely.distance(path, shapely.points(true)).max() <= DRAWN_WITHIN_M * 1.01


def test_corridor_and_dig_zone_follow_the_arc() -> None:
    axis, _ = circle(9.0, radius_m=20.0, legs=1)
    true = axis.at(np.linspace(0.0, axis.length_m, 100)).xyz_m[:, :2]
    path = shapely.LineString(true)
    assert shapely.hausdorff_distance(path, shapely.LineString(axis.line.xyz_m[:, :2])) > 0.06
    region = corridor(axis).polygon
    assert region.covers(path)
    (bare, _), _ = dig_zones(axis, region, Tolerance("cga", "t", "s", False, 0.4572))
    reach = float(str(bare["width_m"])) / 2
    zone = bare["geometry"]
    assert isinstance(zone, shapely.Polygon)
    assert zone.buffer(0.0011).covers(path.buffer(reach))


def test_past_an_end_the_path_goes_on_as_the_pipe_does_there() -> None:
    axis, _ = circle(6.0)
    beyond = axis.at(np.array([-0.5, axis.length_m + 0.5]))
    start, end = curves.directions(axis.line.direction_rad[[0, -1], 0], 0.0)
    assert axis.line.xyz_m[0] - beyond.xyz_m[0] == pytest.approx(0.5 * start, abs=1e-9)
    assert beyond.xyz_m[1] - axis.line.xyz_m[-1] == pytest.approx(0.5 * end, abs=1e-9)
    assert beyond.tangent == pytest.approx(np.stack([start, end]), abs=1e-9)
