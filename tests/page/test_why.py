"""What all on a page rests on: the texts of `explain`, by list, click and chainage."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lateralline.explain import explain
from lateralline.explain.content import ToldSpot, compared, said
from lateralline.explain.things import tell
from lateralline.explain.whole import (
    MOST_PLACES,
    WholeSpot,
    explain_all,
    place_step,
    places_between,
)
from lateralline.page import document, reasons
from lateralline.record.rows import BandRow, FindingRow
from lateralline.record.view import read_record
from tests.support import chromium
from tests.support.pages import look, settle
from tests.support.pages import run as run_command
from tests.support.places import SAMPLES

needs_browser = pytest.mark.skipif(chromium.found() is None, reason="no Chromium on the PATH")
OPEN = "[...document.querySelectorAll('#why .spot[open]')].map((e) => e.textContent)"


@pytest.fixture(scope="session")
def slope(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with an exposure."""
    out = tmp_path_factory.mktemp("slope") / "out"
    run_command("build", SAMPLES / "slope-levels", "-o", out)
    return out / "asbuilt.gpkg"


def _ref(spot: WholeSpot) -> str:
    if spot.row is not None:
        return spot.row.cause
    return "site" if spot.meant.kind == "site" else f"{spot.meant.kind} {spot.meant.named}"


def test_each_spot_says_what_the_command_says_of_it(slope: Path) -> None:
    """No wording, figure or table of the page is its own; all agree with the record."""
    view = read_record(slope)
    spots = explain_all(view)
    kinds = {spot.meant.kind for spot in spots}
    assert kinds >= {"site", "line", "run", "segment", "stop", "node", "exposure", "place"}
    seen: set[str] = set()
    for spot in spots:
        told = ToldSpot()
        tell(view, spot.meant, told)
        if spot.meant.kind not in seen:  # the command, once of each kind
            seen.add(spot.meant.kind)
            asked = explain(slope, _ref(spot).removeprefix("place "))
            assert set(told.figures) == set(asked.figures), spot.title
            told.tables = list(asked.tables)
        assert set(spot.told.figures) <= set(told.figures), spot.title
        assert {t.title for t in spot.told.tables} <= {t.title for t in told.tables}, spot.title
        if spot.meant.kind != "site":
            assert set(spot.told.said) <= set(told.said), spot.title
        assert all(figure.agrees for figure in spot.told.figures), spot.title
        # and what the command says beyond that, the page says where it leads to
        beyond = {f for n in spot.leads for f in spots[n].told.figures}
        if spot.meant.kind != "finding":
            assert set(told.figures) <= set(spot.told.figures) | beyond, spot.title


def test_places_are_those_of_the_record_nearest_to_each_step(slope: Path, work: Path) -> None:
    for gpkg, site in ((slope, ""), (work / "out" / "asbuilt.gpkg", "QH-014")):
        view = read_record(gpkg, site)
        places, step = list(places_between(view)), place_step(view)
        assert step is not None
        assert len(places) <= MOST_PLACES
        for line in view.centrelines:
            held = np.array([b.chainage_m for b in view.rows(BandRow, line.line_id)])
            told = [at for of, at, _ in places if of == line.line_id]
            per = step * view.measure.metres
            for n in range(int(line.length_m / per) + 1):
                off = np.abs(held - n * per).min()
                assert np.abs(np.array(told) - n * per).min() == pytest.approx(off, abs=1e-9)
            assert max(told) == pytest.approx(line.length_m, abs=1e-6)
    # a crew that tapes in feet steps in feet
    assert all(said_at.endswith("ft") for _, _, said_at in places)


