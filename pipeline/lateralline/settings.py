"""What `site.toml` says, in SI: metres, radians and ratios. Built by `read`, used by all stages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import degrees, nan, radians
from typing import Literal, TypeAlias

from lateralline import contract

Flow = Literal["with", "against", "unknown"]
#: The way a run of unknown flow is taken to go; "" = nothing tells, counted from the entry.
TakenFlow = Literal["with", "against", ""]

#: Height of a receiver's aerial above the ground and its σ where none is given, and the σ of one
#: that is given without: common practice, no source.
ASSUMED_AERIAL_M, ASSUMED_AERIAL_SIGMA_M = 0.10, 0.10
GIVEN_AERIAL_SIGMA_M = 0.01


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Standard deviations (1 σ). Ratios are of the quantity measured, `_depths` of the depth.

    `bends_per_m` is none: it says of the pipe what is expected before anything was measured.

    Every default stands in the schema of `site.toml`, section `accuracy`; see `standard_accuracy`.
    """

    mark_placing_m: (
        float  # where paint went against where the condition was met, each horizontal axis
    )
    tape_m: float
    tape_ratio: float
    gnss_m: float  # when a mark gives no sigma of its own; each axis
    gnss_common_m: float  # what all GNSS positions of a site are off by together; each axis
    level_m: float  # a levelled ground shot against control
    unknown_ground_m: float  # ground taken as level because no level was given
    ground_slope_ratio: float  # a stop's ground slope about the site's
    bearing_rad: float  # what a compass is off by at a base on a day, for all spots shot there
    bearing_reading_rad: float  # one bearing as it is read
    field_turn_rad: float  # of the field by what lies around, shared by neighbouring stops
    field_turn_metal_rad: float  # the same beside metal
    receiver_angle_rad: float  # angular resolution of the receiver
    depth_reading_ratio: float
    depth_reading_min_m: float
    depth_scale_ratio: float  # shared by all stops of one receiver and day
    tilt_prior_rad: float  # about 0, when no tilt was measured
    tilt_measured_rad: float
    axis_heading_rad: float  # transmitter axis against pipe axis
    axis_tilt_rad: float
    counter_m: float
    counter_ratio: float
    counter_scale_ratio: float  # the run's counter scale about 1
    peak_across_depths: float
    peak_along_depths: float
    mid_across_depths: float  # mid null marked on the axis, used only when nothing else says so
    exposure_m: float  # an exposure without a sigma of its own
    bends_per_m: float  # of pipe after a straight stretch


def standard_accuracy(**changes: float) -> Accuracy:
    """Return the default accuracies of the schema, angles in radians, with `changes` applied."""
    values: dict[str, float] = {}
    for c in contract.load("site").field:
        if c.section == "accuracy" and c.type == "real":
            assert isinstance(c.default, (int, float))
            name, value = c.name, float(c.default)
            if name.endswith("_deg"):
                name, value = name.removesuffix("_deg") + "_rad", radians(value)
            values[name] = value
    return Accuracy(**(values | changes))


def key_of(name: str, value: float) -> tuple[str, float]:
    """Return the key of site.toml for an accuracy, and its value in the unit of the key.

    >>> key_of("tape_m", 0.01)
    ('tape_m', 0.01)
    """
    if name.endswith("_rad"):
        return name.removesuffix("_rad") + "_deg", degrees(value)
    return name, value


@dataclass(frozen=True, slots=True)
class Pipe:
    """Attributes of a line; diameters NaN when neither given nor in the pipe table."""

    line: str
    material: str
    nominal: str
    service: str
    inside_diameter_m: float
    wall_m: float
    dimensions_from: str  # the published table, "site.toml", or "" when unknown
    outside_diameter_m: float = nan  # known without the inside for some published barrels
    standard_bends: bool = False  # hold bends to the nearest standard fitting

    def axis_above_m(self, measured_to: str, ride_height_m: float) -> float:
        """Return the height of the transmitter's axis above what was measured.

        `measured_to` is invert, crown, outside_top or transmitter; NaN when a dimension is missing.

        >>> pipe = Pipe("L1", "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401")
        >>> tops = ("invert", "inside_top", "outside_top")
        >>> [round(pipe.axis_above_m(to, 0.03), 4) for to in tops]
        [0.03, -0.0736, -0.0768]
        """
        return {
            "transmitter": 0.0,
            "invert": ride_height_m,
            "inside_top": ride_height_m - self.inside_diameter_m,
            "outside_top": ride_height_m - self.inside_diameter_m - self.wall_m,
        }[measured_to]


