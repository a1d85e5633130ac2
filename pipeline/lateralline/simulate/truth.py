"""What is really there: the ground, the pipes, and where the transmitter really stood.

All in the site frame: east, north, up in metres at ground scale, aligned with grid north. A line's
vertices run from downstream to upstream and are those of the transmitter's axis, which rides a
little above the invert.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from lateralline.records import Floats
from lateralline.settings import Flow

Kind = Literal["end_null", "mid_null", "peak_total", "peak_axial", "ground"]


@dataclass(frozen=True, slots=True)
class TrueGround:
    """A sloping, gently swelling ground surface; `grade_*` is rise over run.

    Level and grades may be arrays (k,): then there are k planes, one for each row of the positions
    asked for.
    """

    level_m: float | Floats = 0.0
    grade_east: float | Floats = 0.0
    grade_north: float | Floats = 0.0
    swell_m: float = 0.0
    swell_length_m: float = 15.0

    def level(self, east_m: npt.ArrayLike, north_m: npt.ArrayLike) -> Floats:
        """Return ground levels in metres at plan positions (any shape, or (k, …) on k planes)."""
        east, north = np.asarray(east_m, float), np.asarray(north_m, float)
        rows = (-1, *(1,) * (east.ndim - 1)) if np.ndim(self.grade_east) else ()
        slope = (
            np.reshape(self.grade_east, rows) * east + np.reshape(self.grade_north, rows) * north
        )
        wave = 2.0 * np.pi / self.swell_length_m
        swell = self.swell_m * np.sin(wave * east) * np.cos(wave * north)
        level = np.reshape(self.level_m, rows) if np.ndim(self.level_m) else self.level_m
        return np.asarray(level + slope + swell)

    def on(self, plan_m: Floats) -> Floats:
        """Return the spots (…, 3) of the ground at plan positions (…, 2)."""
        level = self.level(plan_m[..., 0], plan_m[..., 1])
        return np.concatenate([plan_m, level[..., None]], axis=-1)


@dataclass(frozen=True, slots=True)
class TrueLine:
    """One pipe from its downstream node to its upstream node."""

    line: str
    axis_m: Floats  # (m, 3)
    nodes: tuple[str, ...]  # a name per vertex, "" for a bend that has none
    material: str = "PVC"
    nominal: str = "4 in SDR35"
    service: str = "sanitary"
    joins: str = ""

    @property
    def chainage_m(self) -> Floats:
        """Distance along the axis from its downstream end to each vertex (m,)."""
        steps = np.linalg.norm(np.diff(self.axis_m, axis=0), axis=1)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def length_m(self) -> float:
        """Length along the axis."""
        return float(self.chainage_m[-1])

    def at(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return axis positions (k, 3) at chainages (k,)."""
        where = np.asarray(chainage_m, float)
        return np.stack([np.interp(where, self.chainage_m, c) for c in self.axis_m.T], axis=-1)

    def upstream(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return unit vectors (k, 3) of the axis at chainages (k,), pointing upstream."""
        after = np.searchsorted(self.chainage_m, np.asarray(chainage_m, float), side="right")
        leg = np.clip(after - 1, 0, len(self.axis_m) - 2)
        steps = self.axis_m[leg + 1] - self.axis_m[leg]
        return np.asarray(steps / np.linalg.norm(steps, axis=-1, keepdims=True))

    def node_chainage_m(self, node: str) -> float:
        """Return the chainage of a named node; ValueError when the line has none of that name."""
        return float(self.chainage_m[self.nodes.index(node)])


@dataclass(frozen=True, slots=True)
class TrueRun:
    """One push: where the transmitter truly stood, by distance from the entry."""

    id: str
    line: str
    entry: str
    flow: Flow
    travel_m: tuple[float, ...]  # transmitter's distance from the entry at each stop
    counter_at_entry_m: float = 0.0
    transmitter_lag_m: float = 0.35
    ride_height_m: float = 0.03

    def chainage_m(self, line: TrueLine, travel_m: npt.ArrayLike) -> Floats:
        """Return chainages on `line` after travelling `travel_m` from the entry."""
        way = 1.0 if self.flow == "against" else -1.0
        return line.node_chainage_m(self.entry) + way * np.asarray(travel_m, float)


@dataclass(frozen=True, slots=True)
class TrueControl:
    """A point tapes are hooked to, and how well its coordinates are known."""

    point: str
    east_m: float
    north_m: float
    sigma_h_m: float = 0.02


@dataclass(frozen=True, slots=True)
class Opening:
    """A spot where the pipe can be seen: an open cleanout or manhole at a node."""

    name: str
    run: str
    node: str
    method: str = "offset"
    sigma_m: float = 0.02


@dataclass(frozen=True, slots=True)
class Sight:
    """Something the camera saw, by the camera face's distance from the entry."""

    run: str
    travel_m: float
    code: str
    severity: str
    text: str
    clock_from: int | None = None
    clock_to: int | None = None


@dataclass(frozen=True, slots=True)
class Crew:
    """How this crew measures and what it leaves out: the habits of a field sheet.

    `methods` are taken in turn, one per stop: gnss, offset, polar, ties2 or ties3.
    """

    kinds: tuple[Kind, ...] = ("end_null", "mid_null")
    methods: tuple[str, ...] = ("gnss",)
    baseline: tuple[str, str] = ("", "")
    tie_points: tuple[str, ...] = ()
    compass: str = ""  # the point bearings are read from
    gnss_sigma_h_m: float = 0.02
    gnss_sigma_v_m: float = 0.03
    levels: bool = True  # ground levels are measured
    tilt: bool = False  # the transmitter reports its tilt
    missing: frozenset[str] = frozenset()  # names of marks never made: "3A"
    notes: dict[str, str] = field(default_factory=dict)  # margin notes, by mark name or run/stop
    extra_column: tuple[str, tuple[str, ...]] = ("", ())  # a column of the crew's own, in turn


@dataclass(frozen=True, slots=True)
class Steps:
    """Unit of each kind of reading, and the step it is rounded to on the sheet."""

    tape: tuple[str, float] = ("m", 0.01)
    level: tuple[str, float] = ("m", 0.01)
    depth: tuple[str, float] = ("m", 0.01)
    counter: tuple[str, float] = ("m", 0.01)
    pipe: tuple[str, float] = ("m", 0.001)


@dataclass(frozen=True, slots=True)
class Truth:
    """A whole site as it really is, and who comes to survey it."""

    id: str
    name: str
    horizontal: str  # CRS, or "local"
    vertical: str
    anchor: tuple[float, float]  # CRS coordinates of the site frame's origin
    ground: TrueGround
    lines: tuple[TrueLine, ...]
    runs: tuple[TrueRun, ...]
    crew: Crew
    steps: Steps = field(default_factory=Steps)
    control: tuple[TrueControl, ...] = ()
    openings: tuple[Opening, ...] = ()
    sights: tuple[Sight, ...] = ()
    surveyed: str = "2026-05-06"

    def line(self, name: str) -> TrueLine:
        """Return a line by name; KeyError when there is none."""
        return {ln.line: ln for ln in self.lines}[name]

    def run(self, name: str) -> TrueRun:
        """Return a run by name; KeyError when there is none."""
        return {r.id: r for r in self.runs}[name]


@dataclass(frozen=True, slots=True)
class Poses:
    """Transmitters standing still (k rows): where they are and how they lie."""

    run: tuple[str, ...]
    stop: tuple[str, ...]
    travel_m: Floats
    chainage_m: Floats
    xyz_m: Floats  # (k, 3)
    heading_rad: Floats  # the way the camera travels
    tilt_rad: Floats  # positive with the head up
    depth_m: Floats  # ground straight above, minus the transmitter

    @property
    def along(self) -> Floats:
        """Unit vectors (k, 2) of the headings in plan."""
        return np.stack([np.sin(self.heading_rad), np.cos(self.heading_rad)], axis=-1)

    @property
    def across(self) -> Floats:
        """Unit vectors (k, 2) to the right of the headings in plan."""
        return np.stack([np.cos(self.heading_rad), -np.sin(self.heading_rad)], axis=-1)


def stand(truth: Truth, crooked_rad: Floats) -> Poses:
    """Return where the transmitter stood at every stop of every run.

    `crooked_rad` (k, 2) is how far each transmitter lies askew of the pipe, in heading and tilt:
    a crooked camera is not a crooked pipe.
    """
    run, stop = [], []
    travel, chainage, xyz, direction = [], [], [], []
    for r in truth.runs:
        line = truth.line(r.line)
        where = r.chainage_m(line, r.travel_m)
        run += [r.id] * len(where)
        stop += [str(i + 1) for i in range(len(where))]
        travel.append(np.asarray(r.travel_m, float))
        chainage.append(where)
        xyz.append(line.at(where))
        direction.append(line.upstream(where) * (1.0 if r.flow == "against" else -1.0))
    at, way = np.concatenate(xyz), np.concatenate(direction)
    heading = np.arctan2(way[:, 0], way[:, 1]) + crooked_rad[:, 0]
    return Poses(
        tuple(run),
        tuple(stop),
        np.concatenate(travel),
        np.concatenate(chainage),
        at,
        np.mod(heading, 2.0 * np.pi),
        np.arcsin(way[:, 2]) + crooked_rad[:, 1],
        truth.ground.level(at[:, 0], at[:, 1]) - at[:, 2],
    )


def axis_below(
    ground: TrueGround,
    plan_m: npt.ArrayLike,
    *,
    depth_m: float,
    fall: float,
    start_level_m: float | None = None,
) -> Floats:
    """Return an axis (m, 3) over plan vertices (m, 2), downstream first, rising upstream by `fall`.

    The downstream end lies `depth_m` below the ground, or at `start_level_m` when given.
    """
    plan = np.asarray(plan_m, float)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(plan, axis=0), axis=1))])
    start = start_level_m
    if start is None:
        start = float(ground.level(plan[0, 0], plan[0, 1])) - depth_m
    return np.column_stack([plan, start + fall * run])


