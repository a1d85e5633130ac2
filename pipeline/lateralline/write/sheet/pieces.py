"""Profiles cut into stretches that fit a sheet, and the scales all of a site are drawn to."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import Any, Final

import numpy as np

from lateralline.write.sheet.paper import Scale
from lateralline.write.sheet.profile_data import Profile

#: Paper around the graph: level axis at the left, title above, in mm.
LEFT, TOP, RIGHT = 19.0, 12.4, 2.5
PAD: Final = 8.0  # room for labels above the ground and below the pipe
SIDE: Final = 3.0  # of the graph before the first and after the last station
LEAST: Final = 78.0  # a piece takes so much, for the words above it


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one line's profile that stands on one sheet."""

    profile: Profile
    low: float  # chainage, m
    high: float
    part: int
    parts: int

    def width(self, scale: Scale) -> float:
        """Return how much paper the piece takes, axis and margins included, in mm."""
        return max((self.high - self.low) * scale.mm_per_m + LEFT + RIGHT + 2 * SIDE, LEAST)

    def holds(self, rows: Any) -> Any:
        """Return the rows that stand on this stretch."""
        at = rows["chainage_m"]
        return rows[(at >= self.low - 1e-6) & (at <= self.high + 1e-6)]


@dataclass(frozen=True, slots=True)
class Scales:
    """How a site's profiles are drawn."""

    along: Scale
    up: Scale
    graph_mm: float  # height of the graph

    @property
    def steeper(self) -> float:
        """How many times steeper than true slopes are drawn."""
        return self.along.denominator / self.up.denominator


def pieces(profile: Profile, room: float, scale: Scale) -> list[Piece]:
    """Cut a line's profile into stretches that fit `room` mm of paper."""
    low, high = profile.reach
    most = (room - LEFT - RIGHT - 2 * SIDE) / scale.mm_per_m
    count = max(ceil((high - low) / most - 1e-9), 1)
    ends = np.linspace(low, high, count + 1)
    return [
        Piece(profile, float(a), float(b), n + 1, count) for n, (a, b) in enumerate(pairwise(ends))
    ]
