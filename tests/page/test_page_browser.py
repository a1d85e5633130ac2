"""The page in a real browser: what a reader does with pointer, keys and eyes.

Every test ends with the browser having complained of nothing and asked for nothing but the page.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import sqlite3
import subprocess
import time
from contextlib import closing
from hashlib import sha256
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from PIL import Image
from pyproj import Geod

from lateralline.overlay.run import at_least
from lateralline.page.places import Fact, fact_text
from lateralline.page.signs import PALETTE
from lateralline.record import CAUTION
from lateralline.wording import in_unit
from tests.support import chromium
from tests.support.pages import READY, look, run, settle

EVIL = '</script><script>window.hit=1</script><img src=x onerror="window.hit=1">\'"&amp;{{7*7}}'


pytestmark = pytest.mark.skipif(chromium.found() is None, reason="no Chromium on the PATH")


def click(tab: Any, drawing: str, x: float, y: float) -> None:
    tab.click(*tab.value(f"glass.at('{drawing}', {x}, {y})"))


def colour(tab: Any, drawing: str, x: float, y: float) -> tuple[int, ...]:
    place = tab.value(f"glass.at('{drawing}', {x}, {y})")
    picture = Image.open(io.BytesIO(settle(tab))).convert("RGB")
    return tuple(picture.getpixel((round(place[0]), round(place[1]))))


def rgb(role: str, dark: bool = False) -> tuple[int, ...]:
    return tuple(bytes.fromhex(PALETTE[role][dark][1:]))


def stop(tab: Any, index: int) -> dict[str, float]:
    columns = ("x", "y", "chainage", "level")
    take = ",".join(f"{c}: glass.model('stops').data.{c}[{index}]" for c in columns)
    found: dict[str, float] = tab.value(f"({{{take}}})")
    return found


def test_a_place_chosen_in_one_is_shown_in_all(tab: Any, work: Path) -> None:
    look(tab, work / "page.html")
    assert tab.value("glass.chosen() + glass.row()") == ""
    third = stop(tab, 2)
    assert colour(tab, "profile", third["chainage"], third["level"]) == rgb("fix")

    tab.value("document.querySelector('tr[data-kind=stops][data-index=\"2\"] .pick').click()")
    tab.wait("glass.chosen() === 'stops 2' && glass.row() === 'stops 2'")
    assert colour(tab, "plan", third["x"], third["y"]) == rgb("chosen")
    assert colour(tab, "profile", third["chainage"], third["level"]) == rgb("chosen")
    assert tab.value("document.getElementById('chosen-title').textContent") == "stop R1/3"

    eighth = stop(tab, 7)
    click(tab, "plan", eighth["x"], eighth["y"])
    tab.wait("glass.chosen() === 'stops 7' && glass.row() === 'stops 7'")
    assert colour(tab, "profile", third["chainage"], third["level"]) == rgb("fix")

    click(tab, "profile", third["chainage"], third["level"])
    tab.wait("glass.chosen() === 'stops 2' && glass.row() === 'stops 2'")
    assert colour(tab, "plan", third["x"], third["y"]) == rgb("chosen")

    branch = stop(tab, 10)  # of the other line: the profile turns to it
    click(tab, "plan", branch["x"], branch["y"])
    tab.wait("glass.row() === 'stops 10' && document.getElementById('line').value === 'L2'")
    assert colour(tab, "profile", branch["chainage"], branch["level"]) == rgb("chosen")


def test_pointing_at_a_stop_tells_values_with_95(tab: Any, work: Path) -> None:
    look(tab, work / "page.html")
    fixes = pyogrio.read_dataframe(
        work / "out" / "asbuilt.gpkg", "transmitter_fixes", where="site_id = 'QH-022'"
    )
    row, first = fixes.iloc[0], stop(tab, 0)
    for drawing, x, y in (
        ("plan", first["x"], first["y"]),
        ("profile", first["chainage"], first["level"]),
    ):
        tab.move(5, 5)
        tab.move(*tab.value(f"glass.at('{drawing}', {x}, {y})"))
        half = 1.959964 * row.transmitter_depth_sigma_m
        told = f"depth: {row.transmitter_depth_m:.2f} ± {half:.2f} m"
        tab.wait(f"document.getElementById('tip').innerText.includes({json.dumps(told)})")
        assert tab.value("document.getElementById('tip').innerText.includes('± 95 %')")


@pytest.mark.parametrize("switch", ["stops", "pipe", "zone", "labels"])
def test_a_switch_takes_its_signs_away_and_brings_them_back(
    tab: Any, work: Path, switch: str
) -> None:
    look(tab, work / "page.html")
    toggle = f"document.querySelector('[data-switch={switch}]').click()"
    on = settle(tab)
    tab.value(toggle)
    off = settle(tab)
    shown = [
        np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))[150:900, 60:800] for png in (on, off)
    ]  # the plan, not the box ticked
    assert (shown[0] != shown[1]).any(axis=2).sum() > 200
    tab.value(toggle)
    tab.wait(f"document.querySelector('[data-switch={switch}]').checked")
    assert settle(tab) == on


def test_a_finding_leads_to_its_place(tab: Any, work: Path) -> None:
    look(tab, work / "page.html")
    whole = tab.value("glass.range('plan')")
    found = "[...document.querySelectorAll('.jump')].find((b) => /near chainage/.test(b.innerText))"
    chainage = float(tab.value(f"{found}.innerText.match(/near chainage ([\\d.]+) m/)[1]"))
    tab.value(f"{found}.click()")
    west, east, south, north = tab.value("glass.range('plan')")
    assert east - west < (whole[1] - whole[0]) / 2
    line_id = tab.value(f"{found}.innerText.match(/line (L\\d)/)[1]")
    x, y = _drawn(work, line_id, chainage)
    assert (west + east) / 2 == pytest.approx(x, abs=0.05)
    assert (south + north) / 2 == pytest.approx(y, abs=0.05)
    left, right, _, _ = tab.value("glass.range('profile')")
    assert left < chainage < right
    assert right - left < 5.0
    assert tab.value("document.getElementById('line').value") == line_id
    # the worst findings come first, and one without a place shows the whole site again
    order = tab.value("[...document.querySelectorAll('.findings li')].map((li) => li.className)")
    assert order == sorted(order, key=("error", "warning", "info").index)
    tab.value(
        "[...document.querySelectorAll('.jump')].find("
        "(b) => b.querySelector('.subject').innerText === 'site').click()"
    )
    settle(tab)
    assert tab.value("glass.range('plan')") == pytest.approx(whole)


def _drawn(work: Path, line: str, chainage: float) -> tuple[float, float]:
    """Where a chainage is in the plan, m from its corner (467190, 4660970), by shapely."""
    lines = pyogrio.read_dataframe(
        work / "out" / "asbuilt.gpkg", "pipe_centreline", where="site_id = 'QH-022'"
    )
    row = lines[lines["line_id"] == line].iloc[0]
    at = row.geometry.interpolate(chainage / row.length_m, normalized=True)
    return at.x - 467190.0, at.y - 4660970.0


def _ground_length(work: Path, line: str) -> float:
    """Length of a written centreline on the ground, m: geodesics raised to its level, and z.

    The record's own 2-D coordinates are on a grid that is 409 ppm short of the ground.
    """
    lines = pyogrio.read_dataframe(
        work / "out" / "asbuilt.gpkg", "pipe_centreline", where="site_id = 'QH-022'"
    )
    path = lines[lines["line_id"] == line].iloc[[0]]
    z = shapely.get_coordinates(path.geometry.iloc[0], include_z=True)[:, 2]
    lon, lat = shapely.get_coordinates(path.to_crs(4326).geometry.iloc[0]).T
    _, _, steps = Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    raised = np.asarray(steps) * (1.0 + z.mean() / 6_371_000.0)
    return float(np.hypot(raised, np.diff(z)).sum())


def test_what_is_measured_is_the_length_of_the_pipe(tab: Any, work: Path) -> None:
    look(tab, work / "page.html")
    distance = "document.getElementById('distance').innerText"
    l1, l2 = _ground_length(work, "L1"), _ground_length(work, "L2")

    tab.value("document.getElementById('measure').click()")
    tab.value(
        "for (const [id, v] of [['from', 0], ['to', 99]]) {"
        " const box = document.getElementById(id); box.value = v;"
        " box.dispatchEvent(new Event('change')) }"
    )  # no farther than the located line goes
    told = tab.value(distance)
    assert float(re.match(r"([\d.]+) m along the pipe", told)[1]) == pytest.approx(l1, abs=0.011)
    assert re.search(r"plan position within [\d.]+ m \(95 %\)", told)

    for a, b in ((2.0, 7.5), (16.0, 11.0)):  # across the bend at 13.97 m the second time
        for name, chainage in (("A", a), ("B", b)):
            time.sleep(0.4)  # two taps sooner than that are a double tap, and so is a reader's
            click(tab, "plan", *_drawn(work, "L1", chainage))
            end = f"{distance}.split('\\n').at(-1)"
            tab.wait(f"{end}.startsWith('{name}: line L1')")
        told = tab.value(distance)
        assert float(told.split()[0]) == pytest.approx(abs(b - a), abs=0.12)  # a few pixels

    junction = pyogrio.read_dataframe(
        work / "out" / "asbuilt.gpkg", "pipe_nodes",
        where="site_id = 'QH-022' AND kind = 'junction' AND line_id = 'L1'",
    ).chainage_m.iloc[0]  # fmt: skip
    time.sleep(0.4)
    click(tab, "plan", *_drawn(work, "L2", l2))
    tab.wait(f"{distance}.startsWith('A: line L2')")
    time.sleep(0.4)
    click(tab, "plan", *_drawn(work, "L1", 0.0))
    tab.wait(f"/by way of L2, L1/.test({distance})")
    told = tab.value(distance)
    assert float(told.split()[0]) == pytest.approx(l2 + junction, abs=0.15)

    tab.value("document.querySelector('[data-unit=ft]').click()")
    feet = float(tab.value(distance).split()[0])
    assert feet * 0.3048 == pytest.approx(float(told.split()[0]), abs=0.01)
    tab.key("Escape")
    assert tab.value(distance) == ""


def test_light_and_dark(tab: Any, work: Path) -> None:
    look(tab, work / "page.html")
    first = stop(tab, 0)
    away = (first["x"] + 3.0, first["y"])
    assert colour(tab, "plan", *away) == rgb("paper")
    tab.value("document.getElementById('theme').click()")
    assert colour(tab, "plan", *away) == rgb("paper", dark=True)
    assert colour(tab, "plan", first["x"], first["y"]) == rgb("fix", dark=True)
    tab.value("document.querySelector('tr[data-kind=stops] .pick').click()")
    second = stop(tab, 1)
    assert colour(tab, "plan", second["x"], second["y"]) == rgb("fix", dark=True)
    tab.value("document.getElementById('theme').click()")
    assert colour(tab, "plan", second["x"], second["y"]) == rgb("fix")
    tab.prefer(prefers_color_scheme="dark")
    look(tab, work / "page.html")
    assert colour(tab, "plan", *away) == rgb("paper", dark=True)
    tab.ask("Emulation.setEmulatedMedia", media="print", features=[])
    assert tab.value("getComputedStyle(document.querySelector('.caution')).position") == "static"
    assert tab.value("document.querySelector('.caution').getBoundingClientRect().top") == 0
    tab.ask("Emulation.setEmulatedMedia", media="", features=[])


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on the PATH")
def test_every_printed_sheet_has_the_caution(tab: Any, work: Path, tmp_path: Path) -> None:
    look(tab, work / "works.html")
    printed = tab.ask("Page.printToPDF", printBackground=True, paperWidth=8.27, paperHeight=11.69)
    (tmp_path / "page.pdf").write_bytes(base64.b64decode(printed["data"]))
    told = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "page.pdf", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    sheets = told.stdout.split("\f")[:-1]
    assert len(sheets) > 2
    for sheet in sheets:
        assert "No clearance to dig" in sheet
    assert CAUTION in " ".join(sheets[0].split())
    assert "fence post 3 · L2" in told.stdout  # tables are printed to their ends


@pytest.mark.parametrize("page", ["works.html", "pages/index.html", "pages/site-QH-014.html"])
def test_a_phone_scrolls_one_way_only(tab: Any, work: Path, page: str) -> None:
    tab.size(390, 844, phone=True)
    tab.open(work / page, READY)
    if "index" not in page:
        settle(tab)
        tab.value("document.getElementById('measure').click()")
        tab.value("document.getElementById('next').click()")
    assert tab.value("document.documentElement.scrollWidth") == 390
    assert tab.value("innerWidth") == 390
    wide = "[...document.querySelectorAll('body *')].filter((e) => !e.closest('.scroll') && "
    assert tab.value(f"{wide}e.getBoundingClientRect().right > 391).map((e) => e.className)") == []
    assert tab.value("document.querySelector('.caution').getBoundingClientRect().top") == 0


def test_lengths_in_findings_and_advice_obey_the_unit_chosen(tab: Any, work: Path) -> None:
    """And what is no length stays as it is, whatever the unit."""
    html = (work / "works.html").read_text(encoding="utf-8")
    prose = [unescape(text) for text in re.findall(r'data-prose="([^"]*)"', html)]
    assert sum("\xa0m" in text for text in prose) >= 3
    assert any("→" in text and "\xa0m" in text for text in prose)
    look(tab, work / "works.html")
    cells = "[...document.querySelectorAll('[data-prose]')].map((c) => c.textContent)"
    for unit in ("m", "ft", "m"):
        tab.value(f"document.querySelector('[data-unit={unit}]').click()")
        assert tab.value(cells) == [in_unit(text, unit) for text in prose]


def test_what_a_stop_rests_on_cites_what_is_listed(tab: Any, work: Path) -> None:
    """Every figure and table of a stop ends in numbers of the sources below, as the text has it."""
    tab.open(work / "page.html")
    whole = tab.value("document.getElementById('why').textContent")
    figures, sources = (
        tab.value(f"[...document.querySelectorAll('{each}')].map((e) => e.textContent)")
        for each in ("#why details li", "#why > ul li")
    )
    assert [int(source.partition("]")[0][1:]) for source in sources] == [
        *range(1, len(sources) + 1)
    ]
    assert any("field of a point dipole" in source for source in sources)
    assert any("marks.csv, SHA-256" in source for source in sources)
    for figure in figures:
        cites = [int(n) for n in re.findall(r"\[(\d+)\]", figure.rpartition(". From ")[2])]
        assert cites, figure
        assert max(cites) <= len(sources)
    assert "95 of 100 differ by less than" in whole
    assert "a pencil takes two marks as exact" in whole
    assert "undefined" not in whole


def test_python_and_the_script_say_the_same_in_metres_and_feet(tab: Any, work: Path) -> None:
    html = (work / "works.html").read_text(encoding="utf-8")
    written = re.findall(r"data-fact='([^']*)'( data-with-unit)?>([^<]*)<", html)
    assert len(written) > 60
    look(tab, work / "works.html")
    cells = "[...document.querySelectorAll('[data-fact]')].map((c) => c.textContent)"
    assert tab.value(cells) == [unescape(text) for _, _, text in written]
    tab.value("document.querySelector('[data-unit=ft]').click()")
    facts = [Fact("", *json.loads(fact)) for fact, _, _ in written]
    units = [bool(unit) for _, unit, _ in written]
    expected = [fact_text(f, "ft", with_unit=u) for f, u in zip(facts, units, strict=True)]
    for script, python in zip(tab.value(cells), expected, strict=True):
        if script != python:  # halves may be rounded either way
            numbers = [re.findall(r"-?[\d.]+", text) for text in (script, python)]
            assert np.allclose(*(np.array(n, dtype=float) for n in numbers), atol=0.0101)


def test_feet_and_inches_are_those_of_python_and_axes_speak_the_words_of_the_site(
    tab: Any, work: Path
) -> None:
    page = work / "pages" / "site-QH-014.html"
    html = page.read_text(encoding="utf-8")
    written = [
        unescape(text) for text in re.findall(r"data-fact='[^']*'(?: [\w-]+)?>([^<]*)<", html)
    ]
    assert sum('"' in text for text in written) > 20
    look(tab, page)
    cells = "[...document.querySelectorAll('[data-fact]')].map((c) => c.textContent)"
    assert tab.value(cells) == written
    tab.value("document.querySelector('[data-unit=m]').click()")
    assert not any('"' in text for text in tab.value(cells))
    tab.value("document.querySelector('[data-unit=ft]').click()")
    assert tab.value(cells) == written
    label = "Bokeh.documents[0].roots()[1].below[0].axis_label"
    assert tab.value(label) == "station, ft, from the downstream end (← flow)"


def test_planned_works_are_drawn_listed_and_found(tab: Any, work: Path) -> None:
    look(tab, work / "works.html")
    with (work / "near" / "clearance.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    told = tab.value(
        "[...document.querySelectorAll('#table-works tbody tr')].map((r) => "
        "[...r.children].map((c) => c.innerText.trim()))"
    )
    assert [cells[:5] for cells in told] == [
        [
            f"{r['work_name']} · {r['line_id']}",
            "✖ conflict" if r["verdict"] == "conflict" else "no conflict shown",
            f"{float(r['separation_m']):.2f}",
            at_least(float(r["separation_lower_95_m"] or "nan")),
            f"{float(r['required_m']):.2f}",
        ]
        for r in rows
    ]
    for row, text in zip(rows, (cells[5] for cells in told), strict=True):
        known = row["probability_below_required"]
        if not known:
            assert text == "not known"
        elif text[0] in "<>":
            assert float(known) < 0.001 if text[0] == "<" else float(known) > 0.999
        else:
            assert float(text.removesuffix(" %")) / 100 == pytest.approx(float(known), abs=6e-4)

    at = next(i for i, r in enumerate(rows) if r["line_id"] == "L2" and r["verdict"] == "conflict")
    tab.value("document.querySelector('#table-works .pick').click()")
    tab.value(f"document.querySelectorAll('#table-works .pick')[{at}].click()")
    tab.wait(f"glass.model('works').selected.indices[0] === {at}")
    assert tab.value("document.getElementById('line').value") == "L2"
    ends = ("x", "y", "axis_x", "axis_y", "level", "axis_level")
    lengths = ("separation_m", "outside_diameter_m", "pipe_axis_level_m", "pipe_axis_depth_m")
    columns = ("x", "y", "chainage", "level", "axis_x", "axis_y")
    place = [tab.value(f"glass.model('works').data.{c}[{at}]") for c in columns]
    assert colour(tab, "plan", place[0], place[1]) in (rgb("ink"), rgb("chosen"))
    assert place[4:] == pytest.approx(_drawn(work, "L2", float(rows[at]["chainage_m"])), abs=0.02)
    left, right, low, high = tab.value("glass.range('profile')")
    assert left < place[2] < right
    assert low < place[3] < high
    # in plan and level together, each line is as long as the separation and the pipe's radius
    drawn = {c: np.array(tab.value(f"[...glass.model('works').data.{c}]")) for c in ends}
    off = np.hypot(drawn["x"] - drawn["axis_x"], drawn["y"] - drawn["axis_y"])
    long = np.hypot(off, drawn["level"] - drawn["axis_level"])
    number = {c: np.array([float(r[c]) for r in rows]) for c in lengths}
    assert long == pytest.approx(
        number["separation_m"] + number["outside_diameter_m"] / 2, abs=0.002
    )
    # and the bottom of a trench above the pipe is drawn its planned depth below the ground
    ground = number["pipe_axis_level_m"] + number["pipe_axis_depth_m"]
    trench = [r["kind"] for r in rows].index("trench")
    works = pyogrio.read_dataframe(work / "near" / "clearance.gpkg", layer="planned_works")
    depth = works[works["kind"] == "trench"].depth_m.iloc[0]
    assert ground[trench] - drawn["level"][trench] == pytest.approx(depth, abs=0.02)
    before = settle(tab)
    tab.value("document.querySelector('[data-switch=works]').click()")
    assert settle(tab) != before


def poison(gpkg: Path, record: str) -> int:
    """Put markup into every text that is no key, number or listed value; count the columns.

    A clearance becomes one of `record`, the SHA-256 of a GeoPackage.
    """
    spared = {"site_id", "kind", "status", "severity", "defect_severity", "shape", "zone",
              "placed_by", "method", "level_datum", "topic", "item", "verdict",
              "levels_by"}  # fmt: skip
    count = 0
    with closing(sqlite3.connect(gpkg)) as db, db:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            db.create_function(name, 1, lambda _: 0)
        tables = db.execute("SELECT table_name FROM gpkg_contents").fetchall()
        for (table,) in tables:
            for _, column, kind, *_ in db.execute(f"PRAGMA table_info('{table}')").fetchall():
                if kind.startswith("TEXT") and column not in spared:
                    keep = "topic IN ('crs', 'parameter')" if table == "lineage" else "0"
                    db.execute(
                        f'UPDATE "{table}" SET "{column}" = "{column}" || ? WHERE NOT ({keep})',
                        (EVIL,),
                    )
                    count += 1
                if column == "record_sha256":
                    db.execute(f'UPDATE "{table}" SET "{column}" = ?', (record,))
    return count


def test_whatever_a_site_says_is_text_and_nothing_else(
    tab: Any, work: Path, tmp_path: Path
) -> None:
    for name, source in (("asbuilt", work / "out"), ("clearance", work / "near")):
        (tmp_path / f"{name}.gpkg").write_bytes((source / f"{name}.gpkg").read_bytes())
        record = sha256((tmp_path / "asbuilt.gpkg").read_bytes()).hexdigest()
        assert poison(tmp_path / f"{name}.gpkg", record) > 10
    run(
        "page", tmp_path / "asbuilt.gpkg", "--site", "QH-022",
        "--clearance", tmp_path / "clearance.gpkg",
        "-o", tmp_path / "evil.html", "--note", EVIL,
    )  # fmt: skip
    look(tab, tmp_path / "evil.html")
    tab.value("document.querySelector('#table-stops .pick').click()")
    first = stop(tab, 0)
    tab.move(*tab.value(f"glass.at('plan', {first['x']}, {first['y']})"))
    tab.wait(f"document.getElementById('tip').innerText.includes({json.dumps(EVIL)})")
    assert tab.value("document.body.innerText").count(EVIL) > 40
    assert tab.value("[window.hit, document.images.length, document.scripts.length]") == [
        None, 0, 3,
    ]  # fmt: skip
    assert "49" not in tab.value("document.querySelector('.note').innerText")
    run("page", tmp_path / "asbuilt.gpkg", "-o", tmp_path / "pages", "--note", EVIL)
    tab.open(tmp_path / "pages" / "index.html", READY)
    assert tab.value("document.querySelector('.note').innerText") == EVIL
    assert tab.value("document.querySelector('tbody').innerText").count(EVIL) > 4
    assert tab.value("[window.hit, document.images.length]") == [None, 0]


@pytest.mark.parametrize("wide", [1300, 1100, 1000, 390])
def test_no_column_of_a_table_is_cut(tab: Any, work: Path, wide: int) -> None:
    """The last column, a stop's status or a node's bend, is in sight at every width."""
    tab.size(wide, 900, phone=wide < 500)
    look(tab, work / "works.html")
    cut = tab.value(
        "[...document.querySelectorAll('.table .scroll')]"
        ".map((e) => [e.querySelector('table').id, e.scrollWidth - e.clientWidth])"
    )
    assert {"table-stops", "table-nodes"} <= {name for name, _ in cut}
    assert [name for name, by in cut if by > 0] == []
