"""A sheet measures true, names its scales, loses no stretch of pipe, and never lacks the caution.

Scale: what 10 m of pipe measures is read back from the PDF's own drawing operators (ISO 32000-1,
8.5.2: `x y m`, `x y l`; user space 1/72 in: from memory). Paper sizes: ISO 216 A3, A4; letter
8½ × 11 in, tabloid 11 × 17 in (common practice, no source).
"""

from __future__ import annotations

import builtins
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from math import dist
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from typer.testing import CliRunner

from lateralline import contract
from lateralline.errors import MissingExtraError, OutputExistsError, UnknownSiteError
from lateralline.stages import SiteResult, run_sites
from lateralline.synthetic import SCENARIOS
from lateralline.synthetic import make_site as make_practice
from lateralline.workspace import Workspace
from lateralline.write.sheet import SheetError, SheetOptions, draw_sheet, draw_sheets, looks
from lateralline.write.sheet.draw import sheet_pages
from lateralline.write.sheet.paper import Scale, parse_scale
from lateralline.write.sheet.site import Site, read_sheet_site

MakeSite = Callable[..., Any]
CAUTION = contract.load("dig_zone").caution
MM = 25.4 / 72.0
HOSTILE = r"$\frac{1}{0}$ a_b^c {x} 50% #1 & (parens) 中"


def built(folder: Path, *sites: Any, crs: str | None = None) -> Path:
    workspace = Workspace(folder)
    with workspace.build(crs=crs) as build:
        for site in sites:
            build.add(site.record, site, site.products)
    return workspace.asbuilt


def changed(site: Any, layer: str, **columns: Any) -> Any:
    """The site with other values in a layer; `geometry` too."""
    products = []
    for p in site.products:
        if p.layer == layer:
            shapes = columns.pop("geometry", p.geometry)
            p = replace(p, columns={**p.columns, **columns}, geometry=shapes)
        products.append(p)
    return replace(site, products=tuple(products))


def ten_metres(make_site: MakeSite, **options: Any) -> Any:
    """A made-up site whose one pipe is 10 m long, to the east-north-east."""
    site = make_site(**options)
    z = 98.0
    ends = [(1.0, 2.0, z), (1.0 + 10 * np.cos(0.3), 2.0 + 10 * np.sin(0.3), z)]
    pipe = np.full(4, None, dtype=object)
    pipe[0] = shapely.LineString(ends)
    shape = ["straight", "bend", "double_bend", "bend"]
    return changed(site, "pipe_segments", geometry=pipe, shape=shape)


def streams(pdf: Path) -> str:
    """All content of a PDF that is drawing operators, inflated."""
    parts = []
    for raw in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf.read_bytes(), re.S):
        try:
            parts.append(zlib.decompress(raw).decode("latin-1"))
        except zlib.error:
            parts.append(raw.decode("latin-1"))
    return "\n".join(parts)


def strokes(pdf: Path, colour: str, width_pt: float) -> Iterator[list[tuple[float, float]]]:
    """Paths stroked in a colour and width, as points in mm."""
    wanted, pen, width = np.array(to_rgb(colour)), np.zeros(3), 0.0
    path: list[tuple[float, float]] = []
    number = r"(-?[\d.]+)"
    for line in streams(pdf).splitlines():
        if m := re.search(rf"{number} {number} {number} RG", line):
            pen = np.array([float(v) for v in m.groups()])
        elif m := re.search(rf"{number} G\b", line):
            pen = np.full(3, float(m[1]))
        if m := re.search(rf"{number} w\b", line):
            width = float(m[1])
        if m := re.fullmatch(rf"{number} {number} ([ml])", line.strip()):
            path = path if m[3] == "l" else []
            path.append((float(m[1]) * MM, float(m[2]) * MM))
        if re.fullmatch(r"S|s|B|b", line.strip()):
            if np.allclose(pen, wanted, atol=0.003) and width == pytest.approx(width_pt):
                yield path
            path = []


def first_page(site: Site, options: SheetOptions, pdf: Path) -> Figure:
    """Draw the first page, in fonts that are quickly written."""
    with matplotlib.rc_context({**looks.RC, "pdf.fonttype": 3}):
        figure: Figure = next(sheet_pages(site, options)).figure
        figure.savefig(pdf, metadata={"CreationDate": None})
    return figure


