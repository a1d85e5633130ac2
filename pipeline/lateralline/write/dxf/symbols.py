"""Layers, line types and blocks of a drawing; told apart by shape first, as everywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeAlias

if TYPE_CHECKING:
    from ezdxf.document import Drawing

#: Colour index of each layer: 3 is green, of sewers and drains in the uniform colour code.
COLOURS: Final = {
    "control_points": 7,
    "field_marks": 8,
    "transmitter_fixes": 30,
    "pipe_centreline": 3,
    "pipe_segments": 3,
    "pipe_nodes": 94,
    "pipe_observations": 200,
    "position_corridor": 152,
    "dig_zone": 42,
    "unlocated": 1,
    "caution": 1,
}
DASHED: Final = "UNDECIDED"
ZONE: Final = "TOLERANCE"
UNLOCATED: Final = "NOT_LOCATED"
_DASHES_MM: Final = {DASHED: (3.0, 2.0), ZONE: (6.0, 1.5), UNLOCATED: (1.0, 1.0)}

_UP: Final = ((-0.5, -0.4), (0.5, -0.4), (0.0, 0.5))
_DOWN: Final = ((-0.5, 0.4), (0.5, 0.4), (0.0, -0.5))
_SQUARE: Final = ((-0.4, -0.4), (0.4, -0.4), (0.4, 0.4), (-0.4, 0.4))
_DIAMOND: Final = ((0.0, -0.5), (0.5, 0.0), (0.0, 0.5), (-0.5, 0.0))
_HEXAGON: Final = (
    (0.5, 0.0),
    (0.25, 0.43),
    (-0.25, 0.43),
    (-0.5, 0.0),
    (-0.25, -0.43),
    (0.25, -0.43),
)
_STROKES_PLUS: Final = (((-0.5, 0.0), (0.5, 0.0)), ((0.0, -0.5), (0.0, 0.5)))
_STROKES_CROSS: Final = (((-0.4, -0.4), (0.4, 0.4)), ((-0.4, 0.4), (0.4, -0.4)))
_Strokes: TypeAlias = tuple[tuple[tuple[float, float], tuple[float, float]], ...]

#: Block of each kind of point: outline, and strokes.
_BLOCKS: Final[dict[str, tuple[tuple[tuple[float, float], ...], _Strokes]]] = {
    "CONTROL": (_UP, _STROKES_PLUS),
    "MARK_END_NULL": (_UP, ()),
    "MARK_MID_NULL": (_SQUARE, ()),
    "MARK_PEAK": (_DIAMOND, _STROKES_PLUS),
    "MARK_GROUND": ((), _STROKES_PLUS),
    "NODE_ENTRY": (_SQUARE, _STROKES_CROSS),
    "NODE_LINE_END": (_SQUARE, ()),
    "NODE_BEND": (_DIAMOND, ()),
    "NODE_JUNCTION": (_HEXAGON, ()),
    "NODE_EXPOSURE": (_HEXAGON, _STROKES_CROSS),
    "OBSERVATION": (_DOWN, ()),
    "FIX": ((), _STROKES_CROSS),
}
_CIRCLED: Final = ("FIX", "MARK_GROUND")


def add_symbols(doc: Drawing) -> None:
    """Add every layer, line type and block, each block one unit across."""
    for name, colour in COLOURS.items():
        doc.layers.add(name, color=colour)
    for name, (dash, gap) in _DASHES_MM.items():
        doc.linetypes.add(name, [dash + gap, dash, -gap], description=f"{name} {dash} mm, {gap} mm")
    for name, (outline, strokes) in _BLOCKS.items():
        block = doc.blocks.new(name)
        if outline:
            block.add_lwpolyline(outline, close=True)
        for start, end in strokes:
            block.add_line(start, end)
        if name in _CIRCLED:
            block.add_circle((0.0, 0.0), 0.4)


def block_of(layer: str, kind: str) -> str:
    """Return the block that stands for a feature.

    >>> block_of("field_marks", "peak_axial"), block_of("pipe_nodes", "bend")
    ('MARK_PEAK', 'NODE_BEND')
    """
    if layer == "field_marks":
        return "MARK_" + ("PEAK" if kind.startswith("peak") else kind.upper())
    if layer == "pipe_nodes":
        return f"NODE_{kind.upper()}"
    return {"control_points": "CONTROL", "transmitter_fixes": "FIX"}.get(layer, "OBSERVATION")
