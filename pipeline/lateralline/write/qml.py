"""A style as QML, the native form of one family of desktop GIS: rules, labels, column titles.

The form was read off from what the software itself saves and is held to by loading it there
(`tests/write/test_styles.py`). Properties are written in the older form, `prop`, that every 3.x
reads.
"""

from __future__ import annotations

from typing import Final
from xml.etree import ElementTree as ET

from lateralline import contract
from lateralline.record.symbology import Area, Line, Point, Rule, Style, Symbol, parts_of

#: A dash no longer is a dot.
_DOT_MM: Final = 1.0
_VERSION: Final = "3.22.0"
_INK: Final = "#20262e"


def qml(style: Style) -> str:
    """Return a style as QML text."""
    root = ET.Element(
        "qgis", version=_VERSION, styleCategories="LayerConfiguration|Symbology|Labeling|Fields"
    )
    table = contract.load(style.layer)
    if style.rule:
        root.append(_renderer(style))
    if style.label:
        root.append(_labeling(style.label, on_line=table.geometry == "LineString Z"))
    aliases = ET.SubElement(root, "aliases")
    for i, column in enumerate(table.field, start=1):  # 0 is the feature's number
        ET.SubElement(aliases, "alias", field=column.name, index=str(i), name=column.title)
    ET.SubElement(root, "layerGeometryType").text = _geometry_type(table.geometry)
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode")


def expression(rule: Rule) -> str:
    """Return a rule's filter; ELSE for the rule that takes what is left, "" when it takes all.

    >>> expression(Rule(title="a", where={"kind": ("o'k", "b"), "used": (True,)}))
    '"kind" IN (\\'o\\'\\'k\\', \\'b\\') AND "used" = true'
    """
    parts = []
    for column, values in rule.where.items():
        told = [_literal(v) for v in values]
        many = f"IN ({', '.join(told)})" if len(told) > 1 else f"= {told[0]}"
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
        said = {"key": f"{{{style.layer}-{i}}}", "symbol": str(i), "label": rule.title}
        filtered = expression(rule) or ("ELSE" if len(style.rule) > 1 else "")
        if filtered:
            said["filter"] = filtered
        ET.SubElement(rules, "rule", said)
        symbols.append(_symbol(rule.symbol, str(i)))
    return renderer


def _symbol(symbol: Symbol, name: str) -> ET.Element:
    kind = {Point: "marker", Line: "line", Area: "fill"}[type(symbol)]
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
    if isinstance(symbol, Line):
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


def _labeling(column: str, *, on_line: bool) -> ET.Element:
    labeling = ET.Element("labeling", type="simple")
    settings = ET.SubElement(labeling, "settings", calloutType="simple")
    text = ET.SubElement(
        settings,
        "text-style",
        fieldName=column,
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
    ET.SubElement(settings, "rendering", scaleVisibility="0", obstacle="1", drawLabels="1")
    return labeling


def _geometry_type(geometry: str) -> str:
    return {"Point Z": "0", "LineString Z": "1", "Polygon": "2", "": "4"}[geometry]
