"""How little may lie over a pipe, and a pipe above the ground: what no record may say unsaid."""

from __future__ import annotations

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.records import Finding, Floats
from lateralline.wording import metres


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
    return (
        Finding(
            "error",
            "derive",
            "cover-negative",
            f"line {axis.line.line}",
            f"the top of the pipe lies above the ground near chainage {metres(at[worst])}: levels, "
            "depths or the line itself are wrong there",
            f"cover {metres(cover[worst])} ± {metres(INTERVAL_95 * sigma[worst])} (95 %)",
            "correct what other findings say of the line, then check depths and ground levels "
            "beside that place",
        ),
    )
