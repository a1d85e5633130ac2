"""The lines of a register, read by the mapping profile that also writes them.

What `match` and `connect` compare a record with. A register is somebody else's: what its profile
does not map is left alone, a code nobody mapped is nothing known, and both are told in
`frame.attrs["notes"]`; an id that is missing or there twice, and a number that is none, are faults.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from lateralline.errors import Fault, FrameError, SiteFaultsError
from lateralline.frames.operations import moved
from lateralline.frames.systems import known_crs, plan_of
from lateralline.handover.checked import READ_UNIT, read_as, unit_ratio
from lateralline.handover.loaded import LoadedProfile, load_profile
from lateralline.handover.profile import Profile, RegisterColumn, RegisterLayer
from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.limits import MAP_BYTES, megabytes
from lateralline.ingest.map_layers import GdalError, MapFeature, MapLayer, map_layers, read_layer
from lateralline.record.layers import Shapes
from lateralline.units import METRES_PER
from lateralline.wording import counted

#: Columns of what is read, in order, but for the geometry.
TEXTS: Final = (
    "kind", "service", "material", "nominal", "from_node_id", "to_node_id", "level_datum",
)  # fmt: skip
LENGTHS: Final = tuple(READ_UNIT)
#: How files end that a folder of a register is searched for.
_ENDINGS: Final = (".gpkg", ".geojson", ".fgb", ".shp", ".gml", ".parquet")


def read_register(
    path: Path | str, profile: Profile | LoadedProfile | str | Path, crs: CRS | None
) -> gpd.GeoDataFrame:
    """Return the lines of a register in plan coordinates of `crs`, in its own unit.

    `path` is any vector file that GDAL opens, or a folder of them; `crs` that of the record they
    are compared with, None where both lie on one sketch's axes. A file that names no CRS is taken
    to be in the profile's. One row for each single line of a feature:

    register_id, layer, row, part   where it stands; part 1, 2 … of a line in several parts
    kind                            "main", "lateral" or None
    service, material, nominal      in the record's words where the profile has codes for them
    inside_diameter_m               metres, as all lengths here; NaN where nothing is known
    from_node_id, to_node_id        ids of the nodes at its downstream and upstream end
    invert_down_level_m, invert_up_level_m, level_datum
    position_95_m, level_95_m       how sure the register says it is, at 95 %
    surveyed_on                     a day
    drawn_upstream                  whether the first vertex is known to be the downstream end
    shift_95_m                      what bringing it to `crs` may be off by at 95 %; NaN = unknown

    Lines that the profile says are drawn downstream are turned; z is metres. `attrs["notes"]` says
    what was left out or not understood. Raises SiteFaultsError with all faults at once, FrameError
    where only a ballpark operation leads to `crs`, or one of both has no place on the map.
    """
    loaded, path, ledger = load_profile(profile), Path(path), Ledger()
    notes: list[str] = []
    rows: dict[str, list[object]] = {name: [] for name in _NAMES}
    shapes: list[shapely.LineString] = []
    shifts: list[float] = []
    for asked, layer in _layers(path, loaded.profile, ledger, notes):
        lines = _lines(layer, ledger, notes)
        _read_columns(asked, layer, [feature for feature, _ in lines], rows, ledger, notes)
        drawn = np.array([shape for _, shape in lines], dtype=object)
        placed, shift_95_m = _placed(drawn, layer, loaded.profile, asked, crs, ledger)
        shapes += placed
        shifts += [shift_95_m] * len(placed)
    _refuse_twice(rows, ledger)
    ledger.raise_faults(path.name)
    columns = {
        name: pd.Series(values, dtype=_TYPES.get(name, object)) for name, values in rows.items()
    }
    frame = gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(shapes, dtype=object), crs=crs)
    frame["shift_95_m"] = np.array(shifts, dtype=np.float64)
    frame.attrs["notes"] = tuple(notes)
    return frame


_NAMES: Final = (
    "register_id", "layer", "row", "part", *TEXTS, *LENGTHS, "surveyed_on", "drawn_upstream",
)  # fmt: skip
_TYPES: Final[dict[str, type]] = {
    "row": int, "part": int, "drawn_upstream": bool, **dict.fromkeys(LENGTHS, float)
}  # fmt: skip


# ---- layers ---------------------------------------------------------------------------------


def _layers(
    path: Path, profile: Profile, ledger: Ledger, notes: list[str]
) -> Iterator[tuple[RegisterLayer, MapLayer]]:
    """Yield the layers of lines a profile knows, with what it says of them."""
    wanted = [layer for layer in profile.layer if layer.geometry.startswith("LineString")]
    there: list[str] = []
    met = False
    for file in _files(path):
        if file.stat().st_size > MAP_BYTES:
            must, hint = f"must be no more than {megabytes(MAP_BYTES)}", "give a part of it"
            ledger.fault(file.name, 0, "file", megabytes(file.stat().st_size), must, hint)
            continue
        if file.suffix.lower() == ".parquet":  # few builds of GDAL read them
            there.append(file.stem)
            asked = _asked(file.stem, wanted, alone=path.is_file())
            met |= asked is not None
            if asked is not None:
                yield asked, _from_parquet(file)
            continue
        try:
            found = map_layers(file)
        except GdalError as e:
            ledger.fault(file.name, 0, "file", "", "must be a vector file that GDAL opens", str(e))
            continue
        for info in found:
            there.append(info.name)
            asked = _asked(info.name, wanted, alone=len(found) == 1 and path.is_file())
            if asked is None:
                continue
            met = True
            try:
                yield asked, read_layer(file, info.name, alone=len(found) == 1)
            except GdalError as e:
                ledger.fault(file.name, 0, f"layer {info.name}", "", "must be readable", str(e))
    if not met and not ledger.faults:
        names = ", ".join(layer.name for layer in wanted) or "none, for it has no lines"
        must = f"must hold a layer of lines of the profile {profile.name}: {names}"
        ledger.fault(path.name, 0, "layers", ", ".join(there), must)
    known = {layer.name.casefold() for layer in profile.layer}
    left = [name for name in there if name.casefold() not in known]
    if met and left and len(there) > 1:
        notes.append(f"Layers the profile does not name: {', '.join(left)}.")


def _from_parquet(file: Path) -> MapLayer:
    """Return the layer of a GeoParquet file; raises SiteFaultsError for what is none."""
    try:
        frame = gpd.read_parquet(file)
    except (ValueError, OSError) as e:
        must = "must be GeoParquet, with its geometry"
        raise SiteFaultsError(file.name, [Fault(file.name, 0, "file", "", must, str(e))]) from e
    table = pd.DataFrame(frame.drop(columns=frame.geometry.name)).astype(object)
    features = []
    for row, (own, whole) in enumerate(
        zip(table.to_dict("records"), frame.geometry.array, strict=True), start=1
    ):
        parts = [None] if whole is None else list(shapely.get_parts(whole))
        cells = {str(name): value for name, value in own.items()}
        for n, part in enumerate(parts, start=1):
            number = f".{n}" if len(parts) > 1 else ""
            features.append(MapFeature(file.name, row, number, part, cells))
    fields = tuple(map(str, table.columns))
    return MapLayer(file.name, "Parquet", frame.crs, fields, (), tuple(features), ())


def _files(path: Path) -> Sequence[Path]:
    if not path.is_dir():
        return [path]
    return sorted(p for p in path.iterdir() if p.suffix.lower() in _ENDINGS)


def _asked(name: str, wanted: Iterable[RegisterLayer], *, alone: bool) -> RegisterLayer | None:
    """Return the profile's layer of a name; of a file with one layer the only one there is."""
    several = list(wanted)
    for layer in several:
        if layer.name.casefold() == name.casefold():
            return layer
    return several[0] if alone and len(several) == 1 else None