def shown(pdf: Path) -> str:
    """The strings a PDF shows, letters joined over their kerning."""
    arrays = re.findall(r"\[(.*?)\] TJ", streams(pdf), re.S)
    parts = ("".join(re.findall(r"\(((?:\\.|[^\\()])*)\)", a)) for a in arrays)
    return re.sub(r"\\(.)", r"\1", "\n".join(parts))


def words(site: Site, options: SheetOptions) -> list[list[str]]:
    """The texts of each page."""
    with matplotlib.rc_context(looks.RC):
        return [
            [t.get_text() for axes in page.figure.axes for t in axes.texts]
            for page in sheet_pages(site, options)
        ]


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Built practice sites: one in feet with ties, one of depths alone."""
    folder = tmp_path_factory.mktemp("practice")
    made = {}
    for name in ("tape-ties", "local-sketch"):
        make_practice(SCENARIOS[name], SCENARIOS[name].seed, folder / name)
        with Workspace(folder / f"{name}-out").build() as sink:
            (result,) = run_sites([folder / name], sink=sink)
        assert isinstance(result, SiteResult)
        made[name] = folder / f"{name}-out" / "asbuilt.gpkg"
    return made


# ---- true scale ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "crs", "scale"),
    [
        ({"horizontal": "local", "x": 0.0, "y": 0.0}, None, "1:50"),
        ({}, "EPSG:3857", "1:200"),
        ({"horizontal": "EPSG:2263", "x": 985_000.0, "y": 200_000.0}, None, "1in=10ft"),
    ],
    ids=["sketch", "stretched by Web Mercator", "state plane, feet"],
)
def test_ten_metres_of_pipe_measure_ten_metres_to_scale(
    make_site: MakeSite, tmp_path: Path, options: dict[str, Any], crs: str | None, scale: str
) -> None:
    """Read back from the PDF, whatever the file's coordinates do to lengths."""
    gpkg = built(tmp_path / "out", ten_metres(make_site, **options), crs=crs)
    asked = parse_scale(scale)
    first_page(read_sheet_site(gpkg, ""), SheetOptions("A4", scale=asked), tmp_path / "s.pdf")
    lengths = [dist(*p) for p in strokes(tmp_path / "s.pdf", looks.PIPE, 1.7) if len(p) == 2]
    pipe = 10_000.0 / asked.denominator  # mm
    # 0.01 mm is what the PDF's decimals leave, 2e-5 what the ellipsoidal height is not known by
    assert min(abs(length - pipe) for length in lengths) < 0.01 + 2e-5 * pipe


@pytest.mark.parametrize(
    ("paper", "size"),
    [
        ("A4", (210, 297)),
        ("A3", (297, 420)),
        ("letter", (215.9, 279.4)),
        ("tabloid", (279.4, 431.8)),
    ],
)
def test_papers_have_their_size_and_scales_are_round(
    make_site: MakeSite, tmp_path: Path, paper: str, size: tuple[float, float]
) -> None:
    site = read_sheet_site(built(tmp_path / "out", make_site()), "")
    way = "portrait" if paper in ("A4", "tabloid") else "landscape"
    figure = first_page(site, SheetOptions(paper, way), tmp_path / "s.pdf")
    wanted = size if way == "portrait" else size[::-1]
    media = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", (tmp_path / "s.pdf").read_bytes())
    assert media is not None
    assert [float(v) * MM for v in media.groups()] == pytest.approx(wanted, abs=1e-4)
    said = " ".join(t.get_text() for axes in figure.axes for t in axes.texts)
    feet = re.search(r"scale 1 in = ([\d.]+) ft \(1:(\d+)\)", said)  # the crew's tape is in us-ft
    assert feet is not None
    assert float(feet[1]) * 12 == float(feet[2])


def test_scales_are_read_as_they_are_written() -> None:
    assert parse_scale("1:100") == parse_scale("100") == Scale(100.0)
    assert parse_scale("1\" = 20'") == parse_scale("1in=20ft") == Scale(240.0, True)
    for text in ("", "1:0", "1:-5", "1in=0ft", "twenty", "1:1:1"):
        with pytest.raises(ValueError, match=r"1:100 or 1in=20ft"):
            parse_scale(text)


# ---- what every page says ------------------------------------------------------------------


