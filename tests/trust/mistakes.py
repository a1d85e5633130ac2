"""Every mistake of the catalogue on many practice sites, and what was made of it.

    python -m tests.trust.mistakes --sites 20 --seed 1 [--mistake NAME] > tests/trust/mistakes.md

A mistake harms where the truth then lies further outside a 95 % claim than without it. It is named
where what leads the findings is one of its codes at its place, or a faulty row is refused; blamed
elsewhere where something else leads; else silent.
"""

from __future__ import annotations

import argparse
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal, cast

import numpy as np

from lateralline.findings import Finding
from lateralline.workers import WorkerLostError, in_order
from tests.trust import bookings, coordinates, digits, instruments  # noqa: F401  (they fill the catalogue)
from tests.trust.catalogue import CATALOGUE, Mistake
from tests.trust.claims import NOWHERE_M, missed
from tests.trust.fitted import HELD_M, by_chance
from tests.trust.hidden import HIDDEN, is_hidden
from tests.trust.sites import SITES, Built, SiteTables, Slip, build, faultless, made

Verdict = Literal["named", "elsewhere", "silent"]
#: A claim is missed by the mistake if by so much more than without it: less is chance.
HARM_M: Final = HELD_M
#: Warnings that accuse somebody; the others say what is not known.
ACCUSING = (
    "blunder", "mark-blunder", "stop-moved", "point-astray", "tie-misfit", "tie-side",
    "counter-wrong", "unit-wrong", "depth-reading-wrong", "receiver-scale", "misfit",
    "stops-shifted", "junction-doubtful", "exposure-disagrees", "field-turned",
    "control-implausible", "baseline-unfit", "mark-duplicate", "levels-mixed", "transmitter-steep",
    "coordinates-outside", "shape-undecided/or-wrong", "slope-tape", "sketch-on-map",
)  # fmt: skip
#: What a case of a site with nothing wrong is called.
FAULTLESS: Final = "faultless"
#: Unnamed cases that miss by so much are listed one by one.
WORST_M: Final = 0.3
#: Mistakes a process makes before it hands its cases over: few, so that a log grows as it goes.
AT_A_TIME: Final = 10
#: A finding on more stops than these names none of them, unless the mistake is in as many.
MOST_NAMED: Final = 3


@dataclass(frozen=True)
class Case:
    """One mistake on one site."""

    mistake: str
    site: str
    seed: int
    outside_m: float  # the worst by which the truth lies further outside a claim
    claim: str  # which
    verdict: Verdict
    lead: str  # what leads the findings
    twin: bool  # a faultless site has the same data

    @property
    def line(self) -> str:
        """The case in one line."""
        how = f"{self.mistake} {self.site} {self.seed} {self.verdict}{' twin' * self.twin}"
        return f"{how} {self.claim} {self.outside_m:.4f} | {self.lead}"

    @property
    def harmed(self) -> bool:
        return self.outside_m > HARM_M


@dataclass(frozen=True)
class Task:
    """What a process does at a time with one site: builds it faultless, and with some mistakes."""

    site: str
    seed: int
    mistakes: tuple[str, ...]
    faultless: bool  # whether the site without mistakes is a case too


def planned(mistakes: Sequence[str], sites: int, faultless: int, seed: int) -> list[Task]:
    """Return what to do for each mistake on so many sites, scenarios in turn, where it can be made.

    And for so many faultless sites of each kind.
    """
    left, out = dict.fromkeys(mistakes, sites), []
    for turn in range(seed, seed + max(sites, faultless)):
        for name in SITES:
            wanted = [m for m in mistakes if left[m] and spoilt(CATALOGUE[m], name, turn)]
            for m in wanted:
                left[m] -= 1
            few = [tuple(wanted[i : i + AT_A_TIME]) for i in range(0, len(wanted), AT_A_TIME)]
            out += [Task(name, turn, some, faultless=False) for some in few]
            if turn < seed + faultless:
                out.append(Task(name, turn, (), faultless=True))
    return out


def done(task: Task) -> list[Case]:
    """Return the cases of one site."""
    found = [case_of(CATALOGUE[name], task.site, task.seed) for name in task.mistakes]
    sound = [accused(task.site, task.seed)] if task.faultless else []
    return [case for case in (*found, *sound) if case is not None]


def spoilt(mistake: Mistake, name: str, seed: int) -> tuple[SiteTables, Slip] | None:
    """Make a mistake in the tables of one site; None where it cannot be made there."""
    tables = made(name, seed).given.copy()
    slip = mistake.change(tables, np.random.default_rng([seed, *mistake.name.encode()]))
    return None if slip is None else (tables, slip)


