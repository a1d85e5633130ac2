"""The observation equations a stretch of pipe is judged and adjusted by, batched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lateralline.kernels.curves import wrap
from lateralline.records import Floats
from lateralline.settings import Accuracy

#: Direction of a straight stretch against the pipe at its end, each of heading and tilt: joints,
#: laying, settlement. Common practice, no source: 1° is 35 mm over 2 m. Practice pipes are dead
#: straight, so their χ² comes out below its degrees of freedom; more would hide half-metre
#: blunders, less would take a settled pipe for one.
PIPE_WANDER_RAD = np.radians(1.0)

#: A leg shorter than this is inside the transmitter; no bend can be told there.
SHORTEST_LEG_M = 0.05


def leg_directions(start_m: Floats, end_m: Floats, angles_rad: Floats) -> tuple[Floats, ...]:
    """Return how far legs point away from headings and tilts, and the derivatives.

    start, end (…, 3); angles (…, 2) heading, tilt. Gives the residual (…, 2), its derivative by
    `end` (…, 2, 3; by `start` it is the opposite) and by the angles (…, 2, 2). The heading residual
    is reduced to the leg's own slope (times cosine of tilt), so that both are angles on the sphere
    and a steep leg, whose heading means little, counts little.
    """
    leg = end_m - start_m
    length = np.maximum(np.linalg.norm(leg, axis=-1), 1e-9)
    d = leg / length[..., None]
    level = np.maximum(np.hypot(d[..., 0], d[..., 1]), 1e-12)
    off = wrap(np.arctan2(d[..., 0], d[..., 1]) - angles_rad[..., 0])
    tilt = np.arctan2(d[..., 2], level)
    residual = np.stack([level * off, wrap(tilt - angles_rad[..., 1])], axis=-1)

    east, north, up = d[..., 0] / level, d[..., 1] / level, d[..., 2]
    zero = np.zeros_like(up)
    by_direction = np.stack(
        [
            np.stack([off * east + north, off * north - east, zero], axis=-1),
            np.stack([-up * east, -up * north, level], axis=-1),
        ],
        axis=-2,
    )
    across = (np.eye(3) - d[..., :, None] * d[..., None, :]) / length[..., None, None]
    by_angles = np.zeros((*residual.shape, 2))
    by_angles[..., 0, 0] = -level
    by_angles[..., 1, 1] = -1.0
    return residual, by_direction @ across, by_angles


def counter_variance(length_m: Floats, accuracy: Accuracy) -> Floats:
    """Variance of a counter difference: two readings, and the cable's slack over the length."""
    return np.asarray(2 * accuracy.counter_m**2 + (accuracy.counter_ratio * length_m) ** 2)


def balance_sigma(both_m: Floats) -> Floats:
    """σ of first less last leg of a bent stretch, given both together: uniform over their sum.

    It keeps a bend between its stops where nothing else does.
    """
    return np.asarray(np.maximum(both_m, SHORTEST_LEG_M) / np.sqrt(3))


def exact_is_small(accuracy: Accuracy) -> Accuracy:
    """Return the accuracies with none that is zero where the adjustment divides by it."""
    return replace(
        accuracy,
        counter_m=max(accuracy.counter_m, 1e-4),
        counter_scale_ratio=max(accuracy.counter_scale_ratio, 1e-6),
    )
