"""A style as a Styled Layer Descriptor 1.1 with Symbology Encoding 1.1, both of the OGC.

Element names and order: OGC 05-078r4 and 05-077r4, from memory, held to by reading it with
desktop GIS in the tests. Sizes there are pixels of 0.28 mm unless a unit is named.
"""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree as ET

from lateralline import contract
from lateralline.record.symbology import Line, Point, Rule, Style, Symbol, parts_of

_PIXEL_MM: Final = 0.28
_SPACES: Final = {
    "sld": "http://www.opengis.net/sld",
    "se": "http://www.opengis.net/se",
    "ogc": "http://www.opengis.net/ogc",
}
#: Well-known names of Symbology Encoding; the others are those its readers share.
_MARKS: Final = {"cross2": "x"}


def sld(style: Style) -> str:
    """Return a style as SLD text; "" for a table, which has nothing to draw."""
    if not style.rule:
        return ""
    for prefix, uri in _SPACES.items():
        ET.register_namespace(prefix, uri)
    root = ET.Element(_tag("sld:StyledLayerDescriptor"), version="1.1.0")
    layer = _add(root, "sld:NamedLayer")
    _add(layer, "se:Name", style.layer)
    feature_style = _add(_add(layer, "sld:UserStyle"), "se:FeatureTypeStyle")
    for rule in style.rule:
        _rule(feature_style, rule, alone=len(style.rule) == 1)
    if style.label:
        _label(feature_style, style)
    return ET.tostring(root, encoding="unicode")


def _rule(parent: ET.Element, rule: Rule, *, alone: bool) -> None:
    made = _add(parent, "se:Rule")
    _add(made, "se:Name", rule.title)
    _add(_add(made, "se:Description"), "se:Title", rule.title)
    if rule.where:
        _filter(_add(made, "ogc:Filter"), rule)
    elif not alone:
        _add(made, "se:ElseFilter")
    _symbolizer(made, rule.symbol)


def _filter(parent: ET.Element, rule: Rule) -> None:
    if len(rule.where) > 1:
        parent = _add(parent, "ogc:And")
    for column, values in rule.where.items():
        any_of = _add(parent, "ogc:Or") if len(values) > 1 else parent
        for value in values:
            equal = _add(any_of, "ogc:PropertyIsEqualTo")
            _add(equal, "ogc:PropertyName", column)
            said = str(value).lower() if isinstance(value, bool) else value
            _add(equal, "ogc:Literal", said)


def _symbolizer(parent: ET.Element, symbol: Symbol) -> None:
    if isinstance(symbol, Point):
        graphic = _add(_add(parent, "se:PointSymbolizer"), "se:Graphic")
        for name in parts_of(symbol.marker):
            mark = _add(graphic, "se:Mark")
            _add(mark, "se:WellKnownName", _MARKS.get(name, name))
            _fill(mark, symbol.fill, 1.0)
            _stroke(mark, symbol.stroke, symbol.stroke_mm)
        _add(graphic, "se:Size", _pixels(symbol.size_mm))
        if symbol.rotate_deg:
            _add(_add(graphic, "se:Rotation"), "ogc:Literal", f"{symbol.rotate_deg:g}")
    elif isinstance(symbol, Line):
        made = _add(parent, "se:LineSymbolizer")
        _stroke(made, symbol.color, symbol.width_mm, symbol.dash_mm)
    else:
        made = _add(parent, "se:PolygonSymbolizer")
        if symbol.opacity:
            _fill(made, symbol.fill, symbol.opacity)
        _stroke(made, symbol.stroke, symbol.stroke_mm, symbol.dash_mm)


def _label(parent: ET.Element, style: Style) -> None:
    made = _add(_add(parent, "se:Rule"), "se:TextSymbolizer")
    _add(_add(made, "se:Label"), "ogc:PropertyName", style.label)
    _parameter(_add(made, "se:Font"), "font-size", "11")
    placement = _add(made, "se:LabelPlacement")
    if contract.load(style.layer).geometry == "LineString Z":
        _add(placement, "se:LinePlacement")
    else:
        shift = _add(_add(placement, "se:PointPlacement"), "se:Displacement")
        _add(shift, "se:DisplacementX", "8")
        _add(shift, "se:DisplacementY", "8")
    _add(_add(made, "se:Halo"), "se:Radius", "2")


def _fill(parent: ET.Element, colour: str, opacity: float) -> None:
    fill = _add(parent, "se:Fill")
    _parameter(fill, "fill", colour)
    if opacity < 1.0:
        _parameter(fill, "fill-opacity", f"{opacity:g}")


def _stroke(
    parent: ET.Element, colour: str, width_mm: float, dash_mm: tuple[float, ...] = ()
) -> None:
    stroke = _add(parent, "se:Stroke")
    _parameter(stroke, "stroke", colour)
    _parameter(stroke, "stroke-width", _pixels(width_mm))
    if dash_mm:
        _parameter(stroke, "stroke-dasharray", " ".join(map(_pixels, dash_mm)))


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    _add(parent, "se:SvgParameter", value).set("name", name)


def _pixels(mm: float) -> str:
    return f"{mm / _PIXEL_MM:.3g}"


def _tag(name: str) -> str:
    prefix, _, local = name.partition(":")
    return f"{{{_SPACES[prefix]}}}{local}"


def _add(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    child = ET.SubElement(parent, _tag(name))
    child.text = text
    return child
