"""One version of a site in a register as drawings and comparisons see a record."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
import pyproj
from sqlalchemy import Connection, text

from lateralline import contract
from lateralline.contract import UID
from lateralline.errors import UnknownSiteError
from lateralline.record.layers import GEOMETRY as FRAME_GEOMETRY
from lateralline.record.layers import AnyFrame
from lateralline.record.view import RecordView, view_of
from lateralline.register.declare import GEOMETRY, SCHEMA, VERSION
from lateralline.register.history import versions_of
from lateralline.register.prepare import refuse_unprepared
from lateralline.register.server import connected
from lateralline.revise.between import COMPARED, compare_records
from lateralline.revise.changes import SiteChanges

_READ: Final = (*COMPARED, "lineage")


def diff(url: str, site: str, old: int, new: int) -> SiteChanges:
    """Return what changed between two versions of a site in a register.

    Raises UnknownSiteError for a site or version the register does not hold, RegisterError.
    """
    with connected(url) as connection:
        srid = refuse_unprepared(connection)
        held = [one.version for one in versions_of(connection, site)]
        for version in (old, new):
            if version not in held:
                listed = ", ".join(map(str, held))
                raise UnknownSiteError(f"{site} has no version {version}; there are {listed}")
        before, after = (_view(connection, site, version, srid) for version in (old, new))
    return compare_records(before, after)


def _view(connection: Connection, site: str, version: int, srid: int) -> RecordView:
    crs = pyproj.CRS.from_epsg(srid)
    layers = {name: _frame(connection, name, site, version, crs) for name in _READ}
    return view_of(Path(f"version {version}"), site, layers, crs)


def _frame(
    connection: Connection, layer: str, site: str, version: int, crs: pyproj.CRS
) -> AnyFrame:
    declared = contract.load(layer)
    columns = [f'"{c.name}"' for c in declared.field if c.name != UID]
    if declared.geometry:
        columns.append(f"ST_AsBinary({GEOMETRY}) AS {GEOMETRY}")
    found = connection.execute(
        text(f"SELECT {', '.join(columns)} FROM {SCHEMA}.{layer} "
             f"WHERE site_id = :site AND {VERSION} = :version ORDER BY {UID}"),
        {"site": site, "version": version},
    )  # fmt: skip
    frame = pd.DataFrame(found.all(), columns=list(found.keys()))
    texts = [c.name for c in declared.field if c.type == "text" and c.name in frame]
    frame[texts] = frame[texts].astype(object).fillna("")
    numbers = [c.name for c in declared.field if c.type in ("real", "integer")]
    frame[numbers] = frame[numbers].astype(float)
    if not declared.geometry:
        return frame
    shapes = gpd.GeoSeries.from_wkb(frame.pop(GEOMETRY), crs=crs)
    return gpd.GeoDataFrame(frame, geometry=shapes.rename(FRAME_GEOMETRY))
