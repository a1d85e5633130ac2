"""Ruled pages to write on by hand: lines, words and tables in millimetres until drawn as PDF."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lateralline.draw.paper import Align, Box
from lateralline.errors import extra
from lateralline.output import whole_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MM: Final = 1 / 25.4  # of an inch

#: Height of what is written on by hand, in mm: room for a gloved hand, read at arm's length.
ROW: Final = 8.0
TITLE: Final = 9.0  # two or three short lines over a column: its heading and its unit
_LINE: Final = 2.8  # from line to line of a title
BOX: Final = 10.0  # a row with its titles inside

SMALL, PLAIN, LARGE, HUGE = 6.5, 8.0, 9.5, 15.0  # sizes of letters, in points
FAINT, GREY, BLACK = "0.80", "0.35", "0"


@dataclass(frozen=True, slots=True)
class RuledLine:
    """A straight line."""

    x0: float
    y0: float
    x1: float
    y1: float
    width_pt: float = 0.5
    grey: str = BLACK


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; `y` is its middle, and `room` the width it must not pass."""

    x: float
    y: float
    text: str
    size_pt: float = PLAIN
    bold: bool = False
    grey: str = BLACK
    align: Align = "left"
    room: float = 1e9


@dataclass(frozen=True, slots=True)
class ColumnOf:
    """One column on paper: its name in the contract, its heading, unit and share of the width."""

    name: str
    heading: str  # a line break where it takes two lines
    unit: str
    share: float


@dataclass(slots=True)
class Page:
    """One page as it fills up."""

    width: float
    height: float
    rules: list[RuledLine] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)
    cells: list[Box] = field(default_factory=list)  # where something is written by hand

    def frame(self, x: float, y: float, width: float, height: float) -> None:
        """Draw a rectangle."""
        x1, y1 = x + width, y + height
        for a, b, c, d in ((x, y, x1, y), (x, y1, x1, y1), (x, y, x, y1), (x1, y, x1, y1)):
            self.rules.append(RuledLine(a, b, c, d))

    def heading(self, x: float, y: float, text: str, note: str = "") -> float:
        """Name what follows; return where that begins."""
        self.words.append(Words(x, y + 2.5, text, LARGE, bold=True))
        at = x + 2.1 * len(text) + 4
        self.words.append(Words(at, y + 2.6, note, SMALL, grey=GREY))
        return y + 5.5

    def boxes(
        self,
        x: float,
        y: float,
        width: float,
        columns: Sequence[ColumnOf],
        given: Mapping[str, str],
    ) -> float:
        """Draw one row with titles inside its cells; return where it ends."""
        for column, at, across in _spread(columns, x, width):
            unit = f" [{column.unit}]" if column.unit else ""
            heading = column.heading.replace("\n", " ") + unit
            self.words.append(Words(at + 1, y + 1.9, heading, SMALL, room=across - 2))
            self._cell(at, y, across, BOX, given.get(column.name, ""), low=True)
        return y + BOX

    def table(
        self,
        x: float,
        y: float,
        width: float,
        columns: Sequence[ColumnOf],
        rows: Sequence[Mapping[str, str]],
    ) -> float:
        """Draw a table with what is known of its rows; return where it ends."""
        for column, at, across in _spread(columns, x, width):
            self.frame(at, y, across, TITLE)
            middle, room = at + across / 2, across - 1
            lines = [(line, True) for line in column.heading.split("\n")]
            lines += [(f"[{column.unit}]", False)] if column.unit else []
            for n, (line, bold) in enumerate(lines):
                down = y + TITLE / 2 + _LINE * (n - (len(lines) - 1) / 2)
                self.words.append(Words(middle, down, line, SMALL, bold, align="center", room=room))
            for n, row in enumerate(rows):
                self._cell(at, y + TITLE + n * ROW, across, ROW, row.get(column.name, ""))
        return y + TITLE + len(rows) * ROW

    def paragraph(self, x: float, y: float, lines: Sequence[str], size_pt: float = PLAIN) -> float:
        """Write lines of text; return where they end."""
        for line in lines:
            self.words.append(Words(x, y + 1.9, line, size_pt))
            y += size_pt * 0.48
        return y

    def grid(self, x: float, y: float, width: float, height: float, step: float = 5.0) -> None:
        """Draw squared paper of whole squares, every fifth line darker."""
        width, height = width // step * step, height // step * step
        for n in range(1, round(width / step)):
            grey = "0.65" if n % 5 == 0 else "0.85"
            self.rules.append(RuledLine(x + n * step, y, x + n * step, y + height, 0.3, grey))
        for n in range(1, round(height / step)):
            grey = "0.65" if n % 5 == 0 else "0.85"
            self.rules.append(RuledLine(x, y + n * step, x + width, y + n * step, 0.3, grey))
        self.frame(x, y, width, height)

    def _cell(
        self, x: float, y: float, width: float, height: float, text: str, *, low: bool = False
    ) -> None:
        self.frame(x, y, width, height)
        self.cells.append(Box(x, y, width, height))
        if text:
            down = y + (0.66 if low else 0.5) * height
            self.words.append(Words(x + 1.2, down, text, PLAIN, grey=GREY, room=width - 2))


