"""A drawing for CAD: the layers of a built GeoPackage as DXF, in plan units, to a plot scale.

It is read from the GeoPackage, drawn with the signs of `styles.toml`, audited, and only then a
file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from math import cos, pi, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
import pyproj
import shapely
from pyproj import CRS

from lateralline import contract
from lateralline.errors import FrameError, OutputError, UnknownSiteError, extra
from lateralline.output import stamp, whole_file
from lateralline.record.ground import GroundPlane, ground_plane
from lateralline.record.layers import AnyFrame
from lateralline.record.lineage import crs_text
from lateralline.record.rows import FixRow, rows_of
from lateralline.record.symbology import (
    WHITE,
    Area,
    LineSymbol,
    Point,
    SymbolRule,
    load_styles,
    style_of,
)
from lateralline.record.view import (
    bounds_of,
    crs_of,
    levels_in_metres,
    lineage_of,
    read_layers,
)
from lateralline.records import Floats
from lateralline.units import METRES_PER

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.blocklayout import BlockLayout
    from ezdxf.layouts.layout import Modelspace

#: Codes of $INSUNITS: DXF reference, header section; from memory, held to by ezdxf in the tests.
_INSUNITS: Final = {"m": 6, "ft": 2, "us-ft": 21}
_SAME: Final = 1e-9  # relative; the two feet differ by 2e-6


@dataclass(frozen=True, slots=True)
class PlotUnits:
    """Plan unit of a drawing, and its plot scale 1 : `scale`."""

    name: str  # "m", "ft", "us-ft"; else the CRS's own word
    metres: float  # in one plan unit
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
        return PlotUnits("m", 1.0, scale)
    if crs.is_geographic:
        raise FrameError(
            f"{crs.name} counts in degrees, and a drawing needs a length: build with a projected "
            "--crs, as EPSG:32617, and export that"
        )
    axes = crs.axis_info
    metres = axes[0].unit_conversion_factor
    known = (n for n in _INSUNITS if abs(METRES_PER[n] / metres - 1.0) < _SAME)
    return PlotUnits(next(known, axes[0].unit_name), metres, scale)


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
    literal = str(text).replace("\r\n", "\n").replace("%%", "% %")
    kept = (c for c in literal if c == "\n" or c.isprintable())
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


# ---- the drawing ----------------------------------------------------------------------------


_VERSION: Final = "R2018"  # text is UTF-8 there
_TEXT_MM: Final = 2.5  # height on paper
_BESIDE_MM: Final = 2.1  # where a text begins beside its point
_NOTE_MM: Final = 170.0  # width of the note


def write_dxf(
    gpkg: Path, out: Path, *, site: str = "", scale: float = 200.0, replace: bool = False
) -> None:
    """Draw one site of a built GeoPackage, or all of them for "", as DXF. Equal input, equal bytes.

    Plan coordinates are those of the file's CRS, and levels go along in the plan's unit. Texts and
    symbols have their size at 1 : `scale`. Raises MissingExtraError without ezdxf, FrameError for a
    CRS in degrees, UnknownSiteError for a site the file does not hold, OutputError when the
    drawing is not sound, and OutputExistsError when `out` is there and may not be replaced.
    """
    with extra("cad", "a drawing"):
        from ezdxf.filemanagement import new
    frames = read_layers(gpkg, (*DRAWN, "lineage"), site)
    if not len(frames["lineage"]):
        raise UnknownSiteError(f"{gpkg} holds no site {site!r}")
    crs = crs_of(frames["field_marks"])
    frames = levels_in_metres(frames)
    units = units_of(crs, scale)
    with _fixed_dates(), whole_file(out, "drawing", replace=replace) as made:
        doc = new(_VERSION)
        _draw(doc, frames, crs, units)
        doc.header.custom_vars.append("CRS", "sketch" if crs is None else crs_text(crs))
        doc.header.custom_vars.append("GENERATOR", stamp("drawing"))
        kinds = doc.entitydb.dxf_types_in_use()
        for kind in sorted(kinds):  # a set: declared as it comes, bytes would differ by process
            doc.classes.add_class(kind)
        auditor = doc.audit()
        if auditor.has_errors or auditor.has_fixes:
            raise OutputError(f"the drawing is not sound: {auditor.errors or auditor.fixes}")
        doc.saveas(made)


@contextmanager
def _fixed_dates() -> Iterator[None]:
    """Keep the clock and random identifiers out of the file."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def _draw(
    doc: Drawing, frames: Mapping[str, AnyFrame], crs: pyproj.CRS | None, units: PlotUnits
) -> None:
    add_symbols(doc)
    doc.header["$INSUNITS"] = units.insunits
    doc.header["$MEASUREMENT"] = int(units.is_metric)
    doc.header["$LTSCALE"] = units.of_paper(1.0)  # line types are in mm on paper
    doc.header["$PDMODE"] = 0
    space = doc.modelspace()
    for layer in DRAWN:
        frame = frames[layer][frames[layer].geometry.notna()]
        style = style_of(layer)
        for row in frame.itertuples(index=False):
            rule = style.rule_of(row)
            if isinstance(rule.symbol, Area):
                weight = lineweight_of(rule.symbol)
                _areas(space, layer, row.geometry, linetype_of(layer, rule), weight)
            elif isinstance(rule.symbol, LineSymbol):
                weight = lineweight_of(rule.symbol)
                _line(space, layer, row.geometry, units, linetype_of(layer, rule), weight)
            else:
                label = plain(getattr(row, POINT_LABELS[layer])) if POINT_LABELS[layer] else ""
                _point(space, layer, row.geometry, units, block_of(layer, rule), label)
    _ellipses(space, frames, crs, units)
    _finish(doc, frames, units, _note(frames, crs, units))


