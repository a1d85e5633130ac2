"""Pictures in a built record: related by the standard, compared with the survey, shown, copied."""

from __future__ import annotations

import ctypes
import json
import re
import shutil
import sqlite3
from contextlib import closing
from hashlib import sha256
from io import BytesIO
from pathlib import Path

import numpy as np
import pyogrio
import pyproj
import pytest
from PIL import Image

from lateralline import api
from lateralline.draw import sheet
from lateralline.draw.photos import photo_pages
from lateralline.draw.sheet import SheetOptions, sheet_pages
from lateralline.page.document import document
from lateralline.record.assets import private_shown
from lateralline.record.view import read_record
from tests.published.test_formats import validate_geopackage
from tests.support.made_pictures import picture
from tests.support.places import SAMPLES
from tests.support.sheet_reading import texts_of

SLOPE = SAMPLES / "slope-levels"
ROWS = """file,run,stop,counter,exposure,node,taken_on,private,note
pit.jpg,,,,CO3,,2026-05-05,,
seen.jpg,R1,,16.48,,,,true,a face in it
away.jpg,R1,3,,,,,,forty metres off
phone.jpg,R1,5,,,,,,as far as phones err
poor.jpg,R1,6,,,,,,a phone that says so
bend.jpg,,,,,L1/bend-1,,,
lost.jpg,,,,,L1/bend-9,,,
"""


def stops() -> dict[str, tuple[float, float]]:
    """Where the stops truly are, longitude and latitude."""
    truth = json.loads((SLOPE / "truth.json").read_text())
    way = pyproj.Transformer.from_crs(truth["horizontal"], "EPSG:4326", always_xy=True)
    return {s["stop"]: way.transform(s["x"], s["y"]) for s in truth["stops"]}


def off(at: tuple[float, float], metres: float) -> tuple[float, float]:
    """Return a place so far north of another."""
    return at[0], at[1] + np.degrees(metres / 6_371_000.0)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> api.Record:
    home = tmp_path_factory.mktemp("photos")
    site, at = home / "site", stops()
    shutil.copytree(SLOPE, site, ignore=shutil.ignore_patterns("photos*"))
    (site / "photos").mkdir()
    (site / "photos.csv").write_text(ROWS, encoding="utf-8")
    head, *seen = (site / "observations.csv").read_text().splitlines()
    elsewhere = "R1,4.00,SAG,1,a shallow one"
    (site / "observations.csv").write_text("\n".join([head, elsewhere, *seen]) + "\n")
    pictures = {
        "pit.jpg": picture("red", taken="2026:05:06 09:00:00"),
        "seen.jpg": picture("green", taken="2026:05:06 09:05:00"),
        "away.jpg": picture("blue", at=off(at["3"], 40.0)),
        "phone.jpg": picture("cyan", at=off(at["5"], 20.0)),
        "poor.jpg": picture("pink", at=off(at["6"], 40.0), error_m=20.0),
        "bend.jpg": picture("brown"),
        "lost.jpg": picture("olive"),
        "photos/R1-1_x.jpg": picture("navy", at=at["8"]),  # exchanged with the next
        "photos/R1-8_x.jpg": picture("gold", at=at["1"]),
        "photos/R1-4_x.jpg": picture("white", taken="2026:05:09 10:00:00"),
    }
    for name, data in pictures.items():
        (site / name).write_bytes(data)
    return api.build(site, home / "out", also=["photos"])


def ask(record: api.Record, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(record.asbuilt)) as db:
        return db.execute(query).fetchall()


def test_each_picture_is_related_to_what_it_shows(built: api.Record) -> None:
    validate_geopackage(built.asbuilt)
    pairs = [
        (file, name)
        for table, column in (("transmitter_fixes", "stop_id"), ("pipe_nodes", "node_id"),
                              ("pipe_observations", "observation_id"))
        for file, name in ask(
            built,
            f"SELECT p.file, b.{column} FROM photos_of_{table} AS m JOIN {table} AS b "
            "ON b.fid = m.base_id JOIN field_photos AS p ON p.fid = m.related_id",
        )
    ]  # fmt: skip
    assert dict(pairs) == {
        "away.jpg": "3", "phone.jpg": "5", "poor.jpg": "6", "photos/R1-1_x.jpg": "1",
        "photos/R1-8_x.jpg": "8", "photos/R1-4_x.jpg": "4", "pit.jpg": "L1/entry-1",
        "bend.jpg": "L1/bend-1", "seen.jpg": "R1/O2",
    }  # fmt: skip
    assert ask(built, "SELECT related_uid FROM field_photos WHERE file = 'lost.jpg'") == [(None,)]
    for (data,) in ask(built, "SELECT data FROM field_photos"):
        assert isinstance(data, bytes)
        with Image.open(BytesIO(data)) as small:
            assert small.format == "JPEG"


