"""What rows of both overlays have in common: a finding in words, and the caution."""

from __future__ import annotations

from lateralline.findings import Finding
from lateralline.record import CAUTION


class JudgedLine:
    """A row with what was found of it; None where there is nothing to say."""

    __slots__ = ()
    found: Finding | None

    @property
    def finding(self) -> str:
        """Code of what was found, with the variant; "" nothing."""
        return "" if self.found is None else self.found.name

    @property
    def what(self) -> str:
        """What was found, in words."""
        return "" if self.found is None else self.found.message

    @property
    def what_to_do(self) -> str:
        """What settles it."""
        return "" if self.found is None else self.found.what_to_do

    @property
    def caution(self) -> str:
        """What must be read before the row guides anyone."""
        return CAUTION
