"""The index of many pages: what its map draws and what its search looks through, as JSON.

Every line of the records stands in it once, simplified and in whole decimetres about the middle of
them all, so that twenty thousand take a few megabytes. The map is for finding a site, not for
scaling from: it lies on a sphere, and datums count as one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isnan
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from lateralline.frames.systems import degrees_of
from lateralline.page.document import policy, safe_json, script, style, template
from lateralline.page.places import UNIT_NAMES
from lateralline.page.signs import PALETTE
from lateralline.record import CAUTION
from lateralline.record.layers import AnyFrame, Shapes
from lateralline.record.reading import crs_of, read_layers
from lateralline.record.rows import CentrelineRow
from lateralline.records import Floats
from lateralline.units import METRES_PER, PER_FOOT
from lateralline.wording import rounded_up

#: Mean radius of the Earth, m (from memory); a map for finding needs no better.
_RADIUS_M: Final = 6_371_000.0
#: Vertices that lie no farther from the simplified line are left out, m.
_STRAY_M: Final = 0.2
#: One step of the map's coordinates, m.
_STEP_M: Final = 0.1
#: Colours the script paints the map with.
_ROLES: Final = ("ink", "grid", "quiet", "pipe", "measured", "zone_edge", "warn", "chosen", "paper")
#: Limits of the map's classes of position ±, in the unit of the index: round steps of our own, for
#: the colours of the map alone (common practice, no source).
LIMITS: Final[Mapping[bool, tuple[float, ...]]] = {False: (0.15, 0.3, 0.6), True: (0.5, 1.0, 2.0)}


@dataclass(frozen=True, slots=True)
class IndexEntry:
    """One site in the index."""

    file: str
    site_id: str
    name: str
    surveyed: str
    source: str
    lines: tuple[str, ...]
    length_m: float
    unit: str
    errors: int
    warnings: int
    conflicts: int | None  # with planned works; None where they were not looked at


def unit_of(entries: Sequence[IndexEntry]) -> str:
    """Return the unit of an index: that of all its sites, else metres."""
    units = {entry.unit for entry in entries}
    return units.pop() if len(units) == 1 else "m"


def index_page(
    entries: Sequence[IndexEntry],
    lines: Mapping[str, Sequence[object]],
    note: str = "",
    *,
    planned: bool = False,
) -> str:
    """Return the index of the pages of `entries`; `lines` are those of `index_lines`.

    `planned` says that planned works were looked at.
    """
    unit = unit_of(entries)
    columns = ("file", "site_id", "name", "surveyed", "source", "errors", "warnings", "conflicts")
    data = safe_json(
        {
            "sites": {name: [getattr(e, name) for e in entries] for name in columns},
            "lines": lines,
            "unit": UNIT_NAMES[unit],
            "per": METRES_PER[unit],
            "step_m": _STEP_M,
            "limits": LIMITS[unit in PER_FOOT],
            "palette": {role: PALETTE[role] for role in _ROLES},
            "planned": planned,
            "several": len({e.source for e in entries}) > 1,
        }
    )
    text = script("theme.js", "map.js", "index.js")
    page: str = template("index.html").render(
        count=len(entries), lines=len(lines["site"]),
        off_map=sum(path is None for path in lines["path"]),
        caution=CAUTION, note=note, script=text, style=style(), policy=policy(text), data=data,
        unit=UNIT_NAMES[unit], limits=LIMITS[unit in PER_FOOT], planned=planned,
        several=len({e.source for e in entries}) > 1,
    )  # fmt: skip
    return page


def index_lines(sites: Sequence[tuple[Path, str]], unit: str) -> dict[str, list[object]]:
    """Return the lines of the sites as columns, in the order of the sites, longest first.

    `site` counts sites, `off` is position ± at its widest in `unit`, `path` is x and y of the first
    vertex, then the steps to each further one, in whole `_STEP_M`; None for a line with no place on
    the map.
    """
    number = {site: n for n, site in enumerate(sites)}
    found: list[tuple[int, float, list[object]]] = []
    shapes: list[Shapes] = []
    for gpkg in dict.fromkeys(gpkg for gpkg, _ in sites):
        frame = read_layers(gpkg, [CentrelineRow.layer])[CentrelineRow.layer]
        asked = [(gpkg, s) in number for s in frame["site_id"]]
        frame = frame[asked].reset_index(drop=True)
        shapes.append(_in_degrees(frame))
        found += _rows(frame, [number[gpkg, s] for s in frame["site_id"]], METRES_PER[unit])
    paths = _paths(np.concatenate(shapes)) if shapes else []
    order = sorted(range(len(found)), key=lambda n: (found[n][0], -found[n][1]))
    names = ("site", "line", "asset", "length", "off")
    columns: dict[str, list[object]] = {
        name: [found[n][2][i] for n in order] for i, name in enumerate(names)
    }
    return columns | {"path": [paths[n] for n in order]}


def _rows(
    frame: AnyFrame, sites: Sequence[int], per: float
) -> Iterable[tuple[int, float, list[object]]]:
    assets = frame["asset_id"] if "asset_id" in frame else [""] * len(frame)
    lengths = frame["length_m"].to_numpy(dtype=float)
    off = frame["position_95_max_m"].to_numpy(dtype=float)
    for site, line, asset, length, wide in zip(
        sites, frame["line_id"], assets, lengths.tolist(), off.tolist(), strict=True
    ):
        told = None if isnan(wide) else rounded_up(wide / per, 2)
        row = [site, str(line), "" if asset is None else str(asset), round(length / per, 2), told]
        yield site, length, row


def _in_degrees(frame: AnyFrame) -> Shapes:
    """Return the lines in longitude and latitude; None on axes of a sketch's own."""
    shapes = np.asarray(frame.geometry.array)
    crs = crs_of(frame)
    if crs is None:
        return np.full(len(shapes), None)
    lonlat = shapely.transform(
        shapely.force_2d(shapes), lambda xy: np.column_stack(degrees_of(crs, xy))
    )
    return np.asarray(lonlat)


def _paths(lonlat: Shapes) -> list[object]:
    """Return lines as whole numbers about the middle of all; None where there is no place."""
    corners = shapely.bounds(lonlat)
    known = np.isfinite(corners).all(axis=1)
    if not known.any():
        return [None] * len(lonlat)
    low, high = corners[known, :2].min(axis=0), corners[known, 2:].max(axis=0)
    middle = (low + high) / 2
    per_degree = np.radians(_RADIUS_M) * np.array([np.cos(np.radians(middle[1])), 1.0])

    def to_metres(degrees: Floats) -> Floats:
        return np.asarray((degrees - middle) * per_degree)

    drawn = shapely.simplify(shapely.transform(lonlat[known], to_metres), _STRAY_M)
    xy, of = shapely.get_coordinates(drawn, return_index=True)
    whole = np.rint(xy / _STEP_M).astype(int)
    first = np.concatenate([[True], of[1:] != of[:-1]])
    steps = np.where(first[:, None], whole, np.diff(whole, axis=0, prepend=whole[:1]))
    ends = np.flatnonzero(first)[1:]
    flat = [part.ravel().tolist() for part in np.split(steps, ends)]
    made: list[object] = [None] * len(lonlat)
    for n, path in zip(np.flatnonzero(known).tolist(), flat, strict=True):
        made[n] = path
    return made
