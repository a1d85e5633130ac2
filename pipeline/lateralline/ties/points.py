"""The points tapes may be hooked to: the survey's control, and more from a file of the user's."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from pyproj.transformer import AreaOfInterest

from lateralline.contract import Column
from lateralline.errors import FrameError
from lateralline.frames.area import degrees_of
from lateralline.frames.operations import apply, best
from lateralline.ingest.cells import UNKNOWN_UNIT
from lateralline.ingest.conventions import read_table
from lateralline.ingest.intake import may_be_read, read_bytes
from lateralline.ingest.ledger import Ledger
from lateralline.ingest.limits import MAP_BYTES
from lateralline.ingest.points.layer_points import map_points
from lateralline.ingest.points.survey_points import ColumnChoice
from lateralline.ingest.rows import typed_rows
from lateralline.names import MUST_BE, composed, wrong_name
from lateralline.record.ground import GroundPlane
from lateralline.record.view import RecordView
from lateralline.records import Floats

_TABLES: Final = (".csv", ".tsv", ".txt")
_NEAR_DEG: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class TapePoints:
    """k points with their σ on each axis, in metres on the ground."""

    name: tuple[str, ...]
    ground_m: Floats  # (k, 2)
    sigma_m: Floats  # (k,)
    notes: tuple[str, ...] = ()  # how a file of more points was read, where that is not plain


def control_of(view: RecordView) -> TapePoints:
    """Return the site's control; a point without σ has the site's `gnss_m`, as in its survey."""
    placed = [row for row in view.control if row.geometry is not None]
    sigma = np.array([row.sigma_h_m for row in placed])
    return TapePoints(
        tuple(row.point for row in placed),
        np.array([(row.geometry.x, row.geometry.y) for row in placed if row.geometry]).reshape(
            -1, 2
        ),
        np.where(np.isnan(sigma), view.lineage.gnss_sigma_m, sigma),
    )


def with_more(points: TapePoints, path: Path, view: RecordView) -> TapePoints:
    """Return the points and those of a file: a table as control.csv is, or a map layer.

    Coordinates of a table are in the built file's CRS and `sigma_h` in its unit (metres for
    degrees), as in control.csv; a map layer is transformed from its own CRS. Raises
    SiteFaultsError naming every fault, FrameError when a layer's CRS leads nowhere near.
    """
    ledger = Ledger()
    taken = set(points.name)
    if path.suffix.lower() in _TABLES:
        name, xy, sigma, notes = _of_table(path, taken, view.ground, ledger)
    else:
        name, xy, sigma, notes = *_of_layer(path, taken, view.ground, ledger), ()
    assumed = view.lineage.gnss_sigma_m
    return TapePoints(
        points.name + name,
        np.vstack([points.ground_m, view.ground.to_ground(xy)]),
        np.concatenate([points.sigma_m, np.where(np.isnan(sigma), assumed, sigma)]),
        (f"{path.name} is read {', '.join(notes)}",) if notes else (),
    )


def _of_table(
    path: Path, taken: set[str], ground: GroundPlane, ledger: Ledger
) -> tuple[tuple[str, ...], Floats, Floats, tuple[str, ...]]:
    axis = None if ground.crs is None else ground.crs.axis_info[0]
    geographic = ground.crs is not None and ground.crs.is_geographic
    unit = "" if axis is None else axis.unit_name

    def unit_of(column: Column) -> str:
        if column.name in ("x", "y"):
            return "degrees" if geographic else unit
        return column.unit or (UNKNOWN_UNIT if column.unit_from else "")

    table = read_table("control", path.name, read_bytes(path, ledger), ledger)
    ledger.raise_faults(path.name)
    assert table is not None  # else there is a fault
    rows = typed_rows("control", table, unit_of, ledger)
    if not rows and not ledger.faults:
        ledger.fault(path.name, 0, "rows", "", "must be there")
    for row in rows:
        name = row.text("point")
        if name in taken:
            row.fault(ledger, "point", "must be a name of its own")
        taken.add(name)
    ledger.raise_faults(path.name)
    xy = np.column_stack([rows.numbers("x"), rows.numbers("y")])
    sigma_m = 1.0 if geographic or axis is None else float(axis.unit_conversion_factor)
    names = tuple(rows.texts("point").tolist())
    return names, xy, rows.numbers("sigma_h", sigma_m), table.notes


def _of_layer(
    path: Path, taken: set[str], ground: GroundPlane, ledger: Ledger
) -> tuple[tuple[str, ...], Floats, Floats]:
    may_be_read(path, ledger, MAP_BYTES, smaller="copy the layer of points into a file of its own")
    ledger.raise_faults(path.name)
    found = map_points(path, ledger, choice=ColumnChoice(options=False))
    ledger.raise_faults(path.name)
    assert found is not None  # else there is a fault
    for i, name in enumerate(found.name.tolist()):
        at = int(found.row[i])
        if hint := wrong_name(name):
            ledger.fault(found.file, at, "point", name, f"must be {MUST_BE}", hint)
        elif composed(name) in taken:
            ledger.fault(found.file, at, "point", name, "must be a name of its own")
        taken.add(composed(name))
    ledger.raise_faults(path.name)
    names, xy = tuple(map(composed, found.name.tolist())), np.column_stack([found.x, found.y])
    if found.crs is None or ground.crs is None:
        if (found.crs is None) != (ground.crs is None):
            raise FrameError(f"{path.name}: one of layer and site is a sketch, the other is not")
        return names, xy, found.sigma_h
    lon, lat = (float(v[0]) for v in degrees_of(ground.crs, ground.origin[None, :]))
    area = AreaOfInterest(lon - _NEAR_DEG, lat - _NEAR_DEG, lon + _NEAR_DEG, lat + _NEAR_DEG)
    transformer, operation = best(found.crs.to_2d(), ground.crs, area)
    if not operation.usable:
        raise FrameError(f"{path.name}: only a ballpark way from {operation.source} to the site")
    plan = found.crs.to_2d()
    unit_m = 1.0 if plan.is_geographic else plan.axis_info[0].unit_conversion_factor
    return names, apply(transformer, xy, None), found.sigma_h * unit_m
