"""A sketch laid onto a map: the shift, turn and, on request, scale that bring its points there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lateralline.kernels.taping import Floats


@dataclass(frozen=True, slots=True)
class SketchFit:
    """Where a sketch lies: map = centre_m + scale · R(turn) · (sketch − sketch_centre_m)."""

    sketch_centre_m: Floats  # (2,)
    centre_m: Floats  # (2,)
    turn_rad: float  # of the sketch's axes, counter-clockwise
    scale: float
    cov: Floats  # (p, p) of east, north, turn and, where it is free, scale; p = 3 or 4
    chi2: float
    dof: int

    def onto_map(self, sketch_m: Floats) -> Floats:
        """Return points (n, 2) of the sketch where they lie on the map."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        turned = (sketch_m - self.sketch_centre_m) @ np.array([[c, s], [-s, c]])
        return np.asarray(self.centre_m + self.scale * turned)


def moved_by(away_m: Floats, params: int) -> Floats:
    """Return what shift, turn and scale do (n, 2, params) to points (n, 2) off the centre."""
    east, north = away_m[:, 0], away_m[:, 1]
    one, nil = np.ones(len(away_m)), np.zeros(len(away_m))
    rows = [[one, nil, -north, east], [nil, one, east, north]]
    return np.moveaxis(np.array(rows)[:, :params], 2, 0)


def fit_sketch(
    sketch_m: Floats, map_m: Floats, sigma_m: Floats, *, free_scale: bool = False
) -> SketchFit:
    """Return how points (n, 2) of a sketch lie on the map, by their σ (n,) on each axis.

    Least squares in closed form: the turn that brings the points, counted from their weighted
    middles, nearest to each other. n ≥ 2 points apart; the scale takes three to be controlled.
    """
    weight = 1.0 / np.square(sigma_m)
    here, there = (weight @ xy / weight.sum() for xy in (sketch_m, map_m))
    p, q = sketch_m - here, map_m - there
    along = float(weight @ np.sum(p * q, axis=1))
    across = float(weight @ (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]))
    turn = float(np.arctan2(across, along))
    size = float(weight @ np.sum(p**2, axis=1))
    scale = float(np.hypot(along, across)) / size if free_scale else 1.0
    params = 4 if free_scale else 3
    fit = SketchFit(here, there, turn, scale, np.eye(params), 0.0, 2 * len(p) - params)
    off = map_m - fit.onto_map(sketch_m)
    a = moved_by(fit.onto_map(sketch_m) - there, params)
    normal = np.einsum("nip,n,niq->pq", a, weight, a)
    chi2 = float(weight @ np.sum(off**2, axis=1))
    return SketchFit(here, there, turn, scale, np.linalg.inv(normal), chi2, fit.dof)