def _lines(
    layer: MapLayer, ledger: Ledger, notes: list[str]
) -> list[tuple[MapFeature, shapely.LineString]]:
    """Return the features of a layer that are lines, with the line; others are faults."""
    found = []
    bare = set()
    for feature in layer.features:
        if feature.shape is None:
            bare.add(feature.row)
        elif isinstance(feature.shape, shapely.LineString):
            found.append((feature, feature.shape))
        else:
            kind = feature.shape.geom_type
            ledger.fault(layer.file, feature.row, "geometry", kind, "must be a line")
    if bare:
        notes.append(f"{layer.file}: {counted(len(bare), 'feature')} without geometry left out.")
    return found


# ---- columns --------------------------------------------------------------------------------


def _read_columns(
    asked: RegisterLayer,
    layer: MapLayer,
    lines: Sequence[MapFeature],
    rows: dict[str, list[object]],
    ledger: Ledger,
    notes: list[str],
) -> None:
    """Add a layer's columns to `rows`."""
    n = len(lines)
    there = {name.casefold(): name for name in layer.fields}
    said = {read_as(c): c for c in reversed(asked.column) if read_as(c)}
    key = asked.named(asked.key)
    absent: list[str] = []

    def cells(column: RegisterColumn) -> list[object] | None:
        names = (column.name, column.short, column.name[:10])
        name = next((there[c.casefold()] for c in names if c.casefold() in there), "")
        return [f.cells.get(name) for f in lines] if name else None

    ids = cells(key)
    if ids is None:
        must = f"must be there: the profile says that features are told apart by {key.name}"
        ledger.fault(layer.file, 0, key.name, "", must, nearest(key.name, layer.fields))
        ids = [None] * n
    rows["register_id"] += [_text(cell) for cell in ids]
    rows["layer"] += [asked.name] * n
    rows["row"] += [f.row for f in lines]
    rows["part"] += [int(f.part.removeprefix(".") or 1) for f in lines]
    rows["drawn_upstream"] += [bool(asked.drawn)] * n
    for name in (*TEXTS, *LENGTHS, "surveyed_on"):
        column = said.get(name)
        own = None if column is None else cells(column)
        if column is not None and own is None and column.constant is None:
            absent.append(column.name)
        if column is None or own is None:
            stated = None if column is None else column.constant
            own = [stated if name in TEXTS else None] * n
            rows[name] += own
        elif name in TEXTS:
            rows[name] += _words(column, own, name, layer.file, notes)
        elif name in LENGTHS:
            ratio = unit_ratio("m", column.unit or "m") or math.nan
            rows[name] += [
                _length(c, f, column, ratio, ledger) for c, f in zip(own, lines, strict=True)
            ]
        else:
            rows[name] += [_day(c, f, column, ledger) for c, f in zip(own, lines, strict=True)]
    if absent:
        notes.append(f"{layer.file}: no column {', '.join(absent)}; nothing known.")


