"""The pipes of built lines station by station: axis, depth, and how far off each may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.overlay.as_built import Lines, NotBuiltError, number, text
from lateralline.records import Flags, Floats, Ints, Texts

#: Room about the plan envelope of an undecided stretch for the error of its two ends.
_ENDS_M: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class StationLegs:
    """Straight pieces of pipe between neighbouring stations (n), downstream end first.

    Pairs (n, 2) hold the value at either end. Levels are of the pipe's axis.
    """

    line: Ints  # row of its `Lines`
    xy_m: Floats  # (n, 2, 2)
    level_m: Floats  # (n, 2); NaN where the site has no levels
    depth_m: Floats  # (n, 2) ground less axis; NaN unknown
    level_off_m: Floats  # (n, 2, 2) how much lower, higher the axis may be, 95 %; NaN unbounded
    depth_off_m: Floats  # (n, 2, 2) the same against the ground
    chainage_m: Floats  # (n, 2)
    plan_95_m: Floats  # (n,) the farthest off in plan; NaN unbounded
    undecided: Flags
    stretch: Ints  # numbers the segments of the layer
    segment_m: Floats  # (n,) chainage from end to end of the segment
    reach_m: Floats  # (n,) longest path the counter allows on the segment; NaN unknown


def legs_of(lines: Lines, bands: Any, segments: Any) -> StationLegs:
    """Return the legs of `lines` from the layers `level_band` and `pipe_segments`.

    Raises NotBuiltError when a line has no stations, or a station no segment.
    """
    keys = pd.MultiIndex.from_arrays([lines.site, lines.line])
    row_of = pd.Series(np.arange(len(lines.line)), index=keys)
    own = row_of.reindex(pd.MultiIndex.from_frame(bands[["site_id", "line_id"]])).to_numpy()
    here = np.isfinite(own)
    band = bands[here].assign(row=own[here].astype(np.int64))
    band = band.sort_values(["row", "chainage_m"], kind="stable")
    row = band["row"].to_numpy()
    leg = np.flatnonzero(row[:-1] == row[1:])
    ends = np.column_stack([leg, leg + 1])

    number_of = pd.Series(np.arange(len(segments)), index=_ids(segments))
    stretch = _whole(number_of.reindex(_ids(band)).to_numpy()[leg + 1], "segment", band, leg + 1)
    without = np.setdiff1d(np.arange(len(lines.line)), row[leg])
    if len(without):
        names = ", ".join(" ".join(lines.keys[n]) for n in without[:5].tolist())
        raise NotBuiltError(f"layer level_band has no stations of {names}: build again")
    undecided = (text(segments["shape"]) == "undecided")[stretch]

    xyz = shapely.get_coordinates(np.asarray(band["geometry"], dtype=object), include_z=True)
    radius = lines.outside_diameter_m[row] / 2
    invert = number(band["invert_level_m"])
    inside = lines.inside_diameter_m[row]
    above_invert = np.where(np.isfinite(inside), inside / 2, radius)
    level = invert + above_invert
    ground = number(band["ground_level_m"])
    # Without levels z counts from ground taken as level at 0.
    none = lines.level_datum[row] == "depth only"
    depth = np.where(none, -(xyz[:, 2] + above_invert), ground - level)
    plan = lines.metric.to_metres(xyz[:, :2])
    level_off = np.stack(
        [
            invert - number(band["invert_lower_95_m"]),
            number(band["invert_upper_95_m"]) - invert,
        ],
        axis=-1,
    ).clip(0.0)
    depth_off = _against_ground(band, level_off)
    at = number(band["chainage_m"])[ends]
    low, high = np.full(len(segments), np.inf), np.full(len(segments), -np.inf)
    np.minimum.at(low, stretch, at[:, 0])
    np.maximum.at(high, stretch, at[:, 1])
    return StationLegs(
        line=row[leg],
        xy_m=plan[ends],
        level_m=np.where(none, np.nan, level)[ends],
        depth_m=depth[ends],
        level_off_m=level_off[ends],
        depth_off_m=depth_off[ends],
        chainage_m=at,
        plan_95_m=number(segments["semi_major_95_max_m"])[stretch],
        undecided=undecided,
        stretch=stretch,
        segment_m=(high - low)[stretch],
        reach_m=number(segments["reach_m"])[stretch],
    )


def axis_ends(legs: StationLegs, leg: Ints, by: Texts) -> Floats:
    """Return both ends (n, 2, 3) of legs on the vertical axis that their pair's body is on."""
    z = np.where((by == "level")[:, None], legs.level_m[leg], -legs.depth_m[leg])
    z = np.where((by == "plan_only")[:, None], 0.0, z)
    return np.concatenate([legs.xy_m[leg], z[..., None]], axis=-1)


def region_of(lines: Lines, legs: StationLegs, leg: int) -> shapely.Geometry | None:
    """Return the plan region an undecided leg's pipe may be in at 95 %; None when unbounded.

    The corridor, as far as the counter reaches from the middle of the stretch's two ends.
    """
    corridor = lines.corridor_m[legs.line[leg]]
    if corridor is None or np.isnan(legs.plan_95_m[leg]):
        return None
    if np.isnan(legs.reach_m[leg]):
        return corridor
    same = np.flatnonzero((legs.stretch == legs.stretch[leg]) & (legs.line == legs.line[leg]))
    middle = shapely.Point((legs.xy_m[same[0], 0] + legs.xy_m[same[-1], 1]) / 2)
    shift = float(np.nan_to_num(lines.frame_shift_95_m[legs.line[leg]]))
    return shapely.intersection(
        corridor, middle.buffer(float(legs.reach_m[leg]) / 2 + _ENDS_M + 2 * shift)
    )


def _against_ground(band: Any, level_off_m: Floats) -> Floats:
    """Return how much lower and higher (n, 2) an axis may be against the ground, 95 %.

    As the layer has it for the cover: an adjusted level's error and the ground's are independent;
    what reach alone allows is no error to average out, and they add. Where the site has no levels
    the cover's own bound serves both ways.
    """
    ground = (INTERVAL_95 * number(band["ground_sigma_m"]))[:, None]
    undecided = (text(band["shape"]) == "undecided")[:, None]
    off = np.where(undecided, level_off_m + ground, np.hypot(level_off_m, ground))
    of_cover = number(band["cover_m"]) - number(band["cover_least_95_m"])
    return np.where(np.isfinite(off), off, of_cover[:, None])


def _whole(found: Floats, what: str, band: Any, rows: Ints) -> Ints:
    if np.isnan(found).any():
        row = band.iloc[int(rows[np.isnan(found).argmax()])]
        raise NotBuiltError(
            f"layer level_band names {what} {row['segment_id']} of line {row['line_id']}, which "
            "pipe_segments lacks: build again"
        )
    return found.astype(np.int64)


def _ids(frame: Any) -> pd.MultiIndex:
    return pd.MultiIndex.from_frame(frame[["site_id", "line_id", "segment_id"]])
