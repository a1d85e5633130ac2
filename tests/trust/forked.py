"""Commands run in forks of one process that has imported everything, and killed there.

A run is the process tree that the command line makes: a process that calls `lateralline.cli.main`
with the arguments, in a process group, folder and TMPDIR of its own, and the worker processes that
it starts by itself. Only what its start costs is left out, the imports and what is read once, which
was done before the fork; so a kill costs the command. `tests.trust.kills` does some in an
interpreter started anew as well.

`Kill` says when: some time after the start, or before or after the n-th time that the command
changes a name on the disk. What changes names in Python is wrapped for that; what SQLite and GDAL
do to names of their own lies in between, and is met by time alone.
"""

from __future__ import annotations

import atexit
import ctypes
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lateralline.cli import main
from lateralline.output import system

#: What gives names, takes them away or exchanges them.
TOUCHES: Final[tuple[tuple[Any, str], ...]] = (
    (os, "rename"),
    (os, "replace"),
    (os, "link"),
    (os, "symlink"),
    (os, "mkdir"),
    (os, "unlink"),
    (os, "rmdir"),
    (system, "exchange"),
)
#: Those by which an output gets its name.
RENAMES: Final = ("rename", "replace", "link", "exchange")
_SUBREAPER: Final = 36  # PR_SET_CHILD_SUBREAPER of prctl(2), from memory of its manual page
_HANGS_S: Final = 300.0


@dataclass(frozen=True, slots=True)
class Kill:
    """When a run is killed: `after_s` its start, or at its `touch`-th touch of a name."""

    after_s: float = 0.0
    touch: int = 0
    before: bool = True

    def __str__(self) -> str:
        """Say when."""
        if self.touch:
            return f"{'before' if self.before else 'after'} touch {self.touch}"
        return f"after {self.after_s:.3f} s"


@dataclass(frozen=True, slots=True)
class Ran:
    """What became of a run: its exit code (-9 for one that was killed), time, touches, words."""

    code: int
    took_s: float
    cpu_s: float
    touches: tuple[str, ...]
    said: str

    @property
    def killed(self) -> bool:
        """Whether the kill came before the end."""
        return self.code == -signal.SIGKILL


def adopt_orphans() -> None:
    """Let processes whose parent was killed be children of this one: then it can wait for them."""
    ctypes.CDLL(None).prctl(_SUBREAPER, 1, 0, 0, 0)


def run(
    arguments: Sequence[object],
    home: Path,
    apart: Path,
    kill: Kill | None = None,
    more: Mapping[str, str] | None = None,
    prepare: Callable[[], None] | None = None,
) -> Ran:
    """Run a command in the folder `home` and wait until it and all it started are gone.

    `apart` is a folder for its TMPDIR; `more` goes into its environment. `prepare` is
    called in the fork, before the command is.
    """
    temporary, touched = apart / "tmp", apart / "touched"
    temporary.mkdir(parents=True, exist_ok=True)
    touched.unlink(missing_ok=True)
    told = {"TMPDIR": str(temporary), **(more or {})}
    before = _children()
    words, into = os.pipe()  # no file: a full disk must not swallow them
    os.set_blocking(words, False)
    sys.stdout.flush()
    began_s, spent_s = time.monotonic(), _spent_s()
    child = os.fork()
    if child == 0:
        _become(list(map(str, arguments)), home, into, touched, told, kill, prepare)
    os.close(into)
    with suppress(OSError):  # gone already
        os.setpgid(child, child)
    said: list[bytes] = []
    patience_s = kill.after_s if kill is not None and not kill.touch else _HANGS_S
    code = _wait(child, patience_s, words, said)
    took_s = time.monotonic() - began_s
    assert took_s < _HANGS_S, f"{arguments} hangs"
    _wait_for(before)
    _hear(words, said)
    os.close(words)
    names = touched.read_text().split() if touched.exists() else []
    words_said = b"".join(said).decode(errors="replace")
    return Ran(code, took_s, _spent_s() - spent_s, tuple(names), words_said)


