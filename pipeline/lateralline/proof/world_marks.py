"""The marks a crew finds over the transmitter where steel, a kerb or a receiver held up disturbs.

Spots are searched on the ground as in `simulate.field`; a field that is turned where a mark is
found moves it as a receiver turned the other way would.

Steel    turns the field about one level axis by one angle along 3–5 m of the line, and ever less
         over a metre beyond both ends: where the field is upright it leans so much. What is buried
         is not known; neighbouring marks and stops share what it does.
Fence    is magnetised along itself, in proportion to the field there, and adds its own field:
         a row of dipoles beside a straight line. It draws both end nulls the same way across and
         apart or together along, as no tilt does.
Kerb     the ground is two planes, and a mark is found on the one it lies on.
Height   marks are found on a plane above the ground, and painted below.
Errors   receiver, placing and what the crew takes for straight over the pipe, as the accuracies
         of the site state; of `heavy_share` of the marks four times as large, each its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians

import numpy as np

from lateralline.proof.world_truth import TrueSite, World, stream
from lateralline.records import Flags, Floats, Ints, Texts
from lateralline.settings import Accuracy
from lateralline.simulate.field import dipole_field, end_null, mid_null, moment_of, strongest
from lateralline.simulate.truth import Poses, TrueGround

#: The marks of a stop, in their order.
KINDS = ("end_null", "end_null", "mid_null")
#: Where they are along the axis in depths, nearly: enough to know what steel is near.
NEARLY = (-0.7071, 0.7071, 0.0)
STEEL_OVER_M = (3.0, 5.0)
STEEL_FADES_M = 1.0
FENCE_BESIDE_M = (0.5, 2.0)
FENCE_HEIGHT_M = (0.0, 0.5)
_FENCE_REACH_M, _FENCE_PARTS = 8.0, 81
HEAVY = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class FoundMarks:
    """Marks of all lines (n), each still where the paint is: nothing of it is measured yet."""

    line: Ints  # of each
    stop: Ints  # of each, from 0 in its line
    kind: Texts
    xyz_m: Floats  # (n, 3) on the ground
    heavy: Flags  # its errors are `HEAVY` times as large
    poses: Poses
    first: Ints  # row of `poses` of each line's first stop; one more at the end
    turned: Flags  # (k,) as `poses`: the field is, by more than a degree


def find_marks(
    seed: int, sites: Sequence[TrueSite], departure: World, accuracy: Accuracy
) -> FoundMarks:
    """Return the marks of all lines; errors are those of `accuracy` and of the departure."""
    first = np.concatenate([[0], np.cumsum([len(s.travel_m) for s in sites])])
    line = np.repeat(np.arange(len(sites)), np.diff(first))
    e = _errors(seed, sites, departure)
    crooked = e.skew * (accuracy.axis_heading_rad, radians(departure.tilt_sigma_deg))
    poses, planes = _poses(sites, crooked, accuracy.ground_slope_ratio * e.slope)
    turn = [_turned(stream(seed, i, "field"), s, departure, _rows(poses, a, b))
            for i, (s, a, b) in enumerate(_parts(sites, first))]  # fmt: skip
    wide = np.where(e.heavy, HEAVY, 1.0)  # (k, 3 marks)
    noise = wide[..., None] * e.angle * radians(departure.receiver_deg) + np.concatenate(turn)
    aside = wide[:, 2] * e.aside * accuracy.mid_across_depths * poses.depth_m
    held = np.array([held_up_m(seed, i, departure) for i in range(len(sites))])[line]

    def search(up_m: Floats) -> tuple[Floats, Flags]:
        plan = _found(poses, planes, held + up_m, noise, aside)
        return plan, _beyond(sites, first, plan)

    own = _beyond(sites, first, poses.xyz_m[:, :2])
    # the ground beyond the kerb, seen from where the transmitter is
    step = np.repeat([s.kerb_m for s in sites], np.diff(first)) * np.where(own, -1.0, 1.0)
    kinds: tuple[str, ...] = KINDS
    if departure.peaks:
        kinds, beyond = ("peak_total",), own[:, None]
        plan = _peaks(poses, planes, held, e, accuracy)[:, None]
    else:
        plan, beyond = search(np.zeros(len(line)))
        if departure.kerb_m[1]:
            over, there = search(step)
            near, far = (beyond == own[:, None]), (there != own[:, None])
            plan = np.where(near[..., None], plan, np.where(far[..., None], over, np.nan))
            beyond = np.where(near, own[:, None], ~own[:, None])
    plan = plan + (wide[..., None] * e.placing)[:, : len(kinds)] * accuracy.mark_placing_m
    level = planes.level(plan[..., 0], plan[..., 1])
    level = level + np.where(beyond != own[:, None], step[:, None], 0.0)
    keep = np.asarray(np.isfinite(plan).all(axis=2))
    if departure.one_end_last:
        ends = first[1:] - 1
        keep[ends, e.missing[ends]] = False
    row, which = np.nonzero(keep)
    return FoundMarks(
        line[row],
        row - first[line[row]],
        np.array(kinds)[which],
        np.concatenate([plan, level[..., None]], axis=2)[row, which],
        e.heavy[row, which],
        poses,
        first,
        np.abs(np.concatenate(turn)).max(axis=(1, 2)) > radians(1.0),
    )


def held_up_m(seed: int, line: int, departure: World) -> float:
    """Return how far above the ground the receiver of a line is held."""
    return float(stream(seed, line, "field").uniform(*departure.held_m))


def _parts(sites: Sequence[TrueSite], first: Ints) -> list[tuple[TrueSite, int, int]]:
    """Return each line with its rows, from and to."""
    return list(zip(sites, first[:-1].tolist(), first[1:].tolist(), strict=True))


def _beyond(sites: Sequence[TrueSite], first: Ints, plan_m: Floats) -> Flags:
    """Tell which plan positions (k, …, 2) at the stops lie beyond their line's kerb."""
    return np.concatenate([s.beyond_kerb(plan_m[a:b]) for s, a, b in _parts(sites, first)])


