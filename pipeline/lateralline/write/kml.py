"""KML for a quick look: a record and overlays in longitude and latitude, clamped to the ground.

Longitudes and latitudes are those of the GeoJSON files beside a GeoPackage, so both come by the
same operation, else reckoned (`record.exported`). Heights are left out: a level is none in KML, and
a depth would be drawn in the air. Form: OGC 12-007r2, KML 2.3, from memory, held to by GDAL's
reader in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from types import SimpleNamespace
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np
import pyproj
import shapely

from lateralline import contract
from lateralline.output import stamp, whole_file
from lateralline.record.assets import PREFIX, register_words
from lateralline.record.ends import open_ends
from lateralline.record.exported import Exported, Feature, beside, refuse_unknown_site
from lateralline.record.symbology import Area, LineSymbol, Point, Symbol, sign, style_of

_SPACE: Final = "http://www.opengis.net/kml/2.2"
#: Layers shown, the lowest first, and the column each feature is called by.
_SHOWN: Final = {
    "unlocated": "what",
    "tolerance_zone": "zone",
    "tolerance_zone_merged": "zone",
    "position_corridor": "line_id",
    "planned_works": "work_name",
    "pipe_segments": "segment_id",
    "clearance_pairs": "work_name",
    "tie_tapes": "distance",
    "record_departures": "between",
    "record_changes": "ref",
    "transmitter_fixes": "stop_id",
    "pipe_nodes": "node_id",
    "pipe_observations": "code",
    "control_points": "point",
    "clearance_conflicts": "work_name",
    "findings": "title",
}
#: Areas of the record that an overlay repeats.
UNLOCATED: Final = "unlocated"
_RECKONED: Final = (
    "Longitudes and latitudes were reckoned from the coordinate system of the GeoPackage; that way "
    "may be off by {:.2f} m (95 %), all of a site together. Areas are that much wider; the ± of "
    "points and lines are those in the GeoPackage."
)
_ICON_MM: Final = 3.2  # an icon of scale 1 is about so large
_LINE_PX_PER_MM: Final = 5.0
#: The sign of an open end goes so far ahead on the ground: past a hand-dig zone.
_AHEAD_M: Final = 2.0
_A_LITTLE_DEG: Final = 1e-5
_OPEN_END: Final = "pipe_centreline-open_end"  # of a style
_WGS84: Final = pyproj.Geod(ellps="WGS84")


def write_kml(
    built: Path,
    out: Path,
    *,
    overlays: Sequence[Path] = (),
    site: str = "",
    replace: bool = False,
) -> None:
    """Write a record or an overlay as KML, and `overlays` with it; one site, or all for "".

    Each is a folder, or its GeoPackage. Raises FrameError for a sketch (it has no place on the map)
    and where no way of known accuracy leads to WGS 84, NotExportedError for what is none or does
    not belong together, UnknownSiteError when none holds the site, and OutputExistsError when `out`
    is there and may not be replaced.
    """
    found = beside(built, overlays)
    refuse_unknown_site(found, site)
    has_record = any(one.is_record for one in found)
    root = ET.Element("kml", xmlns=_SPACE)
    document = ET.SubElement(root, "Document")
    document.append(ET.Comment(stamp("map")))
    _text(document, "name", f"lateralline {site}".strip())
    about = ET.SubElement(document, "description")
    shown = [name for name in _SHOWN if any(name in one.layers for one in found)]
    for layer in shown:
        for n, rule in enumerate(style_of(layer).rule):
            _style(document, f"{layer}-{n}", rule.symbol)
    off_m = 0.0
    for layer in shown:
        for one in found:
            if layer in one.layers and not (
                layer == UNLOCATED and has_record and not one.is_record
            ):
                beside_it = has_record and not one.is_record
                off_m = max(off_m, _folder(document, one, layer, site, beside_it=beside_it))
    for one in found:
        if one.is_record:
            _open_ends(document, one, site)
    about.text = _printable(
        "\n\n".join(
            [
                max((one.caution() for one in found), key=len),  # that one was changed, if one was
                *dict.fromkeys(one.notes for one in found if one.notes),
                *([_RECKONED.format(off_m)] if off_m else []),
            ]
        )
    )
    with whole_file(out, "map", replace=replace) as made:
        ET.indent(root, " ")
        ET.ElementTree(root).write(made, encoding="utf-8", xml_declaration=True)


def _folder(parent: ET.Element, one: Exported, layer: str, site: str, *, beside_it: bool) -> float:
    """Add a layer's features in a folder of its own; return what their places may be off by."""
    folder = ET.SubElement(parent, "Folder")
    title = contract.load(layer).title
    own = layer in contract.LAYERS and beside_it  # a record has a layer of that name too
    _text(folder, "name", f"{title} ({one.gpkg.stem})" if own else title)
    off_m = 0.0
    for _, feature in one.in_lonlat((layer,), site):
        _placemark(folder, one, layer, feature)
        off_m = max(off_m, feature.off_95_m)
    return off_m