def _words(
    column: RegisterColumn, cells: Sequence[object], name: str, file: str, notes: list[str]
) -> list[object]:
    """Return texts as the record says them; None for a code nobody mapped of a closed list."""
    texts = [_text(cell) for cell in cells]
    if column.empty is not None:
        texts = [None if text == _text(column.empty) else text for text in texts]
    if not column.codes:
        return list(texts)
    known = {text: column.value_of(text) for text in set(texts) if text is not None}
    strange = Counter(t for t in texts if t is not None and known[t] is None)
    if strange:
        listed = ", ".join(f"{code} ({n})" for code, n in strange.most_common(10))
        as_is = name in ("kind", "service")
        what = "nothing known" if as_is else "taken as given"
        notes.append(f"{file}: codes of {column.name} the profile does not map, {what}: {listed}.")
    keep = name not in ("kind", "service")
    return [None if t is None else known[t] or (t if keep else None) for t in texts]


def _text(cell: object) -> str | None:
    if cell is None or cell != cell:
        return None
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)
    return str(cell).strip() or None


def _length(
    cell: object, feature: MapFeature, column: RegisterColumn, per_metre: float, ledger: Ledger
) -> float:
    """Return metres of a number of the register, NaN for none; its `empty` is none too."""
    text = _text(cell)
    if text is None or (column.empty is not None and text == _text(column.empty)):
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        must = f"must be a number in {column.unit or 'm'}"
        ledger.fault(feature.file, feature.row, column.name, text, must)
    return value / per_metre


def _day(cell: object, feature: MapFeature, column: RegisterColumn, ledger: Ledger) -> date | None:
    if isinstance(cell, datetime):
        return None if cell != cell else cell.date()
    if isinstance(cell, date):
        return cell
    text = _text(cell)
    if text is None or text == "NaT":
        return None
    try:
        return date.fromisoformat(text[:10].replace("/", "-"))
    except ValueError:
        must = "must be a day such as 2026-05-06"
        ledger.fault(feature.file, feature.row, column.name, text, must)
        return None


def _refuse_twice(rows: dict[str, list[object]], ledger: Ledger) -> None:
    """Note ids that are missing, and those that several features have."""
    first: dict[object, tuple[object, object]] = {}
    for id_, layer, row in zip(rows["register_id"], rows["layer"], rows["row"], strict=True):
        where = (layer, row)
        if id_ is None:
            ledger.fault(str(layer), int(str(row)), "key", "", "must not be empty")
        elif first.setdefault(id_, where) != where:
            other = f"must be of one feature; {' '.join(map(str, first[id_]))} has it too"
            ledger.fault(str(layer), int(str(row)), "key", id_, other)


# ---- coordinates ----------------------------------------------------------------------------


def _placed(
    shapes: Shapes,
    layer: MapLayer,
    profile: Profile,
    asked: RegisterLayer,
    crs: CRS | None,
    ledger: Ledger,
) -> tuple[list[shapely.LineString], float]:
    """Return lines in plan coordinates of `crs`, upstream, z in metres, and what that is off by."""
    source = layer.crs
    if source is None and profile.crs:
        source = known_crs(profile.crs)
    source = None if source is None or source.is_engineering else plan_of(source)
    target = None if crs is None else plan_of(crs)
    shift_95_m = 0.0
    if source is None and target is not None:
        must, hint = "must be named in the file", "or as crs in the profile"
        ledger.fault(layer.file, 0, "CRS", "", must, hint)
        return list(shapes), math.nan
    if source is not None and target is None:
        raise FrameError(
            f"{layer.file} is in {source.name}, and the record is a sketch without a place on the "
            "map: both cannot be compared"
        )
    has_z = bool(len(shapes)) and bool(shapely.has_z(shapes).any())
    xyz, of = shapely.get_coordinates(shapes, include_z=has_z, return_index=True)
    if source is not None and target is not None:
        xyz[:, :2], shift_95_m = moved(xyz[:, :2], source, target, layer.file)
    if has_z:
        xyz[:, 2] *= METRES_PER[profile.z_unit]
    made = shapely.linestrings(xyz, indices=of) if len(xyz) else shapes
    made = np.asarray(made, dtype=object)
    if asked.drawn == "downstream":
        made = shapely.reverse(made)
    return list(made), shift_95_m
