"""One page at its true size: axes, rules and words placed in millimetres from its upper left.

Letters are those of a text that the font has, and what nobody would see is shown: signs of no
width or of reading direction would make a label on paper read otherwise than it is stored, and a
picture as XML may hold no control signs at all.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from io import BytesIO
from math import nan
from pathlib import Path
from typing import Final, Required, TypedDict, Unpack

import matplotlib
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from lateralline.draw import symbols
from lateralline.draw.lettering import (
    LetteredLine,
    Lettering,
    letters_known,
    quicker_letters,
    width_pt,
)
from lateralline.draw.paper import Align, Box
from lateralline.draw.symbols import AreaLook, Dash, LineLook, PointLook
from lateralline.errors import extra
from lateralline.output import figure_metadata
from lateralline.records import Floats
from lateralline.wording import shown

_MM_PER_IN: Final = 25.4
_MM_PER_PT: Final = 25.4 / 72.0
_ELLIPSIS: Final = "…"
_GLUE: Final = "\0"

_OVER_RULES: Final = 2.1  # zorder of symbols: that of lines is 2
_BREAK: Final = (nan, nan)  # between two rules of one path
_STRANGE: Final = "\N{REPLACEMENT CHARACTER}"


class Limits(TypedDict, total=False):
    """What axes show."""

    xlim: Required[tuple[float, float]]
    ylim: Required[tuple[float, float]]
    zorder: float


class Canvas:
    """A page being drawn; `axes` hands out rectangles of it."""

    def __init__(self, width_mm: float, height_mm: float) -> None:
        """Begin an empty page."""
        self.width, self.height = width_mm, height_mm
        self._figure = Figure(figsize=(width_mm / _MM_PER_IN, height_mm / _MM_PER_IN))
        self._sheet = self._figure.add_axes(
            (0, 0, 1, 1), xlim=(0, width_mm), ylim=(height_mm, 0), zorder=-1
        )
        self._sheet.set_axis_off()
        self._lettering = Lettering()
        self._sheet.add_artist(self._lettering)
        self._rules: defaultdict[tuple[str, float, Dash], list[tuple[float, float]]] = defaultdict(
            list
        )

    @property
    def figure(self) -> Figure:
        """The page as a figure, with all that was drawn until now."""
        for (colour, width, dash), ends in self._rules.items():  # the alike as one path
            self._sheet.plot(*zip(*ends, strict=True), color=colour, lw=width, ls=dash)
        self._rules.clear()
        return self._figure

    def axes(self, box: Box, **limits: Unpack[Limits]) -> Axes:
        """Return axes without ticks that fill exactly `box`."""
        at = (
            box.x / self.width,
            1.0 - box.foot / self.height,
            box.width / self.width,
            box.height / self.height,
        )
        return self._figure.add_axes(at, xticks=[], yticks=[], **limits)

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size_pt: float = symbols.PLAIN_PT,
        *,
        room: float = 1e9,
        bold: bool = False,
        colour: str = symbols.INK,
        align: Align = "left",
        turned: bool = False,
    ) -> None:
        """Write one line with its middle at `y`; what does not fit `room` mm ends in "…".

        A turned line reads upwards, its middle at (x, y).
        """
        line = fitted(text, room, size_pt, bold=bold)
        self._lettering.lines.append(LetteredLine(x, y, line, size_pt, bold, colour, align, turned))

    def paragraph(
        self,
        box: Box,
        text: str,
        size_pt: float = symbols.PLAIN_PT,
        *,
        bold: bool = False,
        colour: str = symbols.INK,
    ) -> None:
        """Write a text into a box, wrapped; what does not fit ends in "…"."""
        step = line_mm(size_pt)
        most = max(int(box.height / step + 1e-6), 1)
        for n, line in enumerate(wrapped(text, box.width, size_pt, most, bold=bold)):
            y = box.y + (n + 0.5) * step
            self.words(box.x, y, line, size_pt, bold=bold, colour=colour)

    def rule(self, x0: float, y0: float, x1: float, y1: float, **look: Unpack[LineLook]) -> None:
        """Draw a straight line."""
        drawn = LineLook(color=symbols.INK, lw=0.4, ls="-") | look
        alike = self._rules[drawn["color"], drawn["lw"], drawn["ls"]]
        alike += [(x0, y0), (x1, y1), _BREAK]

    def frame(self, box: Box, **look: Unpack[AreaLook]) -> None:
        """Draw a rectangle."""
        drawn = AreaLook(fc="none", ec=symbols.INK, lw=0.6, ls="-") | look
        if drawn["fc"] == "none" and "hatch" not in drawn:  # drawn with the rules
            x, y, right, foot = box.x, box.y, box.right, box.foot
            alike = self._rules[drawn["ec"], drawn["lw"], drawn["ls"]]
            alike += [(x, y), (right, y), (right, foot), (x, foot), (x, y), _BREAK]
            return
        self._sheet.add_patch(Rectangle((box.x, box.y), box.width, box.height, **drawn))

    def symbol(self, x: float, y: float, *looks: PointLook) -> None:
        """Draw one symbol of one or more parts."""
        for look in looks:
            self._sheet.plot([x], [y], ls="none", zorder=_OVER_RULES, **look)

    def arrow(self, x: float, y: float, height: float) -> None:
        """Draw an arrow upwards whose tip is at (x, y)."""
        self.rule(x, y + height, x, y + 2.2, lw=0.8)
        self._sheet.plot([x], [y + 1.6], marker=(3, 0, 0), ms=5.0, color=symbols.INK, ls="none",
                         zorder=_OVER_RULES)  # fmt: skip


def strokes(ends: npt.ArrayLike) -> Floats:
    """Return x and y (2, 3n) of straight strokes, given by their ends (n, 2, 2), as one path."""
    each = np.reshape(np.asarray(ends, dtype=np.float64), (-1, 2, 2))
    apart = np.pad(each, ((0, 0), (0, 1), (0, 0)), constant_values=nan)
    return np.asarray(apart.reshape(-1, 2).T)


def line_mm(size_pt: float) -> float:
    """Return the distance of lines of text in mm."""
    return 1.22 * size_pt * _MM_PER_PT


def width_mm(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is."""
    return width_pt(text, size_pt, bold=bold) * _MM_PER_PT


