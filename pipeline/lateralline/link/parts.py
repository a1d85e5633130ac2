"""What a network is made of: lines with their points, and the places on them that are no vertex."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lateralline.link.points import Point
from lateralline.link.shapes import Shapes
from lateralline.records import Floats, Ints


@dataclass(frozen=True, slots=True)
class Rider:
    """A located point on its line that is no vertex: a stop of another run, a level."""

    point: Point
    stretch: int  # of the line's points
    share: float  # of the stretch's path, to start from; beyond 0…1 where it lies past an end
    level_only: bool = False
    sigma_m: float = np.inf  # of its place along the leg, where nothing else tells it
    leg: int = -1  # of the stretch, where `share` is that of this leg alone


@dataclass(frozen=True, slots=True)
class Join:
    """Where the first point of a line hangs on a leg of another."""

    parent: str
    leg: int
    fraction: float
    run: str  # run of the parent whose counter is known here; "" = none
    counter_m: float
    sigma_m: float  # of the place along the leg, where nothing else tells it; inf = something does


@dataclass(frozen=True, slots=True)
class Part:
    """One line of a network, downstream → upstream."""

    line: str
    points: tuple[Point, ...]  # the first one a junction when `join` is given
    shapes: Shapes
    riders: tuple[Rider, ...] = ()
    join: Join | None = None
    bend_rad: tuple[tuple[int, float], ...] = ()  # vertex → turn it is held to

    def place(self, rider: Rider) -> tuple[int, float]:
        """Return the leg of the path a rider is on, and the fraction along it."""
        first, last = self.path[1][[rider.stretch, rider.stretch + 1]].tolist()
        if rider.leg >= 0:
            return min(first + rider.leg, last - 1), rider.share
        return self._along(rider.stretch, rider.share)

    def _along(self, stretch: int, share: float) -> tuple[int, float]:
        """The leg and the fraction along it at a share of a stretch's path."""
        length, first = self._legs(stretch)
        along = share * float(length.sum())
        before = np.concatenate([[0.0], np.cumsum(length)[:-1]])
        leg = max(int(np.searchsorted(before, along, side="right")) - 1, 0)
        return first + leg, float((along - before[leg]) / max(float(length[leg]), 1e-9))

    def _legs(self, stretch: int) -> tuple[Floats, int]:
        """Lengths of a stretch's legs, and the number of the first."""
        path, number = self.path
        first, last = int(number[stretch]), int(number[stretch + 1])
        return np.linalg.norm(np.diff(path[first : last + 1], axis=0), axis=1), first

    def carried(self, leg: int, fraction: float, to: Part) -> tuple[int, float]:
        """Return leg and fraction of a place on the path where the line has other bends."""
        stretch, of_stretch = self.at_leg(leg)
        length, _ = self._legs(stretch)
        along = float(length[:of_stretch].sum() + fraction * length[of_stretch])
        return to._along(stretch, along / max(float(length.sum()), 1e-9))

    def at_leg(self, leg: int) -> tuple[int, int]:
        """Return the stretch a leg of the path belongs to, and its number there."""
        number = self.path[1]
        stretch = int(np.searchsorted(number, leg, side="right")) - 1
        return stretch, leg - int(number[stretch])

    def with_shapes(self, shapes: Shapes) -> Part:
        """The same line under another choice of shapes."""
        return replace(self, shapes=shapes)

    @property
    def decided(self) -> list[bool]:
        """Whether each stretch says something of its direction and length."""
        shapes = zip(self.shapes.shape, self.shapes.held.tolist(), strict=True)
        return [s != "undecided" or held for s, held in shapes]

    @property
    def path(self) -> tuple[Floats, Ints]:
        """Vertices (V, 3) with the bends between the points; the vertex number (k,) of each."""
        rows, number, count = [], [], 0
        for i, point in enumerate(self.points):
            number.append(count)
            rows.append(point.xyz_m[None])
            count += 1
            if i < len(self.shapes.bends_m):
                rows.append(self.shapes.bends_m[i])
                count += len(self.shapes.bends_m[i])
        return np.concatenate(rows), np.array(number, int)
