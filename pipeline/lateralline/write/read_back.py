"""Read what one GDAL build wrote with another, and compare it with what was meant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import fiona
import numpy as np
import pyarrow as pa
import pyproj
import shapely
from shapely.geometry import shape

from lateralline import contract
from lateralline.errors import ReadBackError
from lateralline.record import layers
from lateralline.records import Floats
from lateralline.write.media import MAPPINGS
from lateralline.write.styles import TABLE

#: What fiona calls the contract's types.
_TYPES: Final = {
    "text": "str",
    "integer": "int",
    "real": "float",
    "boolean": "bool",
    "date": "date",
    "datetime": "datetime",
    "bytes": "bytes",
}
_GEOMETRIES: Final = {
    "Point Z": "3D Point",
    "LineString Z": "3D LineString",
    "LineString": "LineString",
    "Polygon": "Polygon",
    "": "None",
}
_BATCH: Final = 2048


def _nowhere() -> Floats:
    return np.full((2, 3), np.nan)


@dataclass(slots=True)
class LayerTally:
    """What a layer holds: rows, rows without geometry, and the box of its coordinates."""

    rows: int = 0
    bare: int = 0
    box: Floats = field(default_factory=_nowhere)  # (2, 3): lowest and highest x, y, z

    def count(self, table: pa.Table) -> None:
        """Add one site's rows, as `layers.to_tables` makes them."""
        self.rows += table.num_rows
        if layers.GEOMETRY not in table.column_names:
            self.bare += table.num_rows
            return
        self.bare += table[layers.GEOMETRY].null_count
        self._stretch(layers.shapes(table))

    def see(self, geometries: list[shapely.Geometry | None]) -> None:
        """Add features as read back; None is a feature without geometry."""
        self.rows += len(geometries)
        there = [g for g in geometries if g is not None]
        self.bare += len(geometries) - len(there)
        self._stretch(np.array(there, dtype=object))

    def _stretch(self, geometries: object) -> None:
        xyz = shapely.get_coordinates(geometries, include_z=True)
        if len(xyz):
            self.box[0] = np.fmin(self.box[0], np.fmin.reduce(xyz))
            self.box[1] = np.fmax(self.box[1], np.fmax.reduce(xyz))

    def same(self, other: LayerTally) -> bool:
        """Whether both hold the same; coordinates to the last bit."""
        counts = (self.rows, self.bare) == (other.rows, other.bare)
        return counts and np.array_equal(self.box, other.box, equal_nan=True)


def check(path: Path, expected: Mapping[str, LayerTally], crs_name: str | None) -> None:
    """Raise ReadBackError, naming every difference, unless `path` holds what was meant.

    `crs_name` is the name the layers' CRS must have; None means there must be none.
    """
    faults = [f"{f}" for f in _faults(path, expected, crs_name)]
    if faults:
        raise ReadBackError(f"{path.name} does not read back as written: " + "; ".join(faults))


def _faults(path: Path, expected: Mapping[str, LayerTally], crs_name: str | None) -> list[str]:
    # how layers look, and which picture hangs on what, are no layers
    there = set(fiona.listlayers(path)) - {TABLE, *MAPPINGS.values()}
    if there != set(expected):
        return [f"layers {sorted(there)}, meant {sorted(expected)}"]
    faults = []
    for name, meant in expected.items():
        table = contract.load(name)
        with fiona.open(path, layer=name) as source:
            columns = {c.name: _TYPES[c.type] for c in table.field}
            got = {k: str(v).split(":")[0] for k, v in source.schema["properties"].items()}
            if list(got.items()) != list(columns.items()):
                faults.append(f"{name}: columns {got}, meant {columns}")
            if source.schema["geometry"] != _GEOMETRIES[table.geometry]:
                faults.append(f"{name}: geometry {source.schema['geometry']}")
            if table.geometry and _crs_name(source.crs_wkt) != crs_name:
                faults.append(f"{name}: CRS {_crs_name(source.crs_wkt)}, meant {crs_name}")
            tally = tally_of(source)
        if not tally.same(meant):
            faults.append(f"{name}: {tally}, meant {meant}")
    return faults


def tally_of(source: fiona.Collection) -> LayerTally:
    """Return what an open layer holds."""
    tally, waiting = LayerTally(), []
    for feature in source:
        waiting.append(None if feature.geometry is None else shape(feature.geometry))
        if len(waiting) == _BATCH:
            tally.see(waiting)
            waiting = []
    tally.see(waiting)
    return tally


def _crs_name(wkt: str) -> str | None:
    """Return a CRS's name; None for none, and for GDAL's word for undefined Cartesian axes."""
    crs = pyproj.CRS(wkt) if wkt else None
    return None if crs is None or crs.is_engineering else crs.name