def walk(
    start: tuple[float, float], bearing_deg: float, legs: tuple[tuple[float, float], ...]
) -> Floats:
    """Return plan vertices (m, 2) of legs (length, turn to the right after it, degrees)."""
    lengths, turns = np.array(legs, float).T
    bearings = np.radians(bearing_deg + np.concatenate([[0.0], np.cumsum(turns)[:-1]]))
    steps = lengths[:, None] * np.stack([np.sin(bearings), np.cos(bearings)], axis=1)
    return np.vstack([start, np.asarray(start) + np.cumsum(steps, axis=0)])


def standstills(
    rng: np.random.Generator,
    bends_m: npt.ArrayLike,
    *,
    first_m: float,
    last_m: float,
    spacing_m: float,
) -> tuple[float, ...]:
    """Return distances from the entry at which the camera stops, none within 0.6 m of a bend."""
    count = max(2, round((last_m - first_m) / spacing_m) + 1)
    travel = np.linspace(first_m, last_m, count)
    travel[1:-1] += rng.uniform(-0.2, 0.2, count - 2)
    for bend in np.atleast_1d(np.asarray(bends_m, float)):
        near = np.abs(travel - bend) < 0.6
        travel[near] = bend + np.where(travel[near] < bend, -0.6, 0.6)
    return tuple(float(t) for t in np.round(travel, 3))


