"""Every command that writes, against what may stand at its target: its own, changed, foreign."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from lateralline.output import proof, system
from lateralline.output.whole import PartFolder
from tests.support.command import run
from tests.support.places import SAMPLES

POINTS = (
    "--crs", "EPSG:3734", "--order", "pnezd", "--units", "us-ft", "--surveyed", "2026-05-06",
    "--run", "R1:L1:CO1:with:1.15:0.10",
)  # fmt: skip


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("record") / "out"
    assert run("build", SAMPLES / "gnss-bend-branch", "-o", out).exit_code in (0, 1)
    return out


@pytest.fixture(scope="module")
def city(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("city") / "out"
    sites = (SAMPLES / "tape-ties", SAMPLES / "slope-levels")
    assert run("build", *sites, "-o", out).exit_code in (0, 1)
    return out


@pytest.fixture(scope="module")
def sketch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The smallest record there is, for what is drawn."""
    out = tmp_path_factory.mktemp("sketch") / "out"
    assert run("build", SAMPLES / "local-sketch", "-o", out).exit_code in (0, 1)
    return out


Write = Callable[[Path, Path, Path], tuple[object, ...]]

#: What can be drawn of any record is drawn of the sketch.
DRAWN = {"plan.png", "plan.svg", "plan.pdf", "sheet.pdf", "page.html", "pages"}
#: A file or folder of each kind of proof, replaced unchanged too.
OF_EACH_PROOF = {"plan.png", "plan.svg", "page.html", "tapes.gpkg", "codes.toml"}
#: Each file a command writes: what it is called, and the command with the record and a city.
FILES: dict[str, Write] = {
    "plan.png": lambda r, c, o: ("draw", r, "-o", o),
    "plan.svg": lambda r, c, o: ("draw", r, "-o", o),
    "plan.pdf": lambda r, c, o: ("draw", r, "-o", o),
    "sheet.pdf": lambda r, c, o: ("sheet", r, "-o", o, "--paper", "A4"),
    "page.html": lambda r, c, o: ("page", r, "-o", o),
    "cards.pdf": lambda r, c, o: ("ties", c, "--site", "QH-014", "-o", o),
    "tapes.gpkg": lambda r, c, o: ("ties", c, "--site", "QH-014", "--tapes", o),
    "tapes.geojson": lambda r, c, o: ("ties", c, "--site", "QH-014", "--tapes", o),
    "site.dxf": lambda r, c, o: ("export", r, "-o", o),
    "site.kml": lambda r, c, o: ("export", r, "-o", o),
    "zones.png": lambda r, c, o: (
        "zones", r, "--rule", "cga", "-o", o.parent / "z", "--picture", o,
    ),
    "near.png": lambda r, c, o: (
        "clearance", r, SAMPLES / "planned-works" / "quarry-plan.geojson", "--required", "0.3m",
        "-o", o.parent / "c", "--picture", o,
    ),
    "codes.toml": lambda r, c, o: ("import-points", "--write-codes", o),
    "kerb.pdf": lambda r, c, o: ("field-sheet", "-o", o),
}  # fmt: skip

#: The same for folders.
FOLDERS: dict[str, Write] = {
    "built": lambda r, c, o: ("build", SAMPLES / "local-sketch", "-o", o),
    "sheets": lambda r, c, o: ("sheet", c, "-o", o, "--paper", "A4"),
    "pages": lambda r, c, o: ("page", r, "-o", o),
    "dig": lambda r, c, o: ("zones", r, "--rule", "cga", "-o", o),
    "near": lambda r, c, o: (
        "clearance", r, SAMPLES / "planned-works" / "quarry-plan.geojson", "--required", "0.3m",
        "-o", o,
    ),
    "site": lambda r, c, o: (
        "import-points", SAMPLES / "survey-files" / "quarry-pnezd.txt", *POINTS, "-o", o,
    ),
    "june": lambda r, c, o: (
        "update", SAMPLES / "gnss-bend-branch", SAMPLES / "added" / "gnss-bend-branch", "-o", o,
    ),
}  # fmt: skip


def content(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in system.walk(folder)
        if p.is_file() and not p.is_symlink()
    }


