"""GeoParquet in a file for each area of a layer, so that a reader of a city opens what it needs.

    geoparquet/pipe_nodes/area=E412000m_N4521000m/part-0.parquet

An area is a square of the layers' grid, called by its south-west corner in metres of the grid,
whatever unit x and y are in, or a value of a column. Folders are named as Apache Hive's partitions
are (common practice, no source), which readers of such folders take as a column `area`; of what
belongs to no area that is "none", since not all of them take Hive's own word for it. A feature is
in the square that the middle of its box is in, whole: a line that leaves the square is in no other
file, so a reader asks by box, not by the names of folders.

Each file is GeoParquet 1.1: the box of all it holds, and a column `bbox` with the box of each row,
of which Parquet has the extremes of every few thousand rows (read: GeoParquet 1.2.0-dev, sections
bbox, covering and "Bounding Box Columns", which 1.1 says alike, as excerpts of it show).

Which area each row is in is found first, and rows are then read in the order of areas: in memory
are some thirty bytes a row of one layer, a few thousand rows and one open file, however large the
city. Every file is read back: each row's area and box are worked out anew from what stands in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from typing import Final
from urllib.parse import quote

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import shapely

from lateralline import contract
from lateralline.contract import Column
from lateralline.errors import FrameError, LaterallineError, ReadBackError
from lateralline.frames.systems import plan_of
from lateralline.record import layers
from lateralline.record.reading import crs_in
from lateralline.records import Floats, Ints
from lateralline.write.parquet import ROW_ID, ROWS, described, geo_text, layer_rows, stream
from lateralline.write.read_back import LayerTally

#: The smallest square: a file for each feature helps nobody.
LEAST_SQUARE_M: Final = 10.0
_SITE: Final = "site_id"
_VERSION: Final = "1.1.0"
_BOX: Final = "bbox"
_EDGES: Final = ("xmin", "ymin", "xmax", "ymax")
_COVERING: Final = {_BOX: {edge: [_BOX, edge] for edge in _EDGES}}
_BOX_FIELD: Final = pa.field(_BOX, pa.struct([pa.field(edge, pa.float64()) for edge in _EDGES]))
#: The key of a file's metadata that says which area it is, and the head of its folder's name.
_AREA: Final = "area"
_NONE: Final = "none"
#: Characters of a folder's name; file systems take 255 bytes.
_NAME: Final = 120


class UnknownAreasError(LaterallineError, LookupError):
    """A record cannot be divided as asked; says what it can be divided by."""


@dataclass(frozen=True, slots=True)
class Areas:
    """How layers are divided: into squares of a grid, or by a column; one of both is given."""

    square_m: float = 0.0
    column: str = ""

    def refuse_unknown(self, columns: tuple[Column, ...]) -> None:
        """Raise UnknownAreasError for a column that a record with these of a register lacks.

        Also for a private one, which would stand in the names of folders, and for squares that are
        no size.
        """
        if not self.column:
            if not LEAST_SQUARE_M <= self.square_m < math.inf:
                raise UnknownAreasError(
                    f"squares of areas must be at least {LEAST_SQUARE_M:g} m; "
                    f"got {self.square_m:g} m"
                )
            return
        private = {c.name for c in columns if c.private}
        if self.column in private:
            raise UnknownAreasError(
                f"{self.column} is private on a site: no folders are named after what it holds"
            )
        known = [_SITE, *(c.name for c in columns if c.name not in private)]
        if self.column not in known:
            raise UnknownAreasError(
                f"no column {self.column!r} that areas may be; there are: {', '.join(known)}; "
                "or give the size of squares, as 1000m"
            )

    def refuse(self, crs: pyproj.CRS | None) -> None:
        """Raise FrameError for squares in a CRS of degrees; None are a sketch's axes, in metres."""
        if self.square_m and crs is not None and not plan_of(crs).is_projected:
            raise FrameError(
                f"squares in metres need a projected CRS, and the layers are in {crs.name}: "
                "build with --crs, or by a column"
            )

    def divide(self, layer: str) -> bool:
        """Tell whether a layer has what it is divided by; another is one file."""
        table = contract.load(layer)
        return self.column in table.names if self.column else bool(table.geometry)

    def names(self, table: pa.Table, unit_m: float) -> tuple[list[str], Ints]:
        """Return the areas that rows of a table (n) are in, and which of them each is in (n).

        "" is none. `unit_m` are the metres in a unit of its plan coordinates.
        """
        if self.column:
            values = table[self.column].combine_chunks().cast(pa.string()).fill_null("")
            encoded = values.dictionary_encode()
            return encoded.dictionary.to_pylist(), encoded.indices.to_numpy().astype(np.int64)
        low_high = shapely.bounds(layers.shapes(table)).reshape(-1, 2, 2)
        at = np.floor(low_high.mean(axis=1) * (unit_m / self.square_m))
        corners, which = np.unique(at, axis=0, return_inverse=True)
        called = [f"E{self._edge(e)}m_N{self._edge(n)}m" for e, n in corners.tolist()]
        nowhere = np.isnan(corners[:, 0]).tolist()
        names = ["" if none else name for none, name in zip(nowhere, called, strict=True)]
        return names, which.reshape(-1)

    def _edge(self, squares: float) -> str:
        return f"{squares * self.square_m + 0.0:.10g}"  # 0 has no sign


