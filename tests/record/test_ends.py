"""Open ends: the pipe runs on alike from both ends of a line, in all that shows ends."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import matplotlib
import numpy as np
import pytest
import shapely
from ezdxf.filemanagement import readfile
from geographiclib.geodesic import Geodesic
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lateralline.draw import plan as plans
from lateralline.draw import symbols
from lateralline.draw.crew_sheet import crew_page
from lateralline.draw.sheet import SheetOptions, sheet_pages
from lateralline.overlay.as_built import ahead_of_ends, legs_of, open_as_built
from lateralline.page import places
from lateralline.page.columns import columns_of
from lateralline.record.ends import QUERY_MM, STUB_MM, open_at, open_ends, open_ends_of
from lateralline.record.profile import line_profile
from lateralline.record.view import RecordView, read_record
from lateralline.write.dxf import write_dxf
from lateralline.write.kml import write_kml
from tests.support.command import built_samples, run
from tests.support.sheet_reading import texts_of

KML = "{http://www.opengis.net/kml/2.2}"
#: Both ends of the main, and the upper one of the branch that joins it.
OPEN = [("L1", True), ("L1", False), ("L2", True)]


@pytest.fixture(scope="module")
def gpkg(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built_samples(tmp_path_factory.mktemp("ends") / "out", "gnss-bend-branch")


@pytest.fixture(scope="module")
def view(gpkg: Path) -> RecordView:
    return read_record(gpkg, "")


def queries(axes: Axes) -> list[tuple[float, float]]:
    """Where a "?" of an open end stands, in the axes' own units."""
    return [text.get_position() for text in axes.texts if text.get_gid() == "open end"]


def axes_of(figure: Figure, gid: str) -> list[Axes]:
    return [axes for axes in figure.axes if axes.get_gid() == gid]


def test_every_end_but_one_on_another_line_is_open() -> None:
    paths = np.array([shapely.LineString([(0, 0), (3, 4), (3, 9)]),
                      shapely.LineString([(3, 4), (6, 8)])], dtype=object)  # fmt: skip
    ends = open_ends(paths, [False, True])
    assert [(int(n), bool(up)) for n, up in zip(ends.line, ends.upper, strict=True)] == [
        (0, True), (0, False), (1, True)
    ]  # fmt: skip
    assert ends.at == pytest.approx(np.array([[3, 9], [0, 0], [6, 8]]))
    assert ends.ways == pytest.approx(np.array([[0, 1], [-0.6, -0.8], [0.6, 0.8]]))
    assert open_ends(np.empty(0, dtype=object), []).at.shape == (0, 2)


def test_a_located_access_is_no_end_of_the_pipe(tmp_path: Path) -> None:
    """The camera went in by it; the pipe runs on to where the water goes."""
    view = read_record(built_samples(tmp_path / "out", "slope-levels"), "")
    assert {n.kind for n in view.nodes if n.chainage_m == 0.0} == {"entry"}
    assert open_ends_of(view).upper.tolist() == [True, False]


def test_sheets_let_the_pipe_run_on_from_both_ends_alike(view: RecordView) -> None:
    """Straight ahead, in plan and along the profile, on the sheet and on the crew's."""
    ends = open_ends_of(view)
    assert [
        (view.lines[n], up) for n, up in zip(ends.line, ends.upper.tolist(), strict=True)
    ] == OPEN
    with matplotlib.rc_context(symbols.RC):
        page, crew = next(iter(sheet_pages(view, SheetOptions("A3")))), crew_page(view)
    for figure in (page.figure, crew.figure):
        (plan,) = axes_of(figure, "plan")
        off = np.array(queries(plan)) - ends.at
        apart = np.hypot(*off.T)
        assert apart == pytest.approx(apart[0])
        assert off / apart[:, None] == pytest.approx(ends.ways, abs=1e-9)
        dotted = [
            line
            for line in plan.lines
            if line.get_color() == symbols.sign_look("open_end")["color"]
        ]
        assert len(dotted) == len(OPEN)
        assert any("red dots and ?" in text.get_text() for text in texts_of(crew.figure))
    beyond = {}
    for axes, line in zip(axes_of(page.figure, "profile"), view.lines, strict=True):
        at = line_profile(view, line).inverts[[0, -1], 0]
        beyond[line] = [bool(x > at[1]) for x, _ in queries(axes)]
        assert all(x > at[1] or x < at[0] for x, _ in queries(axes))
    assert beyond == {"L1": [False, True], "L2": [True]}
    said = " ".join(text.get_text() for text in texts_of(page.figure))
    assert "L1 open downstream end" in said
    assert "L1 open upstream end" in said
    assert "open end: the pipe runs on, not located" in said


