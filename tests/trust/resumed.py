"""A build of many sites, interrupted at random moments and resumed, is the one of a single go.

    python -m tests.trust.resumed [--sites 10000] [--times 2] [--workers 2] [--seed 1] [--home DIR]

Invented sites of one line each are built into a folder; the build gets Ctrl-C (SIGINT) at moments
drawn at random, the same command is given again each time, and the last goes to its end. Each
interruption must end with exit code 130, put nothing in place, leave ids of sites alone and keep
every site that was built: none is built twice. Then the ids are removed and the sites are built in
one go by one process. Layers, manifest, dictionary and the ids of every site must be the same to
the byte, and nothing may lie beside them. Exit code 1, and what differs, where that is not so. With
`--home` all of it stays in a folder of yours, which must not be there yet.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path
from typing import Final

from lateralline.proof.city import make_sites

_EPOCH: Final = "1778155200"
_POLL_S: Final = 0.05
#: Of the sites left, between which shares a run is interrupted: while some are done and some not.
_SHARES: Final = (0.1, 0.7)
_INTERRUPTED: Final = 130


@dataclass(frozen=True, slots=True)
class InterruptedRun:
    """One run of the command that got Ctrl-C."""

    built_before: int
    built_after: int
    took_s: float


def digests(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file in a folder, by its path there."""
    made = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        with path.open("rb") as file:
            made[path.relative_to(folder).as_posix()] = file_digest(file, "sha256").hexdigest()
    return made


def unlike(one: dict[str, str], other: dict[str, str]) -> list[str]:
    """Return the names that only one of two holds, or both with another digest."""
    return sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))


def ids_of(sites: Path) -> dict[str, str]:
    """Return the digest of each site's file of ids."""
    return {name: sha for name, sha in digests(sites).items() if name.endswith("/ids.csv")}


def command(out: str, workers: int) -> list[str]:
    """Return the build of the sites of a home."""
    code = "from lateralline.cli import main; main()"
    return [sys.executable, "-c", code, "build", "sites", "-o", out, "--workers", str(workers),
            "--quiet"]  # fmt: skip


def environment() -> dict[str, str]:
    """Return the environment of a process that finds the same lateralline."""
    path = os.pathsep.join(filter(None, sys.path))
    return os.environ | {"PYTHONPATH": path, "SOURCE_DATE_EPOCH": _EPOCH}


def entries(home: Path) -> dict[str, int]:
    """Return when the result of each site was kept that an unfinished build has, by its file."""
    kept = (home / ".out.unfinished").glob("*/*.entry")
    return {path.name: path.stat().st_mtime_ns for path in kept}


def interrupt(home: Path, sites: int, workers: int, rng: random.Random) -> InterruptedRun:
    """Begin the build, or go on with it, and interrupt it; AssertionError for what is not so."""
    before = entries(home)
    left = sites - len(before)
    enough = len(before) + max(1, int(left * rng.uniform(*_SHARES)))
    begun_s = time.monotonic()
    with subprocess.Popen(
        command("out", workers), cwd=home, env=environment(), stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
    ) as building:  # fmt: skip
        while building.poll() is None and len(entries(home)) < enough:
            time.sleep(_POLL_S)
        time.sleep(rng.uniform(0.0, 0.2))
        building.send_signal(signal.SIGINT)
        assert building.stderr is not None
        said = building.stderr.read().decode(errors="replace")
    assert building.returncode == _INTERRUPTED, f"exit code {building.returncode}: {said[-2000:]}"
    assert "the same command goes on from there" in said, said[-2000:]
    assert not (home / "out").exists(), "something was put in place"
    assert not ids_of(home / "sites"), "ids were written"
    after = entries(home)
    again = [name for name, at in before.items() if after.get(name) != at]
    assert not again, f"{len(again)} sites were built twice, or lost"
    return InterruptedRun(len(before), len(after), time.monotonic() - begun_s)


def build(home: Path, out: str, workers: int) -> float:
    """Build to the end; return the seconds that took."""
    begun_s = time.monotonic()
    done = subprocess.run(
        command(out, workers), cwd=home, env=environment(), capture_output=True, check=False
    )
    assert done.returncode in (0, 1), done.stderr.decode(errors="replace")[-2000:]
    return time.monotonic() - begun_s


def trial(home: Path, sites: int, times: int, workers: int, rng: random.Random) -> list[str]:
    """Return what differs between a build that was interrupted and one in a single go."""
    make_sites(home / "sites", sites)
    print("| run | sites kept before | sites kept after | s |\n| --- | ---: | ---: | ---: |")
    for n in range(times):
        run = interrupt(home, sites, workers, rng)
        cells = (f"interrupted {n + 1}", run.built_before, run.built_after, f"{run.took_s:.0f}")
        print("|", " | ".join(map(str, cells)), "|", flush=True)
    kept = len(entries(home))
    took_s = build(home, "out", workers)
    print(f"| to its end | {kept} | {sites} | {took_s:.0f} |", flush=True)
    left = {p.name for p in home.iterdir()} - {"sites", "out"}
    ids = ids_of(home / "sites")
    for path in (home / "sites").glob("*/ids.csv"):
        path.unlink()
    took_s = build(home, "one-go", 1)
    print(f"| one go, one process | 0 | {sites} | {took_s:.0f} |", flush=True)
    found = [f"{name} is left" for name in sorted(left)]
    of_ids = unlike(ids, ids_of(home / "sites"))
    found += [f"{name} differs" for name in of_ids]
    found += [] if len(ids) == sites else [f"{len(ids)} of {sites} sites have ids"]
    return found + [f"{n} differs" for n in unlike(digests(home / "out"), digests(home / "one-go"))]


def main(arguments: Sequence[str]) -> int:
    """Run the trial asked for."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--sites", type=int, default=10_000)
    asked.add_argument("--times", type=int, default=2, help="how often it is interrupted")
    asked.add_argument("--workers", type=int, default=2)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--home", type=Path, help="a new folder, which stays")
    given = asked.parse_args(arguments)
    if given.home is not None:
        given.home.mkdir()
    place = tempfile.TemporaryDirectory(prefix="resumed-") if given.home is None else None
    with place or nullcontext(str(given.home)) as home:
        rng = random.Random(given.seed)
        try:
            found = trial(Path(home), given.sites, given.times, given.workers, rng)
        except AssertionError as e:
            found = [str(e)]
    for line in found:
        print(line)
    print("the same to the byte" if not found else f"{len(found)} things are not as in one go")
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
