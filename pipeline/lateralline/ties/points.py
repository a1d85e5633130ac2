"""The points tapes may be hooked to: the survey's control, and more from a file of the user's."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj.transformer import AreaOfInterest

from lateralline.errors import FrameError
from lateralline.frames.area import degrees_of
from lateralline.frames.operations import apply, best
from lateralline.names import MUST_BE, composed, wrong_name
from lateralline.read.cells import LARGEST, is_plain_number, plain_number_hint
from lateralline.read.intake import decode, may_be_read, read_bytes
from lateralline.read.ledger import Ledger
from lateralline.read.limits import MAP_BYTES
from lateralline.read.sheets import csv_sheet
from lateralline.record.ground import GroundPlane
from lateralline.record.view import RecordView
from lateralline.records import Floats

_NAMES: Final = ("point", "name", "id")  # columns a point's name may stand in, in this order
_NEAR_DEG: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class TapePoints:
    """k points with their σ on each axis, in metres on the ground."""

    name: tuple[str, ...]
    ground_m: Floats  # (k, 2)
    sigma_m: Floats  # (k,)


def control_of(view: RecordView) -> TapePoints:
    """Return the site's control; a point without σ has the site's `gnss_m`, as in its survey."""
    placed = [row for row in view.control if row.geometry is not None]
    sigma = np.array([row.sigma_h_m for row in placed])
    return TapePoints(
        tuple(row.point for row in placed),
        np.array([(row.geometry.x, row.geometry.y) for row in placed if row.geometry]).reshape(
            -1, 2
        ),
        np.where(np.isnan(sigma), view.lineage.gnss_sigma_m, sigma),
    )


def with_more(points: TapePoints, path: Path, view: RecordView) -> TapePoints:
    """Return the points and those of a file: a .csv with point, x, y[, sigma_h], or a map layer.

    Coordinates of a .csv are in the built file's CRS and `sigma_h` in its unit (metres for
    degrees), as in control.csv; a map layer is transformed from its own CRS. Raises
    SiteFaultsError naming every fault, FrameError when a layer's CRS leads nowhere near.
    """
    if path.suffix.lower() == ".csv":
        name, xy, sigma = _of_csv(path, set(points.name), view.ground)
    else:
        name, xy, sigma = _of_layer(path, set(points.name), view.ground)
    return TapePoints(
        points.name + name,
        np.vstack([points.ground_m, view.ground.to_ground(xy)]),
        np.concatenate(
            [points.sigma_m, np.where(np.isnan(sigma), view.lineage.gnss_sigma_m, sigma)]
        ),
    )


def _of_csv(
    path: Path, taken: set[str], ground: GroundPlane
) -> tuple[tuple[str, ...], Floats, Floats]:
    ledger = Ledger()
    data = read_bytes(path, ledger)
    text = None if data is None else decode(path.name, data, ledger)
    sheet = None if text is None else csv_sheet(path.name, text, ledger)
    ledger.raise_faults(path.name)
    assert sheet is not None  # else there is a fault
    for column in {"point", "x", "y"} - set(sheet.header):
        ledger.fault(path.name, sheet.header_line, column, "", "must be a column")
    if not sheet.rows:
        ledger.fault(path.name, 0, "rows", "", "must be there")
    ledger.raise_faults(path.name)
    names: dict[str, int] = {}
    numbers = np.full((len(sheet.rows), 3), math.nan)
    for i, (line, cells) in enumerate(sheet.rows):
        row = dict(zip(sheet.header, cells, strict=True))
        name = _own_name(path.name, line, "point", row["point"], taken | names.keys(), ledger)
        names.setdefault(name, line)
        for k, column in enumerate(("x", "y", "sigma_h")):
            text = row.get(column, "")
            if not text and column == "sigma_h":
                continue
            plain = is_plain_number(text) and abs(float(text)) <= LARGEST
            numbers[i, k] = float(text) if plain else math.nan
            if not plain or (k == 2 and numbers[i, k] < 0.0):
                must = "must be a number, decimals behind a point" + (
                    ", 0 or more" if k == 2 else ""
                )
                ledger.fault(path.name, line, column, text, must, plain_number_hint(text) or "")
    ledger.raise_faults(path.name)
    unit = 1.0
    if ground.crs is not None and not ground.crs.is_geographic:
        unit = float(ground.crs.axis_info[0].unit_conversion_factor)
    return tuple(names), numbers[:, :2], numbers[:, 2] * unit


def _own_name(
    file: str, line: int, column: str, name: str, taken: Collection[str], ledger: Ledger
) -> str:
    """Return the name of a point, noting a fault when it is none, or another's."""
    if hint := wrong_name(name):
        ledger.fault(file, line, column, name, f"must be {MUST_BE}", hint)
    elif not name or composed(name) in taken:
        ledger.fault(file, line, column, name, "must be a name of its own")
    return composed(name)


