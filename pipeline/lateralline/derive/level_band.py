"""The `level_band` layer: how high and how low the pipe may be, station by station.

Each station speaks for itself: with 95 % probability the true level there lies between its two
bounds; the band does not hold the whole line at once with that probability. Where the shape is
decided that is the adjusted level ± 1.96 σ, the bow between stops included; beside a bend also what
of the path may lie over the place, since a drop 0.2 m further on is a level a metre off here. On an
undecided stretch no path stands for the pipe, and the bounds are all that the counted length
allows. Everywhere else that cuts the band too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import Final

import numpy as np
import shapely

from lateralline import contract
from lateralline.derive.axis import Along, Axis
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.reach import envelope_levels
from lateralline.derive.tables import Row, Values, from_rows, rows_of
from lateralline.records import Floats, Product, Stretch, Texts

#: Stations are no further apart than this, and at every vertex.
SPACING_M: Final = 0.50
#: A bent path is looked at this closely, and no place of it is taken to be exact.
_CLOSE_M, _SLIVER_M2 = 0.05, 1e-8
_AT_ONCE: Final = 1_000_000  # numbers held at once


@dataclass(frozen=True, slots=True, eq=False)
class StationBand:
    """95 % bounds of the transmitter's level at points (n,), and what set them."""

    lower_m: Floats  # NaN where nothing bounds it
    upper_m: Floats
    bounded_by: Texts  # located | path | path_and_reach | reach | nothing

    @property
    def half_m(self) -> Floats:
        """Half the width of the band (n,); infinite where nothing bounds it."""
        return np.nan_to_num((self.upper_m - self.lower_m) / 2, nan=np.inf)


def level_band(axis: Axis, stretch: Stretch, points: Along) -> StationBand:
    """Return the band at points of a stretch (n,), its two ends among them or not.

    A located end has its own interval, whatever the stretch beside it may do.
    """
    low, high = envelope_levels(axis, stretch, points)
    level, half = points.xyz_m[:, 2], INTERVAL_95 * points.invert_sigma_m
    lower, upper = level - half, level + half
    ends = axis.chainage_m[[stretch.first, stretch.last]]
    located = np.isclose(points.chainage_m[:, None], ends, rtol=0.0, atol=1e-9).any(axis=1)
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


def _over(axis: Axis, stretch: Stretch, points: Along) -> tuple[Floats, Floats]:
    """Return the lowest and highest level a bent path may have over the places of points (n,).

    A place of the path d of its own σ away in plan may be here, and then within √(1.96² − d²) σ in
    level. On an even grade g that is just 1.96 √(σ_u² + g² σ_along²); at a bend it is right too.
    """
    legs = pairwise(axis.chainage_m[stretch.first : stretch.last + 1])
    path = axis.at(
        np.concatenate([np.linspace(a, b, ceil((b - a) / _CLOSE_M) + 1) for a, b in legs])
    )
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


def level_bands(site_id: str, datum: str, axes: Iterable[Axis]) -> Product:
    """Return the layer: stations of every line from downstream, drawn at their invert."""
    rows: list[Row] = []
    shapes: list[object] = []
    for axis in axes:
        for number, stretch in enumerate(axis.line.stretches):
            points = axis.at(_stations(axis, number))
            columns = _columns(axis, number, level_band(axis, stretch, points), points)
            common: Row = {
                "site_id": site_id,
                "line_id": axis.line.line,
                "segment_id": f"{axis.line.line}/{number + 1}",
                "shape": stretch.shape,
                "confidence": 0.95,
                "level_datum": datum,
                "caution": contract.load("level_band").caution,
            }
            rows += [common | row for row in rows_of(columns, len(points.chainage_m))]
            shapes += list(shapely.points(points.on_invert))
    return from_rows("level_band", rows, shapes)


def _stations(axis: Axis, number: int) -> Floats:
    """Return the chainages of a stretch; its downstream end only on the line's first."""
    stretch = axis.line.stretches[number]
    vertices = axis.chainage_m[stretch.first : stretch.last + 1]
    legs = [np.linspace(a, b, ceil((b - a) / SPACING_M) + 1)[1:] for a, b in pairwise(vertices)]
    return np.concatenate([vertices[: number == 0], *legs])


def _columns(axis: Axis, number: int, band: StationBand, points: Along) -> dict[str, Values]:
    undecided = np.isin(band.bounded_by, ("reach", "nothing"))
    known = np.where(undecided, np.nan, 1.0)  # no σ of a path that stands for nothing
    columns: dict[str, Values] = {
        "at_ref": _names(axis, number, points),
        "chainage_m": points.chainage_m,
        "bounded_by": band.bounded_by,
        "ground_level_m": points.ground_m,
        "ground_sigma_m": points.ground_sigma_m,
        "cover_m": points.cover_m,
        "cover_sigma_m": points.depth_sigma_m * known,
    }
    heights = {
        "invert": 0.0,
        "crown": axis.pipe.inside_diameter_m,
        "top": points.outside_top_m,
    }
    for name, height in heights.items():
        above = height - points.ride_m
        columns[f"{name}_level_m"] = points.xyz_m[:, 2] + above
        columns[f"{name}_lower_95_m"] = band.lower_m + above
        columns[f"{name}_upper_95_m"] = band.upper_m + above
    columns["invert_sigma_m"] = points.invert_sigma_m * known
    up, ground = band.upper_m - points.xyz_m[:, 2], INTERVAL_95 * points.ground_sigma_m
    # What reach allows is no error to be averaged out against that of the ground: they add.
    off = np.where(undecided, up + ground, np.hypot(up, ground))
    columns["cover_least_95_m"] = points.cover_m - off
    return columns


def _names(axis: Axis, number: int, points: Along) -> list[object]:
    """Return the located point at each station, "bend" at a bend, else ""."""
    stretch = axis.line.stretches[number]
    at = {
        float(axis.chainage_m[v]): str(axis.line.ref[v]) or str(axis.line.kind[v])
        for v in range(stretch.first, stretch.last + 1)
    }
    return [at.get(chainage, "") for chainage in points.chainage_m.tolist()]
