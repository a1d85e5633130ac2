"""What a DXF drawing is made of: its unit and sizes, literal text, and signs from `styles.toml`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, pi, radians, sin
from typing import TYPE_CHECKING, Final, TypeAlias

from pyproj import CRS

from lateralline.errors import FrameError
from lateralline.record.symbology import (
    WHITE,
    Area,
    LineSymbol,
    Point,
    SymbolRule,
    load_styles,
    style_of,
)
from lateralline.units import METRES_PER

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.blocklayout import BlockLayout

#: Codes of $INSUNITS: DXF reference, header section; from memory, held to by ezdxf in the tests.
_INSUNITS: Final = {"m": 6, "ft": 2, "us-ft": 21}
_SAME: Final = 1e-9  # relative; the two feet differ by 2e-6


@dataclass(frozen=True, slots=True)
class PlotUnits:
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


def units_of(crs: CRS | None, scale: float) -> PlotUnits:
    """Return the units of a file's CRS; None is a sketch in metres.

    Raises FrameError for degrees: nothing can be measured on such a drawing.
    """
    if crs is None:
        return PlotUnits("m", 1.0, 1.0, scale)
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
    return PlotUnits(next(known, axes[0].unit_name), metres, level, scale)


# ---- text -----------------------------------------------------------------------------------

_ESCAPES: Final = {
    "\\": "\\\\",
    "{": "\\{",
    "}": "\\}",
    "^": "^ ",  # caret notation of control signs
    "\n": "\\P",
}


def plain(text: object) -> str:
    r"""Return a text as MTEXT shows it literally; None as "".

    A doubled per cent sign begins a code in every text of a drawing and has no escape, so a space
    parts it.

    >>> plain("C:\\a {b}\n50%%d ^J")
    'C:\\\\a \\{b\\}\\P50% %d ^ J'
    """
    if text is None or text != text:
        return ""
    said = str(text).replace("\r\n", "\n").replace("%%", "% %")
    kept = (c for c in said if c == "\n" or c.isprintable())
    return "".join(_ESCAPES.get(c, c) for c in kept)


# ---- signs ----------------------------------------------------------------------------------

#: Layers of a drawing, the lowest first, and the column written beside each point.
POINT_LABELS: Final = {
    "control_points": style_of("control_points").label,
    "field_marks": "",
    "transmitter_fixes": style_of("transmitter_fixes").label,
    "pipe_nodes": style_of("pipe_nodes").label,
    "pipe_observations": style_of("pipe_observations").label,
}
DRAWN: Final = (
    "unlocated",
    "dig_zone",
    "position_corridor",
    "pipe_segments",
    "pipe_centreline",
    *POINT_LABELS,
)
#: Layer of what must be read before the drawing guides anyone.
CAUTION_LAYER: Final = "caution"
_WARN: Final = "#b3261e"
_LINEWEIGHTS: Final = (
    5, 9, 13, 15, 18, 20, 25, 30, 35, 40, 50, 53, 60, 70, 80, 90, 100, 106, 120, 140, 158, 200, 211,
)  # fmt: skip

#: Corners of a marker, each with the bulge of the side to the next (1: half a circle).
_Outline: TypeAlias = tuple[tuple[float, float, float], ...]
_Strokes: TypeAlias = tuple[tuple[tuple[float, float], tuple[float, float]], ...]


def layer_colours() -> dict[str, str]:
    """Return layer → colour it is known by."""
    styles = {s.layer: s for s in load_styles()}
    known = {layer: styles[layer].rule[0].symbol.colour for layer in DRAWN}
    return {**known, CAUTION_LAYER: _WARN}


def add_symbols(doc: Drawing) -> None:
    """Add every layer, line type and block; a block is as large as its sign, in mm on paper."""
    from ezdxf.colors import RGB

    for name, colour in layer_colours().items():
        doc.layers.add(name).rgb = RGB.from_hex(colour)
    for layer in DRAWN:
        for rule in style_of(layer).rule:
            if isinstance(rule.symbol, Point):
                _add_block(doc.blocks.new(block_of(layer, rule)), rule.symbol)
            elif rule.symbol.dash_mm:
                dash = [d if n % 2 == 0 else -d for n, d in enumerate(rule.symbol.dash_mm)]
                pattern = [sum(rule.symbol.dash_mm), *dash]
                doc.linetypes.add(linetype_of(layer, rule), pattern, description=rule.title)


def block_of(layer: str, rule: SymbolRule) -> str:
    """Return the block that stands for a rule's features.

    >>> block_of("pipe_nodes", style_of("pipe_nodes").rule[3])
    'PIPE_NODES_BEND'
    """
    return re.sub(r"[^A-Z0-9]+", "_", f"{layer} {rule.title}".upper()).strip("_")


def linetype_of(layer: str, rule: SymbolRule) -> str:
    """Return the line type of a rule's lines."""
    assert not isinstance(rule.symbol, Point)
    return block_of(layer, rule) if rule.symbol.dash_mm else "BYLAYER"


