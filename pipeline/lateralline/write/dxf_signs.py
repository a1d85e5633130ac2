"""Signs of a drawing for CAD: layers, blocks, line types and weights, as `styles.toml` has them.

A layer is named after what is drawn, the site and the line, as `pipe_nodes.QH-014.L1`, so that any
of the three can be frozen or picked by its name; the colour is that of what is drawn. What else a
feature is called stands on it as extended data (XDATA).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from math import cos, pi, radians, sin
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

from lateralline.record.assets import register_texts
from lateralline.record.ends import QUERY_MM, STUB_MM, open_ends
from lateralline.record.symbology import (
    WHITE,
    Area,
    LineSymbol,
    Point,
    SymbolRule,
    sign,
    style_of,
)

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.dxfgfx import DXFGraphic
    from ezdxf.entities.lwpolyline import LWPolylinePoints
    from ezdxf.layouts.blocklayout import BlockLayout

    from lateralline.record.layers import AnyFrame

#: Layers of a drawing, the lowest first, and the column written beside each point.
POINT_LABELS: Final = {
    "control_points": style_of("control_points").label,
    "field_marks": "",
    "transmitter_fixes": style_of("transmitter_fixes").label,
    "pipe_nodes": style_of("pipe_nodes").label,
    "pipe_observations": style_of("pipe_observations").label,
    "clearance_conflicts": style_of("clearance_conflicts").label,
    "findings": style_of("findings").label,
}
DRAWN: Final = (
    "unlocated",
    "tolerance_zone",
    "tolerance_zone_merged",
    "position_corridor",
    "planned_works",
    "pipe_segments",
    "pipe_centreline",
    "clearance_pairs",
    "tie_tapes",
    "record_departures",
    "record_changes",
    *POINT_LABELS,
)
#: Layer of what must be read before the drawing guides anyone.
CAUTION_LAYER: Final = "caution"
#: Layer of what stands at each of several sites.
SITE_LAYER: Final = "site_note"
#: What an overlay's layer is called more where a record has one of its name.
OVERLAY: Final = "overlay_"
#: Layer of what stands ahead of open ends: the sign of that name.
OPEN_END: Final = "open_end"
#: Under this name the extended data of features are registered.
APPID: Final = "LATERALLINE"
_STRING: Final = 1000  # group code of a text in extended data: DXF reference, from memory
_LONGEST: Final = 255  # bytes of such a text
_FORBIDDEN: Final = re.compile(r"[<>/\\\":;?*|=`,\x00-\x1f]")  # in names of layers, likewise
_WARN: Final = "#b3261e"
_INK: Final = "#20262e"
_LINEWEIGHTS: Final = (
    5, 9, 13, 15, 18, 20, 25, 30, 35, 40, 50, 53, 60, 70, 80, 90, 100, 106, 120, 140, 158, 200, 211,
)  # fmt: skip

#: Corners of a marker, each with the bulge of the side to the next (1: half a circle).
_Outline: TypeAlias = tuple[tuple[float, float, float], ...]
_Strokes: TypeAlias = tuple[tuple[tuple[float, float], tuple[float, float]], ...]


def layer_colours() -> dict[str, str]:
    """Return what is drawn → colour it is known by."""
    known = {layer: style_of(layer).rule[0].symbol.colour for layer in DRAWN}
    ahead = sign(OPEN_END).line.color
    return {**known, OPEN_END: ahead, CAUTION_LAYER: _WARN, SITE_LAYER: _INK}


def layer_name(drawn: str, row: object) -> str:
    """Return the drawing's layer for a feature: what is drawn, its site, its line.

    >>> from types import SimpleNamespace
    >>> layer_name("tolerance_zone", SimpleNamespace(site_id="QH-014", line_id="L1"))
    'tolerance_zone.QH-014.L1'
    """
    ids = (str(getattr(row, column, "") or "") for column in ("site_id", "line_id"))
    return ".".join([drawn, *(_FORBIDDEN.sub("_", name) for name in ids if name)])


def add_layer(doc: Drawing, name: str, drawn: str) -> str:
    """Add a layer unless it is there, in the colour of what is drawn on it; return its name."""
    from ezdxf.colors import RGB

    if name not in doc.layers:
        doc.layers.add(name).rgb = RGB.from_hex(layer_colours()[drawn])
    return name


def data_of(layer: str, row: object, more: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return what is said of a feature as extended data, `more` over what its columns tell.

    What the owner's register says of it stands there by the names of its columns.

    >>> from types import SimpleNamespace
    >>> node = SimpleNamespace(site_id="QH-014", line_id="L1", node_id="L1/bend-1", kind="bend")
    >>> data_of("pipe_nodes", node)
    {'site': 'QH-014', 'line': 'L1', 'layer': 'pipe_nodes', 'kind': 'bend', 'id': 'L1/bend-1'}
    """
    style = style_of(layer)
    columns = getattr(row, "_asdict", None)  # of a row of a frame

    def text(column: str) -> str:
        value = getattr(row, column, "") if column else ""
        return "" if value is None or value != value else str(value)

    known = {
        "site": text("site_id"),
        "line": text("line_id"),
        "layer": layer,
        "kind": text(style.kind) or layer,
        "id": "/".join(filter(None, map(text, style.id))),
        "uid": text("uid"),
        "rule": text("rule"),
        **dict(register_texts(columns() if columns is not None else vars(row))),
        **(more or {}),
    }
    return {name: value for name, value in known.items() if value}


