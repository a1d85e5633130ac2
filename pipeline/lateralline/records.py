"""What flows between stages: frozen columns, one row per thing, every row traceable to its file.

Inside, all is float64 SI in the site frame (east, north, up; metres at ground scale; radians).
NaN means "not given" or "not solved"; text is "" when not given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from math import nan
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from lateralline.findings import Finding
from lateralline.pictures import Photo
from lateralline.settings import Accuracy, Assets, Settings, TakenFlow

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Texts: TypeAlias = npt.NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that was read: what the manifest and lineage need of it; of ids as it is left."""

    name: str
    sha256: str
    size_bytes: int
    rows: int


# ---- read ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spots:
    """How each spot was measured (n rows); shared by marks and exposures."""

    file: str
    row: Ints
    name: Texts
    method: Texts  # gnss | offset | ties | polar
    x: Floats  # in the site CRS's own units and axis order x=easting or longitude
    y: Floats
    z_m: Floats
    sigma_h_m: Floats  # each horizontal axis
    sigma_v_m: Floats
    base_from: Texts
    base_to: Texts
    station_m: Floats  # offset: along the baseline; polar: distance
    offset_m: Floats  # positive right of the baseline
    bearing_rad: Floats  # polar: from grid north
    ties: tuple[tuple[tuple[str, float], ...], ...]  # per spot: (control point, distance m)
    side: Texts  # left | right of P1→P2
    note: Texts


@dataclass(frozen=True, slots=True)
class MarkRows:
    """marks.csv."""

    spots: Spots
    run: Texts
    stop: Texts
    kind: Texts  # end_null | mid_null | peak_total | peak_axial | ground


@dataclass(frozen=True, slots=True)
class StopRows:
    """stops.csv (k rows)."""

    file: str
    row: Ints
    run: Texts
    stop: Texts
    counter_m: Floats
    depth_reading_m: Floats
    tilt_rad: Floats
    note: Texts
    metal: Flags = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))  # empty: none seen


@dataclass(frozen=True, slots=True)
class ControlRows:
    """control.csv."""

    file: str
    row: Ints
    point: Texts
    x: Floats
    y: Floats
    z_m: Floats
    sigma_h_m: Floats
    sigma_v_m: Floats
    #: In the CRS of the map a sketch is set onto, NaN where unknown; empty where nobody asked.
    map_x: Floats = field(default_factory=lambda: np.zeros(0))
    map_y: Floats = field(default_factory=lambda: np.zeros(0))
    map_sigma_m: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True)
class ExposureRows:
    """exposures.csv."""

    spots: Spots
    run: Texts
    line: Texts
    counter_m: Floats
    depth_m: Floats  # ground (or the spot's z) down to what was measured; NaN = z is the thing
    measured_to: Texts  # invert | crown | outside_top | transmitter
    sigma_m: Floats
    surveyed: Texts  # ISO day; "" = the site's


@dataclass(frozen=True, slots=True)
class ObservationRows:
    """observations.csv."""

    file: str
    row: Ints
    run: Texts
    counter_m: Floats
    clock_from: Texts
    clock_to: Texts
    code: Texts
    defect_severity: Texts
    text: Texts


@dataclass(frozen=True, slots=True)
class IdRows:
    """ids.csv: what became of each id, oldest first (n rows)."""

    file: str
    row: Ints
    id: Texts
    event: Texts  # minted | ended | returned
    what: Texts
    line: Texts
    name: Texts
    x: Floats  # in the site CRS's own units, as control points
    y: Floats
    position_95_m: Floats
    from_node: Texts
    to_node: Texts
    recorded_on: Texts  # ISO dates
    came_from: Texts
    became: Texts
    content: bytes  # of the file, whole


def no_ids() -> IdRows:
    """Return what a site that was never built knows of ids."""
    texts: Texts = np.array([], dtype=np.str_)
    numbers: Floats = np.array([], dtype=np.float64)
    row = np.array([], dtype=np.int64)
    texts_of: dict[str, Any] = {f.name: texts for f in fields(IdRows) if f.type == "Texts"}
    return IdRows(
        "ids.csv", row, x=numbers, y=numbers, position_95_m=numbers, content=b"", **texts_of
    )


