"""Rows of the layers of a built record as typed objects: what drawings and tables read of them.

A class names the columns of its layer that are read, each a typed attribute; names, types, units
and meaning are those of the contract (`lateralline schema`), to which a test holds every column.
Columns that several layers declare alike stand in a class they share. A number that is not known
is NaN, a text "", a place None; so is all that an older file has no column for.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from datetime import date
from math import isfinite, isnan, nan
from typing import ClassVar, Final, Generic, NoReturn, TypeVar, cast

import pandas as pd
from shapely import LineString, Point, Polygon

from lateralline.derive.ellipses import INTERVAL_95
from lateralline.findings import is_open_error

V = TypeVar("V")
R = TypeVar("R", bound="LayerRow")


class LayerRow:
    """A row of a layer: the values of its columns by name."""

    layer: ClassVar[str]

    def __init__(self, values: Mapping[str, object]) -> None:
        """Keep the values of all columns that the class names, and what else is read."""
        self.values: Final = values


class LayerColumn(ABC, Generic[V]):
    """A column of a layer, read as an attribute of a row; it cannot be set."""

    missing: V
    name: str

    def __set_name__(self, owner: type, name: str) -> None:
        """Take the name of the attribute for that of the column."""
        self.name = name

    def __get__(self, row: LayerRow, owner: type) -> V:
        """Return the value of one row."""
        return cast(V, row.values[self.name])

    def __set__(self, row: LayerRow, value: V) -> NoReturn:
        """Refuse: rows are what the file holds."""
        raise AttributeError(f"{self.name} is read from a file and cannot be set")

    @abstractmethod
    def read(self, values: pd.Series) -> list[V]:
        """Return the values of a column of a data frame."""


class RealColumn(LayerColumn[float]):
    """Numbers, whole ones too; NaN where not known, or without end in a file somebody edited."""

    missing = nan

    def read(self, values: pd.Series) -> list[float]:
        """Return numbers."""
        numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
        return [number if isfinite(number) else nan for number in numbers.tolist()]


class TextColumn(LayerColumn[str]):
    """Texts; "" where not given."""

    missing = ""

    def read(self, values: pd.Series) -> list[str]:
        """Return texts."""
        return ["" if v is None or v != v else str(v) for v in values]


class FlagColumn(LayerColumn[bool]):
    """Yes or no; no where not given."""

    missing = False

    def read(self, values: pd.Series) -> list[bool]:
        """Return flags."""
        return [v is not None and v == v and bool(v) for v in values]


class DateColumn(LayerColumn[date | None]):
    """Days; None where not given."""

    missing = None

    def read(self, values: pd.Series) -> list[date | None]:
        """Return days."""
        return [None if pd.isna(v) else pd.Timestamp(v).date() for v in values]


class BytesColumn(LayerColumn[bytes]):
    """Bytes; none where not given."""

    missing = b""

    def read(self, values: pd.Series) -> list[bytes]:
        """Return bytes."""
        return [v if isinstance(v, bytes) else b"" for v in values]


class ShapeColumn(LayerColumn[V | None]):
    """Geometries; None where there is none."""

    missing = None

    def read(self, values: pd.Series) -> list[V | None]:
        """Return geometries."""
        return [None if v is None or v.is_empty else v for v in values]


def reals(count: int) -> tuple[RealColumn, ...]:
    """Return so many columns of numbers."""
    return tuple(RealColumn() for _ in range(count))


def texts(count: int) -> tuple[TextColumn, ...]:
    """Return so many columns of texts."""
    return tuple(TextColumn() for _ in range(count))


def columns_of(kind: type[LayerRow]) -> dict[str, LayerColumn[object]]:
    """Return the columns that a class of rows names, by name."""
    named = (vars(base) for base in reversed(kind.__mro__))
    return {n: c for own in named for n, c in own.items() if isinstance(c, LayerColumn)}


def rows_of(
    kind: type[R], frame: pd.DataFrame, also: Mapping[str, Sequence[object]] | None = None
) -> tuple[R, ...]:
    """Return a layer's rows as `kind`; what its columns lack is NaN, "" or None.

    `also` are further values of each row (n each), by name.
    """
    read = {
        name: column.read(frame[name]) if name in frame else [column.missing] * len(frame)
        for name, column in columns_of(kind).items()
    } | dict(also or {})
    return tuple(
        kind(dict(zip(read, row, strict=True))) for row in zip(*read.values(), strict=True)
    )


# ---- the layers -----------------------------------------------------------------------------


class FallRow(LayerRow):
    """A row with a gradient, + where pipe falls downstream."""

    gradient, gradient_sigma = reals(2)

    @property
    def fall_shown(self) -> bool:
        """Whether levels show a fall: known, and its ± no larger than itself."""
        within = abs(self.gradient) < INTERVAL_95 * self.gradient_sigma
        return not (isnan(self.gradient) or within)


class CentrelineRow(FallRow):
    """A line of pipe."""

    layer = "pipe_centreline"
    (
        line_id, joins_line_id, material, nominal, service, level_datum, pas128_band, as5488_band,
        dimensions_from, run_ids,
    ) = texts(10)  # fmt: skip
    (
        length_m, stops, inside_diameter_m, wall_m, cover_min_m, invert_depth_max_m,
        position_95_max_m, invert_sigma_max_m, undecided_segments, low_point_shown_80_m,
        low_point_depth_m, invert_down_level_m, invert_up_level_m, chi2, dof,
    ) = reals(15)  # fmt: skip
    geometry = ShapeColumn[LineString]()

    @property
    def bore_m(self) -> float:
        """Height of the inside top above the invert."""
        return self.inside_diameter_m

    @property
    def top_m(self) -> float:
        """Height of the outside top above the invert; NaN when not known."""
        return self.inside_diameter_m + self.wall_m


class SegmentRow(FallRow):
    """Pipe between two neighbouring located points."""

    layer = "pipe_segments"
    (
        line_id, segment_id, from_ref, to_ref, shape, run_id, from_node_id, to_node_id,
        pas128_band, pas128_rule, as5488_band, as5488_rule, least_gradients,
    ) = texts(13)  # fmt: skip
    (
        straight_chi2, bend_chi2, two_bends_chi2, straight_dof, straight_share, bend_share,
        two_bends_share, bend_1_deg, bend_2_deg, counter_difference_m, chord_m, reach_m,
    ) = reals(12)  # fmt: skip
    (
        from_chainage_m, to_chainage_m, length_m, invert_down_level_m, invert_down_sigma_m,
        invert_up_level_m, invert_up_sigma_m, cover_min_m, position_95_max_m,
    ) = reals(9)  # fmt: skip
    geometry = ShapeColumn[LineString]()

    @property
    def undecided(self) -> bool:
        """Whether the data do not settle its shape."""
        return self.shape == "undecided"

    @property
    def shape_named(self) -> str:
        """Its shape in words."""
        return "shape not shown" if self.undecided else self.shape.replace("_", " ")


class PointRow(LayerRow):
    """A row that stands at a point, or nowhere."""

    geometry = ShapeColumn[Point]()


class AlongRow(PointRow):
    """A row that stands somewhere along a line; its chainage may not be known."""

    line_id = TextColumn()
    chainage_m, ground_level_m = reals(2)


class EllipseRow(AlongRow):
    """A row whose position has a 95 % ellipse in plan and a σ in level."""

    level_sigma_m, ellipse_major_95_m, ellipse_minor_95_m, ellipse_azimuth_deg = reals(4)


class PipePointRow(EllipseRow):
    """A point on the pipe: its levels, its covariance in plan, and two tapes that find it."""

    level_datum, tie_a_point, tie_b_point, tie_side = texts(4)
    (
        invert_level_m, invert_sigma_m, cover_m, cover_sigma_m, east_sigma_m, north_sigma_m,
        east_north_covariance_m2, tie_a_m, tie_b_m, tie_sigma_m,
    ) = reals(10)  # fmt: skip


class NodeRow(PipePointRow):
    """A named point on a line."""

    layer = "pipe_nodes"
    node_id, kind, ref, placed_by, nearest_fitting = texts(5)
    bend_deg, bend_sigma_deg, bend_radius_m, bend_radius_sigma_m, position_95_m = reals(5)

    @property
    def named(self) -> str:
        """What it is and what the crew calls it: "entry CO1"."""
        what = "end of located line" if self.kind == "end_located" else self.kind
        return f"{what} {self.ref}".strip()

    @property
    def meets(self) -> str:
        """The joining line and the one it joins, of a junction, from either line's view."""
        own = self.node_id.rpartition("/")[0] != self.line_id or self.chainage_m == 0.0
        joining, joined = (self.line_id, self.ref) if own else (self.ref, self.line_id)
        return f"{joining} joins {joined}"

    @property
    def carried_on(self) -> bool:
        """Whether it lies beyond a located line, where the counter alone carries it."""
        return self.placed_by == "carried_on"


