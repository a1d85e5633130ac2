"""Planned works read from a plan: every fault of every feature at once, lengths with their units.

Attributes are `kind` (trench, bore, post, pile), `name`, and lengths whose names end in their unit:
`depth_m`, `level_ft`, `diameter_in`, `radius_m`, `width_m`, `required_m`, `tolerance_m`. Depths
count down from the ground to the bottom, or to a bore's axis; levels are of the same places. A
trench is an outline, or a line with a width: half of it to each side, ends cut square.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import isfinite, nan
from pathlib import Path
from typing import Final, Literal, get_args

import numpy as np
import shapely
from pyproj import CRS

from lateralline.ingest.ledger import Ledger, nearest
from lateralline.ingest.map_layers import MapFeature
from lateralline.records import Floats
from lateralline.units import METRES_PER, parse_length

Kind = Literal["trench", "bore", "post", "pile"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
LENGTHS: Final = ("depth", "level", "diameter", "radius", "width", "required", "tolerance")
UNITS: Final = {unit.replace("-", "_"): metres for unit, metres in METRES_PER.items()}
#: What a geometry is when nothing says so.
_BY_SHAPE: Final[dict[str, Kind]] = {"Polygon": "trench", "LineString": "bore", "Point": "post"}
_SHAPES_OF: Final = {
    "trench": ("Polygon", "LineString"), "bore": ("LineString",), "post": ("Point",),
    "pile": ("Point",),
}  # fmt: skip
#: Plan shapes are drawn to this: vertices that matter less go, arcs of a drawing are cut to it.
SHAPE_WITHIN_M: Final = 0.002
#: Nothing dug beside a drain is larger; what seems to be is in another unit or CRS.
LARGEST_M: Final = 50_000.0
#: Longest edge kept whole: a parallel at 60° leaves its geodesic by 1.4 mm in it.
PIECE_M: Final = 200.0


@dataclass(frozen=True, slots=True)
class PlannedWork:
    """One planned thing, in the plan's own coordinates or in metres."""

    id: str  # file, layer and feature
    name: str
    kind: Kind
    shape: shapely.Geometry  # Polygon, LineString or Point, in plan
    z_m: Floats  # of a bore's axis at each vertex, or one for all; empty = no level given
    depth_m: float  # below ground, of bottom or axis; NaN not given
    radius_m: float  # NaN for a trench
    required_m: float
    tolerance_95_m: float
    width_m: float = nan  # of a trench that is a line

    @property
    def as_dug(self) -> PlannedWork:
        """The work with its outline, where it is a trench given by its middle, in metres."""
        if self.kind != "trench" or self.shape.geom_type != "LineString":
            return self
        outline = self.shape.buffer(self.width_m / 2.0, cap_style="flat", join_style="mitre")
        return replace(self, shape=shapely.orient_polygons(outline))

    @property
    def has_level(self) -> bool:
        """Whether a level is given."""
        return len(self.z_m) > 0

    @property
    def about_m(self) -> float:
        """How far its body reaches from `shape` all round: a radius, nothing for a trench."""
        return 0.0 if self.kind == "trench" else self.radius_m

    @property
    def footprint(self) -> shapely.Geometry:
        """The outline in plan, in metres."""
        if self.kind == "trench":
            return self.shape
        return shapely.buffer(self.shape, self.radius_m, cap_style="round")


@dataclass(frozen=True, slots=True)
class Options:
    """What is given of a plan beside what stands in it."""

    required_m: float = nan
    tolerance_95_m: float = 0.0
    columns: Mapping[str, str] = field(default_factory=dict)  # our name → the plan's
    z_unit_m: float = 1.0  # metres in the unit of z
    plan_unit_m: float = 1.0  # metres in the unit of plan coordinates


@dataclass(frozen=True, slots=True, eq=False)
class PlannedWorks:
    """A plan in its own coordinates."""

    path: Path
    crs: CRS | None  # None = axes of its own
    works: tuple[PlannedWork, ...]
    notes: tuple[str, ...] = ()


def works_of(
    features: list[MapFeature], options: Options, ledger: Ledger
) -> tuple[PlannedWork, ...]:
    """Return the works that features describe; faults go to the ledger."""
    made = (_work(feature, options, ledger) for feature in features)
    return tuple(work for work in made if work is not None)