def _open_ends(parent: ET.Element, one: Exported, site: str) -> None:
    """Add a folder of where the pipe runs on past an open end, straight ahead for a little."""
    lines = [feature for _, feature in one.in_lonlat(("pipe_centreline",), site)]
    paths = np.array([feature.shape for feature in lines], dtype=object)
    ends = open_ends(paths, [bool(feature.row.joins_line_id) for feature in lines])
    if not len(ends.at):
        return
    ahead = sign("open_end")
    style = ET.SubElement(parent, "Style", id=_OPEN_END)
    _part(style, "IconStyle", ahead.line.color, 1.0, "scale", 0.5)
    _part(style, "LineStyle", ahead.line.color, 1.0, "width", _LINE_PX_PER_MM * ahead.line.width_mm)
    folder = ET.SubElement(parent, "Folder")
    _text(folder, "name", ahead.title)
    before = ends.at - _A_LITTLE_DEG * ends.ways
    azimuth, _, _ = _WGS84.inv(*before.T, *ends.at.T)
    east, north = ends.at.T
    lon, lat, _ = _WGS84.fwd(east, north, azimuth, np.full(len(ends.at), _AHEAD_M))
    for n, end, tip in zip(ends.line.tolist(), ends.at, np.column_stack([lon, lat]), strict=True):
        row = lines[n].row
        made = ET.SubElement(folder, "Placemark")
        _text(made, "name", f"{row.line_id}?")
        said = f"<p><b>{escape(_caution(one, 'pipe_centreline', row))}</b></p>"
        _text(made, "description", f"{said}<p>{escape(ahead.title)}</p>")
        _text(made, "styleUrl", f"#{_OPEN_END}")
        made.append(_geometry(shapely.GeometryCollection([
            shapely.Point(tip), shapely.LineString([end, tip])
        ])))  # fmt: skip


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


def _placemark(parent: ET.Element, one: Exported, layer: str, feature: Feature) -> None:
    row, style, called = feature.row, style_of(layer), _SHOWN[layer]
    rule = style.rule.index(style.rule_of(row))
    made = ET.SubElement(parent, "Placemark")
    name = getattr(row, called, None) or getattr(row, "line_id", None) or layer
    _text(made, "name", str(name))
    _text(made, "description", _balloon(layer, vars(row), _caution(one, layer, row)))
    _text(made, "styleUrl", f"#{layer}-{rule}")
    made.append(_geometry(feature.shape))


def _caution(one: Exported, layer: str, row: SimpleNamespace) -> str:
    """Return the caution of a feature, first what speaks against its line; "" of what has none."""
    own = contract.load(layer).caution
    if not own:
        return ""
    of_row = str(getattr(row, "caution", "") or own)
    site, line = (str(getattr(row, name, "") or "") for name in ("site_id", "line_id"))
    return one.reserved.of(site, line).before(of_row if of_row.endswith(own) else own)


def _balloon(layer: str, properties: dict[str, object], caution: str) -> str:
    """Return a table of what is known of a feature, as HTML: caution first, all text escaped."""
    table = contract.load(layer)
    rows = [f"<p><b>{escape(caution)}</b></p>"] if caution else []
    rows.append("<table>")
    for column in table.field:
        value = properties.get(column.name)
        if value in (None, "") or column.name == "caution" or column.name.endswith("_rule"):
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
    """Add an element with a text."""
    ET.SubElement(parent, name).text = _printable(text)


def _printable(text: str) -> str:
    """Return a text without the signs XML cannot hold."""
    return "".join(c for c in text if c in "\t\n" or c.isprintable())
