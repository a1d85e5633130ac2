"""One site of a built GeoPackage as every drawing, page, card and export sees it.

x and y are metres on the ground from a stated corner, directions count from the file's own north,
lengths are written in the crew's unit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from pathlib import Path
from typing import Final, cast

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from lateralline import contract
from lateralline.derive.chainage import END_NAMES
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.level_band import least_cover_95_m
from lateralline.errors import UnknownSiteError
from lateralline.frames import DEPTH_ONLY
from lateralline.measure import DASH, Measure
from lateralline.output.proof import sha256
from lateralline.record.assets import register_words
from lateralline.record.ground import GroundPlane, ground_plane
from lateralline.record.layers import GEOMETRY, AnyFrame
from lateralline.record.lineage import (
    RecordLineage,
    schema_version_of,
    sites_of,
    z_unit_m,
)
from lateralline.record.reading import crs_of, lineage_of, read_layers, reservations_of
from lateralline.record.rows import (
    CentrelineRow,
    ControlRow,
    FindingRow,
    FixRow,
    LayerRow,
    NodeLineRow,
    NodeRow,
    ObservationRow,
    PictureRow,
    R,
    rows_of,
)
from lateralline.records import Floats
from lateralline.terms import region_of, reworded, word
from lateralline.units import METRES_PER
from lateralline.wording import with_own_unit

# ---- one site of a record -------------------------------------------------------------------


#: West, south, east, north, metres on the ground.
Bounds = tuple[float, float, float, float]

IN_FEET: Final = ("ft", "us-ft")
_UNIT_NAMES: Final = {"metre": "m", "US survey foot": "us-ft", "foot": "ft", "degree": "°"}
_UNIT_WORDS: Final = {"metre": "m", "US survey foot": "US survey feet", "foot": "feet"}
_EMPTY_SITE: Final = (0.0, 0.0, 10.0, 10.0)


@dataclass(frozen=True, eq=False)
class RecordView:
    """One site of a built record."""

    source: Path  # the GeoPackage
    site_id: str
    layers: Mapping[str, AnyFrame]  # name → rows of the site; geometry in metres on the ground
    lineage: RecordLineage
    ground: GroundPlane
    crs: pyproj.CRS | None  # of the file, horizontal; None for a sketch
    mark_levels_m: Floats  # of each of `field_marks`, NaN where nobody measured it

    # ---- what the record is ---------------------------------------------------------------

    @property
    def name(self) -> str:
        """Name of the site, the id when it has none."""
        return self.lineage.site_name or self.site_id

    @cached_property
    def caution(self) -> str:
        """What stands on all that could guide digging; first what speaks against the site."""
        return reservations_of(self.source, self.site_id).before()

    @cached_property
    def sha256(self) -> str:
        """Digest of the GeoPackage."""
        return sha256(self.source)

    @cached_property
    def findings(self) -> Counter[str]:
        """Severity → how many are not accepted; "accepted" → how many are."""
        rows = self.rows(FindingRow)
        return Counter("accepted" if row.accepted_by else row.severity for row in rows)

    @cached_property
    def flow_unknown(self) -> frozenset[str]:
        """The lines of which nothing tells which way water runs: chainage counts from an entry."""
        rows = self.rows(FindingRow)
        lines = (row.subject for row in rows if row.code == "flow-unknown")
        return frozenset(subject.removeprefix("line ") for subject in lines)

    @cached_property
    def depth_only(self) -> bool:
        """Whether the record has no levels at all, only depths below ground."""
        data = self.layers["pipe_centreline"]["level_datum"]
        return bool(len(data)) and bool((data == DEPTH_ONLY).all())

    @property
    def datum(self) -> str:
        """What levels count from, in few words."""
        data = [d for d in self.layers["pipe_centreline"]["level_datum"].unique() if d]
        return self.lineage.level_datum or ", ".join(map(str, data))

    # ---- coordinates ----------------------------------------------------------------------

    @property
    def crs_in_words(self) -> str:
        """The coordinate system of what is drawn, and the unit its coordinates are in."""
        name = self.lineage.crs_name if self.crs is not None else "sketch on invented axes"
        unit = {"°": "degrees", "m": "metres"}.get(self.coordinate_unit, self.coordinate_unit)
        return f"{name} ({unit})"

    @property
    def corner(self) -> str:
        """Where x and y count from, in the file's own coordinates and in words."""
        x, y = self.ground.origin
        if self.crs is None or self.ground.crs is None:
            return "x and y from the sketch's own zero"
        if self.crs.is_geographic:
            return f"corner at longitude {x:.4f}°, latitude {y:.4f}°"
        unit = self.ground.crs.axis_info[0].unit_name
        return f"corner at E {x:,.0f}, N {y:,.0f} {_UNIT_WORDS.get(unit, unit)}"

    @property
    def coordinate_unit(self) -> str:
        """Unit that coordinates are printed in: the file's, or of a sketch that of its tape."""
        crs = self.ground.crs
        name = self.unit if crs is None else crs.axis_info[0].unit_name
        return _UNIT_NAMES.get(name, name)

    @property
    def axis_names(self) -> tuple[str, str]:
        """What the two coordinates are called."""
        if self.crs is None:
            return ("x", "y")
        return ("longitude", "latitude") if self.crs.is_geographic else ("east", "north")

    @property
    def coordinate_scale(self) -> float:
        """Units of the file in one that is printed: a sketch's file is in metres."""
        return self.per if self.ground.crs is None else 1.0

    def coordinates(self, ground_m: Floats) -> Floats:
        """Return coordinates (n, 2) as they are printed, for metres on the ground."""
        return np.asarray(self.ground.to_file(ground_m) / self.coordinate_scale)

    def coordinate(self, value: float) -> str:
        """Return a coordinate of the file in words, as far as a survey of this kind can tell it."""
        return f"{value:.7f}" if self.coordinate_unit == "°" else f"{value:.2f}"

    # ---- lengths in words -----------------------------------------------------------------

    @property
    def unit(self) -> str:
        """The unit of lengths in words: "ft", "us-ft", or "m" for all that is metric."""
        return Measure.of_record(self.lineage.tape_unit, taped=False).plain

    @cached_property
    def measure(self) -> Measure:
        """How depths and taped lengths are written: feet and inches where the site was taped so."""
        return Measure.of_record(self.lineage.tape_unit, taped=self.taped)

    @property
    def taped(self) -> bool:
        """Whether any mark was taped."""
        return bool((self.layers["field_marks"]["method"] != "gnss").any())

    @property
    def in_feet(self) -> bool:
        """Whether the crew measured in feet."""
        return self.unit != "m"

    @property
    def per(self) -> float:
        """Metres in the unit of lengths in words."""
        return METRES_PER[self.unit]

    def word(self, quantity: str) -> str:
        """Return the word of a quantity in the region of the site: see `terms`."""
        return word(quantity, region_of(self.lineage.tape_unit))

    def prose(self, text: str) -> str:
        """Return a sentence of a finding in the words and the unit of the site."""
        return reworded(with_own_unit(text, self.unit), region_of(self.lineage.tape_unit))

    def length(self, metres: float, decimals: int = 2) -> str:
        """Return a length in the crew's unit; a dash when it is not known."""
        return number(metres / self.per, f"{{:.{decimals}f}}")

    def length_95(self, value: float, sigma: float) -> str:
        """Return a length in words with half its 95 % interval: "1.23 ± 0.10"."""
        if np.isnan(value):
            return DASH
        half = INTERVAL_95 * sigma
        off = "?" if np.isnan(half) else Measure(self.unit).bare_off(half)
        return f"{self.length(value)} ± {off}"

    def length_both(self, metres: float) -> str:
        """Return a length in words with its unit, metres in brackets beside feet."""
        if not self.in_feet or np.isnan(metres):
            return f"{self.length(metres)} m"
        return f"{self.length(metres)} ft ({number(metres)} m)"

    def taped_95(self, value_m: float, sigma_m: float) -> str:
        """Return a depth or taped length with half its 95 % interval, the unit in the head."""
        return self.measure.bare_95(value_m, INTERVAL_95 * sigma_m)

    def taped_both(self, metres: float) -> str:
        """Return a depth or taped length in words, metres in brackets beside feet."""
        return self._both(metres, Measure.length)

    def off_both(self, metres: float) -> str:
        """Return how far off something may be in words, metres in brackets beside feet."""
        return self._both(metres, Measure.off)

    def least_both(self, metres: float) -> str:
        """Return what a depth is at least in words, metres in brackets beside feet."""
        return self._both(metres, Measure.least)

    def _both(self, metres: float, said: Callable[[Measure, float], str]) -> str:
        beside = f" ({said(Measure('m'), metres)})" if self.in_feet and not np.isnan(metres) else ""
        return said(self.measure, metres) + beside

    @property
    def control_sigma_m(self) -> float:
        """σ on each axis of control without σ: none on a sketch, whose axes it defines."""
        return 0.0 if self.lineage.horizontal_crs == "local" else self.lineage.gnss_sigma_m

    # ---- directions in words -----------------------------------------------------

    def end_of(self, line: str, *, upper: bool) -> str:
        """Return what an end of a line is called, `upper` where chainage ends.

        Where nobody knows the flow, chainage counts from the entry the camera went in by.
        """
        return f"{END_NAMES[line not in self.flow_unknown][upper]} end"

    # ---- rows -----------------------------------------------------------------------------

    def rows(self, kind: type[R], line: str | None = None) -> tuple[R, ...]:
        """Return the rows of the layer that `kind` stands for, those of one line if asked."""
        if kind not in self._rows:
            self._rows[kind] = rows_of(kind, self.layers[kind.layer])
        rows = cast(tuple[R, ...], self._rows[kind])
        return rows if line is None else tuple(r for r in rows if r.values["line_id"] == line)

    @cached_property
    def _rows(self) -> dict[type[LayerRow], tuple[LayerRow, ...]]:
        """Rows that were asked for, by their kind."""
        return {}

    @cached_property
    def centrelines(self) -> tuple[CentrelineRow, ...]:
        """The lines, longest first."""
        return tuple(sorted(self.rows(CentrelineRow), key=lambda row: -row.length_m))

    @property
    def lines(self) -> list[str]:
        """Ids of the lines, longest first."""
        return [row.line_id for row in self.centrelines]

    @cached_property
    def nodes(self) -> tuple[NodeRow, ...]:
        """The nodes, but for the located points between segments."""
        return tuple(node for node in self.rows(NodeRow) if node.kind != "point")

    @cached_property
    def line_nodes(self) -> tuple[NodeRow, ...]:
        """The nodes as each line has them, from downstream: where lines meet, once for each."""
        by_id = {node.node_id: node for node in self.nodes}
        met = [
            NodeRow({**node.values, "ref": node.line_id, **at.values})
            for at in self.rows(NodeLineRow)
            if (node := by_id.get(at.node_id)) is not None and node.line_id != at.line_id
        ]
        order = {line.line_id: i for i, line in enumerate(self.rows(CentrelineRow))}
        return tuple(
            sorted([*self.nodes, *met], key=lambda n: (order.get(n.line_id, -1), n.chainage_m))
        )

    @cached_property
    def fixes(self) -> tuple[FixRow, ...]:
        """The stops, in the order of the layer, those without a position too."""
        return self.rows(FixRow)

    @cached_property
    def observations(self) -> tuple[ObservationRow, ...]:
        """What the camera saw."""
        return self.rows(ObservationRow)

    @cached_property
    def photos(self) -> tuple[PictureRow, ...]:
        """The pictures, in the order of the layer; nothing private unless asked."""
        return self.rows(PictureRow)

    @cached_property
    def control(self) -> tuple[ControlRow, ...]:
        """The control points."""
        return self.rows(ControlRow)

    @property
    def carried_on(self) -> list[shapely.LineString]:
        """The way from the end of a located line to each node the counter carries beyond it."""
        paths = {row.line_id: row.geometry for row in self.centrelines}
        ways = []
        for node in self.nodes:
            path = paths.get(node.line_id)
            if node.carried_on and node.geometry is not None and path is not None:
                ends = shapely.get_coordinates(path)
                end = ends[0 if node.chainage_m < 0.0 else -1]
                ways.append(shapely.LineString([end, node.geometry]))
        return ways

    def register(self, line: str) -> list[tuple[str, str]]:
        """Return what the owner's register says of a line, as title and value; nothing private."""
        return self._register.get(line, [])

    @cached_property
    def _register(self) -> dict[str, list[tuple[str, str]]]:
        """Line → what the register says of it."""
        rows = self.layers["pipe_centreline"].drop(columns=GEOMETRY).to_dict("records")
        return {str(row["line_id"]): list(register_words(row)) for row in rows}

    def of_line(self, layer: str, line: str) -> AnyFrame:
        """Return the rows of a layer that belong to one line."""
        frame = self.layers[layer]
        return frame[frame["line_id"] == line]

    def located(self, layer: str) -> gpd.GeoDataFrame:
        """Return a layer's rows that have geometry."""
        if layer not in self._located:
            frame = self.layers[layer]
            self._located[layer] = frame[frame.geometry.notna() & ~frame.geometry.is_empty]
        return self._located[layer]

    @cached_property
    def _located(self) -> dict[str, gpd.GeoDataFrame]:
        """Layer → its rows that have geometry, of the layers asked for until now."""
        return {}

    def least_cover_95_m(self, line: str, reach: tuple[float, float] | None = None) -> float:
        """Return the least lower 95 % bound of the cover along a line, or between two chainages.

        NaN where nothing bounds it.
        """
        band = self.of_line("level_band", line)
        if reach is not None:
            band = band[band["chainage_m"].between(*reach)]
        return least_cover_95_m(band["cover_lower_95_m"].to_numpy(dtype=float))

    # ---- extent ---------------------------------------------------------------------------

    @cached_property
    def box(self) -> Bounds:
        """Bounds of zones, marks and nodes: all that is drawn but control."""
        frames = (self.layers[n] for n in ("tolerance_zone", "field_marks", "pipe_nodes"))
        return bounds_of([f.total_bounds for f in frames if len(f)]) or _EMPTY_SITE

    def control_within(self, sides: float, *, tied: bool = False) -> gpd.GeoDataFrame:
        """Return the control points no farther off than so many of the site's greater sides.

        With `tied` only those a tie starts from, and those amid the site.
        """
        control = self.layers["control_points"]
        x0, y0, x1, y1 = self.box
        site = shapely.box(x0, y0, x1, y1)
        near = control.geometry.intersects(site.buffer(sides * max(x1 - x0, y1 - y0)))
        if tied:
            near &= control["in_a_tie"].astype(bool) | control.geometry.intersects(site)
        return control[near]

    def box_with(self, control: gpd.GeoDataFrame) -> Bounds:
        """Return the bounds that hold the site and some control points."""
        return bounds_of([self.box, *control.geometry.bounds.to_numpy(dtype=float)]) or self.box


