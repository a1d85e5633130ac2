"""Findings about single spots, gathered while they are placed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lateralline import wording
from lateralline.records import Finding, Flags, Floats, Severity, Spots

_STAGE = "place"


@dataclass(frozen=True, slots=True)
class Notes:
    """A list of findings about the rows of one table of spots."""

    noun: str  # mark | exposure
    spots: Spots
    found: list[Finding] = field(default_factory=list)

    def add(
        self, row: int, severity: Severity, code: str, what: str, by_how_much: str, to_do: str
    ) -> None:
        """Note something about the spot at index `row`."""
        subject = f"{self.noun} {self.spots.name[row]}"
        where = f"{self.spots.file}:{self.spots.row[row]}"
        self.found.append(Finding(severity, _STAGE, code, subject, what, by_how_much, to_do, where))

    def unplaced(self, row: int, code: str, what: str, by_how_much: str, to_do: str) -> None:
        """Note why a spot cannot be placed: an error about the spot, never the end of the site."""
        self.add(row, "error", code, f"{what}; the {self.noun} is not placed", by_how_much, to_do)


def site_finding(severity: Severity, code: str, what: str, by_how_much: str, to_do: str) -> Finding:
    """Return a finding about the site as a whole."""
    return Finding(severity, _STAGE, code, "site", what, by_how_much, to_do)


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


def metres(value: float | Floats, decimals: int = 3) -> str:
    """Return a length as findings carry it, to the millimetre: what is placed was taped."""
    return wording.metres(float(value), decimals)
