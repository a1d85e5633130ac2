"""What people ask a register, and with what they open it: SQL, GDAL's tools, desktop GIS."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pyogrio
import pytest

import lateralline
from lateralline.api import registers
from tests.support.desktop_gis import ask
from tests.support.needs import lacks
from tests.support.places import ROOT
from tests.support.postgis import Server

QUESTIONS = files("lateralline.register").joinpath("questions.sql").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def register(new_register: Callable[[], Server], quarry: Path, connections: Path) -> Server:
    made = new_register()
    registers.publish([quarry], made.url, connections=[connections])
    return made


def test_each_question_has_the_answer_of_the_record(
    register: Server, quarry: Path, connections: Path
) -> None:
    layers = lateralline.load(quarry).layers
    parts = [part for part in QUESTIONS.split("\n\n") if not part.startswith("-- Questions")]
    asked = {" ".join(re.findall(r"^-- (.*)", part, re.M)): part for part in parts}
    length, cover, seen, corridors, came, then, joined = (register.rows(q) for q in asked.values())
    lines = layers["pipe_centreline"]
    assert length == [["PVC", "2", f"{lines['length_m'].sum():.2f}"]]
    band = layers["level_band"]
    least = band.groupby("line_id")["cover_lower_95_m"].min()
    assert {line: float(m) for _, line, _, _, m, _ in cover} == dict(least[least < 1.0])
    assert sum(int(times) for *_, times, _ in seen) == len(layers["pipe_observations"])
    assert {line for _, _, line, _ in corridors} == {"L1", "L2"}
    assert all(float(inside) > 0.0 for *_, inside in corridors)
    assert [(site, row[-1]) for site, *row in came] == [("QH-022", "holds")]
    assert then == []  # nothing else held on that day
    found = pyogrio.read_dataframe(connections / "main_connections.gpkg", layer="main_connections")
    met = found[(found["main_id"] == "SM-4") & (found["meeting"] == "meets")]
    assert [(line, float(at), side) for _, line, _, at, _, side, _ in joined] == [
        (row.line_id, round(row.chainage_m, 2), row.side) for row in met.itertuples()
    ]
    assert joined
    assert "SELECT" in asked["Length of pipe of each material."]


def test_the_readme_shows_a_question_of_the_file() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"^```sql\n(.*?)^```", text, re.M | re.S)
    assert shown in QUESTIONS


def test_ogr2ogr_opens_a_view(register: Server, tmp_path: Path) -> None:
    if shutil.which("ogr2ogr") is None:
        lacks("postgis", "no ogr2ogr: apt-get install gdal-bin")
    formats = subprocess.run(["ogr2ogr", "--formats"], capture_output=True, text=True, check=True)
    if "PostgreSQL/PostGIS" not in formats.stdout:
        pytest.skip("this ogr2ogr has no driver for PostgreSQL")
    out = tmp_path / "nodes.geojson"
    database = f"PG:dbname={register.database}"
    register.run("ogr2ogr", "-t_srs", "EPSG:4326", out, database, "asbuilt.current_pipe_nodes")
    made = json.loads(out.read_text(encoding="utf-8"))["features"]
    (count,) = register.rows("SELECT count(*) FROM asbuilt.current_pipe_nodes")
    assert [str(len(made))] == count
    located = [f["geometry"]["coordinates"] for f in made if f["geometry"]]
    assert all(len(at) == 3 and -82.0 < at[0] < -81.0 and 42.0 < at[1] < 43.0 for at in located)


def test_desktop_gis_opens_every_view(register: Server, tmp_path: Path) -> None:
    script = (
        "found = {}\n"
        "for name in json.loads(sys.argv[2]):\n"
        "    uri = QgsDataSourceUri(sys.argv[1])\n"
        "    uri.setDataSource('asbuilt', 'current_' + name, 'geom', '', 'uid')\n"
        "    layer = QgsVectorLayer(uri.uri(False), name, 'postgres')\n"
        "    found[name] = [layer.isValid(), layer.featureCount(), layer.crs().authid(),\n"
        "                   QgsWkbTypes.displayString(layer.wkbType())]\n"
        "print(json.dumps(found))\n"
    )
    database = f"host={register.home} dbname={register.database} user={register.user}"
    names = ["pipe_centreline", "pipe_nodes", "position_corridor"]
    found = ask(script, database, json.dumps(names), home=tmp_path)
    shapes = {name: shape for name, (*_, shape) in found.items()}
    assert shapes == {"pipe_centreline": "LineStringZ", "pipe_nodes": "PointZ",
                      "position_corridor": "Polygon"}  # fmt: skip
    for name, (valid, count, crs, _) in found.items():
        (held,) = register.rows(f"SELECT count(*) FROM asbuilt.current_{name}")
        assert (valid, [str(count)], crs) == (True, held, "EPSG:32617")
