"""Pipes as the ground may hold them, where the transmitter stood in them, and how that is surveyed.

The model of lateralline has no part in it: a pipe is a path in steps of 2 cm with a heading and a
tilt at each, the field is that of a dipole searched on the ground (`simulate.field`), and a
contract in `pyproject.toml` keeps kernels, solver and linker out. A `World` says in what the
world differs from that model; one without changes is the model itself:

Pipe     straight legs and up to three sharp bends of 22.5–90°, at most one between two stops and
         0.5 m clear of both; falls of 1–5 %, another after every bend
Stops    8–16, 1.5–3 m apart; the transmitter is 0.6–2.5 m deep at each
Ground   a plane of up to 5 %, each stop's own slope 5 % about it
Noise    exactly as the default accuracies of `site.toml`

Each line is a site of its own, as laterals are surveyed: one run, one receiver, one day. A line
draws from streams of its own seed, one for each thing drawn, so line 7 is the same whatever else
is simulated, and a departure changes only what it is about.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import radians

import numpy as np

from lateralline.records import Flags, Floats, Ints
from lateralline.settings import Flow

#: The path is known at steps of this length.
STEP_M = 0.02
SPACING_M = (1.5, 3.0)
STOPS = (8, 16)
DEPTH_M = (0.6, 2.5)
CLEAR_OF_BEND_M = 0.5
FITTINGS_DEG = (22.5, 30.0, 45.0, 60.0, 67.5, 90.0)
ANY_ANGLE_SHARE = 0.25
FALL = (0.01, 0.05)
SITE_SLOPE = 0.05
SITE_EXTENT_M = 100.0
#: Pipe before the first stop and beyond the last.
BEFORE_M, BEYOND_M = 1.0, 2.0
#: A tilt that strays is pulled back over this length: a pipe stays in the ground.
TILT_BACK_M = 2.0
KERB_ASLANT_DEG = 30.0
#: From a pair of bends to a pipe straight down.
DROP_TILT_DEG = (45.0, 90.0)
SAG_LENGTH_M = (5.0, 9.0)

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class World:
    """In what a world differs from the model; the defaults are the model."""

    name: str
    # the pipe
    bends: tuple[int, int] = (0, 3)
    bent_share: float = 1.0  # of the lines; the others have none
    bend_radius_m: Range = (0.0, 0.0)  # 0 = sharp fittings, clear of the stops
    turn_deg: Range = (0.0, 0.0)  # of a sharp bend; 0 = mostly that of a fitting
    wander_deg: float = 0.0  # per √m, of heading and tilt
    sag_m: Range = (0.0, 0.0)
    drop_m: Range = (0.0, 0.0)
    # the stops
    stops: tuple[int, int] = STOPS
    spacing_m: Range = SPACING_M
    depth_m: Range = DEPTH_M
    face_clear_m: float = float("nan")  # the camera face stands at least so far from each bend
    lag_m: float = 0.35  # of the transmitter behind the camera face; the site is told
    one_end_last: bool = False  # the last stop has one end null, half of them behind a bend
    # the field
    steel_deg: Range = (0.0, 0.0)  # the field is turned over a few metres of the line
    steel_seen: bool = False  # and the crew saw why
    fence_deg: Range = (0.0, 0.0)  # the most that a fence along the line turns it
    # the survey
    held_m: Range = (0.0, 0.0)  # the receiver is held up, and the site does not say so
    aerial_told: bool = True  # that the receiver stood on the ground
    heavy_share: float = 0.0  # of marks, whose errors are four times as large
    method: str = "gnss"  # gnss | polar | taped
    peaks: bool = False  # the strongest spot is all that is marked
    counted: bool = True  # somebody read the counter
    slack_m: Range = (0.0, 0.0)  # the most the counter reads too much at a stop
    kerb_m: Range = (0.0, 0.0)  # a step of the ground across the line
    tilt_sigma_deg: float = 3.0  # of the transmitter in the pipe
    receiver_deg: float = 2.0
    told: Mapping[str, float] = field(default_factory=dict)  # [accuracy] of the site


@dataclass(frozen=True, slots=True, eq=False)
class TruePath:
    """A pipe in the order of travel: its transmitter's axis every 2 cm from the entry (m rows)."""

    xyz_m: Floats  # (m, 3)
    heading_rad: Floats
    tilt_rad: Floats

    @property
    def travel_m(self) -> Floats:
        """Distance of each point from the entry (m,)."""
        return np.asarray(STEP_M * np.arange(len(self.xyz_m)))

    def at(self, travel_m: Floats) -> Floats:
        """Return positions (k, 3) after travelling so far from the entry."""
        return np.stack([np.interp(travel_m, self.travel_m, c) for c in self.xyz_m.T], axis=-1)

    def row(self, travel_m: Floats) -> Ints:
        """Return the step (k,) that leaves from there."""
        return np.asarray(np.asarray(travel_m) / STEP_M + 1e-6, dtype=np.int64)

    def between(self, low_m: float, high_m: float) -> Floats:
        """Return the points (n, 3) from one distance from the entry to another, both with it."""
        inner = self.travel_m
        inner = inner[(inner > low_m) & (inner < high_m)]
        return self.at(np.concatenate([[low_m], inner, [high_m]]))