def printable(text: str) -> str:
    r"""Return text as one line of letters the font has.

    >>> printable("a\tb\n中")
    'a b �'
    """
    return lettered(" ".join(text.split()))


def unbroken(text: str) -> list[str]:
    """Return what a line may not be broken within: words, and a percent sign with its figure.

    >>> unbroken("depth ±95 % m")
    ['depth', '±95 %', 'm']
    """
    glued = printable(text).replace(" %", f"{_GLUE}%")
    return [word.replace(_GLUE, " ") for word in glued.split(" ") if word]


def fitted(text: str, room: float, size_pt: float, *, bold: bool = False) -> str:
    """Return a line no wider than `room` mm, cut with "…" where it is longer.

    >>> fitted("a long name indeed", 12.0, 6.0)
    'a long na…'
    """
    text = printable(text)
    if width_mm(text, size_pt, bold=bold) <= room:
        return text
    kept, cut = 0, len(text)
    while cut - kept > 1:
        middle = (kept + cut) // 2
        short = text[:middle].rstrip() + _ELLIPSIS
        if width_mm(short, size_pt, bold=bold) <= room:
            kept = middle
        else:
            cut = middle
    return text[:kept].rstrip() + _ELLIPSIS


def wrapped(
    text: str, room: float, size_pt: float, most: int = 99, *, bold: bool = False
) -> list[str]:
    """Return a text as lines no wider than `room` mm, at most so many; the last may end in "…"."""
    return list(_broken(text, room, size_pt, most, bold))


@lru_cache(maxsize=16384)  # a table asks for its cells again and again, until it is laid out
def _broken(text: str, room: float, size_pt: float, most: int, bold: bool) -> tuple[str, ...]:
    lines: list[str] = []
    line = ""
    words = unbroken(text)
    for n, word in enumerate(words):
        longer = f"{line} {word}" if line else word
        if width_mm(longer, size_pt, bold=bold) <= room:
            line = longer
            continue
        if len(lines) == most - 1:
            rest = " ".join([line, *words[n:]] if line else words[n:])
            return (*lines, fitted(rest, room, size_pt, bold=bold))
        if line:
            lines.append(line)
        while width_mm(word, size_pt, bold=bold) > room and len(lines) < most - 1:
            kept = max(len(fitted(word, room, size_pt, bold=bold)) - 1, 1)
            lines.append(word[:kept])
            word = word[kept:]
        line = word
    return (*lines, fitted(line, room, size_pt, bold=bold)) if line else tuple(lines)


@lru_cache(maxsize=65536)
def lettered(text: str) -> str:
    r"""Return a text in letters the font has, its line breaks kept.

    >>> lettered("a\n中\u202e")
    'a\n�\\u202e'
    """
    known = letters_known()
    return "".join(c if ord(c) in known or c == "\n" else _STRANGE for c in shown(text))


def letter(figure: Figure) -> Figure:
    """Put all texts of a figure into letters the font has, and return it."""
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if (known := lettered(text.get_text())) != text.get_text():
            text.set_text(known)
    return figure


def save(figure: Figure, path: Path, dpi: float, kind: str) -> None:
    """Write a picture by its suffix, stamped as `kind`, without a date."""
    letter(figure).savefig(path, dpi=dpi, metadata=figure_metadata(path.suffix, kind))


@contextmanager
def pdf_pages(
    into: Path | BytesIO, kind: str, title: str, creator: str
) -> Iterator[Callable[[Figure], None]]:
    """Yield what adds a page to a PDF, stamped as `kind`, in the drawings' own settings.

    SOURCE_DATE_EPOCH sets its date, else there is none.
    """
    with extra("draw", "drawing"):
        from matplotlib.backends.backend_pdf import PdfPages

    about = figure_metadata(".pdf", kind) | {"Title": title, "Creator": creator}
    if "SOURCE_DATE_EPOCH" in os.environ:
        del about["CreationDate"]  # matplotlib takes it from there
    with (
        matplotlib.rc_context(symbols.RC),
        quicker_letters(),
        PdfPages(into, metadata=about) as pdf,
    ):
        save_page: Callable[[Figure], None] = pdf.savefig
        yield save_page
