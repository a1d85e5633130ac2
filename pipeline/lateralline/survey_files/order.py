"""Northing first or easting first: what speaks for either, and how clearly.

A file with its coordinates exchanged still looks like a survey. So nothing is decided here: the
evidence is put together for a person to confirm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from lateralline.frames import outside_area
from lateralline.records import Floats
from lateralline.survey_files.columns import ORDERS, Columns, Order
from lateralline.survey_files.numbers import decimal_mark, number
from lateralline.survey_files.text_file import TextFile

#: Points of one job lie this near to one another, and exchanged ones this far (common practice,
#: no source), in metres.
_NEAR_M = 20_000.0
_FAR_M = 100_000.0


@dataclass(frozen=True, slots=True)
class Detection:
    """The order of one file's coordinates, as far as it can be told."""

    text: TextFile
    columns: Columns
    order: Order | None  # None: the evidence decides nothing, or contradicts itself
    unambiguous: bool
    evidence: tuple[str, ...]

    @property
    def excluded(self) -> Order | None:
        """The order that cannot be, when the evidence is clear."""
        if not self.unambiguous:
            return None
        return "penzd" if self.order == "pnezd" else "pnezd"


def detect(
    text: TextFile, columns: Columns, crs: CRS | None, near: Sequence[Floats] = ()
) -> Detection:
    """Return what the header, the area of the CRS and points known already say.

    `near` are places (x, y) in the same CRS that the points should lie about: control, other files.
    """
    votes: list[tuple[Order, bool, str]] = []
    if columns.order is not None:
        first, second = (text.header[i] for i in (columns.first, columns.second))
        doubt = "" if columns.sure else ", though x is not easting everywhere"
        votes.append(
            (columns.order, columns.sure, f"the header has {first} before {second}{doubt}")
        )
    pairs = _pairs(text, columns)
    if crs is not None and len(pairs):
        votes += [*_by_area(crs, pairs), *_by_neighbours(crs, pairs, near)]
    sure = {order for order, certain, _ in votes if certain}
    said = {order for order, _, _ in votes}
    chosen = sure if sure else said
    order = next(iter(chosen)) if len(chosen) == 1 else None
    evidence = [f"{order}: {what}" for order, _, what in votes]
    if crs is None:
        evidence.append("the CRS is not known, so no area of use can tell the two apart")
    elif not any(certain for _, certain, _ in votes):
        evidence.append(_undecided(crs, pairs))
    return Detection(text, columns, order, order is not None and bool(sure), tuple(evidence))


def as_ordered(pairs: Floats, order: Order) -> Floats:
    """Return pairs (n, 2) in the order of the file as easting, northing."""
    return pairs if order == "penzd" else pairs[:, ::-1]


def _pairs(text: TextFile, columns: Columns) -> Floats:
    """Return the coordinates (n, 2) as they stand, without rows that hold no two numbers."""
    cells = [(row[columns.first], row[columns.second]) for _, row in text.rows]
    mark = decimal_mark(c for pair in cells for c in pair) or "."
    read = [(number(a, mark), number(b, mark)) for a, b in cells]
    return np.array([p for p in read if None not in p], dtype=np.float64).reshape(-1, 2)


def _undecided(crs: CRS, pairs: Floats) -> str:
    """Say why the area of a CRS decides nothing."""
    if crs.area_of_use is None:
        return f"{crs.name} has no published area of use to try the two orders against"
    inside = [bool((~outside_area(crs, *as_ordered(pairs, order).T)).any()) for order in ORDERS]
    if any(inside):
        return f"in either order some points lie within the area of use of {crs.name}"
    why = "is it the right CRS, and in the right unit?"
    return f"in neither order any point lies within the area of use of {crs.name}: {why}"


def _by_area(crs: CRS, pairs: Floats) -> list[tuple[Order, bool, str]]:
    inside = {
        order: int((~outside_area(crs, *as_ordered(pairs, order).T)).sum()) for order in ORDERS
    }
    if crs.area_of_use is None:
        return []
    best, other = sorted(ORDERS, key=lambda order: -inside[order])
    if inside[best] == inside[other]:
        return []
    n = len(pairs)
    what = (
        f"{inside[best]} of {n} points lie within the area of use of {crs.name}, "
        f"the other way round {inside[other] or 'none'}"
    )
    return [(best, inside[best] >= 0.9 * n and inside[other] == 0, what)]


def _by_neighbours(
    crs: CRS, pairs: Floats, near: Sequence[Floats]
) -> list[tuple[Order, bool, str]]:
    if not near:
        return []
    axis = crs.axis_info[0]
    metres = 111_000.0 if crs.is_geographic else axis.unit_conversion_factor
    about = np.median(np.array(near, dtype=np.float64), axis=0)
    away = {
        order: float(np.linalg.norm(np.median(as_ordered(pairs, order), axis=0) - about)) * metres
        for order in ORDERS
    }
    best, other = sorted(ORDERS, key=away.__getitem__)
    if away[best] > _NEAR_M or away[other] < _FAR_M:
        return []
    what = (
        f"the points lie {away[best] / 1000:.1f} km from the others, "
        f"the other way round {away[other] / 1000:.0f} km"
    )
    return [(best, True, what)]
