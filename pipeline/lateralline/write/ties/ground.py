"""Coordinates of a built file as metres on the ground, where tapes are stretched, and back.

A grid is not the ground: 100 ppm of it are 3 mm in a tape of 30 m, and a web map's grid is half as
large again at middle latitudes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import CRS

from lateralline.frames.build import grid_scale
from lateralline.lineage import plan_of
from lateralline.records import Floats
from lateralline.write.picture.scene import Scene


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The way between a file's plan coordinates and metres east and north of `origin`."""

    crs: CRS | None  # plan part of the file's; None = a sketch
    origin: Floats  # (2,) in the file's coordinates
    per_unit: Floats  # (2, 2) ground metres in one unit of each axis

    def to_ground(self, xy: Floats) -> Floats:
        """Return (n, 2) metres on the ground of (n, 2) coordinates of the file."""
        return np.asarray((xy - self.origin) @ self.per_unit.T)

    def to_file(self, ground_m: Floats) -> Floats:
        """Return (n, 2) coordinates of the file."""
        return np.asarray(ground_m @ np.linalg.inv(self.per_unit).T + self.origin)


def ground_of(scene: Scene) -> Ground:
    """Return the way for a site as read back.

    A grid's scale is that of its geodesics at the site, as in the survey's own frame; the height
    factor is the one `lineage` states.
    """
    if scene.crs is None:
        return Ground(None, scene.origin, np.eye(2))
    crs = plan_of(scene.crs)
    if crs.is_geographic:
        per_unit = np.diag(scene.metres_per)
    else:
        per_unit = grid_scale(crs, float(scene.origin[0]), float(scene.origin[1])).metres_per_unit
    return Ground(crs, scene.origin, per_unit / _height_factor(scene))


def _height_factor(scene: Scene) -> float:
    lineage = scene.layers["lineage"]
    said = lineage[(lineage["topic"] == "crs") & (lineage["item"] == "height factor")]["value"]
    return float(said.iloc[0]) if len(said) else 1.0
