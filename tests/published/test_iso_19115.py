"""Metadata against the published schemas: ISO 19115-3 `mds` 2.0, with `mdq` 1.0 of ISO 19157-2.

The schemas are those that the package ckanext-iso19115 carries, read as files and by lxml; nothing
of it runs. It is installed with `pip install --no-deps ckanext-iso19115`. Of xlink, which no
document here uses and the package leaves out, a stub stands in.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

import pytest
from owslib.etree import etree

import lateralline
from lateralline.api.overlays import Options, clearance, zones
from tests.support.places import SAMPLES

XLINK = (
    "<schema xmlns='http://www.w3.org/2001/XMLSchema' targetNamespace="
    "'http://www.w3.org/1999/xlink'><attributeGroup name='simpleAttrs'/></schema>"
)
CAUTION = "No clearance to dig."


@pytest.fixture(scope="module")
def schema() -> Any:
    try:
        files = distribution("ckanext-iso19115").locate_file("ckanext/iso19115/namespaces")
    except PackageNotFoundError:
        if os.environ.get("CI") == "true":
            pytest.fail("schemas are missing: pip install --no-deps ckanext-iso19115")
        pytest.skip("needs schemas: pip install --no-deps ckanext-iso19115")
    home = Path(str(files))

    def resolve(self: Any, url: str, _: object, context: object) -> Any:
        if not url.startswith("http"):
            return None
        if "xlink" in url:
            return self.resolve_string(XLINK, context)
        path = home / "schemas.opengis.net" / url.partition("schemas.opengis.net/")[2]
        return self.resolve_filename(str(path), context)

    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(type("Shipped", (etree.Resolver,), {"resolve": resolve})())
    return etree.XMLSchema(etree.parse(str(home / "19115/-3/mds/2.0/mds.xsd"), parser))


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A record, its dig zones, planned works against it, and a sketch with its zones."""
    home = tmp_path_factory.mktemp("files")
    lateralline.build(SAMPLES / "gnss-bend-branch", home / "out")
    lateralline.build(SAMPLES / "local-sketch", home / "sketch")
    zones(home / "out", home / "zones", "cga")
    zones(home / "sketch", home / "sketch-zones", 0.5, dissolve="all")
    plan = SAMPLES / "planned-works" / "quarry-plan.geojson"
    clearance(home / "out", plan, home / "clearance", options=Options(required_m=0.3))
    return {
        "record": home / "out" / "asbuilt.gpkg",
        "sketch": home / "sketch" / "asbuilt.gpkg",
        "zones": home / "zones" / "hand_dig_zones.gpkg",
        "zones of a sketch": home / "sketch-zones" / "hand_dig_zones.gpkg",
        "clearance": home / "clearance" / "clearance.gpkg",
    }


def document(path: Path) -> Any:
    with closing(sqlite3.connect(path)) as db:
        ((text,),) = db.execute("SELECT metadata FROM gpkg_metadata").fetchall()
    return etree.fromstring(text.encode())


def texts(root: Any, path: str) -> list[str]:
    return [str(found.text) for found in root.iterfind(f".//{{*}}{path}")]


def said(root: Any, element: str) -> str:
    return " ".join(texts(root, f"{element}/{{*}}CharacterString"))


@pytest.mark.parametrize(
    "name", ["record", "sketch", "zones", "zones of a sketch", "clearance"]
)  # fmt: skip
def test_a_document_is_valid(name: str, schema: Any, files: dict[str, Path]) -> None:
    root = document(files[name])
    assert schema.validate(root), schema.error_log
    assert CAUTION in said(root, "abstract")


def test_an_element_out_of_order_is_not(schema: Any, files: dict[str, Path]) -> None:
    root = document(files["zones"])
    root.insert(0, root[-1])
    assert not schema.validate(root)


@pytest.mark.parametrize("name", ["zones", "clearance"])
def test_an_overlay_says_which_record_it_is_of(name: str, files: dict[str, Path]) -> None:
    root, of = document(files[name]), document(files["record"])
    lineage = said(root, "statement")
    assert sha256(files["record"].read_bytes()).hexdigest() in lineage
    assert "QH-022" in said(root, "title")
    assert texts(root, "Record") == texts(of, "Record")
    assert "in the record this is made of" in lineage
    box = list(map(float, texts(root, "EX_GeographicBoundingBox//{*}Decimal")))
    wide = list(map(float, texts(of, "EX_GeographicBoundingBox//{*}Decimal")))
    assert box == pytest.approx(wide, abs=0.002)
    assert root.findtext(".//{*}beginPosition") == of.findtext(".//{*}beginPosition")