class NodeLineRow(LayerRow):
    """What a line says of a node."""

    layer = "node_lines"
    node_id, line_id, role = texts(3)
    chainage_m, invert_level_m, invert_sigma_m = reals(3)


class ObservationRow(PipePointRow):
    """What the camera saw."""

    layer = "pipe_observations"
    (
        observation_id, code, defect_severity, clock_from, clock_to, text, status, reason,
        source_row,
    ) = texts(9)  # fmt: skip
    counter_m, chainage_sigma_m = reals(2)

    @property
    def name(self) -> str:
        """Its code, or its text."""
        return self.code or self.text or "seen"


class FixRow(EllipseRow):
    """A stop of the transmitter."""

    layer = "transmitter_fixes"
    run_id, stop_id, status, reason, note, source_row = texts(6)
    (
        counter_m, transmitter_level_m, transmitter_depth_m, transmitter_depth_sigma_m,
        heading_deg, heading_sigma_deg, tilt_deg, tilt_sigma_deg, chi2, dof, shift_m,
        depth_reading_m, tilt_expected_deg, tilt_expected_sigma_deg, marks_used, east_sigma_m,
        north_sigma_m, east_north_covariance_m2,
    ) = reals(18)  # fmt: skip

    @property
    def name(self) -> str:
        """Run and stop."""
        return f"{self.run_id}/{self.stop_id}"


