"""A hand-over as a folder: the layers in one format, what was lost, the profile, the schemas.

Written aside, read back by a second build of GDAL (GeoParquet and CSV by other readers than what
wrote them), compared value by value with what was meant, and only then put in place.
"""

from __future__ import annotations

import io
import json
import sqlite3
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime
from math import isclose
from pathlib import Path
from typing import Final, TypeAlias

import fiona
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely
from pyproj import CRS
from shapely.geometry import shape

from lateralline import csv_file
from lateralline.errors import ReadBackError, SiteFaultsError
from lateralline.handover.formats import FORMATS
from lateralline.handover.losses import report_lines
from lateralline.handover.mapped import Handover, MappedLayer
from lateralline.handover.schema import layer_schema
from lateralline.output import whole_folder
from lateralline.output.proof import settle_sqlite
from lateralline.record import CAUTION
from lateralline.record.layers import GEOMETRY, GEOMETRY_FIELD, Shapes, shapes
from lateralline.records import Floats
from lateralline.write.geojson import as_rfc7946
from lateralline.write.manifest import created_at
from lateralline.write.parquet import geo_text

ABOUT: Final = "HANDOVER.md"
_WKT: Final = "WKT"
_NEW: Final = {"VERSION": "1.3"}

Row: TypeAlias = dict[str, object]


def write_handover(handover: Handover, out: Path, kind: str, *, replace: bool = False) -> None:
    """Write a hand-over, already `formats.fitted`, into a folder, whole or not at all.

    Raises SiteFaultsError with everything the register wants and the record has not,
    OutputExistsError, OutputError, ReadBackError; nothing is written then.
    """
    if handover.missing:
        raise SiteFaultsError(handover.profile.profile.name, handover.missing)
    with whole_folder(out, "hand-over", replace=replace) as made:
        files = _write_layers(handover, made, kind)
        for layer, path in files:
            _compare(layer, path, kind)
        (made / "schema").mkdir()
        for layer in handover.layers:
            text = json.dumps(layer_schema(layer.declared), indent=1, ensure_ascii=False)
            path = made / "schema" / f"{layer.name}.schema.json"
            path.write_text(text + "\n", encoding="utf-8")
        (made / "profile.toml").write_text(handover.profile.text, encoding="utf-8")
        (made / ABOUT).write_text(_about(handover), encoding="utf-8", newline="\n")


def _write_layers(handover: Handover, folder: Path, kind: str) -> list[tuple[MappedLayer, Path]]:
    name = handover.profile.profile.name
    written = []
    for layer in handover.layers:
        stem = name if kind == "geopackage" else layer.name
        ending = ".dbf" if kind == "shapefile" and not layer.declared.geometry else FORMATS[kind]
        path = folder / f"{stem}{ending}"
        if kind == "geojson":
            layer = MappedLayer(layer.declared, as_rfc7946(layer.table))
        _WRITERS[kind](layer, path, handover.crs)
        written.append((layer, path))
    if kind == "geopackage" and written:
        _describe(written[0][1], handover)
    return written


# ---- writing --------------------------------------------------------------------------------


def _by_gdal(driver: str) -> Callable[[MappedLayer, Path, CRS | None], None]:
    def write(layer: MappedLayer, path: Path, crs: CRS | None) -> None:
        spatial = bool(layer.declared.geometry)
        table, options = layer.table, dict[str, str]()
        if driver == "FlatGeobuf":
            bare = spatial and table[GEOMETRY].null_count
            options["SPATIAL_INDEX"] = "YES" if spatial and table.num_rows and not bare else "NO"
            options |= {"TITLE": layer.declared.title, "DESCRIPTION": _described(layer)}
            if not spatial:
                table = table.append_column(GEOMETRY_FIELD, pa.nulls(table.num_rows, pa.binary()))
        if driver == "ESRI Shapefile":
            options["ENCODING"] = "UTF-8"
        where: dict[str, str | None] = {}
        if spatial or driver == "FlatGeobuf":
            kind = layer.declared.geometry or "Unknown"
            where = {"geometry_name": GEOMETRY, "geometry_type": kind}
            where["crs"] = crs.to_wkt() if crs is not None and spatial else None
        if driver == "GPKG" and spatial and crs is None:
            options["SRID"] = "-1"  # undefined Cartesian, of the specification
        with warnings.catch_warnings():
            # No CRS is what a sketch with invented axes should have; GDAL warns all the same.
            warnings.filterwarnings("ignore", message=".*crs.* was not provided.*")
            pyogrio.write_arrow(
                table,
                path,
                layer=layer.name,
                driver=driver,
                append=driver == "GPKG" and path.exists(),
                dataset_options={"VERSION": "1.3"}
                if driver == "GPKG" and not path.exists()
                else None,
                layer_options=options or None,
                **where,
            )

    return write