def test_tie_cards_let_the_pipe_run_on_too(
    practice: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the card of every spot whose sketch holds an end, at the scale of the sketch."""
    drawn, draw = [], plans.draw_open_ends
    monkeypatch.setattr(
        plans, "draw_open_ends", lambda axes, *rest: drawn.append((axes, draw(axes, *rest)))
    )
    ran = run("ties", practice["tape-ties"], "-o", tmp_path / "cards.pdf")
    assert ran.exit_code in (0, 1)
    tied = int(re.search(r"(\d+) of \d+ spots tied", ran.output)[1])  # type: ignore[index]
    assert len(drawn) == tied > 0
    assert any(queries(axes) for axes, _ in drawn)


def test_a_page_draws_them_in_plan_and_profile(view: RecordView) -> None:
    kinds = {"stops": places.stops, "nodes": places.nodes, "seen": places.seen,
             "control": places.control}  # fmt: skip
    found = {kind: of(view) for kind, of in kinds.items()}
    lines = [line_profile(view, line) for line in view.lines]
    columns = columns_of(view, found, lines, None, None)
    ends = open_ends_of(view)
    drawn = columns["open_ends"]
    assert np.column_stack([drawn["x"], drawn["y"]]) == pytest.approx(ends.at, abs=1e-3)
    turn = np.array(drawn["angle"], dtype=float)
    assert np.column_stack([np.cos(turn), np.sin(turn)]) == pytest.approx(ends.ways, abs=1e-3)
    assert list(columns["profile_ends"]["line"]) == ["L1", "L1", "L2"]
    # downwards on a screen is southwards
    assert (
        np.sign(np.array(drawn["dy"], dtype=float)).tolist() == (-np.sign(ends.ways[:, 1])).tolist()
    )


def test_a_drawing_and_a_map_show_them(gpkg: Path, view: RecordView, tmp_path: Path) -> None:
    write_dxf(gpkg, tmp_path / "a.dxf", scale=200.0)
    drawn = [e for e in readfile(tmp_path / "a.dxf").modelspace()
             if e.dxf.layer.startswith("open_end.")]  # fmt: skip
    assert sorted(e.dxf.layer for e in drawn if e.dxftype() == "LINE") == [
        "open_end.QH-022.L1", "open_end.QH-022.L1", "open_end.QH-022.L2"
    ]  # fmt: skip
    assert [e.text for e in drawn if e.dxftype() == "MTEXT"] == ["?"] * 3
    starts = np.array([list(e.dxf.start)[:2] for e in drawn if e.dxftype() == "LINE"])
    assert view.ground.to_ground(starts) == pytest.approx(open_ends_of(view).at, abs=2e-3)
    lengths = [(e.dxf.end - e.dxf.start).magnitude for e in drawn if e.dxftype() == "LINE"]
    assert lengths == pytest.approx([STUB_MM / 1000 * 200] * 3)
    assert QUERY_MM > STUB_MM

    write_kml(gpkg, tmp_path / "a.kml")
    marks = [m for m in ET.parse(tmp_path / "a.kml").iter(f"{KML}Placemark")
             if m.findtext(f"{KML}styleUrl") == "#pipe_centreline-open_end"]  # fmt: skip
    assert [m.findtext(f"{KML}name") for m in marks] == ["L1?", "L1?", "L2?"]
    for mark in marks:
        assert "No clearance to dig" in str(mark.findtext(f"{KML}description"))
        text = str(mark.findtext(f".//{KML}LineString/{KML}coordinates"))
        (lon, lat), (to_lon, to_lat) = (map(float, p.split(",")) for p in text.split())
        ahead = Geodesic.WGS84.Inverse(lat, lon, to_lat, to_lon)["s12"]
        assert ahead == pytest.approx(2.0, abs=0.02)  # coordinates are to a centimetre


def test_clearance_and_pictures_of_overlays_ask_the_same_owner(gpkg: Path, tmp_path: Path) -> None:
    as_built = open_as_built(gpkg)
    (region,) = as_built.regions()
    up, down = ahead_of_ends(region.lines, legs_of(region.lines, *as_built.stations()), 1.0)
    judged = np.column_stack([~shapely.is_missing(down), ~shapely.is_missing(up)])
    assert judged.tolist() == open_at(region.lines.joined).tolist()
    svg = tmp_path / "z.svg"
    run("zones", gpkg, "--rule", "cga", "-o", tmp_path / "z", "--picture", svg)
    assert svg.read_text(encoding="utf-8").count('id="open end"') == len(OPEN)
