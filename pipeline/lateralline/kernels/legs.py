"""A pipe between two places as up to three straight legs, and the rounded path along them.

A path leaves a place in a heading and a tilt, runs straight, turns, runs on, may turn once more,
and arrives. `advance` says where it arrives, with derivatives; `rounded` gives points along it. A
bend is the corner where two tangents meet, whatever its radius: a rounder one only cuts the corner,
which takes `shortening` off the length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lateralline.kernels.curves import Floats, angle_between, directions

#: Columns of a pose: east, north, up, heading, tilt, length of pipe so far.
EAST, NORTH, UP, HEADING, TILT, LENGTH = range(6)
#: Columns of legs: their length together, the share of the first, the turn and rise after it; the
#: share of the second, the turn and rise after that.
TOTAL, SHARE, TURN, RISE, SHARE_2, TURN_2, RISE_2 = range(7)
POSE: Final = 6
LEGS: Final = 7


def advance(pose: Floats, legs: Floats) -> tuple[Floats, Floats, Floats]:
    """Return where paths arrive, (m, 6), and the derivatives by pose (m, 6, 6) and legs (m, 6, 7).

    pose (m, 6) in metres and radians; legs (m, 7) in metres, shares of one, radians.
    """
    total, share, share_2 = legs[:, TOTAL], legs[:, SHARE], legs[:, SHARE_2]
    parts = np.stack([share, share_2, 1.0 - share - share_2])
    nothing = np.zeros_like(total)
    heading = pose[:, HEADING] + np.cumsum([nothing, legs[:, TURN], legs[:, TURN_2]], axis=0)
    tilt = pose[:, TILT] + np.cumsum([nothing, legs[:, RISE], legs[:, RISE_2]], axis=0)
    level, rise = np.cos(tilt), np.sin(tilt)
    way = np.exp(1j * heading)  # in plan, as north + i east
    plan, up = (parts * level * way).sum(axis=0), (parts * rise).sum(axis=0)

    out = pose + np.stack(
        [
            total * plan.imag,
            total * plan.real,
            total * up,
            legs[:, TURN] + legs[:, TURN_2],
            legs[:, RISE] + legs[:, RISE_2],
            total,
        ],
        axis=1,
    )
    by_pose = np.tile(np.eye(POSE), (len(pose), 1, 1))
    by_legs = np.zeros((len(pose), POSE, LEGS))

    def put(by: Floats, column: int, in_plan: np.ndarray, upward: Floats) -> None:
        by[:, EAST, column], by[:, NORTH, column] = in_plan.imag, in_plan.real
        by[:, UP, column] = upward

    turned, raised = 1j * parts * level * way, -parts * rise * way
    lifted = parts * level
    for first, at_heading, at_tilt, by in (
        (0, HEADING, TILT, by_pose),
        (1, TURN, RISE, by_legs),
        (2, TURN_2, RISE_2, by_legs),
    ):
        put(by, at_heading, total * turned[first:].sum(axis=0), nothing)
        put(by, at_tilt, total * raised[first:].sum(axis=0), total * lifted[first:].sum(axis=0))
    put(by_legs, TOTAL, plan, up)
    for leg, column in enumerate((SHARE, SHARE_2)):
        in_plan = total * (level[leg] * way[leg] - level[2] * way[2])
        put(by_legs, column, in_plan, total * (rise[leg] - rise[2]))
    by_legs[:, HEADING, [TURN, TURN_2]] = 1.0
    by_legs[:, TILT, [RISE, RISE_2]] = 1.0
    by_legs[:, LENGTH, TOTAL] = 1.0
    return out, by_pose, by_legs


def shortening(turn_rad: Floats) -> Floats:
    """Return what the roundest bend takes off the path, over the shorter of its tangents (…,).

    A bend of radius R leaves its tangents R tan(θ/2) before the corner and is Rθ long; the roundest
    uses up the shorter tangent.

    >>> round(float(shortening(np.array(np.pi / 2))), 4)  # 2 − π/2
    0.4292
    """
    turn = np.abs(turn_rad).clip(1e-6, np.pi - 1e-6)
    return np.asarray(2.0 - turn / np.tan(turn / 2.0))


@dataclass(frozen=True, slots=True, eq=False)
class CorneredPaths:
    """Paths (s,) with two corners each, which are one where the path bends once."""

    start_m: Floats  # (s, 3)
    first_m: Floats  # (s, 3)
    second_m: Floats  # (s, 3)
    end_m: Floats  # (s, 3)
    rounding: Floats  # (s,) of paths that bend once: tangent over the shorter leg, 0 sharp … 1

    def at(self, share: Floats) -> tuple[Floats, Floats, Floats]:
        """Return points (s, w, 3) at shares (w,) of their length, and corners: (s, 2, 3), (s, 2).

        Corners, or the middle of the arc in place of one, with the share of the length they lie at.
        """
        before, before_m = _unit(self.first_m - self.start_m)
        after, after_m = _unit(self.end_m - self.second_m)
        between, between_m = _unit(self.second_m - self.first_m)
        turn = angle_between(before, after)
        tangent = np.where(between_m > 0, 0.0, self.rounding * np.minimum(before_m, after_m))
        radius = tangent / np.tan(turn.clip(1e-6, np.pi - 1e-6) / 2.0)
        middle_m = np.where(between_m > 0, between_m, radius * turn)
        starts, ends = before_m - tangent, before_m - tangent + middle_m
        length = ends + after_m - tangent
        along = share * length[:, None]
        leaves = self.first_m - tangent[:, None] * before
        inward, _ = _unit(after - before * np.cos(turn)[:, None])

        def arc(angle: Floats) -> Floats:
            sides = np.sin(angle)[..., None] * before[:, None]
            sides = sides + (1.0 - np.cos(angle))[..., None] * inward[:, None]
            return np.asarray(leaves[:, None] + radius[:, None, None] * sides)

        inside = along - starts[:, None]
        straight = self.first_m[:, None] + inside[..., None] * between[:, None]
        round_m = arc(inside / np.maximum(radius, 1e-9)[:, None])
        middle = np.where((between_m > 0)[:, None, None], straight, round_m)
        points = np.where(
            (inside < 0.0)[..., None],
            self.start_m[:, None] + along[..., None] * before[:, None],
            np.where(
                (along > ends[:, None])[..., None],
                self.end_m[:, None] - (length[:, None] - along)[..., None] * after[:, None],
                middle,
            ),
        )
        half = arc(turn[:, None] / 2.0)[:, 0]
        double = (between_m > 0)[:, None]
        corners = np.stack(
            [np.where(double, self.first_m, half), np.where(double, self.second_m, half)], axis=1
        )
        once = (starts + ends) / 2.0
        lies = np.where(double, np.stack([starts, ends], axis=1), once[:, None])
        return points, corners, lies / np.maximum(length, 1e-9)[:, None]


def even(start: Floats, end: Floats, share: Floats) -> Floats:
    """Return points (s, w, 3) of even curves between poses (s, ≥5) at shares (w,) of their length.

    The cubic through both places with both directions.
    """
    first, last = start[:, :3], end[:, :3]
    length = np.linalg.norm(last - first, axis=1)[:, None, None]
    ways = [directions(p[:, HEADING], p[:, TILT])[:, None] for p in (start, end)]
    w = share[:, None]
    onto = w * w * (3.0 - 2.0 * w)
    bow = w * (1 - w) ** 2 * ways[0] - w * w * (1 - w) * ways[1]
    return np.asarray((1 - onto) * first[:, None] + onto * last[:, None] + length * bow)


def _unit(vector: Floats) -> tuple[Floats, Floats]:
    """Unit vectors (…, 3), nil of nothing, and lengths (…,)."""
    length = np.linalg.norm(vector, axis=-1)
    return vector / np.maximum(length, 1e-12)[..., None], length