@pytest.mark.parametrize("name", FILES)
def test_a_file_is_replaced_only_with_proof(
    record: Path, sketch: Path, city: Path, tmp_path: Path, name: str
) -> None:
    out = tmp_path / name
    command = FILES[name](sketch if name in DRAWN else record, city, out)
    out.write_text("a file of the user's")
    refused = run(*command, "--replace")
    assert refused.exit_code == 2
    assert "was not written by `lateralline" in refused.output
    assert content(tmp_path) == {name: b"a file of the user's"}

    out.unlink()
    assert run(*command).exit_code in (0, 1)
    made = proof.proof_of(out)
    assert made is not None
    assert made.unchanged
    if name in OF_EACH_PROOF:
        assert run(*command, "--replace").exit_code in (0, 1)
        assert not list(tmp_path.glob("*kept*"))

    if out.suffix == ".gpkg":
        with closing(sqlite3.connect(out)) as db, db:
            db.execute("CREATE TABLE mine (a)")
    else:
        out.write_bytes(out.read_bytes() + b"\n<!-- edited -->\n")
    edited = out.read_bytes()
    kept = out.with_name(f"{out.stem}.kept-1{out.suffix}")
    again = run(*command, "--replace")
    assert again.exit_code in (0, 1)
    assert f"kept as {kept.name}" in again.output
    assert kept.read_bytes() == edited
    assert proof.proof_of(out) == made


@pytest.mark.parametrize("name", FOLDERS)
def test_a_folder_is_replaced_only_with_proof_and_keeps_what_is_the_users(
    record: Path, sketch: Path, city: Path, tmp_path: Path, name: str
) -> None:
    out = tmp_path / name
    command = FOLDERS[name](sketch if name in DRAWN else record, city, out)
    (out / "photos").mkdir(parents=True)
    (out / "photos" / "1.jpg").write_bytes(b"mine")
    refused = run(*command, "--replace")
    assert refused.exit_code == 2
    assert "photos/ and was not written by" in " ".join(refused.output.split())
    assert content(tmp_path) == {f"{name}/photos/1.jpg": b"mine"}

    shutil.rmtree(out)
    assert run(*command).exit_code in (0, 1)
    made = content(out)
    assert "manifest.json" in made
    (out / "site-notes.html").write_bytes(b"mine")
    (out / "photos" / "empty").mkdir(parents=True)
    (out / "link").symlink_to("photos", target_is_directory=True)
    changed = next(n for n in made if n != "manifest.json")
    (out / changed).write_bytes(b"edited")
    assert run(*command, "--replace").exit_code in (0, 1)
    then = content(out)
    assert then.pop("site-notes.html") == b"mine"
    kept = next(n for n in then if ".kept-1" in n)
    assert then.pop(kept) == b"edited"
    assert (out / "photos" / "empty").is_dir()
    assert (out / "link").readlink() == Path("photos")
    assert then.keys() == made.keys()
    assert {p.name for p in tmp_path.iterdir()} == {name}


@pytest.mark.parametrize("name", FOLDERS)
def test_no_command_replaces_the_folder_of_another(
    record: Path, city: Path, tmp_path: Path, name: str
) -> None:
    """A copy of a record, for every command but `build`; a folder of zones for that."""
    out = tmp_path / name
    if name == "built":
        assert run(*FOLDERS["dig"](record, city, out)).exit_code == 0
    else:
        shutil.copytree(record, out)
    before = content(out)
    refused = run(*FOLDERS[name](record, city, out), "--replace")
    assert refused.exit_code == 2
    assert content(out) == before


@pytest.mark.parametrize(
    "command",
    [
        ("new", "OUT"),
        ("new", "OUT.xlsx"),
        ("practice", "OUT"),
        ("upgrade", SAMPLES / "local-sketch", "-o", "OUT"),
        ("zones", "RECORD", "--rule", "cga", "-o", "z", "--picture", "OUT.png"),
    ],
    ids=lambda command: f"{command[0]} {command[1]}",
)
def test_who_refuses_at_once_clears_what_a_dead_run_left(
    record: Path, tmp_path: Path, command: tuple[object, ...]
) -> None:
    """Killed between the last step and the tidying: OUT is there, and its part folder too."""
    given = [tmp_path / c if "OUT" in str(c) else record if c == "RECORD" else c for c in command]
    out = next(path for path in given if isinstance(path, Path) and "OUT" in path.name)
    part = PartFolder.begin(out, folder=True)
    assert part.lock is not None
    part.lock.close()  # as when its process is gone
    out.mkdir()
    refused = run(*given)
    assert refused.exit_code == 2
    assert "is there already" in refused.output
    assert [p.name for p in tmp_path.iterdir()] == [out.name]


