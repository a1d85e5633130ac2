"""A command killed and run again, and what was left of old, new and the user's own in between."""

from __future__ import annotations

import random
import shlex
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Final

from tests.trust.cases import EARLIER, EPOCH, Base, KilledCommand
from tests.trust.forked import RENAMES, Kill, Ran, run
from tests.trust.whole import State, hidden, part, read_whole, state_of

_NOTE: Final = "notes.txt"  # that the user laid into an output folder
#: Exit codes of a run that came to its end, and of one that found what it makes there already.
_DONE: Final = (0, 1)
_REFUSED: Final = 2


@dataclass(slots=True)
class Tally:
    """What came of the kills of one command."""

    kills: int = 0
    old: int = 0  # all of it was as it was, or not there
    new: int = 0  # all of it was the new one, whole
    mixed: int = 0  # of several targets some were old and some new, each whole
    ended: int = 0  # runs that came to their end before their kill: no kills
    stray: int = 0
    lost: int = 0
    faults: list[str] = field(default_factory=list)


class KillStage:
    """A command over what stands at its target before: an older output, or nothing."""

    def __init__(self, case: KilledCommand, base: Base, home: Path, *, over: bool) -> None:
        """Lay out the inputs, make what is there before, and see what an undisturbed run makes."""
        self.case, self.home, self.over = case, home, over
        self.command = [*shlex.split(case.command), *(["--replace"] if over else [])]
        self.before_all, self.apart = home / "before", home / "apart"
        self.before_all.mkdir(parents=True)
        base.give(case.inputs, self.before_all)
        if "update" in case.name and over:
            base.give(("added-less",), self.before_all)
        if over:
            made = run(shlex.split(case.older), self.before_all, self.apart, more=EARLIER)
            assert made.code in _DONE, made.said
            self._as_used()
        self.place = home / "run"  # of every run: results are kept by where a site lies
        shutil.copytree(self.before_all, self.place, symlinks=True)
        self.undisturbed = self.run_in(self.place)
        assert self.undisturbed.code in _DONE, self.undisturbed.said
        self.before = self.state_of(self.before_all)
        self.after = self.state_of(self.place)
        files = (path for path in self.place.rglob("*") if path.is_file())
        self.sizes = {p.relative_to(self.place).as_posix(): p.stat().st_size for p in files}
        for out in case.outs:
            assert part(self.before, out) != part(self.after, out), f"{out} did not change"
            assert read_whole(self.place / out)
        shutil.rmtree(self.place)

    def _as_used(self) -> None:
        """Do with the older output what a user may: lay something into it, change something."""
        for out in self.case.outs:
            if (self.before_all / out).is_dir():
                (self.before_all / out / _NOTE).write_text("mine")
        if self.case.edit:
            with (self.before_all / self.case.edit).open("ab") as file:
                file.write(b"\n\n")

    def run_in(self, home: Path, kill: Kill | None = None) -> Ran:
        """Run the command in a folder."""
        return run(self.command, home, self.apart, kill, EPOCH)

    def state_of(self, home: Path) -> State:
        """What a folder of a run holds."""
        return state_of(home, self.case.by_name)

    def renames(self) -> Iterator[Kill]:
        """Yield a kill before and after each step that gives something its name."""
        for n, name in enumerate(self.undisturbed.touches, start=1):
            if name in RENAMES:
                yield Kill(touch=n, before=True)
                yield Kill(touch=n, before=False)

    def any_moment(self, rng: random.Random) -> Kill:
        """Return a moment of the run's time, or a touch of any kind."""
        touches = len(self.undisturbed.touches)
        if touches and rng.random() < 0.4:
            return Kill(touch=rng.randint(1, touches), before=rng.random() < 0.5)
        return Kill(after_s=rng.uniform(0.0, self.undisturbed.took_s))

    def try_kill(
        self, kills: Sequence[Kill], tally: Tally,
        go: Callable[[Path, Kill], Ran] | None = None,
    ) -> None:  # fmt: skip
        """Kill runs one after the other in one folder, run once more, and judge what there is."""
        home = self.place
        shutil.copytree(self.before_all, home, symlinks=True)
        found: list[str] = []
        for kill in kills:
            ran = (go or self.run_in)(home, kill)
            if not ran.killed:
                if ran.code not in (*_DONE, _REFUSED):
                    found.append(f"lost: exit code {ran.code} before its kill: {ran.said[-300:]}")
                tally.ended += 1
                continue
            tally.kills += 1
            found += self._judge_killed(self.state_of(home), tally)
        found += self._judge_after(home, self.run_in(home))
        if found:
            tally.faults += [f"{self._named(kills)}: {fault}" for fault in found]
        tally.stray += any(f.startswith("stray") for f in found)
        tally.lost += any(f.startswith("lost") for f in found)
        shutil.rmtree(home)

    def _named(self, kills: Sequence[Kill]) -> str:
        where = "over an older one" if self.over else "afresh"
        return f"{' '.join(self.command)} ({where}), killed {', '.join(map(str, kills))}"

    def _judge_killed(self, now: State, tally: Tally) -> Iterator[str]:
        """Yield what a kill lost; count whether what is there is old or new."""
        kinds = set()
        for out in self.case.outs:
            there = part(now, out)
            if there == part(self.before, out):
                kinds.add("old")
            elif there == part(self.after, out):
                kinds.add("new")
            else:
                yield f"lost: {out} is neither the old nor the new one, {len(there)} entries"
        if kinds == {"old"}:
            tally.old += 1
        elif kinds == {"new"}:
            tally.new += 1
        else:
            tally.mixed += 1
        for name, was in self.before.items():
            if self._is_out(name) or now.get(name) == was:
                continue
            if not (name in self.case.grows and now.get(name) == self.after.get(name)):
                yield f"lost: {name} is not as it was"
        for name in now.keys() - self.before.keys() - self.after.keys():
            if not hidden(name) and not self.by_name(name):
                yield f"lost: {name} lies there in the open"

    def _judge_after(self, home: Path, ran: Ran) -> Iterator[str]:
        """Yield what the next run left behind, or did not bring about."""
        now = self.state_of(home)
        there = ran.code == _REFUSED and not self.over and "already" in ran.said
        if ran.code != self.undisturbed.code and not there:
            yield f"lost: the next run ended with {ran.code}: {ran.said[-300:]}"
        for name, wanted in self.after.items():
            if now.get(name) == wanted:
                continue
            if not (there and name in self.case.grows and now.get(name) == self.before.get(name)):
                yield f"lost: {name} is not what an undisturbed run makes"
        for name in sorted(now.keys() - self.after.keys()):
            yield f"stray: {name}"
        yield from (f"stray: {name}" for name in self.left_in_tmp())

    def left_in_tmp(self) -> Iterator[str]:
        """Yield what lies in TMPDIR, and take it away."""
        for path in sorted((self.apart / "tmp").iterdir()):
            yield f"{path.name} in TMPDIR"
            shutil.rmtree(path) if path.is_dir() else path.unlink()

    def _is_out(self, name: str) -> bool:
        return any(name == out or name.startswith(f"{out}/") for out in self.case.outs)

    def by_name(self, name: str) -> bool:
        """Whether a file is compared by its name alone."""
        return any(name == one or name.startswith(f"{one}/") for one in self.case.by_name)


def stages_of(case: KilledCommand, base: Base, home: Path) -> Iterator[KillStage]:
    """Yield a command with nothing at its target and, where it replaces, with something."""
    make = partial(KillStage, case, base)
    yield make(home / "afresh", over=False)
    if case.replaces:
        yield make(home / "over", over=True)
