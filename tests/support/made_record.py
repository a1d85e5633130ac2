"""Built records whose lines are where a test says, as sure as it says: no survey behind them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS

from lateralline import contract
from lateralline.record import layers
from lateralline.write.geopackage import GeoPackageSink

NAMES = ("pipe_centreline", "pipe_segments", "position_corridor", "level_band", "lineage")
INTERVAL, ELLIPSE = 1.959964, 2.447747


@dataclass(frozen=True)
class Pipe:
    """A line in metres east, north of the record's middle; z is the level of its axis."""

    path: tuple[tuple[float, float, float], ...] = ((-10.0, 0.0, 98.0), (10.0, 0.0, 98.0))
    line: str = "L1"
    site: str = "S1"
    sigma_plan: float = 0.05
    sigma_level: float = 0.04
    ground: float = 99.5
    ground_sigma: float = 0.02
    inside: float = 0.15
    outside: float = 0.16
    datum: str = "EPSG:5703"
    undecided: bool = False
    by_stop: bool = False  # a segment between each two vertices, else one for all
    bounded: bool = True
    corridor: bool = True
    half_width: float = nan  # of the corridor; NaN = the 95 % ellipse's
    frame_shift: float = 0.0
    joins: str = ""


def make_record(
    path: Path,
    pipes: tuple[Any, ...] | None = None,
    *,
    crs: str | None = "EPSG:32617",
    middle: tuple[float, float] = (500_000.0, 4_650_000.0),
    per_metre: Any = None,
    **given: Any,
) -> Path:
    """Write a GeoPackage; `per_metre` turns metres (n, 2) into the CRS, else one unit a metre."""
    pipes = (Pipe(**given),) if pipes is None else tuple(Pipe(**p) for p in pipes)
    system = None if crs is None else CRS(crs)
    way = per_metre or (lambda xy: xy + middle)
    sink = GeoPackageSink(path, system, stamp=datetime(2026, 5, 6, tzinfo=UTC), names=NAMES)
    told: set[str] = set()  # a site says where it comes from once
    for pipe in pipes:
        tables = _tables(pipe, way, crs)
        if pipe.site in told:
            tables.pop("lineage")
        told.add(pipe.site)
        sink.append(tables)
    sink.close()
    return path


def _tables(pipe: Pipe, way: Any, crs: str | None) -> dict[str, Any]:
    nodes = np.array(pipe.path, dtype=np.float64)
    lengths = np.linalg.norm(np.diff(nodes, axis=0), axis=1)
    chainage = np.concatenate([[0.0], np.cumsum(lengths)])
    at = np.unique(np.concatenate([chainage, np.arange(0.0, chainage[-1], 0.5)]))
    xyz = np.column_stack([np.interp(at, chainage, nodes[:, c]) for c in range(3)])
    n, level = len(at), pipe.datum != "depths only"
    invert = xyz[:, 2] - (pipe.inside if np.isfinite(pipe.inside) else 0.2) / 2
    off = INTERVAL * pipe.sigma_level if pipe.bounded else nan
    cover = pipe.ground - xyz[:, 2] - pipe.outside / 2
    z = invert if level else invert - pipe.ground
    ids = {"site_id": pipe.site, "line_id": pipe.line}
    count = len(nodes) - 1 if pipe.by_stop else 1
    segment = np.searchsorted(chainage[1:], at - 1e-9) + 1 if pipe.by_stop else np.ones(n, int)
    shape = "undecided" if pipe.undecided else "straight"
    plan = way(nodes[:, :2])
    half = pipe.half_width if np.isfinite(pipe.half_width) else ELLIPSE * pipe.sigma_plan
    corridor = shapely.buffer(shapely.LineString(nodes[:, :2]), half, quad_segs=64)
    corridor = shapely.transform(corridor, way)
    levels = {
        "invert_level_m": invert,
        "invert_lower_95_m": invert - off,
        "invert_upper_95_m": invert + off,
        "ground_level_m": np.full(n, pipe.ground),
        "ground_sigma_m": np.full(n, pipe.ground_sigma),
    }
    band = {
        "segment_id": [f"{pipe.line}/{k}" for k in segment],
        "chainage_m": at,
        "shape": [shape] * n,
        "bounded_by": ["path"] * n,
        "confidence": [0.95] * n,
        "level_datum": [pipe.datum] * n,
        "cover_m": cover,
        "cover_lower_95_m": cover - INTERVAL * np.hypot(pipe.sigma_level, pipe.ground_sigma),
    } | (levels if level else {})
    whole = shapely.linestrings(np.column_stack([plan, np.interp(chainage, at, z)]))
    unbounded = pipe.undecided and not pipe.bounded
    return {
        "pipe_centreline": _table(
            "pipe_centreline",
            1,
            ids
            | {
                "inside_diameter_m": pipe.inside,
                "outside_diameter_m": pipe.outside,
                "length_m": chainage[-1],
                "level_datum": pipe.datum,
                "joins_line_id": pipe.joins,
            },
            [whole],
        ),
        "pipe_segments": _table(
            "pipe_segments",
            count,
            ids
            | {
                "segment_id": [f"{pipe.line}/{k + 1}" for k in range(count)],
                "shape": shape,
                "level_datum": pipe.datum,
                "position_95_max_m": nan if unbounded else half,
                "reach_m": nan if unbounded else chainage[-1] + 0.4,
            },
            [whole] * count,
        ),
        "position_corridor": _table(
            "position_corridor",
            int(pipe.corridor),
            ids | {"crs_shift_95_m": pipe.frame_shift},
            [corridor] * pipe.corridor,
        ),
        "level_band": _table(
            "level_band", n, ids | band, list(shapely.points(np.column_stack([way(xyz[:, :2]), z])))
        ),
        "lineage": _table("lineage", 3, {"site_id": pipe.site} | _lineage(pipe, crs), None),
    }


def _lineage(pipe: Pipe, crs: str | None) -> dict[str, list[str]]:
    """Return lineage rows as a build writes them: where plan and levels count from, z in metres."""
    vertical = {"depths only": "none", "site zero": "relative"}.get(pipe.datum, pipe.datum)
    return {
        "topic": ["crs"] * 3,
        "item": ["horizontal crs", "vertical crs", "z unit"],
        "value": [crs or "local", vertical, "1"],
    }


def _table(name: str, n: int, known: dict[str, Any], shapes: list[Any] | None) -> Any:
    """Return a table with what is known; what is required otherwise is made up."""
    columns = {}
    for c in contract.load(name).field:
        if c.name == contract.UID:
            continue
        value = known.get(c.name)
        if value is None and c.required:
            word = c.enum[0] if c.enum else "-"
            made = {"text": word, "boolean": False, "date": date(2026, 5, 6)}
            value = made.get(c.type, max(c.minimum or 0, (c.above or 0) + 1, 1))
        is_column = isinstance(value, np.ndarray | list)
        columns[c.name] = value if is_column else [value] * n
    if shapes is None:
        return layers.to_table(name, columns)
    geometry = np.empty(n, dtype=object)
    geometry[:] = shapes
    return layers.to_table(name, columns, geometry)
