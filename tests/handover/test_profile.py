"""Mapping profiles: those that come with lateralline are sound, a wrong one is told whole."""

from __future__ import annotations

import json
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from lateralline.errors import SiteFaultsError
from lateralline.handover import load_profile, profile_text, shipped
from lateralline.handover.loaded import parsed
from lateralline.handover.schema import profile_schema

SCHEMA = files("lateralline_schemas") / "v2" / "profiles" / "profile.schema.json"
SOUND = """
format = "lateralline mapping profile 1"
name = "town"
title = "Town"
[[layer]]
name = "PIPES"
geometry = "LineString"
key = "ID"
source = [{ layer = "pipe_centreline" }]
column = [{ name = "ID", from = ["site_id", "line_id"] }]
"""


def test_the_shipped_schema_is_that_of_the_model() -> None:
    assert json.loads(SCHEMA.read_text(encoding="utf-8")) == profile_schema()


@pytest.mark.parametrize("name", shipped())
def test_shipped_profiles_keep_the_schema_and_load(name: str) -> None:
    jsonschema.validate(tomllib.loads(profile_text(name)), profile_schema())
    loaded = load_profile(name)
    assert loaded.profile.name == name
    assert all(c.provenance for layer in loaded.profile.layer for c in layer.column) == (
        name == "inspire-sewer"
    )


def test_a_cover_that_is_no_bound_is_called_an_estimate_in_the_municipal_profile() -> None:
    covers = [
        column
        for layer in load_profile("municipal").profile.layer
        for column in layer.column
        if str(column.taken).startswith("cover")
    ]
    assert [c.name for c in covers] == ["COVER_EST_MIN_M", "COVER_EST_M", "COVER_EST_M"]
    assert all("no bound" in c.title and c.short == "COVEREST_M" for c in covers)


def faults_of(text: str) -> dict[str, Any]:
    with pytest.raises(SiteFaultsError) as caught:
        parsed(text, "town.toml")
    assert {f.file for f in caught.value.faults} == {"town.toml"}
    return {f.column: f for f in caught.value.faults}


def test_what_the_model_refuses_is_told_at_once_by_key() -> None:
    text = SOUND.replace('"LineString"', '"Line"').replace(
        '"line_id"] }', '"line_id"], kind = 3, decimals = -1 }'
    )
    found = faults_of(text)
    assert set(found) == {
        "layer PIPES, geometry",
        "layer PIPES, column ID, kind",
        "layer PIPES, column ID, decimals",
    }
    assert found["layer PIPES, geometry"].value == "Line"


def test_what_no_record_has_is_told_at_once_by_key() -> None:
    more = """
  { name = "id", from = "lenght_m", type = "real" },
  { name = "MAT", from = "material", unit = "mm" },
  { name = "FALL", from = "length_m", type = "date" },
  { name = "W", from = "service", codes = { foul = "F" }, values = ["S"], width = 3 },
  { name = "Q", type = "integer", constant = "x", width = 2, minimum = 3, maximum = 1 },
  { name = "CAUTION", from = "@caution", width = 80 },
  { name = "FID", from = ["site_id", "uid"], unit = "m" },
]"""
    text = SOUND.replace("] }]", "] }," + more).replace('key = "ID"', 'key = "IDX"')
    text = text.replace("pipe_centreline", 'pipe_centreline", where = { flow = 1 }, x = "')
    text = text.replace(', x = "" }', " }").replace('title = "Town"', 'title = "T"\ncrs = "EPSG:0"')
    found = faults_of(text)
    assert set(found) == {
        "crs",
        "layer PIPES, column id",
        "layer PIPES, key",
        "layer PIPES, source pipe_centreline, where",
        "layer PIPES, column id, from",
        "layer PIPES, column MAT, unit",
        "layer PIPES, column FALL, type",
        "layer PIPES, column W, codes",
        "layer PIPES, column W, values",
        "layer PIPES, column Q, width",
        "layer PIPES, column Q, minimum",
        "layer PIPES, column Q, value",
        "layer PIPES, column CAUTION, width",
        "layer PIPES, column FID, name",
        "layer PIPES, column FID, unit",
    }
    assert "length_m" in found["layer PIPES, column id, from"].hint


def test_a_file_that_is_none_and_a_name_nobody_knows(tmp_path: Path) -> None:
    with pytest.raises(SiteFaultsError, match='did you mean "municipal"'):
        load_profile("munincipal")
    (tmp_path / "x.toml").write_text("a = ", encoding="utf-8")
    with pytest.raises(SiteFaultsError, match="must be TOML"):
        load_profile(tmp_path / "x.toml")


def test_the_plain_register_says_what_a_pipe_carries_in_words() -> None:
    layers = {layer.name: layer for layer in load_profile("municipal").profile.layer}
    carries = {c.name: c for c in layers["SEWER_LATERALS"].column}["CARRIES"]
    words = ["SANITARY", "STORM", "COMBINED", "PROCESS", "UNKNOWN"]
    assert sorted(carries.codes.values()) == sorted(carries.values) == sorted(words)
    assert max(map(len, words)) == carries.width
    assert {layer.key for layer in layers.values()} == {"ITEM_NO", "RECORD_UID"}
