"""What a finding was found by, as its row keeps it, with what the catalogue says of each value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import nan
from typing import Final

from lateralline.catalogue import Form, Meaning, catalogue, unit_of
from lateralline.explain.content import ExplainedSource, held
from lateralline.findings import values_in
from lateralline.record.rows import FindingRow

_SIGNS: Final = {"deg": "°", "percent": "%"}


@dataclass(frozen=True, slots=True)
class FoundBy:
    """What a finding was found by: its numbers and texts by name, units, and what they mean."""

    row: FindingRow
    form: Form | None  # None where the catalogue of today has no such code
    values: Mapping[str, object]
    units: Mapping[str, str]

    def number(self, name: str) -> float:
        """Return a number; NaN where it is not among the values, or nobody knows it."""
        value = self.values.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            return nan
        return float(value)

    def unit(self, name: str) -> str:
        """Return the sign of a number's unit; "" where it is not among the values."""
        unit = self.units.get(name, "")
        return _SIGNS.get(unit, unit)

    def meaning(self, name: str) -> Meaning:
        """Return what a number means; its name where the catalogue says nothing of it."""
        plainly = Meaning(means=name.replace("_", " "))
        return plainly if self.form is None else self.form.means.get(name, plainly)

    def source(self, *names: str) -> ExplainedSource:
        """Return values of the finding as where numbers are from."""
        return held("findings", f"{self.row.code} {self.row.subject} found_by", *names)


def found_by(row: FindingRow) -> FoundBy:
    """Return what a finding was found by; of a record before this was kept, nothing."""
    try:
        form = catalogue().form(row.code, row.variant)
    except TypeError:
        form = None
    values = values_in(row.found_by)
    kinds: Mapping[str, str] = {} if form is None else form.values
    units = {name: unit_of(kinds.get(name, "number")) for name in values}
    return FoundBy(row, form, values, units)