@pytest.mark.parametrize(
    ("command", "second"),
    [
        (("ties", "RECORD", "-o", "OUT.pdf", "--tapes", "OUT.gpkg"), "OUT.gpkg"),
        (("new", "OUT.xlsx", "--from", "SITE"), "OUT.ids.csv"),
    ],
    ids=["tapes of cards", "ids of a workbook"],
)
def test_who_is_refused_clears_what_was_left_of_a_second_output(
    record: Path, tmp_path: Path, command: tuple[str, ...], second: str
) -> None:
    """Killed in the tidying: the first is there, and of the second's part folder an empty one."""
    given = [
        {"RECORD": record, "SITE": SAMPLES / "gnss-bend-branch"}.get(c, c)
        if "OUT" not in c
        else tmp_path / c
        for c in command
    ]
    out = next(path for path in given if isinstance(path, Path) and path.parent == tmp_path)
    out.touch()
    part = PartFolder.begin(tmp_path / second, folder=False)
    assert part.lock is not None
    part.lock.close()
    (part.home / "state.json").unlink()
    (part.home / "new").rmdir()
    refused = run(*given)
    assert refused.exit_code == 2
    assert [p.name for p in tmp_path.iterdir()] == [out.name]


WHY = ("--by", "crew", "--reason", "dug", "--on", "2026-06-01")


@pytest.mark.parametrize(
    ("name", "again", "ends"),
    [
        ("site.toml", ("accept", "SITE", "entry-not-located", "run R1", *WHY), 2),
        ("ids.csv", ("build", "SITE", "-o", "OUT", "--replace"), 0),
        ("ids.csv", ("build", "SITE", "-o", "OUT"), 2),
    ],
    ids=["accepted already", "no new id", "out is there"],
)
def test_who_has_nothing_to_add_clears_what_a_dead_run_left(
    tmp_path: Path, name: str, again: tuple[str, ...], ends: int
) -> None:
    """In a folder of the user's: killed once all was added, before the tidying."""
    site, out = tmp_path / "site", tmp_path / "out"
    shutil.copytree(SAMPLES / "gnss-bend-branch", site)
    command = [{"SITE": site, "OUT": out}.get(word, word) for word in again]
    first = command if name == "site.toml" else ["build", site, "-o", out]
    assert run(*first).exit_code == 0
    before = content(site)
    part = PartFolder.begin(site / name, folder=False)
    assert part.lock is not None
    part.lock.close()
    done = run(*command)
    assert done.exit_code == ends, done.output
    assert content(site) == before


def test_no_command_overwrites_the_record_it_reads(city: Path) -> None:
    before = content(city)
    for layer in ("asbuilt.gpkg", "geojson/pipe_nodes.geojson"):
        refused = run("ties", city, "--site", "QH-014", "--tapes", city / layer, "--replace")
        assert refused.exit_code == 2
    assert content(city) == before


def test_tables_added_to_a_record_outlive_the_next_build(tmp_path: Path) -> None:
    out = tmp_path / "out"
    build = ("build", SAMPLES / "local-sketch", "-o", out)
    assert run(*build).exit_code in (0, 1)
    with closing(sqlite3.connect(out / "asbuilt.gpkg")) as db, db:
        db.execute("PRAGMA journal_mode = wal")
    assert run(*build, "--replace").exit_code in (0, 1)
    assert not (out / "asbuilt.kept-1.gpkg").exists()  # only looked at
    with closing(sqlite3.connect(out / "asbuilt.gpkg")) as db, db:
        db.execute("CREATE TABLE inspections (day TEXT)")
    told = run(*build, "--replace")
    assert "asbuilt.gpkg was changed since lateralline wrote it" in told.output
    with closing(sqlite3.connect(out / "asbuilt.kept-1.gpkg")) as db:
        assert db.execute("SELECT count(*) FROM inspections").fetchone() == (0,)


def test_an_update_and_its_build_are_put_in_place_together(tmp_path: Path) -> None:
    site, out = tmp_path / "june", tmp_path / "out"
    update = (*FOLDERS["june"](tmp_path, tmp_path, site), "--build", out)
    out.mkdir()
    (out / "thesis.odt").write_bytes(b"mine")
    assert run(*update, "--replace").exit_code == 2
    assert {p.name for p in tmp_path.iterdir()} == {"out"}
    (out / "thesis.odt").unlink()
    assert run(*update, "--replace").exit_code in (0, 1)
    assert {p.name for p in tmp_path.iterdir()} == {"june", "out"}
