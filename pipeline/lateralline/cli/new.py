"""`lateralline new`: a site ready to be filled in, as a folder or as a workbook."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from lateralline.cli.options import argument, option, refuse_overwriting

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
    refuse_overwriting(made_at)
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
