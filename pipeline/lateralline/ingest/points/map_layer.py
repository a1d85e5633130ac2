"""Points of any vector file that GDAL opens: GeoPackage, GeoJSON, Shapefile, GPX, KML, …

Opened with fiona, whose GDAL hands out x as easting or longitude whatever a CRS's own axis order.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from math import isfinite, nan
from pathlib import Path
from typing import Final, NamedTuple

import fiona
import numpy as np
from fiona.errors import FionaError
from pyproj import CRS
from pyproj.exceptions import CRSError

from lateralline.ingest.conventions import POINT_NAMES, decimal_mark, number
from lateralline.ingest.ledger import Ledger, nearest, one_line
from lateralline.ingest.limits import DESCRIPTION, FAULTS, POINTS
from lateralline.ingest.points.columns import Choice, find, told, unused
from lateralline.ingest.points.survey_points import Heights, Points, texts
from lateralline.names import wrong_sign

_POINTS: Final = ("Point", "MultiPoint")
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
_HEIGHTS_SAID: Final = {
    "ellipsoidal": "heights are above the ellipsoid, as RFC 7946 says of GeoJSON",
    "unknown": "what heights count from is not said by files of this format",
}


class Layer(NamedTuple):
    """One layer of a file, before any of it is read."""

    name: str
    geometry: str  # "3D Point", "LineString", "None"
    features: int


class _Spot(NamedTuple):
    row: int
    part: str  # ".2" for the second point of several in one feature
    xyz: tuple[float, ...]
    cells: tuple[str, ...]


def map_layers(path: Path) -> list[Layer]:
    """Return the layers of a vector file; raises ValueError when GDAL cannot open it."""
    layers = []
    with _tripping():
        for name in fiona.listlayers(path):
            with _opened(path, name) as source:
                count = sum(1 for _ in _features(source))  # some formats do not count
                layers.append(Layer(name, str(source.schema["geometry"]), count))
    return layers


def map_points(
    path: Path, ledger: Ledger, *, layer: str = "", choice: Choice | None = None
) -> Points | None:
    """Return the points of a layer; None, with faults, when there are none to be had.

    Without `layer` there must be one layer of points. Fields are found by name or as chosen; of a
    feature without geometry, `choice` names the fields of its coordinates.
    """
    choice = choice or Choice()
    try:
        layers = map_layers(path)
    except GdalError as e:
        must = "must be a text file of points or a vector file that GDAL opens"
        ledger.fault(path.name, 0, "file", "", f"{must}: {e}")
        return None
    chosen = _chosen(path, layers, layer, choice, ledger)
    if chosen is None:
        return None
    file = path.name if len(layers) == 1 else f"{path.name}[{one_line(chosen.name)}]"
    if chosen.features > POINTS:
        must = f"must hold at most {POINTS} points"
        ledger.fault(file, 0, "layer", f"{chosen.features} features", must, "give it in parts")
        return None
    try:
        with _tripping(), _opened(path, chosen.name) as source:
            known = list(source.schema["properties"])
            mixed = [k for k in known if source.schema["properties"][k] == "json"]
            crs, driver = _crs(source), source.driver
            features = list(_features(source))
    except GdalError as e:
        ledger.fault(file, 0, "layer", "", f"must be a layer that GDAL reads: {e}")
        return None
    if mixed and any(isinstance(feature, str) for feature in features):
        must = "must be plain text or a number in every feature; in some it is a list or an object"
        for name in mixed:
            ledger.fault(file, 0, "field", name, must)
        return None
    spots = list(_spots(file, features, crs is not None, known, choice, ledger))
    if not spots and not ledger.faults:
        ledger.fault(file, 0, "layer", "", "must hold points; it is empty")
    return _points(file, known, spots, crs, driver, choice, ledger)


# ---- the layer -----------------------------------------------------------------------------


class GdalError(ValueError):
    """A file or layer that GDAL cannot read; the message says why, in GDAL's words."""


@contextmanager
def _tripping() -> Iterator[None]:
    """Turn whatever GDAL and fiona raise over a damaged file into GdalError."""
    try:
        yield
    except Exception as e:  # of FionaError, OSError, ValueError, KeyError and more
        raise GdalError(str(e) or type(e).__name__) from e


def _opened(path: Path, layer: str) -> fiona.Collection:
    # KML is read well but not on fiona's list of formats it also writes well.
    return fiona.open(path, layer=layer, allow_unsupported_drivers=True)


