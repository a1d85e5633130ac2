"""Many tasks of one kind, in the order given, by as many processes as there are cores.

A `Workforce` is whoever does tasks: `Processes` on this machine; a cluster is another. `in_order`
hands tasks out a few ahead and gives answers back in the order of the tasks, so that one writer can
take them and memory does not grow with their number. What a task answers may depend on nothing but
the task: then nothing that is made depends on how many work.

Processes are started anew, not forked: a fork of a program that has threads may hang. They are
started by a command of ours, since those of `multiprocessing` would run the user's script again,
and would live on where this process is killed; ours end when nobody is left to answer to.
"""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from time import process_time
from typing import IO, Any, Final, Generic, Protocol, TypeVar

from lateralline.errors import LaterallineError

T = TypeVar("T")
R = TypeVar("R")
T_co = TypeVar("T_co", covariant=True)
T_contra = TypeVar("T_contra", contravariant=True)
R_co = TypeVar("R_co", covariant=True)

#: Tasks handed out before they are asked for, for each process: enough that none waits for the
#: writer or for a slow neighbour, few enough to hold in memory.
AHEAD: Final = 4
#: How often a task is begun when processes end under it.
TRIES: Final = 2
#: Processor seconds to start a process and import what builds sites, measured 2.6.
_START_S: Final = 3.0
#: How long a process that answers no more has to end by itself, so that it can be told how.
_LAST_WORDS_S: Final = 1.0
_LENGTH: Final = 8  # bytes of the length before each message
_SERVE: Final = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); "
    "from lateralline.workers import serve; serve()"
)


class WorkerLostError(LaterallineError, RuntimeError):
    """A process ended without an answer, each time the task was begun; says how."""


class Answer(Protocol[R_co]):
    """What a task comes to, once it is done."""

    def result(self) -> R_co:
        """Wait for the result; raises what the task raised, WorkerLostError when nobody did it."""


class Workforce(Protocol[T_contra, R_co]):
    """Whoever does tasks."""

    @property
    def hands(self) -> int:
        """How many tasks are done at a time."""

    def begin(self, task: T_contra) -> Answer[R_co]:
        """Begin a task, or let it wait for its turn."""

    def close(self) -> None:
        """End; what is not done by now is not wanted."""


def cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_order(
    work: Callable[[T], R],
    tasks: Iterable[T],
    total: int,
    workers: int | None = 1,
    hire: Callable[[Callable[[T], R]], Workforce[T, R]] | None = None,
) -> Generator[R | WorkerLostError, None, None]:
    """Yield what `work` makes of each of `total` tasks, in their order.

    `tasks` are taken a few ahead of what is yielded, and no more. The first is done here, and all
    of them with one worker. None takes all cores once the rest is worth starting processes for.
    `hire` brings another workforce than processes here, from the first task on. A task under which
    its process ended is yielded as the error; what a task raises is raised.
    """
    source = iter(tasks)
    hands = min(cores() if workers is None else workers, total)
    if hire is None:
        yield from _alone(work, source, total, hands, auto=workers is None)
    left = deque[Answer[R]]()
    for task in source:  # nothing, where all was done here
        force = Processes(work, hands) if hire is None else hire(work)
        try:
            left.append(force.begin(task))
            for more in source:
                if len(left) >= AHEAD * force.hands:
                    yield _result(left.popleft())
                left.append(force.begin(more))
            while left:
                yield _result(left.popleft())
        finally:
            force.close()


def _alone(
    work: Callable[[T], R], source: Iterator[T], total: int, hands: int, *, auto: bool
) -> Iterator[R]:
    """Yield what is done in this process: all, or as much as is not worth starting others for."""
    spent_s = 0.0
    for done, task in enumerate(source, start=1):
        before_s = process_time()
        result = work(task)
        # the first brings in all that is loaded once
        spent_s += process_time() - before_s if done > 1 else 0.0
        yield result
        del result
        saved_s = spent_s / max(done - 1, 1) * (total - done) * (1.0 - 1.0 / hands)
        if hands > 1 and (saved_s > 2.0 * _START_S or not auto):
            return


def in_parts(
    work: Callable[[tuple[T, ...]], Sequence[R]],
    tasks: Sequence[T],
    size: int,
    workers: int | None = 1,
) -> Generator[R, None, None]:
    """Yield what `work` makes of each of `tasks`, in their order; it is given `size` at a time.

    `workers` as in `in_order`. Raises WorkerLostError where a process ended under its part.
    """
    parts = [tuple(tasks[i : i + size]) for i in range(0, len(tasks), size)]
    for made in all_in_order(work, parts, len(parts), workers):
        yield from made