@dataclass(frozen=True, slots=True)
class FieldRecord:
    """One site as read: valid, in SI, nothing placed yet."""

    folder: str
    settings: Settings
    control: ControlRows
    marks: MarkRows
    stops: StopRows
    exposures: ExposureRows
    observations: ObservationRows
    inputs: tuple[InputFile, ...]
    findings: tuple[Finding, ...]
    ids: IdRows = field(default_factory=lambda: no_ids())
    assets: Assets = field(default_factory=Assets)
    photos: tuple[Photo, ...] = ()


# ---- place --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks in the site frame (n rows). `xyz_m` is NaN where `placed` is False."""

    file: str
    row: Ints
    mark: Texts
    run: Texts
    stop: Texts
    kind: Texts
    method: Texts
    note: Texts
    xyz_m: Floats  # (n, 3) east, north, ground level
    cov_m2: Floats  # (n, 3, 3) control + tape or GNSS + placing + level
    level_known: Flags
    placed: Flags
    misfit_chi2: Floats  # three or more ties: Σ(v/σ)²; else NaN
    misfit_dof: Ints
    #: (n, 3, c) what one σ of each of c errors shared through the site does to each mark; part of
    #: `cov_m2`, and the same c for `Exposures`. No columns where nothing is shared.
    shared_m: Floats = field(default_factory=lambda: np.zeros((0, 3, 0)))
    #: (n,) marks that a finding names as wrong: kept where they were put, and used for nothing.
    #: Empty where there is none.
    doubted: Flags = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    #: (n, 2) where each would lie had its sign or side been taken for the other; NaN where it has
    #: none. Empty where nobody asked.
    mirror_m: Floats = field(default_factory=lambda: np.zeros((0, 2)))

    @property
    def usable(self) -> Flags:
        """True (n,) where a mark has a place that nothing contradicts."""
        return self.placed & ~self.doubted if len(self.doubted) else self.placed

    def doubting(self, more: Flags) -> Marks:
        """Return the marks with these (n,) not used as well."""
        return replace(self, doubted=self.doubted | more if len(self.doubted) else more.copy())


@dataclass(frozen=True, slots=True)
class Exposures:
    """Spots where pipe or transmitter was seen, in the site frame (n rows)."""

    file: str
    row: Ints
    name: Texts
    run: Texts
    line: Texts
    counter_m: Floats
    measured_to: Texts
    xyz_m: Floats  # (n, 3) of the thing itself: ground minus depth
    cov_m2: Floats  # (n, 3, 3)
    ground_m: Floats
    placed: Flags
    shared_m: Floats = field(default_factory=lambda: np.zeros((0, 3, 0)))  # (n, 3, c) as in `Marks`
    #: (n,) a level at a counter, without a position; empty where there is none
    level_only: Flags = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def pick(self, keep: Flags) -> Exposures:
        """Return the exposures where keep (n,) is True; a column without rows stays so."""
        columns = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "file"}
        return replace(self, **{k: v[keep] for k, v in columns.items() if len(v) == len(keep)})


# ---- solve --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fixes:
    """Solved transmitters (k rows, one per stop, solved or not).

    Parameters are ordered east, north, up, heading, tilt. The field leaves the heading known only
    ±180°; `link` turns each fix so that the heading is the camera's direction of travel.
    """

    run: Texts
    stop: Texts
    row: Ints  # of `file`
    counter_m: Floats  # as read: camera face
    xyz_m: Floats  # (k, 3); NaN when unsolved
    heading_rad: Floats
    tilt_rad: Floats
    cov: Floats  # (k, 5, 5) m², m·rad, rad²
    ground_m: Floats  # ground level at the fix's own plan position
    depth_m: Floats
    depth_sigma_m: Floats
    chi2: Floats
    dof: Ints
    status: Texts  # located | weak | two_positions | not_located
    reason: Texts  # why weak, of two positions or not located, in words; "" otherwise
    marks_used: Ints
    tilt_prior_rad: Floats  # σ of the prior 0 in `tilt_rad` and `cov`; NaN = measured, or free
    #: (k, 5, c + 3 + s) what one σ of each shared error does to each fix: c of place, two of the
    #: site's slope, the height of the receiver's aerial, then the depth-reading scale of each
    #: receiver. Part of `cov`; no columns where nothing is shared.
    shared: Floats = field(default_factory=lambda: np.zeros((0, 5, 0)))
    file: str = "stops.csv"  # the table of stops, as messages name it: "field.xlsx stops"
    #: (k,) whether GNSS put all marks a fix rests on; empty where nobody asked
    by_gnss: Flags = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    #: (k, 2) σ along and across its axis, whichever way that lies, of a fix whose heading is only
    #: guessed; NaN for others, empty where there are none
    axis_sigma_m: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    #: (k,) whether metal was seen beside a fix; empty where none was
    metal: Flags = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def where(self, i: int) -> str:
        """Return table and row of a stop, as findings name them."""
        return f"{self.file}:{self.row[i]}"

    @property
    def solved(self) -> Flags:
        """True where there is one position to link: neither two nor none."""
        return np.isin(self.status, ("located", "weak"))


