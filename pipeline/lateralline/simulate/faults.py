"""Practice sites with something wrong on purpose: faulty cells, and coordinates in a wrong frame.

Pipe, readings and truth are as sound as those of any other practice site. In "faulty", cells are
given wrong values one by one, each written down in `planted.toml`; in the others only what the
coordinates are declared to be is wrong, as it happens between an instrument and a field sheet.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lateralline import csv_file
from lateralline.simulate.scenarios import STATE_PLANE_ANCHOR, Scenario
from lateralline.simulate.truth import Crew, Opening, Sight, TrueControl, TrueGround, Truth, lateral
from lateralline.units import METRES_PER

LON_LAT_ANCHOR = (-81.4, 42.1)
#: A grid of somebody's own: an ellipsoid, but no datum that anything published leads from.
_NO_DATUM = (
    "+proj=tmerc +lat_0=42.1 +lon_0=-81.4 +x_0=5000 +y_0=10000 +ellps=clrk66 +units=m +type=crs"
)


@dataclass(frozen=True, slots=True)
class Planting:
    """One fault: a cell (or a `site.toml` line) given a wrong value.

    `where` is the first cell of a csv row, or `section.key` of `site.toml`; `nth` picks one of
    several alike. An empty `where` with a column drops that whole column.
    """

    file: str
    where: str
    column: str
    put: str
    contains: str
    kind: str
    nth: int = 0


PLANTED = (
    Planting("site.toml", "crs.vertical", "vertical", '"EPSG:99999"', "EPSG:99999", "unknown CRS"),
    Planting("site.toml", "units.tape", "tape", '"feet"', "feet", "bad unit"),
    Planting("site.toml", "pipe.material", "matrial", '"PVC"', "material", "misspelt key"),
    Planting("site.toml", "run.flow", "flow", '"up"', "against", "bad choice"),
    Planting("site.toml", "run.ride_height", "ride_height", "-0.03", "-0.03", "negative length"),
    Planting("control.csv", "P3", "y", "142.1", "142.1", "latitude out of range"),
    Planting("marks.csv", "1A", "base_offset", "3,2", "3.2", "decimal comma"),
    Planting("marks.csv", "1M", "base_to", "P1", "P1", "baseline without length"),
    Planting("marks.csv", "1B", "base_to", "P22", "P22", "unknown control point"),
    Planting("marks.csv", "2A", "side", "", "side", "side missing"),
    Planting("marks.csv", "2M", "ties", "P1:7.4;P2=9.9", "P2=9.9", "tie that cannot be read"),
    Planting("marks.csv", "2B", "method", "laser", "laser", "unknown method"),
    Planting("marks.csv", "3A", "kind", "end_nul", "end_null", "unknown kind"),
    Planting("marks.csv", "3M", "x", "-281.4", "-281.4", "longitude out of range"),
    Planting("marks.csv", "3B", "run", "R9", "R9", "unknown run"),
    Planting("marks.csv", "4M", "mark", "4A", "4A", "name used twice"),
    Planting("marks.csv", "4B", "stop", "7", "7", "unknown stop"),
    Planting("stops.csv", "R1", "counter", "abc", "abc", "not a number", 0),
    Planting("stops.csv", "R1", "depth_reading", "0", "0", "depth of nought", 1),
    Planting("stops.csv", "R1", "tilt_deg", "95", "95", "angle out of range", 2),
    Planting("stops.csv", "R1", "stop", "3", "3", "stop twice", 3),
    Planting("exposures.csv", "CO1", "measured_to", "top", "inside_top", "unknown choice"),
    Planting("observations.csv", "", "code", "", "code", "column missing"),
)


def _plant(files: dict[str, str]) -> dict[str, str]:
    """Return the files with every fault planted, and `planted.toml` that lists them.

    KeyError when a planting names a place that is not there.
    """
    out = dict(files)
    listed = ["# Faults planted on purpose; every one must be named by `lateralline check`."]
    for p in PLANTED:
        put = _plant_key if p.file.endswith(".toml") else _plant_cell
        out[p.file], row = put(out[p.file], p)
        listed += ["", "[[planted]]", f'kind = "{p.kind}"', f'file = "{p.file}"']
        listed += [f"row = {row}", f'column = "{p.column}"', f'contains = "{p.contains}"']
    del out["truth.json"]  # a site that cannot be read has no solution to check
    return out | {"planted.toml": "\n".join(listed) + "\n"}


def _plant_key(text: str, p: Planting) -> tuple[str, int]:
    """Replace a `key = value` line; return the text and the line's number."""
    section, key = p.where.split(".")
    lines = text.split("\n")
    here = ""
    for i, line in enumerate(lines):
        if heading := re.fullmatch(r"\[+(\w+)\]+", line):
            here = heading[1]
        elif here == section and line.startswith(f"{key} ="):
            lines[i] = f"{p.column} = {p.put}"
            return "\n".join(lines), i + 1
    raise KeyError(p.where)


