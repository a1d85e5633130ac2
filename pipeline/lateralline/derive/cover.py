"""The least cover of a pipe, and the error of a pipe whose top lies above the ground."""

from __future__ import annotations

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.findings import Finding, finding
from lateralline.records import Floats


def least_cover_95_m(bounds_m: Floats) -> float:
    """Return the least of the lower 95 % covers of stations (n,), m; NaN where one has none.

    Each station's bound speaks for its own place, not for all of them at once.

    >>> least_cover_95_m(np.array([1.2, 0.9])), least_cover_95_m(np.array([1.2, np.nan]))
    (0.9, nan)
    """
    return float(bounds_m.min()) if len(bounds_m) else float("nan")


def cover_findings(axis: Axis) -> tuple[Finding, ...]:
    """Return an error finding where a line lies with its top above the ground.

    Something is wrong then: levels, depths, or the way the line is drawn between its stops.
    """
    cover = np.concatenate([points.cover_m for points in axis.sampled])
    if not (cover < 0.0).any():  # NaN where the pipe's size is not known
        return ()
    at = np.concatenate([points.chainage_m for points in axis.sampled])
    sigma = np.concatenate([points.depth_sigma_m for points in axis.sampled])
    worst = int(np.nanargmin(cover))
    above = finding(
        "cover-negative",
        f"line {axis.line.line}",
        at_m=at[worst],
        cover_m=cover[worst],
        sigma_m=sigma[worst],
    )
    return (above,)
