"""Whatever stands where a file should: a folder, a pipe, a link to nothing, bytes of another kind.

None of it ends in an error of lateralline's own, and one bad folder stops no batch. The messages
are the project's own; nothing published says how an error should read.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from openpyxl import Workbook
from typer.testing import CliRunner, Result

from lateralline.cli import app
from lateralline.cli.report import find_sites
from lateralline.errors import SiteFaultsError
from lateralline.overlay.plan_files import read_plan
from lateralline.overlay.planned import Options
from lateralline.stages import SiteFailure, run_site
from tests.support.made_files import MARKS, SITE, STOPS, base, faults_of, write
from tests.support.places import SAMPLES


def call(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "400"})
    assert result.exit_code != 70, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


# ---- what is no file ------------------------------------------------------------------------


def a_pipe(path: Path) -> None:
    os.mkfifo(path)


def a_link_to_nothing(path: Path) -> None:
    path.symlink_to(path.parent / "nowhere")


def a_link_to_itself(path: Path) -> None:
    path.symlink_to(path)


NO_FILES: tuple[tuple[Callable[[Path], None], str], ...] = (
    (Path.mkdir, "must be a file; it is a folder"),
    (a_pipe, "must be a file; it is a pipe"),
    (a_link_to_nothing, "it is a link to nothing"),
    (a_link_to_itself, "must be readable"),
)


@pytest.mark.parametrize("name", ["marks.csv", "control.csv", "site.toml", "more.xlsx"])
@pytest.mark.parametrize(("make", "said"), NO_FILES)
def test_what_is_no_file_is_told_once_and_nothing_is_missed_for_it(
    tmp_path: Path, name: str, make: Callable[[Path], None], said: str
) -> None:
    folder = write(tmp_path, base())
    (folder / name).unlink(missing_ok=True)
    make(folder / name)
    [fault] = faults_of(folder)
    assert fault.startswith(f"{name}: file ")
    assert said in fault


def test_a_disk_that_fails_stops_one_site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a share that went away: simulated, since no test can take a disk out."""

    def fails(path: Path) -> bytes:
        raise OSError(5, "Input/output error", str(path))

    folder = write(tmp_path, base())
    monkeypatch.setattr(Path, "read_bytes", fails)
    result = run_site(folder, until="derive")
    assert isinstance(result, SiteFailure)
    assert not result.unexpected
    assert all(f.value == "Input/output error" for f in result.faults)


