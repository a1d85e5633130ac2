"""Many lines of text drawn as one thing, and the fonts of a PDF cut down once a process.

A sheet holds some hundred lines of text that are placed already: each as a thing of its own, laid
out once more when it is drawn, took longer than all else of the sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from types import MappingProxyType, SimpleNamespace
from typing import Any, Final

import numpy as np
from matplotlib import font_manager, ft2font
from matplotlib.artist import Artist
from matplotlib.backend_bases import RendererBase
from matplotlib.colors import to_rgba
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.textpath import text_to_path

from lateralline.draw.paper import Align
from lateralline.draw.symbols import FAMILY

#: Of the size of letters: ascender and descender in the font's own table OS/2 (read there).
_UP, _DOWN = 1556 / 2048, 492 / 2048
_BEFORE: Final[MappingProxyType[Align, float]] = MappingProxyType(
    {"left": 0.0, "center": 0.5, "right": 1.0}
)
_SIGNS: Final = (
    "°±²³·¼½¾×Øø–—’“”…′″⅛⅜⅝⅞→←↑↓↗↘↙↖≈≤≥−\N{NARROW NO-BREAK SPACE}\N{REPLACEMENT CHARACTER}"
)
_PLAIN: Final = "".join(map(chr, range(0x20, 0x7F))) + _SIGNS
#: What fonts are cut down to, the first that holds all that is wanted: ligatures, which stand in a
#: font of their own; what nearly every sheet is written with; that with letters of Europe.
_SETS: Final = (
    "".join(map(chr, range(0xFB00, 0xFB05))),
    _PLAIN,
    _PLAIN + "".join(map(chr, range(0xA0, 0x180))),
)


@dataclass(frozen=True, slots=True)
class LetteredLine:
    """One line of text: its middle in height at `y`; turned, it reads upwards about its middle."""

    x: float
    y: float
    text: str
    size_pt: float
    bold: bool
    colour: str
    align: Align
    turned: bool


class Lettering(Artist):
    """Lines of text at places in the units of the axes that hold them."""

    zorder = 3  # as any text

    def __init__(self) -> None:
        """Begin without a line."""
        super().__init__()
        self.lines: list[LetteredLine] = []

    def draw(self, renderer: RendererBase) -> None:
        """Draw every line."""
        if not (self.lines and self.get_visible()):
            return
        renderer.open_group("text", self.get_gid())
        pixel = float(np.asarray(renderer.points_to_pixels(1.0)))
        _, height = renderer.get_canvas_width_height()
        ends = np.array([(line.x, line.y) for line in self.lines])
        places = np.asarray(self.get_transform().transform(ends), dtype=float)
        for line, (x, y) in zip(self.lines, places, strict=True):
            wide = pixel * width_pt(line.text, line.size_pt, bold=line.bold)
            size = pixel * line.size_pt
            if line.turned:
                x, y = x + size * (_UP - _DOWN) / 2, y - wide / 2
            else:
                x, y = x - wide * _BEFORE[line.align], y - size * _UP / 2
            gc = renderer.new_gc()
            gc.set_foreground(to_rgba(line.colour), isRGBA=True)
            renderer.draw_text(
                gc, x, height - y if renderer.flipy() else y, line.text,
                _font(line.size_pt, bold=line.bold), 90.0 if line.turned else 0.0,
            )  # fmt: skip
            gc.restore()
        renderer.close_group("text")


@lru_cache(maxsize=65536)
def width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is, in points."""
    if not text:
        return 0.0
    width, _, _ = text_to_path.get_text_width_height_descent(text, _font(size_pt, bold=bold), False)
    return float(width)


@lru_cache(maxsize=256)
def _font(size_pt: float, *, bold: bool) -> FontProperties:
    return FontProperties(family=FAMILY, weight="bold" if bold else "normal", size=size_pt)


