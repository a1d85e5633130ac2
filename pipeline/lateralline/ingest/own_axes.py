"""A site that names no CRS: a sketch on axes of its own, where all of it was taped.

No mark or exposure has coordinates, and control stands at small ones, as a sketch's do. A grid's
are large: there the CRS is asked for, since a map would follow from it.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf
from pathlib import Path
from typing import Final

from lateralline.errors import LaterallineError
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.sections import Sections
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
    spots = [table for table in (marks, given.table("exposures")) if table is not None]
    if any(_has_coordinates(table) for table in spots):
        return False
    return all(_size(cell) <= FARTHEST for axis in ("x", "y") for cell in _cells(control, axis))


def _has_coordinates(table: TextTable) -> bool:
    filled = any(cell.strip() for axis in ("x", "y") for cell in _cells(table, axis))
    return filled or any(c.strip().casefold() == "gnss" for c in _cells(table, "method"))


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
