"""How near straight pieces of pipe come to planned bodies, and which way to move to be nearer."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from lateralline.kernels.distances import least_between, segment_to_segment
from lateralline.overlay.bodies import Body, Bore, Prism
from lateralline.records import Floats

_STEP_M: Final = 1e-6  # over which a surface's direction is measured


class Nearest(NamedTuple):
    """Closest approach of the axis of legs (n) to bodies."""

    distance_m: Floats  # (n,) axis to surface; negative inside
    fraction: Floats  # (n,) along the leg
    axis: Floats  # (n, 3) the place on the axis
    away: Floats  # (n, 3) unit vector in which the distance grows fastest there


def nearest(body: Body, start: Floats, end: Floats) -> Nearest:
    """Return the closest approach of axes from `start` to `end` (n, 3) to a stacked body (n).

    Exact for bores (closed form) and, to a millionth of the leg, for prisms.
    """
    distance, fraction = _least(body, start, end)
    axis = start + fraction[:, None] * (end - start)
    return Nearest(distance, fraction, axis, _away(body, axis, end - start))


def on_surface(found: Nearest) -> Floats:
    """Return the places (n, 3) on the planned surfaces nearest to the axis."""
    return found.axis - found.distance_m[:, None] * found.away


def _least(body: Body, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    match body:
        case Bore():
            m = body.points.shape[-2] - 1
            p = [np.repeat(x, m, axis=0) for x in (start, end)]
            q = [body.points[:, :-1].reshape(-1, 3), body.points[:, 1:].reshape(-1, 3)]
            apart, s, _ = segment_to_segment(*p, *q)
            return _best(apart.reshape(-1, m) - body.radius_m[:, None], s.reshape(-1, m))
        case Prism():
            k = body.rings.shape[1]
            one = Prism(
                body.rings.reshape(-1, 1, *body.rings.shape[2:]), np.repeat(body.bottom_m, k)
            )
            low, where = _along(one, np.repeat(start, k, axis=0), np.repeat(end, k, axis=0))
            return _best(low.reshape(-1, k), where.reshape(-1, k))
    return _along(body, start, end)


def _along(body: Body, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Return the least signed distance (n,) along legs to convex bodies, and where."""
    zero = np.zeros(len(start))
    return least_between(
        lambda s: body.signed(start + s[:, None] * (end - start)), zero, zero + 1.0
    )


def _best(distance: Floats, fraction: Floats) -> tuple[Floats, Floats]:
    """Return the least of each row (n, k), and its fraction."""
    best = distance.argmin(axis=1)[:, None]
    return (
        np.take_along_axis(distance, best, axis=1)[:, 0],
        np.take_along_axis(fraction, best, axis=1)[:, 0],
    )


def _away(body: Body, axis: Floats, along: Floats) -> Floats:
    """Return the unit gradient (n, 3) of the signed distance.

    On the very axis of a bore there is none: any way square to both serves, since each bounds the
    distance from below.
    """
    steps = _STEP_M * np.eye(3)
    gradient = np.stack(
        [(body.signed(axis + h) - body.signed(axis - h)) / (2 * _STEP_M) for h in steps], axis=1
    )
    size = np.linalg.norm(gradient, axis=1)
    level = np.column_stack([along[:, 1], -along[:, 0], np.zeros(len(along))])
    flat = np.linalg.norm(level, axis=1, keepdims=True)
    square = np.where(flat > 0, level / np.maximum(flat, 1e-300), [1.0, 0.0, 0.0])
    known = size > 0.5  # where several faces are equally near it is less than one
    return np.where(known[:, None], gradient / np.maximum(size, 0.5)[:, None], square)
