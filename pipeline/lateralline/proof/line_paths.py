"""How far two paths lie apart, and whether a region holds a pipe."""

from __future__ import annotations

import numpy as np
import shapely

from lateralline.kernels.curves import chainage
from lateralline.records import Floats
from lateralline.simulate.truth import TrueLine

#: Paths are compared at points no further apart than this.
SAMPLE_M = 0.10


def squares_apart_m2(path_m: Floats, pipe: TrueLine, low_m: float, high_m: float) -> Floats:
    """Return squared distances (n,) in space between a path (m, 3) and the pipe, both ways.

    From points along the pipe between two chainages (the first and the last stop) to the path, and
    from points along the path to the pipe, which goes on beyond its stops; each way weighs the
    same however long it is.
    """
    true = pipe.at(_along(low_m, high_m))
    ends = chainage(path_m)
    drawn = _at(path_m, np.linspace(0.0, ends[-1], len(true)))
    return np.concatenate([_squares(true, path_m), _squares(drawn, pipe.axis_m)])


def held(region: shapely.Polygon, pipe: TrueLine, low_m: float, high_m: float) -> float:
    """Return the share of the pipe's plan between two chainages that lies in a region."""
    inner = pipe.chainage_m[(pipe.chainage_m > low_m) & (pipe.chainage_m < high_m)]
    plan = shapely.LineString(pipe.at(np.array([low_m, *inner, high_m]))[:, :2])
    if region.covers(plan):
        return 1.0
    return float(plan.intersection(region).length / plan.length)


def backward_m(path_m: Floats, pipe: TrueLine) -> float:
    """Return by how much the leg of a path that runs most against the pipe does so; 0 when none.

    Along the pipe, from where the leg's start lies beside it to where its end does.
    """
    start, leg = pipe.axis_m[:-1], np.diff(pipe.axis_m, axis=0)
    from_start = path_m[:, None] - start
    length = np.linalg.norm(leg, axis=1)
    share = np.clip(np.einsum("nlc,lc->nl", from_start, leg) / length**2, 0.0, 1.0)
    off = np.linalg.norm(from_start - share[..., None] * leg, axis=2)
    nearest = off.argmin(axis=1)
    rows = np.arange(len(path_m))
    along = pipe.chainage_m[nearest] + share[rows, nearest] * length[nearest]
    return float(np.maximum(-np.diff(along), 0.0).max())


def _along(low_m: float, high_m: float) -> Floats:
    return np.linspace(low_m, high_m, int(np.ceil((high_m - low_m) / SAMPLE_M)) + 1)


def _at(path_m: Floats, chainage_m: Floats) -> Floats:
    own = chainage(path_m)
    return np.stack([np.interp(chainage_m, own, c) for c in path_m.T], axis=-1)


def _squares(points_m: Floats, path_m: Floats) -> Floats:
    """Return the squared distance (n,) from each point (n, 3) to the nearest place on a path."""
    start, leg = path_m[:-1], np.diff(path_m, axis=0)
    from_start = points_m[:, None] - start
    length2 = np.maximum(np.einsum("lc,lc->l", leg, leg), 1e-12)
    share = np.clip(np.einsum("nlc,lc->nl", from_start, leg) / length2, 0.0, 1.0)
    off = from_start - share[..., None] * leg
    return np.asarray(np.einsum("nlc,nlc->nl", off, off).min(axis=1))
