"""What one more measurement would leave of a line's uncertainty, before anyone makes it.

A line's errors are those of its vertices, with their joint covariance C, and of the pipe's slopes
against its legs there (`straightness`); a place on it follows from both by a matrix B. A further
measurement of a place H with covariance R takes from every other place's covariance
B C Hᵀ (H C Hᵀ + R)⁻¹ H C Bᵀ, whatever it will read. The heading a new stop would bring is left out,
so a stop does a little better than said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lateralline.derive.axis import Along, Axis
from lateralline.derive.corridor import Corridor
from lateralline.derive.ellipses import INTERVAL_95, ellipses_95
from lateralline.derive.joint import joint_cov
from lateralline.derive.reach import envelope_levels
from lateralline.records import Flags, Floats, Ints, Texts

#: Places times candidates that are worked out at once: some ten megabytes each.
_AT_ONCE: Final = 100_000


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Measurements that could be made (k,), each at one place of a line."""

    kind: Texts  # marks | stop | exposure
    chainage_m: Floats
    cov_m2: Floats  # (k, 3, 3) of what is measured
    vertex: Ints  # where it is made at one; −1 = midway in a stretch
    stretch: Ints  # the stretch it is midway in; −1 = at a vertex


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """Largest 95 % half-widths of a line, as it is and after each candidate (k,); ∞ unbounded."""

    plan_m: float
    plan_at_m: float  # chainage
    plan_after_m: Floats
    level_m: float
    level_at_m: float
    level_after_m: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """All sampled points of a line (n,), and what bounds them."""

    points: Along
    stretch: Ints
    undecided: Flags
    off_m: Floats  # how far reach lets each be off in plan, ∞ unbounded
    low_m: Floats  # levels that reach allows
    high_m: Floats


