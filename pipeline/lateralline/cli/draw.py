"""`lateralline draw`: a plan picture of a built record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def draw(
    built: Annotated[
        Path,
        typer.Argument(
            metavar="OUT",
            exists=True,
            help="Folder that `lateralline build` wrote, or its .gpkg.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            "-o",
            metavar="PICTURE",
            help="Picture to write: .png, .svg or .pdf.",
            show_default=False,
        ),
    ],
    site: Annotated[
        str,
        typer.Option(
            metavar="ID", help="Site to draw; needed when OUT holds several.", show_default=False
        ),
    ] = "",
) -> None:
    """Draw plan and profile of a built site.

    A picture is for talking about a site. It is no clearance to dig and says so on its face.

    \b
    Example:
      lateralline draw out -o plan.png
      lateralline draw city -o plan.svg --site EX-001
    """
    from lateralline.workspace import GEOPACKAGE
    from lateralline.write.picture import draw_picture

    gpkg = built / GEOPACKAGE if built.is_dir() else built
    draw_picture(gpkg, site, out)
    typer.echo(f"wrote {out}")