def tell(entity: DXFGraphic, data: Mapping[str, str]) -> None:
    """Put extended data on an entity: a text `name=value` each, all of them written as one."""
    said = (f"{name}={value}".encode()[:_LONGEST] for name, value in data.items())
    texts = [text.decode("utf-8", "ignore") for text in said]
    entity.set_xdata(APPID, [(_STRING, f"\n{_STRING}\n".join(texts))] if texts else [])


def add_symbols(doc: Drawing) -> None:
    """Add every line type and block; a block is as large as its sign, in mm on paper."""
    doc.appids.add(APPID)
    add_layer(doc, CAUTION_LAYER, CAUTION_LAYER)
    dashed = [(OPEN_END.upper(), sign(OPEN_END).line.dash_mm, sign(OPEN_END).title)]
    for layer in DRAWN:
        for rule in style_of(layer).rule:
            if isinstance(rule.symbol, Point):
                _add_block(doc.blocks.new(block_of(layer, rule)), rule.symbol)
            elif rule.symbol.dash_mm:
                dashed.append((linetype_of(layer, rule), rule.symbol.dash_mm, rule.title))
    for name, dash_mm, title in dashed:
        dash = [d if n % 2 == 0 else -d for n, d in enumerate(dash_mm)]
        doc.linetypes.add(name, [sum(dash_mm), *dash], description=title)


def add_open_ends(doc: Drawing, lines: AnyFrame | None, mm: float) -> None:
    """Let the pipe run on, dotted and with a "?", ahead of each open end; `mm` is one on paper."""
    if lines is None or not len(lines):
        return
    paths = np.asarray(lines.geometry.array, dtype=object)
    ends = open_ends(paths, [bool(joins) for joins in lines["joins_line_id"]])
    rows, space = list(lines.itertuples(index=False)), doc.modelspace()
    looks = {"linetype": OPEN_END.upper(), "lineweight": lineweight_of(sign(OPEN_END).line)}
    for at, way, n in zip(ends.at, ends.ways, ends.line.tolist(), strict=True):
        layer = add_layer(doc, layer_name(OPEN_END, rows[n]), OPEN_END)
        stub = space.add_line(at, at + STUB_MM * mm * way, dxfattribs={"layer": layer, **looks})
        query = space.add_mtext(
            "?",
            dxfattribs={
                "layer": layer, "insert": at + QUERY_MM * mm * way, "char_height": 2.5 * mm,
                "attachment_point": 5,  # in the middle
            },
        )  # fmt: skip
        for entity in (stub, query):
            tell(entity, data_of("pipe_centreline", rows[n], {"layer": OPEN_END, "kind": OPEN_END}))


def block_of(layer: str, rule: SymbolRule) -> str:
    """Return the block that stands for a rule's features.

    >>> block_of("pipe_nodes", style_of("pipe_nodes").rule[5])
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


@cache
def plan_points() -> type[LWPolylinePoints]:
    """Return the points of a polyline without widths and arcs, written as one text.

    A tag for each coordinate took a third of a drawing's time.
    """
    from ezdxf.entities.lwpolyline import LWPolylinePoints
    from ezdxf.lldxf.types import DXFTag

    class AsText(DXFTag):
        __slots__ = ()

        def dxfstr(self) -> str:
            return str(self.value)

    class PlanPoints(LWPolylinePoints):
        __slots__ = ()

        def dxftags(self) -> Iterator[DXFTag]:
            text = "".join(f" 10\n{x}\n 20\n{y}\n" for x, y, *_ in self)
            yield AsText(self.VERTEX_CODE, text)

    return PlanPoints
