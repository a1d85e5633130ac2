"""Points as survey instruments and maps hand them over: the columns every importer fills."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Literal

import numpy as np
from pyproj import CRS

from lateralline.ingest.conventions import Decimal
from lateralline.records import Floats, Ints, Texts

#: What a point may say of itself in columns of their own, beside its description: as in a
#: GeoPackage with fields run, stop and kind. The names are those of the site's own tables.
POINT_ATTRIBUTES = (
    "run",
    "stop",
    "kind",
    "counter",
    "depth",
    "tilt_deg",
    "line",
    "measured_to",
    "sigma",
)


#: What z is in a format whose rules say so: above the ellipsoid, or nothing in particular.
Heights = Literal["", "ellipsoidal", "unknown"]


@dataclass(frozen=True, slots=True)
class SurveyPoints:
    """The points of one file (n rows), in its own coordinate system and units.

    x is easting or longitude, y northing or latitude, whatever order they stood in.
    """

    file: str  # as messages name it: "day1.txt", "site.gpkg[marks]"
    row: Ints  # line of a text file, or number of the feature from 1
    name: Texts
    x: Floats
    y: Floats
    z: Floats  # NaN = not given
    sigma_h: Floats  # NaN = not given
    sigma_v: Floats
    code: Texts
    attributes: Mapping[str, Texts] = field(default_factory=dict)  # of POINT_ATTRIBUTES
    crs: CRS | None = None  # the file's own; None when it names none
    xy_unit: str = ""  # that the file itself names beside its numbers; "" when it does not
    z_unit: str = ""  # likewise, or that its format fixes
    heights: Heights = ""  # what z is by the rules of its format
    decimal: Decimal = "."  # that numbers within descriptions are written with
    notes: tuple[str, ...] = ()  # how the file was read, for the person to confirm
    warnings: tuple[str, ...] = ()  # what of it may have been lost

    def __len__(self) -> int:
        """Count the points."""
        return len(self.row)

    def where(self, i: int) -> str:
        """Return file and row of a point, as findings and notes name them."""
        return f"{self.file}:{self.row[i]}"


def placed(points: SurveyPoints) -> SurveyPoints:
    """Return the points that have coordinates; those at fault have none."""
    keep = np.isfinite(points.x) & np.isfinite(points.y)
    if keep.all():
        return points
    arrays = {
        f.name: getattr(points, f.name)[keep]
        for f in fields(points)
        if isinstance(getattr(points, f.name), np.ndarray)
    }
    attributes = {role: column[keep] for role, column in points.attributes.items()}
    return replace(points, attributes=attributes, **arrays)


def texts(values: list[str]) -> Texts:
    """Return texts as an array, of no rows too."""
    return np.array(values, dtype=np.str_)
