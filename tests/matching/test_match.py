"""`lateralline match`: verdicts, uncertainty, pieces, ids, what is joined, refusals, files."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from typer.testing import CliRunner

import lateralline
from lateralline.cli import app
from lateralline.contract import load
from lateralline.errors import FrameError, SiteFaultsError
from lateralline.matching.match import LineMatch, RegisterMatch, match
from lateralline.matching.pairing import Uncertain, pairs_of
from lateralline.matching.register_lines import RegisterUse, read_register
from lateralline.overlay.as_built import open_as_built
from tests.support.places import SAMPLES

EAST, NORTH = 500_000.0, 4_650_000.0
USE = RegisterUse({"id": "ref"}, sigma_m=0.5)


def line(*xy: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(EAST + x, NORTH + y) for x, y in xy])


def pipe(name: str, *xy: tuple[float, float], **more: object) -> dict[str, object]:
    return {"line": name, "path": tuple((x, y, 98.0) for x, y in xy)} | more


def register(path: Path, crs: str | None = "EPSG:32617", **lines: shapely.LineString) -> Path:
    frame = gpd.GeoDataFrame({"ref": list(lines)}, geometry=list(lines.values()), crs=crs)
    frame.to_file(path, engine="pyogrio")
    return path


@pytest.fixture(scope="module")
def files(make_record, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Laterals every 20 m north of a street, and what a register has of them."""
    folder = tmp_path_factory.mktemp("match")
    pipes = (
        pipe("L1", (0, 0), (0, 20)),
        pipe("L2", (20, 0), (20, 20)),
        pipe("L3", (40, 0), (40, 20)),
        pipe("L4", (60, 0), (60, 20)),
        pipe("L5", (80, 0), (80, 9)),
        pipe("L6", (80, 9), (80, 20), joins="L5"),
        pipe("L7", (100, 0), (100, 20)),
        pipe("L8", (120, 0), (120, 20), undecided=True, bounded=False),
    )
    record = make_record(folder / "a.gpkg", pipes)
    made = register(
        folder / "register.gpkg",
        A=line((0.4, 20), (0.3, 0)),  # drawn the other way
        B=line((22.2, 0), (22.2, 20)),
        C1=line((40, 0), (40.2, 9)),
        C2=line((40.2, 9), (40, 20)),
        E=line((80.2, 0), (80.2, 20)),
        G1=line((99.8, 0), (99.8, 20)),
        G2=line((100.3, 0), (100.3, 20)),
        H=line((120, 0), (120, 20)),
        X=line((50, 4), (50, 17)),
        M=line((-50, 0), (150, 0)),
    )
    return record, made


@pytest.fixture(scope="module")
def made(files: tuple[Path, Path]) -> RegisterMatch:
    return match(open_as_built(files[0]), read_register(files[1], USE))


def rows(made: RegisterMatch, name: str) -> list[tuple[str, str, str]]:
    return sorted(
        (m.register_id, m.verdict, m.relation)
        for m in made.matches
        if name in (m.line_id, m.register_id)
    )


def test_each_line_has_its_verdict_along_the_whole_length(made: RegisterMatch) -> None:
    assert rows(made, "L1") == [("A", "same", "one_to_one")]
    assert rows(made, "L2") == [("B", "moved", "one_to_one")]
    assert rows(made, "L3") == [("C1", "same", "one_to_many"), ("C2", "same", "one_to_many")]
    assert rows(made, "L4") == [("", "new", "none")]
    assert rows(made, "L5") == [("E", "same", "many_to_one")]
    assert rows(made, "L6") == [("E", "same", "many_to_one")]
    assert rows(made, "L7") == [("G1", "conflicting", "one_to_one")]
    assert rows(made, "L8") == [("H", "not_comparable", "one_to_one")]
    assert rows(made, "X") == [("X", "gone", "none")]
    assert rows(made, "M") == []  # lines end on it: it is the main, which nobody surveyed
    assert made.matches[0].verdict == "conflicting"
    assert not made.agrees
    (left,) = (note for note in made.notes if "without a row" in note)
    assert left.startswith("Of the lines looked at, 2 without a row: G2, M. ")
    assert any(note.startswith("Lines read from ") and "no layer was named" in note
               for note in made.notes)  # fmt: skip
    assert any("A line called gone may still be there." in note for note in made.notes)


