"""Sites behind URLs are built as from a disk; faults name the URL, and nothing of it stays here."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lateralline import api, batch
from lateralline.errors import MissingExtraError
from lateralline.ingest import remote
from lateralline.ingest.remote import rewrite_behind, url_of
from tests.support.command import content, run
from tests.support.places import SAMPLES

fsspec = pytest.importorskip("fsspec", reason="needs the extra remote: fsspec")

EPOCH = "1778155200"
CITY = "memory://city"


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """An object store in memory, and a folder of its own for what is brought here."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    brought = tmp_path / "brought"
    brought.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(brought))
    memory = fsspec.filesystem("memory")
    monkeypatch.setattr(remote, "_found", set())
    memory.store.clear()
    memory.pseudo_dirs[:] = [""]
    yield memory
    memory.store.clear()
    left = [p.name for p in brought.iterdir() if p.name.startswith("lateralline-site-")]
    assert left == []


def put(store: Any, name: str, sample: str = "local-sketch") -> None:
    for path in sorted((SAMPLES / sample).rglob("*")):
        if path.is_file() and path.name != "ids.csv":
            to = f"/city/{name}/{path.relative_to(SAMPLES / sample).as_posix()}"
            store.pipe_file(to, path.read_bytes())


def copied(folder: Path, name: str, sample: str = "local-sketch") -> Path:
    shutil.copytree(SAMPLES / sample, folder / name, ignore=shutil.ignore_patterns("ids.csv"))
    return folder / name


def test_a_site_behind_a_url_is_built_as_from_a_disk(store: Any, tmp_path: Path) -> None:
    """Layers, photos, manifest and what is kept of its ids, to the byte."""
    sample = "slope-levels"  # which has photos
    put(store, sample, sample)
    api.build(f"{CITY}/{sample}", tmp_path / "out", also=["photos"], workers=1)
    site = copied(tmp_path / "disk", sample, sample)
    api.build(site, tmp_path / "meant", also=["photos"], workers=1)
    assert content(tmp_path / "out") == content(tmp_path / "meant")
    assert any(name.startswith("photos/") for name in content(tmp_path / "out"))
    kept = store.cat_file(f"/city/{sample}/ids.csv")
    assert kept == (site / "ids.csv").read_bytes()
    assert b"minted" in kept


def test_a_folder_of_sites_names_its_faults_by_url(store: Any, tmp_path: Path) -> None:
    put(store, "a")
    put(store, "b", "faulty")
    store.pipe_file("/city/notes/readme.txt", b"no site")
    done = run("build", CITY, "-o", tmp_path / "out", "--workers", 1)
    assert done.exit_code == 1, done.output
    local = run("build", copied(tmp_path, "b", "faulty"), "-o", tmp_path / "none")
    faults = [line.removeprefix(f"{tmp_path}/b/") for line in local.output.splitlines()
              if line.startswith(f"{tmp_path}/b/")]  # fmt: skip
    assert len(faults) > 5
    for fault in faults:
        assert f"{CITY}/b/{fault}" in done.output
    assert f"{CITY}/notes" not in done.output
    assert (tmp_path / "out" / "asbuilt.gpkg").is_file()
    checked = run("check", f"{CITY}/a", "--json")
    assert f'"source": "{CITY}/a"' in checked.output


def test_what_is_kept_of_a_site_holds_while_the_objects_are_unchanged(
    store: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    built: list[str] = []
    honest = batch.through

    def through(site: Path, *rest: object) -> object:
        built.append(site.name)
        return honest(site, *rest)

    monkeypatch.setattr(batch, "through", through)
    put(store, "a")

    def build() -> list[str]:
        built.clear()
        api.build([CITY], tmp_path / "out", cache=tmp_path / "kept", workers=1, replace=True)
        return list(built)

    assert build() == ["a"]
    assert build() == []
    text = store.cat_file("/city/a/site.toml")
    store.pipe_file("/city/a/site.toml", text + b"# looked at again\n")
    assert build() == ["a"]


def test_a_store_that_takes_nothing_loses_no_record(
    store: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(store, "a")

    def refuse(*_: object, **__: object) -> None:
        raise NotImplementedError("read-only")

    monkeypatch.setattr(type(store), "pipe_file", refuse)
    record = api.build(f"{CITY}/a", tmp_path / "out")
    ((file, why),) = record.unkept.items()
    assert url_of(file) == f"{CITY}/a/ids.csv"
    assert "read-only" in why
    assert record.sites


def test_ids_that_somebody_else_wrote_meanwhile_are_not_overwritten(store: Any) -> None:
    put(store, "a")
    store.pipe_file("/city/a/ids.csv", b"theirs")
    with pytest.raises(OSError, match=r"memory://city/a/ids\.csv was changed meanwhile"):
        rewrite_behind(Path(f"{CITY}/a/ids.csv"), b"ours", b"")
    assert store.cat_file("/city/a/ids.csv") == b"theirs"


def test_what_is_too_large_to_be_read_is_not_brought(
    store: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(store, "a")
    store.pipe_file("/city/a/marks.csv", b"x" * 10_000_001)
    store.pipe_file("/city/a/film.mov", b"x")
    honest, asked = type(store).cat_file, []

    def cat_file(self: object, path: str, **more: object) -> object:
        asked.append(path)
        return honest(self, path, **more)

    monkeypatch.setattr(type(store), "cat_file", cat_file)
    done = run("check", f"{CITY}/a")
    assert done.exit_code == 2
    assert f"{CITY}/a/marks.csv: file must be at most 10 MB" in " ".join(done.output.split())
    assert asked
    assert not {"/city/a/marks.csv", "/city/a/film.mov"} & set(asked)


@pytest.mark.parametrize(
    ("url", "said"),
    [
        (f"{CITY}/nowhere", "no site behind memory://city/nowhere"),
        ("nosuch://city/a", "nosuch://city/a cannot be read (Protocol not known: nosuch)"),
        (f"{CITY}/bulk", "memory://city/bulk holds tables of many sites"),
    ],
)
def test_a_url_without_a_site_is_told_at_once(
    store: Any, tmp_path: Path, url: str, said: str
) -> None:
    store.pipe_file("/city/bulk/sites.csv", b"site\n")
    done = run("build", url, "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert said in " ".join(done.output.replace("│", " ").split())
    assert not (tmp_path / "out").exists()


def test_without_fsspec_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fsspec.core", None)
    done = run("build", "s3://city/a", "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert 'a site at s3://city/a needs: pip install "lateralline[remote]"' in done.output
    with pytest.raises(MissingExtraError):
        api.read("s3://city/a")


def test_a_file_url_is_a_path_of_this_machine(tmp_path: Path) -> None:
    site = copied(tmp_path / "with blank", "a")
    assert api.find_sites([Path(f"file://{tmp_path}/with%20blank")]) == [site]
    assert api.read(f"file://{tmp_path}/with%20blank/a").source == site


def test_a_site_that_goes_away_is_a_failure_and_the_others_go_on(
    store: Any, tmp_path: Path
) -> None:
    put(store, "a")
    put(store, "b")
    text = store.cat_file("/city/b/site.toml")
    store.pipe_file("/city/b/site.toml", text.replace(b'id = "', b'id = "B-', 1))
    sites = api.find_sites([Path(CITY)])
    store.rm("/city/a", recursive=True)
    record = api.build(sites, tmp_path / "out", workers=1)
    (failure,) = record.failures
    assert failure.home == f"{CITY}/a"
    assert failure.message.startswith(f"{CITY}/a cannot be read (")
