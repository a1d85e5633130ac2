"""How high and how low the pipe may be, station by station, and the cover that leaves.

Each station has its own 95 %: with that probability the true level there lies between its two
bounds; the band does not contain the whole line at once with that probability. Where the shape is
decided that is the adjusted level ± 1.96 σ, the bow between stops included; beside a bend also what
of the path may lie over the place, since a drop 0.2 m further on is a level a metre off here. On an
undecided stretch no path stands for the pipe, and the bounds are all that the counted length
allows. Everywhere else that cuts the band too. Where paths were drawn over all shapes, what they
keep stands for all of this.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from lateralline.derive.axis import Along, Axis
from lateralline.derive.corridor import envelope_levels
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.sampled import PathsAlong
from lateralline.derive.tables import GEOMETRY, Columns, fields_of
from lateralline.findings import Finding, finding
from lateralline.records import Flags, Floats, Stretch, Texts

#: Stations are no further apart than this, and at every vertex.
SPACING_M: Final = 0.50
#: A bent path is looked at this closely, and no place of it is taken to be exact.
_CLOSE_M, _SLIVER_M2 = 0.05, 1e-8
_AT_ONCE: Final = 1_000_000  # numbers in memory at once


@dataclass(frozen=True, slots=True, eq=False)
class StationBand:
    """95 % bounds of the transmitter's level at points (n,), and what set them."""

    lower_m: Floats  # NaN where nothing bounds it
    upper_m: Floats
    bounded_by: Texts  # located | path | path_and_reach | reach | nothing


def level_bands(axes: Iterable[Axis], segments: Mapping[str, Sequence[str]]) -> Iterator[Columns]:
    """Yield the layer `level_band`: stations of every stretch, drawn at their invert.

    `segments` are the ids of each line's stretches.

    A stretch's downstream end is a station only on the line's first.
    """
    for axis in axes:
        stretches = axis.line.stretches
        places = [axis.spaced(s, SPACING_M)[number > 0 :] for number, s in enumerate(stretches)]
        stations = axis.at_each(places)
        bands = line_bands(axis, stations)
        for number, (stretch, points) in enumerate(zip(stretches, stations, strict=True)):
            yield {
                "line_id": axis.line.line,
                "segment_id": segments[axis.line.line][number],
                "shape": stretch.shape,
                "confidence": 0.95,
                "at_ref": _names(axis, stretch, points),
                GEOMETRY: shapely.points(points.on_invert),
                **_bounds(axis, bands[number], points),
            }


def line_bands(axis: Axis, stations: Sequence[Along]) -> list[StationBand]:
    """Return the bands at points of each stretch of a line, its two ends among them or not.

    A located end has its own interval, whatever the stretch beside it may do.
    """
    stretches = axis.line.stretches
    if axis.sampled_paths is not None:
        return _of_paths(axis, axis.sampled_paths, stations)
    return [level_band(axis, s, points) for s, points in zip(stretches, stations, strict=True)]


def level_band(axis: Axis, stretch: Stretch, points: Along) -> StationBand:
    """Return the band at points of a stretch (n,) of a line without drawn paths."""
    low, high = envelope_levels(axis, stretch, points)
    level, half = points.xyz_m[:, 2], INTERVAL_95 * points.invert_sigma_m
    lower, upper = level - half, level + half
    located = _at_ends(axis, stretch, points)
    if stretch.shape == "undecided":
        by = np.where(np.isfinite(low), "reach", "nothing")
        low, high = (np.where(np.isfinite(bound), bound, np.nan) for bound in (low, high))
    else:
        if stretch.last > stretch.first + 1:
            around = _over(axis, stretch, points)
            lower, upper = np.fmin(lower, around[0]), np.fmax(upper, around[1])
        by = np.where((low > lower) | (high < upper), "path_and_reach", "path")
        low, high = np.fmax(lower, low), np.fmin(upper, high)
    return StationBand(
        np.where(located, level - half, low),
        np.where(located, level + half, high),
        np.where(located, "located", by),
    )


def _of_paths(axis: Axis, along: PathsAlong, stations: Sequence[Along]) -> list[StationBand]:
    """Return the bands that 95 of 100 paths keep at each place.

    On an undecided stretch also what they keep at both its ends: a step that is doubted there may
    be anywhere between them.
    """
    places = [axis.chainage_m, *(points.chainage_m for points in stations)]
    low, high = along.levels_m(np.concatenate(places), 0.95)
    at = np.cumsum([len(each) for each in places])
    bands = []
    for stretch, points, a, b in zip(axis.line.stretches, stations, at[:-1], at[1:], strict=True):
        ends, lower, upper = [stretch.first, stretch.last], low[a:b], high[a:b]
        if stretch.shape == "undecided":
            lower, upper = np.fmin(lower, low[ends].min()), np.fmax(upper, high[ends].max())
        level, located = points.xyz_m[:, 2], _at_ends(axis, stretch, points)
        by = np.where(located, "located", "path")
        bands.append(StationBand(np.fmin(lower, level), np.fmax(upper, level), by))
    return bands


