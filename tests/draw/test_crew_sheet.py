"""The crew's sheet: one side, nothing tiny, tapes and depth to top, and where to dig first."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from lateralline import api
from lateralline.draw import symbols
from lateralline.draw.crew_sheet import CrewPlan, crew_page
from lateralline.draw.sheet import SheetOptions, draw_sheet
from lateralline.measure import Measure
from lateralline.record.rows import FindingRow, NodeRow
from lateralline.record.view import RecordView, read_record
from tests.support.places import SAMPLES
from tests.support.sheet_reading import pages_of, texts_of


@pytest.fixture(scope="module")
def view(practice: dict[str, Path]) -> RecordView:
    return read_record(practice["tape-ties"], "")


def words_of(view: RecordView) -> list[str]:
    with matplotlib.rc_context(symbols.RC):
        page = crew_page(view)
    renderer: Any = FigureCanvasAgg(page.figure).get_renderer()
    texts = texts_of(page.figure)
    for text in texts:
        assert text.get_fontsize() >= symbols.SMALL_PT, text.get_text()
        box = text.get_window_extent(renderer)
        assert page.figure.bbox.contains(box.x0, box.y0), text.get_text()
        assert page.figure.bbox.contains(box.x1, box.y1), text.get_text()
    return [text.get_text() for text in texts]


def test_it_is_one_side_with_the_whole_caution(view: RecordView, tmp_path: Path) -> None:
    draw_sheet([(view.source, view.site_id)], tmp_path / "c.pdf", SheetOptions(crew=True))
    assert len(pages_of(tmp_path / "c.pdf")) == 1
    said = " ".join(words_of(view))
    for part in ("NO CLEARANCE TO DIG", "one-call service", "hand or vacuum", "licensed practice"):
        assert part in said


def test_tapes_stand_in_feet_and_eighths_with_depth_to_top(view: RecordView) -> None:
    measure = Measure.of_crew(view.lineage.tape_unit)
    plan, said = CrewPlan.of(view, measure), words_of(view)
    assert plan.tied
    for card in plan.cards:
        assert measure.length(card.spot.cover_m) in said
        for tape in card.tapes[:2]:
            assert said.count(measure.length(tape.distance_m)) >= 2  # on the plan and in the table
    assert not [text for text in said if text.endswith(" m")]


def test_it_names_the_system_its_coordinates_are_in(practice: dict[str, Path]) -> None:
    on_map = read_record(practice["tape-ties"], "")
    assert on_map.crs is not None
    assert f"{on_map.crs.name} (us-ft)" in words_of(on_map)
    sketch = read_record(practice["local-sketch"], "")
    assert "sketch on invented axes (metres)" in words_of(sketch)


def test_a_sketch_on_a_map_says_that_its_errors_are_those_on_the_map(tmp_path: Path) -> None:
    """How far corners are off there, by the layer; a site that was set onto no map says nothing."""
    site = tmp_path / "site"
    shutil.copytree(SAMPLES / "local-sketch", site)
    settings = (site / "site.toml").read_text(encoding="utf-8")
    settings = settings.replace('"local"', '"local"\nmap_crs = "EPSG:32617"', 1)
    (site / "site.toml").write_text(settings, encoding="utf-8")
    rows = (site / "control.csv").read_text(encoding="utf-8").split()
    on_map = ["map_x,map_y,map_sigma", "500100,4660000,0.5", "500109,4660000,0.5", ",,"]
    rows = [f"{row},{more}" for row, more in zip(rows, on_map, strict=True)]
    (site / "control.csv").write_text("\n".join(rows), encoding="utf-8")
    api.build(site, tmp_path / "out")
    of_map = read_record(tmp_path / "out" / "asbuilt.gpkg", "")
    off_m = 2.447747 * max(row.position_sigma_m for row in of_map.control)
    said = " ".join(words_of(of_map))
    assert f"on the map, whose corners may be off by {of_map.measure.reach(off_m)} there" in said
    api.build(SAMPLES / "local-sketch", tmp_path / "sketch")
    assert "on the map" not in " ".join(
        words_of(read_record(tmp_path / "sketch" / "asbuilt.gpkg", ""))
    )


def test_the_first_to_dig_is_the_surest_and_never_one_nobody_located(view: RecordView) -> None:
    plan = CrewPlan.of(view, Measure("m"))
    assert plan.first is not None
    off = [card.scatter_m("all")[1] for card in plan.cards]
    assert off[plan.first] <= min(off) + 0.005
    carried = {node.node_id for node in view.nodes if node.carried_on}
    assert not carried & {card.spot.name for card in plan.cards}
    assert np.isfinite(off).all()


def test_a_pipe_of_unknown_size_is_proven_where_its_place_is_known(
    view: RecordView, monkeypatch: pytest.MonkeyPatch
) -> None:
    cards = [
        replace(card, spot=replace(card.spot, cover_m=np.nan, cover_sigma_m=np.nan))
        for card in CrewPlan.of(view, Measure("m")).cards
    ]
    monkeypatch.setattr("lateralline.draw.crew_sheet.tie", lambda *_: cards)
    said = " ".join(words_of(view))
    assert "Prove it first at spot" in said
    assert "the transmitter in it about" in said
    assert "to transmitter" in said
    assert "nan" not in said


def test_located_points_stand_between_spots_far_apart(
    view: RecordView, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = CrewPlan.of(view, Measure("m")).cards
    monkeypatch.setattr("lateralline.draw.crew_sheet._FAR_M", 1.5)
    after = CrewPlan.of(view, Measure("m")).cards
    assert {card.spot.name for card in before} < {card.spot.name for card in after}
    at = [card.spot.chainage_m for card in after]
    assert at == sorted(at)
    points = [n.chainage_m for n in view.rows(NodeRow) if n.kind == "point"]
    assert len(after) == 9 or max(min(abs(p - a) for a in at) for p in points) < 1.5


def test_a_record_with_errors_sends_nobody_to_dig(
    view: RecordView, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each error with its line and its one sentence, as many as there is room for."""
    assert not view.findings["error"]
    row = next(r for r in view.rows(FindingRow) if r.line_id == "L1")
    wrong = FindingRow(row.values | {
        "severity": "error", "title": "Pipe lies above ground", "what": "top of pipe above ground",
        "by_how_much": "by 0.42 in all", "accepted_by": "",
    })  # fmt: skip
    told = FindingRow(wrong.values | {"accepted_by": "Crew B", "what": "answered for"})
    of_site = FindingRow(wrong.values | {"line_id": "", "subject": "site", "what": "swapped"})
    monkeypatch.setitem(view._rows, FindingRow, (wrong, told, of_site, *[wrong] * 4))
    monkeypatch.setitem(view.findings, "error", 6)
    said = " ".join(words_of(view))
    assert "Do not dig by this sheet: 6 errors on record." in said
    assert "line L1: Pipe lies above ground. Top of pipe above ground: by 0.42 in all." in said
    assert "site: Pipe lies above ground. Swapped: by 0.42 in all." in said
    assert "and 3 more, on the full sheet and the page." in said
    assert "answered for" not in said.lower()
    assert "Prove it first" not in said
