"""A picture shows what the record holds, keeps its labels apart, and never lacks the caution."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import shapely
from geopandas import read_file
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.figure import Figure
from matplotlib.image import imread

from lateralline import contract
from lateralline.batch import run_sites
from lateralline.draw import furniture, labels, symbols
from lateralline.draw.canvas import Canvas
from lateralline.draw.labels import Label
from lateralline.draw.plan import draw_record
from lateralline.draw.sheet import draw_picture
from lateralline.errors import MissingExtraError, OutputExistsError, UnknownSiteError
from lateralline.measure import Measure
from lateralline.record.view import read_record
from lateralline.simulate import SCENARIOS
from lateralline.simulate import make_site as make_practice
from lateralline.stages import SiteResult
from lateralline.workspace import Workspace
from tests.support.command import built
from tests.support.sheet_reading import texts_of, without_matplotlib

MakeSite = Callable[..., Any]


def words_of(svg: Path) -> str:
    """The text of an SVG: matplotlib keeps it in a comment beside its outlines."""
    comments = re.findall(r"<!--\s*(.*?)\s*-->", svg.read_text(encoding="utf-8"), re.DOTALL)
    return re.sub(r"\s+", " ", unescape(" ".join(comments)))


def test_a_picture_says_site_crs_north_and_the_whole_caution(
    make_site: MakeSite, tmp_path: Path
) -> None:
    gpkg = built(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    draw_picture(gpkg, "EX-2", tmp_path / "plan.svg")
    words = words_of(tmp_path / "plan.svg")
    for part in ("EX-2", "Invented site EX-2", "WGS 84 / UTM zone 17N", "grid north", "2026-05-06"):
        assert part in words
    assert contract.load("tolerance_zone").caution in words
    assert "EX-1" not in words
    assert "scale 1 in = " in words
    assert "± is half the 95 % interval" in " ".join(words.split())


def test_pipe_nobody_located_is_drawn_where_it_may_be(make_site: MakeSite, tmp_path: Path) -> None:
    """A zone that ends in a round cap must not be taken for the end of the pipe."""
    view = read_record(built(tmp_path / "out", make_site()), "EX-1")
    areas = view.layers["unlocated"]
    where = [shapely.box(0.0, 0.0, 3.0, 2.0), *[None] * (len(areas) - 1)]
    for there, drawn in ((where, True), ([None] * len(areas), False)):
        layers = {**view.layers, "unlocated": areas.set_geometry(np.array(there, dtype=object))}
        entries = furniture.key_entries(replace(view, layers=layers))
        assert any("not located: pipe may be" in e.text for e in entries) == drawn
        axes = Figure().subplots()
        draw_record(axes, replace(view, layers=layers))
        hatched = [c for c in axes.collections if c.get_hatch()]
        assert bool(hatched) == drawn


def test_a_site_taped_in_feet_is_labelled_in_feet_with_all_that_guides_digging(
    tmp_path: Path,
) -> None:
    """The sample scenario with US survey feet: 18 in of CGA's tolerance stand beside its name."""
    scenario = SCENARIOS["tape-ties"]
    make_practice(scenario, scenario.seed, tmp_path / "site")
    with Workspace(tmp_path / "out").build() as sink:
        (result,) = run_sites([tmp_path / "site"], sink=sink)
    assert isinstance(result, SiteResult)
    draw_picture(tmp_path / "out" / "asbuilt.gpkg", "", tmp_path / "plan.svg")
    words = words_of(tmp_path / "plan.svg")
    length_m = float(
        read_file(tmp_path / "out" / "asbuilt.gpkg", layer="pipe_centreline").length_m[0]
    )
    band = read_file(tmp_path / "out" / "asbuilt.gpkg", layer="level_band")
    least_m, bound_m = band.cover_m.min(), band.cover_lower_95_m.min()
    feet, tape = 1200 / 3937, Measure("ft-in")
    for part in (
        f"{length_m / feet:.2f} ft ({length_m:.2f} m) long",
        f"least cover {tape.length(least_m)} ({least_m:.2f} m), at least "
        f"{tape.least(bound_m)} ({Measure('m').least(bound_m)}) (95 %)",
        "tolerance zone: 18 in (0.46 m) each side",
        "cover: of the located line; left out: pipe past open ends",
        "nothing there is located",
        "control point",
        "NAD83",
        "lengths in feet",
    ):
        assert part in words


