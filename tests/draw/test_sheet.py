"""A sheet says its scales and datum, shows any site there may be, and never lacks the caution."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb

from lateralline import contract
from lateralline.cli.report import own_length
from lateralline.draw import symbols
from lateralline.draw.canvas import width_mm
from lateralline.draw.furniture import body_of
from lateralline.draw.labels import colour_of, plan_labels
from lateralline.draw.layout import extent_of, lay_out
from lateralline.draw.paper import Box
from lateralline.draw.sheet import SheetOptions, sheet_pages
from lateralline.draw.tables import TableColumn, TableSection, paginate
from lateralline.measure import Measure
from lateralline.record.rows import NodeRow
from lateralline.record.symbology import area_of, load_styles, style_of
from lateralline.record.view import read_record
from lateralline.units import feet_and_inches
from tests.support.sheet_reading import texts_of

MakeSite = Callable[..., Any]
CAUTION = contract.load("tolerance_zone").caution
BODY = Box(10.0, 10.0, 120.0, 200.0)
HOSTILE = r"$\frac{1}{0}$ a_b^c {x} 50% #1 & (parens) 中"


def test_every_page_has_the_whole_caution_title_and_number(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    made = make_site()
    settings = replace(made.record.settings, surveyor="crew 7")
    made = replace(made, record=replace(made.record, settings=settings))
    site = read_record(sheets.built(tmp_path / "out", made), "")
    for paper in ("A4", "letter"):
        pages = sheets.words(site, SheetOptions(paper, "portrait"))
        assert len(pages) >= 2
        for n, texts in enumerate(pages, start=1):
            said = " ".join(texts)
            assert CAUTION in said
            assert f"{n} of {len(pages)}" in texts
            for part in ("EX-1", "Invented site EX-1", "2026-05-06", "crew 7", site.sha256[:12]):
                assert part in said


def test_nothing_is_small_or_off_the_paper(practice: dict[str, Path]) -> None:
    site = read_record(practice["tape-ties"], "")
    with matplotlib.rc_context(symbols.RC):
        for page in sheet_pages(site, SheetOptions("letter")):
            renderer: Any = FigureCanvasAgg(page.figure).get_renderer()
            paper = page.figure.bbox
            for text in texts_of(page.figure):
                assert text.get_fontsize() >= 6.0
                box = text.get_window_extent(renderer)
                assert paper.contains(box.x0, box.y0), text.get_text()
                assert paper.contains(box.x1, box.y1), text.get_text()


def test_least_covers_stand_with_their_bounds(sheets: Any, practice: dict[str, Path]) -> None:
    """Of the line and of each segment, whose two ends count; the words for sides are plain."""
    site = read_record(practice["tape-ties"], "")
    said = [text for page in sheets.words(site, SheetOptions("letter")) for text in page]
    band, tape = site.layers["level_band"], Measure("ft-in")
    (line,) = site.layers["pipe_centreline"].itertuples()
    bound_m = band.cover_lower_95_m.min()
    assert f"{tape.bare(line.cover_min_m)} (≥ {tape.bare_least(bound_m)})" in said
    first = site.layers["pipe_segments"].iloc[0]
    part = band[band.chainage_m <= first.to_chainage_m + 1e-6].cover_lower_95_m.min()
    assert f"{tape.bare(first.cover_min_m)} (≥ {tape.bare_least(part)})" in said
    words = " ".join(" ".join(said).split())
    assert "looking from the first to the second" in words
    assert "of the way there" not in words


def test_strange_words_are_drawn_as_they_stand_and_kept_to_their_boxes(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    """Neither mathematics nor a name a page long; letters the font lacks are marked, not lost."""
    site = sheets.changed(
        make_site(),
        "pipe_observations",
        code=[HOSTILE] * 4,
        text=[HOSTILE * 20] * 4,
    )
    site = sheets.changed(site, "findings", what=["long words " * 300] * 4)
    site = replace(
        site, record=replace(site.record, settings=replace(site.record.settings, name=HOSTILE * 9))
    )
    gpkg = sheets.built(tmp_path / "out", site)
    site = read_record(gpkg, "")
    sheets.first_page(site, SheetOptions("A4"), tmp_path / "s.pdf")
    pages = sheets.words(site, SheetOptions("A4"))
    said = "\n".join(text for page in pages for text in page)
    assert HOSTILE.replace("中", "\N{REPLACEMENT CHARACTER}")[:24] in said
    assert any(t.endswith("…") for t in pages[0])
    assert r"$\frac{1}{0}$ a_b^c {x} 50% #1" in sheets.shown(tmp_path / "s.pdf")


def test_a_long_name_of_a_site_is_wrapped_and_not_cut(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    """On the narrowest paper; the title block grows, and the drawings keep clear of it."""
    name = "Rear boundary drain of the invented Quarry Hill terrace, lots 14 to 22, second survey"
    name += ", from the inspection opening at the lane to the manhole in front of number nine"
    site = make_site()
    site = replace(
        site, record=replace(site.record, settings=replace(site.record.settings, name=name))
    )
    view = read_record(sheets.built(tmp_path / "out", site), "")
    assert view.name == name
    options = SheetOptions("A4", "portrait")
    assert name in " ".join(sheets.words(view, options)[0])
    heights = {w: body_of(w, 297.0, view).height for w in (210.0, 297.0)}
    short = replace(view, lineage=replace(view.lineage, site_name="Lane"))
    assert heights[210.0] < body_of(210.0, 297.0, short).height
    assert heights[297.0] <= body_of(297.0, 297.0, short).height


def test_feet_are_said_in_feet_and_levels_by_their_datum(
    sheets: Any, practice: dict[str, Path]
) -> None:
    site = read_record(practice["tape-ties"], "")
    said = " ".join(t for page in sheets.words(site, SheetOptions("A4")) for t in page)
    fix = site.layers["transmitter_fixes"].iloc[0]
    depth = fix["transmitter_depth_m"] / 0.3048
    eighths = ceil(1.959964 * fix["transmitter_depth_sigma_m"] / 0.0254 * 8)  # never too small
    half = feet_and_inches(eighths / 96, 8).removeprefix("0' ")
    bend = site.layers["pipe_nodes"].query("kind == 'bend'").iloc[0]
    for part in (
        f"{feet_and_inches(depth, 8)} ± {half}",
        "elevation ±",
        "lengths in feet, depths in feet and inches",
        "site zero: levels compare within this site only",
        "us-ft",
        "HOUSE-SE",
        f"bend {bend['bend_deg']:.0f}°",
        f"nearest {bend['nearest_fitting']}",
        "1 in = ",
        "grid north",
        "CGA Best Practices",
    ):
        assert part in said


def test_the_level_of_a_line_is_as_sure_as_the_screen_says(
    sheets: Any, practice: dict[str, Path]
) -> None:
    """One rounding, upwards, for the line and for its nodes; by the nearest it read a step less."""
    site = read_record(practice["tape-ties"], "")
    sigma_m = max(line.invert_sigma_max_m for line in site.centrelines)
    by_screen = own_length(1.959964 * sigma_m, site.unit, off=True).removesuffix(f" {site.unit}")
    assert by_screen != site.length(1.959964 * sigma_m)
    said = [text for page in sheets.words(site, SheetOptions("letter")) for text in page]
    assert by_screen in said
    assert site.length(1.959964 * sigma_m) not in said


def test_depths_stand_where_there_are_no_levels(sheets: Any, practice: dict[str, Path]) -> None:
    site = read_record(practice["local-sketch"], "")
    said = " ".join(t for page in sheets.words(site, SheetOptions("A4")) for t in page)
    assert site.depth_only
    for part in (
        "no levels were measured",
        "to invert, m",
        "sketch on invented axes",
        "depths only, below ground",
    ):
        assert part in said
    assert "invert level" not in said
    assert "gradient, %" not in said


def test_an_older_file_without_a_level_band_has_the_same_inverts(
    practice: dict[str, Path],
) -> None:
    from lateralline.record.profile import line_profile

    for name in ("tape-ties", "local-sketch"):
        site = read_record(practice[name], "")
        band = site.layers["level_band"]
        older = replace(site, layers={**site.layers, "level_band": band[:0]})
        line = site.lines[0]
        new, old = line_profile(site, line), line_profile(older, line)
        assert 1 < len(old.inverts) < len(new.inverts)
        for column in (1, 2, 3):  # the band is at least as wide between located points as at them
            at_stops = np.interp(old.inverts[:, 0], new.inverts[:, 0], new.inverts[:, column])
            assert old.inverts[:, column] == pytest.approx(at_stops, abs=0.02)


def test_signs_differ_by_more_than_colour() -> None:
    """In a grey print no two signs are alike: shape, filling or dashes tell them apart."""
    points = {
        (p.marker, p.rotate_deg, p.fill)
        for style in load_styles()
        for rule in style.rule
        if (p := rule.point) is not None and style.layer not in ("level_band", "control_points")
    }
    rules = [r for s in load_styles() for r in s.rule if r.point and s.layer != "level_band"]
    assert len(points) == len(rules) - 2  # both kinds of control are rings with a cross
    zones, undecided = style_of("tolerance_zone").rule, style_of("pipe_segments").rule[-1]
    dashes = [
        *(symbols.area_look(r.area)["ls"] for r in zones if r.area),
        symbols.line_look(undecided.line)["ls"] if undecided.line else "",
        *(symbols.sign_look(n)["ls"] for n in ("carried_on", "inside_top", "open_end", "plumb")),
        symbols.MATCH_DASH,
    ]
    assert len(set(map(str, dashes))) == len(dashes)
    pipe, corridor = colour_of("pipe_segments"), area_of("position_corridor").on_white
    grey = {c: float(np.dot(to_rgb(c), (0.299, 0.587, 0.114))) for c in (pipe, corridor)}
    assert grey[corridor] - grey[pipe] > 0.5


# ---- any site there may be -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "part"),
    [
        ({"horizontal": "EPSG:4326", "x": -80.0, "y": 41.0}, "longitude / latitude in °"),
        ({"rows": 0}, "No line was located: there is no profile."),
        ({"rows": 1}, "PROFILE"),
    ],
    ids=["geographic", "empty", "one"],
)
def test_any_site_has_a_sheet(
    sheets: Any, make_site: MakeSite, tmp_path: Path, options: dict[str, Any], part: str
) -> None:
    site = read_record(sheets.built(tmp_path / "out", make_site(**options)), "")
    pages = [" ".join(page) for page in sheets.words(site, SheetOptions("A4"))]
    assert all(CAUTION in page for page in pages)
    assert part in pages[0]


@pytest.mark.parametrize("name", ["tape-ties", "local-sketch"])
def test_a_pipe_of_unknown_size_has_no_cover_and_says_so(
    sheets: Any, practice: dict[str, Path], name: str
) -> None:
    """Without levels nothing is left but the transmitter's depth, and it is called that."""
    site = read_record(practice[name], "")
    nothing = dict.fromkeys(("inside_diameter_m", "wall_m", "outside_diameter_m"), np.nan)
    layers = dict(site.layers)
    layers["pipe_centreline"] = layers["pipe_centreline"].assign(**nothing)
    for layer in ("level_band", "pipe_nodes"):
        layers[layer] = layers[layer].assign(cover_m=np.nan, cover_sigma_m=np.nan)
    site = replace(site, layers=layers)
    said = sheets.words(site, SheetOptions("A4"))[0]
    assert "no outside size given" in said
    assert not any(t.startswith("outside top") for t in said)
    if site.depth_only:
        assert "transmitter, m" in said
        assert "to invert, m" not in said
        depth = float(site.layers["transmitter_fixes"]["transmitter_depth_m"].iloc[0])
        assert f"{depth:.2f}" in said
    else:
        assert "invert, ft" in said


