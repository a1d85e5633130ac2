"""Finding the marks a receiver would find: numeric searches of a dipole's field on the ground.

Nothing here knows the solver or a closed form. A null is found by walking until the sign changes,
bisecting, and Newton steps with differenced slopes; a peak by a grid that closes in on it. All
searches run on batches of transmitters at once.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy
from lateralline.simulate.truth import Kind, Poses, TrueGround

#: A peak of the axial horizontal component is marked along the axis to this many depths.
AXIAL_PEAK_ALONG_DEPTHS = 0.029

_WALK = 81  # steps of a walk along the ground before a sign change is bracketed
_HALVINGS = 48  # of a bracket of 0.05 depths: to the last digit
_HALVINGS_BEFORE_NEWTON = 8
_NEWTON = 40


def dipole_field(points_m: Floats, source_m: Floats, moment: Floats) -> Floats:
    """Return the field (…, 3) of point dipoles, B ∝ [3(m̂·n)n − m̂]/R³, arbitrary unit.

    `points_m`, `source_m` and `moment` broadcast over (…, 3). Source: Griffiths, *Introduction to
    Electrodynamics*, from memory; checked against magpylib in the tests.
    """
    r = points_m - source_m
    distance = np.linalg.norm(r, axis=-1, keepdims=True)
    n = r / distance
    along = np.sum(moment * n, axis=-1, keepdims=True)
    return np.asarray((3.0 * along * n - moment) / distance**3)


def moment_of(poses: Poses) -> Floats:
    """Return the unit moments (k, 3) of transmitters, pointing the way they head."""
    level = np.cos(poses.tilt_rad)[:, None]
    return np.concatenate([poses.along * level, np.sin(poses.tilt_rad)[:, None]], axis=1)


def field_on_ground(plan_m: Floats, poses: Poses, ground: TrueGround) -> Floats:
    """Return the fields (k, …, 3) at plan positions (k, …, 2) on the ground, one row per pose."""
    middle = (1,) * (plan_m.ndim - 2)
    source = poses.xyz_m.reshape(-1, *middle, 3)
    return dipole_field(ground.on(plan_m), source, moment_of(poses).reshape(-1, *middle, 3))


def field_direction(plan_m: Floats, poses: Poses, ground: TrueGround) -> Floats:
    """Return the unit field directions, shaped as `field_on_ground`."""
    b = field_on_ground(plan_m, poses, ground)
    return np.asarray(b / np.linalg.norm(b, axis=-1, keepdims=True))


def _plan(poses: Poses, along_m: Floats, across_m: Floats) -> Floats:
    """Return plan positions (k, …, 2) from offsets (k, …) along and across the heading."""
    middle = (1,) * (along_m.ndim - 1)
    ahead = poses.along.reshape(-1, *middle, 2)
    right = poses.across.reshape(-1, *middle, 2)
    base = poses.xyz_m[:, :2].reshape(-1, *middle, 2)
    return np.asarray(base + along_m[..., None] * ahead + across_m[..., None] * right)


def _bisect(
    f: Callable[[Floats], Floats], low: Floats, high: Floats, halvings: int = _HALVINGS
) -> Floats:
    """Return roots (k,) of `f` between brackets (k,); NaN brackets stay NaN."""
    sign_low = np.sign(f(low))
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        below = np.sign(f(middle)) == sign_low
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))


def _first_change(values: Floats) -> Ints:
    """Return, per row (k, n), the step before the first change of sign, or −1."""
    change = np.sign(values[:, 1:]) != np.sign(values[:, :-1])
    return np.where(change.any(axis=1), change.argmax(axis=1), -1)


def end_null(poses: Poses, ground: TrueGround, side: int, noise: Floats) -> Floats:
    """Return plan positions (k, 2) of end nulls, beyond the head (side +1) or the tail (−1).

    There the field is upright: the horizontal part of its direction plus `noise` (k, 2) vanishes.
    NaN where no such spot lies within four depths.
    """
    depths = poses.depth_m
    zero = np.zeros_like(depths)

    def along_part(along_m: Floats) -> Floats:
        across = np.zeros_like(along_m)
        u = field_direction(_plan(poses, along_m, across), poses, ground)
        ahead = poses.along.reshape(-1, *(1,) * (along_m.ndim - 1), 2)
        return np.asarray(np.sum(u[..., :2] * ahead, axis=-1))

    walk = side * depths[:, None] * np.linspace(0.0, 4.0, _WALK)
    step = _first_change(along_part(walk))
    rows = np.arange(len(depths))
    found = step >= 0
    low = np.where(found, walk[rows, step], np.nan)
    high = np.where(found, walk[rows, np.minimum(step + 1, _WALK - 1)], np.nan)
    spot = _plan(poses, _bisect(along_part, low, high, _HALVINGS_BEFORE_NEWTON), zero)
    return _upright(spot, poses, ground, noise)


def _upright(spot_m: Floats, poses: Poses, ground: TrueGround, noise: Floats) -> Floats:
    """Return where the horizontal field direction plus noise is zero, by Newton from nearby."""

    def horizontal(plan_m: Floats) -> Floats:
        return np.asarray(field_direction(plan_m, poses, ground)[..., :2] + noise)

    h = 1e-5 * poses.depth_m[:, None]
    unit = np.eye(2)
    for _ in range(_NEWTON):
        f = horizontal(spot_m)
        slope = np.stack(
            [(horizontal(spot_m + h * e) - horizontal(spot_m - h * e)) / (2.0 * h) for e in unit],
            axis=-1,
        )
        det = slope[:, 0, 0] * slope[:, 1, 1] - slope[:, 0, 1] * slope[:, 1, 0]
        step = np.stack(
            [
                f[:, 0] * slope[:, 1, 1] - f[:, 1] * slope[:, 0, 1],
                f[:, 1] * slope[:, 0, 0] - f[:, 0] * slope[:, 1, 0],
            ],
            axis=-1,
        )
        step = step / det[:, None]
        size = np.linalg.norm(step, axis=1, keepdims=True)
        limit = 0.2 * poses.depth_m[:, None]
        spot_m = spot_m - step * np.minimum(1.0, limit / np.maximum(size, 1e-300))
        if not np.any(size > 1e-12 * poses.depth_m[:, None]):
            break
    good = np.linalg.norm(horizontal(spot_m), axis=1) < 1e-9
    return np.where(good[:, None], spot_m, np.nan)


def mid_null(poses: Poses, ground: TrueGround, across_m: Floats, noise: Floats) -> Floats:
    """Return plan positions (k, 2) over the middle where the field is level.

    The receiver walks parallel to the transmitter's axis, `across_m` (k,) to its right, until the
    upward part of the field direction plus `noise` (k,) vanishes; the zero nearest the middle
    counts. NaN where there is none within 1.2 depths.
    """

    def upward(along_m: Floats) -> Floats:
        across = np.broadcast_to(across_m.reshape(-1, *(1,) * (along_m.ndim - 1)), along_m.shape)
        u = field_direction(_plan(poses, along_m, across), poses, ground)[..., 2]
        return np.asarray(u + noise.reshape(-1, *(1,) * (along_m.ndim - 1)))

    walk = poses.depth_m[:, None] * np.linspace(-1.2, 1.2, _WALK)
    values = upward(walk)
    change = np.sign(values[:, 1:]) != np.sign(values[:, :-1])
    distance = np.where(change, np.abs(walk[:, 1:] + walk[:, :-1]), np.inf)
    step, rows = distance.argmin(axis=1), np.arange(len(walk))
    found = change.any(axis=1)
    low = np.where(found, walk[rows, step], np.nan)
    high = np.where(found, walk[rows, step + 1], np.nan)
    return _plan(poses, _bisect(upward, low, high), across_m)


def strongest(poses: Poses, ground: TrueGround, *, axial: bool) -> Floats:
    """Return plan positions (k, 2) where the whole field, or its axial part, is strongest.

    A grid of 7 × 7 over ±0.8 depths closes in on the best spot by a factor of 0.45 per round.
    """
    steps = np.linspace(-1.0, 1.0, 7)
    grid_along, grid_across = (g.ravel() for g in np.meshgrid(steps, steps, indexing="ij"))
    centre_along = np.zeros_like(poses.depth_m)
    centre_across = np.zeros_like(poses.depth_m)
    half = 0.8 * poses.depth_m
    rows = np.arange(len(half))
    for _ in range(20):
        along = centre_along[:, None] + half[:, None] * grid_along
        across = centre_across[:, None] + half[:, None] * grid_across
        b = field_on_ground(_plan(poses, along, across), poses, ground)
        if axial:
            strength = np.abs(np.sum(b[..., :2] * poses.along[:, None, :], axis=-1))
        else:
            strength = np.linalg.norm(b, axis=-1)
        best = strength.argmax(axis=1)
        centre_along, centre_across = along[rows, best], across[rows, best]
        half = 0.45 * half
    return _plan(poses, centre_along, centre_across)


def place_marks(
    rng: np.random.Generator,
    poses: Poses,
    ground: TrueGround,
    kinds: tuple[Kind, ...],
    accuracy: Accuracy,
) -> tuple[Ints, list[Kind], Floats]:
    """Return the marks a crew paints over each transmitter: pose index, kind, spot (n, 3).

    Every kind is tried at every pose; `end_null` gives two marks, tail first. Receiver noise is
    that of `accuracy`; each mark is then misplaced by `mark_placing_m` and stays on the ground.
    Marks that cannot be found are left out.
    """
    k = len(poses.depth_m)
    depth = poses.depth_m
    angle = accuracy.receiver_angle_rad
    across = accuracy.peak_across_depths * depth
    plans: list[Floats] = []
    names: list[Kind] = []
    for kind in kinds:
        if kind == "end_null":
            for side in (-1, 1):
                plans.append(end_null(poses, ground, side, rng.normal(0.0, angle, (k, 2))))
                names.append(kind)
        elif kind == "mid_null":
            aside = rng.normal(0.0, 1.0, k) * accuracy.mid_across_depths * depth
            plans.append(mid_null(poses, ground, aside, rng.normal(0.0, angle, k)))
            names.append(kind)
        elif kind in ("peak_total", "peak_axial"):
            axial = kind == "peak_axial"
            along = (AXIAL_PEAK_ALONG_DEPTHS if axial else accuracy.peak_along_depths) * depth
            blur = rng.normal(0.0, 1.0, (k, 2)) * np.stack([along, across], axis=1)
            peak = strongest(poses, ground, axial=axial)
            plans.append(peak + blur[:, :1] * poses.along + blur[:, 1:] * poses.across)
            names.append(kind)
        else:
            plans.append(_plan(poses, np.zeros(k), np.zeros(k)))
            names.append(kind)
    plan = np.stack(plans, axis=1)  # pose by pose, kinds in order
    plan = plan + rng.normal(0.0, 1.0, plan.shape) * accuracy.mark_placing_m
    spots = ground.on(plan).reshape(-1, 3)
    found = np.isfinite(spots).all(axis=1)
    kept = [names[i % len(names)] for i in np.flatnonzero(found)]
    return np.repeat(np.arange(k), len(names))[found], kept, spots[found]
