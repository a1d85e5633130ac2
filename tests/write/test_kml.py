"""KML lies where the GeoJSON lies, on the ground, with every text escaped."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pytest
import shapely

from lateralline import contract
from lateralline.errors import FrameError, OutputExistsError, UnknownSiteError
from lateralline.write.kml import write_kml
from tests.support.command import built

MakeSite = Callable[..., Any]
KML = "{http://www.opengis.net/kml/2.2}"


def placemarks(path: Path) -> list[ET.Element]:
    return list(ET.parse(path).getroot().iter(f"{KML}Placemark"))


def test_it_lies_where_the_geojson_lies(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site())
    write_kml(gpkg, tmp_path / "a.kml")
    nodes = json.loads((gpkg.parent / "geojson" / "pipe_nodes.geojson").read_text())["features"]
    meant = [n["geometry"]["coordinates"][:2] for n in nodes if n["geometry"]]
    # GDAL reads it: another reader than ours
    title = contract.load("pipe_nodes").title
    got = shapely.get_coordinates(pyogrio.read_dataframe(tmp_path / "a.kml", layer=title).geometry)
    assert got == pytest.approx(np.array(meant), abs=1e-9)


def test_nothing_has_a_height_and_all_is_clamped(make_site: MakeSite, tmp_path: Path) -> None:
    """Ellipsoidal heights are in the GeoJSON; in KML they would lift a drain into the air."""
    gpkg = built(tmp_path / "out", make_site(vertical="ellipsoidal"))
    write_kml(gpkg, tmp_path / "a.kml")
    root = ET.parse(tmp_path / "a.kml").getroot()
    modes = [e.text for e in root.iter(f"{KML}altitudeMode")]
    shapes = [e for k in ("Point", "LineString", "Polygon") for e in root.iter(f"{KML}{k}")]
    assert modes == ["clampToGround"] * len(shapes)
    places = [c for e in root.iter(f"{KML}coordinates") for c in (e.text or "").split()]
    assert places
    assert all(c.count(",") == 1 for c in places)


def test_the_caution_stands_on_the_document_and_in_balloons(
    make_site: MakeSite, tmp_path: Path
) -> None:
    write_kml(built(tmp_path / "out", make_site()), tmp_path / "a.kml")
    caution = contract.load("tolerance_zone").caution
    assert ET.parse(tmp_path / "a.kml").findtext(f"{KML}Document/{KML}description") == caution
    for mark in placemarks(tmp_path / "a.kml"):
        layer = (mark.findtext(f"{KML}styleUrl") or "")[1:].rpartition("-")[0]
        assert contract.load(layer).caution in (mark.findtext(f"{KML}description") or ""), layer


def test_text_is_escaped_twice_for_the_balloon(make_site: MakeSite, tmp_path: Path) -> None:
    """The balloon is HTML inside XML: what was typed must show, and run nowhere."""
    site = make_site()
    nasty = "<script>alert('&amp;')</script>]]>\x07"
    products = tuple(
        replace(p, columns={**p.columns, "text": [nasty] * len(p.columns["text"])})
        if p.layer == "pipe_observations"
        else p
        for p in site.products
    )
    write_kml(built(tmp_path / "out", replace(site, products=products)), tmp_path / "a.kml")
    said = [
        m.findtext(f"{KML}description") or ""
        for m in placemarks(tmp_path / "a.kml")
        if (m.findtext(f"{KML}styleUrl") or "").startswith("#pipe_observations")
    ]
    assert said
    for html in said:
        assert "<script>" not in html
        assert "&lt;script&gt;alert(&#x27;&amp;amp;&#x27;)&lt;/script&gt;]]&gt;" in html


def test_rings_keep_their_holes(make_site: MakeSite, tmp_path: Path) -> None:
    write_kml(built(tmp_path / "out", make_site()), tmp_path / "a.kml")
    frame = pyogrio.read_dataframe(tmp_path / "a.kml", layer=contract.load("tolerance_zone").title)
    assert frame.geometry.is_valid.all()
    assert [len(g.interiors) for g in frame.geometry] == [1] * len(frame)


def test_a_sketch_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site(horizontal="local", x=0.0, y=0.0))
    with pytest.raises(FrameError, match="no place on the map"):
        write_kml(gpkg, tmp_path / "a.kml")
    assert not (tmp_path / "a.kml").exists()


def test_one_site_or_all(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    write_kml(gpkg, tmp_path / "all.kml")
    write_kml(gpkg, tmp_path / "one.kml", site="EX-2")
    counts = [len(placemarks(tmp_path / n)) for n in ("all.kml", "one.kml")]
    assert counts[0] == 2 * counts[1] > 0
    with pytest.raises(UnknownSiteError):
        write_kml(gpkg, tmp_path / "none.kml", site="EX-9")


def test_equal_bytes_and_nothing_overwritten(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site())
    for name in ("a.kml", "b.kml"):
        write_kml(gpkg, tmp_path / name)
    assert (tmp_path / "a.kml").read_bytes() == (tmp_path / "b.kml").read_bytes()
    with pytest.raises(OutputExistsError):
        write_kml(gpkg, tmp_path / "a.kml")


def test_collections_of_older_records_are_drawn_part_by_part(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """Zones that rounding broke stood in GeoJSON as a polygon and a line together."""
    gpkg = built(tmp_path / "out", make_site())
    path = gpkg.parent / "geojson" / "tolerance_zone.geojson"
    zones = json.loads(path.read_text(encoding="utf-8"))
    line = {"type": "LineString", "coordinates": [[-81.0, 42.0], [-81.1, 42.0]]}
    parts = [zones["features"][0]["geometry"], line]
    zones["features"][0]["geometry"] = {"type": "GeometryCollection", "geometries": parts}
    path.write_text(json.dumps(zones), encoding="utf-8")
    write_kml(gpkg, tmp_path / "a.kml")
    found = ET.parse(tmp_path / "a.kml").getroot().iter(f"{KML}MultiGeometry")
    (several,) = [s for s in found if s.find(f"{KML}Point") is None]  # no sign of an open end
    assert [part.tag for part in several] == [f"{KML}Polygon", f"{KML}LineString"]