def _areas(
    space: Modelspace, layer: str, shape: shapely.Geometry, linetype: str, lineweight: int
) -> None:
    look = {"layer": layer, "linetype": linetype, "lineweight": lineweight}
    for polygon in shapely.get_parts(shape):
        for ring in (polygon.exterior, *polygon.interiors):
            space.add_lwpolyline(ring.coords[:-1], close=True, dxfattribs=look)


def _line(
    space: Modelspace,
    layer: str,
    shape: shapely.Geometry,
    units: PlotUnits,
    linetype: str,
    lineweight: int,
) -> None:
    """Draw a centreline in space, a segment in plan: CAD shows no dashes on a 3-D polyline."""
    look = {"layer": layer, "linetype": linetype, "lineweight": lineweight}
    if layer == "pipe_centreline":
        space.add_polyline3d(_xyz(shape, units), dxfattribs=look)
    else:
        space.add_lwpolyline(shapely.get_coordinates(shape), dxfattribs=look)


def _point(
    space: Modelspace,
    layer: str,
    shape: shapely.Geometry,
    units: PlotUnits,
    block: str,
    label: str,
) -> None:
    at = _xyz(shape, units)[0]
    mm = units.of_paper(1.0)
    scales = {"xscale": mm, "yscale": mm, "zscale": mm}
    space.add_blockref(block, at, dxfattribs={"layer": layer, **scales})
    if label:
        space.add_mtext(
            label,
            dxfattribs={
                "layer": layer,
                "insert": at + _BESIDE_MM * mm * np.array([1.0, 1.0, 0.0]),
                "char_height": units.of_paper(_TEXT_MM),
                "attachment_point": 7,  # bottom left
            },
        )


def _ellipses(
    space: Modelspace, frames: Mapping[str, AnyFrame], crs: pyproj.CRS | None, units: PlotUnits
) -> None:
    """Draw the 95 % ellipses of stops: metres on the ground, whatever the plan's grid does."""
    fixes, lineage = frames["transmitter_fixes"], frames["lineage"]
    for site in dict.fromkeys(fixes["site_id"]):
        here = fixes[(fixes["site_id"] == site) & fixes.geometry.notna()]
        if not len(here):
            continue
        corner = here.total_bounds[:2]
        plane = ground_plane(crs, corner, lineage_of(lineage[lineage["site_id"] == site]))
        for row in rows_of(FixRow, here):
            _ellipse(space, row, plane, units)