def _described(layer: MappedLayer) -> str:
    return " ".join(filter(None, (layer.declared.description, CAUTION)))


def _describe(path: Path, handover: Handover) -> None:
    """Give each layer of a GeoPackage its title, and a description that ends with the caution."""
    when = created_at().strftime("%Y-%m-%dT%H:%M:%S.000Z")
    source = f"From a record with SHA-256 {handover.record_sha256}. {_levels(handover)}"
    with closing(sqlite3.connect(path)) as db, db:
        for layer in handover.layers:
            db.execute(
                "UPDATE gpkg_contents SET identifier = ?, description = ?, last_change = ? "
                "WHERE table_name = ?",
                (
                    layer.declared.title or layer.name,
                    f"{_described(layer)} {source}",
                    when,
                    layer.name,
                ),
            )
    settle_sqlite(path)


def _write_geojson(layer: MappedLayer, path: Path, _: CRS | None) -> None:
    names = [n for n in layer.table.column_names if n != GEOMETRY]
    head = {
        "type": "FeatureCollection",
        "name": layer.name,
        "title": layer.declared.title or layer.name,
        "caution": CAUTION,
    }
    places = shapely.to_geojson(shapes(layer.table))
    with path.open("w", encoding="utf-8", newline="\n") as file:
        text = json.dumps(head, ensure_ascii=False)
        file.write(text.removesuffix("}") + ', "features": [\n')
        for n, row in enumerate(layer.table.select(names).to_pylist()):
            feature = {"type": "Feature", "properties": row, "geometry": None}
            if places[n] is not None:
                feature["geometry"] = json.loads(places[n])
            file.write(",\n" * (n > 0) + json.dumps(feature, ensure_ascii=False, allow_nan=False))
        file.write("\n]}\n")


def _write_parquet(layer: MappedLayer, path: Path, crs: CRS | None) -> None:
    about = {"title": layer.declared.title, "description": layer.declared.description,
             "caution": CAUTION}  # fmt: skip
    if layer.declared.geometry:
        about["geo"] = geo_text(layer.declared.geometry, crs)
    said = {k: v for k, v in about.items() if v}
    pq.write_table(layer.table.replace_schema_metadata(said), path, compression="zstd")


def _write_csv(layer: MappedLayer, path: Path, _: CRS | None) -> None:
    names = [n for n in layer.table.column_names if n != GEOMETRY]
    rows = [{k: _cell(v) for k, v in row.items()} for row in layer.table.select(names).to_pylist()]
    if layer.declared.geometry:
        texts = shapely.to_wkt(shapes(layer.table), rounding_precision=-1)
        for row, text in zip(rows, texts, strict=True):
            row[_WKT] = text
        names = [_WKT, *names]
    path.write_text(csv_file.table(names, rows, "\r\n"), encoding="utf-8", newline="")


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value)
    return value.isoformat() if isinstance(value, date) else value


_WRITERS: Final[dict[str, Callable[[MappedLayer, Path, CRS | None], None]]] = {
    "geopackage": _by_gdal("GPKG"),
    "flatgeobuf": _by_gdal("FlatGeobuf"),
    "shapefile": _by_gdal("ESRI Shapefile"),
    "geojson": _write_geojson,
    "geoparquet": _write_parquet,
    "csv": _write_csv,
}


# ---- reading back ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    rows: list[Row]
    places: Shapes  # (n) None for none


def _read_by_fiona(layer: MappedLayer, path: Path) -> _Found:
    several = path.suffix == ".gpkg"
    with fiona.open(path, layer=layer.name if several else None) as source:
        features = list(source)
    places = [None if f.geometry is None else shape(f.geometry) for f in features]
    return _Found([dict(f.properties) for f in features], np.array([*places, None])[:-1])


def _read_parquet(_: MappedLayer, path: Path) -> _Found:
    table = pq.read_table(path)
    places = shapes(table) if GEOMETRY in table.column_names else np.full(table.num_rows, None)
    names = [n for n in table.column_names if n != GEOMETRY]
    return _Found(table.select(names).to_pylist(), places)


def _read_csv(layer: MappedLayer, path: Path) -> _Found:
    text = path.read_bytes().decode("utf-8")
    head, *body = (cells for _, _, cells in csv_file.records(text) if cells)
    rows: list[Row] = [dict(zip(head, cells, strict=True)) for cells in body]
    wkt = [str(row.pop(_WKT, "")) or None for row in rows]
    return _Found(rows, np.asarray(shapely.from_wkt([*wkt, None]), dtype=object)[:-1])


