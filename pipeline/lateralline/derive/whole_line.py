"""How much wider than each point's 95 % ellipse a region must be to hold the whole line at 95 %.

Every point of a line within its own ellipse at once is less likely than each by itself. How much
less depends on how the points err together, which the line's joint covariance says; no table does.
So lines are drawn from it, with bows between their vertices, and the factor is the 95 % quantile of
the farthest any point of a line lies across its path, in its own σ.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.derive.ellipses import ELLIPSE_95
from lateralline.records import Floats

#: Lines drawn, with a seed of their own: equal lines have equal corridors. The quantile of 2,000 is
#: good to about 0.03.
DRAWS: Final = 2000
SEED: Final = 20260506
#: Numbers held at once.
_AT_ONCE: Final = 4_000_000


def whole_line_factor(axis: Axis) -> float:
    """Return the factor that takes the place of 2.4477; never less than that.

    A line whose vertices' covariance is not kept together takes its legs for independent pairs.
    """
    line = axis.line
    m = len(line.kind)
    chainage = np.concatenate([points.chainage_m for points in axis.sampled])
    tangent = np.concatenate([points.tangent for points in axis.sampled])
    spread = np.concatenate([points.cov_m2 for points in axis.sampled])[:, :2, :2]
    across = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    across /= np.maximum(np.hypot(*across.T), 1e-12)[:, None]
    sigma = np.sqrt(np.einsum("ni,nij,nj->n", across, spread, across))

    leg, w = axis.fraction(chainage)
    weight = np.zeros((len(chainage), m))
    row = np.arange(len(chainage))
    weight[row, leg], weight[row, leg + 1] = 1 - w, w
    by_vertex = (weight[:, :, None] * across[:, None, :]).reshape(len(chainage), 2 * m)
    length = axis.arcs.length_m[leg]
    bow = np.zeros((len(chainage), m))
    bow[row, leg] = length * w * (1 - w) ** 2 * axis.slope_sigma_rad[leg, 0]
    bow[row, leg + 1] = -length * w**2 * (1 - w) * axis.slope_sigma_rad[leg + 1, 0]

    draws = np.random.default_rng(SEED).standard_normal((DRAWS, 3 * m))
    by_draw = (
        np.concatenate([by_vertex @ _root(axis), bow], axis=1) / np.maximum(sigma, 1e-9)[:, None]
    )
    farthest = np.zeros(DRAWS)
    step = max(_AT_ONCE // DRAWS, 1)  # places looked at together: bounds memory whatever the line
    for first in range(0, len(by_draw), step):
        off = draws @ by_draw[first : first + step].T
        farthest = np.maximum(farthest, np.abs(off).max(axis=1))
    return max(float(np.quantile(farthest, 0.95)), ELLIPSE_95)


def _root(axis: Axis) -> Floats:
    """Return a root (2m, 2m) of the plan covariance of all vertices together."""
    line = axis.line
    m = len(line.kind)
    if len(line.joint_cov_m2):
        plan = line.joint_cov_m2.reshape(m, 3, m, 3)[:, :2, :, :2].reshape(2 * m, 2 * m)
    else:
        plan = np.zeros((m, 2, m, 2))
        i = np.arange(m)
        plan[i, :, i] = line.cov_m2[:, :2, :2]
        plan = plan.reshape(2 * m, 2 * m)
    value, vector = np.linalg.eigh(plan)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))
