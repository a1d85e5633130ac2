"""The index in a real browser: a map of all lines, and a search that answers at once."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lateralline.page.index import IndexEntry, index_lines, index_page
from lateralline.page.signs import PALETTE
from lateralline.record import CAUTION
from lateralline.units import METRES_PER
from tests.support import chromium
from tests.support.pages import READY, settle

pytestmark = pytest.mark.skipif(chromium.found() is None, reason="no Chromium on the PATH")

SEARCH = """
(() => {
  const box = document.getElementById("search");
  box.value = %s;
  box.dispatchEvent(new Event("input"));
  return [document.getElementById("count").textContent,
          [...document.querySelectorAll("tbody a")].map((a) => a.getAttribute("href"))];
})()
"""
#: Sites, and lines of each: 20,000 lines.
SITES, EACH = 5_000, 4


def search(tab: Any, text: str) -> tuple[str, list[str]]:
    """Return what is told and linked in the same turn of the script as the typing: at once."""
    said, links = tab.value(SEARCH % json.dumps(text))
    return said, links


@pytest.fixture(scope="module")
def city(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An index of 20,000 lines in a square of some kilometres, a line every 40 m."""
    rng = np.random.default_rng(16)
    entries = [
        IndexEntry(f"site-S-{s:04d}.html", f"S-{s:04d}", f"Invented yard {s}", "2026-05-06", "city",
                   tuple(f"L{n + 1}" for n in range(EACH)), 80.0, "m", int(s % 50 == 0), 0, None)
        for s in range(SITES)
    ]  # fmt: skip
    off = rng.choice([0.1, 0.2, 0.5, 0.9], SITES * EACH).tolist()
    at = [(4000 * (n % 140) // 10, 4000 * (n // 140) // 10) for n in range(SITES * EACH)]
    lines: dict[str, list[object]] = {
        "site": [n // EACH for n in range(SITES * EACH)],
        "line": [f"L{n % EACH + 1}" for n in range(SITES * EACH)],
        "asset": [f"A{100_000 + n}" for n in range(SITES * EACH)],
        "length": [20.0] * (SITES * EACH),
        "off": [None, *off[1:]],
        "path": [None, *([x, y, 120, 50, 60, -90] for x, y in at[1:])],
    }
    page = tmp_path_factory.mktemp("city") / "index.html"
    page.write_text(index_page(entries, lines), encoding="utf-8")
    assert page.stat().st_size < 3_000_000
    return page


def test_a_search_of_twenty_thousand_lines_answers_at_once(tab: Any, city: Path) -> None:
    tab.open(city, READY)
    assert CAUTION.removeprefix("No clearance to dig. ") in tab.value("document.body.innerText")
    said, links = search(tab, "")
    assert said == "20000 of 20000 found, the first 100 listed"
    assert len(links) == 100
    assert search(tab, "a112345") == ("1 of 20000 found", ["site-S-3086.html#L2"])
    assert search(tab, "s-4321 L3") == ("1 of 20000 found", ["site-S-4321.html#L3"])
    assert search(tab, "s-4999")[0] == "4 of 20000 found"
    assert search(tab, "error")[0].startswith("400 of 20000 found")
    assert search(tab, "nowhere") == ("0 of 20000 found", [])
    search(tab, "yard 7")
    tab.value("document.getElementById('more').click()")
    assert tab.value("document.querySelectorAll('tbody tr').length") == 200


def colours(tab: Any) -> dict[str, int]:
    """Return how many pixels of the map have the colour of each role."""
    box = tab.value("(({x, y, width: w, height: h}) => [x + 2, y + 2, x + w - 2, y + h - 2])"
                    "(document.getElementById('map').getBoundingClientRect())")  # fmt: skip
    picture = np.asarray(
        Image.open(io.BytesIO(settle(tab))).convert("RGB").crop([round(v) for v in box])
    )
    return {
        role: int((picture == tuple(bytes.fromhex(light[1:]))).all(axis=2).sum())
        for role, (light, _) in PALETTE.items()
    }


def test_the_map_shows_what_is_found_and_what_is_picked(tab: Any, city: Path) -> None:
    tab.open(city, READY)
    whole = colours(tab)
    for role in ("pipe", "measured", "zone_edge", "warn"):  # a class of ± each
        assert whole[role] > 1000
    assert whole["grid"] == whole["chosen"] == 0
    search(tab, "a112345")
    one = colours(tab)
    assert one["grid"] > 10 * sum(one[r] for r in ("pipe", "measured", "zone_edge", "warn"))
    bar = tab.value("document.getElementById('scale-length').textContent")
    tab.value("document.querySelector('tbody button').click()")
    near = colours(tab)
    assert near["chosen"] > 500
    assert tab.value("document.getElementById('scale-length').textContent") != bar
    told = tab.value("document.getElementById('picked').textContent")
    assert told.startswith("Chosen: S-3086 line L2, asset A112345, 20.00 m long, position ± ")
    # away from a line nothing is picked; on its bend, 3 m east and 4.5 m north of its middle, it is
    x, y, w, h = tab.value("(({x, y, width, height}) => [x, y, width, height])"
                           "(document.getElementById('map').getBoundingClientRect())")  # fmt: skip
    tab.click(x + 30, y + 30)
    tab.wait("document.getElementById('picked').textContent === ''")
    pixels = min(w, h) / 40.0  # of a metre: no closer than 40 m across
    tab.click(x + w / 2 + 3.0 * pixels, y + h / 2 - 4.5 * pixels)
    tab.wait(f"document.getElementById('picked').textContent === {json.dumps(told)}")
    tab.value("document.querySelector('#by').value = 'findings';"
              "document.querySelector('#by').dispatchEvent(new Event('change'))")  # fmt: skip
    assert tab.value("document.getElementById('legend').innerText").split("\n") == [
        "no errors, no warnings", "warnings", "errors",
    ]  # fmt: skip


def test_the_map_goes_by_keys(tab: Any, city: Path) -> None:
    tab.open(city, READY)
    bar = "document.getElementById('scale-length').textContent"
    tab.value("document.getElementById('map').focus()")
    tab.key("0")  # a key shows where the focus is
    before, first = tab.value(bar), settle(tab)
    for _ in range(4):
        tab.key("+")
    tab.wait(f"{bar} !== {json.dumps(before)}")
    closer = settle(tab)
    tab.key("ArrowRight")
    assert settle(tab) != closer
    tab.key("0")
    tab.wait(f"{bar} === {json.dumps(before)}")
    assert settle(tab) == first


def test_rows_lead_to_the_line_on_its_page(tab: Any, work: Path) -> None:
    tab.open(work / "pages" / "index.html", READY)
    said, links = search(tab, "quarry 22")
    assert (said, links) == ("2 of 3 found", ["site-QH-022.html#L1", "site-QH-022.html#L2"])
    assert search(tab, "QUARRY")[0] == "3 of 3 found"
    tab.open(work / "pages" / "site-QH-022.html", READY)
    assert tab.value("document.getElementById('line').value") == "L1"
    tab.value("location.hash = '#L2'; location.reload()")
    tab.wait(
        f"location.hash === '#L2' && {READY} && document.getElementById('line').value === 'L2'"
    )


def test_lines_lie_where_they_are(work: Path) -> None:
    """Lines of different CRS stand side by side; lengths are kept, and so is what lies where."""
    gpkg = work / "out" / "asbuilt.gpkg"
    sites = [(gpkg, "QH-014"), (gpkg, "QH-022")]
    lines = index_lines(sites, "ft")
    assert lines["site"] == [0, 1, 1]
    assert lines["line"] == ["L1", "L1", "L2"]
    for path, length in zip(lines["path"], lines["length"], strict=True):
        assert isinstance(path, list)
        steps = np.array(path[2:]).reshape(-1, 2)
        plan_m = 0.1 * np.hypot(*steps.T).sum()
        assert plan_m == pytest.approx(length * METRES_PER["ft"], abs=0.4)
