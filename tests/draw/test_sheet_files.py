"""Sheets appear whole or not at all, the same from the same record, one file a site or together."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from contextlib import nullcontext
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.ft2font import FT2Font, LoadFlags
from typer.testing import CliRunner

from lateralline import contract
from lateralline.api.documents import private_shown, spoken
from lateralline.draw import canvas
from lateralline.draw.sheet import SheetOptions, draw_sheet, draw_sheets
from lateralline.errors import MissingExtraError, OutputExistsError, UnknownSiteError

MakeSite = Callable[..., Any]
CAUTION = contract.load("tolerance_zone").caution


def test_the_same_record_gives_the_same_bytes_and_a_date_only_on_request(
    sheets: Any, make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpkg = sheets.built(tmp_path / "out", make_site(rows=2))
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


def test_many_sites_are_one_file_each_or_one_together_or_nothing(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    from lateralline.cli import app

    sheets.built(tmp_path / "out", make_site("EX-1", rows=1), make_site("EX-2", rows=1))
    sheets = tmp_path / "sheets"

    def run(*arguments: str) -> Any:
        return CliRunner().invoke(
            app, ["sheet", str(tmp_path / "out"), "--paper", "a4", *arguments]
        )

    result = run("-o", str(sheets))
    assert result.exit_code == 0, result.output
    assert "2 sites" in result.output
    assert CAUTION in " ".join(result.output.split())
    assert sorted(p.name for p in sheets.iterdir()) == [
        "EX-1.pdf", "EX-2.pdf", "manifest.json",
    ]  # fmt: skip
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


def test_sheets_are_the_same_bytes_for_any_workers(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    ids = [f"EX-{n:02d}" for n in range(17)]  # three parts: one here, two elsewhere
    gpkg = sheets.built(tmp_path / "out", *(make_site(site_id, rows=0) for site_id in ids))
    sites, small = [(gpkg, site_id) for site_id in ids], SheetOptions("A4", crew=True)
    with spoken("us"), private_shown():  # goes along to where they are drawn
        one = draw_sheets(sites, tmp_path / "one", small)
        assert draw_sheets(sites, tmp_path / "two", small, workers=2) == one >= len(ids)
    files = sorted(p.name for p in (tmp_path / "one").glob("*.pdf"))
    assert files == [f"{site_id}.pdf" for site_id in ids]
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_replacing_a_folder_of_sheets_keeps_what_else_lies_there(
    sheets: Any, make_site: MakeSite, tmp_path: Path
) -> None:
    gpkg = sheets.built(tmp_path / "out", make_site("EX-1", rows=0))
    folder, small = tmp_path / "sheets", SheetOptions("A4")
    draw_sheets([(gpkg, "EX-1")], folder, small)
    (folder / "letters").mkdir()
    (folder / "letters" / "notes.txt").write_text("ours")
    (folder / "EX-1.pdf").write_text("marked up")
    with pytest.raises(OutputExistsError):
        draw_sheets([(gpkg, "EX-1")], folder, small)
    draw_sheets([(gpkg, "EX-1")], folder, small, replace=True)
    assert (folder / "letters" / "notes.txt").read_text() == "ours"
    assert (folder / "EX-1.kept-1.pdf").read_text() == "marked up"
    assert (folder / "EX-1.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(UnknownSiteError, match="holds no site"):
        draw_sheet([(gpkg, "EX-7")], tmp_path / "s.pdf")
    assert not (tmp_path / "s.pdf").exists()


def test_without_matplotlib_the_extra_is_named(
    sheets: Any, make_site: MakeSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpkg = sheets.built(tmp_path / "out", make_site(rows=0))
    sheets.without_matplotlib(monkeypatch)
    with pytest.raises(MissingExtraError, match=r'pip install "lateralline\[draw\]"'):
        draw_sheet([(gpkg, "")], tmp_path / "s.pdf")


def outlines(pdf: bytes) -> dict[tuple[bytes, int], Any]:
    """Outline of each letter in a PDF's fonts, by the end of the font's name and its code.

    ISO 32000-1, 9.7.4: codes lead by CIDToGIDMap to the glyphs of FontFile2 (from memory).
    """
    found = {}
    for font in re.findall(rb"<<(?:(?!endobj).)*?/CIDFontType2.*?endobj", pdf, re.S):
        keys = (rb"BaseFont /\w{6}\+(\S+)", rb"CIDToGIDMap (\d+)", rb"FontDescriptor (\d+)")
        name, codes, about = (re.findall(key, font)[0] for key in keys)
        descriptor = re.search(rb"\n%s 0 obj(.*?)endobj" % about, pdf, re.S)
        assert descriptor is not None
        file = re.search(rb"/FontFile2 (\d+)", descriptor[1])
        assert file is not None
        glyphs = FT2Font(BytesIO(stream(pdf, file[1])))
        for code, glyph in enumerate(stream(pdf, codes).decode("utf-16be")):
            if ord(glyph):
                glyphs.load_glyph(ord(glyph), LoadFlags.NO_SCALE)
                found[name, code] = glyphs.get_path()[0]
    return found


def stream(pdf: bytes, number: bytes) -> bytes:
    """A stream of a PDF, inflated."""
    begun = re.search(rb"\n%s 0 obj\b.*?stream\r?\n" % number, pdf, re.S)
    assert begun is not None
    return zlib.decompressobj().decompress(pdf[begun.end() :])


@pytest.mark.parametrize("text", ["2 ≥ 1 ±", "affine", "Größe", "Ωμέγα Їжак"])
def test_fonts_cut_down_before_hold_the_letters_that_matplotlib_puts_in(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = []
    for kept in (True, False):
        if not kept:
            monkeypatch.setattr(canvas, "quicker_letters", nullcontext)
        canvas_of = canvas.Canvas(50.0, 20.0)
        canvas_of.words(5.0, 5.0, text)
        canvas_of.words(5.0, 15.0, text, bold=True)
        into = BytesIO()
        with canvas.pdf_pages(into, "sheet", "T", "C") as add_page:
            add_page(canvas_of.figure)
        drawn.append(outlines(into.getvalue()))
    assert len(drawn[1]) >= 8  # of both fonts together
    assert drawn[0].keys() == drawn[1].keys()
    for code, outline in drawn[1].items():
        assert np.array_equal(outline, drawn[0][code]), code
