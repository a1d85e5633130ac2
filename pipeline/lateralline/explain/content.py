"""What is told of one spot of a record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import isnan, nan
from typing import Final

from lateralline.measure import DASH

#: What is said of a record that is not what the manifest beside it says.
CHANGED: Final = "CHANGED since it was written"
#: What figures are shown to: less is no difference.
_SHOWN: Final = 5e-5
#: Where formulas are from, by the name a figure gives.
SOURCES: Final = {
    "dipole": (
        "field of a point dipole, as in Griffiths, Introduction to Electrodynamics (from memory): "
        "along the axis of a level one the field stands upright where 2x² = d²"
    ),
    "least squares": (
        "weighted least squares, Σ (residual / σ)² as small as can be; tests of single "
        "measurements by Baarda, 1968 (from memory)"
    ),
    "normal": (
        "normal distribution: 95 of 100 lie within 1.960 σ of one quantity, and within the "
        "ellipse 2.4477 times the standard one (√ of χ² for two)"
    ),
    "chi2": "χ² distribution: the sum of so many squared standardised errors",
    "definition": "what the word means: see the data dictionary of the record",
}
#: How far a figure reckoned again may be from the record's: what doubles lose in a sum.
_SAME: Final = 1e-6


@dataclass(frozen=True, slots=True)
class ExplainedFigure:
    """One figure, the formula behind it, and the same with its numbers put in."""

    what: str
    value: float
    unit: str  # "m", "m²", "°", "1"
    formula: str
    worked: str
    source: str
    in_record: float = nan  # what the record holds for the same; NaN where it holds none
    by_hand: bool = False  # near what the record holds, and need not agree

    @property
    def differs(self) -> float:
        """How far the record's own is from it; NaN where it holds none."""
        return self.in_record - self.value

    @property
    def agrees(self) -> bool:
        """Whether the record holds the same, where it must."""
        return self.by_hand or isnan(self.differs) or abs(self.differs) <= _SAME


@dataclass(frozen=True, slots=True)
class ExplainedTable:
    """A table: its title, a remark, and rows of texts."""

    title: str
    note: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """All that is told of one spot; lengths in metres but in `said`."""

    site_id: str
    ref: str  # as the record calls it
    kind: str  # stop | node | segment | place | observation | finding
    title: str
    said: tuple[str, ...]  # plain words first, in the unit of the crew
    figures: tuple[ExplainedFigure, ...]
    tables: tuple[ExplainedTable, ...]
    findings: tuple[str, ...]  # about this spot
    assumed: tuple[str, ...]  # what nobody gave and the record takes for given
    record: tuple[tuple[str, str], ...]  # which record, by name and hash
    caution: str

    @property
    def disagreeing(self) -> tuple[ExplainedFigure, ...]:
        """Figures that the record should hold and does not: someone edited it."""
        return tuple(figure for figure in self.figures if not figure.agrees)


@dataclass(slots=True)
class ToldSpot:
    """An explanation as it grows."""

    said: list[str] = field(default_factory=list)
    figures: list[ExplainedFigure] = field(default_factory=list)
    tables: list[ExplainedTable] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)

    def table(
        self, title: str, note: str, heads: Sequence[str], rows: Sequence[Sequence[str]]
    ) -> None:
        """Add a table that has rows."""
        if rows:
            self.tables.append(ExplainedTable(title, note, tuple(heads), tuple(map(tuple, rows))))


def said(value: float, decimals: int = 4) -> str:
    """Return a number as arithmetic shows it; a dash for what is not known.

    >>> said(1.25), said(-0.00001), said(float("nan"))
    ('1.2500', '0.0000', '–')
    """
    if isnan(value):
        return DASH
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def lines_of(explanation: Explanation, width: int = 100) -> Iterator[str]:
    """Yield an explanation line by line, as a terminal or a text file has it, caution last."""
    yield explanation.title
    yield from (f"  {text}" for text in explanation.said)
    if explanation.figures:
        yield ""
        yield "How the figures come about (lengths in metres)"
    for figure in explanation.figures:
        yield from _lines_of_figure(figure)
    for table in explanation.tables:
        yield ""
        yield table.title + (f" ({table.note})" if table.note else "")
        yield from _lines_of_table(table, width)
    for title, texts in (("Findings here", explanation.findings), ("Assumed", explanation.assumed)):
        if texts:
            yield ""
            yield title
            yield from (f"  {text}" for text in texts)
    yield ""
    yield "Sources of the formulas"
    yield from (f"  {text}" for text in sources_of(explanation))
    yield ""
    yield "The record"
    yield from (f"  {name}: {value}" for name, value in explanation.record)
    yield ""
    yield explanation.caution


def sources_of(explanation: Explanation) -> list[str]:
    """Return where the formulas are from, each once."""
    return list(dict.fromkeys(SOURCES[figure.source] for figure in explanation.figures))


def compared(figure: ExplainedFigure) -> str:
    """Return how a figure and the record's own compare; "" where the record holds none."""
    if isnan(figure.in_record):
        return ""
    own = f"{said(figure.in_record)} {figure.unit}".replace(" 1", "")
    if figure.by_hand and abs(figure.differs) >= _SHOWN:
        return f"the record has {own}, {said(figure.differs)} from this"
    return f"as in the record: {own}" if figure.agrees else f"the record has {own}: edited since?"


def _lines_of_figure(figure: ExplainedFigure) -> Iterator[str]:
    unit = "" if figure.unit == "1" else f" {figure.unit}"
    yield f"  {figure.what}: {said(figure.value)}{unit}"
    yield f"    {figure.formula}"
    if figure.worked:
        yield f"    = {figure.worked}"
    if text := compared(figure):
        yield f"    {text}"


def _lines_of_table(table: ExplainedTable, width: int) -> Iterator[str]:
    """Yield a table in columns; one that is too wide, a line a cell under the first of its row."""
    rows = [table.heads, *table.rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    if sum(widths) + 2 * len(widths) <= width:
        for row in rows:
            cells = (cell.ljust(wide) for cell, wide in zip(row, widths, strict=True))
            yield f"  {'  '.join(cells)}".rstrip()
        return
    for first, *rest in table.rows:
        yield f"  {first}"
        for head, cell in zip(table.heads[1:], rest, strict=True):
            if cell and cell != DASH:
                yield f"    {head}: {cell}"
