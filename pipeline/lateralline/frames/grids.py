"""Where PROJ looks for datum and geoid grids: its own folder, the user's, the site's. Offline."""

from __future__ import annotations

import hashlib
import os
from functools import lru_cache
from pathlib import Path
from typing import Final

from pyproj.datadir import get_data_dir, set_data_dir

#: Environment variable that names folders of grids for all sites, separated as PATH is.
GRIDS_VARIABLE: Final = "LATERALLINE_GRIDS"

_OWN: Final = get_data_dir()


def look_in(folder: str) -> None:
    """Have PROJ look for grids in `folder` ("" = none) and where `LATERALLINE_GRIDS` says.

    Nowhere else: what an earlier site of a batch named must not change a later one's result.
    """
    places = [_OWN, *filter(None, (os.environ.get(GRIDS_VARIABLE, ""), folder))]
    wanted = os.pathsep.join(places)
    if get_data_dir() != wanted:
        set_data_dir(wanted)


@lru_cache(maxsize=64)
def sha256(path: str) -> str:
    """Return the SHA-256 of a grid file, in hexadecimal."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
