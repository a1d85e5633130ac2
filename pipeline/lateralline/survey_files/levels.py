"""Levels that are none: what instruments and programs write where nothing was measured."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from lateralline.read.ledger import Ledger
from lateralline.survey_files.points import Points

#: Numbers that stand for no number, with either sign (common practice, no source), and the size
#: from which a number can be no level in any unit.
_FILLERS: Final = (999.0, 9999.0, 99999.0, 999999.0, 32767.0, 32768.0)
_NO_LEVEL: Final = 1e6
_APART: Final = 100.0  # a filler this near to real levels may be one of them


def real_levels(points: Points, ledger: Ledger) -> Points:
    """Return points without levels that are none.

    Where all are 0 or a filler the file has no levels, and says so; a filler among real levels is
    at fault, as the one who wrote the file should know that the point has none.
    """
    z, size = points.z, np.abs(points.z)
    filler = np.isin(size, _FILLERS) | (size >= _NO_LEVEL)
    known = z[np.isfinite(z) & ~filler & (z != 0.0)]
    if not np.isfinite(z).any():
        return points
    if not len(known):
        values = " or ".join(f"{v:g}" for v in np.unique(z[np.isfinite(z)]))
        warned = f"all levels are {values}: taken as not measured, so points come without levels"
        nothing = np.full(len(z), np.nan)
        return replace(points, z=nothing, z_unit="", warned=(*points.warned, warned))
    filler &= np.abs(z - np.median(known)) > _APART
    for i in np.flatnonzero(filler):
        must = f"must be a level among the others, {known.min():g} to {known.max():g}"
        hint = "it stands for none: leave it empty when it was not measured"
        ledger.fault(points.file, int(points.row[i]), "level", f"{z[i]:g}", must, hint)
    return replace(points, z=np.where(filler, np.nan, z))
