"""What an adjustment found besides positions: counter scales and offsets, depth-reading scales."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lateralline.link.search import Fit
from lateralline.records import AdjustedParameter, Solved
from lateralline.settings import Settings


def parameters(
    fits: Sequence[Fit], solved: Solved, settings: Settings
) -> tuple[AdjustedParameter, ...]:
    """Return the adjusted value of each, with its σ and what it was before."""
    out = []
    for fit in fits:
        x, sigma = fit.result.x, np.sqrt(np.diag(fit.result.cov))
        for run, i in fit.model.scale_x.items():
            prior = settings.accuracy.counter_scale_ratio
            out.append(
                AdjustedParameter(
                    "counter_scale", f"run {run}", float(x[i]), float(sigma[i]), "1", 1.0, prior
                )
            )
            for at, place, reading in fit.model.offset_x[run]:
                where = f" at {place.subject}"
                out.append(
                    AdjustedParameter(
                        "counter_offset",
                        f"run {run}{where}",
                        float(x[at]),
                        float(sigma[at]),
                        "m",
                        reading,
                        settings.accuracy.counter_m,
                    )
                )
        lines = " and ".join(p.line for p in fit.model.parts)
        columns = fit.model.shared_x
        first = len(columns) - len(solved.depth_scales)
        for scale, i in zip(solved.depth_scales, columns[max(first, 0) :].tolist(), strict=False):
            if first >= 0 and i >= 0:
                name = f"receiver {scale.receiver}".strip() + f", line {lines}"
                value = scale.value + scale.sigma * float(x[i])
                spread = scale.sigma * float(sigma[i])
                prior = settings.accuracy.depth_scale_ratio
                out.append(AdjustedParameter("depth_scale", name, value, spread, "1", 1.0, prior))
    return tuple(out)
