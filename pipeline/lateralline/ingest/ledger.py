"""Faults and findings are noted as they are met; nothing is raised until every file is read."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import islice

from lateralline.catalogue import Given, Severity
from lateralline.errors import Fault, SiteFaultsError
from lateralline.findings import Finding, finding
from lateralline.ingest.limits import CANDIDATES, FAULTS
from lateralline.wording import shown, sign_shown


@dataclass(slots=True)
class Ledger:
    """What was met while reading one site folder."""

    faults: list[Fault] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def fault(
        self,
        file: str,
        row: int,
        column: str,
        value: object,
        must: str,
        hint: str = "",
        cell: str = "",
    ) -> None:
        """Note one fault; `must` says what would be right, `hint` how to get there.

        Raises SiteFaultsError with all of them once there are `limits.FAULTS`: looking for more
        takes time and helps nobody.
        """
        column, value = one_line(column), one_line(value)
        must, hint = one_line(must, 400), one_line(hint, 400)
        self.faults.append(Fault(file, row, column, value, must, hint, cell))
        if len(self.faults) >= FAULTS:
            must = f"must be mended before more is looked at: {FAULTS} faults were found so far"
            self.faults.append(Fault(file, 0, "what stands above", "", must))
            self.raise_faults(file)

    def note(
        self,
        code: str,
        subject: str,
        *,
        where: str = "",
        variant: str = "",
        severity: Severity | None = None,
        **values: Given,
    ) -> None:
        """Note the finding of a code; arguments are those of `findings.finding`."""
        self.findings.append(
            finding(code, subject, where=where, variant=variant, severity=severity, more=values)
        )

    def raise_faults(self, site: str) -> None:
        """Raise all faults at once, if there are any."""
        if self.faults:
            raise SiteFaultsError(site, self.faults)


def one_line(value: object, longest: int = 60) -> str:
    r"""Return a value as an error message can show it: short, on one line, nothing unseen in it.

    >>> one_line("CO\n1\x07")
    'CO 1\\u0007'
    """
    text = str(value).lower() if isinstance(value, bool) else " ".join(str(value).split())
    text = "".join(c if c.isprintable() else sign_shown(c) for c in shown(text))
    return text if len(text) <= longest else text[: longest - 1] + "…"


def nearest(value: str, known: Collection[str], most: int = 8) -> str:
    """Return the hint for a name that is not known: the nearest known one, else what is known.

    >>> nearest("C01", ["CO1", "CO2"])
    'did you mean "CO1"?'
    >>> nearest("main", ["L1", "L2"])
    'known: L1, L2'
    """
    if isinstance(known, (set, frozenset)):
        known = sorted(known)
    value = value[:200].casefold()
    folded = {k.casefold(): k for k in known}
    if value in folded:
        return f'did you mean "{one_line(folded[value])}"?'
    if len(folded) > CANDIDATES:  # comparing takes long: only names that begin or end alike
        ends = value[:1], value[-1:]
        alike = (f for f in folded if abs(len(f) - len(value)) < 2 and (f[:1], f[-1:]) == ends)
        folded = {f: folded[f] for f in islice(alike, CANDIDATES)}
    if close := get_close_matches(value, folded, n=1, cutoff=0.65):
        return f'did you mean "{one_line(folded[close[0]])}"?'
    shown = ", ".join(one_line(k, 20) for k in islice(known, most))
    return f"known: {shown}{', …' if len(known) > most else ''}" if shown else "none is known"