def _spread(
    columns: Sequence[ColumnOf], x: float, width: float
) -> list[tuple[ColumnOf, float, float]]:
    """Return each column with where it begins and how wide it is."""
    whole = sum(column.share for column in columns)
    spread: list[tuple[ColumnOf, float, float]] = []
    for column in columns:
        across = width * column.share / whole
        spread.append((column, x, across))
        x += across
    return spread


# ---- the PDF ---------------------------------------------------------------------------------


def draw_field_sheet(pages: Sequence[Page], out: Path, *, replace: bool = False) -> None:
    """Draw pages into a PDF. Equal pages give equal bytes.

    Raises MissingExtraError without matplotlib, and OutputExistsError when `out` is there and may
    not be replaced.
    """
    with extra("draw", "drawing"):
        from lateralline.draw.canvas import letter, pdf_pages
    with (
        whole_file(out, "field-sheet", replace=replace) as made,
        pdf_pages(made, "field-sheet", "Field sheet", "lateralline") as add_page,
    ):
        for page in pages:
            add_page(letter(_figure(page)))


def _figure(page: Page) -> Figure:
    from matplotlib.collections import LineCollection
    from matplotlib.figure import Figure

    figure = Figure(figsize=(page.width * _MM, page.height * _MM))
    axes = figure.add_axes((0, 0, 1, 1), xlim=(0, page.width), ylim=(page.height, 0))
    axes.set_axis_off()
    alike: defaultdict[tuple[str, float], set[tuple[tuple[float, float], ...]]] = defaultdict(set)
    for rule in page.rules:  # neighbouring cells share their edges: each is drawn once
        ends = ((round(rule.x0, 3), round(rule.y0, 3)), (round(rule.x1, 3), round(rule.y1, 3)))
        alike[rule.grey, rule.width_pt].add(ends)
    for (grey, width), lines in sorted(alike.items(), reverse=True):  # the lightest first
        kept = sorted(lines)
        axes.add_collection(LineCollection(kept, colors=grey, linewidths=width))
    for words in page.words:
        axes.text(
            words.x,
            words.y,
            words.text,
            size=fitted_pt(words),
            weight="bold" if words.bold else "normal",
            color=words.grey,
            ha=words.align,
            va="center_baseline",
        )
    return figure


def fitted_pt(words: Words) -> float:
    """Return the size of letters at which a line of text keeps to its room, in points."""
    from lateralline.draw.canvas import width_mm

    across = width_mm(words.text, words.size_pt, bold=words.bold)
    return words.size_pt * min(1.0, words.room / across) if across else words.size_pt