def test_every_page_has_the_whole_caution_title_and_number(
    make_site: MakeSite, tmp_path: Path
) -> None:
    made = make_site()
    settings = replace(made.record.settings, surveyor="crew 7")
    made = replace(made, record=replace(made.record, settings=settings))
    site = read_sheet_site(built(tmp_path / "out", made), "")
    for paper in ("A4", "letter"):
        pages = words(site, SheetOptions(paper, "portrait"))
        assert len(pages) >= 2
        for n, texts in enumerate(pages, start=1):
            said = " ".join(texts)
            assert CAUTION in said
            assert f"{n} of {len(pages)}" in texts
            for part in ("EX-1", "Invented site EX-1", "2026-05-06", "crew 7", site.sha256[:12]):
                assert part in said


def test_nothing_is_small_or_off_the_paper(practice: dict[str, Path]) -> None:
    site = read_sheet_site(practice["tape-ties"], "")
    with matplotlib.rc_context(looks.RC):
        for page in sheet_pages(site, SheetOptions("letter")):
            renderer: Any = FigureCanvasAgg(page.figure).get_renderer()
            paper = page.figure.bbox
            for text in (t for axes in page.figure.axes for t in axes.texts if t.get_text()):
                assert text.get_fontsize() >= 6.0
                box = text.get_window_extent(renderer)
                assert paper.contains(box.x0, box.y0), text.get_text()
                assert paper.contains(box.x1, box.y1), text.get_text()


def test_strange_words_are_drawn_as_they_stand_and_kept_to_their_boxes(
    make_site: MakeSite, tmp_path: Path
) -> None:
    """Neither mathematics nor a name a page long; letters the font lacks are marked, not lost."""
    site = changed(
        make_site(),
        "pipe_observations",
        code=[HOSTILE] * 4,
        text=[HOSTILE * 20] * 4,
    )
    site = changed(site, "findings", what=["long words " * 300] * 4)
    site = replace(
        site, record=replace(site.record, settings=replace(site.record.settings, name=HOSTILE * 9))
    )
    gpkg = built(tmp_path / "out", site)
    site = read_sheet_site(gpkg, "")
    first_page(site, SheetOptions("A4"), tmp_path / "s.pdf")
    pages = words(site, SheetOptions("A4"))
    said = "\n".join(text for page in pages for text in page)
    assert HOSTILE.replace("中", "\N{REPLACEMENT CHARACTER}")[:24] in said
    assert any(t.endswith("…") for t in pages[0] if t.startswith("$"))
    assert r"$\frac{1}{0}$ a_b^c {x} 50% #1" in shown(tmp_path / "s.pdf")


def test_feet_are_said_in_feet_and_levels_by_their_datum(practice: dict[str, Path]) -> None:
    site = read_sheet_site(practice["tape-ties"], "")
    said = " ".join(t for page in words(site, SheetOptions("A4")) for t in page)
    fix = site.frame("transmitter_fixes").iloc[0]
    depth, half = fix["depth_m"] / 0.3048, 1.959964 * fix["depth_sigma_m"] / 0.3048
    bend = site.frame("pipe_nodes").query("kind == 'bend'").iloc[0]
    for part in (
        f"{depth:.2f} ± {half:.2f}",
        "relative: above no named datum",
        "us-ft",
        "HOUSE-SE",
        f"bend {bend['bend_deg']:.0f}°",
        f"nearest {bend['nearest_fitting']}",
        "1 in = ",
        "grid north",
        "CGA Best Practices",
    ):
        assert part in said


def test_depths_stand_where_there_are_no_levels(practice: dict[str, Path]) -> None:
    site = read_sheet_site(practice["local-sketch"], "")
    said = " ".join(t for page in words(site, SheetOptions("A4")) for t in page)
    assert site.depth_only
    for part in (
        "no levels were measured",
        "to invert, m",
        "sketch on invented axes",
        "none: depths",
    ):
        assert part in said
    assert "invert level" not in said
    assert "grade, %" not in said


