"""What follows where an old record did not hold, in words: findings with what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from math import isfinite
from typing import Final

from lateralline import contract
from lateralline.records import Finding
from lateralline.revise.changes import Containment, Departure, ExposureCheck, LineChange
from lateralline.revise.conflicts import ADDED_FILE
from lateralline.settings import Settings
from lateralline.wording import metres

#: Stands in the findings: no stage of a build finds these.
STAGE: Final = "update"

_WITHDRAW: Final = (
    "withdraw every dig overlay, sheet and picture made from the old record, tell whoever holds "
    "one, and issue the new. "
)
_SETTLE: Final = (
    "rely on neither record until this is settled: correct what these findings say, then update "
    "again. "
)
#: Stages whose errors put a line in doubt; files and coordinates of the outputs do not.
_IN_DOUBT: Final = ("solve", "link", "derive")
_REISSUE: Final = "issue overlays from the new record in place of those from the old. "


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
            found.append(
                Finding(
                    "info",
                    STAGE,
                    "receiver-shared",
                    f"run {run.id}",
                    f"it is taken to share its receiver and day with {', '.join(others)}: one "
                    "scale for all their depth readings",
                    "",
                    f"give receiver under [[run]] in {ADDED_FILE} if either was another",
                )
            )
    return tuple(found)


def _of_line(line: LineChange) -> Iterator[Finding]:
    for held, region, code in (
        (line.plan, "corridor", "corridor"),
        (line.level, "band of levels", "level-band"),
    ):
        worst = held.worst
        if worst is None:
            continue
        parts = "; ".join(_part(d) for d in held.departures[:6])
        parts += "; …" if len(held.departures) > 6 else ""
        more = _tolerance(worst, line.tolerance_m) if code == "corridor" else ""
        by = f"{metres(worst.off_m)} outside at chainage {metres(worst.worst_chainage_m)}, between "
        by += f"{worst.between}; known there to ±{metres(worst.own_95_m)} (95 %){more}"
        what = f"the new line lies outside the old 95 % {region} for {metres(held.outside_m)} of "
        what += f"{metres(held.tested_m)}, at chainage {parts}"
        if held.verdict == "withheld":
            yield _withheld(code, line, what, by)
        else:
            yield _finding(held.verdict == "failed", code, f"line {line.line}", what, by)


def _of_exposure(e: ExposureCheck) -> Iterator[Finding]:
    for verdict, off_m, own_m, region, code in (
        (e.plan, e.off_m, e.own_95_m, "corridor", "corridor"),
        (e.level, e.level_off_m, e.level_own_95_m, "band of levels", "level-band"),
    ):
        if verdict in ("left", "failed"):
            yield _finding(
                verdict == "failed",
                f"exposure-{code}",
                f"exposure {e.name}",
                f"the pipe was seen outside the old 95 % {region} of line {e.line}, beside its "
                f"chainage {metres(e.old_chainage_m)}",
                f"{metres(off_m)} outside; measured to ±{metres(own_m)} (95 %)",
            )


def _finding(failed: bool, code: str, subject: str, what: str, by_how_much: str) -> Finding:
    """Word one finding: an error when the new record's own uncertainty does not explain it."""
    caution = contract.load("dig_zone").caution
    if failed:
        what += ": more than its own uncertainty explains, so the old record was wrong there "
        what += "beyond its 95 % claim"
        return Finding(
            "error", STAGE, f"{code}-failed", subject, what, by_how_much, _WITHDRAW + caution
        )
    what += ": no more than its own uncertainty explains, so it may be chance"
    return Finding("warning", STAGE, f"{code}-left", subject, what, by_how_much, _REISSUE + caution)


def _withheld(code: str, line: LineChange, what: str, by_how_much: str) -> Finding:
    """Word one finding where the new record's own errors leave open which of the two is wrong."""
    named = list(dict.fromkeys(f"{f.subject} ({f.code})" for f in line.doubts))
    many = f" and {len(named) - 4} more" if len(named) > 4 else ""
    what += ". Which of the two records is wrong is not judged, because the new one has errors: "
    what += ", ".join(named[:4]) + many
    caution = contract.load("dig_zone").caution
    subject = f"line {line.line}"
    return Finding(
        "error", STAGE, f"{code}-withheld", subject, what, by_how_much, _SETTLE + caution
    )


def _part(d: Departure) -> str:
    return f"{metres(d.from_chainage_m)} to {metres(d.to_chainage_m)}"


def _tolerance(worst: Departure, tolerance_m: float) -> str:
    """Say how much of the tolerance about the old corridor is used up."""
    if not isfinite(tolerance_m):
        return ""
    if worst.off_m > tolerance_m:
        return f"; that is beyond the old dig zone's tolerance of {metres(tolerance_m)} as well"
    return f"; it uses up that much of the old dig zone's tolerance of {metres(tolerance_m)}"
