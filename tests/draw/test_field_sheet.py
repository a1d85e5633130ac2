"""A blank sheet to write on: the contract's columns, on A4 and letter, in black and grey.

Paper sizes: ISO 216 (A4 210 × 297 mm) and ANSI/ASME Y14.1 (letter 8½ × 11 in), both from memory.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import replace
from itertools import chain, pairwise
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from lateralline import contract
from lateralline.cli import app
from lateralline.draw.field_sheet import Blank, field_sheet_pages
from lateralline.draw.kerb_sheet import kerb_sheet_pages, marks_over
from lateralline.draw.paper import OFFICE_PAPERS, paper_size
from lateralline.draw.ruled_page import Page, draw_field_sheet, fitted_pt
from lateralline.errors import MissingExtraError, OutputExistsError
from lateralline.ingest.cells import accept, row_model
from tests.support.places import SAMPLES

BOTH = (field_sheet_pages, kerb_sheet_pages)
KEYS = ("tape", "level", "depth", "counter", "pipe")
FEET, METRES = dict.fromkeys(KEYS, "ft"), dict.fromkeys(KEYS, "m")
SOME = [
    Blank(FEET),
    Blank(METRES, gnss=True, stops=7),
    Blank(
        dict.fromkeys(KEYS, "us-ft"),
        settings={
            "site": [{"id": "A-VERY-LONG-ID-0123456789", "name": "n" * 90, "surveyor": "s" * 60}],
            "run": [{"id": f"R{n}", "line": "L1", "entry": "E" * 40} for n in range(1, 5)],
            "pipe": [{"line": "L1", "nominal": "4 in SDR35"}] * 3,
        },
        control=[{"point": f"P{n}", "x": "2267000.024", "y": "888500.027"} for n in range(40)],
    ),
]


def run(*arguments: object) -> str:
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def said(page: Page) -> str:
    return " ".join(w.text for w in page.words)


def titles(pages: list[Page]) -> set[str]:
    """Everything written on pages; of headings, two lines of one column as one."""
    words = [w for page in pages for w in page.words]
    by_column: dict[float, list[str]] = {}
    for w in words:
        by_column.setdefault(w.x, []).append(w.text.partition(" [")[0])
    pairs = {" ".join(two) for lines in by_column.values() for two in pairwise(lines)}
    return {w.text.partition(" [")[0] for w in words} | pairs


#: What each column is called on paper that is not called there as in the contract, lower case.
ON_PAPER = {
    "metal": "metal nearby",
    "x": "easting or longitude", "y": "northing or latitude", "z": "ground level",
    "sigma_h": "± in plan (1 σ)", "sigma_v": "± in level (1 σ)", "sigma": "± (1 σ)",
    "method": "how measured", "base_from": "from point", "base_to": "to point", "tilt_deg": "tilt",
    "base_distance": "along baseline", "base_offset": "right of baseline",
    "polar_distance": "distance from point", "polar_azimuth_deg": "azimuth",
    "id": "run", "joins": "joins line", "flow": "with or against flow", "nominal": "nominal size",
    "transmitter_lag": "transmitter behind face", "ride_height": "transmitter above invert",
}  # fmt: skip


def heading(name: str) -> str:
    return ON_PAPER.get(name, name.replace("_", " "))


@pytest.mark.parametrize("paper", OFFICE_PAPERS)
@pytest.mark.parametrize("blank", SOME)
def test_there_is_room_to_write_and_nothing_leaves_the_paper(blank: Blank, paper: str) -> None:
    """Rows of 7 mm at the least, wide enough to write in, 8 mm from every edge, none on another."""
    for page in field_sheet_pages(blank, paper) + kerb_sheet_pages(blank, paper):
        assert (page.width, page.height) == paper_size(paper, wide=True)
        for c in page.cells:
            assert c.height >= 7
            assert c.width >= 8
            assert c.x >= 8
            assert c.y >= 8
            assert c.x + c.width <= page.width - 8 + 1e-6
            assert c.y + c.height <= page.height - 8
        for r in page.rules:
            assert 8 <= min(r.x0, r.x1) <= max(r.x0, r.x1) <= page.width - 8
            assert 8 <= min(r.y0, r.y1) <= max(r.y0, r.y1) <= page.height - 8
        by_place = sorted(page.cells, key=lambda c: (c.y, c.x))
        for n, c in enumerate(by_place):
            for other in by_place[n + 1 :]:
                across = min(c.x + c.width, other.x + other.width) - max(c.x, other.x)
                down = min(c.y + c.height, other.y + other.height) - max(c.y, other.y)
                assert min(across, down) <= 1e-6, (c, other)


@pytest.mark.parametrize("paper", OFFICE_PAPERS)
def test_words_keep_to_their_room_and_can_be_read(paper: str) -> None:
    """No letter smaller than 5.5 pt, except where what was given is longer than any cell."""
    of_both = [make(some, paper) for make in BOTH for some in SOME[:2]]
    for page in chain.from_iterable(of_both):
        for words in page.words:
            assert fitted_pt(words) >= 5.5, words


@pytest.mark.parametrize("paper", OFFICE_PAPERS)
def test_headings_and_cautions_stay_clear_of_the_cells(paper: str) -> None:
    for blank in SOME:
        for page in field_sheet_pages(blank, paper) + kerb_sheet_pages(blank, paper):
            lowest = max((c.y + c.height for c in page.cells), default=0.0)
            grid = max(max(r.y0, r.y1) for r in page.rules)
            caution = next(w for w in page.words if w.text.startswith("No clearance to dig"))
            assert caution.y - 1.5 > max(lowest, grid)


@pytest.mark.parametrize("blank", SOME)
def test_every_page_says_it_is_no_clearance_to_dig(blank: Blank) -> None:
    pages = field_sheet_pages(blank, "A4")
    for n, page in enumerate(pages, start=1):
        for words in ("No clearance to dig", "one-call", "hand or vacuum", "licensed practice"):
            assert words in said(page)
        assert f"page {n} of {len(pages)}" in said(page)


@pytest.mark.parametrize("blank", SOME[:2])
def test_the_kerb_has_two_pages_a_row_a_stop_and_says_it_is_no_clearance(blank: Blank) -> None:
    front, stops = kerb_sheet_pages(blank, "letter")
    assert [
        words for words in ("No clearance to dig", "one-call") if words not in said(front)
    ] == []
    assert "hand or vacuum" in said(stops)
    assert len(kerb_sheet_pages(replace(blank, stops=13), "A4")) == 3
    rows = {w.text for w in stops.words if w.text.isdigit()}
    assert rows >= {str(n) for n in range(1, blank.stops + 1)}


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0, -15.0])
def test_marks_are_drawn_where_the_field_of_a_dipole_has_them(tilt_deg: float) -> None:
    """The field 3 (m·r) r/r⁵ − m/r³ one depth above, in its own words: upright, flat, strongest."""
    t = np.radians(tilt_deg)
    m = np.array([np.cos(t), np.sin(t)])

    def field(x: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        r = np.array([x, 1.0])
        return 3 * (m @ r) * r / np.linalg.norm(r) ** 5 - m / np.linalg.norm(r) ** 3

    ahead, mid, peak, behind = marks_over(tilt_deg)
    assert behind < mid < ahead
    assert [field(ahead)[0], field(behind)[0], field(mid)[1]] == pytest.approx([0, 0, 0], abs=1e-12)
    there = np.linspace(-1.0, 1.0, 401)
    strengths = [float(np.linalg.norm(field(x))) for x in there]
    assert peak == pytest.approx(there[int(np.argmax(strengths))], abs=0.03)


def test_columns_are_those_of_the_contract_in_words() -> None:
    """Every column of stops, control (but of a map) and observations; of others those of the way.

    The day and who surveyed stand in the head.
    """
    in_the_head = ("surveyed", "surveyor")
    taped, gnss = (titles(field_sheet_pages(b, "A4")) for b in SOME[:2])
    for table in ("stops", "control", "observations"):
        for name in (n for n in contract.load(table).names if not n.startswith("map_")):
            at = "level" if (table, name) == ("control", "z") else heading(name)
            assert at in taped & gnss, name
    for name in (*contract.load("marks").names, *contract.load("exposures").names):
        assert name in in_the_head or heading(name) in taped | gnss, name
    for section in ("run", "pipe", "branch"):
        for c in contract.load("site").field:
            if c.section == section and c.name not in in_the_head:
                at = "branch" if (section, c.name) == ("branch", "line") else heading(c.name)
                assert at in taped, c.name


@pytest.mark.parametrize("paper", OFFICE_PAPERS)
@pytest.mark.parametrize("blank", SOME)
def test_no_code_name_stands_on_paper(blank: Blank, paper: str) -> None:
    """Names with underscores are for files; what is written by hand is read without them."""
    for page in field_sheet_pages(replace(blank, settings={}, control=()), paper):
        assert "_" not in said(page).replace("_" * 8, "")


def test_what_may_be_written_is_printed_beside_the_table() -> None:
    """In words that the reader takes for the values: `outside top`, `with`."""
    pages = field_sheet_pages(SOME[0], "A4")
    for table, section, name, page in (
        ("site", "run", "flow", 0), ("site", "pipe", "service", 0), ("site", "pipe", "bends", 0),
        ("exposures", "", "measured_to", -1), ("marks", "", "kind", 1), ("marks", "", "method", 1),
        ("marks", "", "side", 1),
    ):  # fmt: skip
        values = contract.load(table).column(name, section).enum
        model = row_model(table, section)
        for value in values:
            assert value.replace("_", " ") in said(pages[page])
            assert accept(model, {name: value.replace("_", " ")}) == ({name: value}, frozenset())


def test_branches_that_are_known_stand_in_their_own_table() -> None:
    branches = [{"line": "L7", "joins": "L1", "at_counter": "2.4", "run": "R1"}] * 3
    pages = field_sheet_pages(Blank(METRES, settings={"branch": branches}), "letter")
    words = [w.text for w in pages[0].words]
    assert "branches" in words
    assert words.count("L7") == words.count("2.4") == 3


def test_a_taped_sheet_asks_for_tapes_and_a_gnss_sheet_for_coordinates() -> None:
    taped, gnss = (field_sheet_pages(b, "A4")[2] for b in SOME[:2])
    assert {heading(n) for n in ("base_distance", "base_offset")} <= titles([taped])
    assert {"ties", "side"} <= titles([taped])
    assert not {heading("x"), heading("y")} & titles([taped])
    assert {heading(n) for n in ("x", "y", "z", "sigma_h")} <= titles([gnss])
    assert "ties" not in titles([gnss])


def test_units_stand_under_the_titles() -> None:
    for blank, unit in ((SOME[0], "ft"), (SOME[1], "m"), (SOME[2], "us-ft")):
        page = field_sheet_pages(blank, "A4")[-2]
        assert f"counter [{unit}]" in said(page)
        assert "tilt [deg]" in said(page)
        assert f"depth reading [{unit}]" in said(page)
    taped = field_sheet_pages(SOME[0], "A4")[2]
    along = next(w for w in taped.words if w.text == "baseline")
    assert any(w.text == "[ft]" and w.x == along.x and 0 < w.y - along.y < 5 for w in taped.words)


@pytest.mark.parametrize(("stops", "pages"), [(1, 1), (3, 1), (4, 2), (12, 4)])
def test_every_stop_has_its_block_of_marks(stops: int, pages: int) -> None:
    sheet = field_sheet_pages(Blank(FEET, stops=stops), "letter")
    with_stops = [p for p in sheet if "Stops and marks" in said(p)]
    assert len(with_stops) == pages
    words = [w.text for p in with_stops for w in p.words]
    for stop in range(1, stops + 1):
        assert all(words.count(f"{stop}{letter}") == 1 for letter in "ABMP")
    assert words.count("end null") == 2 * stops
    assert str(stops + 1) not in words


def test_all_control_points_are_on_it() -> None:
    words = " ".join(said(p) for p in field_sheet_pages(SOME[2], "A4"))
    assert all(f"P{n} " in words for n in range(40))


def test_feet_and_inches_are_mentioned_where_they_may_be_written() -> None:
    assert "4' 7 1/2" in said(field_sheet_pages(SOME[0], "A4")[1])
    assert "4' 7 1/2" not in said(field_sheet_pages(SOME[1], "A4")[1])


# ---- the PDF --------------------------------------------------------------------------------


def streams(pdf: bytes) -> list[bytes]:
    """What is drawn on each page, unpacked; fonts are streams as well, and hold no operators."""
    found = re.findall(rb"stream\r?\n(.*?)\nendstream", pdf, re.S)  # data may end in \r
    unpacked = []
    for data in found:
        try:
            unpacked.append(zlib.decompress(data))
        except zlib.error:
            continue
    return [data for data in unpacked if b" l\n" in data and b"BT\n" in data]


@pytest.mark.parametrize("paper", OFFICE_PAPERS)
def test_the_pdf_is_of_that_paper_in_vectors_black_and_grey(tmp_path: Path, paper: str) -> None:
    out = tmp_path / "sheet.pdf"
    pages = field_sheet_pages(Blank(FEET, stops=3), paper)
    draw_field_sheet(pages, out)
    pdf = out.read_bytes()
    boxes = re.findall(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", pdf)
    assert len(boxes) == len(pages)
    for box in boxes:
        sides = [float(side) * 25.4 / 72 for side in box]
        assert sides == pytest.approx(paper_size(paper, wide=True), abs=0.2)
    assert b"/Subtype /Image" not in pdf
    drawn = streams(pdf)
    assert len(drawn) == len(pages)
    for data in drawn:
        for r, g, b in re.findall(rb"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)\b", data):
            assert r == g == b


def test_equal_sheets_are_equal_bytes_and_nothing_is_overwritten(tmp_path: Path) -> None:
    pages = field_sheet_pages(Blank(FEET, stops=1), "A4")
    draw_field_sheet(pages, tmp_path / "a.pdf")
    draw_field_sheet(pages, tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    with pytest.raises(OutputExistsError):
        draw_field_sheet(pages, tmp_path / "a.pdf")


def test_without_matplotlib_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "matplotlib.backends.backend_pdf", None)
    with pytest.raises(MissingExtraError, match=r"lateralline\[draw\]"):
        draw_field_sheet([Page(297, 210)], tmp_path / "a.pdf")
    assert not (tmp_path / "a.pdf").exists()


# ---- on the command line --------------------------------------------------------------------


def test_a_site_fills_in_what_is_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[list[Page]] = []
    monkeypatch.setattr(
        "lateralline.api.documents.draw_field_sheet",
        lambda pages, out, replace: kept.append(pages),
    )
    for source in ("tape-ties", "quarry-book.xlsx"):
        run(
            "field-sheet",
            SAMPLES / source,
            "-o",
            tmp_path / "a.pdf",
            "--paper",
            "Letter",
            "--tables",
        )
        front, _, first, *rest = kept.pop()
        assert "HOUSE-SW" in said(front)
        for known in ("Quarry Hill 1", "HOUSE-SW", "2267", "EPSG:3734", "4 in SDR35", "CO1"):
            assert known in said(first), (source, known)
        assert all("QH-01" in said(page) for page in rest)
        assert "[ft]" in said(first)
        assert "[in]" in said(first)  # the pipe's unit is another
        assert "ties" in titles(rest)
    run("field-sheet", SAMPLES / "gnss-bend-branch", "-o", tmp_path / "a.pdf", "--tables")
    assert "ties" not in titles(kept.pop())


def test_a_site_not_surveyed_yet_has_a_sheet(tmp_path: Path) -> None:
    """The sheet is printed before the day; a placeholder for it is not printed."""
    run("new", tmp_path / "EX-1", "--units", "ft")
    run("new", tmp_path / "EX-2", "--xlsx")
    for site in ("EX-1", "EX-2.xlsx"):
        output = run("field-sheet", tmp_path / site, "-o", tmp_path / f"{site}.pdf")
        assert "clearance to dig" in output
        assert (tmp_path / f"{site}.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("--paper", "A3"), "must be A4 or letter"),
        (("--units", "feet"), "must be one of m, cm, ft, us-ft, in"),
        (("-o", "sheet.png"), "ends in .pdf"),
        (("--stops", "0"), "Invalid value for '--stops'"),
    ],
)
def test_what_cannot_be_printed_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], why: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["field-sheet", *arguments])
    assert result.exit_code == 2
    assert why in " ".join(result.output.split())
    assert not list(tmp_path.iterdir())