class BandRow(AlongRow):
    """Levels of the pipe and the ground at one chainage, with their 95 % bounds."""

    layer = "level_band"
    level_datum, bounded_by = texts(2)
    (
        invert_level_m, invert_lower_95_m, invert_upper_95_m, cover_m, cover_sigma_m,
        cover_lower_95_m, ground_sigma_m,
    ) = reals(7)  # fmt: skip


class ParameterRow(LayerRow):
    """What the adjustment found besides positions, beside what was taken of it before."""

    layer = "adjusted_parameters"
    kind, subject, unit = texts(3)
    value, sigma, prior, prior_sigma = reals(4)


class EvidenceRow(LayerRow):
    """The accuracy a site was solved with, and what its residuals say of it."""

    layer = "accuracy_evidence"
    receiver, surveyor, accuracy, beside = texts(4)
    reckoned_with = RealColumn()


class ControlRow(PointRow):
    """A fixed point that tapes start from."""

    layer = "control_points"
    point, source_row = texts(2)
    x_given, y_given, point_level_m, position_sigma_m, level_sigma_m = reals(5)
    in_a_tie = FlagColumn()


class MarkRow(PointRow):
    """One spot put on the ground."""

    layer = "field_marks"
    mark_id, run_id, stop_id, kind, method, booked, note, source_row = texts(8)
    used, placed, level_known = FlagColumn(), FlagColumn(), FlagColumn()
    (
        residual_m, residual_along_m, residual_across_m, along_sigma_m, across_sigma_m,
        std_residual, redundancy_number, smallest_blunder_m, chi2_share, level_sigma_m, tie_chi2,
        tie_dof,
    ) = reals(12)  # fmt: skip


class ExposureRow(PointRow):
    """A spot where the pipe or the transmitter was seen, as measured."""

    layer = "field_exposures"
    exposure, line_id, run_id, method, booked, measured_to, note, source_row = texts(8)
    placed = FlagColumn()
    (
        counter_m, depth_m, ground_level_m, point_level_m, above_invert_m, east_sigma_m,
        north_sigma_m, east_north_covariance_m2, level_sigma_m,
    ) = reals(9)  # fmt: skip


class ZoneRow(LayerRow):
    """Where a published rule asks for digging by hand."""

    layer = "tolerance_zone"
    line_id, zone, rule_title, source = texts(4)
    tolerance_m, outside_diameter_m, width_m = reals(3)
    diameter_assumed = FlagColumn()
    geometry = ShapeColumn[Polygon]()

    @property
    def with_corridor(self) -> bool:
        """Whether the error of position is taken in; else the tolerance lies about the line."""
        return self.zone == "with_corridor"


class FindingRow(LayerRow):
    """What was found wrong or worth knowing, and what to do."""

    layer = "findings"
    severity, code, variant, title, subject, what, by_how_much, what_to_do, source_row = texts(9)
    accepted_by, accepted_reason, cause, found_by, also_about = texts(5)
    line_id, run_id, stop_id = texts(3)
    accepted_on = DateColumn()
    chainage_m = RealColumn()

    @property
    def open_error(self) -> bool:
        """Whether it is an error that nobody answers for."""
        return is_open_error(self.severity, self.accepted_by)

    @property
    def accepted(self) -> str:
        """Who answers for it, since when and why, in words; "" for what is still asked for."""
        if not self.accepted_by:
            return ""
        return f"accepted by {self.accepted_by} on {self.accepted_on}: {self.accepted_reason}"


class PictureRow(LayerRow):
    """A picture and what it shows."""

    layer = "field_photos"
    file, shows, note, related_uid, content_type, source_row = texts(6)
    taken_on = DateColumn()
    data = BytesColumn()

    @property
    def caption(self) -> str:
        """What it shows, since when and in whose words: "stop R1/3, 2026-05-06: the kerb"."""
        head = ", ".join([self.shows, *([str(self.taken_on)] if self.taken_on else [])])
        return f"{head}: {self.note}" if self.note else head


class UnlocatedRow(LayerRow):
    """Pipe nobody located, and where it may be; without a geometry it may be anywhere."""

    layer = "unlocated"
    site_id, line_id, run_id, stop_id, extent, what, why, made_by, caution = texts(9)
    counted_m, mark_reach_m, outside_diameter_m, area_m2, crs_shift_95_m = reals(5)
    record_version = RealColumn()
    valid_from = DateColumn()
    geometry = ShapeColumn[Polygon]()
