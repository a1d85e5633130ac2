"""The GeoPackage opens styled: every rule fits its layer, and desktop GIS takes the styles."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pyogrio
import pytest
from pydantic import ValidationError

from lateralline import contract
from lateralline.api import overlays
from lateralline.record import layers
from lateralline.record.symbology import Style, load_styles
from lateralline.write.geopackage import GeoPackageSink
from lateralline.write.media import MAPPINGS
from lateralline.write.styles import expression, qml, sld, tip_of
from tests.support import desktop_gis
from tests.support.command import ask

MakeSite = Callable[..., Any]
STAMP = datetime(2026, 5, 7, 12, tzinfo=UTC)
ALL = contract.LAYERS + contract.OVERLAYS
STYLES = {s.layer: s for s in load_styles(ALL)}
SE, OGC = "{http://www.opengis.net/se}", "{http://www.opengis.net/ogc}"


def write(path: Path, site: Any) -> Path:
    sink = GeoPackageSink(path, site.frame.horizontal, stamp=STAMP)
    sink.append(layers.to_tables(site.products, site.record, site.frame))
    sink.close()
    return path


@pytest.fixture
def gpkg(make_site: MakeSite, tmp_path: Path) -> Path:
    return write(tmp_path / "a.gpkg", make_site())


def test_each_layer_has_one_default_style(gpkg: Path) -> None:
    rows = ask(gpkg, "SELECT f_table_name, f_geometry_column, useAsDefault FROM layer_styles")
    geometry = dict(ask(gpkg, "SELECT table_name, column_name FROM gpkg_geometry_columns"))
    assert [(n, g, d) for n, g, d in rows] == [(n, geometry.get(n, ""), 1) for n in contract.LAYERS]


def test_the_table_is_registered_and_dated_by_the_build(gpkg: Path) -> None:
    assert ask(
        gpkg, "SELECT data_type, last_change FROM gpkg_contents WHERE table_name = 'layer_styles'"
    ) == [("attributes", "2026-05-07T12:00:00.000Z")]
    assert set(ask(gpkg, "SELECT update_time FROM layer_styles")) == {("2026-05-07T12:00:00.000Z",)}
    columns = [c for _, c, *_ in ask(gpkg, "PRAGMA table_info(layer_styles)")]
    assert columns == [
        *("fid", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column"),
        *("styleName", "styleQML", "styleSLD", "useAsDefault", "description", "owner", "ui"),
        "update_time",
    ]


def test_a_sketch_is_styled_too(make_site: MakeSite, tmp_path: Path) -> None:
    path = write(tmp_path / "a.gpkg", make_site(horizontal="local", x=0.0, y=0.0))
    assert len(ask(path, "SELECT * FROM layer_styles")) == len(contract.LAYERS)


@pytest.mark.parametrize("layer", ALL)
def test_both_forms_are_well_formed_and_name_only_columns_of_the_layer(layer: str) -> None:
    table, style = contract.load(layer), STYLES[layer]
    as_qml = ET.fromstring(qml(style))
    assert [a.get("field") for a in as_qml.iter("alias")] == [c.name for c in table.field]
    labelled = [t.get("fieldName") for t in as_qml.iter("text-style")]
    assert set(labelled) <= set(table.names)
    tip = as_qml.findtext("mapTip") or ""
    assert set(re.findall(r'"(\w+)"', tip)) <= set(table.names)
    if table.geometry:
        assert table.title in tip
        assert table.caution in tip
    for rendering in as_qml.iter("rendering"):
        assert rendering.get("scaleMax") == str(style.label_scale)
        assert rendering.get("scaleVisibility") == str(int(style.label_scale > 0))
    filters = [r.get("filter") for r in as_qml.iter("rule") if r.get("label")]
    told = [expression(r) or ("ELSE" if len(style.rule) > 1 else None) for r in style.rule]
    assert filters == told
    if not table.geometry:
        assert not sld(style)
        return
    as_sld = ET.fromstring(sld(style))
    assert as_sld.findtext(f".//{SE}NamedLayer/{SE}Name") is None  # the layer's name is se, in sld
    assert as_sld.findtext(f".//{SE}Name") == layer
    named = {p.text for p in as_sld.iter(f"{OGC}PropertyName")}
    assert named == {c for r in style.rule for c in r.where} | {style.label} - {""}
    scales = [e.text for e in as_sld.iter(f"{SE}MaxScaleDenominator")]
    assert scales == ([str(style.label_scale)] if style.label_scale else [])
    drawn = [e for r in as_sld.iter(f"{SE}Rule") for e in r if "Symbolizer" in e.tag]
    assert len(drawn) == len(style.rule) + bool(style.label)


@pytest.mark.parametrize("layer", [n for n in contract.LAYERS if contract.load(n).geometry])
def test_every_feature_is_drawn_by_exactly_one_rule(gpkg: Path, layer: str) -> None:
    """Rules do not overlap, and leave nobody out: asked of SQLite, with the rules' own words."""
    rules = [expression(r) for r in STYLES[layer].rule]
    filters = [f for f in rules if f]
    if "" in rules:
        overlap = " + ".join(f"coalesce({f}, 0)" for f in filters) or "0"
        assert ask(gpkg, f"SELECT count(*) FROM {layer} WHERE {overlap} > 1") == [(0,)]
        return
    for column in {c for r in STYLES[layer].rule for c in r.where}:
        assert contract.load(layer).column(column).required
        assert contract.load(layer).column(column).enum
    whole = " + ".join(f"({f})" for f in filters)
    assert ask(gpkg, f"SELECT count(*) FROM {layer} WHERE {whole} <> 1") == [(0,)]
    assert ask(gpkg, f"SELECT count(*) > 0 FROM {layer}") == [(1,)]


