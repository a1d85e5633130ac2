"""What a pipe is expected to do before anything is measured: wander, and bend.

And so how far off it may be where it is carried on straight past the last place that was marked.
"""

from __future__ import annotations

from math import radians
from typing import Final

import numpy as np

from lateralline.kernels.curves import Floats

#: Direction of a straight stretch against the pipe at its end, each of heading and tilt: joints,
#: laying, settlement. Common practice, no source: 1° is 35 mm over 2 m. Practice pipes are dead
#: straight, so their χ² comes out below its degrees of freedom; more would hide half-metre
#: blunders, less would take a settled pipe for one.
PIPE_WANDER_RAD: Final = radians(1.0)
#: The same of a tilt over √m, where claims are made over all shapes: pipe settles in sags more than
#: it sways. Common practice, no source. Sags of 8–20 cm show so little in levels and tilts that a
#: mixture with 1° follows the 1°: it held nine in ten grades of sagging segments at most.
TILT_WANDER_RAD: Final = radians(2.0)
#: How many times as many bends there are right after a bend; of bends, the share that turns in
#: plan, in any direction, and twice. Common practice, no source.
AGAIN: Final = 4.0
SHARES: Final = {"bend": 0.72, "oblique": 0.18, "two_bends": 0.10}
#: σ of a turn whose angle is free, and of one that is not meant: common practice, no source.
FREE_RAD: Final = radians(45.0)
HELD_RAD: Final = radians(3.0)


def carried_on_m2(past_m: Floats, tangent: Floats, bends_per_m: float) -> Floats:
    """Return the mean squares (n, 3, 3) of how far a pipe is off, lengths (n,) past its last place.

    `tangent` (n, 3) is the way it is carried on; what is not known of that way is not in it. Of
    turns by φ, normal about 0 with σ: E sin² φ = (1 − e^−2σ²) / 2, and a bend anywhere along d puts
    the end aside by (d² / 3) sin² φ in the mean square.
    """
    d = np.abs(past_m)
    bent = -np.expm1(-bends_per_m * d) * d**2 / 3
    fall = np.exp(-(FREE_RAD**2) * np.array([0.5, 2.0]))
    sine, short = (1 - fall[1]) / 2, 1 - 2 * fall[0] + (1 + fall[1]) / 2
    rises = SHARES["oblique"] * sine + (1 - SHARES["oblique"]) * HELD_RAD**2
    aside_m2 = PIPE_WANDER_RAD**2 * d**3 / 3 + bent * sine
    up_m2 = TILT_WANDER_RAD**2 * d**3 / 3 + bent * rises
    level = np.hypot(tangent[:, 0], tangent[:, 1])
    steep = level < 1e-9
    east, north = (np.where(steep, i, tangent[:, k] / np.where(steep, 1, level))
                   for k, i in ((0, 0.0), (1, 1.0)))  # fmt: skip
    aside = np.column_stack([north, -east, np.zeros_like(d)])
    axes = np.stack([tangent, aside, np.cross(tangent, aside)], axis=2)
    squares = np.column_stack([bent * short, aside_m2, up_m2])
    return np.asarray((axes * squares[:, None]) @ axes.transpose(0, 2, 1))
