"""Ids last: over rebuilds, a second visit, another name of a run, a stop less; and uids too."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
from hashlib import sha256
from pathlib import Path
from uuid import UUID, uuid5

import geopandas as gpd
import pandas as pd
import pytest

import lateralline
from lateralline import contract
from lateralline.api.fieldwork import copy_to_workbook
from lateralline.api.visits import update
from lateralline.derive.tables import _UIDS
from lateralline.errors import SiteFaultsError
from lateralline.write.ids import ids_file
from tests.support.places import SAMPLES

BRANCH = SAMPLES / "gnss-bend-branch"
ADDED = SAMPLES / "added" / "gnss-bend-branch"


def copy_of(site: Path, to: Path) -> Path:
    shutil.copytree(site, to)
    (to / "ids.csv").unlink(missing_ok=True)
    return to


def nodes_of(out: Path) -> pd.DataFrame:
    return gpd.read_file(out / "asbuilt.gpkg", layer="pipe_nodes").set_index("node_id")


def segments_of(out: Path) -> pd.DataFrame:
    return gpd.read_file(out / "asbuilt.gpkg", layer="pipe_segments").set_index("segment_id")


def events(site: Path) -> list[dict[str, str]]:
    lines = (site / "ids.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A site and its first record."""
    home = tmp_path_factory.mktemp("first")
    site = copy_of(BRANCH, home / "site")
    lateralline.build(site, home / "out")
    return site, home / "out"


