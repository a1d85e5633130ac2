"""Faults of disks, folders, clocks and of others over every command that writes: the promised ends.

    python -m tests.trust.faults --seed 1 [--touches 6] [--sizes 3] [--command build …] [--table F]

Every command is tried afresh and over an older output that the user added to and changed, as the
kills have it (`trials`, `cases`). What is done to it, and what must come of it, stands in `FAULTS`.
Where a command is refused, its exit code is 2, it says why without a traceback, and every file is
as it was; where it comes to its end, all is there that an undisturbed run makes, to the byte. In
both cases nothing lies about, and the same command run again makes what an undisturbed run makes.
Exit code 1 where anything else came of it.
"""

from __future__ import annotations

import argparse
import errno
import gc
import itertools
import os
import random
import resource
import shutil
import sqlite3
import stat
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final

from tests.trust.cases import CASES, EPOCH, Base
from tests.trust.forked import TOUCHES, Ran, adopt_orphans, run
from tests.trust.kills import FEW, import_all, warm
from tests.trust.trials import KillStage, stages_of
from tests.trust.whole import State, hidden, part, state_of

_DONE: Final = (0, 1)
_REFUSED: Final = 2
_NOBODY: Final = 65534
_YEARS_S: Final = 10 * 365.25 * 86_400.0
_UMASK: Final = 0o027
_NO_NAME: Final = "no room for a name"


@dataclass(slots=True)
class Found:
    """What came of one command: trials by fault, and what was wrong."""

    trials: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    broken: Counter[str] = field(default_factory=Counter)
    said: list[str] = field(default_factory=list)

    def add(self, fault: str, ran: Ran, wrong: Sequence[str], where: str) -> None:
        """Count a trial."""
        self.trials[fault] += 1
        self.refused[fault] += ran.code == _REFUSED
        self.broken[fault] += bool(wrong)
        self.said += [f"{where}, {fault}: {one}" for one in wrong]


@dataclass(frozen=True, slots=True)
class Trial:
    """A command at its place, with a fault to come."""

    stage: KillStage
    home: Path
    rng: random.Random
    most: int  # trials of a fault that comes in many places

    def run(self, prepare: Callable[[], None] | None = None) -> Ran:
        """Run the command there."""
        return run(self.stage.command, self.home, self.stage.apart, None, EPOCH, prepare)

    def state(self) -> State:
        """What the place holds."""
        return self.stage.state_of(self.home)

    def laid_out(self) -> None:
        """Lay the inputs out anew, with what is there before."""
        shutil.rmtree(self.home, ignore_errors=True)
        shutil.copytree(self.stage.before_all, self.home, symlinks=True)

    def judged(self, ran: Ran, before: State, *, tidy: bool = True) -> Iterator[str]:
        """Yield what is wrong with how a run ended, and with what it left.

        What could not be taken away may be left, hidden, to the next run where not `tidy`.
        """
        now, said = self.state(), ran.said[-400:]
        if not tidy:
            now = {name: what for name, what in now.items() if not hidden(name)}
        if "Traceback" in ran.said or ran.code not in (*_DONE, _REFUSED):
            yield f"exit code {ran.code}: {said}"
        elif ran.code == _REFUSED:
            yield from _apart(before, now, "refused, and not as it was", self.stage.by_name)
            if "lateralline: " not in ran.said:
                yield f"refused without a word: {said}"
        else:
            yield from _apart(self.stage.after, now, "done, and not what it makes",
                              self.stage.by_name)  # fmt: skip
        yield from (f"stray: {one}" for one in self.stage.left_in_tmp())

    def told(self, ran: Ran) -> list[str]:
        """Return files of the user's that were to grow, and of which a run said that they did not.

        A record is not thrown away for the ids beside a site.
        """
        said = " ".join(ran.said.split())
        return [n for n in self.stage.case.grows if f"{n} could not be written" in said]

    def again(self) -> Iterator[str]:
        """Yield what is wrong once the command has been run again."""
        ran = self.run()
        there = ran.code == _REFUSED and not self.stage.over and "already" in ran.said
        if ran.code not in _DONE and not there:
            yield f"the next run: exit code {ran.code}: {ran.said[-400:]}"
        yield from _apart(self.stage.after, self.state(), "after the next run", self.stage.by_name)


def _apart(wanted: State, now: State, what: str, by_name: Callable[[str], bool]) -> Iterator[str]:
    for name in sorted(wanted.keys() | now.keys()):
        if wanted.get(name) != now.get(name) and not (by_name(name) and name not in wanted):
            how = "is gone" if name not in now else "is new" if name not in wanted else "differs"
            yield f"{what}: {name} {how}"


