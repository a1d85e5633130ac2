"""Colours, shapes and sizes. Told apart by shape and lightness first, so colour-blind safe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

SIZE_IN: Final = (16.5, 11.7)  # A3, landscape
DPI: Final = 120

INK: Final = "#20262e"
FAINT: Final = "#8a929c"
#: Green is sewer and drain in the uniform colour code; blue would be drinking water.
PIPE: Final = "#00693a"
CORRIDOR: Final = "#a8d8bd"
ZONE: Final = "#f6dfb0"
ZONE_EDGE: Final = "#b97700"
GROUND: Final = "#7c5a36"
FIX: Final = "#c2410c"
SEEN: Final = "#6d28a8"
WARN: Final = "#9b1c1c"

#: What every figure is drawn with: a name that holds $, _ or \\ means them, whatever the settings
#: of whoever runs this say.
LITERAL: Final[dict[Any, Any]] = {"text.parse_math": False, "text.usetex": False}

RC: Final[dict[Any, Any]] = {
    **LITERAL,
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "svg.hashsalt": "lateralline",
    "hatch.linewidth": 0.5,
}


#: From the end of a located line to a node that the counter alone carries beyond it.
CARRIED_ON: Final[dict[str, Any]] = {"color": PIPE, "lw": 1.4, "ls": (0, (1.5, 2.5)), "zorder": 4}


@dataclass(frozen=True, slots=True)
class Look:
    """How one kind of point is drawn and named in the legend."""

    marker: str
    size: float
    face: str
    edge: str
    name: str


MARKS: Final = {
    "end_null": Look("^", 5.5, "white", INK, "mark: end null"),
    "mid_null": Look("s", 4.2, "white", INK, "mark: mid null"),
    "peak_total": Look("P", 6.0, "#4b5563", INK, "mark: peak, whole field"),
    "peak_axial": Look("X", 6.0, "#4b5563", INK, "mark: peak, axial part"),
    "ground": Look(".", 4.0, FAINT, FAINT, "ground shot"),
}
NODES: Final = {
    "entry": Look("s", 8.0, PIPE, "white", "entry"),
    "line_end": Look("s", 7.0, "white", PIPE, "end of the located line"),
    "bend": Look("D", 6.5, "white", PIPE, "bend"),
    "junction": Look("h", 9.0, PIPE, "white", "junction"),
    "exposure": Look("*", 11.0, "white", PIPE, "exposure: seen and measured"),
}
FIX_LOOK: Final = Look("o", 4.2, FIX, "white", "fix with its 95 % ellipse")
CONTROL_LOOK: Final = Look("1", 8.0, INK, INK, "control point")
SEEN_LOOK: Final = Look("v", 6.5, SEEN, "white", "observation")
