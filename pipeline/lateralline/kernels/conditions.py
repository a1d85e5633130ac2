"""What each kind of mark says about the transmitter under it: residuals and Jacobians.

All in the transmitter's axes: *along* its heading (horizontal), *across* to the right of it, *up*.
In them the moment is (cosθ, 0, sinθ) and the field direction is a polynomial, so every derivative
is short. Arrays are component-first for speed: positions (3, n), residuals (q, n), Jacobians
(q, 4, n) with respect to (along, across, up) of the mark, in metres, and tilt, in radians.

Moving the transmitter by δ is moving the mark by −δ; turning its heading by δα moves the mark by
(across, −along)·δα in these axes. The solver adds those two columns; nothing here knows of them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: Curvature of ln|B| across the axis, above a level transmitter, times depth²: one depth-unit of
#: offset changes the scaled gradient by this much. The axial component is three times as sharp
#: along the axis (checked against numeric differentiation in the tests).
ACROSS_CURVATURE = 3.0
AXIAL_CURVATURE = 9.0


def _axes(tilt_rad: Floats) -> tuple[Floats, Floats]:
    """Return the moment m̂ (3, n) and its derivative with tilt (3, n)."""
    zero, cos, sin = np.zeros_like(tilt_rad), np.cos(tilt_rad), np.sin(tilt_rad)
    return np.stack([cos, zero, sin]), np.stack([-sin, zero, cos])


def direction(
    mark_m: Floats, tilt_rad: Floats, half_rod_m: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return the unit field direction (3, n) at marks (3, n), and its Jacobian (3, 4, n).

    A point dipole unless half_rod_m (n,) gives half the transmitter's magnetic length.
    B·R⁵ ∝ b = 3p r − R² m̂ with p = m̂·r.
    """
    m, dm = _axes(tilt_rad)
    if half_rod_m is not None:
        return _normalised(*_pole_pair(mark_m, m, dm, half_rod_m))
    r2 = np.einsum("in,in->n", mark_m, mark_m)
    p = m[0] * mark_m[0] + m[2] * mark_m[2]
    b = 3.0 * p * mark_m - r2 * m
    db = np.empty((3, 4, mark_m.shape[1]))
    for j in range(3):
        db[:, j] = 3.0 * m[j] * mark_m - 2.0 * mark_m[j] * m
        db[j, j] += 3.0 * p
    db[:, 3] = 3.0 * (dm[0] * mark_m[0] + dm[2] * mark_m[2]) * mark_m - r2 * dm
    return _normalised(b, db)


def _normalised(b: Floats, db: Floats) -> tuple[Floats, Floats]:
    """Return û = b/|b| and dû = (I − ûûᵀ) db/|b|."""
    size = np.sqrt(np.einsum("in,in->n", b, b))
    u = b / size
    radial = np.einsum("in,ijn->jn", u, db)
    return u, (db - u[:, None] * radial) / size


def _pole_pair(mark_m: Floats, m: Floats, dm: Floats, half_rod_m: Floats) -> tuple[Floats, Floats]:
    """Return the field (3, n) of two opposite poles at ± half_rod m̂, and its Jacobian (3, 4, n).

    A uniformly magnetised rod is a charge on each end face; for a slim one, two points (against
    magpylib's cylinder in the tests). Rods under a hundredth of the distance count as that long:
    the difference is 1e-4 of itself, the poles' own difference stays well away from rounding.
    """
    r = np.sqrt(np.einsum("in,in->n", mark_m, mark_m))
    half = np.maximum(half_rod_m, 0.01 * r)
    b, db = np.zeros_like(mark_m), np.zeros((3, 4, mark_m.shape[1]))
    for sign in (1.0, -1.0):
        to_pole = mark_m - sign * half * m
        square = np.einsum("in,in->n", to_pole, to_pole)
        strength = sign * r**4 / square**1.5  # r⁴ keeps numbers near those of the dipole
        b += strength * to_pole
        gradient = -3.0 * strength / square * to_pole[:, None] * to_pole
        for i in range(3):
            gradient[i, i] += strength
        db[:, :3] += gradient
        db[:, 3] -= sign * half * np.einsum("ijn,jn->in", gradient, dm)
    return b, db


