"""`layer_styles`: the table of a GeoPackage in which desktop GIS looks for how layers look.

It is a convention of the desktop-GIS community, no part of the standard: an attribute table with
columns of fixed names, one row a style, found by table and geometry column.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from datetime import datetime
from functools import cache
from html import escape
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

import pyarrow as pa
import pyogrio

from lateralline import contract
from lateralline.record.symbology import (
    Area,
    LineSymbol,
    Point,
    Style,
    Symbol,
    SymbolRule,
    load_styles,
    parts_of,
)

#: Name of the table.
TABLE: Final = "layer_styles"
_COLUMNS: Final = (
    ("f_table_catalog", pa.string()),
    ("f_table_schema", pa.string()),
    ("f_table_name", pa.string()),
    ("f_geometry_column", pa.string()),
    ("styleName", pa.string()),
    ("styleQML", pa.string()),
    ("styleSLD", pa.string()),
    ("useAsDefault", pa.bool_()),
    ("description", pa.string()),
    ("owner", pa.string()),
    ("ui", pa.string()),
    ("update_time", pa.timestamp("ms", tz="UTC")),
)


def write_styles(path: Path, stamp: datetime, names: Iterable[str] = contract.LAYERS) -> None:
    """Add the table to a GeoPackage of these layers; `stamp` is the time of each row."""
    with closing(sqlite3.connect(path)) as db:
        geometry = dict(
            db.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall()
        )
    rows = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",  # readers ask for these two as empty, not as null
            "f_table_name": layer,
            "f_geometry_column": geometry.get(layer, ""),
            "styleName": contract.load(layer).title,
            "styleQML": as_qml,
            "styleSLD": as_sld,
            "useAsDefault": True,
            "description": contract.load(layer).caution,
            "owner": "",
            "ui": None,
            "update_time": stamp,
        }
        for layer, as_qml, as_sld in _drawn(tuple(names), contract.assets())
    ]
    pyogrio.write_arrow(
        pa.Table.from_pylist(rows, schema=pa.schema(list(_COLUMNS))),
        path,
        layer=TABLE,
        driver="GPKG",
        append=True,
        geometry_name=None,
    )


@cache
def _drawn(
    names: tuple[str, ...], _assets: tuple[contract.Column, ...]
) -> tuple[tuple[str, str, str], ...]:
    """Return each style's layer, QML and SLD: the same in every file of the same columns."""
    return tuple((style.layer, qml(style), sld(style)) for style in load_styles(names))


# ---- A style as QML, the native form of one family of desktop GIS: rules, labels, column titles.


#: A dash no longer is a dot.
_DOT_MM: Final = 1.0
#: Of the program whose form this is; later ones read it.
VERSION: Final = "3.22.0"
_INK: Final = "#20262e"


def qml(style: Style) -> str:
    """Return a style as QML text."""
    kinds = "LayerConfiguration|Symbology|Labeling|Fields|MapTips"
    root = ET.Element("qgis", version=VERSION, styleCategories=kinds)
    root.extend(elements_of(style))
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode")


def elements_of(style: Style) -> list[ET.Element]:
    """Return a style as the elements of a layer: rules, labels, titles of columns, map tip."""
    table = contract.load(style.layer)
    made = []
    if style.rule:
        made.append(_renderer(style))
    if style.label:
        made.append(_labeling(style, on_line=table.geometry.startswith("LineString")))
    aliases = ET.Element("aliases")
    for i, column in enumerate(table.field, start=1):  # 0 is the feature's number
        ET.SubElement(aliases, "alias", field=column.name, index=str(i), name=column.title)
    made.append(aliases)
    named = " || '/' || ".join(f"coalesce(\"{column}\", '')" for column in style.id)
    tip = tip_of(style) if table.geometry else ""
    texts = {
        "previewExpression": named,
        "mapTip": tip,
        "layerGeometryType": _geometry_type(table.geometry),
    }
    for name, text in texts.items():
        if text:
            element = ET.Element(name)
            element.text = text
            made.append(element)
    return made


