"""Which of a site's units would make its tape, depth readings and counters agree.

The nulls give depths, and the stops give distances, in the unit of the tape. A wrong unit of the
readings puts these alone off by the ratio of two units, and so for the counters; a wrong unit of
the tape puts both off alike. The fewest wrong units that explain what was found are the likeliest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, product
from math import isfinite, log

import numpy as np

from lateralline.findings import Finding, finding
from lateralline.records import Flags, Floats, Marks, StopRows
from lateralline.settings import Settings
from lateralline.solve.gather import Gathered
from lateralline.units import METRES_PER

#: Units a crew may have read in; the US survey foot is no other foot here.
_READ_IN = ("m", "cm", "ft", "in")
#: A median this near (as a factor) to what a unit would make of it is explained by it. Units are
#: 2.5 times apart, a receiver is hardly 15 % off, and a path is longer than its chords by its
#: bends. Common practice, no source.
_NEAR = 1.25
#: Stops nearer than this part of the usual tell no distance; fewer readings than these no habit.
_APART, _READINGS = 0.25, 2


def unit_written(unit: str, times: float, near: float = _NEAR) -> str:
    """Return the unit in which numbers were read that come out `times` too large in `unit`; or "".

    >>> unit_written("ft", 12.1), unit_written("m", 3.3), unit_written("ft", 5.0)
    ('in', 'ft', '')
    """
    return unit_of(METRES_PER[unit] / times, near)


def unit_of(metres: float, near: float = _NEAR) -> str:
    """Return the unit of about so many metres; "" when there is none."""
    off = {unit: abs(log(metres / METRES_PER[unit])) for unit in _READ_IN}
    best = min(off, key=lambda unit: off[unit])
    return best if off[best] < log(near) else ""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How readings and counters stand to what was taped: medians, NaN where too few tell."""

    depths: float  # reading over depth by the nulls, of stops that were taped
    counters: float  # counted over distance between stops that were taped
    unplaced: float  # as `depths`, of stops that were not taped


def agreement(
    gathered: Gathered, marks: Marks, stops: StopRows, settings: Settings, by_marks: Floats
) -> Agreement:
    """Return how far the units of tape, depth and counter agree; by_marks (k,) as in `Scale`."""
    taped = _taped(gathered, marks, settings)
    told = np.isfinite(by_marks)
    return Agreement(
        _median(by_marks[taped & told], _READINGS),
        _median(_counted(gathered, marks, stops, taped), 1),
        _median(by_marks[~taped & told], _READINGS),
    )


def explanations(found: Agreement, units: Mapping[str, str]) -> list[dict[str, str]]:
    """Return the smallest sets of keys of [units], with what each should be, that explain all.

    [{}] when nothing is wrong; none when something is and no units explain it, or too little is
    known. Stops that were not taped speak for the tape when they disagree with those that were.
    """
    known = {"depth": found.depths, "counter": found.counters, "unplaced": found.unplaced}
    known = {key: value for key, value in known.items() if isfinite(value) and value > 0.0}
    if len(known) < 2:
        return []
    keys = ("tape", "depth", "counter")
    for n in range(len(keys) + 1):
        fit = [
            dict(zip(wrong, read_in, strict=True))
            for wrong in combinations(keys, n)
            for read_in in product(_READ_IN, repeat=n)
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


def tape_finding(fits: list[dict[str, str]], found: Agreement) -> Finding:
    """Return the error of a tape that was hardly read in the unit set, with what would fit."""
    ways = [" and ".join(f'{key} = "{unit}"' for key, unit in fit.items()) for fit in fits]
    alone = all(set(fit) == {"tape"} for fit in fits)
    by_counters = isfinite(found.counters)
    return finding(
        "tape-unit",
        "site",
        variant="tape" if alone else "",
        ways=ways,
        against="counters" if by_counters else "depth readings",
        times=found.counters if by_counters else found.depths,
        depths=found.depths,
        counters=found.counters,
        unplaced=found.unplaced,
    )


def _size(unit: str) -> str:
    return "ft" if unit == "us-ft" else unit


def _taped(gathered: Gathered, marks: Marks, settings: Settings) -> Flags:
    """Return the stops (k,) all of whose marks hang on the unit of the tape."""
    by_tape = np.isin(marks.method, ("offset", "ties", "polar"))
    if settings.horizontal == "local":
        by_tape |= marks.method == "gnss"
    problem = gathered.problem
    other = np.bincount(
        problem.of_stop,
        weights=~by_tape[problem.marks.row],
        minlength=len(problem.stops.count),
    )
    return np.asarray(other == 0)


def _counted(gathered: Gathered, marks: Marks, stops: StopRows, taped: Flags) -> Floats:
    """Return counted over distance for neighbouring taped stops of all runs."""
    problem, size = gathered.problem, len(gathered.stop)
    totals = [np.bincount(problem.of_stop, x, size) for x in problem.marks.xyz_m[:2]]
    middle = np.array(totals, np.float64) / np.maximum(problem.stops.count, 1)
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
