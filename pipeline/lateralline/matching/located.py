"""A record's located lines on one plane, how sure they are along their length, and their ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from lateralline.frames import PLAN_95
from lateralline.overlay.as_built import AsBuilt, NotBuiltError
from lateralline.record.ground import RegionPlane, regions
from lateralline.record.layers import GEOMETRY, AnyFrame, Shapes
from lateralline.record.reading import read_layers
from lateralline.records import Floats, Ints, Texts

#: A line's direction at its end is that over so much of it.
_END_M: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class SegmentSigmas:
    """σ on each axis of stretches of lines (k), in order along all lines."""

    begins: Floats  # (k,) row of the line, and the share of it where the stretch begins
    line: Ints
    sigma_m: Floats  # NaN where nothing bounds the position

    def at(self, line: Ints, share: Floats) -> Floats:
        """Return σ (n,) at shares 0 to 1 along lines (n,)."""
        if not len(self.begins):
            return np.full(len(line), np.nan)
        n = np.searchsorted(self.begins, line + np.minimum(share, 1.0 - 1e-9), side="right") - 1
        n = np.where(self.line[np.maximum(n, 0)] == line, n, n + 1)  # before the first: the first
        n = np.clip(n, 0, len(self.line) - 1)
        return np.where(self.line[n] == line, self.sigma_m[n], np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class LocatedLines:
    """Lines of a record (n), drawn from their downstream ends, in metres of one plane."""

    plane: RegionPlane
    site: Texts
    line: Texts
    path_m: Shapes
    length_m: Floats  # in space
    joins: Texts  # line of the same site; "" none
    asset: Texts  # what the register calls it; "" not given
    places: Ints  # located points
    z_m: Floats  # of the invert at the downstream end, as drawn
    invert_m: Floats  # level at the downstream end; NaN unknown
    invert_sigma_m: Floats
    inside_diameter_m: Floats
    sigmas: SegmentSigmas

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.line)

    def row_of(self) -> Mapping[tuple[str, str], int]:
        """Return the row of each site and line."""
        keys = zip(self.site.tolist(), self.line.tolist(), strict=True)
        return {key: n for n, key in enumerate(keys)}


@dataclass(frozen=True, slots=True, eq=False)
class DownstreamEnds:
    """Where located lines end downstream (n), and the way the pipe goes there."""

    point_m: Floats  # (n, 2)
    way: Floats  # (n, 2) unit, with the flow
    sigma_m: Floats  # of the place on each axis; NaN unknown
    way_sigma_rad: Floats


def located_lines(as_built: AsBuilt) -> LocatedLines:
    """Return all located lines of a record on a plane about their middle.

    Its scale is off by 3 parts in 10⁵ fifty kilometres away (the usual r²/2R² of a transverse
    Mercator): nothing between lines that are compared over metres. Raises NotBuiltError for a
    record without a line.
    """
    lines = as_built.layers["pipe_centreline"]
    if not lines.geometry.notna().any():
        raise NotBuiltError(f"{as_built.path} holds no located line: there is nothing to compare")
    segments = read_layers(as_built.path, ("pipe_segments",))["pipe_segments"]
    return lines_in(lines, segments, as_built.crs)


def lines_in(lines: AnyFrame, segments: AnyFrame, on: CRS | RegionPlane | None) -> LocatedLines:
    """Return the located lines of both layers, of which there is one at least.

    `on` is the plane they are on, or the CRS of a plane about their middle.
    """
    lines = lines[lines[GEOMETRY].notna()].reset_index(drop=True)
    shapes = np.asarray(lines[GEOMETRY].array)
    if isinstance(on, RegionPlane):
        plane = on
    else:
        middle = np.median(shapely.get_coordinates(shapely.centroid(shapes)), axis=0)
        plane = next(iter(regions(on, middle[None])))[0]
    site, line = (_texts(lines, name) for name in ("site_id", "line_id"))
    row = _rows(segments, site, line)
    segments, row = segments[row >= 0], row[row >= 0]
    length = _numbers(lines, "length_m")
    share = _numbers(segments, "from_chainage_m") / np.maximum(length[row], 1e-9)
    begins: Floats = row.astype(np.float64)
    begins += np.clip(np.nan_to_num(share), 0.0, 1.0 - 1e-6)
    order = np.argsort(begins, kind="stable")
    sigma = _numbers(segments, "position_95_max_m") / PLAN_95
    down = np.full(len(lines), np.nan)
    down[row[order][::-1]] = _numbers(segments, "invert_down_sigma_m")[order][::-1]
    return LocatedLines(
        plane=plane,
        site=site,
        line=line,
        path_m=plane.shapes_to_ground(shapes),
        length_m=length,
        joins=_texts(lines, "joins_line_id"),
        asset=_texts(lines, "asset_id"),
        places=np.bincount(row, minlength=len(lines)) + 1,
        z_m=np.nan_to_num(shapely.get_z(shapely.get_point(shapes, 0))),
        invert_m=_numbers(lines, "invert_down_level_m"),
        invert_sigma_m=down,
        inside_diameter_m=_numbers(lines, "inside_diameter_m"),
        sigmas=SegmentSigmas(begins[order], row[order], sigma[order]),
    )


def downstream_ends(as_built: AsBuilt, lines: LocatedLines) -> DownstreamEnds:
    """Return the downstream ends: a connection to the main that a run reached, else the line's.

    The way is that of the last 2 m of the line; its σ that of two ends as sure as the place.
    """
    ends = ends_of(lines.path_m, lines.sigmas.at(np.arange(len(lines)), np.zeros(len(lines))))
    nodes = read_layers(as_built.path, ("pipe_nodes",))["pipe_nodes"]
    nodes = nodes[(nodes["kind"] == "connection") & nodes.geometry.notna()]
    row = _rows(nodes, lines.site, lines.line)
    if (here := row >= 0).any():
        shapes = lines.plane.shapes_to_ground(np.asarray(nodes.geometry.array)[here])
        ends.point_m[row[here]] = shapely.get_coordinates(shapes)
        ends.sigma_m[row[here]] = _numbers(nodes, "position_95_m")[here] / PLAN_95
    return ends


def nodes_of(as_built: AsBuilt, lines: LocatedLines) -> tuple[list[set[str]], dict[str, set[str]]]:
    """Return the ids of the nodes on each line (n), and of all nodes of each site."""
    rows = read_layers(as_built.path, ("node_lines",))["node_lines"]
    row = _rows(rows, lines.site, lines.line)
    on_line: list[set[str]] = [set() for _ in range(len(lines))]
    of_site: dict[str, set[str]] = {}
    names = zip(row.tolist(), _texts(rows, "site_id").tolist(), _texts(rows, "node_id").tolist(),
                strict=True)  # fmt: skip
    for n, site, node in names:
        of_site.setdefault(site, set()).add(node)
        if n >= 0:
            on_line[n].add(node)
    return on_line, of_site


def ends_of(path_m: Shapes, sigma_m: Floats) -> DownstreamEnds:
    """Return the downstream ends of paths (n) that are drawn from there, σ (n,) on each axis."""
    begin = shapely.get_coordinates(shapely.line_interpolate_point(path_m, 0.0))
    back = np.minimum(shapely.length(path_m), _END_M)
    behind = shapely.get_coordinates(shapely.line_interpolate_point(path_m, back))
    away = begin - behind
    run = np.maximum(np.hypot(*away.T), 1e-9)
    return DownstreamEnds(begin, away / run[:, None], sigma_m, np.sqrt(2.0) * sigma_m / run)


def _rows(frame: AnyFrame, site: Texts, line: Texts) -> Ints:
    """Return the row of the line that each row of a layer is of; -1 for none."""
    keys = pd.MultiIndex.from_arrays([site, line])
    of = pd.MultiIndex.from_arrays([_texts(frame, "site_id"), _texts(frame, "line_id")])
    return np.asarray(keys.get_indexer(of), dtype=np.int64)


def _numbers(frame: AnyFrame, column: str) -> Floats:
    return np.asarray(frame.reindex(columns=[column])[column], dtype=np.float64)


def _texts(frame: AnyFrame, column: str) -> Texts:
    given = frame.reindex(columns=[column])[column].astype(object)
    return np.asarray(given.where(given.notna(), ""), dtype=np.str_)
