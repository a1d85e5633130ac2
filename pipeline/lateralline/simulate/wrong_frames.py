"""Practice sites measured well and written down in the wrong frame: each has its own finding.

Pipe, readings and truth are as sound as those of any other practice site; only what the
coordinates are said to be is wrong, as it happens between an instrument and a field sheet.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lateralline import csv_file
from lateralline.simulate.scenarios import (
    LON_LAT_ANCHOR,
    STATE_PLANE_ANCHOR,
    Scenario,
    standstills,
    walk,
)
from lateralline.simulate.truth import (
    Crew,
    TrueControl,
    TrueGround,
    TrueLine,
    TrueRun,
    Truth,
    axis_below,
)
from lateralline.units import METRES_PER

#: A grid of somebody's own: an ellipsoid, but no datum that anything published leads from.
_NO_DATUM = (
    "+proj=tmerc +lat_0=42.1 +lon_0=-81.4 +x_0=5000 +y_0=10000 +ellps=clrk66 +units=m +type=crs"
)


def _short_lateral(
    rng: np.random.Generator,
    number: int,
    horizontal: str,
    anchor: tuple[float, float],
    crew: Crew,
    *,
    control: tuple[TrueControl, ...] = (),
    vertical: str = "none",
) -> Truth:
    """Return a straight lateral of 11 m, four stops."""
    ground = TrueGround(150.0, grade_east=0.01, grade_north=0.005)
    plan = walk((6.0, -2.0), 170.0, ((11.0, 0.0),))
    line = TrueLine("L1", axis_below(ground, plan[::-1], depth_m=1.4, fall=0.02), ("MAIN", "CO1"))
    travel = standstills(rng, (), first_m=1.4, last_m=10.2, spacing_m=2.9)
    run = TrueRun("R1", "L1", "CO1", "with", travel)
    name = f"Quarry Hill {number}"
    return Truth(
        f"QH-{number:03d}",
        name,
        horizontal,
        vertical,
        anchor,
        ground,
        (line,),
        (run,),
        crew,
        control=control,
    )


def _swapped(rng: np.random.Generator) -> Truth:
    return _short_lateral(
        rng,
        51,
        "EPSG:4326",
        LON_LAT_ANCHOR,
        Crew(kinds=("end_null", "mid_null")),
        vertical="ellipsoidal",
    )


def _feet(rng: np.random.Generator) -> Truth:
    points = (
        TrueControl("P1", 0.0, 0.0),
        TrueControl("P2", 12.0, 0.0),
        TrueControl("P3", -3.0, -9.0),
    )
    crew = Crew(methods=("offset", "ties3"), baseline=("P1", "P2"), tie_points=("P1", "P2", "P3"))
    return _short_lateral(rng, 52, "EPSG:3734", STATE_PLANE_ANCHOR, crew, control=points)


def _ballpark(rng: np.random.Generator) -> Truth:
    return _short_lateral(rng, 53, _NO_DATUM, (5200.0, 10300.0), Crew())


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


WRONG_FRAMES: dict[str, Scenario] = {
    s.name: s
    for s in (
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
