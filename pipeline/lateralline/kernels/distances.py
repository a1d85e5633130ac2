"""Distances between pipes and what is planned beside them, in metres, east-north-up.

A pipe or bore is a capsule: a segment and a radius. A trench, post or pile is a prism: a convex
plan shape from its bottom up without end, since what is dug or driven is open to the ground above
and no pipe is higher than that. The signed distance of a convex body, positive outside, is a convex
function of the point (Boyd and Vandenberghe, Convex Optimization, section 8.1, from memory), so
along a segment it has one minimum and golden sections find it.
"""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_GOLDEN = (sqrt(5.0) - 1.0) / 2.0
_TINY = 1e-12


def segment_to_segment(
    p0: Floats, p1: Floats, q0: Floats, q1: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return distance (n,) between segments p and q (n, 3), and the fraction of each nearest.

    The minimum of the squared distance, a convex quadratic of both fractions, is either where its
    gradient vanishes or on one of the four edges of the unit square; all five are compared.
    """
    u, v, w = p1 - p0, q1 - q0, p0 - q0
    a, b, c = _dot(u, u), _dot(u, v), _dot(v, v)
    d, e = _dot(u, w), _dot(v, w)
    det = a * c - b * b
    square = det > 1e-12 * a * c  # else parallel, or a point: then an edge holds the minimum
    inner = np.where(square, det, 1.0)
    s_in, t_in = (b * e - c * d) / inner, (a * e - b * d) / inner
    inside = square & (s_in >= 0) & (s_in <= 1) & (t_in >= 0) & (t_in <= 1)
    zero, one = np.zeros_like(a), np.ones_like(a)
    s_of = [np.where(inside, s_in, 0.0), zero, one, _clip(-d, a), _clip(b - d, a)]
    t_of = [np.where(inside, t_in, _clip(e, c)), _clip(e, c), _clip(b + e, c), zero, one]
    s, t = np.stack(s_of), np.stack(t_of)
    apart = w + s[..., None] * u - t[..., None] * v
    squares = _dot(apart, apart)
    best = squares.argmin(axis=0)[None]
    s, t, squares = (np.take_along_axis(x, best, axis=0)[0] for x in (s, t, squares))
    return np.sqrt(squares), s, t


def point_to_segment(x: Floats, q0: Floats, q1: Floats) -> Floats:
    """Return distances (…) of points (…, k) to segments (…, k), any of them broadcast."""
    v = q1 - q0
    t = _clip(_dot(x - q0, v), _dot(v, v))
    apart = x - q0 - t[..., None] * v
    return np.asarray(np.sqrt(_dot(apart, apart)))


def convex_signed(x: Floats, ring: Floats) -> Floats:
    """Return signed plan distances (…) of points (…, 2) to convex rings (…, m, 2), < 0 inside.

    Rings run counter-clockwise and are not closed; a repeated last vertex fills a shorter one.
    """
    after = np.roll(ring, -1, axis=-2)
    side = after - ring
    off = x[..., None, :] - ring
    inside = (side[..., 0] * off[..., 1] - side[..., 1] * off[..., 0] >= 0).all(axis=-1)
    near = point_to_segment(x[..., None, :], ring, after).min(axis=-1)
    return np.asarray(np.where(inside, -near, near))


def upward(plan_m: Floats, below_m: Floats) -> Floats:
    """Return signed distances to prisms open above.

    `plan_m` is the signed distance to the plan shape, `below_m` how far below the bottom; -inf
    when the prism has no bottom.
    """
    out = np.hypot(plan_m.clip(0.0), below_m.clip(0.0))
    return np.where((plan_m > 0) | (below_m > 0), out, np.maximum(plan_m, below_m))


def least_between(
    signed: Callable[[Floats], Floats], low: Floats, high: Floats, steps: int = 40
) -> tuple[Floats, Floats]:
    """Return the least value of convex functions between `low` and `high` (n,), and where (n,).

    Each step leaves 0.618 of the interval: 40 leave 5e-9 of it. Both ends are compared too.
    """
    a, b = low.copy(), high.copy()
    c, d = b - _GOLDEN * (b - a), a + _GOLDEN * (b - a)
    at_c, at_d = signed(c), signed(d)
    for _ in range(steps):
        left = at_c < at_d
        a, b = np.where(left, a, c), np.where(left, d, b)
        new = np.where(left, b - _GOLDEN * (b - a), a + _GOLDEN * (b - a))
        at_new = signed(new)
        c, d = np.where(left, new, d), np.where(left, c, new)
        at_c, at_d = np.where(left, at_new, at_d), np.where(left, at_c, at_new)
    where = np.stack([low, high, c, d])
    value = np.stack([signed(low), signed(high), at_c, at_d])
    best = value.argmin(axis=0)[None]
    return np.take_along_axis(value, best, 0)[0], np.take_along_axis(where, best, 0)[0]


def _dot(x: Floats, y: Floats) -> Floats:
    return np.asarray((x * y).sum(axis=-1))


def _clip(over: Floats, under: Floats) -> Floats:
    """Return over / under within 0 and 1; 0 where `under` vanishes."""
    return np.where(under > _TINY, over / np.where(under > _TINY, under, 1.0), 0.0).clip(0.0, 1.0)