def test_gdal_reads_the_relations_as_its_own(built: api.Record) -> None:
    """By the C interface of the GDAL that comes with pyogrio: no Python package of it has them."""
    (found, *_) = Path(pyogrio.__file__).parent.parent.glob("pyogrio.libs/libgdal*")
    gdal, pointer, text = ctypes.CDLL(str(found)), ctypes.c_void_p, ctypes.c_char_p
    gdal.GDALAllRegister()
    gdal.GDALOpenEx.restype, gdal.GDALOpenEx.argtypes = (
        pointer,
        [text, ctypes.c_uint, *3 * [pointer]],
    )
    data = gdal.GDALOpenEx(bytes(built.asbuilt), 0x04, None, None, None)
    names = gdal.GDALDatasetGetRelationshipNames
    names.restype, names.argtypes = ctypes.POINTER(text), [pointer, pointer]
    get, closed = gdal.GDALDatasetGetRelationship, gdal.GDALClose
    get.restype, get.argtypes, closed.argtypes = pointer, [pointer, text], [pointer]
    related = set()
    for name in names(data, None)[:3]:
        said = []
        for part in ("LeftTableName", "RightTableName", "RelatedTableType"):
            ask_for = getattr(gdal, f"GDALRelationshipGet{part}")
            ask_for.restype, ask_for.argtypes = text, [pointer]
            said.append(ask_for(get(data, name)).decode())
        related.add(tuple(said))
    closed(data)
    layers = ("transmitter_fixes", "pipe_observations", "pipe_nodes")
    assert related == {(layer, "field_photos", "media") for layer in layers}


def test_what_pictures_hold_is_compared_and_no_more(built: api.Record) -> None:
    found = {
        (f"{f.code}/{f.variant}".rstrip("/"), f.subject.removeprefix("photo "))
        for f in built.findings
        if f.code.startswith("photo-")
    }
    assert {(code.partition("/")[0], file) for code, file in found} == {
        ("photo-far", "away.jpg"),
        ("photo-swapped", "photos/R1-1_x.jpg"),
        ("photo-other-day", "pit.jpg"),
        ("photo-other-day", "photos/R1-4_x.jpg"),
        ("photo-not-placed", "lost.jpg"),
        ("photo-holds-position", "site"),
    }
    (far,) = (f for f in built.findings if f.code == "photo-far")
    assert (far.line_id, far.run_id, far.stop_id) == ("L1", "R1", "3")
    away = dict(ask(built, "SELECT file, away_m FROM field_photos WHERE away_m IS NOT NULL"))
    assert away["away.jpg"] == pytest.approx(40.0, abs=0.5)
    assert away["phone.jpg"] == pytest.approx(20.0, abs=0.5)


def test_copies_are_the_files_themselves(built: api.Record) -> None:
    out = built.asbuilt.parent
    rows = ask(built, "SELECT copied_to, sha256 FROM field_photos")
    assert len(rows) == 10
    for name, digest in rows:
        assert sha256((out / str(name)).read_bytes()).hexdigest() == digest
    listed = {o["path"] for o in json.loads((out / "manifest.json").read_text())["outputs"]}
    assert {str(name) for name, _ in rows} <= listed
    features = json.loads((out / "geojson" / "field_photos.geojson").read_text())["features"]
    assert {f["properties"]["file"] for f in features} >= {"pit.jpg", "photos/R1-1_x.jpg"}
    assert "data" not in features[0]["properties"]


def test_page_and_sheet_show_them_and_nothing_private_unless_asked(
    built: api.Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    view = read_record(built.asbuilt)
    page = document(view)
    assert len(re.findall(r'<img src="data:image/jpeg;base64,', page)) == 9
    assert "a face in it" not in page
    assert 'alt="stop R1/3: forty metres off"' in page
    assert re.search(r'<figure data-kind="stops" data-index="2">', page)
    with private_shown():
        asked = read_record(built.asbuilt)
    assert len(asked.photos) == 10
    assert [len(of_page) for of_page in photo_pages(asked.photos)] == [6, 4]
    monkeypatch.setattr(
        sheet, "draw_page", lambda *_: None
    )  # plan and profile: looked at elsewhere
    *_, last = sheet_pages(view, SheetOptions())
    words = [text.get_text() for text in texts_of(last.figure)]
    assert sum(bool(axes.images) for axes in last.figure.axes) == 3
    assert not any("a face in it" in text for text in words)
