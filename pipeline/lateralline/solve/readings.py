"""Findings of the depth readings: what a receiver's scale is, and units that were mistaken."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lateralline.findings import Finding, Given, finding
from lateralline.proportions import MOST_DEPTH_M
from lateralline.records import Ints, StopRows, Texts
from lateralline.solve.scale import NEAR_SLIP, ReceiverScale
from lateralline.solve.units import unit_of, unit_written
from lateralline.units import METRES_PER

#: What units are called where they are taken for one another.
_CALLED = {
    "m": "metres",
    "cm": "centimetres",
    "ft": "feet",
    "us-ft": "feet",
    "in": "inches",
}
#: A receiver is rarely off by more than this. Common practice, no source.
_MOST_TIMES = 1.15
#: A reading this many times too large, or too small, gained or lost a digit.
_DIGIT = 10.0


def unit_findings(
    scale: ReceiverScale, receivers: Texts, units: Mapping[str, str], stops: StopRows, stop: Ints
) -> tuple[Finding, ...]:
    """Return an error for each receiver, or single stop, whose readings are in another unit.

    `units` are those of depth and counter as set; `stop` (k,) are the rows of `stops`. Receivers
    come first: what all their readings are off by is not said of each.
    """
    slipped = np.isfinite(scale.slip)
    alone = np.flatnonzero(scale.impossible & ~slipped[scale.group])
    return (
        *(_of_receiver(scale, receivers, g, units) for g in map(int, np.flatnonzero(slipped))),
        *(_of_stop(stops, int(stop[k]), float(scale.by_marks[k]), units["depth"]) for k in alone),
    )


def _of_receiver(
    scale: ReceiverScale, receivers: Texts, g: int, units: Mapping[str, str]
) -> Finding:
    unit, times = units["depth"], float(scale.typical[g])
    written, taped = unit_written(unit, times), unit_of(METRES_PER[units["tape"]] * times)
    return finding(
        "depth-unit",
        _receiver(receivers, g),
        variant="written" if written else "",
        times=times,
        unit=_CALLED[unit],
        written=written,
        # the same ratio, were depths right: it takes two wrong units, or no counters
        taped=_CALLED[taped] if taped else "",
        most_times=_MOST_TIMES,
    )


def _of_stop(stops: StopRows, i: int, times: float, unit: str) -> Finding:
    """Return the error of one reading that its stop's marks deny; the stop does without it."""
    read = stops.depth_reading_m[i] / METRES_PER[unit]
    subject, where = f"stop {stops.run[i]}/{stops.stop[i]}", f"{stops.file}:{stops.row[i]}"
    values: dict[str, Given] = {
        "times": times,
        "read": read,
        "unit": unit,
        "by_marks": read / times,
    }
    digit = abs(abs(np.log(times)) - np.log(_DIGIT))
    written = unit_written(unit, times, NEAR_SLIP)
    if written and abs(np.log(times * METRES_PER[written] / METRES_PER[unit])) < digit:
        values |= {"written": written, "right": read * METRES_PER[written] / METRES_PER[unit]}
        return finding("depth-impossible", subject, variant="unit", where=where, more=values)
    variant = "digit" if digit < np.log(NEAR_SLIP) else "odd"
    return finding("depth-impossible", subject, variant=variant, where=where, more=values)


def too_deep(stops: StopRows, rows: Ints, unit: str) -> tuple[Finding, ...]:
    """Return an error for each reading deeper than any receiver shows; it is not used."""
    return tuple(
        finding(
            "depth-impossible",
            f"stop {stops.run[i]}/{stops.stop[i]}",
            variant="deep",
            where=f"{stops.file}:{stops.row[i]}",
            reading_m=stops.depth_reading_m[i],
            most_m=MOST_DEPTH_M,
            unit=_CALLED[unit],
        )
        for i in rows.tolist()
    )


def _receiver(receivers: Texts, g: int) -> str:
    return f"receiver {receivers[g]}" if receivers[g] else "site"


def receiver_findings(scale: ReceiverScale, receivers: Texts) -> list[Finding]:
    """Return what was learnt of each receiver's depth-reading scale."""
    out: list[Finding] = []
    for g in map(int, np.flatnonzero(scale.used > 1)):
        off = float(scale.value[g] - 1.0)
        sure = abs(off) > 2.0 * scale.sigma[g]
        out.append(
            finding(
                "depth-scale",
                _receiver(receivers, g),
                variant="true" if not sure else "low" if off < 0.0 else "",
                severity="warning" if sure else "info",
                off_percent=100.0 * abs(off) if sure else 100.0 * off,
                sigma_percent=100.0 * scale.sigma[g],
                readings=int(scale.used[g]),
            )
        )
    return out