@dataclass(frozen=True, slots=True)
class Run:
    """One push from an entry, with one counter."""

    id: str
    line: str
    entry: str
    counter_at_entry_m: float
    flow: Flow  # camera travels with or against the flow
    transmitter_lag_m: float
    ride_height_m: float
    rod_length_m: float = nan  # magnetic length of the transmitter; NaN = taken as a point dipole
    main: str = ""  # what the crew calls the main that the camera reached
    counter_at_main_m: float = nan  # where the camera face was at it
    receiver: str = ""  # runs of one receiver (and day) share a depth-reading scale
    surveyed: date | None = None  # None = on the site's day
    surveyor: str = ""  # "" = the site's
    taken: TakenFlow = ""  # where flow is unknown

    @property
    def upstream_sign(self) -> float:
        """+1 when the counter grows upstream, −1 when downstream; +1 where nothing tells."""
        return -1.0 if "with" in (self.flow, self.taken) else 1.0

    def pushed_as(self, other: Run) -> bool:
        """Whether another run was pushed the same way from the same entry."""
        same_entry = bool(self.entry) and self.entry == other.entry
        return same_entry and self.upstream_sign == other.upstream_sign

    @property
    def flow_told(self) -> bool:
        """Whether anything tells which way water runs: the crew, other runs or levels."""
        return self.flow != "unknown" or bool(self.taken)


@dataclass(frozen=True, slots=True)
class Branch:
    """A line that joins another; `at_counter_m` NaN = solved where they meet."""

    line: str
    joins: str
    at_counter_m: float
    run: str


@dataclass(frozen=True, slots=True)
class Georeference:
    """What section [crs] says beside the systems themselves."""

    extent: tuple[float, float, float, float] | None = None  # west, south, east, north, degrees
    grids: str = ""  # folder of grid files, as a path that can be opened; "" = none
    accept_zero_shift: bool = False
    shift_accuracy_m: float | None = None  # 1 σ of a shift whose accuracy is not published
    gnss_heights: Literal["levels", "ellipsoidal"] = "levels"
    separation_m: float = nan  # ellipsoidal height less level; NaN = by a geoid grid
    separation_sigma_m: float = 0.0
    bearings: Literal["", "grid", "true", "magnetic"] = ""  # "" = nobody said: taken as grid
    declination_rad: float = nan  # of magnetic north; NaN = by the model of the day
    declination_sigma_rad: float = nan  # NaN = the model's, or a usual one
    map_crs: str = ""  # CRS of the map a sketch is set onto; "" = none
    map_scale_free: bool = False  # the scale of the sketch's coordinates is fitted too


@dataclass(frozen=True, slots=True)
class OnMap:
    """How sure a sketch is set onto its map: one error of the whole site."""

    centre: tuple[float, float]  # of the points it was set by, in the map's CRS
    cov: tuple[tuple[float, ...], ...]  # m, rad: east, north, turn and, where it is free, scale


AssetValue: TypeAlias = str | int | float | bool | date
#: Types of the register's values, as the contract calls them.
AssetType = Literal["text", "integer", "real", "boolean", "date"]


