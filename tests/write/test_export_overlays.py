"""Overlays go into drawings and maps, alone and beside their record, with what they say."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf.filemanagement import readfile

from lateralline import contract
from lateralline.api import documents
from lateralline.record import CAUTION
from lateralline.write.dxf_signs import APPID
from tests.support.command import run

KML = "{http://www.opengis.net/kml/2.2}"


@pytest.fixture
def made(make_record: Any, tmp_path: Path) -> dict[str, Path]:
    """A record of one line east, dig zones of it, and a trench across it."""
    record = make_record(tmp_path / "record.gpkg")
    works = tmp_path / "works.geojson"
    # a trench on the middle of the record: 81° W, 42° N is E 500 000, N 4 649 776
    e, n = 500_000.0, 4_650_000.0
    ring = [[e - 1, n - 3], [e + 1, n - 3], [e + 1, n + 3], [e - 1, n + 3], [e - 1, n - 3]]
    feature = {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "properties": {"kind": "trench", "depth_m": 3.0, "name": "Trench A"},
    }
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32617"}}
    whole = {"type": "FeatureCollection", "crs": crs, "features": [feature]}
    works.write_text(json.dumps(whole), encoding="utf-8")
    done = run("zones", record, "--rule", "cga", "-o", tmp_path / "zones")
    assert done.exit_code == 0, done.output
    done = run("clearance", record, works, "--required", "0.3m", "--plan-crs", "EPSG:32617",
               "-o", tmp_path / "clearance")  # fmt: skip
    assert done.exit_code == 1, done.output
    return {
        "record": record,
        "zones": tmp_path / "zones",
        "clearance": tmp_path / "clearance",
        "works": works,
    }


def said(entity: Any) -> dict[str, str]:
    return dict(v.split("=", 1) for code, v in entity.get_xdata(APPID) if code == 1000)


def kinds(doc: Any) -> set[str]:
    return {e.dxf.layer.partition(".")[0] for e in doc.modelspace()}


def test_zones_and_works_beside_the_record(made: dict[str, Path], tmp_path: Path) -> None:
    out = tmp_path / "all.dxf"
    done = run("export", made["record"], made["zones"], made["clearance"], "-o", out)
    assert done.exit_code == 0, done.output
    assert "No clearance to dig" in done.output
    doc = readfile(out)
    audited = doc.audit()
    assert not audited.errors
    assert not audited.fixes
    assert {
        "pipe_centreline", "overlay_tolerance_zone", "planned_works", "clearance_pairs",
        "clearance_conflicts", "caution",
    } <= kinds(doc)  # fmt: skip
    told = [said(e) for e in doc.modelspace()]
    assert all(data["kind"] for data in told)
    (conflict,) = doc.modelspace().query("INSERT[layer?'clearance_conflicts.*']")
    data = said(conflict)
    assert (data["site"], data["line"], data["kind"]) == ("S1", "L1", "trench")
    assert data["id"].startswith("L1/")
    pair = next(e for e in doc.modelspace() if e.dxf.layer == "clearance_pairs.S1.L1")
    assert said(pair)["kind"] == "conflict"
    zone = next(e for e in doc.modelspace() if e.dxf.layer == "overlay_tolerance_zone.S1.L1")
    assert said(zone)["rule"] == "cga"


@pytest.mark.parametrize("which", ["zones", "clearance"])
def test_an_overlay_alone_says_its_caution_and_its_notes(
    made: dict[str, Path], tmp_path: Path, which: str
) -> None:
    gpkg = next(made[which].glob("*.gpkg"))
    for n, given in enumerate((made[which], gpkg)):
        documents.export(given, tmp_path / f"{n}.dxf")
        (note,) = readfile(tmp_path / f"{n}.dxf").modelspace().query("MTEXT[layer=='caution']")
        words = " ".join(note.plain_text().split())
        assert CAUTION in words
        assert "EPSG:32617" in words
        about = " ".join((made[which] / "OVERLAY.md").read_text(encoding="utf-8").split())
        sentence = {"zones": "m each side", "clearance": "A conflict: that bound"}[which]
        assert sentence in about
        assert sentence in words
        documents.export(given, tmp_path / f"{n}.kml")
        root = ET.parse(tmp_path / f"{n}.kml").getroot()
        head = root.findtext(f"{KML}Document/{KML}description") or ""
        assert CAUTION in head
        assert sentence in " ".join(head.split())
        marks = list(root.iter(f"{KML}Placemark"))
        assert marks
        assert all(CAUTION in (m.findtext(f"{KML}description") or "") for m in marks)


def test_a_sketch_has_no_kml_and_a_clearance_no_other_record(
    made: dict[str, Path], make_record: Any, tmp_path: Path
) -> None:
    other = make_record(tmp_path / "other.gpkg", line="L9")
    for given in ((other, made["clearance"]), (made["clearance"], other)):
        refused = run("export", *given, "-o", tmp_path / "a.dxf")
        assert refused.exit_code == 2
        assert "was made of another record" in " ".join(refused.output.split())
    refused = run("export", other, made["record"], "-o", tmp_path / "a.dxf")
    assert refused.exit_code == 2
    assert "one record at a time" in " ".join(refused.output.split())
    sketch = make_record(tmp_path / "sketch.gpkg", crs=None)
    refused = run("export", sketch, made["zones"], "-o", tmp_path / "a.dxf")
    assert refused.exit_code == 2
    assert "different coordinate systems" in " ".join(refused.output.split())
    refused = run("export", sketch, "-o", tmp_path / "a.kml")
    assert refused.exit_code == 2
    assert "no place on the map" in " ".join(refused.output.split())
    (tmp_path / "empty").mkdir()
    refused = run("export", tmp_path / "empty", "-o", tmp_path / "a.kml")
    assert refused.exit_code == 2
    assert "holds no GeoPackage" in " ".join(refused.output.split())
    assert not list(tmp_path.glob("a.*"))


def test_one_site_of_an_overlay(made: dict[str, Path], tmp_path: Path) -> None:
    documents.export(made["zones"], tmp_path / "a.dxf", site="S1")
    refused = run("export", made["zones"], "--site", "S9", "-o", tmp_path / "b.dxf")
    assert refused.exit_code == 2
    assert "no site 'S9'" in " ".join(refused.output.split())


def test_kml_of_a_geopackage_alone_lies_where_its_geojson_lies(
    make_record: Any, tmp_path: Path
) -> None:
    """Longitudes and latitudes reckoned from the GeoPackage, areas no narrower than in GeoJSON."""
    record = make_record(tmp_path / "record.gpkg", crs="EPSG:26917")  # its way is good to metres
    made = {"zones": tmp_path / "zones"}
    assert run("zones", record, "--rule", "cga", "-o", made["zones"]).exit_code == 0
    alone = tmp_path / "elsewhere" / "hand_dig_zones.gpkg"
    alone.parent.mkdir()
    shutil.copyfile(made["zones"] / "hand_dig_zones.gpkg", alone)
    documents.export(alone, tmp_path / "a.kml")
    documents.export(made["zones"], tmp_path / "b.kml")
    title = contract.load("tolerance_zone").title
    got = pyogrio.read_dataframe(tmp_path / "a.kml", layer=title).geometry
    meant = pyogrio.read_dataframe(tmp_path / "b.kml", layer=title).geometry
    assert len(got) == len(meant) > 0
    step = 3e-7  # degrees, 0.03 m: GeoJSON has seven decimals
    for one, other in zip(got, meant, strict=True):
        assert shapely.hausdorff_distance(one, other) < step
        assert one.buffer(step).contains(other)
    words = (tmp_path / "a.kml").read_text(encoding="utf-8")
    frame = pyogrio.read_dataframe(alone, layer="tolerance_zone")
    assert np.isfinite(frame["crs_shift_95_m"]).all()
    documents.export(record, tmp_path / "record.kml")
    assert "were reckoned" in (tmp_path / "record.kml").read_text(encoding="utf-8")
    assert "were reckoned from the coordinate system" in words
    assert "were reckoned" not in (tmp_path / "b.kml").read_text(encoding="utf-8")
