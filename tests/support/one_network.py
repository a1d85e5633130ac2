"""One network adjusted by the package's batched adjustment, as published examples are given."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from lateralline.kernels.network import Adjustment, adjust_stack

Floats: TypeAlias = npt.NDArray[np.float64]
#: x (n,) → computed minus observed (m,), and its Jacobian (m, n).
Equations: TypeAlias = Callable[[Floats], tuple[Floats, Floats]]


def adjust(
    equations: Equations,
    cov: npt.ArrayLike,
    start: npt.ArrayLike,
    *,
    biases: Floats | None = None,
    iterations: int = 40,
    tolerance: float = 1e-6,
) -> Adjustment:
    """Return the least-squares adjustment of a network.

    cov: (m, m) covariance of the observations, or (m,) variances. The rest: see `adjust_stack`.
    """

    def stacked(x: Floats) -> tuple[Floats, Floats]:
        v, a = equations(x[0])
        return np.asarray(v)[None], np.asarray(a)[None]

    q, x = np.asarray(cov, float), np.asarray(start, float)
    q = np.diag(q) if q.ndim == 1 else q
    h = np.zeros((len(q), 0)) if biases is None else biases
    size = np.array([[len(q), len(x), h.shape[1]]])
    return adjust_stack(
        lambda _: stacked,
        q[None],
        x[None],
        h[None],
        size,
        iterations=iterations,
        tolerance=tolerance,
    )[0]
