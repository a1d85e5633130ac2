"""Where PROJ looks for datum and geoid grids: its own folder, the user's, the site's. Offline."""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from typing import Final

from pyproj import Transformer
from pyproj.datadir import get_data_dir, set_data_dir
from pyproj.exceptions import ProjError

from lateralline.output import proof

#: Environment variable that names folders of grids for all sites, separated as PATH is.
GRIDS_VARIABLE: Final = "LATERALLINE_GRIDS"

_OWN: Final = get_data_dir()
#: Endings of grid files, and the operations of PROJ that read one or another kind.
_ENDINGS: Final = (".tif", ".tiff", ".gsb", ".gtx", ".gtg")
_READERS: Final = ("hgridshift", "vgridshift", "gridshift", "xyzgridshift")


def look_in(folder: str) -> None:
    """Have PROJ look for grids in `folder` ("" = none) and where `LATERALLINE_GRIDS` says.

    Nowhere else: what an earlier site of a batch named must not change a later one's result.
    """
    places = [_OWN, *filter(None, (os.environ.get(GRIDS_VARIABLE, ""), folder))]
    wanted = os.pathsep.join(places)
    if get_data_dir() != wanted:
        set_data_dir(wanted)


def damaged() -> tuple[str, ...]:
    """Return the grid files, with path and size, that PROJ cannot open where users put theirs.

    Only the head of a file is read. Slow: for when something has gone wrong.
    """
    folders = map(Path, get_data_dir().removeprefix(_OWN).split(os.pathsep))
    files = sorted(
        path
        for folder in folders
        if folder != Path() and folder.is_dir()
        for path in folder.iterdir()
        if path.suffix.casefold() in _ENDINGS
    )
    return tuple(f"{p} ({p.stat().st_size} bytes)" for p in files if not _opens(p))


def _opens(path: Path) -> bool:
    for reader in _READERS:
        try:
            Transformer.from_pipeline(f'+proj={reader} +grids="{path}"')
        except ProjError:
            continue
        return True
    return False


@lru_cache(maxsize=64)
def sha256(path: str) -> str:
    """Return the SHA-256 of a grid file, in hexadecimal."""
    return proof.sha256(Path(path))
