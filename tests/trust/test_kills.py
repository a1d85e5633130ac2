"""Small versions of `kills` and `faults`: the harness itself must run, find nothing, and find."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.places import ROOT
from tests.trust.kills import table, tallies_of
from tests.trust.trials import Tally

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks, /proc")

#: Two of short runs: two files together, a folder that is replaced and that the user changed.
COMMANDS = ("seal --new-key", "import-points")


def harness(
    *arguments: object, which: str = "kills", more: str = ""
) -> subprocess.CompletedProcess[str]:
    """Run a harness in a process of its own, as it forks, with code before it."""
    path = os.pathsep.join(filter(None, [str(ROOT), *sys.path]))
    begin = f"import sys; from tests.trust.{which} import main; sys.exit(main(sys.argv[1:]))"
    code = f"{more}\n{begin}"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True,
        check=False, env=os.environ | {"PYTHONPATH": path}, cwd=ROOT,
    )  # fmt: skip


def test_nothing_is_lost_or_left_by_kills(tmp_path: Path) -> None:
    page = tmp_path / "kills.md"
    asked = [part for name in COMMANDS for part in ("--command", name)]
    done = harness("--kills", 4, "--names", 4, "--seed", 3, "--table", page, *asked)
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [line for line in page.read_text(encoding="utf-8").splitlines() if line[:3] == "| `"]
    assert len(rows) == len(COMMANDS)
    assert all(row.endswith("| 0 | 0 |") for row in rows)
    head, *printed = [line for line in done.stdout.splitlines() if line.startswith("| ")]
    assert head == "| command | kills | old | new | mixed | stray | lost | time"
    assert len(printed) == len(COMMANDS)
    assert all(row.count("|") == head.count("|") for row in printed)


def test_a_writer_that_is_not_careful_is_found_out() -> None:
    """A command that writes in place leaves a half file, and one without tidying leaves folders."""
    careless = (
        "from lateralline.output import whole\n"
        "whole.PartFolder.clear = lambda part: None\n"
        "def put(part):\n"
        "    import shutil, os, time\n"
        "    os.mkdir(part.target)\n"
        "    for path in sorted(part.made.iterdir()):\n"
        "        os.rename(path, part.target / path.name)\n"
        "whole.PartFolder.put = put\n"
    )
    done = harness("--kills", 0, "--names", 6, "--command", "practice", more=careless)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "lost: invented is neither the old nor the new one" in done.stdout
    assert "stray: .invented." in done.stdout


def test_faults_end_as_promised(tmp_path: Path) -> None:
    page = tmp_path / "faults.md"
    asked = [part for name in COMMANDS for part in ("--command", name)]
    done = harness("--most", 1, "--seed", 3, "--table", page, *asked, which="faults")
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [line for line in page.read_text(encoding="utf-8").splitlines() if line[:3] == "| `"]
    assert [row.split("`")[1] for row in rows] == list(COMMANDS)
    assert all(row.endswith("| 0 |") for row in rows)


def test_a_writer_that_minds_no_fault_is_found_out() -> None:
    """One that takes any name, goes on where the disk refuses, and gives all rights to all."""
    careless = (
        "from lateralline.output import whole\n"
        "def put(part):\n"
        "    import os, shutil\n"
        "    shutil.rmtree(part.target, ignore_errors=True)\n"
        "    shutil.copytree(part.made, part.target)\n"
        "    os.chmod(part.target, 0o777)\n"
        "whole.PartFolder.put = put\n"
        "whole._refuse_as_it_is = lambda *_, **__: None\n"
    )
    done = harness("--most", 2, "--command", "practice", which="faults", more=careless)
    assert done.returncode == 1, done.stdout + done.stderr
    for said in ("umask: invented has 777", "foreign: not refused"):
        assert said in done.stdout, said


def test_the_table_adds_up() -> None:
    tallies = {"a": Tally(kills=3, old=2, new=1), "b": Tally(kills=1, mixed=1, stray=1)}
    shown = table(tallies, "x", ["a", "b", "c"])
    assert tallies_of(shown) == tallies
    assert "Not reached yet (`--go-on` tries the rest): `c`." in shown
    assert "| `a` | 3 | 2 | 1 | 0 | 0 | 0 |" in shown
    assert "| **all** | 4 | 2 | 1 | 1 | 1 | 0 |" in shown
