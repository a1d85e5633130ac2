"""A site made up from the contract: rows in every layer, every column filled as it may be.

Not a survey: the numbers mean nothing. It is what tests of writers need, and it grows with the
contract by itself. conftest.py offers `make_site` as a fixture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import shapely

from lateralline import contract
from lateralline.contract import Column, Table
from lateralline.findings import Finding
from lateralline.frames import Frame, site_frame
from lateralline.records import (
    ControlRows,
    FieldRecord,
    InputFile,
    Product,
)
from lateralline.settings import Pipe, Run, Settings, bare_settings
from tests.support.bare_record import bare_record


@dataclass(frozen=True)
class MadeSite:
    """A record, its frame and its products: all that writers need of a site."""

    record: FieldRecord
    frame: Frame
    products: tuple[Product, ...]


def make_site(
    site_id: str = "EX-1",
    *,
    horizontal: str = "EPSG:32617",
    vertical: str = "none",
    x: float = 500_000.0,
    y: float = 4_500_000.0,
    z_m: float = 100.0,
    rows: int = 4,
) -> MadeSite:
    """Return a site whose frame begins halfway between control at (x, y) and 20 units east."""
    record = _record(site_id, horizontal, vertical, x, y, z_m)
    products = tuple(
        _product(contract.load(name), site_id, rows, z_m)
        for name in contract.LAYERS
        if name != "lineage"
    )
    return MadeSite(record, site_frame(record), products)


def _product(table: Table, site_id: str, rows: int, z_m: float) -> Product:
    columns: dict[str, list[object]] = {
        c.name: [_value(c, i, site_id) for i in range(rows)]
        for c in table.field
        if c.name != contract.UID
    }
    if not table.geometry:
        return Product(table.name, dict(columns), None)
    shapes = np.full(rows, None, dtype=object)
    for i in range(rows):
        east, north = 3.0 * i, 0.37 * i
        if table.geometry == "Point Z":
            shapes[i] = shapely.Point(east, north, z_m + 0.1 * i)
        elif table.geometry == "LineString Z":
            bend = (east + 1, north + 2, z_m + 0.02)
            shapes[i] = shapely.LineString([(east, north, z_m), bend, (east + 3, north, z_m)])
        else:  # clockwise on purpose, with a hole: writers must turn the rings themselves
            outside = shapely.Point(east, north).buffer(2.0, quad_segs=3).exterior.coords
            inside = shapely.Point(east, north).buffer(0.5, quad_segs=2).exterior.coords
            shapes[i] = shapely.Polygon(outside, [inside])
    if table.name in ("field_marks", "transmitter_fixes", "pipe_observations"):
        shapes[rows - 1 :] = None  # an unplaced mark, an unsolved stop
    return Product(table.name, dict(columns), shapes)


def _value(column: Column, i: int, site_id: str) -> object:
    """Return a value the contract allows, another in every row; null at times where it may be."""
    if column.name == "site_id":
        return site_id
    if not column.required and i % 3 == 2:
        return float("nan") if column.type == "real" else None
    if column.enum:
        return column.enum[i % len(column.enum)]
    if column.type == "text":
        return f"{column.name} ø“{i}”, x|y"
    if column.type == "boolean":
        return i % 2 == 0
    if column.type == "bytes":
        return bytes([i])
    if column.type == "date":
        return date(2026, 5, 6 + i)
    high = column.maximum if column.maximum is not None else 9.0
    number = max(column.minimum or 0.0, min(high, 0.125 + i))
    return int(number) if column.type == "integer" else number


def _record(
    site_id: str, horizontal: str, vertical: str, x: float, y: float, z_m: float
) -> FieldRecord:
    control = ControlRows(
        file="control.csv",
        row=np.array([2, 3]),
        point=np.array(["P1", "P2"]),
        x=x + np.array([0.0, 20.0]) * (1e-5 if horizontal == "EPSG:4326" else 1.0),
        y=np.full(2, y),
        z_m=np.full(2, z_m),
        sigma_h_m=np.full(2, 0.01),
        sigma_v_m=np.full(2, 0.01),
    )
    return bare_record(
        _settings(site_id, horizontal, vertical),
        control,
        inputs=(
            InputFile("site.toml", "a" * 64, 812, 1),
            InputFile("marks.csv", "b" * 64, 4011, 24),
        ),
        findings=(Finding("info", "read", "column-kept", "site", "a note", "", ""),),
    )


def _settings(site_id: str, horizontal: str, vertical: str) -> Settings:
    return replace(
        bare_settings(),
        id=site_id,
        name=f"Invented site {site_id}",
        horizontal=horizontal,
        vertical=vertical,
        units={"tape": "us-ft", "level": "m", "depth": "in", "counter": "m"},
        pipes=(Pipe("L1", "PVC", "DN110", "sanitary", 0.1036, 0.0032, "EN 1401"),),
        runs=(Run("R1", "L1", "CO1", 0.0, "with", 0.35, 0.03),),
    )
