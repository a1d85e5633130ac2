"""Products of the stages → data frames as the contract declares them. pandas starts here.

A frame has the declared columns in declared order and types, and geometry in the site's CRS or
the one asked for. Whatever breaks the contract is refused here, all of it at once, so no writer
meets a surprise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any, Final, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyproj
import shapely

from lateralline import contract
from lateralline.contract import Column, FieldType, Table
from lateralline.errors import ContractError
from lateralline.frames import Frame
from lateralline.lineage import lineage
from lateralline.records import FieldRecord, Finding, Floats, Product

AnyFrame: TypeAlias = "gpd.GeoDataFrame | pd.DataFrame"
Transform: TypeAlias = Callable[[Floats], Floats]

#: Name of the geometry column of every frame and Arrow table.
GEOMETRY: Final = "geometry"
GEOMETRY_FIELD: Final = pa.field(
    GEOMETRY, pa.binary(), metadata={"ARROW:extension:name": "geoarrow.wkb"}
)

_ARROW: Final[dict[FieldType, pa.DataType]] = {
    "text": pa.string(),
    "integer": pa.int64(),
    "real": pa.float64(),
    "boolean": pa.bool_(),
    "date": pa.date32(),
    "datetime": pa.timestamp("ms", tz="UTC"),
}
_PANDAS: Final[dict[FieldType, Any]] = {
    "text": pd.StringDtype(na_value=pd.NA),
    "integer": pd.Int64Dtype(),
    "real": np.dtype("float64"),
    "boolean": pd.BooleanDtype(),
    "date": pd.ArrowDtype(_ARROW["date"]),
    "datetime": pd.ArrowDtype(_ARROW["datetime"]),
}
_SHAPES: Final = {
    "Point Z": ("Point", True),
    "LineString Z": ("LineString", True),
    "Polygon": ("Polygon", False),
}


def to_frames(
    products: Iterable[Product],
    record: FieldRecord,
    frame: Frame,
    crs: pyproj.CRS | None = None,
    *,
    keep_levels: bool = False,
) -> dict[str, AnyFrame]:
    """Return every layer, in the contract's order, `lineage` made here included.

    Coordinates are in the site's CRS, or in `crs`: then x, y are transformed, and z too when
    `crs` has a third axis; with `keep_levels` z stays the site's own level in its own unit.
    Raises ContractError naming every missing, undeclared, ill-typed or forbidden value of every
    layer, and FrameError when the site cannot be given in `crs`.
    """
    made = {p.layer: p for p in products}
    made["lineage"] = lineage(tuple(made.values()), record, frame, crs)
    _same_names("layers", made, contract.LAYERS)
    target, transform = _way(frame, crs, keep_levels=keep_levels)
    transform = _planar_last(transform, _mean_level(made.values()))
    frames: dict[str, AnyFrame] = {}
    faults: list[str] = []
    for name in contract.LAYERS:
        try:
            table = columns_to_frame(contract.load(name), made[name].columns)
            shapes = _shapes(contract.load(name), made[name].geometry, len(table), transform)
        except ContractError as e:
            faults.append(str(e))
            continue
        frames[name] = (
            table if shapes is None else gpd.GeoDataFrame(table, geometry=shapes, crs=target)
        )
    if faults:
        raise ContractError("\n".join(faults))
    return frames


def to_lonlat(
    frames: Mapping[str, AnyFrame], products: Iterable[Product], frame: Frame
) -> dict[str, AnyFrame]:
    """Return the frames with WGS 84 longitude and latitude in place of their geometry.

    A third coordinate is there only when it is an ellipsoidal height. Raises FrameError for a
    local sketch and when nothing better than a ballpark operation leads there.
    """
    made = {p.layer: p for p in products}
    transform = _planar_last(frame.to_lonlat, _mean_level(made.values()))
    changed: dict[str, AnyFrame] = {}
    for name, table in frames.items():
        if isinstance(table, gpd.GeoDataFrame):
            shapes = _transformed(made[name].geometry, transform)
            plain = pd.DataFrame(table.drop(columns=GEOMETRY))
            changed[name] = gpd.GeoDataFrame(plain, geometry=shapes, crs="OGC:CRS84")
        else:
            changed[name] = table
    return changed


def with_findings(
    products: Iterable[Product], site_id: str, findings: Iterable[Finding]
) -> tuple[Product, ...]:
    """Return the products with `findings` at the end of the layer of that name."""
    extra = list(findings)
    rows: dict[str, list[object]] = {
        "site_id": [site_id] * len(extra),
        **{
            name: [getattr(f, name) for f in extra]
            for name in ("severity", "stage", "code", "subject", "what")
        },
        "by_how_much": [f.by_how_much or None for f in extra],
        "what_to_do": [f.what_to_do or None for f in extra],
        "source_row": [f.where or None for f in extra],
    }
    return tuple(
        replace(p, columns={k: [*v, *rows[k]] for k, v in p.columns.items()})
        if p.layer == "findings"
        else p
        for p in products
    )


def to_arrow(name: str, frame: AnyFrame) -> pa.Table:
    """Return a layer's frame as an Arrow table of the declared types, geometry as WKB."""
    table = contract.load(name)
    arrays = [
        pa.Array.from_pandas(frame[c.name], type=_ARROW[c.type]).cast(_ARROW[c.type])
        for c in table.field
    ]
    schema = _schema(table)
    if table.geometry:
        wkb = shapely.to_wkb(
            np.asarray(frame.geometry.array), output_dimension=3, include_srid=False, flavor="iso"
        )
        arrays.append(pa.array(wkb, type=pa.binary()))
    return pa.Table.from_arrays([_one_chunk(a) for a in arrays], schema=schema)