def test_a_stretch_of_undecided_shape_is_dashed_and_asks_for_a_stop(
    sheets: Any, practice: dict[str, Path], tmp_path: Path
) -> None:
    site = read_record(practice["tape-ties"], "")
    assert "pipe axis, shape not shown: add a stop" not in sheets.words(site, SheetOptions("A4"))[0]
    layers = dict(site.layers)
    shape = layers["pipe_segments"]["shape"].copy()
    shape.iloc[2] = "undecided"
    layers["pipe_segments"] = layers["pipe_segments"].assign(shape=shape)
    site = replace(site, layers=layers)
    figure = sheets.first_page(site, SheetOptions("A4"), tmp_path / "s.pdf")
    said = [t.get_text() for t in sheets.texts_of(figure)]
    assert "pipe axis, shape not shown: add a stop" in said
    solid, dashed = (len(c.get_segments()) for c in figure.axes[1].collections if c.get_gid())
    assert (solid, dashed) == (len(shape) - 1, 1)


def test_a_zone_far_wider_than_its_line_is_drawn_whole(
    sheets: Any, practice: dict[str, Path]
) -> None:
    """Another CRS may add metres to every zone: then the plan is drawn smaller, never cut off."""
    site = read_record(practice["tape-ties"], "")
    layers = dict(site.layers)
    zones = layers["tolerance_zone"]
    layers["tolerance_zone"] = zones.set_geometry(zones.geometry.buffer(40.0))
    site = replace(
        site,
        layers=layers,
    )
    for paper in ("A4", "letter"):
        layout = lay_out(site, [], paper, "auto", None)
        assert layout.whole
        spots = shapely.get_coordinates(layers["tolerance_zone"].geometry)
        assert layout.windows[0].holds(spots).all()