# ---- fonts in a PDF --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CutFont:
    """A font cut down, as matplotlib takes one: its bytes, and where each glyph went."""

    data: bytes
    glyph_index_map: dict[int, int]

    @property
    def font(self) -> CutFont:
        """The font itself."""
        return self

    def save(self, file: BytesIO, **_: object) -> None:
        """Write the font into a file."""
        file.write(self.data)

    def __enter__(self) -> CutFont:
        """Return the font."""
        return self

    def __exit__(self, *_: object) -> None:
        """Keep the font: another PDF may want it."""


@contextmanager
def quicker_letters() -> Iterator[None]:
    """Let matplotlib take fonts that were cut down before, and lay out letters without outlines.

    A quarter of a sheet's time was cutting the same two fonts down to nearly the same letters; an
    eighth was loading the outline of each letter of a line, which a PDF with its own fonts draws
    nothing from; as much again was finding one of the two fonts, and noting one of their letters,
    thousands of times. matplotlib offers no place to hook in but functions of its own; a release
    without these does all of it itself, as slowly as before.
    """
    from matplotlib.backends import _backend_pdf_ps, backend_pdf

    def kept(fontfile: Any, wanted: Iterable[Any]) -> CutFont:
        asked = frozenset(wanted)
        sets = _sets_of(fontfile, as_text=isinstance(wanted, str))
        return _cut(own, fontfile, next((known for known in sets if asked <= known), asked))

    cuts: Any = _backend_pdf_ps
    lays: Any = backend_pdf
    own, helpers = getattr(cuts, "get_glyphs_subset", None), getattr(lays, "_text_helpers", None)
    if own is not None:
        cuts.get_glyphs_subset = kept
    if helpers is not None and hasattr(ft2font.FT2Font, "_layout"):
        lays._text_helpers = SimpleNamespace(layout=_laid_out)
    fonts, tracker = font_manager.fontManager, getattr(cuts, "CharacterTracker", None)
    try:
        with (
            _answered_once(fonts, "_find_fonts_by_props"),
            _answered_once(tracker, "track_glyph"),
        ):
            yield
    finally:
        if own is not None:
            cuts.get_glyphs_subset = own
        if helpers is not None:
            lays._text_helpers = helpers


@contextmanager
def _answered_once(of: Any, name: str) -> Iterator[None]:
    """Let a function of an object or class work out an answer once in the block, if it is there."""
    if (own := getattr(of, name, None)) is None:
        yield
        return
    before = vars(of).get(name)
    setattr(of, name, lru_cache(maxsize=4096)(own))
    try:
        yield
    finally:
        if before is None:
            delattr(of, name)
        else:
            setattr(of, name, before)


def _laid_out(text: str, font: Any, **asked: Any) -> Any:
    """Return the letters of a line, each with its place; none is loaded."""
    return font._layout(text, ft2font.LoadFlags.NO_HINTING, **asked)


@lru_cache(maxsize=16)
def _sets_of(fontfile: str, *, as_text: bool) -> tuple[frozenset[Any], ...]:
    """Return the sets as letters (until matplotlib 3.10) or as glyphs of a font (from 3.11)."""
    glyphs = get_font(fontfile).get_charmap()
    known = [[letter for letter in letters if ord(letter) in glyphs] for letters in _SETS]
    if as_text:
        return tuple(map(frozenset, known))
    return tuple(frozenset(int(glyphs[ord(letter)]) for letter in letters) for letters in known)


@lru_cache(maxsize=16)
def _cut(own: Any, fontfile: Any, wanted: frozenset[Any]) -> CutFont:
    as_text = any(isinstance(one, str) for one in wanted)
    with own(fontfile, "".join(sorted(wanted)) if as_text else sorted(wanted)) as made:
        into = BytesIO()
        getattr(made, "font", made).save(into, reorderTables=False)
        return CutFont(into.getvalue(), getattr(made, "glyph_index_map", {}))


@lru_cache(maxsize=1)
def letters_known() -> frozenset[int]:
    """Return the letters that both the plain and the bold font have, by their code points."""
    both = (get_font(findfont(FontProperties(family=FAMILY, weight=w))) for w in (400, 700))
    regular, bold = (frozenset(font.get_charmap()) for font in both)
    return regular & bold