def test_an_older_file_without_a_level_band_has_the_same_inverts(
    practice: dict[str, Path],
) -> None:
    from lateralline.write.sheet.profile_data import profile_of

    for name in ("tape-ties", "local-sketch"):
        site = read_sheet_site(practice[name], "")
        band = site.frame("level_band")
        older = replace(
            site, scene=replace(site.scene, layers={**site.scene.layers, "level_band": band[:0]})
        )
        line = site.scene.lines[0]
        new, old = profile_of(site, line), profile_of(older, line)
        assert 1 < len(old.inverts) < len(new.inverts)
        for column in (1, 2, 3):  # the band is at least as wide between located points as at them
            at_stops = np.interp(old.inverts[:, 0], new.inverts[:, 0], new.inverts[:, column])
            assert old.inverts[:, column] == pytest.approx(at_stops, abs=0.02)


def test_signs_differ_by_more_than_colour() -> None:
    """In a grey print no two signs are alike: shape, filling or dashes tell them apart."""
    signs = [*looks.MARKS.values(), *looks.NODES.values(), looks.SEEN_LOOK, looks.CONTROL_LOOK]
    kinds = {(look.marker, look.face == "white") for look in (*signs, looks.FIX_LOOK)}
    assert len(kinds) >= len(signs)  # a mid null and a line's end share a shape, not a size
    dashes = [
        looks.ZONE_DASH, looks.TOLERANCE_DASH, looks.UNDECIDED_DASH, looks.CARRIED_DASH,
        looks.CROWN_DASH, looks.MATCH_DASH,
    ]  # fmt: skip
    assert len(set(map(str, dashes))) == len(dashes)
    grey = {
        c: float(np.dot(to_rgb(c), (0.299, 0.587, 0.114))) for c in (looks.PIPE, looks.CORRIDOR)
    }
    assert grey[looks.CORRIDOR] - grey[looks.PIPE] > 0.5


# ---- long plans ----------------------------------------------------------------------------


def test_a_plan_cut_into_sheets_holds_the_whole_pipe(
    practice: dict[str, Path], tmp_path: Path
) -> None:
    """Every metre of pipe lies inside a window; sheets name their neighbours and the key plan."""
    from lateralline.write.sheet.layout import lay_out
    from lateralline.write.sheet.profile_data import profile_of

    site = read_sheet_site(practice["tape-ties"], "")
    profiles = [profile_of(site, line) for line in site.scene.lines]
    layout = lay_out(site, profiles, "A4", "auto", parse_scale("1:50"))
    assert len(layout.windows) >= 3
    spots = shapely.get_coordinates(site.located("pipe_centreline").geometry.segmentize(0.05))
    inside = np.array([w.holds(spots, 0.4) for w in layout.windows])
    assert inside.any(axis=0).all()
    drawn = [(p.low, p.high) for page in layout.pieces for p, _ in page]
    reach = profiles[0].reach
    assert drawn[0][0] == reach[0]
    assert drawn[-1][1] == pytest.approx(reach[1])
    assert all(a[1] == b[0] for a, b in pairwise(drawn))
    for n, window in enumerate(layout.windows):
        assert window.matches
        for match in window.matches:
            assert window.holds(np.array([match.at])).all()
            other = layout.windows[match.window]
            assert other.holds(np.array([match.at])).all()
            assert n in [m.window for m in other.matches]
    with pytest.raises(SheetError, match="fits the plan on one"):
        draw_sheet(
            [(practice["tape-ties"], "")], tmp_path / "s.pdf", SheetOptions(scale=Scale(1.0))
        )
    assert not (tmp_path / "s.pdf").exists()


def test_windows_cover_lines_of_every_shape() -> None:
    from lateralline.write.sheet.windows import cut

    rng = np.random.default_rng(3)
    for _ in range(40):
        turns = np.cumsum(rng.normal(0.0, 0.7, 12))
        steps = rng.uniform(2.0, 30.0, 12)[:, None]
        line = np.vstack(
            [[0, 0], np.cumsum(steps * np.column_stack([np.cos(turns), np.sin(turns)]), 0)]
        )
        branch = line[3] + np.array([[0.0, 0.0], [8.0, 40.0]])
        width, height = rng.uniform(15.0, 60.0, 2)
        windows = cut([line, branch], width, height, 2.0, 4.0)
        spots = shapely.get_coordinates(
            [shapely.segmentize(shapely.LineString(x), 0.1) for x in (line, branch)]
        )
        held = np.array([w.holds(spots, 1.5) for w in windows])
        assert held.any(axis=0).all()
        total = float(np.hypot(*np.diff(line, axis=0).T).sum()) + 41.0
        assert len(windows) <= 3 + 3 * total / (min(width, height) - 4.0)


