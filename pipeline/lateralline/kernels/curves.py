"""Geometry of a pipe's path: directions, steps, chainage, interpolation and reach.

Arrays in, arrays out. Positions are (…, 3) east, north, up in metres, or (…, 2) in plan; headings
run clockwise from grid north and tilts upward from level, both in radians. Leading axes broadcast.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]


def directions(heading_rad: npt.ArrayLike, tilt_rad: npt.ArrayLike) -> Floats:
    """Return unit vectors (…, 3) that point along headings and tilts.

    >>> directions(np.pi / 2, 0.0).round(12).tolist()
    [1.0, 0.0, 0.0]
    """
    heading, tilt = np.broadcast_arrays(np.asarray(heading_rad, float), np.asarray(tilt_rad, float))
    level = np.cos(tilt)
    return np.stack([level * np.sin(heading), level * np.cos(heading), np.sin(tilt)], axis=-1)


def angles(vectors: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return heading (−π…π) and tilt (−π/2…π/2) of vectors (…, 3) of any length.

    >>> heading, tilt = angles([0.0, -1.0, 1.0])
    >>> round(float(np.degrees(heading))), round(float(np.degrees(tilt)))
    (180, 45)
    """
    v = np.asarray(vectors, float)
    heading = np.arctan2(v[..., 0], v[..., 1])
    tilt = np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1]))
    return np.asarray(heading), np.asarray(tilt)


def wrap(angle_rad: npt.ArrayLike) -> Floats:
    """Return angles brought into −π…π."""
    return np.asarray((np.asarray(angle_rad, float) + np.pi) % (2 * np.pi) - np.pi)


def minimum_curvature(
    length_m: npt.ArrayLike,
    heading_1_rad: npt.ArrayLike,
    tilt_1_rad: npt.ArrayLike,
    heading_2_rad: npt.ArrayLike,
    tilt_2_rad: npt.ArrayLike,
) -> Floats:
    """Return the displacement (…, 3) along an arc that turns from one direction to another.

    The arc of least curvature between two directions has its chord along their sum, and a chord
    shorter than the arc by the ratio factor tan(β/2)/(β/2), β the angle between them:
    Δ = L/2 · (m₁ + m₂) · tan(β/2)/(β/2). Opposed directions (β = π) fix no plane: NaN.
    Source of the formula: common practice in borehole surveying, from memory; checked against a
    published worked step and the library wellpathpy.
    """
    return _step(
        np.asarray(length_m, float),
        directions(heading_1_rad, tilt_1_rad),
        directions(heading_2_rad, tilt_2_rad),
    )


def _step(length_m: Floats, first: Floats, second: Floats) -> Floats:
    """Return the displacement (…, 3) of `minimum_curvature`, from unit vectors (…, 3)."""
    turn = angle_between(first, second)
    half = turn / 2
    small = half < 1e-6
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(small, 1.0 + half**2 / 3.0, np.tan(half) / np.where(small, 1.0, half))
    factor = np.where(np.abs(turn - np.pi) < 1e-9, np.nan, factor)
    return np.asarray((length_m * factor / 2)[..., None] * (first + second))


def turned(first: npt.ArrayLike, second: npt.ArrayLike, fraction: npt.ArrayLike) -> Floats:
    """Return unit vectors (…, 3) a fraction of the way from one direction to another.

    They turn evenly in the plane of both: m = [sin((1−w)φ) m₁ + sin(wφ) m₂] / sin φ, φ the angle
    between them. NaN for opposed directions, which fix no plane.
    """
    m1, m2, w = (np.asarray(a, float) for a in (first, second, fraction))
    angle = angle_between(m1, m2)
    small = angle < 1e-8
    sine = np.where(small, 1.0, np.sin(angle))
    with np.errstate(invalid="ignore", divide="ignore"):
        one = np.where(small, 1 - w, np.sin((1 - w) * angle) / sine)
        two = np.where(small, w, np.sin(w * angle) / sine)
    mixed = one[..., None] * m1 + two[..., None] * m2
    return np.where((angle > np.pi - 1e-9)[..., None], np.nan, mixed)


def arc_from_chord(
    length_m: npt.ArrayLike,
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    fraction: npt.ArrayLike,
) -> tuple[Floats, Floats]:
    """Return how far a minimum-curvature arc stands off its own chord, and how fast that changes.

    The arc of a length turns evenly from one unit vector (…, 3) to the other. The offset (…, 3) at
    a fraction w of its length is arc(w) − w·arc(1): nothing at both ends, like a traverse that is
    closed, about Lφ/8 midway, and nothing anywhere when both directions agree. Beyond an end it
    goes on straight. The second result (…, 3) is its derivative by w. Source: `minimum_curvature`.

    >>> off, _ = arc_from_chord(4.0, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], 0.5)
    >>> radius = 4.0 / (np.pi / 2)
    >>> bool(np.isclose(np.linalg.norm(off), radius * (1 - np.cos(np.pi / 4))))  # sagitta
    True
    """
    length, m1, m2 = (np.asarray(a, float) for a in (length_m, first, second))
    w = np.asarray(fraction, float)
    inside = w.clip(0.0, 1.0)
    there = turned(m1, m2, inside)
    whole = _step(length, m1, m2)
    past = ((w - inside) * length)[..., None] * there
    offset = _step(inside * length, m1, there) + past - w[..., None] * whole
    return np.asarray(offset), np.asarray(length[..., None] * there - whole)


def angle_between(first: npt.ArrayLike, second: npt.ArrayLike) -> Floats:
    """Return the angle 0…π between vectors (…, 3); exact near 0 and π, NaN for a null vector."""
    a, b = np.asarray(first, float), np.asarray(second, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        a = a / np.linalg.norm(a, axis=-1, keepdims=True)
        b = b / np.linalg.norm(b, axis=-1, keepdims=True)
    # Kahan: the half-angle between unit vectors is that of their difference against their sum.
    return np.asarray(
        2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))
    )


