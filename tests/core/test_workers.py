"""Tasks in processes: in order, a few ahead, and whatever ends is told and ends nothing else."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from lateralline import workers
from lateralline.errors import FrameError, SiteFaultsError
from lateralline.workers import AHEAD, WorkerLostError, in_order


def slow_when_even(n: int) -> tuple[int, int]:
    """The number again, the even ones late, and who did it."""
    time.sleep(0.05 * (n % 2 == 0))
    return n, os.getpid()


def dies_of_three(n: int) -> int:
    if n == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return n


def dies_once(task: tuple[int, Path]) -> int:
    n, mark = task
    if n == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return n


def refuses(n: int) -> int:
    if n == 2:
        raise FrameError("no such grid")
    if n == 4:
        raise SiteFaultsError("a", [])  # which no pickle brings back
    print("this must not spoil the answer")
    return n


def test_answers_come_in_order_whoever_is_first() -> None:
    made = list(in_order(slow_when_even, range(12), 12, workers=3))
    assert [n for n, _ in made] == list(range(12))
    of = {pid for _, pid in made}
    assert made[0][1] == os.getpid()  # the first is done here
    assert 2 <= len(of - {os.getpid()}) <= 3


def test_one_worker_is_this_process() -> None:
    made = list(in_order(slow_when_even, range(4), 4, workers=1))
    assert {pid for _, pid in made} == {os.getpid()}


def test_a_short_batch_starts_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Left to choose, processes are only started for what takes longer than starting them."""
    monkeypatch.setattr(workers, "cores", lambda: 4)
    made = list(in_order(slow_when_even, range(8), 8, workers=None))
    assert {pid for _, pid in made} == {os.getpid()}
    monkeypatch.setattr(workers, "_START_S", 0.0)
    made = list(in_order(slow_when_even, range(8), 8, workers=None))
    assert [pid for _, pid in made[:2]] == [os.getpid()] * 2
    assert os.getpid() not in {pid for _, pid in made[2:]}


def test_tasks_are_taken_a_few_ahead() -> None:
    taken = 0

    def tasks() -> Iterator[int]:
        nonlocal taken
        for n in range(60):
            taken += 1
            yield n

    for given, _ in enumerate(in_order(slow_when_even, tasks(), 60, workers=2), start=1):
        assert taken - given <= 2 * AHEAD
    assert taken == 60


def test_a_task_under_which_processes_end_is_told_and_no_other_is_lost() -> None:
    made = list(in_order(dies_of_three, range(8), 8, workers=2))
    lost = made.pop(3)
    assert isinstance(lost, WorkerLostError)
    assert "2 times of 2: signal 9" in str(lost)
    assert made == [0, 1, 2, 4, 5, 6, 7]


def test_a_process_that_ends_once_costs_nothing(tmp_path: Path) -> None:
    tasks = ((n, tmp_path / "died") for n in range(6))
    assert list(in_order(dies_once, tasks, 6, workers=2)) == list(range(6))
    assert (tmp_path / "died").exists()


def test_what_a_task_raises_is_raised_in_its_turn() -> None:
    made = []
    with (
        pytest.raises(FrameError, match="no such grid"),
        closing(in_order(refuses, range(6), 6, workers=2)) as answers,
    ):
        made += [next(answers) for _ in range(6)]
    assert made == []
    assert list(in_order(refuses, [0, 1, 3], 3, workers=2)) == [0, 1, 3]
    with pytest.raises(Exception, match=r"SiteFaultsError: a: 0 faults"):
        list(in_order(refuses, [0, 4], 2, workers=2))


def test_no_process_outlives_who_asked(tmp_path: Path) -> None:
    """Not even where that one is killed: nobody is left to answer to."""
    script = tmp_path / "script.py"  # without a guard of __main__, as users write them
    script.write_text(
        "import sys\n"
        f"sys.path[:] = {sys.path!r}\n"
        "from lateralline.workers import in_order\n"
        "from tests.core.test_workers import slow_when_even\n"
        "for n, pid in in_order(slow_when_even, range(1000), 1000, workers=2):\n"
        "    print(pid, flush=True)\n"
    )
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as asking:
        assert asking.stdout is not None
        pids = {int(asking.stdout.readline()) for _ in range(12)} - {asking.pid}
        assert pids
        asking.kill()
    until = time.monotonic() + 60.0
    while any(Path(f"/proc/{pid}").exists() for pid in pids):
        assert time.monotonic() < until
        time.sleep(0.05)
