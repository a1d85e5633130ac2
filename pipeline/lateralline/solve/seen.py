"""Stops where an exposure shows how deep the transmitter lies: they calibrate the receiver."""

from __future__ import annotations

import numpy as np

from lateralline.records import Exposures, Floats, StopRows
from lateralline.settings import Settings
from lateralline.solve.gather import Gathered

#: An exposure this near a stop, along the pipe, shows its depth; a grade over that is added to σ.
NEAR_M = 0.5
GRADE_SIGMA = 0.05


def seen_depths(
    gathered: Gathered, stops: StopRows, settings: Settings, exposures: Exposures | None
) -> tuple[Floats, Floats]:
    """Return depth below ground and σ (k,) where an exposure shows it; NaN elsewhere."""
    k = len(gathered.stop)
    depth, sigma = np.full(k, np.nan), np.full(k, np.nan)
    if exposures is None:
        return depth, sigma
    run, counter = stops.run[gathered.stop], stops.counter_m[gathered.stop]
    for i in np.flatnonzero(exposures.placed & np.isfinite(exposures.counter_m)):
        here = np.flatnonzero(run == exposures.run[i])
        if not here.size:
            continue
        of_run = settings.run(str(exposures.run[i]))
        gap = np.abs(counter[here] - of_run.transmitter_lag_m - exposures.counter_m[i])
        nearest = here[np.argmin(gap)]
        pipe = settings.pipe(of_run.line)
        rise = pipe.axis_above_m(str(exposures.measured_to[i]), of_run.ride_height_m)
        found = exposures.ground_m[i] - exposures.xyz_m[i, 2] - rise
        if gap.min() < NEAR_M and np.isfinite(found):
            depth[nearest] = found
            sigma[nearest] = np.hypot(
                np.sqrt(exposures.cov_m2[i, 2, 2]), GRADE_SIGMA * max(float(gap.min()), 0.05)
            )
    return depth, sigma