def lateral(
    rng: np.random.Generator,
    number: int,
    crs: tuple[str, str],
    anchor: tuple[float, float],
    ground: TrueGround,
    crew: Crew,
    *,
    start: tuple[float, float],
    bearing_deg: float,
    legs: tuple[tuple[float, float], ...],
    depth_m: float,
    fall: float,
    stops_m: tuple[float, float, float],
    nodes: tuple[str, ...] = ("CO1", "MAIN"),
    uphill: bool = False,
    nominal: str = "4 in SDR35",
    counter_at_entry_m: float = 0.0,
    ride_height_m: float = 0.03,
) -> Truth:
    """Return a site of one line and one run along it, from the first of its nodes.

    Parameters: crs horizontal and vertical, legs as `walk` takes them, nodes in their order,
    stops_m distance of the first and the last stop from the entry and about how far they are apart.
    """
    plan = walk(start, bearing_deg, legs)
    up = 1 if uphill else -1
    axis = axis_below(ground, plan[::up], depth_m=depth_m, fall=fall)
    line = TrueLine("L1", axis, nodes[::up], nominal=nominal)
    turns = np.array(legs)[:-1, 1] != 0.0
    bends = np.cumsum(np.array(legs)[:-1, 0])[turns]
    first_m, last_m, spacing_m = stops_m
    travel = standstills(rng, bends, first_m=first_m, last_m=last_m, spacing_m=spacing_m)
    run = TrueRun(
        "R1",
        "L1",
        nodes[0],
        "against" if uphill else "with",
        travel,
        counter_at_entry_m,
        ride_height_m=ride_height_m,
    )
    return Truth(
        f"QH-{number:03d}",
        f"Quarry Hill {number}",
        *crs,
        anchor,
        ground,
        (line,),
        (run,),
        crew,
    )
