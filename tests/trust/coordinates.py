"""Mistakes of coordinates: swapped, of another zone or foot, of a base on the wrong point."""

from __future__ import annotations

import numpy as np

from lateralline.units import METRES_PER
from tests.trust.catalogue import (
    AT_CONTROL,
    AT_STOP,
    FRAME,
    Change,
    at_mark,
    exchanged,
    has,
    in_one_mark,
    mistake,
    pick,
    stop_of,
    stops_of,
)
from tests.trust.instruments import SITE, before, each, late_stops, mapped
from tests.trust.sites import SiteTables, Slip

#: Height of the geoid where the practice sites lie: about −34 m by EGM models, from memory.
GEOID_M = -34.0
#: What magnetic and grid north differ by, where a compass is read and not turned: invented.
DECLINATION_DEG = 8.0


def _plan(site: SiteTables) -> list[dict[str, str]]:
    return [r for t in ("marks", "exposures", "control") for r in site.tables[t] if r.get("x")]


@mistake("xy-swapped", "x and y are exchanged everywhere.", *FRAME, FRAME[0])
def xy_swapped(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    for row in _plan(site):
        row["x"], row["y"] = row["y"], row["x"]
    return SITE if mapped(site) else None


@mistake("xy-swapped-mark", "x and y of one mark are exchanged.", *FRAME, *AT_STOP)
def xy_swapped_mark(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return in_one_mark(site, rng, "x", lambda row: exchanged(row, "x", "y"))


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
        each(table, "z", lambda z: z + 1.8)(site, rng)
    return SITE


@mistake("base-shifted-all", "The GNSS base stood on the wrong point: all is 0.5 m off.",
         hidden="elsewhere")  # fmt: skip
def base_shifted_all(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    return _shifted(site, rng, list(range(len(site.marks))), "exposures")


@mistake("base-shifted-half", "From one stop on the GNSS base stood 0.5 m off.", "stops-shifted",
         "blunder", "shape-undecided", "point-astray")  # fmt: skip
def base_shifted_half(site: SiteTables, rng: np.random.Generator) -> Slip | None:
    late = late_stops(site, rng)
    slip = _shifted(site, rng, [i for i, r in enumerate(site.marks) if stop_of(r) in late])
    return slip and Slip((*late, before(site, late[0])))


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
         *AT_CONTROL)  # fmt: skip
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
