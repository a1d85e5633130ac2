"""Matches and connections as an overlay's folder: GeoPackage, GeoJSON, table."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from lateralline.contract import CONNECTIONS
from lateralline.matching.connect import Connections
from lateralline.matching.match import RegisterMatch
from lateralline.overlay.as_built import UNLOCATED, AsBuilt
from lateralline.overlay.files import Overlay, as_drawn, cells_of, columns_of, overlay_folder
from lateralline.wording import plain

MATCHES: Final = "register_matches"
MOVES: Final = "register_moves"


def write_matches(made: RegisterMatch, as_built: AsBuilt, out: Path, *, replace: bool) -> None:
    """Write each line with what the register has along it; rows without a place come last."""
    layers = (MATCHES, MOVES, UNLOCATED)
    with overlay_folder(out, MATCHES, as_built, layers, kind="matches", replace=replace) as overlay:
        plane = made.lines.plane
        rows = sorted(made.matches, key=lambda m: m.path_m is None)
        paths = np.array([m.path_m for m in rows], dtype=object)
        overlay.add(MATCHES, plane, as_drawn(columns_of(MATCHES, rows), paths))
        moved = [m for m in rows if m.move_m is not None and m.verdict in ("moved", "conflicting")]
        moves = np.array([m.move_m for m in moved], dtype=object)
        overlay.add(MOVES, plane, as_drawn(columns_of(MOVES, moved), moves))
        _add_unlocated(overlay, as_built)
        overlay.add_csv(MATCHES, (cells_of(MATCHES, m) for m in made.matches))
        overlay.close(plain(" ".join(made.notes)))


def write_connections(made: Connections, as_built: AsBuilt, out: Path, *, replace: bool) -> None:
    """Write where lines meet mains; lines that meet none have a row without a place."""
    layers = (CONNECTIONS, UNLOCATED)
    with overlay_folder(
        out, CONNECTIONS, as_built, layers, kind="connections", replace=replace
    ) as overlay:
        rows = sorted(made.found, key=lambda c: c.place_m is None)
        places = np.array([c.place_m for c in rows], dtype=object)
        z_m = np.array([c.z_m for c in rows if c.place_m is not None], dtype=np.float64)
        columns = columns_of(CONNECTIONS, rows)
        overlay.add(CONNECTIONS, made.lines.plane, as_drawn(columns, places), z_m)
        _add_unlocated(overlay, as_built)
        overlay.add_csv(CONNECTIONS, (cells_of(CONNECTIONS, c) for c in made.found))
        overlay.close(plain(" ".join(made.notes)))


def _add_unlocated(overlay: Overlay, as_built: AsBuilt) -> None:
    """Write what the record did not locate, as the record has it."""
    for region in as_built.regions():
        overlay.add_unlocated(region.plane, region.unlocated)
    overlay.add_placeless(as_built.placeless)