# ---- the faults -----------------------------------------------------------------------------


def _many(trial: Trial, fault: str, found: Found, prepares: Sequence[Callable[[], None]]) -> None:
    for prepare in prepares:
        trial.laid_out()
        before = trial.state()
        ran = trial.run(prepare)
        tidy = fault != _NO_NAME
        wrong = [*trial.judged(ran, before, tidy=tidy), *trial.again()]
        wrong = [one for one in wrong if not any(f": {name} " in one for name in trial.told(ran))]
        found.add(fault, ran, wrong, _named(trial, prepare))


def _named(trial: Trial, prepare: object = None) -> str:
    which = f" ({prepare.args[0]})" if isinstance(prepare, partial) else ""
    where = "over an older one" if trial.stage.over else "afresh"
    return f"{' '.join(trial.stage.command)} {where}{which}"


def _fail_at(last: int) -> None:
    """Let the `last`-th touch of a name fail, as on a disk that is full."""
    count = itertools.count(1)

    def failing(touch: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **options: Any) -> Any:
            if next(count) == last:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(args[0]))
            return touch(*args, **options)

        return wrapped

    for where, name in TOUCHES:
        setattr(where, name, failing(getattr(where, name)))


def limited(most_bytes: int) -> None:
    """Let no file grow beyond that, whoever writes, a library in C too."""
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, hard))


def no_room_for_a_name(trial: Trial, found: Found) -> None:
    """A name cannot be made, changed or taken away, at one of the times that one is."""
    touches = len(trial.stage.undisturbed.touches)
    some = trial.rng.sample(range(1, touches + 1), min(trial.most, touches))
    _many(trial, _NO_NAME, found, [partial(_fail_at, n) for n in some])


