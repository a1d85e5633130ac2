"""Layers of a built GeoPackage as they stand in it, by the names of today, and what they count in.

Names of version 1 come as those of today; private columns only where they are asked for.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from lateralline import contract
from lateralline.cautions import ERRORS, Reservations
from lateralline.errors import UnreadableError
from lateralline.frames.systems import plan_of
from lateralline.output.proof import changed_since, reading
from lateralline.record.assets import without_private
from lateralline.record.layers import GEOMETRY, AnyFrame, empty
from lateralline.record.lineage import RecordLineage, private_of, read_lineage, z_unit_m
from lateralline.renamed import column_today, layer_of_v1, layer_values, value_today


def read_layers(
    gpkg: Path, names: Iterable[str], site_id: str | Sequence[str] = ""
) -> dict[str, AnyFrame]:
    """Return layers of a built GeoPackage as they stand in it, of one site, some, or all for "".

    Text that is not given is "", that of columns an older or edited file lacks too; else as
    `read_layer`. Columns private on any site, and private pictures, are left out unless asked for
    (`record.assets.private_shown`).
    """
    read = {name: read_layer(gpkg, name, site_id) for name in names}
    for name, frame in read.items():
        for column in (c.name for c in contract.load(name).field if c.type == "text"):
            frame[column] = frame[column].astype(object).fillna("") if column in frame else ""
    private = private_of(gpkg) if read else set()
    return {n: without_private(n, frame, private) for n, frame in read.items()}


def reservations_of(gpkg: Path, site_id: str = "") -> Reservations:
    """Return what speaks against a built GeoPackage, or one site of it; "" for all.

    Of an overlay what its rows say. Raises UnreadableError for what is no GeoPackage or locked.
    """
    found: set[tuple[str, str, str, str]] = set()
    with reading(gpkg) as db:
        for table, (asked, given) in _saying_errors(db).items():
            asked_all = f"site_id, coalesce(line_id, ''), {asked}"
            given_all = f"{given} AND ? IN ('', site_id)"
            query = f'SELECT DISTINCT {asked_all} FROM "{table}" WHERE {given_all}'
            found.update(db.execute(query, (site_id,)))
    return Reservations.of_findings(found, changed=bool(changed_since(gpkg)))


def _saying_errors(db: sqlite3.Connection) -> dict[str, tuple[str, str]]:
    """Return the tables that tell of errors, each with what is asked of it, and of which rows."""
    names = [name for (name,) in db.execute("SELECT table_name FROM gpkg_contents")]
    held = {t: {row[1] for row in db.execute(f'PRAGMA table_info("{t}")')} for t in names}
    if "line_id" in held.get("findings", ()):  # a record
        by = "coalesce(accepted_by, '')" if "accepted_by" in held["findings"] else "''"
        return {"findings": (f"severity, {by}", "severity = 'error'")}
    told = [t for t, columns in held.items() if {"caution", "site_id", "line_id"} <= columns]
    return dict.fromkeys(told, ("'error', ''", f"caution LIKE '%{ERRORS}%'"))


def read_layer(gpkg: Path, name: str, site_id: str | Sequence[str] = "") -> AnyFrame:
    """Return a layer of a built GeoPackage as it stands in it, of one site, some, or all for "".

    Names of version 1 come as those of today. A layer that an older record does not hold yet has
    its columns and no rows. Raises UnreadableError for what is no GeoPackage or locked.
    """
    ids = (site_id,) if isinstance(site_id, str) else site_id
    quoted = ", ".join("'" + one.replace("'", "''") + "'" for one in ids)
    where = f"site_id IN ({quoted})" if site_id else None
    for called in filter(None, (name, layer_of_v1(name))):
        try:
            frame = named_today(name, pyogrio.read_dataframe(gpkg, layer=called, where=where))
            return _with_geometry(frame) if contract.load(name).geometry else frame
        except pyogrio.errors.DataLayerError:
            continue
        except pyogrio.errors.DataSourceError as e:
            raise UnreadableError(f"{gpkg} cannot be read: {e}") from e
    return _empty(name)


def _with_geometry(frame: AnyFrame) -> AnyFrame:
    """Return a layer with a place for each row, none where it was a table once (findings)."""
    if "geometry" in frame:
        return frame
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([None] * len(frame), index=frame.index))


def named_today(layer: str, frame: AnyFrame) -> AnyFrame:
    """Return a layer as read with the columns and values of version 2, of whatever version it is.

    >>> named_today("pipe_nodes", pd.DataFrame({"kind": ["line_end"], "plan_95_m": [0.3]}))
              kind  position_95_m
    0  end_located            0.3
    """
    frame = frame.rename(columns=partial(column_today, layer))
    for column in layer_values(layer):
        if column in frame:
            frame[column] = frame[column].map(partial(value_today, layer, column))
    return frame


def crs_of(frame: gpd.GeoDataFrame) -> pyproj.CRS | None:
    """Return the horizontal CRS of a layer as read; None for a sketch on invented axes."""
    crs = frame.crs
    return None if crs is None or crs.is_engineering else plan_of(crs)


def levels_in_metres(frames: Mapping[str, AnyFrame]) -> dict[str, AnyFrame]:
    """Return layers, `lineage` among them, with z of their geometry in metres.

    A record is written so, but for one asked for in a CRS with a vertical part, and older ones.
    """
    about = frames["lineage"]
    crs = next((f.crs for f in frames.values() if isinstance(f, gpd.GeoDataFrame)), None)
    unit_m = {site: z_unit_m(lineage_of(rows), crs) for site, rows in about.groupby("site_id")}
    if set(unit_m.values()) <= {1.0}:
        return dict(frames)
    made = dict(frames)
    for name, frame in frames.items():
        if isinstance(frame, gpd.GeoDataFrame) and frame.has_z.any():
            of_row = frame["site_id"].map(unit_m).to_numpy(dtype=float)
            xyz, row = shapely.get_coordinates(frame.geometry, include_z=True, return_index=True)
            xyz[:, 2] *= of_row[row]
            shapes = shapely.set_coordinates(np.array(frame.geometry.array), xyz)
            made[name] = frame.set_geometry(gpd.GeoSeries(shapes, frame.index, frame.crs))
    return made


def crs_in(gpkg: Path, layer: str) -> pyproj.CRS | None:
    """Return the CRS of a layer of a GeoPackage, levels too; None for a sketch's invented axes."""
    old = layer_of_v1(layer)
    there = {str(name) for name, _ in pyogrio.list_layers(gpkg)} if old else ()
    text = pyogrio.read_info(gpkg, layer=old if old in there else layer)["crs"]
    crs = pyproj.CRS(text) if text else None
    return None if crs is None or crs.is_engineering else crs


def lineage_of(rows: pd.DataFrame) -> RecordLineage:
    """Return what one site's lineage says."""
    return read_lineage(zip(rows["topic"], rows["item"], rows["value"], strict=True))


def _empty(name: str) -> AnyFrame:
    """Return a layer without rows, its columns of the declared types."""
    frame = empty(name).to_pandas()
    return gpd.GeoDataFrame(frame, geometry=GEOMETRY) if GEOMETRY in frame else frame