@dataclass(frozen=True, slots=True, eq=False)
class _MarkErrors:
    """What is drawn for k stops, in standard deviations."""

    skew: Floats  # (k, 2) of the transmitter in the pipe: heading, tilt
    angle: Floats  # (k, 3 marks, 3) of the receiver
    aside: Floats  # (k,) of the mid null
    placing: Floats  # (k, 3 marks, 2)
    heavy: Flags  # (k, 3 marks)
    slope: Floats  # (k, 2) of the ground under the stop
    missing: Ints  # (k,) which end is not marked, where one is not


def _errors(seed: int, sites: Sequence[TrueSite], departure: World) -> _MarkErrors:
    rows = []
    for line, site in enumerate(sites):
        rng, k = stream(seed, line, "marks"), len(site.travel_m)
        rows.append((
            rng.normal(size=(k, 2)),
            rng.normal(size=(k, 3, 3)),
            rng.normal(size=k),
            rng.normal(size=(k, 3, 2)),
            rng.random((k, 3)) < departure.heavy_share,
            rng.normal(size=(k, 2)),
            rng.integers(0, 2, k),
        ))  # fmt: skip
    return _MarkErrors(*(np.concatenate(column) for column in zip(*rows, strict=True)))


def _poses(
    sites: Sequence[TrueSite], skew_rad: Floats, own_slope: Floats
) -> tuple[Poses, TrueGround]:
    """Return the transmitters of all lines, and the plane of the ground at each."""
    each = [(s, s.path.row(s.travel_m), s.path.at(s.travel_m)) for s in sites]
    xyz = np.concatenate([at for _, _, at in each])
    heading = np.concatenate([s.path.heading_rad[row] for s, row, _ in each]) + skew_rad[:, 0]
    tilt = np.concatenate([s.path.tilt_rad[row] for s, row, _ in each]) + skew_rad[:, 1]
    ground = np.concatenate([s.ground_m(at[:, :2]) for s, _, at in each])
    slope = own_slope + np.concatenate([np.tile(s.slope, (len(at), 1)) for s, _, at in each])
    travel = np.concatenate([s.travel_m for s in sites])
    lines = tuple(f"L{i}" for i, s in enumerate(sites) for _ in s.travel_m)
    stops = tuple(str(j + 1) for s in sites for j in range(len(s.travel_m)))
    poses = Poses(
        lines, stops, travel, travel, xyz, np.mod(heading, 2.0 * np.pi), tilt, ground - xyz[:, 2]
    )
    level = ground - np.sum(slope * xyz[:, :2], axis=1)
    return poses, TrueGround(level, slope[:, 0], slope[:, 1])


def _rows(poses: Poses, a: int, b: int) -> Poses:
    return Poses(
        poses.run[a:b], poses.stop[a:b], poses.travel_m[a:b], poses.chainage_m[a:b],
        poses.xyz_m[a:b], poses.heading_rad[a:b], poses.tilt_rad[a:b], poses.depth_m[a:b],
    )  # fmt: skip


