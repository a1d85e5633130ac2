"""The layers of a built record, read when they are asked for; what is said where none is."""

from __future__ import annotations

import shutil
import weakref
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lateralline import contract
from lateralline.errors import LaterallineError
from lateralline.record import geopackages_in
from lateralline.record.reading import read_layer

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: What a built record is opened by.
_WANTED: Final = "wanted is a folder that lateralline build wrote, or its .gpkg"


class NotARecordError(LaterallineError, ValueError):
    """A path is no output of build; says what is wanted, and of an overlay that it is one."""

    def __init__(self, asbuilt: Path) -> None:
        """Name what was found at the path."""
        wants = _WANTED
        found = f"{asbuilt} is no output of lateralline build"
        of_crs = [g.parent.name for g in geopackages_in(asbuilt.parent) if g.is_file()]
        if of_crs and not asbuilt.exists():
            found = f"{asbuilt.parent} holds a record of each CRS, in {', '.join(of_crs[:20])}"
            wants = "wanted is one of them"
        elif (asbuilt.parent / "OVERLAY.md").is_file():
            found = f"{asbuilt.parent} is an overlay that clearance or zones made"
        super().__init__(f"{found}; {wants}")


class RecordNotThereError(NotARecordError, FileNotFoundError):
    """There is nothing at the path where a built record was asked for."""

    def __init__(self, path: Path) -> None:
        """Name the path."""
        Exception.__init__(self, f"{path} is not there; {_WANTED}")


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