def _features(source: fiona.Collection) -> Iterator[fiona.Feature | str]:
    """Yield each feature, or why it cannot be read: a field of broken JSON stops no other."""
    features, bad = iter(source), 0
    while bad < FAULTS:
        try:
            yield next(features)
        except StopIteration:
            return
        except Exception as e:  # what fiona raises over the content of one feature has no end
            bad += 1
            yield str(e) or type(e).__name__


def _chosen(
    path: Path, layers: Sequence[Layer], asked: str, choice: Choice, ledger: Ledger
) -> Layer | None:
    by_name = {layer.name: layer for layer in layers}
    listed = "; ".join(f"{la.name} ({la.features} × {la.geometry})" for la in layers)
    if asked:
        if asked not in by_name:
            must = f"must have the layer {asked}; it has {listed}"
            ledger.fault(path.name, 0, "layer", asked, must, nearest(asked, by_name))
        return by_name.get(asked)
    wanted = [la for la in layers if la.features and (_of_points(la) or choice.coordinates)]
    if len(wanted) == 1:
        return wanted[0]
    if not wanted:
        must = f"must have a layer of points; it has {listed or 'none'}"
        hint = "coordinates in fields are named with --x FIELD --y FIELD" if choice.options else ""
        ledger.fault(path.name, 0, "layer", "", must, hint)
    else:
        hint = " or ".join(f"--layer {la.name}" for la in wanted)
        hint = hint if choice.options else "copy it into a file of its own"
        ledger.fault(path.name, 0, "layer", "", f"must be chosen among {listed}", hint)
    return None


def _of_points(layer: Layer) -> bool:
    kind = layer.geometry.removeprefix("3D ")
    return kind in _POINTS or kind in ("Unknown", "GeometryCollection")


def _crs(source: fiona.Collection) -> CRS | None:
    """Return the CRS a layer names, by its code where it has one; None when it names none."""
    if not source.crs:
        return None
    try:
        crs = CRS.from_wkt(source.crs.to_wkt(version="WKT2_2019"))
    except (CRSError, FionaError):
        crs = CRS.from_wkt(source.crs_wkt)
    code = crs.to_authority(min_confidence=100)
    return CRS.from_authority(*code) if code else crs


# ---- its features --------------------------------------------------------------------------


def _spots(
    file: str,
    features: Sequence[fiona.Feature | str],
    on_earth: bool,
    known: Sequence[str],
    choice: Choice,
    ledger: Ledger,
) -> Iterator[_Spot]:
    """Yield each point of each feature; a feature that is no point is noted.

    GDAL gives an empty point as 0, 0. Where a layer names its CRS (`on_earth`) no drain lies there.
    """
    columns = [find(known, role, choice.of(role)) for role in ("easting", "northing")]
    for row, feature in enumerate(features, start=1):
        if isinstance(feature, str):
            must = f"must be a feature that GDAL reads: {feature}"
            ledger.fault(file, row, "feature", "", must)
            continue
        cells = tuple(_text(feature.properties[name]) for name in known)
        shape = feature.geometry
        if choice.coordinates:
            if min(columns) >= 0:
                found = [_field(file, row, known[c], cells[c], ledger) for c in columns]
                yield _Spot(row, "", tuple(found), cells)
        elif shape is None:
            must = "must have a position; it has none"
            hint = "or name fields: --x FIELD --y FIELD" if choice.options else ""
            ledger.fault(file, row, "geometry", "", must, hint)
        elif shape.type == "Point" and on_earth and not any(shape.coordinates[:2]):
            must = "must have a position; an empty point reads as 0, 0"
            ledger.fault(file, row, "geometry", "0, 0", must)
        elif shape.type == "Point":
            yield _Spot(row, "", tuple(shape.coordinates), cells)
        elif shape.type == "MultiPoint":
            several = len(shape.coordinates) > 1
            for part, xyz in enumerate(shape.coordinates, start=1):
                yield _Spot(row, f".{part}" if several else "", tuple(xyz), cells)
        else:
            ledger.fault(file, row, "geometry", shape.type, "must be a point")


