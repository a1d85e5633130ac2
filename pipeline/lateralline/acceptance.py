"""Findings that somebody answers for: accepted by name, day and reason in the site's own files.

An accepted finding stays on record and is no longer asked for. It holds for its cause alone: code,
subject and the figures as they are printed, which `Finding.cause` puts into eight characters. Where
the figures change, the finding is asked for again, and a note says who accepted it before. What is
not located, and every verdict of a clearance, is judged without looking at acceptances.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from lateralline.findings import Finding, catalogue, finding
from lateralline.settings import Acceptance


def accepted(findings: Iterable[Finding], acceptances: Sequence[Acceptance]) -> tuple[Finding, ...]:
    """Return the findings with who accepted them, when and why, in their order."""
    by_key = {(a.code, a.subject, a.cause): a for a in acceptances}
    return tuple(
        f
        if (a := by_key.get((f.code, f.subject, f.cause))) is None
        else replace(f, accepted_by=a.by, accepted_on=a.on, accepted_reason=a.reason)
        for f in findings
    )


def unmatched(
    found: Iterable[tuple[str, str, str]], acceptances: Sequence[Acceptance], *, writing: bool
) -> tuple[Finding, ...]:
    """Return a note for each acceptance whose finding is not there, or has other figures.

    `found` are code, subject and cause of all findings so far. Findings of writing come last, so
    acceptances of theirs are judged only when `writing`, and the others only when not.
    """
    causes: dict[tuple[str, str], list[str]] = {}
    for code, subject, cause in found:
        causes.setdefault((code, subject), []).append(cause)
    notes = []
    for a in acceptances:
        there = causes.get((a.code, a.subject), [])
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
