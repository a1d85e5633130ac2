"""One page at its true size: axes, rules and words placed in millimetres from its upper left."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Rectangle
from matplotlib.textpath import text_to_path

from lateralline.write.picture.lettering import FAMILY, lettered
from lateralline.write.sheet import looks
from lateralline.write.sheet.paper import Box

_MM_PER_IN: Final = 25.4
_MM_PER_PT: Final = 25.4 / 72.0
_ELLIPSIS: Final = "…"
_GLUE: Final = "\0"

_RULE: Final[dict[str, Any]] = {"color": looks.INK, "lw": 0.4}
_FRAME: Final[dict[str, Any]] = {"fc": "none", "ec": looks.INK, "lw": 0.6}

Align = Literal["left", "center", "right"]


class Canvas:
    """A page being drawn; `axes` hands out rectangles of it."""

    def __init__(self, width_mm: float, height_mm: float) -> None:
        """Begin an empty page."""
        self.width, self.height = width_mm, height_mm
        self.figure = Figure(figsize=(width_mm / _MM_PER_IN, height_mm / _MM_PER_IN))
        self._sheet = self.figure.add_axes(
            (0, 0, 1, 1), xlim=(0, width_mm), ylim=(height_mm, 0), zorder=-1
        )
        self._sheet.set_axis_off()

    def axes(self, box: Box, **settings: Any) -> Axes:
        """Return axes that fill exactly `box`."""
        at = (
            box.x / self.width,
            1.0 - box.foot / self.height,
            box.width / self.width,
            box.height / self.height,
        )
        return self.figure.add_axes(at, **settings)

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size_pt: float = looks.PLAIN_PT,
        *,
        room: float = 1e9,
        bold: bool = False,
        colour: str = looks.INK,
        align: Align = "left",
        turned: bool = False,
    ) -> None:
        """Write one line with its middle at `y`; what does not fit `room` mm ends in "…"."""
        self._sheet.text(
            x, y, fitted(text, room, size_pt, bold=bold), size=size_pt, color=colour, ha=align,
            weight="bold" if bold else "normal", va="center" if turned else "center_baseline",
            rotation=90 if turned else 0,
        )  # fmt: skip

    def paragraph(
        self,
        box: Box,
        text: str,
        size_pt: float = looks.PLAIN_PT,
        *,
        bold: bool = False,
        colour: str = looks.INK,
    ) -> None:
        """Write a text into a box, wrapped; what does not fit ends in "…"."""
        step = line_mm(size_pt)
        most = max(int(box.height / step + 1e-6), 1)
        for n, line in enumerate(wrapped(text, box.width, size_pt, most, bold=bold)):
            y = box.y + (n + 0.5) * step
            self.words(box.x, y, line, size_pt, bold=bold, colour=colour)

    def rule(self, x0: float, y0: float, x1: float, y1: float, **look: Any) -> None:
        """Draw a straight line."""
        look = {**_RULE, **look}
        self._sheet.plot([x0, x1], [y0, y1], **look)

    def frame(self, box: Box, **look: Any) -> None:
        """Draw a rectangle."""
        look = {**_FRAME, **look}
        self._sheet.add_patch(Rectangle((box.x, box.y), box.width, box.height, **look))

    def sign(self, x: float, y: float, **look: Any) -> None:
        """Draw one symbol."""
        self._sheet.plot([x], [y], ls="none", **look)


def line_mm(size_pt: float) -> float:
    """Return the distance of lines of text in mm."""
    return 1.22 * size_pt * _MM_PER_PT


@lru_cache(maxsize=65536)
def width_mm(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is."""
    if not text:
        return 0.0
    prop = FontProperties(family=FAMILY, weight="bold" if bold else "normal", size=size_pt)
    width, _, _ = text_to_path.get_text_width_height_descent(text, prop, False)
    return float(width) * _MM_PER_PT


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
            return [*lines, fitted(rest, room, size_pt, bold=bold)]
        if line:
            lines.append(line)
        while width_mm(word, size_pt, bold=bold) > room and len(lines) < most - 1:
            kept = max(len(fitted(word, room, size_pt, bold=bold)) - 1, 1)
            lines.append(word[:kept])
            word = word[kept:]
        line = word
    return [*lines, fitted(line, room, size_pt, bold=bold)] if line else lines
