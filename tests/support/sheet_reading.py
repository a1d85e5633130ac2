"""What tests of sheets share: building made-up records, and reading a PDF's own operators back.

ISO 32000-1, 8.4 and 8.5: `q Q cm w RG G`, `x y m`, `x y l`, `S B`; user space is 1/72 in (from
memory). conftest.py offers the
module as the fixture `sheets`.
"""

from __future__ import annotations

import builtins
import re
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text

from lateralline.batch import run_sites
from lateralline.draw import symbols
from lateralline.draw.lettering import Lettering
from lateralline.draw.sheet import SheetOptions, sheet_pages
from lateralline.record.view import RecordView
from lateralline.records import Floats
from lateralline.simulate import SCENARIOS
from lateralline.simulate import make_site as make_practice
from lateralline.stages import SiteResult
from lateralline.workspace import Workspace
from tests.support.command import built as built

MM = 25.4 / 72.0
_STRING = re.compile(r"\((?:\\.|[^\\()])*\)")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)")
_ENDS = {"S", "s", "B", "b", "f", "n"}  # of a path


def changed(site: Any, layer: str, **columns: Any) -> Any:
    """The site with other values in a layer; `geometry` too."""
    products = []
    for p in site.products:
        if p.layer == layer:
            shapes = columns.pop("geometry", p.geometry)
            p = replace(p, columns={**p.columns, **columns}, geometry=shapes)
        products.append(p)
    return replace(site, products=tuple(products))


def practice(folder: Path, *names: str) -> dict[str, Path]:
    """Build practice sites; scenario → GeoPackage."""
    made = {}
    for name in names:
        make_practice(SCENARIOS[name], SCENARIOS[name].seed, folder / name)
        with Workspace(folder / f"{name}-out").build() as sink:
            (result,) = run_sites([folder / name], sink=sink)
        assert isinstance(result, SiteResult)
        made[name] = folder / f"{name}-out" / "asbuilt.gpkg"
    return made


def pages_of(pdf: Path) -> list[str]:
    """The content stream of each page, inflated."""
    raw = pdf.read_bytes()
    pages = []
    for number in re.findall(rb"/Contents (\d+) 0 R", raw):
        found = re.search(rb"\n%s 0 obj\b.*?stream\r?\n" % number, raw, re.S)
        assert found is not None
        pages.append(zlib.decompressobj().decompress(raw[found.end() :]).decode("latin-1"))
    return pages


def strokes(pdf: Path, colour: str, width_pt: float) -> Iterator[Floats]:
    """Paths (n, 2) on a PDF's pages that are stroked in a colour and width, in mm of paper."""
    for page in pages_of(pdf):
        for points, pen, width in _stroked(page):
            if width == pytest.approx(width_pt) and np.allclose(pen, to_rgb(colour), atol=0.003):
                yield points * MM


def _stroked(page: str) -> Iterator[tuple[Floats, tuple[float, ...], float]]:
    """Follow pen, line width and placing through a content stream; yield what is stroked."""
    state: tuple[tuple[float, ...], float, Floats] = ((0.0, 0.0, 0.0), 1.0, np.eye(3))
    kept, paths, given = [], [], []
    for token in _STRING.sub("()", page).split():
        if _NUMBER.fullmatch(token):
            given.append(float(token))
            continue
        pen, width, place = state
        match token:
            case "q":
                kept.append(state)
            case "Q":
                state = kept.pop()
            case "RG" | "G":
                state = (tuple(given[-3:]) if token == "RG" else (given[-1],) * 3, width, place)
            case "w":
                state = (pen, given[-1], place)
            case "cm":
                a, b, c, d, e, f = given[-6:]
                state = (pen, width, np.array([[a, b, 0.0], [c, d, 0.0], [e, f, 1.0]]) @ place)
            case "m":
                paths.append([[*given[-2:], 1.0]])
            case "l":
                paths[-1].append([*given[-2:], 1.0])
            case "S" | "s" | "B" | "b":
                for path in paths:
                    yield (np.array(path) @ place)[:, :2], pen, width
        if token in _ENDS:
            paths = []
        given = []


def first_page(site: RecordView, options: SheetOptions, pdf: Path) -> Figure:
    """Draw the first page, in fonts that are quickly written."""
    with matplotlib.rc_context({**symbols.RC, "pdf.fonttype": 3, "ps.fonttype": 3}):
        figure: Figure = next(sheet_pages(site, options)).figure
        figure.savefig(pdf, metadata={"CreationDate": None})
    return figure


def shown(pdf: Path) -> str:
    """The strings a PDF shows, letters joined over their kerning."""
    arrays = re.findall(r"\[(.*?)\] TJ", "\n".join(pages_of(pdf)), re.S)
    parts = ("".join(re.findall(r"\(((?:\\.|[^\\()])*)\)", a)) for a in arrays)
    return re.sub(r"\\(.)", r"\1", "\n".join(parts))


def words(site: RecordView, options: SheetOptions) -> list[list[str]]:
    """The texts of each page."""
    with matplotlib.rc_context(symbols.RC):
        return [
            [t.get_text() for t in texts_of(page.figure)] for page in sheet_pages(site, options)
        ]


def texts_of(figure: Figure) -> list[Text]:
    """All texts of a figure that are not empty; those drawn as one as matplotlib sets each."""
    found = [t for t in figure.findobj(Text) if isinstance(t, Text)]
    for lettering in figure.findobj(Lettering):
        assert isinstance(lettering, Lettering)
        for line in lettering.lines:
            text = Text(
                line.x, line.y, line.text, color=line.colour, ha=line.align, size=line.size_pt,
                weight="bold" if line.bold else "normal", rotation=90.0 if line.turned else 0.0,
                va="center" if line.turned else "center_baseline",
                transform=lettering.get_transform(),
            )  # fmt: skip
            text.set_figure(figure)
            found.append(text)
    return [text for text in found if text.get_visible() and text.get_text()]


def without_matplotlib(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every import of matplotlib fail."""
    really = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return really(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
