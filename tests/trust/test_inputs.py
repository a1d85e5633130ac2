"""Hostile files of every kind: a small run of `inputs.py`, its fixed examples, and its own alarm.

The run of full size stands in inputs.md.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from lateralline import api
from lateralline.errors import LaterallineError
from tests.support.places import ROOT
from tests.trust import inputs
from tests.trust.kinds import KINDS, READ

TABLE = Path(__file__).with_name("inputs.md")


def test_fixed_and_mutated_files_of_every_kind_keep_the_promise() -> None:
    """In a process of its own, which forks before it has threads."""
    command = [sys.executable, "-m", "tests.trust.inputs", "--fixed", "--number", "120"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-5000:] + done.stderr[-3000:]
    assert int(re.findall(r"(\d+) mutated inputs", done.stdout)[0]) >= 120


def test_the_full_run_holds_a_hundred_thousand_and_every_kind() -> None:
    rows = re.findall(r"^\| (.+?) \| (\d+) \| (\d+) \| (\d+) \| ([\d.]+) \| (\d+) \|$",
                      TABLE.read_text(encoding="utf-8"), re.M)  # fmt: skip
    assert [row[0] for row in rows] == [*(kind.name for kind in KINDS), "**all**"]
    *kinds, whole = ([int(n) for n in row[1:4]] for row in rows)
    assert whole == [sum(column) for column in zip(*kinds, strict=True)]
    assert whole[0] >= 100_000
    for number, clean, told in kinds:
        assert number == clean + told
        assert number >= 70  # every kind has its part
    assert max(float(row[4]) for row in rows) < inputs.MOST_S
    assert max(float(row[5]) for row in rows) < inputs.MOST_MIB


def test_a_run_goes_on_behind_what_its_table_has(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kind with the fewest comes first, and what was judged counts."""
    short, rest = KINDS[-1].name, [kind.name for kind in KINDS[:-1]]
    page = inputs.table(
        {name: inputs.Tally(4000, Counter({0: 1000, 2: 3000}), 0.5, 200.0) for name in rest}
        | {short: inputs.Tally(7, Counter({0: 3, 2: 4}), 0.25, 100.0)},
        "x",
    )
    before = inputs.tallies_of(page)
    assert before[short] == inputs.Tally(7, Counter({0: 3, 2: 4}), 0.25, 100.0)
    judged: list[str] = []

    def served(home: Path, path: str, cases: list[object]) -> Iterator[inputs.Ended]:
        judged.extend([path] * len(cases))
        return (inputs.Ended(2, 0.1, 50.0) for _ in cases)

    monkeypatch.setattr(inputs, "served", served)
    monkeypatch.setattr(inputs, "mutations", lambda kind, home, number, seed: [(b"", ())] * number)
    monkeypatch.setattr(Path, "read_bytes", lambda path: b"")
    monkeypatch.setattr(Path, "write_bytes", lambda path, data: 0)
    pages: list[int] = []
    tallies, failures = inputs.run(
        9900, 1, Path(), before=before, done=lambda now: pages.append(now[short].mutated)
    )
    assert not failures
    assert judged == [KINDS[-1].path] * (tallies[short].mutated - 7)
    assert tallies[short].mutated >= 300
    assert pages[0] == 107
    assert all(tallies[name].mutated == 4000 for name in rest)


# ---- the alarm -------------------------------------------------------------------------------


def _raise_foreseen(_path: str) -> None:
    raise LaterallineError


def _raise_unforeseen(_path: str) -> None:
    raise KeyError("a column")


def _leave_a_file(_path: str) -> None:
    Path("left").touch()
    raise LaterallineError("marks.csv: not so")


def _warn(_path: str) -> None:
    import numpy as np

    np.log(np.array([-1.0]))


def _fill_memory(_path: str) -> None:
    bytearray(b"x" * 90_000_000)


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize(
    ("read", "said"),
    [
        (_raise_foreseen, "refused without a word"),
        (_raise_unforeseen, "exit code 70: KeyError: 'a column'"),
        (_leave_a_file, "refused, and left ['left'] behind"),
        (_warn, "warns: invalid value encountered in log"),
        (_fill_memory, r"took \d+ MiB"),
    ],
)
def test_a_broken_promise_is_seen(
    read: Callable[[str], None], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    inputs._memory_reset()
    monkeypatch.setattr(inputs, "MOST_MIB", inputs._memory_mib() + 60.0)
    monkeypatch.setattr(api, "read", read)
    end = inputs.judged((READ, "lot"))
    assert re.match(said if "\\d" in said else re.escape(said), end.wrong), end
    assert list(tmp_path.iterdir()) == []


_DIES = """
import os, time
from pathlib import Path
from tests.trust import inputs
inputs._HANGS_S = 1.0

def judged(door):
    if door == ("die",):
        os._exit(3)
    if door == ("hang",):
        time.sleep(60)
    return inputs.Ended(0, 0.0, 0.0)

inputs.judged = judged
cases = [(b"", (word,)) for word in ("", "die", "", "hang", "")]
print([end.wrong for end in inputs.served(Path(".").resolve(), "file", cases)])
"""


def test_a_worker_that_dies_or_hangs_is_told_and_the_next_goes_on(tmp_path: Path) -> None:
    began = time.monotonic()
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(ROOT), *sys.path))}
    done = subprocess.run(
        [sys.executable, "-c", _DIES], cwd=tmp_path, capture_output=True, text=True, env=environment
    )
    assert done.returncode == 0, done.stderr
    said = "['', 'ended the worker with exit code 3', '', 'hung for 1 s', '']"
    assert done.stdout.strip() == said
    assert time.monotonic() - began < 60
