"""An overlay's folder: one GeoPackage, the same as GeoJSON, and what its columns mean."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from math import isfinite
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import shapely

from lateralline import contract, csv_file
from lateralline.cautions import CHANGED, cautions_of
from lateralline.derive.dig import around
from lateralline.frames.operations import PLAN_95
from lateralline.output import whole_folder
from lateralline.overlay.as_built import UNLOCATED, AsBuilt, UnlocatedArea
from lateralline.record.ground import RegionPlane
from lateralline.record.layers import GEOMETRY, GEOMETRY_FIELD, Shapes, to_table
from lateralline.record.rows import UnlocatedRow
from lateralline.records import Floats
from lateralline.wording import plain
from lateralline.write import dictionary, read_back
from lateralline.write.described import Origin, described_overlay
from lateralline.write.geojson import GeoJSONSink
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.manifest import created_at

_ABOUT: Final = "OVERLAY.md"

Columns = Mapping[str, Collection[object]]


class Overlay:
    """An overlay being written: layers of one region after another."""

    def __init__(self, folder: Path, name: str, as_built: AsBuilt, layers: tuple[str, ...]) -> None:
        """Begin in a folder that is there, with what is made from `as_built`."""
        self.folder, self.names, self.crs = folder, layers, as_built.crs
        self._name, self._origin, self._reserved = name, _origin(as_built), as_built.reserved
        path = folder / f"{name}.gpkg"
        self._gpkg = GeoPackageSink(path, self.crs, stamp=created_at(), names=layers)
        self._geojson = GeoJSONSink({n: folder / "geojson" / f"{n}.geojson" for n in layers})

    def add(
        self,
        layer: str,
        plane: RegionPlane,
        drawn: Callable[[float], tuple[Columns, Shapes]],
        z_m: Floats | None = None,
    ) -> None:
        """Write a region's rows of a layer, in the file's CRS and in longitude and latitude.

        `drawn` returns columns and plan shapes in metres, drawn so many metres wider all round. For
        longitude and latitude that is what the way there may be off at 95 %; they are left out when
        it would be a guess. `z_m` stands at the vertices, in order, levels in metres as in every
        layer; RFC 7946 has no place for levels like these.
        """
        columns, shapes_m = self._drawn(drawn, 0.0)
        placed = plane.shapes_to_file(shapes_m)
        if z_m is not None:
            xyz = np.column_stack([shapely.get_coordinates(placed), z_m])
            placed = shapely.set_coordinates(shapely.force_3d(placed), xyz)
        table = to_table(layer, columns, placed)
        self._gpkg.append({layer: table})
        off_m = PLAN_95 * plane.lonlat_sigma_m()
        if isfinite(off_m):
            columns, shapes_m = self._drawn(drawn, off_m)
            placed = plane.shapes_to_lonlat(shapes_m)
            flat = to_table(layer, columns, placed) if z_m is None else _with_shapes(table, placed)
            self._geojson.append({layer: flat})

    def add_unlocated(self, plane: RegionPlane, areas: Sequence[UnlocatedArea]) -> None:
        """Write the areas of one region in which pipe may be that nobody located."""

        def drawn(off_m: float) -> tuple[Columns, Shapes]:
            shapes = [around(a.area_m, off_m) if off_m else a.area_m for a in areas]
            return _unlocated([a.row for a in areas], off_m), np.array(shapes, dtype=object)

        self.add(UNLOCATED, plane, drawn)

    def add_placeless(self, rows: Sequence[UnlocatedRow]) -> None:
        """Write rows that have no place, after all that have one."""
        table = to_table(UNLOCATED, _unlocated(rows, 0.0), np.full(len(rows), None))
        self._gpkg.append({UNLOCATED: table})
        if not self._geojson.empty:
            self._geojson.append({UNLOCATED: table})

    def add_csv(self, layer: str, rows: Iterable[Mapping[str, object]]) -> None:
        """Write rows of a layer as a table for spreadsheets, without shapes."""
        told = (self._told(row) for row in rows)
        text = csv_file.table(contract.load(layer).names, told, "\r\n")
        path = self.folder / f"{self._name}.csv"
        path.write_text(text, encoding="utf-8", newline="")

    def close(self, about: str) -> None:
        """Complete every file and check the GeoPackage against what was meant."""
        about = f"The record was {CHANGED} {about}" if self._reserved.changed else about
        self._gpkg.close(about, described_overlay(self._origin, self._name, self.names, about))
        self._geojson.close()
        read_back.check(
            self._gpkg.path, self._gpkg.tallies, None if self.crs is None else self.crs.name
        )
        head = f"# {self._gpkg.path.stem}\n\n{about}\n\n**{self._reserved.before()}**\n\n"
        tables = "\n".join(dictionary.markdown(name, level=2) for name in self.names)
        (self.folder / _ABOUT).write_text(head + tables, encoding="utf-8")
        if not self._geojson.empty:
            (self.folder / "schema").mkdir()
            for name in self.names:
                path = self.folder / "schema" / f"{name}.schema.json"
                path.write_text(dictionary.json_schema_text(name), encoding="utf-8")

    def _drawn(
        self, drawn: Callable[[float], tuple[Columns, Shapes]], off_m: float
    ) -> tuple[Columns, Shapes]:
        """Return a layer as drawn; before each caution what speaks against its line."""
        columns, shapes_m = drawn(off_m)
        return {**columns, **cautions_of(columns, self._reserved)}, shapes_m

    def _told(self, row: Mapping[str, object]) -> Mapping[str, object]:
        """Return a row of a table; before its caution what speaks against its line."""
        made = cautions_of({name: [value] for name, value in row.items()}, self._reserved)
        return {**row, **{name: of_row for name, (of_row,) in made.items()}}


@contextmanager
def overlay_folder(
    out: Path, name: str, as_built: AsBuilt, layers: tuple[str, ...], *, kind: str, replace: bool
) -> Iterator[Overlay]:
    """Yield an overlay whose folder is put in place, whole, when the block ends well.

    `name` is that of its GeoPackage, `kind` one of `output.proof.KINDS`.
    Layers that a record has too have the columns of the owner's register that this one shows.
    Only a folder of the same overlay is replaced. Raises OutputError when writing fails.
    """
    whole = whole_folder(out, kind, replace=replace)
    with contract.with_assets(as_built.register), whole as made:
        yield Overlay(made, name, as_built, layers)


def _origin(as_built: AsBuilt) -> Origin:
    """Return what an overlay's metadata say of its record."""
    lines = as_built.layers["pipe_centreline"]
    levels = lines["invert_sigma_max_m"].where(lines["invert_down_level_m"].notna())
    return Origin(
        as_built.path,
        as_built.sha256,
        as_built.sites,
        plan_95_m=lines["position_95_max_m"].astype(float).tolist(),
        level_sigma_m=levels.astype(float).tolist(),
        unlocated=len(as_built.unlocated),
    )


