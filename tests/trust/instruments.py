"""Mistakes of tapes, counters, receivers and coordinate systems, and of where a base stood."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lateralline.units import METRES_PER
from tests.trust.catalogue import (
    AT_COUNTER,
    AT_DEPTH,
    AT_TAPE,
    Change,
    at_mark,
    at_reading,
    has,
    mistake,
    pick,
    stop_of,
    stops_of,
)
from tests.trust.sites import SiteTables, Slip

SITE = Slip()


def each(table: str, column: str, new: Callable[[float], float]) -> Change:
    """Return the mistake that changes every number of a column, which keep their decimals."""

    def change(site: SiteTables, rng: np.random.Generator) -> Slip | None:
        rows = [r for r in site.tables[table] if r.get(column)]
        for row in rows:
            places = len(row[column].partition(".")[2])
            row[column] = f"{new(float(row[column])):.{places}f}"
        return SITE if rows else None

    return change


# ---- units --------------------------------------------------------------------------------------

#: By setting: what it is said to be, and by that all numbers of the kind are read.
_UNITS = {
    "tape": ("tapes", ("unit-wrong", "tie-misfit/alike", "misfit/site")),
    "level": ("levels", ("unit-wrong", "levels-mixed", "level-far/all")),
    "depth": ("depth readings", ("unit-wrong", "depth-reading-wrong")),
    "counter": ("the counter", ("unit-wrong", "counter-wrong")),
}


def _unit(key: str, was: str, said: str) -> Change:
    """Return the mistake of stating a unit that is not that of the numbers."""

    def change(site: SiteTables, rng: np.random.Generator) -> Slip | None:
        units = site.settings["units"]
        if key in ("tape", "level") and not _taped(site):
            return None  # GNSS is in the units of the CRS
        if key == "level" and not _levels(site):
            return None
        own = (("control", "x"), ("control", "y")) if key == "tape" and not mapped(site) else ()
        for table, column in (*_COLUMNS[key], *own):  # axes of a sketch are taped too
            for row in site.tables[table]:
                if row.get(column) and row.get("method") != "gnss":
                    row[column] = _converted(row[column], METRES_PER[units[key]] / METRES_PER[was])
        units[key] = said
        if key == "counter":  # the settings of the run are right, in the unit that is stated
            for run in site.settings["run"]:
                for name in ("counter_at_entry", "transmitter_lag"):
                    own = METRES_PER["ft"] if site.scenario == "tape-ties" else 1.0
                    run[name] = round(run[name] * own / METRES_PER[said], 3)
            for branch in site.settings.get("branch", []):
                branch["at_counter"] = round(branch["at_counter"] / METRES_PER[was], 2)
        return SITE

    return change


_COLUMNS = {
    "tape": tuple(("marks", c) for c in ("base_distance", "base_offset", "polar_distance", "ties"))
    + tuple(("exposures", c) for c in ("base_distance", "base_offset")),
    "level": (("marks", "z"), ("exposures", "z"), ("control", "z")),
    "depth": (("stops", "depth_reading"), ("exposures", "depth")),
    "counter": (("stops", "counter"), ("exposures", "counter"), ("observations", "counter")),
}


def _levels(site: SiteTables) -> bool:
    return any(r.get("z") for r in site.marks)


def _converted(text: str, times: float) -> str:
    if ":" in text:
        ties = (tie.split(":") for tie in text.split(";"))
        return ";".join(f"{point}:{float(length) * times:.2f}" for point, length in ties)
    return f"{float(text) * times:.2f}"


for _key, (_word, _codes) in _UNITS.items():
    for _was, _said, _name in (
        ("ft", "m", "feet-as-metres"),
        ("m", "ft", "metres-as-feet"),
        ("in", "ft", "inches-as-feet"),
        ("cm", "m", "centimetres-as-metres"),
    ):
        mistake(f"{_key}-{_name}", f"{_name.replace('-', ' ').capitalize()}: {_word}.",
                *_codes, hidden="relief" * (_key == "level" and _was == "m"))(
            _unit(_key, _was, _said)
        )  # fmt: skip
    mistake(f"{_key}-us-feet", f"US survey feet as international feet: {_word}.", *_codes)(
        _unit(_key, "us-ft", "ft")
    )


@mistake("depth-one-inches", "One depth is read in inches where the others are in the unit stated.",
         *AT_DEPTH)  # fmt: skip
def depth_one_inches(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _one_depth(site, rng, 1.0 / METRES_PER["in"])


@mistake("depth-one-feet", "One depth is read in the other of feet and metres.", *AT_DEPTH)
def depth_one_feet(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    feet = site.settings["units"]["depth"] == "ft"
    return _one_depth(site, rng, 1.0 if feet else 1.0 / METRES_PER["ft"])


def _one_depth(site: SiteTables, rng: np.random.Generator, per_m: float) -> Slip:
    i = pick(rng, site.stops, has("depth_reading"))
    assert i is not None
    own = METRES_PER[site.settings["units"]["depth"]]
    row = site.stops[i]
    row["depth_reading"] = f"{float(row['depth_reading']) * own * per_m:.1f}"
    return at_reading(site, i)


# ---- counters -----------------------------------------------------------------------------------


def _metre(site: SiteTables) -> float:
    """Return a metre in the unit of the counter."""
    return 1.0 / METRES_PER[site.settings["units"]["counter"]]


def _counted(site: SiteTables, run: str) -> list[int]:
    return [i for i, r in enumerate(site.stops) if r["run"] == run]


def _recount(
    site: SiteTables, run: str, new: Callable[[float], float], past: float = -np.inf
) -> None:
    """Change what the counter of a run shows past a reading, for all that was read off it."""
    for table in ("stops", "observations", "exposures"):
        for row in site.tables[table]:
            if row["run"] == run and row.get("counter") and float(row["counter"]) >= past:
                row["counter"] = f"{new(float(row['counter'])):.2f}"
    for branch in site.settings.get("branch", []):
        if branch["run"] == run and branch["at_counter"] >= past:
            branch["at_counter"] = round(new(branch["at_counter"]), 2)


def _read(site: SiteTables, i: int) -> float:
    return float(site.stops[i]["counter"])


@mistake("counter-reset", "The counter is set to nought midway.", *AT_COUNTER)
def counter_reset(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = _counted(site, "R1")
    cut = int(rng.integers(2, len(rows) - 1))
    zero = _read(site, rows[cut - 1])
    _recount(site, "R1", lambda c: c - zero, zero + 0.01)
    return Slip(("R1", *(stop_of(site.stops[i]) for i in rows)))


@mistake("counter-slip", "The wheel of the counter slips: from one stop on it reads 1 m less.",
         *AT_COUNTER)  # fmt: skip
def counter_slip(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = _counted(site, "R1")
    cut, lost = int(rng.integers(1, len(rows))), _metre(site)
    _recount(site, "R1", lambda c: c - lost, _read(site, rows[cut]))
    return Slip(tuple(stop_of(site.stops[rows[i]]) for i in (cut - 1, cut)))


@mistake("counter-down", "The counter counts down to the far end.", *AT_COUNTER, "unit-wrong",
         "back-fall/line")  # fmt: skip
def counter_down(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    top = 60.0 * _metre(site)
    _recount(site, "R1", lambda c: top - c)
    return Slip(("R1", "L1", *stops_of(site)))


@mistake("counter-still", "The counter stands still.", *AT_COUNTER)
def counter_still(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    first = _read(site, _counted(site, "R1")[0])
    _recount(site, "R1", lambda c: first)
    return Slip(("R1", *stops_of(site)))


@mistake("counter-long", "The counter reads 3 % too much throughout.", *AT_COUNTER, "misfit/line",
         "unit-wrong/counter")  # fmt: skip
def counter_long(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    _recount(site, "R1", lambda c: 1.03 * c)
    return Slip(("R1", "L1", *stops_of(site)))


@mistake("counter-at-transmitter", "The counter is read at the transmitter, not at the face.",
         "counter-wrong/at-transmitter", hidden="entry")  # fmt: skip
def counter_at_transmitter(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    for run in site.settings["run"]:
        for i in _counted(site, run["id"]):
            site.stops[i]["counter"] = f"{_read(site, i) - float(run['transmitter_lag']):.2f}"
    return SITE


@mistake("entry-counter", "counter_at_entry is 1 m off.", "entry-not-located", "blunder",
         "exposure-disagrees", "counter-wrong", "shape-undecided/or-wrong",
         hidden="entry")  # fmt: skip
def entry_counter(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    run = site.settings["run"][0]
    run["counter_at_entry"] = round(float(run["counter_at_entry"]) + _metre(site), 2)
    return Slip((run["id"], run["line"], run["entry"], stops_of(site)[0]))


# ---- tapes and levels ---------------------------------------------------------------------------


def _tapes(site: SiteTables, rows: list[int], new: Callable[[float], float]) -> None:
    for i in rows:
        row = site.marks[i]
        for column in ("base_distance", "polar_distance"):
            if row.get(column):
                row[column] = f"{new(float(row[column])):.2f}"
        if row.get("ties"):
            ties = (tie.split(":") for tie in row["ties"].split(";"))
            row["ties"] = ";".join(f"{p}:{new(float(s)):.2f}" for p, s in ties)


def mapped(site: SiteTables) -> bool:
    return bool(site.settings["crs"]["horizontal"] != "local")


def _taped(site: SiteTables) -> list[int]:
    return [i for i, r in enumerate(site.marks) if r["method"] != "gnss"]


def _tape_metre(site: SiteTables) -> float:
    return 1.0 / METRES_PER[site.settings["units"]["tape"]]


@mistake("tape-zero", "The tape is hooked 0.1 m behind its zero at every mark.", *AT_TAPE,
         "misfit/site", "misfit/line", "misfit", "baseline-check")  # fmt: skip
def tape_zero(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows, more = _taped(site), 0.1 * _tape_metre(site)
    _tapes(site, rows, lambda s: s + more)
    return SITE if rows else None


@mistake("tape-burnt", "One mark is taped from the 1 m mark of a broken tape.", *AT_TAPE)
def tape_burnt(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = _taped(site)
    if not rows:
        return None
    i, more = int(rng.choice(rows)), _tape_metre(site)
    _tapes(site, [i], lambda s: s + more)
    return at_mark(site, i)


@mistake("tape-scale", "The tape is stretched: it reads 3 % too little.", *AT_TAPE,
         "misfit", "unit-wrong/tape")  # fmt: skip
def tape_scale(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = _taped(site)
    _tapes(site, rows, lambda s: 0.97 * s)
    return SITE if rows else None


@mistake("bench-all", "All levels rest on a wrong bench mark: 1 m too high throughout.",
         hidden="elsewhere")  # fmt: skip
def bench_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if not _levels(site):
        return None
    metre = 1.0 / METRES_PER[site.settings["units"]["level"]]
    for table in ("marks", "exposures", "control"):
        each(table, "z", lambda z: z + metre)(site, rng)
    return SITE


@mistake("bench-half", "From one stop on levels rest on another bench mark, 1 m too high.",
         "levels-mixed", "blunder/level", "blunder/tied", "shape-undecided/step",
         "shape-undecided/contradiction", "shape-undecided/or-wrong", "mark-blunder",
         "back-fall/segment", "stops-shifted")  # fmt: skip
def bench_half(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if not _levels(site):
        return None
    late = late_stops(site, rng)
    metre = 1.0 / METRES_PER[site.settings["units"]["level"]]
    for row in site.marks:
        if stop_of(row) in late:
            row["z"] = f"{float(row['z']) + metre:.2f}"
    return Slip((*late, before(site, late[0]), "L1"))


def late_stops(site: SiteTables, rng: np.random.Generator) -> list[str]:
    """Return the stops of run R1 from one on, two at least to either side."""
    stops = [stop_of(r) for r in site.stops if r["run"] == "R1"]
    return stops[int(rng.integers(2, len(stops) - 1)) :]


def before(site: SiteTables, stop: str) -> str:
    stops = stops_of(site)
    return stops[stops.index(stop) - 1]


# ---- receiver and camera ------------------------------------------------------------------------


@mistake("depth-to-top", "Readings are reduced to the top of the pipe and not so booked.",
         "receiver-scale", "misfit", *AT_DEPTH)  # fmt: skip
def depth_to_top(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    less = 0.05 / METRES_PER[site.settings["units"]["depth"]]
    return each("stops", "depth_reading", lambda d: d - less)(site, rng)


@mistake("exposure-to-top", "The depth of an opened cleanout is to the top, booked as to invert.",
         "blunder", "exposure-disagrees", "shape-undecided", hidden="riser")  # fmt: skip
def exposure_to_top(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return each("exposures", "depth", lambda d: d - 0.11)(site, rng)


@mistake("receiver-long", "The receiver reads 15 % too deep throughout.", "receiver-scale",
         "unit-wrong/depth", "depth-reading-wrong")  # fmt: skip
def receiver_long(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return each("stops", "depth_reading", lambda d: 1.15 * d)(site, rng)


@mistake("tilts-turned", "Tilts are booked with the head down as positive.", "blunder/tilt",
         "misfit", "unit-wrong/level", "shape-undecided", "mark-blunder")  # fmt: skip
def tilts_turned(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return each("stops", "tilt_deg", lambda t: -t)(site, rng)


@mistake("ride-height", "The ride height is that of another skid, 0.06 m higher.", hidden="ride")
def ride_height(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    more = 0.06 / METRES_PER[site.settings["units"]["pipe"]]
    for run in site.settings["run"]:
        run["ride_height"] = round(float(run["ride_height"]) + more, 4)
    return SITE
