"""Products of the stages → Arrow tables and data frames as the contract declares them.

A table has the declared columns in declared order and types, and geometry as WKB in the site's
CRS or the one asked for. Whatever breaks the contract is refused here, all of it at once, so no
writer meets a surprise. pandas starts here, for those who want frames.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from functools import partial
from typing import Final, TypeAlias

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyproj
import shapely

from lateralline import contract
from lateralline.cautions import Reservations, cautions_of
from lateralline.contract import UID, Column, FieldType, Table
from lateralline.derive.adapted import shifted
from lateralline.derive.tables import finding_row, objects, uids
from lateralline.errors import ContractError
from lateralline.findings import Finding
from lateralline.frames import Frame
from lateralline.frames.systems import plan_of
from lateralline.record.lineage import lineage, plan_operation
from lateralline.records import FieldRecord, Flags, Floats, Product

AnyFrame: TypeAlias = "gpd.GeoDataFrame | pd.DataFrame"
Shapes: TypeAlias = npt.NDArray[np.object_]
Transform: TypeAlias = Callable[[Floats], Floats]

_LENGTH_GRID: Final = "length_grid_m"
_GRID_FACTOR: Final = "grid_factor"
#: Name of the geometry column of every table and frame.
GEOMETRY: Final = "geometry"
GEOMETRY_FIELD: Final = pa.field(
    GEOMETRY, pa.binary(), metadata={"ARROW:extension:name": "geoarrow.wkb"}
)
#: Arrow's type of each of the contract's.
ARROW: Final[dict[FieldType, pa.DataType]] = {
    "text": pa.string(),
    "integer": pa.int64(),
    "real": pa.float64(),
    "boolean": pa.bool_(),
    "date": pa.date32(),
    "datetime": pa.timestamp("ms", tz="UTC"),
    "bytes": pa.binary(),
}
_SHAPES: Final = {
    "Point Z": ("Point", True),
    "LineString Z": ("LineString", True),
    "LineString": ("LineString", False),
    "Polygon": ("Polygon", False),
}


def to_tables(
    products: Iterable[Product],
    record: FieldRecord,
    frame: Frame,
    crs: pyproj.CRS | None = None,
) -> dict[str, pa.Table]:
    """Return every layer, in the contract's order, `lineage` made here included.

    Coordinates are in the site's horizontal CRS, or in `crs`; z is the site's level in metres,
    whatever the unit of the plan, or transformed into the third axis of a `crs` that has one. What
    the operation may be off by is in σ and polygons then (`derive.adapted`).
    Raises ContractError naming every missing, undeclared, ill-typed or forbidden value of every
    layer, and FrameError when the site cannot be given in `crs`.
    """
    made = {p.layer: p for p in shifted(products, plan_operation(frame, crs))}
    made["lineage"] = lineage(tuple(made.values()), record, frame, crs)
    _same_names("layers", made, contract.LAYERS)
    way: Transform = frame.to_site_crs if crs is None else partial(frame.to_crs, crs=crs)
    transform = _planar_too(way, _mean_level(made.values()))
    tables: dict[str, pa.Table] = {}
    faults: list[str] = []
    for name in contract.LAYERS:
        declared = contract.load(name)
        try:
            table = _columns(declared, made[name].columns)
            shapes = _checked(declared, made[name].geometry, table.num_rows)
        except ContractError as e:
            faults.append(str(e))
            continue
        if shapes is not None:
            written = _transformed(shapes, transform)
            if _LENGTH_GRID in declared.names:
                table = _with_grid_length(table, shapes, written, frame, crs)
            table = _placed(table, written)
        tables[name] = table
    if faults:
        raise ContractError("\n".join(faults))
    return tables


def to_lonlat(
    tables: Mapping[str, pa.Table],
    products: Iterable[Product],
    frame: Frame,
    crs: pyproj.CRS | None = None,
) -> dict[str, pa.Table]:
    """Return the tables, made for `crs`, with WGS 84 longitude and latitude as their geometry.

    A third coordinate is there only when it is an ellipsoidal height. What the operation may be
    off by is in σ and polygons, anew and not that of `tables`. Raises FrameError for a local sketch
    and when nothing better than a ballpark operation leads there.
    """
    before = {p.layer: p for p in products}
    made = {p.layer: p for p in shifted(before.values(), frame.lonlat_operation)}
    transform = _planar_too(frame.to_lonlat, _mean_level(made.values()))
    was_shifted = plan_operation(frame, crs) is not None
    return {
        name: _placed(
            _columns(contract.load(name), made[name].columns)
            if was_shifted
            else _adapted(contract.load(name), before[name].columns, made[name].columns, table),
            _transformed(made[name].geometry, transform),
        )
        if contract.load(name).geometry
        else table
        for name, table in tables.items()
    }


def shapes(table: pa.Table) -> Shapes:
    """Return the geometry of a table's rows (n); None where there is none."""
    return np.asarray(shapely.from_wkb(table[GEOMETRY].to_numpy()), dtype=object)


