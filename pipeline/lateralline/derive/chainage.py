"""From a counter reading to a place on the adjusted line, and from a place to a reading.

The counter refers to the camera face. Where the face reads c the transmitter later reads c + lag,
and then stands where the face was: so on a line whose vertices carry the *transmitter's* counter
(reading − lag), the face at reading c is at the place of counter c.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lateralline.derive.axis import Axis
from lateralline.records import Floats, Texts
from lateralline.settings import Accuracy, Run

#: How far past a line's end a reading is carried on, over the run's lag: common practice, no
#: source. The last stop leaves the face a lag ahead of the transmitter, which is never located.
CARRY_ON_M = 1.0
#: What the ends of a line are called, by whether anything tells the flow: where chainage begins,
#: and where it stops. Where nothing tells it begins at the entry the camera went in by.
END_NAMES: Final = {True: ("downstream", "upstream"), False: ("entry", "far")}

_ROUNDING_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Reached:
    """Where counter readings (n,) of one run are on its line."""

    chainage_m: Floats  # carried on past an end where `beyond_m` > 0; NaN when the run has no stop
    counter_sigma_m: Floats  # along the line, from the counter alone
    beyond_m: Floats  # past the end of the line; 0 on it
    status: Texts  # on_line | beyond_end | not_located


def reach(axis: Axis, run: Run, counter_m: Floats, accuracy: Accuracy) -> Reached:
    """Return the places on a line of camera-face counters (n,) read in `run`.

    Between two located points of the run the reading is shared out in proportion, so their own
    scale rules; past the outermost of them the run's adjusted counter scale does.
    """
    line = axis.line
    known = np.flatnonzero((line.run == run.id) & np.isfinite(line.counter_m))
    if not len(known):
        nothing = np.full(len(counter_m), np.nan)
        return Reached(nothing, nothing, nothing, np.full(len(counter_m), "not_located"))
    known = known[np.argsort(line.counter_m[known], kind="stable")]
    counter, chainage = line.counter_m[known], axis.chainage_m[known]
    scale, scale_sigma = line.counter_scale.get(run.id, (1.0, accuracy.counter_scale_ratio))
    upstream = run.upstream_sign

    inside = counter_m.clip(counter[0], counter[-1])
    past = counter_m - inside  # counter run out beyond the outermost located points
    at = np.interp(inside, counter, chainage) + upstream * scale * past
    beyond = np.maximum(np.maximum(-at, at - axis.length_m), 0.0)
    beyond[beyond < _ROUNDING_M] = 0.0

    limit = run.transmitter_lag_m + CARRY_ON_M
    status = np.select([beyond == 0.0, beyond <= limit], ["located", "beyond_end"], "not_located")
    sigma = _counter_sigma(counter, inside, past, scale_sigma, accuracy)
    return Reached(at, sigma, beyond, status)


def counters_at(axis: Axis, run: Run, chainage_m: Floats) -> Floats | None:
    """Return what the counter of `run` reads (n,) with its transmitter at chainages of the line.

    Camera face, as a crew reads it; shared out and carried on as in `reach`. None for a run
    without a located counter.
    """
    line = axis.line
    known = np.flatnonzero((line.run == run.id) & np.isfinite(line.counter_m))
    if not len(known):
        return None
    inside = chainage_m.clip(axis.chainage_m[known[0]], axis.chainage_m[known[-1]])
    scale, _ = line.counter_scale.get(run.id, (1.0, 0.0))
    upstream = run.upstream_sign
    at = np.interp(inside, axis.chainage_m[known], line.counter_m[known])
    return np.asarray(at + upstream / scale * (chainage_m - inside) + run.transmitter_lag_m)


def best_run(axis: Axis, runs: Sequence[Run], chainage_m: Floats) -> Run | None:
    """Return the run whose counter gives places (n,) of a line best; None when none does.

    The one that was located to both sides of them, or least short of it; then the one with a stop
    nearest to each.
    """
    line = axis.line

    def short(run: Run) -> tuple[float, float]:
        known = axis.chainage_m[(line.run == run.id) & np.isfinite(line.counter_m)]
        if not len(known):
            return np.inf, np.inf
        beyond = np.maximum(known[0] - chainage_m, chainage_m - known[-1]).max()
        nearest = np.abs(chainage_m[:, None] - known).min(axis=1).max()
        return max(float(beyond), 0.0), float(nearest)

    best = min((r for r in runs if r.line == line.line), key=short, default=None)
    return best if best is not None and np.isfinite(short(best)[0]) else None


def _counter_sigma(
    counter: Floats, inside: Floats, past: Floats, scale_sigma: float, accuracy: Accuracy
) -> Floats:
    """Return σ (n,) of a place from its own reading and those of the points it lies between."""
    after = np.searchsorted(counter, inside).clip(1, max(len(counter) - 1, 1)) % len(counter)
    before = np.maximum(after - 1, 0)
    span = counter[after] - counter[before]
    w = np.divide(inside - counter[before], span, out=np.zeros_like(inside), where=span > 0)
    nearest = np.minimum(np.abs(inside - counter[before]), np.abs(counter[after] - inside))
    variance = accuracy.counter_m**2 * (1.0 + (1.0 - w) ** 2 + w**2)
    variance += (accuracy.counter_ratio * (nearest + np.abs(past))) ** 2
    return np.asarray(np.sqrt(variance + (scale_sigma * past) ** 2))
