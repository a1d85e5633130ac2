"""`lateralline new`: a site folder ready to be filled in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from lateralline.cli.options import NewFolder

LengthUnit = Literal["m", "cm", "ft", "us-ft", "in"]


def new(
    folder: Annotated[Path, NewFolder],
    site_id: Annotated[
        str | None,
        typer.Option("--id", help="Id of the site; else the folder's name.", show_default=False),
    ] = None,
    name: Annotated[
        str, typer.Option(help="What people call the site; else its id.", show_default=False)
    ] = "",
    units: Annotated[
        LengthUnit, typer.Option(help="What tapes, levels, depths and the counter read in.")
    ] = "m",
    crs: Annotated[
        str,
        typer.Option(
            metavar="CRS",
            help="Horizontal CRS of control and GNSS, as EPSG:32617; "
            "local is a taped sketch on axes of its own.",
        ),
    ] = "local",
    vertical: Annotated[
        str,
        typer.Option(
            metavar="CRS", help="Vertical CRS, as EPSG:5703; ellipsoidal; none: relative levels."
        ),
    ] = "none",
) -> None:
    """Make a site folder ready to fill in.

    Comments in its files say what goes where. `lateralline schema` tells the same at length.

    \b
    Example:
      lateralline new sites/EX-001 --units ft --crs EPSG:2264
      lateralline new sites/EX-002 --id EX-002
    """
    from lateralline.frames import horizontal_crs, vertical_crs
    from lateralline.template import new_site_files
    from lateralline.write._atomic import whole_folder

    horizontal_crs(crs), vertical_crs(vertical)  # refuse what `check` would refuse, and sooner
    files = new_site_files(
        site_id or folder.resolve().name,
        name=name,
        unit=units,
        horizontal=crs,
        vertical=vertical,
    )
    with whole_folder(folder) as made:
        for file, text in files.items():
            (made / file).write_text(text, encoding="utf-8", newline="\n")
    typer.echo(f"wrote {', '.join(files)} into {folder}")
    typer.echo(f"fill them in, then: lateralline check {folder}")