def tip_of(style: Style) -> str:
    """Return what is shown where one points at a feature, as HTML with expressions.

    Caution last, on everything that could guide digging.
    """
    table = contract.load(style.layer)
    parts = [f"<b>{escape(table.title)}</b>"]
    for name in dict.fromkeys(filter(None, (*style.id, style.kind, *style.tip))):
        column = table.column(name)
        value = f'round("{name}", 3)' if column.type == "real" else f'"{name}"'
        unit = f" {column.unit}" if column.unit not in ("", "1") else ""
        parts.append(f"{escape(column.title)}: [% coalesce({value}, '–') %]{unit}")
    if table.caution:
        parts.append(f"<i>{escape(table.caution)}</i>")
    return "<br>".join(parts)


def expression(rule: SymbolRule) -> str:
    """Return a rule's filter; ELSE for the rule that takes what is left, "" when it takes all.

    >>> expression(SymbolRule(title="a", where={"kind": ("o'k", "b"), "used": (True,)}))
    '"kind" IN (\\'o\\'\\'k\\', \\'b\\') AND "used" = true'
    """
    parts = []
    for column, values in rule.where.items():
        literals = [_literal(v) for v in values]
        many = f"IN ({', '.join(literals)})" if len(literals) > 1 else f"= {literals[0]}"
        parts.append(f'"{column}" {many}')
    return " AND ".join(parts)


def _literal(value: bool | str) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return "'" + value.replace("'", "''") + "'"


def _renderer(style: Style) -> ET.Element:
    renderer = ET.Element("renderer-v2", type="RuleRenderer", symbollevels="0", enableorderby="0")
    rules = ET.SubElement(renderer, "rules", key="{root}")
    symbols = ET.SubElement(renderer, "symbols")
    for i, rule in enumerate(style.rule):
        about = {"key": f"{{{style.layer}-{i}}}", "symbol": str(i), "label": rule.title}
        filtered = expression(rule) or ("ELSE" if len(style.rule) > 1 else "")
        if filtered:
            about["filter"] = filtered
        ET.SubElement(rules, "rule", about)
        symbols.append(_symbol(rule.symbol, str(i)))
    return renderer


def _symbol(symbol: Symbol, name: str) -> ET.Element:
    kind = {Point: "marker", LineSymbol: "line", Area: "fill"}[type(symbol)]
    made = ET.Element("symbol", type=kind, name=name, alpha="1", clip_to_extent="1", force_rhr="0")
    for layer_class, properties in _layers(symbol):
        layer = ET.SubElement(made, "layer", {"class": layer_class, "enabled": "1", "pass": "0"})
        for key, value in properties.items():
            ET.SubElement(layer, "prop", k=key, v=value)
    return made


def _layers(symbol: Symbol) -> list[tuple[str, dict[str, str]]]:
    """Return class and properties of each layer a symbol is made of."""
    if isinstance(symbol, Point):
        return [("SimpleMarker", _marker(symbol, name)) for name in parts_of(symbol.marker)]
    if isinstance(symbol, LineSymbol):
        dashed = bool(symbol.dash_mm)
        line = {
            "line_color": _rgba(symbol.color),
            "line_width": f"{symbol.width_mm:g}",
            "line_width_unit": "MM",
            "line_style": "solid",
            "capstyle": "flat" if dashed else "round",
            "joinstyle": "round",
            "use_custom_dash": str(int(dashed)),
            "customdash": ";".join(f"{d:g}" for d in symbol.dash_mm) or "5;2",
            "customdash_unit": "MM",
        }
        return [("SimpleLine", line)]
    area = {
        "color": _rgba(symbol.fill, symbol.opacity),
        "style": "solid" if symbol.opacity else "no",
        "outline_color": _rgba(symbol.stroke),
        "outline_width": f"{symbol.stroke_mm:g}",
        "outline_width_unit": "MM",
        "outline_style": pen_of(symbol.dash_mm),
        "joinstyle": "round",
    }
    return [("SimpleFill", area)]


def _marker(point: Point, name: str) -> dict[str, str]:
    return {
        "name": name,
        "size": f"{point.size_mm:g}",
        "size_unit": "MM",
        "color": _rgba(point.fill),
        "outline_color": _rgba(point.stroke),
        "outline_width": f"{point.stroke_mm:g}",
        "outline_width_unit": "MM",
        "outline_style": "solid",
        "angle": f"{point.rotate_deg:g}",
    }