def test_an_error_of_the_system_in_any_stage_is_no_fault_of_lateralline(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(source: Path) -> None:
        raise OSError(116, "Stale file handle", "grid.tif")

    monkeypatch.setattr("lateralline.stages.read_site", gone)
    result = run_site(tmp_path, until="read")
    assert isinstance(result, SiteFailure)
    assert not result.unexpected
    assert result.message == "grid.tif: Stale file handle"


def test_a_closed_folder_is_told_and_the_others_are_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(SAMPLES / "tape-ties", tmp_path / "a")
    (tmp_path / "closed").mkdir()
    inside = Path.iterdir

    def iterdir(path: Path) -> Iterator[Path]:
        if path.name == "closed":  # tests may run as root, whom nothing is closed to
            raise PermissionError(13, "Permission denied", str(path))
        return inside(path)

    monkeypatch.setattr(Path, "iterdir", iterdir)
    result = call("check", tmp_path, "--json")
    said = json.loads(result.output)
    assert result.exit_code == 2
    assert len(said["sites"]) == 1
    [failure] = said["failures"]
    assert [f["must"] for f in failure["faults"]] == ["must be a folder that can be read"]


def test_a_file_nobody_may_look_at_closes_its_folder_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(SAMPLES / "tape-ties", tmp_path / "a")
    (tmp_path / "b").mkdir()
    about = Path.stat

    def stat(path: Path, *, follow_symlinks: bool = True) -> os.stat_result:
        if path.parent.name == "b":
            raise PermissionError(13, "Permission denied", str(path))
        return about(path, follow_symlinks=follow_symlinks)

    monkeypatch.setattr(Path, "stat", stat)
    assert find_sites([tmp_path]) == [tmp_path / "a", tmp_path / "b"]


def test_what_a_program_puts_aside_is_no_site_of_a_batch(tmp_path: Path) -> None:
    for name in ("a", ".a.part", ".hidden"):
        shutil.copytree(SAMPLES / "tape-ties", tmp_path / name)
    assert find_sites([tmp_path]) == [tmp_path / "a"]
    assert find_sites([tmp_path / ".hidden"]) == [tmp_path / ".hidden"]  # asked for by name


# ---- workbooks of nothing -------------------------------------------------------------------


def test_a_workbook_of_other_sheets_says_which_it_lacks(tmp_path: Path) -> None:
    book = Workbook()
    book.active.title = "Sheet1"
    book.save(tmp_path / "b.xlsx")
    assert faults_of(tmp_path / "b.xlsx") == [
        f"b.xlsx: sheet {name} must be in the workbook" for name in ("marks", "site", "stops")
    ]
    assert call("check", tmp_path / "b.xlsx").exit_code == 2


# ---- encodings ------------------------------------------------------------------------------

LATIN = "café,é".encode("latin-1")


def test_settings_are_utf_8_and_a_fault_names_line_and_way_out(tmp_path: Path) -> None:
    """As TOML has it; what tables may be written in is told in test_one_way_in.py."""
    file = write(tmp_path, base()) / "site.toml"
    file.write_bytes(file.read_bytes() + b"# " + LATIN + b"\n")
    [fault] = faults_of(tmp_path)
    line = file.read_bytes().count(b"\n")
    assert fault == (
        f'site.toml:{line}: file must be UTF-8 text; got "byte 0xE9" — save it as UTF-8; '
        'in Windows-1252 that is "é"'
    )


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("built") / "out"
    assert call("build", SAMPLES / "tape-ties", "-o", out, "-q").exit_code == 0
    return out


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"point,x,y\nC1,1,\0\n", "more.csv:2: file must be text; it holds a NUL byte"),
        (b'point,x,y\n"C1,1,2\n', "more.csv:2: row must be comma separated text"),
        (b"point,x\nC1,1\n", "more.csv:1: y must be a column"),
        (b"", "more.csv: file must begin with a header row; it is empty"),
        (b"point,x,y\n", "more.csv: rows must be there"),
        (b"point,x,y\nC1,1,2,3\n", "more.csv:2: row must have 3 cells"),
        (b'point,x,y\nC1,"1,5",2\n', 'more.csv:2: x must be a number in US survey foot; '
         'got "1,5" — write 1.5'),
        (b"point,x,y\nC1,1e300,2\n", "more.csv:2: x must be a number"),
        (b"point,x,y\nC1,nan,2\n", "more.csv:2: x must be a number"),
        (b"point,x,y\nC1,1,2\nC1,3,4\n", "more.csv:3: point must be a name of its own"),
        (b"point,x,y\nC/1,1,2\n", "more.csv:2: point must be a name of at most 64"),
    ],
)  # fmt: skip
def test_points_to_tape_from_are_read_as_any_table_is(
    built: Path, tmp_path: Path, data: bytes, said: str
) -> None:
    (tmp_path / "more.csv").write_bytes(data)
    result = call("ties", built, "--points", tmp_path / "more.csv")
    assert result.exit_code == 2
    assert said in result.output


def test_a_map_layer_to_tape_from_that_is_none_says_so(built: Path, tmp_path: Path) -> None:
    def said(text: str) -> str:
        (tmp_path / "more.geojson").write_text(text)
        result = call("ties", built, "--points", tmp_path / "more.geojson")
        assert result.exit_code == 2
        return result.output

    collection = {"type": "FeatureCollection", "features": []}
    empty = {"type": "Feature", "geometry": None, "properties": {"point": "C1"}}
    assert (
        "more.geojson: file must be a text file of points or a vector file that GDAL opens"
        in said("{")
    )
    assert "layer must have a layer of points" in said(json.dumps(collection))
    without = said(json.dumps(collection | {"features": [empty]}))
    assert "more.geojson:1: geometry must have a position" in without
    assert "--x" not in without  # an option of another command
    nameless = empty | {"geometry": {"type": "Point", "coordinates": [-81, 41]}, "properties": {}}
    nameless = said(json.dumps(collection | {"features": [nameless]}))
    assert "point must be a field with the names of the points" in nameless