def by_field_turn(depth_m: Floats, heading_rad: Floats) -> Floats:
    """Return what a field turned by one radian does to fixes (k, 5, 2), in site axes.

    Turned about a level axis, everything painted moves as if the plumb line leaned so much: the
    transmitter swings about the ground above it, east and north by its depth (the columns), and
    its tilt turns by what of that is along its heading. Level and heading stay.
    """
    out = np.zeros((len(depth_m), 5, 2))
    out[:, 0, 0] = out[:, 1, 1] = depth_m
    out[:, 4] = np.column_stack([np.sin(heading_rad), np.cos(heading_rad)])
    return out


def total_gradient(mark_m: Floats, tilt_rad: Floats) -> tuple[Floats, Floats]:
    """Return R·∇ln|B| (3, n), without unit, and its Jacobian (3, 4, n).

    |B|² ∝ S/R⁸ with S = R² + 3p², so ∇ln|B| = (3p m̂ + r)/S − 4 r/R².
    """
    m, dm = _axes(tilt_rad)
    r2 = np.einsum("in,in->n", mark_m, mark_m)
    r = np.sqrt(r2)
    p = m[0] * mark_m[0] + m[2] * mark_m[2]
    dp = dm[0] * mark_m[0] + dm[2] * mark_m[2]
    s = r2 + 3.0 * p**2
    top = 3.0 * p * m + mark_m
    g = r * (top / s - 4.0 * mark_m / r2)
    dg = np.empty((3, 4, mark_m.shape[1]))
    for j in range(3):
        x = mark_m[j]
        dg[:, j] = (x / r2) * g + r * (
            3.0 * m[j] * m / s
            - top * ((2.0 * x + 6.0 * p * m[j]) / s**2)
            + mark_m * (8.0 * x / r2**2)
        )
        dg[j, j] += r * (1.0 / s - 4.0 / r2)
    dg[:, 3] = r * ((3.0 * dp * m + 3.0 * p * dm) / s - top * (6.0 * p * dp / s**2))
    return g, dg


def axial_gradient(mark_m: Floats, tilt_rad: Floats) -> tuple[Floats, Floats]:
    """Return R·∇ln|B_along| (3, n), without unit, and its Jacobian (3, 4, n).

    B_along ∝ q/R⁵ with q = 3p·along − R² cosθ, so ∇ln|B_along| = ∇q/q − 5 r/R².
    """
    m, dm = _axes(tilt_rad)
    cos, sin = m[0], m[2]
    along = mark_m[0]
    r2 = np.einsum("in,in->n", mark_m, mark_m)
    r = np.sqrt(r2)
    p = m[0] * along + m[2] * mark_m[2]
    dp = dm[0] * along + dm[2] * mark_m[2]
    q = 3.0 * p * along - r2 * cos
    dq = 3.0 * m * along - 2.0 * cos * mark_m
    dq[0] += 3.0 * p
    g = r * (dq / q - 5.0 * mark_m / r2)
    dg = np.empty((3, 4, mark_m.shape[1]))
    for j in range(3):
        x = mark_m[j]
        dg[:, j] = (x / r2) * g + r * (-dq * (dq[j] / q**2) + mark_m * (10.0 * x / r2**2))
        dg[0, j] += r * 3.0 * m[j] / q
        dg[j, j] += r * (-2.0 * cos / q - 5.0 / r2)
    dg[:, 0] += r * 3.0 * m / q
    dq_tilt = 3.0 * dm * along + 2.0 * sin * mark_m
    dq_tilt[0] += 3.0 * dp
    dg[:, 3] = r * (dq_tilt / q - dq * ((3.0 * dp * along + r2 * sin) / q**2))
    return g, dg


def offset_in_depths(mark_m: Floats, axis: int) -> tuple[Floats, Floats]:
    """Return one coordinate over distance, r[axis]/R (n,), and its Jacobian (4, n)."""
    r2 = np.einsum("in,in->n", mark_m, mark_m)
    r = np.sqrt(r2)
    jacobian = np.zeros((4, mark_m.shape[1]))
    jacobian[:3] = -mark_m * (mark_m[axis] / (r2 * r))
    jacobian[axis] += 1.0 / r
    return mark_m[axis] / r, jacobian
