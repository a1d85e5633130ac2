"""What follows where an old record did not hold, in words: findings with what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import isfinite
from typing import Final

from lateralline import contract
from lateralline.records import Finding
from lateralline.revise.changes import Departure, ExposureCheck, LineChange
from lateralline.revise.sources import ADDED_FILE
from lateralline.settings import Settings

#: Stands in the findings: no stage of a build finds these.
STAGE: Final = "update"

_WITHDRAW: Final = (
    "withdraw every dig overlay, sheet and picture made from the old record, tell whoever holds "
    "one, and issue the new. "
)
_REISSUE: Final = "issue overlays from the new record in place of those from the old. "


def warnings(
    lines: Iterable[LineChange], exposures: Iterable[ExposureCheck]
) -> tuple[Finding, ...]:
    """Return a finding for each line and exposure that lies outside what was claimed."""
    found = [f for line in lines for f in _of_line(line)]
    found += [f for exposure in exposures for f in _of_exposure(exposure)]
    return tuple(sorted(found, key=lambda f: f.severity != "error"))


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
        by = f"{worst.off_m:.2f} m outside at chainage {worst.worst_chainage_m:.2f} m, between "
        by += f"{worst.between}; known there to ±{worst.own_95_m:.2f} m (95 %){more}"
        yield _finding(
            held.verdict == "failed",
            code,
            f"line {line.line}",
            f"the new line lies outside the old 95 % {region} for {held.outside_m:.2f} m of "
            f"{held.tested_m:.2f} m, at chainage {parts}",
            by,
        )


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
                f"chainage {e.old_chainage_m:.2f} m",
                f"{off_m:.2f} m outside; measured to ±{own_m:.2f} m (95 %)",
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


def _part(d: Departure) -> str:
    return f"{d.from_chainage_m:.2f} to {d.to_chainage_m:.2f} m"


def _tolerance(worst: Departure, tolerance_m: float) -> str:
    """Say how much of the tolerance about the old corridor is used up."""
    if not isfinite(tolerance_m):
        return ""
    if worst.off_m > tolerance_m:
        return f"; that is beyond the old dig zone's tolerance of {tolerance_m:.2f} m as well"
    return f"; it uses up that much of the old dig zone's tolerance of {tolerance_m:.2f} m"