def test_what_is_undecided_is_dashed() -> None:
    dashed = {
        r.where["shape"][0]: bool(r.line and r.line.dash_mm) for r in STYLES["pipe_segments"].rule
    }
    assert dashed == {"straight": False, "undecided": True}


def test_rules_of_a_layer_differ_without_colour() -> None:
    """In grey print: by marker, size, dash, width, or lightness (relative luminance, WCAG 2)."""

    def lightness(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return float(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])

    for style in STYLES.values():
        greys = []
        for rule in style.rule:
            s = rule.symbol.model_dump()
            greys.append(
                tuple(round(lightness(v), 1) if str(v).startswith("#") else v for v in s.values())
            )
        assert len(set(greys)) == len(greys), style.layer


@pytest.mark.parametrize(
    ("where", "fault"),
    [
        ({"shapes": ["straight"]}, "no column 'shapes'"),
        ({"shape": ["curly"]}, "is never"),
        ({"shape": [True]}, "is text"),
    ],
)
def test_a_rule_that_does_not_fit_its_layer_is_refused(where: Any, fault: str) -> None:
    line = {"color": "#000000", "width_mm": 1.0}
    rule = {"title": "r", "where": where, "line": line}
    with pytest.raises((ValidationError, ValueError), match=fault):
        Style.model_validate({"layer": "pipe_segments", "rule": [rule]})


# ---- desktop GIS itself -------------------------------------------------------------------

