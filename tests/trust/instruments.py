"""Mistakes of tapes, counters, receivers and coordinate systems, and of where a base stood."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lateralline.units import METRES_PER
from tests.trust.catalogue import (
    AT_CONTROL,
    AT_COUNTER,
    AT_DEPTH,
    AT_STOP,
    AT_TAPE,
    FRAME,
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

#: Height of the geoid where the practice sites lie: about −34 m by EGM models, from memory.
GEOID_M = -34.0
#: What magnetic and grid north differ by, where a compass is read and not turned: invented.
DECLINATION_DEG = 8.0
SITE = Slip()


def _each(table: str, column: str, new: Callable[[float], float]) -> Change:
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
    "tape": ("tapes", ("unit-wrong", "misfit/site")),
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
        own = (("control", "x"), ("control", "y")) if key == "tape" and not _mapped(site) else ()
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
                *_codes, hidden="relief" if _key == "level" else "")(
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


@mistake("counter-down", "The counter counts down to the far end.", *AT_COUNTER, "unit-wrong")
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
         hidden="entry")  # fmt: skip
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
        _each(table, "z", lambda z: z + metre)(site, rng)
    return SITE


@mistake("bench-half", "From one stop on levels rest on another bench mark, 1 m too high.",
         "levels-mixed", "blunder/level", "blunder/tied", "shape-undecided/step",
         "shape-undecided/contradiction", "shape-undecided/or-wrong", "mark-blunder",
         "back-fall/segment", "stops-shifted")  # fmt: skip
def bench_half(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if not _levels(site):
        return None
    late = _late_stops(site, rng)
    metre = 1.0 / METRES_PER[site.settings["units"]["level"]]
    for row in site.marks:
        if stop_of(row) in late:
            row["z"] = f"{float(row['z']) + metre:.2f}"
    return Slip((*late, _before(site, late[0]), "L1"))


def _late_stops(site: SiteTables, rng: np.random.Generator) -> list[str]:
    """Return the stops of run R1 from one on, two at least to either side."""
    stops = [stop_of(r) for r in site.stops if r["run"] == "R1"]
    return stops[int(rng.integers(2, len(stops) - 1)) :]


def _before(site: SiteTables, stop: str) -> str:
    stops = stops_of(site)
    return stops[stops.index(stop) - 1]


# ---- coordinates --------------------------------------------------------------------------------


def _plan(site: SiteTables) -> list[dict[str, str]]:
    return [r for t in ("marks", "exposures", "control") for r in site.tables[t] if r.get("x")]


def _mapped(site: SiteTables) -> bool:
    return bool(site.settings["crs"]["horizontal"] != "local")


@mistake("xy-swapped", "x and y are exchanged everywhere.", *FRAME, FRAME[0])
def xy_swapped(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    for row in _plan(site):
        row["x"], row["y"] = row["y"], row["x"]
    return SITE if _mapped(site) else None


@mistake("xy-swapped-mark", "x and y of one mark are exchanged.", *FRAME, *AT_STOP)
def xy_swapped_mark(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = pick(rng, site.marks, has("x"))
    if i is None:
        return None
    row = site.marks[i]
    row["x"], row["y"] = row["y"], row["x"]
    return at_mark(site, i)


@mistake("minus-lost", "Western longitudes have lost the minus.", *FRAME, hidden="mirror")
def minus_lost(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if site.settings["crs"]["horizontal"] != "EPSG:4326":
        return None
    for row in _plan(site):
        row["x"] = row["x"].lstrip("-")
    return SITE


@mistake("minus-lost-mark", "The longitude of one mark has lost the minus.", *FRAME, *AT_STOP)
def minus_lost_mark(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if site.settings["crs"]["horizontal"] != "EPSG:4326":
        return None
    i = pick(rng, site.marks, has("x"))
    assert i is not None
    site.marks[i]["x"] = site.marks[i]["x"].lstrip("-")
    return at_mark(site, i)


def _crs(was: str, said: str) -> Change:
    def change(site: SiteTables, rng: np.random.Generator) -> Slip | None:
        if site.settings["crs"]["horizontal"] != was:
            return None
        site.settings["crs"]["horizontal"] = said
        return SITE

    return change


mistake("next-zone", "The CRS named is that of the next zone.", *FRAME, hidden="elsewhere")(
    _crs("EPSG:32617", "EPSG:32618")
)
mistake("wrong-foot", "The CRS named is in metres, where coordinates are in US survey feet.",
        *FRAME)(_crs("EPSG:3734", "EPSG:32122"))  # fmt: skip


@mistake("grid-foot", "Coordinates are in international feet where the CRS has US survey feet.",
         *FRAME, hidden="elsewhere")  # fmt: skip
def grid_foot(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if site.settings["crs"]["horizontal"] != "EPSG:3734":
        return None
    for row in _plan(site):
        for c in ("x", "y"):
            row[c] = f"{float(row[c]) * METRES_PER['us-ft'] / METRES_PER['ft']:.3f}"
    return SITE


@mistake("geoid-all", "GNSS heights are ellipsoidal, and said to be levels: every one.",
         "geoid-missing", "levels-mixed", hidden="elsewhere")  # fmt: skip
def geoid_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if site.settings["crs"]["vertical"] != "ellipsoidal":
        return None
    site.settings["crs"]["vertical"] = "EPSG:5703"
    return Slip(levels_m=-GEOID_M)


@mistake("geoid-some", "GNSS heights are ellipsoidal beside levels of control.", "levels-mixed",
         "level-far", "geoid-missing")  # fmt: skip
def geoid_some(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _gnss_levels(site, GEOID_M)


@mistake("antenna-some", "The antenna height, 1.8 m, is left out of GNSS beside levels taken.",
         "levels-mixed", "blunder/level", "blunder/tied", "shape-undecided", "misfit",
         "back-fall/segment")  # fmt: skip
def antenna_some(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _gnss_levels(site, 1.8)


def _gnss_levels(site: SiteTables, more_m: float) -> Slip | None:
    rows = [r for r in site.marks if r["method"] == "gnss"]
    if not rows or len(rows) == len(site.marks):
        return None
    for row in rows:
        row["z"] = f"{float(row['z']) + more_m:.3f}"
    return Slip()


@mistake("antenna-all", "The height of the antenna, 1.8 m, is left out of every GNSS height.",
         hidden="elsewhere")  # fmt: skip
def antenna_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    if any(r["method"] != "gnss" for r in site.marks):
        return None
    for table in ("marks", "exposures"):
        _each(table, "z", lambda z: z + 1.8)(site, rng)
    return SITE


@mistake("base-shifted-all", "The GNSS base stood on the wrong point: all is 0.5 m off.",
         hidden="elsewhere")  # fmt: skip
def base_shifted_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _shifted(site, rng, list(range(len(site.marks))), "exposures")


@mistake("base-shifted-half", "From one stop on the GNSS base stood 0.5 m off.", "stops-shifted",
         "blunder", "shape-undecided", "point-astray")  # fmt: skip
def base_shifted_half(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    late = _late_stops(site, rng)
    slip = _shifted(site, rng, [i for i, r in enumerate(site.marks) if stop_of(r) in late])
    return slip and Slip((*late, _before(site, late[0])))


@mistake("stop-shifted", "All marks of one stop are 0.5 m off.", *AT_STOP)
def stop_shifted(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    stop = str(rng.choice(stops_of(site)))
    slip = _shifted(site, rng, [i for i, r in enumerate(site.marks) if stop_of(r) == stop])
    return slip and Slip((stop, *(r["mark"] for r in site.marks if stop_of(r) == stop)))


@mistake("mark-shifted", "One mark is 0.5 m off.", *AT_STOP)
def mark_shifted(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    i = int(rng.integers(len(site.marks)))
    return _shifted(site, rng, [i]) and at_mark(site, i)


def _shifted(
    site: SiteTables, rng: np.random.Generator, rows: list[int], also: str = ""
) -> Slip | None:
    """Move marks by 0.5 m in one direction, all of them GNSS on a grid; None else."""
    crs = site.settings["crs"]["horizontal"]
    of = [site.marks[i] for i in rows] + (site.tables[also] if also else [])
    if crs == "EPSG:4326" or any(r["method"] != "gnss" for r in of):
        return None
    way = rng.uniform(0.0, 2.0 * np.pi)
    for row in of:
        row["x"] = f"{float(row['x']) + 0.5 * np.sin(way):.3f}"
        row["y"] = f"{float(row['y']) + 0.5 * np.cos(way):.3f}"
    return SITE


@mistake("control-moved", "A control point is misread by 0.5 m.",
         *AT_CONTROL, *AT_TAPE, "misfit")  # fmt: skip
def control_moved(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = [r for r in site.control if _used(site, r["point"])]
    if not rows:
        return None
    row = rows[int(rng.integers(len(rows)))]
    metre = 0.5 / (METRES_PER["us-ft"] if site.scenario == "tape-ties" else 1.0)
    column = str(rng.choice(("x", "y")))
    row[column] = f"{float(row[column]) + metre:.3f}"
    return Slip((row["point"], *_used(site, row["point"])))


def _used(site: SiteTables, point: str) -> list[str]:
    return [
        name
        for r in site.marks
        if point in (r.get("base_from"), r.get("base_to")) or f"{point}:" in r.get("ties", "")
        for name in (r["mark"], stop_of(r))
    ]


@mistake("compass-magnetic", "Bearings are magnetic and said to be from grid north.", *AT_STOP)
def compass_magnetic(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    rows = [i for i, r in enumerate(site.marks) if r.get("polar_azimuth_deg")]
    for i in rows:
        row = site.marks[i]
        row["polar_azimuth_deg"] = (
            f"{(float(row['polar_azimuth_deg']) + DECLINATION_DEG) % 360:.1f}"
        )
    names = (n for i in rows for n in (site.marks[i]["mark"], stop_of(site.marks[i])))
    return Slip(tuple(dict.fromkeys(names))) if rows else None


# ---- receiver and camera ------------------------------------------------------------------------


@mistake("depth-to-top", "Readings are reduced to the top of the pipe and not so booked.",
         "receiver-scale", "misfit", *AT_DEPTH)  # fmt: skip
def depth_to_top(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    less = 0.05 / METRES_PER[site.settings["units"]["depth"]]
    return _each("stops", "depth_reading", lambda d: d - less)(site, rng)


@mistake("exposure-to-top", "The depth of an opened cleanout is to the top, booked as to invert.",
         "blunder", "exposure-disagrees", "shape-undecided")  # fmt: skip
def exposure_to_top(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _each("exposures", "depth", lambda d: d - 0.11)(site, rng)


@mistake("receiver-long", "The receiver reads 15 % too deep throughout.", "receiver-scale",
         "unit-wrong/depth", "depth-reading-wrong")  # fmt: skip
def receiver_long(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _each("stops", "depth_reading", lambda d: 1.15 * d)(site, rng)


@mistake("tilts-turned", "Tilts are booked with the head down as positive.", "blunder/tilt",
         "misfit", "unit-wrong/level", "shape-undecided", "mark-blunder")  # fmt: skip
def tilts_turned(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _each("stops", "tilt_deg", lambda t: -t)(site, rng)


@mistake("ride-height", "The ride height is typed ten times as high.", hidden="ride")
def ride_height(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    for run in site.settings["run"]:
        run["ride_height"] = round(float(run["ride_height"]) * 10.0, 4)
    return SITE
