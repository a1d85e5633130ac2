"""In which unit a drawing is, and how large things are on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.units import METRES_PER

#: Codes of $INSUNITS: DXF reference, header section; from memory, held to by ezdxf in the tests.
_INSUNITS: Final = {"m": 6, "ft": 2, "us-ft": 21}
_SAME: Final = 1e-9  # relative; the two feet differ by 2e-6


@dataclass(frozen=True, slots=True)
class Units:
    """Plan unit of a drawing, and its plot scale 1 : `scale`."""

    name: str  # "m", "ft", "us-ft"; else the CRS's own word
    metres: float  # in one plan unit
    level_metres: float  # in one unit of the file's z
    scale: float

    @property
    def insunits(self) -> int:
        """The code of $INSUNITS; 0 (no unit) for one it does not know."""
        return _INSUNITS.get(self.name, 0)

    @property
    def is_metric(self) -> bool:
        """Whether $MEASUREMENT is metric."""
        return self.name == "m"

    def of_paper(self, mm: float) -> float:
        """Return plan units of a length on paper."""
        return mm / 1000.0 * self.scale / self.metres

    def of_metres(self, metres: float) -> float:
        """Return plan units of a length."""
        return metres / self.metres


def units_of(crs: CRS | None, scale: float) -> Units:
    """Return the units of a file's CRS; None is a sketch in metres.

    Raises FrameError for degrees: nothing can be measured on such a drawing.
    """
    if crs is None:
        return Units("m", 1.0, 1.0, scale)
    if crs.is_geographic:
        raise FrameError(
            f"{crs.name} counts in degrees, and a drawing needs a length: build with a projected "
            "--crs, as EPSG:32617, and export that"
        )
    axes = crs.axis_info
    metres = axes[0].unit_conversion_factor
    level = 1.0
    if len(axes) > 2:
        down = axes[2].direction == "down"
        level = axes[2].unit_conversion_factor * (-1.0 if down else 1.0)
    known = (n for n in _INSUNITS if abs(METRES_PER[n] / metres - 1.0) < _SAME)
    return Units(next(known, axes[0].unit_name), metres, level, scale)
