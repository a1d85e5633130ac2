"""A real scheduler with two workers on loopback, one killed midway: nothing is lost or doubled."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from lateralline import api
from tests.api.test_kept import EPOCH, content, sketches

pytest.importorskip("distributed", reason="needs the extra cluster: dask.distributed")

Start = Callable[..., "subprocess.Popen[bytes]"]
ENV = os.environ | {
    "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
    "SOURCE_DATE_EPOCH": EPOCH,
}


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """What starts a process that ends with the test."""
    with ExitStack() as running:

        def begin(*command: object, cwd: Path = tmp_path) -> subprocess.Popen[bytes]:
            with (tmp_path / "log").open("ab") as log:
                process = subprocess.Popen(
                    [sys.executable, *map(str, command)], cwd=cwd, env=ENV, stderr=log,
                    stdout=log,
                )  # fmt: skip
            running.callback(process.wait)
            running.callback(process.kill)
            return process

        yield begin


def until(done: Callable[[], object], log: Path, within_s: float = 180.0) -> None:
    end_s = time.monotonic() + within_s
    while not done():
        assert time.monotonic() < end_s, log.read_text(errors="replace")[-3000:]
        time.sleep(0.02)


def cluster(start: Start, home: Path, *homes: Path) -> tuple[str, list[subprocess.Popen[bytes]]]:
    """The address of a scheduler with a worker in each folder, and the workers."""
    log, about = home / "log", home / "scheduler.json"
    start("-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
          "--no-dashboard", "--scheduler-file", about)  # fmt: skip
    until(about.exists, log)
    of_scheduler = ("--scheduler-file", about, "--no-nanny", "--nthreads", "1", "--no-dashboard")
    workers = [
        start("-m", "distributed.cli.dask_worker", *of_scheduler, "--name", str(n), cwd=place)
        for n, place in enumerate(homes)
    ]
    until(lambda: log.read_text(errors="replace").count("Registered to") >= len(homes), log)
    return json.loads(about.read_text())["address"], workers


def test_a_cluster_builds_what_one_machine_does(
    tmp_path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    sketches(tmp_path / "sites", 16)
    log = tmp_path / "log"
    address, (killed, _) = cluster(start, tmp_path, tmp_path, tmp_path)
    building = start("-c", "from lateralline.cli import main; main()", "build", "sites", "-o",
                     "out", "--cluster", address, "--json")  # fmt: skip
    unfinished = tmp_path / ".out.unfinished"
    until(lambda: len(list(unfinished.rglob("*.entry"))) >= 3, log)
    killed.kill()
    until(lambda: building.poll() is not None, log)
    assert building.returncode in (0, 1), log.read_text(errors="replace")[-3000:]
    assert not unfinished.exists()
    for path in tmp_path.rglob("ids.csv"):
        path.unlink()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    api.build(tmp_path / "sites", tmp_path / "local", workers=1)
    assert content(tmp_path / "out") == content(tmp_path / "local")
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert len({site["id"] for site in manifest["sites"]}) == len(manifest["sites"]) == 16


def test_a_worker_reads_a_url_by_itself(tmp_path: Path, start: Start) -> None:
    """`local://sites` is below the folder a process runs in: the worker's differs by a name."""
    pytest.importorskip("fsspec", reason="needs the extra remote: fsspec")
    there = tmp_path / "of-the-worker"
    for home in (tmp_path, there):
        sketches(home / "sites", 1)
    toml = there / "sites" / "S00" / "site.toml"
    text, found = re.subn(r'(?m)^name = ".*"$', 'name = "As the worker has it"', toml.read_text())
    assert found == 1
    toml.write_text(text)
    address, _ = cluster(start, tmp_path, there)
    building = start("-c", "from lateralline.cli import main; main()", "build", "local://sites",
                     "-o", "out", "--cluster", address, "--json")  # fmt: skip
    until(lambda: building.poll() is not None, tmp_path / "log")
    assert building.returncode in (0, 1), (tmp_path / "log").read_text(errors="replace")[-3000:]
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert [site["name"] for site in manifest["sites"]] == ["As the worker has it"]


def test_a_worker_that_ends_as_it_is_asked_for_its_code_is_not_missed(
    tmp_path: Path, start: Start
) -> None:
    sketches(tmp_path / "sites", 1)
    log = tmp_path / "log"
    address, (silent, _) = cluster(start, tmp_path, tmp_path, tmp_path)
    silent.send_signal(signal.SIGSTOP)
    building = start("-c", "from lateralline.cli import main; main()", "build", "sites", "-o",
                     "out", "--cluster", address)  # fmt: skip
    until(lambda: "code_digest" in log.read_text(errors="replace"), log)  # the other answers
    silent.kill()
    assert building.wait(180) in (0, 1), log.read_text(errors="replace")[-3000:]
    assert (tmp_path / "out" / "asbuilt.gpkg").is_file()


def test_without_a_scheduler_nothing_is_written(tmp_path: Path) -> None:
    sketches(tmp_path / "sites", 1)
    code = "import lateralline.cluster as c; from lateralline.cli import main; c._ANSWERS_S = 1; "
    command = ["build", "sites", "-o", "out", "--cluster", "tcp://127.0.0.1:9"]
    told = subprocess.run(
        [sys.executable, "-c", code + "main()", *command], cwd=tmp_path, env=ENV,
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 2, told.stderr
    assert "no scheduler answers at tcp://127.0.0.1:9" in told.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["sites"]
    shutil.rmtree(tmp_path / "sites")