@dataclass(frozen=True, slots=True)
class MarkResults:
    """What the solution says of each mark (n rows, as in Marks)."""

    used: Flags
    residual_m: Floats  # horizontal distance from the mark to where the solution puts it
    std_residual: Floats  # standardised residual (largest component), N(0,1) when all is well
    redundancy: Floats  # redundancy number 0…1: how well the others control this one
    smallest_blunder_m: Floats  # smallest detectable displacement, α=0.001, power 0.80
    residual_along_m: Floats  # + ahead of where the solution puts it
    residual_across_m: Floats  # + to the right of it; NaN of a plain mid null, and σ likewise
    along_sigma_m: Floats  # σ the mark was weighed with
    across_sigma_m: Floats
    chi2_share: Floats  # what it adds to the stop's χ²


@dataclass(frozen=True, slots=True)
class DepthScale:
    """Reading over depth of one receiver, from depths by nulls and exposures."""

    receiver: str  # "" when the site names none
    value: float
    sigma: float


@dataclass(frozen=True, slots=True)
class AccuracyEvidence:
    """What residuals of one crew say of a pair of accuracies; see `kernels.variance.Evidence`."""

    receiver: str
    surveyor: str
    accuracy: str  # key of [accuracy] in site.toml
    beside: str
    reckoned_with: float  # in the key's unit
    beside_with: float
    squares: float  # NaN but where an accuracy stands beside itself
    spare: float
    overlap: float


@dataclass(frozen=True, slots=True)
class Solved:
    """Output of solve."""

    fixes: Fixes
    mark_results: MarkResults
    findings: tuple[Finding, ...]
    depth_scales: tuple[DepthScale, ...] = ()  # in the order of the last columns of `fixes.shared`
    lengths_unreliable: bool = False  # the tape's unit is wrong, and with it those between marks
    accuracy: Accuracy | None = None  # what the site claims by; None = as stated
    evidence: tuple[AccuracyEvidence, ...] = ()
    ways: Mapping[str, TakenFlow] = field(default_factory=dict)  # of runs of unknown flow

    def directed(self, stated: Settings) -> Settings:
        """Return the settings with the way taken of each run whose flow nobody knows."""
        runs = tuple(replace(r, taken=self.ways.get(r.id, r.taken)) for r in stated.runs)
        return replace(stated, runs=runs) if self.ways else stated

    def claimed(self, stated: Settings) -> Settings:
        """Return the settings with the accuracies that the site claims by."""
        return stated if self.accuracy is None else replace(stated, accuracy=self.accuracy)


# ---- link ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stretch:
    """The pipe between two consecutive located points of a line (fix, exposure, junction)."""

    first: int  # vertex indices into Line.xyz_m; bends lie strictly between
    last: int
    shape: str  # straight | bend | two_bends | undecided
    counter_difference_m: float  # scaled; NaN when no run holds both ends
    chord_m: float
    reach_m: float  # major axis of the reach envelope: counter difference plus its 95 % error
    bend_rad: tuple[float, ...]  # deflection at each bend
    #: Of straight, one bend, two: χ² by itself, and share of the paths its line leaves plausible.
    shapes_chi2: tuple[float, float, float] = (nan, nan, nan)
    shapes_share: tuple[float, float, float] = (nan, nan, nan)
    straight_dof: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SampledPaths:
    """Paths (s,) drawn from all that the data of a line leave plausible, over its shapes.

    Points stand at the same share of the way from one located point to the next in every path.
    """

    subjects: tuple[str, ...]  # (k,) the located points, as findings name them
    xyz_m: Floats  # (s, p, 3)
    place: Floats  # (p,) located point, and share of the way to the next; of a line, its vertices
    corner_m: Floats  # (s, e, 3) corners of bends, which no point may show
    corner_interval: Ints  # (s, e) the point before each
    shape_share: Floats  # (k-1, 4) of the paths: straight, bent, bent in any direction, bent twice
    wrong_share: Floats  # (k, 3) of the paths: point wrong, its counter wrong, point poor
    stretch_m: Floats  # (k-1,) length of pipe, median of the paths
    bend_radius_m: Floats  # (k-1, 2) radius of the one bend and its σ; NaN where nothing tells
    stands: Floats  # (k,) where the located points are, as `place`
    steel_share: Floats = field(default_factory=lambda: np.zeros(0))  # (k,) and for beside steel
    tilt_wander_rad: float = float("nan")  # σ by which their tilt wanders over √m of straight pipe
    wide_share: float = 0.0  # of the paths, those of a pipe that wanders far more than most do

    def at(self, place: Floats) -> Floats:
        """Return where each path is at places (n,), (s, n, 3) metres: straight between points."""
        after = np.searchsorted(self.place, place - 1e-9).clip(1, len(self.place) - 1)
        first, last = self.place[after - 1], self.place[after]
        share = ((place - first) / np.maximum(last - first, 1e-12)).clip(0.0, 1.0)[:, None]
        return np.asarray((1 - share) * self.xyz_m[:, after - 1] + share * self.xyz_m[:, after])


