"""Where laterals meet mains, as `lateralline connect` wrote it, for what shows or publishes it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import pyogrio
from shapely import Point

from lateralline.contract import CONNECTIONS
from lateralline.errors import LaterallineError
from lateralline.output.proof import sha256
from lateralline.record.rows import LayerRow, ShapeColumn, reals, rows_of, texts


class NoConnectionsError(LaterallineError, ValueError):
    """A file that holds no connections to mains, or those of another record."""


class ConnectionRow(LayerRow):
    """Where a line of a record meets a main, or would."""

    layer = CONNECTIONS
    (
        site_id, line_id, meeting, main_id, upstream_access_id, at_access_id, side, other_main_ids,
        what, what_to_do,
    ) = texts(10)  # fmt: skip
    (
        chainage_m, chainage_sigma_m, angle_deg, angle_sigma_deg, gap_m, gap_95_m, above_main_m,
        above_main_sigma_m,
    ) = reals(8)  # fmt: skip
    geometry = ShapeColumn[Point]()


def connections_by_record(records: Iterable[Path], given: Iterable[Path]) -> dict[Path, Path]:
    """Return the file of connections that was made of each record, of those that have one.

    `given` are folders that `connect` wrote, or their GeoPackages. Raises NoConnectionsError for
    one that holds none, and one that was made of none of the records as they are now.
    """
    files = [one / f"{CONNECTIONS}.gpkg" if one.is_dir() else one for one in given]
    made_of = {file: set(_read(file)["record_sha256"]) for file in files}
    hashes = {record: sha256(record) for record in dict.fromkeys(records)} if files else {}
    for file, known in made_of.items():
        if not known & set(hashes.values()):
            raise NoConnectionsError(
                f"{file} was made of another record, or of this one before it was built anew: "
                "connect again"
            )
    return {
        record: file
        for file, known in made_of.items()
        for record, its in hashes.items()
        if its in known
    }


def read_connections(gpkg: Path, site_id: str) -> tuple[ConnectionRow, ...]:
    """Return the connections of a site, along their mains; places in the record's CRS."""
    rows = _read(gpkg)
    rows = rows[rows["site_id"] == site_id].sort_values(["main_id", "chainage_m"], kind="stable")
    return rows_of(ConnectionRow, rows)


def _read(gpkg: Path) -> gpd.GeoDataFrame:
    try:
        return pyogrio.read_dataframe(gpkg, layer=CONNECTIONS)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as e:
        raise NoConnectionsError(f"{gpkg} is no output of lateralline connect ({e})") from e
