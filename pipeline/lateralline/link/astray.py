"""Points of a line that lie further from it than any cable reaches: left out, and named.

A digit too many in a coordinate puts a stop kilometres off. Everything that hangs on a length would
follow it there, so it is told before anything is ordered. Points that a chain of neighbours no more
than `MOST_LEG_M` apart joins are one group; the largest is believed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from lateralline.link.points import Point
from lateralline.proportions import MOST_LEG_M, groups
from lateralline.records import Finding, Flags, Floats
from lateralline.wording import metres


def without_astray(
    line: str, points: Sequence[Point], others_m: Floats
) -> tuple[list[Point], list[Finding]]:
    """Return the points of a line that lie together, and a finding on each that does not.

    `others_m` (n, 2) are places of the site's other lines: of groups of equal size they tell the
    one. Where nothing does, none is believed and the line is not drawn.
    """
    if len(points) < 2:
        return list(points), []
    xyz = np.nan_to_num([p.xyz_m for p in points])
    of = groups(xyz, MOST_LEG_M)
    size = np.bincount(of)
    if len(size) == 1:
        return list(points), []
    largest = np.flatnonzero(size == size.max())
    if len(largest) > 1 and len(others_m):
        away = [_nearest(xyz[of == g, :2], others_m) for g in largest]
        largest = largest[np.array(away) < MOST_LEG_M]
    if len(largest) != 1:
        return [], [_nothing_tells(line, points, xyz)]
    kept = of == largest[0]
    return (
        [p for p, k in zip(points, kept, strict=True) if k],
        [_astray(points[i], _distance(xyz, kept, i)) for i in np.flatnonzero(~kept).tolist()],
    )


def _nearest(xy: Floats, others_m: Floats) -> float:
    return float(np.min(cKDTree(others_m).query(xy)[0]))


def _distance(xyz: Floats, kept: Flags, i: int) -> float:
    return float(np.linalg.norm(xyz[kept] - xyz[i], axis=1).min())


def _astray(point: Point, away_m: float) -> Finding:
    return Finding(
        "error",
        "link",
        "point-astray",
        point.subject,
        "lies further from every other point of its line than any cable reaches: it is left out, "
        "and the rest of the line is drawn",
        f"{metres(away_m, 0)} from the nearest; {metres(MOST_LEG_M, 0)} are believed",
        "check the coordinates of its marks by digits, and the level and station they hang on",
        point.where,
    )


def _nothing_tells(line: str, points: Sequence[Point], xyz: Floats) -> Finding:
    return Finding(
        "error",
        "link",
        "line-not-drawn",
        f"line {line}",
        "its located points lie further apart than any cable reaches, and nothing tells which of "
        "them are right: it is not drawn",
        f"{metres(float(np.linalg.norm(np.ptp(xyz, axis=0))), 0)} across; neighbours "
        f"{metres(MOST_LEG_M, 0)} apart are believed",
        "check the coordinates of its marks by digits",
        points[0].where,
    )
