"""Depth readings and units: what a receiver's scale is, and which units were mistaken.

Which of a site's units would make its tape, depth readings and counters agree? The nulls give
depths, and the stops give distances, in the unit of the tape. A wrong unit of the readings puts
these alone off by the ratio of two units, and so for the counters; a wrong unit of the tape puts
both off alike. The fewest wrong units that explain what was found are the likeliest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations, product
from math import isfinite, log

import numpy as np

from lateralline.catalogue import Given
from lateralline.findings import ANY, Finding, finding
from lateralline.proportions import MOST_DEPTH_M
from lateralline.records import Flags, Floats, Marks, StopRows
from lateralline.settings import Settings
from lateralline.solve.gather import Gathered
from lateralline.solve.scale import NEAR_SLIP, ReceiverScale
from lateralline.units import METRES_PER, READ_IN

#: A median this near (as a factor) to what a unit would make of it is explained by it. Units are
#: 2.5 times apart, a receiver is hardly 15 % off, and a path is longer than its chords by its
#: bends. Common practice, no source.
_NEAR = 1.25
#: Stops nearer than this part of the usual tell no distance; fewer readings than these no habit.
_APART, _READINGS = 0.25, 2
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


@dataclass(frozen=True, slots=True)
class UnitCheck:
    """Whether the units of tape, depth readings and counters can be as set."""

    findings: tuple[Finding, ...]
    unusable: Flags  # (k,) stops whose depth reading cannot be used
    lengths_unreliable: bool  # the tape's unit is wrong, and with it all lengths between marks


def check_units(
    gathered: Gathered, scale: ReceiverScale, marks: Marks, stops: StopRows, settings: Settings
) -> UnitCheck:
    """Return the errors of units, and the depth readings that cannot be used.

    Receivers come before single stops: what all readings of one are off by is not reported again.
    A wrong tape is reported alone, since depths and counters only follow it.
    """
    units = {key: settings.units.get(key) or "m" for key in ("tape", "depth", "counter")}
    found = agreement(gathered, marks, stops, settings, scale.by_marks)
    fits = explanations(found, units)
    wrong_tape = any("tape" in fit for fit in fits)
    slipped = np.isfinite(scale.slip)
    unusable = slipped[scale.group] | scale.impossible | wrong_tape
    deep = ~unusable & (stops.depth_reading_m[gathered.stop] > MOST_DEPTH_M)
    findings = (
        (_tape_finding(fits, found),)
        if wrong_tape
        else (
            *(_of_receiver(scale, g, units) for g in map(int, np.flatnonzero(slipped))),
            *(
                _of_stop(stops, int(gathered.stop[k]), float(scale.by_marks[k]), units["depth"])
                for k in np.flatnonzero(scale.impossible & ~slipped[scale.group])
            ),
            *(_too_deep(stops, int(i), units["depth"]) for i in gathered.stop[deep]),
        )
    )
    return UnitCheck(findings, unusable | deep, wrong_tape)


def unit_written(unit: str, times: float, near: float = _NEAR) -> str:
    """Return the unit in which numbers were read that come out `times` too large in `unit`; or "".

    >>> unit_written("ft", 12.1), unit_written("m", 3.3), unit_written("ft", 5.0)
    ('in', 'ft', '')
    """
    return unit_of(METRES_PER[unit] / times, near)


def unit_of(metres: float, near: float = _NEAR) -> str:
    """Return the unit of about so many metres; "" when there is none."""
    off = {unit: abs(log(metres / METRES_PER[unit])) for unit in READ_IN}
    best = min(off, key=lambda unit: off[unit])
    return best if off[best] < log(near) else ""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How readings and counters stand to what was taped: medians, NaN where too few are known."""

    depths: float  # reading over depth by the nulls, of stops that were taped
    counters: float  # counted over distance between stops that were taped
    unplaced: float  # as `depths`, of stops that were not taped


def agreement(
    gathered: Gathered, marks: Marks, stops: StopRows, settings: Settings, by_marks: Floats
) -> Agreement:
    """Return how far tape, depths and counters agree; by_marks (k,) as in `ReceiverScale`."""
    taped = _taped(gathered, marks, settings)
    known = np.isfinite(by_marks)
    return Agreement(
        _median(by_marks[taped & known], _READINGS),
        _median(_counted(gathered, stops, taped), 1),
        _median(by_marks[~taped & known], _READINGS),
    )


def explanations(found: Agreement, units: Mapping[str, str]) -> list[dict[str, str]]:
    """Return the smallest sets of keys of [units], with what each should be, that explain all.

    [{}] when nothing is wrong; none when something is and no units explain it, or too little is
    known: two units at most, since all three wrong explain almost any counter that went wrong.
    Stops that were not taped are evidence of the tape where they disagree with
    those that were.
    """
    known = {"depth": found.depths, "counter": found.counters, "unplaced": found.unplaced}
    known = {key: value for key, value in known.items() if isfinite(value) and value > 0.0}
    if len(known) < 2:
        return []
    keys = ("tape", "depth", "counter")
    for n in range(len(keys)):
        fit = [
            dict(zip(wrong, read_in, strict=True))
            for wrong in combinations(keys, n)
            for read_in in product(READ_IN, repeat=n)
            if all(_size(u) != _size(units[k]) for k, u in zip(wrong, read_in, strict=True))
        ]
        if fit := [f for f in fit if _explains(f, known, units)]:
            return fit
    return []


