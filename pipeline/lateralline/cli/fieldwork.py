"""`lateralline new`, `field-sheet` and `upgrade`: what a crew fills in."""

from __future__ import annotations

from datetime import date
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

_BOOK = ".xlsx"


def new(
    folder: Annotated[
        Path, argument("Folder to make, or workbook; it must not be there yet.", metavar="FOLDER")
    ],
    xlsx: Annotated[
        bool,
        typer.Option("--xlsx", help="Make one workbook, FOLDER.xlsx, that holds all of the site."),
    ] = False,
    source: Annotated[
        Path | None,
        option(
            "Site to copy into the workbook: a folder of text files, or another workbook.",
            "--from",
            metavar="SITE",
            exists=True,
        ),
    ] = None,
    site_id: Annotated[
        str | None, option("Id of the site; else the folder's name.", "--id")
    ] = None,
    name: Annotated[str, option("What people call the site; else its id.")] = "",
    surveyed: Annotated[str, option("Day of the survey, as 2026-05-06.", metavar="DAY")] = "",
    units: Annotated[
        str | None,
        option(
            "What tapes, levels, depths and the counter read in: m, cm, ft, us-ft or in; else m.",
            metavar="UNIT",
        ),
    ] = None,
    crs: Annotated[
        str | None,
        option(
            "Horizontal CRS of control and GNSS, as EPSG:32617; else local, "
            "a taped sketch on axes of its own.",
            metavar="CRS",
        ),
    ] = None,
    vertical: Annotated[
        str,
        typer.Option(
            metavar="CRS", help="Vertical CRS, as EPSG:5703; ellipsoidal; none: a site zero."
        ),
    ] = "none",
) -> None:
    """Make a site to fill in: a folder or a workbook.

    Comments say what goes where; `lateralline schema` tells the same at length. A workbook has
    drop-downs and units in its headers, and is a site by itself wherever a folder is.

    \b
    Example:
      lateralline new sites/EX-001 --units ft --crs EPSG:2264 --surveyed 2026-05-06
      lateralline new sites/EX-002 --xlsx --units ft
      lateralline new EX-003.xlsx --from sites/EX-001 --id EX-003
    """
    from lateralline.api import fieldwork

    xlsx = xlsx or source is not None or folder.suffix.casefold() == _BOOK
    named = folder.with_suffix("") if folder.suffix.casefold() == _BOOK else folder
    made_at = named.with_name(named.name + _BOOK) if xlsx else folder
    if source is not None:
        if units or crs or surveyed or vertical != "none":
            message = "they are those of the site copied; only --id and --name may differ"
            raise typer.BadParameter(f"no --units, --crs, --vertical, --surveyed: {message}")
        fieldwork.copy_to_workbook(source, made_at, site_id or "", name)
        typer.echo(f"wrote {made_at}, a copy of {source}")
        typer.echo(f"next: lateralline check {made_at}")
        return
    files, day = fieldwork.new_site(
        made_at,
        site_id or named.resolve().name,
        name,
        surveyed=surveyed,
        unit=units or "m",
        crs=crs or "local",
        vertical=vertical,
    )
    typer.echo(f"wrote {made_at}" if xlsx else f"wrote {', '.join(files)} into {folder}")
    _say_what_was_chosen(made_at, units, crs, day)


def _say_what_was_chosen(
    made_at: Path, units: str | None, crs: str | None, day: date | None
) -> None:
    settings = "the sheet site" if made_at.suffix == _BOOK else "site.toml"
    if units is None:
        change = "" if made_at.suffix == _BOOK else ", or change [units] in site.toml"
        typer.echo(f"units: m was chosen; --units ft for feet{change}")
    if crs is None:
        typer.echo(
            "crs: local was chosen, a taped sketch with no place on the map; "
            f"--crs EPSG:32617, say, or change [crs] in {settings}"
        )
    if day is None:
        typer.echo(f"surveyed is still to be written into {settings}: the day the marks were made")
    runs = "the sheet runs" if made_at.suffix == _BOOK else settings
    typer.echo(
        f"flow of each run is still to be written into {runs}: with, against or unknown; "
        "chainage counts from the downstream end"
    )
    typer.echo(f"fill it in, then: lateralline check {made_at}")


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


def upgrade(
    site: Annotated[
        Path, argument("Site: a folder, or a workbook (.xlsx).", metavar="SITE", exists=True)
    ],
    out: Annotated[
        Path,
        option(
            "Folder or workbook to write; it must not be there yet.",
            "--out",
            "-o",
            metavar="NEWSITE",
        ),
    ],
) -> None:
    """Rewrite a site of version 1 with the names of version 2.

    Only names change: comments, order and formatting stay, and SITE stays as it is. There is no
    need to: sites of version 1 are read as they are, wherever a site is.

    \b
    Example:
      lateralline upgrade sites/EX-001 -o sites-v2/EX-001
    """
    from lateralline.api import fieldwork

    made = fieldwork.upgrade(site, out)
    if not made.changed:
        typer.echo(f"nothing to do: {site} has the names of version 2; {out} was not written")
        return
    typer.echo(f"wrote {out}: new names in {', '.join(made.changed)}")
    typer.echo(f"next: lateralline check {out}")