@dataclass(frozen=True, slots=True)
class Assets:
    """What the owner's register says of a site, its lines and runs; the nearer one holds."""

    site: Mapping[str, AssetValue] = field(default_factory=dict)
    line: Mapping[str, Mapping[str, AssetValue]] = field(default_factory=dict)
    run: Mapping[str, Mapping[str, AssetValue]] = field(default_factory=dict)
    types: Mapping[str, AssetType] = field(default_factory=dict)  # of the users' own keys
    where: Mapping[str, tuple[str, int]] = field(default_factory=dict)  # file and row of each
    private: frozenset[str] = frozenset()  # keys

    def of(self, line: str, run: str, runs: Sequence[str] = ()) -> dict[str, AssetValue]:
        """Return the values of a feature; `runs` are all of its line.

        What is said of a run holds for what was measured in it, and for its line where all runs
        of the line say the same.
        """
        values = {**self.site, **self.line.get(line, {})}
        of_runs = [self.run.get(one, {}) for one in ([run] if run else runs)]
        for key, value in (of_runs[0] if of_runs else {}).items():
            if all(key in other and other[key] == value for other in of_runs):
                values[key] = value
        return values


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding that somebody answers for."""

    code: str
    subject: str
    by: str
    on: date
    reason: str
    cause: str  # as `Finding.cause`
    where: str  # "site.toml:31"


@dataclass(frozen=True, slots=True)
class Assumed:
    """What of the settings nobody gave, so that a default stands in for it."""

    lag: tuple[str, ...] = ()  # runs without transmitter_lag
    ride: tuple[str, ...] = ()  # runs without ride_height
    aerial: bool = False  # the height of the receiver's aerial
    rule: bool = False  # the dig rule, and no tolerance either
    axes: bool = False  # the CRS: a taped sketch on axes of its own


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything `site.toml` says."""

    id: str
    name: str
    surveyed: date
    surveyor: str
    horizontal: str  # CRS text as given, or "local"
    vertical: str  # "none", "ellipsoidal", or CRS text
    epoch: float | None
    slope_tape: bool
    units: dict[str, str]  # as given, for the record; every number here is already SI
    accuracy: Accuracy
    pipes: tuple[Pipe, ...]
    runs: tuple[Run, ...]
    branches: tuple[Branch, ...]
    dig_rule: str  # key of the dig-rule table
    dig_tolerance_m: float  # NaN = the rule's own
    aerial_height_m: float = 0.0  # of the receiver's aerial above the ground
    aerial_height_sigma_m: float = 0.0  # one error for the whole site
    georeference: Georeference = Georeference()
    version: int = 1  # of the record
    valid_from: date | None = None  # None = the last day of survey
    accepted: tuple[Acceptance, ...] = ()
    on_map: OnMap | None = None  # of a sketch that was set onto a map
    assumed: Assumed = Assumed()

    def run(self, run_id: str) -> Run:
        """Return a run by id; KeyError when there is none (read has checked every reference)."""
        return {r.id: r for r in self.runs}[run_id]

    def line_of(self, line: str, run: str) -> str:
        """Return the line named, else that of a run; "" where neither is known."""
        return line or next((r.line for r in self.runs if r.id == run), "")

    def ride_height_m(self, line: str, run: str = "") -> float:
        """Return the height of the transmitter above the invert in a run, metres.

        Where no run is told it is the mean of the line's, and 0 where there is none.
        """
        of = [r.ride_height_m for r in self.runs if r.id == run] or [
            r.ride_height_m for r in self.runs if r.line == line
        ]
        return sum(of) / len(of) if of else 0.0

    def pipe(self, line: str) -> Pipe:
        """Return the attributes of a line; all unknown when the site gives none."""
        return next(
            (p for p in self.pipes if p.line == line),
            Pipe(line, "", "", "unknown", nan, nan, ""),
        )


def bare_settings() -> Settings:
    """Return a local site of which nothing is known: what simulations and tests start from."""
    return Settings(
        id="BARE",
        name="invented",
        surveyed=date(2026, 5, 6),
        surveyor="",
        horizontal="local",
        vertical="none",
        epoch=None,
        slope_tape=False,
        units={},
        accuracy=standard_accuracy(),
        pipes=(),
        runs=(),
        branches=(),
        dig_rule="cga",
        dig_tolerance_m=nan,
    )
