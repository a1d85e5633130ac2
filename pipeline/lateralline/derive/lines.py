"""The `pipe_centreline` and `pipe_segments` layers: grades, inverts, classes of each line."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, nan
from typing import Final

import numpy as np
import shapely

from lateralline.derive.axis import DRAWN_WITHIN_M, Axis, outside_diameter_m
from lateralline.derive.corridor import Corridor
from lateralline.derive.dates import SurveyDays
from lateralline.derive.falls import (
    VertexLevels,
    back_falls_shown_80_m,
    falls,
    low_point_shown_80_m,
    low_points,
)
from lateralline.derive.grades import grade_between, grade_columns
from lateralline.derive.ids import LineIds
from lateralline.derive.quality import band_columns, line_evidence
from lateralline.derive.tables import GEOMETRY, Columns, fields_of

#: Columns of what was weighed for straight, one bend and two.
_CHI2S: Final = ("straight_chi2", "bend_chi2", "two_bends_chi2")
_SHARES: Final = ("straight_share", "bend_share", "two_bends_share")


def centreline(days: SurveyDays, axis: Axis, region: Corridor, ids: LineIds) -> Columns:
    """Return a line's row of `pipe_centreline`."""
    line, points, inverts = axis.line, axis.samples, axis.vertices.invert_level_m
    off_95 = [region.off_95_m(s, i, axis.sampled[i]) for i, s in enumerate(line.stretches)]
    slope = grade_between(axis, 0, len(line.kind) - 1)
    levels = VertexLevels.of(axis)
    low = max(found := low_points(levels), key=lambda point: point.depth_m, default=None)
    scales = line.counter_scale.items()
    first_day, last_day = days.of_line(line)
    return {
        "line_id": line.line,
        "from_node_id": ids.ends[0][0],
        "to_node_id": ids.ends[-1][1],
        "run_ids": " ".join(dict.fromkeys(run for run in line.run.tolist() if run)),
        "joins_line_id": line.joins,
        "surveyed_first_on": first_day,
        "surveyed_on": last_day,
        "surveyor": days.surveyors_of(line),
        "length_m": axis.length_m,
        "stops": int((line.fix >= 0).sum()),
        **fields_of("pipe_centreline", axis.pipe),
        "outside_diameter_m": outside_diameter_m(axis.pipe),
        "invert_down_level_m": inverts[0],
        "invert_up_level_m": inverts[-1],
        "gradient": slope.grade,
        "gradient_sigma": slope.sigma,
        "low_points": len(found),
        "low_point_chainage_m": axis.chainage_m[low.low] if low else nan,
        "low_point_depth_m": low.depth_m if low else nan,
        "low_point_depth_sigma_m": low.sigma_m if low else nan,
        "low_point_shown_80_m": low_point_shown_80_m(levels),
        "cover_min_m": points.cover_m.min(),
        "invert_depth_max_m": (points.ground_level_m - points.invert_level_m).max(),
        "position_95_max_m": np.concatenate(off_95).max(),
        "invert_sigma_max_m": points.invert_sigma_m.max(),
        "undecided_segments": region.undecided_segments,
        "counter_scale": " ".join(f"{run} {scale:.4f}±{s:.4f}" for run, (scale, s) in scales),
        "chi2": line.chi2,
        "dof": line.dof,
        **grade_columns(axis, slope),
        **band_columns(
            [line_evidence(np.concatenate(off_95), points.cover_sigma_m, points.depth_m)]
        ),
        GEOMETRY: shapely.LineString(axis.drawn(DRAWN_WITHIN_M).on_invert),
    }


def segments(days: SurveyDays, axis: Axis, region: Corridor, ids: LineIds) -> Iterator[Columns]:
    """Yield a line's rows of `pipe_segments`, from downstream."""
    line, vertices, day = axis.line, axis.vertices, days.of_vertices(axis.line)
    levels = VertexLevels.of(axis)
    would_show = back_falls_shown_80_m(axis, levels)
    drawn = axis.drawn_stretches(DRAWN_WITHIN_M)
    for number, fall in enumerate(falls(axis, levels).tolist()):
        stretch, points = line.stretches[number], axis.sampled[number]
        a, b = stretch.first, stretch.last
        from_m, to_m = axis.chainage_m[[a, b]]
        # a located point without a name of its own is called by its chainage
        names = [line.ref[v] or f"{line.line} at {axis.chainage_m[v]:.2f} m" for v in (a, b)]
        off_95 = region.off_95_m(stretch, number, points)
        slope = grade_between(axis, a, b)
        bends = [degrees(abs(angle)) for angle in stretch.bend_rad] + [nan, nan]
        yield {
            **fields_of("pipe_segments", stretch),
            "line_id": line.line,
            "segment_id": ids.segments[number],
            "from_node_id": ids.ends[number][0],
            "to_node_id": ids.ends[number][1],
            "run_id": line.run[a] if line.run[a] == line.run[b] else "",
            "from_ref": names[0],
            "to_ref": names[1],
            "surveyed_on": max(day[a : b + 1]),
            "from_chainage_m": from_m,
            "to_chainage_m": to_m,
            "bend_1_deg": bends[0],
            "bend_2_deg": bends[1],
            **dict(zip(_CHI2S, stretch.shapes_chi2, strict=True)),
            **dict(zip(_SHARES, stretch.shapes_share, strict=True)),
            "length_m": to_m - from_m,
            "gradient": slope.grade,
            "gradient_sigma": slope.sigma,
            "fall": fall,
            "back_fall_shown_80_m": would_show[number],
            "invert_down_level_m": vertices.invert_level_m[a],
            "invert_down_sigma_m": vertices.invert_sigma_m[a],
            "invert_up_level_m": vertices.invert_level_m[b],
            "invert_up_sigma_m": vertices.invert_sigma_m[b],
            "cover_min_m": points.cover_m.min(),
            "position_95_max_m": off_95.max(),
            **grade_columns(axis, slope),
            **band_columns([line_evidence(off_95, points.cover_sigma_m, points.depth_m)]),
            GEOMETRY: shapely.LineString(drawn[number].on_invert),
        }