def _work(feature: MapFeature, options: Options, ledger: Ledger) -> PlannedWork | None:
    before = len(ledger.faults)
    cells = FeatureCells(feature, options.columns, ledger)
    kind = _kind(cells, feature, ledger)
    shape = _shape(kind, feature, options.plan_unit_m, ledger)
    width = _width(kind, shape, cells)
    depth = cells.length("depth", least=0.0, hint="depths count down from the ground")
    level = cells.length("level")
    radius = _radius(kind, cells)
    required = cells.length("required", least=0.0)
    tolerance = cells.length("tolerance", least=0.0)
    if not isfinite(required):
        required = options.required_m
    if not isfinite(required) and len(ledger.faults) == before:
        hint = "or give --required for all, as --required 0.3m"
        cells.fault("required_m", "", "must say the clearance that is required", hint)
    z = np.array([level])
    if shape is not None and kind is not None and not isfinite(level):
        z = _levels(kind, shape, feature, options.z_unit_m, ledger)
    if len(ledger.faults) > before or shape is None or kind is None:
        return None
    return PlannedWork(
        id=f"{feature.file}:{feature.row}{feature.part}",
        name=cells.text("name"),
        kind=kind,
        shape=shapely.force_2d(shape),
        z_m=z,
        depth_m=depth,
        radius_m=radius,
        required_m=required,
        tolerance_95_m=tolerance if isfinite(tolerance) else options.tolerance_95_m,
        width_m=width,
    )


def _width(kind: Kind | None, shape: shapely.Geometry | None, cells: FeatureCells) -> float:
    """Return the width of a trench that is a line; NaN of all others."""
    width = cells.length("width", above=0.0)
    if kind != "trench" or shape is None or shape.geom_type != "LineString":
        return nan
    if not isfinite(width) and not cells.faulty:
        hint = "a number, its unit in the name; or draw the trench as an outline"
        cells.fault("width_m", "", "must be there for a trench drawn as a line", hint)
    return width


def _levels(
    kind: Kind, shape: shapely.Geometry, feature: MapFeature, z_unit_m: float, ledger: Ledger
) -> Floats:
    """Return levels from z of a bore, in its pieces `shape`; z that is 0 throughout is none.

    A fault where levels are there at some vertices of the feature only: 0 is no level then.
    """
    if kind != "bore" or not shape.has_z:
        return np.empty(0)
    own, z = (
        z_unit_m * shapely.get_coordinates(s, include_z=True)[:, 2] for s in (feature.shape, shape)
    )
    given = np.isfinite(own) & (own != 0.0)
    if given.any() and (
        ~np.isfinite(own).all() or (~given & (np.abs(own[given]).min() > 5.0)).any()
    ):
        value = "Z " + " ".join(f"{v:g}" for v in own[:6])
        must = "of a bore must have a level at every vertex, or at none"
        hint = "or give depth_m or level_m"
        ledger.fault(feature.file, feature.row, "geometry", value, must, hint)
    return z if np.isfinite(z).all() and z.any() else np.empty(0)


def _kind(cells: FeatureCells, feature: MapFeature, ledger: Ledger) -> Kind | None:
    given = cells.text("kind").strip().casefold()
    for kind in KINDS:
        if given == kind:
            return kind
    shape = feature.shape
    if not given and shape is not None and shape.geom_type == "LineString" and cells.has("width"):
        return "trench"
    if not given and shape is not None and shape.geom_type in _BY_SHAPE:
        return _BY_SHAPE[shape.geom_type]
    if given or shape is not None:
        must = f"must be one of {', '.join(KINDS)}"
        cells.fault("kind", given, must, nearest(given, KINDS) if given else "")
    return None


def _shape(
    kind: Kind | None, feature: MapFeature, unit_m: float, ledger: Ledger
) -> shapely.Geometry | None:
    """Return the shape in pieces no longer than `PIECE_M`; None with a fault for what is no such.

    A straight line on the map is none on the ground; in pieces it is off by less than 2 mm.
    """
    shape = feature.shape
    if fault := _shape_fault(kind, shape, unit_m):
        ledger.fault(feature.file, feature.row, "geometry", *fault)
        return None
    assert shape is not None  # a fault otherwise
    return shape.segmentize(PIECE_M / unit_m)


