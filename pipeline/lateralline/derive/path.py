"""The pipe's path between located points, and how far the pipe may leave it.

Both ends of a straight or undecided stretch have an adjusted direction, and a drain that was laid
in short lengths, or of pipe that gives, turns evenly from one to the other rather than all at once:
its path is an arc of least curvature. Where the directions agree this is the straight; three
degrees over three metres stand off it by two centimetres.

The pipe's own direction at a vertex is known only as well as the transmitter's heading and tilt, so
between two vertices a leg of length L bows about that path: with slopes α₁, α₂ off it at its ends
the cubic through both is y = L [α₁ w (1−w)² − α₂ w² (1−w)], w = 0…1. Beyond an end the slope
carries on: y = L (w−1) α₂.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians
from typing import Final

import numpy as np

from lateralline.kernels import curves
from lateralline.records import Fixes, Floats, Ints, Line
from lateralline.settings import Accuracy

#: A turn as great as the least standard bend, 1/32, is a bend that was not found and no pipe that
#: gives: there the path stays straight. Common practice, no source.
MOST_TURN_RAD: Final = radians(11.25)

#: σ of the pipe's direction where nothing measured it: common practice, no source. The reach of
#: the counter bounds such legs.
UNMEASURED_RAD: Final = radians(15.0)


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
        pairs = (look[:-1], look[1:]), (look[:-1], straight), (look[1:], straight)
        turns = [curves.angle_between(a, b) for a, b in pairs]
        bent = whole & (np.max(turns, axis=0) < MOST_TURN_RAD)  # NaN is not
        first[bent], second[bent] = look[:-1][bent], look[1:][bent]
    half = curves.angle_between(first, second) / 2
    # over its chord an arc is longer by half its turn over the sine of that
    return Arcs(chord, first, second, length / np.sinc(np.nan_to_num(half) / np.pi))


def slope_sigmas(line: Line, fixes: Fixes, accuracy: Accuracy) -> Floats:
    """Return σ of the pipe's heading and tilt against its leg at each vertex (m, 2), radians.

    A fix has its own and the transmitter axis's against the pipe; a bend, or a junction the line
    runs through, takes the direction of its nearer neighbours, since its legs are their tangents;
    an exposure or an end at a junction knows none.
    """
    sigma = np.full((len(line.fix), 2), np.nan)
    at_fix = line.fix >= 0
    own = np.diagonal(fixes.cov[line.fix[at_fix]], axis1=1, axis2=2)[:, 3:5]
    axis = np.array([accuracy.axis_heading_rad, accuracy.axis_tilt_rad])
    sigma[at_fix] = np.sqrt(own + axis**2)
    sigma = np.fmin(sigma, UNMEASURED_RAD)  # NaN too
    bends = (line.kind == "bend") | (line.kind == "junction")
    bends[[0, -1]] = False
    place = np.arange(len(bends))
    for column in sigma.T:
        column[bends] = np.interp(place[bends], place[~bends], column[~bends])
    return np.asarray(sigma)


def bow_by_slopes(w: Floats) -> tuple[Floats, Floats]:
    """Return how far a leg of length 1 bows at fractions w (n,) for a slope of 1 at either end."""
    inside = w.clip(0.0, 1.0)
    return (
        inside * (1 - inside) ** 2 + np.minimum(w, 0.0),
        -(inside**2) * (1 - inside) + np.maximum(w - 1, 0.0),
    )


def bow_sigmas(slope_sigma: Floats, length_m: Floats, leg: Ints, w: Floats) -> Floats:
    """Return σ (n, 2) metres, across the leg in plan and in level, at fractions w (n,) of legs.

    `slope_sigma` (m, 2) as `slope_sigmas`, taken as independent; `length_m` (n,) of the legs (n,).

    >>> slopes = np.full((2, 2), 0.1)
    >>> mid = bow_sigmas(slopes, np.array([4.0]), np.array([0]), np.array([0.5]))
    >>> round(float(mid[0, 0]), 6)  # 4 · 0.1 / (4 √2)
    0.070711
    """
    first, second = (length_m * by for by in bow_by_slopes(w))
    sigmas = np.hypot(first[:, None] * slope_sigma[leg], second[:, None] * slope_sigma[leg + 1])
    return np.asarray(sigmas)
