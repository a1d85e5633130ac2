"""Colours, dashes and symbols of the sheet: told apart by shape and lightness, then by colour.

Green is the public uniform colour code's for sewer and drain (APWA); all else is our own. Every
region has an edge of its own dash pattern, so that a grey print says the same.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from lateralline.write.picture import style
from lateralline.write.picture.style import LITERAL, Look

INK: Final = "#1c2127"
GREY: Final = "#5b636d"
FAINT: Final = "#a9b0b8"
PIPE: Final = "#00693a"  # sewer and drain
CORRIDOR: Final = "#cfe8d8"
BAND: Final = "#cfe8d8"
ZONE: Final = "#faf3e3"
ZONE_EDGE: Final = "#8a5a00"
GROUND: Final = "#5d432b"
FIX: Final = "#1b4f9c"
SEEN: Final = "#a03a10"
WARN: Final = "#7d1414"

SMALL_PT: Final = 6.0  # nothing on a sheet is smaller
PLAIN_PT: Final = 6.8

ZONE_DASH: Final = (0, (7, 2, 1.2, 2))
TOLERANCE_DASH: Final = (0, (1.2, 1.6))
UNDECIDED_DASH: Final = (0, (2.6, 1.5))
CARRIED_DASH: Final = (0, (0.8, 1.8))
CROWN_DASH: Final = (0, (6, 2))
EARTH_HATCH: Final = "//////"  # under the ground line
MATCH_DASH: Final = (0, (10, 2, 2, 2, 2, 2))

RC: Final[dict[Any, Any]] = {
    **LITERAL,
    "font.family": "DejaVu Sans",  # comes with matplotlib: widths are the same everywhere
    "font.size": PLAIN_PT,
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.6,
    "axes.unicode_minus": True,
    "hatch.linewidth": 0.3,
    "pdf.fonttype": 42,
    "path.simplify": False,
}

_KINDS: Final = style.NODES
NODES: Final = {
    "entry": replace(_KINDS["entry"], size=5.5, face=PIPE, edge=INK),
    "line_end": replace(_KINDS["line_end"], marker="p", size=6.4, edge=PIPE),
    "bend": replace(_KINDS["bend"], size=4.8, edge=PIPE),
    "junction": replace(_KINDS["junction"], size=6.2, face=PIPE, edge=INK),
    "exposure": replace(_KINDS["exposure"], size=8.0, edge=PIPE),
}
MARKS: Final = {k: replace(look, size=0.72 * look.size) for k, look in style.MARKS.items()}
FIX_LOOK: Final = Look("o", 2.6, FIX, FIX, "fix (transmitter) with its 95 % ellipse")
SEEN_LOOK: Final = Look("v", 4.6, SEEN, INK, "observation: code @ chainage")
CONTROL_LOOK: Final = Look("o", 4.6, "white", INK, "control point")
CROSS_LOOK: Final = Look("+", 7.0, INK, INK, "")