def case_of(mistake: Mistake, name: str, seed: int) -> Case | None:
    """Build one site with a mistake; None where it cannot be made there."""
    wrong = spoilt(mistake, name, seed)
    if wrong is None:
        return None
    tables, slip = wrong
    sound, before, after = made(name, seed), faultless(name, seed), build(tables)
    assert before.result is not None
    verdict, lead = judged(mistake, slip, before, after)
    worst, claim, hidden = 0.0, "", is_hidden(mistake, name)
    if after.result is not None:
        without = missed(before.result, sound.surveyed, 0.0)
        then = missed(after.result, sound.surveyed, slip.levels_m)
        claim, worst = max(((c, then[c] - without[c]) for c in then), key=lambda pair: pair[1])
        if worst > HARM_M and verdict == "silent" and not hidden:
            hidden = by_chance(name, seed, tables, slip, after.result)
    return Case(
        mistake.name,
        name,
        seed,
        max(float(worst), 0.0),
        claim,
        verdict,
        lead,
        hidden,
    )


# ---- was it named? ------------------------------------------------------------------------------


def judged(mistake: Mistake, slip: Slip, before: Built, after: Built) -> tuple[Verdict, str]:
    """Return whether a mistake was named, and by what; what was said without it does not count."""
    if after.result is None:
        if after.failure:
            return "elsewhere", after.failure
        rows, here = (
            {name for f in after.faults for name in (f.file, f"{f.file}:{f.row}")},
            slip.lines(),
        )
        right = bool(rows & here) or not slip.cells or _in(slip.at, str(after.faults[0]))
        return ("named" if right else "elsewhere"), f"fault {after.faults[0]}"
    assert before.result is not None
    known = {(f.name, f.subject) for f in before.result.findings if f.severity != "error"}
    new = [f for f in after.result.findings if (f.name, f.subject) not in known]
    errors = [f for f in new if f.severity == "error"]
    if errors:
        right = names(mistake, slip, errors[0])
        return ("named" if right else "elsewhere"), _said(errors[0])
    told = [f for f in new if f.severity == "warning" or f.code == "observation-not-located"]
    for f in told:
        if names(mistake, slip, f):
            return "named", _said(f)
    accusing = [f for f in told if f.is_one_of(ACCUSING)]
    if accusing:
        return "elsewhere", _said(accusing[0])
    return "silent", "; ".join(map(_said, told[:2]))


def names(mistake: Mistake, slip: Slip, found: Finding) -> bool:
    """Whether a finding is one of a mistake's, and leads to where it was made."""
    if not found.is_one_of(mistake.codes):
        return False
    if not slip.at:
        return not slip.cells or found.where in slip.lines() or not found.where
    if found.where in slip.lines():
        return True
    subjects = {found.subject, *found.about, *found.suspects}
    stops = {s for s in subjects if s.startswith("stop ")}
    if len(stops) > max(MOST_NAMED, sum("/" in name for name in slip.at) + 1):
        return False
    return _in(slip.at, " ".join((*subjects, found.what, found.by_how_much)))


def _in(names: Iterable[str], text: str) -> bool:
    return any(re.search(rf"(?<![\w/-]){re.escape(name)}(?![\w/-])", text) for name in names)


def _said(f: Finding) -> str:
    return f"{f.severity} {f.name} {f.subject}"


# ---- the table ----------------------------------------------------------------------------------

_LINE: Final = re.compile(
    r"(\S+) (\S+) (\d+) (named|elsewhere|silent)( twin)? (\w*) ([\d.]+) \| (.*)"
)
_HEAD: Final = (
    "mistake", "what", "cases", "beyond a claim", "of these named", "blamed elsewhere", "silent",
    "hidden", "worst silent or blamed, m", "within claims, blamed elsewhere",
)  # fmt: skip


def logged(text: str) -> list[Case]:
    """Return the cases of a log."""
    out = []
    for line in text.splitlines():
        found = _LINE.fullmatch(line)
        assert found is not None, line
        name, site, seed, verdict, twin, claim, outside, lead = found.groups()
        out.append(
            Case(name, site, int(seed), float(outside), claim, cast("Verdict", verdict), lead,
                 twin is not None)
        )  # fmt: skip
    return out