def bounds_of(boxes: Iterable[Iterable[float]]) -> Bounds | None:
    """Return the bounds of all boxes; None when none is finite."""
    known = np.array([list(b) for b in boxes], dtype=float).reshape(-1, 4)
    known = known[np.isfinite(known).all(axis=1)]
    if not len(known):
        return None
    (west, south), (east, north) = known[:, :2].min(axis=0), known[:, 2:].max(axis=0)
    return (float(west), float(south), float(east), float(north))


def read_record(gpkg: Path, site_id: str = "") -> RecordView:
    """Return one site, "" for the only one; UnknownSiteError when the file does not hold it."""
    return next(read_records(gpkg, [site_id]))


def read_records(gpkg: Path, site_ids: Sequence[str]) -> Iterator[RecordView]:
    """Yield sites of a record in the order given, all read at once: a few, not a city.

    "" is the only one there is. Raises UnknownSiteError for one the file does not hold, before any
    is read.
    """
    there = sites_of(gpkg)
    site_ids = [there[0] if s == "" and len(there) == 1 else s for s in site_ids]
    if unknown := set(site_ids) - set(there):
        raise UnknownSiteError(f"{gpkg} holds no site {', '.join(map(repr, sorted(unknown)))}")
    schema_version_of(gpkg)  # raises for one of later than is known here
    layers = read_layers(gpkg, contract.LAYERS, site_ids)
    crs = crs_of(layers["field_marks"])
    if len(site_ids) == 1:
        yield view_of(gpkg, site_ids[0], layers, crs)
        return
    rows = {name: frame.groupby("site_id").indices for name, frame in layers.items()}
    for site_id in site_ids:
        own = {
            name: frame.take(rows[name].get(site_id, [])).reset_index(drop=True)
            for name, frame in layers.items()
        }
        yield view_of(gpkg, site_id, own, crs)