@dataclass(frozen=True, slots=True)
class Line:
    """One adjusted pipe axis as the transmitter rode it, from downstream to upstream (m vertices).

    `cov_m2` holds each vertex's 3×3 block and `cross_m2` the block between a vertex and the next,
    so a grade's σ can be computed without the full matrix.
    """

    line: str
    kind: Texts  # fix | bend | exposure | junction
    ref: Texts  # "R1/3", an exposure's name, the joining line's id, ""
    fix: Ints  # index into Fixes, else −1
    run: Texts  # run whose counter is given; "" = none
    counter_m: Floats  # where the *transmitter* stood on that run's counter, unscaled; NaN = none
    xyz_m: Floats  # (m, 3) transmitter axis
    cov_m2: Floats  # (m, 3, 3)
    cross_m2: Floats  # (m-1, 3, 3)
    stretches: tuple[Stretch, ...]
    shift_m: Floats  # (m,) how far the adjustment moved a fix or exposure; NaN for bends
    chi2: float
    dof: int
    counter_scale: dict[str, tuple[float, float]] = field(default_factory=dict)  # run → value, σ
    joins: str = ""  # parent line
    joins_at: int = -1  # vertex of the parent
    #: (3m, 3m) covariance of all vertices together; `cov_m2` and `cross_m2` are blocks of it.
    joint_cov_m2: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    #: (m, 2) adjusted heading and tilt of the pipe, pointing upstream; NaN where nothing gives it.
    direction_rad: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    #: exposures that something else measured contradicts: their pipe does not count as seen
    contested: frozenset[str] = frozenset()
    #: what the data leave plausible over all shapes: covariances above are about this line's
    #: vertices and of these; None where numbers failed, and they are the adjustment's own
    paths: SampledPaths | None = None


@dataclass(frozen=True, slots=True)
class AdjustedParameter:
    """One adjusted quantity that is no position: a counter's scale or offset, a depth scale."""

    kind: str  # counter_scale | counter_offset | aerial_height | depth_scale
    subject: str  # "run R1", "receiver A"
    value: float
    sigma: float
    unit: str  # "1" = a ratio
    prior: float
    prior_sigma: float


@dataclass(frozen=True, slots=True)
class Linked:
    """Output of link; `fixes` are turned so headings point the way the camera travelled."""

    fixes: Fixes
    lines: tuple[Line, ...]
    findings: tuple[Finding, ...]
    parameters: tuple[AdjustedParameter, ...] = ()
    evidence: tuple[AccuracyEvidence, ...] = ()  # of the pipe, beside that of `Solved`


# ---- derive -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BandEvidence:
    """What the accuracy bands of one feature are judged by, at n places along it."""

    position_95_m: Floats  # semi-major axis of the 95 % plan ellipse
    depth_sigma_m: Floats
    depth_m: Floats  # detected depth
    seen: Flags  # the pipe was exposed


@dataclass(frozen=True, slots=True)
class Product:
    """The content of one layer, still in the site frame.

    `columns` holds every column the schema declares except geometry, already in the declared
    units; `geometry` holds shapely objects (z = level in metres), None for tables. `judged_by` has
    an entry for each row whose accuracy bands it gives; a layer without bands has none.
    """

    layer: str
    columns: dict[str, npt.NDArray[np.generic] | list[object]]
    geometry: npt.NDArray[np.object_] | None
    judged_by: tuple[BandEvidence, ...] = ()