def chainage(xyz_m: npt.ArrayLike) -> Floats:
    """Return distances (n,) along a path (n, 2|3) from its first vertex.

    >>> chainage([[0, 0, 0], [3, 4, 0], [3, 4, 2]]).tolist()
    [0.0, 5.0, 7.0]
    """
    steps = np.linalg.norm(np.diff(np.asarray(xyz_m, float), axis=0), axis=-1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def locate(chainage_m: npt.ArrayLike, at_m: npt.ArrayLike) -> tuple[Ints, Floats]:
    """Return the leg (…,) and the fraction 0…1 along it of places on a path.

    `chainage_m` (n,) is that of the vertices, increasing. A place beyond either end gets a NaN
    fraction: a path is never extended.
    """
    s, at = np.asarray(chainage_m, float), np.asarray(at_m, float)
    leg = np.clip(np.searchsorted(s, at, side="right") - 1, 0, len(s) - 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        fraction = (at - s[leg]) / (s[leg + 1] - s[leg])
    outside = (at < s[0]) | (at > s[-1])
    return leg.astype(np.int64), np.where(outside, np.nan, fraction)


def interpolate(
    xyz_m: npt.ArrayLike,
    cov_m2: npt.ArrayLike,
    cross_m2: npt.ArrayLike,
    leg: npt.ArrayLike,
    fraction: npt.ArrayLike,
) -> tuple[Floats, Floats]:
    """Return points (…, 3) and covariances (…, 3, 3) at fractions t of legs of a path.

    With vertices a, b of a leg: Σ = (1−t)² Σaa + t² Σbb + t(1−t)(Σab + Σabᵀ). `cov_m2` (n, 3, 3)
    and `cross_m2` (n−1, 3, 3) are as in `records.Line`. The fraction itself is taken as exact.
    """
    xyz, cov, cross = (np.asarray(a, float) for a in (xyz_m, cov_m2, cross_m2))
    i, t = np.asarray(leg, int), np.asarray(fraction, float)
    point = (1 - t)[..., None] * xyz[i] + t[..., None] * xyz[i + 1]
    s = t[..., None, None]
    ab = cross[i]
    spread = (
        (1 - s) ** 2 * cov[i] + s**2 * cov[i + 1] + s * (1 - s) * (ab + np.swapaxes(ab, -1, -2))
    )
    return point, spread


def reach_envelope(
    first_m: npt.ArrayLike, second_m: npt.ArrayLike, reach_m: npt.ArrayLike, vertices: int = 64
) -> Floats:
    """Return ellipses (…, vertices, 2) that no pipe of length `reach_m` between two points leaves.

    The points (…, 2) are the foci and the reach is the major axis, since every place on the pipe
    has distances to its two ends that add up to no more than its length. Vertices run
    counter-clockwise and are not closed; they lie outside by the factor 1/cos(π/vertices), so that
    the polygon holds all of the ellipse. NaN where the reach is shorter than the chord.
    """
    p, q = np.asarray(first_m, float), np.asarray(second_m, float)
    reach = np.asarray(reach_m, float)
    d = q - p
    chord = np.hypot(d[..., 0], d[..., 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        minor = np.where(reach >= chord, np.sqrt(np.maximum(reach**2 - chord**2, 0.0)), np.nan) / 2
        along = np.where((chord > 0)[..., None], d / chord[..., None], [1.0, 0.0])
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    turn = np.arange(vertices) * (2 * np.pi / vertices)
    outside = 1.0 / np.cos(np.pi / vertices)
    x = (reach / 2)[..., None] * np.cos(turn) * outside
    y = minor[..., None] * np.sin(turn) * outside
    centre = (p + q)[..., None, :] / 2
    ring = centre + x[..., None] * along[..., None, :] + y[..., None] * across[..., None, :]
    return np.where(np.isnan(minor)[..., None, None], np.nan, ring)


def reach_levels(
    first_m: npt.ArrayLike, second_m: npt.ArrayLike, reach_m: npt.ArrayLike, along_m: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Return the lowest and highest level (…,) a pipe of length `reach_m` can have on its way.

    Between two points (…, 3) it stays in the ellipsoid of revolution of `reach_envelope`. Seen
    from the side that is an ellipse, whatever the plan; the levels are where a plumb line meets
    it, `along_m` from the first point in plan, towards the second. NaN beyond the ellipse, and
    where the reach is shorter than the chord.
    """
    p, q = np.asarray(first_m, float), np.asarray(second_m, float)
    d = q - p
    run, rise = np.hypot(d[..., 0], d[..., 1]), d[..., 2]
    chord = np.hypot(run, rise)
    a2 = np.asarray(reach_m, float) ** 2 / 4
    b2 = a2 - chord**2 / 4
    with np.errstate(invalid="ignore", divide="ignore"):
        cos, sin = (
            np.where(chord > 0, part / chord, 1.0 - i) for i, part in enumerate((run, rise))
        )
        x = np.asarray(along_m, float) - run / 2
        # with u = x cos + z sin along the axis and v = z cos − x sin across: u²/a² + v²/b² = 1
        square = sin**2 / a2 + cos**2 / b2
        half = x * sin * cos * (1 / a2 - 1 / b2)
        root = np.sqrt(half**2 - square * (x**2 * (cos**2 / a2 + sin**2 / b2) - 1.0))
        low, high = (-half - root) / square, (-half + root) / square
    middle = np.where(b2 > 0, (p[..., 2] + q[..., 2]) / 2, np.nan)
    return middle + low, middle + high