def all_in_order(
    work: Callable[[T], R], tasks: Iterable[T], total: int, workers: int | None = 1
) -> Generator[R, None, None]:
    """Yield as `in_order` does, where one task that is lost is no answer to the others.

    Raises WorkerLostError where a process ended under its task.
    """
    with closing(in_order(work, tasks, total, workers)) as answers:
        for made in answers:
            if isinstance(made, WorkerLostError):
                raise made
            yield made


def _result(answer: Answer[R]) -> R | WorkerLostError:
    try:
        return answer.result()
    except WorkerLostError as e:
        return e


# ---- processes of this machine --------------------------------------------------------------


class Processes(Generic[T, R]):
    """Processes of this machine; a thread waits for each."""

    def __init__(self, work: Callable[[T], R], hands: int) -> None:
        """Begin with no process: each is started with its first task."""
        self.hands = hands
        self._work = pickle.dumps(work)
        self._threads = ThreadPoolExecutor(hands, thread_name_prefix="lateralline-worker")
        self._of_thread = threading.local()
        self._guard = threading.Lock()
        self._all: list[_Process] = []
        self._closed = False

    def begin(self, task: T) -> Answer[R]:
        """Begin a task, or let it wait until a process is free."""
        return self._threads.submit(self._ask, task)

    def close(self) -> None:
        """End all processes at once."""
        self._threads.shutdown(wait=False, cancel_futures=True)
        with self._guard:
            self._closed = True
            for process in self._all:
                process.end()
        self._threads.shutdown()

    def _ask(self, task: T) -> R:
        ended = ""
        for _ in range(TRIES):
            process = self._process()
            try:
                made, answer = process.ask(task)
            except (OSError, EOFError):
                ended = process.end(_LAST_WORDS_S)
                self._of_thread.process = None
                if self._closed:
                    break
                continue
            if made:
                result: R = answer
                return result
            raise answer
        tried = f"the process at work on it ended, {TRIES} times of {TRIES}: {ended}"
        raise WorkerLostError(f"{tried}. Memory may have run out: try --workers 1, or split it")

    def _process(self) -> _Process:
        process: _Process | None = getattr(self._of_thread, "process", None)
        if process is None:
            with self._guard:
                if self._closed:
                    raise WorkerLostError("no longer wanted")
                process = _Process(self._work)
                self._all.append(process)
            self._of_thread.process = process
        return process


class _Process:
    """One process, and the pipes to it."""

    def __init__(self, work: bytes) -> None:
        # a group of its own: Ctrl-C is for the process that is waited for, which ends the others
        self._popen = subprocess.Popen(
            [sys.executable, "-c", _SERVE, json.dumps(sys.path)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
        with suppress(OSError):  # gone already: the first task tells
            _send(self._into, work)

    def ask(self, task: object) -> tuple[bool, Any]:
        """Return whether the task was done, with what it made or raised."""
        _send(self._into, pickle.dumps(task))
        made: tuple[bool, Any] = pickle.loads(_receive(self._out_of))
        return made

    def end(self, patience_s: float = 0.0) -> str:
        """Return how the process ended; one that has not by then is ended."""
        with suppress(subprocess.TimeoutExpired):
            self._popen.wait(patience_s)
        self._popen.kill()
        code = self._popen.wait()
        for pipe in (self._into, self._out_of):
            with suppress(OSError):
                pipe.close()
        return f"signal {-code}" if code < 0 else f"exit code {code}"

    @property
    def _into(self) -> IO[bytes]:
        assert self._popen.stdin is not None
        return self._popen.stdin

    @property
    def _out_of(self) -> IO[bytes]:
        assert self._popen.stdout is not None
        return self._popen.stdout


def serve() -> None:
    """Do tasks that come by stdin, answer on stdout, and end when nobody asks any more."""
    ask, answer = sys.stdin.buffer, os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what is printed must not spoil an answer
    with suppress(EOFError, BrokenPipeError):
        work = pickle.loads(_receive(ask))
        while True:
            task = pickle.loads(_receive(ask))
            try:
                made = pickle.dumps((True, work(task)))
            except Exception as e:
                made = pickle.dumps((False, _portable(e)))
            _send(answer, made)


def _portable(error: Exception) -> Exception:
    """Return an error as it can be sent; in words where it cannot."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        words = f"{type(error).__name__}: {error}"
        return (
            LaterallineError(words) if isinstance(error, LaterallineError) else RuntimeError(words)
        )
    return error


def _send(pipe: IO[bytes], message: bytes) -> None:
    pipe.write(len(message).to_bytes(_LENGTH, "big"))
    pipe.write(message)
    pipe.flush()


def _receive(pipe: IO[bytes]) -> bytes:
    head = pipe.read(_LENGTH)
    length = int.from_bytes(head, "big")
    message = pipe.read(length) if len(head) == _LENGTH else b""
    if len(head) < _LENGTH or len(message) < length:
        raise EOFError("the other end is gone")
    return message
