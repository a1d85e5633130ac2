"""Pages as files: whole or not at all, nothing fetched, all text escaped, the caution first."""

from __future__ import annotations

import builtins
import csv
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from markupsafe import escape

from lateralline.errors import MissingExtraError, OutputExistsError, UnknownSiteError
from lateralline.measure import Measure
from lateralline.page import document, write_page, write_pages
from lateralline.page.places import NoClearanceError
from lateralline.page.signs import left_out, opening, switches
from lateralline.record.connections import NoConnectionsError
from lateralline.record.lineage import CAUTION
from lateralline.record.view import read_record
from lateralline.workspace import Workspace
from tests.support.command import built as built_sites
from tests.support.command import run
from tests.support.places import SAMPLES

EVIL = '</script><script>hit()</script><img src=x onerror="hit()">\'"&amp;{{7*7}}'
MakeSite = Callable[..., Any]


class Read(HTMLParser):
    """What a document is made of: elements, what they point to, and the text that is seen."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.targets: list[str] = []
        self.handlers: list[str] = []
        self.seen = ""
        self._inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self._inside = tag
        self.targets += [v or "" for k, v in attrs if k in ("src", "href", "action", "srcset")]
        self.handlers += [k for k, _ in attrs if k.startswith("on") or k == "style"]

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in ("script", "style"):
            self.seen += data


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A real site whose own words are markup, and a sketch without levels."""
    at = tmp_path_factory.mktemp("page")
    site = shutil.copytree(SAMPLES / "gnss-bend-branch", at / "site")
    toml = (site / "site.toml").read_text(encoding="utf-8")
    toml = re.sub(r"^name = .*$", f"name = '''{EVIL}'''", toml, flags=re.M)
    (site / "site.toml").write_text(toml, encoding="utf-8")
    seen = (site / "observations.csv").read_text(encoding="utf-8")
    quoted = EVIL.replace('"', '""')
    seen = seen.replace("crack across the crown", f'"{quoted}"')
    (site / "observations.csv").write_text(seen, encoding="utf-8")
    result = run("build", site, "-o", at / "out")
    assert result.exit_code == 0, result.output
    return at / "out"


def test_a_page_holds_all_it_needs_and_points_to_nothing(built: Path, tmp_path: Path) -> None:
    assert run("page", built, "-o", tmp_path / "page.html").exit_code == 0
    html = (tmp_path / "page.html").read_text(encoding="utf-8")
    read = Read(html)
    assert read.targets == ["data:,"]
    assert "default-src 'none'" in unescape(html)
    assert not re.search(r"@import|url\(", html[: html.index("</style>")])
    words = " ".join(read.seen.split())
    assert words.index(CAUTION) < words.index("surveyed")  # first of all that is read
    for part in ("one-call", "local codes", "by hand or vacuum", "licensed practice"):
        assert part in CAUTION


def test_every_kind_of_place_is_in_the_page_with_or_without_rows(
    built: Path, tmp_path: Path
) -> None:
    """The script looks them up by name, and stops where one is missing: no names, no choosing."""
    control = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="control_points")
    assert "QH-022" not in set(control.site_id)
    run("page", built, "--site", "QH-022", "-o", tmp_path / "page.html")
    text = unescape((tmp_path / "page.html").read_text(encoding="utf-8"))
    for kind in ("stops", "nodes", "seen", "marks", "control"):
        assert f'"name":"{kind}"' in text


def test_the_least_cover_stands_beside_its_bound(built: Path, tmp_path: Path) -> None:
    assert run("page", built, "-o", tmp_path / "page.html").exit_code == 0
    words = " ".join(Read((tmp_path / "page.html").read_text(encoding="utf-8")).seen.split())
    band = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="level_band")
    for _, of_line in band.groupby("line_id"):
        least, bound = of_line.cover_m.min(), of_line.cover_lower_95_m.min()
        assert f"least cover, as located{least:.2f} m" in words.replace("located ", "located")
        at_least = Measure("m").least(bound)  # never greater
        assert f"cover at least (95 %){at_least}" in words.replace("%) ", "%)")