@dataclass(frozen=True, slots=True, eq=False)
class TrueSite:
    """One line, its stops (k), and the ground over it."""

    path: TruePath
    flow: Flow
    travel_m: Floats  # (k,) of the transmitter
    bend_m: Floats  # (b,) middle of each bend, from the entry
    slope: Floats  # (2,) of the ground, east and north
    level_m: float  # of the ground at the origin
    kerb_m: float  # how much higher the ground is beyond the kerb
    kerb_at: Floats  # (2,) a spot of the kerb
    kerb_way: Floats  # (2,) across it, towards its far side

    def ground_m(self, plan_m: Floats) -> Floats:
        """Return ground levels (…,) at plan positions (…, 2)."""
        return np.asarray(
            self.level_m + plan_m @ self.slope + self.kerb_m * self.beyond_kerb(plan_m)
        )

    def beyond_kerb(self, plan_m: Floats) -> Flags:
        """Tell which plan positions (…, 2) lie beyond the kerb."""
        return np.asarray((plan_m - self.kerb_at) @ self.kerb_way > 0.0)


#: What is drawn from a stream of its own.
STREAMS = ("pipe", "ground", "field", "marks", "survey", "counter", "depth", "blunder")


def stream(seed: int, line: int, what: str) -> np.random.Generator:
    """Return the generator of one thing of one line."""
    return np.random.default_rng([seed, line, STREAMS.index(what)])