def empty(name: str) -> pa.Table:
    """Return a layer's Arrow table without rows."""
    return _schema(contract.load(name)).empty_table()


def columns_to_frame(table: Table, columns: Mapping[str, Any]) -> pd.DataFrame:
    """Return a product's columns as a frame in the contract's order and types.

    Empty text is null, NaN is null. Raises ContractError naming every fault of the layer.
    """
    _same_names(f"{table.name}: columns", columns, table.names)
    lengths = {name: len(values) for name, values in columns.items()}
    if len(set(lengths.values())) > 1:
        raise ContractError(f"{table.name}: columns differ in length: {lengths}")
    series: dict[str, Any] = {}
    faults: list[str] = []
    for c in table.field:
        try:
            series[c.name] = _typed(c, columns[c.name])
        except (TypeError, ValueError, pa.ArrowException) as e:
            faults.append(f"{table.name}.{c.name}: not all {c.type} ({e})")
            continue
        faults += [f"{table.name}.{c.name}: {fault}" for fault in _forbidden(c, series[c.name])]
    if faults:
        raise ContractError("\n".join(faults))
    return pd.DataFrame(series)


# ---- columns ------------------------------------------------------------------------------


def _typed(column: Column, values: Any) -> Any:
    plain = pd.Series(list(values), dtype=object)
    if column.type == "text":
        plain = plain.where(plain.notna() & (plain != ""), None)
    elif column.type == "real":
        return pd.to_numeric(plain.fillna(np.nan), errors="raise").astype("float64")
    else:
        plain = plain.where(plain.notna(), None)
    return plain.astype(_PANDAS[column.type])


def _forbidden(column: Column, series: Any) -> list[str]:
    """Return, in words, how the values break what the contract says of them."""
    faults = []
    known = series.dropna()
    if column.required and len(known) < len(series):
        faults.append(f"{len(series) - len(known)} of {len(series)} values missing")
    if column.type in ("real", "integer"):
        numbers = known.astype("float64")
        for broken, must in (
            (np.isinf(numbers), "finite"),
            (numbers < (-np.inf if column.minimum is None else column.minimum), "≥ minimum"),
            (numbers > (np.inf if column.maximum is None else column.maximum), "≤ maximum"),
            (numbers <= (-np.inf if column.above is None else column.above), "above its bound"),
        ):
            if broken.any():
                faults.append(f"must be {must}; got {numbers[broken].iloc[0]}")
    if column.enum and (strange := sorted(set(known) - set(column.enum))):
        faults.append(f"must be one of {', '.join(column.enum)}; got {', '.join(strange)}")
    return faults