# ---- files ---------------------------------------------------------------------------------


def test_the_same_record_gives_the_same_bytes_and_a_date_only_on_request(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpkg = built(tmp_path / "out", make_site(rows=2))
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    for name in ("a.pdf", "b.pdf"):
        draw_sheet([(gpkg, "")], tmp_path / name, SheetOptions("A4"))
    text = (tmp_path / "a.pdf").read_bytes()
    assert text == (tmp_path / "b.pdf").read_bytes()
    assert b"CreationDate" not in text
    assert b"Plan and profile EX-1" in text
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    draw_sheet([(gpkg, "")], tmp_path / "c.pdf", SheetOptions("A4"))
    assert b"D:20231114221320" in (tmp_path / "c.pdf").read_bytes()


@pytest.mark.parametrize(
    "options",
    [{"horizontal": "EPSG:4326", "x": -80.0, "y": 41.0}, {"rows": 0}, {"rows": 1}],
    ids=["geographic", "empty", "one"],
)
def test_any_site_has_a_sheet(make_site: MakeSite, tmp_path: Path, options: dict[str, Any]) -> None:
    site = read_sheet_site(built(tmp_path / "out", make_site(**options)), "")
    assert all(CAUTION in " ".join(page) for page in words(site, SheetOptions("A4")))


def test_many_sites_are_one_file_each_or_one_together_or_nothing(
    make_site: MakeSite, tmp_path: Path
) -> None:
    from lateralline.cli import app

    built(tmp_path / "out", make_site("EX-1", rows=1), make_site("EX-2", rows=1))
    sheets = tmp_path / "sheets"

    def run(*arguments: str) -> Any:
        return CliRunner().invoke(
            app, ["sheet", str(tmp_path / "out"), "--paper", "a4", *arguments]
        )

    result = run("-o", str(sheets))
    assert result.exit_code == 0, result.output
    assert "2 sites" in result.output
    assert CAUTION in " ".join(result.output.split())
    assert sorted(p.name for p in sheets.iterdir()) == ["EX-1.pdf", "EX-2.pdf"]
    together = tmp_path / "all.pdf"
    assert run("-o", str(together), "--together").exit_code == 0
    assert b"EX-1 Invented site EX-1, EX-2 Invented" in together.read_bytes()
    before = together.read_bytes()
    for refused, said in (
        (("-o", str(sheets)), "is there already"),
        (("-o", str(together), "--together"), "is there already"),
        (("-o", str(tmp_path / "x.pdf")), "--together"),
        (("-o", str(tmp_path / "x.png"), "--together"), ".pdf"),
        (("-o", str(tmp_path / "x.pdf"), "--site", "EX-9"), "EX-9"),
        (("-o", str(tmp_path / "x.pdf"), "--scale", "big", "--together"), "1in=20ft"),
        (("-o", str(tmp_path / "x.pdf"), "--paper", "B5", "--together"), "tabloid"),
    ):
        result = run(*refused)
        assert result.exit_code == 2
        assert said in " ".join(result.output.split())
    assert together.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["all.pdf", "out", "sheets"]


def test_replacing_a_folder_of_sheets_keeps_what_else_lies_there(
    make_site: MakeSite, tmp_path: Path
) -> None:
    gpkg = built(tmp_path / "out", make_site("EX-1", rows=0))
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "notes.txt").write_text("ours")
    (tmp_path / "sheets" / "EX-1.pdf").write_text("old")
    with pytest.raises(OutputExistsError):
        draw_sheets([(gpkg, "EX-1")], tmp_path / "sheets", SheetOptions("A4"))
    draw_sheets([(gpkg, "EX-1")], tmp_path / "sheets", SheetOptions("A4"), replace=True)
    assert (tmp_path / "sheets" / "notes.txt").read_text() == "ours"
    assert (tmp_path / "sheets" / "EX-1.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(UnknownSiteError, match="holds no site"):
        draw_sheet([(gpkg, "EX-7")], tmp_path / "s.pdf")
    assert not (tmp_path / "s.pdf").exists()


def test_without_matplotlib_the_extra_is_named(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpkg = built(tmp_path / "out", make_site(rows=0))
    really = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return really(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtraError, match=r'pip install "lateralline\[draw\]"'):
        draw_sheet([(gpkg, "")], tmp_path / "s.pdf")
