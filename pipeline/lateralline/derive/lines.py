"""The `pipe_centreline` and `pipe_segments` layers: grades, inverts, classes of each line."""

from __future__ import annotations

from math import degrees, nan

import numpy as np
import shapely

from lateralline import contract
from lateralline.derive.axis import DRAWN_WITHIN_M, Axis
from lateralline.derive.corridor import Corridor
from lateralline.derive.grades import grade_columns
from lateralline.derive.levels import outside_diameter_m
from lateralline.derive.quality import worst_columns
from lateralline.derive.slopes import falls, grade_between, sags
from lateralline.derive.tables import Row
from lateralline.settings import Settings


def centreline_rows(
    settings: Settings, datum: str, axis: Axis, region: Corridor
) -> tuple[list[Row], list[shapely.LineString]]:
    """Return the one row and geometry of a line in `pipe_centreline`."""
    line, pipe = axis.line, axis.pipe
    parts = axis.sampled
    off_95 = np.concatenate([region.off_95_m(s, i, parts[i]) for i, s in enumerate(line.stretches)])
    depth_sigma = np.concatenate([points.depth_sigma_m for points in parts])
    depth = np.concatenate([points.depth_m for points in parts])
    cover = np.concatenate([points.cover_m for points in parts])
    below = np.concatenate([points.ground_m - points.invert_m for points in parts])
    sigma_u = np.concatenate([points.invert_sigma_m for points in parts])
    slope = grade_between(axis, 0, len(line.kind) - 1)
    low = max(found := sags(axis), key=lambda sag: sag.depth_m, default=None)
    inverts = axis.vertices.invert_m
    runs = dict.fromkeys(run for run in line.run.tolist() if run)
    row: Row = {
        "site_id": settings.id,
        "line_id": line.line,
        "run_ids": " ".join(runs),
        "joins_line_id": line.joins,
        "surveyed_on": settings.surveyed,
        "length_m": axis.length_m,
        "stops": int((line.fix >= 0).sum()),
        "material": pipe.material,
        "nominal": pipe.nominal,
        "service": pipe.service,
        "inside_diameter_m": pipe.inside_diameter_m,
        "wall_m": pipe.wall_m,
        "outside_diameter_m": outside_diameter_m(pipe),
        "dimensions_from": pipe.dimensions_from,
        "invert_down_m": float(inverts[0]),
        "invert_up_m": float(inverts[-1]),
        "level_datum": datum,
        "mean_grade": slope.grade,
        "grade_sigma": slope.sigma,
        **grade_columns(axis, slope),
        "sags": len(found),
        "sag_chainage_m": float(axis.chainage_m[low.low]) if low else nan,
        "sag_depth_m": low.depth_m if low else nan,
        "sag_depth_sigma_m": low.sigma_m if low else nan,
        "cover_min_m": float(cover.min()),
        "depth_max_m": float(below.max()),
        "semi_major_95_max_m": float(off_95.max()),
        "sigma_u_max_m": float(sigma_u.max()),
        **worst_columns(off_95, depth_sigma, depth),
        "undecided_stretches": sum(s.shape == "undecided" for s in line.stretches),
        "counter_scale": " ".join(
            f"{run} {scale:.4f}±{sigma:.4f}" for run, (scale, sigma) in line.counter_scale.items()
        ),
        "chi2": line.chi2,
        "dof": line.dof,
        "caution": contract.load("pipe_centreline").caution,
    }
    return [row], [shapely.LineString(axis.drawn(DRAWN_WITHIN_M).on_invert)]


def segment_rows(
    settings: Settings, datum: str, axis: Axis, region: Corridor
) -> tuple[list[Row], list[shapely.LineString]]:
    """Return the rows and geometries of a line in `pipe_segments`, from downstream."""
    rows = [
        _segment(settings, datum, axis, region, number) | {"fall": fall}
        for number, fall in enumerate(falls(axis).tolist())
    ]
    shapes = [
        shapely.LineString(axis.drawn(DRAWN_WITHIN_M, s).on_invert) for s in axis.line.stretches
    ]
    return rows, shapes


def _segment(settings: Settings, datum: str, axis: Axis, region: Corridor, number: int) -> Row:
    line, vertices = axis.line, axis.vertices
    stretch = line.stretches[number]
    a, b = stretch.first, stretch.last
    points = axis.sampled[number]
    off_95 = region.off_95_m(stretch, number, points)
    slope = grade_between(axis, a, b)
    bends = [degrees(abs(angle)) for angle in stretch.bend_rad] + [nan, nan]
    return {
        "site_id": settings.id,
        "line_id": line.line,
        "segment_id": f"{line.line}/{number + 1}",
        "run_id": str(line.run[a]) if line.run[a] == line.run[b] else "",
        "from_ref": _name(axis, a),
        "to_ref": _name(axis, b),
        "from_chainage_m": float(axis.chainage_m[a]),
        "to_chainage_m": float(axis.chainage_m[b]),
        "shape": stretch.shape,
        "bend_1_deg": bends[0],
        "bend_2_deg": bends[1],
        "length_m": float(axis.chainage_m[b] - axis.chainage_m[a]),
        "chord_m": stretch.chord_m,
        "counter_difference_m": stretch.counter_difference_m,
        "reach_m": stretch.reach_m,
        "grade": slope.grade,
        "grade_sigma": slope.sigma,
        **grade_columns(axis, slope),
        "invert_down_m": float(vertices.invert_m[a]),
        "invert_down_sigma_m": float(vertices.invert_sigma_m[a]),
        "invert_up_m": float(vertices.invert_m[b]),
        "invert_up_sigma_m": float(vertices.invert_sigma_m[b]),
        "level_datum": datum,
        "cover_min_m": float(points.cover_m.min()),
        "semi_major_95_max_m": float(off_95.max()),
        **worst_columns(off_95, points.depth_sigma_m, points.depth_m),
        "caution": contract.load("pipe_segments").caution,
    }


def _name(axis: Axis, vertex: int) -> str:
    """Return what a located point is called; its chainage when it has no name of its own."""
    return str(axis.line.ref[vertex]) or f"{axis.line.line} at {axis.chainage_m[vertex]:.2f} m"