def _plant_cell(text: str, p: Planting) -> tuple[str, int]:
    """Replace a cell, or drop a column; return the text and the row's line number."""
    rows = [cells for _, _, cells in csv_file.records(text)]
    column = rows[0].index(p.column)
    if p.where:
        found = [i for i, row in enumerate(rows) if i and row[0] == p.where]
        if len(found) <= p.nth:
            raise KeyError(p.where)
        at = found[p.nth]
        rows[at][column] = p.put
    else:
        at = 0
        rows = [row[:column] + row[column + 1 :] for row in rows]
    return "".join(map(csv_file.record, rows)), at + 1


# ---- the sites ------------------------------------------------------------------------------


def _faulty(rng: np.random.Generator) -> Truth:
    crew = Crew(
        methods=("offset", "ties2", "gnss", "ties3"),
        baseline=("P1", "P2"),
        tie_points=("P1", "P2", "P3"),
        tilt=True,
    )
    site = lateral(
        rng,
        99,
        ("EPSG:4326", "ellipsoidal"),
        LON_LAT_ANCHOR,
        TrueGround(150.0, grade_east=0.01),
        crew,
        start=(6.0, -2.0),
        bearing_deg=170.0,
        legs=((12.0, 0.0),),
        depth_m=1.5,
        fall=0.02,
        stops_m=(1.5, 10.5, 3.0),
    )
    return replace(
        site,
        name="Quarry Hill 99, full of faults",
        control=_control(11.0),
        openings=(Opening("CO1", "R1", "CO1"),),
        sights=(Sight("R1", 4.0, "ROOTS", "1", "roots", 12),),
    )


def _control(east_m: float) -> tuple[TrueControl, ...]:
    return (
        TrueControl("P1", 0.0, 0.0),
        TrueControl("P2", east_m, 0.0),
        TrueControl("P3", -3.0, -9.0),
    )


def _short(
    rng: np.random.Generator,
    number: int,
    crs: tuple[str, str],
    anchor: tuple[float, float],
    crew: Crew,
) -> Truth:
    """Return a straight lateral of 11 m, four stops."""
    return lateral(
        rng,
        number,
        crs,
        anchor,
        TrueGround(150.0, grade_east=0.01, grade_north=0.005),
        crew,
        start=(6.0, -2.0),
        bearing_deg=170.0,
        legs=((11.0, 0.0),),
        depth_m=1.4,
        fall=0.02,
        stops_m=(1.4, 10.2, 2.9),
    )


def _swapped(rng: np.random.Generator) -> Truth:
    return _short(rng, 51, ("EPSG:4326", "ellipsoidal"), LON_LAT_ANCHOR, Crew())


def _feet(rng: np.random.Generator) -> Truth:
    crew = Crew(methods=("offset", "ties3"), baseline=("P1", "P2"), tie_points=("P1", "P2", "P3"))
    site = _short(rng, 52, ("EPSG:3734", "none"), STATE_PLANE_ANCHOR, crew)
    return replace(site, control=_control(12.0))


def _ballpark(rng: np.random.Generator) -> Truth:
    return _short(rng, 53, (_NO_DATUM, "none"), (5200.0, 10300.0), Crew())


def _cells(
    file: str, change: Callable[[str, str], tuple[str, str]]
) -> Callable[[dict[str, str]], dict[str, str]]:
    """Return what changes x and y of every row of a file that has them."""

    def spoil(files: dict[str, str]) -> dict[str, str]:
        head, *rows = (cells for _, _, cells in csv_file.records(files[file]))
        x, y = head.index("x"), head.index("y")
        for row in rows:
            row[x], row[y] = change(row[x], row[y])
        return files | {file: "".join(map(csv_file.record, [head, *rows]))}

    return spoil


def _in_metres(x: str, y: str) -> tuple[str, str]:
    us_ft = METRES_PER["us-ft"]
    return f"{float(x) * us_ft:.3f}", f"{float(y) * us_ft:.3f}"


FAULTY: dict[str, Scenario] = {
    s.name: s
    for s in (
        Scenario("faulty", "every kind of fault a field sheet can have", 99, _faulty, _plant),
        Scenario(
            "frames-swapped",
            "gnss marks with latitude in x and longitude in y",
            51,
            _swapped,
            spoil=_cells("marks.csv", lambda x, y: (y, x)),
        ),
        Scenario(
            "frames-feet",
            "control in metres under a State Plane CRS in US survey feet",
            52,
            _feet,
            spoil=_cells("control.csv", _in_metres),
        ),
        Scenario(
            "frames-ballpark",
            "a grid on an ellipsoid without a datum: nothing published leads to WGS 84",
            53,
            _ballpark,
            spoil=dict,  # the files are as sound as their CRS is not
        ),
    )
}