def test_codes_and_settings_of_an_import_are_text_too(tmp_path: Path) -> None:
    points = SAMPLES / "survey-files" / "quarry-pnezd.txt"
    for option in ("--codes", "--site"):
        file = tmp_path / f"{option[2:]}.toml"
        file.write_bytes(b"# " + LATIN + b"\n")
        asked = ("--order", "pnezd", *(() if option == "--site" else ("--crs", "EPSG:3734")))
        result = call("import-points", points, *asked, option, file, "--dry-run")
        assert result.exit_code == 2
        assert f"{file.name}:1: file must be UTF-8 text" in result.output


# ---- TOML -----------------------------------------------------------------------------------

DEEP = (
    "x = " + "[" * 100_000 + "]" * 100_000,
    "x" + ".x" * 50_000 + " = 1",
    "site" + ".id" * 5_000 + " = 1",
    "x = " + "{a = " * 30 + "1" + "}" * 30,
)


@pytest.mark.parametrize("text", DEEP)
def test_toml_that_is_nested_without_end_is_a_fault(tmp_path: Path, text: str) -> None:
    folder = write(tmp_path, base())
    (folder / "site.toml").write_text(text)
    [fault] = faults_of(folder)
    assert fault.startswith("site.toml: file must be TOML: tables and lists stand in one another")
    (tmp_path / "other").mkdir()
    write(tmp_path / "other", {"site.toml": SITE, "marks.csv": MARKS, "stops.csv": STOPS})
    assert call("build", folder, tmp_path / "other", "-o", tmp_path / "out").exit_code == 2
    codes = tmp_path / "codes.toml"
    codes.write_text(text)
    points = SAMPLES / "survey-files" / "quarry-pnezd.txt"
    assert call("import-points", points, "--codes", codes, "--dry-run").exit_code == 2


# ---- plans ----------------------------------------------------------------------------------


def test_a_plan_comes_in_by_the_same_door(built: Path, tmp_path: Path) -> None:
    """A pipe nobody writes into is told, not waited for; so is a folder, and a link to nothing."""
    os.mkfifo(tmp_path / "plan.gpkg")
    (tmp_path / "gone.geojson").symlink_to(tmp_path / "nothing")
    for name, said in (("plan.gpkg", "it is a pipe"), ("gone.geojson", "must be readable")):
        with pytest.raises(SiteFaultsError, match=said):
            read_plan(tmp_path / name, Options())


# ---- map layers -----------------------------------------------------------------------------


def layer(folder: Path, *features: tuple[list[float], object]) -> Path:
    """A GeoJSON of points with names."""
    path = folder / "p.geojson"
    made = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": at},
            "properties": {"name": name},
        }
        for at, name in features
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": made}))
    return path


def test_a_field_of_text_and_lists_is_named(tmp_path: Path) -> None:
    """GDAL takes such a field for JSON, and fiona then fails over every plain text in it."""
    path = layer(
        tmp_path,
        ([-81.38, 42.1], "P1"),
        ([-81.38, 42.2], [0.0, float("nan")]),
        ([-81.38, 42.3], "P3"),
    )
    result = call("import-points", path, "--crs", "EPSG:32617", "--dry-run")
    assert result.exit_code == 2
    assert "p.geojson: field must be plain text or a number in every feature" in result.output
    assert result.output.count("p.geojson") == 1


def test_an_empty_point_is_no_place_off_africa(tmp_path: Path) -> None:
    path = layer(tmp_path, ([], "A"), ([-81.38, 42.1], "B"))
    result = call("import-points", path, "--crs", "EPSG:32617", "--dry-run")
    assert result.exit_code == 2
    assert "p.geojson:1: geometry must have a position" in result.output
    assert "p.geojson:2" not in result.output
