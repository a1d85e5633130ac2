"""A record in a register's names: what comes through, what is told, what is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import jsonschema
import pandas as pd
import pyogrio
import pytest
import shapely
from typer.testing import CliRunner

from lateralline.api.handovers import FORMATS, Handover, hand_over, plan_handover
from lateralline.cli import app
from lateralline.errors import FrameError, ReadBackError, SiteFaultsError
from lateralline.handover import LoadedProfile, files, read_register
from lateralline.handover.formats import fitted
from lateralline.handover.loaded import parsed
from lateralline.handover.schema import layer_schema
from lateralline.record import CAUTION
from tests.support.command import written

PROFILE = """
format = "lateralline mapping profile 1"
name = "town"
title = "Town"
z_unit = "ft"
[[layer]]
name = "PIPES"
geometry = "LineString Z"
drawn = "downstream"
key = "ID"
source = [{ layer = "pipe_centreline" }]
column = [
  { name = "ID", from = ["site_id", "line_id"], required = true },
  { name = "DIAM_INCHES", type = "real", unit = "in", decimals = 1, from = "inside_diameter_m" },
  { name = "WATER", from = "service", codes = { sanitary = "FW" }, other = "XX", values = ["FW", "XX"] },
  { name = "MATERIAL", from = "material", empty = "UNK", required = true, width = 4 },
  { name = "OFF_95_FT", type = "real", unit = "ft", decimals = 2, from = "position_95_max_m" },
  { name = "OFF_LEVEL_95", type = "real", decimals = 2, factor = 1.959964, from = "invert_sigma_max_m", reads = "level_95_m" },
  { name = "KIND", constant = "lateral", codes = { lateral = 2, main = 1 }, type = "integer", reads = "kind" },
  { name = "FLAG", type = "boolean", constant = true },
  { name = "LENGTH_FT", from = "length_m", unit = "ft" },
  { name = "CAUTION", from = "@caution", required = true },
]
[[layer]]
name = "SPOTS"
geometry = "Point"
key = "ID"
source = [
  { layer = "pipe_nodes", where = { kind = ["entry", "bend"] } },
  { layer = "pipe_observations", called = { observation_id = "node_id" } },
]
column = [
  { name = "ID", from = "node_id", required = true },
  { name = "OF", from = "@layer", codes = { pipe_nodes = "N", pipe_observations = "O" } },
  { name = "CAUTION", from = "@caution" },
]
"""  # noqa: E501

WHOLE = [c.name for c in parsed(PROFILE, "town.toml").profile.layer[0].column] + ["geometry"]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory, make_site: Callable[..., Any]) -> Path:
    """A record with rows in every layer, made up from the contract."""
    out = tmp_path_factory.mktemp("record") / "out"
    return written(out, make_site(horizontal="EPSG:32632")).folder


def town(*changes: tuple[str, str]) -> LoadedProfile:
    text = PROFILE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parsed(text, "town.toml")


@pytest.fixture(scope="module")
def planned(record: Path) -> Handover:
    return plan_handover(record, town())


def test_names_codes_units_directions_and_what_is_left(record: Path, planned: Handover) -> None:
    made = planned
    pipes, spots = (layer.table for layer in made.layers)
    ours = pyogrio.read_dataframe(record / "asbuilt.gpkg", layer="pipe_centreline")
    assert pipes["ID"].to_pylist() == [f"EX-1/{line}" for line in ours["line_id"]]
    inches = (ours["inside_diameter_m"] / 0.0254).round(1)
    written = pipes["DIAM_INCHES"].to_numpy()
    assert written.tolist() == pytest.approx(inches.to_list(), nan_ok=True)
    off_ft = ours["position_95_max_m"] / 0.3048
    for written, exact in zip(pipes["OFF_95_FT"].to_pylist(), off_ft, strict=True):
        assert written is None or 0.0 <= written - exact + 1e-8 < 0.01 + 1e-8  # ± never smaller
    assert set(pipes["WATER"].to_pylist()) <= {"FW", "XX"}
    assert pipes["KIND"].to_pylist() == [2] * 4
    lengths = [float(text) for text in pipes["LENGTH_FT"].to_pylist()]  # a text, and in feet
    assert lengths == pytest.approx((ours["length_m"] / 0.3048).to_list())
    first, theirs = ours.geometry[0], shapely.from_wkb(pipes["geometry"].to_pylist()[0])
    assert theirs.coords[0][:2] == pytest.approx(first.coords[-1][:2])
    assert theirs.coords[0][2] == pytest.approx(first.coords[-1][2] / 0.3048)
    nodes = pyogrio.read_dataframe(record / "asbuilt.gpkg", layer="pipe_nodes")
    taken = nodes["kind"].isin(["entry", "bend"]).sum()
    assert spots["OF"].to_pylist() == ["N"] * taken + ["O"] * 4
    lost = {(loss.kind, loss.where, loss.item) for loss in made.losses}
    assert ("features", "pipe_nodes", "") in lost
    assert ("layer", "unlocated", "") in lost
    assert ("columns", "pipe_centreline", "gradient_sigma") in lost
    assert ("texts", "PIPES", "MATERIAL") in lost
    assert ("places", "SPOTS", "z") in lost
    assert {loss.of for loss in made.losses if loss.where == "unlocated"} == {"±"}
    assert not any(
        loss.item == "line_id" and loss.where == "pipe_centreline" for loss in made.losses
    )


@pytest.mark.parametrize("kind", FORMATS)
def test_each_format_holds_every_value_and_the_caution(
    record: Path, planned: Handover, tmp_path: Path, kind: str
) -> None:
    profile = town()
    if kind == "geojson":  # WGS 84
        made = hand_over(record, tmp_path / "to", profile, kind=kind)
    else:
        made = fitted(planned, kind)
        files.write_handover(made, tmp_path / "to", kind)
    named = {"geopackage": "town.gpkg", "csv": "PIPES.csv"}.get(kind, f"PIPES{FORMATS[kind]}")
    path = tmp_path / "to" / named
    if kind == "csv":
        frame = pd.read_csv(path)
    elif kind == "geoparquet":
        frame = gpd.read_parquet(path)
    else:
        frame = gpd.read_file(path, layer="PIPES")
    assert (frame["CAUTION"] == CAUTION).all()
    table = made.layers[0].table
    meant = {row["ID"]: row for row in table.rename_columns(WHOLE).to_pylist()}
    diameter = "DIAM_INCHE" if kind == "shapefile" else "DIAM_INCHES"
    for _, row in frame.iterrows():
        exact = meant[row["ID"]]["DIAM_INCHES"]
        assert pd.isna(row[diameter]) if exact is None else row[diameter] == pytest.approx(exact)
        assert row["MATERIAL"] == meant[row["ID"]]["MATERIAL"]
    about = (tmp_path / "to" / "HANDOVER.md").read_text(encoding="utf-8")
    assert CAUTION in about
    assert "unlocated" in about
    assert made.record_sha256 in about
    if kind == "geojson":
        for layer in profile.profile.layer:
            collection = json.loads((tmp_path / "to" / f"{layer.name}.geojson").read_text("utf-8"))
            jsonschema.validate(collection, layer_schema(layer))
            assert not any("crs" in part for part in collection)
    if kind == "shapefile":
        assert any(o.item == "DIAM_INCHES → DIAM_INCHE" for o in made.losses if o.kind == "names")
    if kind == "csv":  # names no coordinate system, and neither does this profile
        with pytest.raises(SiteFaultsError, match="CRS must be named"):
            read_register(path, profile, made.crs)
        return
    lines = read_register(tmp_path / "to", profile, made.crs)
    assert sorted(lines["register_id"]) == sorted(meant)
    assert set(lines["kind"]) == {"lateral"}


def test_what_does_not_read_back_is_not_put_in_place(
    planned: Handover, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = files._WRITERS["csv"]

    def wrong(layer: Any, path: Path, crs: Any) -> None:
        write(layer, path, crs)
        path.write_text(path.read_text("utf-8").replace(",UNK,", ",PVC,"), encoding="utf-8")

    monkeypatch.setitem(files._WRITERS, "csv", wrong)
    with pytest.raises(ReadBackError, match="MATERIAL: 'PVC', meant 'UNK'"):
        files.write_handover(fitted(planned, "csv"), tmp_path / "to", "csv")
    assert not (tmp_path / "to").exists()


def test_what_the_register_requires_and_the_record_lacks_is_told_and_nothing_written(
    record: Path, tmp_path: Path
) -> None:
    profile = town(
        (', empty = "UNK"', ""),
        ('other = "XX", ', ""),
        ("decimals = 1, from", "decimals = 1, maximum = 0.001, required = true, from"),
        ('codes = { sanitary = "FW" }', 'codes = { sanitary = "FW" }, required = true'),
    )
    with pytest.raises(SiteFaultsError) as caught:
        hand_over(record, tmp_path / "to", profile)
    columns = {(fault.file, fault.column) for fault in caught.value.faults}
    assert columns == {("PIPES", "DIAM_INCHES"), ("PIPES", "WATER"), ("PIPES", "MATERIAL")}
    assert not (tmp_path / "to").exists()


def test_a_projection_is_exact_and_a_shift_of_datum_is_refused(record: Path) -> None:
    pipes = plan_handover(record, "inspire-sewer", crs="EPSG:4326").layers[0]
    line = shapely.from_wkb(pipes.table["geometry"].to_pylist()[0])
    assert line.bounds == pytest.approx((9.0, 40.65, 9.0, 40.65), abs=0.01)
    assert pipes.table["pipeDiameter_uom"].to_pylist()[0] == "mm"
    with pytest.raises(FrameError, match=r"no published|--crs EPSG:4258"):
        plan_handover(record, "inspire-sewer")
    with pytest.raises(FrameError, match="geojson is in EPSG:4326"):
        plan_handover(record, town(), kind="geojson", crs="EPSG:32632")


def test_the_command_tells_and_its_exit_code_says_whether_something_is_missing(
    record: Path, tmp_path: Path
) -> None:
    run = CliRunner().invoke
    listed = run(app, ["handover"])
    assert listed.exit_code == 2
    assert "municipal" in listed.output
    profile = tmp_path / "town.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    dry = run(app, ["handover", str(record), "--profile", str(profile), "--dry-run"])
    assert dry.exit_code == 0
    assert "± left behind" in dry.output
    assert "No clearance to dig" in dry.output
    profile.write_text(PROFILE.replace(', empty = "UNK"', ""), encoding="utf-8")
    lacking = run(app, ["handover", str(record), "--profile", str(profile), "--dry-run", "--json"])
    assert lacking.exit_code == 2
    assert json.loads(lacking.output)["missing"][0]["column"] == "MATERIAL"
    own = tmp_path / "own.toml"
    copied = run(app, ["handover", "--profile", "municipal", "--write-profile", str(own)])
    assert copied.exit_code == 0
    assert parsed(own.read_text("utf-8"), "own.toml").profile.name == "municipal"
