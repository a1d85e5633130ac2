"""Products as data frames with nullable types, which tests look at more easily than at Arrow."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyproj

from lateralline import contract
from lateralline.frames import Frame
from lateralline.record.layers import GEOMETRY, AnyFrame, shapes, to_tables
from lateralline.records import FieldRecord, Product

_PANDAS: Final = {
    pa.string(): pd.StringDtype(na_value=pd.NA),
    pa.int64(): pd.Int64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
    pa.date32(): pd.ArrowDtype(pa.date32()),
}


def to_frames(
    products: Iterable[Product],
    record: FieldRecord,
    frame: Frame,
    crs: pyproj.CRS | None = None,
) -> dict[str, AnyFrame]:
    """Return every layer as a (Geo)DataFrame with nullable types; else as `to_tables`."""
    frames: dict[str, AnyFrame] = {}
    for name, table in to_tables(products, record, frame, crs).items():
        if not contract.load(name).geometry:
            frames[name] = table.to_pandas(types_mapper=_PANDAS.get)
            continue
        plain = table.drop_columns(GEOMETRY).to_pandas(types_mapper=_PANDAS.get)
        frames[name] = gpd.GeoDataFrame(
            plain, geometry=shapes(table), crs=frame.horizontal if crs is None else crs
        )
    return frames
