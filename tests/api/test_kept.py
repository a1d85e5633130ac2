"""What was built once is not built again, and nothing tells afterwards that it was not."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from lateralline import api, batch, kept
from lateralline.output.entries import Entries
from tests.support.command import content
from tests.support.places import SAMPLES
from tests.support.village import make_village

EPOCH = "1778155200"


@pytest.fixture(autouse=True)
def _one_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of sites that go through the stages, in this process."""
    names: list[str] = []
    honest = batch.through

    def through(site: Path, *rest: object) -> object:
        names.append(site.name)
        return honest(site, *rest)

    monkeypatch.setattr(batch, "through", through)
    return names


def as_without(sites: Path, tmp_path: Path) -> dict[str, bytes]:
    """What a build makes of copies of sites, as they are now, with nothing kept."""
    copies, out = tmp_path / "again" / sites.name, tmp_path / "again-out"
    shutil.rmtree(copies, ignore_errors=True)
    shutil.copytree(sites, copies)
    api.build([copies], out, workers=1, replace=True)
    return content(out)


def test_only_what_changed_is_built_again(tmp_path: Path, built: list[str]) -> None:
    sites, out, cache = tmp_path / "sites", tmp_path / "out", tmp_path / "cache"
    make_village(sites, 5)

    def build() -> list[str]:
        built.clear()
        api.build([sites], out, cache=cache, workers=1, replace=True)
        return list(built)

    everything = [f"PR-{n:03d}" for n in range(1, 6)]
    assert build() == everything
    assert build() == []  # though ids.csv is new beside each
    assert content(out) == as_without(sites, tmp_path)
    toml = sites / "PR-003" / "site.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "# looked at again\n", encoding="utf-8")
    assert build() == ["PR-003"]
    (sites / "PR-002" / "photos").mkdir()
    assert build() == ["PR-002"]
    (sites / "PR-004" / "ids.csv").unlink()  # as it was found at first
    assert build() == []
    shutil.rmtree(sites / "PR-001")  # whose levels were the first
    assert "PR-002" in build()
    assert content(out) == as_without(sites, tmp_path)
    for entry in cache.rglob("*.entry"):
        entry.write_bytes(entry.read_bytes()[:-1] + b"?")
    assert build() == everything[1:]
    assert len(list(cache.rglob("*.entry"))) == 5  # one a site, whatever became of it
    assert not list(cache.rglob("*.new"))


def test_what_a_batch_asks_for_counts(tmp_path: Path, built: list[str]) -> None:
    sites, cache = tmp_path / "sites", tmp_path / "cache"
    shutil.copytree(SAMPLES / "tape-ties", sites / "a")
    for n, crs in enumerate((None, "EPSG:32618", "EPSG:32618")):
        built.clear()
        api.build([sites], tmp_path / f"out-{n}", crs=crs, cache=cache, workers=1)
        assert built == (["a"] if n < 2 else [])
    with pytest.raises(ValueError, match="outside of what is built"):
        api.build([sites], tmp_path / "out", cache=tmp_path / "out" / "kept")


def test_a_file_that_a_site_names_outside_of_it_counts(tmp_path: Path) -> None:
    site = tmp_path / "a"
    shutil.copytree(SAMPLES / "tape-ties", site)
    learned = tmp_path / "learned.toml"
    learned.write_text("[accuracy]\n", encoding="utf-8")
    toml = site / "site.toml"
    toml.write_text(toml.read_text() + '\n[accuracy]\nfrom = "../learned.toml"\n', encoding="utf-8")
    keys = kept.Kept(Entries(tmp_path / "none"), "")
    first = keys.key(site)
    learned.write_text("[accuracy]\nmark = 0.05\n", encoding="utf-8")
    assert keys.key(site) != first
    assert keys.recall(site, first, None) is None  # and nothing is kept where no folder is
    assert not (tmp_path / "none").exists()


def test_an_entry_runs_nothing(tmp_path: Path) -> None:
    """Whoever wrote it: what it may call are classes that hold values."""
    import pickle

    entries = Entries(tmp_path / "cache")
    entries.begin()
    keys, touched = kept.Kept(entries, ""), tmp_path / "touched"

    class Evil:
        def __reduce__(self) -> tuple[Callable[..., object], tuple[object, ...]]:
            return os.system, (f"touch {touched}",)

    site = tmp_path / "a"
    shutil.copytree(SAMPLES / "tape-ties", site)
    key = keys.key(site)
    entries.put(str(site.resolve()), key, kept._packed(pickle.dumps(Evil())))
    assert entries.get(str(site.resolve()), key)
    assert keys.recall(site, key, None) is None
    assert not touched.exists()


# ---- builds that are interrupted ------------------------------------------------------------


def sketches(folder: Path, count: int) -> None:
    for n in range(count):
        site = folder / f"S{n:02d}"
        shutil.copytree(SAMPLES / "local-sketch", site)
        (site / "ids.csv").unlink(missing_ok=True)
        toml = site / "site.toml"
        text = toml.read_text(encoding="utf-8")
        toml.write_text(text.replace('id = "', f'id = "S{n:02d}-', 1), encoding="utf-8")


def test_a_build_of_many_that_fails_leaves_no_folder(tmp_path: Path) -> None:
    sites = tmp_path / "sites"
    sketches(sites, 8)
    for table in sites.rglob("marks.csv"):
        table.unlink()
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(api.NothingBuiltError):
        api.build(sites, tmp_path / "new" / "out", workers=1)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_build_interrupted_twice_ends_as_one_in_a_single_go(tmp_path: Path) -> None:
    """Killed, then by Ctrl-C, among forty sites; nothing is built twice, and nothing stays."""
    home = tmp_path / "home"
    home.mkdir()
    sketches(home / "sites", 40)
    unfinished = home / ".out.unfinished"
    command = [
        sys.executable, "-c", "from lateralline.cli import main; main()",
        "build", "sites", "-o", "out", "--workers", "2",
    ]  # fmt: skip
    env = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    made: dict[Path, int] = {}
    for how, enough in ((signal.SIGKILL, 6), (signal.SIGINT, 16)):
        with subprocess.Popen(command, cwd=home, env=env, stderr=subprocess.PIPE) as building:
            while len(list(unfinished.rglob("*.entry"))) < enough:
                assert building.poll() is None
                time.sleep(0.02)
            building.send_signal(how)
            assert building.stderr is not None
            said = building.stderr.read().decode()
        assert building.returncode == (-9 if how == signal.SIGKILL else 130), said
        assert not (home / "out").exists()
        assert not list((home / "sites").rglob("ids.csv"))
        before, made = made, {p: p.stat().st_mtime_ns for p in unfinished.rglob("*.entry")}
        assert before.items() <= made.items()
    assert "the same command goes on from there" in said
    assert len(made) < 40
    subprocess.run(command, cwd=home, env=env, check=False, capture_output=True)
    assert {p.name for p in home.iterdir()} == {"sites", "out"}
    ids = {p.parent.name: p.read_bytes() for p in home.rglob("ids.csv")}
    assert len(ids) == 40
    for path in home.rglob("ids.csv"):
        path.unlink()
    api.build(home / "sites", tmp_path / "one-go", workers=1)
    assert content(home / "out") == content(tmp_path / "one-go")
    assert ids == {p.parent.name: p.read_bytes() for p in home.rglob("ids.csv")}