def document(found: Sequence[Case], command: str = "", planned_cases: int = 0) -> str:
    """Return the whole of mistakes.md; `command` made it, or so many of the cases it planned."""
    cut = f", stopped after {len(found)} of {planned_cases} cases" * (len(found) < planned_cases)
    sound = [c for c in found if c.mistake == FAULTLESS]
    found = [c for c in found if c.mistake != FAULTLESS]
    shown = [c for c in found if c.harmed and (c.verdict == "named" or not c.twin)]
    part = {v: sum(c.verdict == v for c in shown) for v in ("named", "elsewhere", "silent")}
    hidden = {c.mistake for c in found if c.twin and is_hidden(CATALOGUE[c.mistake], c.site)}
    chance = {c.mistake for c in found if c.twin and not is_hidden(CATALOGUE[c.mistake], c.site)}
    why = {CATALOGUE[name].hidden: HIDDEN[CATALOGUE[name].hidden].why for name in sorted(hidden)}
    made_on = Counter(c.mistake for c in found)
    out = [
        "# Mistakes of the field, and what is made of them",
        "",
        f"Made by `{f'python -m tests.trust.mistakes {command}'.strip()}`{cut}; every site is a "
        "practice site with known truth. "
        f"{len(made_on)} mistakes, {len(found)} cases.",
        "",
        f"A case is *beyond a claim* where the truth lies more than {HARM_M:g} m further outside "
        "corridor, level band, a stop's place or depth, or an observation's place than without the "
        "mistake. It is *named* where what leads the findings is a code of the mistake at its "
        "place, or a faulty row is refused; *blamed elsewhere* where something else leads; else "
        "*silent*. *Hidden*: unnamed, and a faultless site has the same data, to less than 1 σ of "
        "every reading or, of a silent one, within the noise of this one site (below).",
        "",
        f"Beyond a claim and not hidden: {len(shown)}; named {part['named']}, blamed elsewhere "
        f"{part['elsewhere']}, silent {part['silent']}.",
        "",
        f"Faultless sites: {len(sound)}; with an error finding "
        f"{sum(c.verdict != 'silent' for c in sound)}.",
        "",
        *table(found),
        "",
        "## What data alone cannot show",
        "",
        "Each of these has a faultless twin, made in `hidden.py` and built in `test_mistakes.py`:",
        "",
    ]
    for key, said in why.items():
        names_of = ", ".join(n for n in sorted(hidden) if CATALOGUE[n].hidden == key)
        out.append(f"- {names_of}: {said[0].lower()}{said[1:]}")
    if chance:
        out.append(
            f"- on some sites {', '.join(sorted(chance))}: another pipe, fitted in `fitted.py`, of "
            "which these very data are true, noise and all, and what is claimed."
        )
    worst = [c for c in unnamed(found) if c.outside_m >= WORST_M]
    if worst:
        out += ["", f"## Unnamed, {WORST_M:g} m and more outside a claim", ""]
        out += [f"- {c.line}" for c in worst]
    return "\n".join(out) + "\n"


def table(found: Sequence[Case]) -> list[str]:
    """Return a row for each mistake, and one for all."""
    by_name = {name: [c for c in found if c.mistake == name] for name in CATALOGUE}
    rows = [[name, CATALOGUE[name].what, *_row(of)] for name, of in by_name.items() if of]
    rows.append(["**all**", "", *_row(found)])
    return ["| " + " | ".join(cells) + " |" for cells in (_HEAD, ["---"] * len(_HEAD), *rows)]


def _row(of: Sequence[Case]) -> list[str]:
    harmed = [c for c in of if c.harmed]
    told = [c.verdict for c in harmed if c.verdict == "named" or not c.twin]
    count = [told.count(v) for v in ("named", "elsewhere", "silent")]
    worst = max((c.outside_m for c in unnamed(of)), default=0.0)
    far = f"{worst:.2f}" if worst < NOWHERE_M / 2 else "all"
    calm = sum(c.verdict == "elsewhere" for c in of if not c.harmed)
    return [
        str(len(of)), str(len(harmed)), *map(str, count), str(len(harmed) - len(told)),
        far if worst else "", str(calm),
    ]  # fmt: skip


def unnamed(found: Iterable[Case]) -> list[Case]:
    """Return the cases that harmed and were neither named nor hidden, the worst first."""
    left = (c for c in found if c.harmed and c.verdict != "named" and not c.twin)
    return sorted(left, key=lambda c: -c.outside_m)


def accused(name: str, seed: int) -> Case:
    """Build a faultless site: silent, or blamed elsewhere by an error."""
    result = faultless(name, seed).result
    assert result is not None
    errors = [_said(f) for f in result.findings if f.severity == "error"]
    verdict: Verdict = "elsewhere" if errors else "silent"
    return Case(FAULTLESS, name, seed, 0.0, "", verdict, "".join(errors[:1]), False)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the document."""
    parser = argparse.ArgumentParser(prog="python -m tests.trust.mistakes")
    parser.add_argument("--sites", type=int, default=20, help="sites for each mistake")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faultless", type=int, default=15, help="of each kind of site")
    parser.add_argument("--mistake", action="append", choices=sorted(CATALOGUE), metavar="NAME")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--log", type=Path, help="a line for each case, as it comes")
    parser.add_argument("--of-log", type=Path, help="the cases of a log, with none made")
    args = parser.parse_args(argv)
    command = f"--sites {args.sites} --faultless {args.faultless} --seed {args.seed}"
    command += "".join(f" --mistake {name}" for name in args.mistake or ())
    tasks = planned(args.mistake or list(CATALOGUE), args.sites, args.faultless, args.seed)
    wanted = sum(len(task.mistakes) + task.faultless for task in tasks)
    if args.of_log:
        print(document(logged(args.of_log.read_text()), command, wanted), end="")
        return
    found: list[Case] = []
    with args.log.open("w") if args.log else nullcontext() as log:
        for of_site in in_order(done, tasks, len(tasks), args.workers):
            if isinstance(of_site, WorkerLostError):
                raise of_site
            found += of_site
            if log:
                log.writelines(f"{case.line}\n" for case in of_site)
                log.flush()
    print(document(found, command, wanted), end="")


if __name__ == "__main__":
    from tests.trust import mistakes  # workers look for `done` in the module by its name

    mistakes.main()
