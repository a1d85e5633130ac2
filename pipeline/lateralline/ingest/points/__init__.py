"""Survey point files and map layers into site folders: nobody retypes a point file.

A file is opened (`text_file`, `map_layer`), its columns and the order of its coordinates are told
(`columns`, `order`) and confirmed by a person, its points brought to the site's CRS (`bring`),
their descriptions turned into marks (`codes`, `sorting`), and the rows written (`site_files`).
"""

from __future__ import annotations

from lateralline.ingest.points.gather import Gathered, OrderNotConfirmedError, Wanted, gather

__all__ = ["Gathered", "OrderNotConfirmedError", "Wanted", "gather"]