def _ellipse(space: Modelspace, fix: FixRow, plane: GroundPlane, units: PlotUnits) -> None:
    major, minor = fix.semi_major_95_m, fix.semi_minor_95_m
    if not (np.isfinite(major) and minor > 0.0):
        return
    azimuth = np.radians(fix.ellipse_azimuth_deg + plane.turn_deg)
    ends = major * np.array([[0.0, 0.0], [np.sin(azimuth), np.cos(azimuth)]])
    start, end = plane.to_file(ends)
    space.add_ellipse(
        _xyz(fix.geometry, units)[0], major_axis=(*(end - start), 0.0), ratio=minor / major,
        dxfattribs={"layer": fix.layer},
    )  # fmt: skip


def _xyz(shape: shapely.Geometry, units: PlotUnits) -> Floats:
    """Return (n, 3) coordinates in plan units, levels too; a point without level is at 0."""
    xyz = np.nan_to_num(shapely.get_coordinates(shape, include_z=True))
    xyz[:, 2] /= units.metres
    return np.asarray(xyz)


def _finish(doc: Drawing, frames: Mapping[str, AnyFrame], units: PlotUnits, note: str) -> None:
    """Write the note below the site, and set extents and view."""
    space = doc.modelspace()
    drawn = bounds_of(frames[n].total_bounds for n in DRAWN) or (0.0, 0.0, 0.0, 0.0)
    low, high = np.array(drawn[:2]), np.array(drawn[2:])
    text = units.of_paper(_TEXT_MM)
    space.add_mtext(
        note,
        dxfattribs={
            "layer": CAUTION_LAYER,
            "insert": (low[0], low[1] - 3.0 * text),
            "char_height": text,
            "width": units.of_paper(_NOTE_MM),
            "attachment_point": 1,  # top left
        },
    )
    low = low - [2.0 * text, 25.0 * text]
    high = np.maximum(high, low + units.of_paper(_NOTE_MM)) + 2.0 * text
    space.reset_extents((*low, 0.0), (*high, 0.0))
    middle = (low + high) / 2
    doc.set_modelspace_vport(float(high[1] - low[1]), center=(float(middle[0]), float(middle[1])))


def _note(frames: Mapping[str, AnyFrame], crs: pyproj.CRS | None, units: PlotUnits) -> str:
    """Return what must be read before the drawing guides anyone, as MTEXT."""
    lineage = frames["lineage"]
    sites = dict.fromkeys(lineage["site_id"])
    levels = dict.fromkeys(lineage_of(lineage[lineage["site_id"] == s]).levels for s in sites)
    where = "a sketch on axes of its own" if crs is None else f"{crs.name} ({crs_text(crs)})"
    lines = [
        contract.load("dig_zone").caution,
        *_not_located(frames["unlocated"]),
        "Site " + ", ".join(sites) if len(sites) <= 5 else f"{len(sites)} sites",
        f"Plan: {where}, in {units.name}; levels in the same unit",
        *filter(None, levels),
        f"Texts and symbols are sized for 1:{units.scale:g}",
    ]
    return "\\P".join(map(plain, lines))


def _not_located(unlocated: AnyFrame) -> list[str]:
    """Name what is not drawn, with or without an area on layer `unlocated`."""
    whole = unlocated[unlocated["extent"] != "beyond_end"]
    pairs = [(s, line or "(whole site)") for s, line in zip(whole["site_id"], whole["line_id"],
                                                            strict=True)]  # fmt: skip
    names = [f"{site} {line}" for site, line in dict.fromkeys(pairs)]
    more = f" and {len(names) - 20} more" if len(names) > 20 else ""
    return [f"Not located, and not drawn: {', '.join(names[:20])}{more}"] if names else []
