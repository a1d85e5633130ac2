"""What is told of one spot of a record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from math import isfinite, isnan, nan
from typing import Final

from lateralline.cautions import CHANGED as CHANGED_CAUTION
from lateralline.derive.ellipses import INTERVAL_95
from lateralline.measure import DASH

#: What is said of a record that is not what the manifest beside it says.
CHANGED: Final = CHANGED_CAUTION.partition(",")[0]
#: What is to be known of the figures.
HOW: Final = (
    "lengths in metres; numbers put in are rounded to six decimals or more, results to four, whose "
    "last may differ by one; [n] is the source, listed below"
)
#: What figures are shown to: less is no difference.
_SHOWN: Final = 5e-5
#: What is told in short first.
_SHORTENED: Final = ("stop", "line", "finding")
_MINUS: Final = "−"
#: Where formulas are from, by the name a figure gives.
SOURCES: Final = {
    "dipole": (
        "field of a point dipole; Magnetic Dipole Field Model, Open Source Physics, ComPADRE item "
        "12361, whose description was read (its part along the axis goes as 3z²/r² − 1), and "
        "Griffiths, Introduction to Electrodynamics (from memory): the field of a level one stands "
        "upright where 2x² = d², x along the axis from the middle, d deep"
    ),
    "least squares": (
        "weighted least squares, Σ (residual / σ)² as small as can be; tests of single "
        "measurements by Baarda, A testing procedure for use in geodetic networks, Netherlands "
        "Geodetic Commission, Publications on Geodesy, New Series 2 (5), 1968 (title and contents "
        "read, data-snooping among them; its formulas from memory)"
    ),
    "normal": (
        "normal distribution: 95 of 100 lie within 1.960 σ of one quantity, and within the "
        "ellipse 2.4477 times the standard one (√ of χ² for two)"
    ),
    "chi2": "χ² distribution: the sum of so many squared standardised errors",
    "paths": (
        "paths drawn from all that the data of a line leave plausible: 95 of 100 keep within a "
        "bound of level at each place, and within the corridor over their whole length (a method "
        "of lateralline's own, no formula of one line; tests/proof/PROOF.md tells how often its "
        "bounds hold)"
    ),
    "definition": "what the word means: see the data dictionary of the record",
}
#: How far a figure reckoned again may be from the record's: what doubles lose in a sum.
_SAME: Final = 1e-6


@dataclass(frozen=True, slots=True)
class ExplainedSource:
    """Where a figure is from: a formula, a file by its hash, a layer of the record, a rule."""

    text: str
    row: str = ""  # where in it: "marks.csv:12", "R1/4"
    columns: str = ""  # of that row: "chi2"

    @property
    def at(self) -> str:
        """Where in it: "marks.csv:12", "R1/4 chi2"."""
        return f"{self.row} {self.columns}".strip()


def formula(name: str) -> ExplainedSource:
    """Return where a formula is from, by its name in SOURCES."""
    return ExplainedSource(SOURCES[name])


def held(layer: str, row: str, *columns: str) -> ExplainedSource:
    """Return columns of a row of the record itself, as where numbers are from."""
    return ExplainedSource(f"the record, layer {layer}", row, ", ".join(columns))


@dataclass(frozen=True, slots=True)
class ExplainedFigure:
    """One figure, the formula behind it, and the same with its numbers put in."""

    what: str
    value: float
    unit: str  # "m", "m²", "°", "1"
    formula: str
    worked: str
    sources: tuple[ExplainedSource, ...]  # of the formula first, then of its numbers
    in_record: float = nan  # what the record holds for the same; NaN where it holds none
    by_hand: bool = False  # near what the record holds, and need not agree
    expected_95: float = nan  # by hand: how far from the record's it may be, 95 times of 100
    why: str = ""  # by hand: why it may be
    within: float = _SAME  # how far from the record's it may be where it must agree

    @property
    def differs(self) -> float:
        """How far the record's own is from it; NaN where it holds none."""
        return self.in_record - self.value

    @property
    def agrees(self) -> bool:
        """Whether the record holds the same, where it must."""
        return self.by_hand or isnan(self.differs) or abs(self.differs) <= self.within


def half_95(
    what: str,
    sigma: float,
    source: ExplainedSource,
    *,
    unit: str = "m",
    which: str = "its ",
    more: str = "",
) -> ExplainedFigure:
    """Return the half width of a 95 % interval, from a standard deviation of the record."""
    return ExplainedFigure(
        what,
        INTERVAL_95 * sigma,
        unit,
        f"1.960 × {which}standard deviation{more}",
        f"1.959964 × {put(sigma)}",
        (formula("normal"), source),
    )


