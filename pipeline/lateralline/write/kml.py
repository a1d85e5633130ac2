"""KML for a quick look: the layers as they stand in the GeoJSON files, clamped to the ground.

Longitudes and latitudes are taken from those files, so both come by the same operation. Heights
are left out: a level is none in KML, and a depth would be drawn in the air. Form: OGC 12-007r2,
KML 2.3, from memory, held to by GDAL's reader in the tests.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from html import escape
from pathlib import Path
from types import SimpleNamespace
from typing import Final, TypedDict
from xml.etree import ElementTree as ET

import shapely
from shapely.geometry import shape as from_geojson

from lateralline import contract
from lateralline.errors import FrameError, UnknownSiteError
from lateralline.output import stamp, whole_file
from lateralline.record.assets import PREFIX, PRIVATE, hidden, register_words
from lateralline.record.symbology import Area, LineSymbol, Point, Symbol, style_of


class Feature(TypedDict):
    """A feature of RFC 7946."""

    geometry: dict[str, object]
    properties: dict[str, object]


_SPACE: Final = "http://www.opengis.net/kml/2.2"
#: Layers shown, the lowest first, and the column each feature is called by.
_SHOWN: Final = {
    "unlocated": "what",
    "dig_zone": "zone",
    "position_corridor": "line_id",
    "pipe_segments": "segment_id",
    "transmitter_fixes": "stop_id",
    "pipe_nodes": "node_id",
    "pipe_observations": "code",
    "control_points": "point",
}
_ICON_MM: Final = 3.2  # an icon of scale 1 is about so large
_LINE_PX_PER_MM: Final = 5.0


def write_kml(geojson: Path, out: Path, *, site: str = "", replace: bool = False) -> None:
    """Write one site, or all of them for "", of a folder of GeoJSON layers that `build` made.

    Raises FrameError where there are no such files (a sketch has no place on the map),
    UnknownSiteError when they hold no feature of the site, and OutputExistsError when `out` is
    there and may not be replaced.
    """
    if not (geojson / "pipe_nodes.geojson").is_file():
        raise FrameError(
            f"{geojson} holds no GeoJSON layers: a sketch has no place on the map, and a .gpkg "
            "alone does not say how longitudes were come by; give the folder that build wrote"
        )
    root = ET.Element("kml", xmlns=_SPACE)
    document = ET.SubElement(root, "Document")
    document.append(ET.Comment(stamp("map")))
    _text(document, "name", f"lateralline {site}".strip())
    _text(document, "description", contract.load("dig_zone").caution)
    for layer in _SHOWN:
        for n, rule in enumerate(style_of(layer).rule):
            _style(document, f"{layer}-{n}", rule.symbol)
    count = 0
    for layer, called in _SHOWN.items():
        folder = ET.SubElement(document, "Folder")
        _text(folder, "name", contract.load(layer).title)
        path = geojson / f"{layer}.geojson"
        if layer == "unlocated" and not path.is_file():
            continue  # built before the layer was made
        for feature in _features(path, site):
            _placemark(folder, layer, called, feature)
            count += 1
    if not count:
        raise UnknownSiteError(f"{geojson} holds nothing of site {site!r}")
    with whole_file(out, "map", replace=replace) as made:
        ET.indent(root, " ")
        ET.ElementTree(root).write(made, encoding="utf-8", xml_declaration=True)


def _features(path: Path, site: str) -> Iterator[Feature]:
    said = json.loads(path.with_name("lineage.geojson").read_text(encoding="utf-8"))["features"]
    rows = [row["properties"] for row in said]
    private = {n for r in rows if r["item"] == PRIVATE for n in r["value"].split(", ")}
    for feature in json.loads(path.read_text(encoding="utf-8"))["features"]:
        if feature["geometry"] is not None and site in ("", feature["properties"]["site_id"]):
            for name in hidden(list(feature["properties"]), private):
                del feature["properties"][name]
            yield feature


def _style(parent: ET.Element, name: str, symbol: Symbol) -> None:
    made = ET.SubElement(parent, "Style", id=name)
    if isinstance(symbol, Point):
        _part(made, "IconStyle", symbol.colour, 1.0, "scale", symbol.size_mm / _ICON_MM)
        return
    width_mm = symbol.width_mm if isinstance(symbol, LineSymbol) else symbol.stroke_mm
    width_px = max(_LINE_PX_PER_MM * width_mm, 1.0)
    _part(made, "LineStyle", symbol.colour, 1.0, "width", width_px)
    if isinstance(symbol, Area):
        _part(made, "PolyStyle", symbol.fill, symbol.opacity)


def _part(
    parent: ET.Element, kind: str, colour: str, opacity: float, size: str = "", value: float = 0.0
) -> None:
    """Add one part of a style; a colour is alpha, blue, green, red."""
    part = ET.SubElement(parent, kind)
    red, green, blue = colour[1:3], colour[3:5], colour[5:7]
    _text(part, "color", f"{round(255 * opacity):02x}{blue}{green}{red}")
    if size:
        _text(part, size, f"{value:.3g}")


def _placemark(parent: ET.Element, layer: str, called: str, feature: Feature) -> None:
    properties = feature["properties"]
    style = style_of(layer)
    rule = style.rule.index(style.rule_of(SimpleNamespace(**properties)))
    made = ET.SubElement(parent, "Placemark")
    _text(made, "name", str(properties.get(called) or properties.get("line_id") or layer))
    _text(made, "description", _balloon(layer, properties))
    _text(made, "styleUrl", f"#{layer}-{rule}")
    made.append(_geometry(from_geojson(feature["geometry"])))


def _balloon(layer: str, properties: dict[str, object]) -> str:
    """Return a table of what is known of a feature, as HTML: caution first, all text escaped."""
    table = contract.load(layer)
    rows = [f"<p><b>{escape(table.caution)}</b></p>"] if table.caution else []
    rows.append("<table>")
    for column in table.field:
        value = properties.get(column.name)
        if value is None or column.name == "caution" or column.name.endswith("_rule"):
            continue
        text = f"{value:.3f}" if isinstance(value, float) else str(value)
        unit = f" {column.unit}" if column.unit not in ("", "1") else ""
        rows.append(f"<tr><td>{escape(column.title)}</td><td>{escape(text + unit)}</td></tr>")
    free = {k: v for k, v in properties.items() if k.startswith(PREFIX) and k not in table.names}
    for title, words in register_words(free):
        rows.append(f"<tr><td>{escape(title)}</td><td>{escape(words)}</td></tr>")
    return "".join([*rows, "</table>"])


def _geometry(shape: shapely.Geometry) -> ET.Element:
    parts = shapely.get_parts(shape)
    if len(parts) > 1 or shape.geom_type.startswith(("Multi", "GeometryCollection")):
        made = ET.Element("MultiGeometry")
        made.extend(_geometry(part) for part in parts)
        return made
    made = ET.Element(shape.geom_type)
    if shape.geom_type != "Point":
        _text(made, "tessellate", "1")
    _text(made, "altitudeMode", "clampToGround")
    if shape.geom_type == "Polygon":
        for i, ring in enumerate((shape.exterior, *shape.interiors)):
            bound = ET.SubElement(made, "outerBoundaryIs" if i == 0 else "innerBoundaryIs")
            _text(ET.SubElement(bound, "LinearRing"), "coordinates", _places(ring))
    else:
        _text(made, "coordinates", _places(shape))
    return made


def _places(shape: shapely.Geometry) -> str:
    return " ".join(f"{x:.7f},{y:.7f}" for x, y in shapely.get_coordinates(shape))


def _text(parent: ET.Element, name: str, text: str) -> None:
    """Add an element with a text, without the signs XML cannot hold."""
    kept = "".join(c for c in text if c in "\t\n" or c.isprintable())
    ET.SubElement(parent, name).text = kept
