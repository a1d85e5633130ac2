"""The project inside a GeoPackage opens in desktop GIS: every layer, in groups, styled, placed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pyogrio
import pytest

import lateralline
from lateralline import contract
from lateralline.record.symbology import style_of
from lateralline.workspace import Workspace
from lateralline.write.media import MAPPINGS
from lateralline.write.project import NAME, TREE, has_project, read_project
from lateralline.write.styles import tip_of
from tests.support import desktop_gis
from tests.support.command import built

MakeSite = Callable[..., Any]


build = partial(built, formats=("qgis-project",))


def test_every_layer_is_in_it_once(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = build(tmp_path / "out", make_site(vertical="EPSG:5703"))
    assert sorted(name for names in TREE.values() for name in names) == sorted(contract.LAYERS)
    root = ET.fromstring(read_project(gpkg))
    groups = [g.get("name") for g in root.findall("layer-tree-group/layer-tree-group")]
    assert groups == list(TREE)
    ids = [n.findtext("id") for n in root.iter("maplayer")]
    assert len(set(ids)) == len(contract.LAYERS)
    assert [n.get("id") for n in root.iter("layer-tree-layer")] == ids
    sources = {n.findtext("datasource") for n in root.iter("maplayer")}
    assert sources == {f"./asbuilt.gpkg|layername={name}" for name in contract.LAYERS}
    codes = {n.text for n in root.iter("authid")}
    assert codes == {"EPSG:32617"}  # of the plan, whatever levels count from
    for layer in root.iter("maplayer"):
        name = (layer.findtext("datasource") or "").partition("=")[2]
        words = layer.findtext("resourceMetadata/abstract") or ""
        assert contract.load(name).caution in words


def test_the_geopackage_reads_as_before(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    a, b = (build(tmp_path / name, make_site()) for name in "ab")
    assert a.read_bytes() == b.read_bytes()
    listed = sorted(name for name, _ in pyogrio.list_layers(a))
    assert listed == sorted([*contract.LAYERS, "layer_styles", *MAPPINGS.values()])
    with closing(sqlite3.connect(a)) as db:
        assert db.execute("SELECT name FROM qgis_projects").fetchall() == [(NAME,)]
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    record = lateralline.load(a.parent)
    again = record.write(tmp_path / "c", also=["qgis-project"])  # it is there already
    assert again.asbuilt.read_bytes() == a.read_bytes()
    plain = Workspace(tmp_path / "plain")
    site = make_site()
    with plain.build() as sink:
        sink.add(site.record, site, site.products)
    assert not has_project(plain.asbuilt)
    later = lateralline.load(plain.folder).write(tmp_path / "d", also=["qgis-project"])
    assert read_project(later.asbuilt) == read_project(a)


_OPEN = """
project = QgsProject.instance()
read = project.read(f"geopackage:{sys.argv[1]}?projectName={sys.argv[2]}")
tree = {}
for group in project.layerTreeRoot().children():
    tree[group.name()] = [node.layer().name() for node in group.children()]
layers = {}
for layer in project.mapLayers().values():
    name = layer.source().rpartition("=")[2]
    layers[name] = {
        "valid": layer.isValid(), "count": layer.featureCount(), "tip": layer.mapTipTemplate(),
        "alias": layer.attributeAlias(1), "crs": layer.crs().authid(),
        "rules": len(layer.renderer().rootRule().children()) if layer.isSpatial() else 0,
    }
nodes = project.mapLayersByName(sys.argv[3])[0]
context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(nodes))
context.setFeature(next(nodes.getFeatures()))
tip = QgsExpression.replaceExpressionText(nodes.mapTipTemplate(), context)
print(json.dumps({"read": read, "error": project.error(), "crs": project.crs().authid(),
                  "tree": tree, "layers": layers, "tip": tip}))
"""


@pytest.mark.parametrize(
    "place", [{}, {"vertical": "EPSG:5703"}, {"horizontal": "local", "x": 0.0, "y": 0.0}]
)
def test_desktop_gis_opens_it(make_site: MakeSite, tmp_path: Path, place: Any) -> None:
    gpkg = build(tmp_path / "out", make_site(**place))
    said = desktop_gis.ask(
        _OPEN, gpkg, NAME, contract.load("pipe_nodes").title, home=tmp_path / "home"
    )
    assert said["read"], said["error"]
    on_map = place.get("horizontal") != "local"
    assert said["crs"] == ("EPSG:32617" if on_map else "")
    assert said["tree"] == {
        group: [contract.load(name).title for name in names] for group, names in TREE.items()
    }
    assert set(said["layers"]) == set(contract.LAYERS)
    for name, about in said["layers"].items():
        assert about["valid"], name
        assert about["count"] == pyogrio.read_info(gpkg, layer=name)["features"]
        assert about["alias"] == contract.load(name).field[0].title
        if contract.load(name).geometry:
            assert about["tip"] == tip_of(style_of(name))
            assert about["rules"] == len(style_of(name).rule)
            assert about["crs"] == ("EPSG:32617" if on_map else "")
    node = pyogrio.read_dataframe(gpkg, layer="pipe_nodes").iloc[0]
    assert str(node["node_id"]) in said["tip"]
    assert "[%" not in said["tip"]
