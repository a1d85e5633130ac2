"""Invented files as survey instruments hand them over: the samples of `import-points`.

`python -m lateralline.simulate.point_files FOLDER` writes them with their truth; the same seed
gives the same bytes.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import pyproj

from lateralline.settings import standard_accuracy
from lateralline.simulate.scenarios import STATE_PLANE_ANCHOR, UTM_ANCHOR
from lateralline.simulate.sheet import truth_json, write_files
from lateralline.simulate.survey import Row, Surveyed, survey
from lateralline.simulate.truth import Crew, Opening, Steps, TrueGround, Truth, lateral
from lateralline.units import METRES_PER

_SEED = 51

_US_FEET = Steps(
    tape=("us-ft", 0.05),
    level=("us-ft", 0.001),
    depth=("us-ft", 0.1),
    counter=("us-ft", 0.1),
    pipe=("us-ft", 0.01),
)
_SHORT = {"end_null": "EN", "mid_null": "MN", "peak_axial": "AXIAL"}
_LONG = {"end_null": "end null", "mid_null": "mid null", "peak_axial": "axial peak"}


def point_files() -> dict[str, str]:
    """Return the sample files by name: points as text and as GPX, and the truth behind each.

    >>> sorted(point_files())
    ['quarry-gpx.truth.json', 'quarry-pnezd.truth.json', 'quarry-pnezd.txt', 'quarry.gpx']
    """
    rng = np.random.default_rng(_SEED)
    feet, metres = (survey(rng, build(rng), standard_accuracy()) for build in (_feet, _metres))
    return {
        "quarry-pnezd.txt": _pnezd(feet),
        "quarry-pnezd.truth.json": truth_json(feet),
        "quarry.gpx": _gpx(metres),
        "quarry-gpx.truth.json": truth_json(metres),
    }


# ---- what is there -------------------------------------------------------------------------


def _feet(rng: np.random.Generator) -> Truth:
    """Return a lateral in state plane coordinates, US survey feet, relative levels."""
    crew = Crew(kinds=("end_null", "mid_null", "peak_axial"), missing=frozenset({"2X", "4X"}))
    site = lateral(
        rng,
        51,
        ("EPSG:3734", "none"),
        (STATE_PLANE_ANCHOR[0] + 1500.0, STATE_PLANE_ANCHOR[1]),
        TrueGround(183.0, grade_east=0.015, grade_north=-0.01, swell_m=0.01),
        crew,
        start=(4.0, 1.0),
        bearing_deg=205.0,
        legs=((8.5, 0.0), (7.5, 0.0)),
        nodes=("CO1", "", ""),
        depth_m=1.6,
        fall=0.02,
        stops_m=(1.4, 14.6, 2.6),
    )
    return replace(site, steps=_US_FEET, openings=(Opening("CO1", "R1", "CO1", "gnss"),))


def _metres(rng: np.random.Generator) -> Truth:
    """Return a lateral surveyed on WGS 84, metres, relative levels."""
    return lateral(
        rng,
        52,
        ("EPSG:32617", "none"),
        (UTM_ANCHOR[0] + 900.0, UTM_ANCHOR[1]),
        TrueGround(142.0, grade_east=-0.01, grade_north=0.02),
        Crew(),
        start=(0.0, 0.0),
        bearing_deg=95.0,
        legs=((7.0, 0.0), (9.0, 0.0)),
        nodes=("CO7", "", ""),
        depth_m=1.3,
        fall=0.015,
        stops_m=(1.2, 14.8, 2.5),
    )


# ---- what the instruments hand over --------------------------------------------------------


def _pnezd(site: Surveyed) -> str:
    """Return point, northing, easting, elevation, description: commas, no header."""
    lines = ["# Quarry Hill 51, invented; EPSG:3734, US survey feet"]
    rows = [*_described(site, _SHORT), *_beside(site)]
    lines += [f"{100 + i},{y},{x},{z},{text}" for i, (x, y, z, text) in enumerate(rows)]
    return "\n".join(lines) + "\n"


def _gpx(site: Surveyed) -> str:
    """Return waypoints of GPX 1.1."""
    to_degrees = pyproj.Transformer.from_crs(site.truth.horizontal, "EPSG:4326", always_xy=True)
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="lateralline, invented" '
        'xmlns="http://www.topografix.com/GPX/1/1">',
    ]
    for i, (x, y, z, text) in enumerate(_described(site, _LONG), start=1):
        lon, lat = to_degrees.transform(float(x), float(y))
        out += [
            f'  <wpt lat="{lat:.9f}" lon="{lon:.9f}">',
            f"    <ele>{z}</ele>",
            f"    <name>W{i:02d}</name>",
            f"    <desc>{escape(text)}</desc>",
            "  </wpt>",
        ]
    return "\n".join([*out, "</gpx>"]) + "\n"


def _described(site: Surveyed, words: dict[str, str]) -> Iterator[tuple[str, str, str, str]]:
    """Yield x, y, z and description of each mark, its stop's readings at the first of them."""
    stops: dict[tuple[str, str], Row] = {(s["run"], s["stop"]): s for s in site.stops}
    between = " " if words is _SHORT else "/"
    for mark in site.marks:
        text = f"{mark['run']}{between}{mark['stop']} {words[mark['kind']]}"
        stop = stops.pop((mark["run"], mark["stop"]), None)
        if stop is not None:
            text += f" c={stop['counter']} d={stop['depth_reading']}"
        yield mark["x"], mark["y"], mark["z"], text
    for seen in site.exposures:
        text = f"EXP {seen['name']} {seen['run']} {seen['measured_to']} "
        text += f"c={seen['counter']} d={seen['depth']}"
        yield seen["x"], seen["y"], seen["z"], text


def _beside(site: Surveyed) -> Iterator[tuple[str, str, str, str]]:
    """Yield what else a crew shoots: a nail, the ground, and things that are no part of a drain."""
    for east, north, text in (
        (6.0, 3.0, "CP NAIL"),
        (2.0, -6.0, "GS"),
        (0.0, -10.0, "GS"),
        (7.5, 0.5, "TREE 8 IN"),
        (8.0, -3.0, '"KERB, top of"'),
    ):
        x, y = site.to_crs(np.array([[east, north]]))[0]
        level_m = float(site.truth.ground.level(east, north))
        z = level_m / METRES_PER["us-ft"]
        yield f"{x:.3f}", f"{y:.3f}", f"{z:.3f}", text


if __name__ == "__main__":
    write_files(Path(sys.argv[1]), point_files())