def pen_of(dash_mm: tuple[float, ...]) -> str:
    """Return the pen of an outline: areas know four patterns only.

    >>> pen_of(()), pen_of((2.0, 1.0)), pen_of((0.5, 0.6)), pen_of((2.0, 0.6, 0.4, 0.6))
    ('solid', 'dash', 'dot', 'dash dot')
    """
    if not dash_mm:
        return "solid"
    if len(dash_mm) > 2:
        return "dash dot"
    return "dot" if dash_mm[0] <= _DOT_MM else "dash"


def _rgba(colour: str, opacity: float = 1.0) -> str:
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{r},{g},{b},{round(255 * opacity)}"


def _labeling(style: Style, *, on_line: bool) -> ET.Element:
    labeling = ET.Element("labeling", type="simple")
    settings = ET.SubElement(labeling, "settings", calloutType="simple")
    text = ET.SubElement(
        settings,
        "text-style",
        fieldName=style.label,
        isExpression="0",
        fontSize="8",
        fontSizeUnit="Point",
        textColor=_rgba(_INK),
        textOpacity="1",
    )
    ET.SubElement(
        text,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.7",
        bufferSizeUnits="MM",
        bufferColor=_rgba("#ffffff"),
        bufferOpacity="1",
    )
    # 2 is along a line, 6 around a point by cartographic preference
    ET.SubElement(
        settings, "placement", placement="2" if on_line else "6", dist="1", distUnits="MM"
    )
    # Named by scale denominators there: its scaleMin is the least, most zoomed in.
    ET.SubElement(
        settings,
        "rendering",
        scaleVisibility=str(int(bool(style.label_scale))),
        scaleMin="0",
        scaleMax=str(style.label_scale),
        obstacle="1",
        drawLabels="1",
    )
    return labeling


def _geometry_type(geometry: str) -> str:
    return {"Point Z": "0", "LineString Z": "1", "LineString": "1", "Polygon": "2", "": "4"}[
        geometry
    ]


# ---- A style as a Styled Layer Descriptor 1.1 with Symbology Encoding 1.1, both of the OGC.


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


def _rule(parent: ET.Element, rule: SymbolRule, *, alone: bool) -> None:
    made = _add(parent, "se:Rule")
    _add(made, "se:Name", rule.title)
    _add(_add(made, "se:Description"), "se:Title", rule.title)
    if rule.where:
        _filter(_add(made, "ogc:Filter"), rule)
    elif not alone:
        _add(made, "se:ElseFilter")
    _symbolizer(made, rule.symbol)


def _filter(parent: ET.Element, rule: SymbolRule) -> None:
    if len(rule.where) > 1:
        parent = _add(parent, "ogc:And")
    for column, values in rule.where.items():
        any_of = _add(parent, "ogc:Or") if len(values) > 1 else parent
        for value in values:
            equal = _add(any_of, "ogc:PropertyIsEqualTo")
            _add(equal, "ogc:PropertyName", column)
            literal = str(value).lower() if isinstance(value, bool) else value
            _add(equal, "ogc:Literal", literal)


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
    elif isinstance(symbol, LineSymbol):
        made = _add(parent, "se:LineSymbolizer")
        _stroke(made, symbol.color, symbol.width_mm, symbol.dash_mm)
    else:
        made = _add(parent, "se:PolygonSymbolizer")
        if symbol.opacity:
            _fill(made, symbol.fill, symbol.opacity)
        _stroke(made, symbol.stroke, symbol.stroke_mm, symbol.dash_mm)


def _label(parent: ET.Element, style: Style) -> None:
    rule = _add(parent, "se:Rule")
    if style.label_scale:
        _add(rule, "se:MaxScaleDenominator", str(style.label_scale))
    made = _add(rule, "se:TextSymbolizer")
    _add(_add(made, "se:Label"), "ogc:PropertyName", style.label)
    _parameter(_add(made, "se:Font"), "font-size", "11")
    placement = _add(made, "se:LabelPlacement")
    if contract.load(style.layer).geometry.startswith("LineString"):
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