def empty(name: str) -> pa.Table:
    """Return a layer's table without rows."""
    declared = contract.load(name)
    fields = [pa.field(c.name, ARROW[c.type]) for c in declared.field]
    return pa.schema(fields + [GEOMETRY_FIELD] * bool(declared.geometry)).empty_table()


def to_table(
    name: str, columns: Mapping[str, Collection[object]], geometry: Shapes | None = None
) -> pa.Table:
    """Return one layer's table from its columns (n each) and geometry (n), already in a file's CRS.

    Raises ContractError as `to_tables` does.
    """
    declared = contract.load(name)
    table = _columns(declared, columns)
    shapes = _checked(declared, geometry, table.num_rows)
    return table if shapes is None else _placed(table, shapes)


def with_findings(
    products: Iterable[Product], site_id: str, findings: Iterable[Finding]
) -> tuple[Product, ...]:
    """Return the products with `findings` at the end of the layer of that name."""
    rows = [finding_row(site_id, f) for f in findings]
    return tuple(
        replace(
            p,
            columns={k: [*v, *(row.get(k) for row in rows)] for k, v in p.columns.items()},
            geometry=objects(
                [*(p.geometry if p.geometry is not None else ()), *[None] * len(rows)]
            ),
        )
        if p.layer == "findings"
        else p
        for p in products
    )


def with_cautions(products: Iterable[Product]) -> tuple[Product, ...]:
    """Return the products; before each caution which errors are open, as `findings` has them."""
    products = tuple(products)
    (found,) = (p.columns for p in products if p.layer == "findings")
    names = ("site_id", "line_id", "severity", "accepted_by")
    texts = ([str(value or "") for value in found[name]] for name in names)
    reserved = Reservations.of_findings(zip(*texts, strict=True))
    return tuple(
        replace(p, columns={**p.columns, **cautions_of(p.columns, reserved)}) for p in products
    )


# ---- columns ------------------------------------------------------------------------------


def _columns(declared: Table, columns: Mapping[str, Collection[object]]) -> pa.Table:
    """Return a product's columns as the contract has them; empty text and NaN are null."""
    _same_names(f"{declared.name}: columns", columns, declared.names)
    lengths = {name: len(values) for name, values in columns.items()}
    if len(set(lengths.values())) > 1:
        raise ContractError(f"{declared.name}: columns differ in length: {lengths}")
    columns = {UID: uids(declared, columns), **columns}
    arrays: dict[str, pa.Array] = {}
    faults: list[str] = []
    for c in declared.field:
        try:
            arrays[c.name] = _array(declared, c, columns[c.name])
        except ContractError as e:
            faults.append(str(e))
    if faults:
        raise ContractError("\n".join(faults))
    return pa.table(arrays)


def _adapted(
    declared: Table,
    before: Mapping[str, Collection[object]],
    after: Mapping[str, Collection[object]],
    table: pa.Table,
) -> pa.Table:
    """Return the table, made of columns before a shift, without geometry and as after it."""
    known = {_LENGTH_GRID, _GRID_FACTOR}  # of the file's grid, and only in the table
    moved = {k for k, v in after.items() if v is not before[k] or k in known}
    if any(len(after[k]) != table.num_rows for k in moved):
        return _columns(declared, after)
    table = table.drop_columns([GEOMETRY])
    for c in declared.field:
        if c.name in moved:
            values = _array(declared, c, after[c.name])
            table = table.set_column(table.schema.get_field_index(c.name), c.name, values)
    return table


def _array(declared: Table, column: Column, values: Collection[object]) -> pa.Array:
    """Return one column; raises ContractError, naming all that is wrong with its values."""
    name = f"{declared.name}.{column.name}"
    try:
        array = _typed(column, values)
    except (TypeError, ValueError, pa.ArrowException) as e:
        raise ContractError(f"{name}: not all {column.type} ({e})") from e
    if faults := _forbidden(column, array):
        raise ContractError("\n".join(f"{name}: {fault}" for fault in faults))
    return array


