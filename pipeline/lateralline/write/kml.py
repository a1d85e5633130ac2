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
from typing import Any, Final
from xml.etree import ElementTree as ET

from lateralline import contract
from lateralline.errors import FrameError, UnknownSiteError
from lateralline.output import stamp, whole_file

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
#: Colours are alpha, blue, green, red.
_STYLES: Final = {
    "unlocated": {"LineStyle": ("ff1e26b3", 3.0), "PolyStyle": ("66e2ddd9", 0.0)},
    "dig_zone": {"LineStyle": ("ff00629a", 2.0), "PolyStyle": ("668ad4f2", 0.0)},
    "position_corridor": {"LineStyle": ("ff8a5c2b", 1.0), "PolyStyle": ("80d9b27f", 0.0)},
    "pipe_segments": {"LineStyle": ("ff3a6b0b", 4.0)},
    "transmitter_fixes": {"IconStyle": ("ff0c41c2", 0.6)},
    "pipe_nodes": {"IconStyle": ("ff3a6b0b", 0.9)},
    "pipe_observations": {"IconStyle": ("ff801d4c", 0.9)},
    "control_points": {"IconStyle": ("ff2e2620", 0.8)},
}


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
    for layer, style in _STYLES.items():
        _style(document, layer, style)
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


def _features(path: Path, site: str) -> Iterator[dict[str, Any]]:
    for feature in json.loads(path.read_text(encoding="utf-8"))["features"]:
        if feature["geometry"] is not None and site in ("", feature["properties"]["site_id"]):
            yield feature


def _style(parent: ET.Element, layer: str, style: dict[str, tuple[str, float]]) -> None:
    made = ET.SubElement(parent, "Style", id=layer)
    for kind, (colour, size) in style.items():
        part = ET.SubElement(made, kind)
        _text(part, "color", colour)
        if size:
            _text(part, "width" if kind == "LineStyle" else "scale", f"{size:g}")


def _placemark(parent: ET.Element, layer: str, called: str, feature: dict[str, Any]) -> None:
    said = feature["properties"]
    made = ET.SubElement(parent, "Placemark")
    _text(made, "name", str(said.get(called) or said.get("line_id") or layer))
    _text(made, "description", _balloon(layer, said))
    _text(made, "styleUrl", f"#{layer}")
    made.append(_geometry(feature["geometry"]))


def _balloon(layer: str, said: dict[str, Any]) -> str:
    """Return a table of what is known of a feature, as HTML: caution first, all text escaped."""
    table = contract.load(layer)
    rows = [f"<p><b>{escape(table.caution)}</b></p>"] if table.caution else []
    rows.append("<table>")
    for column in table.field:
        value = said.get(column.name)
        if value is None or column.name == "caution" or column.name.endswith("_rule"):
            continue
        told = f"{value:.3f}" if isinstance(value, float) else str(value)
        unit = f" {column.unit}" if column.unit not in ("", "1") else ""
        rows.append(f"<tr><td>{escape(column.title)}</td><td>{escape(told + unit)}</td></tr>")
    return "".join([*rows, "</table>"])


def _geometry(shape: dict[str, Any]) -> ET.Element:
    kind = shape["type"]
    if kind == "GeometryCollection":  # of records built before zones were snapped
        made = ET.Element("MultiGeometry")
        made.extend(_geometry(part) for part in shape["geometries"])
        return made
    coordinates = shape["coordinates"]
    if kind.startswith("Multi"):
        made = ET.Element("MultiGeometry")
        for part in coordinates:
            made.append(_geometry({"type": kind.removeprefix("Multi"), "coordinates": part}))
        return made
    made = ET.Element(kind)
    if kind != "Point":
        _text(made, "tessellate", "1")
    _text(made, "altitudeMode", "clampToGround")
    if kind == "Polygon":
        for i, ring in enumerate(coordinates):
            bound = ET.SubElement(made, "outerBoundaryIs" if i == 0 else "innerBoundaryIs")
            _text(ET.SubElement(bound, "LinearRing"), "coordinates", _places(ring))
    else:
        _text(made, "coordinates", _places([coordinates] if kind == "Point" else coordinates))
    return made


def _places(coordinates: list[list[float]]) -> str:
    return " ".join(f"{c[0]:.7f},{c[1]:.7f}" for c in coordinates)


def _text(parent: ET.Element, name: str, text: str) -> None:
    """Add an element with a text, without the signs XML cannot hold."""
    kept = "".join(c for c in text if c in "\t\n" or c.isprintable())
    ET.SubElement(parent, name).text = kept
