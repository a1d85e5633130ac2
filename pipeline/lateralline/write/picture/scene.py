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
from lateralline.derive.cover import least_cover_95_m
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.records import Floats
from lateralline.units import METRES_PER

#: Lines that get a profile and a place in the title block; all are in the plan.
MOST_LINES: Final = 4

IN_FEET: Final = ("ft", "us-ft")
_UNIT_OF: Final = "unit of "  # how lineage names them
_ROOM: Final = 0.06  # of the height, below a control point: the scale bar stands there
_NEAR_M: Final = 6.0  # a control point of a tie is drawn when the site is no farther than this
_STEP_DEG: Final = 1e-4  # over which degrees are measured in metres
_WINDS: Final = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
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
    units: dict[str, str]  # what was measured → the crew's unit
    crs: pyproj.CRS | None  # of the file; None for a sketch
    origin: Floats  # (2), the corner in the file's own coordinates
    metres_per: Floats  # (2), what one coordinate unit is in the drawn metres

    @property
    def unit(self) -> str:
        """What the crew measures in: "ft", "us-ft", or "m" for all that is metric."""
        return self.units.get("tape", "m") if self.units.get("tape") in IN_FEET else "m"

    def length(self, metres: object, *, both: bool = False) -> str:
        """Say a length in the crew's unit; with `both`, metres in brackets beside feet."""
        if self.unit == "m" or metres is None or pd.isna(metres):
            return number(metres) + " m" * both
        feet = number(float(str(metres)) / METRES_PER[self.unit])
        return f"{feet} ft ({number(metres)} m)" if both else feet

    @property
    def is_tall(self) -> bool:
        """Whether the site reaches farther north–south than east–west."""
        x0, y0, x1, y1 = self.box
        return y1 - y0 > x1 - x0

    @property
    def carried_on(self) -> Any:
        """The nodes that lie beyond a located line, where the counter alone carries them."""
        nodes = self.layers["pipe_nodes"]
        return nodes[nodes["placed_by"] == "carried_on"]

    @property
    def control(self) -> Any:
        """The control points a tie starts from that stand near the pipe, and any amid it.

        One far off would shrink all the rest: its coordinates are in the layer `control_points`.
        """
        control = self.layers["control_points"]
        x0, y0, x1, y1 = self._near
        inside = control.geometry.intersects(shapely.box(x0, y0, x1, y1))
        near = control.geometry.intersects(shapely.box(x0, y0, x1, y1).buffer(_NEAR_M))
        return control[inside | (near & control["in_a_tie"].astype(bool))]

    @property
    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north of all that is drawn, m."""
        return self.box_with(self.control)

    def control_within(self, sides: float) -> Any:
        """Return the control points no farther off than so many of the site's greater sides."""
        control = self.layers["control_points"]
        x0, y0, x1, y1 = self._near
        near = shapely.box(x0, y0, x1, y1).buffer(sides * max(x1 - x0, y1 - y0))
        return control[control.geometry.intersects(near)]

    def box_with(self, control: Any) -> tuple[float, float, float, float]:
        """Return the box that holds the site and some control points."""
        boxes = np.array([self._near, *control.geometry.bounds.to_numpy(dtype=float)])
        boxes[1:, 1] -= _ROOM * np.ptp(boxes[:, [1, 3]])
        low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))

    @property
    def _near(self) -> tuple[float, float, float, float]:
        """The same without the control points."""
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

    def least_cover_95_m(self, line: str) -> float:
        """Return the least lower 95 % bound of the cover along a line, m; NaN for none."""
        band = self.of_line("level_band", line)
        return least_cover_95_m(band["cover_least_95_m"].to_numpy(dtype=float))

    def of_line(self, layer: str, line: str) -> Any:
        """Return the rows of a layer that belong to one line."""
        frame = self.layers[layer]
        return frame[frame["line_id"] == line]


def off_the_lines(rows: Any, lines: Any) -> list[tuple[float, str]]:
    """Return how far each of some points is from the nearest line, in their unit, and which way."""
    if not len(rows) or not len(lines):
        return []
    paths = lines[lines.notna()].union_all()
    away = shapely.get_coordinates(
        shapely.shortest_line(paths, np.asarray(rows.geometry.array))
    ).reshape(-1, 2, 2)
    east, north = (away[:, 1] - away[:, 0]).T
    turn = np.degrees(np.arctan2(east, north))
    names = [_WINDS[round(t / 45.0) % 8] for t in turn.tolist()]
    return list(zip(np.hypot(east, north).tolist(), names, strict=True))


def read_scene(gpkg: Path, site_id: str) -> Scene | None:
    """Return one site ("" = the only one there is); None when the file does not hold it."""
    ids = pyogrio.read_dataframe(gpkg, layer="lineage", columns=["site_id"])["site_id"].unique()
    if site_id == "" and len(ids) == 1:
        site_id = str(ids[0])
    if site_id not in ids:
        return None
    where = "site_id = '" + site_id.replace("'", "''") + "'"
    held = {str(name) for name, _ in pyogrio.list_layers(gpkg)}
    layers = {
        n: _without_null_text(n, gpkg, where) if n in held else _empty(n) for n in contract.LAYERS
    }
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
        units={
            str(row.item).removeprefix(_UNIT_OF): str(row.value)
            for row in lineage.itertuples()
            if str(row.item).startswith(_UNIT_OF)
        },
        crs=crs,
        origin=origin,
        metres_per=scale,
    )


def _without_null_text(layer: str, gpkg: Path, where: str) -> Any:
    """Return the rows of a layer, text that is not given as ""."""
    frame = pyogrio.read_dataframe(gpkg, layer=layer, where=where)
    texts = [c.name for c in contract.load(layer).field if c.type == "text" and c.name in frame]
    frame[texts] = frame[texts].astype(object).fillna("")
    return frame


def _empty(layer: str) -> Any:
    """Return a layer without rows: what a file of an earlier version does not hold."""
    table = contract.load(layer)
    if not table.geometry:
        return pd.DataFrame(columns=list(table.names))
    return gpd.GeoDataFrame(columns=[*table.names, "geometry"], geometry="geometry")


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
    name = {"metre": "m", "US survey foot": "US survey feet", "foot": "feet"}.get(unit, unit)
    return f"E {x:,.0f}, N {y:,.0f} {name}"


def estimate(value: object, sigma: object, metres_per: float = 1.0) -> str:
    """Return a number that was not located, with half its 95 % interval.

    >>> estimate(0.982, 0.1385), estimate(None, 0.1)
    ('≈ 0.98 ± 0.27', '–')
    """
    if value is None or pd.isna(value):
        return number(None)
    known = sigma is not None and not pd.isna(sigma)
    half = INTERVAL_95 * float(str(sigma)) / metres_per if known else None
    return f"≈ {number(float(str(value)) / metres_per)} ± {number(half, unknown='?')}"


def number(value: object, pattern: str = "{:.2f}", unknown: str = "–") -> str:
    """Return a number in words; a dash for null.

    >>> number(1.234), number(None), number(float("nan"))
    ('1.23', '–', '–')
    """
    return unknown if value is None or pd.isna(value) else pattern.format(value)