_LOAD = """
from array import array
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QImage
path, at, slds = sys.argv[1], sys.argv[2], json.loads(sys.argv[3])
said, drawn = {}, []
for name, sld in slds.items():
    layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    about = said[name] = {"valid": layer.isValid(), "alias": layer.attributeAlias(1),
                          "tip": layer.mapTipTemplate()}
    if not layer.isSpatial():
        continue
    drawn.insert(0, layer)
    about["renderer"] = layer.renderer().type()
    about["labels"] = layer.labelsEnabled()
    if about["labels"]:
        settings = layer.labeling().settings()
        about["scale"] = settings.minimumScale if settings.scaleVisibility else 0
    if about["renderer"] == "RuleRenderer":
        rules = layer.renderer().rootRule().children()
        about["rules"] = [[r.label(), r.filterExpression(), r.symbol().color().name()]
                          for r in rules]
    other = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    with open(at, "w", encoding="utf-8") as f:
        f.write(sld)
    about["sld"] = other.loadSldStyle(at)[1]
    if other.renderer().type() == "RuleRenderer":
        about["sld_rules"] = len(other.renderer().rootRule().children())
settings = QgsMapSettings()
settings.setOutputSize(QSize(800, 600))
settings.setOutputDpi(254)  # thin strokes are wide enough to have a pixel in their own colour
settings.setDestinationCrs(drawn[0].crs())
box = drawn[0].extent()
for layer in drawn:
    box.combineExtentWith(layer.extent())
box.scale(1.1)
settings.setExtent(box)
def colours(layers):
    settings.setLayers(layers)
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage().convertToFormat(QImage.Format_RGB32)
    pixels = array("I", image.constBits().asstring(image.sizeInBytes()))
    return sorted({f"#{pixel & 0xffffff:06x}" for pixel in set(pixels)})
alone = {layer.name(): colours([layer]) for layer in drawn}
print(json.dumps({"layers": said, "colours": colours(drawn), "alone": alone}))
"""


def looked_at(path: Path, names: tuple[str, ...], home: Path) -> dict[str, Any]:
    """What desktop GIS says of layers and their styles, held to the declaration; and colours.

    Those of the whole map, and of each layer alone: in a made site all points stand on the same
    few places, and signs of findings, which lie on top, cover the others.
    """
    slds = json.dumps({n: sld(STYLES[n]) for n in names})
    said: dict[str, Any] = desktop_gis.ask(_LOAD, path, home / "style.sld", slds, home=home)
    for name, about in said["layers"].items():
        assert about["valid"], name
        assert about["alias"] == contract.load(name).field[0].title, name
        style, rules = STYLES[name], STYLES[name].rule
        if not rules:
            continue
        assert about["tip"] == tip_of(style), name
        assert about["renderer"] == "RuleRenderer", name
        assert about["labels"] == bool(style.label), name
        assert about.get("scale", 0) == style.label_scale, name
        meant = []
        for rule in rules:
            s = rule.symbol.model_dump()
            told = expression(rule) or ("ELSE" if len(rules) > 1 else "")
            meant.append([rule.title, told, s.get("color") or s["fill"]])
        assert about["rules"] == meant, name
        assert about["sld"], f"{name}: its SLD is not read"
        if len(rules) > 1:
            assert about["sld_rules"] >= len(rules), name
    return said


def test_desktop_gis_takes_the_default_styles(make_site: MakeSite, tmp_path: Path) -> None:
    path = write(tmp_path / "a.gpkg", make_site())
    said = looked_at(path, contract.LAYERS, tmp_path)
    assert {"#0b6b3a", "#b3261e"} <= set(said["colours"])  # pipe and errors are on the map
    strokes = {
        "control_points": "#20262e", "field_marks": "#20262e", "transmitter_fixes": "#c2410c",
        "pipe_centreline": "#0b6b3a", "pipe_nodes": "#0b6b3a", "findings": "#b3261e",
        "pipe_observations": "#4c1d80", "tolerance_zone": "#9a6200", "unlocated": "#b3261e",
    }  # fmt: skip
    assert {name for name, stroke in strokes.items() if stroke not in said["alone"][name]} == set()


def test_an_overlay_is_styled_as_a_record_is(make_record: Any, tmp_path: Path) -> None:
    record = make_record(tmp_path / "record.gpkg")
    overlays.zones(record, tmp_path / "zones", "cga")
    path = tmp_path / "zones" / "hand_dig_zones.gpkg"
    names = ("tolerance_zone", "unlocated")
    assert [r[0] for r in ask(path, "SELECT f_table_name FROM layer_styles")] == list(names)
    said = looked_at(path, names, tmp_path)
    assert "#9a6200" in said["colours"]  # the edge of the zone


def test_the_styles_do_not_hinder_reading(gpkg: Path) -> None:
    names = [n for n, _ in pyogrio.list_layers(gpkg)]
    assert sorted(names) == sorted([*contract.LAYERS, "layer_styles", *MAPPINGS.values()])