def _points(
    file: str,
    known: Sequence[str],
    spots: Sequence[_Spot],
    crs: CRS | None,
    driver: str,
    choice: Choice,
    ledger: Ledger,
) -> Points:
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

    def column(role: str) -> list[str]:
        return [s.cells[at[role]] if at[role] >= 0 else "" for s in spots]

    def numbers(role: str, *, positive: bool = False) -> list[float]:
        return [
            _field(file, s.row, known[at[role]], cell, ledger, empty=True, positive=positive)
            for s, cell in zip(spots, column(role), strict=True)
        ]

    solid = [len(s.xyz) > 2 and isfinite(s.xyz[2]) for s in spots]
    fields_z = numbers("z") if choice.z or not any(solid) else [nan] * len(spots)
    z = fields_z if choice.z or not any(solid) else [
        s.xyz[2] if ok else nan for s, ok in zip(spots, solid, strict=True)
    ]  # fmt: skip
    of_z = "z of the geometry" if any(solid) and not choice.z else _named(known, at["z"])
    played = told(known, set(at.values()))
    idle = [] if choice.coordinates else ["easting", "northing"]
    idle += ["z"] if any(solid) and not choice.z else []
    taken = {*(place for role, place in at.items() if role not in idle), *played.values()}
    taken |= {c for c, name in enumerate(known) if name.casefold() == "wkt"}  # the geometry itself
    spare = unused(known, taken, [any(s.cells[c] for s in spots) for c in range(len(known))])
    by_rule = bool(any(solid) or driver == "GPX") and not choice.z
    heights = _HEIGHTS.get(driver, "") if by_rule and np.isfinite(z).any() else ""
    said = [
        f"names from {_named(known, at['name'])}",
        f"codes from {_named(known, at['code'])}",
        f"levels from {of_z}",
        *(f"{role} from {_named(known, place)}" for role, place in played.items()),
        *spare.said,
        *([_HEIGHTS_SAID[heights]] if heights else []),
    ]
    names = [
        (cell or f"{Path(file).stem}-{s.row}") + s.part
        for s, cell in zip(spots, column("name"), strict=True)
    ]
    _check_names(file, spots, names, choice, ledger)
    _check_texts(file, spots, [(known[c], c) for c in sorted(taken) if c >= 0], ledger)
    for s in spots:
        if not all(map(isfinite, s.xyz[:2])) and not choice.coordinates:
            ledger.fault(file, s.row, "geometry", s.xyz, "must have finite coordinates")
    return Points(
        file=file,
        row=np.array([s.row for s in spots], dtype=np.int64),
        name=texts(names),
        x=np.array([s.xyz[0] for s in spots], dtype=np.float64),
        y=np.array([s.xyz[1] for s in spots], dtype=np.float64),
        z=np.array(z, dtype=np.float64),
        sigma_h=np.array(numbers("sigma_h", positive=True), dtype=np.float64) * to_unit,
        sigma_v=np.array(numbers("sigma_v", positive=True), dtype=np.float64),
        code=texts(column("code")),
        told={role: texts([s.cells[c] for s in spots]) for role, c in played.items()},
        crs=crs,
        z_unit="m" if driver in _METRES else "",
        heights=heights,
        said=tuple(said),
        warned=spare.warned,
    )


def _check_texts(
    file: str, spots: Sequence[_Spot], columns: Sequence[tuple[str, int]], ledger: Ledger
) -> None:
    """Note fields in use that hold what no text of ours may, or too much of it."""
    for s in spots:
        for name, c in columns:
            cell = s.cells[c]
            if len(cell) > DESCRIPTION:
                must = f"must be at most {DESCRIPTION} characters"
                ledger.fault(file, s.row, name, cell, must, f"it has {len(cell)}")
            elif hint := wrong_sign(cell):
                ledger.fault(file, s.row, name, cell, "must be text", hint)


def _check_names(
    file: str, spots: Sequence[_Spot], names: Sequence[str], choice: Choice, ledger: Ledger
) -> None:
    first: dict[str, int] = {}
    for s, name in zip(spots, names, strict=True):
        if name in first:
            must = f"must be a name of its own; feature {first[name]} has it too"
            hint = "or choose a field with --name FIELD" if choice.options else ""
            ledger.fault(file, s.row, "name", name, must, hint)
        first.setdefault(name, s.row)


def _field(
    file: str,
    row: int,
    name: str,
    cell: str,
    ledger: Ledger,
    *,
    empty: bool = False,
    positive: bool = False,
) -> float:
    """Return a field as a number; NaN when it is empty and may be, or at fault."""
    if empty and not cell:
        return nan
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