def _shape_fault(
    kind: Kind | None, shape: shapely.Geometry | None, unit_m: float
) -> tuple[str, str] | None:
    """Return what is wrong with a shape: its value, and what it must be."""
    if shape is None or shape.is_empty:
        return "", (
            "must be there: a polygon of three corners or more, a line of two points, or a point"
        )
    if not np.isfinite(shapely.get_coordinates(shape)).all():
        return shape.wkt[:40], "must have finite coordinates"
    if kind is not None and shape.geom_type not in _SHAPES_OF[kind]:
        return shape.geom_type, f"of a {kind} must be a {' or a '.join(_SHAPES_OF[kind])}"
    west, south, east, north = shape.bounds
    if (size := max(east - west, north - south) * unit_m) > LARGEST_M:
        return f"{size / 1000:.0f} km", f"must be no larger than {LARGEST_M / 1000:.0f} km"
    if not shape.is_valid:
        return shape.geom_type, f"must be valid: {shapely.is_valid_reason(shape)}"[:120]
    if shape.geom_type == "LineString" and shape.length == 0.0:
        return "LineString", f"of a {kind} must have a length"
    if shape.geom_type == "Polygon" and shape.area == 0.0:
        return "Polygon", "of a trench must have an area"
    return None


def _radius(kind: Kind | None, cells: FeatureCells) -> float:
    radius, diameter = (cells.length(name, above=0.0) for name in ("radius", "diameter"))
    if isfinite(radius) and isfinite(diameter) and abs(2 * radius - diameter) > 1e-6:
        cells.fault(
            "radius_m", f"{radius:g}", f"must be half the diameter, {diameter / 2:g} m", "give one"
        )
    if isfinite(radius) or kind in (None, "trench"):
        return radius if kind != "trench" else nan
    if not isfinite(diameter) and not cells.faulty:
        name = "diameter_m" if kind == "bore" else "radius_m"
        cells.fault(name, "", f"must be there for a {kind}", "a number, its unit in the name")
    return diameter / 2


class FeatureCells:
    """One feature's attributes under our names."""

    def __init__(self, feature: MapFeature, columns: Mapping[str, str], ledger: Ledger) -> None:
        """Take the features' attributes; `columns` are our names → the file's."""
        self._feature, self._columns, self._ledger = feature, columns, ledger
        self._lower = {str(k).strip().casefold(): k for k in feature.cells}
        self.faulty = False

    def fault(self, column: str, value: str, must: str, hint: str = "") -> None:
        """Note a fault of this feature."""
        self.faulty = True
        self._ledger.fault(self._feature.file, self._feature.row, column, value, must, hint)

    def has(self, name: str) -> bool:
        """Whether a length is given, in whatever unit."""
        return any(self._value(f"{name}_{unit}") is not None for unit in UNITS)

    def text(self, name: str) -> str:
        """Return a text, "" when not given."""
        value = self._value(name)
        return "" if value is None else str(value)

    def length(
        self, name: str, *, least: float = -np.inf, above: float = -np.inf, hint: str = ""
    ) -> float:
        """Return a length in metres; NaN when not given."""
        there = [(u, v) for u in UNITS if (v := self._value(f"{name}_{u}")) is not None]
        if not there and (bare := self._value(name)) is not None:
            must = "must have its unit in its name"
            self.fault(name, str(bare), must, f"as {name}_m; or --column {name}_m={name}")
            return nan
        if len(there) > 1:
            names = " and ".join(f"{name}_{u}" for u, _ in there)
            self.fault(name, "", f"must be given once; {names} are there")
            return nan
        for unit, value in there:
            number, how = length_in(value, unit)
            if not isfinite(number) or number < least or number <= above:
                bound = f" ≥ {least:g}" if least > -np.inf else ""
                bound = f" > {above:g}" if above > -np.inf else bound
                self.fault(f"{name}_{unit}", str(value), f"must be a number{bound}", how or hint)
                return nan
            return number * UNITS[unit]
        return nan

    def _value(self, name: str) -> object:
        own = self._columns.get(name, name).strip().casefold()
        value = self._feature.cells.get(self._lower.get(own, ""))
        if value is None or (isinstance(value, float) and not isfinite(value)):
            return None
        return value if str(value).strip() else None


def length_in(value: object, unit: str) -> tuple[float, str]:
    """Return a length in its unit, as a number or as people write it; NaN and what to write."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value), ""
    try:
        return float(parse_length(str(value), unit.replace("_", "-"))), ""
    except ValueError as e:
        comma = "write a point where decimals start" if "," in str(value) else ""
        return nan, str(e) or comma
