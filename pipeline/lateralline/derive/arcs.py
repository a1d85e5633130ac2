"""The path between located points where no bend is found: an arc of least curvature.

Both ends of a straight or undecided stretch have an adjusted direction, and a drain that was laid
in short lengths, or of pipe that gives, turns evenly from one to the other rather than all at once.
Where the directions agree this is the straight; three degrees over three metres stand off it by two
centimetres. How far the pipe may leave the arc is said by `straightness`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians
from typing import Final

import numpy as np

from lateralline.kernels import curves
from lateralline.records import Floats, Ints, Line

#: A turn as great as the least standard bend, 1/32, is a bend that was not found and no pipe that
#: gives: there the path stays straight. Common practice, no source.
MOST_TURN_RAD: Final = radians(11.25)


@dataclass(frozen=True, slots=True, eq=False)
class Arcs:
    """What each leg of a line (m−1,) is drawn as; a straight one has two equal directions."""

    chord_m: Floats  # (m-1, 3) from vertex to vertex
    first: Floats  # (m-1, 3) unit direction at its downstream end, upstream
    second: Floats  # (m-1, 3) the same at its upstream end
    length_m: Floats

    @property
    def sagitta_m(self) -> Floats:
        """How far each leg stands off its chord at most (m−1,)."""
        return np.asarray(self.length_m * curves.angle_between(self.first, self.second) / 8)

    def off(self, leg: Ints, fraction: Floats) -> tuple[Floats, Floats]:
        """Return offsets from the chord (n, 3), metres, and unit tangents (n, 3) at places."""
        offset, rate = curves.arc_from_chord(
            self.length_m[leg], self.first[leg], self.second[leg], fraction
        )
        way = self.chord_m[leg] + rate
        with np.errstate(invalid="ignore"):
            return offset, way / np.linalg.norm(way, axis=1, keepdims=True)


def arcs_of(line: Line) -> Arcs:
    """Return the legs of a line: arcs where its directions ask for them, else straight.

    A leg is an arc when it is all of a straight or undecided stretch, the pipe's direction is known
    at both ends, and neither turn, nor either direction off the chord, reaches `MOST_TURN_RAD`.
    """
    chord = np.diff(line.xyz_m, axis=0)
    length = np.linalg.norm(chord, axis=1)
    some = (length > 0)[:, None]
    straight = np.where(some, chord, [0.0, 1.0, 0.0]) / np.where(some, length[:, None], 1.0)
    first, second = straight.copy(), straight.copy()
    if len(line.direction_rad) == len(line.xyz_m):
        look = curves.directions(line.direction_rad[:, 0], line.direction_rad[:, 1])
        whole = np.zeros(len(chord), dtype=np.bool_)
        whole[[s.first for s in line.stretches if s.last == s.first + 1]] = True
        turns = [curves.angle_between(a, b) for a, b in _pairs(look, straight)]
        bent = whole & (np.max(turns, axis=0) < MOST_TURN_RAD)  # NaN is not
        first[bent], second[bent] = look[:-1][bent], look[1:][bent]
    half = curves.angle_between(first, second) / 2
    # over its chord an arc is longer by half its turn over the sine of that
    return Arcs(chord, first, second, length / np.sinc(np.nan_to_num(half) / np.pi))


def _pairs(look: Floats, straight: Floats) -> tuple[tuple[Floats, Floats], ...]:
    return (look[:-1], look[1:]), (look[:-1], straight), (look[1:], straight)