def test_a_page_opens_on_all_control_or_says_what_is_left_out(
    sheets: Any, practice: dict[str, Path]
) -> None:
    """A far point would shrink the site to a speck: then it is named, with how far and where."""
    scene = read_record(practice["tape-ties"], "")
    control = scene.layers["control_points"]
    box = shapely.box(*opening(scene))
    assert box.covers(shapely.multipoints(np.asarray(control.geometry.array)))
    assert left_out(scene) == ""
    shapes = np.asarray(control.geometry.array).copy()
    shapes[0] = shapely.transform(shapes[0], lambda xy: xy - [0.0, 500.0])
    layers = {**scene.layers, "control_points": control.set_geometry(shapes)}
    far = replace(scene, layers=layers)
    x0, y0, x1, y1 = opening(far)
    assert max(x1 - x0, y1 - y0) < 3.1 * max(np.ptp(scene.box[::2]), np.ptp(scene.box[1::2]))
    line = scene.layers["pipe_centreline"].geometry.union_all()
    off = far.length_both(shapes[0].distance(line))
    said = f"{control['point'].iloc[0]}, {off} S of the pipe"
    assert left_out(far) == f"; outside the opening view: {said}"
    assert left_out(far) in "".join(s.label for s in switches(far))


def test_a_page_says_what_its_errors_are_and_has_one_kind(built: Path, tmp_path: Path) -> None:
    """The sheet's ± is 95 %: a page whose ± were one σ would be dug by twice too near."""
    assert run("page", built, "-o", tmp_path / "page.html").exit_code == 0
    html = (tmp_path / "page.html").read_text(encoding="utf-8")
    words = " ".join(Read(html).seen.split())
    assert not re.search(r"one σ|σ (?:east|north|of)", words)
    assert words.count("± 95 %") >= 3
    fix = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="transmitter_fixes").iloc[0]
    depth = f"{fix.transmitter_depth_m:.2f} ± {1.959964 * fix.transmitter_depth_sigma_m:.2f}"
    assert depth in words
    line = pyogrio.read_dataframe(built / "asbuilt.gpkg", layer="pipe_centreline").iloc[0]
    grade = f"{100 * line.gradient:.2f} ± {100 * 1.959964 * line.gradient_sigma:.2f} %"
    assert grade in words


