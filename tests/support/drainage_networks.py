"""Drainage networks that the package `pystorms` ships as models, read from their input files.

Only sections of nodes and conduits are read: names, coordinates, bends, inverts, diameters. The
package is installed without what it needs to run models, and never imported.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import shapely

SOURCE = "networks of the PyPI package pystorms 1.0.0, as shipped"


@dataclass(frozen=True)
class Main:
    """A conduit, drawn from its upstream node; coordinates and levels as the model has them."""

    name: str
    upstream: str
    downstream: str
    path: shapely.LineString
    upstream_invert: float
    downstream_invert: float


def network(name: str) -> list[Main]:
    """Return the conduits of a network that have coordinates at both ends."""
    found = find_spec("pystorms")
    assert found is not None
    assert found.origin is not None, "pip install --no-deps pystorms"
    text = (Path(found.origin).parent / "networks" / f"{name}.inp").read_text("utf-8", "replace")
    rows: dict[str, list[list[str]]] = defaultdict(list)
    section = ""
    for line in text.splitlines():
        if line.startswith("["):
            section = line.strip("[] \t").upper()
        elif line.strip() and not line.startswith(";"):
            rows[section].append(line.partition(";")[0].split())
    at = {r[0]: (float(r[1]), float(r[2])) for r in rows["COORDINATES"]}
    level = {
        r[0]: float(r[1])
        for nodes in ("JUNCTIONS", "OUTFALLS", "STORAGE", "DIVIDERS")
        for r in rows[nodes]
    }
    bends: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for r in rows["VERTICES"]:
        bends[r[0]].append((float(r[1]), float(r[2])))
    made = []
    for name_, up, down, *_ in rows["CONDUITS"]:
        if up in at and down in at and at[up] != at[down]:
            path = shapely.LineString([at[up], *bends[name_], at[down]])
            made.append(Main(name_, up, down, path, level.get(up, np.nan), level.get(down, np.nan)))
    return made