def as_drawn(columns: Columns, shapes_m: Shapes) -> Callable[[float], tuple[Columns, Shapes]]:
    """Return a layer for `Overlay.add` that is not drawn wider."""
    return lambda _: (columns, shapes_m)


def columns_of(layer: str, rows: Sequence[object]) -> dict[str, list[object]]:
    """Return the declared columns of a layer from rows that have attributes of their names."""
    return {name: [getattr(row, name) for row in rows] for name in contract.load(layer).names}


def cells_of(layer: str, row: object) -> dict[str, object]:
    """Return a row that has attributes of a layer's names for machines: no NaN, plain blanks."""
    return {name: _cell(getattr(row, name)) for name in contract.load(layer).names}


def _cell(value: object) -> object:
    if isinstance(value, str):
        return plain(value)
    return None if isinstance(value, float) and not isfinite(value) else value


def _unlocated(rows: Sequence[UnlocatedRow], off_m: float) -> Columns:
    names = contract.load(UNLOCATED).names
    columns = {name: [row.values[name] for row in rows] for name in names}
    return columns | {"crs_shift_95_m": [row.crs_shift_95_m + off_m for row in rows]}


def _with_shapes(table: pa.Table, flat: Shapes) -> pa.Table:
    """Return a table with other shapes, which need not have the z that its layer declares."""
    index = table.schema.get_field_index(GEOMETRY)
    wkb = pa.array(shapely.to_wkb(flat, flavor="iso"), type=pa.binary())
    return table.set_column(index, GEOMETRY_FIELD, wkb)