def test_control_off_the_plan_is_said_where_it_stands(practice: dict[str, Path]) -> None:
    """And a plan too narrow for its grid's name says what ± is all the same."""
    site = read_record(practice["tape-ties"], "")
    control = site.located("control_points")
    line = site.located("pipe_centreline").geometry.union_all()
    far = control[control["point"] == "HOUSE-SE"]
    moved = shapely.transform(np.asarray(far.geometry.array), lambda xy: xy + 60.0)
    control = control.set_geometry(
        np.where(control["point"] == "HOUSE-SE", moved, np.asarray(control.geometry.array))
    )
    site = replace(site, layers={**site.layers, "control_points": control})
    off = site.measure.length(moved[0].distance(line))
    with matplotlib.rc_context(symbols.RC):
        (page, *_) = sheet_pages(site, SheetOptions("letter", "portrait"))
        said = "\n".join(t.get_text() for t in texts_of(page.figure))
    assert f"↗ HOUSE-SE {off} NE of the pipe, not drawn" in said
    drawn = {p for p in control["point"] if p in said.splitlines()}
    named = {
        p for p in control["point"] if any(p in s and "not drawn" in s for s in said.split("\n"))
    }
    assert drawn | named == set(control["point"])
    assert "± 95 %" in said.partition("PROFILE")[0]


