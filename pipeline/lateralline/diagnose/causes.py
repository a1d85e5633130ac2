"""One cause, one finding: what only follows from another finding is not told beside it.

A finding may say what it explains (`Finding.explains`): codes, and the subjects they would be
about. Whoever finds a cause knows best what follows from it, so it is said there, and the list is
cleared here, once, for all stages. An effect that some cause explains is left out whatever its
severity; a cause is never left out as the effect of itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from lateralline.findings import Effect, Finding


def explained(finding: Finding, causes: Iterable[Finding]) -> bool:
    """Whether a finding only follows from one of the causes."""
    return any(
        _follows(finding, effect) for c in causes if c is not finding for effect in c.explains
    )


def leading(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return the findings that follow from no other, in their order, causes first among errors.

    A cause stands before everything of its own severity: it is what to mend first.
    """
    causes = [f for f in findings if f.explains]
    if not causes:
        return tuple(findings)
    kept = [f for f in findings if not explained(f, causes)]
    return (*(f for f in kept if f.explains), *(f for f in kept if not f.explains))


def _follows(finding: Finding, effect: Effect) -> bool:
    if finding.code not in effect.codes:
        return False
    if effect.subjects is None:
        return True
    return not effect.subjects.isdisjoint({finding.subject, *finding.about})
