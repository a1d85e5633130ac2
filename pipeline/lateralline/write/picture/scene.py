"""One site read back from the GeoPackage, in metres from a stated corner: all that is drawn."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import floor
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from lateralline import contract
from lateralline.records import Floats

#: Lines that get a profile and a place in the title block; all are in the plan.
MOST_LINES: Final = 4

_STEP_DEG: Final = 1e-4  # over which degrees are measured in metres
_CORNER_M: Final = 10.0  # the origin is a round coordinate


@dataclass(frozen=True, slots=True)
class Scene:
    """What is known of one site, x and y of all geometry in metres from `corner`."""

    site_id: str
    layers: dict[str, Any]  # name → (Geo)DataFrame
    statements: dict[str, str]  # lineage: item → value
    crs_name: str
    corner: str  # in words, in the file's own coordinates
    north: str  # "grid north", "true north", "sketch north"
    findings: Counter[str]  # severity → how many

    @property
    def is_tall(self) -> bool:
        """Whether the site reaches farther north–south than east–west."""
        x0, y0, x1, y1 = self.box
        return y1 - y0 > x1 - x0

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north of all that is drawn, m."""
        frames = (self.layers[n] for n in ("dig_zone", "field_marks", "pipe_nodes"))
        boxes = np.array([f.total_bounds for f in frames if len(f)]).reshape(-1, 4)
        boxes = boxes[np.isfinite(boxes).all(axis=1)]
        if not len(boxes):
            return (0.0, 0.0, 10.0, 10.0)
        low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))

    @property
    def lines(self) -> list[str]:
        """Ids of the lines, longest first."""
        centrelines = self.layers["pipe_centreline"]
        return list(centrelines.sort_values("length_m", ascending=False)["line_id"])

    def of_line(self, layer: str, line: str) -> Any:
        """Return the rows of a layer that belong to one line."""
        frame = self.layers[layer]
        return frame[frame["line_id"] == line]


def read_scene(gpkg: Path, site_id: str) -> Scene | None:
    """Return one site ("" = the only one there is); None when the file does not hold it."""
    ids = pyogrio.read_dataframe(gpkg, layer="lineage", columns=["site_id"])["site_id"].unique()
    if site_id == "" and len(ids) == 1:
        site_id = str(ids[0])
    if site_id not in ids:
        return None
    where = "site_id = '" + site_id.replace("'", "''") + "'"
    layers = {n: _without_null_text(n, gpkg, where) for n in contract.LAYERS}
    crs = layers["field_marks"].crs
    crs = None if crs is None or crs.is_engineering else crs
    origin, scale = _local(crs, _corner_of(layers.values()))
    for frame in layers.values():
        if isinstance(frame, gpd.GeoDataFrame):
            shapes = shapely.force_2d(np.asarray(frame.geometry.array))
            frame.geometry = shapely.transform(shapes, lambda xy: (xy - origin) * scale)
            frame.set_crs(None, allow_override=True, inplace=True)
    lineage = layers["lineage"]
    written = lineage[(lineage["topic"] == "crs") & (lineage["item"] == "written in")]["value"]
    statements = lineage[lineage["topic"] == "statement"].set_index("item")["value"].to_dict()
    return Scene(
        site_id=site_id,
        layers=layers,
        statements=statements,
        crs_name=str(written.iloc[0]) if len(written) else "",
        corner=_in_words(crs, origin),
        north="sketch north"
        if crs is None
        else "true north"
        if crs.is_geographic
        else "grid north",
        findings=Counter(layers["findings"]["severity"]),
    )


def _without_null_text(layer: str, gpkg: Path, where: str) -> Any:
    """Return the rows of a layer, text that is not given as ""."""
    frame = pyogrio.read_dataframe(gpkg, layer=layer, where=where)
    texts = [c.name for c in contract.load(layer).field if c.type == "text"]
    frame[texts] = frame[texts].astype(object).fillna("")
    return frame


def _corner_of(frames: Any) -> Floats:
    """Return the lower left corner (2) of all geometry, in the file's own coordinates."""
    boxes = [f.total_bounds[:2] for f in frames if isinstance(f, gpd.GeoDataFrame) and len(f) > 0]
    known = np.array([b for b in boxes if np.isfinite(b).all()]).reshape(-1, 2)
    return np.asarray(known.min(axis=0) if len(known) else np.zeros(2))


def _local(crs: pyproj.CRS | None, corner: Floats) -> tuple[Floats, Floats]:
    """Return a round origin near `corner` and the metres in one coordinate unit (2)."""
    if crs is None:
        scale = np.ones(2)
    elif crs.is_geographic:
        geod, (lon, lat) = crs.get_geod(), corner
        assert geod is not None  # every geographic CRS has an ellipsoid
        _, _, lengths = geod.inv(
            [lon, lon], [lat, lat], [lon + _STEP_DEG, lon], [lat, lat + _STEP_DEG]
        )
        scale = np.array(lengths) / _STEP_DEG
        return np.floor(corner * 1e4) / 1e4, scale
    else:
        scale = np.full(2, crs.axis_info[0].unit_conversion_factor)
    step = _CORNER_M if scale[0] == 1.0 else 50.0
    return np.array([floor(c / step) * step for c in corner]), scale


def _in_words(crs: pyproj.CRS | None, origin: Floats) -> str:
    x, y = origin
    if crs is None:
        return f"x {x:g}, y {y:g} of the sketch"
    if crs.is_geographic:
        return f"longitude {x:.4f}°, latitude {y:.4f}°"
    unit = crs.axis_info[0].unit_name
    return f"E {x:,.0f}, N {y:,.0f} {'m' if unit == 'metre' else unit}"


def number(value: object, pattern: str = "{:.2f}", unknown: str = "–") -> str:
    """Return a number in words; a dash for null.

    >>> number(1.234), number(None), number(float("nan"))
    ('1.23', '–', '–')
    """
    return unknown if value is None or pd.isna(value) else pattern.format(value)