def write_areas(gpkg: Path, name: str, folder: Path, areas: Areas) -> None:
    """Write a layer of a GeoPackage into a new folder of areas."""
    crs = crs_in(gpkg, name) if contract.load(name).geometry else None
    boxes, ids, area = _division(gpkg, name, areas, _unit_m(crs))
    known, folders = list(boxes), _folders(boxes)
    with closing(_AreaFiles(name, crs)) as files:
        if not len(ids):
            files.add("", folder / folders[""], _nowhere(), layers.empty(name))
        for first in range(0, len(ids), ROWS):
            rows = layer_rows(gpkg, name, ids[first : first + ROWS])
            these = area[first : first + ROWS]
            begins = [0, *(np.flatnonzero(np.diff(these)) + 1).tolist(), len(these)]
            for begin, end in pairwise(begins):
                label = known[these[begin]]
                part = rows.slice(begin, end - begin)
                files.add(label, folder / folders[label], boxes[label], part)


def read_areas(gpkg: Path, name: str, folder: Path, areas: Areas) -> LayerTally:
    """Return what the files of a layer hold together.

    Raises ReadBackError naming each area of which a file holds rows of another, or boxes that are
    not those of its geometry.
    """
    crs = crs_in(gpkg, name) if contract.load(name).geometry else None
    tally, wrong = LayerTally(), []
    for path in sorted(folder.rglob("*.parquet")):
        own, sound = LayerTally(), True
        with pq.ParquetFile(path) as file:
            said = file.metadata.metadata
            for batch in file.iter_batches(ROWS):
                table = pa.Table.from_batches([batch])
                own.count(table)
                tally.count(table)
                there, _ = areas.names(table, _unit_m(crs))
                sound &= there == [said.get(_AREA.encode(), b"").decode()] * len(there)
                sound &= _BOX not in table.column_names or table[_BOX].equals(_boxes(table))
        sound &= said.get(b"geo", b"").decode() == _geo(name, crs, own.box).get("geo", "")
        wrong += [] if sound else [f"{name}/{path.parent.name}"]
    if wrong:
        raise ReadBackError(f"not read back as written: {', '.join(wrong)}")
    return tally


class _AreaFiles:
    """The file of one area after another; rows of one area come together."""

    def __init__(self, name: str, crs: pyproj.CRS | None) -> None:
        """Begin with none."""
        self._name = name
        self._crs = crs
        self._folder: Path | None = None
        self._writer: pq.ParquetWriter | None = None

    def add(self, label: str, folder: Path, box: Floats, rows: pa.Table) -> None:
        """Write rows of an area, whose features all lie in a box (2, 3)."""
        spatial = bool(contract.load(self._name).geometry)
        if folder != self._folder:
            self.close()
            folder.mkdir(parents=True)
            schema = described(self._name, {_AREA: label, **_geo(self._name, self._crs, box)})
            schema = schema.append(_BOX_FIELD) if spatial else schema
            path = folder / "part-0.parquet"
            self._writer = pq.ParquetWriter(path, schema, compression="zstd")
            self._folder = folder
        assert self._writer is not None
        rows = rows.append_column(_BOX_FIELD, _boxes(rows)) if spatial else rows
        self._writer.write_table(rows.cast(self._writer.schema))

    def close(self) -> None:
        """Complete the file that is open."""
        if self._writer is not None:
            self._writer.close()
            self._writer = None


