"""The points tapes may be hooked to: the survey's control, and more from a file of the user's."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataSourceError
from pyproj.transformer import AreaOfInterest

from lateralline import csv_file
from lateralline.errors import Fault, FrameError, SiteFaultsError
from lateralline.frames.area import degrees_of
from lateralline.frames.operations import apply, best
from lateralline.records import Floats
from lateralline.write.picture.scene import Scene
from lateralline.write.ties.ground import Ground

_NAMES: Final = ("point", "name", "id")  # columns a point's name may stand in, in this order
_NEAR_DEG: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """k points with their σ on each axis, in metres on the ground."""

    name: tuple[str, ...]
    ground_m: Floats  # (k, 2)
    sigma_m: Floats  # (k,)


def control_of(scene: Scene, ground: Ground) -> Points:
    """Return the site's control; a point without σ has the site's `gnss_m`, as in its survey."""
    control = scene.layers["control_points"]
    xy = shapely.get_coordinates(control.geometry.to_numpy()) / scene.metres_per + scene.origin
    sigma = control["sigma_h_m"].to_numpy(dtype=float)
    return Points(
        tuple(control["point"]),
        ground.to_ground(xy),
        np.where(np.isnan(sigma), assumed_sigma_m(scene), sigma),
    )


def assumed_sigma_m(scene: Scene) -> float:
    """Return the σ of a point that has none of its own."""
    return accuracy(scene, "gnss_m")


def accuracy(scene: Scene, name: str) -> float:
    """Return one of the accuracies the site was adjusted with, as its lineage states it."""
    lineage = scene.layers["lineage"]
    return float(lineage[lineage["item"] == f"accuracy {name}"]["value"].iloc[0])


def with_more(points: Points, path: Path, scene: Scene, ground: Ground) -> Points:
    """Return the points and those of a file: a .csv with point, x, y[, sigma_h], or a map layer.

    Coordinates of a .csv are in the built file's CRS and `sigma_h` in its unit (metres for
    degrees), as in control.csv; a map layer is transformed from its own CRS. Raises
    SiteFaultsError naming every fault, FrameError when a layer's CRS leads nowhere near.
    """
    if path.suffix.lower() == ".csv":
        name, xy, sigma = _of_csv(path, set(points.name), scene)
    else:
        name, xy, sigma = _of_layer(path, set(points.name), ground)
    assumed = assumed_sigma_m(scene)
    return Points(
        points.name + name,
        np.vstack([points.ground_m, ground.to_ground(xy)]),
        np.concatenate([points.sigma_m, np.where(np.isnan(sigma), assumed, sigma)]),
    )


def _of_csv(path: Path, taken: set[str], scene: Scene) -> tuple[tuple[str, ...], Floats, Floats]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file, skipinitialspace=True))
        columns = list(rows[0]) if rows else []
    faults = [
        Fault(path.name, 1, c, "", "must be a column")
        for c in ("point", "x", "y")
        if c not in columns
    ]
    if faults or not rows:
        raise SiteFaultsError(
            path.name, faults or [Fault(path.name, 0, "rows", "", "must be there")]
        )
    names: list[str] = []
    numbers = np.full((len(rows), 3), math.nan)
    for i, row in enumerate(rows):
        line = i + 2
        name = csv_file.unguarded((row["point"] or "").strip())
        if not name or name in taken or name in names:
            faults.append(Fault(path.name, line, "point", name, "must be a name of its own"))
        names.append(name)
        for k, column in enumerate(("x", "y", "sigma_h")):
            text = (row.get(column) or "").strip()
            if not text and column == "sigma_h":
                continue
            try:
                numbers[i, k] = float(text)
            except ValueError:
                numbers[i, k] = math.nan
            if not math.isfinite(numbers[i, k]) or (k == 2 and numbers[i, k] < 0.0):
                must = "must be a number, decimals behind a point" + (
                    ", 0 or more" if k == 2 else ""
                )
                faults.append(Fault(path.name, line, column, text, must))
    if faults:
        raise SiteFaultsError(path.name, faults)
    geographic = scene.crs is not None and scene.crs.is_geographic
    unit = 1.0 if geographic else float(scene.metres_per[0])
    return tuple(names), numbers[:, :2], numbers[:, 2] * unit


def _of_layer(
    path: Path, taken: set[str], ground: Ground
) -> tuple[tuple[str, ...], Floats, Floats]:
    try:
        frame = pyogrio.read_dataframe(path)
    except DataSourceError as e:
        must = "must be a .csv, or a map layer GDAL opens"
        raise SiteFaultsError(path.name, [Fault(path.name, 0, "file", str(e), must)]) from e
    faults = list(_layer_faults(path.name, frame))
    column = next((c for c in _NAMES if c in frame.columns), "")
    names = tuple(frame[column].astype(str)) if column else ()
    for i, name in enumerate(names):
        if name in taken or name in names[:i]:
            faults.append(Fault(path.name, i + 1, column, name, "must be a name of its own"))
    if faults:
        raise SiteFaultsError(path.name, faults)
    xy = shapely.get_coordinates(frame.geometry.to_numpy())
    sigma = np.full(len(names), math.nan)
    if "sigma_h_m" in frame.columns:
        sigma = pd.to_numeric(frame["sigma_h_m"], errors="coerce").to_numpy(dtype=float)
    if frame.crs is None or ground.crs is None:
        if (frame.crs is None) != (ground.crs is None):
            raise FrameError(f"{path.name}: one of layer and site is a sketch, the other is not")
        return names, xy, sigma
    lon, lat = (float(v[0]) for v in degrees_of(ground.crs, ground.origin[None, :]))
    area = AreaOfInterest(lon - _NEAR_DEG, lat - _NEAR_DEG, lon + _NEAR_DEG, lat + _NEAR_DEG)
    transformer, operation = best(frame.crs.to_2d(), ground.crs, area)
    if not operation.usable:
        raise FrameError(f"{path.name}: only a ballpark way from {operation.source} to the site")
    return names, apply(transformer, xy, None), sigma


def _layer_faults(file: str, frame: Any) -> Iterator[Fault]:
    if not any(c in frame.columns for c in _NAMES):
        yield Fault(file, 0, _NAMES[0], "", "must be a column with the names of the points")
    kinds = getattr(frame, "geom_type", None)
    for i, kind in enumerate(() if kinds is None else kinds):
        if kind != "Point":
            yield Fault(file, i + 1, "geometry", str(kind), "must be a point")
    if kinds is None:
        yield Fault(file, 0, "geometry", "", "must be there: a table has no place")