def test_how_far_it_moved_stands_beside_both_uncertainties(made: RegisterMatch) -> None:
    (moved,) = (m for m in made.matches if m.verdict == "moved")
    on_ground = 1 / 0.9996  # of a metre of the grid at the middle of a UTM zone
    assert moved.offset_m == pytest.approx(2.2 * on_ground, abs=1e-3)
    assert moved.record_95_m == pytest.approx(1.959964 * 0.05, rel=1e-5)
    assert moved.register_95_m == pytest.approx(1.959964 * 0.5, rel=1e-6)
    assert moved.offset_95_m == pytest.approx(np.hypot(moved.record_95_m, moved.register_95_m))
    # Two located points and two vertices share 1 %: z(1 - 0.005 / 4) = 3.0233.
    assert moved.limit_m == pytest.approx(3.0233 * np.hypot(0.05, 0.5), rel=1e-4)
    assert moved.move_m is not None
    assert moved.move_m.length == pytest.approx(moved.offset_m)
    assert "2.20" in moved.what


def test_ends_alone_make_no_two_lines_one(make_record, tmp_path: Path) -> None:
    """The same ends, and a bow of 4 m between them; a main that is crossed is not alongside."""
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0, 0), (0, 20)),))
    other = register(tmp_path / "r.gpkg", A=line((0, 0), (4, 10), (0, 20)), M=line((-9, 5), (9, 5)))
    (bowed,) = match(open_as_built(record), read_register(other, USE)).matches
    assert (bowed.register_id, bowed.verdict) == ("A", "moved")
    assert bowed.offset_m > 3.5


def test_a_register_of_half_the_world_and_rows_without_a_place_do_no_harm(
    make_record, tmp_path: Path
) -> None:
    """Lines where the record's CRS means nothing are left out, rows without a shape are named."""
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0, 0), (0, 20)),))
    far = shapely.LineString([(99.0, 0.0), (99.001, 0.001)])
    frame = gpd.GeoDataFrame({"ref": ["F", "N"]}, geometry=[far, None], crs="EPSG:4326")
    frame.to_file(tmp_path / "r.gpkg", engine="pyogrio")
    found = match(open_as_built(record), read_register(tmp_path / "r.gpkg", USE))
    assert [(m.line_id, m.register_id, m.verdict) for m in found.matches] == [
        ("", "N", "not_comparable"), ("L1", "", "new"),
    ]  # fmt: skip


def test_what_two_records_are_worth_tells_how_far_to_look(make_record, tmp_path: Path) -> None:
    """Seven metres off is the same where the register is good to three, whatever was asked for."""
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0, 0), (0, 20)),))
    other = register(tmp_path / "r.gpkg", A=line((7, 0), (7, 20)))
    use = RegisterUse({"id": "ref"}, sigma_m=3.0)
    (found,) = match(open_as_built(record), read_register(other, use)).matches
    assert (found.register_id, found.verdict) == ("A", "same")


def test_an_id_that_both_have_makes_a_pair_where_nothing_else_is_near() -> None:
    paths = [shapely.LineString([(x, 0), (x, 20)]) for x in (0.0, 100.0, 30.0, 100.2)]
    count, sigma = np.array([2, 2]), np.array([0.1, 0.1])
    ours = Uncertain.of(np.array(paths[:2], dtype=object), count, sigma)
    theirs = Uncertain.of(np.array(paths[2:], dtype=object), count, sigma)
    ids = np.array([0]), np.array([0])
    made = pairs_of(ours, theirs, ids, 5.0)
    told = zip(made.ours, made.theirs, made.by_id, made.moved, strict=True)
    assert sorted(map(tuple, told)) == [(0, 0, True, True), (1, 1, False, False)]


def test_what_is_joined_must_be_the_same(make_record, tmp_path: Path) -> None:
    """The record's end is on one main, the register's on the other, a metre on."""
    record = make_record(tmp_path / "a.gpkg", (pipe("L1", (0, 0), (0, 20)),))
    mains = {"M1": line((-50, 0), (50, 0)), "M2": line((-50, -1), (50, -1))}
    other = register(tmp_path / "r.gpkg", A=line((0, -1), (0, 20)), **mains)
    use = RegisterUse({"id": "ref"}, sigma_m=0.1)
    (found,) = (
        m for m in match(open_as_built(record), read_register(other, use)).matches if m.line_id
    )
    assert found.verdict == "conflicting"
    assert found.finding == "register-conflict/joins"
    assert "M1" in found.what
    assert "M2" in found.what