def views_of(sites: Iterable[tuple[Path, str]]) -> Iterator[RecordView]:
    """Yield sites of one record or more, each (GeoPackage, site id), in the order given."""
    for gpkg, of_record in groupby(sites, lambda site: site[0]):
        yield from read_records(gpkg, [site_id for _, site_id in of_record])


def view_of(
    source: Path, site_id: str, layers: Mapping[str, AnyFrame], crs: pyproj.CRS | None
) -> RecordView:
    """Return one site from its layers as they stand in a file or database.

    `lineage` and `field_marks` are among them. `crs` is the horizontal one of their geometry.
    """
    lineage = lineage_of(layers["lineage"])
    ground = ground_plane(crs, _corner_of(layers.values()), lineage)
    placed = {name: _on_ground(frame, ground) for name, frame in layers.items()}
    levels = _levels_m(layers["field_marks"], lineage)
    return RecordView(source, site_id, placed, lineage, ground, crs, levels)


def _levels_m(marks: AnyFrame, lineage: RecordLineage) -> Floats:
    """Return the level of each mark (n,) of a layer as it stands in its file."""
    known = marks["level_known"].astype("boolean").fillna(False).to_numpy(dtype=bool)
    z = shapely.get_z(np.asarray(marks.geometry.array)) * z_unit_m(lineage, marks.crs)
    return np.where(known, z, np.nan)