def _same_names(what: str, got: Iterable[str], declared: Iterable[str]) -> None:
    got, declared = list(got), list(declared)
    missing = [n for n in declared if n not in got]
    strange = [n for n in got if n not in declared]
    if missing or strange:
        parts = [f"missing {', '.join(missing)}"] * bool(missing)
        parts += [f"undeclared {', '.join(strange)}"] * bool(strange)
        raise ContractError(f"{what} {'; '.join(parts)}")


def _schema(table: Table) -> pa.Schema:
    fields = [pa.field(c.name, _ARROW[c.type]) for c in table.field]
    if table.geometry:
        fields.append(GEOMETRY_FIELD)
    return pa.schema(fields)


def _one_chunk(array: pa.Array | pa.ChunkedArray) -> pa.Array:
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


# ---- geometry -----------------------------------------------------------------------------


def _way(
    frame: Frame, crs: pyproj.CRS | None, *, keep_levels: bool
) -> tuple[pyproj.CRS | None, Transform]:
    """Return the CRS of the frames and the way there from the site frame."""
    if crs is None or crs == frame.write_crs:
        return frame.write_crs, frame.to_site_crs
    if not keep_levels or len(crs.axis_info) < 3:
        return crs, lambda xyz_m: frame.to_crs(xyz_m, crs)
    plan = crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()
    if plan == frame.horizontal:
        return crs, frame.to_site_crs
    return crs, lambda xyz_m: frame.to_crs(xyz_m, plan)


def _shapes(
    table: Table, geometry: Any, rows: int, transform: Transform
) -> np.ndarray[Any, Any] | None:
    if not table.geometry:
        if geometry is not None:
            raise ContractError(f"{table.name}: has geometry, is declared a table")
        return None
    if geometry is None or len(geometry) != rows:
        raise ContractError(f"{table.name}: {rows} rows need as many geometries")
    kind, has_z = _SHAPES[table.geometry]
    for g in geometry:
        if g is not None and (g.geom_type != kind or g.has_z != has_z or g.is_empty):
            raise ContractError(f"{table.name}: geometry must be {table.geometry}; got {g.wkt:.60}")
    if not np.isfinite(shapely.get_coordinates(geometry, include_z=has_z)).all():
        raise ContractError(f"{table.name}: a geometry has coordinates that are not finite")
    return _transformed(geometry, transform)


def _transformed(geometry: Any, transform: Transform) -> np.ndarray[Any, Any]:
    """Return the geometries through `transform`; the third axis appears and goes as it says."""
    shapes = np.array(geometry, dtype=object)
    has_z = bool(shapely.has_z(shapes).any())
    xyz = shapely.get_coordinates(shapes, include_z=has_z)
    moved = transform(xyz) if len(xyz) else xyz
    if moved.shape[1] == 2:
        shapes = shapely.force_2d(shapes)
    shapely.set_coordinates(shapes, moved)
    return shapes


def _planar_last(transform: Transform, level_m: float) -> Transform:
    """Return `transform` for (n, 2) too: a geometry without z is taken at the site's level."""

    def either(xyz: Floats) -> Floats:
        if xyz.shape[1] == 3:
            return transform(xyz)
        return transform(np.column_stack([xyz, np.full(len(xyz), level_m)]))[:, :2]

    return either


def _mean_level(products: Iterable[Product]) -> float:
    """Return the mean z of all geometries; 0 when there is none.

    A polygon has no z, yet a datum shift of a plan position depends (by centimetres) on height.
    """
    z = [
        shapely.get_coordinates(p.geometry, include_z=True)[:, 2]
        for p in products
        if p.geometry is not None
    ]
    known = np.concatenate(z) if z else np.empty(0)
    known = known[np.isfinite(known)]
    return float(known.mean()) if len(known) else 0.0