_READERS: Final[dict[str, Callable[[MappedLayer, Path], _Found]]] = {
    "geoparquet": _read_parquet,
    "csv": _read_csv,
}


def _compare(layer: MappedLayer, path: Path, kind: str) -> None:
    """Raise ReadBackError unless a file holds every value and place that was meant."""
    found = _READERS.get(kind, _read_by_fiona)(layer, path)
    names = [n for n in layer.table.column_names if n != GEOMETRY]
    meant = layer.table.select(names).to_pylist()
    places = np.full(len(meant), None)
    if GEOMETRY in layer.table.column_names:
        places = shapes(layer.table)
    if kind == "flatgeobuf":  # a spatial index orders the features by place
        meant, places = _in_order(meant, places)
        found = _Found(*_in_order(found.rows, found.places))
    for fault in _differences(meant, places, found):
        raise ReadBackError(f"{path.name} does not read back as written: {layer.name} {fault}")


def _in_order(rows: list[Row], places: Shapes) -> tuple[list[Row], Shapes]:
    texts = [json.dumps({k: str(v) for k, v in sorted(row.items())}) for row in rows]
    order = sorted(range(len(rows)), key=texts.__getitem__)
    return [rows[n] for n in order], np.array([*(places[n] for n in order), None])[:-1]


def _differences(meant: list[Row], places: Shapes, found: _Found) -> Iterator[str]:
    if len(meant) != len(found.rows):
        yield f"has {len(found.rows)} features, meant {len(meant)}"
        return
    for n, (wanted, got) in enumerate(zip(meant, found.rows, strict=True), start=1):
        if set(wanted) != set(got):
            yield f"has columns {', '.join(got)}, meant {', '.join(wanted)}"
            return
        for name, value in wanted.items():
            if not _same(value, got[name]):
                yield f"feature {n}, {name}: {got[name]!r}, meant {value!r}"
    if len(places) and (shapely.is_missing(places) != shapely.is_missing(found.places)).any():
        yield "has features without a place that had one"
        return
    apart = _coordinates(places), _coordinates(found.places)
    if apart[0].shape != apart[1].shape or not np.allclose(*apart, rtol=1e-15, atol=1e-12):
        yield "has other coordinates"


def _coordinates(places: Shapes) -> Floats:
    if not len(places):
        return np.empty((0, 3))
    xyz = shapely.get_coordinates(shapely.normalize(places), include_z=True)
    return np.asarray(np.nan_to_num(xyz))


def _same(meant: object, got: object) -> bool:
    """Whether a value came back: texts and days as texts, numbers to the last digits."""
    if meant is None or meant == "":
        return got is None or got == ""
    if got is None:
        return False
    if isinstance(meant, bool):
        return str(got).lower() in (str(meant).lower(), str(int(meant)))
    if isinstance(meant, datetime):
        return str(got)[:19].replace("T", " ") == str(meant)[:19]
    if isinstance(meant, date):
        return str(got)[:10] == meant.isoformat()
    if isinstance(meant, int | float):
        return isclose(float(str(got)), meant, rel_tol=1e-12, abs_tol=1e-12)
    return str(got) == meant


# ---- what goes with it ----------------------------------------------------------------------


def _levels(handover: Handover) -> str:
    datums = ", ".join(handover.level_datums) or "none"
    several = " Levels of different bases do not compare." * (len(handover.level_datums) > 1)
    return f"Levels count from: {datums}.{several}"


def _about(handover: Handover) -> str:
    profile = handover.profile
    crs = "no place on the map: a sketch" if handover.crs is None else handover.crs.name
    out = io.StringIO()
    out.write(f"# {profile.profile.title}\n\n**{CAUTION}**\n\n")
    facts = (
        f"Made from a record with SHA-256 {handover.record_sha256}.",
        f"By the profile {profile.profile.name} (profile.toml, SHA-256 {profile.sha256}).",
        f"Coordinates: {crs}; third coordinate in {profile.profile.z_unit}.",
        _levels(handover),
    )
    out.writelines(f"- {fact}\n" for fact in facts)
    out.write("\n| layer | features | what |\n| --- | --- | --- |\n")
    for layer in handover.layers:
        declared = layer.declared
        out.write(f"| {layer.name} | {layer.table.num_rows} | {declared.title} |\n")
    out.write("\n## Left behind\n\nWhat the record holds and this does not, or holds otherwise.\n")
    for heading, lines in report_lines(handover.losses):
        out.write(f"\n**{heading}**\n\n")
        out.writelines(f"- {line}\n" for line in lines)
    return out.getvalue()
