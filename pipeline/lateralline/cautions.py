"""What stands on all that could guide digging, and what speaks against a record before that.

The one owner of these sentences: layers, drawings, pages, cards, overlays and exports say them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from lateralline import contract
from lateralline.findings import is_open_error

#: Stands on everything that could guide digging; declared once, in the schemas.
CAUTION: Final = contract.load("tolerance_zone").caution

#: Stands before it on all that is made of a record somebody changed since it was written.
CHANGED: Final = "CHANGED since it was written, vouched for by nobody."

#: Begins what stands before it where an error finding is open.
ERRORS: Final = "ERRORS are open:"

#: So many lines are named at most.
_NAMED: Final = 4


@dataclass(frozen=True, slots=True)
class Reservations:
    """What speaks against using a record: somebody changed it, or errors of it are open."""

    changed: bool = False
    errors: frozenset[tuple[str, str]] = frozenset()  # site and line; line "" = the whole site

    @classmethod
    def of_findings(
        cls, rows: Iterable[tuple[str, str, str, str]], *, changed: bool = False
    ) -> Reservations:
        """Return those of findings: site, line ("" of the site), severity, who accepted it.

        >>> Reservations.of_findings([("S", "L1", "error", ""), ("S", "L2", "error", "A. B.")])
        Reservations(changed=False, errors=frozenset({('S', 'L1')}))
        """
        of = ((site, line) for site, line, *told in rows if is_open_error(*told))
        return cls(changed, frozenset(of))

    def of(self, site: str, line: str = "") -> Reservations:
        """Return what speaks against one line, against a site where no line is named, or all."""
        if not site:
            return self
        mine = (
            (s, name) for s, name in self.errors if s == site and (not line or name in ("", line))
        )
        return Reservations(self.changed, frozenset((s, name or line) for s, name in mine))

    def before(self, own: str = CAUTION) -> str:
        """Return a caution with all that speaks against, once, before it.

        >>> Reservations(errors=frozenset({("S", "L2"), ("S", "L1")})).before("Do not dig.")
        'ERRORS are open: do not use lines L1, L2. Do not dig.'
        >>> changed = Reservations(changed=True)
        >>> changed.before("Do not dig.") == changed.before(changed.before("Do not dig."))
        True
        """
        said = [self._of_errors()] if self.errors else []
        said += [CHANGED] if self.changed else []
        for sentence in said:
            own = own if sentence in own else f"{sentence} {own}"
        return own

    def _of_errors(self) -> str:
        sites = {site for site, _ in self.errors}
        whole = sorted(site for site, line in self.errors if not line)
        lines = sorted((site, line) for site, line in self.errors if line)
        if len(self.errors) <= _NAMED:
            each = [f"{line} of {site}" if len(sites) > 1 else line for site, line in lines]
            named = [f"line{'s' * (len(lines) > 1)} {', '.join(each)}"] if lines else []
            named += [f"any line of {', '.join(whole)}"] if whole else []
            return f"{ERRORS} do not use {', nor '.join(named)}."
        lines = [(site, line) for site, line in lines if site not in whole]
        of = {site for site, _ in lines}
        where = f" of {len(of)} sites" if len(of) > 1 else ""
        counted = [f"{len(lines)} line{'s' * (len(lines) > 1)}{where}"] if lines else []
        if whole:
            which = ", ".join(whole) if len(whole) <= _NAMED else f"{len(whole)} whole sites"
            counted.append(f"any line of {which}")
        return f"{ERRORS} do not use {', nor '.join(counted)} that findings name."


#: Nothing speaks against it.
NONE: Final = Reservations()


def cautions_of(
    columns: Mapping[str, Collection[object]], reserved: Reservations
) -> dict[str, list[object]]:
    """Return the column `caution` of rows anew: before each what speaks against its line.

    Empty where there is none, or nothing speaks against. A row that is of no line has what speaks
    against its site, one of no site all.
    """
    if "caution" not in columns or reserved == NONE:
        return {}
    own = [str(caution) for caution in columns["caution"]]
    nobody = [""] * len(own)
    of = zip(columns.get("site_id", nobody), columns.get("line_id", nobody), own, strict=True)
    return {
        "caution": [
            reserved.of(str(site or ""), str(line or "")).before(caution)
            for site, line, caution in of
        ]
    }