def no_room_for_a_file(trial: Trial, found: Found) -> None:
    """Files may not grow beyond a size, up to that of the largest written."""
    new = [n for n, was in trial.stage.after.items() if was != trial.stage.before.get(n)]
    sizes = [trial.stage.sizes[name] for name in new if name in trial.stage.sizes]
    some = [0, *(trial.rng.randrange(max(sizes)) for _ in range(max(trial.most // 2 - 1, 1)))]
    _many(trial, "no room in a file", found, [partial(limited, n) for n in some])


def closed(trial: Trial, found: Found) -> None:
    """No folder there may be written to: refused."""
    trial.laid_out()
    folders = [trial.home, *(p for p in trial.home.rglob("*") if p.is_dir() and not p.is_symlink())]
    for path in folders:
        path.chmod(0o555)
    before = trial.state()
    with as_nobody(trial.home, trial.stage.apart) as prepare:
        ran = trial.run(prepare)
        wrong = [*trial.judged(ran, before)]
    if ran.code != _REFUSED:
        wrong.append(f"not refused: {ran.said[-300:]}")
    for path in folders:
        path.chmod(0o755)
    found.add("closed folders", ran, wrong, _named(trial))


@contextmanager
def as_nobody(*reached: Path) -> Iterator[Callable[[], None] | None]:
    """Yield what gives up root's rights, which no folder refuses; the folders are nobody's then."""
    if os.geteuid() != 0:
        yield None
        return

    def give(to: int) -> None:
        for path in itertools.chain(reached, *(one.rglob("*") for one in reached)):
            os.chown(path, to, to, follow_symlinks=False)

    def give_up() -> None:
        os.setgroups([])
        os.setgid(_NOBODY)
        os.setuid(_NOBODY)

    give(_NOBODY)
    yield give_up
    give(0)


def two_at_once(trial: Trial, found: Found) -> None:
    """The same command twice: one at least is done, and what it makes is there once, whole."""
    for _ in range(max(trial.most // 3, 1)):
        trial.laid_out()
        after_s = trial.rng.uniform(0.0, trial.stage.undisturbed.took_s) * trial.rng.choice((0, 1))
        child = os.fork()
        if child == 0:
            code = 70
            try:
                time.sleep(after_s)
                other = trial.stage.home / "apart-too"
                ran = run(trial.stage.command, trial.home, other, None, EPOCH)
                code = 70 if "Traceback" in ran.said else ran.code
            finally:
                os._exit(code)
        ran = trial.run()
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        wrong = []
        codes = sorted((ran.code, code))
        if codes[0] not in _DONE or codes[1] not in (*_DONE, _REFUSED):
            wrong.append(f"exit codes {ran.code} and {code}: {ran.said[-300:]}")
        wrong += _apart(trial.stage.after, trial.state(), "both done", trial.stage.by_name)
        wrong += trial.again()
        found.add("two at once", ran, wrong, f"{_named(trial)}, {after_s:.3f} s apart")


def clock_set_back(trial: Trial, found: Found) -> None:
    """All that is there is ten years younger than now: as if nothing were."""
    trial.laid_out()
    before, later_s = trial.state(), time.time() + _YEARS_S
    for path in trial.home.rglob("*"):
        os.utime(path, (later_s, later_s), follow_symlinks=False)

    def earlier() -> None:
        now = time.time
        time.time = lambda: now() - _YEARS_S

    ran = trial.run(earlier)
    wrong = [*trial.judged(ran, before), *trial.again()]
    if ran.code != trial.stage.undisturbed.code:
        wrong.append(f"exit code {ran.code}: {ran.said[-300:]}")
    found.add("clock set back", ran, wrong, _named(trial))


def on_another_disk(trial: Trial, found: Found) -> None:
    """Outputs are links to another disk: kept, and followed; those that lead nowhere refuse."""
    shared = Path("/dev/shm")
    if not shared.is_dir() or shared.stat().st_dev == trial.home.parent.stat().st_dev:
        return
    trial.laid_out()
    there = Path(tempfile.mkdtemp(dir=shared, prefix="faults-"))
    links = [trial.home / out for out in trial.stage.case.outs]
    links = [link for link in links if not link.exists() or trial.stage.over]
    links = [link for link in links if link.parent == trial.home]
    try:
        for link in links:
            if link.exists():
                shutil.move(link, there / link.name)
            link.symlink_to(there / link.name)
        before, elsewhere = trial.state(), state_of(there)
        ran = trial.run()
        if not links:
            return
        wrong = []
        if not trial.stage.over:
            wrong += trial.judged(ran, before)
            if ran.code != _REFUSED:
                wrong.append("a link that leads nowhere was followed")
            wrong += [f"{n} is new" for n in state_of(there).keys() - elsewhere.keys()]
        else:
            for link in links:
                if not link.is_symlink():
                    wrong.append(f"{link.name} is no link any more")
                    continue
                link.unlink()
                shutil.move(there / link.name, link)
            for path in there.iterdir():  # what was kept of a changed file
                shutil.move(path, trial.home / path.name)
            wrong += trial.judged(ran, before)
        found.add("another disk", ran, wrong, _named(trial))
    finally:
        shutil.rmtree(there)


def rights(trial: Trial, found: Found) -> None:
    """What is made has the rights that the umask leaves, a private key its owner's alone.

    What is copied of a site keeps those that it had.
    """
    if trial.stage.over:
        return
    trial.laid_out()
    there = set(trial.home.rglob("*"))
    had = {_inside(trial, path): stat.S_IMODE(path.lstat().st_mode) for path in there}
    ran = trial.run(partial(os.umask, _UMASK))
    wrong = [] if ran.code in _DONE else [f"exit code {ran.code}: {ran.said[-300:]}"]
    for path in sorted(set(trial.home.rglob("*")) - there):
        usual = 0o777 if path.is_dir() else 0o600 if path.suffix == ".key" else 0o666
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode not in (usual & ~_UMASK, had.get(_inside(trial, path))):
            wrong.append(f"{path.relative_to(trial.home)} has {mode:o}")
    found.add("umask", ran, wrong, _named(trial))


def _inside(trial: Trial, path: Path) -> tuple[str, ...]:
    """Return the names of a path within what of a place it is in."""
    return path.relative_to(trial.home).parts[1:]


def something_foreign(trial: Trial, found: Found) -> None:
    """What was not written here stands at an output's name: refused, also with `--replace`."""
    if trial.stage.over and not trial.stage.case.replaces:
        return
    outs = [out for out in trial.stage.case.outs
            if trial.stage.over or out not in trial.stage.before]  # fmt: skip
    if not outs:
        return
    for what in ("file", "folder"):
        trial.laid_out()
        out = trial.home / trial.rng.choice(outs)
        if out.is_dir():
            shutil.rmtree(out)
        out.unlink(missing_ok=True)
        if what == "folder":
            out.mkdir(parents=True)
            (out / "letters.txt").write_text("mine")
        else:
            out.parent.mkdir(parents=True, exist_ok=True)
            out.write_text("mine")
        before = trial.state()
        ran = trial.run()
        wrong = list(trial.judged(ran, before))
        if ran.code != _REFUSED:
            wrong.append(f"not refused: {ran.said[-300:]}")
        found.add("foreign", ran, wrong, f"{_named(trial)}, a {what} at {out.name}")


def locked(trial: Trial, found: Found) -> None:
    """Another program holds a GeoPackage of the output that is replaced: refused."""
    held = [name for out in trial.stage.case.outs for name in part(trial.stage.before, out)
            if name.endswith(".gpkg")]  # fmt: skip
    if not trial.stage.over or not held:
        return
    trial.laid_out()
    with closing(sqlite3.connect(trial.home / trial.rng.choice(held))) as db:
        db.execute("BEGIN EXCLUSIVE")
        db.execute("UPDATE gpkg_contents SET description = description || ' mine'")
        before = trial.state()  # with the journal of the other's
        ran = trial.run()
        wrong = [*trial.judged(ran, before)]
        db.execute("ROLLBACK")
    if ran.code != _REFUSED:
        wrong.append(f"not refused: {ran.said[-300:]}")
    found.add("locked", ran, [*wrong, *trial.again()], _named(trial))


FAULTS: Final[Mapping[str, Callable[[Trial, Found], None]]] = {
    _NO_NAME: no_room_for_a_name,
    "no room in a file": no_room_for_a_file,
    "closed folders": closed,
    "two at once": two_at_once,
    "clock set back": clock_set_back,
    "another disk": on_another_disk,
    "umask": rights,
    "foreign": something_foreign,
    "locked": locked,
}


# ---- all of them ----------------------------------------------------------------------------


def try_command(stages: Iterator[KillStage], most: int, rng: random.Random) -> Found:
    """Try every fault on one command."""
    found = Found()
    for stage in stages:
        trial = Trial(stage, stage.place, rng, most)
        for fault in FAULTS.values():
            try:
                fault(trial, found)
            except OSError:  # of the harness itself
                found.broken["harness"] += 1
                found.said.append(f"{_named(trial)}: {traceback.format_exc()}")
        shutil.rmtree(stage.place, ignore_errors=True)
    return found


def table(found: Mapping[str, Found], command: str) -> str:
    """Return what was found as a page."""
    total = Found()
    for one in found.values():
        for name in ("trials", "refused", "broken"):
            getattr(total, name).update(getattr(one, name))
    means = [f"- **{name}**: {(fault.__doc__ or '').splitlines()[0]}"
             for name, fault in FAULTS.items()]  # fmt: skip
    rows = [_row(f"`{name}`", one) for name, one in found.items()]
    refused = " | ".join(f"{total.refused[name]}" for name in FAULTS)
    return "\n".join(
        [
            "# Faults", "", (__doc__ or "").partition("\n\n")[0], "", "Made by", "",
            f"    {command}", "", *means, "",
            "Where a command was refused every file was as it was, and it said why; where it came "
            "to its end it had made what an undisturbed run makes; then it was run again. Broken: "
            "trials that ended otherwise.", "",
            f"| command | {' | '.join(FAULTS)} | broken |",
            f"| --- | {' | '.join(['---:'] * (len(FAULTS) + 1))} |",
            *rows, _row("**all**", total),
            f"| *of these refused* | {refused} | |", "",
        ]
    )  # fmt: skip


def _row(name: str, one: Found) -> str:
    counts = (one.trials[fault] or "" for fault in FAULTS)
    return f"| {name} | {' | '.join(map(str, counts))} | {one.broken.total()} |"


def main(arguments: Sequence[str]) -> int:
    """Run the trials asked for."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--command", action="append", help="only these, by their first words")
    asked.add_argument("--most", type=int, default=6, help="trials of what may come anywhere")
    asked.add_argument("--table", type=Path, help="write the table into this file")
    given = asked.parse_args(arguments)
    cases = [case for case in CASES
             if given.command is None or case.name.startswith(tuple(given.command))]  # fmt: skip
    import_all()
    adopt_orphans()
    found: dict[str, Found] = {}
    command = f"python -m tests.trust.faults {' '.join(arguments)}"
    folder = Path(tempfile.mkdtemp(prefix="faults-"))  # a fork at its exit must not remove it
    folder.chmod(0o755)  # whoever gave up root's rights must reach what is in it
    try:
        if len(cases) > FEW:
            warm(folder / "warm")
        gc.collect()
        gc.freeze()
        base = Base(folder / "base")
        for case in cases:
            began_s, rng = time.monotonic(), random.Random(f"{given.seed} {case.name}")
            one = try_command(stages_of(case, base, folder / "trial"), given.most, rng)
            shutil.rmtree(folder / "trial", ignore_errors=True)
            found[case.name] = one
            print(f"{_row(case.name, one)} {time.monotonic() - began_s:.0f} s", flush=True)
            for said in one.said:
                print(f"  {said}", flush=True)
            if given.table is not None:
                given.table.write_text(table(found, command), encoding="utf-8")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return int(any(one.broken.total() for one in found.values()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
