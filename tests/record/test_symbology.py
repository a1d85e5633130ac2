"""A fix, a node, a pipe has one colour, shape and dash wherever it is drawn: styles.toml's."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree as ET

import matplotlib
import pytest
from ezdxf.filemanagement import readfile
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from lateralline import contract
from lateralline.draw import symbols
from lateralline.draw.sheet import SheetOptions, draw_picture, sheet_pages
from lateralline.page import write_page
from lateralline.page.figures import marker_of
from lateralline.page.signs import PALETTE, role_of
from lateralline.record.symbology import Point, SymbolRule, load_styles, style_of
from lateralline.record.view import read_record
from lateralline.write.dxf import write_dxf
from lateralline.write.dxf_signs import block_of
from lateralline.write.kml import write_kml
from lateralline.write.styles import qml
from tests.support.command import built

MakeSite = Callable[..., Any]
KML = "{http://www.opengis.net/kml/2.2}"
POINTS = ("transmitter_fixes", "pipe_nodes", "pipe_observations", "control_points")


@pytest.fixture(scope="module")
def drawn(make_site: MakeSite, tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """One record in all six forms."""
    folder = tmp_path_factory.mktemp("looks")
    site = make_site()
    gpkg = built(folder / "out", site)
    view = read_record(gpkg)
    with matplotlib.rc_context(symbols.RC):
        sheet = next(sheet_pages(view, SheetOptions("A3"))).figure
    draw_picture(gpkg, "", folder / "picture.svg")
    write_page(gpkg, "", folder / "page.html")
    write_dxf(gpkg, folder / "a.dxf")
    write_kml(gpkg, folder / "a.kml")
    return SimpleNamespace(
        view=view,
        sheet=sheet,
        picture=(folder / "picture.svg").read_text(encoding="utf-8"),
        page=(folder / "page.html").read_text(encoding="utf-8"),
        dxf=readfile(folder / "a.dxf"),
        kml=ET.parse(folder / "a.kml").getroot(),
    )


def used(drawn: SimpleNamespace, layer: str) -> list[tuple[int, SymbolRule]]:
    """The rules of a layer, with their numbers, that draw a row of the record."""
    style = style_of(layer)
    rows = [r for r in {"transmitter_fixes": drawn.view.fixes, "pipe_nodes": drawn.view.nodes,
                        "pipe_observations": drawn.view.observations,
                        "control_points": drawn.view.control}[layer] if r.geometry]  # fmt: skip
    found = {style.rule.index(style.rule_of(row)) for row in rows}
    assert found
    return [(n, style.rule[n]) for n in sorted(found)]


def markers(figure: Figure) -> Iterator[tuple[str, str, str]]:
    """Marker, filling and edge of every point on the plan of a sheet."""
    for axes in figure.axes:
        for line in axes.lines if axes.get_gid() == "plan" else ():
            assert isinstance(line, Line2D)
            yield (str(line.get_marker()), str(line.get_markerfacecolor()),
                   str(line.get_markeredgecolor()))  # fmt: skip


@pytest.mark.parametrize("layer", POINTS)
def test_a_point_looks_alike_in_all_six(drawn: SimpleNamespace, layer: str) -> None:
    on_sheet = set(markers(drawn.sheet))
    as_qml = ET.fromstring(qml(style_of(layer)))
    glyphs = list(scatters(drawn.page))
    for n, rule in used(drawn, layer):
        point = rule.symbol
        assert isinstance(point, Point)
        for look in symbols.point_looks(point):  # sheet
            assert (look["marker"], look["mfc"], look["mec"]) in on_sheet
            assert look["mec"] in drawn.picture  # picture
        props = [  # desktop GIS
            {p.get("k"): p.get("v") for p in part.iter("prop")}
            for part in as_qml.iter("symbol") if part.get("name") == str(n)
        ]  # fmt: skip
        assert props[0]["color"] == rgba(point.fill)
        assert props[0]["outline_color"] == rgba(point.stroke)
        tags = {f"paint fill_color {role_of(point.fill)}",
                f"paint line_color {role_of(point.stroke)}"}  # fmt: skip
        (glyph,) = {  # page
            (g["fill_color"]["value"], g["line_color"]["value"])
            for g in glyphs
            if tags <= set(g["tags"]) and marker(g) == marker_of(point)
        }
        assert glyph == (point.fill, point.stroke)
        block = drawn.dxf.blocks.get(block_of(layer, rule))  # CAD
        assert {e.rgb.to_hex() for e in block if e.rgb} >= {point.colour}
        style = next(s for s in drawn.kml.iter(f"{KML}Style") if s.get("id") == f"{layer}-{n}")
        assert bgr(style.findtext(f"{KML}IconStyle/{KML}color")) == point.colour  # KML


def test_lines_and_areas_look_alike_in_all_six(drawn: SimpleNamespace) -> None:
    for layer in ("pipe_segments", "tolerance_zone", "position_corridor"):
        rule = style_of(layer).rule[0]
        symbol = rule.symbol
        assert not isinstance(symbol, Point)
        assert symbol.colour in drawn.picture
        assert {n.rgb.to_hex() for n in drawn.dxf.layers if n.dxf.name.startswith(f"{layer}.")} == {
            symbol.colour
        }
        style = next(s for s in drawn.kml.iter(f"{KML}Style") if s.get("id") == f"{layer}-0")
        assert bgr(style.findtext(f"{KML}LineStyle/{KML}color")) == symbol.colour
        assert f"paint line_color {role_of(symbol.colour)}" in drawn.page
        assert rgba(symbol.colour) in qml(style_of(layer))
        edges = {
            matplotlib.colors.to_hex(c)
            for axes in drawn.sheet.axes
            for made in axes.collections
            for c in made.get_edgecolor()
        }
        assert symbol.colour in edges


def test_every_colour_has_a_dark_one_on_the_page() -> None:
    for style in load_styles():
        for rule in style.rule:
            light, dark = PALETTE[role_of(rule.symbol.colour)]
            assert light == rule.symbol.colour
            assert re.fullmatch(r"#[0-9a-f]{6}", dark)
            assert dark != light


def test_no_colour_of_the_symbology_stands_in_the_code() -> None:
    """But where the page's dark ones are: a second place would come to differ."""
    package = Path(contract.__file__).parent
    colours = {r.symbol.colour for s in load_styles() for r in s.rule} - {"#ffffff", "#20262e"}
    for path in package.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        strays = {c for c in colours if c in text and f'_WARN: Final = "{c}"' not in text}
        assert not strays, path


def scatters(page: str) -> Iterator[dict[str, Any]]:
    """The attributes of every scatter glyph of a page's drawings."""

    def walk(part: Any) -> Iterator[dict[str, Any]]:
        if isinstance(part, dict):
            if part.get("name") == "Scatter":
                yield part["attributes"]
            for inner in part.values():
                yield from walk(inner)
        elif isinstance(part, list):
            for inner in part:
                yield from walk(inner)

    found = re.search(r"^const DRAWINGS = (.*);$", page, re.M)
    assert found is not None
    yield from (g for g in walk(json.loads(found[1])) if "tags" in g)


def marker(glyph: dict[str, Any]) -> str:
    """Bokeh leaves out what is its default."""
    return str(glyph.get("marker", {"value": "circle"})["value"])


def rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"


def bgr(colour: str | None) -> str:
    assert colour is not None
    return f"#{colour[6:8]}{colour[4:6]}{colour[2:4]}"
