"""Layers of any vector file that GDAL opens, as rows: points to import, points to tape from, plans.

GDAL hands out x as easting or longitude whatever a CRS's own axis order. Each single geometry of a
feature is a row of its own, in coordinates of the file, with the fields of the feature as GDAL has
them; a feature without geometry is a row without shape.
"""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np
import pyogrio
import pyogrio.raw
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lateralline.ingest.ledger import one_line


class GdalError(ValueError):
    """A file or layer that GDAL cannot read; the message says why, in GDAL's words."""


@dataclass(frozen=True, slots=True)
class LayerInfo:
    """One layer of a file, before any of it is read."""

    name: str
    geometry: str  # "Point Z", "LineString", "" for a table
    features: int


@dataclass(frozen=True, slots=True)
class MapFeature:
    """One geometry of one feature."""

    file: str  # and layer, as messages name it
    row: int  # number of the feature in its layer, from 1
    part: str  # ".2" for the second geometry of several
    shape: BaseGeometry | None  # None = there is none, or too few points for one
    cells: Mapping[str, object]  # by field; None or NaN = empty


@dataclass(frozen=True, slots=True)
class MapLayer:
    """One layer, read whole."""

    file: str  # and layer, as messages name it
    driver: str  # of GDAL: "GeoJSON", "GPKG"
    crs: CRS | None  # by its code where it has one; None where the file names none
    fields: tuple[str, ...]
    mixed: tuple[str, ...]  # fields that hold lists or objects in some features
    features: tuple[MapFeature, ...]
    closed: tuple[int, ...]  # features whose rings did not end where they began, and were closed


#: A file may name another that lies on a server, and some formats fetch that on sight. Nothing is
#: fetched here: a proxy of a scheme that there is none of ends every request before a socket is.
_NO_NETWORK: Final = {
    "GDAL_HTTP_PROXY": "none://",
    "GDAL_HTTPS_PROXY": "none://",
    "GDAL_HTTP_MAX_RETRY": "0",
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
}
#: What would let a request go past its proxy.
_PAST_PROXIES: Final = ("no_proxy", "NO_PROXY")


@contextmanager
def _tripping() -> Iterator[None]:
    """Turn whatever GDAL raises over a damaged file into GdalError, and let nothing be fetched."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in _NO_NETWORK}
    past = {name: os.environ.pop(name) for name in _PAST_PROXIES if name in os.environ}
    pyogrio.set_gdal_config_options(_NO_NETWORK)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a shape GDAL cannot read is missing: a fault
            yield
    except Exception as e:  # GDAL's bindings have no error in common
        raise GdalError(str(e) or type(e).__name__) from e
    finally:
        pyogrio.set_gdal_config_options(before)
        os.environ.update(past)


def map_layers(path: Path) -> tuple[LayerInfo, ...]:
    """Return the layers of a vector file; raises GdalError when GDAL cannot open it."""
    with _tripping():
        found = [
            (str(name), pyogrio.read_info(path, layer=str(name), force_feature_count=True))
            for name, _ in pyogrio.list_layers(path)
        ]
    return tuple(
        LayerInfo(name, str(about["geometry_type"] or ""), int(about["features"]))
        for name, about in found
    )


def read_layer(path: Path, layer: str, *, alone: bool) -> MapLayer:
    """Return a layer of a vector file; raises GdalError when GDAL cannot read it.

    `alone` says that the file has no other: messages then name the file and no layer.
    """
    with _tripping():
        about = pyogrio.read_info(path, layer=layer)
        meta, _, wkb, columns = pyogrio.raw.read(path, layer=layer)
        crs = CRS(about["crs"]) if about["crs"] else None
        code = None if crs is None else crs.to_authority(min_confidence=100)
        crs = CRS.from_authority(*code) if code else crs
    file = path.name if alone else f"{path.name}[{one_line(layer)}]"
    cells: dict[str, Sequence[object]] = {}
    mixed: list[str] = []
    for name, values, kind in zip(meta["fields"], columns, about["ogr_subtypes"], strict=True):
        cells[str(name)] = values.tolist()
        if kind == "OFSTJSON":  # a column of several types: each cell is taken by itself
            if any(str(v).lstrip()[:1] in ("[", "{") for v in cells[str(name)]):
                mixed.append(str(name))
            cells[str(name)] = [_from_json(v) for v in cells[str(name)]]
    count = len(wkb) if wkb is not None else len(next(iter(cells.values()), ()))
    shapes, closed = ([None] * count, []) if wkb is None else _shapes_of(wkb)
    features = tuple(
        MapFeature(file, n, f".{p}" if len(parts) > 1 else "", part, own)
        for n, shape in enumerate(shapes, start=1)
        for own in [{name: values[n - 1] for name, values in cells.items()}]
        for parts in [_single(shape) or [None]]
        for p, part in enumerate(parts, start=1)
    )
    return MapLayer(
        file, str(about["driver"]), crs, tuple(cells), tuple(mixed), features, tuple(closed)
    )


def _shapes_of(wkb: object) -> tuple[list[BaseGeometry | None], list[int]]:
    """Return shapes, None for those of too few points, and where a ring was left open, from 1."""
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers are told by who uses them
        fixed = np.asarray(shapely.from_wkb(wkb, on_invalid="fix"), dtype=object)
        as_is = np.asarray(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object)
    missing = shapely.is_missing(as_is) & ~shapely.is_missing(fixed)
    return fixed.tolist(), [int(n) + 1 for n in np.flatnonzero(missing)]


def _from_json(cell: object) -> object:
    """Return the number a cell of a mixed column is, else its text as it stands."""
    try:
        value = json.loads(str(cell))
    except ValueError:
        return cell
    finite = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
    return value if finite else cell


def _single(shape: BaseGeometry | None) -> list[BaseGeometry | None]:
    """Return the single geometries in one, however deep."""
    if shape is None or not hasattr(shape, "geoms"):
        return [shape]
    return [single for part in shape.geoms for single in _single(part)]
