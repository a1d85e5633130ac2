"""The layers of a built record, read when they are asked for."""

from __future__ import annotations

import shutil
import weakref
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from lateralline import contract
from lateralline.record.reading import read_layer

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


class TemporaryHome:
    """A folder that goes when nobody holds this any more."""

    def __init__(self, folder: Path) -> None:
        """Take over a folder."""
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)


class Layers(Mapping[str, "gpd.GeoDataFrame | pd.DataFrame"]):
    """The layers of a record by name, each read when it is asked for and kept.

    One that an older record does not hold yet is empty. Layers with geometry are GeoDataFrames in
    the record's CRS, the others DataFrames; lengths are metres, angles degrees, as the data
    dictionary says column by column.
    """

    def __init__(self, asbuilt: Path, home: TemporaryHome | None = None) -> None:
        """Read from a built GeoPackage, whose temporary folder stays while these layers do."""
        self._asbuilt = asbuilt
        self._home = home
        self._kept: dict[str, gpd.GeoDataFrame | pd.DataFrame] = {}

    def __getitem__(self, name: str) -> gpd.GeoDataFrame | pd.DataFrame:
        """Return one layer; raises KeyError for a name that is none."""
        if name not in contract.LAYERS:
            raise KeyError(f"no layer {name!r}; there are {', '.join(contract.LAYERS)}")
        if name not in self._kept:
            self._kept[name] = read_layer(self._asbuilt, name)
        return self._kept[name]

    def __iter__(self) -> Iterator[str]:
        """Yield the names of the layers, in the order of the data dictionary."""
        return iter(contract.LAYERS)

    def __len__(self) -> int:
        """Return how many layers there are."""
        return len(contract.LAYERS)
