"""Built records as overlays take them, in metres on the ground, a region at a time.

Lines with their corridors, their pipe in straight legs from station to station, the open ends past
which pipe runs on, and the areas where pipe that nobody located may be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataSourceError
from pyproj import CRS

from lateralline.cautions import CAUTION, NONE, Reservations
from lateralline.contract import Column
from lateralline.derive.dig import UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.tables import objects
from lateralline.derive.unlocated import site_row
from lateralline.errors import LaterallineError
from lateralline.frames import DEPTH_ONLY
from lateralline.output.keep import tell_if_changed
from lateralline.output.proof import reading, sha256
from lateralline.record import GEOPACKAGE
from lateralline.record.assets import columns_read, values_read
from lateralline.record.ends import open_at
from lateralline.record.ground import RegionPlane, regions
from lateralline.record.layers import AnyFrame, Shapes
from lateralline.record.lineage import (
    level_systems_of,
    private_of,
    schema_version_of,
    sites_of,
    tape_units_of,
)
from lateralline.record.reading import crs_of, read_layers, reservations_of
from lateralline.record.rows import DateColumn, UnlocatedRow, rows_of
from lateralline.records import Flags, Floats, Ints, Texts
from lateralline.units import PER_FOOT

_NEEDED: Final = ("pipe_centreline", "position_corridor", "level_band", "pipe_segments", "lineage")
#: Layer of what is not drawn, and where it may be.
UNLOCATED: Final = "unlocated"
#: Finding of lines that are in no pipe layer.
_NOT_DRAWN: Final = "line-not-located"
#: Room about the plan envelope of an undecided stretch for the error of its two ends.
_ENDS_M: Final = 1.0


class NotBuiltError(LaterallineError, ValueError):
    """What was given as built layers is none, or lacks layers that are needed."""


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines of one region (n)."""

    plane: RegionPlane
    site: Texts
    line: Texts
    path_m: Shapes  # LineString in plan
    corridor_m: Shapes  # Polygon; None where nobody knows how far off positions are
    crs_shift_95_m: Floats  # in the corridor already; NaN where there is none
    record_version: Floats  # NaN in older records
    valid_from: npt.NDArray[np.object_]  # dates; None in older records
    inside_diameter_m: Floats  # NaN unknown
    outside_diameter_m: Floats
    diameter_assumed: Flags
    cover_min_m: Floats
    register: Mapping[str, npt.NDArray[np.object_]]  # values of `AsBuilt.register`; None unknown
    level_datum: Texts
    joined: Flags  # the downstream end is on another line
    caution: str = CAUTION  # first what speaks against the record

    @property
    def keys(self) -> list[tuple[str, str]]:
        """Site and line of each."""
        return list(zip(self.site.tolist(), self.line.tolist(), strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class UnlocatedArea:
    """An area in metres in which pipe that nobody located may be."""

    row: UnlocatedRow
    area_m: shapely.Polygon


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """What is in one region."""

    plane: RegionPlane
    lines: Lines
    unlocated: tuple[UnlocatedArea, ...]


@dataclass(frozen=True, slots=True, eq=False)
class AsBuilt:
    """A built GeoPackage."""

    path: Path
    crs: CRS | None  # horizontal; None = invented axes
    level_systems: tuple[CRS | None, ...]  # what levels count from, each once; None: relative
    sites: tuple[str, ...]
    sha256: str
    unit: str  # what all its sites were taped in; "m" for all that is metric, and where they differ
    taped_in: str  # the unit of a sketch's own axes; "" where its sites differ
    layers: Mapping[str, AnyFrame]  # lines, corridors and what is not located
    unlocated: tuple[UnlocatedRow, ...]  # with the values of `register`
    register: tuple[Column, ...]  # the owner's register in it, but what is private
    reserved: Reservations = NONE  # what speaks against it

    @property
    def placeless(self) -> list[UnlocatedRow]:
        """Rows of what is not located and has no place: it may be anywhere."""
        return [row for row in self.unlocated if row.geometry is None]

    def stations(self) -> tuple[AnyFrame, AnyFrame]:
        """Read the layers `level_band` and `pipe_segments`, by far the largest."""
        layers = read_layers(self.path, ("level_band", "pipe_segments"))
        return layers["level_band"], layers["pipe_segments"]

    def regions(self) -> Iterator[Region]:
        """Yield all lines, and all areas of what is not located, a region at a time."""
        keys = ["site_id", "line_id"]
        corridors = self.layers["position_corridor"].rename_geometry("corridor")
        lines = self.layers["pipe_centreline"].merge(
            corridors[[*keys, "corridor", "crs_shift_95_m"]],
            on=keys,
            how="left",
            validate="one_to_one",
        )
        placed = [row for row in self.unlocated if row.geometry is not None]
        shapes = np.array([*lines.geometry, *(row.geometry for row in placed)], dtype=object)
        if not len(shapes):
            return
        middle = shapely.get_coordinates(shapely.centroid(shapes))
        row_of = {
            key: n for n, key in enumerate(zip(lines["site_id"], lines["line_id"], strict=True))
        }
        for n, row in enumerate(placed, start=len(lines)):  # beside its line, on one plane with it
            middle[n] = middle[row_of.get((row.site_id, row.line_id), n)]
        for plane, rows in regions(self.crs, middle):
            here = rows[rows >= len(lines)]
            areas_m = plane.shapes_to_ground(shapes[here])
            areas = [
                UnlocatedArea(placed[n], area_m)
                for n, area_m in zip((here - len(lines)).tolist(), areas_m, strict=True)
            ]
            mine = lines.iloc[rows[rows < len(lines)]]
            yield Region(
                plane, _lines(plane, mine, self.register, self.reserved.before()), tuple(areas)
            )


def open_as_built(given: Path) -> AsBuilt:
    """Return the built record in an output folder, or its GeoPackage.

    Raises NotBuiltError for what is none, UnreadableError for what cannot be read now.
    """
    path = given / GEOPACKAGE if given.is_dir() else given
    if not path.is_file():
        raise NotBuiltError(f"{given} holds no {GEOPACKAGE}: build a site first")
    with reading(path):  # raises with the reason where it cannot be read
        pass
    try:
        there = {str(name) for name, _ in pyogrio.list_layers(path)}
    except DataSourceError as e:
        raise NotBuiltError(f"{path} is no output of lateralline build ({e})") from e
    if missing := [name for name in _NEEDED if name not in there]:
        raise NotBuiltError(f"{path} lacks {', '.join(missing)}: build its sites again")
    schema_version_of(path)  # raises for one of later than is known here
    tell_if_changed(path)
    layers = read_layers(path, ("pipe_centreline", "position_corridor", UNLOCATED))
    lines = layers["pipe_centreline"]
    register = columns_read(path, "pipe_centreline", lines.columns, private_of(path))
    unlocated = layers[UNLOCATED] if UNLOCATED in there else _named(path)
    taped = tape_units_of(path)
    taped_in = taped.pop() if len(taped) == 1 else "" if taped else "m"
    return AsBuilt(
        path,
        crs_of(lines),
        tuple(level_systems_of(path)),
        sites_of(path),
        sha256(path),
        unit=taped_in if taped_in in PER_FOOT else "m",
        taped_in=taped_in,
        layers=layers,
        unlocated=rows_of(UnlocatedRow, unlocated, values_read(unlocated, register)),
        register=register,
        reserved=reservations_of(path),
    )


def _named(path: Path) -> pd.DataFrame:
    """Return rows of `unlocated` of a record older than that layer: what its findings name."""
    found = read_layers(path, ("findings",))["findings"]
    found = found[(found["code"] == _NOT_DRAWN) & found["subject"].str.startswith("line ")]
    rows = []
    for site, subject, what in zip(found["site_id"], found["subject"], found["what"], strict=True):
        line = subject.removeprefix("line ")
        own = {"line_id": line, "extent": "line", "what": f"line {line}: not drawn"}
        made_by = "nothing: built before areas of what is not located were made"
        rows.append(site_row(site, what) | own | {"made_by": made_by, "geometry": None})
    return pd.DataFrame(rows)


def _lines(
    plane: RegionPlane, rows: pd.DataFrame, register: Iterable[Column], caution: str
) -> Lines:
    inside, outside = _numbers(rows, "inside_diameter_m"), _numbers(rows, "outside_diameter_m")
    assumed = ~np.isfinite(outside)
    wide = np.fmax(UNKNOWN_DIAMETER_M, UNKNOWN_WALLS_RATIO * inside)  # as `derive.dig` has it
    return Lines(
        plane=plane,
        site=_texts(rows, "site_id"),
        line=_texts(rows, "line_id"),
        path_m=plane.shapes_to_ground(np.asarray(rows["geometry"].array)),
        corridor_m=plane.shapes_to_ground(np.asarray(rows["corridor"].array)),
        crs_shift_95_m=_numbers(rows, "crs_shift_95_m"),
        record_version=_numbers(rows.reindex(columns=["record_version"]), "record_version"),
        valid_from=objects(DateColumn().read(rows.reindex(columns=["valid_from"])["valid_from"])),
        inside_diameter_m=inside,
        outside_diameter_m=np.where(assumed, wide, outside),
        diameter_assumed=assumed,
        cover_min_m=_numbers(rows, "cover_min_m"),
        register={name: objects(v) for name, v in values_read(rows, register).items()},
        level_datum=_texts(rows, "level_datum"),
        joined=_texts(rows, "joins_line_id") != "",
        caution=caution,
    )


def _numbers(frame: pd.DataFrame, column: str) -> Floats:
    return np.asarray(frame[column], dtype=np.float64)


def _texts(frame: pd.DataFrame, column: str) -> Texts:
    return np.asarray(frame[column], dtype=np.str_)


def named(rows: Sequence[UnlocatedRow], most: int = 20) -> str:
    """Return which lines, runs and sites rows are of, each once."""
    names = dict.fromkeys(
        " ".join(
            part
            for part in (
                row.site_id,
                row.line_id or "(whole site)",
                f"(run {row.run_id})" if row.extent == "run" else "",
                "(past an open end)" if row.extent == "beyond_end" else "",
            )
            if part
        )
        for row in rows
    )
    shown = ", ".join(list(names)[:most])
    return shown + (f" and {len(names) - most} more" if len(names) > most else "")


def unlocated_cells(row: UnlocatedRow) -> dict[str, object]:
    """Return a row for machines: names, reasons and lengths, null for what is not known."""
    names = (
        "site_id", "line_id", "run_id", "stop_id", "extent", "what", "why", "made_by", "counted_m",
        "mark_reach_m", "area_m2",
    )  # fmt: skip
    values = {name: getattr(row, name) for name in names}
    return {k: None if v == "" or v != v else v for k, v in values.items()}


# ---- legs from station to station ----------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class StationLegs:
    """Straight pieces of pipe between neighbouring stations (n), downstream end first.

    Pairs (n, 2) hold the value at either end. Levels are of the pipe's axis.
    """

    line: Ints  # row of its `Lines`
    xy_m: Floats  # (n, 2, 2)
    level_m: Floats  # (n, 2); NaN where the site has no levels
    depth_m: Floats  # (n, 2) ground less axis; NaN unknown
    level_off_m: Floats  # (n, 2, 2) how much lower, higher the axis may be, 95 %; NaN unbounded
    depth_off_m: Floats  # (n, 2, 2) the same against the ground
    chainage_m: Floats  # (n, 2)
    position_95_m: Floats  # (n,) the farthest off in plan; NaN unbounded
    undecided: Flags
    stretch: Ints  # numbers the segments of the layer
    segment_m: Floats  # (n,) chainage from end to end of the segment
    reach_m: Floats  # (n,) longest path the counter allows on the segment; NaN unknown

    def only(self, rows: slice | Ints) -> StationLegs:
        """Return some of the legs."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def legs_of(lines: Lines, bands: pd.DataFrame, segments: pd.DataFrame) -> StationLegs:
    """Return the legs of `lines` from the layers `level_band` and `pipe_segments`.

    Raises NotBuiltError when a line has no stations, or a station no segment.
    """
    keys = pd.MultiIndex.from_arrays([lines.site, lines.line])
    row_of = pd.Series(np.arange(len(lines.line)), index=keys)
    own = row_of.reindex(pd.MultiIndex.from_frame(bands[["site_id", "line_id"]])).to_numpy()
    here = np.isfinite(own)
    band = bands[here].assign(row=own[here].astype(np.int64))
    band = band.sort_values(["row", "chainage_m"], kind="stable")
    row = band["row"].to_numpy()
    leg = np.flatnonzero(row[:-1] == row[1:])
    ends = np.column_stack([leg, leg + 1])

    segment = ["site_id", "line_id", "segment_id"]
    number_of = pd.Series(
        np.arange(len(segments)), index=pd.MultiIndex.from_frame(segments[segment])
    )
    found = number_of.reindex(pd.MultiIndex.from_frame(band[segment])).to_numpy()[leg + 1]
    if np.isnan(found).any():
        lost = band.iloc[int(leg[np.isnan(found).argmax()]) + 1]
        raise NotBuiltError(
            f"layer level_band names segment {lost['segment_id']} of line {lost['line_id']}, which "
            "pipe_segments lacks: build again"
        )
    stretch = found.astype(np.int64)
    without = np.setdiff1d(np.arange(len(lines.line)), row[leg])
    if len(without):
        names = ", ".join(" ".join(lines.keys[n]) for n in without[:5].tolist())
        raise NotBuiltError(f"layer level_band has no rows of {names}: build again")

    xyz = shapely.get_coordinates(np.asarray(band.geometry.array), include_z=True)
    invert, inside = _numbers(band, "invert_level_m"), lines.inside_diameter_m[row]
    bore = np.where(np.isfinite(inside), inside, lines.outside_diameter_m[row])
    level = invert + bore / 2
    # Without levels z counts from ground taken as level at 0.
    none = lines.level_datum[row] == DEPTH_ONLY
    depth = np.where(none, -(xyz[:, 2] + bore / 2), _numbers(band, "ground_level_m") - level)
    lower, upper = _numbers(band, "invert_lower_95_m"), _numbers(band, "invert_upper_95_m")
    level_off = np.stack([invert - lower, upper - invert], axis=-1).clip(0.0)
    at = _numbers(band, "chainage_m")[ends]
    low, high = np.full(len(segments), np.inf), np.full(len(segments), -np.inf)
    np.minimum.at(low, stretch, at[:, 0])
    np.maximum.at(high, stretch, at[:, 1])
    return StationLegs(
        line=row[leg],
        xy_m=lines.plane.to_ground(xyz[:, :2])[ends],
        level_m=np.where(none, np.nan, level)[ends],
        depth_m=depth[ends],
        level_off_m=level_off[ends],
        depth_off_m=_against_ground(band, level_off)[ends],
        chainage_m=at,
        position_95_m=_numbers(segments, "position_95_max_m")[stretch],
        undecided=(_texts(segments, "shape") == "undecided")[stretch],
        stretch=stretch,
        segment_m=(high - low)[stretch],
        reach_m=_numbers(segments, "reach_m")[stretch],
    )


def _against_ground(band: pd.DataFrame, level_off_m: Floats) -> Floats:
    """Return how much lower and higher (n, 2) an axis may be against the ground, 95 %.

    As the layer has it for the cover: an adjusted level's error and the ground's are independent;
    what reach alone allows is no error to average out, and they add. Where the site has no levels
    the cover's own bound serves both ways.
    """
    ground = (INTERVAL_95 * _numbers(band, "ground_sigma_m"))[:, None]
    undecided = (_texts(band, "shape") == "undecided")[:, None]
    off = np.where(undecided, level_off_m + ground, np.hypot(level_off_m, ground))
    of_cover = _numbers(band, "cover_m") - _numbers(band, "cover_lower_95_m")
    return np.where(np.isfinite(off), off, of_cover[:, None])


def region_of_pipe(lines: Lines, stretch: StationLegs) -> shapely.Geometry | None:
    """Return the plan region the pipe of an undecided stretch may be in at 95 %; None = unbounded.

    The corridor, as far as the counter reaches from the middle of the stretch's two ends.
    """
    line, reach = stretch.line[0], float(stretch.reach_m[0])
    corridor = lines.corridor_m[line]
    if corridor is None or np.isnan(stretch.position_95_m[0]):
        return None
    if np.isnan(reach):
        return corridor
    middle = shapely.Point((stretch.xy_m[0, 0] + stretch.xy_m[-1, 1]) / 2)
    shift = float(np.nan_to_num(lines.crs_shift_95_m[line]))
    return shapely.intersection(corridor, middle.buffer(reach / 2 + _ENDS_M + 2 * shift))


# ---- open ends -----------------------------------------------------------------------------


def ahead_of_ends(lines: Lines, legs: StationLegs, within_m: float) -> tuple[Shapes, Shapes]:
    """Return half circles (n lines) ahead of the upstream and of the downstream ends of lines.

    Pipe may run on there, nobody knows where. None at an end that is not open.
    """
    first = np.searchsorted(legs.line, np.arange(len(lines.line)))
    last = np.searchsorted(legs.line, np.arange(len(lines.line)), side="right") - 1
    up = _ahead(legs.xy_m[last, 1], legs.xy_m[last, 1] - legs.xy_m[last, 0], within_m)
    down = _ahead(legs.xy_m[first, 0], legs.xy_m[first, 0] - legs.xy_m[first, 1], within_m)
    opens = open_at(lines.joined)
    down[~opens[:, 0]] = None
    up[~opens[:, 1]] = None
    return up, down


def _ahead(end: Floats, way: Floats, radius_m: float) -> Shapes:
    """Return half circles (n) ahead of line ends (n, 2), as far as the radius."""
    ahead = np.arctan2(way[:, 1], way[:, 0])
    turn = ahead[:, None] + np.linspace(-np.pi / 2, np.pi / 2, 25)
    ring = end[:, None, :] + radius_m * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    return np.asarray(shapely.polygons(np.concatenate([ring, end[:, None, :]], axis=1)))