def test_a_node_that_both_hold_must_be_on_the_line(tmp_path: Path) -> None:
    """The record handed over, then a node of one line written at the end of another."""
    lateralline.build(SAMPLES / "gnss-bend-branch", tmp_path / "out")
    layers = lateralline.load(tmp_path / "out").layers
    lines = layers["pipe_centreline"].set_index("line_id")
    frame = gpd.GeoDataFrame(
        {"ref": list(lines.index), "up": list(lines["to_node_id"]),
         "down": list(lines["from_node_id"])},
        geometry=shapely.force_2d(np.array(lines.geometry.array)), crs=lines.crs,
    )  # fmt: skip
    use = RegisterUse(
        {"id": "ref", "upstream_access": "up", "downstream_access": "down"}, sigma_m=0.1
    )

    def found() -> dict[str, tuple[str, str]]:
        path = tmp_path / "register.geojson"
        frame.to_crs("EPSG:4326").to_file(path, engine="pyogrio")
        made = match(open_as_built(tmp_path / "out"), read_register(path, use))
        return {m.line_id: (m.verdict, m.finding) for m in made.matches}

    assert set(found().values()) == {("same", "")}
    frame["up"] = ["MH-1", "MH-2"]  # the register's own names
    assert set(found().values()) == {("same", "")}
    frame.loc[frame["ref"] == "L1", "up"] = lines.loc["L2", "to_node_id"]
    assert found() == {"L1": ("conflicting", "register-conflict/node"), "L2": ("same", "")}


def test_a_register_on_the_map_is_not_held_against_a_sketch(
    files: tuple[Path, Path], make_record, tmp_path: Path
) -> None:
    sketch = make_record(tmp_path / "s.gpkg", (pipe("L1", (0, 0), (0, 20)),), crs=None)
    with pytest.raises(FrameError, match="sketch on invented axes, the file of the register is"):
        match(open_as_built(sketch), read_register(files[1], USE))


def test_every_fault_of_a_register_is_told_at_once(tmp_path: Path) -> None:
    point = gpd.GeoDataFrame(
        {"acc": ["x", "-1"]},
        geometry=[shapely.Point(1, 2), line((0, 0), (0, 9))],
        crs="EPSG:32617",
    )
    point.to_file(tmp_path / "r.geojson", engine="pyogrio")
    with pytest.raises(SiteFaultsError) as told:
        read_register(tmp_path / "r.geojson", RegisterUse({"sigma_m": "acc", "id": "nr"}))
    text = str(told.value)
    for part in ("must be a line", "nr", "must be an attribute", "number ≥ 0"):
        assert part in text


def test_the_command_writes_layers_table_and_picture(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    out, picture = tmp_path / "o", tmp_path / "p.png"
    record, other = map(str, files)
    given = [record, other, "--id-column", "ref", "-o", str(out), "--picture", str(picture)]
    done = CliRunner().invoke(app, ["match", *given, "--json"])
    assert done.exit_code == 1, done.output
    counts = json.loads(done.output)["counts"]
    assert counts == {
        "conflicting": 1, "moved": 1, "gone": 1, "not_comparable": 1, "new": 1, "same": 5,
    }  # fmt: skip
    read = pyogrio.read_dataframe(out / "register_matches.gpkg", layer="register_matches")
    assert set(read["caution"]) == {load("register_matches").caution}
    moves = pyogrio.read_dataframe(out / "register_matches.gpkg", layer="register_moves")
    assert sorted(moves["line_id"]) == ["L2", "L7"]
    lines = (out / "register_matches.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1 + sum(counts.values())
    assert picture.stat().st_size > 20_000
    assert (out / "geojson" / "register_matches.geojson").is_file()


def test_what_is_off_reads_the_same_in_table_and_sentence(files: tuple[Path, Path]) -> None:
    """Rounded up in both; L2 is ± 0.98483 m, which the nearest hundredth would make 0.98."""
    given = [*map(str, files), "--id-column", "ref"]
    said = " ".join(CliRunner().invoke(app, ["match", *given]).output.split())
    (row,) = (m for m in match_rows(files) if m.verdict == "moved")
    assert row.offset_95_m == pytest.approx(0.98483, abs=1e-4)
    assert "B moved 2.20 0.99 " in said
    assert "2.20 m apart ± 0.99 m" in said


def match_rows(files: tuple[Path, Path]) -> list[LineMatch]:
    record, other = files
    use = RegisterUse(columns={"id": "ref"})
    return match(open_as_built(record), read_register(other, use)).matches
