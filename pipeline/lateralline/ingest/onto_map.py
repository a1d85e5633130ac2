"""What a sketch needs to be set onto a map: its CRS, and control points known in both."""

from __future__ import annotations

from math import hypot
from typing import Final

from lateralline.errors import FrameError
from lateralline.frames.systems import known_crs
from lateralline.ingest.coordinate_system import crs_texts
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.ingest.sections import SiteSettings

_COLUMNS: Final = ("map_x", "map_y", "map_sigma")
#: Points of a sketch nearer to each other tell no turn, in the unit of the tape.
_APART: Final = 1.0


def check_onto_map(site: SiteSettings, control: InputRows | None, ledger: Ledger) -> None:
    """Note what is missing or in vain of map coordinates in control."""
    crs, rows = site.one("crs"), control or InputRows("control.csv")
    free = crs.cells.get("map_scale_free", False) is True
    with_map = [row for row in rows if any(row.given(name) for name in _COLUMNS)]
    if not crs.given("map_crs"):
        if free:
            crs.fault(ledger, "map_scale_free", "must come with map_crs")
        if with_map:
            must = "must come with map_crs under [crs]: the CRS that map_x and map_y are in"
            next(iter(with_map)).fault(ledger, "map_x", must, 'map_crs = "EPSG:32617", for example')
        return
    if crs_texts(crs)[0] != "local":
        must = 'must come with horizontal = "local": a site that has a CRS lies on the map already'
        crs.fault(ledger, "map_crs", must)
        return
    _check_crs(crs, ledger)
    for row in with_map:
        for name in _COLUMNS:
            if not row.given(name):
                hint = (
                    "0.5 for a corner digitised from an aerial photo, 0.05 by GNSS: your own, in m"
                )
                must = "must be given with the other map columns"
                row.fault(ledger, name, must, hint if name == "map_sigma" else "")
    whole = [row for row in with_map if all(name in row.cells for name in _COLUMNS)]
    if control is None or len(whole) < len(with_map):
        return
    least = 3 if free else 2
    xy = [(row.number("x"), row.number("y")) for row in whole]
    apart = max((hypot(a - c, b - d) for a, b in xy for c, d in xy), default=0.0)
    if len(whole) < least or not apart > _APART:
        must = (
            f"must be given at {least} points or more, apart from each other; {len(whole)} have it"
        )
        hint = "corners of houses that a map or aerial photo shows will do"
        ledger.fault(rows.file, 0, "map_x", "", must, hint)


def _check_crs(crs: InputRow, ledger: Ledger) -> None:
    text = crs.text("map_crs")
    try:
        found = known_crs(text)
    except FrameError as e:
        must = "must be a CRS that PROJ knows"
        crs.fault(ledger, "map_crs", must, f"{e}; EPSG:32617, for example")
        return
    if not (found.is_projected or found.is_geographic) or found.is_compound:
        must = f"must be a projected or geographic CRS in plan; {found.name} is not"
        crs.fault(ledger, "map_crs", must, "EPSG:32617, for example")