def test_no_page_of_tables_holds_next_to_nothing() -> None:
    """Rows stand tighter where that saves a page; else no row stands alone overleaf."""
    columns = [TableColumn("a", 10), TableColumn("b", 10)]

    def pages(rows: int) -> list[int]:
        found = paginate([TableSection("T", "", columns, [["x", "y"]] * rows)], BODY)
        return [sum(b.last - b.first for b in page) for page in found]

    full = next(n for n in range(1, 200) if len(pages(n + 1)) > 1)
    loose = int((BODY.height - 12.0) // 4.0)
    assert full > loose
    for rows in (full + 1, full + 2, 2 * full + 1):
        assert sum(pages(rows)) == rows
        assert min(pages(rows)) >= 2


def test_figures_and_words_of_headings_are_never_broken() -> None:
    """A figure cut in two lines would be read as two figures."""
    columns = [
        TableColumn("run/stop", 90),
        TableColumn("greatest depth\nm", 1, "right"),
        TableColumn("x", 90),
    ]
    (page,) = paginate(
        [TableSection("T", "", columns, [["R1", "-12345.67 ± 0.89", "y" * 200]])], BODY
    )
    widths = page[0].table.widths
    assert sum(widths) == pytest.approx(BODY.width)
    assert widths[1] > width_mm("-12345.67 ± 0.89", 6.2)
    assert widths[1] > width_mm("greatest", 6.2, bold=True)


def test_the_plan_of_a_sketch_holds_every_point_a_tape_starts_from(
    practice: dict[str, Path],
) -> None:
    """B of the invented sketch lies more than a third of its length beside it."""
    view = read_record(practice["local-sketch"])
    x0, y0, x1, y1 = extent_of(view)
    tied = {c.point: c.geometry for c in view.control if c.in_a_tie}
    assert set(tied) == {"A", "B", "N"}
    for name, at in tied.items():
        assert x0 <= at.x <= x1, name
        assert y0 <= at.y <= y1, name


def test_a_bend_names_every_fitting_it_may_be(practice: dict[str, Path]) -> None:
    """A name too long for a line of a label goes on in the next; no part of the name is left."""
    view = read_record(practice["tape-ties"])
    first = next(n for n in view.nodes if n.geometry is not None)
    fittings = "22½° bend or 30° bend or 45° bend or 60° bend"
    bend = NodeRow(first.values | {"kind": "bend", "nearest_fitting": fittings, "bend_deg": 23.0})
    (label,) = plan_labels(view, [bend], [], [], [])
    assert fittings in " ".join(label.text.split("\n"))
    assert max(width_mm(line, label.size, bold=True) for line in label.text.split("\n")) <= 46.0
