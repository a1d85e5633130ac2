"""Lines of a register from any vector file GDAL opens, with what the file says of each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import isnan, nan
from pathlib import Path
from typing import Final, Literal

import numpy as np
import shapely
from pyproj import CRS

from lateralline import handover
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.derive.tables import objects
from lateralline.errors import FrameError
from lateralline.frames.operations import PLAN_95
from lateralline.ingest.intake import may_be_read
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import LINE_KM, MAP_BYTES
from lateralline.ingest.map_layers import MapFeature
from lateralline.overlay.plan_files import read_features
from lateralline.overlay.planned import UNITS, FeatureCells
from lateralline.overlay.to_record_crs import refuse_other_axes, way_in_words, way_to_record
from lateralline.record.ground import RegionPlane
from lateralline.record.layers import Shapes
from lateralline.records import Floats, Ints, Texts
from lateralline.wording import metres, rounded_up

#: σ on each axis of a register's lines where nothing states one: common practice, no source.
REGISTER_SIGMA_M: Final = 0.5
#: What may be said of a line: names, and lengths whose names end in their unit.
NAMES: Final = ("id", "upstream_access", "downstream_access")
LENGTHS: Final = ("sigma", "diameter", "upstream_invert", "downstream_invert")


@dataclass(frozen=True, slots=True)
class RegisterUse:
    """What is given of a register beside what stands in it."""

    columns: Mapping[str, str] = field(default_factory=dict)  # our name → the register's
    crs: str = ""  # of a file that names none
    layer: str = ""  # "" = every layer of lines
    sigma_m: float = nan  # on each axis, of lines without a σ of their own; NaN = the default
    profile: str = ""  # name or file of a mapping profile, in place of columns, CRS and layer


@dataclass(frozen=True, slots=True, eq=False)
class RegisterLines:
    """Lines of a register (m), each part of a multi-line by itself."""

    path: Path
    what: str  # "register" or "mains", as options call the file
    crs: CRS | None  # None = axes of their own, in metres
    where: Texts  # file, layer and feature, as messages name it
    names: Mapping[str, Texts]  # by `NAMES`; an id is never ""
    lengths_m: Mapping[str, Floats]  # by `LENGTHS`; NaN not given, but for sigma
    shapes: Shapes  # LineString in plan, in the file's coordinates; None without geometry
    sigma_taken: int  # of how many lines σ is the one given for all
    sigma_given_m: float  # NaN = the default
    notes: tuple[str, ...] = ()

    @property
    def ids(self) -> Texts:
        """What the register calls each line."""
        return self.names["id"]

    @property
    def said_of_sigma(self) -> list[str]:
        """What is taken for granted of positions, in words; nothing where the file states all."""
        if not self.sigma_taken:
            return []
        given = REGISTER_SIGMA_M if isnan(self.sigma_given_m) else self.sigma_given_m
        why = "common practice, no source" if isnan(self.sigma_given_m) else "as given"
        return [
            f"{self.sigma_taken} of {len(self.ids)} lines of {self.path.name} state no σ: taken as "
            f"± {metres(rounded_up(INTERVAL_95 * given, 2))} on each axis (95 %), {why}."
        ]

    def to_ground(self, plane: RegionPlane, given_sigma_m: float) -> OnGround:
        """Return the lines in metres of a record's plane.

        Raises FrameError as `way_to_record` does, and when one of both has invented axes.
        """
        refuse_other_axes(self.crs, plane, self.what)
        own = self.lengths_m["sigma"]
        if self.crs is None:
            return OnGround(self.shapes, own, f"{self.what} and record are one sketch")
        operation, sigma_m = way_to_record(self.crs, plane, given_sigma_m)
        said = way_in_words(operation, sigma_m, plane.crs, self.what)
        moved = plane.shapes_from(self.crs, self.shapes)
        moved[~np.isfinite(shapely.bounds(moved)).all(axis=1)] = None  # far out of the record's CRS
        self._refuse_too_long(moved)
        return OnGround(moved, np.hypot(own, sigma_m), said)

    def _refuse_too_long(self, ground_m: Shapes) -> None:
        """Raise SiteFaultsError for lines longer than any pipe: a vertex of such lies far off."""
        ledger, length_km = Ledger(), shapely.length(ground_m) / 1e3
        for n in np.flatnonzero(length_km > LINE_KM).tolist():
            ledger.fault(
                str(self.where[n]), 0, "geometry", f"{length_km[n]:.0f} km",
                f"must be a line of at most {LINE_KM:g} km", "look for a vertex that lies far off",
            )  # fmt: skip
        ledger.raise_faults(self.path.name)


@dataclass(frozen=True, slots=True, eq=False)
class OnGround:
    """Lines of a register (m) in metres of a plane."""

    shapes_m: Shapes  # None without geometry, or out of all measure with the record's CRS
    sigma_m: Floats  # on each axis, with the way there
    said: str  # how they came there, and what that leaves open

    def near(self, others: Shapes, within_m: float) -> Ints:
        """Return the rows of lines in the box of others, or no farther out of it than this."""
        west, south, east, north = shapely.total_bounds(others)
        box = shapely.box(west - within_m, south - within_m, east + within_m, north + within_m)
        return np.flatnonzero(shapely.intersects(self.shapes_m, box))

    @property
    def note(self) -> str:
        """The same as a sentence."""
        return f"Coordinate system: {self.said}."


def column_names() -> tuple[str, ...]:
    """Return every name an attribute of a line may have."""
    return (*NAMES, *(f"{length}_{unit}" for length in LENGTHS for unit in UNITS))


def read_register(
    path: Path, use: RegisterUse, what: Literal["register", "mains"] = "register"
) -> RegisterLines:
    """Return the lines of a register; SiteFaultsError with every fault of every feature."""
    ledger = Ledger()
    may_be_read(path, ledger, MAP_BYTES, smaller="copy the lines near the record into a file")
    ledger.raise_faults(path.name)
    features, crs, notes = read_features(
        path, use.columns, use.crs, ledger, what=what, only=use.layer
    )
    cells = [FeatureCells(feature, use.columns, ledger) for feature in features]
    shapes = [_line(feature, ledger) for feature in features]
    where = [f"{f.file}:{f.row}{f.part}" for f in features]
    names = {name: np.array([_name(c.text(name)) for c in cells], dtype=np.str_) for name in NAMES}
    names["id"] = np.where(names["id"] == "", where, names["id"])
    least = {"sigma": 0.0, "diameter": 0.0}
    lengths = {
        name: np.array([c.length(name, least=least.get(name, -np.inf)) for c in cells])
        for name in LENGTHS
    }
    if not features and not ledger.faults:
        ledger.fault(path.name, 0, "features", "", "must hold a line")
    ledger.raise_faults(path.name)
    read = ", ".join(dict.fromkeys(f.file for f in features))
    which = f"layer {use.layer} of {path.name}" if use.layer else f"{read}, as no layer was named"
    notes.append(f"Lines read from {which}.")
    return _with_sigma(
        RegisterLines(
            path, what, crs, np.array(where, dtype=np.str_), names, lengths, objects(shapes), 0,
            use.sigma_m, tuple(notes),
        )
    )  # fmt: skip


def read_by_profile(
    path: Path, use: RegisterUse, to_crs: CRS | None, what: Literal["register", "mains"]
) -> RegisterLines:
    """Return the lines of a register in a record's CRS, read by a mapping profile.

    Raises SiteFaultsError with every fault of profile and file, FrameError when nothing leads to
    the record's CRS. Of mains only lines that the profile does not take for laterals are read.
    """
    frame = handover.read_register(path, use.profile, to_crs)
    notes = tuple(frame.attrs.get("notes", ()))
    frame = frame[frame["kind"] != "lateral"] if what == "mains" else frame
    number = {name: frame[name].to_numpy(dtype=np.float64) for name in _OF_PROFILE.values()}
    shift = frame["shift_95_m"].to_numpy(dtype=np.float64)
    if np.isnan(shift).any():
        raise FrameError(
            f"nobody published how good the way from {path.name} to the record's coordinate "
            "system is: bring the register there yourself"
        )
    upstream = shapely.force_2d(np.array(frame.geometry.array))
    with_flow = np.where(frame["drawn_upstream"], shapely.reverse(upstream), upstream)
    where = [
        f"{path.name} {layer}:{row}" + (f" part {part}" if part > 1 else "")
        for layer, row, part in zip(frame["layer"], frame["row"], frame["part"], strict=True)
    ]
    return _with_sigma(
        RegisterLines(
            path, what, to_crs, np.array(where, dtype=np.str_),
            {name: _names(frame[column]) for name, column in _NAMES_OF_PROFILE.items()},
            {name: number[column] for name, column in _OF_PROFILE.items()}
            | {"sigma": number["position_95_m"] / PLAN_95},
            objects(list(with_flow)), 0, use.sigma_m, notes,
        ),
        shift / PLAN_95,
    )  # fmt: skip


_NAMES_OF_PROFILE: Final = {
    "id": "register_id",
    "upstream_access": "to_node_id",
    "downstream_access": "from_node_id",
}
_OF_PROFILE: Final = {
    "sigma": "position_95_m",
    "diameter": "inside_diameter_m",
    "upstream_invert": "invert_up_level_m",
    "downstream_invert": "invert_down_level_m",
}


def _names(column: Iterable[object]) -> Texts:
    return np.array(["" if name is None else str(name) for name in column], dtype=np.str_)


def _with_sigma(lines: RegisterLines, way_m: Floats | float = 0.0) -> RegisterLines:
    """Return lines of which those that state no σ have the one given, or the default.

    `way_m` (m,) is σ of the way to the record, which is in none of these.
    """
    stated = lines.lengths_m["sigma"]
    unstated = np.isnan(stated)
    taken = REGISTER_SIGMA_M if isnan(lines.sigma_given_m) else lines.sigma_given_m
    lengths = {**lines.lengths_m, "sigma": np.hypot(np.where(unstated, taken, stated), way_m)}
    return replace(lines, lengths_m=lengths, sigma_taken=int(unstated.sum()))


def _line(feature: MapFeature, ledger: Ledger) -> shapely.LineString | None:
    """Return a feature's line in plan; None without one, with a fault where it has another."""
    shape = feature.shape
    if shape is None or shape.is_empty:
        return None
    if shape.geom_type != "LineString":
        hint = "name the layer of lines by --layer"
        ledger.fault(feature.file, feature.row, "geometry", shape.geom_type, "must be a line", hint)
        return None
    if not np.isfinite(shapely.get_coordinates(shape)).all():
        ledger.fault(
            feature.file, feature.row, "geometry", shape.wkt[:40], "must have finite coordinates"
        )
        return None
    return shapely.force_2d(shape) if shape.length > 0.0 else None


def _name(text: str) -> str:
    """Return an id as people write it: GDAL makes numbers of whole ones where some are missing.

    >>> _name("1207.0"), _name("SM-12 "), _name("4.5")
    ('1207', 'SM-12', '4.5')
    """
    head, dot, zeros = text.strip().partition(".")
    return head if dot and head.isdigit() and set(zeros) == {"0"} else text.strip()
