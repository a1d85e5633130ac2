"""A taped sketch: how a site without a CRS is known as one, and what sets a sketch onto a map.

Where a site names no CRS, no mark or exposure has coordinates and control stands at small ones, all
of it was taped on axes of its own. Coordinates of a grid are large: there the CRS is asked for,
since a map would follow from it. Onto a map a sketch goes by its CRS and control known in both.
"""

from __future__ import annotations

from dataclasses import replace
from math import hypot, inf
from pathlib import Path
from typing import Final

from lateralline.errors import FrameError, LaterallineError
from lateralline.frames.systems import known_crs
from lateralline.ingest.coordinate_system import crs_texts
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.rows import InputRow, InputRows
from lateralline.ingest.sections import Sections, SiteSettings
from lateralline.ingest.site_input import SiteInput, read_site_input
from lateralline.ingest.tables import TextTable

#: In the unit of the tape: control beyond this is no sketch's. Common practice, no source.
FARTHEST: Final = 10_000.0
_LOCAL: Final = "local"


def with_own_axes(given: SiteInput) -> Sections | None:
    """Return the settings of a site, its CRS "local" where it names none and was taped."""
    written = given.sections
    if written is None:
        return None
    [crs] = written["crs"]
    if "horizontal" in crs.given or not _taped(given):
        return written
    return {**written, "crs": (replace(crs, given={**crs.given, "horizontal": _LOCAL}),)}


def own_axes_of(source: Path) -> str:
    """Return "local" for a site that is taken for a sketch, "" for any other, or unreadable."""
    try:
        given = read_site_input(source, Ledger())
    except (LaterallineError, OSError):
        return ""
    found = None if given.sections is None else with_own_axes(given)
    return _LOCAL if found is not None and found is not given.sections else ""


def _taped(given: SiteInput) -> bool:
    """Tell whether marks and control are there, the marks taped, and control at a sketch's size."""
    marks, control = given.table("marks"), given.table("control")
    if marks is None or control is None or not marks.rows or not control.rows:
        return False
    for table in filter(None, (marks, given.table("exposures"))):
        if any(cell.strip() for axis in ("x", "y") for cell in _cells(table, axis)):
            return False
        if any(cell.strip().casefold() == "gnss" for cell in _cells(table, "method")):
            return False
    return all(_size(cell) <= FARTHEST for axis in ("x", "y") for cell in _cells(control, axis))


def _cells(table: TextTable, column: str) -> list[str]:
    """Return the cells of a column; none where the table has no such column."""
    if column not in table.header:
        return []
    at = table.header.index(column)
    return [cells[at] for _, cells in table.rows if at < len(cells)]


def _size(cell: str) -> float:
    """Return how large a number is; 0 for what is none, which is named elsewhere."""
    try:
        size = abs(float(cell.strip().replace(",", ".")))
    except ValueError:
        return 0.0
    return size if size == size else inf


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
    _check_map_crs(crs, ledger)
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


def _check_map_crs(crs: InputRow, ledger: Ledger) -> None:
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