def outlook(axis: Axis, region: Corridor, candidates: Candidates) -> Outlook:
    """Return what each candidate would leave of the line's largest uncertainties."""
    places = _places(axis, region)
    points = places.points
    nothing = np.zeros((1, len(places.stretch)), dtype=np.bool_)
    plan, level = _widths(places, points.cov_m2[None], nothing)
    after = np.empty((2, len(candidates.kind)))
    step = max(_AT_ONCE // len(places.stretch), 1)
    for first in range(0, len(candidates.kind), step):
        rows = np.arange(first, min(first + step, len(candidates.kind)))
        for measure, widths in enumerate(_after(axis, places, candidates, rows)):
            after[measure, rows] = widths.max(axis=1)
    widest, highest = _middle_of_widest(plan[0]), _middle_of_widest(level[0])
    return Outlook(
        float(plan[0, widest]),
        float(points.chainage_m[widest]),
        after[0],
        float(level[0, highest]),
        float(points.chainage_m[highest]),
        after[1],
    )


def _middle_of_widest(widths_m: Floats) -> int:
    """Return where widths (n,) are greatest; midway where many are, as on an undecided stretch."""
    widest = np.flatnonzero(widths_m == widths_m.max())
    return int(widest[len(widest) // 2])


def influence(axis: Axis, points: Along) -> Floats:
    """Return how points (n,) move with the line's state, (n, 3, 5m).

    The state is the vertices' east, north, up, then their slopes in heading, then in tilt.
    """
    m, n = len(axis.line.kind), len(points.chainage_m)
    leg, w = axis.fraction(points.chainage_m)
    length, row = axis.arcs.length_m[leg], np.arange(n)
    across = np.zeros((n, 3))
    across[:, 0], across[:, 1] = points.tangent[:, 1], -points.tangent[:, 0]
    across /= np.maximum(np.hypot(across[:, 0], across[:, 1]), 1e-12)[:, None]
    by = np.zeros((n, 3, 5, m))
    for vertex, share, bow in (
        (leg, 1 - w, length * w * (1 - w) ** 2),
        (leg + 1, w, -length * w**2 * (1 - w)),
    ):
        for east_north_up in range(3):
            by[row, east_north_up, east_north_up, vertex] = share
        by[row, :, 3, vertex] = bow[:, None] * across
        by[row, 2, 4, vertex] = bow
    return by.reshape(n, 3, 5 * m)


def state_cov(axis: Axis) -> Floats:
    """Return the covariance (5m, 5m) of the state of `influence`."""
    m = len(axis.line.kind)
    cov = np.zeros((5, m, 5, m))
    cov[:3, :, :3, :] = joint_cov(axis.line).transpose(1, 0, 3, 2)
    at = np.arange(m)
    for k in (0, 1):
        cov[3 + k, at, 3 + k, at] = axis.slope_sigma_rad[:, k] ** 2
    return cov.reshape(5 * m, 5 * m)


def _after(
    axis: Axis, places: _Places, candidates: Candidates, rows: Ints
) -> tuple[Floats, Floats]:
    """Return half-widths in plan and in level (k, n) after some of the candidates (k,)."""
    n, k = len(places.stretch), len(rows)
    measured = candidates.cov_m2[rows]
    here = influence(axis, axis.at(candidates.chainage_m[rows])).reshape(3 * k, -1)
    moved = state_cov(axis) @ here.T  # (5m, 3k)
    own = (here @ moved).reshape(k, 3, k, 3)[np.arange(k), :, np.arange(k)]
    shared = (influence(axis, places.points).reshape(3 * n, -1) @ moved).reshape(n, 3, k, 3)
    to = shared.transpose(2, 3, 0, 1).reshape(k, 3, 3 * n)
    gain = np.linalg.solve(own + measured, to).reshape(k, 3, n, 3)
    taken = shared.transpose(2, 0, 1, 3) @ gain.transpose(0, 2, 1, 3)  # (k, n, 3, 3)
    stop = (candidates.kind[rows] == "stop")[:, None]
    settled = stop & (candidates.stretch[rows, None] == places.stretch) & places.undecided
    plan, level = _widths(places, places.points.cov_m2 - taken, settled)
    # A stretch that a stop decides is known there no better than by that stop.
    stop_plan = ellipses_95(measured).semi_major_m[:, None]
    stop_level = INTERVAL_95 * np.sqrt(measured[:, 2, 2])[:, None]
    return (
        np.where(settled, np.fmax(plan, stop_plan), plan),
        np.where(settled, np.fmax(level, stop_level), level),
    )


def _widths(places: _Places, cov_m2: Floats, settled: Flags) -> tuple[Floats, Floats]:
    """Return 95 % half-widths in plan and in level (k, n) of covariances (k, n, 3, 3).

    Where the shape is undecided they are reach alone, unless it is `settled` (k, n).
    """
    k, n = cov_m2.shape[:2]
    all_reach = places.undecided & ~settled
    ellipse = ellipses_95(cov_m2.reshape(k * n, 3, 3)).semi_major_m.reshape(k, n)
    plan = np.where(all_reach, places.off_m, np.fmin(ellipse, places.off_m))
    level = places.points.xyz_m[:, 2]
    half = np.where(all_reach, np.inf, INTERVAL_95 * np.sqrt(cov_m2[..., 2, 2].clip(0.0)))
    high, low = np.fmin(level + half, places.high_m), np.fmax(level - half, places.low_m)
    return plan, (high - low) / 2


def _places(axis: Axis, region: Corridor) -> _Places:
    stretches, parts = axis.line.stretches, axis.sampled
    number = np.repeat(np.arange(len(parts)), [len(part.chainage_m) for part in parts])
    points = axis.at(np.concatenate([part.chainage_m for part in parts]))
    limits = [envelope_levels(axis, s, part) for s, part in zip(stretches, parts, strict=True)]
    undecided = np.array([stretch.shape == "undecided" for stretch in stretches])
    return _Places(
        points,
        number,
        undecided[number],
        np.nan_to_num(region.off_m, nan=np.inf)[number],
        np.concatenate([low for low, _ in limits]),
        np.concatenate([high for _, high in limits]),
    )
