"""Findings about single spots, gathered while they are placed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lateralline.findings import Finding, Given, finding
from lateralline.records import Flags, Floats, Spots


@dataclass(frozen=True, slots=True)
class PlacingNotes:
    """A list of findings about the rows of one table of spots."""

    noun: str  # mark | exposure
    spots: Spots
    found: list[Finding] = field(default_factory=list)

    def add(self, row: int, code: str, variant: str = "", **values: Given) -> None:
        """Note something about the spot at index `row`.

        That it cannot be placed is an error about the spot, never the end of the site.
        """
        subject = f"{self.noun} {self.spots.name[row]}"
        where = f"{self.spots.file}:{self.spots.row[row]}"
        self.found.append(finding(code, subject, variant=variant, where=where, more=values))


def where(flags: Flags) -> list[int]:
    """Return the indices of True; for walking the few flagged rows.

    >>> where(np.array([False, True, True]))
    [1, 2]
    """
    return [int(i) for i in np.flatnonzero(flags)]


def complete(rows: Floats) -> Flags:
    """Return (n,) True where a row of (n, …) has no NaN.

    >>> complete(np.array([[1.0, 2.0], [np.nan, 2.0]]))
    array([ True, False])
    """
    return np.asarray(np.isfinite(rows).all(axis=tuple(range(1, rows.ndim))))