def true_site(seed: int, line: int, departure: World) -> TrueSite:
    """Return a line in the ground with its stops; equal seed, line and departure give equal ones.

    Directions and falls are drawn again until the line lies at the depths of house drains.
    """
    rng = stream(seed, line, "pipe")
    stops, bends = _stops_and_bends(rng, departure)
    flow: Flow = "with" if rng.random() < 0.5 else "against"
    end = float(stops[-1]) + departure.lag_m + BEYOND_M
    low, high = departure.depth_m
    most = 0.95 * (high - low) - departure.kerb_m[1]
    span, tries = 2.0 * most, 0
    while span > most:
        tries += 1
        path = _path(rng, departure, bends, end, flow)
        steep, aspect = rng.uniform(0.0, SITE_SLOPE), rng.uniform(0.0, 2.0 * np.pi)
        slope = steep * np.array([np.sin(aspect), np.cos(aspect)])
        at = path.at(stops)
        if tries > 40:  # long lines follow the ground
            slope = np.linalg.lstsq(at[:, :2] - at[:, :2].mean(0), at[:, 2] - at[:, 2].mean())[0]
        over = at[:, :2] @ slope - at[:, 2]
        span = float(np.ptp(over))
        if tries > 400:
            raise AssertionError(f"no line of {departure.name} lies at the depths of house drains")
    ground = stream(seed, line, "ground")
    kerb = float(ground.uniform(*departure.kerb_m) * ground.choice((-1.0, 1.0)))
    where = path.at(np.array([ground.uniform(stops[0], stops[-1])]))[0, :2]
    middle = path.heading_rad[path.row(stops[len(stops) // 2])]
    across = middle + radians(ground.uniform(-KERB_ASLANT_DEG, KERB_ASLANT_DEG))
    site = TrueSite(
        path,
        flow,
        stops,
        np.array([b.middle_m for b in bends]),
        slope,
        0.0,
        kerb,
        where,
        np.array([np.sin(across), np.cos(across)]),
    )
    depth = site.ground_m(at[:, :2]) - at[:, 2]
    level = ground.uniform(low - depth.min(), high - depth.max())
    return replace(site, level_m=float(level))


# ---- the pipe -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _TrueBend:
    start_m: float
    end_m: float
    turn_rad: float  # to the right
    rise_rad: float = 0.0

    @property
    def middle_m(self) -> float:
        return 0.5 * (self.start_m + self.end_m)


def _stops_and_bends(rng: np.random.Generator, d: World) -> tuple[Floats, list[_TrueBend]]:
    """Return where the transmitter stops (k,), from the entry, and the bends in order."""
    count = int(rng.integers(d.stops[0], d.stops[1] + 1))
    gaps = rng.uniform(*d.spacing_m, count - 1)
    wanted = int(rng.integers(d.bends[0], d.bends[1] + 1))
    if d.bent_share < 1.0 and rng.random() >= d.bent_share:
        wanted = 0
    if d.drop_m[1]:
        return _with_drop(rng, d, gaps)
    stops = BEFORE_M + np.concatenate([[0.0], np.cumsum(gaps)])
    if d.bend_radius_m[1]:
        bends = _sweeps(rng, d, wanted, float(stops[-1]))
        if np.isfinite(d.face_clear_m):
            stops = _clear_of(bends, stops + d.lag_m, d.face_clear_m) - d.lag_m
        return stops, bends
    held = set(rng.permutation(count - 2)[:wanted].tolist()) if wanted else set()
    if d.one_end_last and rng.random() < 0.5:
        held.add(count - 2)
    bends = []
    for i in sorted(held):
        at = rng.uniform(stops[i] + CLEAR_OF_BEND_M, stops[i + 1] - CLEAR_OF_BEND_M)
        turn = radians(rng.uniform(30.0, 60.0)) if i == count - 2 else _angle(rng, d)
        bends.append(_TrueBend(float(at), float(at), float(rng.choice((-1.0, 1.0))) * turn))
    return stops, bends


def _angle(rng: np.random.Generator, d: World) -> float:
    if d.turn_deg[1]:
        return radians(rng.uniform(*d.turn_deg))
    if rng.random() < ANY_ANGLE_SHARE:
        return radians(rng.uniform(FITTINGS_DEG[0], FITTINGS_DEG[-1]))
    return radians(float(rng.choice(FITTINGS_DEG)))


def _sweeps(rng: np.random.Generator, d: World, count: int, last_m: float) -> list[_TrueBend]:
    """Return up to `count` bends of a radius, none into another."""
    bends: list[_TrueBend] = []
    for _ in range(count):
        for _ in range(20):
            radius, turn = rng.uniform(*d.bend_radius_m), radians(rng.uniform(22.5, 90.0))
            start = rng.uniform(BEFORE_M, last_m - 0.5 * radius * turn)
            end = start + radius * turn
            if all(end + 0.5 < b.start_m or start > b.end_m + 0.5 for b in bends):
                side = float(rng.choice((-1.0, 1.0)))
                bends.append(_TrueBend(float(start), float(end), side * turn))
                break
    return sorted(bends, key=lambda b: b.start_m)


def _clear_of(bends: list[_TrueBend], face_m: Floats, clear_m: float) -> Floats:
    """Return camera faces (k,) moved out of every bend, those then too near another left out."""
    for b in bends:
        low, high = b.start_m - clear_m, b.end_m + clear_m
        inside = (face_m > low) & (face_m < high)
        face_m = np.where(inside, np.where(face_m < b.middle_m, low, high), face_m)
    face_m = np.sort(face_m)
    return np.asarray(face_m[np.concatenate([[True], np.diff(face_m) > 0.5])])


def _with_drop(rng: np.random.Generator, d: World, gaps: Floats) -> tuple[Floats, list[_TrueBend]]:
    """Return stops and the two bends of a drop, whose steep piece has no stop in it."""
    where = int(rng.integers(1, len(gaps) - 1))
    fall = radians(rng.uniform(*DROP_TILT_DEG))
    steep = rng.uniform(*d.drop_m) / np.sin(fall)
    gaps = gaps.copy()
    gaps[where] = steep + rng.uniform(2 * CLEAR_OF_BEND_M, 2.5)
    stops = BEFORE_M + np.concatenate([[0.0], np.cumsum(gaps)])
    start = rng.uniform(stops[where] + CLEAR_OF_BEND_M, stops[where + 1] - CLEAR_OF_BEND_M - steep)
    return stops, [
        _TrueBend(float(start), float(start), 0.0, fall),
        _TrueBend(float(start + steep), float(start + steep), 0.0, -fall),
    ]


def _path(
    rng: np.random.Generator, d: World, bends: list[_TrueBend], end_m: float, flow: Flow
) -> TruePath:
    """Return the path from the entry; rises and falls are those of the way upstream."""
    count = int(np.ceil(end_m / STEP_M)) + 1
    middle = STEP_M * (np.arange(count) + 0.5)
    up = 1.0 if flow == "against" else -1.0
    heading = np.full(count, rng.uniform(0.0, 2.0 * np.pi))
    rise = np.full(count, np.arctan(rng.uniform(*FALL)))
    for b in bends:
        done = np.clip((middle - b.start_m) / max(b.end_m - b.start_m, 1e-9), 0.0, 1.0)
        heading += b.turn_rad * done
        rise += b.rise_rad * done
        if not b.rise_rad:
            rise = np.where(done > 0.0, np.arctan(rng.uniform(*FALL)), rise)
    if d.wander_deg:
        kicks = radians(d.wander_deg) * np.sqrt(STEP_M) * rng.normal(size=(count, 2))
        heading += np.cumsum(kicks[:, 0])
        rise += _pulled_back(kicks[:, 1], np.exp(-STEP_M / TILT_BACK_M))
    if d.sag_m[1]:
        depth, length = rng.uniform(*d.sag_m), rng.uniform(*SAG_LENGTH_M)
        start = rng.uniform(BEFORE_M, max(end_m - BEYOND_M - length, BEFORE_M + 0.1))
        share = np.clip((middle - start) / length, 0.0, 1.0)
        rise -= np.arctan(up * depth * np.pi / length * np.sin(2.0 * np.pi * share))
    tilt = up * rise
    level = np.cos(tilt)
    steps = STEP_M * np.stack(
        [np.sin(heading) * level, np.cos(heading) * level, np.sin(tilt)], axis=-1
    )
    first = np.array([*rng.uniform(0.0, SITE_EXTENT_M, 2), 0.0])
    xyz = first + np.concatenate([np.zeros((1, 3)), np.cumsum(steps[:-1], axis=0)])
    return TruePath(xyz, heading, tilt)


def _pulled_back(kicks: Floats, kept: float) -> Floats:
    """Return kicks (m,) summed, the sum pulled back to 0 by its share at every step."""
    weight = kept ** np.arange(len(kicks), dtype=float)
    block = 500  # weights of longer ones would vanish
    out, carried = np.empty_like(kicks), 0.0
    for first in range(0, len(kicks), block):
        part = kicks[first : first + block]
        w = weight[: len(part)]
        out[first : first + block] = w * (np.cumsum(part / w) + kept * carried)
        carried = float(out[min(first + block, len(kicks)) - 1])
    return out