@dataclass(frozen=True, slots=True)
class ExplainedTable:
    """A table: its title, a remark, and rows of texts."""

    title: str
    note: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    sources: tuple[ExplainedSource, ...] = ()


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
    def changed(self) -> bool:
        """Whether the record is not what the manifest beside it says."""
        return ("state", CHANGED) in self.record

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
        self,
        title: str,
        note: str,
        heads: Sequence[str],
        rows: Sequence[Sequence[str]],
        *sources: ExplainedSource,
    ) -> None:
        """Add a table that has rows."""
        if rows:
            cells = tuple(map(tuple, rows))
            self.tables.append(ExplainedTable(title, note, tuple(heads), cells, sources))


def said(value: float, decimals: int = 4) -> str:
    """Return a number as arithmetic shows it; a dash for what is not known.

    >>> said(1.25), said(-0.00001), said(float("nan"))
    ('1.2500', '0.0000', '–')
    """
    if isnan(value):
        return DASH
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def put(value: float, decimals: int = 6) -> str:
    """Return a number as it is put into a formula: a negative one in brackets.

    Two decimals more than results are shown with: who works a formula from them gets what is shown.

    >>> put(1.25), put(-0.00064), put(-0.0000001)
    ('1.250000', '(−0.000640)', '0.000000')
    """
    text = said(value, decimals)
    return f"({_MINUS}{text[1:]})" if text[0] == "-" else text


def lines_of(explanation: Explanation, width: int = 100) -> Iterator[str]:
    """Yield an explanation line by line, as a terminal or a text file has it, caution last."""
    numbers = numbered(explanation.figures, explanation.tables)
    yield explanation.title
    yield from (f"  {text}" for text in explanation.said)
    if explanation.kind in _SHORTENED:
        yield ""
        yield "That is all in short; what follows is what it rests on, figure by figure."
    if explanation.figures:
        yield ""
        yield f"How the figures come about ({HOW})"
    for figure in explanation.figures:
        yield from _lines_of_figure(figure, numbers)
    for table in explanation.tables:
        yield ""
        yield table.title + (f" ({table.note})" if table.note else "")
        yield from _lines_of_table(table, width)
        yield f"  from {cited(table.sources, numbers)}"
    for title, texts in (("Findings here", explanation.findings), ("Assumed", explanation.assumed)):
        if texts:
            yield ""
            yield title
            yield from (f"  {text}" for text in texts)
    yield ""
    yield "Sources"
    yield from (f"  [{number}] {text}" for text, number in numbers.items())
    yield ""
    yield "The record"
    yield from (f"  {name}: {value}" for name, value in explanation.record)
    yield ""
    yield explanation.caution


def numbered(*told: Iterable[ExplainedFigure | ExplainedTable]) -> dict[str, int]:
    """Return the number of each source, as figures and then tables come to it."""
    texts = (source.text for each in chain(*told) for source in each.sources)
    return {text: n for n, text in enumerate(dict.fromkeys(texts), start=1)}


def cited(sources: Iterable[ExplainedSource], numbers: Mapping[str, int]) -> str:
    """Return sources by their numbers, with the place in each.

    >>> cited([formula("normal"), held("transmitter_fixes", "R1/4", "chi2")],
    ...       {SOURCES["normal"]: 1, "the record, layer transmitter_fixes": 2})
    '[1]; [2] R1/4 chi2'
    """
    return "; ".join(f"[{numbers[each.text]}] {each.at}".strip() for each in sources)


def compared(figure: ExplainedFigure, *, why: bool = True) -> str:
    """Return how a figure and the record's own compare; "" where the record holds none.

    Without `why` the reason is left out, for where it stands beside.
    """
    if isnan(figure.in_record):
        return ""
    unit = "" if figure.unit == "1" else f" {figure.unit}"
    own = f"{said(figure.in_record)}{unit}"
    if not figure.by_hand:
        return f"as in the record: {own}" if figure.agrees else f"the record has {own}: edited?"
    apart = said(abs(figure.differs)) + unit
    text = f"the record has {own}, "
    more = "more" if figure.differs > 0 else "less"
    text += f"{apart} {more}" if abs(figure.differs) >= _SHOWN else "the same"
    if isfinite(figure.expected_95):
        beyond = abs(figure.differs) > figure.expected_95
        text += (
            f"; 95 of 100 differ by less than {said(figure.expected_95)}{unit}"
            + (", this one by more" if beyond else "")
        )  # fmt: skip
    told = why and figure.why and (isfinite(figure.expected_95) or not text.endswith("the same"))
    return f"{text}: {figure.why}" if told else text


def _lines_of_figure(figure: ExplainedFigure, numbers: Mapping[str, int]) -> Iterator[str]:
    unit = "" if figure.unit == "1" else f" {figure.unit}"
    yield f"  {figure.what}: {said(figure.value)}{unit}"
    yield f"    = {figure.formula}"
    if figure.worked:
        yield f"    = {figure.worked}"
    if text := compared(figure):
        yield f"    {text}"
    yield f"    from {cited(figure.sources, numbers)}"


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