def _explains(fit: Mapping[str, str], known: Mapping[str, float], units: Mapping[str, str]) -> bool:
    """Whether units would make of the readings what was found."""
    longer = {key: METRES_PER[fit[key]] / METRES_PER[units[key]] for key in fit}
    tape, depth, counter = (longer.get(key, 1.0) for key in ("tape", "depth", "counter"))
    makes = {"depth": tape / depth, "counter": tape / counter, "unplaced": 1.0 / depth}
    return all(abs(log(known[key] / makes[key])) < log(_NEAR) for key in known)


def _size(unit: str) -> str:
    return "ft" if unit == "us-ft" else unit


def _taped(gathered: Gathered, marks: Marks, settings: Settings) -> Flags:
    """Return the stops (k,) all of whose marks hang on the unit of the tape."""
    by_tape = ("offset", "ties", "polar", *(("gnss",) if settings.horizontal == "local" else ()))
    return gathered.all_marks(np.isin(marks.method, by_tape))


def _counted(gathered: Gathered, stops: StopRows, taped: Flags) -> Floats:
    """Return counted over distance for neighbouring taped stops of all runs."""
    problem, size = gathered.problem, len(gathered.stop)
    totals = [np.bincount(problem.of_stop, x, size) for x in problem.marks.xyz_m[:2]]
    middle = np.array(totals, np.float64) / np.maximum(problem.count, 1)
    run, counter = stops.run[gathered.stop], stops.counter_m[gathered.stop]
    at = np.flatnonzero(taped & np.isfinite(counter))
    at = at[np.lexsort((counter[at], run[at]))]
    before, after = at[:-1], at[1:]
    apart = np.hypot(*(middle[:, after] - middle[:, before]))
    next_to = (run[before] == run[after]) & (apart > 0.0)
    use = next_to & (apart > _APART * np.median(apart[next_to])) if next_to.any() else next_to
    return np.asarray((counter[after] - counter[before])[use] / apart[use])


def _median(values: Floats, least: int) -> float:
    return float(np.median(values)) if len(values) >= least else float("nan")


# ---- findings -------------------------------------------------------------------------------


def _tape_finding(fits: list[dict[str, str]], found: Agreement) -> Finding:
    """Return the error of a tape that was hardly read in the unit set, with what would fit."""
    ways = [" and ".join(f'{key} = "{unit}"' for key, unit in fit.items()) for fit in fits]
    alone = all(set(fit) == {"tape"} for fit in fits)
    by_counters = isfinite(found.counters)
    return finding(
        "unit-wrong",
        "site",
        variant="tape" if alone else "tape-unknown",
        explains=[ANY],
        ways=ways,
        against="counters" if by_counters else "depth readings",
        times=found.counters if by_counters else found.depths,
        depths=found.depths,
        counters=found.counters,
        unplaced=found.unplaced,
    )


def _of_receiver(scale: ReceiverScale, g: int, units: Mapping[str, str]) -> Finding:
    """Return the error of a receiver all of whose readings are in another unit."""
    unit, times = units["depth"], float(scale.typical[g])
    written, taped = unit_written(unit, times), unit_of(METRES_PER[units["tape"]] * times)
    return finding(
        "unit-wrong",
        _subject(scale, g),
        variant="depth" if written else "depth-unknown",
        explains=[ANY],
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
        return finding("depth-reading-wrong", subject, variant="unit", where=where, more=values)
    variant = "digit" if digit < np.log(NEAR_SLIP) else "odd"
    return finding("depth-reading-wrong", subject, variant=variant, where=where, more=values)


def _too_deep(stops: StopRows, i: int, unit: str) -> Finding:
    """Return the error of a reading deeper than any receiver shows; it is not used."""
    return finding(
        "depth-reading-wrong",
        f"stop {stops.run[i]}/{stops.stop[i]}",
        variant="deep",
        where=f"{stops.file}:{stops.row[i]}",
        reading_m=stops.depth_reading_m[i],
        most_m=MOST_DEPTH_M,
        unit=_CALLED[unit],
    )


def _subject(scale: ReceiverScale, g: int) -> str:
    return f"receiver {scale.receiver[g]}" if scale.receiver[g] else "site"


def receiver_findings(scale: ReceiverScale) -> Iterator[Finding]:
    """Yield what each receiver's depth-reading scale came to; a warning where it is unlikely."""
    for g in map(int, np.flatnonzero(scale.used > 1)):
        off = float(scale.value[g] - 1.0)
        unlikely = bool(scale.unlikely[g])
        yield finding(
            "receiver-scale",
            _subject(scale, g),
            variant="true" if not unlikely else "low" if off < 0.0 else "",
            severity="warning" if unlikely else "info",
            off_percent=100.0 * abs(off) if unlikely else 100.0 * off,
            sigma_percent=100.0 * scale.sigma[g],
            readings=scale.used[g],
        )
