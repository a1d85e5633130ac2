"""The metadata of a GeoPackage says what its layers say; a reader made elsewhere knows it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pyproj
import pytest
from owslib.etree import etree
from owslib.iso3 import MD_Metadata

from lateralline import contract
from tests.support.command import ask, built, built_samples

MakeSite = Callable[..., Any]
SAMPLES = Path("sample_sites")
CAUTION = contract.load("tolerance_zone").caution
SPACES = {
    "mdq": "http://standards.iso.org/iso/19157/-2/mdq/1.0",
    "gco": "http://standards.iso.org/iso/19115/-3/gco/1.0",
    "mrl": "http://standards.iso.org/iso/19115/-3/mrl/2.0",
    "gml": "http://www.opengis.net/gml/3.2",
}


def document(path: Path) -> str:
    ((text,),) = ask(path, "SELECT metadata FROM gpkg_metadata")
    return str(text)


def read(path: Path) -> Any:
    return MD_Metadata(etree.fromstring(document(path).encode()))


def reports(path: Path) -> list[tuple[str, list[str], list[str]]]:
    """Measure, values and statements of each report of quality."""
    found = []
    for report in ET.fromstring(document(path)).iterfind(".//mdq:report/*", SPACES):
        name = report.findtext(".//mdq:nameOfMeasure/gco:CharacterString", "", SPACES)
        values = [str(v.text) for v in report.iterfind(".//gco:Record", SPACES)]
        words = report.iterfind(".//mdq:statement/gco:CharacterString", SPACES)
        found.append((name, values, [str(w.text) for w in words]))
    return found


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("samples") / "out"
    return built_samples(out, "gnss-bend-branch", "slope-levels")


def test_the_extension_is_registered_for_the_whole_file(samples: Path) -> None:
    rows = ask(samples, "SELECT table_name, column_name, definition, scope FROM gpkg_extensions "
               "WHERE extension_name = 'gpkg_metadata' ORDER BY 1")  # fmt: skip
    where = "http://www.geopackage.org/spec130/#extension_metadata"
    assert rows == [
        ("gpkg_metadata", None, where, "read-write"),
        ("gpkg_metadata_reference", None, where, "read-write"),
    ]
    ((scope, uri, mime),) = ask(samples, "SELECT md_scope, md_standard_uri, mime_type "
                                "FROM gpkg_metadata")  # fmt: skip
    assert (scope, mime) == ("dataset", "text/xml")
    assert uri == "http://standards.iso.org/iso/19115/-3/mdb/2.0"
    references = ask(samples, "SELECT reference_scope, table_name, md_file_id, md_parent_id "
                     "FROM gpkg_metadata_reference")  # fmt: skip
    assert references == [("geopackage", None, 1, None)]


def test_a_reader_made_elsewhere_finds_title_extent_system_and_caution(samples: Path) -> None:
    found = read(samples)
    assert found.hierarchy == "dataset"
    assert found.languagecode == "eng"
    assert (found.referencesystem.codeSpace, found.referencesystem.code) == ("EPSG", "32617")
    (about,) = found.identification
    for (site,) in ask(samples, "SELECT DISTINCT site_id FROM lineage"):
        assert site in about.title
    assert about.uselimitation == [CAUTION]
    assert CAUTION in about.abstract
    assert [c.name or c.organization for c in about.contact] == ["Whoever commissioned the survey"]
    box = about.bbox
    bounds = np.array([
        pyogrio.read_dataframe(samples, layer=name).to_crs(4326).total_bounds
        for name in contract.LAYERS
        if contract.load(name).geometry
    ])  # fmt: skip
    west, south = np.nanmin(bounds[:, :2], axis=0)
    east, north = np.nanmax(bounds[:, 2:], axis=0)
    said = [float(v) for v in (box.minx, box.miny, box.maxx, box.maxy)]
    assert said == pytest.approx([west, south, east, north], abs=5e-5)  # a box on the grid's axes
    outside = np.array(said) - [west, south, east, north]
    assert (outside * [-1, -1, 1, 1] > -1e-7).all()


def test_quality_is_the_largest_figure_of_the_lines(samples: Path) -> None:
    lines = pyogrio.read_dataframe(samples, layer="pipe_centreline")
    plan, level, omission = reports(samples)
    assert plan[0] == "horizontal position, 95 %, metres"
    assert plan[1] == [f"{lines['position_95_max_m'].max():.3f}"]
    assert level[1] == [f"{1.959964 * lines['invert_sigma_max_m'].max():.3f}"]
    missing = len(pyogrio.read_dataframe(samples, layer="unlocated"))
    assert omission[2][0].startswith(f"Not located: {missing} of lines")


def test_lineage_names_inputs_operations_and_levels(samples: Path) -> None:
    root = ET.fromstring(document(samples))
    said = root.findtext(".//mrl:statement/gco:CharacterString", "", SPACES)
    ((inputs,),) = ask(samples, "SELECT count(*) FROM lineage WHERE topic = 'input'")
    assert f"2 sites in {inputs} files" in said
    for (item,) in ask(samples, "SELECT DISTINCT item FROM lineage WHERE topic = 'operation'"):
        assert item in said
    for (levels,) in ask(samples, "SELECT value FROM lineage WHERE item = 'levels' "
                         "AND topic = 'statement'"):  # fmt: skip
        assert levels.rstrip(".") in said
    days = [d for (d,) in ask(samples, "SELECT value FROM lineage WHERE item LIKE '%surveyed'")]
    assert root.findtext(".//gml:beginPosition", "", SPACES) == min(days)
    assert root.findtext(".//gml:endPosition", "", SPACES) == max(days)


def test_a_line_that_nothing_bounds_leaves_no_figure_for_all(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """One null among the lines (the maker leaves one) is no "at most"."""
    path = built(tmp_path / "out", make_site())
    assert ask(path, "SELECT count(*) FROM pipe_centreline WHERE position_95_max_m IS NULL") == [
        (1,)
    ]
    plan = reports(path)[0]
    assert plan[1] == []
    assert plan[2] == ["Position in plan: not bounded or not known for 1 of 4 lines."]


def test_a_vertical_system_stands_beside_the_layers_own(
    make_site: MakeSite, tmp_path: Path
) -> None:
    path = built(tmp_path / "out", make_site(vertical="EPSG:6360"))
    codes = ET.fromstring(document(path)).iterfind(
        "{*}referenceSystemInfo//{*}code/gco:CharacterString", SPACES
    )
    assert [c.text for c in codes] == ["32617", "6360"]


def test_a_sketch_has_no_extent_on_the_earth(make_site: MakeSite, tmp_path: Path) -> None:
    found = read(built(tmp_path / "out", make_site(horizontal="local", x=0.0, y=0.0)))
    assert found.referencesystem is None
    assert found.identification[0].bbox is None


def test_an_extent_across_the_antimeridian_has_its_west_in_the_east(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """The maker's features lie 7 to 25 metres east of x; a degree here is 106 km."""
    x, y = pyproj.Transformer.from_crs(4326, 32701, always_xy=True).transform(-180.0, -17.0)
    site = make_site(horizontal="EPSG:32701", x=x - 15.0, y=y)
    box = read(built(tmp_path / "out", site)).identification[0].bbox
    assert 179.99 < float(box.minx) < 180.0
    assert -180.0 < float(box.maxx) < -179.99


def test_degrees_across_the_antimeridian_have_all_longitudes(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """Their least and greatest do not tell which side is meant; all of them holds them."""
    site = make_site(horizontal="EPSG:4326", x=179.99986, y=-17.0)
    box = read(built(tmp_path / "out", site)).identification[0].bbox
    assert (float(box.minx), float(box.maxx)) == (-180.0, 180.0)
    assert -17.01 < float(box.miny) < float(box.maxy) < -16.99