def test_the_same_record_gives_the_same_picture(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built(tmp_path / "out", make_site())
    for name in ("a.svg", "b.svg"):
        draw_picture(gpkg, "", tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


@pytest.mark.parametrize(
    "options",
    [
        {"horizontal": "local", "x": 0.0, "y": 0.0},
        {"horizontal": "EPSG:4326", "x": -80.0, "y": 41.0},
        {"horizontal": "EPSG:2263", "vertical": "EPSG:6360", "x": 985_000.0, "y": 200_000.0},
        {"rows": 0},
        {"rows": 1},
    ],
    ids=["sketch", "geographic", "feet", "empty", "one"],
)
def test_any_site_can_be_drawn(
    make_site: MakeSite, tmp_path: Path, options: dict[str, Any]
) -> None:
    draw_picture(built(tmp_path / "out", make_site(**options)), "EX-1", tmp_path / "p.png")
    pixels = imread(tmp_path / "p.png")
    assert sorted(pixels.shape[:2]) == [1403, 1984]  # A3 at 120 dots an inch
    assert 0.01 < (pixels[..., :3].min(axis=2) < 0.9).mean() < 0.6


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"horizontal": "EPSG:4326", "x": -80.0, "y": 41.0},
        {"horizontal": "EPSG:2263", "x": 985_000.0, "y": 200_000.0},
        {"horizontal": "local", "x": 0.0, "y": 0.0},
    ],
    ids=["metres", "degrees", "feet", "sketch"],
)
def test_plan_is_in_metres_whatever_the_crs(
    make_site: MakeSite, tmp_path: Path, options: dict[str, Any]
) -> None:
    """Neighbouring fixes stand (3, 0.37) m apart in the site frame; heights take ≤ 0.01 %."""
    view = read_record(built(tmp_path / "out", make_site(**options)), "EX-1")
    a, b = view.layers["transmitter_fixes"].geometry.iloc[:2]
    assert (b.x - a.x, b.y - a.y) == pytest.approx((3.0, 0.37), rel=1e-4)
    assert abs(a.x) < 100.0
    assert abs(a.y) < 100.0


def test_labels_keep_clear_of_one_another_and_of_points() -> None:
    """Twenty labels on a crowded line: no two boxes overlap, none leaves the panel."""
    figure = Figure(figsize=(9, 6))
    axes = figure.add_subplot()
    axes.set(xlim=(0, 10), ylim=(0, 6))
    x = np.linspace(1, 9, 20)
    points = np.column_stack([x, np.full(20, 3.0)])
    labels.place(axes, [Label(a, 3.0, f"label {i}") for i, a in enumerate(x)], points)
    boxes = [t.get_window_extent() for t in axes.texts]
    assert len(boxes) == 20
    for i, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[:i])
        assert not box.count_contains(axes.transData.transform(points))
        frame = axes.get_window_extent()
        assert frame.contains(box.x0, box.y0)
        assert frame.contains(box.x1, box.y1)


def test_scale_bars_are_round() -> None:
    assert [furniture.round_down(x) for x in (0.09, 1.0, 1.99, 4.9, 73.0)] == pytest.approx(
        [0.05, 1.0, 1.0, 2.0, 50.0]
    )


def test_what_cannot_be_drawn_is_refused_and_leaves_nothing(
    make_site: MakeSite, tmp_path: Path
) -> None:
    gpkg = built(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    for site_id in ("EX-3", ""):  # "" only when there is one
        with pytest.raises(UnknownSiteError, match="holds no site"):
            draw_picture(gpkg, site_id, tmp_path / "p.png")
    with pytest.raises(ValueError, match=r"\.png, \.svg, \.pdf"):
        draw_picture(gpkg, "EX-1", tmp_path / "p.docx")
    (tmp_path / "p.png").write_text("somebody's photograph")
    with pytest.raises(OutputExistsError):
        draw_picture(gpkg, "EX-1", tmp_path / "p.png")
    assert (tmp_path / "p.png").read_text() == "somebody's photograph"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "p.png"]


def test_without_matplotlib_the_extra_is_named(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpkg = built(tmp_path / "out", make_site())
    without_matplotlib(monkeypatch)
    with pytest.raises(MissingExtraError, match=r'pip install "lateralline\[draw\]"'):
        draw_picture(gpkg, "EX-1", tmp_path / "p.png")


class HeardRenderer(RendererAgg):
    """Keeps where texts are to be drawn, and draws none."""

    def __init__(self, figure: Figure) -> None:
        width, height = figure.bbox.size
        super().__init__(width, height, figure.dpi)
        self.heard: list[tuple[float, ...]] = []

    def draw_text(self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float,
                  *_: Any, **more: Any) -> None:  # fmt: skip
        self.heard.append((x, y, angle, prop.get_size(), *gc.get_rgb()))


def test_lines_drawn_as_one_stand_where_each_would_by_itself() -> None:
    """Against matplotlib's own layout of each text, which rounds widths to pixels."""
    canvas = Canvas(60.0, 40.0)
    canvas.words(5.0, 10.0, "left, plain", 9.0)
    canvas.words(30.0, 20.0, "centred and bold", 11.0, bold=True, align="center")
    canvas.words(55.0, 30.0, "to the right", 8.0, align="right", colour=symbols.WARN)
    canvas.words(4.0, 28.0, "turned", 8.0, align="center", turned=True)
    figure = canvas.figure
    figure.set_dpi(600)
    as_one, apart = HeardRenderer(figure), HeardRenderer(figure)
    with matplotlib.rc_context(symbols.RC):
        figure.draw(as_one)
        for text in texts_of(figure):
            text.draw(apart)
    assert len(as_one.heard) == 4
    for here, there in zip(as_one.heard, apart.heard, strict=True):
        assert here[:2] == pytest.approx(there[:2], abs=1.5)  # pixels, 0.06 mm
        assert here[2:] == there[2:]
