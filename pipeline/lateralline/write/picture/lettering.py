"""What letters are drawn: those of a text that the font has; what nobody would see is shown.

Signs of no width or of reading direction would make a label on paper read otherwise than it is
stored, and a picture as XML may hold no control signs at all.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Text

from lateralline.output import figure_metadata
from lateralline.wording import shown

FAMILY: Final = "DejaVu Sans"  # comes with matplotlib: widths are the same everywhere
_STRANGE: Final = "\N{REPLACEMENT CHARACTER}"


def lettered(text: str) -> str:
    r"""Return a text in letters the font has, its line breaks kept.

    >>> lettered("a\n中\u202e")
    'a\n�\\u202e'
    """
    known = _letters()
    return "".join(c if ord(c) in known or c == "\n" else _STRANGE for c in shown(text))


def letter(figure: Figure) -> Figure:
    """Put all texts of a figure into letters the font has, and return it."""
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if (said := lettered(text.get_text())) != text.get_text():
            text.set_text(said)
    return figure


def save(figure: Figure, path: Path, dpi: float, kind: str) -> None:
    """Write a picture by its suffix, stamped as `kind`, without a date."""
    letter(figure).savefig(path, dpi=dpi, metadata=figure_metadata(path, kind))


@cache
def _letters() -> frozenset[int]:
    both = (get_font(findfont(FontProperties(family=FAMILY, weight=w))) for w in (400, 700))
    regular, bold = (frozenset(font.get_charmap()) for font in both)
    return regular & bold