def _at_ends(axis: Axis, stretch: Stretch, points: Along) -> Flags:
    """Return which points (n,) are an end of their stretch."""
    ends = axis.chainage_m[[stretch.first, stretch.last]]
    near = np.isclose(points.chainage_m[:, None], ends, rtol=0.0, atol=1e-9)
    return np.asarray(near.any(axis=1))


def _over(axis: Axis, stretch: Stretch, points: Along) -> tuple[Floats, Floats]:
    """Return the lowest and highest level a bent path may have over the places of points (n,).

    A place of the path d of its own σ away in plan may be here, and then within √(1.96² − d²) σ in
    level. On an even grade g that is just 1.96 √(σ_u² + g² σ_along²); at a bend it is right too.
    """
    path = axis.at(axis.spaced(stretch, _CLOSE_M))
    root = np.linalg.inv(np.linalg.cholesky(path.cov_m2[:, :2, :2] + _SLIVER_M2 * np.eye(2)))
    level, at = path.xyz_m[:, 2], points.xyz_m[:, :2]
    low, high = np.empty(len(at)), np.empty(len(at))
    step = max(_AT_ONCE // len(level), 1)  # stations looked at together bound memory
    for rows in (slice(i, i + step) for i in range(0, len(at), step)):
        off = at[rows, None] - path.xyz_m[None, :, :2]
        left = INTERVAL_95**2 - np.square(np.einsum("kij,nkj->nki", root, off)).sum(axis=2)
        half = np.where(left > 0, path.invert_sigma_m * np.sqrt(left.clip(0.0)), np.nan)
        with np.errstate(all="ignore"):
            low[rows] = np.fmin.reduce(level - half, axis=1)
            high[rows] = np.fmax.reduce(level + half, axis=1)
    return low, high


def _bounds(axis: Axis, band: StationBand, points: Along) -> Columns:
    """Return the columns of stations that are numbers, and what set the bounds."""
    undecided = np.isin(band.bounded_by, ("reach", "nothing"))
    known = np.where(undecided, np.nan, 1.0)  # no σ of a path that stands for nothing
    up, ground = band.upper_m - points.xyz_m[:, 2], INTERVAL_95 * points.ground_sigma_m
    # What reach allows is no error to be averaged out against that of the ground: they add.
    off = np.where(undecided, up + ground, np.hypot(up, ground))
    columns = fields_of("level_band", points) | {
        "bounded_by": band.bounded_by,
        "invert_sigma_m": points.invert_sigma_m * known,
        "cover_sigma_m": points.cover_sigma_m * known,
        "cover_lower_95_m": points.cover_m - off,
    }
    heights = {
        "invert": 0.0,
        "inside_top": axis.pipe.inside_diameter_m,
        "outside_top": points.outside_top_m,
    }
    for name, height in heights.items():
        above = height - points.ride_m
        columns[f"{name}_level_m"] = points.xyz_m[:, 2] + above
        columns[f"{name}_lower_95_m"] = band.lower_m + above
        columns[f"{name}_upper_95_m"] = band.upper_m + above
    return columns


def _names(axis: Axis, stretch: Stretch, points: Along) -> list[str]:
    """Return the located point at each station, "bend" at a bend, else ""."""
    at = {
        float(axis.chainage_m[v]): str(axis.line.ref[v]) or str(axis.line.kind[v])
        for v in range(stretch.first, stretch.last + 1)
    }
    return [at.get(chainage, "") for chainage in points.chainage_m.tolist()]


# ---- cover ---------------------------------------------------------------------------------


def least_cover_95_m(bounds_m: Floats) -> float:
    """Return the least of the lower 95 % covers of stations (n,), m; NaN where one has none.

    Each station's bound holds for its own place, not for all of them at once.

    >>> least_cover_95_m(np.array([1.2, 0.9])), least_cover_95_m(np.array([1.2, np.nan]))
    (0.9, nan)
    """
    return float(bounds_m.min()) if len(bounds_m) else float("nan")


def cover_findings(axis: Axis) -> tuple[Finding, ...]:
    """Return an error finding where a line lies with its top above the ground.

    Something is wrong then: levels, depths, or the way the line is drawn between its stops.
    """
    points = axis.samples
    if not (points.cover_m < 0.0).any():  # NaN where the pipe's size is not known
        return ()
    worst = int(np.nanargmin(points.cover_m))
    above = finding(
        "cover-negative",
        f"line {axis.line.line}",
        at_m=points.chainage_m[worst],
        cover_m=points.cover_m[worst],
        sigma_m=points.cover_sigma_m[worst],
    )
    return (above,)
