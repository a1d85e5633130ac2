"""Kill -9 over every command that writes: what was there stays, or what is new is there whole.

    python -m tests.trust.kills --kills 300 --seed 1 [--command build …] [--table FILE]

Each command is killed before and after every step by which something gets its name, afresh and over
an older output (of more than `--names` such kills each, at so many of them), and at `--kills`
moments more: uniform over the time an undisturbed run took, or at a touch of any name; commands
that take longer have fewer of them. After each kill every output must be the old or the new one,
byte by byte, every other file as it was; the same command, run again, must make what an undisturbed
run makes, to the byte, and leave nothing beside it. Exit code 1 where anything was lost or left.

Runs are forks of this process, which has imported everything and built and drawn once (`forked`):
the process tree of the command line, without what its start costs. `--anew N` kills more, of some
commands, are of an interpreter started anew. Register and cluster are in `served`. The table is
written after each command; a run that was ended goes on with `--go-on`.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import math
import pkgutil
import random
import re
import shutil
import sys
import tempfile
import time
import traceback
from collections.abc import Mapping, Sequence
from contextlib import chdir
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from typer.testing import CliRunner

import lateralline
from lateralline.cli import app
from tests.support.places import SAMPLES
from tests.trust.cases import CASES, EPOCH, Base, KilledCommand
from tests.trust.forked import Kill, Ran, adopt_orphans, run_anew
from tests.trust.served import SERVED
from tests.trust.trials import KillStage, Tally, stages_of

_HEAD: Final = "| command | kills | old | new | mixed | stray | lost |"
#: What commands import when they begin.
_LATE: Final = (
    "matplotlib.backends.backend_agg", "matplotlib.backends.backend_pdf",
    "matplotlib.backends.backend_svg", "bokeh.embed", "ezdxf", "openpyxl", "cryptography",
    "fiona", "pyogrio", "pygeomag", "PIL.Image",
)  # fmt: skip
#: Kills at any moment of a register and of a cluster, for each hundred of all.
_OF_SERVED: Final = {"register": 4, "publish": 8, "retract": 4, "build --cluster": 8}
#: Kills one after the other before a run that may end, where an output is replaced.
_IN_A_ROW: Final = 3
#: Processor seconds of a run whose kills at any moment are an equal share of all.
_USUAL_S: Final = 1.0
#: What is done once before the forks, but for a few commands.
FEW: Final = 5
_WARM: Final = (
    "build sketch -o sketch-out", "zones sketch-out --rule cga -o dig --picture dig.png",
)  # fmt: skip


def import_all() -> None:
    """Import what commands do: a fork then begins at once."""
    for name in _LATE:
        importlib.import_module(name)
    for module in pkgutil.walk_packages(lateralline.__path__, "lateralline."):
        if not module.name.startswith(("lateralline.proof", "lateralline.register.revisions")):
            importlib.import_module(module.name)


def warm(folder: Path) -> None:
    """Build and draw once, in this process: what is read and made ready once is, then."""
    shutil.copytree(SAMPLES / "local-sketch", folder / "sketch")
    with chdir(folder):
        for command in _WARM:
            done = CliRunner().invoke(app, command.split())
            assert done.exit_code in (0, 1), done.output


@dataclass(frozen=True, slots=True)
class Plan:
    """How often one command is killed."""

    names: int  # most kills at names, of each stage
    moments: float  # of a run of a usual length
    anew: int
    import_s: float  # that an interpreter started anew takes longer


def try_command(
    case: KilledCommand, base: Base, home: Path, plan: Plan, rng: random.Random
) -> Tally:
    """Kill one command at names, at any moment, and in an interpreter started anew."""
    tally = Tally()
    stages = list(stages_of(case, base, home))
    for stage in stages:
        at_names = list(stage.renames())
        some = rng.sample(at_names, min(plan.names, len(at_names)))
        several = _IN_A_ROW if stage.over else 1  # what is new already is not made again
        for n in range(0, len(some), several):
            stage.try_kill(some[n : n + several], tally)
    cost = sum(stage.undisturbed.cpu_s for stage in stages) / len(stages) / _USUAL_S
    done = tally.kills + math.ceil(plan.moments / max(cost, 0.25))
    while tally.kills < done:
        stage = rng.choice(stages)
        stage.try_kill([stage.any_moment(rng) for _ in range(case.kills_a_run)], tally)
    for _ in range(plan.anew):
        stage = rng.choice(stages)
        moment = Kill(after_s=rng.uniform(0.0, stage.undisturbed.took_s + plan.import_s))
        stage.try_kill([moment], tally, partial(_anew, stage))
    shutil.rmtree(home)
    return tally


def _anew(stage: KillStage, home: Path, kill: Kill) -> Ran:
    return run_anew(stage.command, home, stage.home / "apart", kill, EPOCH)


def table(tallies: Mapping[str, Tally], command: str, wanted: Sequence[str]) -> str:
    """Return the tallies as a page; what of `wanted` has none was not reached, and is named."""
    total = Tally()
    rows = []
    for name, one in tallies.items():
        for count in ("kills", "old", "new", "mixed", "stray", "lost"):
            setattr(total, count, getattr(total, count) + getattr(one, count))
        rows.append(_row(f"`{name}`", one))
    head = __doc__.partition("\n\n")[0] if __doc__ else ""
    rest = [f"`{name}`" for name in wanted if name not in tallies]
    left = [f"Not reached yet (`--go-on` tries the rest): {', '.join(rest)}.", ""] if rest else []
    return "\n".join(
        [
            "# Kills", "", head, "", "Made by", "", f"    {command}", "",
            "A kill is SIGKILL, to the process and its group. Old: every output was byte by byte "
            "what was there before, or absent where nothing was. New: every output was what an "
            "undisturbed run makes. Mixed: of several outputs (of publish: sites) some were the "
            "old and some the new one, each whole, until the next run did the rest too. Stray: "
            "runs after which the next run of the command left something beside its outputs. Lost: "
            "kills after which an output was neither, a file of the user's had changed, or the "
            "next run did not make what an undisturbed one makes.", "",
            _HEAD,
            "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
            *rows, _row("**all**", total), "", *left,
        ]
    )  # fmt: skip


def tallies_of(page: str) -> dict[str, Tally]:
    """Return the tallies that a page holds."""
    rows = re.findall(r"^\| `([^`]+)` \| ([\d |]+) \|$", page, re.M)
    counts = ("kills", "old", "new", "mixed", "stray", "lost")
    return {
        name: Tally(**dict(zip(counts, map(int, cells.split("|")), strict=True)))
        for name, cells in rows
    }


def _row(name: str, one: Tally) -> str:
    counts = (one.kills, one.old, one.new, one.mixed, one.stray, one.lost)
    return f"| {name} | {' | '.join(map(str, counts))} |"


def main(arguments: Sequence[str]) -> int:
    """Run the trials asked for."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--kills", type=int, default=300, help="at any moment, of all commands")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--command", action="append", help="only these, by their first words")
    asked.add_argument("--names", type=int, default=20, help="most kills at names, of each stage")
    asked.add_argument("--anew", type=int, default=0, help="in an interpreter started anew")
    asked.add_argument("--table", type=Path, help="write the table into this file")
    asked.add_argument("--go-on", action="store_true", help="with those the table has not yet")
    given = asked.parse_args(arguments)
    wanted = [name for name in (*(c.name for c in CASES), *SERVED)
              if given.command is None or name.startswith(tuple(given.command))]  # fmt: skip
    began_s = time.monotonic()
    import_all()
    import_s = time.monotonic() - began_s
    adopt_orphans()
    cases = {case.name: case for case in CASES}
    tallies: dict[str, Tally] = {}
    if given.go_on and given.table is not None and given.table.exists():
        tallies = tallies_of(given.table.read_text(encoding="utf-8"))
    command = f"python -m tests.trust.kills {' '.join(a for a in arguments if a != '--go-on')}"
    ours = [name for name in wanted if name in cases]
    anew = random.Random(given.seed).sample(ours, min(given.anew, len(ours)))
    folder = Path(tempfile.mkdtemp(prefix="kills-"))  # a fork at its exit must not remove it
    try:
        if len(wanted) > FEW:
            warm(folder / "warm")
        gc.collect()
        gc.freeze()  # a collector that walks what a fork shares would copy all of it
        base = Base(folder / "base")
        print(f"{_HEAD} time", flush=True)
        for name in (name for name in wanted if name not in tallies):
            began_s, rng = time.monotonic(), random.Random(f"{given.seed} {name}")
            plan = Plan(given.names, given.kills / len(wanted), int(name in anew), import_s)
            try:
                if name in cases:
                    tally = try_command(cases[name], base, folder / "trial", plan, rng)
                else:
                    moments = max(given.kills * _OF_SERVED[name] // 100, 2)
                    tally = SERVED[name](base, folder / "trial", moments, rng)
            except AssertionError:  # of the harness itself: the other commands are tried
                tally = Tally(lost=1, faults=[traceback.format_exc()])
                shutil.rmtree(folder / "trial", ignore_errors=True)
            tallies[name] = tally
            print(f"{_row(name, tally)} {time.monotonic() - began_s:.0f} s", flush=True)
            for fault in tally.faults:
                print(f"  {fault}", flush=True)
            if given.table is not None:
                given.table.write_text(table(tallies, command, wanted), encoding="utf-8")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return int(any(one.stray or one.lost for one in tallies.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
