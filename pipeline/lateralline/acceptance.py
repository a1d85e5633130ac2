"""Findings that somebody answers for: accepted by name, day and reason in the site's own files.

An accepted finding stays on record and is no longer asked for. It holds for its cause alone: code,
subject and the figures as they are printed, which `Finding.cause` puts into eight characters; one
that was accepted under a code it had before is accepted still (`Finding.causes`). Where
the figures change, the finding is asked for again, and a note says who accepted it before. What is
not located, and every verdict of a clearance, is judged without looking at acceptances.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from lateralline.catalogue import catalogue
from lateralline.findings import Finding, finding
from lateralline.settings import Acceptance


def accepted(findings: Iterable[Finding], acceptances: Sequence[Acceptance]) -> tuple[Finding, ...]:
    """Return the findings with who accepted them, when and why, in their order."""
    by_key: dict[tuple[str, str], list[Acceptance]] = {}
    for a in acceptances:
        by_key.setdefault((a.code, a.subject), []).append(a)
    return tuple(_answered(f, by_key.get((f.code, f.subject), ())) for f in findings)


def _answered(found: Finding, acceptances: Sequence[Acceptance]) -> Finding:
    """Return a finding with the last acceptance that holds for it, of those of its subject."""
    held = [a for a in acceptances if a.cause in found.causes]
    if not held:
        return found
    a = held[-1]
    return replace(found, accepted_by=a.by, accepted_on=a.on, accepted_reason=a.reason)


def unmatched(
    found: Iterable[tuple[str, str, Iterable[str]]],
    acceptances: Sequence[Acceptance],
    *,
    writing: bool,
) -> tuple[Finding, ...]:
    """Return a note for each acceptance whose finding is not there, or has other figures.

    `found` are code, subject and causes of all findings so far. Findings of writing come last, so
    acceptances of theirs are judged only when `writing`, and the others only when not.
    """
    causes: dict[tuple[str, str], set[str]] = {}
    for code, subject, own in found:
        causes.setdefault((code, subject), set()).update(own)
    notes = []
    for a in acceptances:
        there = causes.get((a.code, a.subject), set())
        if _of_writing(a.code) != writing or a.cause in there:
            continue
        values: Mapping[str, str] = {"found": a.code, "by": a.by, "on": a.on.isoformat()}
        notes.append(
            finding(
                "acceptance-unused",
                a.subject,
                variant="other" if there else "gone",
                stage="write" if writing else "derive",
                where=a.where,
                more=values,
            )
        )
    return tuple(notes)


def _of_writing(code: str) -> bool:
    """Whether findings of a code may come as late as writing."""
    made = catalogue()
    return code in made.entries and any("write" in form.stage for form in made.forms(code))