def _corner_of(frames: Iterable[AnyFrame]) -> Floats:
    """Return the lower left corner (2) of all geometry, in the file's own coordinates."""
    all_of_it = bounds_of(f.total_bounds for f in frames if isinstance(f, gpd.GeoDataFrame))
    return np.zeros(2) if all_of_it is None else np.array(all_of_it[:2])


def _on_ground(frame: AnyFrame, ground: GroundPlane) -> AnyFrame:
    """Return a layer in ground metres, its directions and covariances from the file's north."""
    if not isinstance(frame, gpd.GeoDataFrame):
        return frame
    shapes = ground.shapes_to_ground(np.asarray(frame.geometry.array))
    made = frame.set_geometry(gpd.GeoSeries(shapes, frame.index))
    if ground.turn_deg:
        for column in {"ellipse_azimuth_deg", "heading_deg"}.intersection(made):
            made[column] = (made[column].astype(float) + ground.turn_deg) % 360.0
        if "east_north_covariance_m2" in made:
            _turn_covariance(made, ground.turn_deg)
    return made


def _turn_covariance(frame: gpd.GeoDataFrame, turn_deg: float) -> None:
    """Turn σ east, σ north and their covariance clockwise by `turn_deg`."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    own = frame[["east_sigma_m", "north_sigma_m", "east_north_covariance_m2"]].to_numpy(float).T
    ee, nn, en = own[0] ** 2, own[1] ** 2, own[2]
    frame["east_sigma_m"] = np.sqrt(np.maximum(c * c * ee + 2 * c * s * en + s * s * nn, 0.0))
    frame["north_sigma_m"] = np.sqrt(np.maximum(s * s * ee - 2 * c * s * en + c * c * nn, 0.0))
    frame["east_north_covariance_m2"] = c * s * (nn - ee) + (c * c - s * s) * en


def number(value: float, pattern: str = "{:.2f}", unknown: str = DASH) -> str:
    """Return a number in words; a dash for NaN.

    >>> number(1.234), number(float("nan"))
    ('1.23', '–')
    """
    return unknown if np.isnan(value) else pattern.format(value)
