"""Length units of field records, exact. Only `read` converts; inside all is metres."""

from __future__ import annotations

from typing import Final

#: Metres in one unit. The international foot is 0.3048 m exactly; the US survey foot is
#: 1200/3937 m (Mendenhall Order, 1893): 2 ppm apart, which is metres at State Plane size.
METRES_PER: Final[dict[str, float]] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "ft": 0.3048,
    "us-ft": 1200.0 / 3937.0,
    "in": 0.0254,
}
