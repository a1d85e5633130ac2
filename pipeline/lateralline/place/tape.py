"""A tape: its error, and what of a sloping reading is horizontal."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import atan, cos
from typing import Final, NamedTuple

import numpy as np

from lateralline.findings import finding
from lateralline.place.notes import PlacingNotes
from lateralline.records import Floats, Ints
from lateralline.settings import Accuracy

#: A rise may pass a short reading by this much, levels being rough, before it is impossible.
_ROUGH_M: Final = 0.10
#: What a slope not allowed for makes of a tape is said of this one.
_TAPED_M, _SLOPE = 10.0, 0.10


class Reduced(NamedTuple):
    """Horizontal lengths; sign as read."""

    length_m: Floats
    sigma_m: Floats
    by_level: Floats  # ∂length/∂(level of the spot)


@dataclass(frozen=True, slots=True)
class TapeReadings:
    """How lengths were taped, and which rows could not be reduced to the horizontal."""

    accuracy: Accuracy
    sloping: bool  # held along the ground; else held level
    _unreduced: set[int] = field(default_factory=set)
    _too_steep: dict[int, float] = field(default_factory=dict)

    def reduce(
        self, rows: Ints, reading_m: Floats, rise_m: Floats, rise_sigma_m: Floats
    ) -> Reduced:
        """Return horizontal lengths of readings whose ends differ in level by `rise_m`.

        σ is the tape's fixed part plus its part of the length, and, where reduced, what
        `rise_sigma_m` (the σ of the other end's level) adds. A rise of NaN cannot be reduced and
        is taken as none; a rise well above the reading is impossible and gives NaN.
        """
        sigma = self.accuracy.tape_m + self.accuracy.tape_ratio * np.abs(reading_m)
        if not self.sloping:
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

    def report(self, notes: PlacingNotes) -> None:
        """Say which spots could not be reduced, and which could not be at all."""
        for row, excess_m in sorted(self._too_steep.items()):
            notes.add(row, "slope-impossible", excess_m=excess_m)
        bare = sorted(self._unreduced - self._too_steep.keys())
        if bare:
            unreduced = finding(
                "slope-unreduced",
                "site",
                without=len(bare),
                noun=notes.noun,
                spots=notes.spots.name[bare],
                taped_m=_TAPED_M,
                long_m=_TAPED_M * (1.0 - cos(atan(_SLOPE))),
            )
            notes.found.append(unreduced)
