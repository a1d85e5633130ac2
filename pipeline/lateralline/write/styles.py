"""`layer_styles`: the table of a GeoPackage in which desktop GIS looks for how layers look.

It is a convention of the desktop-GIS community, no part of the standard: an attribute table with
columns of fixed names, one row a style, found by table and geometry column.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyogrio

from lateralline import contract
from lateralline.record.symbology import load_styles
from lateralline.write.qml import qml
from lateralline.write.sld import sld

#: Name of the table.
TABLE: Final = "layer_styles"
_COLUMNS: Final = (
    ("f_table_catalog", pa.string()),
    ("f_table_schema", pa.string()),
    ("f_table_name", pa.string()),
    ("f_geometry_column", pa.string()),
    ("styleName", pa.string()),
    ("styleQML", pa.string()),
    ("styleSLD", pa.string()),
    ("useAsDefault", pa.bool_()),
    ("description", pa.string()),
    ("owner", pa.string()),
    ("ui", pa.string()),
    ("update_time", pa.timestamp("ms", tz="UTC")),
)


def write_styles(path: Path, stamp: datetime) -> None:
    """Add the table to a GeoPackage that holds every layer; `stamp` is the time of each row."""
    with closing(sqlite3.connect(path)) as db:
        geometry = dict(
            db.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall()
        )
    rows = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",  # readers ask for these two as empty, not as null
            "f_table_name": style.layer,
            "f_geometry_column": geometry.get(style.layer, ""),
            "styleName": contract.load(style.layer).title,
            "styleQML": qml(style),
            "styleSLD": sld(style),
            "useAsDefault": True,
            "description": contract.load(style.layer).caution,
            "owner": "",
            "ui": None,
            "update_time": stamp,
        }
        for style in load_styles()
    ]
    pyogrio.write_arrow(
        pa.Table.from_pylist(rows, schema=pa.schema(list(_COLUMNS))),
        path,
        layer=TABLE,
        driver="GPKG",
        append=True,
        geometry_name=None,
    )