@pytest.fixture(scope="module")
def second(first: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The site and its record after a visit: a run more, of another name, and a test hole."""
    home = tmp_path_factory.mktemp("second")
    update(first[0], ADDED, home / "site", build=home / "out")
    return home / "site", home / "out"


def test_every_id_says_what_the_thing_is(first: tuple[Path, Path]) -> None:
    nodes = nodes_of(first[1])
    words = {"end_located": "end"}
    for name, kind in nodes["kind"].items():
        line, _, rest = str(name).partition("/")
        assert line in ("L1", "L2")
        assert rest.rpartition("-")[0] == words.get(kind, kind)
    assert all("/segment-" in name for name in segments_of(first[1]).index)


def test_a_second_visit_keeps_every_id_of_what_is_still_there(
    first: tuple[Path, Path], second: tuple[Path, Path]
) -> None:
    old, new = nodes_of(first[1]), nodes_of(second[1])
    assert len(new) >= len(old) + 8  # the visit's stops, its entry and its test hole
    assert set(old.index) <= set(new.index)
    kept = new.loc[old.index]
    assert kept["kind"].tolist() == old["kind"].tolist()
    apart = gpd.GeoSeries(old.geometry).distance(gpd.GeoSeries(kept.geometry))
    assert (apart <= old["position_95_m"] + kept["position_95_m"]).all()
    before, after = segments_of(first[1]), segments_of(second[1])
    same = before.index.intersection(after.index)
    ends = ["from_node_id", "to_node_id"]
    assert before.loc[same, ends].equals(after.loc[same, ends])
    assert {s for s in before.index if s.startswith("L2")} <= set(same)  # L2 was not visited
    gone = before.index.difference(after.index)
    became = {e["id"]: e["became"].split() for e in events(second[0]) if e["event"] == "ended"}
    assert set(became) == set(gone)
    for name, successors in became.items():
        assert len(successors) > 1
        lengths = after.loc[successors, "length_m"]
        assert lengths.sum() == pytest.approx(before.loc[name, "length_m"], abs=0.3)
    came = {e["id"]: e["came_from"] for e in events(second[0]) if e["came_from"]}
    assert all(came[s] == name for name, successors in became.items() for s in successors)


def test_what_changed_is_a_finding(second: tuple[Path, Path]) -> None:
    (found,) = (f for f in lateralline.load(second[1]).findings if f.code == "ids-changed")
    assert (found.severity, found.subject) == ("info", "line L1")
    assert "split L1/segment-1, " in found.by_how_much


def test_a_rebuild_gives_the_same_ids_and_writes_nothing(
    second: tuple[Path, Path], tmp_path: Path
) -> None:
    site = tmp_path / "site"
    shutil.copytree(second[0], site)
    before = (site / "ids.csv").read_bytes()
    lateralline.build(site, tmp_path / "out")
    assert (site / "ids.csv").read_bytes() == before
    for layer in contract.LAYERS:
        old = gpd.read_file(second[1] / "asbuilt.gpkg", layer=layer)
        new = gpd.read_file(tmp_path / "out" / "asbuilt.gpkg", layer=layer)
        if layer == "findings":  # what changed is told once
            old = old[old["code"] != "ids-changed"]
        if layer not in ("lineage",):
            assert old["uid"].tolist() == new["uid"].tolist(), layer


def test_another_name_of_a_run_changes_no_id(first: tuple[Path, Path], tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(first[0], site)
    for name in ("marks.csv", "stops.csv", "observations.csv"):
        text = (site / name).read_text(encoding="utf-8")
        (site / name).write_text(text.replace("R1,", "TUESDAY,"), encoding="utf-8")
    settings = site / "site.toml"
    settings.write_text(settings.read_text().replace('"R1"', '"TUESDAY"'))
    lateralline.build(site, tmp_path / "out")
    assert "TUESDAY/9" in nodes_of(tmp_path / "out")["ref"].tolist()
    assert set(nodes_of(tmp_path / "out").index) == set(nodes_of(first[1]).index)
    assert set(segments_of(tmp_path / "out").index) == set(segments_of(first[1]).index)


def test_a_stop_less_merges_two_segments_and_its_return_brings_their_ids_back(
    first: tuple[Path, Path], tmp_path: Path
) -> None:
    site = tmp_path / "site"
    shutil.copytree(first[0], site)
    whole = {name: (site / name).read_text() for name in ("marks.csv", "stops.csv")}
    nodes = nodes_of(first[1])
    (point,) = nodes.index[nodes["ref"] == "R1/3"]
    for name, text in whole.items():
        column = 1 if name == "marks.csv" else 0
        kept = [r for r in text.splitlines() if r.split(",")[column : column + 2] != ["R1", "3"]]
        (site / name).write_text("\n".join(kept) + "\n")
    lateralline.build(site, tmp_path / "less")
    ended = {e["id"]: e["became"] for e in events(site) if e["event"] == "ended"}
    assert ended.pop(point) == ""
    assert len(ended) == 2
    (merged,) = set(ended.values())
    assert {e["id"]: e["came_from"].split() for e in events(site)}[merged] == list(ended)
    for name, text in whole.items():
        (site / name).write_text(text)
    lateralline.build(site, tmp_path / "again")
    assert set(nodes_of(tmp_path / "again").index) == set(nodes.index)
    assert set(segments_of(tmp_path / "again").index) == set(segments_of(first[1]).index)
    assert {e["event"] for e in events(site) if e["id"] == point} == {"minted", "ended", "returned"}


def test_lines_meet_in_one_node_and_every_end_is_a_node(second: tuple[Path, Path]) -> None:
    nodes, segments = nodes_of(second[1]), segments_of(second[1])
    lines = gpd.read_file(second[1] / "asbuilt.gpkg", layer="pipe_centreline").set_index("line_id")
    views = gpd.read_file(second[1] / "asbuilt.gpkg", layer="node_lines")
    (junction,) = nodes.index[nodes["kind"] == "junction"]
    assert lines.loc["L2", "from_node_id"] == junction
    roles = views[views["node_id"] == junction].set_index("line_id")["role"].to_dict()
    assert roles == {"L1": "within", "L2": "downstream_end"}
    for layer in (segments, lines):
        for end in ("from_node_id", "to_node_id"):
            assert set(layer[end]) <= set(nodes.index)
    for line, of_line in segments.groupby("line_id"):
        assert of_line["from_node_id"].iloc[0] == lines.loc[line, "from_node_id"]
        assert of_line["to_node_id"].iloc[-1] == lines.loc[line, "to_node_id"]
        assert of_line["to_node_id"].tolist()[:-1] == of_line["from_node_id"].tolist()[1:]
        drawn = gpd.GeoSeries(of_line.geometry)
        ends = gpd.GeoSeries(nodes.loc[of_line["to_node_id"]].geometry.values)
        assert drawn.reset_index(drop=True).distance(ends).max() < 0.11


def test_the_uid_is_the_key_of_every_layer(second: tuple[Path, Path]) -> None:
    """UUIDv5 of RFC 4122 by Python's uuid module; unique, and the feature's id in GeoJSON."""
    for layer in contract.LAYERS:
        rows = gpd.read_file(second[1] / "asbuilt.gpkg", layer=layer)
        assert rows["uid"].is_unique, layer
        assert all(UUID(uid).version == 5 for uid in rows["uid"])
        features = json.loads((second[1] / "geojson" / f"{layer}.geojson").read_text())["features"]
        assert [f["id"] for f in features] == [f["properties"]["uid"] for f in features]
        assert [f["id"] for f in features] == rows["uid"].tolist()
    nodes = nodes_of(second[1])
    made = uuid5(_UIDS, "pipe_nodes/QH-022/L1/bend-1")
    assert nodes.loc["L1/bend-1", "uid"] == str(made)
    with sqlite3.connect(second[1] / "asbuilt.gpkg") as db:
        index = db.execute("SELECT sql FROM sqlite_master WHERE name = 'pipe_nodes_uid'").fetchone()
    assert "UNIQUE" in index[0]


def test_findings_join_to_lines_runs_and_stops(second: tuple[Path, Path]) -> None:
    found = gpd.read_file(second[1] / "asbuilt.gpkg", layer="findings")
    lines = set(gpd.read_file(second[1] / "asbuilt.gpkg", layer="pipe_centreline")["line_id"])
    named = found[found["line_id"].notna()]
    assert set(named["line_id"]) <= lines
    runs = found[found["subject"].str.startswith("run ")]
    assert (runs["subject"].str.removeprefix("run ") == runs["run_id"]).all()
    drawn = gpd.read_file(second[1] / "asbuilt.gpkg", layer="pipe_centreline").union_all()
    advice = found[found["code"] == "advice-next"]
    assert 2 <= len(advice) <= 4  # of two lines, one each in plan and in level
    assert gpd.GeoSeries(advice.geometry).distance(drawn).max() < 0.02


def test_rows_by_hand_and_a_broken_line_are_named_or_kept(
    first: tuple[Path, Path], tmp_path: Path
) -> None:
    site = tmp_path / "site"
    shutil.copytree(first[0], site)
    path = site / "ids.csv"
    path.write_text("# ours since May\n" + path.read_text())
    lateralline.build(site, tmp_path / "out")
    assert path.read_text().startswith("# ours since May\n# written by lateralline")
    path.write_text(path.read_text() + "L1/bend,dug up,bend,L1,,,,,,,yesterday,,\n")
    with pytest.raises(SiteFaultsError) as broken:
        lateralline.read(site)
    columns = {f.column for f in broken.value.faults if f.file == "ids.csv"}
    assert columns == {"id", "event", "recorded_on"}


def test_a_site_that_cannot_be_written_into_is_built_all_the_same(
    first: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = copy_of(first[0], tmp_path / "site")

    def refuse(*_: object) -> bool:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("lateralline.write.ids.keep_ids", refuse)
    record = lateralline.build(site, tmp_path / "out")
    assert record.unkept == {site / "ids.csv": "Permission denied"}
    assert len(record.layers["pipe_nodes"])


@pytest.mark.parametrize("name", ["local-sketch", "quarry-book.xlsx"])
def test_a_second_build_of_the_same_files_makes_the_same_record(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the byte: ids.csv, which the first one wrote, is listed by both."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1778155200")
    site = tmp_path / name
    if name.endswith(".xlsx"):
        shutil.copyfile(SAMPLES / name, site)
    else:
        copy_of(SAMPLES / name, site)
    for out in ("first", "second"):
        lateralline.build(site, tmp_path / out)
    first, second = (
        {p.relative_to(tmp_path / out): p.read_bytes() for p in (tmp_path / out).rglob("*.*")}
        for out in ("first", "second")
    )
    assert first == second
    kept = ids_file(site)
    [listed] = json.loads((tmp_path / "first" / "manifest.json").read_text())["sites"]
    [of_ids] = (f for f in listed["inputs"] if f["name"] == kept.name)
    assert of_ids["sha256"] == sha256(kept.read_bytes()).hexdigest()
    assert of_ids["rows"] == kept.read_bytes().count(b",minted,")


def test_an_update_lists_the_ids_that_the_new_site_has(second: tuple[Path, Path]) -> None:
    site, out = second
    [listed] = json.loads((out / "manifest.json").read_text())["sites"]
    digests = {f["name"]: f["sha256"] for f in listed["inputs"]}
    assert digests["ids.csv"] == sha256((site / "ids.csv").read_bytes()).hexdigest()


def test_the_ids_of_a_workbook_lie_beside_it(tmp_path: Path) -> None:
    book = tmp_path / "quarry-book.xlsx"
    shutil.copyfile(SAMPLES / "quarry-book.xlsx", book)
    before = book.read_bytes()
    lateralline.build(book, tmp_path / "out")
    kept = (tmp_path / "quarry-book.ids.csv").read_bytes()
    assert book.read_bytes() == before
    lateralline.build(book, tmp_path / "again")
    assert (tmp_path / "quarry-book.ids.csv").read_bytes() == kept
    assert len(lateralline.read(book).record.ids.id) == kept.count(b",minted,")


def test_a_site_copied_into_a_workbook_takes_its_ids_along(
    first: tuple[Path, Path], tmp_path: Path
) -> None:
    copy_to_workbook(first[0], tmp_path / "book.xlsx")
    copy_to_workbook(first[0], tmp_path / "other.xlsx", "QH-099")
    assert {p.name for p in tmp_path.glob("*.csv")} == {"book.ids.csv"}
    lateralline.build(tmp_path / "book.xlsx", tmp_path / "out")
    assert set(nodes_of(tmp_path / "out").index) == set(nodes_of(first[1]).index)


@pytest.mark.parametrize("name", ["gnss-bend-branch", "tape-ties", "slope-levels", "local-sketch"])
def test_the_ids_of_the_samples_are_those_their_record_has(name: str, tmp_path: Path) -> None:
    site = tmp_path / name
    shutil.copytree(SAMPLES / name, site)
    before = (site / "ids.csv").read_bytes()
    lateralline.build(site, tmp_path / "out")
    assert (site / "ids.csv").read_bytes() == before