def _of_layer(
    path: Path, taken: set[str], ground: GroundPlane
) -> tuple[tuple[str, ...], Floats, Floats]:
    ledger = Ledger()
    may_be_read(path, ledger, MAP_BYTES, smaller="copy the layer of points into a file of its own")
    ledger.raise_faults(path.name)
    try:
        frame = pyogrio.read_dataframe(path)
    except (DataSourceError, DataLayerError, ValueError, OSError) as e:  # broken, or no text
        must = "must be a .csv, or a map layer GDAL opens"
        ledger.fault(path.name, 0, "file", e, must)
        ledger.raise_faults(path.name)
    _check_layer(path.name, frame, ledger)
    ledger.raise_faults(path.name)
    column = next(c for c in _NAMES if c in frame.columns)
    own: dict[str, int] = {}
    called = ["" if value is None or value != value else str(value) for value in frame[column]]
    for i, name in enumerate(called, start=1):
        own.setdefault(_own_name(path.name, i, column, name, taken | own.keys(), ledger), i)
    ledger.raise_faults(path.name)
    names = tuple(own)
    xy = shapely.get_coordinates(frame.geometry.to_numpy())
    sigma = np.full(len(names), math.nan)
    if "sigma_h_m" in frame.columns:
        sigma = pd.to_numeric(frame["sigma_h_m"], errors="coerce").to_numpy(dtype=float)
    if frame.crs is None or ground.crs is None:
        if (frame.crs is None) != (ground.crs is None):
            raise FrameError(f"{path.name}: one of layer and site is a sketch, the other is not")
        return names, xy, sigma
    lon, lat = (float(v[0]) for v in degrees_of(ground.crs, ground.origin[None, :]))
    area = AreaOfInterest(lon - _NEAR_DEG, lat - _NEAR_DEG, lon + _NEAR_DEG, lat + _NEAR_DEG)
    transformer, operation = best(frame.crs.to_2d(), ground.crs, area)
    if not operation.usable:
        raise FrameError(f"{path.name}: only a ballpark way from {operation.source} to the site")
    return names, apply(transformer, xy, None), sigma


def _check_layer(file: str, frame: gpd.GeoDataFrame, ledger: Ledger) -> None:
    if not any(c in frame.columns for c in _NAMES):
        ledger.fault(file, 0, _NAMES[0], "", "must be a column with the names of the points")
    shapes = getattr(frame, "geometry", None)
    if shapes is None:
        ledger.fault(file, 0, "geometry", "", "must be there: a table has no place")
        return
    for i, shape in enumerate(shapes, start=1):
        if shape is None or shape.geom_type != "Point" or shape.is_empty:
            kind = "" if shape is None else shape.geom_type
            ledger.fault(file, i, "geometry", kind, "must be a point")
        elif not (math.isfinite(shape.x) and math.isfinite(shape.y)):
            ledger.fault(file, i, "geometry", shape.wkt, "must have finite coordinates")