def _found(
    poses: Poses, planes: TrueGround, up_m: Floats, noise: Floats, aside_m: Floats
) -> Floats:
    """Return plan positions (k, 3, 2) of tail, head and mid null, on planes raised by `up_m`."""
    ground = TrueGround(planes.level_m + up_m, planes.grade_east, planes.grade_north)
    ends = [end_null(poses, ground, side, noise[:, j, :2]) for j, side in enumerate((-1, 1))]
    return np.stack([*ends, mid_null(poses, ground, aside_m, noise[:, 2, 2])], axis=1)


def _peaks(
    poses: Poses, planes: TrueGround, up_m: Floats, e: _MarkErrors, accuracy: Accuracy
) -> Floats:
    """Return plan positions (k, 2) of the strongest field, as well as a crew finds it."""
    ground = TrueGround(planes.level_m + up_m, planes.grade_east, planes.grade_north)
    along = e.angle[:, 0, :1] * accuracy.peak_along_depths * poses.depth_m[:, None]
    across = e.aside[:, None] * accuracy.peak_across_depths * poses.depth_m[:, None]
    peak = strongest(poses, ground, axial=False)
    return np.asarray(peak + along * poses.along + across * poses.across)


# ---- what turns the field -----------------------------------------------------------------


def _turned(rng: np.random.Generator, site: TrueSite, d: World, poses: Poses) -> Floats:
    """Return by what the unit field differs (k, 3 marks, 3) from that of the transmitter alone."""
    rng.random(8)  # the height it is held at comes first in this stream
    if d.fence_deg[1]:
        return _fence(rng, d, poses)
    out = np.zeros((len(poses.stop), 3, 3))
    if not d.steel_deg[1]:
        return out
    aspect, angle = rng.uniform(0.0, 2.0 * np.pi), radians(rng.uniform(*d.steel_deg))
    axis = angle * np.array([np.sin(aspect), np.cos(aspect), 0.0])
    over = rng.uniform(*STEEL_OVER_M)
    start = rng.uniform(site.travel_m[0] - 0.5 * over, site.travel_m[-1] - 0.5 * over)
    for j, depths in enumerate(NEARLY):
        along = site.travel_m + depths * poses.depth_m
        outside = np.maximum(np.maximum(start - along, along - start - over), 0.0)
        share = np.clip(1.0 - outside / STEEL_FADES_M, 0.0, 1.0)
        out[:, j] = share[:, None] * np.cross(axis, _undisturbed(poses, depths))
    return out


def _undisturbed(poses: Poses, depths: float) -> Floats:
    """Return the unit field (k, 3) of level transmitters at a null: up beyond the head."""
    if depths:
        return np.tile([0.0, 0.0, np.sign(depths)], (len(poses.stop), 1))
    return np.column_stack([-poses.along, np.zeros(len(poses.stop))])


def _fence(rng: np.random.Generator, d: World, poses: Poses) -> Floats:
    beside = rng.uniform(*FENCE_BESIDE_M) * rng.choice((-1.0, 1.0))
    height = rng.uniform(*FENCE_HEIGHT_M)
    most = radians(rng.uniform(*d.fence_deg))
    along = np.array([*poses.along.mean(axis=0), 0.0])
    along /= np.linalg.norm(along)
    right = np.array([along[1], -along[0], 0.0])
    over = poses.xyz_m + poses.depth_m[:, None] * (0.0, 0.0, 1.0)
    parts = np.linspace(-_FENCE_REACH_M, _FENCE_REACH_M, _FENCE_PARTS)
    foot = over + beside * right + height * np.array([0.0, 0.0, 1.0])
    steel = foot[:, None] + parts[:, None] * along  # (k, parts, 3)
    source, moment = poses.xyz_m[:, None], moment_of(poses)[:, None]
    drawn = dipole_field(steel, source, moment) @ along  # (k, parts)
    out = np.empty((len(poses.stop), 3, 3))
    for j, depths in enumerate(NEARLY):
        spot = over + depths * poses.depth_m[:, None] * np.column_stack(
            [poses.along, np.zeros(len(poses.stop))]
        )
        own = np.linalg.norm(dipole_field(spot[:, None], source, moment), axis=-1)
        added = dipole_field(spot[:, None], steel, drawn[..., None] * along).sum(axis=1)
        out[:, j] = added / own
    felt = np.concatenate([out[:, :2, :2].reshape(-1, 2), out[:, 2:, 2]], axis=None)
    return np.asarray(out * most / np.abs(felt).max())