def test_a_page_of_many_stops_says_that_it_tells_no_reasons(
    slope: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    view = read_record(slope)
    sentence = "stops a page tells no reasons; lateralline explain tells each by its name"
    assert sentence not in document.document(view)
    monkeypatch.setattr(reasons, "MOST_EXPLAINED", 1)
    assert sentence in document.document(view)


@needs_browser
def test_a_chainage_typed_is_answered_by_the_nearest_place(tab: Any, work: Path) -> None:
    gpkg = work / "out" / "asbuilt.gpkg"
    places = [
        (at, s) for line, at, s in places_between(read_record(gpkg, "QH-022")) if line == "L1"
    ]
    look(tab, work / "page.html")
    assert tab.value(OPEN) == []
    tab.value(
        "document.getElementById('why-line').value = 'L1';"
        "const box = document.getElementById('why-at'); box.value = 9.7;"
        "box.dispatchEvent(new Event('change'));"
    )
    at, named = min(places, key=lambda place: abs(place[0] - 9.7))
    assert tab.value("document.getElementById('why-told').textContent") == (
        f"asked: line L1 at 9.70 m; told: {at:.2f} m, the nearest of the places told. "
        f"Place L1@{named}"
    )
    [opened] = tab.value(OPEN)
    assert opened.startswith(f"Place L1@{named}")
    told = explain(gpkg, f"L1@{named}", "QH-022")
    own = [f for f in told.figures if f.what.startswith(("invert", "ground", "cover"))]
    assert len(own) == 7
    for figure in own:
        for text in (f"{figure.what}: {said(figure.value)} m", figure.worked, compared(figure)):
            assert text in opened
    # the page leads on to the segment, whose shapes were weighed; a click into a table is none
    tab.value("document.querySelector('#why .spot[open] .leads button').click()")
    text = next(text for text in tab.value(OPEN) if text.startswith("Segment"))
    assert "Shapes weighed" in text
    assert "PAS 128" in text
    tab.value("document.querySelector('#why .spot[open] td').click()")
    # and says the same chainage in feet when those are chosen
    tab.value("document.querySelector('[data-unit=ft]').click()")
    assert "asked: line L1 at 31.82 ft" in tab.value(
        "document.getElementById('why-told').textContent"
    )


@needs_browser
def test_a_click_on_the_pipe_and_a_choice_lead_to_what_they_rest_on(tab: Any, work: Path) -> None:
    look(tab, work / "page.html")
    line = tab.value("JSON.parse(document.getElementById('data').textContent).lines[0]")
    stops = tab.value("[...glass.model('stops').data.chainage]")
    [free] = [c for c in np.arange(1.0, 22.0) if np.abs(np.array(stops) - c).min() > 1.0][:1]
    x, y = (np.interp(free, line["chainage"], line[axis]) for axis in "xy")
    tab.click(*tab.value(f"glass.at('plan', {x}, {y})"))
    title = "document.getElementById('chosen-title').textContent"
    tab.wait(f"{title}.startsWith('line L1 at ')")
    why = "document.getElementById('chosen-why')"
    assert tab.value(f"{why}.textContent").startswith("what it rests on: Place L1@")
    tab.value(f"{why}.click()")
    assert tab.value(OPEN)[0].startswith("Place L1@")
    time.sleep(0.4)
    tab.value("document.querySelector('tr[data-kind=stops][data-index=\"2\"] .pick').click()")
    assert tab.value(f"{why}.textContent") == "what it rests on: Stop R1/3"
    tab.value(f"{why}.click()")
    assert any(text.startswith("Stop R1/3") and "Marks" in text for text in tab.value(OPEN))
    tab.value("document.querySelector('#clear').click()")
    assert tab.value(f"{why}.hidden")
    # every line and every finding that asks something has its own
    tab.value("document.querySelectorAll('.lines [data-spot]')[1].click()")
    assert any(text.startswith("Line L2") for text in tab.value(OPEN))
    asking = [r for r in read_record(work / "out" / "asbuilt.gpkg", "QH-022").rows(FindingRow)
              if r.severity != "info"]  # fmt: skip
    buttons = "document.querySelectorAll('.findings [data-spot]')"
    assert tab.value(f"{buttons}.length") == len(asking) > 0
    tab.value(f"{buttons}[0].click()")
    opened = next(text for text in tab.value(OPEN) if "What it was found by" in text)
    assert "Goes on at" in opened
    assert settle(tab)
