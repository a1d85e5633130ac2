"""Findings of the depth readings: what a receiver's scale is, and units that were mistaken."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lateralline.proportions import MOST_DEPTH_M
from lateralline.records import Finding, Ints, StopRows, Texts
from lateralline.solve.scale import NEAR_SLIP, Scale
from lateralline.solve.units import unit_of, unit_written
from lateralline.units import METRES_PER
from lateralline.wording import metres

#: What units are called where they are taken for one another.
_CALLED = {
    "m": "metres",
    "cm": "centimetres",
    "ft": "feet",
    "us-ft": "feet",
    "in": "inches",
}
#: A reading this many times too large, or too small, gained or lost a digit.
_DIGIT = 10.0


def unit_findings(
    scale: Scale, receivers: Texts, units: Mapping[str, str], stops: StopRows, stop: Ints
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


def _of_receiver(scale: Scale, receivers: Texts, g: int, units: Mapping[str, str]) -> Finding:
    unit, times = units["depth"], float(scale.typical[g])
    written, taped = unit_written(unit, times), unit_of(METRES_PER[units["tape"]] * times)
    to_do = f'set depth = "{written}"' if written else "set depth"
    to_do += " under [units] if that is what was written"
    if taped:  # the same ratio, were depths right: it takes two wrong units, or no counters
        to_do += (
            f"; if depths are right as set, the tape was in {_CALLED[taped]}, and so the counter"
        )
    return Finding(
        "error",
        "solve",
        "depth-unit",
        _receiver(receivers, g),
        f"depth readings are {scale.typical[g]:.2f} times the depths that the nulls give"
        + (f": written in {_mistaken(written, unit)}?" if written else ""),
        f"typically {scale.typical[g]:.2f}; a receiver is rarely off by more than 1.15",
        f"{to_do}; no reading of it was used meanwhile",
    )


def _of_stop(stops: StopRows, i: int, times: float, unit: str) -> Finding:
    """Return the error of one reading that its stop's marks deny; the stop does without it."""
    read = stops.depth_reading_m[i] / METRES_PER[unit]
    by_marks = f"{read / times:.2f} {unit}"
    why, mend = "", f"correct it; by its marks it would read about {by_marks}"
    digit = abs(abs(np.log(times)) - np.log(_DIGIT))
    written = unit_written(unit, times, NEAR_SLIP)
    if written and abs(np.log(times * METRES_PER[written] / METRES_PER[unit])) < digit:
        why = f": read in {_mistaken(written, unit)}?"
        right = read * METRES_PER[written] / METRES_PER[unit]
        mend = f"write {right:.2f} if {read:.4g} {written} was read"
    elif digit < np.log(NEAR_SLIP):
        why = ": a decimal point?"
    return Finding(
        "error",
        "solve",
        "depth-impossible",
        f"stop {stops.run[i]}/{stops.stop[i]}",
        f"its depth_reading of {read:.4g} {unit} cannot be{why}",
        f"{times:.2f} times the {by_marks} that its marks give",
        f"{mend}; the reading is not used, and the stop is solved by its marks",
        f"{stops.file}:{stops.row[i]}",
    )


def too_deep(stops: StopRows, rows: Ints, unit: str) -> tuple[Finding, ...]:
    """Return an error for each reading deeper than any receiver shows; it is not used."""
    return tuple(
        Finding(
            "error",
            "solve",
            "depth-impossible",
            f"stop {stops.run[i]}/{stops.stop[i]}",
            "its depth_reading cannot be: no transmitter is found so deep",
            f"{metres(stops.depth_reading_m[i])}; {metres(MOST_DEPTH_M, 0)} at most are believed",
            f"look at its digits, and at the unit of depth (set to {_CALLED[unit]}); the reading "
            "is not used",
            f"{stops.file}:{stops.row[i]}",
        )
        for i in rows.tolist()
    )


def _mistaken(written: str, unit: str) -> str:
    return f"{_CALLED[written]} where the unit is set to {_CALLED[unit]}"


def _receiver(receivers: Texts, g: int) -> str:
    return f"receiver {receivers[g]}" if receivers[g] else "site"


def receiver_findings(scale: Scale, receivers: Texts) -> list[Finding]:
    """Return what was learnt of each receiver's depth-reading scale."""
    out: list[Finding] = []
    for g in map(int, np.flatnonzero(scale.used > 1)):
        off = float(scale.value[g] - 1.0)
        sure = abs(off) > 2.0 * scale.sigma[g]
        out.append(
            Finding(
                "warning" if sure else "info",
                "solve",
                "depth-scale",
                _receiver(receivers, g),
                "depth readings against depths from nulls and exposures",
                f"scale {scale.value[g]:.3f} ± {scale.sigma[g]:.3f} (1 σ) "
                f"from {scale.used[g]} readings",
                "readings are divided by it; have the receiver checked if it persists"
                if sure
                else "none needed: the receiver reads true within its error",
            )
        )
    return out
