"""Pages of lines and words as a PDF: vectors, black and grey, at their true size."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from lateralline.errors import extra
from lateralline.output import figure_metadata, whole_file
from lateralline.write.field_sheet.paper import Page, Words
from lateralline.write.picture.style import LITERAL

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MM: Final = 1 / 25.4  # of an inch
_POINT: Final = 25.4 / 72  # in mm
_FONT: Final = "DejaVu Sans"  # comes with matplotlib, so that widths are the same everywhere


def draw_field_sheet(pages: Sequence[Page], out: Path, *, replace: bool = False) -> None:
    """Draw pages into a PDF. Equal pages give equal bytes.

    Raises MissingExtraError without matplotlib, and OutputExistsError when `out` is there and may
    not be replaced.
    """
    with extra("draw", "drawing"):
        import matplotlib
        from matplotlib.backends.backend_pdf import PdfPages

        from lateralline.write.picture.lettering import letter
    about = figure_metadata(out, "field-sheet") | {
        "Title": "Field sheet",
        "Creator": "lateralline",
    }
    with (
        whole_file(out, "field-sheet", replace=replace) as made,
        matplotlib.rc_context({**LITERAL, "font.family": _FONT, "pdf.fonttype": 42}),
        PdfPages(made, metadata=about) as pdf,
    ):
        for page in pages:
            pdf.savefig(letter(_figure(page)))


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
    across = _width_pt(words.text, words.size_pt, words.bold) * _POINT
    return words.size_pt * min(1.0, words.room / across) if across else words.size_pt


@cache
def _width_pt(text: str, size_pt: float, bold: bool) -> float:
    """Return how wide a line of text is, in points; many a word stands on every page."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family=_FONT, weight="bold" if bold else "normal", size=size_pt)
    return float(text_to_path.get_text_width_height_descent(text, font, False)[0])
