"""One table of spots while it is placed: what of its tapes is horizontal, findings on its rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import atan, cos
from typing import Final, NamedTuple

import numpy as np

from lateralline.catalogue import Given
from lateralline.findings import Finding, finding
from lateralline.records import Flags, Floats, Ints, Spots
from lateralline.settings import Settings

#: A rise may pass a short reading by this much, levels being rough, before it is impossible.
_ROUGH_M: Final = 0.10
#: What a slope not allowed for makes of a tape is shown for this one.
_TAPED_M, _SLOPE = 10.0, 0.10


class Reduced(NamedTuple):
    """Horizontal lengths; sign as read."""

    length_m: Floats
    sigma_m: Floats
    by_level: Floats  # ∂length/∂(level of the spot)


@dataclass(frozen=True, slots=True)
class SpotTable:
    """Spots of one table with the settings they are placed by, and the findings on them."""

    noun: str  # mark | exposure
    spots: Spots
    settings: Settings
    compass: Ints  # (n,) of each spot, numbered through the site; −1 = not polar
    found: list[Finding] = field(default_factory=list)
    _unreduced: set[int] = field(default_factory=set)
    _too_steep: dict[int, float] = field(default_factory=dict)

    def add(self, row: int, code: str, variant: str = "", **values: Given) -> None:
        """Add a finding about the spot at index `row`.

        That it cannot be placed is an error about the spot, never the end of the site.
        """
        subject = f"{self.noun} {self.spots.name[row]}"
        where = f"{self.spots.file}:{self.spots.row[row]}"
        self.found.append(finding(code, subject, variant=variant, where=where, more=values))

    def reduce(
        self, rows: Ints, reading_m: Floats, rise_m: Floats, rise_sigma_m: Floats
    ) -> Reduced:
        """Return horizontal lengths of readings whose ends differ in level by `rise_m`.

        σ is the tape's fixed part plus its part of the length, and, where a tape held along the
        ground is reduced, what `rise_sigma_m` (the σ of the other end's level) adds. A rise of NaN
        cannot be reduced and is taken as none; a rise well above the reading is impossible and
        gives NaN.
        """
        accuracy = self.settings.accuracy
        sigma = accuracy.tape_m + accuracy.tape_ratio * np.abs(reading_m)
        if not self.settings.slope_tape:
            return Reduced(reading_m, sigma, np.zeros(len(reading_m)))
        given = np.isfinite(rise_m)
        self._unreduced.update(rows[~given].tolist())
        rise = np.where(given, rise_m, 0.0)
        level = np.sqrt(np.maximum(np.square(reading_m) - np.square(rise), 0.0))
        excess = np.abs(rise) - np.abs(reading_m)
        steep = excess > _ROUGH_M
        self._too_steep.update(zip(rows[steep].tolist(), excess[steep].tolist(), strict=True))
        plumb = (level == 0.0) & (rise != 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            by_reading = np.where(level > 0.0, np.abs(reading_m) / level, 1.0)
            by_rise = np.where(level > 0.0, rise / level, 0.0)
        sigma = np.hypot(by_reading * sigma, by_rise * rise_sigma_m)
        sigma = np.where(plumb, np.hypot(sigma, rise), sigma)  # too short to reduce by a derivative
        sign = np.sign(reading_m)
        return Reduced(np.where(steep, np.nan, sign * level), sigma, -sign * by_rise)

    def report_slopes(self) -> None:
        """Add findings on spots whose tapes were not reduced, and on those that could not be."""
        for row, excess_m in sorted(self._too_steep.items()):
            self.add(row, "slope-tape/impossible", excess_m=excess_m)
        if bare := sorted(self._unreduced - self._too_steep.keys()):
            unreduced = finding(
                "slope-tape/unreduced",
                "site",
                without=len(bare),
                noun=self.noun,
                spots=self.spots.name[bare],
                taped_m=_TAPED_M,
                long_m=_TAPED_M * (1.0 - cos(atan(_SLOPE))),
            )
            self.found.append(unreduced)


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