def run_anew(
    arguments: Sequence[object], home: Path, apart: Path, kill: Kill, more: Mapping[str, str]
) -> Ran:
    """The same in an interpreter started anew, which imports what it needs; by time alone."""
    temporary, log = apart / "tmp", apart / "said"
    temporary.mkdir(parents=True, exist_ok=True)
    path = os.pathsep.join(filter(None, sys.path))
    told = os.environ | {"PYTHONPATH": path, "TMPDIR": str(temporary), **more}
    before, began_s, spent_s = _children(), time.monotonic(), _spent_s()
    with log.open("wb") as words:
        command = [sys.executable, "-c", "from lateralline.cli import main; main()"]
        process = subprocess.Popen(
            [*command, *map(str, arguments)], cwd=home, env=told, stdin=subprocess.DEVNULL,
            stdout=words, stderr=words, process_group=0,
        )  # fmt: skip
        try:
            code = process.wait(kill.after_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            code = process.wait()
    took_s = time.monotonic() - began_s
    _wait_for(before)
    return Ran(code, took_s, _spent_s() - spent_s, (), log.read_text(errors="replace"))


def _spent_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _hear(words: int, said: list[bytes]) -> None:
    with suppress(BlockingIOError):
        while some := os.read(words, 65536):
            said.append(some)


def _wait(child: int, patience_s: float, words: int, said: list[bytes]) -> int:
    """Return how a child ended; one that has not by then is killed, its group with it."""
    end_s = time.monotonic() + patience_s
    while True:
        _hear(words, said)
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        left_s = end_s - time.monotonic()
        if left_s <= 0.0:
            os.killpg(child, signal.SIGKILL)
            return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        time.sleep(min(left_s, 0.002))


def _children() -> set[int]:
    tasks = Path("/proc/self/task").iterdir()
    return {int(pid) for task in tasks for pid in (task / "children").read_text().split()}


def _wait_for(before: set[int]) -> None:
    """Wait until every process is gone that came since, children of the killed among them."""
    while new := _children() - before:
        for pid in new:
            with suppress(ChildProcessError):
                os.waitpid(pid, os.WNOHANG)
        time.sleep(0.002)


# ---- in the fork ----------------------------------------------------------------------------


def _become(
    arguments: list[str], home: Path, into: int, touched: Path, told: dict[str, str],
    kill: Kill | None, prepare: Callable[[], None] | None,
) -> None:  # fmt: skip
    """Be the command line; never returns."""
    code = 70
    try:
        with suppress(OSError):
            os.setpgid(0, 0)
        os.chdir(home)
        os.environ.update(told)
        tempfile.tempdir = None
        for number, handle in enumerate((os.open(os.devnull, os.O_RDONLY), into, into)):
            os.dup2(handle, number)
        for number, name in ((1, "stdout"), (2, "stderr")):  # in place of what pytest has there
            stream = open(number, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
            setattr(sys, name, stream)
        names: list[str] = []
        for where, name in TOUCHES:
            setattr(where, name, _counted(getattr(where, name), name, names, kill))
        sys.argv = ["lateralline", *arguments]
        if prepare is not None:
            prepare()
        try:
            main()
            code = 0
        except SystemExit as e:
            code = e.code if isinstance(e.code, int) else int(e.code is not None)
        atexit._run_exitfuncs()
        sys.stdout.flush()
        sys.stderr.flush()
        with suppress(OSError):  # on a disk that was made full
            touched.write_text(" ".join(names))
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _counted(
    touch: Callable[..., Any], name: str, names: list[str], kill: Kill | None
) -> Callable[..., Any]:
    """Return what changes a name, counted, and deadly when its time has come."""
    whose = os.getpid()

    def wrapped(*args: Any, **options: Any) -> Any:
        names.append(name)
        mine = kill is not None and kill.touch == len(names) and os.getpid() == whose
        if mine and kill is not None and kill.before:
            os.kill(whose, signal.SIGKILL)
        made = touch(*args, **options)
        if mine:
            os.kill(whose, signal.SIGKILL)
        return made

    return wrapped
