"""`lateralline field-sheet`: a blank sheet to print and take into the field."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import (
    Replace,
    Terms,
    argument,
    known_paper,
    option,
    refuse_suffix,
    refuse_unknown,
)
from lateralline.cli.report import print_last_words


def field_sheet(
    site: Annotated[
        Path | None,
        argument(
            "Site folder or workbook to take head, units, runs, pipes and control from.",
            metavar="SITE",
            exists=True,
        ),
    ] = None,
    out: Annotated[Path, option("File to write.", "--out", "-o", metavar="PDF")] = Path(
        "field-sheet.pdf"
    ),
    paper: Annotated[str, typer.Option(metavar="PAPER", help="A4 or letter, landscape.")] = "A4",
    units: Annotated[
        str | None,
        option(
            "What tapes, levels, depths and the counter read in: m, cm, ft, us-ft or in; "
            "else those of SITE, else m.",
            metavar="UNIT",
        ),
    ] = None,
    stops: Annotated[
        int, typer.Option(min=1, max=300, help="How many stops to leave room for.")
    ] = 12,
    gnss: Annotated[
        bool | None,
        option(
            "Columns for GNSS or for taped positions; else taped, unless SITE has no control "
            "and is on the map.",
            "--gnss/--tape",
        ),
    ] = None,
    tables: Annotated[
        bool,
        typer.Option("--tables", help="Every table with all its columns as an appendix."),
    ] = False,
    terms: Terms = None,
    replace: Replace = False,
) -> None:
    """Print a blank field sheet to fill in at the kerb.

    Two pages, as a PDF. The first has squares to sketch in and shows where each mark lies over
    the transmitter, the second a row for each stop. --tables adds the tables of the files,
    column by column, to be keyed in as they stand. The sheet is no clearance to dig and says so
    on every page.

    \b
    Example:
      lateralline field-sheet -o sheet.pdf --paper letter --units ft --stops 12
      lateralline field-sheet sites/EX-001 -o EX-001.pdf
    """
    from lateralline.api import documents, fieldwork

    paper = known_paper(paper, documents.OFFICE_PAPERS)
    refuse_unknown(units, fieldwork.known_units(), "--units")
    refuse_suffix(out, (".pdf",), "a field sheet ends in {}", "--out")
    settings, control = fieldwork.known_of(site)
    message = (settings.get("units") or [{}])[0]
    keys = ("tape", "level", "depth", "counter", "pipe")
    of_each = {key: units or message.get(key) or message.get("tape") or "m" for key in keys}
    horizontal = (settings.get("crs") or [{}])[0].get("horizontal", "local")
    if gnss is None:
        gnss = site is not None and not control and horizontal.casefold() != "local"
    blank = documents.Blank(of_each, gnss, stops, settings, control)
    with documents.spoken(terms):
        pages = documents.kerb_sheet_pages(blank, paper)
        if tables:
            pages += documents.field_sheet_pages(blank, paper)
    documents.draw_field_sheet(pages, out, replace=replace)
    print_last_words(f"wrote {out}")
