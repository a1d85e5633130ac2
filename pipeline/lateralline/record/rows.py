"""Rows of the layers of a built record as frozen classes: what drawings and tables read of them.

Names, units and meaning are those of the layers (`lateralline schema`). A number that is not known
is NaN, a text "", a place None; so is all that an older file has no column for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from math import nan
from typing import TYPE_CHECKING, ClassVar, TypeVar

import pandas as pd

if TYPE_CHECKING:
    from shapely import LineString, Point, Polygon


@dataclass(frozen=True, slots=True)
class LayerRow:
    """A row of a layer."""

    layer: ClassVar[str]


@dataclass(frozen=True, slots=True)
class PointRow(LayerRow):
    """A row that stands at a point, or nowhere."""

    geometry: Point | None


@dataclass(frozen=True, slots=True)
class AlongRow(PointRow):
    """A row that stands somewhere along a line; its chainage may not be known."""

    chainage_m: float


R = TypeVar("R", bound=LayerRow)


@dataclass(frozen=True, slots=True)
class CentrelineRow(LayerRow):
    """A line of pipe."""

    layer: ClassVar[str] = "pipe_centreline"

    line_id: str
    joins_line_id: str
    length_m: float
    stops: float
    material: str
    nominal: str
    service: str
    inside_diameter_m: float
    wall_m: float
    outside_diameter_m: float
    level_datum: str
    mean_grade: float
    grade_sigma: float
    cover_min_m: float
    depth_max_m: float
    semi_major_95_max_m: float
    sigma_u_max_m: float
    pas128_band: str
    as5488_band: str
    undecided_stretches: float
    geometry: LineString | None

    @property
    def bore_m(self) -> float:
        """Height of the inside top above the invert."""
        return self.inside_diameter_m

    @property
    def top_m(self) -> float:
        """Height of the outside top above the invert; NaN when not known."""
        return self.inside_diameter_m + self.wall_m


@dataclass(frozen=True, slots=True)
class SegmentRow(LayerRow):
    """Pipe between two neighbouring located points."""

    layer: ClassVar[str] = "pipe_segments"

    line_id: str
    segment_id: str
    from_ref: str
    to_ref: str
    from_chainage_m: float
    to_chainage_m: float
    shape: str
    length_m: float
    grade: float
    grade_sigma: float
    invert_down_m: float
    invert_down_sigma_m: float
    invert_up_m: float
    invert_up_sigma_m: float
    cover_min_m: float
    semi_major_95_max_m: float
    geometry: LineString | None

    @property
    def undecided(self) -> bool:
        """Whether the data do not settle its shape."""
        return self.shape == "undecided"


@dataclass(frozen=True, slots=True)
class NodeRow(AlongRow):
    """A named point on a line."""

    layer: ClassVar[str] = "pipe_nodes"

    node_id: str
    line_id: str
    kind: str
    ref: str
    placed_by: str
    invert_level_m: float
    invert_sigma_m: float
    level_datum: str
    ground_level_m: float
    cover_m: float
    cover_sigma_m: float
    bend_deg: float
    bend_sigma_deg: float
    nearest_fitting: str
    sigma_e_m: float
    sigma_n_m: float
    cov_en_m2: float
    sigma_u_m: float
    semi_major_95_m: float
    semi_minor_95_m: float
    plan_95_m: float
    ellipse_azimuth_deg: float
    tie_a_point: str
    tie_a_m: float
    tie_b_point: str
    tie_b_m: float
    tie_side: str
    tie_sigma_m: float

    @property
    def carried_on(self) -> bool:
        """Whether it lies beyond a located line, where the counter alone carries it."""
        return self.placed_by == "carried_on"


@dataclass(frozen=True, slots=True)
class FixRow(AlongRow):
    """A stop of the transmitter."""

    layer: ClassVar[str] = "transmitter_fixes"

    line_id: str
    run_id: str
    stop_id: str
    counter_m: float
    level_m: float
    ground_level_m: float
    depth_m: float
    depth_sigma_m: float
    heading_deg: float
    heading_sigma_deg: float
    tilt_deg: float
    tilt_sigma_deg: float
    sigma_u_m: float
    semi_major_95_m: float
    semi_minor_95_m: float
    ellipse_azimuth_deg: float
    chi2: float
    dof: float
    shift_m: float
    status: str
    reason: str
    note: str
    source_row: str

    @property
    def name(self) -> str:
        """Run and stop."""
        return f"{self.run_id}/{self.stop_id}"


@dataclass(frozen=True, slots=True)
class ObservationRow(AlongRow):
    """What the camera saw."""

    layer: ClassVar[str] = "pipe_observations"

    observation_id: str
    line_id: str
    counter_m: float
    sigma_along_m: float
    code: str
    severity: str
    clock_from: str
    clock_to: str
    text: str
    status: str
    reason: str
    invert_level_m: float
    invert_sigma_m: float
    level_datum: str
    ground_level_m: float
    cover_m: float
    cover_sigma_m: float
    sigma_e_m: float
    sigma_n_m: float
    cov_en_m2: float
    sigma_u_m: float
    semi_major_95_m: float
    semi_minor_95_m: float
    ellipse_azimuth_deg: float
    tie_a_point: str
    tie_a_m: float
    tie_b_point: str
    tie_b_m: float
    tie_side: str
    tie_sigma_m: float

    @property
    def name(self) -> str:
        """Its code, or what it says in words."""
        return self.code or self.text or "seen"


@dataclass(frozen=True, slots=True)
class BandRow(AlongRow):
    """Levels of the pipe and the ground at one chainage, with their 95 % bounds."""

    layer: ClassVar[str] = "level_band"

    line_id: str
    invert_level_m: float
    invert_lower_95_m: float
    invert_upper_95_m: float
    crown_level_m: float
    top_level_m: float
    ground_level_m: float
    cover_m: float
    cover_sigma_m: float
    cover_least_95_m: float
    level_datum: str


@dataclass(frozen=True, slots=True)
class ControlRow(PointRow):
    """A fixed point that tapes start from."""

    layer: ClassVar[str] = "control_points"

    point: str
    level_m: float
    sigma_h_m: float
    sigma_v_m: float
    in_a_tie: bool


@dataclass(frozen=True, slots=True)
class MarkRow(PointRow):
    """One spot put on the ground."""

    layer: ClassVar[str] = "field_marks"

    mark_id: str
    run_id: str
    stop_id: str
    kind: str
    method: str
    used: bool
    note: str


@dataclass(frozen=True, slots=True)
class ZoneRow(LayerRow):
    """Where a published rule asks for digging by hand."""

    layer: ClassVar[str] = "dig_zone"

    line_id: str
    zone: str
    rule_title: str
    source: str
    tolerance_m: float
    outside_diameter_m: float
    diameter_assumed: bool
    width_m: float
    geometry: Polygon | None

    @property
    def with_corridor(self) -> bool:
        """Whether the error of position is taken in; else the tolerance lies about the line."""
        return self.zone == "tolerance_and_corridor"


@dataclass(frozen=True, slots=True)
class FindingRow(LayerRow):
    """What was found wrong or worth knowing, and what to do."""

    layer: ClassVar[str] = "findings"

    severity: str
    code: str
    subject: str
    what: str
    by_how_much: str
    what_to_do: str
    source_row: str


@dataclass(frozen=True, slots=True)
class UnlocatedRow(LayerRow):
    """Pipe nobody located, and where it may be; without a geometry it may be anywhere."""

    layer: ClassVar[str] = "unlocated"

    site_id: str
    line_id: str
    run_id: str
    stop_id: str
    extent: str
    what: str
    why: str
    made_by: str
    counted_m: float
    mark_reach_m: float
    outside_diameter_m: float
    area_m2: float
    frame_shift_95_m: float
    caution: str
    geometry: Polygon | None


def rows_of(kind: type[R], frame: pd.DataFrame) -> tuple[R, ...]:
    """Return a layer's rows as `kind`; what its columns lack is NaN, "" or None."""
    if not len(frame):
        return ()
    columns = [_column(frame, f.name, str(f.type)) for f in fields(kind)]
    return tuple(kind(*values) for values in zip(*columns, strict=True))


def _column(frame: pd.DataFrame, name: str, kind: str) -> Sequence[object]:
    if name not in frame:
        return [{"float": nan, "str": "", "bool": False}.get(kind)] * len(frame)
    values = frame[name]
    if kind == "float":
        return list(map(float, pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)))
    if kind == "str":
        return ["" if v is None or v != v else str(v) for v in values]
    if kind == "bool":
        return [v is not None and v == v and bool(v) for v in values]
    return [None if v is None or v.is_empty else v for v in values]