def _typed(column: Column, values: Collection[object]) -> pa.Array:
    if column.type == "real" and isinstance(values, np.ndarray) and values.dtype == np.float64:
        return pa.array(values, from_pandas=True)
    plain = values.tolist() if isinstance(values, np.ndarray) else list(values)
    known = [
        None if v is None or v == "" or (isinstance(v, float) and math.isnan(v)) else v
        for v in plain
    ]
    if column.type == "integer":
        known = [v if v is None else _whole(v) for v in known]
    return pa.array(known, type=ARROW[column.type])


def _whole(value: object) -> int:
    """Return 3 for 3.0; Arrow would make 3 of 3.5 too."""
    number = float(str(value))
    if not number.is_integer():
        raise ValueError(f"{value} is not whole")
    return int(number)


def _forbidden(column: Column, array: pa.Array) -> list[str]:
    """Return, in words, how the values break what the contract says of them."""
    faults = []
    if column.required and array.null_count:
        faults.append(f"{array.null_count} of {len(array)} values missing")
    known = array.drop_null()
    if column.type in ("real", "integer"):
        numbers = known.to_numpy(zero_copy_only=False)
        low, high, above = column.minimum, column.maximum, column.above
        limits: list[tuple[Flags, str]] = [(np.isinf(numbers), "finite")]
        limits += [] if low is None else [(numbers < low, f"≥ {low:g}")]
        limits += [] if high is None else [(numbers > high, f"≤ {high:g}")]
        limits += [] if above is None else [(numbers <= above, f"> {above:g}")]
        for broken, must in limits:
            if broken.any():
                faults.append(f"must be {must}; got {numbers[broken][0]}")
    if column.enum and (strange := sorted(set(known.to_pylist()) - set(column.enum))):
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


# ---- geometry -----------------------------------------------------------------------------


def _checked(declared: Table, geometry: Shapes | None, rows: int) -> Shapes | None:
    """Return a product's geometry when it is what the contract declares."""
    if not declared.geometry:
        if geometry is not None:
            raise ContractError(f"{declared.name}: has geometry, is declared a table")
        return None
    if geometry is None or len(geometry) != rows:
        raise ContractError(f"{declared.name}: {rows} rows need as many geometries")
    kind, has_z = _SHAPES[declared.geometry]
    for g in geometry:
        if g is not None and (g.geom_type != kind or g.has_z != has_z or g.is_empty):
            raise ContractError(
                f"{declared.name}: geometry must be {declared.geometry}; got {g.wkt:.60}"
            )
    if not np.isfinite(shapely.get_coordinates(geometry, include_z=has_z)).all():
        raise ContractError(f"{declared.name}: a geometry has coordinates that are not finite")
    return geometry


def _with_grid_length(
    table: pa.Table, ground_m: Shapes, written: Shapes, frame: Frame, crs: pyproj.CRS | None
) -> pa.Table:
    """Return lines with their plan length in metres of the file's grid, and grid per ground.

    Null in a CRS in degrees, which has no lengths; the factor is null too of what has no length in
    plan. `ground_m` are the lines in the site frame, `written` the same in the file's CRS.
    """
    plan = frame.horizontal if crs is None else plan_of(crs)
    length_m = shapely.length(written)
    if plan is not None:
        degrees = plan.is_geographic
        length_m = length_m * (math.nan if degrees else plan.axis_info[0].unit_conversion_factor)
    on_ground_m = shapely.length(ground_m)
    factor = length_m / np.where(on_ground_m > 0.0, on_ground_m, math.nan)
    for name, values in ((_LENGTH_GRID, length_m), (_GRID_FACTOR, factor)):
        at, column = table.schema.get_field_index(name), pa.array(values, from_pandas=True)
        table = table.set_column(at, table.field(at), column)
    return table


def _placed(table: pa.Table, shapes: Shapes) -> pa.Table:
    """Return the table with `shapes` as its last column."""
    wkb = shapely.to_wkb(shapes, output_dimension=3, include_srid=False, flavor="iso")
    return table.append_column(GEOMETRY_FIELD, pa.array(wkb, type=pa.binary()))


def _transformed(geometry: Shapes | None, transform: Transform) -> Shapes:
    """Return the geometries through `transform`; the third axis appears and goes as it says."""
    moved = np.array(geometry, dtype=object)
    has_z = bool(shapely.has_z(moved).any())
    xyz = shapely.get_coordinates(moved, include_z=has_z)
    xyz = transform(xyz) if len(xyz) else xyz
    if xyz.shape[1] == 2:
        moved = shapely.force_2d(moved)
    shapely.set_coordinates(moved, xyz)
    return moved


def _planar_too(transform: Transform, level_m: float) -> Transform:
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
