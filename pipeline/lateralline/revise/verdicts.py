"""What follows where an old record did not hold: findings with what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from math import nan
from typing import Final

from lateralline import contract
from lateralline.findings import Finding, Given, finding
from lateralline.revise.changes import Containment, ExposureCheck, LineChange
from lateralline.revise.conflicts import ADDED_FILE
from lateralline.settings import Settings

#: Stages whose errors put a line in doubt; files and coordinates of the outputs do not.
_IN_DOUBT: Final = ("solve", "link", "derive")


def warnings(
    lines: Iterable[LineChange], exposures: Iterable[ExposureCheck]
) -> tuple[Finding, ...]:
    """Return a finding for each line and exposure that lies outside what was claimed."""
    found = [f for line in lines for f in _of_line(line)]
    found += [f for exposure in exposures for f in _of_exposure(exposure)]
    return tuple(sorted(found, key=lambda f: f.severity != "error"))


def doubts(
    findings: Iterable[Finding], settings: Settings, exposures: Mapping[str, str]
) -> dict[str, tuple[Finding, ...]]:
    """Return the error findings of a record on each line, its runs, stops and exposures.

    `exposures` gives the line of each by name. An error on the whole site is one on every line, and
    lines that join are adjusted together, so each has the other's.
    """
    runs = {run.id: run.line for run in settings.runs}
    lines = list(dict.fromkeys([*runs.values(), *exposures.values()]))
    errors = [f for f in findings if f.severity == "error" and f.stage in _IN_DOUBT]
    about = [_lines_of(f.subject, runs, exposures, lines) for f in errors]
    of_line = {x: {i for i, named in enumerate(about) if x in named} for x in lines}
    for _ in settings.branches:  # once for each, so that doubt reaches branches of branches
        for branch in settings.branches:
            both = of_line.get(branch.line, set()) | of_line.get(branch.joins, set())
            of_line[branch.line] = of_line[branch.joins] = both
    return {x: tuple(errors[i] for i in sorted(of)) for x, of in of_line.items()}


def _lines_of(
    subject: str, runs: Mapping[str, str], exposures: Mapping[str, str], lines: list[str]
) -> list[str]:
    """The lines a finding's subject is about: "stop R1/4", "lines L1, L2", "site"."""
    of, _, name = subject.partition(" ")
    if of in ("line", "lines"):
        return name.split(", ")
    if of == "segment":
        return [name.rpartition("/")[0]]
    if of == "exposure":
        return [exposures.get(name, "")]
    if of in ("run", "stop"):
        return [runs.get(name.partition("/")[0], "")]
    return lines if of == "site" else []


def judged(held: Containment, doubtful: Iterable[Finding]) -> Containment:
    """Return what is made of a region the new line leaves, where the new record has errors."""
    if held.verdict in ("left", "failed") and tuple(doubtful):
        return replace(held, verdict="withheld")
    return held


def shared_receivers(old: Settings, new: Settings) -> tuple[Finding, ...]:
    """Return a note for each added run that is taken to share receiver and day with older ones."""
    known = {run.id for run in old.runs}
    found = []
    for run in new.runs:
        others = [other.id for other in old.runs if other.receiver == run.receiver]
        if run.id not in known and others:
            subject = f"run {run.id}"
            found.append(finding("receiver-shared", subject, others=others, file=ADDED_FILE))
    return tuple(found)


def _of_line(line: LineChange) -> Iterator[Finding]:
    caution = contract.load("dig_zone").caution
    for held, region, code, tolerance_m in (
        (line.plan, "corridor", "corridor", line.tolerance_m),
        (line.level, "band of levels", "level-band", nan),
    ):
        worst = held.worst
        if worst is None:
            continue
        outcome = held.verdict if held.verdict in ("failed", "withheld") else "left"
        values: dict[str, Given] = {
            "region": region,
            "at_m": worst.worst_chainage_m,
            "between": worst.between,
            "off_m": worst.off_m,
            "own_95_m": worst.own_95_m,
            "outside_m": held.outside_m,
            "tested_m": held.tested_m,
            "tolerance_m": tolerance_m,
            "caution": caution,
        }
        if outcome == "withheld":
            values["errors"] = dict.fromkeys(f"{f.subject} ({f.code})" for f in line.doubts)
        yield finding(f"{code}-{outcome}", f"line {line.line}", more=values)


def _of_exposure(e: ExposureCheck) -> Iterator[Finding]:
    for verdict, off_m, own_m, region, code in (
        (e.plan, e.off_m, e.own_95_m, "corridor", "corridor"),
        (e.level, e.level_off_m, e.level_own_95_m, "band of levels", "level-band"),
    ):
        if verdict in ("left", "failed"):
            yield finding(
                f"exposure-{code}-{verdict}",
                f"exposure {e.name}",
                region=region,
                line=f"line {e.line}",
                at_m=e.old_chainage_m,
                off_m=off_m,
                own_95_m=own_m,
                caution=contract.load("dig_zone").caution,
            )