def test_text_of_a_site_stays_text(built: Path, tmp_path: Path) -> None:
    assert run("page", built, "-o", tmp_path / "page.html", "--note", EVIL).exit_code == 0
    read = Read((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert read.seen.count(EVIL) >= 4  # title, heading, note, observation
    assert read.elements.count("script") == 3
    assert "img" not in read.elements
    assert read.handlers == []
    run("page", built, "-o", tmp_path / "pages", "--note", EVIL)
    index = Read((tmp_path / "pages" / "index.html").read_text(encoding="utf-8"))
    assert index.seen.count(EVIL) == 1  # the note; all else is data, which the script writes
    assert index.elements.count("script") == 2
    assert "img" not in index.elements
    assert CAUTION.removeprefix("No clearance to dig. ") in index.seen


def test_pages_of_a_folder_share_script_and_style_and_are_the_same_for_any_workers(
    make_site: MakeSite, tmp_path: Path
) -> None:
    ids = [f"EX-{n}" for n in range(20)]
    gpkg = built_sites(tmp_path / "out", *map(make_site, ids))
    sites = [(gpkg, site_id) for site_id in ids]
    for name, workers in (("one", 1), ("two", 2)):
        write_pages(sites, tmp_path / name, workers=workers)
    one, two = (
        {p.name: p.read_bytes() for p in (tmp_path / name).iterdir() if p.name != "manifest.json"}
        for name in ("one", "two")
    )
    assert one == two
    assert len(one) == 23
    page = Read(one["site-EX-3.html"].decode())
    beside = [t for t in page.targets if not t.startswith("data:")]
    assert beside == ["page.css", "index.html", "page.js"]
    assert page.elements.count("script") == 2
    assert len(one["site-EX-3.html"]) < 150_000 < len(one["page.js"])
    (nonce,) = set(re.findall(r"'nonce-(\S+)'", unescape(one["site-EX-3.html"].decode())))
    assert f'nonce="{nonce}"' in one["site-EX-3.html"].decode()
    assert nonce not in one["site-EX-4.html"].decode()  # of its own text: no text in it knows it


def test_equal_records_give_equal_pages(built: Path, tmp_path: Path) -> None:
    for name in ("a.html", "b.html"):
        write_page(Workspace(built).asbuilt, "", tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_nothing_is_replaced_unasked_and_all_or_nothing_is_written(
    make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpkg = built_sites(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    page, pages = tmp_path / "page.html", tmp_path / "pages"
    both = [(gpkg, "EX-1"), (gpkg, "EX-2")]

    def brief(scene: Any, note: str = "", generator: str = "", **_: Any) -> str:
        return f"{scene.site_id} {note} {generator}"

    def breaks(scene: Any, note: str = "", **_: Any) -> str:
        if scene.site_id == "EX-2":
            raise RuntimeError("cut off")
        return brief(scene, note)

    monkeypatch.setattr(document, "document", brief)  # what is in them is for other tests
    write_page(gpkg, "EX-1", page)
    write_pages(both, pages)
    before = {p.name: p.read_bytes() for p in (page, *pages.iterdir())}
    assert before.keys() == {
        "page.html", "index.html", "manifest.json", "page.css", "page.js", "site-EX-1.html",
        "site-EX-2.html",
    }  # fmt: skip
    with pytest.raises(OutputExistsError):
        write_page(gpkg, "EX-2", page)
    with pytest.raises(OutputExistsError):
        write_pages(both, pages)

    monkeypatch.setattr(document, "document", breaks)
    with pytest.raises(RuntimeError, match="cut off"):
        write_pages(both, pages, note="new", replace=True)
    with pytest.raises(RuntimeError, match="cut off"):
        write_pages(both, tmp_path / "never")
    with pytest.raises(RuntimeError, match="cut off"):
        write_page(gpkg, "EX-2", page, replace=True)
    assert {p.name: p.read_bytes() for p in (page, *pages.iterdir())} == before
    assert {p.name for p in tmp_path.iterdir()} == {"out", "page.html", "pages"}
    monkeypatch.setattr(document, "document", brief)

    write_pages(both[:1], pages, replace=True)
    assert {p.name for p in pages.iterdir()} == {
        "index.html", "manifest.json", "page.css", "page.js", "site-EX-1.html",
    }  # fmt: skip
    (pages / "site-notes.html").write_text("mine", encoding="utf-8")
    write_pages(both, pages, replace=True)
    assert (pages / "site-notes.html").read_text(encoding="utf-8") == "mine"
    with pytest.raises(OutputExistsError):
        write_pages(both, tmp_path / "out", replace=True)


def test_sites_are_chosen_and_slips_are_named(make_site: MakeSite, tmp_path: Path) -> None:
    gpkg = built_sites(tmp_path / "out", make_site("EX-1"), make_site("EX-2"))
    many = run("page", tmp_path / "out", "-o", tmp_path / "page.html")
    assert many.exit_code == 2
    assert "2 sites need a folder" in " ".join(many.output.split())
    absent = run("page", tmp_path / "out", "--site", "EX-3", "-o", tmp_path / "page.html")
    assert absent.exit_code == 2
    assert "EX-1, EX-2" in absent.output
    assert not (tmp_path / "page.html").exists()
    with pytest.raises(UnknownSiteError):
        write_page(gpkg, "EX-3", tmp_path / "page.html")
    one = run("page", tmp_path / "out", "--site", "EX-2", "-o", tmp_path / "page.html")
    assert one.exit_code == 0, one.output
    seen = Read((tmp_path / "page.html").read_text(encoding="utf-8")).seen
    assert "EX-2" in seen
    assert "EX-1" not in seen
    (tmp_path / "no.gpkg").write_text("nothing", encoding="utf-8")
    assert run("page", tmp_path / "no.gpkg", "-o", tmp_path / "x.html").exit_code == 2


def test_a_clearance_must_be_one_and_of_this_record(
    make_site: MakeSite, built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = SAMPLES / "planned-works" / "quarry-plan.geojson"
    near = run("clearance", built, plan, "--required", "0.3m", "-o", tmp_path / "near")
    assert near.exit_code == 1, near.output
    good = run("page", built, "--clearance", tmp_path / "near", "-o", tmp_path / "page.html")
    assert good.exit_code == 0, good.output
    read = Read((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "cable trench" in read.seen
    assert "No conflict shown is no clearance to dig" in " ".join(read.seen.split())

    wrong = run("page", built, "--clearance", built / "asbuilt.gpkg", "-o", tmp_path / "x.html")
    assert wrong.exit_code == 2
    assert "no output of lateralline clearance" in " ".join(wrong.output.split())
    elsewhere = built_sites(tmp_path / "out", make_site("EX-1", horizontal="EPSG:32618"))
    with pytest.raises(NoClearanceError, match="hold the plan against this record"):
        write_page(
            elsewhere, "EX-1", tmp_path / "x.html", clearance=tmp_path / "near" / "clearance.gpkg"
        )
    assert not (tmp_path / "x.html").exists()

    clearance = tmp_path / "near" / "clearance.gpkg"
    # In the CRS, but not what was looked at.
    same = built_sites(tmp_path / "same", make_site("EX-9"))
    with pytest.raises(NoClearanceError, match="another record"):
        write_page(same, "EX-9", tmp_path / "none.html", clearance=clearance)
    with pytest.raises(NoClearanceError, match="none of these records"):
        write_pages([(same, "EX-9")], tmp_path / "none", clearance=clearance)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    copy = shutil.copytree(built, tmp_path / "anew")
    run("build", SAMPLES / "gnss-bend-branch", "-o", copy, "--replace")
    with pytest.raises(NoClearanceError, match="built anew"):
        write_page(Workspace(copy).asbuilt, "QH-022", tmp_path / "x.html", clearance=clearance)
    entries = write_pages(
        [(Workspace(built).asbuilt, "QH-022"), (same, "EX-9")],
        tmp_path / "pages", clearance=clearance,
    )  # fmt: skip
    assert [e.conflicts is None for e in entries] == [False, True]
    assert entries[0].conflicts == conflicts_of(tmp_path / "near" / "clearance.csv")


def test_connections_to_mains_are_listed_and_of_this_record(
    make_site: MakeSite, built: Path, tmp_path: Path
) -> None:
    mains = SAMPLES / "register" / "quarry-mains.geojson"
    joined = run("connect", built, "--mains", mains, "--id-column", "main",
                 "--upstream-access", "from_access", "-o", tmp_path / "joined")  # fmt: skip
    assert joined.exit_code == 0, joined.output
    page = tmp_path / "page.html"
    done = run("page", built, "--connections", tmp_path / "joined", "-o", page)
    assert done.exit_code == 0, done.output
    text = page.read_text(encoding="utf-8")
    read = Read(text)
    assert "L1 → SM-4" in read.seen
    assert "no pipe is located. No clearance to dig." in " ".join(read.seen.split())
    (data,) = re.findall(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    (row,) = json.loads(data)["places"]["joined"]
    facts = {name: value for name, value, *_ in row["facts"]}
    table = (tmp_path / "joined" / "main_connections.csv").read_text(encoding="utf-8")
    (told,) = csv.DictReader(table.splitlines())
    assert facts["along the main"] == pytest.approx(float(told["chainage_m"]))
    assert (facts["main"], facts["from access"]) == ("SM-4", "MH-12")
    same = built_sites(tmp_path / "same", make_site("EX-9"))
    with pytest.raises(NoConnectionsError, match="connect again"):
        write_page(same, "EX-9", tmp_path / "no.html", connections=[tmp_path / "joined"])
    entries = write_pages(
        [(Workspace(built).asbuilt, "QH-022"), (same, "EX-9")],
        tmp_path / "pages", connections=[tmp_path / "joined"],
    )  # fmt: skip
    assert ["→ SM-4" in (tmp_path / "pages" / e.file).read_text("utf-8") for e in entries] == [
        True, False,
    ]  # fmt: skip


def conflicts_of(table: Path) -> int:
    return table.read_text(encoding="utf-8").count(",conflict,")


@pytest.mark.parametrize("sample", ["local-sketch", "tape-ties"])
def test_sites_without_levels_or_in_feet_have_pages(sample: str, tmp_path: Path) -> None:
    assert run("build", SAMPLES / sample, "-o", tmp_path / "out").exit_code == 0
    assert run("page", tmp_path / "out", "-o", tmp_path / "page.html").exit_code == 0
    html = (tmp_path / "page.html").read_text(encoding="utf-8")
    scene = read_record(tmp_path / "out" / "asbuilt.gpkg", "")
    assert ('"level":"elevation"' in html) == (sample == "tape-ties")
    assert f'data-unit="{scene.unit}" aria-pressed="true"' in html
    assert ("· sketch on invented axes ·" in html) == (sample == "local-sketch")  # as on the sheet
    depth = scene.layers["transmitter_fixes"]["transmitter_depth_m"].iloc[0]
    said = str(escape(scene.measure.bare(depth)))
    assert ("'" in scene.measure.bare(depth)) == (sample == "tape-ties")
    assert f">{said} ± " in html
    if sample == "tape-ties":  # a crew's own words may be asked for otherwise
        ran = run("page", tmp_path / "out", "-o", tmp_path / "metric.html", "--terms", "metric")
        assert ran.exit_code == 0
        html = (tmp_path / "metric.html").read_text(encoding="utf-8")
        assert '"level":"level"' in html
        assert '"along":"chainage"' in html


def test_without_bokeh_the_way_out_is_told(
    built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *arguments: Any, **named: Any) -> Any:
        if name.startswith("bokeh") or "document" in (arguments[2] or () if arguments[2:] else ()):
            raise ImportError(name)
        return real(name, *arguments, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtraError, match=r"lateralline\[page\]"):
        write_page(Workspace(built).asbuilt, "", tmp_path / "page.html")
    assert not (tmp_path / "page.html").exists()
