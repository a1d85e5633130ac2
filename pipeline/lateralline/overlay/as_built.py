"""Lines of built records, read from their GeoPackage into metres on the ground."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataSourceError
from pyproj import CRS

from lateralline import contract
from lateralline.derive.dig import UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO
from lateralline.derive.unlocated import site_row
from lateralline.errors import LaterallineError
from lateralline.output.proof import reading, sha256
from lateralline.overlay.metric import Metric, regions
from lateralline.record.layers import GEOMETRY, Shapes
from lateralline.record.lineage import plan_of, sites_of, tape_units_of
from lateralline.records import Flags, Floats, Texts
from lateralline.units import PER_FOOT
from lateralline.workspace import GEOPACKAGE

_NEEDED: Final = ("pipe_centreline", "position_corridor", "level_band", "pipe_segments", "lineage")


#: Layer of what is not drawn, and where it may be.
UNLOCATED: Final = "unlocated"
#: Findings that say a line is in no pipe layer.
_NOT_DRAWN: Final = ("line-not-drawn", "line-without-fix", "line-single-fix")


class NotBuiltError(LaterallineError, ValueError):
    """What was given as built layers is none, or lacks layers that are needed."""


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines of one region (n)."""

    metric: Metric
    site: Texts
    line: Texts
    path_m: Shapes  # LineString in plan
    corridor_m: Shapes  # Polygon; None where nobody knows how far off positions are
    frame_shift_95_m: Floats  # in the corridor already; NaN where there is none
    inside_diameter_m: Floats  # NaN unknown
    outside_diameter_m: Floats
    diameter_assumed: Flags
    cover_min_m: Floats
    level_datum: Texts
    joined: Flags  # the downstream end is on another line

    @property
    def keys(self) -> list[tuple[str, str]]:
        """Site and line of each."""
        return list(zip(self.site.tolist(), self.line.tolist(), strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Unlocated:
    """What is not located in one region (n), each with its area."""

    metric: Metric
    rows: tuple[dict[str, Any], ...]  # columns of the layer, text that is not given as ""
    area_m: Shapes  # Polygon in metres


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """What is in one region."""

    lines: Lines
    unlocated: Unlocated


@dataclass(frozen=True, slots=True)
class AsBuilt:
    """A built GeoPackage."""

    path: Path
    crs: CRS | None  # whole, levels included; None = invented axes
    sites: tuple[str, ...]
    sha256: str
    unit: str  # what all its sites were taped in; "m" for all that is metric, and where they differ
    taped_in: str = "m"  # the unit of a sketch's own axes; "" where its sites differ
    unlocated: tuple[dict[str, Any], ...] = ()  # rows of the layer; `GEOMETRY` None = no place

    @property
    def plan_crs(self) -> CRS | None:
        """Its plan part."""
        return None if self.crs is None else plan_of(self.crs)

    @property
    def level_unit_m(self) -> float:
        """Metres in the unit of z; negative when the vertical axis points down."""
        if self.crs is None or len(self.crs.axis_info) < 3:
            return 1.0
        axis = self.crs.axis_info[-1]
        return axis.unit_conversion_factor * (-1.0 if axis.direction == "down" else 1.0)

    def regions(self) -> Iterator[Region]:
        """Yield all lines, and all areas of what is not located, a region at a time."""
        lines = self.table("pipe_centreline")
        corridors = self.table("position_corridor")
        keys = ["site_id", "line_id"]
        merged = lines.merge(
            corridors[[*keys, "geometry", "frame_shift_95_m"]].rename(
                columns={"geometry": "corridor"}
            ),
            on=keys,
            how="left",
            validate="one_to_one",
        )
        paths = np.asarray(merged["geometry"], dtype=object)
        placed = [row for row in self.unlocated if row[GEOMETRY] is not None]
        areas = np.array([row[GEOMETRY] for row in placed], dtype=object)
        middle = shapely.get_coordinates(shapely.centroid(np.concatenate([paths, areas])))
        if not len(middle):
            return
        for metric, rows in regions(self.plan_crs, middle):
            here = rows[rows >= len(paths)] - len(paths)
            not_located = Unlocated(
                metric,
                tuple(placed[n] for n in here.tolist()),
                metric.shapes_to_metres(areas[here]),
            )
            yield Region(_lines(metric, merged.iloc[rows[rows < len(paths)]]), not_located)

    @property
    def placeless(self) -> list[dict[str, Any]]:
        """Rows of what is not located and has no place: it may be anywhere."""
        return [row for row in self.unlocated if row[GEOMETRY] is None]

    def table(self, layer: str) -> Any:
        """Return a layer as columns, its geometry as plain objects."""
        return _table(self.path, layer)


def open_as_built(given: Path) -> AsBuilt:
    """Return the built record in an output folder, or its GeoPackage.

    Raises NotBuiltError for what is none, UnreadableError for what cannot be read now.
    """
    path = given / GEOPACKAGE if given.is_dir() else given
    if not path.is_file():
        raise NotBuiltError(f"{given} holds no {GEOPACKAGE}: build a site first")
    with reading(path):  # says why it cannot be read, where it cannot
        pass
    try:
        there = {str(name) for name, _ in pyogrio.list_layers(path)}
    except DataSourceError as e:
        raise NotBuiltError(f"{path} is no output of lateralline build ({e})") from e
    if missing := [name for name in _NEEDED if name not in there]:
        raise NotBuiltError(f"{path} lacks {', '.join(missing)}: build its sites again")
    about = pyogrio.read_info(path, layer="pipe_centreline")
    crs = CRS(about["crs"]) if about["crs"] else None
    if crs is not None and crs.type_name.startswith("Engineering"):
        crs = None
    taped = tape_units_of(path)
    unit = taped.pop() if len(taped) == 1 else "" if taped else "m"
    said_in = unit if unit in PER_FOOT else "m"
    return AsBuilt(
        path, crs, sites_of(path), sha256(path), said_in, unit, tuple(_unlocated(path, there))
    )


def _table(path: Path, layer: str) -> Any:
    frame = pyogrio.read_dataframe(path, layer=layer)
    if GEOMETRY not in frame:
        return frame
    plain = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    plain[GEOMETRY] = np.asarray(frame.geometry.array, dtype=object)
    return plain


def _unlocated(path: Path, there: set[str]) -> Iterator[dict[str, Any]]:
    """Yield what is not located; of a record older than its layer what the findings say of it."""
    if UNLOCATED in there:
        frame = _table(path, UNLOCATED)
        texts = [c.name for c in contract.load(UNLOCATED).field if c.type == "text"]
        frame[texts] = frame[texts].astype(object).fillna("")
        yield from frame.to_dict("records")
        return
    found = _table(path, "findings") if "findings" in there else pd.DataFrame()
    for row in found.to_dict("records"):
        if row["code"] in _NOT_DRAWN:
            line = str(row["subject"]).removeprefix("line ")
            yield site_row(row["site_id"], str(row["what"])) | {
                "line_id": line,
                "extent": "line",
                "what": f"line {line}: not drawn",
                "made_by": "nothing: built before areas of what is not located were made",
                GEOMETRY: None,
            }


def number(values: Any) -> Floats:
    """Return a column of numbers, null as NaN."""
    return np.asarray(pd.to_numeric(values), dtype=np.float64)


def text(values: Any) -> Texts:
    """Return a column of text, null as ""."""
    return np.asarray(values.astype(object).fillna("").astype(str), dtype=np.str_)


def _lines(metric: Metric, rows: Any) -> Lines:
    inside, outside = number(rows["inside_diameter_m"]), number(rows["outside_diameter_m"])
    assumed = ~np.isfinite(outside)
    wide = np.fmax(UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO * inside)  # as `derive.dig` has it
    return Lines(
        metric=metric,
        site=text(rows["site_id"]),
        line=text(rows["line_id"]),
        path_m=metric.shapes_to_metres(np.asarray(rows["geometry"], dtype=object)),
        corridor_m=metric.shapes_to_metres(_or_none(rows["corridor"])),
        frame_shift_95_m=number(rows["frame_shift_95_m"]),
        inside_diameter_m=inside,
        outside_diameter_m=np.where(assumed, wide, outside),
        diameter_assumed=assumed,
        cover_min_m=number(rows["cover_min_m"]),
        level_datum=text(rows["level_datum"]),
        joined=text(rows["joins_line_id"]) != "",
    )


def _or_none(values: Sequence[object]) -> Shapes:
    out = np.empty(len(values), dtype=object)
    out[:] = [v if isinstance(v, shapely.Geometry) else None for v in values]
    return out