def lineweight_of(symbol: LineSymbol | Area) -> int:
    """Return the line weight, hundredths of a millimetre, of the few that there are.

    >>> lineweight_of(LineSymbol(color="#000000", width_mm=0.6))
    60
    """
    width = symbol.width_mm if isinstance(symbol, LineSymbol) else symbol.stroke_mm
    return min(_LINEWEIGHTS, key=lambda known: abs(known - 100.0 * width))


def _add_block(block: BlockLayout, point: Point) -> None:
    from ezdxf.colors import RGB

    outline, strokes = _marker(point)
    if outline:
        if point.fill != WHITE:
            filling = block.add_hatch()
            filling.rgb = RGB.from_hex(point.fill)
            filling.paths.add_polyline_path(outline, is_closed=True)
        edge = block.add_lwpolyline(outline, format="xyb", close=True)
        edge.rgb = RGB.from_hex(point.colour)
    for start, end in strokes:
        block.add_line(start, end).rgb = RGB.from_hex(point.colour)


def _marker(point: Point) -> tuple[_Outline, _Strokes]:
    """Return outline and strokes of a marker at its size, turned."""
    half, turn = point.size_mm / 2, -radians(point.rotate_deg)

    def at(x: float, y: float) -> tuple[float, float]:
        return (half * (x * cos(turn) - y * sin(turn)), half * (x * sin(turn) + y * cos(turn)))

    outline = tuple((*at(x, y), bulge) for x, y, bulge in _OUTLINES.get(point.marker, ()))
    return outline, tuple((at(*a), at(*b)) for a, b in _STROKES.get(point.marker, ()))


def _ring(corners: int, first_deg: float = 90.0) -> Iterator[tuple[float, float, float]]:
    for n in range(corners):
        angle = radians(first_deg) + 2 * pi * n / corners
        yield cos(angle), sin(angle), 0.0


def _star() -> Iterator[tuple[float, float, float]]:
    for n, (x, y, _) in enumerate(_ring(10)):
        share = 0.4 if n % 2 else 1.0
        yield x * share, y * share, 0.0


_THIRD: Final = 1.0 / 3.0
#: Markers two units across.
_OUTLINES: Final[dict[str, _Outline]] = {
    "circle": ((-1.0, 0.0, 1.0), (1.0, 0.0, 1.0)),
    "circle_cross": ((-1.0, 0.0, 1.0), (1.0, 0.0, 1.0)),
    "square": ((-1.0, -1.0, 0.0), (1.0, -1.0, 0.0), (1.0, 1.0, 0.0), (-1.0, 1.0, 0.0)),
    "diamond": tuple(_ring(4)),
    "triangle": ((-1.0, -1.0, 0.0), (1.0, -1.0, 0.0), (0.0, 1.0, 0.0)),
    "hexagon": tuple(_ring(6)),
    "star": tuple(_star()),
    "cross_fill": tuple(
        (x, y, 0.0)
        for x, y in (
            (-_THIRD, -1.0), (_THIRD, -1.0), (_THIRD, -_THIRD), (1.0, -_THIRD), (1.0, _THIRD),
            (_THIRD, _THIRD), (_THIRD, 1.0), (-_THIRD, 1.0), (-_THIRD, _THIRD), (-1.0, _THIRD),
            (-1.0, -_THIRD), (-_THIRD, -_THIRD),
        )
    ),
}  # fmt: skip
_STROKES: Final[dict[str, _Strokes]] = {
    "circle_cross": (((-1.0, 0.0), (1.0, 0.0)), ((0.0, -1.0), (0.0, 1.0))),
    "cross2": (((-1.0, -1.0), (1.0, 1.0)), ((-1.0, 1.0), (1.0, -1.0))),
}