def _division(
    gpkg: Path, name: str, areas: Areas, unit_m: float
) -> tuple[dict[str, Floats], Ints, npt.NDArray[np.int32]]:
    """Return areas with their boxes (2, 3), row ids (n) area by area, and the area of each (n)."""
    boxes: dict[str, Floats] = {}
    at: dict[str, int] = {}
    ids, area = [np.empty(0, np.int64)], [np.empty(0, np.int32)]
    for table in stream(gpkg, name, columns=[areas.column] if areas.column else []):
        names, which = areas.names(table, unit_m)
        known = np.array([at.setdefault(label, len(at)) for label in names], np.int32)
        ids.append(table[ROW_ID].to_numpy())
        area.append(known[which])
        for label, box in zip(names, _boxes_of(table, which, len(names)), strict=True):
            before = boxes.setdefault(label, box)
            before[0], before[1] = np.fmin(before[0], box[0]), np.fmax(before[1], box[1])
    by_name = np.argsort(np.argsort(list(at))).astype(np.int32)
    all_ids, all_areas = np.concatenate(ids), np.concatenate(area)
    all_areas = by_name[all_areas] if at else all_areas
    order = np.lexsort((all_ids, all_areas))
    return {label: boxes[label] for label in sorted(boxes)}, all_ids[order], all_areas[order]


def _nowhere(*several: int) -> Floats:
    return np.full((*several, 2, 3), np.nan)


def _boxes_of(table: pa.Table, which: Ints, count: int) -> Floats:
    """Return the boxes (count, 2, 3) of all features of each area, lowest and highest x, y, z."""
    boxes = _nowhere(count)
    if layers.GEOMETRY in table.column_names:
        shapes = layers.shapes(table)
        xyz, row = shapely.get_coordinates(shapes, include_z=True, return_index=True)
        np.fmin.at(boxes[:, 0], which[row], xyz)
        np.fmax.at(boxes[:, 1], which[row], xyz)
    return boxes


def _folders(labels: Iterable[str]) -> dict[str, str]:
    """Return a folder's name for each area, unlike each other whatever the case of letters.

    >>> _folders(["", "Elm St", "elm st"])["Elm St"]
    'area=Elm%20St'
    """
    made: dict[str, str] = {"": f"{_AREA}={_NONE}"}
    taken = {name.casefold() for name in made.values()}
    for label in filter(None, labels):
        name = f"{_AREA}={quote(label, safe='')}"
        if len(name) > _NAME or name.casefold() in taken:
            whole = sha256(label.encode()).hexdigest()[:8]
            name = f"{_AREA}={quote(label[: _NAME // 12], safe='')}-{whole}"
        taken.add(name.casefold())
        made[label] = name
    return made


def _boxes(table: pa.Table) -> pa.ChunkedArray:
    """Return the box of each row's geometry (n), none where it has none."""
    edges = shapely.bounds(layers.shapes(table))
    nowhere = np.isnan(edges[:, 0])
    columns = [pa.array(edge) for edge in edges.T]
    return pa.chunked_array(
        [pa.StructArray.from_arrays(columns, fields=list(_BOX_FIELD.type), mask=pa.array(nowhere))]
    )


def _geo(name: str, crs: pyproj.CRS | None, box: Floats) -> dict[str, str]:
    """Return what GeoParquet wants to be said of a file whose features lie in a box (2, 3)."""
    geometry = contract.load(name).geometry
    if not geometry:
        return {}
    axes = 3 if geometry.endswith(" Z") else 2
    edges = box[:, :axes].reshape(-1).tolist()
    more: dict[str, object] = {} if any(map(math.isnan, edges)) else {_BOX: edges}
    return {"geo": geo_text(geometry, crs, version=_VERSION, **more, covering=_COVERING)}


def _unit_m(crs: pyproj.CRS | None) -> float:
    """Return the metres in a unit of plan coordinates; of degrees nobody asks."""
    return 1.0 if crs is None else float(plan_of(crs).axis_info[0].unit_conversion_factor)
