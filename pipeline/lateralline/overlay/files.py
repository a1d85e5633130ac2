"""An overlay's folder: one GeoPackage, the same as GeoJSON, and what its columns mean."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from math import isnan
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import shapely
from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.frames.operations import apply, best
from lateralline.output import whole_folder
from lateralline.overlay.metric import Metric, moved
from lateralline.record import CAUTION
from lateralline.record.layers import Shapes
from lateralline.write import dictionary, read_back
from lateralline.write.geojson import GeoJSONSink
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.manifest import created_at

_WGS84: Final = CRS.from_epsg(4326)
_ABOUT: Final = "OVERLAY.md"


class Overlay:
    """An overlay being written: layers of one region after another."""

    def __init__(self, folder: Path, name: str, crs: CRS | None, layers: tuple[str, ...]) -> None:
        """Begin in a folder that is there."""
        self.folder, self.names, self.crs = folder, layers, crs
        self._gpkg = GeoPackageSink(folder / f"{name}.gpkg", crs, stamp=created_at(), names=layers)
        paths = {n: folder / "geojson" / f"{n}.geojson" for n in layers}
        self._geojson = GeoJSONSink(paths)

    @property
    def in_degrees(self) -> bool:
        """Whether anything came in longitude and latitude."""
        return not self._geojson.empty

    def add(self, tables: Mapping[str, pa.Table], lonlat: Mapping[str, pa.Table] | None) -> None:
        """Take tables in the file's CRS, and the same in longitude and latitude if there are."""
        self._gpkg.append(tables)
        if lonlat is not None:
            self._geojson.append(lonlat)

    def close(self, about: str) -> None:
        """Complete every file and hold the GeoPackage to what was meant."""
        self._gpkg.close(about)
        self._geojson.close()
        read_back.check(
            self._gpkg.path, self._gpkg.tallies, None if self.crs is None else self.crs.name
        )
        head = f"# {self._gpkg.path.stem}\n\n{about}\n\n**{CAUTION}**\n\n"
        tables = "\n".join(dictionary.markdown(name, level=2) for name in self.names)
        (self.folder / _ABOUT).write_text(head + tables, encoding="utf-8")
        if not self._geojson.empty:
            (self.folder / "schema").mkdir()
            for name in self.names:
                said = json.dumps(dictionary.json_schema(name), indent=1, ensure_ascii=False)
                path = self.folder / "schema" / f"{name}.schema.json"
                path.write_text(said + "\n", encoding="utf-8")


@contextmanager
def overlay_folder(
    out: Path, name: str, crs: CRS | None, layers: tuple[str, ...], *, replace: bool
) -> Iterator[Overlay]:
    """Yield an overlay whose folder is put in place, whole, when the block ends well.

    Only a folder of the same overlay is replaced. Raises OutputError when writing fails.
    """
    with whole_folder(out, name.replace("_", "-"), replace=replace) as made:
        yield Overlay(made, name, crs, layers)


def lonlat_off_m(metric: Metric) -> float:
    """Return σ on each axis of the way to WGS 84; NaN when no published way leads there."""
    if metric.crs is None or metric.area is None:
        return float("nan")
    try:
        operation = best(metric.crs, _WGS84, metric.area)[1]
    except FrameError:
        return float("nan")
    return operation.accuracy_m if operation.usable else float("nan")


def to_lonlat(metric: Metric, shapes_m: Shapes) -> Shapes | None:
    """Return plan geometries in longitude and latitude; None when that would be a guess."""
    if isnan(lonlat_off_m(metric)) or metric.crs is None or metric.area is None:
        return None
    way = best(metric.crs, _WGS84, metric.area)[0]
    return moved(shapes_m, lambda xy: apply(way, metric.to_file(xy), None))


def with_z(shapes: Shapes, z: object) -> Shapes:
    """Return plan geometries with z at their vertices, in order."""
    xy = shapely.get_coordinates(shapes)
    lifted = np.array(shapely.force_3d(shapes), dtype=object)
    return np.asarray(shapely.set_coordinates(lifted, np.column_stack([xy, np.asarray(z)])))
