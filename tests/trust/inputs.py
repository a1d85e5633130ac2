"""Mutated inputs by the hundred thousand: none may end in a traceback, hang or fill the machine.

    python -m tests.trust.inputs --number 101000 --seed 11 --table tests/trust/inputs.md

The number is shared out by how much is to be spoilt in a kind of file, but each kind gets a fair
part, up to some hundred. The kind with the fewest comes next, a hundred files at a time, and the
table is written after each hundred: a run that was ended goes on with `--go-on`, behind what the
table has. After a mend `--only` judges one kind anew.

For each kind of file in `kinds.KINDS` half of the mutations come of hypothesis strategies derived
from the schemas, half of byte mutators. A worker is forked with everything imported, takes some
hundred files one after the other through the command line's own code, and says of each how it
ended. A worker that dies or hangs is seen from outside; the next one goes on behind that file.

The promise for each file: exit code 0, 1 or 2, words where it is 2, nothing written where it is 2,
no traceback and no warning of Python (what GDAL has to say of a file comes as one, and is left),
less than 10 s of processor and 1 GiB of memory.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import re
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
from hypothesis import HealthCheck, Phase, given, seed, settings
from typer.main import get_command

from lateralline import api
from lateralline.cli import app
from lateralline.cli.command import TRACEBACK, UNFORESEEN, _message
from tests.trust.examples import NO_FILES, contents, each_column, found
from tests.trust.kinds import KINDS, READ, Door, FileKind, make_home

MOST_S: Final = 10.0
MOST_MIB: Final = 1024.0
_HANGS_S: Final = 60.0  # of the clock on the wall: the machine may be busy
_ADDRESSES: Final = 8 << 30  # bytes; so that a failure ends a worker and not the machine
_OF_WORKER: Final = 100
#: Files that every kind gets at least, of a number that has so many for each.
_LEAST: Final = 300
_FEW: Final = 0.25  # share of a kind that has few fixed examples
DOCUMENTED: Final = (0, 1, 2)


@dataclass(frozen=True, slots=True)
class Ended:
    """How one file ended."""

    code: int
    seconds: float
    mib: float
    wrong: str = ""  # what broke the promise; "" where nothing did
    where: str = ""  # the last frames, by which failures are told apart


@dataclass(slots=True)
class Tally:
    """What came of all files of a kind."""

    mutated: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    seconds: float = 0.0
    mib: float = 0.0
    total_s: float = 0.0
    broken: int = 0

    def add(self, end: Ended) -> None:
        self.mutated += 1
        self.codes[end.code] += 1
        self.seconds, self.mib = max(self.seconds, end.seconds), max(self.mib, end.mib)
        self.total_s += end.seconds
        self.broken += bool(end.wrong)


# ---- one file, inside a worker ----------------------------------------------------------------


def _memory_reset() -> None:
    with contextlib.suppress(OSError):  # a system without it: the peak of the worker so far counts
        Path("/proc/self/clear_refs").write_text("5")


def _memory_mib() -> float:
    with contextlib.suppress(OSError):
        found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
        if found:
            return int(found[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _last_frames(text: str) -> str:
    frames = re.findall(r'File "([^"]+)", line (\d+), in (\S+)', text)
    own = [f"{Path(f).name}:{n} {name}" for f, n, name in frames]
    return " < ".join(reversed(own[-3:]))


def through(door: Door) -> tuple[int, str, str]:
    """Take the files as they lie through a door: its exit code, all words, and the traceback."""
    if door[0] == READ:
        try:
            api.read(door[1])
        except Exception as e:
            words, code = _message(e)
            return code, words, traceback.format_exc() if code == UNFORESEEN else ""
        return 0, "", ""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            get_command_line()(list(door), prog_name="lateralline")
            code = 0
        except SystemExit as e:
            code = e.code if isinstance(e.code, int) else 1
        except BaseException:
            return UNFORESEEN, out.getvalue(), traceback.format_exc()
    words = out.getvalue() + err.getvalue()
    at = words.find("Traceback (most recent")
    return code, words, words[at:] if at >= 0 else ""


_lines: list[object] = []


def get_command_line() -> object:
    """The command line, taken apart once: that is most of what a refusal costs."""
    if not _lines:
        _lines.append(get_command(app))
    return _lines[0]


def _names() -> set[str]:
    return {path.name for path in Path().iterdir()}


def judged(door: Door) -> Ended:
    """Take the files through a door, and hold how that ended to the promise."""
    before = _names()
    _memory_reset()
    began = time.process_time()
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        code, words, trace = through(door)
    seconds, mib = time.process_time() - began, _memory_mib()
    left = sorted(_names() - before)
    for name in left:
        shutil.rmtree(name) if Path(name).is_dir() else Path(name).unlink()
    wrong, where = "", _last_frames(trace)
    if trace or code not in DOCUMENTED or "please report" in words:
        fault = re.search(r"\((\w+\.py:\d+)\)", words)
        where = where or (fault[1] if fault else "")
        wrong = (
            f"exit code {code}: " + (trace.strip().splitlines() or words.splitlines() or [""])[-1]
        )
    elif code == 2 and not words.strip():
        wrong = "refused without a word"
    elif code == 2 and left:
        wrong = f"refused, and left {left} behind"
    elif odd := [w for w in warned if "pyogrio" not in w.filename]:
        w = odd[0]
        wrong, where = f"warns: {w.message}", f"{Path(w.filename).name}:{w.lineno}"
    elif seconds > MOST_S:
        wrong = f"took {seconds:.1f} s"
    elif mib > MOST_MIB:
        wrong = f"took {mib:.0f} MiB"
    return Ended(code, seconds, mib, wrong[:300], where)


# ---- workers ----------------------------------------------------------------------------------

Case: TypeAlias = tuple[bytes | str, Door]  # bytes, or what is there in place of a file


def served(home: Path, path: str, cases: Sequence[Case]) -> Iterator[Ended]:
    """Yield how each file ended, in order, whatever becomes of the workers."""
    done = 0
    while done < len(cases):
        for end in _of_one_worker(home, path, cases[done:]):
            done += 1
            yield end


def _of_one_worker(home: Path, path: str, cases: Sequence[Case]) -> Iterator[Ended]:
    """Yield how files ended until a worker has done all, or died at one."""
    reading, writing = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        _work(home, path, cases, writing)
    os.close(writing)
    told, came, ended = 0, b"", False
    reason = ""
    try:
        while told < len(cases):
            if not select.select([reading], [], [], _HANGS_S)[0]:
                reason = f"hung for {_HANGS_S:.0f} s"
                break
            more = os.read(reading, 1 << 16)
            came += more
            *lines, came = came.split(b"\n")
            for line in lines:
                told += 1
                yield Ended(**json.loads(line))
            if ended := not more:
                break
    finally:
        os.close(reading)
        if not ended:
            os.kill(pid, signal.SIGKILL)
        status = os.waitpid(pid, 0)[1]
    if told < len(cases):
        code = os.waitstatus_to_exitcode(status)
        how = f"exit code {code}" if code >= 0 else f"signal {-code}"
        reason = reason or f"ended the worker with {how}"
        yield Ended(-1, _HANGS_S if "hung" in reason else 0.0, 0.0, reason)


def _work(home: Path, path: str, cases: Sequence[Case], writing: int) -> None:
    """Judge file after file in this process, a worker, and end it."""
    try:
        resource.setrlimit(resource.RLIMIT_AS, (_ADDRESSES, _ADDRESSES))
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        os.environ[TRACEBACK] = "1"
        os.chdir(home)
        file = Path(path)
        for n, (content, door) in enumerate(cases):
            _put(file, content)
            if isinstance(content, bytes):  # else two files of a moment may seem one
                os.utime(file, (1_700_000_000 + n, 1_700_000_000 + n))
            end = judged(door)
            os.write(writing, json.dumps(asdict(end)).encode() + b"\n")
    finally:
        os._exit(0)


def _put(file: Path, content: bytes | str) -> None:
    """Put a file in its place; a reader that holds the last one open keeps that."""
    if file.is_dir() and not file.is_symlink():
        file.rmdir()
    file.unlink(missing_ok=True)
    if isinstance(content, bytes):
        file.write_bytes(content)
    else:
        NO_FILES[content](file)


# ---- mutations --------------------------------------------------------------------------------


def mutations(kind: FileKind, home: Path, number: int, seed_: int) -> list[Case]:
    """The files of a kind, spoilt: half by its schema where it has one, the others by bytes."""
    number_of_kind = next(n for n, k in enumerate(KINDS) if k is kind)
    rng = np.random.default_rng([seed_, number_of_kind])
    sound = (home / kind.path).read_bytes()
    contents: list[bytes] = []
    if kind.strategy is not None:
        strategy = kind.strategy(home)

        @seed(seed_ * 1000 + number_of_kind)
        @settings(
            max_examples=max(1, number // 2),
            phases=[Phase.generate],
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        )
        @given(strategy)
        def collect(content: bytes) -> None:
            contents.append(content)

        collect()
    contents += [kind.by_bytes(sound, rng) for _ in range(number - len(contents))]
    odds, doors = zip(*kind.doors, strict=True)
    chosen = rng.choice(len(doors), len(contents), p=np.array(odds) / sum(odds))
    return [(content, doors[int(n)]) for content, n in zip(contents, chosen, strict=True)]


def run(
    number: int,
    seed_: int,
    home: Path,
    only: str = "",
    keep: Path | None = None,
    before: Mapping[str, Tally] | None = None,
    done: Callable[[dict[str, Tally]], None] = lambda _: None,
) -> tuple[dict[str, Tally], dict[tuple[str, str], tuple[str, int]]]:
    """Judge a number of mutations: what came of each kind, and failures with how many.

    `before` is what was judged already and counts; `done` gets all that came, time and again, as
    long as nothing broke a promise.
    """
    kinds = [k for k in KINDS if only in k.name]
    tallies = {k.name: (before or {}).get(k.name, Tally()) for k in kinds}
    failures: dict[tuple[str, str], tuple[str, int]] = {}
    whole, least = sum(k.share for k in KINDS), max(2, min(_LEAST, number // len(KINDS)))
    asked = {k.name: max(least, round(number * k.share / whole)) for k in kinds}
    while short := [k for k in kinds if tallies[k.name].mutated < asked[k.name]]:
        kind = min(short, key=lambda k: tallies[k.name].mutated)
        sound, tally = (home / kind.path).read_bytes(), tallies[kind.name]
        part, left = tally.mutated // _OF_WORKER, asked[kind.name] - tally.mutated
        cases = mutations(kind, home, min(left, _OF_WORKER), seed_ + 7919 * part)
        for (content, door), end in zip(cases, served(home, kind.path, cases), strict=True):
            tally.add(end)
            if end.wrong:
                key = (kind.name, end.where or end.wrong)
                example, many = failures.get(key, (f"{' '.join(door)}: {end.wrong}", 0))
                failures[key] = (example, many + 1)
                if keep is not None and many < 2:
                    name = re.sub(r"\W+", "-", f"{kind.name} {key[1]}")[:90]
                    (keep / f"{name}.{many}{Path(kind.path).suffix}").write_bytes(content)
                    (keep / f"{name}.txt").write_text(f"{example}\n{end.where}\n")
        (home / kind.path).write_bytes(sound)
        if not failures:
            done(tallies)
        print(f"{kind.name}: {tally.mutated} of {asked[kind.name]}, {tally.total_s:.0f} s",
              flush=True)  # fmt: skip
    return tallies, failures


def run_fixed(home: Path, only: str = "") -> list[str]:
    """Judge every fixed example, or those of some kinds; return what broke a promise."""
    wrong: list[str] = []

    def judge(path: str, cases: list[Case], codes: list[tuple[int, ...]]) -> None:
        sound = (home / path).read_bytes()
        for case, code, end in zip(cases, codes, served(home, path, cases), strict=True):
            if end.wrong or end.code not in code:
                what = case[0] if isinstance(case[0], str) else case[0][:40]
                wrong.append(f"{path} {what!r} by {' '.join(case[1])}: {end}")
        _put(home / path, sound)

    for kind in (k for k in KINDS if only in k.name):
        door = kind.doors[0][1]
        sound = (home / kind.path).read_bytes()
        given_: list[bytes | str] = [*NO_FILES, *contents(Path(kind.path).suffix, sound)]
        if kind.share < _FEW:  # what opens these does half a second of work whatever stands there
            given_ = given_[: len(NO_FILES) + 5]
        if kind.name in ("marks.csv", "stops.csv", "control.csv", "exposures.csv"):
            given_ += each_column(kind, sound)
        judge(kind.path, [(c, door) for c in given_], [DOCUMENTED] * len(given_))
    for path, content, door, code in () if only else found(home):
        judge(path, [(content, door)], [(code,)])
    return wrong


def warm(home: Path) -> None:
    """Take the sound files through each door once, so that workers are forked with all loaded."""
    before = Path.cwd()
    os.chdir(home)
    try:
        for kind in KINDS:
            for _, door in kind.doors:
                end = judged(door)
                if end.code not in (0, 1) or end.wrong:
                    raise SystemExit(
                        f"sound {kind.name} by {' '.join(door)}: {end}: {through(door)}"
                    )
    finally:
        os.chdir(before)


def table(tallies: dict[str, Tally], command: str) -> str:
    """The table by kind of file, with the command that made it."""
    short = [name for name, t in tallies.items() if t.mutated < _LEAST]
    ended = f"The command was ended before these kinds had their {_LEAST}: {', '.join(short)}."
    lines = [
        "# Mutated inputs",
        "",
        "What came of spoilt files, by kind: half spoilt by the schemas (hypothesis), half byte by",
        "byte. *Clean*: exit code 0 or 1, read or built with its findings; *told*: exit code 2,",
        "refused in words with nothing written. No other end, traceback or warning of Python is",
        "among them, or there would be no table. Seconds are of the processor, MiB the peak of the",
        "process with all that it had loaded before. Invented sites only. Made by",
        "",
        f"    {command}",
        "",
        *([ended, ""] if short else []),
        "| kind of file | mutated | clean | faults told | longest s | largest MiB |",
        "| --- | --: | --: | --: | --: | --: |",
    ]
    for name, t in tallies.items():
        clean = t.codes[0] + t.codes[1]
        lines.append(
            f"| {name} | {t.mutated} | {clean} | {t.codes[2]} | {t.seconds:.2f} | {t.mib:.0f} |"
        )
    all_of = tallies.values()
    told = sum(t.codes[2] for t in all_of)
    whole = sum(t.mutated for t in all_of)
    longest, largest = max(t.seconds for t in all_of), max(t.mib for t in all_of)
    lines.append(f"| **all** | {whole} | {whole - told} | {told} | {longest:.2f} | {largest:.0f} |")
    return "\n".join(lines) + "\n"


_ROW: Final = re.compile(r"^\| (.+?) \| (\d+) \| (\d+) \| (\d+) \| ([\d.]+) \| (\d+) \|$", re.M)


def tallies_of(page: str) -> dict[str, Tally]:
    """Return what a table says of each kind."""
    known = {kind.name for kind in KINDS}
    return {
        name: Tally(int(many), Counter({0: int(clean), 2: int(told)}), float(longest), float(mib))
        for name, many, clean, told, longest, mib in _ROW.findall(page)
        if name in known
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it; exit code 1 where a promise was broken."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--number", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="part of the name of a kind")
    parser.add_argument("--keep", type=Path, help="folder for files that broke a promise")
    parser.add_argument("--fixed", action="store_true", help="fixed examples too")
    parser.add_argument("--table", type=Path, help="write what came of all kinds into this file")
    parser.add_argument("--go-on", action="store_true", help="behind what the table has")
    asked = parser.parse_args(arguments)
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    os.environ["PROJ_NETWORK"] = "OFF"
    before: dict[str, Tally] = {}
    if asked.go_on and asked.table is not None and asked.table.exists():
        before = tallies_of(asked.table.read_text(encoding="utf-8"))

    def done(tallies: dict[str, Tally]) -> None:
        if asked.table is not None and not asked.only:
            asked.table.write_text(table(tallies, command), encoding="utf-8")

    command = f"python -m tests.trust.inputs --number {asked.number} --seed {asked.seed} "
    command += "--table tests/trust/inputs.md" + " --go-on" * bool(before)
    memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # a file costs less there
    with tempfile.TemporaryDirectory(dir=memory) as temporary:
        home = Path(temporary) / "home"
        home.mkdir()
        make_home(home)
        warm(home)
        wrong = run_fixed(home, asked.only) if asked.fixed else []
        tallies, failures = run(
            asked.number, asked.seed, home, asked.only, asked.keep, before, done
        )
    total = sum(t.mutated for t in tallies.values())
    print(f"{total} mutated inputs, {sum(t.total_s for t in tallies.values()):.0f} s of processor")
    for (kind, where), (example, many) in sorted(failures.items(), key=lambda f: -f[1][1]):
        print(f"BROKEN {many} × {kind}: {example}\n    {where}")
    print(*(f"BROKEN {one}" for one in wrong), sep="\n")
    return 1 if failures or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
