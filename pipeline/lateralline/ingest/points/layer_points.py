"""Points of any vector file that GDAL opens: GeoPackage, GeoJSON, Shapefile, GPX, KML, …"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import isfinite, nan
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import shapely

from lateralline.ingest.conventions import POINT_NAMES, decimal_mark, number
from lateralline.ingest.ledger import Ledger, nearest, one_line
from lateralline.ingest.limits import DESCRIPTION, POINTS
from lateralline.ingest.map_layers import GdalError, LayerInfo, MapLayer, map_layers, read_layer
from lateralline.ingest.points.survey_points import (
    ColumnChoice,
    Heights,
    SurveyPoints,
    attributes,
    find,
    texts,
    unused,
)
from lateralline.names import wrong_sign
from lateralline.records import Floats

#: Formats whose own rules say that levels are in metres (GPX 1.1, OGC KML 2.3, RFC 7946).
_METRES: Final = ("GPX", "KML", "LIBKML", "GeoJSON")
#: What z is by the same rules: RFC 7946, 4: above the WGS 84 ellipsoid. GPX 1.1 says elevation and
#: no more; a KML altitude counts from the ground unless its altitudeMode says otherwise.
_HEIGHTS: Final[Mapping[str, Heights]] = {
    "GeoJSON": "ellipsoidal",
    "GPX": "unknown",
    "KML": "unknown",
    "LIBKML": "unknown",
}
#: Fields that GDAL gives every layer of a format, filled or not, and that hold nothing of a point.
_OF_KML: Final = frozenset(
    ("id", "timestamp", "begin", "end", "altitudemode", "tessellate", "extrude", "visibility",
     "draworder", "icon", "snippet")
)  # fmt: skip
_HEIGHTS_NOTED: Final = {
    "ellipsoidal": "heights are above the ellipsoid, as RFC 7946 says of GeoJSON",
    "unknown": "what heights count from is not said by files of this format",
}


class _LayerPoint(NamedTuple):
    row: int
    part: str  # ".2" for the second point of several in one feature
    xyz: tuple[float, ...]
    cells: tuple[str, ...]


def map_points(
    path: Path, ledger: Ledger, *, layer: str = "", choice: ColumnChoice | None = None
) -> SurveyPoints | None:
    """Return the points of a layer; None, with faults, when there are none to be had.

    Without `layer` there must be one layer of points. Fields are found by name or as chosen; of a
    feature without geometry, `choice` names the fields of its coordinates.
    """
    choice = choice or ColumnChoice()
    try:
        layers = map_layers(path)
    except GdalError as e:
        must = "must be a text file of points or a vector file that GDAL opens"
        ledger.fault(path.name, 0, "file", "", f"{must}: {e}")
        return None
    chosen = _chosen(path, layers, layer, choice, ledger)
    if chosen is None:
        return None
    if chosen.features > POINTS:
        must = f"must hold at most {POINTS} points"
        ledger.fault(path.name, 0, "layer", f"{chosen.features} features", must, "give it in parts")
        return None
    try:
        read = read_layer(path, chosen.name, alone=len(layers) == 1)
    except GdalError as e:
        ledger.fault(path.name, 0, "layer", "", f"must be a layer that GDAL reads: {e}")
        return None
    if read.driver == "LIBKML":
        fields = tuple(name for name in read.fields if name.casefold() not in _OF_KML)
        read = replace(read, fields=fields)
    if read.mixed:
        must = "must be plain text or a number in every feature; in some it is a list or an object"
        for name in read.mixed:
            ledger.fault(read.file, 0, "field", name, must)
        return None
    spots = list(_spots(read, choice, ledger))
    if not spots and not ledger.faults:
        ledger.fault(read.file, 0, "layer", "", "must hold points; it is empty")
    return _points(read, spots, choice, ledger)


def _chosen(
    path: Path, layers: Sequence[LayerInfo], asked: str, choice: ColumnChoice, ledger: Ledger
) -> LayerInfo | None:
    by_name = {layer.name: layer for layer in layers}
    listed = "; ".join(f"{la.name} ({la.features} × {la.geometry or 'None'})" for la in layers)
    if asked:
        if asked not in by_name:
            must = f"must have the layer {asked}; it has {listed}"
            ledger.fault(path.name, 0, "layer", asked, must, nearest(asked, by_name))
        return by_name.get(asked)
    kinds = ("Point", "MultiPoint", "Unknown", "GeometryCollection")
    task = [
        la
        for la in layers
        if la.features and (la.geometry.partition(" ")[0] in kinds or choice.coordinates)
    ]
    if len(task) == 1:
        return task[0]
    if not task:
        must = f"must have a layer of points; it has {listed or 'none'}"
        hint = "coordinates in fields are named with --x FIELD --y FIELD" if choice.options else ""
        ledger.fault(path.name, 0, "layer", "", must, hint)
    else:
        hint = " or ".join(f"--layer {la.name}" for la in task)
        hint = hint if choice.options else "copy it into a file of its own"
        ledger.fault(path.name, 0, "layer", "", f"must be chosen among {listed}", hint)
    return None


# ---- its features --------------------------------------------------------------------------


def _spots(layer: MapLayer, choice: ColumnChoice, ledger: Ledger) -> Iterator[_LayerPoint]:
    """Yield each point of each feature; a feature that is no point is noted.

    GDAL may give an empty point as 0, 0. Where a layer names its CRS no drain lies there.
    """
    columns = [find(layer.fields, role, choice.of(role)) for role in ("easting", "northing")]
    seen = 0
    for feature in layer.features:
        cells = tuple(_text(feature.cells[name]) for name in layer.fields)
        row, shape = feature.row, feature.shape
        if choice.coordinates:
            if min(columns) >= 0 and row != seen:
                found = [
                    _field(layer.file, row, layer.fields[c], cells[c], ledger) for c in columns
                ]
                yield _LayerPoint(row, "", tuple(found), cells)
            seen = row
        elif shape is None or shape.is_empty:
            must = "must have a position; it has none"
            hint = "or name fields: --x FIELD --y FIELD" if choice.options else ""
            ledger.fault(layer.file, row, "geometry", "", must, hint)
        elif shape.geom_type != "Point":
            ledger.fault(layer.file, row, "geometry", shape.geom_type, "must be a point")
        else:
            (xyz,) = shapely.get_coordinates(shape, include_z=shape.has_z).tolist()
            if layer.crs is not None and not any(xyz[:2]):
                must = "must have a position; an empty point reads as 0, 0"
                ledger.fault(layer.file, row, "geometry", "0, 0", must)
            else:
                yield _LayerPoint(row, feature.part, tuple(xyz), cells)


def _points(
    layer: MapLayer, spots: Sequence[_LayerPoint], choice: ColumnChoice, ledger: Ledger
) -> SurveyPoints:
    file, known, crs = layer.file, layer.fields, layer.crs
    at = {role: find(known, role, choice.of(role)) for role in POINT_NAMES}
    for role, place in at.items():
        if choice.of(role) and place < 0:
            must = f"must have the field {choice.of(role)}"
            ledger.fault(file, 0, "fields", "", must, nearest(choice.of(role), known, 20))
    if at["name"] < 0 and not choice.options:
        ledger.fault(file, 0, "point", "", "must be a field with the names of the points")
    sigma_m = find(known, "sigma_h", "sigma_h_m") if at["sigma_h"] < 0 else -1
    to_unit = 1.0
    if sigma_m >= 0:  # as the layers of a record have it; other σ count in the unit of the CRS
        at["sigma_h"] = sigma_m
        if crs is not None and not crs.is_geographic:
            to_unit = 1.0 / crs.axis_info[0].unit_conversion_factor

    def column(place: int) -> list[str]:
        return [s.cells[place] if place >= 0 else "" for s in spots]

    def numbers(role: str, *, positive: bool = False) -> Floats:
        place = at[role]
        found = [
            _field(file, s.row, known[place], cell, ledger, positive=positive) if cell else nan
            for s, cell in zip(spots, column(place), strict=True)
        ]
        return np.array(found, dtype=np.float64)

    heights_of = np.array([s.xyz[2] if len(s.xyz) > 2 else nan for s in spots], dtype=np.float64)
    solid = bool(np.isfinite(heights_of).any()) and not choice.z
    z = np.where(np.isfinite(heights_of), heights_of, nan) if solid else numbers("z")
    own = attributes(known, set(at.values()))
    idle = [] if choice.coordinates else ["easting", "northing"]
    idle += ["z"] if solid else []
    taken = {*(place for role, place in at.items() if role not in idle), *own.values()}
    taken |= {c for c, name in enumerate(known) if name.casefold() == "wkt"}  # the geometry itself
    filled = [any(column(c)) for c in range(len(known))]
    unused_notes, unused_warnings = unused(known, taken, filled)
    by_rule = (solid or layer.driver == "GPX") and not choice.z and bool(np.isfinite(z).any())
    heights = _HEIGHTS.get(layer.driver, "") if by_rule else ""
    names = [
        (cell or f"{Path(file).stem}-{s.row}") + s.part
        for s, cell in zip(spots, column(at["name"]), strict=True)
    ]
    used = [(known[c], c) for c in sorted(taken) if c >= 0]
    _check_cells(file, spots, names, used, choice, ledger)
    return SurveyPoints(
        file=file,
        row=np.array([s.row for s in spots], dtype=np.int64),
        name=texts(names),
        x=np.array([s.xyz[0] for s in spots], dtype=np.float64),
        y=np.array([s.xyz[1] for s in spots], dtype=np.float64),
        z=z,
        sigma_h=numbers("sigma_h", positive=True) * to_unit,
        sigma_v=numbers("sigma_v", positive=True),
        code=texts(column(at["code"])),
        attributes={role: texts(column(place)) for role, place in own.items()},
        crs=crs,
        z_unit="m" if layer.driver in _METRES else "",
        heights=heights,
        notes=(
            f"names from {_named(known, at['name'])}",
            f"codes from {_named(known, at['code'])}",
            f"levels from {'z of the geometry' if solid else _named(known, at['z'])}",
            *(f"{role} from {_named(known, place)}" for role, place in own.items()),
            *unused_notes,
            *([_HEIGHTS_NOTED[heights]] if heights else []),
        ),
        warnings=unused_warnings,
    )


def _check_cells(
    file: str,
    spots: Sequence[_LayerPoint],
    names: Sequence[str],
    used: Sequence[tuple[str, int]],
    choice: ColumnChoice,
    ledger: Ledger,
) -> None:
    """Note names given twice, coordinates that are none, and fields in use that are no text."""
    first: dict[str, int] = {}
    for s, name in zip(spots, names, strict=True):
        if name in first:
            must = f"must be a name of its own; feature {first[name]} has it too"
            hint = "or choose a field with --point FIELD" if choice.options else ""
            ledger.fault(file, s.row, "name", name, must, hint)
        first.setdefault(name, s.row)
        for field, c in used:
            cell = s.cells[c]
            if len(cell) > DESCRIPTION:
                must = f"must be at most {DESCRIPTION} characters"
                ledger.fault(file, s.row, field, cell, must, f"it has {len(cell)}")
            elif hint := wrong_sign(cell):
                ledger.fault(file, s.row, field, cell, "must be text", hint)
        if not all(map(isfinite, s.xyz[:2])) and not choice.coordinates:
            ledger.fault(file, s.row, "geometry", s.xyz, "must have finite coordinates")


def _field(
    file: str, row: int, name: str, cell: str, ledger: Ledger, *, positive: bool = False
) -> float:
    """Return a field as a number; NaN, with a fault, when it is none."""
    value = number(cell, decimal_mark([cell]) or ".")
    if value is None or (positive and value <= 0):
        must = f"must be a number{' above 0' if positive else ''}"
        ledger.fault(file, row, name, cell, must)
        return nan
    return value


def _named(known: Sequence[str], column: int) -> str:
    return f"field {one_line(known[column])}" if column >= 0 else "no field"


def _text(value: object) -> str:
    """Return a field as text; a whole number without its .0."""
    match value:
        case None:
            return ""
        case float() if value.is_integer() and abs(value) < 1e15:
            return str(int(value))
        case float():
            return "" if value != value else repr(value)
        case Mapping() | list():
            return ""
    return " ".join(str(value).split())
